"""Shaded relief of a half, and its undercuts as bands of depth, both as rasters on the half's own grids."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import contourpy
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from moldplan.columns.grid import Grid
from moldplan.half.model import Gaps, Region
from moldplan.views.paper import Box
from moldplan.views.scale import round_steps

Rgb = NDArray[np.uint8]
#: One hue from light to dark; lightness falls in even steps, so that a grey copy reads the same.
_LIGHT = np.array([219.0, 232.0, 245.0])
_DARK = np.array([70.0, 122.0, 173.0])
#: Light from the upper left, 45 degrees high, as drawings have it.
_SUN = np.array([-0.5, 0.5, np.sqrt(0.5)])
#: Greys of a face turned from the light and one turned to it: never so dark that a line is lost on it.
_SHADE, _LIT = 140.0, 255.0


def grid_box(grid: Grid) -> Box:
    """Return the outline of a grid, in mm."""
    right, high = grid.x0_mm + grid.nx * grid.cell_mm, grid.y0_mm + grid.ny * grid.cell_mm
    return grid.x0_mm, grid.y0_mm, right, high


def relief_picture(top_mm: NDArray[np.float64], grid: Grid) -> Rgb:
    """Return the half as seen from above, shaded by its slope, first row at the top.

    Where there is no half (`top_mm` 0) the nearest height is carried on, so that its outline is no cliff.
    """
    there = top_mm > 0.0
    if not there.any():
        return np.full((*grid.shape, 3), 255, dtype=np.uint8)
    nearest = distance_transform_edt(~there, return_distances=False, return_indices=True)
    height = top_mm[tuple(nearest)]
    slope_y, slope_x = np.gradient(np.pad(height, 1, mode="edge"), grid.cell_mm)
    slope_y, slope_x = slope_y[1:-1, 1:-1], slope_x[1:-1, 1:-1]
    facing = (_SUN[2] - slope_x * _SUN[0] - slope_y * _SUN[1]) / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    grey = _SHADE + (_LIT - _SHADE) * np.clip(0.5 + 0.5 * facing, 0.0, 1.0)
    return np.repeat(grey[::-1, :, None], 3, axis=2).astype(np.uint8)


@dataclass(frozen=True, kw_only=True)
class DepthMap:
    """The depth of all gaps over each cell (0 where there is none), and the steps it is shown in."""

    grid: Grid
    depth_mm: NDArray[np.float64]
    edges_mm: tuple[float, ...]

    @property
    def colours(self) -> tuple[str, ...]:
        """One colour a band, shallow first, as "#rrggbb"."""
        return tuple(
            "#" + "".join(f"{int(part):02x}" for part in row) for row in _band_colours(len(self.edges_mm) - 1)
        )

    def picture(self) -> Rgb:
        """Return the bands as a raster, first row at the top; cells without a gap are shown shallow."""
        band = np.digitize(self.depth_mm, self.edges_mm[1:-1])
        return _band_colours(len(self.edges_mm) - 1).astype(np.uint8)[band[::-1]]


def _band_colours(count: int) -> NDArray[np.float64]:
    shares = np.linspace(0.0, 1.0, count)[:, None] if count > 1 else np.array([[0.5]])
    return np.asarray(np.rint(_LIGHT + shares * (_DARK - _LIGHT)), dtype=np.float64)


def depth_map(gaps: Gaps) -> DepthMap:
    """Return how deep the undercuts are over each cell, gaps above each other added up."""
    depth = np.zeros(gaps.grid.shape)
    np.add.at(depth, (gaps.row, gaps.col), gaps.high_mm - gaps.low_mm)
    edges = round_steps(float(depth.max(initial=0.0)))
    return DepthMap(grid=gaps.grid, depth_mm=depth, edges_mm=tuple(edges))


def region_shapes(gaps: Gaps, regions: Sequence[Region]) -> dict[int, shapely.MultiPolygon]:
    """Return the shadow of each region on the board by its id, corners of its cells cut off."""
    shapes: dict[int, shapely.MultiPolygon] = {}
    for region in regions:
        mine = gaps.region == region.id
        shapes[region.id] = mask_shape(gaps.row[mine], gaps.col[mine], gaps.grid)
    return shapes


def mask_shape(row: NDArray[np.int32], col: NDArray[np.int32], grid: Grid) -> shapely.MultiPolygon:
    """Return the outline of a set of cells (marching squares between cell middles), in mm."""
    if len(row) == 0:
        return shapely.MultiPolygon()
    low_row, low_col = int(row.min()) - 1, int(col.min()) - 1
    mask = np.zeros((int(row.max()) - low_row + 2, int(col.max()) - low_col + 2))
    mask[row - low_row, col - low_col] = 1.0
    x = grid.x0_mm + (np.arange(mask.shape[1]) + low_col + 0.5) * grid.cell_mm
    y = grid.y0_mm + (np.arange(mask.shape[0]) + low_row + 0.5) * grid.cell_mm
    return band_shape(np.asarray(x, np.float64), np.asarray(y, np.float64), mask, 0.5, 2.0)


def band_shape(
    x: NDArray[np.float64], y: NDArray[np.float64], values: NDArray[np.float64], low: float, high: float
) -> shapely.MultiPolygon:
    """Return where the field `values` (ny, nx) sampled at `x`, `y` lies between `low` and `high`."""
    generator = contourpy.contour_generator(x, y, values, fill_type=contourpy.FillType.OuterOffset)
    points, offsets = generator.filled(low, high)[:2]
    polygons: list[shapely.Polygon] = []
    for ring_points, ring_offsets in zip(points, offsets, strict=True):
        if ring_points is None or ring_offsets is None:  # the library's types allow for empty chunks
            continue
        rings = [ring_points[a:b] for a, b in pairwise(ring_offsets.tolist())]
        polygons.append(shapely.Polygon(rings[0], [ring for ring in rings[1:] if len(ring) > 3]))
    valid = shapely.make_valid(shapely.MultiPolygon(polygons))
    parts = [part for part in shapely.get_parts(valid) if isinstance(part, shapely.Polygon)]
    return shapely.MultiPolygon(parts)
