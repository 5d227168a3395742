"""What one direction is worth to a search: its best allowed offset, and what it locks there."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import PatternError
from moldplan.split.sight import MOST_CELLS, Sight, allowed_offset, look
from moldplan.tolerances import REL_EPSILON, UNDERCUT_NOTHING

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: How an offset stands to the patches it is to be clear of: clear by the margin, clear, not clear.
MISSES: Final = (0, 1, 2)


@dataclass(frozen=True)
class Figure:
    """What every look of a search needs: the mesh in the figure's frame, and what a plane must leave.

    `volume_mm3` is the mesh's own; `clear_of` holds points (k, 3) of each patch the plane is to keep
    `clear_margin_mm` off. It holds arrays and numbers only, so that it can be sent to another process.
    """

    vertices: Floats
    faces: Ints
    volume_mm3: float
    least_share: float
    clear_of: tuple[Floats, ...] = ()
    clear_margin_mm: float = 0.0

    @property
    def step_mm3(self) -> float:
        """Undercuts that differ by less are the same to a workshop."""
        return UNDERCUT_NOTHING * self.volume_mm3


@dataclass(frozen=True)
class Score:
    """One direction (3,), figure's frame, at its best allowed offset.

    `miss` says how the offset stands to the patches: see `MISSES`.
    """

    direction: Floats
    offset_mm: float
    undercut_mm3: float
    locked_mm3: float
    share_above: float
    miss: int

    def beats(self, other: "Score", step_mm3: float) -> bool:
        """Return whether this one is better by more than a workshop can tell."""
        if self.miss != other.miss:
            return self.miss < other.miss
        return self.undercut_mm3 < other.undercut_mm3 - step_mm3


def score(figure: Figure, direction: Floats, *, cells: int) -> Score:
    """Return the unit `direction` at its best allowed offset, seen on so many cells.

    Raises
    ------
    PatternError
        When the mesh is so thin that no column meets it however many there are.
    """
    sight = _sight(figure, direction, cells)
    offset, share, miss = best_offset(sight, figure, direction)
    return Score(direction, offset, sight.undercut_mm3(offset), sight.locked_mm3, share, miss)


def _sight(figure: Figure, direction: Floats, cells: int) -> Sight:
    """Look along a direction; on more cells when the figure slips through between the columns."""
    sight = look(figure.vertices, figure.faces, direction, cells=cells)
    while not len(sight.tops_mm):
        if cells == MOST_CELLS:
            raise PatternError(
                "pattern: too long for its thickness to look for a split; give the plane with --cut"
            )
        cells = min(4 * cells, MOST_CELLS)
        sight = look(figure.vertices, figure.faces, direction, cells=cells)
    return sight


def ranked(scores: list[Score], step_mm3: float) -> list[Score]:
    """Return the scores best first; of those a workshop cannot tell apart, in the order given."""
    least = {
        miss: min((item.undercut_mm3 for item in scores if item.miss == miss), default=0.0) for miss in MISSES
    }
    return sorted(
        scores, key=lambda item: (item.miss, int((item.undercut_mm3 - least[item.miss]) / step_mm3))
    )


def best_offset(sight: Sight, figure: Figure, direction: Floats) -> tuple[float, float, int]:
    """Return the best allowed offset, the share of the volume above it, and how it stands to the patches.

    Each half holds its least share whatever else is wished. The undercut is convex in the offset, so the best
    offset that is clear of every patch is the nearest clear one on either side of the best of all. When
    there is none with the margin, the margin is given up, and then the patch.
    """
    free, share = _within_share(sight, figure, sight.best_offset_mm)
    if not figure.clear_of:
        return free, share, 0
    for miss, margin in ((0, figure.clear_margin_mm), (1, 0.0)):
        ends = list(_clear(sight, figure, direction, free, margin))
        held = [end for end in ends if end == free or _within_share(sight, figure, end)[0] == end]
        if held:
            best = min(held, key=sight.undercut_mm3)
            return (best, share if best == free else _within_share(sight, figure, best)[1], miss)
    return free, share, 2


def _within_share(sight: Sight, figure: Figure, offset_mm: float) -> tuple[float, float]:
    """Return the nearest offset that leaves each half its share, and the share above."""
    return allowed_offset(sight, offset_mm, volume_mm3=figure.volume_mm3, least_share=figure.least_share)


def _clear(
    sight: Sight, figure: Figure, direction: Floats, offset_mm: float, margin_mm: float
) -> Iterator[float]:
    """Walk over the nearest offsets below and above that are clear of every patch; only itself when it is."""
    tiny = REL_EPSILON * float(np.ptp(sight.heights_mm))  # so that rounding never leaves the end inside
    spans = []
    for points in figure.clear_of:
        along = points @ direction
        spans.append((float(along.min()) - margin_mm - tiny, float(along.max()) + margin_mm + tiny))
    low = high = offset_mm
    for start, end in sorted(spans):
        if start < high < end:
            high = end
    for start, end in sorted(spans, key=lambda span: -span[1]):
        if start < low < end:
            low = start
    yield low
    if high != low:
        yield high
