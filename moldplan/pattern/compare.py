"""How far a surface moved when it was mended, and where it differs from the surface as it came.

Steps
    1. Faces with the same three corners (by coordinates, in any order) are the same face: found by sorting,
       so that ten million faces that stayed as they were cost a few seconds and nothing else.
    2. The faces that are new are cut into equal parts until their middles lie no farther apart than half the
       median edge; the distance of each middle, and of each corner, to the other surface is exact.
    3. Far surfaces need not be searched: only faces in coarse cubes round the samples are, and a distance
       greater than those cubes vouch for is taken again with more of them.

Lengths are in the surfaces' own numbers.
"""

from dataclasses import dataclass
from typing import Final

import igl
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from moldplan.pattern.arrays import frozen, mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.model import Marks
from moldplan.pattern.topology import Bools, Floats, Ints, Surface
from moldplan.pattern.weld import weld_equal
from moldplan.tolerances import REL_EPSILON

#: Most samples taken of one surface; beyond that they lie farther apart.
MOST_SAMPLES: Final = 1_000_000
#: About as many are taken at least.
LEAST_SAMPLES: Final = 10_000
#: Most parts along the side of one face.
MOST_PARTS: Final = 64
#: Coarse cubes along the longest side, to leave far faces out of the search.
CUBES: Final = 64
#: With fewer faces than this the search takes all of them.
FEW_FACES: Final = 100_000
#: Faces looked at in one go while they are sorted into cubes.
_SLAB: Final = 1_000_000


@dataclass(frozen=True, kw_only=True)
class Moved:
    """How far a surface lies from the one it was, spread evenly by area over the whole of it.

    `mean`, `p99` (99 of 100 points moved no farther) and `most`, the farthest, at `place` (None when nothing
    moved). `volume` is the change of what is enclosed.
    """

    mean: float = 0.0
    p99: float = 0.0
    most: float = 0.0
    place: tuple[float, float, float] | None = None
    volume: float = 0.0


@dataclass(frozen=True)
class _Samples:
    """Points (k, 3), their distance and the area each stands for (0: it counts for the farthest only)."""

    points: Floats
    away: Floats
    area: Floats


def moved_between(before: Surface, after: Surface, *, dropped_counts: bool = False) -> Moved:
    """Return how far `after` lies from `before`.

    Parameters
    ----------
    before, after
        The surface as it was and as it is, in the same numbers.
    dropped_counts
        Whether faces that are gone and lie off `after` count too, as if they were part of it. Not so for
        a floor that was cut away: the figure's surface did not move.

    Returns
    -------
    Moved
        Faces of `after` that were there before, in whatever winding, moved by 0.

    Notes
    -----
    ``volume`` is the difference of the volumes, whichever way wound, when both are closed, else the integral
    of the distance over the faces that changed. `mean` and `volume` are sums over samples no farther apart
    than half the median edge (nearer when there would be under ten thousand, farther over a million): exact
    where the distance is linear over each part.
    """
    new, gone = changed_faces(before, after)
    samples = [_sampled(after, new, before)]
    if dropped_counts:
        samples.append(_off(_sampled(before, gone, after), rounding(after.points)))
    total = mesh_area_mm2(after.points, after.faces) if len(after.faces) else 0.0
    return _moved(samples, total, _volume_change(before, after))


def marks_between(before: Surface, after: Surface) -> Marks | None:
    """Return where `after` differs from `before`, in their own numbers; None when it does nowhere.

    Winding, and another way to cut the same sides into triangles, are no difference.
    """
    new, gone = changed_faces(before, after)
    if not (bool(new.any()) or bool(gone.any())):
        return None
    slack = rounding(np.concatenate([before.points, after.points]))
    moved = np.zeros(len(new))
    off = _corners_away(after.points[after.faces[new]], before)
    moved[new] = off[:, 3]
    corners = before.points[before.faces[gone]]
    dropped = corners[(_corners_away(corners, after) > slack).any(axis=1)].astype(np.float32)
    if len(dropped) == 0 and not bool((off > slack).any()):
        return None
    marks = Marks(new=new, moved_mm=moved.astype(np.float32), dropped_mm=dropped)
    for array in (marks.new, marks.moved_mm, marks.dropped_mm):
        frozen(array)
    return marks


def rounding(points: Floats) -> float:
    """Return the distance below which two places in a surface of these points are one."""
    return REL_EPSILON * float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) else 0.0


def changed_faces(before: Surface, after: Surface) -> tuple[Bools, Bools]:
    """Return which faces of `after` are new and which of `before` are gone.

    A face is the same when its three corners have the same coordinates, in any order.
    """
    both = np.concatenate([before.points, after.points])
    if len(both) == 0:
        return np.zeros(len(after.faces), dtype=bool), np.zeros(len(before.faces), dtype=bool)
    _, label = weld_equal(both)
    rows = np.empty((len(before.faces) + len(after.faces), 3))
    rows[: len(before.faces)] = label[before.faces]
    rows[len(before.faces) :] = label[len(before.points) :][after.faces]
    rows.sort(axis=1)
    kinds, kind = weld_equal(rows)
    old, now = kind[: len(before.faces)], kind[len(before.faces) :]
    was, stays = np.zeros(len(kinds), dtype=bool), np.zeros(len(kinds), dtype=bool)
    was[old] = True
    stays[now] = True
    return ~was[now], ~stays[old]


def distances(points: Floats, surface: Surface) -> Floats:
    """Return how far each of `points` (k, 3) lies from the surface, exact to rounding.

    Infinite when the surface has no faces.
    """
    if len(points) == 0 or len(surface.faces) == 0:
        return np.full(len(points), np.inf)
    if len(surface.faces) <= FEW_FACES:
        return _nearest(points, surface.points, surface.faces)
    return _nearest_by_cubes(points, surface)


def _nearest(points: Floats, corners: Floats, faces: Ints) -> Floats:
    """Return distances, every face looked at by a tree of boxes."""
    used, compact = np.unique(faces, return_inverse=True)
    squared = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points, dtype=np.float64),
        np.ascontiguousarray(corners[used], dtype=np.float64),
        np.ascontiguousarray(compact.reshape(-1, 3), dtype=np.int64),
    )[0]
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))


def _nearest_by_cubes(points: Floats, surface: Surface) -> Floats:
    """Return distances, faces far from the points left out as long as that cannot matter."""
    low = np.minimum(points.min(axis=0), surface.points.min(axis=0))
    high = np.maximum(points.max(axis=0), surface.points.max(axis=0))
    edge = max(float((high - low).max()) / CUBES, np.finfo(float).tiny)
    away = np.full(len(points), np.inf)
    reach = 1
    while True:
        open_ = np.flatnonzero(away > (reach // 2) * edge) if reach > 1 else np.arange(len(points))
        if len(open_) == 0:
            return away
        near = _faces_near(points[open_], surface, low, edge, reach)
        if bool(near.any()):
            away[open_] = _nearest(points[open_], surface.points, surface.faces[near])
        if bool(near.all()):
            return away
        reach *= 2


def _faces_near(points: Floats, surface: Surface, low: Floats, edge: float, reach: int) -> Bools:
    """Return which faces have a box that meets a cube no more than `reach` cubes from one of the points."""
    cubes = np.minimum(((points - low) / edge).astype(np.int64), CUBES - 1)
    held = np.zeros((CUBES,) * 3, dtype=np.int32)
    held[tuple(cubes.T)] = 1
    held = maximum_filter(held, size=2 * reach + 1, mode="constant")
    table = np.zeros((CUBES + 1,) * 3, dtype=np.int32)
    table[1:, 1:, 1:] = held.cumsum(0).cumsum(1).cumsum(2)
    near = np.empty(len(surface.faces), dtype=bool)
    for first in range(0, len(near), _SLAB):
        part = surface.faces[first : first + _SLAB]
        near[first : first + _SLAB] = _boxes_meet(surface.points, part, table, low, edge)
    return near


def _boxes_meet(points: Floats, faces: Ints, table: NDArray[np.int32], low: Floats, edge: float) -> Bools:
    """Return which faces have a box with a marked cube in it, by a table of sums."""
    corners = points[faces]
    first = np.clip(((corners.min(axis=1) - low) / edge).astype(np.int64), 0, CUBES - 1)
    last = np.clip(((corners.max(axis=1) - low) / edge).astype(np.int64), 0, CUBES - 1) + 1
    found = np.zeros(len(faces), dtype=np.int64)
    for pick in range(8):
        x, y, z = (np.where(pick >> axis & 1, first[:, axis], last[:, axis]) for axis in range(3))
        found += table[x, y, z] * (-1) ** pick.bit_count()
    return found > 0


def _sampled(surface: Surface, chosen: Bools, other: Surface) -> _Samples:
    """Return samples of the chosen faces with their distance from the other surface."""
    faces = surface.faces[chosen]
    if len(faces) == 0:
        return _Samples(np.empty((0, 3)), np.empty(0), np.empty(0))
    even = np.sqrt(mesh_area_mm2(surface.points, faces) / LEAST_SAMPLES)
    middles, area = _parts(surface.points[faces], min(0.5 * _median_edge(surface), even))
    ends = surface.points[np.unique(faces)]
    points = np.concatenate([ends, middles])
    return _Samples(points, distances(points, other), np.concatenate([np.zeros(len(ends)), area]))


def _median_edge(surface: Surface) -> float:
    """Return the median length of the sides of the faces (of evenly picked ones when they are many)."""
    corners = surface.points[surface.faces[:: max(len(surface.faces) // 100_000, 1)]]
    return float(np.median(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)))


def _parts(corners: Floats, spacing: float) -> tuple[Floats, Floats]:
    """Return the middles of equal parts of triangles (m, 3, 3), and the area of each.

    A side cut into n gives n * n parts. `spacing` grows until there are not too many.
    """
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    while True:
        count = np.clip(np.ceil(longest / max(spacing, np.finfo(float).tiny)), 1, MOST_PARTS).astype(int)
        if bool((count == 1).all()) or int((count**2).sum()) <= MOST_SAMPLES:
            break
        spacing *= 1.25
    middles, weights = [], []
    for parts in np.unique(count).tolist():
        of_these = np.flatnonzero(count == parts)
        shares = _shares(parts)
        middles.append(np.einsum("kc,fcx->fkx", shares, corners[of_these]).reshape(-1, 3))
        weights.append(np.repeat(area[of_these] / len(shares), len(shares)))
    return np.concatenate(middles), np.concatenate(weights)


def _shares(parts: int) -> Floats:
    """Return the weights (parts * parts, 3) of the corners at the middle of every part."""
    i, j = (grid.ravel() for grid in np.meshgrid(np.arange(parts), np.arange(parts), indexing="ij"))
    upright, hanging = i + j < parts, i + j < parts - 1
    first = np.concatenate([i[upright] + 1 / 3, i[hanging] + 2 / 3]) / parts
    second = np.concatenate([j[upright] + 1 / 3, j[hanging] + 2 / 3]) / parts
    return np.stack([1.0 - first - second, first, second], axis=1)


def _off(samples: _Samples, slack: float) -> _Samples:
    """Return the samples that lie off the other surface."""
    off = samples.away > slack
    return _Samples(samples.points[off], samples.away[off], samples.area[off])


def _moved(samples: list[_Samples], total: float, volume: float | None) -> Moved:
    """Put samples together; what was not sampled, up to the `total` area, did not move."""
    points = np.concatenate([part.points for part in samples])
    away = np.concatenate([part.away for part in samples])
    area = np.concatenate([part.area for part in samples])
    total += sum(float(part.area.sum()) for part in samples[1:])
    integral = float((away * area).sum()) if bool(np.isfinite(away).all()) else np.inf
    change = integral if volume is None else volume
    if len(away) == 0 or float(away.max()) == 0.0:
        return Moved(volume=change)
    farthest = int(away.argmax())
    x, y, z = points[farthest].tolist()
    return Moved(
        mean=integral / total if total > 0.0 else 0.0, p99=_percentile(away, area, total),
        most=float(away[farthest]), place=(x, y, z), volume=change,
    )  # fmt: skip


def _percentile(away: Floats, area: Floats, total: float) -> float:
    """Return the distance that all but a hundredth of the total area keep within."""
    order = np.argsort(-away, kind="stable")
    beyond = np.cumsum(area[order])
    at = int(np.searchsorted(beyond, 0.01 * total, side="right"))
    return float(away[order[at]]) if at < len(order) else 0.0


def _volume_change(before: Surface, after: Surface) -> float | None:
    """Return by how much the enclosed volume changed, None when one of them is open."""
    if not (len(before.faces) and len(after.faces) and before.edges.closed and after.edges.closed):
        return None
    middle = after.points.mean(axis=0)  # volumes far from the origin would cancel
    was, now = (mesh_volume_mm3(surface.points - middle, surface.faces) for surface in (before, after))
    return abs(abs(now) - abs(was))


def _corners_away(corners: Floats, surface: Surface) -> Floats:
    """Return how far the corners and the middle (k, 4) of triangles (k, 3, 3) lie from the surface."""
    asked = np.concatenate([corners, corners.mean(axis=1, keepdims=True)], axis=1)
    return distances(asked.reshape(-1, 3), surface).reshape(-1, 4)
