"""Meshes the benchmarks run on: an open one beside the checkout, else a shipped one; and a made ring."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parent.parent
OPEN_MESHES = ROOT.parent / "shared" / "meshes"

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


def large_figure() -> Path:
    """Return a figure of about 100 k triangles: `koala.ply` of the open meshes, else the shipped owl."""
    koala = OPEN_MESHES / "koala.ply"
    return koala if koala.is_file() else ROOT / "sample_meshes" / "owl.ply"


def bumpy(around: int, across: int) -> Mesh:
    """Return a knobbly ring of 2 * around * across triangles."""
    u = 2.0 * np.pi * np.arange(around)[:, None] / around
    v = 2.0 * np.pi * np.arange(across)[None, :] / across
    tube = 150.0 + 12.0 * np.sin(9.0 * u) * np.cos(7.0 * v)
    r = 450.0 + tube * np.cos(v)
    points = np.stack([r * np.cos(u), r * np.sin(u), tube * np.sin(v)], axis=-1).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(around), np.arange(across), indexing="ij"))
    i2, j2 = (i + 1) % around, (j + 1) % across
    a, b, c, d = i * across + j, i2 * across + j, i2 * across + j2, i * across + j2
    return points, np.concatenate([np.stack((a, b, c), -1), np.stack((a, c, d), -1)]).astype(np.int64)
