"""The plan view of one half: looking straight down on its board, true to scale."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.findings import Finding
from moldplan.half.model import Half, Region
from moldplan.mould.model import Board, Mould, Wall
from moldplan.pattern.model import axis_vector
from moldplan.views import furniture as fit
from moldplan.views.labels import Column, Note, draw_labels, is_clear, place_labels
from moldplan.views.paper import (
    BLUE,
    CHAIN,
    DASHED,
    DOTTED,
    DOUBLE_CHAIN,
    FINE,
    FRAME,
    HEAVY,
    HEAVY_HIDDEN,
    MEDIUM,
    SOFT,
    THIN,
    Box,
    Lettering,
    Pen,
    Picture,
    Point,
    Sheet,
    inner_point,
)
from moldplan.views.relief import DepthMap, depth_map, grid_box, region_shapes, relief_picture
from moldplan.views.scale import Scale, drawn, fitting_scale
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan
    from moldplan.views.cutting import Cut

#: Where the drawing itself may lie; left and below stand dimensions, right the labels.
ROOM: Box = (FRAME[0] + 42.0, FRAME[1] + 47.0, FRAME[0] + 218.0, FRAME[3] - 21.0)
LABELS = Column(
    left_mm=FRAME[0] + 230.0, right_mm=fit.COLUMN_LEFT - 2.0, low_mm=FRAME[1] + 30.0, high_mm=FRAME[3] - 4.0
)
#: More labels than this make a fan of leaders that nobody can follow.
_MOST_LABELS = 12
#: Lines of what stops the work.
_STOP_LINES = 4
#: From one dimension line to the next, and what is kept free beside the board for the section's trace.
_LEVEL_MM, _TRACE_MM = 8.5, 6.0
CLAY_HATCH = (2.2, 45.0)
_UNDERCUT_HATCH = (1.8, -45.0)
_UNDERCUT_PEN = Pen(0.18, colour=BLUE)


def plan_sheet(plan: "Plan", half: Half, mould: Mould, cut: "Cut", *, number: str) -> Sheet:
    """Return the plan view of `half` on its board.

    Parameters
    ----------
    plan
        The whole plan, for titles and for the figure's directions.
    half, mould
        The half and its mould.
    cut
        Where the section is taken, for its trace.
    number
        "2 of 5", for the title block.

    Returns
    -------
    Sheet
        Looking against the pull: the half's x to the right, its y upwards; scale of ISO 5455.
    """
    sheet = Sheet(f"half-{half.name.lower()}-plan")
    scale = fitting_scale(_extent(half, mould), ROOM)
    depths = depth_map(half.undercut.gaps)
    shapes = {
        key: drawn(shape, scale)
        for key, shape in region_shapes(half.undercut.gaps, half.undercut.regions).items()
    }
    fit.draw_frame(
        sheet, titles(plan, half, drawing="plan view on the board", scale=scale.text, number=number)
    )
    fit.draw_heading(sheet, "LOOKING DOWN ON BOARD, NOT MIRRORED")
    _draw_clay(sheet, mould, scale)
    _draw_half(sheet, half, mould, scale)
    _draw_undercuts(sheet, shapes, depths, scale)
    _draw_outlines(sheet, half, mould, scale)
    _draw_boards(sheet, mould.board, scale)
    _draw_dimensions(sheet, half, mould, scale)
    draw_labels(sheet, place_labels(_region_notes(half.undercut.regions, shapes), LABELS))
    _draw_trace(sheet, cut, mould.board, scale)
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    _draw_column(sheet, plan, half, mould, depths)
    return sheet


def board_box(board: Board, size_mm: tuple[float, float]) -> shapely.Polygon:
    """Return a rectangle of `size_mm` about the board's middle, in the half's frame."""
    (x, y), (wide, high) = board.centre_mm, size_mm
    return shapely.box(x - 0.5 * wide, y - 0.5 * high, x + 0.5 * wide, y + 0.5 * high)


def _extent(half: Half, mould: Mould) -> Box:
    """Return the box round all that is drawn, in mm."""
    shapes = (half.projection, mould.wall.outer, mould.jacket.flange_outer)
    board = board_box(mould.board, mould.board.size_mm)
    left, low, right, high = shapely.GeometryCollection([*shapes, board]).bounds
    return left, low, right, high


def _draw_clay(sheet: Sheet, mould: Mould, scale: Scale) -> None:
    paint_clay(sheet, drawn(clay_ground(mould.wall), scale))
    for ring in mould.wall.inner_walls:
        sheet.stroke(drawn(ring, scale), MEDIUM, tag="wall-in-hole")


def clay_ground(wall: Wall) -> BaseGeometry:
    """Return all that the clay stands on: the wall round the half, and walls inside large openings."""
    return shapely.union_all([wall.outer.difference(wall.inner), *wall.inner_walls])


def paint_clay(sheet: Sheet, shape: BaseGeometry) -> None:
    """Fill and hatch an area as clay."""
    sheet.area(shape, "#efefef", tag="clay")
    sheet.hatch(shape, FINE, gap_mm=CLAY_HATCH[0], turn_deg=CLAY_HATCH[1], tag="clay-hatch")


def _draw_half(sheet: Sheet, half: Half, mould: Mould, scale: Scale) -> None:
    rubber = mould.rubber
    sheet.picture(
        Picture(
            rgb=relief_picture(rubber.top_mm, rubber.grid),
            bounds=scale.box(grid_box(rubber.grid)),
            clip=drawn(half.projection, scale),
            tag="relief",
            smooth=True,
        )
    )


def _draw_undercuts(sheet: Sheet, shapes: dict[int, BaseGeometry], depths: DepthMap, scale: Scale) -> None:
    """Shade every region by its depth, hatch it and draw its outline."""
    if not shapes:
        return
    together = shapely.union_all(list(shapes.values()))
    bounds = scale.box(grid_box(depths.grid))
    sheet.picture(Picture(rgb=depths.picture(), bounds=bounds, clip=together, tag="undercut"))
    gap, turn = _UNDERCUT_HATCH
    sheet.hatch(together, _UNDERCUT_PEN, gap_mm=gap, turn_deg=turn, tag="undercut-hatch")
    for number, shape in shapes.items():
        sheet.stroke(shape, Pen(0.25, colour=BLUE), tag=f"undercut-{number}")


def _draw_outlines(sheet: Sheet, half: Half, mould: Mould, scale: Scale) -> None:
    """Draw the lines of half, rubber, wall and jacket."""
    section, projection = drawn(half.section, scale), drawn(half.projection, scale)
    hidden = section.boundary.intersection(projection.buffer(-0.35))
    sheet.stroke(projection, THIN, tag="projection")
    sheet.stroke(section.boundary.difference(hidden.buffer(0.01)), HEAVY, tag="section")
    sheet.stroke(hidden, HEAVY_HIDDEN, tag="section-hidden")
    sheet.stroke(drawn(mould.rubber.edge_line, scale), DASHED, tag="rubber-edge")
    sheet.stroke(drawn(mould.wall.inner, scale), MEDIUM, tag="wall-inner")
    sheet.stroke(drawn(mould.wall.outer, scale), MEDIUM, tag="wall-outer")
    sheet.stroke(drawn(mould.jacket.flange_outer, scale), CHAIN, tag="jacket-flange")


def _draw_boards(sheet: Sheet, board: Board, scale: Scale) -> None:
    """Draw the board as cut, and each state that is smaller."""
    for size, pen, tag in (
        (board.coating_mm, DOTTED, "board-coating"),
        (board.jacketing_mm, DOUBLE_CHAIN, "board-jacketing"),
    ):
        if max(abs(size[0] - board.size_mm[0]), abs(size[1] - board.size_mm[1])) > 0.5 * scale.ratio:
            sheet.stroke(scale.shape(board_box(board, size)), pen, tag=tag)
    sheet.stroke(scale.shape(board_box(board, board.size_mm)), MEDIUM, tag="board")


def _draw_dimensions(sheet: Sheet, half: Half, mould: Mould, scale: Scale) -> None:
    """Dimension half, wall and board, widths below and heights at the left, the shortest nearest."""
    board = board_box(mould.board, mould.board.size_mm)
    shapes = (half.projection, mould.wall.outer, board)
    edge = scale.shape(shapely.box(*_extent(half, mould))).bounds
    dimensions = []
    for rank, shape in enumerate(shapes):
        reach = _LEVEL_MM * (rank + 1) + _TRACE_MM
        for axis, ends in enumerate(_extremes(shape)):
            first, last = (scale.point(*end) for end in ends)
            value, level = ends[1][axis] - ends[0][axis], edge[1 - axis] - reach
            dimensions.append(
                fit.Dimension(first=first, last=last, level_mm=level, upright=axis == 1, value_mm=value)
            )
    fit.draw_dimensions(sheet, dimensions)


def _extremes(shape: BaseGeometry) -> tuple[tuple[Point, Point], tuple[Point, Point]]:
    """Return the outermost points of a shape: left and right, low and high; the low left one of several."""
    points = shapely.get_coordinates(shape)

    def first(*keys: np.ndarray) -> Point:
        x, y = points[np.lexsort(keys)[0]]
        return float(x), float(y)

    x, y = points.T
    return (first(y, x), first(y, -x)), (first(x, y), first(x, -y))


def _draw_trace(sheet: Sheet, cut: "Cut", board: Board, scale: Scale) -> None:
    """Draw where the section is taken: a chain line with arrows in the way it is looked, at both ends."""
    box = scale.shape(board_box(board, board.size_mm)).bounds
    where = scale.point(cut.at_mm, cut.at_mm)
    if cut.axis == "x":
        ends, look = ((where[0], box[1] - _TRACE_MM), (where[0], box[3] + _TRACE_MM)), (-1.0, 0.0)
    else:
        ends, look = ((box[0] - _TRACE_MM, where[1]), (box[2] + _TRACE_MM, where[1])), (0.0, 1.0)
    sheet.line(ends, Pen(0.25, CHAIN.dashes_mm), tag="trace")
    for end in ends:
        tip = (end[0] + 7.0 * look[0], end[1] + 7.0 * look[1])
        sheet.line([end, tip], MEDIUM, tag="trace")
        sheet.arrow(tip, look, tag="trace")
    for end in ends:
        _write_letter(sheet, cut.letter, end, look)


def _write_letter(sheet: Sheet, letter: str, end: Point, look: Point) -> None:
    """Write the section's letter at one arrow of its trace, at the first place clear of all other lines.

    Where there is none the arrow stands alone: the other end has the same letter.
    """
    x, y = end
    if look[0] < 0.0:  # the arrow points left of the end of an upright trace
        places = ((x - 9.5, y), (x + 3.5, y), (x - 3.5, y + 4.0), (x - 3.5, y - 4.0))
    else:
        places = ((x, y + 10.5), (x - 3.5, y + 3.5), (x + 3.5, y + 3.5), (x, y - 4.5))
    for at in places:
        lettering = Lettering(text=letter, at=at, across="centre", along="middle", bold=True, owner="trace")
        if is_clear(sheet, lettering):
            sheet.text(lettering)
            return


def _region_notes(regions: Sequence[Region], shapes: dict[int, BaseGeometry]) -> list[Note]:
    """Return what is said of each region, the largest first, and of all the rest together."""
    seen = [region for region in regions if not shapes[region.id].is_empty]
    shown = seen if len(seen) <= _MOST_LABELS else seen[: _MOST_LABELS - 1]
    notes = [
        Note(
            lines=(f"U{region.id}  {fit.about_text(region.depth_mm)} mm deep", mouths_text(region.mouths)),
            anchor=inner_point(shapes[region.id]),
            tag=f"undercut-{region.id}",
        )
        for region in shown
    ]
    rest = seen[len(shown) :]
    if rest:
        litres = sum(region.volume_mm3 for region in rest) / 1e6
        lines = (f"{len(rest)} more", f"together {litres:.2g} l")
        notes.append(Note(lines=lines, anchor=inner_point(shapes[rest[0].id]), tag=f"undercut-{rest[0].id}"))
    return notes


def mouths_text(mouths: int) -> str:
    """Say how a region is open: a tunnel has two mouths or more."""
    if mouths == 0:
        return "sealed pocket"
    return "1 mouth" if mouths == 1 else f"tunnel, {mouths} mouths"


def _draw_column(sheet: Sheet, plan: "Plan", half: Half, mould: Mould, depths: DepthMap) -> None:
    """Draw directions, key and depth scale in the right column."""
    arrows, words = figure_directions(plan, half)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, _key_rows() if half.undercut.regions else _key_rows()[:-1], top=y)
    if half.undercut.regions:
        y = fit.draw_ramp(sheet, depths.edges_mm, depths.colours, title="UNDERCUT DEPTH, mm", top=y)
    stops = _stop_words([finding.advice for finding in plan.findings if _stops(finding, half)])
    spare = fit.words_height(stops) + 3.0
    y = fit.draw_table(sheet, "SIZES", _size_rows(half, mould), top=y, spare=spare)
    fit.draw_words(sheet, "STOP UNTIL SOLVED", stops, top=y)


def _stop_words(stops: Sequence[str]) -> list[str]:
    """Return what stops the work, as short as there is room for: one thing, or two and how many more."""
    if len(stops) <= 1:
        return [fit.briefly(text, _STOP_LINES) for text in stops]
    half = _STOP_LINES // 2
    if len(stops) == 2:
        return [fit.briefly(text, half) for text in stops]
    more = f"and {len(stops) - 2} more: see plan.json"
    return [fit.briefly(stops[0], half), fit.briefly(stops[1], half - 1), more]


def _stops(finding: Finding, half: Half) -> bool:
    return finding.severity == "stop" and finding.half == half.name


def figure_directions(plan: "Plan", half: Half) -> tuple[list[tuple[str, Point]], list[tuple[str, str]]]:
    """Return the arrows to HEAD and FRONT on the board, and a line for the one that has no arrow there."""
    arrows: list[tuple[str, Point]] = []
    words: list[tuple[str, str]] = []
    for name, along, axis in (
        ("HEAD", half.up_xy, plan.pattern.up),
        ("FRONT", half.front_xy, plan.pattern.front),
    ):
        if np.hypot(*along) > fit.SEEN_ALONG:
            arrows.append((name, along))
        else:
            up = float((half.to_half[:3, :3] @ axis_vector(axis))[2]) > 0.0
            words.append((name, "faces you" if up else "faces the board"))
    return arrows, words


def _size_rows(half: Half, mould: Mould) -> list[tuple[str, str]]:
    """Return what is made to size before the first coat."""
    wall, board = mould.wall, mould.board
    sheets = "1 sheet" if board.sheets == 1 else f"{board.sheets} sheets, joined"
    return [
        ("half, height", f"{fit.mm_text(half.height_mm)} mm"),
        ("clay wall", f"{fit.mm_text(wall.height_mm)} high, {fit.mm_text(wall.thickness_mm)} thick"),
        ("its inner line", f"{wall.inner_perimeter_mm / 1000:.1f} m"),
        ("board", f"{board.size_mm[0]:.0f} x {board.size_mm[1]:.0f}, {sheets}"),
    ]


def _key_rows() -> list[tuple[fit.Sample, str]]:
    """Return the line types of this view."""
    return [
        (fit.line_sample(HEAVY), "half on the board"),
        (fit.line_sample(HEAVY_HIDDEN), "the same, hidden below"),
        (fit.line_sample(THIN), "shadow of the half"),
        (fit.line_sample(DASHED), "edge of the rubber"),
        (fit.area_sample(_paint_clay_sample), "clay wall"),
        (fit.line_sample(CHAIN), "edge of the jacket flange"),
        (fit.line_sample(MEDIUM), "board as cut"),
        (fit.line_sample(DOTTED), "board, while coating"),
        (fit.line_sample(DOUBLE_CHAIN), "board, while jacketing"),
        (fit.area_sample(_paint_undercut_sample), "undercut, by depth"),
    ]


def _paint_clay_sample(sheet: Sheet, box: shapely.Polygon) -> None:
    paint_clay(sheet, box)
    sheet.stroke(box, MEDIUM, tag="key-sample")


def _paint_undercut_sample(sheet: Sheet, box: shapely.Polygon) -> None:
    sheet.area(box, "#b3cbe2", tag="key-sample")
    gap, turn = _UNDERCUT_HATCH
    sheet.hatch(box, _UNDERCUT_PEN, gap_mm=gap, turn_deg=turn, tag="key-sample")
    sheet.stroke(box, Pen(0.25, colour=SOFT), tag="key-sample")
