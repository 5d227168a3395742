"""What has to be said about taking the rubber off: too much stretch, and parts of the cast that may snap."""

from collections.abc import Iterator
from typing import Final

from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.bands import MOST_STRAIN, strain_text
from moldplan.mould.model import Peel, PeelPlace
from moldplan.mould.places import place_words

_STAGE = "mould"
#: Most places whose stretch is told one by one; the rest are counted in the last.
MOST_TOLD: Final = 3


def peel_findings(half: Half, peel: Peel) -> Iterator[Finding]:
    """Walk over the findings of one half's peel.

    Parameters
    ----------
    half
        The half on its board.
    peel
        How its rubber comes off (`moldplan.mould.peel.plan_peel`).

    Yields
    ------
    Finding
        Code "peel-stretch" for the worst places over the allowed strain (value and limit in %, the value at
        most `MOST_STRAIN`), and "thin-part" for each part of the cast that may snap, both checks. Where
        the rubber closes into loops, bands that are shut in are left to the finding about the loops.
    """
    over = [place for place in peel.places if place.strain > peel.allowed]
    if half.undercut.links > 0:
        over = [place for place in over if place.strain <= MOST_STRAIN]
    for place in over[:MOST_TOLD]:
        rest = len(over) - MOST_TOLD if place is over[:MOST_TOLD][-1] else 0
        yield _stretch(half, place, peel.allowed, rest)
    for part in peel.thin:
        yield Finding(
            code="thin-part", severity="check", stage=_STAGE, half=half.name, place_mm=part.place_mm,
            value=part.thickness_mm, unit="mm", limit=None, advice=part.text,
        )  # fmt: skip


def _stretch(half: Half, place: PeelPlace, allowed: float, rest: int) -> Finding:
    """Say that the rubber has to give more than it may."""
    what = "bends" if place.model == "lip" else "stretches"
    near = "" if place.region is None else f" at undercut {place.region}"
    more = f"; {rest} more place{'s' if rest > 1 else ''} over the limit" if rest > 0 else ""
    return Finding(
        code="peel-stretch", severity="check", stage=_STAGE, half=half.name, place_mm=place.place_mm,
        value=100.0 * min(place.strain, MOST_STRAIN), limit=100.0 * allowed, unit="%",
        advice=f"coming off, the rubber {what} by {strain_text(place.strain)}{near}, "
        f"{place_words(half, place.place_mm)}; {strain_text(allowed)} is allowed: {_advice(place)}{more}",
    )  # fmt: skip


def _advice(place: PeelPlace) -> str:
    """Return what helps: a lip is thinned, a band is cut or its bulge made smaller."""
    if place.model == "lip":
        return "leave the undercut to a loose jacket piece or a plug, so that a thinner lip bends"
    return "cut the rubber there down to the edge and key the cut, soften the bulge, or move the split"
