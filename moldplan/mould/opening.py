"""The section of an opening of a half with a plane, exactly, and the plane that makes it smallest.

1. The triangles near the opening that a plane crosses give pieces of line; two triangles meet in the very
   same point of their common edge, so that the pieces close to outlines. The board closes them below.
2. The areas these lines shut in are solid or air. Air is what holds the points that are known to be in the
   opening; where most of them lie outside, the plane does not close the opening.
3. The plane is moved along its normal and leaned about both its axes, in steps halved when nothing is gained,
   as long as the area shrinks.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString

from moldplan.tolerances import REL_EPSILON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Leaning of the first steps, deg, and how often steps are halved.
LEAN_DEG: Final = 15.0
HALVINGS: Final = 2
#: Most moves at one step.
MOST_MOVES: Final = 4
#: A move counts when the area shrinks by more than this share.
GAIN: Final = 2e-3
#: An area of air belongs to the opening when it holds this share of the known points ...
LEAST_SHARE: Final = 0.1
#: ... and all such areas together must hold this share, or the plane does not close it.
CLOSED_SHARE: Final = 0.6


@dataclass(frozen=True, kw_only=True)
class Opening:
    """Section of an opening: its middle and normal (3,), its width along the board, its height, its area."""

    place_mm: Floats
    normal: Floats
    width_mm: float
    height_mm: float
    area_mm2: float


@dataclass(frozen=True, kw_only=True)
class Nearby:
    """Triangles of a half near an opening, without those on the board; `slack_mm` is rounding of a length."""

    vertices: Floats
    faces: Ints
    slack_mm: float

    @staticmethod
    def of(vertices: Floats, faces: Ints, low: Floats, high: Floats) -> "Nearby":
        """Return the triangles of a half whose boxes meet the box from `low` to `high` (3,)."""
        above = vertices[:, 2][faces].max(axis=1) > 0.0
        for axis in range(3):
            part = vertices[:, axis][faces]
            above &= (part.min(axis=1) <= high[axis]) & (part.max(axis=1) >= low[axis])
        used, corner = np.unique(faces[above], return_inverse=True)
        slack = REL_EPSILON * float(np.ptp(vertices, axis=0).max())
        return Nearby(vertices=vertices[used], faces=corner.reshape(-1, 3), slack_mm=slack)


def narrowest(  # noqa: PLR0913 - everything after the start is by keyword
    near: Nearby, place: Floats, normal: Floats, points: Floats, weights: Floats, *, step_mm: float
) -> Opening | None:
    """Return the smallest section of an opening near a first plane, None when that does not close it.

    Parameters
    ----------
    near
        The half round the opening.
    place, normal
        A point (3,) of the first plane and its unit normal (3,).
    points, weights
        Points (n, 3) in the opening near the plane, in air, and how much each counts (n,).
    step_mm
        First step along the normal.
    """
    best = section(near, place, normal, points, weights)
    if best is None:
        return None
    scale = 1.0
    for _ in range(HALVINGS + 1):
        for _ in range(MOST_MOVES):
            moves = _moves(best, scale, step_mm)
            tried = [section(near, *move, points, weights) for move in moves]
            closed = [one for one in tried if one is not None]
            better = min(closed, key=lambda one: one.area_mm2, default=best)
            if better.area_mm2 >= best.area_mm2 * (1.0 - GAIN):
                break
            best = better
        scale *= 0.5
    return best


def _moves(now: Opening, scale: float, step_mm: float) -> Iterator[tuple[Floats, Floats]]:
    """Walk over the planes next to one."""
    for sign in (-1.0, 1.0):
        yield now.place_mm + sign * scale * step_mm * now.normal, now.normal
    angle = np.radians(LEAN_DEG) * scale
    for axis in axes_of(now.normal):
        for sign in (-1.0, 1.0):
            leaned = np.cos(angle) * now.normal + sign * np.sin(angle) * axis
            yield now.place_mm, leaned / np.linalg.norm(leaned)


def axes_of(normal: Floats) -> tuple[Floats, Floats]:
    """Return the axes of a plane: one along the board, and one square to it that points up."""
    x, y, z = normal.tolist()  # plain numbers: numpy takes ten times as long over three of them
    length = math.hypot(x, y)
    a, b = (-y / length, x / length) if length > REL_EPSILON else (1.0, 0.0)
    up = 1.0 if a * y - b * x >= 0.0 else -1.0
    return np.array([a, b, 0.0]), up * np.array([b * z, -a * z, a * y - b * x])


def section(near: Nearby, place: Floats, normal: Floats, points: Floats, weights: Floats) -> Opening | None:
    """Return the section of an opening with a plane, None when the plane does not close it.

    Parameters as in `narrowest`. Exact for the mesh.
    """
    level, rising = axes_of(normal)
    lines = _lines(near, place, normal, np.stack([level, rising]))
    if not len(lines):
        return None
    areas = shapely.get_parts(shapely.polygonize([LineString(line) for line in lines]))
    x, y = (points - place) @ level, (points - place) @ rising
    total = float(weights.sum())
    held = [float(weights[shapely.contains_xy(area, x, y)].sum()) / total for area in areas]
    mine = [area for area, share in zip(areas, held, strict=True) if share >= LEAST_SHARE]
    if sum(share for share in held if share >= LEAST_SHARE) < CLOSED_SHARE:
        return None
    opening = shapely.union_all(mine)
    x_low, y_low, x_high, y_high = opening.bounds
    middle = opening.centroid
    return Opening(
        place_mm=place + middle.x * level + middle.y * rising,
        normal=normal,
        width_mm=x_high - x_low,
        height_mm=y_high - y_low,
        area_mm2=float(opening.area),
    )


def _lines(near: Nearby, place: Floats, normal: Floats, axes: Floats) -> Floats:
    """Return the pieces of line (n, 2, 2) in which a plane meets the half and the board between them."""
    off = (near.vertices - place) @ normal
    off[np.abs(off) < near.slack_mm] = near.slack_mm  # no corner lies on the plane
    over = off > 0.0
    count = over[near.faces].sum(axis=1)
    crossed = near.faces[(count > 0) & (count < 3)]
    if not len(crossed):
        return np.zeros((0, 2, 2))
    # the corner that is alone on its side, and the other two
    alone = np.argmax(over[crossed] == (over[crossed].sum(axis=1) == 1)[:, None], axis=1)
    rows = np.arange(len(crossed))
    first = crossed[rows, alone]
    ends = np.stack(
        [_crossing(near, off, first, crossed[rows, (alone + step) % 3]) for step in (1, 2)], axis=1
    )
    flat = (ends - place) @ axes.T
    foot = np.unique(flat[ends[:, :, 2] == 0.0], axis=0)
    return np.concatenate([flat, np.stack([foot[:-1], foot[1:]], axis=1)])


def _crossing(near: Nearby, off: Floats, one: Ints, two: Ints) -> Floats:
    """Return where edges cross the plane, to the last bit the same from either triangle."""
    low, high = np.minimum(one, two), np.maximum(one, two)
    share = (off[low] / (off[low] - off[high]))[:, None]
    return np.asarray(near.vertices[low] + share * (near.vertices[high] - near.vertices[low]))
