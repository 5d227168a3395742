"""A half on its board as a value: the solid, its outlines, its undercuts."""

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon

from moldplan.columns.grid import Grid
from moldplan.columns.offset import Creases, creases_of

HalfName = Literal["A", "B"]


@dataclass(frozen=True, kw_only=True)
class Region:
    """One undercut: a connected gap under the shadow of a half, to be filled with rubber.

    `depth_mm` is the greatest height of the gap along the pull; `reach_mm` how far in, level with the
    board, its deepest point lies from the open air (its nearest mouth); `mouth_mm` the width of its widest
    mouth (its length round the edge); two or more mouths make a tunnel. A gap with no mouth is a sealed
    pocket. `area_mm2` is the area of its shadow on the board. `centre_mm` is in the half's frame.
    """

    id: int
    volume_mm3: float
    area_mm2: float
    depth_mm: float
    reach_mm: float
    mouth_mm: float
    mouths: int
    centre_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """Every gap of every column, for drawing and for filling.

    Gap k lies over cell (`row[k]`, `col[k]`)
    of `grid` from `low_mm[k]` to `high_mm[k]` and belongs to region `region[k]` (its `Region.id`).
    Gaps of regions too small to name are left out (`Undercut.crumbs_mm3` counts them).
    """

    grid: Grid
    row: NDArray[np.int32]
    col: NDArray[np.int32]
    low_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]
    region: NDArray[np.int32]


@dataclass(frozen=True, kw_only=True)
class Undercut:
    """What the flat split leaves locked in this half.

    The mesh's true value lies in `bracket_mm3`. It is exact but for rounding, whatever the cell.
    """

    volume_mm3: float
    bracket_mm3: tuple[float, float]
    cell_mm: float
    area_mm2: float
    """Area of the shadow of all gaps on the board."""
    regions: tuple[Region, ...]
    """Largest first; ids 1, 2, 3 ... in that order."""
    crumbs_mm3: float
    """Volume of gaps too small to name, part of `volume_mm3`."""
    gaps: Gaps
    links: int
    """Closed loops the rubber makes round or through the half; each must be cut or webbed."""


@dataclass(frozen=True, kw_only=True)
class Half:
    """One half, lying on its board.

    Split face on z = 0, pull +z, y towards the HEAD end (towards the figure's FRONT when the pull is up or
    down), x to the right as one looks down on the board.

    `to_half` (4, 4) takes figure coordinates (mm from the middle of the bounding box, file axes) to the
    half's frame; the frame's origin is the foot of the bounding-box middle on the split plane.
    """

    name: HalfName
    called: str
    """FRONT, BACK, LEFT, RIGHT, TOP or BOTTOM; WHOLE for a one-part open mould."""
    to_half: NDArray[np.float64]
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    volume_mm3: float
    height_mm: float
    section: MultiPolygon
    """What lies on the board (the sawn face)."""
    projection: MultiPolygon
    """The shadow on the board, seen along the pull."""
    genus: int
    up_xy: tuple[float, float]
    """Direction of the figure's up on the board, unit length, or (0, 0) when it points along the pull."""
    front_xy: tuple[float, float]
    """Direction of the figure's front on the board, unit length, or (0, 0) when it points along the pull."""
    undercut: Undercut

    @cached_property
    def creases(self) -> Creases:
        """Its edges as what can carry a grown face, worked out when first asked for."""
        return creases_of(self.vertices, self.faces)

    def __getstate__(self) -> dict[str, object]:
        """Pickle the fields alone: what can be worked out again need not travel."""
        return {field.name: getattr(self, field.name) for field in fields(self)}
