"""The outside of the rigid jacket as a height map over the rubber's own grid.

The jacket's skin is what lies within its thickness of the rubber. A ball of radius t over a leaned ball is
the leaned larger ball, so that over the half the outside comes exactly from the half itself, by the same
heights as the rubber's face; over the edge plate and the keys it has a closed form: a ball rolled over a rim
or a cone meets its tangent cone of the same lean. The flange lies on the bare board.
[derived, first principles]
"""

import math
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from moldplan.columns.grid import Grid
from moldplan.columns.offset import height_map
from moldplan.half.model import Half
from moldplan.mould.keys import ball_profile, shell_over_keys
from moldplan.mould.model import Rubber
from moldplan.mould.outer import Build
from moldplan.mould.outline import ARC_SEGMENTS

Floats = NDArray[np.float64]


#: Balls looked at from the middle of one to its edge: on the fine cells of a small figure not every one is.
_MOST_BALLS: Final = 16


def jacket_heights(  # noqa: PLR0913 - the jacket itself is made from this, so that it cannot be a value yet
    half: Half, rubber: Rubber, build: Build, *, thickness_mm: float, flange_thickness_mm: float,
    flange_outer: Polygon,
) -> Floats:  # fmt: skip
    """Return the height (ny, nx) of the jacket's outside, flange included, on the rubber's grid.

    Parameters
    ----------
    half, rubber, build
        The half, its rubber, and how that was built (`moldplan.mould.rubber.build_for`).
    thickness_mm
        Of the jacket's skin, square to the rubber's face, over zero.
    flange_thickness_mm
        Of the flange on the bare board, over zero.
    flange_outer
        Outline of the flange on the board; it must lie on the grid (`Build.flange_width_mm`).

    Returns
    -------
    NDArray
        mm above the board at the middles of the cells, 0 outside the flange and on what it leaves bare in
        openings. Over rubber at least `thickness_mm` above it.

    Notes
    -----
    Exact but for raised valleys, where balls about the middles of the cells stand for balls about every point
    of the face: short of the true outside by at most what the face bends within a cell. About as long as one
    height map of the half: 0.4 s for 100 000 triangles at 512 cells.
    """
    grid, draft = rubber.grid, build.draft_rad
    radius = build.skin_mm + thickness_mm
    shell = height_map(
        half.vertices, half.faces, radius_mm=radius, draft_rad=draft, grid=grid, creases=half.creases
    )
    np.maximum(shell, _over_edge(rubber.edge_line, build, grid, thickness_mm), out=shell)
    np.maximum(shell, _balls(rubber.outer_mm, grid, thickness_mm), out=shell)
    shell = shell_over_keys(shell, grid, rubber.keys, thickness_mm=thickness_mm)
    np.maximum(shell, flange_thickness_mm, out=shell)
    return np.where(_held(rubber.edge_line, flange_outer, build, grid), shell, 0.0)


def _balls(outer: Floats, grid: Grid, thickness_mm: float) -> Floats:
    """Return the height of balls of `thickness_mm` about the middles of the face, where there is rubber."""
    reach = math.floor(thickness_mm / grid.cell_mm)
    step = max(1, math.ceil(reach / _MOST_BALLS))
    reach -= reach % step
    rubber = np.pad(np.where(outer > 0.0, outer, -np.inf), reach, constant_values=-np.inf)
    out = np.zeros_like(outer)
    for row in range(-reach, reach + 1, step):
        for col in range(-reach, reach + 1, step):
            rise2 = thickness_mm**2 - (row * row + col * col) * grid.cell_mm**2
            if rise2 < 0.0:
                continue
            near = rubber[reach + row : reach + row + grid.ny, reach + col : reach + col + grid.nx]
            np.maximum(out, near + math.sqrt(rise2), out=out)
    return out


def _over_edge(line: MultiPolygon, build: Build, grid: Grid, thickness_mm: float) -> Floats:
    """Return the height of what lies within `thickness_mm` of the edge plate, at the middles of the cells."""
    lean = build.edge_thickness_mm * math.tan(build.draft_rad)
    reach = lean + thickness_mm / math.cos(build.draft_rad)
    top = shapely.buffer(line, -lean, quad_segs=ARC_SEGMENTS)
    inside = _middles_in(top, grid)
    rim = _middles_in(shapely.buffer(top, reach, quad_segs=ARC_SEGMENTS), grid) & ~inside
    row, col = np.nonzero(rim)
    middles = shapely.points(grid.x_mm()[col], grid.y_mm()[row])
    away = np.asarray(shapely.distance(shapely.boundary(top), middles))
    profile = ball_profile(away, radius_mm=thickness_mm, lean_rad=build.draft_rad)
    heights: Floats = np.where(inside, build.edge_thickness_mm + thickness_mm, 0.0)
    heights[rim] = np.maximum(build.edge_thickness_mm + profile, 0.0)
    return heights


def _held(line: MultiPolygon, flange_outer: Polygon, build: Build, grid: Grid) -> NDArray[np.bool_]:
    """Return the cells (ny, nx) whose middles the jacket covers."""
    holes = shapely.union_all([Polygon(ring) for part in line.geoms for ring in part.interiors])
    opening = shapely.difference(holes, line)
    bare = shapely.buffer(opening, -build.flange_width_mm, quad_segs=ARC_SEGMENTS)
    return _middles_in(shapely.difference(flange_outer, bare), grid)


def _middles_in(area: shapely.Geometry, grid: Grid) -> NDArray[np.bool_]:
    """Return the cells (ny, nx) whose middles lie in `area`."""
    shapely.prepare(area)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    inside: NDArray[np.bool_] = shapely.contains_xy(area, x, y)
    return inside
