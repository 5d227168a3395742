"""Rounding a plane to what a shop can mark and saw: whole degrees along two sides of the figure.

A plane is marked as one square to the figure's front, left or up (whichever its normal lies nearest to) and
then turned by a whole number of degrees along each of the two other axes: those are the angles of the chalk
lines on two neighbouring sides of the figure's box. A rounded direction lies within 0.71 deg of the
exact one.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.choice.model import Kind, Saw
from moldplan.split import Plane
from moldplan.split.frame import facing, leading_axis
from moldplan.split.refine import kind_of as kind_number

Floats = NDArray[np.float64]

#: The kinds in the search's own order.
KINDS: Final[tuple[Kind, ...]] = ("front/back", "left/right", "top/bottom", "skew")

_SQUARE: Final = ("square to the front", "square to the left side", "level")
#: What moves, and to which side (first: a positive angle), for each axis and each of its two angles.
_TURNS: Final = (
    (("left side", "back", "forward"), ("top", "back", "forward")),
    (("top", "to the right", "to the left"), ("front", "to the right", "to the left")),
    (("front", "down", "up"), ("left side", "down", "up")),
)

#: Whole degrees either way of the nearest that are tried for each angle.
_NEIGHBOURS: Final = (-1, 0, 1)


def kind_of(in_figure: Floats) -> Kind:
    """Return how a plane with this unit normal (figure's frame: front, left, up) parts the figure."""
    return KINDS[kind_number(in_figure)]


def angles_deg(in_figure: Floats) -> tuple[int, float, float]:
    """Return the axis a normal lies nearest to, and its two angles along the next axes, deg (-45 to 45)."""
    axis = leading_axis(in_figure)
    facing_it = in_figure * facing(in_figure)
    first, second = facing_it[(axis + 1) % 3], facing_it[(axis + 2) % 3]
    lead = float(facing_it[axis])
    return axis, math.degrees(math.atan2(first, lead)), math.degrees(math.atan2(second, lead))


def normal_of(axis: int, first_deg: float, second_deg: float) -> Floats:
    """Return the unit normal (3,) in the figure's frame that two angles along the next axes give."""
    normal = np.zeros(3)
    normal[axis] = 1.0
    normal[(axis + 1) % 3] = math.tan(math.radians(first_deg))
    normal[(axis + 2) % 3] = math.tan(math.radians(second_deg))
    return np.asarray(normal / np.linalg.norm(normal))


def saw_for(axis: int, first_deg: int, second_deg: int) -> Saw:
    """Return a marked plane with its words."""
    turns = [
        f"{what} {abs(angle)} deg {ahead if angle > 0 else behind}"
        for angle, (what, ahead, behind) in zip((first_deg, second_deg), _TURNS[axis], strict=True)
        if angle
    ]
    words = _SQUARE[axis] + (f", but {' and '.join(turns)}" if turns else "")
    return Saw(axis=axis, first_deg=first_deg, second_deg=second_deg, words=words)


def nearby(in_figure: Floats) -> Iterator[tuple[Saw, Floats]]:
    """Walk over the sawable normals next to an exact one, the nearest first; up to nine."""
    axis, first, second = angles_deg(in_figure)
    around = [
        (one, other, normal_of(axis, one, other))
        for one in (round(first) + step for step in _NEIGHBOURS)
        for other in (round(second) + step for step in _NEIGHBOURS)
        if max(abs(one), abs(other)) <= 45
    ]
    # by the true angle between them: far from the axis the two angles are not square to each other
    for one, other, normal in sorted(around, key=lambda item: -abs(float(item[2] @ in_figure))):
        yield saw_for(axis, one, other), normal


def round_offsets(offset_mm: float, step_mm: float) -> tuple[float, float]:
    """Return the two multiples of `step_mm` round an offset, the nearer first."""
    low = math.floor(offset_mm / step_mm) * step_mm
    high = low + step_mm
    return (low, high) if offset_mm - low <= high - offset_mm else (high, low)


def best_sawable(
    in_figure: Floats,
    *,
    offsets: Callable[[Floats], Iterable[tuple[float, float]]],
    misses: Callable[[Floats, float], float],
) -> tuple[Saw, Floats, float]:
    """Return the sawable plane next to an exact one that locks least, as its marks, normal and offset.

    Parameters
    ----------
    in_figure
        The exact unit normal in the figure's frame.
    offsets
        Gives for a normal the offsets (mm) to try, each with the undercut there.
    misses
        By how much a normal and offset miss what is wished; the smallest miss goes before the least undercut.
    """
    tried = [
        (misses(normal, offset), undercut, number, saw, normal, offset)
        for number, (saw, normal) in enumerate(nearby(in_figure))
        for offset, undercut in offsets(normal)
    ]
    _, _, _, saw, normal, offset = min(tried, key=lambda item: item[:3])
    return saw, normal, offset


def plane_of(in_figure: Floats, offset_mm: float, axes: Floats) -> Plane:
    """Return a plane of the figure's frame in the file's axes; `axes` rows as `figure_axes`."""
    x, y, z = (float(part) + 0.0 for part in in_figure @ axes)
    return Plane(normal=(x, y, z), offset_mm=offset_mm + 0.0)
