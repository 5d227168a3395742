"""How far the rubber has to stretch to come off a half: a first estimate, from slices.

Goal: the rubber lies round the half in closed bands. To come off, the band round a neck has to pass over
everything that stands on the neck. Stretched, it is no shorter than the convex hull of what it passes over.

1. Slices of the half at even heights, from just above the board (`LEVELS`). Each slice is made of pieces; the
   hull of a piece is that of its outline.
2. What stands on a piece: all of the half above its height that hangs together with it. Found from the mesh:
   two outlines are joined where the surface between two heights joins them, so a thin arm that runs sideways
   between two slices is not lost; what hangs down from above counts as well.
3. Only pieces that are joined downward to the board are necks. The band round a tip that hangs free slips off
   the tip downward.
4. Strain = max over necks and the slices above of (perimeter of the hull of what stands on the neck) /
   (perimeter of the hull of the neck) - 1, at least 0.

5. Once more with slices `FINER` times as close about the neck and the bulge of the greatest strain.

From below: necks and bulges between two slices are missed in part (by 0.021 of strain at most on three
figures split three ways, against 512 slices). The band is taken to lie tight round the hull of its neck;
rubber that follows hollows there has more length to give. Slender lips bend instead of stretching: not in
here, so this is no bound for them. Rubber that closes through an opening has no way off at all and shows as a
large strain. [derived, first principles]
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPoint

from moldplan.choice.model import Peel
from moldplan.half.model import Half
from moldplan.half.slices import Outline, Slices, hull_of, slices_of
from moldplan.tolerances import REL_EPSILON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Slices of a half.
LEVELS: Final = 48
#: How many times closer slices lie in the second look, which reaches one step of the first either side.
FINER: Final = 4
#: Height of the lowest slice above the board, as a share of the half's height.
LOWEST: Final = 1e-6
#: Least hull of a neck, as a share of the half's size: less is a point, and rounding.
LEAST_NECK: Final = 1e-4


def peel_of(half: Half, *, levels: int = LEVELS) -> Peel:
    """Return how far the rubber over a half has to stretch to come off, and where, estimated.

    Parameters
    ----------
    half
        The half on its board.
    levels
        How many slices to look at, 2 or more.

    Returns
    -------
    Peel
        The place is the middle of the neck that asks for the most; None where nothing has to stretch.

    Notes
    -----
    Method and accuracy: see the module. About 0.3 s for a half of 50 000 triangles.
    """
    heights = half.height_mm * np.linspace(LOWEST, 1.0, levels, endpoint=False)
    found = _worst(half, heights, slices_of(half, heights))
    if found.place_mm is None:
        return Peel(strain=0.0, place_mm=None)
    # the lowest slice again: it says what is joined to the board
    closer = np.unique([heights[0], *_about(found.place_mm[2], heights), *_about(found.bulge_mm, heights)])
    again = _worst(half, closer, slices_of(half, closer))
    best = max(found, again, key=lambda look: look.strain)
    return Peel(strain=best.strain, place_mm=best.place_mm)


@dataclass(frozen=True, kw_only=True)
class _Neck:
    """The neck that asks for the most: its middle, and the height of the bulge that has to come off it."""

    strain: float
    place_mm: tuple[float, float, float] | None
    bulge_mm: float


def _about(height_mm: float, heights_mm: Floats) -> Floats:
    """Return closer heights about one of even ones, out to its neighbours."""
    step = (heights_mm[1] - heights_mm[0]) / FINER
    closer = height_mm + step * np.arange(-FINER, FINER + 1)
    return np.asarray(closer[(closer > heights_mm[0]) & (closer < heights_mm[-1] + FINER * step)])


class _Standing:
    """All that stands above a height and hangs together: its hull at every slice."""

    def __init__(self) -> None:
        self.at: dict[int, Outline] = {}
        self.most_mm = 0.0
        self.most_at = 0

    def add(self, level: int, piece: Outline) -> None:
        """Add a piece of one slice."""
        here = self.at.get(level)
        whole = piece if here is None else hull_of(np.concatenate([here.corners_mm, piece.corners_mm]))
        self.at[level] = whole
        if whole.perimeter_mm > self.most_mm:
            self.most_mm, self.most_at = whole.perimeter_mm, level

    def take(self, other: "_Standing") -> None:
        """Take in all of another."""
        for level, piece in other.at.items():
            self.add(level, piece)


def _worst(half: Half, heights: Floats, slices: Slices) -> _Neck:
    """Return the neck that asks for the most, walking down from the top."""
    rooted = _rooted(slices)
    least_mm = LEAST_NECK * float(np.ptp(half.vertices, axis=0).max())
    worst = _Neck(strain=0.0, place_mm=None, bulge_mm=0.0)
    above = [_Standing() for _ in slices.pieces[-1]]
    _add(above, slices, len(heights) - 1)
    for level in range(len(heights) - 2, -1, -1):
        above = _standing_on(above, slices.joins[level])
        for standing, piece, neck in zip(above, slices.pieces[level], rooted[level], strict=True):
            if neck and piece.perimeter_mm >= least_mm:
                strain = standing.most_mm / piece.perimeter_mm - 1.0
                if strain > max(worst.strain, REL_EPSILON):
                    place = _middle(piece, float(heights[level]))
                    worst = _Neck(strain=strain, place_mm=place, bulge_mm=heights[standing.most_at])
        _add(above, slices, level)
    return worst


def _add(above: list[_Standing], slices: Slices, level: int) -> None:
    """Add the pieces of one slice to what stands on each."""
    for standing, piece in zip(above, slices.pieces[level], strict=True):
        standing.add(level, piece)


def _middle(piece: Outline, height_mm: float) -> tuple[float, float, float]:
    """Return the middle of a piece's hull."""
    middle = MultiPoint(piece.corners_mm).convex_hull.centroid
    return float(middle.x), float(middle.y), height_mm


def _rooted(slices: Slices) -> list[NDArray[np.bool_]]:
    """Return which pieces of each slice are joined downward to the board."""
    rooted = [np.ones(len(slices.pieces[0]), dtype=bool)]
    for low, high in slices.joins:
        rooted.append(np.isin(high, low[rooted[-1]]))
    return rooted


def _standing_on(above: list[_Standing], join: tuple[Ints, Ints]) -> list[_Standing]:
    """Return what stands on each piece of a slice, from what hangs together from the next one up.

    Pieces under one body, and under bodies that hang together higher up, share it.
    """
    low, high = join
    on_body: dict[int, _Standing] = {}
    for number, body in enumerate(high.tolist()):
        mine, other = on_body.setdefault(body, above[number]), above[number]
        if mine is not other:
            mine.take(other)
            above = [mine if standing is other else standing for standing in above]
            on_body = {key: mine if standing is other else standing for key, standing in on_body.items()}
    return [on_body.setdefault(body, _Standing()) for body in low.tolist()]
