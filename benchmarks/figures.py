"""Meshes the benchmarks run on: an open one beside the checkout, when present, else a shipped one."""

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OPEN_MESHES = ROOT.parent / "shared" / "meshes"


def large_figure() -> Path:
    """Return a figure of about 100 k triangles: `koala.ply` of the open meshes, else the shipped owl."""
    koala = OPEN_MESHES / "koala.ply"
    return koala if koala.is_file() else ROOT / "sample_meshes" / "owl.ply"
