"""Heights of a mesh grown by a ball, and of the same shape leaned out to a draft.

Goal: the highest point, on vertical lines, of (a) a closed mesh swept by a ball of radius t and (b) that
shape leaned out until no slope is steeper than the draft d allows. Both are

    h(x) = max over points p of the mesh of  p_z + F(|x - p|),   lengths on the board,

with F(r) = sqrt(t^2 - r^2) for r <= t cos d, the ball, and its tangent cone t / sin d - r cot d beyond; for
(a) d is 0 and there is nothing beyond t. [derived, first principles]

1. A face can hold the highest p in its inside only where its slope equals a slope of F: there it is the face
   shifted by t along its normal, and it must not be steeper than the draft.
2. An edge can hold it only if it is convex and its normals (an arc) reach the cap n_z >= sin d. Along an edge
   p_z + F is concave, so its best point has a closed form. Only an edge whose arc also leaves the cap needs
   the cone; the others end with their ball.
3. A corner is covered as the end of such an edge, or its normals hold the whole cap: a peak all of whose
   faces are steeper than the draft.
4. Points hidden under others do no harm: every p is a true point of the pattern, so nothing is tested for
   sight.

Every sample is a maximum of functions of one slope limit, so samples obey that limit to rounding: no raster,
no chamfer distances. Dropped: growing the raster of the top (half a cell is lost all round; -6 % of the fill
at 512 cells and 2 deg).

Samples are taken at given places inside chosen cells: at the middles for a map, on a lattice where a cell's
mean is wanted.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from moldplan.columns.grid import Floats, Grid, Ints

Slots = NDArray[np.int32]

#: Least sine of the angle between the faces of an edge that is no part of a plane.
FLAT_SINE = 1e-9
#: Slack, on unit normals, when an edge is judged able to carry the outer face.
NORMAL_SLACK = 1e-7


@dataclass(frozen=True)
class Carriers:
    """The parts of a mesh that can carry its grown and leaned face for one draft.

    `faces` (n, 3) row numbers of corners; `normals` (n, 3) their unit normals; `edges` (m, 2) rows of end
    points (both the same for a peak); `leans` (m,) whether the edge carries the cone as well.
    """

    faces: Ints
    normals: Floats
    edges: Ints
    leans: NDArray[np.bool_]


def unit_normals(vertices: Floats, faces: Ints) -> Floats:
    """Return outward unit normals (m, 3); zeros where a face has no area."""
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    out: Floats = np.divide(normals, length, out=np.zeros_like(normals), where=length > 0.0)
    return out


@dataclass(frozen=True)
class Creases:
    """What `carriers` asks of a mesh whatever the draft, worked out once for many drafts.

    `normals` (n, 3) of the faces; `edges` (m, 2) that are convex, or too sharp to tell, with the highest z of
    the normals between their faces and the lesser z of the two (m,), infinite and -infinite where that cannot
    be told; `peaks` (k,) are corners that no neighbour overtops, with the highest z of their faces' normals.
    """

    normals: Floats
    edges: Ints
    highest: Floats
    lowest: Floats
    peaks: Ints
    gentlest: Floats


def creases_of(vertices: Floats, faces: Ints) -> Creases:
    """Return what `carriers` asks of a closed mesh: corners (n, 3) in mm, faces (m, 3)."""
    normals = unit_normals(vertices, faces)
    edges, first, second = _edge_pairs(faces)
    n1, n2 = normals[first], normals[second]
    along = vertices[edges[:, 1]] - vertices[edges[:, 0]]
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), np.finfo(float).tiny)
    along = along / length
    bend = np.einsum("ij,ij->i", np.cross(n1, n2), along)
    unsure = (np.einsum("ij,ij->i", n1, n2) < 0.0) & (np.abs(bend) < NORMAL_SLACK)
    unsure |= (np.abs(n1).sum(axis=1) == 0.0) | (np.abs(n2).sum(axis=1) == 0.0)
    kept = (bend > FLAT_SINE) | unsure
    n1, n2, unsure = n1[kept], n2[kept], unsure[kept]
    peaks, gentlest = _peaks(vertices, faces, normals)
    return Creases(
        normals=normals,
        edges=edges[kept],
        highest=np.where(unsure, np.inf, _arc_top(n1, n2, along[kept])),
        lowest=np.where(unsure, -np.inf, np.minimum(n1[:, 2], n2[:, 2])),
        peaks=peaks,
        gentlest=gentlest,
    )


def carriers(vertices: Floats, faces: Ints, *, draft_rad: float, creases: Creases | None = None) -> Carriers:
    """Pick the faces, edges and peaks that can carry the outer face at a draft (0 for the grown shape).

    `creases` are those of the same mesh (`creases_of`), when they are there already.
    """
    known = creases_of(vertices, faces) if creases is None else creases
    sine = math.sin(draft_rad)
    gentle = known.normals[:, 2] >= max(sine - NORMAL_SLACK, NORMAL_SLACK)
    reach = known.highest >= sine - NORMAL_SLACK
    peaks = known.peaks[known.gentlest <= sine + NORMAL_SLACK]
    return Carriers(
        faces=np.ascontiguousarray(faces[gentle]),
        normals=np.ascontiguousarray(known.normals[gentle]),
        edges=np.concatenate([known.edges[reach], np.stack([peaks, peaks], axis=1)]),
        leans=np.concatenate(
            [known.lowest[reach] <= sine + NORMAL_SLACK, np.ones(len(peaks), dtype=np.bool_)]
        ),
    )


def _edge_pairs(faces: Ints) -> tuple[Ints, Ints, Ints]:
    """Return edges (m, 2) in the sense of their first face, and the two faces at each."""
    start = faces.ravel()
    end = np.roll(faces, -1, axis=1).ravel()
    owner = np.repeat(np.arange(len(faces), dtype=np.int64), 3)
    forward = start < end
    count = int(faces.max()) + 1
    key = np.minimum(start, end) * count + np.maximum(start, end)
    ahead = np.flatnonzero(forward)
    ahead = ahead[np.argsort(key[ahead], kind="stable")]
    behind = np.flatnonzero(~forward)
    behind = behind[np.argsort(key[behind], kind="stable")]
    # a closed, consistently wound mesh walks every edge as often one way as the other
    return np.stack([start[ahead], end[ahead]], axis=1), owner[ahead], owner[behind]


def _arc_top(n1: Floats, n2: Floats, along: Floats) -> Floats:
    """Return the highest z of the normals between `n1` and `n2` about the edge direction `along`."""
    up = -along * along[:, 2:3]
    up[:, 2] += 1.0
    inside = (np.einsum("ij,ij->i", np.cross(n1, up), along) >= 0.0) & (
        np.einsum("ij,ij->i", np.cross(up, n2), along) >= 0.0
    )
    ends = np.maximum(n1[:, 2], n2[:, 2])
    top: Floats = np.where(inside, np.linalg.norm(up, axis=1), ends)
    return top


def _peaks(vertices: Floats, faces: Ints, normals: Floats) -> tuple[Ints, Floats]:
    """Return the corners that no neighbour overtops, and the highest z of the normals round each."""
    highest = np.full(len(vertices), -np.inf)
    tallest = vertices[faces, 2].max(axis=1)
    for corner in range(3):
        np.maximum.at(highest, faces[:, corner], tallest)
    peak = (vertices[:, 2] >= highest) & np.isfinite(highest)
    gentlest = np.full(len(vertices), -np.inf)
    for corner in range(3):
        np.maximum.at(gentlest, faces[:, corner], normals[:, 2])
    return np.flatnonzero(peak).astype(np.int64), gentlest[peak]


@njit(cache=True, nogil=True)
def raise_faces(
    vertices: Floats, faces: Ints, normals: Floats, radius: float, slots: Slots, places: Floats,
    x0: float, y0: float, cell: float, heights: Floats,
) -> None:  # fmt: skip
    """Raise `heights` (slots, places) to the faces shifted by `radius` along their normals.

    `slots` (ny, nx) is the row of `heights` that belongs to a cell, -1 for none; `places` (k, 2) are
    positions in a cell, 0 to 1.
    """
    ny, nx = slots.shape
    for f in range(faces.shape[0]):
        nz = normals[f, 2]
        sx, sy, sz = radius * normals[f, 0], radius * normals[f, 1], radius * nz
        ax, ay = vertices[faces[f, 0], 0] + sx, vertices[faces[f, 0], 1] + sy
        bx, by = vertices[faces[f, 1], 0] + sx, vertices[faces[f, 1], 1] + sy
        cx, cy = vertices[faces[f, 2], 0] + sx, vertices[faces[f, 2], 1] + sy
        az = vertices[faces[f, 0], 2] + sz
        slope_x, slope_y = -normals[f, 0] / nz, -normals[f, 1] / nz
        top = max(az, vertices[faces[f, 1], 2] + sz, vertices[faces[f, 2], 2] + sz)
        if top <= 0.0:
            continue
        i0 = max(math.floor((min(ax, bx, cx) - x0) / cell), 0)
        i1 = min(math.floor((max(ax, bx, cx) - x0) / cell), nx - 1)
        j0 = max(math.floor((min(ay, by, cy) - y0) / cell), 0)
        j1 = min(math.floor((max(ay, by, cy) - y0) / cell), ny - 1)
        # edge functions grow inwards; the slack lets neighbours overlap by a rounding error, never gape
        slack = -1e-9 * cell
        e1 = slack * (abs(bx - ax) + abs(by - ay))
        e2 = slack * (abs(cx - bx) + abs(cy - by))
        e3 = slack * (abs(ax - cx) + abs(ay - cy))
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                slot = slots[j, i]
                if slot < 0:
                    continue
                for k in range(places.shape[0]):
                    px = x0 + (i + places[k, 0]) * cell
                    py = y0 + (j + places[k, 1]) * cell
                    if (bx - ax) * (py - ay) - (by - ay) * (px - ax) < e1:
                        continue
                    if (cx - bx) * (py - by) - (cy - by) * (px - bx) < e2:
                        continue
                    if (ax - cx) * (py - cy) - (ay - cy) * (px - cx) < e3:
                        continue
                    z = min(az + slope_x * (px - ax) + slope_y * (py - ay), top)
                    heights[slot, k] = max(heights[slot, k], z)


@njit(cache=True, nogil=True)
def best_on_edge(
    q: float, s0: float, length: float, rise: float, radius: float, cot: float, tangent: float
) -> float:
    """Return where along an edge (0 to `length`, on the board) p_z + F(|x - p|) is greatest.

    `q` and `s0` place x across and along the edge's line; `rise` >= 0 is the edge's slope; `cot` is
    the cone's slope (inf without a cone); `tangent` = t cos d, where ball and cone meet.
    """
    w = 0.0
    if q < tangent:
        w = rise * math.sqrt((radius * radius - q * q) / (1.0 + rise * rise))
    if (q >= tangent or q * q + w * w > tangent * tangent) and rise > 0.0:
        if rise >= cot:
            return length
        w = rise * q / math.sqrt(cot * cot - rise * rise) if cot < math.inf else 0.0
    return min(max(s0 + w, 0.0), length)


@njit(cache=True, nogil=True)
def raise_edges(
    vertices: Floats, edges: Ints, leans: NDArray[np.bool_], radius: float, draft: float, floor: float,
    slots: Slots, places: Floats, x0: float, y0: float, cell: float, heights: Floats,
) -> None:  # fmt: skip
    """Raise `heights` (slots, places) to the ball and, where `leans`, the cone of every edge.

    `draft` in radians, 0 for the ball alone; heights below `floor` are of no interest.
    """
    ny, nx = slots.shape
    least = np.zeros(heights.shape[0])
    for slot in range(heights.shape[0]):
        least[slot] = heights[slot].min()
    # no place in a cell is farther from its middle than half a diagonal
    slack = 0.7072 * cell if places.shape[0] > 1 else 0.0
    lean_all = draft > 0.0
    cot = 1.0 / math.tan(draft) if lean_all else math.inf
    tangent = radius * math.cos(draft)
    crest = radius / math.sin(draft) if lean_all else 0.0
    for e in range(edges.shape[0]):
        a, b = edges[e, 0], edges[e, 1]
        if vertices[a, 2] > vertices[b, 2]:
            a, b = b, a
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        ux, uy = bx - ax, by - ay
        length = math.sqrt(ux * ux + uy * uy)
        if length > 1e-12 * (abs(bz - az) + cell):
            ux, uy, rise = ux / length, uy / length, (bz - az) / length
        else:
            ax, ay, az, length, ux, uy, rise = bx, by, bz, 0.0, 1.0, 0.0, 0.0
        cone = lean_all and leans[e]
        reach = tangent
        if cone:
            reach = max((bz - floor + crest) / cot, 0.0)
        if bz + radius <= floor:
            continue
        i0 = max(math.floor((min(ax, bx) - reach - x0) / cell), 0)
        i1 = min(math.floor((max(ax, bx) + reach - x0) / cell), nx - 1)
        j0 = max(math.floor((min(ay, by) - reach - y0) / cell), 0)
        j1 = min(math.floor((max(ay, by) + reach - y0) / cell), ny - 1)
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                slot = slots[j, i]
                if slot < 0:
                    continue
                if slack > 0.0:
                    dx, dy = x0 + (i + 0.5) * cell - ax, y0 + (j + 0.5) * cell - ay
                    s0 = dx * ux + dy * uy
                    q = abs(dx * uy - dy * ux)
                    off = max(-s0, s0 - length, 0.0)
                    near = max(math.sqrt(q * q + off * off) - slack, 0.0)
                    if near > reach:
                        continue
                    if near > tangent:
                        if bz + crest - cot * near <= least[slot]:
                            continue
                    elif bz + math.sqrt(radius * radius - near * near) <= least[slot]:
                        continue
                changed = False
                for k in range(places.shape[0]):
                    dx = x0 + (i + places[k, 0]) * cell - ax
                    dy = y0 + (j + places[k, 1]) * cell - ay
                    s0 = dx * ux + dy * uy
                    q = abs(dx * uy - dy * ux)
                    if q > reach:
                        continue
                    here = heights[slot, k]
                    # the nearest point of the edge with the height of its upper end bounds all of it
                    off = max(-s0, s0 - length, 0.0)
                    near2 = q * q + off * off
                    if near2 > reach * reach:
                        continue
                    if near2 > tangent * tangent:
                        if bz + crest - cot * math.sqrt(near2) <= here:
                            continue
                    elif bz + math.sqrt(radius * radius - near2) <= here:
                        continue
                    s = best_on_edge(q, s0, length, rise, radius, cot, tangent)
                    r2 = q * q + (s - s0) * (s - s0)
                    z = az + s * rise
                    if r2 <= tangent * tangent:
                        z += math.sqrt(radius * radius - r2)
                    elif cone:
                        z += crest - cot * math.sqrt(r2)
                    else:
                        continue
                    if z > here:
                        heights[slot, k] = z
                        changed = True
                if changed:
                    least[slot] = heights[slot].min()


def sample_heights(
    vertices: Floats, parts: Carriers, *, radius_mm: float, draft_rad: float, grid: Grid, slots: Slots,
    places: Floats, floor_mm: float = 0.0,
) -> Floats:  # fmt: skip
    """Return exact heights (slots, places), mm above the board, not below `floor_mm`.

    Parameters
    ----------
    vertices
        Corners (n, 3) of the half in mm.
    parts
        What `carriers` picked for this draft.
    radius_mm
        Radius of the ball, the skin.
    draft_rad
        Draft; 0 leaves the grown shape as it is.
    grid, slots, places
        Which cells, and where in each (positions 0 to 1).
    floor_mm
        The answer where nothing reaches higher.
    """
    heights = np.full((int(slots.max()) + 1, len(places)), float(floor_mm))
    where = (slots, places, grid.x0_mm, grid.y0_mm, grid.cell_mm, heights)
    raise_faces(vertices, parts.faces, parts.normals, radius_mm, *where)
    raise_edges(vertices, parts.edges, parts.leans, radius_mm, draft_rad, floor_mm, *where)
    return heights


def every_cell(grid: Grid) -> Slots:
    """Return slots that number every cell of `grid`, row by row."""
    return np.arange(grid.nx * grid.ny, dtype=np.int32).reshape(grid.shape)


#: The middle of a cell, as a list of places.
MIDDLE: Floats = np.array([[0.5, 0.5]])


def lattice(count: int, step: int) -> Floats:
    """Return `count` places in a cell such that both x and y take `count` different, even values.

    Neighbouring Fibonacci numbers, like (34, 21), spread well in every direction.
    """
    k = np.arange(count)
    return np.stack([(k + 0.5) / count, ((k * step) % count + 0.5) / count], axis=1)


def height_map(
    vertices: Floats, faces: Ints, *, radius_mm: float, draft_rad: float, grid: Grid,
    creases: Creases | None = None,
) -> Floats:  # fmt: skip
    """Return exact heights (ny, nx) at the middles of the cells; see `sample_heights` and `carriers`."""
    parts = carriers(vertices, faces, draft_rad=draft_rad, creases=creases)
    heights = sample_heights(
        vertices, parts, radius_mm=radius_mm, draft_rad=draft_rad, grid=grid, slots=every_cell(grid),
        places=MIDDLE,
    )  # fmt: skip
    return heights.reshape(grid.shape)
