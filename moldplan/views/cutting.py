"""The side section as geometry: where it is taken, and what each thing looks like in its plane.

The plane is square to the board and runs along the half's longer side: x = c seen from the right (y to the
right on paper), or y = c seen from the tail end (x to the right). Heights are up. All shapes in mm.
"""

from dataclasses import dataclass
from typing import Literal

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from moldplan.columns.distance import splat_distances
from moldplan.columns.grid import Grid
from moldplan.half.model import Half
from moldplan.mould.board import BOARD_MM
from moldplan.mould.model import Mould
from moldplan.tolerances import BOARD_EPSILON
from moldplan.views.paper import Box, areal
from moldplan.views.relief import band_shape

Floats = NDArray[np.float64]
#: Share of an undercut's depth at which a place counts as one of its deepest.
_AS_DEEP = 0.9


@dataclass(frozen=True, kw_only=True)
class Cut:
    """Where a half is cut for its section: the plane `axis` = `at_mm`, named by `letter`."""

    axis: Literal["x", "y"]
    at_mm: float
    letter: str = "S"
    region: int | None = None
    """The undercut it was laid through, None when the half has none."""

    @property
    def number(self) -> int:
        """Index of the axis the plane is square to."""
        return "xy".index(self.axis)


@dataclass(frozen=True, kw_only=True)
class Profile:
    """What the cut goes through, as areas over (distance along the board, height)."""

    half: shapely.MultiPolygon
    rubber: shapely.MultiPolygon
    covered: shapely.MultiPolygon
    """Half and rubber together: all that lies under the rubber's outer face."""
    gaps: dict[int, shapely.MultiPolygon]
    """Undercuts by region id."""
    wall: shapely.MultiPolygon
    flange: shapely.MultiPolygon
    """The jacket's flange on the bare board."""
    board: shapely.Polygon

    def jacket(self, thickness_mm: float) -> shapely.MultiPolygon:
        """Return the jacket, drawn `thickness_mm` thick over the rubber, and its flange."""
        shell = self.covered.buffer(thickness_mm, join_style="mitre", mitre_limit=2.0)
        above = shapely.box(*shell.bounds).intersection(_upper_half(shell))
        return areal(shell.intersection(above).difference(self.covered).union(self.flange))


def _upper_half(shape: BaseGeometry) -> shapely.Polygon:
    left, _, right, high = shape.bounds
    return shapely.box(left, 0.0, right, high)


def choose_cut(half: Half, mould: Mould) -> Cut:
    """Return the plane along the half's longer side through the deepest place of its largest undercut.

    Of places about as deep (`_AS_DEEP`) the one nearest the middle of the half is taken, so that a section
    through a ring goes through what it encircles. Without an undercut, the plane in which most of the half
    stands.
    """
    left, low, right, high = half.projection.bounds
    axis: Literal["x", "y"] = "x" if high - low >= right - left else "y"
    middle = half.projection.centroid.x if axis == "x" else half.projection.centroid.y
    gaps = half.undercut.gaps
    if not half.undercut.regions or len(gaps.row) == 0:
        standing = mould.rubber.top_mm.sum(axis=0 if axis == "x" else 1)
        places = _places(mould.rubber.grid, axis)
        return Cut(axis=axis, at_mm=_most_in_the_middle(places, standing, middle))
    region = half.undercut.regions[0].id
    mine = gaps.region == region
    places = _places(gaps.grid, axis)[(gaps.col if axis == "x" else gaps.row)[mine]]
    depth = (gaps.high_mm - gaps.low_mm)[mine]
    return Cut(axis=axis, at_mm=_most_in_the_middle(places, depth, middle), region=region)


def _most_in_the_middle(places: Floats, value: Floats, middle: float) -> float:
    """Return of the places with about the most the one nearest to `middle`."""
    best = places[value >= _AS_DEEP * value.max()]
    return float(best[np.abs(best - middle).argmin()])


def _places(grid: Grid, axis: str) -> Floats:
    return grid.x_mm() if axis == "x" else grid.y_mm()


def cut_profile(half: Half, mould: Mould, cut: Cut, *, flange_mm: float) -> Profile:
    """Return everything the plane goes through; `flange_mm` is how thick the jacket's flange is."""
    solid = slice_half(half, cut)
    covered = _covered(mould, cut).union(solid)
    wall = mould.wall.outer.difference(mould.wall.inner)
    flange = mould.jacket.flange_outer.difference(shapely.union_all(mould.rubber.edge_line))
    board = shapely.box(
        mould.board.centre_mm[0] - 0.5 * mould.board.size_mm[0],
        mould.board.centre_mm[1] - 0.5 * mould.board.size_mm[1],
        mould.board.centre_mm[0] + 0.5 * mould.board.size_mm[0],
        mould.board.centre_mm[1] + 0.5 * mould.board.size_mm[1],
    )
    on_board = _boxes(spans(board, cut), -BOARD_MM, 0.0)
    return Profile(
        half=solid,
        rubber=areal(covered.difference(solid)),
        covered=areal(covered),
        gaps=_gaps(half, cut),
        wall=_boxes(spans(wall, cut), 0.0, mould.wall.height_mm),
        flange=_boxes(spans(flange, cut), 0.0, flange_mm),
        board=on_board.geoms[0] if len(on_board.geoms) else shapely.Polygon(),
    )


def spans(shape: BaseGeometry, cut: Cut) -> list[tuple[float, float]]:
    """Return where the cut crosses an area on the board, as (from, to) along the board."""
    left, low, right, high = shape.bounds
    if cut.axis == "x":
        line = shapely.LineString([(cut.at_mm, low - 1.0), (cut.at_mm, high + 1.0)])
    else:
        line = shapely.LineString([(left - 1.0, cut.at_mm), (right + 1.0, cut.at_mm)])
    parts = [part for part in shapely.get_parts(line.intersection(shape)) if part.geom_type == "LineString"]
    along = 1 - cut.number
    ends = [np.sort(shapely.get_coordinates(part)[[0, -1], along]) for part in parts]
    return sorted((float(a), float(b)) for a, b in ends)


def _boxes(ends: list[tuple[float, float]], low: float, high: float) -> shapely.MultiPolygon:
    return shapely.MultiPolygon([shapely.box(a, low, b, high) for a, b in ends if b > a])


def slice_half(half: Half, cut: Cut) -> shapely.MultiPolygon:
    """Return the half's own area in the plane of the cut, exactly as the mesh has it."""
    order = [1, 2, 0] if cut.axis == "x" else [2, 0, 1]
    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(half.vertices[:, order]), tri_verts=half.faces.astype(np.uint64)
    )
    loops = manifold3d.Manifold(mesh).slice(cut.at_mm).to_polygons()
    area: BaseGeometry = shapely.MultiPolygon()
    for loop in loops:  # outlines turn left, holes right: even-odd holds for both
        points = np.array(loop) if cut.axis == "x" else np.array(loop)[:, ::-1]
        area = area.symmetric_difference(shapely.Polygon(points).buffer(0.0))
    return areal(area)


def _covered(mould: Mould, cut: Cut) -> BaseGeometry:
    """Return what lies between the board and the rubber's outer face."""
    rubber = mould.rubber
    along, height = line_of(rubber.outer_mm, rubber.grid, cut)
    pieces = []
    for first, last in spans(rubber.edge_line, cut):
        inside = (along > first) & (along < last) & (height > 0.0)
        if inside.any():
            u, h = along[inside], height[inside]
            top = [(first, h[0]), *zip(u, h, strict=True), (last, h[-1])]
            pieces.append(shapely.Polygon([(first, 0.0), *top, (last, 0.0)]).buffer(0.0))
    return shapely.union_all(pieces) if pieces else shapely.MultiPolygon()


def line_of(heights: Floats, grid: Grid, cut: Cut) -> tuple[Floats, Floats]:
    """Return a height map along the cut, between its two nearest rows of cells.

    Where only one of the two has any height, that height is taken.
    """
    field = heights if cut.axis == "x" else heights.T
    along, across = (grid.y_mm(), grid.x_mm()) if cut.axis == "x" else (grid.x_mm(), grid.y_mm())
    place = float(np.clip((cut.at_mm - across[0]) / grid.cell_mm, 0, len(across) - 1))
    first = min(int(place), max(len(across) - 2, 0))
    last = min(first + 1, len(across) - 1)
    a, b = field[:, first], field[:, last]
    share = place - first
    both = (1.0 - share) * a + share * b
    return along, np.where((a > 0.0) & (b > 0.0), both, np.maximum(a, b))


def _gaps(half: Half, cut: Cut) -> dict[int, shapely.MultiPolygon]:
    """Return the undercuts in the plane, by region, as strips one cell wide joined together."""
    gaps = half.undercut.gaps
    across, along = (gaps.col, gaps.row) if cut.axis == "x" else (gaps.row, gaps.col)
    places = gaps.grid.x_mm() if cut.axis == "x" else gaps.grid.y_mm()
    middles = gaps.grid.y_mm() if cut.axis == "x" else gaps.grid.x_mm()
    here = across == int(np.abs(places - cut.at_mm).argmin())
    shapes: dict[int, shapely.MultiPolygon] = {}
    for region in np.unique(gaps.region[here]):
        mine = here & (gaps.region == region)
        u, half_cell = middles[along[mine]], 0.5 * gaps.grid.cell_mm
        strips = shapely.box(u - half_cell, gaps.low_mm[mine], u + half_cell, gaps.high_mm[mine])
        shapes[int(region)] = areal(shapely.union_all(strips))
    return shapes


@dataclass(frozen=True, kw_only=True)
class DistanceField:
    """True distances (in space, not in the plane) from points of the cut to the half's skin, ``[up, along]``.

    Exact up to a reach and that reach beyond it; of no meaning deep inside the half. The sawn face on the
    board is no skin.
    """

    along_mm: Floats
    up_mm: Floats
    distance_mm: Floats

    def between(self, low_mm: float, high_mm: float) -> shapely.MultiPolygon:
        """Return where the distance lies between two values, linear between the points."""
        return band_shape(self.along_mm, self.up_mm, self.distance_mm, low_mm, high_mm)


def distance_field(half: Half, cut: Cut, window: Box, *, cell_mm: float, reach_mm: float) -> DistanceField:
    """Return distances to `half` at points `cell_mm` apart over `window` (along and up, mm) of the cut."""
    left, low, right, high = window
    counts = [int(np.ceil((b - a) / cell_mm)) + 1 for a, b in ((left, right), (low, high))]
    corner = np.zeros(3)
    corner[cut.number], corner[1 - cut.number], corner[2] = cut.at_mm - 0.5 * cell_mm, left, low
    shape = [counts[0], counts[0], counts[1]]
    shape[1 - cut.number] = 1  # the grid is [y, x, z]: one cube thick across the cut
    far = corner + cell_mm * np.array([shape[1], shape[0], shape[2]])
    faces, normals = _faces_near(half, corner - reach_mm, far + reach_mm)
    square = np.full(shape, reach_mm**2, dtype=np.float32)
    vertices = half.vertices - [0.0, 0.0, low]
    splat_distances(vertices, faces, normals, corner[0], corner[1], cell_mm, reach_mm, reach_mm, square)
    return DistanceField(
        along_mm=(left + (np.arange(counts[0]) + 0.5) * cell_mm).astype(np.float64),
        up_mm=(low + (np.arange(counts[1]) + 0.5) * cell_mm).astype(np.float64),
        distance_mm=np.sqrt(square.reshape(counts[0], counts[1]).T.astype(np.float64)),
    )


def _faces_near(half: Half, low: Floats, high: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return the faces that reach into a box, the sawn face left out, and their unit normals."""
    corners = half.vertices[half.faces]
    on_board = (np.abs(corners[:, :, 2]) <= BOARD_EPSILON * max(half.height_mm, 1.0)).all(axis=1)
    near = (corners.max(axis=1) >= low).all(axis=1) & (corners.min(axis=1) <= high).all(axis=1) & ~on_board
    normals = np.cross(corners[near, 1] - corners[near, 0], corners[near, 2] - corners[near, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return half.faces[near], np.divide(normals, length, out=np.zeros_like(normals), where=length > 0.0)
