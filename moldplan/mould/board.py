"""The board in its two states: with the wall while coating, with the jacket's flange while jacketing."""

import math
from typing import Final

from moldplan.cards.model import Settings
from moldplan.mould.model import Board, LaidRubber, Wall
from moldplan.mould.outline import bounds_of

#: A board may be this share over a round size or a stock sheet without growing or being jointed.
_SNUG: Final = 1e-6


def plan_board(rubber: LaidRubber, wall: Wall, settings: Settings) -> Board:
    """Return the board of one half.

    Parameters
    ----------
    rubber, wall
        What stands on the board while coating; both go round the same rubber edge.
    settings
        board.* and jacket.flange_width_mm.

    Returns
    -------
    Board
        Each state has hands' room on every side and is rounded up; the board to cut is the larger of the
        two in each direction. `stock_mm` is the sheet as it lies, (x, y); `sheets` counts whole sheets laid
        in rows.
    """
    hands_mm = settings.number("board.hands_mm")
    edge_size, centre = bounds_of(rubber.edge_line)
    wall_size, _ = bounds_of(wall.outer)
    flange_mm = settings.number("jacket.flange_width_mm")
    coating = _rounded(wall_size[0], wall_size[1], 2.0 * hands_mm, settings)
    jacketing = _rounded(edge_size[0], edge_size[1], 2.0 * (flange_mm + hands_mm), settings)
    size = (max(coating[0], jacketing[0]), max(coating[1], jacketing[1]))
    stock, sheets = _sheets(size, settings)
    return Board(
        coating_mm=coating,
        jacketing_mm=jacketing,
        size_mm=size,
        centre_mm=(float(centre[0]), float(centre[1])),
        stock_mm=stock,
        sheets=sheets,
    )


def _rounded(x_mm: float, y_mm: float, more_mm: float, settings: Settings) -> tuple[float, float]:
    """Return a size with `more_mm` in each direction, rounded up to what a shop cuts."""
    step = settings.number("board.round_up_mm")
    x_steps, y_steps = (math.ceil((side + more_mm) / step * (1.0 - _SNUG)) for side in (x_mm, y_mm))
    return x_steps * step, y_steps * step


def _sheets(size: tuple[float, float], settings: Settings) -> tuple[tuple[float, float], int]:
    """Return the stock sheet the way round that takes the fewest, and how many."""
    long_mm, short_mm = settings.number("board.stock_long_mm"), settings.number("board.stock_short_mm")
    ways = [(long_mm, short_mm), (short_mm, long_mm)]
    if size[1] > size[0]:
        ways.reverse()
    counts = [_count(size[0], x) * _count(size[1], y) for x, y in ways]
    best = counts.index(min(counts))
    return ways[best], counts[best]


def _count(side_mm: float, stock_mm: float) -> int:
    """Return how many sheets lie along one side."""
    return math.ceil(side_mm / stock_mm * (1.0 - _SNUG))
