"""A line drawing of the figure with its two halves a little apart, its undercuts shaded by depth.

Goal
    What a person sees who stands before the figure's left front: outlines, sharp edges, the seam, and where
    it locks. Without OpenGL, in vectors, the same bytes every time.

Steps
    1. Both halves are moved apart along the normal and turned so that the eye looks along -z; one depth
       buffer each (`columns.depth`), the nearer of the two is seen.
    2. Lines: the seam (edges between the sawn face and the rest), sharp edges, and where the surface turns
       away from the eye. The last is the zero line of (normal . eye) between smoothed normals, which on the
       noisy skin of a scan makes one quiet line where the triangles' own edges make a thicket.
    3. A piece of line is seen when nothing in the buffer lies nearer to the eye. Pieces are joined, smoothed,
       and the shortest are left out.
    4. Each pixel's point of the surface is looked up among the half's gaps: what bounds a gap gets its depth.

Error budget
    A hidden line may show for a pixel beside an outline; 0.15 mm on paper.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from moldplan.columns.depth import depth_maps
from moldplan.columns.grid import Grid, grid_over
from moldplan.half.model import Gaps, Half
from moldplan.pattern.model import Pattern
from moldplan.pattern.topology import linked, mesh_edges
from moldplan.split.frame import figure_axes
from moldplan.split.model import Plane
from moldplan.views.paper import Box
from moldplan.views.relief import band_shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: The eye stands so far round from the front towards the figure's left, and so far above, deg.
ROUND_DEG: Final = 35.0
ABOVE_DEG: Final = 15.0
#: A plane faced more squarely than this (cosine) shows no gap: the eye goes to the other side.
TOO_SQUARE: Final = 0.9
#: The halves are drawn apart by this share of the figure's diagonal.
APART: Final = 0.07
#: Cells of the depth buffer along the drawing's longer side.
CELLS: Final = 800
#: Edges sharper than this are drawn, deg.
SHARP_DEG: Final = 50.0
#: A triangle whose corners' normals are farther than this off its own is no smooth surface (cosine).
SMOOTH_COSINE: Final = math.cos(math.radians(40.0))
#: Something nearer to the eye by more than this many cells hides a line.
HIDING_CELLS: Final = 2.0
#: Pieces of line shorter than this many cells are left out, the seam's excepted.
SHORT_CELLS: Final = 10.0
#: How near, in the gaps' own cells, a point of the surface lies to the gap it bounds.
NEAR_GAP_CELLS: Final = 1.5
#: The shading is calmed over so many cells.
CALM_CELLS: Final = 9
#: Greys of the surface, from turned away to facing the eye: hardly there.
_AWAY, _FACING = 205.0, 252.0


@dataclass(frozen=True, kw_only=True)
class Opened:
    """The drawing, in mm of the figure as the eye sees it (x to the right, y up).

    `depth_mm` (ny, nx) over `grid` is the depth of the undercut that the seen surface bounds, 0 elsewhere;
    `shade` (ny, nx) the grey of the surface, 255 where there is none.
    """

    grid: Grid
    seam: BaseGeometry
    sharp: BaseGeometry
    outline: BaseGeometry
    depth_mm: Floats
    shade: Floats

    @property
    def bounds(self) -> Box:
        """Left, low, right, high of all that is drawn."""
        low_x, low_y = self.grid.x0_mm, self.grid.y0_mm
        wide, high = self.grid.nx * self.grid.cell_mm, self.grid.ny * self.grid.cell_mm
        return low_x, low_y, low_x + wide, low_y + high


def eye_frame(pattern: Pattern, normal: Floats) -> Floats:
    """Return right, up and towards the eye as rows (3, 3) in the file's axes."""
    front, left, up = figure_axes(pattern.up, pattern.front)
    for side in (left, -left):
        flat = math.cos(math.radians(ROUND_DEG)) * front + math.sin(math.radians(ROUND_DEG)) * side
        eye = math.cos(math.radians(ABOVE_DEG)) * flat + math.sin(math.radians(ABOVE_DEG)) * up
        if abs(float(eye @ normal)) < TOO_SQUARE:
            break
    above = up - (up @ eye) * eye
    above /= np.linalg.norm(above)
    return np.stack([np.cross(above, eye), above, eye])


def open_figure(pattern: Pattern, plane: Plane, halves: tuple[Half, Half]) -> Opened:
    """Return the drawing of a figure split at `plane`; half A is drawn towards the plane's normal.

    Parameters
    ----------
    pattern
        For which way the figure stands.
    plane
        In the file's axes.
    halves
        Cut at that plane.

    Notes
    -----
    About a second for 100 000 triangles.
    """
    normal = plane.array()
    frame = eye_frame(pattern, normal)
    apart = 0.5 * APART * float(np.linalg.norm(pattern.size_mm))
    seen = [
        (_in_figure(half) + sign * apart * normal) @ frame.T
        for half, sign in zip(halves, (1.0, -1.0), strict=True)
    ]
    low = np.min([points.min(axis=0) for points in seen], axis=0)
    high = np.max([points.max(axis=0) for points in seen], axis=0)
    cell = float((high - low)[:2].max()) / CELLS
    grid = grid_over(low[:2], high[:2], cell_mm=cell, margin_mm=3.0 * cell)
    tops = [
        depth_maps(np.ascontiguousarray(points), half.faces, grid)[0]
        for points, half in zip(seen, halves, strict=True)
    ]
    nearest = np.maximum(tops[0], tops[1])
    lines = [_lines(half, points, nearest, grid) for half, points in zip(halves, seen, strict=True)]
    depth = np.zeros(grid.shape)
    for half, top, sign in zip(halves, tops, (1.0, -1.0), strict=True):
        mine = (top == nearest) & np.isfinite(top)
        depth[mine] = _gap_depths(half, _points_of(top, grid, mine) @ frame - sign * apart * normal)
    return Opened(
        grid=grid,
        seam=_joined([part[0] for part in lines], grid, least_cells=0.0),
        sharp=_joined([part[1] for part in lines], grid),
        outline=shapely.union_all([_joined([part[2] for part in lines], grid), *_rims(tops, nearest, grid)]),
        depth_mm=_calmed(depth),
        shade=_shade(nearest, grid),
    )


def _in_figure(half: Half) -> Floats:
    """Return the half's corners (n, 3) in the figure's frame."""
    turn, move = half.to_half[:3, :3], half.to_half[:3, 3]
    return np.asarray((half.vertices - move) @ turn)


# --- lines -------------------------------------------------------------------------------------------------


def _lines(half: Half, points: Floats, nearest: Floats, grid: Grid) -> tuple[Floats, Floats, Floats]:
    """Return the visible segments (k, 2, 2) of seam, sharp edges and outlines of one half."""
    corners = points[half.faces]
    square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(square, axis=1)
    normals = square / np.where(length > 0.0, length, 1.0)[:, None]
    board = (half.vertices[half.faces][:, :, 2] == 0.0).all(axis=1)
    edges = mesh_edges(half.faces)
    first, second = edges.pairs
    ends, one, two = np.stack(edges.ends(first), axis=1), first // 3, second // 3
    rim = board[one] != board[two]
    toward = normals[:, 2]
    sharp = (normals[one] * normals[two]).sum(axis=1) < math.cos(math.radians(SHARP_DEG))
    turning = (toward[one] > 0.0) != (toward[two] > 0.0)
    facing = (toward[one] > 0.0) | (toward[two] > 0.0)
    seam = points[ends[rim]]
    creases = points[ends[sharp & facing & ~rim & ~turning]]
    outlines = points[ends[sharp & turning & ~rim]]
    _, sheets = linked(one[~sharp & ~rim], two[~sharp & ~rim], len(half.faces))  # joined by edges not sharp
    smooth = _turning_away(half.faces, points, square, normals, sheets)
    parts = (seam, creases, np.concatenate([outlines, smooth]))
    seam_seen, crease_seen, outline_seen = (_visible(part, nearest, grid) for part in parts)
    return seam_seen, crease_seen, outline_seen


def _turning_away(faces: Ints, points: Floats, square: Floats, normals: Floats, sheets: Ints) -> Floats:
    """Return segments (k, 2, 3) where the smooth surface turns away from the eye.

    Normals are smoothed within a sheet only: at the corner of a box they would lean over, and draw a line
    across its flat face.
    """
    own = (sheets[:, None] * len(points) + faces).ravel()
    _, corners = np.unique(own, return_inverse=True)
    corners = corners.reshape(faces.shape)
    summed = np.zeros((int(corners.max()) + 1, 3))
    for corner in range(3):
        np.add.at(summed, corners[:, corner], square)
    length = np.linalg.norm(summed, axis=1)
    summed /= np.where(length > 0.0, length, 1.0)[:, None]
    at = summed[corners]
    smooth = ((at * normals[:, None, :]).sum(axis=2) > SMOOTH_COSINE).all(axis=1)
    facing = at[:, :, 2]
    crossing = smooth & (facing.min(axis=1) < 0.0) & (facing.max(axis=1) >= 0.0)
    faces, facing = faces[crossing], facing[crossing]
    found = np.empty((len(faces), 2, 3))
    count = np.zeros(len(faces), dtype=np.int64)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        cut = (facing[:, a] < 0.0) != (facing[:, b] < 0.0)
        share = facing[cut, a] / (facing[cut, a] - facing[cut, b])
        place = points[faces[cut, a]] * (1.0 - share)[:, None] + points[faces[cut, b]] * share[:, None]
        found[cut, count[cut]] = place
        count[cut] += 1
    whole: Floats = found[count == 2]
    return whole


def _visible(segments: Floats, nearest: Floats, grid: Grid) -> Floats:
    """Return those parts (k, 2, 2) of segments (n, 2, 3) that nothing hides, cut up at the buffer's cells."""
    if len(segments) == 0:
        return np.empty((0, 2, 2))
    long = np.linalg.norm(segments[:, 1, :2] - segments[:, 0, :2], axis=1)
    count = np.maximum(np.ceil(long / (2.0 * grid.cell_mm)).astype(np.int64), 1)
    which = np.repeat(np.arange(len(segments)), count)
    step = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    start, end = step / count[which], (step + 1) / count[which]
    first, along = segments[which, 0], segments[which, 1] - segments[which, 0]
    pieces = np.stack([first + along * start[:, None], first + along * end[:, None]], axis=1)
    middle = pieces.mean(axis=1)
    col = np.clip(((middle[:, 0] - grid.x0_mm) / grid.cell_mm).astype(np.int64), 1, grid.nx - 2)
    row = np.clip(((middle[:, 1] - grid.y0_mm) / grid.cell_mm).astype(np.int64), 1, grid.ny - 2)
    around = np.min([nearest[row + i, col + j] for i in (-1, 0, 1) for j in (-1, 0, 1)], axis=0)
    return np.asarray(pieces[around <= middle[:, 2] + HIDING_CELLS * grid.cell_mm][:, :, :2])


def _joined(parts: list[Floats], grid: Grid, *, least_cells: float = SHORT_CELLS) -> BaseGeometry:
    """Return segments as long smooth lines, without the shortest."""
    segments = np.concatenate(parts)
    if len(segments) == 0:
        return shapely.MultiLineString([])
    snapped = np.round(segments / (0.25 * grid.cell_mm)) * (0.25 * grid.cell_mm)
    snapped = snapped[(snapped[:, 0] != snapped[:, 1]).any(axis=1)]
    lines = shapely.get_parts(shapely.line_merge(shapely.union_all(shapely.linestrings(snapped))))
    kept = lines[shapely.length(lines) >= least_cells * grid.cell_mm]
    return shapely.MultiLineString(list(kept)).simplify(0.4 * grid.cell_mm)


# --- surfaces ----------------------------------------------------------------------------------------------


def _rims(tops: list[Floats], nearest: Floats, grid: Grid) -> list[BaseGeometry]:
    """Return the outline of what is seen of each half: without a break, however the surface is carved."""
    rims: list[BaseGeometry] = []
    for top in tops:
        mine = ((top == nearest) & np.isfinite(top)).astype(np.float64)
        shape = band_shape(grid.x_mm(), grid.y_mm(), mine, 0.5, 2.0)
        parts = [part for part in shape.geoms if part.area > (0.5 * SHORT_CELLS * grid.cell_mm) ** 2]
        rims.append(shapely.MultiPolygon(parts).boundary.simplify(0.4 * grid.cell_mm))
    return rims


def _calmed(depth: Floats) -> Floats:
    """Return depths without the fringe that columns leave on steep faces."""
    return np.asarray(median_filter(depth, size=CALM_CELLS), dtype=np.float64)


def _points_of(top: Floats, grid: Grid, mine: NDArray[np.bool_]) -> Floats:
    """Return the seen points (k, 3), eye's frame, of the cells `mine`."""
    row, col = np.nonzero(mine)
    return np.stack([grid.x_mm()[col], grid.y_mm()[row], top[row, col]], axis=1)


def _gap_depths(half: Half, points: Floats) -> Floats:
    """Return the depth (k,) of the gap that each point (k, 3) of the surface, figure's frame, bounds."""
    gaps = half.undercut.gaps
    if len(gaps.row) == 0:
        return np.zeros(len(points))
    own = points @ half.to_half[:3, :3].T + half.to_half[:3, 3]
    grid, tolerance = gaps.grid, NEAR_GAP_CELLS * gaps.grid.cell_mm
    col = np.floor((own[:, 0] - grid.x0_mm) / grid.cell_mm).astype(np.int64)
    row = np.floor((own[:, 1] - grid.y0_mm) / grid.cell_mm).astype(np.int64)
    order, first, count = _by_cell(gaps)
    depth = np.zeros(len(points))
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            r, c = row + i, col + j
            inside = (r >= 0) & (r < grid.ny) & (c >= 0) & (c < grid.nx)
            cell = np.where(inside, r * grid.nx + c, 0)
            for number in range(int(count.max(initial=0))):
                has = np.nonzero(inside & (count[cell] > number))[0]
                gap = order[first[cell[has]] + number]
                near = (own[has, 2] >= gaps.low_mm[gap] - tolerance) & (
                    own[has, 2] <= gaps.high_mm[gap] + tolerance
                )
                here, deep = has[near], (gaps.high_mm - gaps.low_mm)[gap[near]]
                depth[here] = np.maximum(depth[here], deep)
    return depth


def _by_cell(gaps: Gaps) -> tuple[Ints, Ints, Ints]:
    """Return the gaps in the order of their cells, and for each cell where they begin and how many."""
    cell = gaps.row.astype(np.int64) * gaps.grid.nx + gaps.col
    order = np.argsort(cell, kind="stable")
    count = np.bincount(cell, minlength=gaps.grid.nx * gaps.grid.ny)
    return order, np.cumsum(count) - count, count


def _shade(nearest: Floats, grid: Grid) -> Floats:
    """Return the grey (ny, nx) of the surface by how squarely it faces the eye."""
    there = np.isfinite(nearest)
    height = np.where(there, nearest, 0.0)
    slope_y, slope_x = np.gradient(height, grid.cell_mm)
    facing = 1.0 / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    return np.where(there, _AWAY + (_FACING - _AWAY) * np.sqrt(facing), 255.0)


def moved(shape: BaseGeometry, scale: float, at: tuple[float, float]) -> BaseGeometry:
    """Return geometry scaled about the origin and then moved."""
    return affinity.affine_transform(shape, [scale, 0.0, 0.0, scale, at[0], at[1]])
