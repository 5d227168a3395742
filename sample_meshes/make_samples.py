"""Make the sample meshes: python sample_meshes/make_samples.py [--only NAME] [--out FOLDER].

Everything is invented and made by code; the same machine makes the same bytes every time.
"""

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import manifold3d
import numpy as np
from clay import Mesh, triangles
from owl import owl

HERE = Path(__file__).resolve().parent
MOST_BYTES = 3_000_000


def make_owl() -> Mesh:
    """Return the owl on its books, 1 unit = 1 mm at 1500 high."""
    return tidy(owl(), tolerance_mm=0.9)


MAKERS: dict[str, Callable[[], Mesh]] = {
    "owl.ply": make_owl,
}


def tidy(shape: manifold3d.Manifold, *, tolerance_mm: float) -> Mesh:
    """Lighten a solid, moving its surface by no more than `tolerance_mm`, and drop crumbs."""
    pieces = shape.simplify(tolerance_mm).decompose()
    return triangles(max(pieces, key=lambda piece: piece.volume()))


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
