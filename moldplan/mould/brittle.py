"""Slender parts of a cast that may break before the rubber round them gives: ears, claws, fins.

1. Places spread over the half's surface. How thick the half is below each, square to it
   (`moldplan.columns.sideways.thickness_inside`): under the limit it is thin.
2. Thin places that lie near each other are one part. How far it stands out is the greatest distance of its
   places from the nearest place that is not thin (the blunt end of a thin part left out): a sharp ridge is
   long and stands out little, a claw stands out far. Slender is what stands out `SLENDER` times its own
   thickness.
3. The rubber grips a part that lies in an undercut, or that a band has to pass over. The greatest strain
   there is the part's own; under `GRIP_STRAIN` nothing grips.

Thickness is good to about a cell of the half's grid, lengths to the spacing of the places. A part that the
saw splits lengthwise leans on its board and is not found. [derived; slenderness: common practice, no source]
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree
from shapely import MultiPoint, Point

from moldplan.columns.sideways import Room, thickness_inside
from moldplan.half.model import Gaps, Half
from moldplan.mould.bands import Band
from moldplan.mould.model import PeelPlace, ThinPart
from moldplan.mould.places import place_words
from moldplan.units import mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A part is slender when it stands out this many times its thickness.
SLENDER: Final = 3.0
#: Rubber that gives less than this does not break anything.
GRIP_STRAIN: Final = 0.05
#: About how many places are spread over a half at most, and how many lie across a part at the limit.
MOST_PLACES: Final = 30_000
ACROSS: Final = 4.0
#: One over the plastic number and over its square: pairs of their multiples fill a square evenly.
_FIRST: Final = 0.7548776662466927
_SECOND: Final = 0.5698402909980532
#: Places of one part lie within so many spacings of each other.
_NEAR: Final = 2.0
#: A place with a larger share of thin ones about it is the blunt end of a thin part.
_BLUNT: Final = 0.5
#: What stands out fewer spacings than this is not seen well enough.
_LEAST_OUT: Final = 2.0
#: How near, in cells, a part lies to a gap that grips it.
_TOUCHES: Final = 2.0


@dataclass(frozen=True, kw_only=True)
class Grip:
    """A place where rubber holds the cast, with its band where it is one."""

    place: PeelPlace
    band: Band | None = None


@dataclass(frozen=True, kw_only=True)
class Gripped:
    """A slender part, and the place whose rubber grips it the most."""

    part: ThinPart
    grip: Grip


@dataclass(frozen=True, kw_only=True)
class _Surface:
    """Places (n, 3) on the surface off the board, their normals, and about how far apart they lie."""

    places: Floats
    normals: Floats
    spacing: float


def thin_parts(half: Half, room: Room, grips: Sequence[Grip], *, limit_mm: float) -> tuple[Gripped, ...]:
    """Return the slender parts that rubber grips, the most strained first.

    Parameters
    ----------
    half
        The half; its cast has the same outside.
    room
        The half's gaps and tops.
    grips
        Where rubber holds the cast.
    limit_mm
        What counts as thin.

    Notes
    -----
    Method and accuracy: see the module. About 0.1 s for a half of 50 000 triangles.
    """
    strong = [grip for grip in grips if grip.place.strain >= GRIP_STRAIN]
    if not strong:
        return ()
    surface = _spread(half, limit_mm)
    thickness = thickness_inside(surface.places, surface.normals, room, most_mm=limit_mm)
    thin = np.flatnonzero(np.isfinite(thickness))
    if not len(thin):
        return ()
    stands_out = _stands_out(surface.places, thin, limit_mm)
    found = []
    for part in _parts(surface.places[thin], _NEAR * surface.spacing):
        width, length = float(np.median(thickness[thin[part]])), float(stands_out[part].max())
        if length >= max(SLENDER * width, _LEAST_OUT * surface.spacing):
            places = surface.places[thin[part]]
            grip = _grip(half, places, strong)
            if grip is not None:
                tip = places[np.argmax(stands_out[part])]
                found.append(_gripped(half, tip, grip, width=width, length=length))
    return tuple(sorted(found, key=lambda one: (-one.part.strain, one.part.place_mm)))


def _spread(half: Half, limit_mm: float) -> _Surface:
    """Return places spread evenly over the surface off the board.

    One for every equal share of the area, faces taken in their order; within a face by the multiples of two
    irrational numbers, which leave no holes.
    """
    corners = half.vertices[half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(across, axis=1)
    until = np.cumsum(0.5 * twice)
    spacing = max(limit_mm / ACROSS, math.sqrt(until[-1] / MOST_PLACES))
    count = math.ceil(until[-1] / spacing**2)
    number = np.arange(count)
    face = np.minimum(
        np.searchsorted(until, (number + 0.5) * until[-1] / count, side="right"), len(until) - 1
    )
    u, v = (number * _FIRST) % 1.0, (number * _SECOND) % 1.0
    folded = u + v > 1.0
    u, v = np.where(folded, 1.0 - u, u)[:, None], np.where(folded, 1.0 - v, v)[:, None]
    a, b, c = corners[face, 0], corners[face, 1], corners[face, 2]
    normals = across[face] / twice[face, None]
    return _Surface(places=a + u * (b - a) + v * (c - a), normals=normals, spacing=spacing)


def _stands_out(places: Floats, thin: Ints, limit_mm: float) -> Floats:
    """Return how far (k,) each thin place lies from all that is neither thin nor a thin part's blunt end."""
    thick = np.ones(len(places), dtype=bool)
    thick[thin] = False
    every, slender = KDTree(places), KDTree(places[thin])
    near = np.flatnonzero(thick)
    near = near[slender.query(places[near], distance_upper_bound=limit_mm)[0] <= limit_mm]
    about = every.query_ball_point(places[near], limit_mm, return_length=True)
    thin_about = slender.query_ball_point(places[near], limit_mm, return_length=True)
    thick[near[thin_about > _BLUNT * about]] = False
    if not thick.any():
        # thin all over: measured from its middle
        return np.asarray(2.0 * np.linalg.norm(places[thin] - places[thin].mean(axis=0), axis=1))
    distance, _ = KDTree(places[thick]).query(places[thin])
    return np.asarray(distance)


def _parts(places: Floats, near_mm: float) -> list[Ints]:
    """Return places that lie near each other, gathered, as numbers."""
    pairs = KDTree(places).query_pairs(near_mm, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(places),) * 2)
    count, label = connected_components(graph, directed=False)
    return [np.flatnonzero(label == number) for number in range(count)]


def _grip(half: Half, places: Floats, grips: Sequence[Grip]) -> Grip | None:
    """Return the greatest strain that grips a part, None where nothing does."""
    regions = _touched(half.undercut.gaps, places)
    middle = places.mean(axis=0)
    mine = [grip for grip in grips if grip.place.region in regions or _passes_over(grip, middle)]
    return max(mine, key=lambda grip: grip.place.strain, default=None)


def _touched(gaps: Gaps, places: Floats) -> set[int]:
    """Return the undercuts that lie against a part."""
    if not len(gaps.region):
        return set()
    reach = _TOUCHES * gaps.grid.cell_mm
    tree = KDTree(np.stack([gaps.grid.x_mm()[gaps.col], gaps.grid.y_mm()[gaps.row]], axis=1))
    found: set[int] = set()
    for place, near in zip(places, tree.query_ball_point(places[:, :2], reach), strict=True):
        level = (gaps.low_mm[near] - reach <= place[2]) & (place[2] <= gaps.high_mm[near] + reach)
        found.update(gaps.region[near][level].tolist())
    return found


def _passes_over(grip: Grip, middle: Floats) -> bool:
    """Return whether a band has to pass over a part: it stands out over the neck, above it."""
    band = grip.band
    if band is None or middle[2] <= band.place_mm[2]:
        return False
    at = Point(middle[0], middle[1])
    hulls = [MultiPoint(corners).convex_hull for corners in (band.bulge, band.neck)]
    return bool(shapely.contains(hulls[0], at) and not shapely.contains(hulls[1], at))


def _gripped(half: Half, tip: Floats, grip: Grip, *, width: float, length: float) -> Gripped:
    """Put a part into words."""
    place = (float(tip[0]), float(tip[1]), float(tip[2]))
    text = (
        f"part {mm(width)} thick stands out {mm(length)}, its tip {place_words(half, place)}: it may snap "
        "before the rubber round it gives: hold it by hand as its rubber comes off, lay rovings into it"
    )
    part = ThinPart(
        place_mm=place, thickness_mm=width, length_mm=length, strain=grip.place.strain, text=text
    )  # fmt: skip
    return Gripped(part=part, grip=grip)
