"""Corners rounded to what files can hold, no two to one place.

STL holds loose triangles: a reader joins corners that lie in one place. Two corners of a solid that rounding
brings together would be joined as well, and edges there would have four faces or one. So corners are rounded
to a step that single precision holds all over the solid, and where two would fall together one is moved by a
step, which is under 0.0001 mm for solids up to 2 m.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Binary digits of a number in single precision.
_DIGITS: Final = 24
#: Ways to move a corner by a step, tried in turn.
_WAYS: Final = np.array(
    [(x, y, z) for x in (0, 1, -1) for y in (0, 1, -1) for z in (0, 1, -1)][1:], dtype=np.int64
)


@dataclass(frozen=True, kw_only=True)
class RoundedMesh:
    """A closed mesh whose corners (n, 3) are whole multiples of `step_mm`, all in different places."""

    steps: Ints
    faces: Ints
    step_mm: float

    def corners_mm(self) -> Floats:
        """Return the corners in mm; single precision holds them exactly."""
        return np.asarray(self.steps * self.step_mm)


def rounded(vertices: Floats, faces: Ints) -> RoundedMesh:
    """Return a closed mesh with rounded corners.

    Notes
    -----
    Every corner stays one corner, so the mesh is as closed as it was. A corner moves by half a step in
    each direction, one that had to make way by a step and a half.
    """
    longest = float(np.abs(vertices).max(initial=1.0))
    step = 2.0 ** (math.floor(math.log2(longest)) + 1 - _DIGITS)
    steps = np.rint(vertices / step).astype(np.int64)
    _part(steps)
    return RoundedMesh(steps=steps, faces=faces, step_mm=step)


def _part(steps: Ints) -> None:
    """Move corners, in place, until no two share a place; the first of each lot stays where it is."""
    home = steps.copy()
    for way in _WAYS:
        crowded = _crowded(steps)
        if not len(crowded):
            return
        steps[crowded] = home[crowded] + way


def _crowded(steps: Ints) -> Ints:
    """Return the corners that share their place with one before them."""
    order = np.lexsort(steps.T)
    same = (steps[order[1:]] == steps[order[:-1]]).all(axis=1)
    return np.sort(order[1:][same])
