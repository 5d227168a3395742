"""Open and tangled pieces of a surface, turned so that all face out, and their large openings capped roughly.

What a broken scan encloses can be asked of its winding number (Jacobson, Kavan, Sorkine-Hornung: Robust
inside-outside segmentation using generalized winding numbers, ACM Trans. Graph. 32 (4), 2013), which wants
all pieces to face out and no large opening.

Steps
    1. Faces joined by edges of two faces form a piece and are made to agree within it.
    2. Pictures from all round say which side of each piece is seen from outside (after Takayama, Jacobson,
       Kavan, Sorkine-Hornung: A simple method for correcting facet orientations in polygon meshes based on
       ray casting, J. Computer Graphics Techniques 3 (4), 2014).
    3. Pieces that no picture shows face the way the winding number of the others falls; they are dropped
       where it says that they are buried.
    4. Round openings get a fan of triangles from the rim to its middle. Cracks between pieces, slits and
       openings as large as their piece (the rims of loose triangles) are left to the winding number.
"""

from dataclasses import dataclass
from typing import Final

import igl
import numpy as np
from scipy.spatial import cKDTree

from moldplan.columns.outward import vote
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, linked, turned_faces

#: Pictures taken, spread evenly over all directions, and cells along each.
PICTURES: Final = 32
PICTURE_CELLS: Final = 256
#: A hidden piece with a winding number over this on both sides is buried in the others.
BURIED: Final = 0.75
#: Openings rounder than this (4 pi area / perimeter squared, 1 for a circle) are capped.
ROUND: Final = 0.15
#: An opening with more than this share of its pieces' area is no hole in them.
MOST_OPENING: Final = 0.75
#: A rim that keeps within this share of its own size to another piece's rim runs along a crack.
CRACK: Final = 0.1


@dataclass(frozen=True, kw_only=True)
class Facing:
    """A surface with all pieces facing out, the caps (k, 3) over its round openings and what else is open.

    `caps` and `gaps` refer to `points`, which begin with those of the surface. With both the surface is
    closed; `gaps` (g, 3) are fans over cracks, slits and the rims of loose triangles, which only serve
    to say what they would add: the winding number of faces and caps is that of all three, a whole number,
    less that of the gaps.
    """

    surface: Surface
    points: Floats
    caps: Ints
    gaps: Ints

    @property
    def faces(self) -> Ints:
        """The faces and the caps."""
        return np.concatenate([self.surface.faces, self.caps])


def facing_out(surface: Surface) -> Facing:
    """Return the surface with every piece turned to face out, and caps over its round openings."""
    turned = _pieces_agree(surface)
    first, second = (half // 3 for half in turned.edges.pairs)
    number, piece = linked(first, second, len(turned.faces))
    votes = _votes(turned, piece, number)
    turned = _turn(turned, (votes[:, 1] > votes[:, 0])[piece])
    seen = (votes.sum(axis=1) > 0)[piece]
    if not bool(seen.all()):
        turned, piece = _hidden_too(turned, piece, seen)
    middles, caps, gaps = _caps(turned, piece)
    return Facing(surface=turned, points=np.concatenate([turned.points, middles]), caps=caps, gaps=gaps)


def directions(count: int) -> Floats:
    """Return `count` unit vectors spread evenly over all directions (a Fibonacci lattice)."""
    step = np.arange(count) + 0.5
    z = 1.0 - 2.0 * step / count
    turn = np.pi * (1.0 + 5.0**0.5) * step
    return np.stack([np.sqrt(1.0 - z * z) * np.cos(turn), np.sqrt(1.0 - z * z) * np.sin(turn), z], axis=1)


def winding(points: Floats, faces: Ints, places: Floats) -> Floats:
    """Return the generalised winding number of the faces at `places` (k, 3), good to about 0.01.

    By the fast method of Barill, Dickson, Schmidt, Levin, Jacobson: Fast winding numbers for soups and
    clouds, ACM Trans. Graph. 37 (4), 2018.
    """
    if len(places) == 0 or len(faces) == 0:
        return np.zeros(len(places))
    arrays = (np.ascontiguousarray(points), np.ascontiguousarray(faces), np.ascontiguousarray(places))
    return np.asarray(igl.fast_winding_number(*arrays))


def _turn(surface: Surface, turn: Bools) -> Surface:
    """Return the surface with some faces turned."""
    if not bool(turn.any()):
        return surface
    faces = surface.faces.copy()
    faces[turn] = faces[turn][:, ::-1]
    return Surface(surface.points, faces)


def _pieces_agree(surface: Surface) -> Surface:
    """Turn faces until neighbours agree within every piece."""
    return _turn(surface, turned_faces(surface.edges)[0])


def _votes(surface: Surface, piece: Ints, number: int) -> Ints:
    """Return how many cells of all pictures show the front and the back of every piece (number, 2)."""
    votes = np.zeros((number, 2), dtype=np.int64)
    faces = np.ascontiguousarray(surface.faces)
    for towards in directions(PICTURES):
        across = np.cross(towards, np.eye(3)[np.argmin(np.abs(towards))])
        across /= np.linalg.norm(across)
        seen = surface.points @ np.stack([across, np.cross(towards, across), towards], axis=1)
        seen -= seen.min(axis=0)
        size = np.ptp(seen[:, :2], axis=0)
        cell = max(float(size.max()) / PICTURE_CELLS, np.finfo(float).tiny)
        seen[:, :2] /= cell
        nx, ny = (max(int(np.ceil(extent / cell)), 1) for extent in size.tolist())
        vote(np.ascontiguousarray(seen), faces, piece, nx, ny, votes)
    return votes


def _hidden_too(surface: Surface, piece: Ints, seen: Bools) -> tuple[Surface, Ints]:
    """Turn hidden pieces by the seen ones' winding number and drop buried ones; return the pieces too."""
    hidden = np.flatnonzero(~seen)
    corners = surface.points[surface.faces[hidden]]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(across, axis=1)
    # the largest face of each piece speaks for it
    order = np.lexsort((-area, piece[hidden]))
    names, first = np.unique(piece[hidden][order], return_index=True)
    largest = order[first]
    step = 1e-3 * float(np.linalg.norm(np.ptp(surface.points, axis=0)))
    normal = across[largest] / np.maximum(area[largest], np.finfo(float).tiny)[:, None] * step
    middle = corners[largest].mean(axis=1)
    front, back = (winding(surface.points, surface.faces[seen], middle + side) for side in (normal, -normal))
    turn, keep = np.zeros(piece.max() + 1, dtype=bool), np.ones(piece.max() + 1, dtype=bool)
    turn[names] = front > back
    keep[names] = np.minimum(front, back) <= BURIED
    turned = _turn(surface, turn[piece])
    return Surface(turned.points, turned.faces[keep[piece]]), piece[keep[piece]]


def _caps(surface: Surface, piece: Ints) -> tuple[Floats, Ints, Ints]:
    """Return new points (k, 3), caps over the round openings and fans over all others."""
    start, end, owner = _rim(surface)
    if len(start) == 0:
        none = np.empty((0, 3), dtype=np.int64)
        return np.empty((0, 3)), none, none
    used, compact = np.unique(np.concatenate([start, end]), return_inverse=True)
    number, label = linked(compact[: len(start)], compact[len(start) :], len(used))
    rim = label[compact[: len(start)]]
    middles = _rim_middles(surface.points, start, end, rim, number)
    capped = _worth_capping(surface, (start, end, owner), rim, middles, piece)
    fans = np.stack([end, start, len(surface.points) + rim], axis=1).astype(np.int64)
    return middles, fans[capped[rim]], fans[~capped[rim]]


def _rim(surface: Surface) -> tuple[Ints, Ints, Ints]:
    """Return start, end and face of the half-edges that nothing runs against.

    Edges of three and more faces count by how many of them run one way more than the other.
    """
    edges = surface.edges
    first, second = edges.ends(edges.order)
    forward = np.where(first < second, 1, -1)
    net = np.add.reduceat(forward, edges.start) if len(edges.start) else forward
    edge = np.repeat(np.arange(len(edges.count)), edges.count)
    same = forward * np.sign(net)[edge] > 0
    rank: Ints = np.cumsum(same) - same
    rank -= rank[edges.start][edge]
    chosen = same & (rank < np.abs(net)[edge])
    return first[chosen], second[chosen], edges.order[chosen] // 3


def _rim_middles(points: Floats, start: Ints, end: Ints, rim: Ints, number: int) -> Floats:
    """Return the middle (number, 3) of every rim, its edges weighted by length."""
    length = np.linalg.norm(points[end] - points[start], axis=1) + np.finfo(float).tiny
    middle = 0.5 * (points[start] + points[end])
    total = np.bincount(rim, weights=length, minlength=number)
    sums = [np.bincount(rim, weights=length * middle[:, k], minlength=number) for k in range(3)]
    return np.stack(sums, axis=1) / total[:, None]


def _worth_capping(
    surface: Surface, edges: tuple[Ints, Ints, Ints], rim: Ints, middles: Floats, piece: Ints
) -> Bools:
    """Return which rims are round openings in something larger, and run along no other rim."""
    start, end, owner = edges
    points, number = surface.points, len(middles)
    arms = points[start] - middles[rim], points[end] - middles[rim]
    twice = np.cross(*arms)
    area = 0.5 * np.linalg.norm(
        np.stack([np.bincount(rim, weights=twice[:, k], minlength=number) for k in range(3)], axis=1), axis=1
    )
    length = np.linalg.norm(points[end] - points[start], axis=1)
    perimeter = np.bincount(rim, weights=length, minlength=number) + np.finfo(float).tiny
    corners = points[surface.faces]
    sides = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    of_piece = np.bincount(piece, weights=0.5 * sides)
    largest = np.zeros(number)
    np.maximum.at(largest, rim, of_piece[piece[owner]])
    is_round = (4.0 * np.pi * area > ROUND * perimeter**2) & (area < MOST_OPENING * largest)
    return np.asarray(is_round & ~_along_cracks(0.5 * (points[start] + points[end]), rim, perimeter / np.pi))


def _along_cracks(places: Floats, rim: Ints, size: Floats) -> Bools:
    """Return which rims keep near to other rims along more than half of their edges."""
    near = np.zeros(len(places))
    for neighbours in (2, 8, 32):
        open_ = near == 0.0
        near[open_] = _nearest_other(places, rim, open_, neighbours, CRACK * size[rim])
    share = np.bincount(rim, weights=near > 0.0, minlength=len(size)) / np.bincount(rim, minlength=len(size))
    return np.asarray(share > 0.5)


def _nearest_other(places: Floats, rim: Ints, asked: Bools, neighbours: int, reach: Floats) -> Floats:
    """Return 1 for asked places with another rim's edge among their nearest and within reach, else 0."""
    if not bool(asked.any()):
        return np.zeros(0)
    count = min(neighbours, len(places))
    away, which = cKDTree(places).query(places[asked], k=count)
    away, which = np.reshape(away, (-1, count)), np.reshape(which, (-1, count))
    other = (rim[which] != rim[asked][:, None]) & (away <= reach[asked][:, None])
    return np.asarray(other.any(axis=1), dtype=np.float64)
