"""What the inside of a half-mould has to say: hand reach, and small shapes."""

from collections.abc import Iterator, Sequence
from typing import Final, Literal

from moldplan.findings import Finding, Severity
from moldplan.half.model import Half
from moldplan.mould.features import MOST_EACH
from moldplan.mould.model import Feature, FeatureKind, Reach
from moldplan.units import m2, mm

#: Share of the inner surface that may be out of the hand's reach before somebody has to look at it. Common
#: practice, no source: corners and grooves always want a small brush.
UNREACHED_SHARE: Final = 0.02
#: Nor is a place under this area, mm2, worth a look of its own.
LEAST_UNREACHED_MM2: Final = 5_000.0

_Code = Literal["blind-tip", "air-cup", "slot", "tight-corner", "thin-section"]

#: Of each kind: its code, how grave it is, and what several of it are called.
_KINDS: Final[dict[FeatureKind, tuple[_Code, Severity, str]]] = {
    "blind tip": ("blind-tip", "check", "blind tips"),
    "cup": ("air-cup", "note", "hollows that hold air or liquid"),
    "slot": ("slot", "note", "narrow gaps"),
    "tight corner": ("tight-corner", "note", "places with tight corners"),
    "thin section": ("thin-section", "check", "thin sections"),
}


def feature_findings(half: Half, reach: Reach, features: Sequence[Feature]) -> Iterator[Finding]:
    """Walk over the findings about hand reach and small shapes, one a kind.

    Parameters
    ----------
    half
        The half on its board.
    reach
        What the hand gets to (`moldplan.mould.reach.plan_reach`).
    features
        Its small shapes (`moldplan.mould.features.find_features`), of each kind the largest first.
    """
    yield from _reach(half, reach)
    for kind, (code, severity, several) in _KINDS.items():
        mine = [feature for feature in features if feature.kind == kind]
        if mine:
            yield _shapes(half, mine, code, severity, several)


def _reach(half: Half, reach: Reach) -> Iterator[Finding]:
    """Say how much of the inner surface the hand does not get to, and where the most of it is."""
    limit = max(UNREACHED_SHARE * reach.surface_mm2, LEAST_UNREACHED_MM2)
    if reach.unreached_mm2 <= limit:
        return
    share = 100.0 * reach.unreached_mm2 / reach.surface_mm2
    worst = reach.places[0] if reach.places else None
    rest = f", the largest: {worst.text}" if worst else ", all of it in small corners: small brush and paste"
    yield Finding(
        code="hand-reach", severity="check", stage="mould", half=half.name, value=reach.unreached_mm2 * 1e-6,
        limit=limit * 1e-6, unit="m2", place_mm=worst.place_mm if worst else None,
        advice=f"hand and roller do not get to {m2(reach.unreached_mm2)} ({share:.0f} %) of the inside of "
        f"the {half.called} half{rest}",
    )  # fmt: skip


def _shapes(half: Half, mine: Sequence[Feature], code: _Code, severity: Severity, several: str) -> Finding:
    """Return the finding about all shapes of one kind, with what to do about the first."""
    first = mine[0]
    # a full list says itself how many there are
    number = "" if len(mine) >= MOST_EACH else f"{len(mine)} "
    count = f"{number}{several}, the largest: " if len(mine) > 1 else ""
    return Finding(
        code=code, severity=severity, stage="mould", half=half.name, place_mm=first.place_mm,
        value=first.width_mm, unit="mm",
        advice=f"{count}{first.text}, at {mm(first.place_mm[2])} above the board of the {half.called} half",
    )  # fmt: skip
