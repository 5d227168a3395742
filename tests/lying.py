"""Halves straight from meshes that already lie on the board, for tests of the mould alone."""

import manifold3d
import numpy as np
import shapely
import zoo
from shapely import MultiPolygon, Polygon

from moldplan.columns.grid import Grid
from moldplan.half.model import Gaps, Half, Region, Undercut


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


def no_gaps(regions: tuple[Region, ...] = ()) -> Undercut:
    """Return an undercut without gaps."""
    floats, ints = np.zeros(0), np.zeros(0, dtype=np.int32)
    gaps = Gaps(
        grid=Grid(0.0, 0.0, 1.0, 1, 1), row=ints, col=ints, low_mm=floats, high_mm=floats, region=ints
    )
    return Undercut(
        volume_mm3=0.0, bracket_mm3=(0.0, 0.0), cell_mm=1.0, area_mm2=0.0, regions=regions, crumbs_mm3=0.0,
        gaps=gaps, links=0,
    )  # fmt: skip


def lying(mesh: zoo.Mesh, undercut: Undercut | None = None) -> Half:
    """Return a mesh that lies on z = 0 as half A."""
    points, faces = mesh
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    height = float(points[:, 2].max())
    return Half(
        name="A", called="FRONT", to_half=np.eye(4), vertices=points, faces=faces,
        volume_mm3=zoo.volume(mesh), height_mm=height, section=outline(solid.slice(1e-7 * height)),
        projection=outline(solid.project()), genus=solid.genus(), up_xy=(0.0, 1.0), front_xy=(0.0, 0.0),
        undercut=undercut if undercut is not None else no_gaps(),
    )  # fmt: skip
