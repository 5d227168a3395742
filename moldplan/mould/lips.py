"""Open lips of rubber: an undercut on one side, out of which the rubber bends instead of stretching.

Goal: where an undercut lies on one side of the half only, the rubber in it hangs as a lip from what holds it
above (its root) down to the rubber's free edge on the board. Pulled out sideways, it bends about its root.

1. Places in the undercut's gaps are drawn out level with the board in `DIRECTIONS` directions
   (`moldplan.columns.sideways`).
2. The lip counts in a direction when at least `CLEAR_SHARE` of the places come out and meet nothing of the
   half until they have left the rubber: else the undercut goes round, or the rubber has no free edge there.
   And when at least `BACKED_SHARE` of them have the half at their back: else more rubber comes in from
   behind, as under an arm drawn square to its length.
3. Depth u = how far a place has to go until nothing hangs over it. Length l = height of the root above the
   board: the rubber is free from there down to its edge on the board. Where the pattern below stands out, the
   rubber is longer than that, so l is from below. Thickness t = u + skin: the undercut is filled solid.
4. A cantilever of thickness t and length l whose tip goes u bends at its root to ``3 t u / (2 l^2)``
   [beam theory: tip load F, u = F l^3 / (3 E I), strain = F l t / (2 E I); derived]. Taken at every place
   that has to go at least `DEEP_SHARE` of the farthest; what `MOST_SHARE` of them stay under counts, single
   places are rough. Beyond u = l / 3 a beam is no beam and the lip does not count.
5. Of all directions in which it counts, that of the least strain.

Good to about a cell in u, l and t. The draft's spread is not in t.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.layers import column_gaps, column_layers
from moldplan.columns.sideways import Room, drawn_sideways
from moldplan.half.model import Gaps, Half
from moldplan.half.undercut import LEAST_GAP
from moldplan.mould.model import Point3, Rubber

Floats = NDArray[np.float64]

#: Directions on the board that are tried.
DIRECTIONS: Final = 24
#: Share of the places that has to come out for an undercut to be open to a side.
CLEAR_SHARE: Final = 0.95
#: Share that has to have the half behind it: the ends of a ledge that is drawn askew have not.
BACKED_SHARE: Final = 0.8
#: Places that go less than this share of the farthest come along without being looked at.
DEEP_SHARE: Final = 0.5
#: Share of those looked at that bend no more, and go no deeper for their length, than the lip is said to.
MOST_SHARE: Final = 0.98
#: A lip counts up to this share of its length in depth.
DEEPEST: Final = 1.0 / 3.0
#: Cells of an undercut looked at to choose directions, and then to measure the best few.
FEW_CELLS: Final = 120
MANY_CELLS: Final = 2000
BEST: Final = 2
#: Where in the height of a gap places are taken.
_SHARES: Final = (0.03, 0.5, 0.97)
#: Golden section: its multiples spread evenly whatever their number.
_SPREAD: Final = 0.5 * (math.sqrt(5.0) - 1.0)


@dataclass(frozen=True, kw_only=True)
class Lip:
    """An open lip: it bends out along `towards` (unit, on the board) about its root at `place_mm`."""

    strain: float
    thickness_mm: float
    length_mm: float
    depth_mm: float
    towards: tuple[float, float]
    place_mm: Point3


@dataclass(frozen=True, kw_only=True)
class Columns:
    """Cells of an undercut: their middles (k, 2), and from where to where (k,) each is looked at, mm."""

    xy_mm: Floats
    low_mm: Floats
    high_mm: Floats


def lip_strain(*, thickness_mm: float, depth_mm: float, length_mm: float) -> float:
    """Return the strain 3 t u / (2 l^2) of a lip of thickness t and length l bent out by the depth u.

    Notes
    -----
    Good for depths up to a third of the length. 8 mm thick, 40 mm deep, 80 mm long: 0.075 (derived).
    """
    return 1.5 * thickness_mm * depth_mm / length_mm**2


def room_round(half: Half, rubber: Rubber) -> Room:
    """Return what stands in the way of rubber drawn out sideways; about 0.1 s for 50 000 triangles."""
    grid = half.undercut.gaps.grid
    layers = column_layers(half.vertices, half.faces, grid)
    gaps = column_gaps(layers, grid, least_mm=LEAST_GAP * grid.cell_mm)
    return Room(gaps=gaps, grid=grid, outer_mm=rubber.outer_mm, outer_grid=rubber.grid)


def columns_of(gaps: Gaps, mine: NDArray[np.bool_]) -> Columns:
    """Return the gaps `mine` (n,) as columns."""
    x, y = gaps.grid.x_mm()[gaps.col[mine]], gaps.grid.y_mm()[gaps.row[mine]]
    return Columns(xy_mm=np.stack([x, y], axis=1), low_mm=gaps.low_mm[mine], high_mm=gaps.high_mm[mine])


def lip_of(columns: Columns, room: Room, *, skin_mm: float) -> Lip | None:
    """Return how the rubber in an undercut bends out, None where it has to stretch instead.

    Parameters
    ----------
    columns
        The undercut.
    room
        What stands in the way.
    skin_mm
        Thickness of the rubber outside the undercut.

    Notes
    -----
    Method and accuracy: see the module. A few hundredths of a second.
    """
    few = _places(columns, FEW_CELLS)
    if not len(few):
        return None
    angles = 2.0 * math.pi * np.arange(DIRECTIONS) / DIRECTIONS
    ways = [(math.cos(angle), math.sin(angle)) for angle in angles]
    first = [_lip(few, way, room, skin_mm) for way in ways]
    best = sorted((lip.strain, at) for at, lip in enumerate(first) if lip is not None)[:BEST]
    many = _places(columns, MANY_CELLS)
    lips = [_lip(many, ways[at], room, skin_mm) for _, at in best]
    return min((lip for lip in lips if lip is not None), key=lambda lip: lip.strain, default=None)


def _places(columns: Columns, most: int) -> Floats:
    """Return places (n, 3) in an undercut, in at most so many of its cells."""
    every = slice(None, None, -(-len(columns.xy_mm) // most) or 1)
    xy, low, high = columns.xy_mm[every], columns.low_mm[every], columns.high_mm[every]
    levels = [np.column_stack([xy, low + share * (high - low)]) for share in _SHARES]
    places = np.concatenate(levels)
    # spread over the undercut from the first on, so that a way that is shut shows early
    return places[np.argsort(np.arange(len(places)) * _SPREAD % 1.0, kind="stable")]


def _lip(places: Floats, way: tuple[float, float], room: Room, skin_mm: float) -> Lip | None:
    """Return the lip that bends out one way, None where it does not count."""
    most_shut, most_free = (int((1.0 - share) * len(places)) for share in (CLEAR_SHARE, BACKED_SHARE))
    drawn = drawn_sideways(places, way, room, most_shut=most_shut, most_free=most_free)
    if not drawn.clear.any():
        return None
    # the deepest place is the middle of a cell, half a cell off the wall behind it
    depth, length = drawn.travel_mm + 0.5 * room.grid.cell_mm, drawn.root_mm
    deep = np.flatnonzero(drawn.clear & (depth >= DEEP_SHARE * depth[drawn.clear].max()) & (length > 0.0))
    if not len(deep) or (depth[deep] <= DEEPEST * length[deep]).mean() < MOST_SHARE:
        return None
    strains = 1.5 * (depth[deep] + skin_mm) * depth[deep] / length[deep] ** 2
    at = deep[np.argsort(strains, kind="stable")[math.ceil(MOST_SHARE * len(deep)) - 1]]
    return _lip_at(places[at], float(depth[at]), float(length[at]), way=way, skin_mm=skin_mm)


def _lip_at(place: Floats, depth: float, length: float, *, way: tuple[float, float], skin_mm: float) -> Lip:
    """Return the lip that a place gives."""
    x, y = place[0] + depth * way[0], place[1] + depth * way[1]
    thickness = depth + skin_mm
    return Lip(
        strain=lip_strain(thickness_mm=thickness, depth_mm=depth, length_mm=length),
        thickness_mm=thickness, length_mm=length, depth_mm=depth, towards=way,
        place_mm=(float(x), float(y), length),
    )  # fmt: skip
