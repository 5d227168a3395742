"""Tables and numbered lists that stand in the drawing's own field, not in the column at its right."""

from collections.abc import Sequence
from dataclasses import dataclass

from moldplan.views.furniture import wrapped
from moldplan.views.paper import FINE, SMALL_MM, THIN, Box, Lettering, Point, Sheet, fitted, text_width

LINE_MM = 5.8
#: The same in lists, which hold more.
_LIST_LINE_MM = 5.3
_GAP_MM, _AFTER_FIGURES_MM = 2.5, 5.0
_MORE = "and more: see plan.json"


@dataclass(frozen=True, kw_only=True)
class Field:
    """One column of a table: its head, its width in mm, and whether it holds figures (set to the right)."""

    head: str
    width_mm: float
    figures: bool = False


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table: its title (may be empty), its columns and the texts of its rows."""

    title: str
    fields: tuple[Field, ...]
    rows: Sequence[Sequence[str]]


def draw_table_at(sheet: Sheet, table: Table, *, at: Point, low: float) -> float:
    """Draw a table, its upper left corner at `at`, down to `low` at most; return where it ends.

    Rows that there is no room for are left out, and the last line says so.
    """
    fields, rows = table.fields, table.rows
    y = _title(sheet, table.title, at)
    width = sum(field.width_mm for field in fields)
    _row(sheet, fields, [field.head for field in fields], (at[0], y), bold=True)
    y -= LINE_MM + 0.4
    sheet.line([(at[0], y), (at[0] + width, y)], THIN, tag="table")
    y -= 0.6
    room = int((y - low) / LINE_MM)
    shown = list(rows) if len(rows) <= room else list(rows[: max(room - 1, 0)])
    for row in shown:
        _row(sheet, fields, row, (at[0], y), bold=False)
        y -= LINE_MM
    if len(shown) < len(rows):
        sheet.text(Lettering(text=_MORE, at=(at[0], y - 0.5 * LINE_MM), along="middle", owner="table-text"))
        y -= LINE_MM
    sheet.line([(at[0], y - 0.2), (at[0] + width, y - 0.2)], FINE, tag="table")
    return y


def _title(sheet: Sheet, title: str, at: Point) -> float:
    """Write a title, and return where the rest begins; a blank one keeps its room, an empty one has none."""
    if not title:
        return at[1]
    sheet.text(Lettering(text=title, at=(at[0], at[1] - 3.0), along="middle", bold=True, owner="table-text"))
    return at[1] - 6.5


def _row(sheet: Sheet, fields: Sequence[Field], row: Sequence[str], at: Point, *, bold: bool) -> None:
    x, middle = at[0], at[1] - 0.5 * LINE_MM
    for field, text in zip(fields, row, strict=True):
        gap = _AFTER_FIGURES_MM if field.figures else _GAP_MM
        words = fitted(text, field.width_mm - gap, bold=bold)
        right = x + field.width_mm - _AFTER_FIGURES_MM
        place = (right, middle) if field.figures else (x, middle)
        across = "right" if field.figures else "left"
        sheet.text(
            Lettering(text=words, at=place, across=across, along="middle", bold=bold, owner="table-text")  # type: ignore[arg-type] # one of the two words
        )
        x += field.width_mm


def draw_list(
    sheet: Sheet, title: str, items: Sequence[tuple[str, str]], *, box: Box, more: str = _MORE
) -> tuple[float, int]:
    """Write marks with their words, wrapped, into `box`; return where they end, and how many are shown.

    An item is shown whole or not at all; `more` is the last line when some are left out.
    """
    y = _title(sheet, title, (box[0], box[3]))
    indent = max((text_width(mark, bold=True) for mark, _ in items), default=0.0) + 2.5
    width = box[2] - box[0] - indent
    for rank, (mark, words) in enumerate(items):
        lines = wrapped(words, width)
        spare = 0 if rank == len(items) - 1 else 1
        if y - _LIST_LINE_MM * (len(lines) + spare) < box[1]:
            _write(sheet, more, (box[0], y - 0.5 * _LIST_LINE_MM))
            return y - _LIST_LINE_MM, rank
        _write(sheet, mark, (box[0], y - 0.5 * _LIST_LINE_MM), bold=True)
        for line in lines:
            _write(sheet, line, (box[0] + indent, y - 0.5 * _LIST_LINE_MM))
            y -= _LIST_LINE_MM
    return y, len(items)


def _write(sheet: Sheet, text: str, at: Point, *, bold: bool = False) -> None:
    sheet.text(Lettering(text=text, at=at, height_mm=SMALL_MM, along="middle", bold=bold, owner="table-text"))
