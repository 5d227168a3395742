"""The board of one half for setting out: dowels, wall, its corner points, joints, battens, what to wax."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely

from moldplan.half.model import Half
from moldplan.mould.model import Datums, Mould, Wall
from moldplan.units import kg, litres, m2
from moldplan.views import furniture as fit
from moldplan.views.half_plan import board_box, clay_ground, figure_directions
from moldplan.views.marks import Mark, Marks, draw_marks, place_marks
from moldplan.views.paper import (
    CHAIN,
    DASHED,
    FRAME,
    HEAVY,
    INK,
    MEDIUM,
    SOFT,
    THIN,
    Box,
    Pen,
    Point,
    Sheet,
)
from moldplan.views.scale import Scale, drawn, fitting_scale
from moldplan.views.tables import Field, Table, draw_table_at
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan
    from moldplan.views.cutting import Cut

ROOM: Box = (FRAME[0] + 24.0, FRAME[1] + 33.0, FRAME[0] + 172.0, FRAME[3] - 14.0)
_TABLE_AT: Point = (FRAME[0] + 176.0, FRAME[3] - 14.0)
_TABLE_LOW = FRAME[1] + 16.0
_COLUMN_MM = 54.5
_FIELDS = (
    Field(head="no.", width_mm=12.5),
    Field(head="D1", width_mm=19.5, figures=True),
    Field(head="D2", width_mm=19.5, figures=True),
)
#: Points in one column of the table, and columns that there is room for.
_ROWS, _COLUMNS = 40, 2
_LEVEL_MM = 8.5
_BATTEN = Pen(0.35, (5.0, 2.0), SOFT)
_JOINT = Pen(0.5, (10.0, 1.5, 1.5, 1.5))
_DOWEL_MM = 1.6


def board_sheet(plan: "Plan", half: Half, mould: Mould, cut: "Cut", *, number: str) -> Sheet:  # noqa: ARG001 - all sheets of a half are made alike
    """Return the setting-out drawing of the board of `half`.

    Parameters
    ----------
    plan
        The whole plan, for titles, dowels and the figure's directions.
    half, mould
        The half and its mould.
    cut
        Not used here.
    number
        "6 of 13", for the title block.
    """
    sheet = Sheet(f"half-{half.name.lower()}-board")
    datums = datums_for(plan, half)
    scale = fitting_scale(_extent(mould, datums), ROOM)
    fit.draw_frame(
        sheet, titles(plan, half, drawing="setting out of the board", scale=scale.text, number=number)
    )
    fit.draw_heading(sheet, "SETTING OUT, LOOKING DOWN ON BOARD")
    _draw_sizes(sheet, mould, datums, scale)
    marks = _corner_marks(sheet, mould, datums, scale)
    _draw_board(sheet, half, mould, marks, scale)
    _draw_dowels(sheet, datums, marks, scale)
    draw_marks(sheet, marks)
    _draw_tables(sheet, datums)
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    _draw_column(sheet, plan, half, mould, left_out=marks.left_out)
    return sheet


def datums_for(plan: "Plan", half: Half) -> Datums | None:
    """Return the dowels of a half, None when the plan has none."""
    return next((one for one in plan.datums if one.name == half.name), None)


def _extent(mould: Mould, datums: Datums | None) -> Box:
    board = board_box(mould.board, mould.board.size_mm)
    shapes: list[shapely.Polygon | shapely.Point] = [board, mould.wall.outer]
    if datums is not None:
        shapes.extend(shapely.Point(dowel) for dowel in datums.dowels_mm)
    left, low, right, high = shapely.GeometryCollection(shapes).bounds
    return left, low, right, high


def _draw_sizes(sheet: Sheet, mould: Mould, datums: Datums | None, scale: Scale) -> None:
    """Dimension the board, and the way between the dowels along either side."""
    left, low, right, high = board_box(mould.board, mould.board.size_mm).bounds
    edge = scale.shape(shapely.box(*_extent(mould, datums))).bounds
    corners = scale.point(left, low), scale.point(right, low), scale.point(left, high)
    sizes = (right - left, high - low)
    dimensions = [
        fit.Dimension(
            first=corners[0],
            last=corners[1 + axis],
            level_mm=edge[1 - axis] - _LEVEL_MM,
            upright=axis == 1,
            value_mm=sizes[axis],
        )
        for axis in (0, 1)
    ]
    fit.draw_dimensions(sheet, dimensions)


def _corner_marks(sheet: Sheet, mould: Mould, datums: Datums | None, scale: Scale) -> Marks:
    """Give the numbers of the corner points their places, clear of lines, and the names of the dowels."""
    wall = mould.wall
    marks = []
    if datums is not None:
        marks = [
            Mark(text=f"D{n}", anchor=scale.point(*dowel), tag="dowel-name")
            for n, dowel in enumerate(datums.dowels_mm, start=1)
        ]
    marks.extend(
        Mark(text=str(n), anchor=scale.point(*place), tag="corner")
        for n, place in enumerate(wall.points_mm, start=1)
    )
    taken = [*(stroke.shape for stroke in sheet.strokes("dimension"))]
    taken.append(scale.shape(board_box(mould.board, mould.board.size_mm)).boundary)
    taken.extend(text.shape for text in sheet.lettering())
    room = (FRAME[0] + 3.0, FRAME[1] + 14.0, _TABLE_AT[0] - 3.0, FRAME[3] - 11.0)
    ring = drawn(clay_ground(wall), scale)
    return place_marks(marks, room=room, taken=taken, crossable=[ring], ringed=False)


def _draw_board(sheet: Sheet, half: Half, mould: Mould, marks: Marks, scale: Scale) -> None:
    """Draw the board with joints and battens, the wall with its buttresses, the half's and flange's lines."""
    board, wall = mould.board, mould.wall
    for line in board.battens_mm:
        sheet.stroke(marks.clear(_line(line, scale)), _BATTEN, tag="batten")
    for line in board.joints_mm:
        sheet.stroke(marks.clear(_line(line, scale)), _JOINT, tag="joint")
    ground = drawn(clay_ground(wall), scale)
    sheet.area(marks.open(ground), "#efefef", tag="clay")
    sheet.stroke(marks.clear(drawn(wall.inner, scale)), HEAVY, tag="wall-inner")
    sheet.stroke(marks.clear(drawn(wall.outer, scale)), MEDIUM, tag="wall-outer")
    for ring in wall.inner_walls:
        sheet.stroke(marks.clear(drawn(ring, scale)), MEDIUM, tag="wall-in-hole")
    for place in wall.buttress_places_mm:
        sheet.stroke(marks.clear(_buttress(wall, place, scale)), THIN, tag="buttress")
    sheet.stroke(marks.clear(drawn(half.section, scale)), Pen(0.25), tag="section")
    sheet.stroke(marks.clear(drawn(mould.rubber.edge_line, scale)), DASHED, tag="rubber-edge")
    sheet.stroke(marks.clear(drawn(mould.jacket.flange_outer, scale)), CHAIN, tag="jacket-flange")
    sheet.stroke(marks.clear(scale.shape(board_box(board, board.size_mm))), MEDIUM, tag="board")


def _line(ends: tuple[Point, Point], scale: Scale) -> shapely.LineString:
    return shapely.LineString([scale.point(*end) for end in ends])


def _buttress(wall: Wall, place: Point, scale: Scale) -> shapely.LineString:
    """Return a buttress as a short line outwards from the wall's back, as long as the wall is thick."""
    back = wall.outer.exterior
    on = back.interpolate(back.project(shapely.Point(place)))
    inner = wall.inner.exterior
    near = inner.interpolate(inner.project(on))
    way = np.array([on.x - near.x, on.y - near.y])
    way = way / max(float(np.hypot(*way)), 1e-9) * max(wall.thickness_mm, 1.5 * scale.ratio)
    return shapely.LineString([scale.point(on.x, on.y), scale.point(on.x + way[0], on.y + way[1])])


def _draw_dowels(sheet: Sheet, datums: Datums | None, marks: Marks, scale: Scale) -> None:
    """Draw both dowels as crossed circles and the line between them."""
    if datums is None:
        return
    points = [scale.point(*dowel) for dowel in datums.dowels_mm]
    sheet.stroke(marks.clear(shapely.LineString(points)), Pen(0.18, colour=SOFT), tag="dowel-line")
    for x, y in points:
        sheet.stroke(shapely.Point(x, y).buffer(_DOWEL_MM), MEDIUM, tag="dowel-name")
        sheet.area(shapely.Point(x, y).buffer(0.6), INK, tag="dowel-name")


def _draw_tables(sheet: Sheet, datums: Datums | None) -> None:
    """Write what a tape reads from either dowel to each corner point, in columns."""
    if datums is None or not datums.points:
        return
    rows = [
        (str(n), f"{point.from_first_mm:.0f}", f"{point.from_second_mm:.0f}")
        for n, point in enumerate(datums.points, start=1)
    ]
    shown = (
        rows if len(rows) <= _ROWS * _COLUMNS else [*rows[: _ROWS * _COLUMNS - 1], ("more:", "plan", ".json")]
    )
    each = max(int(np.ceil(len(shown) / _COLUMNS)), min(len(shown), 12))
    for column, first in enumerate(range(0, len(shown), each)):
        title = "CORNERS OF THE WALL, mm from" if column == 0 else " "
        at = (_TABLE_AT[0] + column * _COLUMN_MM, _TABLE_AT[1])
        table = Table(title=title, fields=_FIELDS, rows=shown[first : first + each])
        draw_table_at(sheet, table, at=at, low=_TABLE_LOW)


def _draw_column(sheet: Sheet, plan: "Plan", half: Half, mould: Mould, *, left_out: int) -> None:
    """Draw directions, key, sizes and what to mind in the right column."""
    datums = datums_for(plan, half)
    arrows, words = figure_directions(plan, half)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, _key_rows(mould, datums), top=y)
    minds = _minds(mould)
    spare = fit.words_height(minds) + 3.0
    rows = _rows(mould, datums)
    if left_out:
        rows.append(("numbers without room", str(left_out)))
    y = fit.draw_table(sheet, "BOARD AND WALL", rows, top=y, spare=spare)
    fit.draw_words(sheet, "MIND", minds, top=y)


def _key_rows(mould: Mould, datums: Datums | None) -> list[tuple[fit.Sample, str]]:
    """Return what is drawn, and only that."""
    rows: list[tuple[fit.Sample, str, bool]] = [
        (fit.line_sample(HEAVY), "inner line of the clay wall", True),
        (fit.line_sample(MEDIUM), "its back; edge of the board", True),
        (fit.line_sample(DASHED), "edge of the rubber", True),
        (fit.line_sample(CHAIN), "edge of the jacket flange", True),
        (fit.line_sample(_JOINT), "joint of two sheets", bool(mould.board.joints_mm)),
        (fit.line_sample(_BATTEN), "batten below", bool(mould.board.battens_mm)),
        (fit.line_sample(Pen(0.25)), "sawn face of the half", True),
        (_buttress_sample, "buttress", bool(mould.wall.buttress_places_mm)),
        (_dowel_sample, "dowel, on both boards", datums is not None),
    ]
    return [(sample, text) for sample, text, there in rows if there]


def _buttress_sample(sheet: Sheet, box: Box) -> None:
    middle, low = 0.5 * (box[0] + box[2]), box[1] + 0.6
    sheet.line([(box[0], low), (box[2], low)], MEDIUM, tag="key-sample")
    sheet.line([(middle, low), (middle, low + 2.0)], THIN, tag="key-sample")


def _dowel_sample(sheet: Sheet, box: Box) -> None:
    middle = shapely.Point(0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3]))
    sheet.stroke(middle.buffer(_DOWEL_MM), MEDIUM, tag="key-sample")
    sheet.area(middle.buffer(0.6), INK, tag="key-sample")


def _rows(mould: Mould, datums: Datums | None) -> list[tuple[str, str]]:
    """Return board and wall in numbers."""
    board, wall = mould.board, mould.wall
    size, stock = _by(board.size_mm), _by(board.stock_mm)
    rows = [
        ("board", f"{size} mm"),
        (f"{board.sheets} stock {'sheet' if board.sheets == 1 else 'sheets'}", stock),
        ("clay wall", f"{fit.mm_text(wall.height_mm)} high, {fit.mm_text(wall.thickness_mm)} thick"),
        ("clay", f"{kg(wall.clay_kg)}, inner line {wall.inner_perimeter_mm / 1000.0:.1f} m"),
    ]
    if wall.buttress_places_mm:
        rows.append((f"buttresses, {len(wall.buttress_places_mm)}", f"{kg(wall.buttress_kg)} of clay more"))
    if wall.wax_mm2 > 0.0:
        rows.append(("wax board and wall", m2(wall.wax_mm2)))
    if wall.moat_mm3 > 0.0:
        rows.append(("moat holds", litres(wall.moat_mm3)))
    if board.shim_mm > 0.0:
        rows.append(("shim for the saw's kerf", f"{fit.mm_text(board.shim_mm)} mm"))
    if datums is not None:
        (x0, y0), (x1, y1) = datums.dowels_mm
        rows.append(("from D1 to D2", f"{np.hypot(x1 - x0, y1 - y0):.0f} mm"))
    return rows


def _by(size_mm: Sequence[float]) -> str:
    return " x ".join(f"{length:.0f}" for length in size_mm)


def _minds(mould: Mould) -> list[str]:
    """Return what is easily got wrong at the board."""
    minds = ["Stick the wall down first, wax inside it afterwards: clay slips on wax."]
    if mould.board.shim_mm > 0.0:
        minds.append("The seam is flat within 1 mm: shim, screw from below, seal the foot.")
    if mould.wall.pressure_governs:
        minds.append("The fluid's pressure governs this wall: buttress it before the first coat.")
    return minds
