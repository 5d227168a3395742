"""The search: which planes, through the whole figure, lock the least rubber.

Goal
    The flat splits of least undercut volume among planes that leave each half a fair share of the figure:
    the best of all, and the best of every kind, for a shop weighs more than undercut.

Steps
    1. Everything in the figure's own frame, so that the file's axes make no difference.
    2. A lighter copy of heavy meshes; the directions of `directions`, or those of the wished `region`.
    3. Each direction: one look, the best offset by the median (`sight`), moved to the nearest allowed one
       when a half would be too small or a patch in the way (`score`).
    4. Refinement from the best directions (`refine`); what comes to nearly the same plane counts once. Three
       planes square to the figure's axes are kept as they are.
    5. The refined ones again on the whole mesh and finer cells; both numbers are kept.
    6. Ranked by undercut; what differs by less than a workshop can tell counts as equal, and then the
       direction a shop would prefer (front, left, up, ...) comes first.

Error budget
    The undercut of a candidate is a midpoint sum over 512 columns: within 0.5 % of itself, or 1e-4 of the
    volume where nearly nothing is locked, and refinement picks what the columns see too low rather than
    too high. A local minimum narrower than the scan's spacing (`Splits.cover_deg`) can be missed;
    certainty beyond that is not claimed. The last net is 0.4 deg wide: of an undercut that grows in
    proportion to the angle (a tetrahedron, 0.3 % of its volume) that much is left.

Tried and dropped
    No refinement: on open meshes 2 to 20 % above the least undercut (cow 3.38 against 3.31 % of the volume,
    skull 5.41 against 5.33, hand 2.63 against 2.20). 1281 directions and no refinement: hand 2.40.
    1281 directions to start from: 3.30, 5.35 and 2.21, no lower than 321 but for the columns' error, at 2.5
    times the cost; 81 directions come to 3.32, 5.33 and 2.20 but miss some of the other minima.
    Keeping the best directions of the scan beside the refined ones: they are slopes of the same minima.
    Candidates measured on 256 columns, as refined: their number is then the one that was picked for being
    low, up to 1.2 % below that of 512.
"""

from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.light import arranged, light_copy
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.split.directions import cover_deg, directions, flat_normals, principal_axes, unlike
from moldplan.split.frame import figure_axes
from moldplan.split.model import Candidate, Plane, Seen, Splits
from moldplan.split.refine import (
    COARSE_DEG,
    FINE_DEG,
    Fence,
    Walk,
    best_first,
    distinct,
    kind_of,
    met,
    missing,
    square_on,
    starts,
    walked,
)
from moldplan.split.region import Region
from moldplan.split.relief import flat_back
from moldplan.split.score import Figure, Score, score
from moldplan.split.sight import check_cells, in_figure_frame, unit
from moldplan.split.tasks import gathered, running_on
from moldplan.tolerances import LEAST_HALF_SHARE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Directions in one task: between two reports of progress.
BATCH: Final = 16
#: A direction is in a region when it is off by no more than rounding, deg.
REGION_EPSILON_DEG: Final = 1e-6
#: Finest icosphere: 5121 directions.
MOST_LEVEL: Final = 5


@dataclass(frozen=True, kw_only=True, eq=False)
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
    refine_cells: int = 256
    """The same for the last steps of refinement."""
    final_cells: int = 512
    """The same for the candidates, on the whole mesh."""
    keep: int = 16
    """How many candidates are returned at most, at least 1; the best of each kind go before others."""
    least_share: float = LEAST_HALF_SHARE
    """Least share of the volume a half may hold, 0 to 0.5."""
    extra_axes: tuple[tuple[float, float, float], ...] = ()
    """Further directions to try, in the file's axes, any length but zero."""
    light_faces: int = 30_000
    """Triangles above which the first pass runs on a lighter copy, at least 1000; for fewer than about
    this many making the copy costs more than it saves."""
    workers: int = 2
    """Threads, at least 1. The result does not depend on it."""
    region: Region | None = None
    """Which directions the shop allows; None allows all."""
    clear_of: tuple[Floats, ...] = field(default=())
    """Points (k, 3) of each patch that the plane is to keep off, in the file's axes."""
    clear_margin_mm: float = 0.0
    """How far the plane keeps off them, 0 or more. Directions in which it cannot count after all others."""

    def __post_init__(self) -> None:
        """Refuse what makes no sense."""
        check_cells(self.cells)
        check_cells(self.refine_cells)
        check_cells(self.final_cells)
        for name, value, low, high in (
            ("level", self.level, 0, MOST_LEVEL),
            ("keep", self.keep, 1, 10_000),
            ("least_share", self.least_share, 0.0, 0.499),
            ("light_faces", self.light_faces, 1000, 100_000_000),
            ("workers", self.workers, 1, 256),
            ("clear_margin_mm", self.clear_margin_mm, 0.0, 100_000.0),
        ):
            if not low <= value <= high:
                raise SettingError(f"search option {name}: got {value}, allowed {low} to {high}")
        for points in self.clear_of:
            if points.ndim != 2 or points.shape[1] != 3 or not len(points) or not np.isfinite(points).all():
                raise SettingError(
                    f"search option clear_of: got points of shape {points.shape}, allowed finite (k, 3)"
                )


def find_splits(
    pattern: Pattern,
    *,
    options: SearchOptions | None = None,
    executor: Executor | None = None,
    progress: Progress = QUIET,
) -> Splits:
    """Return the flat splits of least undercut, best first, and the flat back of a relief.

    Parameters
    ----------
    pattern
        A closed solid in mm.
    options
        How thoroughly to search, and what the shop wishes; None for the usual.
    executor
        What runs the looks: any `concurrent.futures.Executor`, whose workers can import moldplan. None takes
        `options.workers` threads here. The result is the same to the last bit.
    progress
        Told of each batch of directions; its `stop` event ends the search.

    Returns
    -------
    Splits
        At most `options.keep` refined planes, no two within 2 deg and 1 % of the figure's extent of each
        other, each at its best allowed offset, measured on the whole mesh; the best of each kind is among
        them. Normals point to the figure's front, left or top. `open_back` is set when one half can hold
        the whole figure.

    Raises
    ------
    SettingError
        When an extra axis is no direction, or up and front lie along the same axis.
    StoppedError
        When `progress` was told to stop.
    InputError
        When the executor's workers went away.

    Notes
    -----
    Accuracy and method: see the module. Some 1 s for 60 k triangles and 321 directions on two cores.
    """
    wanted = SearchOptions() if options is None else options
    axes = figure_axes(pattern.up, pattern.front)
    whole = arranged(in_figure_frame(pattern), pattern.faces)
    progress.step("looking for a flat back", 0.0)
    flats = flat_normals(*whole)
    back = flat_back(*whole, flats)
    progress.step("looking for the split", 0.05)
    copy = arranged(*light_copy(*whole, most=wanted.light_faces)[:2])
    seen, cover = _directions(copy, flats, wanted, axes)
    exact = _figure(whole, pattern.volume_mm3, wanted, axes)
    light = _figure(copy, mesh_volume_mm3(*copy), wanted, axes)
    fence = Fence(region=None if wanted.region is None else _in_figure(wanted.region, axes))
    if executor is None:
        score(light, seen[0], cells=wanted.cells)  # alone, so that a first run compiles in one thread
    with running_on(executor, threads=wanted.workers) as pool:
        scan = _scan(pool, light, seen, wanted.cells, progress.part(0.1, 0.6))
        walks = _refined(pool, light, scan, cover, fence, wanted, progress.part(0.6, 0.9))
    return Splits(
        candidates=_measured(exact, walks, wanted, axes, progress.part(0.9, 1.0)),
        directions_tried=len(seen),
        cover_deg=cover,
        open_back=None if back is None else _plane(back[0], back[1], axes),
        seen=_seen(scan, axes),
    )


def _directions(
    mesh: tuple[Floats, Ints], flats: Floats, wanted: SearchOptions, axes: Floats
) -> tuple[Floats, float]:
    """Return the directions to scan in the figure's frame, and how far any allowed one is from these."""
    extra = np.array([axes @ unit(axis) for axis in wanted.extra_axes]).reshape(-1, 3)
    if wanted.region is None:
        return directions(*mesh, level=wanted.level, flats=flats, extra=extra), cover_deg(wanted.level)
    region, up = wanted.region, axes[2]
    first = np.concatenate([np.eye(3), extra, principal_axes(*mesh), flats])
    allowed = [axis for axis in first if max(region.broken_deg(axis @ axes, up=up)) <= REGION_EPSILON_DEG]
    samples, cover = region.samples(up=up)
    return unlike(np.concatenate([np.array(allowed).reshape(-1, 3), samples @ axes.T])), cover


def _figure(mesh: tuple[Floats, Ints], volume_mm3: float, wanted: SearchOptions, axes: Floats) -> Figure:
    """Return a mesh with what a plane must leave, for the looks."""
    patches = tuple(np.asarray(points, dtype=np.float64) @ axes.T for points in wanted.clear_of)
    return Figure(*mesh, volume_mm3, wanted.least_share, patches, wanted.clear_margin_mm)


def _in_figure(region: Region, axes: Floats) -> Region:
    """Return a region of the file's axes in the figure's frame."""
    if region.pull is None:
        return region
    x, y, z = (float(part) for part in axes @ np.array(region.pull))
    return replace(region, pull=(x, y, z))


def scores_of(figure: Figure, along: Floats, cells: int) -> list[Score]:
    """Return the score of each of a few directions (k, 3): a task of the scan."""
    return [score(figure, direction, cells=cells) for direction in along]


def _scan(pool: Executor, figure: Figure, seen: Floats, cells: int, progress: Progress) -> list[Score]:
    """Return the scores of all directions, in their order."""
    chunks = [(figure, seen[first : first + BATCH], cells) for first in range(0, len(seen), BATCH)]
    what = f"looking along {len(seen)} directions"
    return [
        item for chunk in gathered(pool, scores_of, chunks, what=what, progress=progress) for item in chunk
    ]


def _refined(  # noqa: PLR0913, PLR0917 - one step of `find_splits`, set apart to be read by itself
    pool: Executor,
    figure: Figure,
    scan: list[Score],
    cover: float,
    fence: Fence,
    wanted: SearchOptions,
    progress: Progress,
) -> list[Walk]:
    """Return the ends of all walks, nearly equal planes once, at least one of each allowed kind."""

    def all_walked(walks: list[Walk], steps: tuple[float, ...], cells: int, part: Progress) -> list[Walk]:
        calls = [(figure, walk, steps, cells) for walk in walks]
        return gathered(pool, walked, calls, what="refining the best directions", progress=part)

    begun = starts(figure, scan, cover_deg=cover, fence=fence)
    coarse = all_walked(begun, (COARSE_DEG,), wanted.cells, progress.part(0.0, 0.4))
    fine = all_walked(met(figure, coarse), FINE_DEG, wanted.refine_cells, progress.part(0.4, 0.8))
    found = distinct(figure, fine)
    rest = missing(figure, scan, found, fence=fence)
    found += all_walked(rest, (COARSE_DEG, *FINE_DEG), wanted.refine_cells, progress.part(0.8, 1.0))
    return found + square_on(figure, scan, found, fence=fence)


def _measured(
    figure: Figure, walks: list[Walk], wanted: SearchOptions, axes: Floats, progress: Progress
) -> tuple[Candidate, ...]:
    """Return the walks' ends measured on the whole mesh, best first, at most as many as are to be kept."""
    what = "measuring the best splits on the whole mesh"
    calls = [(figure, walk.found.direction, wanted.final_cells) for walk in walks]
    # here and not on an executor: a heavy mesh is not worth sending for a few looks
    with running_on(None, threads=wanted.workers) as pool:
        finals = gathered(pool, _final, calls, what=what, progress=progress)
    light = {id(final): walk.found.undercut_mm3 for walk, final in zip(walks, finals, strict=True)}
    ends = [replace(walk, found=final) for walk, final in zip(walks, finals, strict=True)]
    best = _kept(best_first(ends, figure.step_mm3), wanted.keep)
    return tuple(_candidate(walk.found, light[id(walk.found)], axes) for walk in best)


def _final(figure: Figure, direction: Floats, cells: int) -> Score:
    """Return the score of one direction."""
    return score(figure, direction, cells=cells)


def _kept(best: list[Walk], most: int) -> list[Walk]:
    """Return at most so many walks in their order, the best of each kind before all others."""
    first: dict[int, int] = {}
    for place, walk in enumerate(best):
        first.setdefault(kind_of(walk.found.direction), place)
    places = list(dict.fromkeys([*first.values(), *range(len(best))]))[:most]
    return [best[place] for place in sorted(places)]


def _plane(direction: Floats, offset_mm: float, axes: Floats) -> Plane:
    """Return a plane of the figure's frame in the file's axes."""
    x, y, z = (float(part) + 0.0 for part in direction @ axes)
    return Plane(normal=(x, y, z), offset_mm=offset_mm + 0.0)


def _candidate(final: Score, light_mm3: float, axes: Floats) -> Candidate:
    """Return a score as the value that is handed out."""
    return Candidate(
        plane=_plane(final.direction, final.offset_mm, axes),
        undercut_mm3=final.undercut_mm3,
        locked_mm3=final.locked_mm3,
        share_above=final.share_above,
        light_undercut_mm3=light_mm3,
    )


def _seen(scan: list[Score], axes: Floats) -> Seen:
    """Return the scan as a map, in the file's axes."""
    return Seen(
        directions=np.array([item.direction for item in scan]) @ axes + 0.0,
        undercut_mm3=np.array([item.undercut_mm3 for item in scan]),
        locked_mm3=np.array([item.locked_mm3 for item in scan]),
        offset_mm=np.array([item.offset_mm for item in scan]),
    )
