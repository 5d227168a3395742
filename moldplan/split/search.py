"""The first search: which plane, through the whole figure, locks the least rubber.

Goal
    The flat split of least undercut volume among planes that leave each half a fair share of the figure.

Steps
    1. Everything in the figure's own frame, so that the file's axes make no difference.
    2. A lighter copy of heavy meshes; the directions of `directions`.
    3. Each direction: one look, the best offset by the median (`sight`), moved to the nearest allowed one
       when a half would be too small. Directions do not know of each other: threads change nothing.
    4. The best few again on the whole mesh and finer cells.
    5. Ranked by undercut; what differs by less than a workshop can tell counts as equal, and then the
       direction a shop would prefer (front, left, up, ...) comes first.

Error budget
    The undercut of a candidate is a midpoint sum over 256 columns: some 0.5 % of itself. Its direction is
    the best of those seen, not the best there is: the least undercut of all directions lies lower by what
    half the spacing of directions is worth.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.split.directions import cover_deg, directions, flat_normals
from moldplan.split.frame import figure_axes
from moldplan.split.light import arranged, light_copy
from moldplan.split.model import Candidate, Plane, Splits
from moldplan.split.relief import flat_back
from moldplan.split.sight import allowed_offset, check_cells, in_figure_frame, look, unit
from moldplan.tolerances import LEAST_HALF_SHARE, UNDERCUT_NOTHING

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Directions between two reports of progress (and looks at whether to stop).
BATCH: Final = 16
#: Finest icosphere: 5121 directions.
MOST_LEVEL: Final = 5


@dataclass(frozen=True, kw_only=True)
class SearchOptions:
    """How thoroughly to search.

    Raises
    ------
    SettingError
        When a value is out of its range.
    """

    level: int = 3
    """Refinement of the icosahedron, 0 to 5: 6, 21, 81, 321, 1281 or 5121 even directions."""
    cells: int = 128
    """Cells along the longer side of a projection in the first pass, 8 to 4096."""
    final_cells: int = 256
    """The same for the best few, on the whole mesh."""
    keep: int = 16
    """How many of the best are measured again and returned, at least 1."""
    least_share: float = LEAST_HALF_SHARE
    """Least share of the volume a half may hold, 0 to 0.5."""
    extra_axes: tuple[tuple[float, float, float], ...] = ()
    """Further directions to try, in the file's axes, any length but zero."""
    light_faces: int = 120_000
    """Triangles above which the first pass runs on a lighter copy, at least 1000; for fewer than about
    this many making the copy costs more than it saves."""
    workers: int = 2
    """Threads, at least 1. The result does not depend on it."""

    def __post_init__(self) -> None:
        """Refuse what makes no sense."""
        check_cells(self.cells)
        check_cells(self.final_cells)
        for name, value, low, high in (
            ("level", self.level, 0, MOST_LEVEL),
            ("keep", self.keep, 1, 10_000),
            ("least_share", self.least_share, 0.0, 0.499),
            ("light_faces", self.light_faces, 1000, 100_000_000),
            ("workers", self.workers, 1, 256),
        ):
            if not low <= value <= high:
                raise SettingError(f"search option {name}: got {value}, allowed {low} to {high}")


@dataclass(frozen=True)
class _Score:
    """One direction at its best allowed offset, in the figure's frame."""

    index: int
    direction: Floats
    offset_mm: float
    undercut_mm3: float
    locked_mm3: float
    share_above: float


@dataclass(frozen=True)
class _Pass:
    """One pass over directions: which mesh, along what, on how many cells, and what a half must hold."""

    mesh: tuple[Floats, Ints]
    volume_mm3: float
    directions: Floats
    cells: int
    least_share: float

    def score(self, index: int) -> _Score:
        """Return one direction at its best allowed offset."""
        direction = self.directions[index]
        sight = look(*self.mesh, direction, cells=self.cells)
        offset, share = allowed_offset(
            sight, sight.best_offset_mm, volume_mm3=self.volume_mm3, least_share=self.least_share
        )
        return _Score(index, direction, offset, sight.undercut_mm3(offset), sight.locked_mm3, share)


def find_splits(
    pattern: Pattern, *, options: SearchOptions | None = None, progress: Progress = QUIET
) -> Splits:
    """Return the flat splits of least undercut, best first, and the flat back of a relief.

    Parameters
    ----------
    pattern
        A closed solid in mm.
    options
        How thoroughly to search; None for the usual.
    progress
        Told of each batch of directions; its `stop` event ends the search.

    Returns
    -------
    Splits
        The best `options.keep` directions, each at its best allowed offset, measured on the whole mesh.
        Normals point to the figure's front, left or top. `open_back` is set when one half can hold
        the whole figure.

    Raises
    ------
    SettingError
        When an extra axis is no direction, or up and front lie along the same axis.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Accuracy and method: see the module. Some 0.7 s for 60 k triangles and 321 directions on two cores.
    """
    wanted = SearchOptions() if options is None else options
    axes, volume = figure_axes(pattern.up, pattern.front), pattern.volume_mm3
    whole = arranged(in_figure_frame(pattern), pattern.faces)
    progress.step("looking for a flat back", 0.0)
    flats = flat_normals(*whole)
    back = flat_back(*whole, flats)
    progress.step("looking for the split", 0.05)
    extra = np.array([axes @ unit(axis) for axis in wanted.extra_axes]).reshape(-1, 3)
    seen = directions(*whole, level=wanted.level, flats=flats, extra=extra)
    light = arranged(*light_copy(*whole, most=wanted.light_faces)[:2])
    first = _Pass(light, mesh_volume_mm3(*light), seen, wanted.cells, wanted.least_share)
    ranked = _ranked(_scores(first, range(len(seen)), wanted.workers, progress.part(0.1, 0.85)), volume)
    second = replace(first, mesh=whole, volume_mm3=volume, cells=wanted.final_cells)
    kept = [score.index for score in ranked[: wanted.keep]]
    best = _ranked(_scores(second, kept, wanted.workers, progress.part(0.85, 1.0)), volume)
    return Splits(
        candidates=tuple(_candidate(score, axes) for score in best),
        directions_tried=len(seen),
        cover_deg=cover_deg(wanted.level),
        open_back=None if back is None else _plane(back[0], back[1], axes),
    )


def _scores(seen: _Pass, indices: Sequence[int], workers: int, progress: Progress) -> list[_Score]:
    """Return the scores of the directions `indices`, in that order; threads share nothing but the mesh."""
    scores = [seen.score(indices[0])]  # alone, so that a first run compiles in one thread
    with ThreadPoolExecutor(max_workers=workers, thread_name_prefix="direction") as pool:
        waiting = pool.map(seen.score, indices[1:])
        try:
            for number, score in enumerate(waiting):
                if number % BATCH == 0:
                    progress.step(f"looking along {len(seen.directions)} directions", number / len(indices))
                scores.append(score)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return scores


def _ranked(scores: list[_Score], volume_mm3: float) -> list[_Score]:
    """Return the scores best first: by undercut in steps too small to matter, then in order of preference."""
    least = min(score.undercut_mm3 for score in scores)
    step = UNDERCUT_NOTHING * volume_mm3
    return sorted(scores, key=lambda score: (int((score.undercut_mm3 - least) / step), score.index))


def _plane(direction: Floats, offset_mm: float, axes: Floats) -> Plane:
    """Return a plane of the figure's frame in the file's axes."""
    x, y, z = (float(part) + 0.0 for part in direction @ axes)
    return Plane(normal=(x, y, z), offset_mm=offset_mm + 0.0)


def _candidate(score: _Score, axes: Floats) -> Candidate:
    """Return a score as the value that is handed out."""
    return Candidate(
        plane=_plane(score.direction, score.offset_mm, axes),
        undercut_mm3=score.undercut_mm3,
        locked_mm3=score.locked_mm3,
        share_above=score.share_above,
    )
