"""The surface of a half that rubber lies on, in small pieces of known area and slope."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.half.model import Half

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A triangle with more than one part in so many of the surface is cut into equal smaller ones.
_PARTS: Final = 4000
#: Most pieces along one side of a triangle.
_MOST_ALONG: Final = 128


@dataclass(frozen=True, kw_only=True)
class Surface:
    """Pieces of a half's surface off the board: triangles, large ones cut into equal smaller triangles.

    Piece n is part of triangle `face[n]`, has `area_mm2[n]`, its middle at `middle_mm[n]` (n, 3), which is
    the mean of the triangle's corners weighted by `weight[n]` (n, 3). `sine[n]` is the sine of its slope from
    level, 1 upright, the same for an overhang as for the slope it mirrors.
    """

    face: Ints
    weight: Floats
    middle_mm: Floats
    area_mm2: Floats
    sine: Floats

    @property
    def whole_mm2(self) -> float:
        """Area of all pieces together."""
        return float(self.area_mm2.sum())


def surface_of(half: Half) -> Surface:
    """Return the surface of `half` in pieces, none larger than about 1 / 4000 of it.

    What lies flat on the board is left out; a sealed pocket is not.
    """
    off_board = np.flatnonzero(half.vertices[half.faces, 2].max(axis=1) > 0.0)
    corners = half.vertices[half.faces[off_board]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    level = np.hypot(normals[:, 0], normals[:, 1])
    sine = np.divide(level, twice, out=np.zeros_like(twice), where=twice > 0.0)
    along = np.ceil(np.sqrt(twice * (_PARTS / max(float(twice.sum()), 1e-300)))).astype(np.int64)
    along = np.clip(along, 1, _MOST_ALONG)
    face, weight = _pieces(along)
    return Surface(
        face=off_board[face],
        weight=weight,
        middle_mm=np.einsum("nk,nkd->nd", weight, corners[face]),
        area_mm2=0.5 * twice[face] / along[face].astype(np.float64) ** 2,
        sine=sine[face],
    )


def _pieces(along: Ints) -> tuple[Ints, Floats]:
    """Return triangle and weights of the middle of every piece, in the triangles' order."""
    start = np.concatenate([[0], np.cumsum(along**2)])
    face = np.repeat(np.arange(len(along)), along**2)
    weight = np.empty((int(start[-1]), 3))
    for count in np.unique(along):
        middles = _middles(int(count))
        places = start[:-1][along == count][:, None] + np.arange(len(middles))
        weight[places] = middles
    return face, weight


def _middles(count: int) -> Floats:
    """Return the weights (count^2, 3) of the middles of the equal triangles that `count` cuts a side make."""
    i, j = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    same, other = i + j < count, i + j < count - 1
    first = np.concatenate([i[same] + 1.0 / 3.0, i[other] + 2.0 / 3.0]) / count
    second = np.concatenate([j[same] + 1.0 / 3.0, j[other] + 2.0 / 3.0]) / count
    return np.stack([1.0 - first - second, first, second], axis=1)


def thinned(surface: Surface, count: int) -> tuple[Ints, Floats]:
    """Return the numbers of about `count` pieces spread by area, and the area (mm2) that each stands for.

    Together they stand for the whole surface.
    """
    if len(surface.face) <= count:
        return np.arange(len(surface.face)), surface.area_mm2
    ends = np.cumsum(surface.area_mm2)
    marks = ends[-1] * (np.arange(count) + 0.5) / count
    taken, times = np.unique(np.searchsorted(ends, marks).astype(np.int64), return_counts=True)
    area: Floats = times.astype(np.float64) * (float(ends[-1]) / count)
    return taken, area


def steep_share(surface: Surface, share: float) -> float:
    """Return the sine of the slope that no more than `share` of the surface is steeper than."""
    order = np.argsort(surface.sine, kind="stable")
    ends = np.cumsum(surface.area_mm2[order])
    place = int(np.searchsorted(ends, (1.0 - share) * float(ends[-1])))
    return float(surface.sine[order[min(place, len(order) - 1)]])


def slope_deg(sine: float) -> float:
    """Return the slope from level, degrees, of a face with this sine."""
    return math.degrees(math.asin(min(max(sine, 0.0), 1.0)))
