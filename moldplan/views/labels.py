"""Labels in a margin column, with leaders that do not cross.

Goal: every label beside what it names, none on another, leaders short and never crossing.

1. All labels get a slot of the same height, as near to the heights of their anchors as the column allows
   (isotonic regression: slots keep their order and their least distance).
2. Anchors are matched to slots so that the leaders together are as short as can be. Of two crossing
   straight leaders the swapped pair is always shorter (triangle inequality), so none cross.
3. From its slot a leader runs a short way level, outside everything, then straight to its anchor.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from moldplan.views.paper import FINE, INK, LEADING, PAPER, SMALL_MM, Lettering, Pen, Point, Sheet, fitted

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

#: Clear height between two labels, in capital heights.
_CLEAR = 0.9
#: Level part of a leader, beside its label.
_STUB_MM = 3.0
_DOT_MM = 0.55


@dataclass(frozen=True, kw_only=True)
class Note:
    """What is to be said, in one or more lines, about the point `anchor` on the paper."""

    lines: tuple[str, ...]
    anchor: Point
    tag: str


@dataclass(frozen=True, kw_only=True)
class Column:
    """Where labels may stand: from `left_mm` to `right_mm` across, `low_mm` to `high_mm` up the sheet.

    Leaders come in from the left side of the column.
    """

    left_mm: float
    right_mm: float
    low_mm: float
    high_mm: float

    def room(self, lines: int) -> int:
        """Return how many labels of `lines` lines fit."""
        return int((self.high_mm - self.low_mm) / _pitch_mm(lines))


@dataclass(frozen=True, kw_only=True)
class Label:
    """A note in its place: its lines of text and its leader."""

    note: Note
    text: tuple[Lettering, ...]
    leader: shapely.LineString


def place_labels(notes: Sequence[Note], column: Column) -> tuple[Label, ...]:
    """Give every note a place in `column`.

    Parameters
    ----------
    notes
        No more than `column.room(lines of the longest)`; their anchors lie left of the column.
    column
        Where the labels may stand.

    Returns
    -------
    tuple of Label
        In the order of `notes`; texts too wide for the column are shortened.

    Raises
    ------
    ValueError
        When there are more notes than the column has room for (a programming fault).
    """
    if not notes:
        return ()
    lines = max(len(note.lines) for note in notes)
    if len(notes) > column.room(lines):
        raise ValueError(f"{len(notes)} labels in a column with room for {column.room(lines)}")
    anchors = np.array([note.anchor for note in notes], dtype=np.float64)
    slots = spread(np.sort(anchors[:, 1]), pitch_mm=_pitch_mm(lines), column=column)
    port_mm = column.left_mm - _STUB_MM
    lengths = np.hypot(port_mm - anchors[:, :1], slots[None, :] - anchors[:, 1:])
    _, chosen = linear_sum_assignment(lengths)
    return tuple(_label(note, float(slots[slot]), column) for note, slot in zip(notes, chosen, strict=True))


def draw_labels(sheet: Sheet, labels: Sequence[Label]) -> None:
    """Draw leaders (cased in white, so that they read on shading), their dots, and the texts."""
    for label in labels:
        sheet.stroke(label.leader, Pen(0.8, colour=PAPER), tag="casing")
    for label in labels:
        sheet.stroke(label.leader, FINE, tag=label.note.tag)
        sheet.area(shapely.Point(label.note.anchor).buffer(_DOT_MM), INK, tag=label.note.tag)
        for line in label.text:
            sheet.text(line)


def is_clear(sheet: Sheet, lettering: Lettering, *, gap_mm: float = 0.6) -> bool:
    """Return whether `lettering` would keep `gap_mm` from every text and every line but its owner's."""
    place = lettering.shape.buffer(gap_mm)
    shapes: list[BaseGeometry] = [text.shape for text in sheet.lettering()]
    shapes.extend(stroke.shape for stroke in sheet.strokes() if stroke.tag != lettering.owner)
    return not any(shapely.intersects(shapes, place))


def spread(wanted_mm: NDArray[np.float64], *, pitch_mm: float, column: Column) -> NDArray[np.float64]:
    """Return places near `wanted_mm` (ascending), at least `pitch_mm` apart and inside the column.

    The sum of squared moves is least (pool adjacent violators on the places less their rank times the pitch).
    """
    ranks = np.arange(len(wanted_mm)) * pitch_mm
    blocks: list[tuple[float, int]] = []
    for value in wanted_mm - ranks:
        mean, size = float(value), 1
        while blocks and blocks[-1][0] > mean:
            before, count = blocks.pop()
            mean, size = (before * count + mean * size) / (count + size), count + size
        blocks.append((mean, size))
    level = np.repeat([mean for mean, _ in blocks], [size for _, size in blocks])
    lowest = column.low_mm + 0.5 * pitch_mm
    highest = column.high_mm - 0.5 * pitch_mm - ranks[-1]
    return np.asarray(np.clip(level, lowest, max(lowest, highest)) + ranks, dtype=np.float64)


def _pitch_mm(lines: int) -> float:
    return (1.0 + (lines - 1) * LEADING + _CLEAR) * SMALL_MM


def _label(note: Note, middle_mm: float, column: Column) -> Label:
    """Set the lines of a note about the height `middle_mm`."""
    step = LEADING * SMALL_MM
    top = middle_mm + 0.5 * (len(note.lines) - 1) * step
    width = column.right_mm - column.left_mm
    text = tuple(
        Lettering(
            text=fitted(line, width, bold=rank == 0),
            at=(column.left_mm, top - rank * step),
            along="middle",
            bold=rank == 0,
            owner=note.tag,
        )
        for rank, line in enumerate(note.lines)
    )
    ends = [(column.left_mm - 1.0, middle_mm), (column.left_mm - _STUB_MM, middle_mm), note.anchor]
    return Label(note=note, text=text, leader=shapely.LineString(ends))
