"""What every sheet carries: frame, title block, key, scale bar, dimensions, arrows of direction."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from moldplan.views.paper import (
    FINE,
    FRAME,
    HEAVY,
    INK,
    LARGE_MM,
    MEDIUM,
    PAPER,
    SMALL_MM,
    THIN,
    Box,
    Lettering,
    Pen,
    Point,
    Sheet,
    fitted,
    text_width,
)
from moldplan.views.scale import Scale, round_steps

#: The column at the right of every sheet: directions, key, depth scale, title block.
COLUMN_LEFT = 304.0
TITLE_HEIGHT = 62.0
#: Share of a direction's length that must lie in the paper for an arrow to be drawn.
SEEN_ALONG = 0.35
_ROW = 7.0
_PAD = 4.0
_INSIDE_LEFT = COLUMN_LEFT + _PAD
_INSIDE_WIDTH = FRAME[2] - COLUMN_LEFT - 2 * _PAD


@dataclass(frozen=True, kw_only=True)
class Titles:
    """What the title block says."""

    job: str
    part: str
    drawing: str
    pattern: str
    scale: str
    date: str
    revision: str
    sheet: str
    version: str


def draw_frame(sheet: Sheet, titles: Titles) -> None:
    """Draw the frame and the title block in its lower right corner."""
    sheet.stroke(shapely.box(*FRAME), HEAVY, tag="frame")
    sheet.line([(COLUMN_LEFT, FRAME[1]), (COLUMN_LEFT, FRAME[3])], MEDIUM, tag="frame")
    rows = (
        (titles.job, LARGE_MM, 11.0),
        (titles.part, LARGE_MM, 10.0),
        (titles.drawing, SMALL_MM, 8.0),
        (f"pattern: {titles.pattern}", SMALL_MM, 8.0),
    )
    y = FRAME[1] + TITLE_HEIGHT
    sheet.line([(COLUMN_LEFT, y), (FRAME[2], y)], MEDIUM, tag="frame")
    for text, height, room in rows:
        _row_text(sheet, text, y - 0.5 * room, height=height)
        y -= room
        sheet.line([(COLUMN_LEFT, y), (FRAME[2], y)], FINE, tag="frame")
    _title_cells(sheet, titles, y)


def _title_cells(sheet: Sheet, titles: Titles, top: float) -> None:
    """Write the four short cells and the last line of the title block."""
    middle = 0.5 * (COLUMN_LEFT + FRAME[2])
    cells = (
        (f"scale {titles.scale}", f"sheet {titles.sheet}"),
        (f"date {titles.date}", f"revision {titles.revision}"),
    )
    y = top
    for left, right in cells:
        half = middle - _INSIDE_LEFT - _PAD
        _put(sheet, fitted(left, half, bold=True), (_INSIDE_LEFT, y - 4.0), bold=True)
        _put(sheet, fitted(right, half), (middle + _PAD, y - 4.0))
        y -= 8.0
        sheet.line([(COLUMN_LEFT, y), (FRAME[2], y)], FINE, tag="frame")
    sheet.line([(middle, top), (middle, y)], FINE, tag="frame")
    _row_text(sheet, f"A3, print at 100 %, mm. moldplan {titles.version}", 0.5 * (y + FRAME[1]))


def _row_text(sheet: Sheet, text: str, middle: float, *, height: float = SMALL_MM) -> None:
    bold = height > SMALL_MM
    line = fitted(text, _INSIDE_WIDTH, height_mm=height, bold=bold)
    _put(sheet, line, (_INSIDE_LEFT, middle), height=height, bold=bold)


def _put(sheet: Sheet, text: str, at: Point, *, height: float = SMALL_MM, bold: bool = False) -> None:
    sheet.text(Lettering(text=text, at=at, height_mm=height, along="middle", bold=bold, owner="block"))


def draw_heading(sheet: Sheet, text: str, below: Sequence[str] = ()) -> None:
    """Write the sheet's heading at its upper left, and plain lines under it."""
    left, top = FRAME[0] + 5.0, FRAME[3] - 4.0
    width = COLUMN_LEFT - left - 5.0
    line = fitted(text, width, height_mm=LARGE_MM, bold=True)
    sheet.text(
        Lettering(text=line, at=(left, top), height_mm=LARGE_MM, along="top", bold=True, owner="heading")
    )
    for rank, words in enumerate(below):
        at = (left, top - LARGE_MM - 3.0 - rank * 6.0)
        sheet.text(Lettering(text=fitted(words, width), at=at, along="top", owner="heading"))


Sample = Callable[[Sheet, Box], None]


def draw_key(sheet: Sheet, rows: Sequence[tuple[Sample, str]], *, top: float) -> float:
    """Draw the key of line types under the height `top` of the right column; return where it ends."""
    y = _section_title(sheet, "KEY", top)
    for sample, text in rows:
        sample(sheet, (_INSIDE_LEFT, y - _ROW + 1.2, _INSIDE_LEFT + 16.0, y - 1.2))
        words = fitted(text, _INSIDE_WIDTH - 19.0)
        _put(sheet, words, (_INSIDE_LEFT + 19.0, y - 0.5 * _ROW))
        y -= _ROW
    return y - 1.5


def _section_title(sheet: Sheet, text: str, top: float) -> float:
    _put(sheet, text, (_INSIDE_LEFT, top - 4.5), bold=True)
    return top - 8.0


def line_sample(*pens: Pen) -> Sample:
    """Return a sample that shows one line, or several above each other."""

    def draw(sheet: Sheet, box: Box) -> None:
        for rank, pen in enumerate(pens):
            y = box[3] - (rank + 1) * (box[3] - box[1]) / (len(pens) + 1)
            sheet.line([(box[0], y), (box[2], y)], pen, tag="key-sample")

    return draw


def area_sample(paint: Callable[[Sheet, shapely.Polygon], None]) -> Sample:
    """Return a sample that shows a painted area."""

    def draw(sheet: Sheet, box: Box) -> None:
        paint(sheet, shapely.box(*box))

    return draw


def draw_table(sheet: Sheet, title: str, rows: Sequence[tuple[str, str]], *, top: float) -> float:
    """Write names with values under the height `top` of the right column, as many as there is room for."""
    y = _section_title(sheet, title, top)
    room = int((y - FRAME[1] - TITLE_HEIGHT) / 6.0)
    shown = rows if len(rows) <= room else [*rows[: max(room - 1, 0)], ("and more: see the tables", "")]
    for name, value in shown:
        width = _INSIDE_WIDTH - text_width(value) - 3.0
        _put(sheet, fitted(name, width), (_INSIDE_LEFT, y - 3.0))
        at = (_INSIDE_LEFT + _INSIDE_WIDTH, y - 3.0)
        sheet.text(Lettering(text=value, at=at, across="right", along="middle", owner="table"))
        y -= 6.0
    return y - 1.5


def draw_ramp(
    sheet: Sheet, edges: Sequence[float], colours: Sequence[str], *, title: str, top: float
) -> float:
    """Draw the depth scale: one box a band, its edges in mm under it; return where it ends."""
    y = _section_title(sheet, title, top)
    width = _INSIDE_WIDTH / len(colours)
    for rank, colour in enumerate(colours):
        box = shapely.box(_INSIDE_LEFT + rank * width, y - 6.0, _INSIDE_LEFT + (rank + 1) * width, y)
        sheet.area(box, colour, tag="ramp")
        sheet.stroke(box, FINE, tag="ramp")
    for rank, edge in enumerate(edges):
        across = "left" if rank == 0 else "right" if rank == len(edges) - 1 else "centre"
        at = (_INSIDE_LEFT + rank * width, y - 7.8)
        sheet.text(Lettering(text=f"{edge:g}", at=at, across=across, along="top", owner="ramp"))
    return y - 14.0


def draw_directions(
    sheet: Sheet, arrows: Sequence[tuple[str, Point]], words: Sequence[tuple[str, str]], *, top: float
) -> float:
    """Draw arrows to named sides of the figure from one point, and a line for each side that has none.

    `arrows` are names with unit directions on the paper; returns where the block ends.
    """
    middle = (_INSIDE_LEFT + 24.0, top - 20.0)
    sheet.stroke(shapely.Point(middle).buffer(1.2), THIN, tag="direction")
    for name, towards in arrows:
        _direction(sheet, name, middle, np.array(towards) / np.hypot(*towards))
    left = _INSIDE_LEFT + 52.0
    for rank, (name, rest) in enumerate(words):
        y = top - 14.0 - rank * 14.0
        _put(sheet, name, (left, y), bold=True)
        _put(sheet, fitted(rest, FRAME[2] - left - 2.0), (left, y - 6.0))
    return top - 38.0


def _direction(sheet: Sheet, name: str, middle: Point, towards: np.ndarray) -> None:
    start, tip = np.array(middle) + 1.2 * towards, np.array(middle) + 11.0 * towards
    sheet.line([tuple(start), tuple(tip - 3.5 * towards)], MEDIUM, tag="direction")
    sheet.arrow(tuple(tip), tuple(towards), tag="direction", length_mm=4.5)
    width = text_width(name, bold=True)
    reach = 1.2 + abs(towards[0]) * 0.5 * width + abs(towards[1]) * 0.5 * SMALL_MM
    at = tip + towards * reach
    sheet.text(
        Lettering(text=name, at=tuple(at), across="centre", along="middle", bold=True, owner="direction")
    )


def draw_scale_bar(sheet: Sheet, scale: Scale, *, at: Point, longest: float = 70.0) -> None:
    """Draw a bar of round length, left end at `at`, alternately filled, with its length in mm."""
    steps = round_steps(longest * scale.ratio, at_most=5)
    step, count = steps[1], len(steps) - 1
    if count * step / scale.ratio > longest:
        count -= 1
    length = step / scale.ratio
    for rank in range(count):
        box = shapely.box(at[0] + rank * length, at[1], at[0] + (rank + 1) * length, at[1] + 2.2)
        sheet.area(box, INK if rank % 2 == 0 else PAPER, tag="scale-bar")
        sheet.stroke(box, FINE, tag="scale-bar")
    end = at[0] + count * length
    sheet.text(Lettering(text="0", at=(at[0], at[1] - 1.5), along="top", owner="scale-bar"))
    words = f"{count * step:g} mm"
    sheet.text(Lettering(text=words, at=(end, at[1] - 1.5), across="right", along="top", owner="scale-bar"))
    words = f"scale {scale.text}"
    sheet.text(
        Lettering(text=words, at=(end + 5.0, at[1] + 1.1), along="middle", bold=True, owner="scale-bar")
    )


def draw_dimension(
    sheet: Sheet, first: Point, last: Point, *, level_mm: float, upright: bool, value_mm: float
) -> None:
    """Dimension the distance between two points of the drawing (ISO 129).

    Parameters
    ----------
    first, last
        The measured points, in paper mm; lower or left one first.
    level_mm
        Where the dimension line stands: its x when `upright`, else its y.
    upright
        A height (read from the right), else a width.
    value_mm
        What is written; whole mm from 100 mm up.
    """
    mirror = (lambda p: (p[1], p[0])) if upright else (lambda p: p)
    low, high = mirror(first), mirror(last)
    for along, away in (low, high):
        side = np.sign(level_mm - away)
        ends = [mirror((along, away + side)), mirror((along, level_mm + 1.5 * side))]
        sheet.line(ends, FINE, tag="dimension")
    text = mm_text(value_mm)
    width = text_width(text)
    inside = high[0] - low[0] >= width + 8.0
    _dimension_line(sheet, mirror, (low[0], high[0]), level_mm, inside=inside)
    middle = 0.5 * (low[0] + high[0]) if inside else high[0] + 6.5 + 0.5 * width
    lift = level_mm - 1.2 if upright else level_mm + 1.2
    sheet.text(
        Lettering(
            text=text,
            at=mirror((middle, lift)),
            across="centre",
            turn_deg=90.0 if upright else 0.0,
            owner="dimension-text",
        )
    )


def _dimension_line(
    sheet: Sheet, mirror: Callable[[Point], Point], ends: Point, level: float, *, inside: bool
) -> None:
    """Draw the line with its two arrows, from outside when there is no room between."""
    out = 0.0 if inside else 5.5
    line = [mirror((ends[0] - out, level)), mirror((ends[1] + out, level))]
    sheet.line(line, FINE, tag="dimension")
    way = -1.0 if inside else 1.0
    sheet.arrow(mirror((ends[0], level)), mirror((way, 0.0)), tag="dimension")
    sheet.arrow(mirror((ends[1], level)), mirror((-way, 0.0)), tag="dimension")


def about_text(value_mm: float) -> str:
    """Return a length nobody measures finer: whole mm from 10 mm up, else one decimal unless it is nought."""
    return f"{value_mm:.0f}" if abs(value_mm) >= 9.95 else mm_text(value_mm)


def mm_text(value_mm: float) -> str:
    """Return a length for people: whole mm from 100 mm up, else one decimal unless it is nought."""
    return f"{value_mm:.0f}" if abs(value_mm) >= 99.95 else f"{value_mm:.1f}".removesuffix(".0")
