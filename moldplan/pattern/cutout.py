"""Faces that keep a surface from being one sheet: fins, faces round crowded edges, faces that cross."""

from typing import Final

import igl
import numpy as np

from moldplan.pattern.islands import face_areas
from moldplan.pattern.topology import Bools, Ints, Surface, linked
from moldplan.tolerances import FIN_SHARE, INSIDE, MOST_WALLS

_MOST_ROUNDS: Final = 4
#: Faces are asked so far off either side (a share of the diagonal), and no more of them than so many.
_PROBE_REL: Final = 1e-4
_MOST_PROBES: Final = 1_000_000
_FEW: Final = 8
#: Share of a patch's faces that speaks for all of them.
AGREED: Final = 0.9


def fins(surface: Surface) -> Bools:
    """Return the faces (m,) of patches that hang on the surface by a crowded edge and end in the open.

    Notes
    -----
    A patch is what hangs together without crowded edges. It is a fin when it has an open edge, is no more
    than `FIN_SHARE` of the surface, and two other faces at least stay on every crowded edge it hangs on.
    """
    edges = surface.edges
    fin = np.zeros(len(surface.faces), dtype=bool)
    if len(edges.crowded) == 0:
        return fin
    first, second = edges.pairs
    number, label = linked(first // 3, second // 3, len(surface.faces))
    area = np.bincount(label, face_areas(surface), minlength=number)
    is_open = np.zeros(number, dtype=bool)
    is_open[label[edges.open // 3]] = True
    spare = np.where(edges.count > 2, edges.count - 2, 0)
    hanging = _crowded_faces(surface)
    patches = np.unique(label[hanging[:, 1] // 3])
    for patch in patches[np.argsort(area[patches], kind="stable")]:
        if not is_open[patch] or area[patch] > FIN_SHARE * area.sum():
            continue
        held = hanging[label[hanging[:, 1] // 3] == patch, 0]
        taken = np.bincount(held, minlength=len(spare))
        if bool((taken[held] <= spare[held]).all()):
            spare = spare - taken
            fin |= label == patch
    return fin


def _crowded_faces(surface: Surface) -> Ints:
    """Return (k, 2): edge and half-edge for every side of a crowded edge."""
    edges = surface.edges
    edge = np.repeat(np.arange(len(edges.count)), edges.count)
    crowded = edges.count[edge] > 2
    return np.stack([edge[crowded], edges.order[crowded]], axis=1)


def round_crowded(surface: Surface) -> Bools:
    """Return the faces (m,) on edges that more than two faces share."""
    at = np.zeros(len(surface.faces), dtype=bool)
    at[_crowded_faces(surface)[:, 1] // 3] = True
    return at


def grown(surface: Surface, faces: Bools, rings: int) -> Bools:
    """Return faces (m,) and those round them, so many rings of them."""
    for _ in range(rings):
        near = np.zeros(len(surface.points), dtype=bool)
        near[surface.faces[faces]] = True
        faces = np.asarray(near[surface.faces].any(axis=1))
    return faces


def without(surface: Surface, faces: Bools) -> Surface:
    """Return the surface without some faces; the points stay as they are."""
    return Surface(surface.points, surface.faces[~faces])


def inner_walls(surface: Surface, raw: Surface) -> Bools:
    """Return the faces (m,) of patches between crowded edges with the inside of the figure on both sides.

    Parameters
    ----------
    surface
        Without doubled faces.
    raw
        The faces as they came, doubled ones too: see `deep_inside`.

    Notes
    -----
    So it is where two closed bodies share part of their skin: once that is there only once, the ends of
    either in the other hang on crowded edges.
    """
    edges = surface.edges
    first, second = edges.pairs
    _, label = linked(first // 3, second // 3, len(surface.faces))
    hanging = np.zeros(int(label.max()) + 1, dtype=bool)
    hanging[label[_crowded_faces(surface)[:, 1] // 3]] = True
    return deep_inside(surface, label, hanging[label], raw)


def deep_inside(surface: Surface, label: Ints, asked: Bools, raw: Surface) -> Bools:
    """Return which of the faces `asked` (m,) belong to a patch with the inside on both sides.

    Notes
    -----
    `label` (m,) has the patch of every face. Inside is where the winding number of the faces as they came
    (`raw`) is over `INSIDE`, or under its negative in a mesh that is inside out. When nearly all faces of a
    patch agree it goes as a whole; else (a hole beside a wall joins it to the skin) the faces that hang
    together go. Nothing is said when there are very many faces, nor when most of the mesh would be walls, as
    it looks where the winding is wild.
    """
    nothing = np.zeros(len(surface.faces), dtype=bool)
    faces = np.flatnonzero(asked)
    if not 0 < len(faces) <= _MOST_PROBES:
        return nothing
    deep = nothing.copy()
    deep[faces] = _inside(surface, faces, raw)
    number = int(label.max()) + 1
    votes = np.bincount(label[faces], deep[faces], minlength=number)
    share = (votes / np.maximum(np.bincount(label[faces], minlength=number), 1))[label]
    deep = asked & ((share >= AGREED) | _together(surface, deep))
    areas = face_areas(surface)
    return deep if float(areas[deep].sum()) <= MOST_WALLS * float(areas.sum()) else nothing


def _together(surface: Surface, deep: Bools) -> Bools:
    """Return the faces of `deep` (m,) that hang together, `_FEW` or more: one alone may be misjudged."""
    first, second = (half // 3 for half in surface.edges.pairs)
    both = deep[first] & deep[second]
    number, cluster = linked(first[both], second[both], len(deep))
    size = np.bincount(cluster, deep, minlength=number)
    return np.asarray(deep & (size >= _FEW)[cluster])


def _inside(surface: Surface, faces: Ints, raw: Surface) -> Bools:
    """Return which faces (k,) have the inside on both sides, close to their middles."""
    corners = surface.points[surface.faces[faces]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None]
    off = _PROBE_REL * float(np.linalg.norm(np.ptp(surface.points, axis=0)))
    middles = corners.mean(axis=1)
    probes = np.concatenate([middles + off * normals, middles - off * normals])
    winding = igl.fast_winding_number(raw.points, np.ascontiguousarray(raw.faces), probes)
    return np.asarray((np.abs(winding) > INSIDE).reshape(2, -1).all(axis=0))


def part_sheets(surface: Surface) -> Surface:
    """Return the surface with closed bodies that touch along edges given points of their own.

    Notes
    -----
    What hangs together without crowded edges and is closed taken alone is a body; others keep their points.
    """
    edges = surface.edges
    first, second = edges.pairs
    number, label = linked(first // 3, second // 3, len(surface.faces))
    hanging = _crowded_faces(surface)
    key = hanging[:, 0] * number + label[hanging[:, 1] // 3]
    pairs, times = np.unique(key, return_counts=True)
    closed = np.zeros(number, dtype=bool)
    closed[pairs % number] = True
    closed[pairs[times != 2] % number] = False
    closed[label[edges.open // 3]] = False
    faces = surface.faces.copy()
    points = [surface.points]
    size = len(surface.points)
    for patch in np.flatnonzero(closed):
        mine = label == patch
        used, own = np.unique(faces[mine], return_inverse=True)
        faces[mine] = size + own.reshape(-1, 3)
        points.append(surface.points[used])
        size += len(used)
    return Surface(np.concatenate(points), faces) if len(points) > 1 else surface


def uncrowded(surface: Surface) -> tuple[Surface, int, int]:
    """Return a surface without crowded edges, how many faces of fins went and how many round such edges."""
    fin = fins(surface)
    loose = int(fin.sum())
    if loose:
        surface = without(surface, fin)
    if len(surface.edges.crowded):
        surface = part_sheets(surface)
    cut = 0
    for _ in range(_MOST_ROUNDS):
        if len(surface.edges.crowded) == 0:
            break
        bad = round_crowded(surface)
        cut += int(bad.sum())
        surface = without(surface, bad)
    return surface, loose, cut
