"""How long and how much memory large scans take: survey and plan of about 100 k, 1 M and 10 M triangles.

The figure is a scan drawn finer: every triangle parted into n by n, its surface raised into small bumps and
noise, so that a lighter copy is not made for nothing. Whole processes, as a person starts them; nothing kept
from an earlier run. Processor seconds are those of all threads: on a machine that does other work too they
say more than the wall clock.

    python benchmarks/bench_size.py              all three sizes
    python benchmarks/bench_size.py 1 3          parts of an edge: 100 k and 900 k triangles
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import trimesh
from figures import Mesh, large_figure
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Parts of an edge: 1, 9 and 100 times as many triangles.
PARTS = (1, 3, 10)
#: Heights of bumps and noise, as shares of the diagonal.
BUMPS = 4e-3
NOISE = 4e-6


def parted(points: Floats, faces: Ints, parts: int) -> Mesh:
    """Return a mesh with every triangle parted into `parts` squared; corners on an edge are shared.

    Places are given by three weights; each new point is made once, by the edge or the face it lies on.
    """
    ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    edges, edge = np.unique(ends[:, 0] * len(points) + ends[:, 1], return_inverse=True)
    edge = edge.reshape(3, -1)
    low, high = edges // len(points), edges % len(points)
    along = (np.arange(1, parts) / parts)[None, :, None]
    on_edges = (points[low][:, None] * (1.0 - along) + points[high][:, None] * along).reshape(-1, 3)
    inner = [(i, j) for i in range(1, parts) for j in range(1, parts - i)]
    weights = np.array([(parts - i - j, i, j) for i, j in inner]).reshape(-1, 3) / parts
    inside = np.einsum("kw,fwx->fkx", weights, points[faces]).reshape(-1, 3)
    first_inside = len(points) + len(on_edges)

    def on_edge(side: int, step: int) -> Ints:
        start = faces[:, side]
        ahead = start == low[edge[side]]
        return len(points) + edge[side] * (parts - 1) + np.where(ahead, step - 1, parts - 1 - step)

    def corner(i: int, j: int) -> Ints:
        rest = parts - i - j
        if parts in (i, j, rest):
            return faces[:, (rest, i, j).index(parts)]
        if 0 in (i, j, rest):
            side = {1: 0, 2: 2, 0: 1}[2 if i == 0 else 1 if j == 0 else 0]
            return on_edge(side, (i, j, rest)[side])
        return first_inside + np.arange(len(faces)) * len(inner) + inner.index((i, j))

    small = []
    for i in range(parts):
        for j in range(parts - i):
            small.append(np.stack([corner(i, j), corner(i + 1, j), corner(i, j + 1)], axis=1))
            if i + j < parts - 1:
                small.append(np.stack([corner(i + 1, j), corner(i + 1, j + 1), corner(i, j + 1)], axis=1))
    return np.concatenate([points, on_edges, inside]), np.stack(small, axis=1).reshape(-1, 3)


def bumpy_scan(parts: int) -> Mesh:
    """Return the figure drawn finer, with bumps and noise along its normals."""
    figure = trimesh.load_mesh(large_figure())
    points, faces = parted(np.array(figure.vertices), np.array(figure.faces, dtype=np.int64), parts)
    normals = parted(np.array(figure.vertex_normals), np.array(figure.faces, dtype=np.int64), parts)[0]
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    diagonal = float(np.linalg.norm(np.ptp(points, axis=0)))
    turns = points * (2.0 * np.pi / diagonal)
    bumps = sum(np.prod(np.sin(turns * wave + np.arange(3)), axis=1) / wave for wave in (40.0, 90.0, 170.0))
    noise = np.random.default_rng(1).normal(0.0, NOISE * diagonal, len(points))
    return points + normals * (BUMPS * diagonal * bumps + noise)[:, None], faces


def write_stl(path: Path, mesh: Mesh) -> None:
    """Write a binary STL."""
    records = np.zeros(
        len(mesh[1]), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")]
    )
    records["corners"] = mesh[0][mesh[1]]
    with path.open("wb") as file:
        file.write(b"\0" * 80 + np.uint32(len(records)).tobytes())
        records.tofile(file)


def run(*words: str) -> str:
    """Run one command and say what it took."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", "from moldplan.start import main; main()", *words], stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in {0, 3}:
        raise SystemExit(f"{words[0]} failed with exit code {process.returncode}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    wall = time.perf_counter() - begun
    return f"{seconds:.1f} processor s, {wall:.1f} s, peak {used.ru_maxrss / 1024:.0f} MB"


def main() -> None:
    """Print the figures."""
    print(f"figure {large_figure().name}, {os.cpu_count()} cores; the first run may compile")
    with tempfile.TemporaryDirectory() as folder:
        for parts in [int(word) for word in sys.argv[1:]] or PARTS:
            path = Path(folder) / f"parts-{parts}.stl"
            mesh = bumpy_scan(parts)
            write_stl(path, mesh)
            print(f"{len(mesh[1])} triangles, {path.stat().st_size / 1e6:.0f} MB", flush=True)
            print(f"  survey: {run('survey', str(path), '--height', '1.2 m')}", flush=True)
            out = str(Path(folder) / f"plan-{parts}")
            words = ("plan", str(path), "--height", "1.2 m", "--quiet", "--fresh", "--out", out)
            print(f"  plan, drawings and solids: {run(*words)}", flush=True)
            path.unlink()


if __name__ == "__main__":
    main()
