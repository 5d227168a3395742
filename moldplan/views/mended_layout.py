"""Where the views of a figure stand on the sheet: in one row or two, all to one scale."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from moldplan.views.elevations import ROUND, MendedFigure, sides_to_draw, view_frames, window
from moldplan.views.paper import Box
from moldplan.views.scale import Scale

#: Under each view its name; between two views, and left of a row for its heights.
_TITLE_MM: Final = 9.0
_GAP_MM, _RULER_MM = 9.0, 18.0
#: Enlargements, for figures of a few centimetres, and round steps between those of ISO 5455: so many views
#: stand on this sheet that a coarser choice would often leave half of it blank. The bar is true at any.
_SCALES: Final = (
    0.1, 0.2, 0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200,
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Layout:
    """The scale 1 : `ratio`, that of each view by its name, and the views' names row by row."""

    ratio: float
    scales: tuple[tuple[str, Scale], ...]
    rows: tuple[tuple[str, ...], ...]
    room: Box


def lay_out(figure: MendedFigure, room: Box) -> Layout:
    """Return where the views stand: in one row or two, whichever allows the larger scale."""
    frames = view_frames(figure.pattern)
    boxes = {name: window(figure, frames[name]) for name in sides_to_draw(figure)}
    names = tuple(boxes)
    arrangements = [(names,), *((names[:cut], names[cut:]) for cut in range(2, len(names)))]
    needed = [_needed(rows, boxes, room) for rows in arrangements]
    ratio = min(needed)
    best = needed.index(ratio)
    if figure.pattern.survey.scale_known:
        ratio = next((scale for scale in _SCALES if scale >= ratio), float(math.ceil(ratio)))
    return Layout(
        ratio=ratio,
        scales=tuple(_standing(arrangements[best], boxes, room, ratio)),
        rows=arrangements[best],
        room=room,
    )


def _needed(rows: Sequence[Sequence[str]], boxes: dict[str, Box], room: Box) -> float:
    """Return the least ratio at which all rows of views fit."""
    spare = room[3] - room[1] - len(rows) * (_TITLE_MM + _GAP_MM)
    high = sum(_tallest(row, boxes) for row in rows) / spare
    wide = [
        sum(boxes[name][2] - boxes[name][0] for name in row)
        / (room[2] - room[0] - _RULER_MM - (len(row) - 1) * _GAP_MM)
        for row in rows
    ]
    return max(high, *wide)


def _tallest(row: Sequence[str], boxes: dict[str, Box]) -> float:
    return max(boxes[name][3] - boxes[name][1] for name in row)


def _standing(
    rows: Sequence[Sequence[str]], boxes: dict[str, Box], room: Box, ratio: float
) -> list[tuple[str, Scale]]:
    """Return every view's scale: rows spread over the room, views of a row with equal gaps."""
    heights = [_tallest(row, boxes) / ratio for row in rows]
    spare_high = (room[3] - room[1] - sum(heights) - len(rows) * _TITLE_MM) / (len(rows) + 1)
    scales, top = [], room[3]
    for row, height in zip(rows, heights, strict=True):
        foot = top - spare_high - height
        widths = [(boxes[name][2] - boxes[name][0]) / ratio for name in row]
        gap = (room[2] - room[0] - _RULER_MM - sum(widths)) / len(row)
        x = room[0] + _RULER_MM + 0.5 * gap
        for name, width in zip(row, widths, strict=True):
            left, low, _, high = boxes[name]
            lift = 0.5 * (height - (high - low) / ratio) if name not in ROUND else 0.0
            scales.append((name, Scale(ratio=ratio, middle_mm=(left, low), at=(x, foot + lift))))
            x += width + gap
        top = foot - _TITLE_MM
    return scales
