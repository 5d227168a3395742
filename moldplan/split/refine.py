"""From the scan's directions to refined ones: where to start, how to walk downhill, what is the same plane.

Goal
    The least undercut near every promising direction, and the best direction of every kind (front/back,
    left/right, top/bottom, skew), whatever the scan's spacing.

Steps
    1. Starts: directions of the scan with no better one near by; the best overall and the best of each kind.
    2. Downhill over a net of triangles round the start: the best of six neighbours, as long as it is better
       by more than a workshop can tell. First 4 deg wide on the scan's own cells, those that came to one
       place then count once, and go on with 1.2 and 0.4 deg on finer cells. Every look takes its own best
       offset, so the offset is refined exactly at no cost. Looks are remembered: a step costs three new ones.
    3. With a region, neighbours are moved to the nearest allowed direction.
    4. A kind that nothing came to gets a walk of its own from its best direction, fenced in. The figure's own
       axes stand as they are: they are the easiest to mark and to saw.

    Walks know nothing of each other, and no look depends on another's timing: the result is the same whatever
    runs them.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.split.directions import SAME_COSINE
from moldplan.split.frame import facing, leading_axis
from moldplan.split.region import Region
from moldplan.split.score import Figure, Score, ranked, score
from moldplan.split.sight import square_frame

Floats = NDArray[np.float64]

#: Local minima of the scan lie farther apart than this, deg.
APART_DEG: Final = 8.0
#: How many of the best minima a search starts from, and how many of each kind.
STARTS: Final = 8
STARTS_OF_A_KIND: Final = 3
#: Width of the nets, deg: the first one on the scan's cells, the others on finer ones.
COARSE_DEG: Final = 4.0
FINE_DEG: Final = (1.2, 0.4)
#: Most knots of one walk over one net: what slides on along a crease is on its way to another walk's place.
MOST_STEPS: Final = 12
#: Walks that come nearer than this to each other are one, deg.
MET_DEG: Final = 3.0
#: Planes nearer than this are one: angle, and share of the figure's extent along the normal.
SAME_DEG: Final = 2.0
SAME_OFFSET_SHARE: Final = 0.01
#: Kinds: 0 front/back, 1 left/right, 2 top/bottom within so many degrees of the figure's axis; 3 skew.
KINDS: Final = (0, 1, 2, 3)
SKEW: Final = 3
KIND_WITHIN_DEG: Final = 20.0
#: A fenced walk keeps so far off the border of its kind, for the sake of rounding to what can be sawn.
FENCE_DEG: Final = 1.5

#: The six neighbours of a knot of the net.
_RING: Final = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))
_UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Fence:
    """Where a walk may go: `region` in the figure's frame, and the one kind it keeps to; None is anywhere."""

    region: Region | None = None
    kind: int | None = None

    def admitted(self, direction: Floats) -> Floats | None:
        """Return the allowed direction nearest to one, facing as its plane does; None outside the kind."""
        if self.region is not None:
            direction = self.region.nearest(direction, up=_UP)
            direction = direction / np.linalg.norm(direction)
        if self.kind is not None and not well_within(direction, self.kind):
            return None
        return np.asarray(facing(direction) * direction + 0.0)


@dataclass(frozen=True)
class Walk:
    """One start of the scan, figure's frame; `number` is its place in the order of preference."""

    number: int
    found: Score
    fence: Fence


def off_axis_deg(direction: Floats) -> float:
    """Return the angle between a unit direction, figure's frame, and the nearest of the figure's axes."""
    return math.degrees(math.acos(min(abs(float(direction[leading_axis(direction)])), 1.0)))


def kind_of(direction: Floats) -> int:
    """Return the kind (`KINDS`) of a unit direction in the figure's frame."""
    return SKEW if off_axis_deg(direction) > KIND_WITHIN_DEG else leading_axis(direction)


def well_within(direction: Floats, kind: int) -> bool:
    """Return whether a unit direction is of a kind, with a margin."""
    off = off_axis_deg(direction)
    if kind == SKEW:
        return off >= KIND_WITHIN_DEG + FENCE_DEG
    return off <= KIND_WITHIN_DEG - FENCE_DEG and leading_axis(direction) == kind


def starts(figure: Figure, scores: list[Score], *, cover_deg: float, fence: Fence) -> list[Walk]:
    """Return the local minima of a scan worth starting from, best first.

    `scores` in order of preference; `cover_deg` says how densely they lie.
    """
    numbered = list(enumerate(scores))
    order = _numbered_best(numbered, figure.step_mm3)
    near = math.cos(math.radians(max(APART_DEG, 2.0 * cover_deg)))
    normals = np.array([item.direction for _, item in order])
    taken: list[int] = []
    count, of_kind = 0, dict.fromkeys(KINDS, 0)
    for place in range(len(order)):
        if np.abs(normals[:place] @ normals[place]).max(initial=0.0) >= near:
            continue  # a better one lies near
        kind = kind_of(normals[place])
        if count < STARTS or of_kind[kind] < STARTS_OF_A_KIND:
            taken.append(place)
            of_kind[kind] += 1
            count += 1
    return [Walk(order[place][0], order[place][1], fence) for place in taken]


def missing(figure: Figure, scores: list[Score], found: list[Walk], *, fence: Fence) -> list[Walk]:
    """Return a fenced walk from the scan's best direction of each kind that nothing came to."""
    present = {kind_of(walk.found.direction) for walk in found}
    walks = []
    for kind in KINDS:
        own = [(number, item) for number, item in enumerate(scores) if well_within(item.direction, kind)]
        if kind not in present and own:
            number, item = _numbered_best(own, figure.step_mm3)[0]
            walks.append(Walk(number, item, replace(fence, kind=kind)))
    return walks


def square_on(figure: Figure, scores: list[Score], found: list[Walk], *, fence: Fence) -> list[Walk]:
    """Return the scan's own planes square to the figure's axes, without those that were found anyway."""
    plain = [
        Walk(number, item, fence)
        for number, item in enumerate(scores)
        if np.abs(item.direction).max() >= SAME_COSINE
    ]
    return [walk for walk in plain if not _known_plane(figure, walk.found, found)]


def walked(figure: Figure, walk: Walk, steps_deg: tuple[float, ...], cells: int) -> Walk:
    """Return a walk at the end of its way downhill over ever finer nets; a pure task for any executor."""
    best = score(figure, walk.found.direction, cells=cells)
    for step_deg in steps_deg:
        best = _downhill(figure, best, step_deg, cells, walk.fence)
    return replace(walk, found=best)


def _downhill(figure: Figure, start: Score, step_deg: float, cells: int, fence: Fence) -> Score:
    """Walk from knot to knot of one net while the best neighbour is better."""
    here, best = (0, 0), start
    known: dict[tuple[int, int], Score | None] = {here: start}
    for _ in range(MOST_STEPS):
        ring = [(here[0] + i, here[1] + j) for i, j in _RING]
        for knot in ring:
            if knot not in known:
                direction = fence.admitted(_knot(start.direction, knot, step_deg))
                known[knot] = _fresh(figure, direction, known, cells)
        around = [(known[knot], knot) for knot in ring]
        scored = [item for item, _ in around if item is not None]
        leader = ranked(scored, figure.step_mm3)[0] if scored else best
        if not leader.beats(best, figure.step_mm3):
            break
        here = next(knot for item, knot in around if item is leader)
        best = leader
    return best


def _fresh(
    figure: Figure, direction: Floats | None, known: dict[tuple[int, int], Score | None], cells: int
) -> Score | None:
    """Look along a direction unless it is not allowed or, moved by a fence, one that was looked along."""
    if direction is None:
        return None
    seen = [item.direction for item in known.values() if item is not None]
    if np.abs(np.array(seen) @ direction).max() >= SAME_COSINE:
        return None
    return score(figure, direction, cells=cells)


def _knot(middle: Floats, knot: tuple[int, int], step_deg: float) -> Floats:
    """Return the direction of one knot of the net of triangles laid round `middle`."""
    frame = square_frame(middle)
    right, ahead = knot[0] + 0.5 * knot[1], math.sqrt(0.75) * knot[1]
    length = math.hypot(right, ahead)
    angle = math.radians(step_deg) * length
    aside = (right * frame[0] + ahead * frame[1]) / length
    direction = math.cos(angle) * middle + math.sin(angle) * aside
    return np.asarray(direction / np.linalg.norm(direction))


def met(figure: Figure, walks: list[Walk]) -> list[Walk]:
    """Return one walk, the best, of those that came to the same place; best first."""
    kept: list[Walk] = []
    near = math.cos(math.radians(MET_DEG))
    for walk in best_first(walks, figure.step_mm3):
        if all(abs(float(walk.found.direction @ other.found.direction)) < near for other in kept):
            kept.append(walk)
    return kept


def distinct(figure: Figure, walks: list[Walk]) -> list[Walk]:
    """Return the walks without those that ended at a plane nearly a better one's; best first."""
    kept: list[Walk] = []
    for walk in best_first(walks, figure.step_mm3):
        if not _known_plane(figure, walk.found, kept):
            kept.append(walk)
    return kept


def _known_plane(figure: Figure, item: Score, walks: list[Walk]) -> bool:
    """Return whether one of `walks` ended at nearly this plane."""
    extent = float(np.ptp(figure.vertices @ item.direction))
    return any(
        same_plane(item.direction, item.offset_mm, found.direction, found.offset_mm, extent_mm=extent)
        for found in (walk.found for walk in walks)
    )


def same_plane(
    one: Floats, one_offset_mm: float, other: Floats, other_offset_mm: float, *, extent_mm: float
) -> bool:
    """Return whether two planes, unit normals and offsets, are so near that a shop sees one.

    `extent_mm` is the figure's along the first normal.
    """
    cosine = float(one @ other)
    offset = other_offset_mm if cosine > 0.0 else -other_offset_mm
    close = abs(one_offset_mm - offset) <= SAME_OFFSET_SHARE * extent_mm
    return close and abs(cosine) >= math.cos(math.radians(SAME_DEG))


def best_first(walks: list[Walk], step_mm3: float) -> list[Walk]:
    """Return the walks best first; of those a workshop cannot tell apart, in order of preference."""
    scores = [walk.found for walk in sorted(walks, key=lambda walk: walk.number)]
    by_score = {id(walk.found): walk for walk in walks}
    return [by_score[id(item)] for item in ranked(scores, step_mm3)]


def _numbered_best(numbered: list[tuple[int, Score]], step_mm3: float) -> list[tuple[int, Score]]:
    """Return numbered scores best first."""
    numbers = {id(item): number for number, item in numbered}
    return [(numbers[id(item)], item) for item in ranked([item for _, item in numbered], step_mm3)]
