"""The comparing sheet: the shown answers in a row, each drawn a little opened, its measures under it."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from moldplan.choice.front import STEADY_DEG
from moldplan.choice.model import Answer, HalfMeasures, Ranking
from moldplan.choice.words import worth_softening
from moldplan.findings import to_act_on
from moldplan.mould.bands import strain_text
from moldplan.mould.handling import CAUTION
from moldplan.units import kg, litres, mm
from moldplan.views.furniture import wrapped
from moldplan.views.opened import Opened, moved, open_figure
from moldplan.views.paper import (
    FINE,
    FRAME,
    HEAVY,
    LARGE_MM,
    LEADING,
    MEDIUM,
    Across,
    Box,
    Lettering,
    Pen,
    Picture,
    Sheet,
    fitted,
)
from moldplan.views.relief import DepthMap
from moldplan.views.scale import round_steps

#: Letters of the table: ISO 3098's 3.5 mm while the columns are wide enough, else its 2.5 mm.
LETTER_MM: Final = 3.5
SMALLER_MM: Final = 2.5
WIDE_ENOUGH_MM: Final = 105.0
#: Width of the names of the rows, in capital heights.
_NAMES: Final = 17.5
#: The foot of the sheet: depth scale, what to mind, title.
_FOOT_MM: Final = 30.0
_TITLE_MM: Final = 92.0
_RAMP_MM: Final = 76.0
_HEAD_MM: Final = 19.0
_PAD: Final = 2.5
#: No column is wider than this: lines of text longer than that are hard to read.
_WIDEST_MM: Final = 165.0
#: What would be written as 0.0 mm is none.
LEAST_SAID_MM: Final = 0.05
#: Lines of the saw's words and of the sentence at most.
_SAW_LINES: Final = 4
_OUTLINE: Final = Pen(0.3)
_SHARP: Final = Pen(0.13)
_SEAM: Final = Pen(0.6)


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the table: its name, what it says of an answer, and what is least where it is best."""

    name: str
    say: Callable[[Answer], str]
    best: Callable[[Answer], float] | None


def measure_rows(ranking: Ranking) -> list[Row]:
    """Return the lines of the table; the one about patches only where there are any."""
    deep_mm = ranking.settings.number("mould.deep_half_mm")
    rows = [
        Row(name="locks (at worst)", say=_locks, best=lambda a: a.measures.undercut_mm3),
        Row(name="any line locks at least", say=lambda a: litres(a.measures.locked_mm3), best=_locked),
        Row(name="deepest undercut", say=_how_deep, best=_deepest),
        Row(name="rubber (of it fill)", say=_rubber, best=lambda a: a.measures.rubber_kg),
        Row(name="rubber costs (fill)", say=_cost, best=lambda a: a.measures.rubber_cost),
        Row(name="stretch when peeled", say=_stretch, best=lambda a: a.measures.peel_strain),
        Row(name="seam", say=lambda a: _metres(a.measures.seam.length_mm), best=_seam),
        Row(name="seam over the front", say=lambda a: _metres(a.measures.seam.front_mm), best=_front),
        Row(name="loops, tunnels, pieces", say=_loops, best=_loops_and_pieces),
        Row(name="deepest half", say=lambda a: _depth(a, deep_mm), best=_half),
        Row(name="larger board", say=_board, best=lambda a: float(a.measures.board_sheets)),
        Row(name="jackets", say=lambda a: kg(a.measures.jacket_kg), best=lambda a: a.measures.jacket_kg),
        Row(name="heaviest to turn", say=lambda a: kg(a.measures.turning_kg), best=_turning),
        Row(name="loose half tips at", say=_tips, best=lambda a: -min(a.measures.tips_deg, 90.0)),
    ]
    if ranking.wishes.keep_clean:
        rows.insert(8, Row(name="seam in, near clean", say=_clean, best=_in_or_near))
    return rows


def _locks(answer: Answer) -> str:
    worst = "" if answer.worst is None else f" ({litres(answer.worst.undercut_mm3)})"
    return litres(answer.measures.undercut_mm3) + worst


def _locked(answer: Answer) -> float:
    return answer.measures.locked_mm3


def _deepest(answer: Answer) -> float:
    return answer.measures.deepest_undercut_mm


def _how_deep(answer: Answer) -> str:
    depth = answer.measures.deepest_undercut_mm
    return mm(depth) if depth >= LEAST_SAID_MM else "none"


def _rubber(answer: Answer) -> str:
    return f"{kg(answer.measures.rubber_kg)} ({kg(answer.measures.fill_kg)})"


def _cost(answer: Answer) -> str:
    return f"{answer.measures.rubber_cost:.0f} ({answer.measures.fill_cost:.0f})"


def _stretch(answer: Answer) -> str:
    return strain_text(answer.measures.peel_strain)


def _metres(length_mm: float) -> str:
    return f"{length_mm / 1000.0:.2f} m"


def _seam(answer: Answer) -> float:
    return answer.measures.seam.length_mm


def _front(answer: Answer) -> float:
    return answer.measures.seam.front_mm


def _clean(answer: Answer) -> str:
    seam = answer.measures.seam
    return f"{seam.clean_mm:.0f}, {seam.near_mm:.0f} mm"


def _in_or_near(answer: Answer) -> float:
    return answer.measures.seam.clean_mm + answer.measures.seam.near_mm


def _loops(answer: Answer) -> str:
    measures = answer.measures
    return f"{measures.loops}, {measures.tunnels}, {measures.pieces}"


def _loops_and_pieces(answer: Answer) -> float:
    return float(answer.measures.loops + answer.measures.tunnels + answer.measures.pieces)


def _depth(answer: Answer, deep_mm: float) -> str:
    height = answer.measures.deepest_half_mm
    return f"{mm(height)}, out of reach" if height > deep_mm else mm(height)


def _half(answer: Answer) -> float:
    return answer.measures.deepest_half_mm


def _board(answer: Answer) -> str:
    def size(half: HalfMeasures) -> tuple[float, float]:
        wide = max(half.coating_mm[0], half.jacketing_mm[0])
        return wide, max(half.coating_mm[1], half.jacketing_mm[1])

    wide, high = max((size(half) for half in answer.measures.halves), key=lambda side: side[0] * side[1])
    sheets = answer.measures.board_sheets
    return f"{wide:.0f} x {high:.0f} mm ({sheets} sheets)"


def _turning(answer: Answer) -> float:
    return answer.measures.turning_kg


def _tips(answer: Answer) -> str:
    tips = answer.measures.tips_deg
    if tips <= 0.0:
        return "once: prop it"
    return f"{tips:.0f} deg, prop it" if tips < STEADY_DEG else f"{tips:.0f} deg"


# --- the sheet ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Layout:
    """Where everything stands, paper mm."""

    letter: float
    names: float
    width: float
    columns: tuple[float, ...]
    drawing: tuple[float, float]
    """Low and high of the drawings."""
    saw_top: float
    table_top: float
    words_top: float

    @property
    def line(self) -> float:
        """From one line to the next."""
        return LEADING * self.letter


def comparison_sheet(ranking: Ranking) -> Sheet:
    """Return the comparing sheet of a ranking: its shown answers, at most five, side by side.

    All figures are drawn to one scale and, but for planes that would show no gap, from one side.
    """
    shown = ranking.shown
    rows = measure_rows(ranking)
    letter = LETTER_MM if (FRAME[2] - FRAME[0] - 60.0) / len(shown) >= WIDE_ENOUGH_MM else SMALLER_MM
    layout = _layout(shown, rows, letter)
    opened = [_opened(ranking, answer) for answer in shown]
    edges = _edges(opened)
    ratio = _ratio(opened, layout)
    sheet = Sheet("comparison")
    sheet.stroke(shapely.box(*FRAME), HEAVY, tag="frame")
    _draw_head(sheet, ranking, ratio)
    for answer, view, left in zip(shown, opened, layout.columns, strict=True):
        _draw_answer(sheet, answer, layout, left)
        _draw_view(sheet, view, edges, ratio, _middle(layout, left))
    _draw_table(sheet, shown, rows, layout)
    _draw_foot(sheet, ranking, opened, edges)
    return sheet


def _edges(opened: Sequence[Opened]) -> tuple[float, ...]:
    """Return the steps of the depth scale: over the middle one of the answers' greatest depths.

    One answer that locks much more than the others would leave these all in the lightest band.
    """
    return tuple(round_steps(float(np.median([view.depth_mm.max() for view in opened]))))


def _opened(ranking: Ranking, answer: Answer) -> Opened:
    assert answer.halves is not None  # noqa: S101 - shown answers carry their halves
    return open_figure(ranking.pattern, answer.plane, answer.halves)


def _layout(shown: Sequence[Answer], rows: Sequence[Row], letter: float) -> _Layout:
    """Return the places: what is written is given its room, the drawings get the rest."""
    names = _NAMES * letter
    left = FRAME[0] + _PAD + names
    width = min((FRAME[2] - left) / len(shown), _WIDEST_MM)
    line = LEADING * letter
    saw = max(len(wrapped(saw_words(answer), width - 2 * _PAD, height_mm=letter)) for answer in shown)
    words = max(len(said(answer, width, letter)) for answer in shown)
    words_top = FRAME[1] + _FOOT_MM + words * line + 3.0
    table_top = words_top + len(rows) * line + 4.0
    saw_top = table_top + min(saw, _SAW_LINES) * line + 3.0
    return _Layout(
        letter=letter,
        names=names,
        width=width,
        columns=tuple(left + number * width for number in range(len(shown))),
        drawing=(saw_top + 3.0, FRAME[3] - _HEAD_MM - 9.0),
        saw_top=saw_top,
        table_top=table_top,
        words_top=words_top,
    )


def saw_words(answer: Answer) -> str:
    """Return how to mark the plane, in words."""
    offset = answer.plane.offset_mm
    way = answer.called[0 if offset > 0.0 else 1]
    where = "through the middle" if offset == 0.0 else f"{abs(offset):g} mm from the middle to the {way}"
    return f"{answer.saw.words}; {where}"


def said(answer: Answer, width: float, letter: float) -> list[str]:
    """Return the sentence and the softening advice of an answer in lines."""
    room = width - 2 * _PAD
    return [
        *wrapped(answer.sentence, room, height_mm=letter),
        *wrapped(softened(answer), room, height_mm=letter),
    ]


def softened(answer: Answer) -> str:
    """Return in one line what softening the pattern would save, without what needs the client's approval."""
    worth = worth_softening(answer)
    own = [item for item in worth if not item.needs_approval]
    asked = len(worth) - len(own)
    if not worth:
        return ""
    if not own:
        count = "1 undercut would go" if asked == 1 else f"{asked} undercuts would go"
        return f"Softening: {count}, if the client approves of that much."
    most = max(item.thickest_mm for item in own)
    saves = sum(item.saves_kg for item in own)
    places = "1 undercut goes" if len(own) == 1 else f"{len(own)} undercuts go"
    text = f"Softening: {places} with up to {mm(most)} of filler or carving, saving {kg(saves)} of rubber"
    return f"{text}; {asked} more if the client approves." if asked else f"{text}."


def _ratio(opened: Sequence[Opened], layout: _Layout) -> float:
    """Return the scale 1 : n, a whole number, at which the largest drawing fits its room."""
    wide, high = layout.width - 2 * _PAD, layout.drawing[1] - layout.drawing[0]
    needed = 0.0
    for view in opened:
        left, low, right, top = view.bounds
        needed = max(needed, (right - left) / wide, (top - low) / high)
    return float(math.ceil(needed)) if needed > 1.0 else needed


def _middle(layout: _Layout, left: float) -> tuple[float, float]:
    return left + 0.5 * layout.width, 0.5 * (layout.drawing[0] + layout.drawing[1])


def _draw_head(sheet: Sheet, ranking: Ranking, ratio: float) -> None:
    """Write what is compared, over the whole width."""
    left, top = FRAME[0] + 5.0, FRAME[3] - 4.0
    width = FRAME[2] - left - 5.0
    heading = fitted(f"WAYS TO SPLIT: {ranking.job}", width, height_mm=LARGE_MM, bold=True)
    sheet.text(
        Lettering(text=heading, at=(left, top), height_mm=LARGE_MM, along="top", bold=True, owner="heading")
    )
    pattern = ranking.pattern
    x, y, z = pattern.size_mm
    front = f"front is {pattern.front}" + ("" if pattern.front_given else " (assumed: say --front)")
    words = (
        f"figure {x:.0f} x {y:.0f} x {z:.0f} mm, {litres(pattern.volume_mm3)}; {pattern.up} is up, {front}. "
        f"Seen from its left front (its right front where the gap would not show), drawn about 1:{ratio:.3g}."
    )
    line = fitted(words, width, height_mm=SMALLER_MM)
    at = (left, top - LARGE_MM - 3.0)
    sheet.text(Lettering(text=line, at=at, height_mm=SMALLER_MM, along="top", owner="heading"))


def _draw_answer(sheet: Sheet, answer: Answer, layout: _Layout, left: float) -> None:
    """Write name, saw's words and sentence of one answer."""
    room = layout.width - 2 * _PAD
    at = (left + _PAD, FRAME[3] - _HEAD_MM)
    name = fitted(
        f"{answer.number}  {' / '.join(answer.called)}" + (" (skew)" if answer.kind == "skew" else ""),
        room, height_mm=1.4 * layout.letter, bold=True,
    )  # fmt: skip
    sheet.text(
        Lettering(text=name, at=at, height_mm=1.4 * layout.letter, along="top", bold=True, owner="answer")
    )
    _paragraph(
        sheet,
        wrapped(saw_words(answer), room, height_mm=layout.letter)[:_SAW_LINES],
        layout,
        left,
        layout.saw_top,
    )
    _paragraph(sheet, said(answer, layout.width, layout.letter), layout, left, layout.words_top)
    sheet.line([(left, FRAME[1] + _FOOT_MM), (left, FRAME[3] - _HEAD_MM + 1.5)], FINE, tag="column")


def _paragraph(sheet: Sheet, lines: Sequence[str], layout: _Layout, left: float, top: float) -> None:
    for number, line in enumerate(lines):
        at = (left + _PAD, top - (number + 0.5) * layout.line)
        sheet.text(Lettering(text=line, at=at, height_mm=layout.letter, along="middle", owner="answer"))


def _draw_view(
    sheet: Sheet, view: Opened, edges: tuple[float, ...], ratio: float, middle: tuple[float, float]
) -> None:
    """Draw one opened figure round a point of the sheet."""
    scale = 1.0 / ratio
    left, low, right, high = view.bounds
    at = (middle[0] - 0.5 * (left + right) * scale, middle[1] - 0.5 * (low + high) * scale)
    bounds: Box = (
        left * scale + at[0], low * scale + at[1], right * scale + at[0], high * scale + at[1]
    )  # fmt: skip
    shade = view.shade[::-1, :, None] / 255.0
    bands = DepthMap(grid=view.grid, depth_mm=view.depth_mm, edges_mm=edges).picture()
    locked = view.depth_mm[::-1, :, None] > 0.0
    rgb = np.where(locked, bands * shade, 255.0 * shade).astype(np.uint8)
    sheet.picture(Picture(rgb=rgb, bounds=bounds, clip=None, tag="figure", smooth=True))
    sheet.stroke(moved(view.sharp, scale, at), _SHARP, tag="sharp")
    sheet.stroke(moved(view.outline, scale, at), _OUTLINE, tag="outline")
    sheet.stroke(moved(view.seam, scale, at), _SEAM, tag="seam")


def _draw_table(sheet: Sheet, shown: Sequence[Answer], rows: Sequence[Row], layout: _Layout) -> None:
    """Write the measures, the best of each row bold."""
    line, letter = layout.line, layout.letter
    right = layout.columns[-1] + layout.width
    sheet.line([(FRAME[0], layout.table_top), (right, layout.table_top)], MEDIUM, tag="table")
    for number, row in enumerate(rows):
        y = layout.table_top - (number + 0.5) * line - 0.5
        _cell(sheet, fitted(row.name, layout.names - _PAD, height_mm=letter), FRAME[0] + _PAD, y, letter)
        texts = [row.say(answer) for answer in shown]
        best = best_texts(row, shown)
        for text, left in zip(texts, layout.columns, strict=True):
            bold = text in best
            words = fitted(text, layout.width - 2 * _PAD, height_mm=letter, bold=bold)
            _cell(sheet, words, left + _PAD, y, letter, bold=bold)
        low = y - 0.5 * line
        sheet.line([(FRAME[0], low), (right, low)], Pen(0.1, colour="#b0b0b0"), tag="table")


def best_texts(row: Row, shown: Sequence[Answer]) -> set[str]:
    """Return what is written of the best answers of a row; nothing where all are, or read, alike.

    Answers that differ by less than is written are equally good.
    """
    texts = [row.say(answer) for answer in shown]
    if row.best is None or len(set(texts)) == 1:
        return set()
    values = [row.best(answer) for answer in shown]
    best = {text for text, value in zip(texts, values, strict=True) if value == min(values)}
    return set() if best == set(texts) else best


def _cell(  # noqa: PLR0913 - a text and where it stands
    sheet: Sheet, text: str, x: float, y: float, letter: float, *, bold: bool = False, across: Across = "left"
) -> None:
    sheet.text(
        Lettering(
            text=text, at=(x, y), height_mm=letter, along="middle", bold=bold, across=across, owner="table"
        )
    )


def _draw_foot(sheet: Sheet, ranking: Ranking, opened: Sequence[Opened], edges: tuple[float, ...]) -> None:
    """Draw the depth scale, what to mind, and the title."""
    top = FRAME[1] + _FOOT_MM
    sheet.line([(FRAME[0], top), (FRAME[2], top)], MEDIUM, tag="frame")
    for x in (FRAME[0] + _RAMP_MM, FRAME[2] - _TITLE_MM):
        sheet.line([(x, FRAME[1]), (x, top)], MEDIUM, tag="frame")
    _draw_ramp(sheet, opened, edges, top)
    _draw_mind(sheet, ranking, top)
    _draw_title(sheet, ranking, top)


def _draw_ramp(sheet: Sheet, opened: Sequence[Opened], edges: tuple[float, ...], top: float) -> None:
    left, width = FRAME[0] + 5.0, _RAMP_MM - 12.5
    _cell(sheet, "undercut, deep along the pull, mm", left, top - 4.5, SMALLER_MM, bold=True)
    colours = DepthMap(grid=opened[0].grid, depth_mm=opened[0].depth_mm, edges_mm=edges).colours
    step = width / len(colours)
    deepest = max(float(view.depth_mm.max()) for view in opened)
    for number, colour in enumerate(colours):
        box = shapely.box(left + number * step, top - 14.0, left + (number + 1) * step, top - 8.0)
        sheet.area(box, colour, tag="ramp")
        sheet.stroke(box, FINE, tag="ramp")
    for number, edge in enumerate(edges):
        across: Across = "left" if number == 0 else "centre"
        more = "+" if number == len(edges) - 1 and deepest > edge else ""
        _cell(sheet, f"{edge:g}{more}", left + number * step, top - 16.8, SMALLER_MM, across=across)
    sheet.line([(left, top - 23.0), (left + 14.0, top - 23.0)], _SEAM, tag="key")
    _cell(sheet, "seam: the line to saw along", left + 17.0, top - 23.0, SMALLER_MM)


def _draw_mind(sheet: Sheet, ranking: Ranking, top: float) -> None:
    """Write the findings that need somebody to act, and the caution about turning."""
    left = FRAME[0] + _RAMP_MM + _PAD
    width = FRAME[2] - _TITLE_MM - left - _PAD
    line = LEADING * SMALLER_MM
    room = int((_FOOT_MM - 3.0) / line)
    front = "" if ranking.pattern.front_given else "Seam over the front counts on an assumed front. "
    mind = f"{front}Bold is best. Stretch is an estimate. Turning and lifting: {CAUTION}."
    last = wrapped(mind, width, height_mm=SMALLER_MM)
    found = to_act_on(ranking.findings)
    lines: list[str] = []
    told = 0
    for finding in found:
        more = wrapped(f"{finding.severity.upper()}: {finding.advice}", width, height_mm=SMALLER_MM)
        spare = 0 if told == len(found) - 1 else 1
        if len(lines) + len(more) + len(last) + spare > room:
            break
        lines += more
        told += 1
    if told < len(found):
        lines.append(f"and {len(found) - told} more to check: see split.json")
    for number, text in enumerate([*lines, *last]):
        _cell(sheet, text, left, top - 1.5 - (number + 0.5) * line, SMALLER_MM)


def _draw_title(sheet: Sheet, ranking: Ranking, top: float) -> None:
    left = FRAME[2] - _TITLE_MM + _PAD
    width = _TITLE_MM - 2 * _PAD
    splits = ranking.splits
    rows = (
        (ranking.job, LETTER_MM, True),
        (f"pattern: {ranking.pattern.survey.file_name}", SMALLER_MM, False),
        (f"{splits.directions_tried} directions, {splits.cover_deg:.1f} deg cover", SMALLER_MM, False),
        (f"{ranking.made[:10]}, A3, sheet 1 of 3, moldplan {ranking.version}", SMALLER_MM, False),
    )
    for number, (text, letter, bold) in enumerate(rows):
        words = fitted(text, width, height_mm=letter, bold=bold)
        _cell(sheet, words, left, top - 5.0 - number * 6.5, letter, bold=bold)
