"""The mould of one half as a value: rubber, coats, wall, board and jacket."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from moldplan.columns.grid import Grid
from moldplan.half.model import HalfName


@dataclass(frozen=True, kw_only=True)
class Coat:
    """One coat of rubber. `region` names the undercut an extra pass belongs to, else None."""

    name: str
    thickness_mm: float
    area_mm2: float
    volume_mm3: float
    mass_kg: float
    next_after_min: float
    next_before_min: float
    region: int | None = None
    passes: int = 1


class LaidRubber(Protocol):
    """What wall, board, jacket and turning read of a rubber: its line on the board, its areas, its mass."""

    @property
    def edge_line(self) -> MultiPolygon:
        """Outline of the rubber on the board."""

    @property
    def outer_area_mm2(self) -> float:
        """Area of the outer face."""

    @property
    def inner_area_mm2(self) -> float:
        """Area of the half that rubber lies on."""

    @property
    def mass_kg(self) -> float:
        """Mass of the rubber."""


@dataclass(frozen=True, kw_only=True)
class BriefRubber:
    """The rubber over one half by its amount alone, without its coats and its face: a `LaidRubber`."""

    edge_line: MultiPolygon
    volume_mm3: float
    mass_kg: float
    outer_area_mm2: float
    inner_area_mm2: float


@dataclass(frozen=True, kw_only=True)
class Rubber:
    """The rubber over one half.

    `outer_mm` (ny, nx) on `grid` is the height of its outer face above the board, 0 where there is none.
    The four parts add up to `volume_mm3`; `measured_mm3` is the same volume by a second way (triangulated
    outer face less the half's solid).
    """

    skin_mm: float
    draft_deg: float
    grid: Grid
    outer_mm: NDArray[np.float64]
    top_mm: NDArray[np.float64]
    """Height of the half itself over the same grid (0 where there is none)."""
    edge_line: MultiPolygon
    """Outline of the rubber on the board (inner line of the moat)."""
    volume_mm3: float
    skin_mm3: float
    fill_mm3: float
    draft_mm3: float
    edge_mm3: float
    measured_mm3: float
    mass_kg: float
    order_kg: float
    outer_area_mm2: float
    inner_area_mm2: float
    coats: tuple[Coat, ...]
    region_coats: dict[int, int]
    """Extra passes by region id."""


@dataclass(frozen=True, kw_only=True)
class Wall:
    """The clay wall: `inner` is its line towards the rubber, beyond the moat; `outer` its back."""

    inner: Polygon
    outer: Polygon
    inner_perimeter_mm: float
    height_mm: float
    thickness_mm: float
    clay_kg: float
    moat_mm3: float


@dataclass(frozen=True, kw_only=True)
class Board:
    """The board in its two states.

    Sizes are (x, y) in mm, rounded up to what a shop cuts. `sheets` is how many stock sheets one board
    takes: 1 when it comes out of one sheet; more means joints.
    """

    coating_mm: tuple[float, float]
    jacketing_mm: tuple[float, float]
    size_mm: tuple[float, float]
    """What to cut: the larger of the two states in each direction."""
    centre_mm: tuple[float, float]
    """Middle of the board in the half's frame."""
    stock_mm: tuple[float, float]
    sheets: int


@dataclass(frozen=True, kw_only=True)
class Jacket:
    """The rigid glass-fibre jacket over the rubber, its flange on the bare board outside the rubber."""

    flange_outer: Polygon
    area_mm2: float
    flange_area_mm2: float
    plies: int
    thickness_mm: float
    mass_kg: float
    turning: str
    """Who turns jacket + rubber + half over, in plain words with the mass and the limit."""
    turning_kg: float
    turning_people: int | None
    """Least team by the guideline filter, None when a mechanical aid is needed."""


@dataclass(frozen=True, kw_only=True)
class Mould:
    """Everything of one half's mould."""

    name: HalfName
    rubber: Rubber
    wall: Wall
    board: Board
    jacket: Jacket
