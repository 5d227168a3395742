"""A closed surface made anew from one that no mending made a solid.

Goal
    The surface of what a broken mesh encloses: closed, every edge shared by two faces, near to the faces
    there are.

Steps
    1. All pieces face out and round openings are capped (`moldplan.pattern.outward`).
    2. The winding number of the pieces and caps is taken on a grid. Over one half is inside. With fans over
       all that is open it is a whole number, counted along upright lines; from that goes the part of
       the fans, taken coarse to fine: only cubes that a fan meets, or whose corners do not agree, are looked
       at finer. Loose triangles are taken coarse to fine themselves.
    3. Where neighbours differ, the distance to the surface says how far between them it runs; where no
       surface is near, over a hole, the winding number does.
    4. Marching cubes (Lewiner, Lopes, Vieira, Tavares: Efficient implementation of marching cubes' cases with
       topological guarantees, J. Graphics Tools 8 (2), 2003). Places where that leaves sheets touching are
       filled and the cubes marched again.
    5. The largest body is kept; hollows in it and specks beside it go.
    6. Points go back on to the surface that was there, where the faces round them keep facing the same way
       and cut through nothing.
    7. Sound faces that were there are put back, where they can be joined cleanly (`moldplan.pattern.stitch`).

Error budget
    Off the openings points lie on the surface that was there; in between, and along creases, the new
    surface is off by part of one cube. Sheets and gaps thinner than a cube are lost.
"""

from dataclasses import dataclass
from typing import Final

import igl
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import marching_cubes

from moldplan.columns.outward import add_turns
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.crossings import crossing_faces
from moldplan.pattern.outward import Facing, facing_out, winding
from moldplan.pattern.stitch import kept_where_sound
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, face_bodies, fan_count
from moldplan.pattern.words import place

Grid = NDArray[np.float32]
Flags = NDArray[np.bool_]

#: Cubes of the coarsest grid along one side, in cells.
COARSEST: Final = 8
#: Empty cells round the surface.
MARGIN: Final = 3
#: Corners of a cube that lie this far on one side of one half agree for certain.
AGREE: Final = 0.15
#: The inside is not certain where the winding number is farther than this from 0 and from 1 ...
UNCERTAIN: Final = 0.25
#: ... in more than this share of what is enclosed.
MOST_UNCERTAIN: Final = 0.05
#: Nor is it when caps make more than this share of the whole surface.
MOST_CAPS: Final = 0.3
#: A second body with more than this share of the first is a figure, no speck.
SECOND_BODY: Final = 0.01
#: Least distance of a grid point from the new surface, in cells, so that no face shrinks to nothing.
LEAST: Final = 0.02
#: Points go back by no more than this, in cells.
PULL: Final = 1.0
#: A face may turn by no more than this (cosine) when its points go back.
TURNED: Final = 0.5
#: Rounds of looking for faces that going back spoilt, and of filling where sheets touch.
ROUNDS: Final = 20
#: Places worked out in one go.
_AT_ONCE: Final = 1_000_000
_NOTHING: Final = (
    "it encloses nothing: more than half of the surface is missing; scan it again or close it by hand"
)


@dataclass(frozen=True, kw_only=True)
class Resurfaced:
    """A surface made anew on a grid of cubes of edge `cell`, in the mesh's own numbers.

    `kept` is the share of its area that is sound surface as it came, 0 when the two could not be joined
    cleanly.
    `specks` and `hollows` count small bodies beside the figure and bubbles in it that were left out.
    `problem` says why it cannot be trusted, with a place; None when it can.
    """

    surface: Surface
    cell: float
    kept: float = 0.0
    specks: int = 0
    hollows: int = 0
    problem: str | None = None


@dataclass(frozen=True)
class _Lattice:
    """Grid points ``origin + cell * (i, j, k)`` with a value each."""

    origin: Floats
    cell: float
    value: Grid

    def places(self, index: Ints) -> Floats:
        """Return the places (k, 3) of grid points given by their numbers (k, 3)."""
        return np.asarray(self.origin + self.cell * index)


def resurface(surface: Surface, *, cells: int) -> Resurfaced:
    """Return a closed surface round what `surface` encloses.

    Parameters
    ----------
    surface
        Faces in any state: open, tangled, wound anyhow, loose triangles, overlapping shells. Points with
        equal coordinates should be one.
    cells
        Cubes of the grid along the longest side, 16 or more. Time and room grow with its square to cube:
        384 take about a gigabyte.

    Returns
    -------
    Resurfaced
        Whatever `problem` says, the surface is closed and every edge is shared by two faces; it is the given
        one when nothing is enclosed.

    Notes
    -----
    The same bits whatever the number of threads: every place is asked by itself.
    """
    facing = facing_out(surface)
    lattice = _winding_lattice(facing, cells)
    inside = lattice.value > 0.5
    if not bool(inside.any()):
        return Resurfaced(surface=surface, cell=lattice.cell, problem=_NOTHING)
    problem = _uncertain(lattice, facing)
    made = _marched(lattice, inside, facing)
    made, specks, hollows, second = _largest(made)
    if len(made.faces) == 0:
        return Resurfaced(surface=surface, cell=lattice.cell, problem=_NOTHING)
    made = _pulled(made, facing.surface, lattice.cell)
    made, kept = kept_where_sound(facing.surface, made, lattice.cell)
    return Resurfaced(
        surface=made, cell=lattice.cell, kept=kept, specks=specks, hollows=hollows, problem=problem or second
    )


def enclosed_volume(surface: Surface, *, cells: int) -> float:
    """Return the volume of the largest body that `surface` encloses, whatever state it is in.

    Parameters as of `resurface`, whose surface it is the volume of: to about half a percent at 96 cells.
    """
    facing = facing_out(surface)
    lattice = _winding_lattice(facing, cells)
    made, _, _, _ = _largest(_marched(lattice, lattice.value > 0.5, facing))
    if len(made.faces) == 0:
        return 0.0
    made = _pulled(made, facing.surface, lattice.cell)
    return mesh_volume_mm3(made.points, made.faces)


def _winding_lattice(facing: Facing, cells: int) -> _Lattice:
    """Return the winding number on a grid; away from the surface only good enough to say in or out."""
    corners = facing.points[np.unique(facing.faces)]
    low, high = corners.min(axis=0), corners.max(axis=0)
    cell = float((high - low).max()) / cells
    counts = np.ceil((high - low) / cell).astype(int) + 2 * MARGIN
    counts = -(-counts // COARSEST) * COARSEST + 1
    origin = 0.5 * (low + high) - 0.5 * cell * (counts - 1)
    points = np.ascontiguousarray((facing.points - origin) / cell)
    if len(facing.gaps) > len(facing.faces):  # loose triangles: their rims are more than they are
        return _Lattice(origin, cell, _spread(points, facing.faces, counts))
    value = np.zeros(counts, dtype=np.float32)
    if len(facing.gaps):
        np.negative(_spread(points, facing.gaps, counts), out=value)
    add_turns(points, np.concatenate([facing.faces, facing.gaps]), value)
    return _Lattice(origin, cell, value)


def _spread(points: Floats, faces: Ints, counts: Ints) -> Grid:
    """Return the winding number of open faces on a grid of points at whole numbers, coarse to fine."""
    met = _cubes_met(points[faces], counts - 1)
    value = np.zeros(0, dtype=np.float32)
    active = np.ones((counts - 1) // COARSEST, dtype=bool)
    step = COARSEST
    while step >= 1:
        asked = _corners_of(active)
        finer = np.zeros(asked.shape, dtype=np.float32) if step == COARSEST else _between(value)
        finer[asked] = winding(points, faces, step * np.argwhere(asked).astype(np.float64))
        value = finer
        if step > 1:
            active = _finer(active & (_coarse(met, step) | _disagree(value)))
        step //= 2
    return value


def _cubes_met(corners: Floats, counts: Ints) -> Flags:
    """Return which cubes triangles (m, 3, 3) meet, and those next to them."""
    met = np.zeros(counts, dtype=bool)
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.maximum(np.ceil(2.0 * longest), 1).astype(int)
    for count in np.unique(parts).tolist():
        of_these = corners[parts == count]
        i, j = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
        s, r = i[i + j <= count] / count, j[i + j <= count] / count
        shares = np.stack([1.0 - s - r, s, r], axis=1)
        at_once = max(_AT_ONCE // len(shares), 1)
        for first in range(0, len(of_these), at_once):
            at = np.einsum("kc,fcx->fkx", shares, of_these[first : first + at_once]).reshape(-1, 3)
            met[tuple(np.minimum(at.astype(np.int64), counts - 1).T)] = True
    return np.asarray(ndimage.binary_dilation(met, structure=np.ones((3, 3, 3), dtype=bool)))


def _corners_of(cubes: Flags) -> Flags:
    """Return which grid points are corners of the cubes."""
    corners = np.zeros(np.array(cubes.shape) + 1, dtype=bool)
    for pick in range(8):
        corners[_octant(pick, cubes.shape)] |= cubes
    return corners


def _octant(pick: int, shape: tuple[int, ...]) -> tuple[slice, ...]:
    """Return where corner `pick` (0 to 7) of every cube lies on the grid of corners."""
    return tuple(slice(pick >> axis & 1, (pick >> axis & 1) + shape[axis]) for axis in range(3))


def _disagree(value: Grid) -> Flags:
    """Return which cubes have corners that may lie on both sides of an odd half: in and out of something."""
    shape = tuple(size - 1 for size in value.shape)
    low, high = np.full(shape, np.inf, dtype=np.float32), np.full(shape, -np.inf, dtype=np.float32)
    for pick in range(8):
        corner = value[_octant(pick, shape)]
        np.minimum(low, corner, out=low)
        np.maximum(high, corner, out=high)
    return np.asarray(np.rint(low - AGREE) != np.rint(high + AGREE))


def _coarse(met: Flags, step: int) -> Flags:
    """Return which cubes of `step` cells hold a marked cell."""
    nx, ny, nz = (size // step for size in met.shape)
    return np.asarray(met.reshape(nx, step, ny, step, nz, step).any(axis=(1, 3, 5)))


def _finer(cubes: Flags) -> Flags:
    """Return the eight parts of every cube."""
    return np.asarray(cubes.repeat(2, axis=0).repeat(2, axis=1).repeat(2, axis=2))


def _between(value: Grid) -> Grid:
    """Return values on a grid of half the step, the new ones half-way between their neighbours."""
    for axis in range(3):
        along = np.moveaxis(value, axis, 0)
        finer = np.empty((2 * along.shape[0] - 1, *along.shape[1:]), dtype=np.float32)
        finer[::2] = along
        finer[1::2] = 0.5 * (along[:-1] + along[1:])
        value = np.moveaxis(finer, 0, axis)
    return np.ascontiguousarray(value)


def _uncertain(lattice: _Lattice, facing: Facing) -> str | None:
    """Say where nobody can tell inside from outside, None when that is nowhere in depth."""
    coarse = lattice.value[::2, ::2, ::2]
    doubtful = (coarse > UNCERTAIN) & (coarse < 1.0 - UNCERTAIN)
    share = float(doubtful.sum()) / max(float((coarse > 0.5).sum()), 1.0)
    if share > MOST_UNCERTAIN:
        depth = ndimage.distance_transform_edt(doubtful)
        where = lattice.places(2 * np.array(np.unravel_index(int(depth.argmax()), depth.shape)))
        return (
            f"inside and outside cannot be told apart round {place(where)} in the file's numbers: "
            "too much of the surface is missing there; scan it again or close it by hand"
        )
    caps = float(_areas(facing.points, facing.caps).sum())
    whole = caps + float(_areas(facing.points, facing.surface.faces).sum())
    if caps > MOST_CAPS * whole:
        where = facing.points[facing.caps].mean(axis=(0, 1))
        return (
            f"its openings make {100.0 * caps / whole:.0f} % of the surface, round {place(where)} in the "
            "file's numbers: nobody can know what was there; scan it again or close it by hand"
        )
    return None


def _areas(points: Floats, faces: Ints) -> Floats:
    """Return the area of every face."""
    return np.asarray(0.5 * np.linalg.norm(_across(points, faces), axis=1))


def _across(points: Floats, faces: Ints) -> Floats:
    """Return the normal of every face, twice its area long."""
    a, b, c = (points[faces[:, corner]] for corner in range(3))
    return np.cross(b - a, c - a)


def _marched(lattice: _Lattice, inside: Flags, facing: Facing) -> Surface:
    """Return the closed surface between inside and outside, sheets that touch filled up."""
    value = _levels(lattice, inside, facing)
    for _ in range(ROUNDS):
        made = _march(lattice, value)
        spoilt = _touching(made)
        if len(spoilt) == 0:
            break
        value = _filled(lattice, value, made.points[spoilt])
    return made


def _march(lattice: _Lattice, value: Grid) -> Surface:
    """Return the surface where values are 0, wound outward."""
    points, faces, _, _ = marching_cubes(value, level=0.0, gradient_direction="ascent")
    return Surface(lattice.places(points.astype(np.float64)), faces.astype(np.int64))


def _levels(lattice: _Lattice, inside: Flags, facing: Facing) -> Grid:
    """Return how far grid points lie inside the surface, in cells, exact next to it."""
    level = np.where(inside, np.float32(1.0), np.float32(-1.0))
    index = np.argwhere(_beside(inside))
    at = tuple(index.T)
    squared = igl.point_mesh_squared_distance(lattice.places(index), facing.points, facing.faces)[0]
    away = np.sqrt(np.maximum(squared, 0.0)) / lattice.cell
    far = np.abs(lattice.value[at] - 0.5) * 2.0
    depth = np.clip(np.where(away <= 1.0, away, np.minimum(far, 1.0)), LEAST, 1.0)
    level[at] = np.where(inside[at], depth, -depth)
    return np.asarray(level, dtype=np.float32)


def _beside(inside: Flags) -> Flags:
    """Return which grid points have a neighbour along an axis on the other side."""
    beside = np.zeros(inside.shape, dtype=bool)
    for axis in range(3):
        along, marked = np.moveaxis(inside, axis, 0), np.moveaxis(beside, axis, 0)
        differ = along[1:] != along[:-1]
        marked[1:] |= differ
        marked[:-1] |= differ
    return beside


def _touching(surface: Surface) -> Ints:
    """Return points on edges that are not shared by two faces, and points where sheets touch."""
    edges = surface.edges
    wrong = [*edges.ends(edges.crowded), *edges.ends(edges.open)]
    if not any(len(ends) for ends in wrong) and fan_count(edges) == len(np.unique(surface.faces)):
        return np.empty(0, dtype=np.int64)
    return np.asarray(np.unique(np.concatenate([*wrong, _pinched(surface)])))


def _pinched(surface: Surface) -> Ints:
    """Return points whose faces form more than one fan, where all edges have two faces."""
    edges = surface.edges
    if len(edges.open) or len(edges.crowded):
        return np.empty(0, dtype=np.int64)
    ends = np.stack(edges.ends(edges.pairs[0]))
    degree = np.bincount(ends.ravel(), minlength=len(surface.points))
    following = np.empty(surface.faces.size, dtype=np.int64)  # the half-edge after a turn round its start
    first, second = edges.pairs
    for one, two in ((first, second), (second, first)):
        following[one] = two - two % 3 + (two + 1) % 3
    start = edges.ends(np.arange(surface.faces.size))[0]
    anchor = np.full(len(surface.points), -1, dtype=np.int64)
    anchor[start[::-1]] = np.arange(surface.faces.size)[::-1]
    used = np.flatnonzero(anchor >= 0)
    at, steps = following[anchor[used]], np.ones(len(used), dtype=np.int64)
    while bool((going := at != anchor[used]).any()):
        at = np.where(going, following[at], at)
        steps += going
    return np.asarray(used[steps != degree[used]])


def _filled(lattice: _Lattice, value: Grid, places: Floats) -> Grid:
    """Return values with the grid points round the places inside."""
    value = value.copy()
    base = np.floor((places - lattice.origin) / lattice.cell).astype(np.int64)
    for pick in range(8):
        corner = base + np.array([pick & 1, pick >> 1 & 1, pick >> 2 & 1])
        at = tuple(np.minimum(corner, np.array(value.shape) - 2).T)
        value[at] = np.maximum(value[at], np.float32(0.5))
    return value


def _largest(surface: Surface) -> tuple[Surface, int, int, str | None]:
    """Return the largest body, how many specks and hollows were left out, and what is wrong with that."""
    number, body = face_bodies(surface.edges)
    middle = surface.points.mean(axis=0)
    corners = surface.points[surface.faces] - middle
    share = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0
    volume = np.bincount(body, weights=share, minlength=number)
    order = np.argsort(-volume, kind="stable")
    kept = _compact(Surface(surface.points, surface.faces[body == order[0]]))
    problem = None
    if number > 1 and volume[order[1]] > SECOND_BODY * volume[order[0]]:
        where = surface.points[surface.faces[body == order[1]]].mean(axis=(0, 1))
        bodies = int((volume > SECOND_BODY * volume[order[0]]).sum())
        problem = (
            f"made anew it falls into {bodies} bodies; the second "
            f"largest lies at {place(where)} in the file's numbers; delete it or join it to the first"
        )
    return kept, int((volume > 0.0).sum()) - 1, int((volume <= 0.0).sum()), problem


def _compact(surface: Surface) -> Surface:
    """Return the surface without points that no face uses."""
    used, compact = np.unique(surface.faces, return_inverse=True)
    return Surface(surface.points[used], compact.reshape(-1, 3).astype(np.int64))


def _pulled(made: Surface, old: Surface, cell: float) -> Surface:
    """Return the surface with its points back on the old one, where that spoils no face."""
    normals = _across(made.points, made.faces)
    squared, near, foot = igl.point_mesh_squared_distance(made.points, old.points, old.faces)
    pulled = squared <= (PULL * cell) ** 2
    pulled &= np.einsum("ij,ij->i", _point_normals(made, normals), _across(old.points, old.faces)[near]) > 0.0
    for _ in range(ROUNDS):
        result = Surface(np.where(pulled[:, None], foot, made.points), made.faces)
        spoilt = _turned_over(normals, _across(result.points, result.faces), pulled[made.faces].any(axis=1))
        if not bool(spoilt.any()):
            crossing = crossing_faces(result, most=len(made.faces))
            spoilt[crossing] = True
        if not bool(spoilt.any()) or not bool(pulled[made.faces[spoilt]].any()):
            return result
        pulled[made.faces[spoilt]] = False
    return made


def _point_normals(surface: Surface, normals: Floats) -> Floats:
    """Return the sum (n, 3) of the normals of the faces round every point."""
    count = len(surface.points)
    at = surface.faces.ravel()
    sums = [np.bincount(at, weights=np.repeat(normals[:, k], 3), minlength=count) for k in range(3)]
    return np.stack(sums, axis=1)


def _turned_over(before: Floats, after: Floats, moved: Bools) -> Bools:
    """Return which moved faces turned too far or shrank to nothing."""
    was, now = np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1)
    along = np.einsum("ij,ij->i", before, after)
    return np.asarray(moved & ((along <= TURNED * was * now) | (now <= 1e-3 * was)))
