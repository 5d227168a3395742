"""What is to be said about how the rubber sits in its jacket: edge lip, keys, buttons."""

from collections.abc import Iterator
from typing import Final

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.model import Rubber
from moldplan.units import mm

_STAGE: Final = "mould"
#: An edge thinner than this is no lip that registers the rubber (common practice, no source).
LIP_MM: Final = 10.0


def registration_remarks(half: Half, rubber: Rubber, settings: Settings) -> Iterator[Finding]:
    """Walk over what is unusual about how the rubber of `half` is held in its jacket.

    Reads ``mould.edge_thickness_mm``, ``mould.key_side_deg``, ``mould.key_slope_deg`` and
    ``mould.button_over_mm``.
    """
    edge_mm = settings.number("mould.edge_thickness_mm")
    if edge_mm < LIP_MM:
        yield Finding(
            code="edge-lip", severity="check", stage=_STAGE, half=half.name, value=edge_mm, limit=LIP_MM,
            unit="mm",
            advice=f"the rubber's edge is {mm(edge_mm)} thick, too thin for a lip that registers it in the "
            f"jacket: make it {mm(LIP_MM)}, or form a tongue round it",
        )  # fmt: skip
    yield from _keys(half, rubber, settings)
    if rubber.buttons:
        yield Finding(
            code="buttons", severity="note", stage=_STAGE, half=half.name, value=float(len(rubber.buttons)),
            limit=settings.number("mould.button_over_mm"), unit="buttons",
            place_mm=rubber.buttons[0].place_mm,
            advice=f"{len(rubber.buttons)} buttons through the jacket hold steep rubber: lay up round them, "
            "number them, and take them out before the jacket lifts",
        )  # fmt: skip


def _keys(half: Half, rubber: Rubber, settings: Settings) -> Iterator[Finding]:
    """Say when keys had to be changed, or when nothing carries one."""
    side_deg = settings.number("mould.key_side_deg")
    if not rubber.keys:
        slope_deg = settings.number("mould.key_slope_deg")
        yield Finding(
            code="no-keys", severity="check", stage=_STAGE, half=half.name, value=0.0, limit=3.0, unit="keys",
            advice=f"nowhere is the rubber's outside gentler than {slope_deg:g} deg over the base of a key: "
            "only its edge registers it, so see that it cannot turn or slide in the jacket",
        )  # fmt: skip
    elif side_deg < rubber.draft_deg:
        yield Finding(
            code="key-side", severity="note", stage=_STAGE, half=half.name, value=side_deg,
            limit=rubber.draft_deg, unit="deg", place_mm=rubber.keys[0].centre_mm,
            advice=f"sides of keys at {side_deg:g} deg would not draw: they lean {rubber.draft_deg:g} deg "
            "like the jacket",
        )  # fmt: skip
