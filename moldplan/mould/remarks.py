"""What a half's mould has to say beyond its numbers."""

from collections.abc import Iterator
from functools import partial

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half, Region
from moldplan.half.pieces import pieces
from moldplan.mould.building import building_findings
from moldplan.mould.model import Board, Jacket, Rubber, Wall
from moldplan.units import litres, mm

_STAGE = "mould"
_LONG_MM = 1000.0  # common practice, no source: over about 1 m prefer addition cure


def remarks(  # noqa: PLR0913 - it walks over everything a mould is made of
    half: Half, rubber: Rubber, board: Board, jacket: Jacket, settings: Settings, *, wall: Wall | None = None
) -> Iterator[Finding]:
    """Walk over the findings of one half's mould, gravest first; without a wall, of all but the wall."""
    yield from _loops(half)
    yield from _pieces(half)
    for region in half.undercut.regions:
        yield from _of_region(half, region, rubber, settings)
    yield from _of_size(half, settings)
    yield from building_findings(half, rubber, wall, board, jacket, settings)


def _loops(half: Half) -> Iterator[Finding]:
    """Stop when the rubber would close round the pattern."""
    links = half.undercut.links
    if links <= 0:
        return
    loops = "a closed loop" if links == 1 else f"{links} closed loops"
    yield Finding(
        code="rubber-loop",
        severity="stop",
        stage=_STAGE,
        half=half.name,
        place_mm=_loop_place(half),
        value=float(links),
        limit=0.0,
        unit="loops",
        advice=f"the rubber makes {loops} through the {half.called} half and cannot come off whole: "
        "cut or web each one, plug the opening, or move the split",
    )


def _loop_place(half: Half) -> tuple[float, float, float] | None:
    """Return where to look for a loop: a tunnel, else the smallest foot that stands apart on the board."""
    tunnel = next((region for region in half.undercut.regions if region.mouths >= 2), None)
    if tunnel is not None:
        return tunnel.centre_mm
    if len(half.section.geoms) < 2:
        return None
    middle = min(half.section.geoms, key=lambda foot: foot.area).centroid
    return (middle.x, middle.y, 0.0)


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


def _of_region(half: Half, region: Region, rubber: Rubber, settings: Settings) -> Iterator[Finding]:
    """Say what is special about one undercut."""
    check = partial(Finding, severity="check", stage=_STAGE, half=half.name, place_mm=region.centre_mm)
    if region.mouths >= 2:
        advice = (
            f"undercut {region.id} goes right through ({region.mouths} mouths): "
            "web it with a rubber plug or cut the rubber there"
        )
        yield check(code="tunnel", value=float(region.mouths), limit=1.0, unit="mouths", advice=advice)
    if region.mouths == 0:
        advice = f"undercut {region.id} is closed all round, no brush gets in: fill or open it on the pattern"
        yield check(code="sealed-pocket", value=0.0, limit=1.0, unit="mouths", advice=advice)
    limit_mm = settings.number("mould.deep_fill_mm")
    solid_mm = solid_rubber_mm(region, rubber, settings)
    if solid_mm > limit_mm:
        advice = (
            f"undercut {region.id} takes about {mm(solid_mm)} of solid rubber, over {mm(limit_mm)}: "
            "think of a loose jacket piece, a plug, another split, or filler on the pattern"
        )
        yield check(code="deep-fill", value=solid_mm, limit=limit_mm, unit="mm", advice=advice)


def solid_rubber_mm(region: Region, rubber: Rubber, settings: Settings) -> float:
    """Return how thick the rubber stands on the pattern in one undercut, mm: skin and extra passes.

    Accurate to one thick coat, because passes are whole.
    """
    passes = rubber.region_coats.get(region.id, 0)
    return rubber.skin_mm + passes * settings.number("rubber.thick_coat_mm")


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
