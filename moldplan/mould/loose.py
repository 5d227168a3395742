"""Loose jacket pieces: which way a rigid filling of an undercut gets out.

Goal
    A rigid piece takes the place of the solid rubber in an undercut: what lies there beyond the skin. It is
    bound to leave before the rubber is peeled, along one straight direction, with the skin still on the
    pattern. How much of the filling can leave so, along which direction, and how large is the piece?

Steps
    1. The half as cubes round the undercut, with their distance from the half (`moldplan.mould.cubes`). The
       filling is what lies in the undercut at least a skin away from the half.
    2. Points of the filling move along directions of the upper half of the globe (the board is below), level
       ones first, as shops make them (`moldplan.columns.leave`). Each either meets the half or leaves.
    3. The direction that clears the most is turned a little, twice. Among equals the one whose neighbours
       clear much as well is taken: a shop does not hit it to the degree.
    4. Where one piece leaves too much behind, a second and a third take what is left, the best first.

Error budget
    Points keep the skin's thickness from the half, less one cube: the rubber gives so much. With some
    40 000 cubes in the box of an undercut a cube is a thirtieth to a fiftieth of it. Shares are of some
    hundred points, good to two or three hundredths.

Not modelled
    Draft of the piece, its keys, and whether the shop can hold it. That the filling may fall into pieces that
    do not hang together. Turning a piece on its way out.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.leave import Cubes, leaving
from moldplan.half.model import Half, Region
from moldplan.mould.cubes import box_of, clear_cubes, edge_for, gap_cubes, middles
from moldplan.mould.model import Point3

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Cubes in the box round an undercut, and in the box round the half.
NEAR_CUBES: Final = 40_000
FAR_CUBES: Final = 60_000
#: Points of the filling that are moved.
MOST_POINTS: Final = 180
#: Fewer cubes of filling than this are no piece.
LEAST_POINTS: Final = 12
#: Heights over the board that directions are tried at, deg, and how many at each.
RINGS: Final = ((0.0, 24), (15.0, 24), (30.0, 20), (45.0, 16), (60.0, 12), (75.0, 6))
#: How far, deg, the best direction is turned at each refinement.
TURNS_DEG: Final = (6.0, 2.5)
#: Most pieces for one undercut.
MOST_PIECES: Final = 3
#: A further piece must clear at least this share of the filling.
LEAST_MORE: Final = 0.08
#: How much a direction's neighbours, within `NEIGHBOURS_DEG`, count against its own share.
WEIGHT: Final = 0.02
NEIGHBOURS_DEG: Final = 20.0


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One loose piece: the unit direction it leaves along, the share of the filling it takes, its box.

    `size_mm` is longest first.
    """

    pull: Point3
    share: float
    size_mm: Point3


def surroundings(half: Half) -> Cubes:
    """Return coarse cubes round the whole half, for the way of pieces beyond their own undercut."""
    low = half.vertices.min(axis=0)
    high = half.vertices.max(axis=0)
    return clear_cubes(half, low, high, edge_for(low, high, most=FAR_CUBES, least_mm=0.0))


def loose_pieces(
    half: Half, region: Region, far: Cubes, *, skin_mm: float, enough: float
) -> tuple[Piece, ...]:
    """Return the loose pieces that clear one undercut, the largest first.

    Parameters
    ----------
    half, region
        The half on its board, and one of its undercuts.
    far
        `surroundings` of the half.
    skin_mm
        Rubber that stays on the pattern.
    enough
        Share of the filling, 0 to 1, with which no further piece is looked for.

    Returns
    -------
    tuple of Piece
        At most `MOST_PIECES`; their shares add up to what leaves. Empty when there is too little filling for
        a piece, or none of it leaves.

    Notes
    -----
    Some 20 ms for an undercut.
    """
    near, filling = _filling(half, region, skin_mm)
    if len(filling) < LEAST_POINTS:
        return ()
    points = filling[:: max(len(filling) // MOST_POINTS, 1)]
    seen = _Seen(near=near, far=far, skin_mm=skin_mm)
    left = np.ones(len(points), dtype=bool)
    directions = _directions()
    out = seen.leaving(points, directions)
    pieces: list[Piece] = []
    while len(pieces) < MOST_PIECES and left.mean() > 1.0 - enough:
        pull, gone = _best(seen, points, directions, out, left)
        if gone.mean() < LEAST_MORE:
            break
        pieces.append(_piece(points[gone], pull, float(gone.mean()), near.edge_mm))
        left &= ~gone
    return tuple(pieces)


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What points move through."""

    near: Cubes
    far: Cubes
    skin_mm: float

    def leaving(self, points: Floats, directions: Floats) -> Bools:
        """Return which points leave along which directions."""
        return leaving(
            points, directions, near=self.near, far=self.far,
            near_mm=max(self.skin_mm - self.near.edge_mm, 0.25 * self.near.edge_mm),
            far_mm=max(self.skin_mm - self.far.edge_mm, 0.25 * self.far.edge_mm),
        )  # fmt: skip


def _filling(half: Half, region: Region, skin_mm: float) -> tuple[Cubes, Floats]:
    """Return the cubes round an undercut, and the middles of those beyond the skin."""
    gaps = half.undercut.gaps
    low, high = box_of(gaps, region.id)
    edge = edge_for(low - skin_mm, high + skin_mm, most=NEAR_CUBES, least_mm=gaps.grid.cell_mm)
    margin = skin_mm + 2.0 * edge
    low, high = low - margin, high + margin
    near = clear_cubes(half, low, high, edge)
    inside = gap_cubes(gaps, region.id, low, near.clear_mm.shape, edge) & (near.clear_mm >= skin_mm)
    return near, middles(low, edge, inside)


def _directions() -> Floats:
    """Return the directions (d, 3) that are tried first."""
    found = []
    for height_deg, count in RINGS:
        rise, turn = np.radians(height_deg), 2.0 * np.pi * np.arange(count) / count
        ring = [np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.full(count, np.sin(rise))]
        found.append(np.stack(ring, axis=1))
    return np.concatenate(found)


def _best(seen: _Seen, points: Floats, directions: Floats, out: Bools, left: Bools) -> tuple[Floats, Bools]:
    """Return the direction that clears the most of what is left, and which points it clears."""
    shares = (out & left).mean(axis=1)
    close = directions @ directions.T >= np.cos(np.radians(NEIGHBOURS_DEG))
    # no matrix product: what that sums may depend on how many threads there are
    around = (close * shares).sum(axis=1) / close.sum(axis=1)
    first = int(np.argmax(shares + WEIGHT * around))
    pull, gone = directions[first], out[first] & left
    for turn_deg in TURNS_DEG:
        near_by = _turned(pull, np.radians(turn_deg))
        cleared = seen.leaving(points, near_by) & left
        better = int(np.argmax(cleared.sum(axis=1)))
        if cleared[better].sum() > gone.sum():
            pull, gone = near_by[better], cleared[better]
    return pull, gone


def _turned(pull: Floats, angle: float) -> Floats:
    """Return eight directions at an angle (rad) round one, none below level."""
    level = np.array([-pull[1], pull[0], 0.0]) / np.hypot(pull[0], pull[1])
    other = np.cross(pull, level)
    sides = 2.0 * np.pi * np.arange(8) / 8
    aside = np.cos(sides)[:, None] * level + np.sin(sides)[:, None] * other
    turned = np.cos(angle) * pull + np.sin(angle) * aside
    turned[:, 2] = np.maximum(turned[:, 2], 0.0)
    return np.asarray(turned / np.linalg.norm(turned, axis=1, keepdims=True))


def _piece(points: Floats, pull: Floats, share: float, edge_mm: float) -> Piece:
    """Return a piece by the points it takes."""
    level = np.array([-pull[1], pull[0], 0.0]) / np.hypot(pull[0], pull[1])
    frame = np.stack([pull, level, np.cross(pull, level)])
    sides = np.sort(np.ptp(points @ frame.T, axis=0) + edge_mm)[::-1]
    return Piece(
        pull=(float(pull[0]) + 0.0, float(pull[1]) + 0.0, float(pull[2]) + 0.0),
        share=share,
        size_mm=(float(sides[0]), float(sides[1]), float(sides[2])),
    )
