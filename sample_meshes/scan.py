"""A dirty scan: the owl as a careless scanner would deliver it."""

import numpy as np
from clay import Mesh
from numpy.typing import NDArray

SEED = 20
NOISE_MM = 0.5
HOLES = 7
FLIPPED = 60
DOUBLED = 80
LOOSE = 300
UNDERSIDE_MM = 1.0


def dirty(mesh: Mesh) -> Mesh:
    """Spoil a clean mesh: noise, open underside, small holes, flipped and doubled faces, unwelded points."""
    chance = np.random.default_rng(SEED)
    points, faces = mesh
    faces = faces[points[faces][:, :, 2].max(axis=1) > UNDERSIDE_MM]
    faces = _with_holes(points, faces, chance)
    points = points + chance.normal(scale=NOISE_MM, size=points.shape)
    flipped = chance.choice(len(faces), FLIPPED, replace=False)
    faces[flipped] = faces[flipped, ::-1]
    doubled = faces[chance.choice(len(faces), DOUBLED, replace=False)]
    points, faces = _unwelded(points, faces, chance)
    return points, np.concatenate([faces, doubled])


def _with_holes(
    points: NDArray[np.float64], faces: NDArray[np.int64], chance: np.random.Generator
) -> NDArray[np.int64]:
    """Drop the faces round a few places, 14 to 26 mm across."""
    middles = points[faces].mean(axis=1)
    keep = np.ones(len(faces), dtype=bool)
    for centre in middles[chance.choice(len(faces), HOLES, replace=False)]:
        keep &= np.linalg.norm(middles - centre, axis=1) > chance.uniform(7.0, 13.0)
    return faces[keep].copy()


def _unwelded(points: NDArray[np.float64], faces: NDArray[np.int64], chance: np.random.Generator) -> Mesh:
    """Give some faces corners of their own at the same places as their neighbours'."""
    loose = chance.choice(len(faces), LOOSE, replace=False)
    own = points[faces[loose]].reshape(-1, 3)
    faces = faces.copy()
    faces[loose] = len(points) + np.arange(len(own)).reshape(-1, 3)
    return np.concatenate([points, own]), faces
