"""The sheet of what was mended: the figure from its sides, new surface hatched, every repair in a table.

Everything a person needs who stands before the pattern with a tape: where to look, how far off the surface
may be there, and whether somebody has to say yes before foam is cut.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.pattern.model import Pattern, Repair
from moldplan.views import furniture as fit
from moldplan.views.elevations import (
    ROUND,
    Elevation,
    NewFaces,
    elevation,
    mended_figure,
)
from moldplan.views.half_rubber import ring_sample
from moldplan.views.marks import Mark, Marks, draw_marks, place_marks
from moldplan.views.mended_layout import Layout, lay_out
from moldplan.views.mended_words import (
    Words,
    figure_rows,
    height_mm,
    hold_lines,
    plain_lines,
    repair_row,
)
from moldplan.views.paper import (
    BLUE,
    FINE,
    FRAME,
    SMALL_MM,
    SOFT,
    THIN,
    Box,
    Lettering,
    Pen,
    Picture,
    Point,
    Sheet,
    areal,
    text_width,
)
from moldplan.views.relief import DepthMap, grid_box, relief_picture
from moldplan.views.scale import Scale, drawn, round_steps
from moldplan.views.tables import LINE_MM, Field, Table, draw_table_at

#: The field left of the column, and what stands at its top and bottom.
_LEFT, _RIGHT = FRAME[0] + 6.0, fit.COLUMN_LEFT - 6.0
_HEAD_MM, _BAR_MM = 16.0, 14.0
#: Cells of the pictures, and what is too small to be hatched, on paper.
_CELL_MM, _SPECK_MM = 0.15, 2.2
_DOT_MM: Final = 0.7
#: Lines of the table at most.
_MOST_ROWS: Final = 14
#: New surface that covers more of a view than this cannot be kept clear of numbers.
_TOO_WIDE: Final = 0.25
#: Repairs whose places lie nearer than this on paper share a mark.
_ONE_PLACE_MM: Final = 3.0
#: Least distance between the figures of two heights.
_FIGURE_MM: Final = 7.0
_HATCH: Final = (1.6, 70.0)
_HATCH_PEN: Final = Pen(0.18, colour=BLUE)
_EDGE_PEN: Final = Pen(0.3, colour=BLUE)
_DROPPED: Final = Pen(0.25, (2.0, 1.2))
_FIELDS: Final = (
    Field(head="", width_mm=10.0),
    Field(head="what was done", width_mm=75.0),
    Field(head="times", width_mm=20.0, figures=True),
    Field(head="mean", width_mm=20.0, figures=True),
    Field(head="99 %", width_mm=20.0, figures=True),
    Field(head="largest", width_mm=24.0, figures=True),
    Field(head="where", width_mm=59.0),
    Field(head="litres", width_mm=26.0, figures=True),
    Field(head="%", width_mm=20.0, figures=True),
)
_WHAT_FIELD, _WHERE_FIELD = 1, 6
_BLANK: Final = [""] * len(_FIELDS)
#: What the table keeps free beside words.
_PAD_MM: Final = 3.0


def mended_sheet(pattern: Pattern, titles: fit.Titles) -> Sheet:
    """Return the sheet of what was mended of a pattern.

    Parameters
    ----------
    pattern
        With `Pattern.marks` where there are any; what was mended is in its survey. Lengths may be in the
        file's own numbers (``survey.scale_known`` False): then the sheet says so and has no scale.
    titles
        What the title block says; its scale is filled in here.

    Returns
    -------
    Sheet
        Four sides of the figure, and its underside and top where new surface lies there, to one scale.

    Notes
    -----
    Two to three seconds for a million triangles.
    """
    sheet = Sheet("mended")
    words = Words(pattern=pattern)
    figure = mended_figure(pattern)
    repairs = pattern.survey.repairs
    table_top = _draw_foot(Sheet("tried"), words, [(repair, False) for repair in repairs])
    layout = lay_out(figure, (_LEFT, table_top + 5.0, _RIGHT, FRAME[3] - _HEAD_MM))
    views = [
        _View(
            side=elevation(figure, name,
                cell_mm=_CELL_MM * layout.ratio, speck_mm=_SPECK_MM * layout.ratio,
            ),
            scale=scale,
        )
        for name, scale in layout.scales
    ]  # fmt: skip
    scale_text = layout.scales[0][1].text if words.known else "none"
    fit.draw_frame(sheet, replace(titles, scale=scale_text))
    fit.draw_heading(sheet, "WHAT WAS MENDED IN THE FILE")
    _draw_views(sheet, words, layout, views, figure.new)
    seen = [(repair, _best_view(repair, views)) for repair in repairs]
    _draw_foot(sheet, words, [(repair, view is not None and view.hides(repair)) for repair, view in seen])
    return sheet


# --- one view in its place ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _View:
    """One side in its place."""

    side: Elevation
    scale: Scale

    @property
    def box(self) -> Box:
        """What the view takes of the paper."""
        return self.scale.box(self.side.box)

    def hides(self, repair: Repair) -> bool:
        """Whether the place of a repair lies behind what is seen."""
        return repair.place_mm is not None and self.side.hidden_mm(np.array(repair.place_mm)) > 0.0


# --- drawing the views --------------------------------------------------------------------------------------


def _draw_views(sheet: Sheet, words: Words, layout: Layout, views: Sequence[_View], new: NewFaces) -> None:
    """Draw all views with heights, numbers and the right column."""
    edges = _edges(new)
    titles = [_title(view) for view in views]
    rulers = [ruler for row in layout.rows if (ruler := _ruler(words, row, views)) is not None]
    taken: list[BaseGeometry] = [title.shape for title in titles]
    taken.extend(shape for ruler in rulers for shape in ruler.shapes)
    wanted = [(number, repair) for number, repair in enumerate(words.pattern.survey.repairs, start=1)]
    marks = _marks(wanted, views, layout.room, taken)
    for view in views:
        _draw_view(sheet, view, edges, marks)
    for title in titles:
        sheet.text(title)
    for ruler in rulers:
        ruler.draw(sheet)
    draw_marks(sheet, marks)
    _draw_bar(sheet, words, layout.scales[0][1])
    _draw_column(sheet, words, new, views, marks.left_out)


def _edges(new: NewFaces) -> tuple[float, ...]:
    """Return the steps of the scale of how far off new surface may be."""
    return tuple(round_steps(float(new.off_mm.max(initial=0.0))))


def _title(view: _View) -> Lettering:
    left, low, right, _ = view.box
    at = (0.5 * (left + right), low - 3.5)
    text = view.side.name if view.side.name in ROUND else f"{view.side.name}, front at the top"
    return Lettering(text=text, at=at, across="centre", along="top", bold=True, owner="view-title")


def _draw_view(sheet: Sheet, view: _View, edges: tuple[float, ...], marks: Marks) -> None:
    """Draw one side: its shading, the new surface on it, its outline, and what was dropped."""
    side, scale = view.side, view.scale
    outline, new = drawn(side.outline, scale), drawn(side.new, scale)
    sheet.picture(
        Picture(
            rgb=_picture(side, edges),
            bounds=scale.box(grid_box(side.grid)),
            clip=areal(outline),
            tag="relief",
            smooth=True,
        )
    )
    wide = shapely.MultiPolygon([part for part in areal(new).geoms if part.area > 1.0])
    hatch = Sheet("hatch")
    hatch.hatch(wide, _HATCH_PEN, gap_mm=_HATCH[0], turn_deg=_HATCH[1], tag="new-hatch")
    for stroke in hatch.strokes():
        sheet.stroke(marks.clear(stroke.shape), stroke.pen, tag=stroke.tag)
    sheet.stroke(marks.clear(wide), _EDGE_PEN, tag="new")
    sheet.area(marks.open(_dots(view)), BLUE, tag="speck")
    sheet.stroke(marks.clear(outline), THIN, tag="outline")
    sheet.stroke(marks.clear(scale.shape(side.dropped)), _DROPPED, tag="dropped")


def _picture(side: Elevation, edges: tuple[float, ...]) -> np.ndarray:
    """Return the shaded side, new surface in the bands of the scale, first row at the top."""
    there = np.isfinite(side.top_mm)
    height = np.where(there, side.top_mm - side.top_mm[there].min() + 1.0, 0.0)
    shade = relief_picture(height, side.grid)
    is_new = np.isfinite(side.off_mm)[::-1, :, None]
    bands = DepthMap(grid=side.grid, depth_mm=np.nan_to_num(side.off_mm), edges_mm=edges).picture()
    return np.where(is_new, bands * (shade / 255.0), shade).astype(np.uint8)


def _dots(view: _View) -> BaseGeometry:
    """Return dots on patches that are too small to be hatched."""
    places = [shapely.Point(view.scale.point(*speck)) for speck in view.side.specks]
    return shapely.union_all([place.buffer(_DOT_MM, quad_segs=8) for place in places])


# --- numbers ------------------------------------------------------------------------------------------------


def _best_view(repair: Repair, views: Sequence[_View]) -> _View | None:
    """Return the view in which the place of a repair is seen most squarely, or is hidden least deep."""
    if repair.place_mm is None:
        return None
    place = np.array(repair.place_mm)
    return min(views, key=lambda view: (view.side.hidden_mm(place), -view.side.facing(place)))


def _marks(
    wanted: Sequence[tuple[int, Repair]], views: Sequence[_View], room: Box, taken: list[BaseGeometry]
) -> Marks:
    """Return the numbers of the repairs in their places, clear of the new surface where possible."""
    marks, patches = _numbers(wanted, views), []
    for view in views:
        new = drawn(view.side.new, view.scale)
        if 0.0 < new.area < _TOO_WIDE * drawn(view.side.outline, view.scale).area:
            patches.append(new)
        patches.append(_dots(view))
    crossable = [patch for patch in patches if not patch.is_empty]
    clear = place_marks(marks, room=room, taken=taken, crossable=crossable)
    return clear if clear.left_out == 0 else place_marks(marks, room=room, taken=taken)


def _numbers(wanted: Sequence[tuple[int, Repair]], views: Sequence[_View]) -> list[Mark]:
    """Return the numbers at the places of the repairs; numbers of one place share a mark."""
    places: list[tuple[Point, list[int]]] = []
    for number, repair in wanted:
        view = _best_view(repair, views)
        if view is None or repair.place_mm is None:
            continue
        anchor = view.scale.point(*view.side.at(np.array(repair.place_mm)))
        near = next((held for place, held in places if math.dist(place, anchor) < _ONE_PLACE_MM), None)
        if near is None:
            places.append((anchor, [number]))
        else:
            near.append(number)
    return [Mark(text=numbers_text(held), anchor=place, tag="number") for place, held in places]


def numbers_text(numbers: Sequence[int]) -> str:
    """Return ascending numbers in short: "2", "2, 5", "1-4, 7"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = [[f"{run[0]}-{run[-1]}"] if len(run) > 2 else map(str, run) for run in runs]
    return ", ".join(text for part in parts for text in part)


# --- heights ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Ruler:
    """Heights above the foot beside a row of views: a line with strokes, and its figures."""

    lines: tuple[shapely.LineString, ...]
    figures: tuple[Lettering, ...]

    @property
    def shapes(self) -> list[BaseGeometry]:
        """Everything that it takes of the paper."""
        return [*self.lines, *(figure.shape for figure in self.figures)]

    def draw(self, sheet: Sheet) -> None:
        """Draw it."""
        for line in self.lines:
            sheet.stroke(line, FINE, tag="ruler")
        for figure in self.figures:
            sheet.text(figure)


def _ruler(words: Words, row: Sequence[str], views: Sequence[_View]) -> _Ruler | None:
    """Return the heights beside a row, None when nothing stands upright in it."""
    first = next((view for view in views if view.side.name in row and view.side.name in ROUND), None)
    if first is None:
        return None
    tall = height_mm(words.pattern)
    x = first.box[0] - 4.0
    foot = first.scale.point(0.0, -0.5 * tall)[1]
    length = tall / first.scale.ratio
    steps = [
        step for step in round_steps(tall, at_most=max(int(length / _FIGURE_MM), 1)) if step <= tall * 1.0001
    ]
    lines = [shapely.LineString([(x, foot), (x, foot + length)])]
    figures: list[Lettering] = []
    for step in steps:
        y = foot + step / first.scale.ratio
        lines.append(shapely.LineString([(x - 1.5, y), (x, y)]))
        if figures and y - figures[-1].at[1] < _FIGURE_MM:
            continue
        figures.append(
            Lettering(text=f"{step:g}", at=(x - 2.5, y), across="right", along="middle", owner="height")
        )
    return _Ruler(lines=tuple(lines), figures=tuple(figures))


# --- foot and column ----------------------------------------------------------------------------------------


def _draw_foot(sheet: Sheet, words: Words, repairs: Sequence[tuple[Repair, bool]]) -> float:
    """Write the table and what is to be minded under it; return where all of it begins."""
    y = FRAME[1] + _BAR_MM
    paragraphs = [
        *((line, True) for line in hold_lines(words.pattern)),
        *((line, False) for line in plain_lines(words.pattern)),
    ]
    lines = [(line, bold) for text, bold in paragraphs for line in _wrapped(text, bold=bold)]
    for line, bold in reversed(lines):
        at = (_LEFT, y + 2.6)
        sheet.text(Lettering(text=line, at=at, along="middle", bold=bold, owner="table-text"))
        y += 5.6
    if not repairs:
        return y
    rows = _rows(words, repairs)
    top = y + 3.0 + LINE_MM * (len(rows) + 1) + 1.0 + 6.5
    title = f"HOW FAR THE SURFACE MOVED, OR MAY BE OFF, {words.unit}"
    fields = _FIELDS if words.known else _file_fields()
    draw_table_at(sheet, Table(title=title, fields=fields, rows=rows), at=(_LEFT, top), low=y - 1.0)
    return top


def _rows(words: Words, repairs: Sequence[tuple[Repair, bool]]) -> list[list[str]]:
    """Return the lines of the table; long words go on in a line of their own."""
    rows: list[list[str]] = []
    for number, (repair, inside) in enumerate(repairs, start=1):
        row = repair_row(words, number, repair, inside=inside)
        what, where = (
            fit.wrapped(row[k], _FIELDS[k].width_mm - _PAD_MM) for k in (_WHAT_FIELD, _WHERE_FIELD)
        )
        lines = [
            [row[0], first, *row[2:_WHERE_FIELD], second, *row[_WHERE_FIELD + 1 :]]
            if rank == 0
            else ["", first, *_BLANK[2:_WHERE_FIELD], second, *_BLANK[_WHERE_FIELD + 1 :]]
            for rank, (first, second) in enumerate(zip_longest(what, where, fillvalue=""))
        ]
        if len(rows) + len(lines) > _MOST_ROWS - (number < len(repairs)):
            more = len(repairs) - number + 1
            return [*rows, ["", f"and {more} more: see the survey", *_BLANK[2:]]]
        rows.extend(lines)
    return rows


def _file_fields() -> tuple[Field, ...]:
    """Return the fields without litres."""
    return tuple(replace(field, head="volume") if field.head == "litres" else field for field in _FIELDS)


def _wrapped(text: str, *, bold: bool) -> list[str]:
    """Return a paragraph in lines as wide as the field."""
    width = _RIGHT - _LEFT
    if not bold:
        return fit.wrapped(text, width)
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, bold=True) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _draw_bar(sheet: Sheet, words: Words, scale: Scale) -> None:
    """Draw the scale bar; without a known size there is none."""
    at: Point = (FRAME[0] + 5.0, FRAME[1] + 7.5)
    if words.known:
        fit.draw_scale_bar(sheet, scale, at=at)
        return
    text = "not to scale: nothing says how large the figure is"
    sheet.text(Lettering(text=text, at=at, along="middle", height_mm=SMALL_MM, owner="scale-bar"))


def _draw_column(sheet: Sheet, words: Words, new: NewFaces, views: Sequence[_View], left_out: int) -> None:
    """Draw key, scale of how far off, and the figure in numbers."""
    edges = _edges(new)
    y = fit.draw_key(sheet, _key_rows(words, views), top=FRAME[3])
    if len(new.faces):
        colours = DepthMap(grid=views[0].side.grid, depth_mm=np.zeros((1, 1)), edges_mm=edges).colours
        title = f"MAY BE OFF BY, {words.unit}"
        y = fit.draw_ramp(sheet, edges, colours, title=title, top=y)
    fit.draw_table(sheet, "FIGURE", figure_rows(words, new_mm2=new.area_mm2, left_out=left_out), top=y)


def _key_rows(words: Words, views: Sequence[_View]) -> list[tuple[fit.Sample, str]]:
    """Return the line types of this sheet that are on it."""
    rows: list[tuple[fit.Sample, str]] = [(fit.line_sample(THIN), "the figure as it is now")]
    if any(not view.side.new.is_empty for view in views):
        rows.append((fit.area_sample(_paint_new), "new surface"))
    if any(view.side.specks for view in views):
        rows.append((_dot_sample, "new, too small to hatch"))
    if any(not view.side.dropped.is_empty for view in views):
        rows.append((fit.line_sample(_DROPPED), "dropped"))
    if any(repair.place_mm is not None for repair in words.pattern.survey.repairs):
        rows.append((ring_sample("1"), "number in the table"))
    rows.append((fit.line_sample(FINE), "heights from the foot" + (", mm" if words.known else "")))
    return rows


def _paint_new(sheet: Sheet, box: shapely.Polygon) -> None:
    sheet.area(box, "#b3cbe2", tag="key-sample")
    sheet.hatch(box, _HATCH_PEN, gap_mm=_HATCH[0], turn_deg=_HATCH[1], tag="key-sample")
    sheet.stroke(box, Pen(0.25, colour=SOFT), tag="key-sample")


def _dot_sample(sheet: Sheet, box: Box) -> None:
    middle = shapely.Point(0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3]))
    sheet.area(middle.buffer(_DOT_MM, quad_segs=8), BLUE, tag="key-sample")
