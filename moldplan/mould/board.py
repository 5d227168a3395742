"""The board in its two states: with the wall while coating, with the jacket's flange while jacketing.

Stock sheets are laid in rows from the lower left corner; battens run across the board under it, and one more
under every joint.
"""

import math
from itertools import pairwise
from typing import Final

from moldplan.cards.model import Settings
from moldplan.mould.model import Board, LaidRubber, Wall
from moldplan.mould.outline import Line2, Point2, bounds_of

#: Thickness of the board, for drawings and solids: a common sheet (memory).
BOARD_MM: Final = 18.0
#: A board may be this share over a round size or a stock sheet without growing or being jointed.
_SNUG: Final = 1e-6
#: The outer battens lie this far in from the ends of the board, where clamps still find room.
_BATTEN_IN_MM: Final = 50.0


def plan_board(rubber: LaidRubber, wall: Wall, settings: Settings, *, sawn: bool = True) -> Board:
    """Return the board of one half.

    Parameters
    ----------
    rubber, wall
        What stands on the board while coating; both go round the same rubber edge.
    settings
        board.* and jacket.flange_width_mm.
    sawn
        Whether the saw made the face on the board; a figure that lies whole on its flat back lost nothing.

    Returns
    -------
    Board
        Each state has hands' room on every side and is rounded up; the board to cut is the larger of the
        two in each direction. `stock_mm` is the sheet as it lies, (x, y); `sheets` counts whole sheets laid
        in rows. `shim_mm` is half of what the saw took.
    """
    wall_size, _ = bounds_of(wall.outer)
    _, centre = bounds_of(rubber.edge_line)
    coating = _rounded(wall_size[0], wall_size[1], 2.0 * settings.number("board.hands_mm"), settings)
    jacketing = jacketing_mm(rubber, settings)
    size = (max(coating[0], jacketing[0]), max(coating[1], jacketing[1]))
    stock, sheets = _sheets(size, settings)
    corner = (float(centre[0]) - 0.5 * size[0], float(centre[1]) - 0.5 * size[1])
    joints = _joints(corner, size, stock)
    return Board(
        coating_mm=coating,
        jacketing_mm=jacketing,
        size_mm=size,
        centre_mm=(float(centre[0]), float(centre[1])),
        stock_mm=stock,
        sheets=sheets,
        joints_mm=joints,
        battens_mm=(*_battens(corner, size, joints, settings), *joints),
        shim_mm=0.5 * settings.number("board.kerf_mm") if sawn else 0.0,
    )


def jacketing_mm(rubber: LaidRubber, settings: Settings) -> Point2:
    """Return the size (x, y) of the board that the jacket's flange and hands round it need."""
    size, _ = bounds_of(rubber.edge_line)
    beside_mm = settings.number("jacket.flange_width_mm") + settings.number("board.hands_mm")
    return _rounded(size[0], size[1], 2.0 * beside_mm, settings)


def _rounded(x_mm: float, y_mm: float, more_mm: float, settings: Settings) -> Point2:
    """Return a size with `more_mm` in each direction, rounded up to what a shop cuts."""
    step = settings.number("board.round_up_mm")
    x_steps, y_steps = (math.ceil((side + more_mm) / step * (1.0 - _SNUG)) for side in (x_mm, y_mm))
    return x_steps * step, y_steps * step


def _sheets(size: Point2, settings: Settings) -> tuple[Point2, int]:
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


def _joints(corner: Point2, size: Point2, stock: Point2) -> tuple[Line2, ...]:
    """Return the joints between sheets laid in rows from the lower left corner."""
    upright = [corner[0] + number * stock[0] for number in range(1, _count(size[0], stock[0]))]
    level = [corner[1] + number * stock[1] for number in range(1, _count(size[1], stock[1]))]
    return (
        *(_across(corner, size, 0, place) for place in upright),
        *(_across(corner, size, 1, place) for place in level),
    )


def _battens(
    corner: Point2, size: Point2, joints: tuple[Line2, ...], settings: Settings
) -> tuple[Line2, ...]:
    """Return the battens across the board's longer side, without those of the joints.

    Battens of the card's spacing at most from end to end; between two joints they are spaced anew.
    """
    along = 0 if size[0] >= size[1] else 1
    ends = (corner[along] + _BATTEN_IN_MM, corner[along] + size[along] - _BATTEN_IN_MM)
    held = [line[0][along] for line in joints if line[0][along] == line[1][along]]
    places = [ends[0]]
    for low, high in pairwise([ends[0], *(place for place in held if ends[0] < place < ends[1]), ends[1]]):
        count = math.ceil((high - low) / settings.number("board.batten_mm") * (1.0 - _SNUG))
        places.extend(low + (high - low) * number / count for number in range(1, count + 1))
    return tuple(_across(corner, size, along, place) for place in places if place not in held)


def _across(corner: Point2, size: Point2, along: int, place: float) -> Line2:
    """Return the line from side to side of the board that stands square to axis `along` at `place`."""
    low, high = corner[1 - along], corner[1 - along] + size[1 - along]
    return ((place, low), (place, high)) if along == 0 else ((low, place), (high, place))
