"""The pattern as a value: a closed mesh in millimetres and what is known about it."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from moldplan.units import Axis

__all__ = [
    "AXES",
    "Axis",
    "Lighter",
    "Marks",
    "Mending",
    "Pattern",
    "Repair",
    "Rung",
    "SizeFrom",
    "Survey",
    "axis_vector",
]

AXES: tuple[Axis, ...] = get_args(Axis)

SizeFrom = Literal["height", "unit", "file"]


Rung = Literal["weld", "doubles", "wind", "drop", "cut", "fill", "close", "even", "unite", "resurface"]
"""The rungs of the ladder a broken mesh climbs (`moldplan.pattern.mend`)."""


@dataclass(frozen=True, kw_only=True)
class Mending:
    """What a shop lets mending do.

    `repair_mm` and `repair_percent` (of the volume) are the most it may change unasked; `accept` lets more
    pass. `cells` is how many cells of the grid lie along the longest side when a surface is made anew.
    """

    repair_mm: float = 1.0
    repair_percent: float = 0.5
    accept: bool = False
    cells: int = 384


@dataclass(frozen=True, kw_only=True)
class Repair:
    """One rung that mended something: what, how often, and how far the surface moved.

    Over the whole surface, spread evenly by area: `mean_mm`, `p99_mm` (99 of 100 points moved less) and
    `moved_mm`, the farthest, at `place_mm`. Over a filled hole nobody knows what was there: there the figures
    say how far off the filling may be. `volume_mm3` is the most this rung can have added or taken away.
    """

    what: str
    count: int
    moved_mm: float
    rung: Rung = "weld"
    mean_mm: float = 0.0
    p99_mm: float = 0.0
    place_mm: tuple[float, float, float] | None = None
    """In the frame of the pattern's vertices (of the file while the mesh is being mended)."""
    volume_mm3: float = 0.0
    cell_mm: float | None = None
    """Edge of the grid's cubes, where a surface was made anew."""


@dataclass(frozen=True, kw_only=True)
class Marks:
    """What differs between a mesh as it came and as it was mended, for drawing.

    `new` (m,) says which faces of the mended mesh were not in the file; `moved_mm` (m,) how far each face's
    middle lies from the surface as it came (0 for faces that are not new). `dropped_mm` (k, 3, 3) has the
    corners of faces that are gone and lie off the mended surface: floor, islands, inner walls.
    """

    new: NDArray[np.bool_]
    moved_mm: NDArray[np.float32]
    dropped_mm: NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Lighter:
    """The whole mesh behind a lighter one that is planned with, and how well the two agree.

    `vertices` (n, 3) and `faces` (m, 3, int32) are the whole mesh in the frame of the pattern's vertices;
    `moved_mm` bounds how far the lighter surface lies from it. `volume_mm3` and `area_mm2` are the lighter
    copy's own; those of the whole mesh are in the survey.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    moved_mm: float
    volume_mm3: float
    area_mm2: float


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
    accepting: tuple[str, ...] = ()
    """What mending changed beyond the shop's tolerance, so that somebody has to accept it."""
    turned_inside_out: bool = False
    """Whether most of the mesh was wound inside out, as it is when a file was mirrored."""
    crossing_faces: int = 0
    """Faces that cut through others of the same body and were left so."""


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
    size_from: SizeFrom = "height"
    """What said how large the figure is: a height, the unit that was given, or the file itself."""
    marks: Marks | None = None
    """Where it was mended; None when nothing visible was."""
    lighter: Lighter | None = None
    """The whole mesh, when `vertices` and `faces` are a lighter copy of it; `survey` is of the whole one."""

    @property
    def volume_mm3(self) -> float:
        """Exact volume of the mesh that is planned with; ``survey.volume_mm3`` has that of the whole one."""
        return self.survey.volume_mm3 if self.lighter is None else self.lighter.volume_mm3

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Length of the bounding box along the file's x, y, z."""
        return self.survey.size_mm


def axis_vector(axis: Axis) -> NDArray[np.float64]:
    """Return the unit vector (3,) that `axis` names."""
    vector = np.zeros(3)
    vector["xyz".index(axis[1])] = 1.0 if axis[0] == "+" else -1.0
    return vector
