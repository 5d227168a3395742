"""The pattern as a value: a closed mesh in millimetres and what is known about it."""

from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from moldplan.units import Axis

__all__ = ["AXES", "Axis", "Pattern", "Repair", "Survey", "axis_vector"]

AXES: tuple[Axis, ...] = get_args(Axis)


@dataclass(frozen=True, kw_only=True)
class Repair:
    """One thing that was mended on the way in: what, how often, and how far the surface moved."""

    what: str
    count: int
    moved_mm: float


@dataclass(frozen=True, kw_only=True)
class Survey:
    """What a mesh file holds, before and after mending.

    Lengths are in mm when `scale_known`, else in the file's own numbers (the names ending in _mm too).
    Counts named `*_found` are of the file as it came, points with equal coordinates taken as one;
    `flipped_faces_found` and `doubled_faces_found` count the faces that had to be turned and dropped.
    `volume_mm3` and `genus` are 0 where there is no closed solid.
    """

    file_name: str
    sha256: str
    file_format: str
    file_unit: str | None
    scale_known: bool
    points_found: int
    triangles_found: int
    open_edges_found: int
    open_loops_found: int
    nonmanifold_edges_found: int
    doubled_faces_found: int
    degenerate_faces_found: int
    flipped_faces_found: int
    triangles: int
    bodies: int
    genus: int
    watertight: bool
    size_mm: tuple[float, float, float]
    area_mm2: float
    volume_mm3: float
    repairs: tuple[Repair, ...]
    deviation_mm: float
    problems: tuple[str, ...]
    """Reasons, in shop words with advice, why this mesh cannot be planned; empty when it can."""


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """A closed, consistently wound solid, scaled to mm.

    `vertices` (n, 3) float64 in the file's axes, **measured from the middle of its bounding box**;
    `faces` (m, 3) int64, outward winding. Both arrays are read-only.
    """

    name: str
    path: Path
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    up: Axis
    front: Axis
    up_given: bool
    front_given: bool
    scale_mm: float
    """mm per unit of the file's numbers (after any axis change)."""
    middle_file: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Middle of the bounding box in the file's numbers: ``vertices = (file - middle_file) * scale_mm``."""
    survey: Survey

    @property
    def volume_mm3(self) -> float:
        """Exact volume of the mesh."""
        return self.survey.volume_mm3

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Length of the bounding box along the file's x, y, z."""
        return self.survey.size_mm


def axis_vector(axis: Axis) -> NDArray[np.float64]:
    """Return the unit vector (3,) that `axis` names."""
    vector = np.zeros(3)
    vector["xyz".index(axis[1])] = 1.0 if axis[0] == "+" else -1.0
    return vector
