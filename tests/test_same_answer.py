"""The same input gives the same answer to the last byte, whatever threads, seeds and folders there are."""

import hashlib
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import zoo
import zoo_files
from numpy.typing import NDArray

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_meshes"
OPEN_MESHES = ROOT.parent / "shared" / "meshes"
#: The only words of any result that may differ: when it was made.
MADE = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\+00:00|Z)")


@dataclass(frozen=True)
class Surroundings:
    """What a run may meet on one machine: threads of kernels and of linear algebra, seed, processors."""

    threads: int
    algebra: int
    seed: int
    processors: int


#: As far apart as two processors allow.
ALONE = Surroundings(threads=1, algebra=1, seed=1, processors=1)
TOGETHER = Surroundings(threads=2, algebra=2, seed=4242, processors=2)
#: More threads of linear algebra than processors, and sums split in other places.
CROWDED = Surroundings(threads=2, algebra=4, seed=99, processors=2)

#: Lets a child of fewer processors loose, as `taskset` would.
LOOSE = """
import os, sys
if hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: int(sys.argv[1])])
sys.argv = ["moldplan", *sys.argv[2:]]
"""
COMMAND = """
from moldplan.start import main
main()
"""
#: The stages by themselves on few cells, each told of by the key of all it gives.
STAGES = """
from dataclasses import astuple
sys.path[:0] = sys.argv[1:]
from shop import shop_settings
from small_moulds import small_mould
from test_same_answer import lumpy
from moldplan.cache import content_key
from moldplan.choice.standing import centre_of_mass_mm
from moldplan.half import cut
from moldplan.mould.film import detail_film
from moldplan.mould.surface import surface_of
from moldplan.pattern import pattern_from_arrays
from moldplan.split import SearchOptions, find_splits
pattern = pattern_from_arrays(*lumpy())
options = SearchOptions(level=1, cells=48, refine_cells=64, final_cells=96, keep=4)
splits = find_splits(pattern, options=options)
halves = cut(pattern, splits.candidates[0].plane, cells=96)
moulds = [small_mould(half, cells=64) for half in halves]
surfaces = [surface_of(half) for half in halves]
films = [astuple(detail_film(*both, shop_settings())) for both in zip(halves, surfaces)]
print(min(len(surface.face) for surface in surfaces))
print("pattern", content_key(pattern))
print("splits", content_key(splits))
print("halves", content_key(halves))
print("moulds", content_key(moulds))
print("films", content_key(films))
print("balance", content_key([centre_of_mass_mm(half) for half in halves]))
"""


def begun(
    words: Sequence[str], around: Surroundings, folder: Path, code: str = COMMAND, **environment: str
) -> subprocess.Popen[bytes]:
    """Start the command in a folder of its own."""
    folder.mkdir(parents=True)
    threads = {
        name: str(around.algebra)
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
    }
    threads |= {"NUMBA_NUM_THREADS": str(around.threads), "PYTHONHASHSEED": str(around.seed)}
    return subprocess.Popen(
        [sys.executable, "-c", LOOSE + code, str(around.processors), *words],
        cwd=folder, env={**os.environ, **threads, **environment},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def ended(child: subprocess.Popen[bytes], folder: Path) -> dict[str, str]:
    """Wait for the command; return the SHA-256 of each of its files, times of making left out."""
    _, said = child.communicate()
    assert child.returncode in (0, 3), said.decode()
    results = folder / "out"
    files = sorted(
        path for path in results.rglob("*") if path.is_file() and path.name != "made-by-moldplan.txt"
    )
    return {path.relative_to(results).as_posix(): _sha256(path) for path in files}


def _sha256(path: Path) -> str:
    """Return the fingerprint of a file without the time it was made."""
    data = path.read_bytes()
    return hashlib.sha256(MADE.sub(b"when", data) if path.suffix in {".json", ".svg"} else data).hexdigest()


def differing(runs: Sequence[dict[str, str]]) -> set[str]:
    """Return the files that are not the same in all runs."""
    names = {name for run in runs for name in run}
    return {name for name in names if len({run.get(name) for run in runs}) > 1}


def lumpy() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return a closed figure with bumps all round, whose surface takes over 10,000 samples."""
    points, faces = zoo.sphere(450.0, 5)
    unit = points / np.linalg.norm(points, axis=1, keepdims=True)
    bumps = 1.0 + 0.12 * np.sin(5.0 * unit[:, 0] + 1.0) * np.sin(4.0 * unit[:, 1]) * np.cos(6.0 * unit[:, 2])
    return points * bumps[:, None], faces


def test_threads_and_seeds_change_no_bit_of_the_stages(tmp_path: Path) -> None:
    words = [str(ROOT / "tests"), str(ROOT)]
    children = [begun(words, one, tmp_path / str(one.seed), STAGES) for one in (ALONE, CROWDED)]
    said = [child.communicate() for child in children]
    assert [child.returncode for child in children] == [0, 0], said
    alone, crowded = (out.decode().splitlines() for out, _ in said)
    assert alone == crowded
    assert len(alone) == 7
    # sums of fewer numbers than this are not shared out among threads
    assert int(alone[0]) > 10_000


def figure(name: str, folder: Path) -> tuple[Path, list[str]]:
    """Return the file of a figure and how large it is to be."""
    if name == "lumpy":
        return zoo_files.write_stl(folder / "lumpy.stl", lumpy()), ["--unit", "mm"]
    if name == "ring":
        return zoo_files.write_stl(folder / "ring.stl", zoo.torus(300, 60, 96, 32)), ["--unit", "mm"]
    place = OPEN_MESHES if (OPEN_MESHES / name).is_file() else SAMPLES
    if not (place / name).is_file():
        pytest.skip(f"{name} is not here")
    return place / name, ["--height", "800 mm"]


FIGURES = ["lumpy", "ring", "owl.ply", "relief.stl", "dirty-scan.ply", "skull.ply", "hand.ply"]


@pytest.mark.soak
@pytest.mark.parametrize("name", FIGURES)
def test_no_byte_of_any_paper_changes(name: str, tmp_path: Path) -> None:
    file, size = figure(name, tmp_path)
    for command in ("plan", "split"):
        runs = []
        for around in (ALONE, TOGETHER, CROWDED):
            folder = tmp_path / command / f"seed-{around.seed}"
            words = [command, str(file), *size, "--out", "out", "-q"]
            words += ["--accept-repairs"] if name == "dirty-scan.ply" else []
            runs.append(ended(begun(words, around, folder), folder))
        assert len(runs[0]) > 1
        assert differing(runs) == set()


@pytest.mark.soak
@pytest.mark.parametrize("name", FIGURES)
def test_no_byte_of_any_paper_changes_with_kept_stages(name: str, tmp_path: Path) -> None:
    file, size = figure(name, tmp_path)
    words = ["plan", str(file), *size, "--out", "out", "-q"]
    words += ["--accept-repairs"] if name == "dirty-scan.ply" else []
    kept = {"MOLDPLAN_CACHE": str(tmp_path / "kept"), "MOLDPLAN_CACHE_MB": "2000"}
    runs = [
        ended(begun(words, around, tmp_path / folder, **environment), tmp_path / folder)
        for folder, around, environment in (
            ("without", ALONE, {"MOLDPLAN_CACHE_MB": "0"}), ("cold", TOGETHER, kept), ("warm", CROWDED, kept),
        )
    ]  # fmt: skip
    assert differing(runs) == set()
