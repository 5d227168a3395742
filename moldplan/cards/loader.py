"""From cards, job file and options to the settings of one plan.

A later layer wins over an earlier one, value by value:

1. the built-in card of each kind (or the one the job file chooses);
2. the shop's own card of that kind, from the cards folder;
3. the job file;
4. the options given with ``--set kind.key=VALUE``.

Every setting says where its value was found.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Final, Protocol

from moldplan.cards.cardfile import KINDS, Card, Entry, checked_value, read_card
from moldplan.cards.lines import nearest, parse_toml, read_toml, write_new
from moldplan.cards.model import Setting, Settings
from moldplan.errors import SettingError

#: The built-in card of each kind that is used when nobody chooses.
DEFAULT_CARDS: Final[Mapping[str, str]] = MappingProxyType({
    "rubber": "silicone-addition", "mould": "brush-on-mould", "clay": "clay-wall", "board": "board",
    "jacket": "glass-jacket", "crew": "crew", "shop": "shop", "pattern": "foam-pattern", "cast": "glass-cast",
    "split": "shop-split",
})  # fmt: skip

#: Pairs of numbers of which the first must not be above the second.
_ORDERED: Final = (
    ("rubber.recoat_after_min", "rubber.recoat_before_min"),
    ("rubber.detail_coat_mm", "mould.skin_mm"),
    ("mould.draft_shallow_deg", "mould.draft_deep_deg"),
    ("jacket.plies_small", "jacket.plies_large"),
    ("jacket.small_area_m2", "jacket.large_area_m2"),
    ("board.stock_short_mm", "board.stock_long_mm"),
    ("split.soften_mm", "split.approval_mm"),
    ("crew.team_three_share", "crew.team_two_share"),
)

_MOST_CARDS: Final = 500  # a cards folder holds a few dozen; more means that the folder is the wrong one


@dataclass(frozen=True, kw_only=True)
class CardChoice:
    """Which card of a kind a job wants, and where it says so."""

    kind: str
    name: str
    where: str


@dataclass(frozen=True, kw_only=True)
class Override:
    """A value that stands over the cards: `name` is "kind.key", `value` as the person wrote it."""

    name: str
    value: object
    where: str


class JobSettings(Protocol):
    """What the settings need to know of a job (`moldplan.job.Job` is one)."""

    @property
    def cards_folder(self) -> Path | None:
        """The shop's cards beside the job file, None when there are none."""

    @property
    def card_choices(self) -> tuple[CardChoice, ...]:
        """The cards the job chooses."""

    @property
    def overrides(self) -> tuple[Override, ...]:
        """The values the job file gives."""


def resolve_settings(
    *, job: JobSettings | None = None, cards_dir: Path | None = None, overrides: Sequence[str] = ()
) -> Settings:
    """Return every setting of a plan, each with where it was found.

    Parameters
    ----------
    job
        The job file's say; None when there is no job file.
    cards_dir
        The shop's cards folder; given, it stands in for the job's own.
    overrides
        Texts "kind.key=VALUE" from the command line, the value with its unit.

    Raises
    ------
    SettingError
        When a card, the job file or an option holds an unknown name or a value that is not allowed; the
        message says file, line, allowed range and the nearest known name.
    """
    folder = cards_dir if cards_dir is not None or job is None else job.cards_folder
    shop_cards = _shop_cards(folder) if folder is not None else ()
    choices = {} if job is None else {choice.kind: choice for choice in job.card_choices}
    settings: dict[str, Setting] = {}
    entries: dict[str, Entry] = {}
    for kind in KINDS:
        base, shop = _cards_of(kind, shop_cards, choices.get(kind))
        for key, entry in base.entries.items():
            settings[f"{kind}.{key}"] = _setting(kind, entry, f"built-in card {entry.where}")
            entries[f"{kind}.{key}"] = entry
        for key, entry in {} if shop is None else shop.entries.items():
            settings[f"{kind}.{key}"] = _setting(kind, entry, f"shop card {entry.where}")
            entries[f"{kind}.{key}"] = entry
    for override in (*(() if job is None else job.overrides), *map(_option, overrides)):
        settings[override.name] = _overridden(override, entries)
    _check_order(settings)
    return Settings(MappingProxyType(settings))


def list_cards() -> list[str]:
    """Return a line for people on each built-in card: its name, kind and title, defaults marked."""
    cards = sorted(built_in_cards().values(), key=lambda card: (KINDS.index(card.kind), card.name))
    width = max(len(card.name) for card in cards) + 2
    return [
        f"{card.name:<{width}}{card.kind:<9}{card.title}"
        + ("" if card.name == DEFAULT_CARDS[card.kind] else " (used when a job file chooses it)")
        for card in cards
    ]


def known_keys(kind: str) -> Mapping[str, Entry]:
    """Return every key a card of `kind` has, with its built-in value and what it may hold."""
    return _own_cards()[kind].entries


def card_text(name: str) -> str:
    """Return the built-in card called `name` as TOML text, ready to be edited.

    Raises
    ------
    SettingError
        When there is no such card.
    """
    plain = name.removesuffix(".toml")
    if plain not in built_in_cards():
        raise SettingError(f"there is no built-in card {name!r}: {nearest(name, tuple(built_in_cards()))}")
    return (files("moldplan.cards") / f"{plain}.toml").read_text(encoding="utf-8")


def copy_card(name: str, folder: Path) -> Path:
    """Write the built-in card called `name` into `folder` for the shop to change; return the new file.

    Raises
    ------
    SettingError
        When there is no such card.
    OutputError
        When the folder cannot be written or already holds the card, which is never overwritten.
    """
    return write_new(folder / f"{name.removesuffix('.toml')}.toml", card_text(name))


@lru_cache(maxsize=1)
def built_in_cards() -> Mapping[str, Card]:
    """Return moldplan's own cards by name."""
    cards = {}
    for resource in sorted(files("moldplan.cards").iterdir(), key=lambda item: item.name):
        if resource.name.endswith(".toml"):
            card = read_card(parse_toml(resource.read_bytes(), label=resource.name))
            cards[card.name] = card
    return MappingProxyType(cards)


def _own_cards() -> Mapping[str, Card]:
    """Return moldplan's own default card of each kind."""
    return {kind: built_in_cards()[name] for kind, name in DEFAULT_CARDS.items()}


def _shop_cards(folder: Path) -> tuple[Card, ...]:
    """Return the cards in the shop's folder, by file name."""
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix.lower() == ".toml")
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise SettingError(f"cards folder {folder}: {reason}: give a folder of .toml cards") from error
    if len(paths) > _MOST_CARDS:
        raise SettingError(
            f"cards folder {folder}: holds {len(paths)} files, allowed are {_MOST_CARDS}: check it"
        )
    cards: dict[tuple[str, str], Card] = {}
    for path in paths:
        card = read_card(read_toml(path), pattern_of=_own_cards())
        if (card.kind, card.name) in cards:
            first = cards[card.kind, card.name].label
            raise SettingError(f"{first} and {card.label} are both called {card.name!r}: rename one of them")
        cards[card.kind, card.name] = card
    return tuple(cards.values())


def _cards_of(kind: str, shop_cards: Sequence[Card], choice: CardChoice | None) -> tuple[Card, Card | None]:
    """Return the built-in card of a kind and the shop's card that stands over it, if any."""
    built_in = {card.name: card for card in built_in_cards().values() if card.kind == kind}
    mine = {card.name: card for card in shop_cards if card.kind == kind}
    default = DEFAULT_CARDS[kind]
    if choice is not None:
        name = choice.name
        if name not in mine and name not in built_in:
            advice = nearest(name, (*mine, *built_in))
            raise SettingError(f"{choice.where}: there is no {kind} card {name!r}: {advice}")
        return built_in.get(name, built_in[default]), mine.get(name)
    if not mine or default in mine:
        return built_in[default], mine.get(default)
    if len(mine) > 1:
        raise SettingError(
            f"the cards folder holds {len(mine)} {kind} cards ({', '.join(mine)}): "
            f'choose one in the job file under [cards], like {kind} = "{next(iter(mine))}"'
        )
    (name, card), *_ = mine.items()
    return built_in.get(name, built_in[default]), card


def _setting(kind: str, entry: Entry, origin: str) -> Setting:
    """Return a card's entry as a setting."""
    return Setting(
        name=f"{kind}.{entry.key}",
        value=entry.value,
        unit=entry.unit,
        tag=entry.tag,
        note=entry.note,
        origin=origin,
    )


def _overridden(override: Override, entries: Mapping[str, Entry]) -> Setting:
    """Return the setting that an override names, with its value."""
    entry = entries.get(override.name)
    if entry is None:
        raise SettingError(
            f"{override.where}: unknown setting {override.name!r}: {_nearest_setting(override.name)}"
        )
    kind = override.name.partition(".")[0]
    value = checked_value(override.value, entry, where=override.where)
    return Setting(
        name=f"{kind}.{entry.key}",
        value=value,
        unit=entry.unit,
        tag=entry.tag,
        note=entry.note,
        origin=override.where,
    )


def _nearest_setting(name: str) -> str:
    """Return what to do about an unknown "kind.key"."""
    kind, dot, key = name.partition(".")
    own = _own_cards()
    if not dot:
        return "write kind.key, like mould.skin_mm"
    if kind not in own:
        return f"there is no kind {kind!r}: {nearest(kind, KINDS)}"
    keys = [f"{kind}.{known}" for known in own[kind].entries]
    return nearest(f"{kind}.{key}", keys)


def _option(text: str) -> Override:
    """Return a command-line text "kind.key=VALUE" as an override."""
    name, sign, value = text.partition("=")
    if not sign or not name.strip() or not value.strip():
        raise SettingError(f"option --set {text!r}: write it as kind.key=VALUE, like mould.skin_mm=9mm")
    return Override(name=name.strip(), value=value.strip().strip("\"'"), where=f"option --set {name.strip()}")


def _check_order(settings: Mapping[str, Setting]) -> None:
    """Refuse settings that contradict each other."""
    for low, high in _ORDERED:
        for one, other in _contradictions(settings[low], settings[high]):
            raise SettingError(
                f"{one.name} is {one.value} {one.unit}".rstrip()
                + f" ({one.origin}), above {other.name} {other.value} {other.unit}".rstrip()
                + f" ({other.origin}): change one of them"
            )


def _contradictions(one: Setting, other: Setting) -> Iterator[tuple[Setting, Setting]]:
    """Yield the pair when the first number is above the second."""
    if float(one.value) > float(other.value):
        yield one, other
