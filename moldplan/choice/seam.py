"""The line a plane leaves on a figure: how long it is, and where it is a nuisance.

1. Every face that the plane parts holds one straight piece of the seam. A corner within rounding of the plane
   counts as below it, so that no piece is lost or counted twice; faces in the plane hold none. This is the
   outline of what lies just above the plane, and so of the sawn face of half A.
2. Each piece runs, within its face, through each patch on one stretch: a box clips it exactly; of marked
   corners the mark is taken as 1 and of all others as 0, linear over the face, and half and more is inside.
3. The pieces are cut where stretches begin and end, then to `PIECE_MM` or less; each is inside a patch, or
   within the margin of the nearest patch's points, or neither.

Length, length over the front and length inside patches are exact for the mesh; the length near them is good
to one piece at each end and to the spacing of the patch's points: with a third of the margin between
neighbours the margin may be short by 2 %. [derived, first principles]
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.choice.model import Patch, Seam
from moldplan.half.solids import unit_normal
from moldplan.pattern.model import Pattern, axis_vector
from moldplan.split.model import Plane
from moldplan.tolerances import BOARD_EPSILON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: The seam runs over the front where the surface faces the figure's front within this, deg.
FRONT_DEG: Final = 60.0
#: Longest piece of seam that is near a patch, or not, as a whole, mm.
PIECE_MM: Final = 5.0


@dataclass(frozen=True, kw_only=True)
class Lines:
    """The seam as straight pieces, in no order.

    `ends_mm` (k, 2, 3) in file axes from the middle of the bounding box; `face` (k,) the face each lies on;
    `between` (k, 2, 2) the two corners of the mesh each end lies between, and `share` (k, 2) how far along
    from the first to the second.
    """

    ends_mm: Floats
    face: Ints
    between: Ints
    share: Floats

    @property
    def lengths_mm(self) -> Floats:
        """Length of every piece (k,)."""
        return np.asarray(np.linalg.norm(self.ends_mm[:, 1] - self.ends_mm[:, 0], axis=1))


def seam_of(pattern: Pattern, plane: Plane, patches: Sequence[Patch] = (), *, margin_mm: float) -> Seam:
    """Return the seam that a plane leaves on the whole figure, and how much of it is where.

    Parameters
    ----------
    pattern
        The figure.
    plane
        Where it is parted.
    patches
        What the seam is to keep off; where two overlap, `clean_mm` counts the seam once.
    margin_mm
        How far from a patch the seam counts as near it, 0 or more.

    Returns
    -------
    Seam
        All lengths 0 when the plane misses the figure.

    Raises
    ------
    SettingError
        When the plane's normal has no length, or a number is not finite.

    Notes
    -----
    Accuracy: see the module. A few ms for 100 000 faces without patches.
    """
    lines = seam_lines(pattern, plane)
    lengths = lines.lengths_mm
    total = float(lengths.sum())
    over_front = _faces_front(pattern, lines)
    stretches = [_stretch(patch, lines) for patch in patches]
    clean_of = [
        (patch.name, float(((high - low) * lengths).sum()))
        for patch, (low, high) in zip(patches, stretches, strict=True)
    ]
    clean, near = _clean_and_near(lines, patches, stretches, margin_mm)
    return Seam(
        length_mm=total,
        front_mm=float(lengths[over_front].sum()),
        clean_mm=min(clean, total),
        near_mm=near,
        clean_of=tuple((name, length) for name, length in clean_of if length > 0.0),
    )


def seam_lines(pattern: Pattern, plane: Plane) -> Lines:
    """Return the pieces of the seam, one for every face that the plane parts.

    Raises
    ------
    SettingError
        When the plane's normal has no length, or a number is not finite.
    """
    height = pattern.vertices @ unit_normal(plane) - plane.offset_mm
    slack = BOARD_EPSILON * max(pattern.size_mm)
    above = height > slack
    corners = above[pattern.faces]
    count = corners.sum(axis=1)
    face = np.flatnonzero((count == 1) | (count == 2))
    # the corner that is alone on its side of the plane, and the other two after it
    alone = np.where(count[face] == 1, corners[face].argmax(axis=1), corners[face].argmin(axis=1))
    trio = pattern.faces[face[:, None], (alone[:, None] + np.arange(3)) % 3]
    # from the lower to the higher number: both faces of an edge then see the very same point
    between = np.sort(np.stack([trio[:, [0, 1]], trio[:, [0, 2]]], axis=1), axis=2)
    first, second = height[between[..., 0]], height[between[..., 1]]
    share = np.clip(first / (first - second), 0.0, 1.0)
    one, two = pattern.vertices[between[..., 0]], pattern.vertices[between[..., 1]]
    ends = one + share[..., None] * (two - one)
    return Lines(ends_mm=ends, face=face, between=between, share=share)


def _faces_front(pattern: Pattern, lines: Lines) -> NDArray[np.bool_]:
    """Return which pieces lie on faces that look to the figure's front."""
    a, b, c = np.moveaxis(pattern.vertices[pattern.faces[lines.face]], 1, 0)
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    return np.asarray(normal @ axis_vector(pattern.front) >= math.cos(math.radians(FRONT_DEG)) * size)


def _stretch(patch: Patch, lines: Lines) -> tuple[Floats, Floats]:
    """Return where (0 to 1) each piece enters and leaves a patch; the same place where it is never inside."""
    if patch.low_mm is not None and patch.high_mm is not None:
        return _in_box(np.array(patch.low_mm), np.array(patch.high_mm), lines)
    marks = patch.marked.astype(np.float64)[lines.between]
    ends = marks[..., 0] + lines.share * (marks[..., 1] - marks[..., 0])
    return _where_at_least(ends[:, 0] - 0.5, ends[:, 1] - 0.5)


def _in_box(low_mm: Floats, high_mm: Floats, lines: Lines) -> tuple[Floats, Floats]:
    """Return where each piece runs inside a box."""
    low, high = np.zeros(len(lines.face)), np.ones(len(lines.face))
    for axis in range(3):
        start, end = lines.ends_mm[:, 0, axis], lines.ends_mm[:, 1, axis]
        for enter, leave in (
            _where_at_least(start - low_mm[axis], end - low_mm[axis]),
            _where_at_least(high_mm[axis] - start, high_mm[axis] - end),
        ):
            low, high = np.maximum(low, enter), np.minimum(high, leave)
    return low, np.maximum(low, high)


def _where_at_least(start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return the part (0 to 1) over which a value that runs evenly from `start` to `end` is 0 or more."""
    fall = start - end
    crossing = np.clip(np.divide(start, fall, out=np.zeros_like(start), where=fall != 0.0), 0.0, 1.0)
    low = np.where(start >= 0.0, 0.0, np.where(end >= 0.0, crossing, 1.0))
    high = np.where(end >= 0.0, 1.0, np.where(start >= 0.0, crossing, 1.0))
    return low, np.maximum(low, high)


def _clean_and_near(
    lines: Lines, patches: Sequence[Patch], stretches: Sequence[tuple[Floats, Floats]], margin_mm: float
) -> tuple[float, float]:
    """Return how much of the seam is inside patches, and how much outside but within the margin."""
    if not patches:
        return 0.0, 0.0
    piece, start, end = _cut_up(lines.lengths_mm, [place for pair in stretches for place in pair])
    middle = 0.5 * (start + end)
    length = (end - start) * lines.lengths_mm[piece]
    inside = np.zeros(len(piece), dtype=bool)
    for low, high in stretches:
        inside |= (low[piece] <= middle) & (middle <= high[piece])
    one, two = lines.ends_mm[piece, 0], lines.ends_mm[piece, 1]
    places = one + middle[:, None] * (two - one)
    distance, _ = cKDTree(np.concatenate([patch.points_mm for patch in patches])).query(places)
    return float(length[inside].sum()), float(length[~inside & (distance <= margin_mm)].sum())


def _cut_up(lengths_mm: Floats, places: Sequence[Floats]) -> tuple[Ints, Floats, Floats]:
    """Return the seam's pieces cut at `places` (each (k,), 0 to 1) and to `PIECE_MM` at most.

    As the number of the piece each comes from, and from where to where (0 to 1) on it.
    """
    count = len(lengths_mm)
    parts = np.maximum(np.ceil(lengths_mm / PIECE_MM).astype(np.int64), 1)
    owner = np.repeat(np.arange(count), parts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    number = np.concatenate([owner, np.arange(count), *(np.arange(count) for _ in places)])
    place = np.concatenate([step / parts[owner], np.ones(count), *places])
    order = np.lexsort((place, number))
    number, place = number[order], place[order]
    same = (number[1:] == number[:-1]) & (place[1:] > place[:-1])
    return number[:-1][same], place[:-1][same], place[1:][same]
