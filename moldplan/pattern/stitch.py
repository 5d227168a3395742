"""The sound part of a surface kept, and only the rest of it taken from the one made anew.

Steps
    1. Faces are sound when they lie on the new surface, face the same way, and keep `CLEAR` cells away from
       openings, crowded edges and faces that cross others.
    2. Of the new surface everything goes that lies on the sound part or next to its border.
    3. Each border of the sound part and the border of the new part that runs along it are joined by a strip
       of triangles, about one cell wide.
    4. The result must be closed, hold no more handles than the new surface, and nothing in it may cross.
       Where it does cross, the new surface is kept a few cells further round and all is tried again; in the
       end the new surface stays as it is.
"""

from typing import Final

import igl
import numpy as np
from scipy.spatial import cKDTree

from moldplan.columns.strip import strip_between
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.crossings import crossing_faces
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, face_bodies, fan_count, genus_sum, linked

#: Sound faces keep this far from defects, in cells.
CLEAR: Final = 3.0
#: They lie within this of the new surface.
ON: Final = 0.5
#: The new surface keeps this far from the sound part, so that the strip has room.
ROOM: Final = 0.6
#: Pieces smaller than a square of this many cells are not worth their border.
WORTH: Final = 8.0
#: The volume may differ by this share from that of the new surface.
VOLUME: Final = 0.01
#: A strip that crosses itself here and there may fit when the new surface reaches further there; where so
#: many faces cross, or more than this share of the faces is no good, the two do not fit together.
MOST_CROSSING: Final = 200
MOST_BAD: Final = 0.5
TRIES: Final = 3
ROUNDS: Final = 50


def kept_where_sound(old: Surface, made: Surface, cell: float) -> tuple[Surface, float]:
    """Return the new surface with sound faces of the old one in their place, and the share of area kept.

    Parameters
    ----------
    old
        The surface as it was, all pieces facing out.
    made
        The one made anew, closed; its points lie on `old` where that was sound.
    cell
        Cell of the grid it was made on.

    Returns
    -------
    tuple
        `made` and 0 when the two cannot be joined cleanly.
    """
    bad = _no_good(old, made, cell)
    if float(bad.mean()) > MOST_BAD:
        return made, 0.0
    defects = _places(old, bad)
    for _ in range(TRIES):
        kept = _sound(old, bad, defects, cell)
        if not bool(kept.any()):
            break
        result = _joined(old, kept, made, cell)
        if isinstance(result, Surface):
            crossing = crossing_faces(result, most=MOST_CROSSING)
            if len(crossing) == 0 and _as_good(result, made):
                area = _areas(result)
                return result, float(_areas(Surface(old.points, old.faces[kept])).sum() / area.sum())
            if len(crossing) == 0 or len(crossing) >= MOST_CROSSING:
                break
            result = result.points[result.faces[crossing]].reshape(-1, 3)
        defects = np.concatenate([defects, result])
    return made, 0.0


def _areas(surface: Surface) -> Floats:
    """Return the area of every face."""
    a, b, c = (surface.points[surface.faces[:, corner]] for corner in range(3))
    return np.asarray(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))


def _normals(surface: Surface) -> Floats:
    """Return the unit normal of every face."""
    a, b, c = (surface.points[surface.faces[:, corner]] for corner in range(3))
    across = np.cross(b - a, c - a)
    return np.asarray(across / np.maximum(np.linalg.norm(across, axis=1), np.finfo(float).tiny)[:, None])


def _no_good(old: Surface, made: Surface, cell: float) -> Bools:
    """Return which faces of the old surface are open, crowded or crossing, or not where the new one is."""
    edges = old.edges
    loose = np.concatenate(
        [*edges.ends(edges.open), *edges.ends(edges.crowded), *edges.ends(edges.pairs[0][edges.same_way])]
    )
    at_fault = np.zeros(len(old.points), dtype=bool)
    at_fault[loose] = True
    bad: Bools = np.asarray(at_fault[old.faces].any(axis=1))
    bad[crossing_faces(old, most=len(old.faces))] = True
    middles = old.points[old.faces].mean(axis=1)
    squared, nearest, _ = igl.point_mesh_squared_distance(middles, made.points, made.faces)
    bad |= squared > (ON * cell) ** 2
    bad |= np.einsum("ij,ij->i", _normals(old), _normals(made)[nearest]) < 0.5
    return bad


def _places(old: Surface, bad: Bools) -> Floats:
    """Return places (k, 3) spread over the faces that are no good."""
    shares = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4.0
    return np.asarray(np.einsum("kc,fcx->fkx", shares, old.points[old.faces[bad]]).reshape(-1, 3))


def _sound(old: Surface, bad: Bools, defects: Floats, cell: float) -> Bools:
    """Return which faces are sound and far from defects, in pieces worth keeping whose borders are simple."""
    kept = ~bad
    if len(defects):
        away, _ = cKDTree(defects).query(old.points, distance_upper_bound=CLEAR * cell)
        kept &= ~np.isfinite(away)[old.faces].any(axis=1)
    kept = _simple(old, kept)
    part = Surface(old.points, old.faces[kept])
    number, body = face_bodies(part.edges)
    area = np.bincount(body, weights=_areas(part), minlength=number)
    kept[np.flatnonzero(kept)[area[body] < (WORTH * cell) ** 2]] = False
    return kept


def _simple(surface: Surface, kept: Bools) -> Bools:
    """Drop faces until no point has two borders running through it, and no face hangs on by one edge."""
    kept = kept.copy()
    for _ in range(ROUNDS):
        numbers = np.flatnonzero(kept)
        edges = Surface(surface.points, surface.faces[numbers]).edges
        starts = np.bincount(edges.ends(edges.open)[0], minlength=len(surface.points))
        hanging = np.bincount(edges.open // 3, minlength=len(numbers)) >= 2
        drop = (starts[edges.faces] > 1).any(axis=1) | hanging
        if not bool(drop.any()):
            break
        kept[numbers[drop]] = False
    return kept


def _joined(old: Surface, kept: Bools, made: Surface, cell: float) -> Surface | Floats:
    """Return the kept part and the rest of the new surface joined by strips.

    Where a border of the kept part finds no partner its points are returned instead.
    """
    part = Surface(old.points, old.faces[kept])
    squared, nearest, _ = igl.point_mesh_squared_distance(made.points, part.points, part.faces)
    faced = np.einsum("ij,ij->i", _point_normals(made), _normals(part)[nearest]) > 0.0
    covered = (squared < (ROOM * cell) ** 2) & faced
    rest = Surface(made.points, made.faces[_simple(made, ~covered[made.faces].any(axis=1))])
    if len(part.edges.open) == 0:
        return _compact(part)
    both = Surface(
        np.concatenate([part.points, rest.points]),
        np.concatenate([part.faces, rest.faces + len(part.points)]),
    )
    return _stitched(both, len(part.points))


def _point_normals(surface: Surface) -> Floats:
    """Return the sum (n, 3) of the unit normals of the faces round every point."""
    normals = _normals(surface)
    at = surface.faces.ravel()
    sums = [
        np.bincount(at, weights=np.repeat(normals[:, k], 3), minlength=len(surface.points)) for k in range(3)
    ]
    return np.stack(sums, axis=1)


def _stitched(both: Surface, first_new: int) -> Surface | Floats:
    """Return the surface with strips between borders of points before and from `first_new` on."""
    loops = _loops(both)
    points = np.concatenate(loops)
    owner = np.repeat(np.arange(len(loops)), [len(loop) for loop in loops])
    is_new = np.array([loop[0] >= first_new for loop in loops])
    partner = _partners(both.points, points, owner, is_new)
    mutual = partner[partner] == np.arange(len(loops))
    lonely_old = [loop for loop, fits, new in zip(loops, mutual, is_new, strict=True) if not (fits or new)]
    if lonely_old:
        return np.asarray(both.points[np.concatenate(lonely_old)])
    strips = [
        strip_between(both.points, loops[k], loops[partner[k]][::-1].copy()) for k in np.flatnonzero(~is_new)
    ]
    faces = np.concatenate([both.faces, *strips])
    # what is left of the new surface without a partner, as an island over a kept face, goes
    edges = Surface(both.points, faces).edges
    number, body = face_bodies(edges)
    open_body = np.zeros(number, dtype=bool)
    open_body[body[edges.open // 3]] = True
    return _compact(Surface(both.points, faces[~open_body[body]]))


def _compact(surface: Surface) -> Surface:
    """Return the surface without points that no face uses."""
    used, compact = np.unique(surface.faces, return_inverse=True)
    return Surface(surface.points[used], compact.reshape(-1, 3).astype(np.int64))


def _loops(surface: Surface) -> list[Ints]:
    """Return the borders as loops of points, each in the order its faces run along it."""
    start, end = surface.edges.ends(surface.edges.open)
    used, compact = np.unique(start, return_inverse=True)
    after = np.empty(len(used), dtype=np.int64)
    after[compact] = np.searchsorted(used, end)
    number, label = linked(np.arange(len(used)), after, len(used))
    loops = []
    for name in range(number):
        at = int(np.flatnonzero(label == name)[0])
        loop = np.empty(int((label == name).sum()), dtype=np.int64)
        for step in range(len(loop)):
            loop[step] = at
            at = int(after[at])
        loops.append(used[loop])
    return loops


def _partners(places: Floats, points: Ints, owner: Ints, is_new: Bools) -> Ints:
    """Return, for every loop, the loop of the other kind that most of its points lie nearest to."""
    partner = np.arange(len(is_new))
    new = is_new[owner]
    if not (bool(new.any()) and bool((~new).any())):
        return partner
    for asked, others in ((new, ~new), (~new, new)):
        _, nearest = cKDTree(places[points[others]]).query(places[points[asked]])
        pair = owner[asked] * len(is_new) + owner[others][np.asarray(nearest)]
        pairs, votes = np.unique(pair, return_counts=True)
        order = np.lexsort((-votes, pairs // len(is_new)))
        loops, first = np.unique(pairs[order] // len(is_new), return_index=True)
        partner[loops] = pairs[order][first] % len(is_new)
    return partner


def _as_good(result: Surface, made: Surface) -> bool:
    """Return whether a stitched surface is one closed body, as simple and as large as the new one."""
    edges = result.edges
    if not edges.closed or fan_count(edges) != len(result.points) or face_bodies(edges)[0] != 1:
        return False
    middle = made.points.mean(axis=0)
    now, was = (mesh_volume_mm3(surface.points - middle, surface.faces) for surface in (result, made))
    return genus_sum(edges) <= genus_sum(made.edges) and abs(now - was) <= VOLUME * was
