"""What the search for a split costs: many directions, one direction, memory, and growth with the mesh.

Everything runs on a made figure, a knobbly ring, so that anybody gets the same work. Ray casting means all
hits of one ray per column with trimesh and embree, on the same grid in the same run, one thread each. Seconds
are the least of several rounds, for other work on the machine only ever adds: processor seconds of the thread
for single directions, wall seconds for many. `--growth FILE.png` draws the growth as well.
"""

import argparse
import math
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import matplotlib as mpl
import numpy as np
import trimesh
from figures import Mesh, bumpy
from numpy.typing import NDArray

from moldplan.columns.depth import turned_box
from moldplan.columns.grid import grid_over
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.light import arranged, light_copy
from moldplan.split.score import Figure, score
from moldplan.split.sight import square_frame

CELLS = 256
DIRECTIONS = 1300
LIGHT = 30_000
LEAST_SHARE = 0.1
#: Knots round and across the ring; twice their product is the number of triangles.
SIZES = {
    10_000: (100, 50), 30_000: (150, 100), 60_000: (250, 120), 200_000: (400, 250), 1_000_000: (1000, 500),
    4_000_000: (2000, 1000),
}  # fmt: skip
SLANTED = np.array([0.48, 0.6, 0.64])


def least_s(
    action: Callable[[], object], rounds: int, clock: Callable[[], float] = time.thread_time
) -> float:
    """Return the least seconds of several rounds, after one to warm up."""
    action()
    times = []
    for _ in range(rounds):
        begun = clock()
        action()
        times.append(clock() - begun)
    return min(times)


def evenly(count: int) -> NDArray[np.float64]:
    """Return so many directions, spread over the half sphere along a spiral."""
    height = (np.arange(count) + 0.5) / count
    angle = np.pi * (3.0 - math.sqrt(5.0)) * np.arange(count)
    across = np.sqrt(1.0 - height**2)
    return np.stack([across * np.cos(angle), across * np.sin(angle), height], axis=-1)


def figure_of(mesh: Mesh) -> Figure:
    """Return a mesh as the search's looks take it."""
    return Figure(*mesh, mesh_volume_mm3(*mesh), LEAST_SHARE)


def scanned(mesh: Mesh, along: NDArray[np.float64], workers: int) -> None:
    """Look along all directions, each at its best offset, on a lighter copy of a heavy mesh."""
    figure = figure_of(arranged(*light_copy(*mesh, most=LIGHT)[:2]))
    parts = np.array_split(along, max(len(along) // 16, 1))

    def part(directions: NDArray[np.float64]) -> None:
        for direction in directions:
            score(figure, direction, cells=CELLS)

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(part, parts))


def many_directions() -> None:
    """Print what 1,300 directions take on one thread and on two."""
    along = evenly(DIRECTIONS)
    for triangles, wanted, rounds in ((60_000, 2.0, 3), (1_000_000, 8.0, 1)):
        mesh = bumpy(*SIZES[triangles])
        for workers in (1, 2):
            wall, busy = (
                least_s(lambda: scanned(mesh, along, workers), rounds, clock)  # noqa: B023 - called at once
                for clock in (time.perf_counter, time.process_time)
            )
            print(
                f"{DIRECTIONS} directions, {triangles} triangles, {CELLS} cells, {workers} thread(s): "
                f"{wall:.2f} s"
                + (f" (about {wanted:g} wanted)" if workers > 1 else "")
                + f", processor {busy:.2f} s"
            )


def one_direction() -> None:
    """Print one direction of 200 k triangles."""
    figure = figure_of(arranged(*bumpy(*SIZES[200_000])))
    seconds = least_s(lambda: score(figure, SLANTED, cells=CELLS), 15)
    print(f"one direction, 200000 triangles, {CELLS} cells: {1e3 * seconds:.1f} ms (about 25 wanted)")


def against_rays() -> None:
    """Print directions a second against ray casting, both along the same direction on the same grid."""
    for triangles in (60_000, 200_000):
        mesh = arranged(*bumpy(*SIZES[triangles]))
        turned, low, high = turned_box(mesh[0], square_frame(SLANTED))
        grid = grid_over(low[:2], high[:2], cell_mm=float((high - low)[:2].max()) / CELLS)
        x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
        origins = np.c_[x.ravel(), y.ravel(), np.full(x.size, low[2] - 1.0)]
        ahead = np.tile([0.0, 0.0, 1.0], (x.size, 1))
        caster = trimesh.ray.ray_pyembree.RayMeshIntersector(trimesh.Trimesh(turned, mesh[1], process=False))
        figure = figure_of(mesh)
        cast = least_s(lambda: caster.intersects_location(origins, ahead, multiple_hits=True), 7)  # noqa: B023 - called at once
        own = least_s(lambda: score(figure, SLANTED, cells=CELLS), 15)  # noqa: B023 - called at once
        along = [SLANTED] * 40
        with ThreadPoolExecutor(2) as pool:
            two = least_s(
                lambda: list(pool.map(lambda d: score(figure, d, cells=CELLS), along)),  # noqa: B023 - called at once
                5,
                time.perf_counter,
            ) / len(along)
        print(
            f"{triangles} triangles, {CELLS} x {CELLS}, all hits: rays {1 / cast:.1f} directions/s; columns "
            f"with the best offset {1 / own:.0f}, ratio {cast / own:.1f}; on two threads, as in a search, "
            f"{1 / two:.0f}, ratio {cast / two:.1f} (at least 25 wanted)"
        )
        whole = least_s(lambda: scanned(mesh, evenly(DIRECTIONS), 2), 2, time.perf_counter)  # noqa: B023 - called at once
        print(
            f"  as the search runs, on the lighter copy and with making it: {DIRECTIONS / whole:.0f} "
            f"directions/s, ratio {DIRECTIONS / whole * cast:.1f}"
        )


def memory() -> None:
    """Print the peak memory of a process that only searches."""
    for triangles in (60_000, 1_000_000):
        command = [sys.executable, __file__, "--only-search", str(triangles)]
        peak = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
        print(f"peak memory, {triangles} triangles, 2 threads: {peak} MB (under 1000 wanted)")


def growth(file: Path | None) -> None:
    """Print one direction for meshes of 10 k to 4 M triangles, and draw it."""
    seconds = []
    for triangles, size in SIZES.items():
        figure = figure_of(arranged(*bumpy(*size)))
        seconds.append(least_s(lambda: score(figure, SLANTED, cells=CELLS), 7))  # noqa: B023 - called at once
        print(f"one direction, {triangles:>7} triangles, {CELLS} cells: {1e3 * seconds[-1]:.1f} ms")
    steps = np.diff(np.log(seconds)) / np.diff(np.log(list(SIZES)))
    print(f"growth from step to step, as a power of the triangles: {', '.join(f'{p:.2f}' for p in steps)}")
    if file is not None:
        draw(np.array(list(SIZES)), 1e3 * np.array(seconds), file)


def draw(triangles: NDArray[np.int64], milliseconds: NDArray[np.float64], file: Path) -> None:
    """Draw the growth: dark line on white, and what linear growth would be."""
    mpl.use("Agg")
    from matplotlib import pyplot as plt  # noqa: PLC0415 - after the choice of a drawing back end

    page, axes = plt.subplots(figsize=(6.4, 4.4), layout="constrained")
    linear = milliseconds[-1] * triangles / triangles[-1]
    axes.loglog(triangles, linear, color="0.6", linewidth=1.0, linestyle=(0, (5, 4)), label="linear growth")
    axes.loglog(triangles, milliseconds, color="0.1", marker="o", markersize=4, label="measured")
    for count, value in zip(triangles, milliseconds, strict=True):
        axes.annotate(f"{value:.3g} ms", (count, value), (-6, 6), textcoords="offset points", ha="right")
    axes.set_xlabel("triangles")
    axes.set_ylabel(f"one direction, {CELLS} x {CELLS} columns (ms)")
    axes.set_xlim(left=0.3 * triangles[0])
    axes.set_ylim(top=2.0 * milliseconds[-1])
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(frameon=False, loc="lower right")
    page.savefig(file, dpi=150)


def main() -> None:
    """Print the figures."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--growth", type=Path, metavar="FILE.png")
    words.add_argument("--only-search", type=int, metavar="TRIANGLES", choices=SIZES)
    chosen = words.parse_args()
    if chosen.only_search:
        scanned(bumpy(*SIZES[chosen.only_search]), evenly(100), 2)
        print(f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f}")
        return
    print(f"{os.cpu_count()} cores")
    memory()  # first: a child's peak counts from what its parent held when it started
    one_direction()
    against_rays()
    many_directions()
    growth(chosen.growth)


if __name__ == "__main__":
    main()
