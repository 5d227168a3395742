"""What the building of wall, board and jacket has to say beyond its numbers, and the turning over."""

from collections.abc import Iterator
from functools import partial

from shapely import Polygon

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.handling import CAUTION, crew_limit_kg, team_limit_kg
from moldplan.mould.model import Board, Jacket, LaidRubber, Wall
from moldplan.mould.outline import bounds_of, length_mm
from moldplan.mould.wall import openings
from moldplan.units import kg, mm

_STAGE = "mould"


def building_findings(  # noqa: PLR0913, PLR0917 - it walks over everything that is built
    half: Half, rubber: LaidRubber, wall: Wall | None, board: Board, jacket: Jacket, settings: Settings
) -> Iterator[Finding]:
    """Walk over the findings of one half's wall, board and jacket, checks first."""
    yield from _turning(half, jacket, settings)
    yield from _too_large(half, jacket, settings)
    if wall is not None:
        yield from _pressure(half, wall, settings)
        yield from _openings(half, rubber, wall, settings)
    yield from _to_build(half, board, jacket, settings)
    yield from _stand(half, jacket, settings)


def _turning(half: Half, jacket: Jacket, settings: Settings) -> Iterator[Finding]:
    """Say what turning the half takes, from the mass on that one person does not turn alone."""
    finding = partial(Finding, stage=_STAGE, half=half.name, value=jacket.turning_kg, unit="kg")
    limit_kg = crew_limit_kg(settings)
    if jacket.turning_kg > limit_kg:
        advice = (
            f"turning the {half.called} half over moves {kg(jacket.turning_kg)}, more than the "
            f"{limit_kg:.1f} kg filter for the crew: plan a frame, a hoist or more hands; {CAUTION}"
        )
        yield finding(code="turning-aid", severity="check", limit=limit_kg, advice=advice)
    alone_kg = team_limit_kg(1, settings)
    if jacket.turning_kg > alone_kg:
        advice = (
            f"people get hurt turning halves over: strap the rubber in, roll the {half.called} half on its "
            "turning edge onto a foam bed, people on each side at the handles; take jacket, rubber and cast "
            f"apart before carrying any of them; {CAUTION}"
        )
        yield finding(code="turning-over", severity="note", limit=alone_kg, advice=advice)


def _too_large(half: Half, jacket: Jacket, settings: Settings) -> Iterator[Finding]:
    """Say when a jacket is too heavy or too long for one piece, and how to part it."""
    parting = jacket.parting
    if parting is None:
        return
    limit_kg, limit_mm = settings.number("jacket.whole_kg"), settings.number("jacket.whole_mm")
    longest_mm = max(bounds_of(jacket.flange_outer)[0])
    heavy = jacket.mass_kg / limit_kg >= longest_mm / limit_mm
    what = f"weighs {kg(jacket.mass_kg)}" if heavy else f"is {mm(longest_mm)} long"
    limit = kg(limit_kg) if heavy else mm(limit_mm)
    yield Finding(
        code="jacket-pieces", severity="check", stage=_STAGE, half=half.name,
        value=jacket.mass_kg if heavy else longest_mm, limit=limit_kg if heavy else limit_mm,
        unit="kg" if heavy else "mm",
        advice=f"the {half.called} half's jacket {what}, over {limit} for one piece: make it in "
        f"{parting.pieces} pieces, parted square to its longer side at {_places(parting.lines_mm)}, flanges "
        f"joined by {parting.bolts} bolts M8 to M10, every {mm(settings.number('jacket.bolt_mm'))}; they add "
        f"about {kg(parting.mass_kg)}",
    )  # fmt: skip


def _places(lines: tuple[tuple[tuple[float, float], tuple[float, float]], ...]) -> str:
    """Return where lines square to an axis stand, in words."""
    upright = lines[0][0][0] == lines[0][1][0]
    at = sorted({line[0][0 if upright else 1] for line in lines})
    return f"{'x' if upright else 'y'} = {', '.join(f'{place:.0f}' for place in at)} mm"


def _pressure(half: Half, wall: Wall, settings: Settings) -> Iterator[Finding]:
    """Say when what stands in the moat pushes so hard that the wall has to be thicker for it."""
    if not wall.pressure_governs:
        return
    limit_mm = settings.number("clay.wall_least_thickness_mm")
    yield Finding(
        code="wall-pressure", severity="check", stage=_STAGE, half=half.name, value=wall.thickness_mm,
        limit=max(limit_mm, wall.height_mm / settings.number("clay.wall_slenderness")), unit="mm",
        advice=f"what can stand in the moat pushes with {wall.pressure_pa:.0f} Pa at its foot: the clay "
        f"has to be {mm(wall.thickness_mm)} thick to bear it, more than handling asks; buttress it, or back "
        "it with boards",
    )  # fmt: skip


def _openings(half: Half, rubber: LaidRubber, wall: Wall, settings: Settings) -> Iterator[Finding]:
    """Note openings of the rubber's edge that are too small for a wall of their own."""
    for opening in openings(rubber.edge_line):
        if any(opening.contains(Polygon(ring.exterior)) for ring in wall.inner_walls):
            continue
        width_mm = min(bounds_of(opening)[0])
        bend_mm = max(settings.number("clay.round_mm"), 0.5 * wall.thickness_mm)
        middle = opening.representative_point()
        yield Finding(
            code="opening-no-wall", severity="note", stage=_STAGE, half=half.name, value=width_mm,
            limit=2.0 * (settings.number("clay.moat_width_mm") + bend_mm), unit="mm",
            place_mm=(middle.x, middle.y, 0.0),
            advice=f"this opening of the rubber's edge, {mm(width_mm)} wide, has no room for a moat and a "
            "clay wall: stop the rubber there with a plug of clay against the figure",
        )  # fmt: skip


def _to_build(half: Half, board: Board, jacket: Jacket, settings: Settings) -> Iterator[Finding]:
    """Note what board and jacket need beyond the usual."""
    note = partial(Finding, severity="note", stage=_STAGE, half=half.name)
    if board.sheets > 1:
        advice = (
            f"the board is larger than a stock sheet: joint {board.sheets} sheets, flat and stiff, a batten "
            "under every joint"
        )
        yield note(code="board-joints", value=float(board.sheets), limit=1.0, unit="sheets", advice=advice)
    if board.shim_mm > 0.0:
        advice = (
            f"the saw takes about {mm(2.0 * board.shim_mm)} of the figure: shim {mm(board.shim_mm)} under "
            "the sawn face, or the cast comes out thinner by that"
        )
        yield note(code="saw-kerf", value=board.shim_mm, limit=0.0, unit="mm", advice=advice)
    area_m2, limit_m2 = jacket.area_mm2 * 1e-6, settings.number("jacket.large_area_m2")
    if area_m2 > limit_m2:
        advice = "a jacket this large is stiffened with ribs once its skin is cool, not with more plies"
        if jacket.ribs_mm:
            advice += f": {len(jacket.ribs_mm)} of {1e-3 * length_mm(jacket.ribs_mm):.1f} m seen from above"
        yield note(code="jacket-ribs", value=area_m2, limit=limit_m2, unit="m2", advice=advice)


def _stand(half: Half, jacket: Jacket, settings: Settings) -> Iterator[Finding]:
    """Note when the opened half does not stand with its flange at the working height by itself."""
    if jacket.stand_mm <= 0.0:
        return
    working_mm = settings.number("jacket.working_height_mm")
    note = partial(Finding, severity="note", stage=_STAGE, half=half.name, value=jacket.stand_mm, unit="mm")
    if jacket.stand_mm < working_mm:
        advice = (
            f"the {half.called} half is too narrow to stand on feet {mm(working_mm)} high: its flange lies "
            f"{mm(jacket.stand_mm)} above its feet, stand it on a bench or trestles of "
            f"{mm(working_mm - jacket.stand_mm)}"
        )
        yield note(code="stand-on-bench", limit=working_mm, advice=advice)
    elif jacket.stand_mm > working_mm:
        advice = (
            f"the {half.called} half is so deep that its flange stands {mm(jacket.stand_mm)} above the "
            f"floor, over {mm(working_mm)}: give people a step all round"
        )
        yield note(code="stand-high", limit=working_mm, advice=advice)
