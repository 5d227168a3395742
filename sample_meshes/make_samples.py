"""Make the sample meshes: python sample_meshes/make_samples.py [--only NAME] [--out FOLDER].

Everything is invented and made by code; the same machine makes the same bytes every time.
"""

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from bird import bird
from clay import Mesh, triangles
from owl import owl
from plain import relief, urn
from scan import dirty

HERE = Path(__file__).resolve().parent
SCAN_CELL_MM = 8.0
PARTING_MM = 0.01
PARTING_ROUNDS = 3


def make_owl() -> Mesh:
    """Return the owl on its books, 1 unit = 1 mm at 1500 high."""
    return parted(triangles(owl()))


def make_bird() -> Mesh:
    """Return the wading bird on its rock, 1200 mm high."""
    return parted(triangles(bird()))


def make_scan() -> Mesh:
    """Return the owl as a dirty scan."""
    return dirty(triangles(owl(SCAN_CELL_MM)))


MAKERS: dict[str, Callable[[], Mesh]] = {
    "owl.ply": make_owl,
    "long-necked-bird.ply": make_bird,
    "urn.stl": urn,
    "relief.stl": relief,
    "dirty-scan.ply": make_scan,
}


def write_ply(path: Path, mesh: Mesh) -> None:
    """Write a binary little-endian PLY with single-precision corners."""
    points, faces = mesh
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(points)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    rows["count"] = 3
    rows["corners"] = faces
    path.write_bytes(header.encode("ascii") + points.astype("<f4").tobytes() + rows.tobytes())


def write_stl(path: Path, mesh: Mesh) -> None:
    """Write a binary STL; its normals are left at 0 for the reader to work out from the corners."""
    points, faces = mesh
    rows = np.zeros(len(faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    rows["corners"] = points[faces]
    header = b"sample mesh, 1 unit = 1 mm".ljust(80)
    path.write_bytes(header + np.uint32(len(faces)).tobytes() + rows.tobytes())


def parted(mesh: Mesh) -> Mesh:
    """Move corners that single precision would lay on one another a little way apart.

    Readers weld by place; two corners at one place that belong to different parts of the skin would
    become a corner where the skin touches itself.
    """
    points, faces = mesh
    points = points.astype(np.float32).astype(np.float64)
    for _ in range(PARTING_ROUNDS):
        _, first = np.unique(points, axis=0, return_index=True)
        doubled = np.setdiff1d(np.arange(len(points)), first)
        if not len(doubled):
            break
        for corner in doubled:
            fan = faces[np.any(faces == corner, axis=1)]
            inward = points[fan].mean(axis=(0, 1)) - points[corner]
            points[corner] += PARTING_MM * inward / max(float(np.linalg.norm(inward)), PARTING_MM)
        points = points.astype(np.float32).astype(np.float64)
    return points, faces


def main() -> None:
    """Make all samples, or the one asked for, and say what was made."""
    reader = argparse.ArgumentParser(description="Make the sample meshes.")
    names = [Path(name).stem for name in MAKERS]
    reader.add_argument("--only", choices=names, help="make this one alone")
    reader.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    asked = reader.parse_args()
    for name, make in MAKERS.items():
        if asked.only in (None, Path(name).stem):
            started = time.perf_counter()
            mesh = make()
            path = asked.out / name
            (write_stl if path.suffix == ".stl" else write_ply)(path, mesh)
            seconds = time.perf_counter() - started
            print(f"{name}: {len(mesh[1])} triangles, {path.stat().st_size / 1e6:.2f} MB, {seconds:.0f} s")


if __name__ == "__main__":
    main()
