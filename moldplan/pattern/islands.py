"""Pieces that do not belong to the figure: islands of a scan, and shells drawn twice, nearly alike."""

from dataclasses import dataclass
from typing import Final

import igl
import numpy as np

from moldplan.pattern.state import NOWHERE, Shift, shift_of
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, face_bodies
from moldplan.tolerances import ISLAND_SHARE, MOST_ISLANDS, SAME_SHELL_REL

#: A second shell is looked at through so many of its points at most.
_SAMPLES: Final = 20_000
#: Files of loose crumbs: more pieces than this are not compared with each other.
_MOST_PIECES: Final = 200


@dataclass(frozen=True, kw_only=True)
class Dropped:
    """Faces (m,) that go, how many pieces they are, and how far that moves the surface."""

    faces: Bools
    pieces: int
    shift: Shift = NOWHERE


def face_areas(surface: Surface) -> Floats:
    """Return the area (m,) of every face."""
    corners = surface.points[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.sqrt(np.einsum("ij,ij->i", normals, normals)))


def summed(label: Ints, values: Floats, number: int) -> Floats:
    """Return the sum (number,) of the values under each label."""
    return np.asarray(np.bincount(label, values, minlength=number), dtype=np.float64)


def islands(surface: Surface) -> Dropped:
    """Return the small open pieces beside the figure.

    Notes
    -----
    Small is under `ISLAND_SHARE` of the whole surface. Closed pieces are bodies, and
    `moldplan.pattern.bodies` knows whether they overlap the figure. The largest piece always stays, and all
    of them where islands would be more than `MOST_ISLANDS` of the surface.
    """
    number, label = face_bodies(surface.edges)
    if number == 1:
        return Dropped(faces=np.zeros(len(surface.faces), dtype=bool), pieces=0)
    area = summed(label, face_areas(surface), number)
    is_open = np.zeros(number, dtype=bool)
    is_open[label[surface.edges.open // 3]] = True
    is_open[label[surface.edges.crowded // 3]] = True
    small = is_open & (area < ISLAND_SHARE * area.sum())
    small[int(area.argmax())] = False
    if area[small].sum() > MOST_ISLANDS * area.sum():
        small[:] = False  # the figure itself is in pieces
    return Dropped(faces=small[label], pieces=int(small.sum()))


def second_shells(surface: Surface) -> Dropped:
    """Return the pieces that lie on a larger one all over: a shell drawn twice, nearly alike.

    Notes
    -----
    On it is nearer than `SAME_SHELL_REL` of the diagonal. Whether they face the same way does not matter: a
    wall that thin cannot be moulded. The surface may be off by as much as the two lie apart.
    """
    number, label = face_bodies(surface.edges)
    nothing = Dropped(faces=np.zeros(len(surface.faces), dtype=bool), pieces=0)
    if not 1 < number <= _MOST_PIECES:
        return nothing
    areas = face_areas(surface)
    pieces = _pieces(surface, label, summed(label, areas, number))
    reach = SAME_SHELL_REL * float(np.linalg.norm(np.ptp(surface.points[surface.faces.ravel()], axis=0)))
    gone = np.zeros(number, dtype=bool)
    samples = []
    for k, small in enumerate(pieces):
        for large in pieces[:k]:
            if gone[large.label] or not large.reaches(small, reach):
                continue
            away = _away(surface.points, small, large, reach)
            if away is not None:
                gone[small.label] = True
                samples.append((surface.points[small.points], away, small.area))
                break
    if not samples:
        return nothing
    return Dropped(faces=gone[label], pieces=int(gone.sum()), shift=_shift(samples, float(areas.sum())))


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """One connected piece: its faces, a spread of its points, its box."""

    label: int
    faces: Ints
    points: Ints
    low: Floats
    high: Floats
    area: float

    def reaches(self, other: "_Piece", slack: float) -> bool:
        """Return whether the box of another piece lies in this one's."""
        return bool((self.low - slack <= other.low).all() and (self.high + slack >= other.high).all())


def _pieces(surface: Surface, label: Ints, area: Floats) -> list[_Piece]:
    """Return the pieces, the largest first."""
    groups = np.split(np.argsort(label, kind="stable"), np.cumsum(np.bincount(label))[:-1])
    pieces = []
    for k, group in enumerate(groups):
        faces = surface.faces[group]
        points = np.unique(faces)
        places = surface.points[points]
        spread = points[:: -(-len(points) // _SAMPLES)]
        pieces.append(
            _Piece(label=k, faces=faces, points=spread, low=places.min(axis=0), high=places.max(axis=0),
                   area=float(area[k]))
        )  # fmt: skip
    return sorted(pieces, key=lambda piece: -piece.area)


def _away(points: Floats, small: _Piece, large: _Piece, reach: float) -> Floats | None:
    """Return how far the points of a piece lie from another, None when one lies beyond `reach`."""
    few = small.points[:: max(1, len(small.points) // 64)]
    for probe in (few, small.points):
        squared, _, _ = igl.point_mesh_squared_distance(points[probe], points, large.faces)
        if float(squared.max()) > reach * reach:
            return None
    return np.asarray(np.sqrt(squared))


def _shift(samples: list[tuple[Floats, Floats, float]], whole: float) -> Shift:
    """Return how far the surface may be off where one of two shells was kept."""
    places = np.concatenate([place for place, _, _ in samples])
    away = np.concatenate([far for _, far, _ in samples])
    area = np.concatenate([np.full(len(far), area / len(far)) for _, far, area in samples])
    return shift_of(away, area, places, whole=whole - sum(area for _, _, area in samples))
