"""How fast directions are seen: against ray casting, and a whole search.

Ray casting means all hits of one ray per column with trimesh and embree, in the same run, one thread
each; both see the same columns, and the undercut of the same plane must agree within 1 %. Processor seconds
of this thread are compared, so that other work on the machine counts against neither.
"""

import os
import statistics
import time
from collections.abc import Callable

import numpy as np
import trimesh
from figures import Mesh, bumpy, large_figure
from numpy.typing import NDArray

from moldplan.columns.depth import Depths, see
from moldplan.columns.grid import Grid, grid_over
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.light import arranged, light_copy
from moldplan.split import SearchOptions, find_splits

CELLS = 256
ROUNDS = 7


def median_s(action: Callable[[], object], clock: Callable[[], float] = time.thread_time) -> float:
    """Return the median seconds of several rounds, after one to warm up."""
    action()
    times = []
    for _ in range(ROUNDS):
        begun = clock()
        action()
        times.append(clock() - begun)
    return statistics.median(times)


def figure() -> Mesh:
    """Return the large figure, 1.2 m long, middle of its box at the origin.

    Its corners are arranged once, as a search does before its directions (and embree builds its tree).
    """
    mesh = trimesh.load(large_figure(), process=False)
    points = np.array(mesh.vertices, dtype=np.float64)
    points -= 0.5 * (points.min(axis=0) + points.max(axis=0))
    points *= 1200.0 / np.ptp(points, axis=0).max()
    return arranged(points, np.array(mesh.faces, dtype=np.int64))


def undercut(depths: Depths) -> float:
    """Return the undercut of the flat split through the origin, as these columns see it."""
    top, bottom = depths.top_mm[depths.hit()], depths.bottom_mm[depths.hit()]
    beyond = np.maximum(bottom, 0.0) + np.maximum(-top, 0.0)
    return float((top - bottom + beyond).sum()) * depths.grid.cell_area_mm2 - depths.filled_mm3


def cast_undercut(grid: Grid, columns: NDArray[np.int64], heights: NDArray[np.float64]) -> float:
    """Return the same from all hits of rays; a column whose hits do not pair (a lost hit) is left out."""
    order = np.lexsort((heights, columns))
    columns, heights = columns[order], heights[order]
    total = 0.0
    for hits in np.split(heights, np.flatnonzero(np.diff(columns)) + 1):
        if len(hits) % 2 == 0:
            filled = float((hits[1::2] - hits[0::2]).sum())
            total += hits[-1] - hits[0] - filled + max(hits[0], 0.0) + max(-hits[-1], 0.0)
    return total * grid.cell_area_mm2


def against_rays(name: str, mesh: Mesh) -> None:
    """Print the ratio to ray casting, and how well the two agree."""
    points, faces = mesh
    low, high = points.min(axis=0), points.max(axis=0)
    grid = grid_over(low[:2], high[:2], cell_mm=float((high - low)[:2].max()) / CELLS)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    origins = np.c_[x.ravel(), y.ravel(), np.full(x.size, low[2] - 1.0)]
    ahead = np.tile([0.0, 0.0, 1.0], (x.size, 1))
    caster = trimesh.ray.ray_pyembree.RayMeshIntersector(trimesh.Trimesh(points, faces, process=False))

    def cast() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        places, rays, _ = caster.intersects_location(origins, ahead, multiple_hits=True)
        return places[:, 2], rays

    heights, rays = cast()
    ours, theirs = undercut(see(points, faces, grid)), cast_undercut(grid, rays, heights)
    ray_s, own_s = median_s(cast), median_s(lambda: see(points, faces, grid))
    print(
        f"{name}, {len(faces)} triangles, {CELLS} x {CELLS}: rays {1e3 * ray_s:.1f} ms, columns "
        f"{1e3 * own_s:.1f} ms, ratio {ray_s / own_s:.1f} (wanted 10); undercut differs by "
        f"{100.0 * (ours / theirs - 1.0):+.2f} % (wanted within 1)"
    )


def search(mesh: Mesh) -> None:
    """Print what a whole search takes, on one thread and on two, wall time."""
    pattern = pattern_from_arrays(*mesh)
    for workers in (1, 2):
        options = SearchOptions(workers=workers)
        wall = median_s(lambda: find_splits(pattern, options=options), time.perf_counter)  # noqa: B023 # used at once
        cpu = median_s(lambda: find_splits(pattern, options=options), time.process_time)  # noqa: B023 # used at once
        tried = find_splits(pattern, options=options).directions_tried
        print(
            f"search of {tried} directions, {len(mesh[1])} triangles, {workers} thread(s): "
            f"{wall:.2f} s (about 1 wanted on two), processor {cpu:.2f} s"
        )


def main() -> None:
    """Print the figures."""
    print(f"{os.cpu_count()} cores")
    whole = figure()
    light = arranged(*light_copy(*whole, most=60_000)[:2])
    against_rays("figure", whole)
    against_rays("lighter figure", light)
    against_rays("generated ring", bumpy(250, 120))
    search(light)
    search(bumpy(250, 120))


if __name__ == "__main__":
    main()
