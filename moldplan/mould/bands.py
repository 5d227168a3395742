"""How far closed bands of rubber have to stretch to come off a half, from slices.

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
6. Branch by branch (`branch_bands`): pieces are walked from the greatest strain down. One that hangs together
   with none before starts a band of its own; one that joins two ends the lesser, which counts only when it
   rose over the pass between them by `APART` of itself. The greatest `CLOSER_LOOKS` of at least `CLOSER_FROM`
   are looked at closely.

From below: necks and bulges between two slices are missed in part (by 0.021 of strain at most on three
figures split three ways, against 512 slices). The band is taken to lie tight round the hull of its neck;
rubber that follows hollows there has more length to give. Slender lips bend instead of stretching: not in
here, so this is no bound for them. Rubber that closes through an opening has no way off at all and shows as a
large strain. [derived, first principles]
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPoint, Point, Polygon

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
#: A band of less strain than this is no band: nobody feels it, and outlines of a scan are rougher.
LEAST_STRAIN: Final = 0.01
#: Share of a band's own strain by which it has to rise over the pass to a greater one to be one of its own.
APART: Final = 0.1
#: How many bands get closer slices.
CLOSER_LOOKS: Final = 3
#: Least strain that is worth it: what one slice misses of less is far from any limit.
CLOSER_FROM: Final = 0.2


#: Rubber breaks at 200 to 700 % (common practice, no source): a strain over this says no more than that the
#: rubber is shut in.
MOST_STRAIN: Final = 3.0


def strain_text(strain: float) -> str:
    """Return a strain for people: "62 %"; a very large one only as over the most that says anything."""
    return f"over {100.0 * MOST_STRAIN:.0f} %" if strain > MOST_STRAIN else f"{100.0 * strain:.0f} %"


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """How far the rubber has to stretch to come off, estimated: 0.2 is 20 %.

    `place_mm` is in the half's frame, the middle of the neck that asks for the most; None where nothing has
    to stretch.
    """

    strain: float
    place_mm: tuple[float, float, float] | None


@dataclass(frozen=True, kw_only=True)
class Band:
    """The band of rubber round one neck of a half, and the bulge that it has to pass over.

    `place_mm` is the middle of the neck; `bulge` (n, 2) are the corners of the hull of what stands on it at
    `bulge_mm` above the board, where that is longest.
    """

    strain: float
    place_mm: tuple[float, float, float]
    neck: Floats
    bulge: Floats
    bulge_mm: float


def band_strain(half: Half, *, levels: int = LEVELS) -> Stretch:
    """Return how far the rubber over a half has to stretch to come off, and where, estimated.

    Parameters
    ----------
    half
        The half on its board.
    levels
        How many slices to look at, 2 or more.

    Returns
    -------
    Stretch
        That of the worst band alone, for comparing splits.

    Notes
    -----
    Method and accuracy: see the module. About 0.3 s for a half of 50 000 triangles.
    """
    heights = _even_heights(half, levels)
    found = _worst(_necks(half, heights, slices_of(half, heights)))
    if found is None:
        return Stretch(strain=0.0, place_mm=None)
    closer = _closer(heights, [found])
    again = _worst(_necks(half, closer, slices_of(half, closer)))
    best = found if again is None or found.strain >= again.strain else again
    return Stretch(strain=best.strain, place_mm=best.place_mm)


def branch_bands(half: Half, *, levels: int = LEVELS) -> tuple[Band, ...]:
    """Return the bands of all branches of a half that have to stretch, the worst first.

    Parameters
    ----------
    half
        The half on its board.
    levels
        How many slices to look at, 2 or more.

    Returns
    -------
    tuple of Band
        One for each neck whose strain is at least `LEAST_STRAIN`.

    Notes
    -----
    Method and accuracy: see the module. A band that is not looked at closely is known to one slice only.
    """
    heights = _even_heights(half, levels)
    slices = slices_of(half, heights)
    bands = _peaks(list(_necks(half, heights, slices)), slices)
    if not bands:
        return ()
    near = [neck for neck in bands[:CLOSER_LOOKS] if neck.strain >= CLOSER_FROM]
    again: list[_Neck] = []
    if near:
        closer = _closer(heights, near)
        again = list(_necks(half, closer, slices_of(half, closer)))
    step = float(heights[1] - heights[0])
    best = [_closest(neck.band(), again, step) for neck in near]
    best.extend(neck.band() for neck in bands[len(near) :])
    return tuple(sorted(best, key=lambda band: (-band.strain, band.place_mm[::-1])))


@dataclass(frozen=True, kw_only=True)
class _Neck:
    """One piece of a slice that is joined to the board, and what stands on it."""

    strain: float
    level: int
    number: int
    piece: Outline
    height_mm: float
    bulge: Floats
    bulge_mm: float

    @property
    def place_mm(self) -> tuple[float, float, float]:
        """Return the middle of the piece's hull."""
        middle = MultiPoint(self.piece.corners_mm).convex_hull.centroid
        return float(middle.x), float(middle.y), self.height_mm

    def band(self) -> Band:
        """Return the neck as a value."""
        return Band(
            strain=self.strain, place_mm=self.place_mm, neck=self.piece.corners_mm, bulge=self.bulge,
            bulge_mm=self.bulge_mm,
        )  # fmt: skip


def _even_heights(half: Half, levels: int) -> Floats:
    """Return the heights of the first look."""
    return np.asarray(half.height_mm * np.linspace(LOWEST, 1.0, levels, endpoint=False))


def _closer(heights: Floats, necks: list[_Neck]) -> Floats:
    """Return closer heights about necks and their bulges.

    The lowest slice again: it says what is joined to the board.
    """
    about = [_about(height, heights) for neck in necks for height in (neck.height_mm, neck.bulge_mm)]
    return np.unique([heights[0], *np.concatenate(about)])


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


def _necks(half: Half, heights: Floats, slices: Slices) -> Iterator[_Neck]:
    """Walk over all necks that have to stretch, from the top down."""
    rooted = _rooted(slices)
    least_mm = LEAST_NECK * float(np.ptp(half.vertices, axis=0).max())
    above = [_Standing() for _ in slices.pieces[-1]]
    _add(above, slices, len(heights) - 1)
    for level in range(len(heights) - 2, -1, -1):
        above = _standing_on(above, slices.joins[level])
        for number, (standing, piece) in enumerate(zip(above, slices.pieces[level], strict=True)):
            if not rooted[level][number] or piece.perimeter_mm < least_mm:
                continue
            strain = standing.most_mm / piece.perimeter_mm - 1.0
            if strain > REL_EPSILON:
                yield _Neck(
                    strain=strain, level=level, number=number, piece=piece, height_mm=float(heights[level]),
                    bulge=standing.at[standing.most_at].corners_mm,
                    bulge_mm=float(heights[standing.most_at]),
                )  # fmt: skip
        _add(above, slices, level)


def _worst(necks: Iterator[_Neck]) -> _Neck | None:
    """Return the neck that asks for the most, the highest of equal ones."""
    worst: _Neck | None = None
    for neck in necks:
        if worst is None or neck.strain > worst.strain:
            worst = neck
    return worst


def _peaks(necks: list[_Neck], slices: Slices) -> list[_Neck]:
    """Return the necks of greatest strain, one for each branch, the worst first (step 6)."""
    order = sorted(necks, key=lambda neck: -neck.strain)  # stable: from the top down among equal ones
    peak: dict[tuple[int, int], _Neck] = {}
    into: dict[tuple[int, int], tuple[int, int]] = {}

    def home(node: tuple[int, int]) -> tuple[int, int]:
        while into[node] != node:
            node = into[node]
        return node

    kept = []
    for neck in order:
        node = (neck.level, neck.number)
        into[node] = node
        homes = {home(other) for other in _beside(node, slices) if other in into and other != node}
        ranked = sorted(homes, key=lambda at: (-peak[at].strain, at))
        for lesser in ranked[1:]:
            if _stands_out(peak[lesser], neck.strain):
                kept.append(peak[lesser])
            into[lesser] = ranked[0]
        if ranked:
            into[node] = ranked[0]
        else:
            peak[node] = neck
    # what no greater one ever met stands for itself
    kept.extend(peak[node] for node in peak if into[node] == node)
    return sorted(
        (neck for neck in kept if neck.strain >= LEAST_STRAIN),
        key=lambda neck: (-neck.strain, -neck.level, neck.number),
    )


def _stands_out(neck: _Neck, pass_strain: float) -> bool:
    """Return whether a neck rises over the pass to a greater one."""
    return neck.strain - pass_strain >= max(APART * neck.strain, LEAST_STRAIN)


def _beside(node: tuple[int, int], slices: Slices) -> Iterator[tuple[int, int]]:
    """Walk over the pieces of the slices next above and below that hang together with one."""
    level, number = node
    if level < len(slices.joins):
        low, high = slices.joins[level]
        yield from ((level + 1, int(at)) for at in np.flatnonzero(high == low[number]))
    if level > 0:
        low, high = slices.joins[level - 1]
        yield from ((level - 1, int(at)) for at in np.flatnonzero(low == high[number]))


def _closest(band: Band, necks: list[_Neck], step_mm: float) -> Band:
    """Return a band as closer slices know it: the worst neck about its own."""
    hull = MultiPoint(band.neck).convex_hull
    if not isinstance(hull, Polygon):
        return band
    best = band
    for neck in necks:
        near = abs(neck.height_mm - band.place_mm[2]) <= step_mm * (1.0 + REL_EPSILON)
        if near and neck.strain > best.strain and hull.contains(Point(neck.place_mm[:2])):
            best = neck.band()
    return best


def _add(above: list[_Standing], slices: Slices, level: int) -> None:
    """Add the pieces of one slice to what stands on each."""
    for standing, piece in zip(above, slices.pieces[level], strict=True):
        standing.add(level, piece)


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
