"""The jacket of one half from above, what is built into it, and how the opened half stands on its feet."""

from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from moldplan.half.model import Half
from moldplan.mould.model import Jacket, Mould, RegionAdvice, Web
from moldplan.units import kg
from moldplan.views import furniture as fit
from moldplan.views.half_plan import figure_directions
from moldplan.views.half_rubber import ring_sample
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.marks import Mark, Marks, draw_marks, place_marks
from moldplan.views.paper import (
    DASHED,
    FINE,
    FRAME,
    HEAVY,
    MEDIUM,
    SOFT,
    THIN,
    Box,
    Lettering,
    Pen,
    Picture,
    Point,
    Sheet,
    areal,
    arrow_head,
)
from moldplan.views.relief import grid_box, region_shapes, relief_picture
from moldplan.views.scale import Scale, drawn, fitting_scale
from moldplan.views.tables import Field, Table, draw_table_at
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan
    from moldplan.views.cutting import Cut

Floats = NDArray[np.float64]
ROOM: Box = (FRAME[0] + 8.0, FRAME[1] + 87.0, FRAME[0] + 190.0, FRAME[3] - 14.0)
LABELS = Column(
    left_mm=FRAME[0] + 204.0, right_mm=fit.COLUMN_LEFT - 2.0, low_mm=FRAME[1] + 92.0, high_mm=FRAME[3] - 4.0
)
SIDE: Box = (FRAME[0] + 24.0, FRAME[1] + 22.0, FRAME[0] + 190.0, FRAME[1] + 72.0)
_TURN_AT: Point = (FRAME[0] + 204.0, FRAME[1] + 88.0)
_TURN_LOW = FRAME[1] + 4.0
_TURN_FIELDS = (Field(head="turned over", width_mm=46.0), Field(head="mass", width_mm=31.0, figures=True))
#: Pieces, plugs and webs that are labelled at most.
_MOST_LABELS = 12
_JACKET_TONE, _FLANGE_TONE = "#f1f1f1", "#e6e6e6"
_PIECE_PEN = Pen(0.25)
_RIB_PEN = Pen(1.0, colour="#6a6a6a")
_FOOT_MM, _HANDLE_MM = 2.6, (4.0, 1.5)


def jacket_sheet(plan: "Plan", half: Half, mould: Mould, cut: "Cut", *, number: str) -> Sheet:  # noqa: ARG001 - all sheets of a half are made alike
    """Return the jacket of `half` seen from above as it is laid up, and from the side on its feet.

    Parameters
    ----------
    plan
        The whole plan, for titles and the figure's directions.
    half, mould
        The half and its mould.
    cut
        Not used here.
    number
        "5 of 13", for the title block.
    """
    sheet = Sheet(f"half-{half.name.lower()}-jacket")
    left, low, right, high = mould.jacket.flange_outer.bounds
    scale = fitting_scale((left, low, right, high), ROOM)
    fit.draw_frame(sheet, titles(plan, half, drawing="jacket", scale=scale.text, number=number))
    fit.draw_heading(sheet, "JACKET, LOOKING DOWN ON IT")
    shapes = region_shapes(half.undercut.gaps, half.undercut.regions)
    pieces = _pieces(mould, shapes, scale)
    labels = place_labels(_notes(mould, pieces, scale), LABELS)
    room = (FRAME[0] + 3.0, ROOM[1] - 3.0, LABELS.left_mm - 5.0, ROOM[3] + 3.0)
    marks = place_marks(_marks(mould, scale), room=room, taken=[label.leader for label in labels])
    _draw_shell(sheet, half, mould, marks, scale)
    _draw_pieces(sheet, pieces, mould.webs, marks, scale)
    _draw_fittings(sheet, mould.jacket, marks, scale)
    draw_labels(sheet, labels)
    draw_marks(sheet, marks)
    _draw_side(sheet, mould)
    _draw_turning(sheet, mould.jacket)
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    _draw_column(sheet, plan, half, mould)
    return sheet


Piece = tuple[RegionAdvice, BaseGeometry]


def _pieces(mould: Mould, shapes: dict[int, shapely.MultiPolygon], scale: Scale) -> list[Piece]:
    """Return the undercuts that get a loose piece or a plug, and where each is seen, on paper."""
    chosen = [advice for advice in mould.advice if advice.chosen.kind in ("loose piece", "plug")]
    seen = [(advice, drawn(shapes[advice.region], scale)) for advice in chosen if advice.region in shapes]
    return [(advice, areal(shape.buffer(0.0))) for advice, shape in seen if not shape.is_empty]


def _notes(mould: Mould, pieces: list[Piece], scale: Scale) -> list[Note]:
    """Return the labels of webs, then of loose pieces and plugs."""
    notes = []
    for number, web in enumerate(mould.webs, start=1):
        where = "" if web.region is None else f" in U{web.region}"
        words = (f"web W{number}{where}", f"{web.size_mm[0]:.0f} x {web.size_mm[1]:.0f} mm")
        notes.append(Note(lines=words, anchor=scale.point(*web.place_mm[:2]), tag=f"web-{number}"))
    for advice, shape in pieces:
        words = (f"U{advice.region}  {advice.chosen.kind}", _size_text(advice.chosen.size_mm))
        tag = f"piece-{advice.region}"
        point = max(areal(shape).geoms, key=lambda part: float(part.area)).representative_point()
        notes.append(Note(lines=words, anchor=(float(point.x), float(point.y)), tag=tag))
    return notes[: min(_MOST_LABELS, LABELS.room(2))]


def _size_text(size_mm: tuple[float, float, float] | None) -> str:
    return "" if size_mm is None else " x ".join(f"{length:.0f}" for length in size_mm) + " mm"


def _marks(mould: Mould, scale: Scale) -> list[Mark]:
    """Return the numbers of feet, handles, keys and buttons."""
    jacket, rubber = mould.jacket, mould.rubber
    groups = (
        ("F", "foot", [foot[:2] for foot in jacket.feet_mm]),
        ("H", "handle", [handle[:2] for handle in jacket.handles_mm]),
        ("B", "button", [button.place_mm[:2] for button in rubber.buttons]),
    )
    return [
        Mark(text=f"{letter}{n}", anchor=scale.point(*place), tag=tag)
        for letter, tag, places in groups
        for n, place in enumerate(places, start=1)
    ]


def _draw_shell(sheet: Sheet, half: Half, mould: Mould, marks: Marks, scale: Scale) -> None:
    """Draw the jacket shaded by its slope, its flange, and the lines of rubber and half below it."""
    jacket, rubber = mould.jacket, mould.rubber
    flange, edge = drawn(jacket.flange_outer, scale), drawn(rubber.edge_line, scale)
    sheet.area(marks.open(flange), _FLANGE_TONE, tag="flange")
    heights = rubber.outer_mm if jacket.outer_mm is None else jacket.outer_mm
    sheet.picture(
        Picture(
            rgb=relief_picture(heights, rubber.grid),
            bounds=scale.box(grid_box(rubber.grid)),
            clip=edge,
            tag="relief",
            smooth=True,
        )
    )
    sheet.stroke(marks.clear(flange), HEAVY, tag="jacket-flange")
    sheet.stroke(marks.clear(edge), DASHED, tag="rubber-edge")
    sheet.stroke(marks.clear(drawn(half.projection, scale)), Pen(0.25, colour=SOFT), tag="projection")
    for key in rubber.keys:
        ring = shapely.Point(scale.point(*key.centre_mm[:2])).buffer(0.5 * key.base_mm / scale.ratio)
        sheet.stroke(marks.clear(ring), FINE, tag="key-foot")


def _draw_pieces(
    sheet: Sheet, pieces: list[Piece], webs: tuple[Web, ...], marks: Marks, scale: Scale
) -> None:
    """Draw loose pieces and plugs hatched, each piece with an arrow the way it leaves, and webs as bars."""
    for advice, shape in pieces:
        tag = f"piece-{advice.region}"
        lines = Sheet("hatch")
        lines.hatch(shape, _PIECE_PEN, gap_mm=1.4, turn_deg=60.0, tag=tag)
        for stroke in lines.strokes():
            sheet.stroke(marks.clear(stroke.shape), _PIECE_PEN, tag=tag)
        sheet.stroke(marks.clear(shape), MEDIUM, tag=tag)
        if advice.chosen.kind == "loose piece" and advice.chosen.pull is not None:
            _draw_leaving(sheet, shape, advice.chosen.pull[:2], marks, tag)
    for number, web in enumerate(webs, start=1):
        sheet.stroke(marks.clear(_web_line(web, scale)), Pen(1.2), tag=f"web-{number}")


def _draw_leaving(sheet: Sheet, shape: BaseGeometry, way: Point, marks: Marks, tag: str) -> None:
    """Draw an arrow from a loose piece the way it leaves, where that lies in the paper."""
    if np.hypot(*way) < fit.SEEN_ALONG:
        return
    unit = np.array(way) / np.hypot(*way)
    part = max(areal(shape).geoms, key=lambda piece: float(piece.area))
    start = np.array(part.representative_point().coords[0])
    tip = start + 11.0 * unit
    sheet.stroke(marks.clear(shapely.LineString([tuple(start), tuple(tip - 3.0 * unit)])), MEDIUM, tag=tag)
    at, towards = (float(tip[0]), float(tip[1])), (float(unit[0]), float(unit[1]))
    if not marks.covered.intersects(arrow_head(at, towards, length_mm=4.0)):
        sheet.arrow(at, towards, tag=tag, length_mm=4.0)


def _web_line(web: Web, scale: Scale) -> shapely.LineString:
    """Return a web as it is seen from above: a bar as wide as it is, at least 3 mm of paper."""
    flat = np.array(web.normal[:2])
    length = np.hypot(*flat)
    along = np.array([-flat[1], flat[0]]) / length if length > 1e-9 else np.array([1.0, 0.0])
    half = max(0.5 * web.size_mm[0] / scale.ratio, 1.5) * along
    middle = np.array(scale.point(*web.place_mm[:2]))
    return shapely.LineString([tuple(middle - half), tuple(middle + half)])


def _draw_fittings(sheet: Sheet, jacket: Jacket, marks: Marks, scale: Scale) -> None:
    """Draw ribs, feet, handles and the edge to roll over on."""
    for start, end in jacket.ribs_mm:
        line = shapely.LineString([scale.point(*start), scale.point(*end)])
        sheet.stroke(marks.clear(line), _RIB_PEN, tag="rib")
    for foot in jacket.feet_mm:
        x, y = scale.point(*foot[:2])
        box = shapely.box(x - _FOOT_MM, y - _FOOT_MM, x + _FOOT_MM, y + _FOOT_MM)
        sheet.stroke(marks.clear(box), MEDIUM, tag="foot")
    for handle in jacket.handles_mm:
        x, y = scale.point(*handle[:2])
        bar = shapely.box(x - _HANDLE_MM[1], y - _HANDLE_MM[0], x + _HANDLE_MM[1], y + _HANDLE_MM[0])
        sheet.stroke(marks.clear(bar.buffer(0.01)), MEDIUM, tag="handle")
    if jacket.turning_edge_mm is not None:
        line = shapely.LineString([scale.point(*end) for end in jacket.turning_edge_mm])
        sheet.stroke(marks.clear(line), Pen(1.6), tag="turning-edge")


def _draw_side(sheet: Sheet, mould: Mould) -> None:
    """Draw the half from the side, turned over on its feet, when feet are planned."""
    jacket = mould.jacket
    if not jacket.feet_mm or jacket.stand_mm <= 0.0:
        return
    outline, across = side_outline(mould)
    left, low, right, high = outline.bounds
    scale = fitting_scale((left, min(low, 0.0), right, high), SIDE, upright="low")
    shape = drawn(outline, scale)
    sheet.area(areal(shape), _JACKET_TONE, tag="side")
    sheet.stroke(shape, MEDIUM, tag="side")
    flange = max(jacket.flange_thickness_mm, 0.5 * scale.ratio)
    bar = shapely.box(left, jacket.stand_mm - flange, right, jacket.stand_mm)
    sheet.stroke(scale.shape(bar), MEDIUM, tag="side-flange")
    for foot, height in zip(jacket.feet_mm, jacket.foot_height_mm, strict=True):
        x = foot[across]
        leg = shapely.box(x - _FOOT_MM * scale.ratio * 0.5, 0.0, x + _FOOT_MM * scale.ratio * 0.5, height)
        sheet.stroke(scale.shape(leg), THIN, tag="side-foot")
    floor_left, floor_right = scale.point(left, 0.0)[0] - 6.0, scale.point(right, 0.0)[0] + 6.0
    floor = scale.point(left, 0.0)[1]
    sheet.line([(floor_left, floor), (floor_right, floor)], HEAVY, tag="floor")
    foot_at, top_at = scale.point(left, 0.0), scale.point(left, jacket.stand_mm)
    stand = fit.Dimension(
        first=foot_at, last=top_at, level_mm=foot_at[0] - 11.0, upright=True, value_mm=jacket.stand_mm
    )
    fit.draw_dimensions(sheet, [stand])
    words = f"TURNED OVER ON ITS FEET, from the {'side' if across == 1 else 'tail end'}, scale {scale.text}"
    at = (FRAME[0] + 6.0, SIDE[3] + 5.0)
    sheet.text(Lettering(text=words, at=at, bold=True, owner="side-title"))


def side_outline(mould: Mould) -> tuple[shapely.MultiPolygon, int]:
    """Return the jacket's outline from the side, turned over, floor at 0, and the axis that runs along it.

    Axis 1 (y) when the half is longer than wide, else 0 (x). What is highest while it is laid up is lowest.
    """
    jacket, rubber = mould.jacket, mould.rubber
    heights = rubber.outer_mm + jacket.thickness_mm if jacket.outer_mm is None else jacket.outer_mm
    left, low, right, high = jacket.flange_outer.bounds
    across = 1 if high - low >= right - left else 0
    ridge = heights.max(axis=across)
    along = rubber.grid.y_mm() if across == 1 else rubber.grid.x_mm()
    there = np.flatnonzero(ridge > 0.0)
    stand = jacket.stand_mm
    ends = (low, high) if across == 1 else (left, right)
    if len(there) == 0:
        return areal(shapely.box(ends[0], stand - 1.0, ends[1], stand)), across
    inside = slice(there[0], there[-1] + 1)
    points = [(float(x), stand - float(z)) for x, z in zip(along[inside], ridge[inside], strict=True)]
    body = shapely.Polygon([(points[0][0], stand), *points, (points[-1][0], stand)]).buffer(0.0)
    plate = shapely.box(ends[0], stand - max(jacket.flange_thickness_mm, 1.0), ends[1], stand)
    return areal(body.union(plate)), across


def _draw_turning(sheet: Sheet, jacket: Jacket) -> None:
    """Write what is turned over, part by part."""
    if not jacket.turns_kg:
        return
    # the board is screwed off before turning: its mass stands here, but not in the sum
    rows = [("board, off first" if name == "board" else name, kg(mass)) for name, mass in jacket.turns_kg]
    rows.append(("together, at most", kg(jacket.turning_kg)))
    table = Table(title="MASSES", fields=_TURN_FIELDS, rows=rows)
    low = draw_table_at(sheet, table, at=_TURN_AT, low=_TURN_LOW)
    parts = (
        ("skin", jacket.skin_kg), ("flange", jacket.flange_kg), ("ribs", jacket.ribs_kg),
        ("feet, handles", jacket.fittings_kg),
    )  # fmt: skip
    rows = [(name, kg(mass)) for name, mass in parts if mass > 0.0]
    fields = (Field(head="of the jacket", width_mm=46.0), Field(head="mass", width_mm=31.0, figures=True))
    if rows:
        table = Table(title="", fields=fields, rows=rows)
        draw_table_at(sheet, table, at=(_TURN_AT[0], low - 2.0), low=_TURN_LOW)


def _draw_column(sheet: Sheet, plan: "Plan", half: Half, mould: Mould) -> None:
    """Draw directions, key, sizes and cautions in the right column."""
    arrows, words = figure_directions(plan, half)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, _key_rows(mould), top=y)
    cautions = _cautions(mould.jacket)
    spare = fit.words_height(cautions) + 3.0
    y = fit.draw_table(sheet, "JACKET", _rows(mould), top=y, spare=spare)
    fit.draw_words(sheet, "CAUTION", cautions, top=y)


def _key_rows(mould: Mould) -> list[tuple[fit.Sample, str]]:
    """Return what is drawn, and only that."""
    jacket, rubber = mould.jacket, mould.rubber
    rows: list[tuple[fit.Sample, str, bool]] = [
        (fit.line_sample(HEAVY), "edge of the flange", True),
        (fit.line_sample(DASHED), "edge of the rubber below", True),
        (fit.line_sample(_RIB_PEN), "rib", bool(jacket.ribs_mm)),
        (ring_sample("F1"), "foot", bool(jacket.feet_mm)),
        (ring_sample("H1"), "handle", bool(jacket.handles_mm)),
        (ring_sample("B1"), "button of rubber", bool(rubber.buttons)),
        (_key_sample, "cone key below", bool(rubber.keys)),
        (fit.line_sample(Pen(1.6)), "edge to roll over on", jacket.turning_edge_mm is not None),
        (fit.area_sample(_paint_piece), "loose piece or plug below", bool(mould.advice)),
        (fit.line_sample(Pen(1.2)), "web in an opening", bool(mould.webs)),
    ]
    return [(sample, text) for sample, text, there in rows if there]


def _key_sample(sheet: Sheet, box: Box) -> None:
    middle = shapely.Point(0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3]))
    sheet.stroke(middle.buffer(1.75), FINE, tag="key-sample")


def _paint_piece(sheet: Sheet, box: shapely.Polygon) -> None:
    sheet.hatch(box, _PIECE_PEN, gap_mm=1.4, turn_deg=60.0, tag="key-sample")
    sheet.stroke(box, MEDIUM, tag="key-sample")


def _rows(mould: Mould) -> list[tuple[str, str]]:
    """Return the jacket in numbers."""
    jacket, rubber = mould.jacket, mould.rubber
    rows = [("laminate", f"{jacket.plies} plies, {fit.mm_text(jacket.thickness_mm)} mm")]
    if jacket.flange_thickness_mm > 0.0:
        rows.append(("flange, on bare board", f"{fit.mm_text(jacket.flange_thickness_mm)} mm"))
    if not jacket.turns_kg:
        rows.append(("jacket", kg(jacket.mass_kg)))
    rows.extend(_feet_rows(jacket))
    rows.append(("draft", f"{rubber.draft_deg:g} deg"))
    if rubber.keys:
        rows.append((f"keys, {len(rubber.keys)}", f"{rubber.keys[0].base_mm:.0f} mm wide"))
    return rows


def _feet_rows(jacket: Jacket) -> list[tuple[str, str]]:
    """Return the lengths of the feet, four in a row."""
    long = [f"{height:.0f}" for height in jacket.foot_height_mm]
    return [
        (f"feet F{first + 1} to F{min(first + 4, len(long))}, mm", ", ".join(long[first : first + 4]))
        for first in range(0, len(long), 4)
    ]


def _cautions(jacket: Jacket) -> list[str]:
    """Return what can hurt somebody while the jacket is laid up and turned."""
    count = jacket.turning_people
    who = (
        "turning frame or hoist"
        if count is None
        else f"{count} {'person' if count == 1 else 'people'} at least"
    )
    return [
        "Resin: extract styrene at the lip. Peroxide: goggles, eye-wash, never straight onto accelerator.",
        (
            f"Turning moves {kg(jacket.turning_kg)}: {who}. Strap rubber and jacket together first. "
            "Local codes and a qualified person decide."
        ),
    ]
