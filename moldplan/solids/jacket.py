"""The jacket as a closed mesh: its outside, an upright rim on the flange's line, the rubber's face turned.

The outside is a height map that steps down to the board somewhere between two middles, while the flange ends
upright on its line. Near that line the outside is the flat of the flange: triangles that reach over the line
are left out, the gap to the line is filled flat, and the line gets an upright rim. Where it is not flat there
(a flange narrower than a cell or two), the outside is carried outwards and cut as a solid, which takes four
times as long.
"""

from typing import Final

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from moldplan.columns.grid import Grid
from moldplan.half.solids import mesh_of, solid_of
from moldplan.mould.model import Jacket, Rubber
from moldplan.solids.prism import prism, rings_of
from moldplan.solids.under import (
    Mesh,
    closed_below,
    face_of,
    raised_triangles,
    rim_rings,
    trimmed,
    turned_inside_out,
)

Floats = NDArray[np.float64]

#: Cells that the outside is carried outwards before it is cut to its line.
_CARRIED: Final = 2
#: Share of a cell that the triangles which are kept stay inside the line.
_CLEAR: Final = 0.25
#: Sides of a quarter circle of the flange's line in an opening.
_ROUND: Final = 32


def jacket_mesh(jacket: Jacket, outer_mm: Floats, rubber: Rubber, face: Mesh) -> Mesh:
    """Return the jacket between its outside and the rubber's outer face `face`, on its flange's ground.

    Parameters
    ----------
    jacket, outer_mm
        The jacket, and the height (ny, nx) of its outside on the rubber's grid.
    rubber, face
        The rubber, and the triangles of its outer face.

    Raises
    ------
    PatternError
        When the outside had to be cut as a solid and is none.
    """
    ground = flange_ground(jacket, rubber)
    cover = _rimmed(outer_mm, rubber.grid, ground)
    if cover is not None:
        return closed_below(cover, turned_inside_out(face))
    carried = face_of(_carried(outer_mm), rubber.grid)
    whole = solid_of(*closed_below(carried, turned_inside_out(face)), "jacket")
    return mesh_of(whole ^ prism(ground, -1.0, float(outer_mm.max()) + 1.0))


def flange_ground(jacket: Jacket, rubber: Rubber) -> BaseGeometry:
    """Return what jacket and rubber stand on together; round openings of the rubber too is a flange."""
    line = jacket.flange_outer
    rings = [Polygon(ring) for part in rubber.edge_line.geoms for ring in part.interiors]
    if not rings:
        return line
    width_mm = float(rubber.edge_line.distance(line.exterior))
    openings = shapely.difference(shapely.union_all(rings), rubber.edge_line)
    return line.difference(openings.buffer(-width_mm, quad_segs=_ROUND))


def _rimmed(outer_mm: Floats, grid: Grid, ground: BaseGeometry) -> Mesh | None:
    """Return the outside with an upright rim on its line; None where it is not flat beside the line."""
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    well_inside = shapely.buffer(ground, -_CLEAR * grid.cell_mm)
    shapely.prepare(well_inside)
    inside = shapely.contains_xy(well_inside, x, y).ravel()
    faces = raised_triangles(outer_mm)
    kept = inside[faces].all(axis=1)
    heights = outer_mm.ravel()
    beside = np.intersect1d(faces[kept], faces[~kept])
    if not len(beside) or np.ptp(heights[beside]) != 0.0 or heights[beside[0]] <= 0.0:
        return None
    points, faces = trimmed(np.stack([x, y, outer_mm], axis=-1).reshape(-1, 3), faces[kept])
    return _with_rim(points, faces, rings_of(ground), float(heights[beside[0]]))


def _with_rim(points: Floats, faces: NDArray[np.int64], lines: list[Floats], flat_mm: float) -> Mesh:
    """Fill flat from a face's edge at `flat_mm` to lines round it, and go upright down to the board there."""
    top = np.concatenate([np.column_stack([line, np.full(len(line), flat_mm)]) for line in lines])
    foot = top * np.array([1.0, 1.0, 0.0])
    start = len(points)
    number = np.split(start + np.arange(len(top)), np.cumsum([len(line) for line in lines])[:-1])
    edges = [ring[::-1] for ring in rim_rings(faces, points, level_mm=flat_mm)]
    points = np.concatenate([points, top, foot])
    rings = [*number, *edges]
    flat = np.concatenate(rings)[manifold3d.triangulate([points[ring, :2] for ring in rings])]
    here = np.concatenate(number)
    after = np.concatenate([np.roll(ring, -1) for ring in number])
    down = len(top)
    upright = [(after, here, here + down), (after, here + down, after + down)]
    walls = [np.stack(corners, axis=1) for corners in upright]
    return points, np.concatenate([faces, flat, *walls])


def _carried(heights_mm: Floats) -> Floats:
    """Carry heights outwards by a few cells, from the highest neighbour; the grid's border stays bare."""
    carried = heights_mm
    for _ in range(_CARRIED):
        carried = np.where(carried > 0.0, carried, maximum_filter(carried, 3, mode="constant"))
    bordered = np.zeros_like(carried)
    bordered[1:-1, 1:-1] = carried[1:-1, 1:-1]
    return bordered
