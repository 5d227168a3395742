"""What every sheet carries: frame, title block, key, scale bar, dimensions, arrows of direction."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from moldplan.views.labels import is_clear
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
    Across,
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
#: Cosine of the angle under which two arrows' names would run into each other.
_SAME_WAY = 0.7
_ROW = 7.0
_LINE = 6.0
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


def draw_table(
    sheet: Sheet, title: str, rows: Sequence[tuple[str, str]], *, top: float, spare: float = 0.0
) -> float:
    """Write names with values under the height `top` of the right column, as many as there is room for.

    `spare` mm above the title block are left free; returns where the table ends.
    """
    y = _section_title(sheet, title, top)
    room = int((y - FRAME[1] - TITLE_HEIGHT - spare) / _LINE)
    shown = rows if len(rows) <= room else [*rows[: max(room - 1, 0)], ("and more: see plan.json", "")]
    for name, value in shown:
        width = _INSIDE_WIDTH - text_width(value) - 3.0
        _put(sheet, fitted(name, width), (_INSIDE_LEFT, y - 3.0))
        at = (_INSIDE_LEFT + _INSIDE_WIDTH, y - 3.0)
        sheet.text(Lettering(text=value, at=at, across="right", along="middle", owner="table"))
        y -= _LINE
    return y - 1.5


def words_height(paragraphs: Sequence[str]) -> float:
    """Return how much of the right column `draw_words` takes for `paragraphs`, in mm; none for none."""
    lines = sum(len(wrapped(text, _INSIDE_WIDTH)) for text in paragraphs)
    return 8.0 + _LINE * lines if lines else 0.0


def draw_words(sheet: Sheet, title: str, paragraphs: Sequence[str], *, top: float) -> float:
    """Write paragraphs, wrapped, under the height `top` of the right column; return where they end."""
    if not paragraphs:
        return top
    y = _section_title(sheet, title, top)
    for text in paragraphs:
        for line in wrapped(text, _INSIDE_WIDTH):
            if y - _LINE < FRAME[1] + TITLE_HEIGHT:
                return y
            _put(sheet, line, (_INSIDE_LEFT, y - 3.0))
            y -= _LINE
    return y - 1.5


def briefly(text: str, lines: int) -> str:
    """Return `text`, cut after a whole word so that `draw_words` needs no more than so many lines for it."""
    held = wrapped(text, _INSIDE_WIDTH)
    if len(held) <= lines:
        return text
    words = " ".join(held[:lines]).split()
    while len(wrapped(f"{' '.join(words)} ... (see plan.json)", _INSIDE_WIDTH)) > lines:
        words.pop()
    return f"{' '.join(words)} ... (see plan.json)"


def wrapped(text: str, width: float, *, height_mm: float = SMALL_MM) -> list[str]:
    """Return `text` in lines no wider than `width` mm at a capital height; a longer word is shortened."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, height_mm=height_mm) <= width:
            lines[-1] = longer
        else:
            lines.append(fitted(word, width, height_mm=height_mm))
    return lines


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
        across: Across = "left" if rank == 0 else "right" if rank == len(edges) - 1 else "centre"
        at = (_INSIDE_LEFT + rank * width, y - 7.8)
        sheet.text(Lettering(text=f"{edge:g}", at=at, across=across, along="top", owner="ramp"))
    return y - 14.0


def draw_directions(
    sheet: Sheet, arrows: Sequence[tuple[str, Point]], words: Sequence[tuple[str, str]], *, top: float
) -> float:
    """Draw arrows to named sides of the figure from one point, and a line for each side that has none.

    `arrows` are names with directions on the paper; sides that lie nearly the same way share an arrow.
    Returns where the block ends.
    """
    middle = (_INSIDE_LEFT + 40.0, top - 19.0)
    sheet.stroke(shapely.Point(middle).buffer(1.2), THIN, tag="direction")
    for name, towards in _shared(arrows):
        _direction(sheet, name, middle, towards)
    y = top - 39.0
    for name, rest in words:
        _put(sheet, fitted(f"{name} {rest}", _INSIDE_WIDTH, bold=True), (_INSIDE_LEFT, y), bold=True)
        y -= 6.0
    return y + 2.0


def _shared(arrows: Sequence[tuple[str, Point]]) -> list[tuple[str, np.ndarray]]:
    """Return the arrows as unit vectors, those too near each other for two names joined into one."""
    units = [(name, np.array(towards) / np.hypot(*towards)) for name, towards in arrows]
    if len(units) == 2 and float(units[0][1] @ units[1][1]) > _SAME_WAY:
        both = units[0][1] + units[1][1]
        return [(f"{units[0][0]} and {units[1][0]}", both / np.hypot(*both))]
    return units


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


@dataclass(frozen=True, kw_only=True)
class Dimension:
    """A distance between two points of the drawing, to be dimensioned (ISO 129).

    `first` and `last` are paper mm, the lower or left one first; the dimension line stands at `level_mm`: its
    x when `upright` (read from the right), else its y. `value_mm` is what is written.
    """

    first: Point
    last: Point
    level_mm: float
    upright: bool
    value_mm: float

    def paper(self, along: float, level: float) -> Point:
        """Return the paper point at `along` the dimension line and `level` square to it."""
        return (level, along) if self.upright else (along, level)

    @property
    def ends(self) -> Point:
        """Where the dimension line ends, along itself."""
        return (self.first[1], self.last[1]) if self.upright else (self.first[0], self.last[0])

    @property
    def inside(self) -> bool:
        """Whether there is room for the figures between the arrows."""
        return self.ends[1] - self.ends[0] >= text_width(mm_text(self.value_mm)) + 8.0


def draw_dimensions(sheet: Sheet, dimensions: Sequence[Dimension]) -> None:
    """Draw extension lines, dimension lines and arrows of all, then their figures where no line runs."""
    for dimension in dimensions:
        _extension_lines(sheet, dimension)
        _dimension_line(sheet, dimension)
    for dimension in dimensions:
        places = _figure_places(dimension)
        sheet.text(next((place for place in places if is_clear(sheet, place, gap_mm=0.4)), places[0]))


def _extension_lines(sheet: Sheet, dimension: Dimension) -> None:
    for end, point in zip(dimension.ends, (dimension.first, dimension.last), strict=True):
        away = point[0] if dimension.upright else point[1]
        side = np.sign(dimension.level_mm - away)
        ends = [dimension.paper(end, away + side), dimension.paper(end, dimension.level_mm + 1.5 * side)]
        sheet.line(ends, FINE, tag="dimension")


def _dimension_line(sheet: Sheet, dimension: Dimension) -> None:
    """Draw the line with its two arrows, from outside when there is no room between."""
    low, high = dimension.ends
    out, way = (0.0, -1.0) if dimension.inside else (5.5, 1.0)
    level = dimension.level_mm
    line = [dimension.paper(low - out, level), dimension.paper(high + out, level)]
    sheet.line(line, FINE, tag="dimension")
    sheet.arrow(dimension.paper(low, level), dimension.paper(way, 0.0), tag="dimension")
    sheet.arrow(dimension.paper(high, level), dimension.paper(-way, 0.0), tag="dimension")


def _figure_places(dimension: Dimension) -> list[Lettering]:
    """Return where the figures may stand, best first: in the middle, or beside one of the arrows."""
    low, high = dimension.ends
    text = mm_text(dimension.value_mm)
    half = 0.5 * text_width(text)
    if dimension.inside:
        spare = 0.5 * (high - low) - half - 3.5
        middles = [0.5 * (low + high) + share * spare for share in (0.0, -0.5, 0.5, -1.0, 1.0)]
    else:
        steps = (6.5, 12.0, 18.0, 24.0, 30.0)
        middles = [place for step in steps for place in (high + step + half, low - step - half)]
    lift = dimension.level_mm + (-1.2 if dimension.upright else 1.2)
    return [
        Lettering(
            text=text,
            at=dimension.paper(middle, lift),
            across="centre",
            turn_deg=90.0 if dimension.upright else 0.0,
            owner="figures",
        )
        for middle in middles
    ]


def about_text(value_mm: float) -> str:
    """Return a length nobody measures finer: whole mm from 10 mm up, else one decimal unless it is nought."""
    return f"{value_mm:.0f}" if abs(value_mm) >= 9.95 else mm_text(value_mm)


def mm_text(value_mm: float) -> str:
    """Return a length for people: whole mm from 100 mm up, else one decimal unless it is nought."""
    return f"{value_mm:.0f}" if abs(value_mm) >= 99.95 else f"{value_mm:.1f}".removesuffix(".0")
