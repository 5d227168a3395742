"""Halves straight from meshes that already lie on the board, for tests of the mould alone."""

from collections.abc import Callable

import manifold3d
import numpy as np
import shapely
import zoo
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from moldplan.columns.grid import Grid
from moldplan.half.model import Gaps, Half, Region, Undercut

Floats = NDArray[np.float64]


def outline(sections: manifold3d.CrossSection) -> MultiPolygon:
    """Turn outlines of manifold3d into one area (outer rings run counter-clockwise, holes clockwise)."""
    rings = [Polygon(ring) for ring in sections.to_polygons()]
    solid = [shapely.LinearRing(ring.exterior).is_ccw for ring in rings]
    area = shapely.union_all([ring for ring, outer in zip(rings, solid, strict=True) if outer])
    area = area.difference(shapely.union_all([r for r, outer in zip(rings, solid, strict=True) if not outer]))
    return area if isinstance(area, MultiPolygon) else MultiPolygon([area])


def above_board(mesh: zoo.Mesh, height: float = 0.0) -> zoo.Mesh:
    """Cut away what lies below `height` and set the rest on the board."""
    points, faces = mesh
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
    upper = solid.split_by_plane((0.0, 0.0, 1.0), height)[0].to_mesh64()
    kept = np.array(upper.vert_properties[:, :3]) - np.array([0.0, 0.0, height])
    kept[np.abs(kept[:, 2]) < 1e-9 * np.ptp(points), 2] = 0.0
    return kept, np.array(upper.tri_verts, dtype=np.int64)


def gaps_over(
    inside: Callable[[Floats, Floats], Floats], low: float, high: float, *, span: float, cell: float
) -> Gaps:
    """Return gaps of region 1 from `low` to `high` over the cells whose middles are `inside`."""
    count = int(np.ceil(span / cell))
    grid = Grid(-count * cell, -count * cell, cell, 2 * count, 2 * count)
    row, col = np.nonzero(inside(*np.meshgrid(grid.x_mm(), grid.y_mm())))
    ends = np.ones(len(row))
    return Gaps(
        grid=grid, row=row.astype(np.int32), col=col.astype(np.int32), low_mm=low * ends, high_mm=high * ends,
        region=np.ones(len(row), dtype=np.int32),
    )  # fmt: skip


def undercut(regions: tuple[Region, ...] = (), gaps: Gaps | None = None) -> Undercut:
    """Return an undercut of given regions and gaps, none by default."""
    floats, ints = np.zeros(0), np.zeros(0, dtype=np.int32)
    if gaps is None:
        gaps = Gaps(
            grid=Grid(0.0, 0.0, 1.0, 1, 1), row=ints, col=ints, low_mm=floats, high_mm=floats, region=ints
        )
    return Undercut(
        volume_mm3=sum(region.volume_mm3 for region in regions), bracket_mm3=(0.0, 0.0), cell_mm=1.0,
        area_mm2=0.0, regions=regions, crumbs_mm3=0.0, gaps=gaps, links=0,
    )  # fmt: skip


def lying(mesh: zoo.Mesh, gaps: Undercut | None = None) -> Half:
    """Return a mesh that lies on z = 0 as half A."""
    points, faces = mesh
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    height = float(points[:, 2].max())
    return Half(
        name="A", called="FRONT", to_half=np.eye(4), vertices=points, faces=faces,
        volume_mm3=zoo.volume(mesh), height_mm=height, section=outline(solid.slice(1e-7 * height)),
        projection=outline(solid.project()), genus=solid.genus(), up_xy=(0.0, 1.0), front_xy=(0.0, 0.0),
        undercut=gaps if gaps is not None else undercut(),
    )  # fmt: skip
