"""Shop cards: what the tool has to know about rubbers, clays, boards, laminates and people.

`resolve_settings` turns cards, job file and options into the `Settings` of one plan; `list_cards`,
`card_text` and `copy_card` show and hand out the built-in cards.
"""

from moldplan.cards.cardfile import KINDS, Card, Entry
from moldplan.cards.loader import (
    DEFAULT_CARDS,
    CardChoice,
    JobSettings,
    Override,
    built_in_cards,
    card_text,
    copy_card,
    known_keys,
    list_cards,
    resolve_settings,
)
from moldplan.cards.model import Setting, Settings, Tag

__all__ = [
    "DEFAULT_CARDS", "KINDS", "Card", "CardChoice", "Entry", "JobSettings", "Override", "Setting", "Settings",
    "Tag", "built_in_cards", "card_text", "copy_card", "known_keys", "list_cards", "resolve_settings",
]  # fmt: skip
