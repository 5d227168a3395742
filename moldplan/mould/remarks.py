"""What a half's mould has to say beyond its numbers."""

from collections.abc import Iterator, Sequence

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.half.pieces import pieces
from moldplan.mould.building import building_findings
from moldplan.mould.model import Board, Jacket, RegionAdvice, ReleaseStep, Rubber, Wall, Web
from moldplan.mould.undercut_remarks import loop_findings, region_findings, release_findings
from moldplan.units import litres, mm

_STAGE = "mould"
_LONG_MM = 1000.0  # common practice, no source: over about 1 m prefer addition cure


def remarks(  # noqa: PLR0913 - it walks over everything a mould is made of
    half: Half,
    rubber: Rubber,
    board: Board,
    jacket: Jacket,
    settings: Settings,
    *,
    wall: Wall | None = None,
    advice: Sequence[RegionAdvice] = (),
    webs: Sequence[Web] = (),
    release: Sequence[ReleaseStep] = (),
) -> Iterator[Finding]:
    """Walk over the findings of one half's mould, gravest first; without a wall, of all but the wall.

    Nothing is said of release without `release`; undercuts are spoken of in general without `advice`.
    """
    yield from loop_findings(half, webs)
    yield from _pieces(half)
    for region in half.undercut.regions:
        yield from region_findings(half, region, rubber, settings, advice)
    yield from _of_size(half, settings)
    yield from building_findings(half, rubber, wall, board, jacket, settings)
    # what every mould of this rubber wants comes after what this half alone does; stops come first anyhow
    yield from release_findings(half, release, webs, advice)


def _pieces(half: Half) -> Iterator[Finding]:
    """Say when the saw leaves this half in more than one piece, and where the smallest lies."""
    found = pieces(half)
    if len(found) == 1:
        return
    smallest = min(found, key=lambda piece: piece.volume_mm3)
    yield Finding(
        code="loose-piece", severity="check", stage="half", half=half.name, value=float(len(found)),
        limit=1.0, unit="pieces", place_mm=smallest.middle_mm,
        advice=f"sawn here, the {half.called} half falls into {len(found)} pieces, the smallest of "
        f"{litres(smallest.volume_mm3)}: fix each to the board, or move the split",
    )  # fmt: skip


def _of_size(half: Half, settings: Settings) -> Iterator[Finding]:
    """Say what follows from the half's size."""
    limit_mm = settings.number("mould.deep_half_mm")
    if half.height_mm > limit_mm:
        yield Finding(
            code="deep-half", severity="check", stage=_STAGE, half=half.name, value=half.height_mm,
            limit=limit_mm, unit="mm",
            advice=f"the open mould is {mm(half.height_mm)} deep and styrene lies in it: no head inside "
            "without extraction at the lip, a second person and supplied air",
        )  # fmt: skip
    spread = half.vertices.max(axis=0) - half.vertices.min(axis=0)
    longest_mm = float(spread.max())
    if settings.text("rubber.cure") == "condensation" and longest_mm > _LONG_MM:
        yield Finding(
            code="rubber-shrinks", severity="check", stage=_STAGE, half=half.name, value=longest_mm,
            limit=_LONG_MM, unit="mm",
            advice="condensation-cure rubber shrinks 0.3 to 0.6 %, which steps the seam at this length: "
            "prefer addition cure, or make both halves from one batch in one week",
        )  # fmt: skip
