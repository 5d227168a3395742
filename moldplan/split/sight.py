"""What a direction is worth: what stays locked along it, and at which offset a flat split locks least.

For a closed solid P seen along d, with the highest and the lowest surface of every column:

    locked from every side        T    = integral of (top - bottom) - volume of P
    undercut of the split at c    U(c) = T + integral of max(bottom - c, 0) + max(c - top, 0)

A column that lies wholly on one side of the plane adds the gap between plane and solid to what was
locked anyway. So T <= U(c), U is convex in c, and its least value is at the median of all tops and bottoms
pooled (derived, first principles: the slope of U is the area of columns wholly below c less the area of
those wholly above). No grid of offsets is needed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from moldplan.columns.depth import (
    above,
    above_once,
    beyond,
    met,
    pooled_median,
    see,
    shadows,
    stretch,
    turn,
    turned_box,
)
from moldplan.columns.grid import grid_over
from moldplan.errors import SettingError
from moldplan.pattern.model import Pattern
from moldplan.split.frame import figure_axes
from moldplan.tolerances import REL_EPSILON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Cells along the longest side of a projection that make sense.
LEAST_CELLS: Final = 8
MOST_CELLS: Final = 4096
#: The offset that leaves a wanted share of the volume is found to this share ...
SHARE_EPSILON: Final = 1e-7
#: ... or with this many looks, of which a smooth figure takes about eight.
SHARE_LOOKS: Final = 60


@dataclass(frozen=True)
class Sight:
    """A mesh turned so that the direction is +z, and what its columns see.

    `turned` (n, 3) are the corners of the `faces`, drawn out in x and y until they fill whole columns, by
    which their shadow grew `drawn` times; all lie between the two heights `reach_mm`. `tops_mm` and
    `bottoms_mm` (k,) are the highest and lowest surface of the columns that are not empty, each `column_mm2`
    wide; `filled_mm3` is the volume as they see it.
    """

    turned: Floats
    faces: Ints
    drawn: float
    reach_mm: tuple[float, float]
    tops_mm: Floats
    bottoms_mm: Floats
    column_mm2: float
    filled_mm3: float

    @cached_property
    def heights_mm(self) -> Floats:
        """Heights of the corners (n,) along the direction."""
        return np.ascontiguousarray(self.turned[:, 2])

    @cached_property
    def shadows_mm2(self) -> Floats:
        """Signed area (m,) of each triangle's projection along the direction."""
        return np.asarray(shadows(self.turned, self.faces) / self.drawn)

    def above_mm3(self, offset_mm: float) -> float:
        """Return the volume above an offset, exactly for the mesh."""
        return float(above_once(self.turned, self.faces, offset_mm)) / self.drawn

    @cached_property
    def locked_mm3(self) -> float:
        """Volume locked from every side; rounding below zero (some 1e-13 of the volume) is taken as zero."""
        spans = float((self.tops_mm - self.bottoms_mm).sum()) * self.column_mm2
        return max(spans - self.filled_mm3, 0.0)

    @property
    def projection_mm2(self) -> float:
        """Area of the shadow, first order in the cell."""
        return len(self.tops_mm) * self.column_mm2

    @property
    def best_offset_mm(self) -> float:
        """Offset of least undercut; the middle of them when a whole range is equally good."""
        return float(pooled_median(self.tops_mm, self.bottoms_mm, *self.reach_mm))

    def undercut_mm3(self, offset_mm: float) -> float:
        """Return the undercut of both halves together when split flat at `offset_mm`."""
        return self.locked_mm3 + float(beyond(self.tops_mm, self.bottoms_mm, offset_mm)) * self.column_mm2


def square_frame(direction: Floats) -> Floats:
    """Return a rotation (3, 3) whose last row is the unit `direction`.

    The frame axis farthest from the direction is laid along the first row, so that a direction along an
    axis gives a frame of axes, with no rounding.
    """
    x, y, z = direction.tolist()  # plain numbers: numpy takes ten times as long over three of them
    sizes = (abs(x), abs(y), abs(z))
    axis = sizes.index(min(sizes))
    along = (x, y, z)[axis]
    a, b, c = ((1.0 if k == axis else 0.0) - along * part for k, part in enumerate((x, y, z)))
    length = math.sqrt(a * a + b * b + c * c)
    a, b, c = a / length, b / length, c / length
    return np.array([(a, b, c), (y * c - z * b, z * a - x * c, x * b - y * a), (x, y, z)])


def look(vertices: Floats, faces: Ints, direction: Floats, *, cells: int) -> Sight:
    """Return what is seen of a closed mesh along the unit `direction`.

    `cells` is the number of cells along the longer side of the projection's bounding box. The shorter side is
    stretched to a whole number of cells, and the volumes drawn back: otherwise the outermost cells always
    stick out, and whatever reaches the outline is measured up to half a cell too large at either end.
    """
    turned, low, high = turned_box(vertices, square_frame(direction))
    sides = high - low
    cell = float(sides[:2].max()) / cells
    drawn = np.maximum(np.ceil(sides[:2] / cell - REL_EPSILON), 1.0) * cell / sides[:2]
    stretch(turned, *drawn)
    depths = see(turned, faces, grid_over(low[:2] * drawn, high[:2] * drawn, cell_mm=cell))
    tops, bottoms = met(depths.top_mm, depths.bottom_mm)
    grown = float(drawn[0] * drawn[1])
    return Sight(
        turned=turned,
        faces=faces,
        drawn=grown,
        reach_mm=(float(low[2]), float(high[2])),
        tops_mm=tops,
        bottoms_mm=bottoms,
        column_mm2=depths.grid.cell_area_mm2 / grown,
        filled_mm3=depths.filled_mm3 / grown,
    )


def allowed_offset(
    sight: Sight, offset_mm: float, *, volume_mm3: float, least_share: float
) -> tuple[float, float]:
    """Return the offset nearest to `offset_mm` that leaves each half `least_share` of `volume_mm3`.

    `volume_mm3` is the volume of the whole mesh.

    The undercut is convex in the offset, so the nearest allowed offset to the best one is the best
    allowed one.

    Returns
    -------
    tuple of float
        The offset in mm, and the share of the volume above it (exact for the mesh).
    """
    now = sight.above_mm3(offset_mm) / volume_mm3
    if least_share <= now <= 1.0 - least_share:
        return offset_mm, now
    low, high = sight.reach_mm

    def share(offset: float) -> float:
        return float(above(sight.heights_mm, sight.shadows_mm2, sight.faces, offset)) / volume_mm3

    if now > 1.0 - least_share:
        return _crossing(share, (offset_mm, now), (high, 0.0), 1.0 - least_share - SHARE_EPSILON)
    return _crossing(share, (low, 1.0), (offset_mm, now), least_share + SHARE_EPSILON)


def _crossing(
    share: Callable[[float], float], left: tuple[float, float], right: tuple[float, float], target: float
) -> tuple[float, float]:
    """Return an offset, and its share, where a falling `share` is within half the epsilon of `target`.

    False position, the weight of an end that stays put halved each time (Illinois): always bracketed.
    """
    (a, fa), (b, fb) = (left[0], left[1] - target), (right[0], right[1] - target)
    moved = 0
    c, fc = a, fa
    for _ in range(SHARE_LOOKS):
        c = (a * fb - b * fa) / (fb - fa)
        fc = share(c) - target
        if abs(fc) <= 0.5 * SHARE_EPSILON:
            break
        if fc > 0.0:
            a, fa, fb = c, fc, (0.5 * fb if moved > 0 else fb)
            moved = 1
        else:
            b, fb, fa = c, fc, (0.5 * fa if moved < 0 else fa)
            moved = -1
    return c, fc + target


def in_figure_frame(pattern: Pattern) -> Floats:
    """Return the pattern's corners (n, 3) in the figure's frame (front, left, up): only axes change places.

    Everything is measured in this frame, so that how the file's axes lie makes no difference.
    """
    return np.ascontiguousarray(pattern.vertices @ figure_axes(pattern.up, pattern.front).T)


def undercut_curve(pattern: Pattern, normal: ArrayLike, offsets_mm: ArrayLike, *, cells: int = 256) -> Floats:
    """Return the undercut of both halves together for flat splits at several offsets along one normal.

    Parameters
    ----------
    pattern
        A closed solid.
    normal
        Normal of the planes, shape (3,), in the file's axes; any length but zero.
    offsets_mm
        Offsets along it from the middle of the bounding box, shape (k,).
    cells
        Cells along the longer side of the projection, 8 to 4096.

    Returns
    -------
    ndarray
        Undercut in mm3, shape (k,): convex in the offset and nowhere below `locked_volume` at the same
        cells. An offset beside the pattern gives what one half holding all of it would lock.

    Raises
    ------
    SettingError
        When the normal has no length, a number is not finite, or `cells` is out of range.

    Notes
    -----
    A midpoint sum: first order in the cell, where gaps end in a step, and less where they close gently. At
    256 cells some 0.5 % of the undercut. Any number of offsets costs the same: one look and one sort.
    """
    sight = look(*_measured(pattern, normal, cells), cells=cells)
    offsets = np.asarray(offsets_mm, dtype=np.float64)
    if not np.isfinite(offsets).all():
        raise SettingError("offsets_mm: every offset must be a finite number of mm")
    bottoms, tops = np.sort(sight.bottoms_mm), np.sort(-sight.tops_mm)
    outside = _excess(bottoms, offsets) + _excess(tops, -offsets)
    return sight.locked_mm3 + outside * sight.column_mm2


def _excess(values: Floats, limits: Floats) -> Floats:
    """Return for each limit the sum of ``max(value - limit, 0)`` over the sorted `values`."""
    above_sum = np.concatenate([np.cumsum(values[::-1])[::-1], [0.0]])
    first = np.searchsorted(values, limits, side="right")
    return np.asarray(above_sum[first] - limits * (len(values) - first))


def locked_volume(pattern: Pattern, normal: ArrayLike, *, cells: int = 512) -> float:
    """Return the volume in mm3 that stays locked along `normal` whatever the parting surface looks like.

    Parameters
    ----------
    pattern
        A closed solid.
    normal
        Direction of pull, shape (3,), in the file's axes; any length but zero. n and -n give the same.
    cells
        Cells along the longer side of the projection, 8 to 4096.

    Returns
    -------
    float
        Sum of all gaps between the highest and the lowest surface of each column. Zero when two opposite
        height maps free the figure. Rounding below zero is clamped to zero. Closed hollows inside count,
        although rubber never enters them.

    Raises
    ------
    SettingError
        When the normal has no length, a number is not finite, or `cells` is out of range.

    Notes
    -----
    A midpoint sum: first order in the cell. At 512 cells within 0.3 % on a ring, whose gaps end in steps.
    """
    return look(*_measured(pattern, normal, cells), cells=cells).locked_mm3


def volume_above(vertices: Floats, faces: Ints, normal: ArrayLike, offset_mm: float) -> float:
    """Return the volume in mm3 of a closed mesh on the side of a plane that its normal points to, exactly.

    Parameters
    ----------
    vertices, faces
        Corners (n, 3) in mm and corner numbers (m, 3), outward winding.
    normal
        Shape (3,), any length but zero.
    offset_mm
        Of the plane along the normal, from the origin of `vertices`.

    Raises
    ------
    SettingError
        When the normal has no length or a number is not finite.

    Notes
    -----
    The sum over all triangles of the signed integral of the height above the plane over the triangle's
    shadow (derived, first principles); only rounding, some 1e-13 of the volume.
    """
    turned = turn(np.ascontiguousarray(vertices, dtype=np.float64), square_frame(unit(normal)))
    return float(above(np.ascontiguousarray(turned[:, 2]), shadows(turned, faces), faces, float(offset_mm)))


def unit(normal: ArrayLike) -> Floats:
    """Return `normal` (3,) at unit length.

    Raises
    ------
    SettingError
        When it is not three finite numbers, or has no length.
    """
    direction = np.asarray(normal, dtype=np.float64)
    if direction.shape != (3,) or not np.isfinite(direction).all() or not direction.any():
        raise SettingError(
            f"normal {normal!r}: a direction is three finite numbers, not all zero, such as (0, 1, 0)"
        )
    return np.asarray(direction / np.linalg.norm(direction))


def check_cells(cells: int) -> None:
    """Refuse a number of cells that makes no sense.

    Raises
    ------
    SettingError
        When it is out of range.
    """
    if not LEAST_CELLS <= cells <= MOST_CELLS:
        raise SettingError(
            f"cells: got {cells}, allowed {LEAST_CELLS} to {MOST_CELLS} along the longer side "
            "of the projection"
        )


def _measured(pattern: Pattern, normal: ArrayLike, cells: int) -> tuple[Floats, Ints, Floats]:
    """Return corners and faces in the figure's frame, and the unit direction there."""
    check_cells(cells)
    direction = figure_axes(pattern.up, pattern.front) @ unit(normal)
    return in_figure_frame(pattern), pattern.faces, direction
