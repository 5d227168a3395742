"""The figure seen square on from its sides, and what of its surface is new there.

Goal
    Parallel views that can be measured in: what is seen, shaded; on it the new surface in bands of how far it
    may be off; and the outlines of what was dropped.

Steps
    1. The corners are turned so that the eye looks along -z; one depth buffer gives what is seen.
    2. The new faces of each band go through the same buffer alone. Where their height is that of the whole,
       they are what is seen. A height comes from its triangle alone, so the two agree to the last bit;
       against a lighter copy of the mesh they are given a cell and what the copy moved.
    3. Faces that were dropped are parted into pieces. A piece is an outline round the cells it shadows; one
       seen edge-on is a line, one too small to be outlined a small ring, and none when it lies over the
       figure: a broken scan has hundreds of those.

Error budget
    An outline may lie a cell (0.15 mm on paper) off.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from moldplan.columns.depth import depth_maps, turn
from moldplan.columns.grid import Grid, grid_over
from moldplan.pattern.model import Marks, Pattern
from moldplan.pattern.topology import linked
from moldplan.pattern.weld import weld_equal
from moldplan.split.frame import figure_axes
from moldplan.views.paper import Box, areal
from moldplan.views.relief import band_shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: The four sides that are always drawn, as one walks round the figure.
ROUND: Final = ("FRONT", "LEFT", "BACK", "RIGHT")
#: Seen from below and from above, its front at the top of the paper.
BELOW: Final = "UNDERSIDE"
ABOVE: Final = "TOP"
#: New surface that faces down, or up, more squarely than this (cosine) is not seen from the sides.
_SQUARE: Final = 0.7
#: The figure is drawn from below or above when this share of the new surface faces there.
_WORTH: Final = 0.02
#: Dropped parts may widen a view by this share of the figure's longest side, each way.
_BEYOND: Final = 0.15
#: Pieces of what was dropped that are outlined one by one at most, the largest first.
_MOST_PIECES: Final = 60
#: A piece smaller than this many cells is a crumb.
_CRUMB_CELLS: Final = 12.0
#: Heights of a place that lie within so many cells of what is seen there are seen.
_SEEN_CELLS: Final = 3.0


@dataclass(frozen=True, kw_only=True)
class NewFaces:
    """The faces that mending made, apart from all others.

    `points` (n, 3) and `faces` (k, 3), figure's frame; `off_mm` (k,) how far off each may be; `slack_mm` how
    far the mesh that the views are drawn from may lie from them.
    """

    points: Floats
    faces: Ints
    off_mm: Floats
    slack_mm: float

    @cached_property
    def squares(self) -> Floats:
        """Normals (k, 3) as long as twice the face's area."""
        corners = self.points[self.faces]
        return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])

    @property
    def area_mm2(self) -> float:
        """Area of all of them."""
        return float(0.5 * np.linalg.norm(self.squares, axis=1).sum())

    @cached_property
    def patch(self) -> Ints:
        """The number (k,) of the patch of each face: faces that share a corner are of one."""
        if len(self.faces) == 0:
            return np.zeros(0, dtype=np.int64)
        a, b, c = self.faces.T
        _, label = linked(np.concatenate([a, b]), np.concatenate([b, c]), len(self.points))
        return np.unique(label[a], return_inverse=True)[1].astype(np.int64)


@dataclass(frozen=True, kw_only=True)
class MendedFigure:
    """A pattern with what mending made anew, and the pieces it dropped, corners (k, 3, 3), widest first."""

    pattern: Pattern
    new: NewFaces
    pieces: tuple[Floats, ...]


def mended_figure(pattern: Pattern) -> MendedFigure:
    """Return a pattern with what differs from its file laid out for drawing."""
    return MendedFigure(pattern=pattern, new=new_faces(pattern), pieces=dropped_pieces(pattern.marks))


def new_faces(pattern: Pattern) -> NewFaces:
    """Return what is new of a pattern; nothing when it has no marks, or none that fit its mesh."""
    marks, lighter = pattern.marks, pattern.lighter
    if marks is not None and len(marks.new) == len(pattern.faces):
        return _picked(pattern.vertices, pattern.faces, pattern, slack_mm=0.0)
    if marks is not None and lighter is not None and len(marks.new) == len(lighter.faces):
        return _picked(lighter.vertices, lighter.faces, pattern, slack_mm=lighter.moved_mm)
    return NewFaces(
        points=np.zeros((0, 3)), faces=np.zeros((0, 3), dtype=np.int64), off_mm=np.zeros(0), slack_mm=0.0
    )


def _picked(points: Floats, faces: NDArray[np.integer], pattern: Pattern, *, slack_mm: float) -> NewFaces:
    """Return the marked faces with the points they use.

    The middle of a cap lies far from the surface as it came, which ends at the rim; how far off the cap may
    be is what its repair says. So no face is said to be farther off than the worst repair.
    """
    marks = pattern.marks
    assert marks is not None  # noqa: S101 - asked by the only caller
    most = max((repair.moved_mm for repair in pattern.survey.repairs), default=0.0)
    mine = faces[marks.new].astype(np.int64)
    used, compact = np.unique(mine, return_inverse=True)
    return NewFaces(
        points=points[used],
        faces=compact.reshape(-1, 3).astype(np.int64),
        off_mm=np.minimum(marks.moved_mm[marks.new].astype(np.float64), most),
        slack_mm=slack_mm,
    )


def view_frames(pattern: Pattern) -> dict[str, Floats]:
    """Return for every side right, up and towards the eye as rows (3, 3) in the file's axes.

    Left and right are the figure's own: its left is at the right of FRONT. From below and above its front is
    at the top of the paper.
    """
    front, left, up = figure_axes(pattern.up, pattern.front)
    eyes = {
        "FRONT": (front, up),
        "LEFT": (left, up),
        "BACK": (-front, up),
        "RIGHT": (-left, up),
        BELOW: (-up, front),
        ABOVE: (up, front),
    }
    return {name: np.stack([np.cross(above, eye), above, eye]) for name, (eye, above) in eyes.items()}


def sides_to_draw(figure: MendedFigure) -> tuple[str, ...]:
    """Return the names of the sides that show what was mended: the four, and below or above where needed."""
    pattern, new = figure.pattern, figure.new
    if len(new.faces) == 0:
        return ROUND
    up = figure_axes(pattern.up, pattern.front)[2]
    length = np.linalg.norm(new.squares, axis=1)
    upward = new.squares @ up
    total = float(length.sum())
    closed = any(repair.rung == "close" for repair in pattern.survey.repairs)
    below = closed or float(length[upward < -_SQUARE * length].sum()) > _WORTH * total
    above = float(length[upward > _SQUARE * length].sum()) > _WORTH * total
    return (*ROUND, *((BELOW,) if below else ()), *((ABOVE,) if above else ()))


# --- what was dropped ---------------------------------------------------------------------------------------


def dropped_pieces(marks: Marks | None) -> tuple[Floats, ...]:
    """Return the dropped faces as pieces that hang together, corners (k, 3, 3) each, the widest first."""
    if marks is None or len(marks.dropped_mm) == 0:
        return ()
    corners = marks.dropped_mm
    _, label = weld_equal(corners.reshape(-1, 3))
    a, b, c = label.reshape(-1, 3).T
    _, group = linked(np.concatenate([a, b]), np.concatenate([b, c]), int(label.max()) + 1)
    piece = group[a]
    order = np.argsort(piece, kind="stable")
    cuts = np.flatnonzero(np.diff(piece[order])) + 1
    pieces = [corners[part].astype(np.float64) for part in np.split(order, cuts)]
    return tuple(sorted(pieces, key=lambda part: -float(np.ptp(part.reshape(-1, 3), axis=0).max())))


def window(figure: MendedFigure, frame: Floats) -> Box:
    """Return the part of a view that is drawn, mm: the figure, and what was dropped as far as it is near."""
    half = 0.5 * np.abs(frame[:2]) @ np.array(figure.pattern.size_mm)  # corners are measured from the middle
    low, high = -half, half
    spare = _BEYOND * max(figure.pattern.size_mm)
    for piece in figure.pieces[:_MOST_PIECES]:
        flat = piece.reshape(-1, 3) @ frame[:2].T
        low = np.maximum(np.minimum(low, flat.min(axis=0)), -half - spare)
        high = np.minimum(np.maximum(high, flat.max(axis=0)), half + spare)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _dropped_lines(
    pieces: tuple[Floats, ...], frame: Floats, box: Box, top: Floats, grid: Grid
) -> BaseGeometry:
    """Return the outlines of dropped pieces in a view, mm, cut to `box`; `top` is the figure on `grid`."""
    turned = [piece @ frame.T for piece in pieces[:_MOST_PIECES]]
    shown = [piece for piece in turned if not _is_crumb_over(piece, top, grid)]
    shapes = [_piece_lines(piece, box, grid.cell_mm) for piece in shown]
    return shapely.union_all(shapes).intersection(shapely.box(*box))


def _is_crumb_over(corners: Floats, top: Floats, grid: Grid) -> bool:
    """Return whether a piece is small and lies before or behind the figure."""
    flat = corners.reshape(-1, 3)[:, :2]
    low, high = flat.min(axis=0), flat.max(axis=0)
    if float((high - low).max()) > _CRUMB_CELLS * grid.cell_mm:
        return False
    col, row = ((0.5 * (low + high) - (grid.x0_mm, grid.y0_mm)) // grid.cell_mm).astype(np.int64).tolist()
    return 0 <= row < grid.ny and 0 <= col < grid.nx and bool(np.isfinite(top[row, col]))


def _piece_lines(corners: Floats, box: Box, cell_mm: float) -> BaseGeometry:
    """Return the outline of one piece, already turned to the eye."""
    flat = corners.reshape(-1, 3)
    low, high = flat[:, :2].min(axis=0), flat[:, :2].max(axis=0)
    wide, tall = high - low
    middle = 0.5 * (low + high)
    thin = 4.0 * cell_mm
    if wide < thin and tall < thin:
        return shapely.Point(middle).buffer(6.0 * cell_mm).boundary
    if tall < thin:
        return shapely.LineString([(low[0], middle[1]), (high[0], middle[1])])
    if wide < thin:
        return shapely.LineString([(middle[0], low[1]), (middle[0], high[1])])
    low, high = np.maximum(low, box[:2]), np.minimum(high, box[2:])
    if (low >= high).any():
        return shapely.LineString()
    grid = grid_over(low, high, cell_mm=cell_mm, margin_mm=3.0 * cell_mm)
    top, _ = depth_maps(np.ascontiguousarray(flat), np.arange(len(flat)).reshape(-1, 3), grid)
    shape = _mask_shape(np.isfinite(top), grid)
    return _simple(shape, cell_mm).boundary


# --- one view -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Elevation:
    """One side of the figure, in mm of the view (x to the right, y up), heights towards the eye.

    `top_mm` (ny, nx) is what is seen, -inf beside the figure; `off_mm` (ny, nx) how far off the new surface
    may be that is seen there, NaN where the surface is the old one.
    """

    name: str
    frame: Floats
    box: Box
    grid: Grid
    top_mm: Floats
    off_mm: Floats
    dropped: BaseGeometry
    specks: tuple[tuple[float, float], ...]
    """Middles of seen patches that are too small to be hatched."""

    @cached_property
    def outline(self) -> shapely.MultiPolygon:
        """The shadow of the figure."""
        return _simple(_mask_shape(np.isfinite(self.top_mm), self.grid), self.grid.cell_mm)

    @cached_property
    def new(self) -> shapely.MultiPolygon:
        """Where new surface is seen."""
        return _simple(_mask_shape(np.isfinite(self.off_mm), self.grid), self.grid.cell_mm)

    def at(self, place: Floats) -> tuple[float, float]:
        """Return where a point of the figure (3,) lies in the view."""
        x, y = (self.frame[:2] @ place).tolist()
        return x, y

    def hidden_mm(self, place: Floats) -> float:
        """Return how far behind what is seen a point of the figure lies; 0 when it is seen itself."""
        row, col = self._cell(place)
        around = self.top_mm[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
        behind = float(around.min(initial=np.inf)) - float(self.frame[2] @ place)
        return max(behind - _SEEN_CELLS * self.grid.cell_mm, 0.0)

    def facing(self, place: Floats) -> float:
        """Return the cosine of the angle between the surface seen at a point and the eye, 0 beside it."""
        row, col = self._cell(place)
        around = self.top_mm[max(row - 2, 0) : row + 3, max(col - 2, 0) : col + 3]
        if not np.isfinite(around).all() or min(around.shape) < 3:
            return 0.0
        slope_y, slope_x = (float(np.median(part)) for part in np.gradient(around, self.grid.cell_mm))
        return float(1.0 / np.sqrt(1.0 + slope_x**2 + slope_y**2))

    def _cell(self, place: Floats) -> tuple[int, int]:
        x, y = self.at(place)
        row = int((y - self.grid.y0_mm) // self.grid.cell_mm)
        col = int((x - self.grid.x0_mm) // self.grid.cell_mm)
        return min(max(row, 0), self.grid.ny - 1), min(max(col, 0), self.grid.nx - 1)


def elevation(figure: MendedFigure, name: str, *, cell_mm: float, speck_mm: float) -> Elevation:
    """Return one side of a figure.

    Parameters
    ----------
    figure
        What is looked at.
    name
        One of `view_frames`.
    cell_mm
        Cell of the picture, in mm of the figure.
    speck_mm
        Patches smaller than this are given in `Elevation.specks`.

    Notes
    -----
    One million triangles take some 0.3 s.
    """
    pattern, new = figure.pattern, figure.new
    frame = view_frames(pattern)[name]
    box = window(figure, frame)
    half = 0.5 * np.abs(frame[:2]) @ np.array(pattern.size_mm)
    grid = grid_over(-half, half, cell_mm=cell_mm, margin_mm=3.0 * cell_mm)
    top, _ = depth_maps(turn(pattern.vertices, frame), pattern.faces, grid)
    turned = turn(new.points, frame)
    return Elevation(
        name=name,
        frame=frame,
        box=box,
        grid=grid,
        top_mm=top,
        off_mm=_off(new, turned, top, grid),
        dropped=_dropped_lines(figure.pieces, frame, box, top, grid),
        specks=_specks(new, turned, top, grid, speck_mm),
    )


#: Steps in which `off_mm` is told apart in a view; the sheet's bands are far coarser.
_STEPS: Final = 24


def _off(new: NewFaces, turned: Floats, top: Floats, grid: Grid) -> Floats:
    """Return how far off the seen new surface may be, NaN where none is seen.

    Faces are drawn in groups of nearly the same figure, the larger figure of two that are seen in one cell.
    """
    off = np.full(grid.shape, np.nan)
    if len(new.faces) == 0:
        return off
    slack = 0.0 if new.slack_mm == 0.0 else new.slack_mm + grid.cell_mm
    most = float(new.off_mm.max())
    group = np.zeros(len(new.faces), dtype=np.int64)
    if most > 0.0:
        group = np.minimum((new.off_mm / most * _STEPS).astype(np.int64), _STEPS - 1)
    for number in np.unique(group):
        mine = group == number
        own, _ = depth_maps(turned, new.faces[mine], grid)
        seen = np.isfinite(own) & (own >= top - slack)
        off[seen] = float(new.off_mm[mine].mean())
    return off


def _specks(
    new: NewFaces, turned: Floats, top: Floats, grid: Grid, speck_mm: float
) -> tuple[tuple[float, float], ...]:
    """Return the middles of small patches that are seen."""
    if len(new.faces) == 0:
        return ()
    count = int(new.patch.max()) + 1
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    corners = turned[new.faces]
    np.minimum.at(low, new.patch, corners[:, :, :2].min(axis=1))
    np.maximum.at(high, new.patch, corners[:, :, :2].max(axis=1))
    small = ((high - low).max(axis=1) < speck_mm)[new.patch]
    middle = corners[small].mean(axis=1)
    col = np.clip(((middle[:, 0] - grid.x0_mm) / grid.cell_mm).astype(np.int64), 0, grid.nx - 1)
    row = np.clip(((middle[:, 1] - grid.y0_mm) / grid.cell_mm).astype(np.int64), 0, grid.ny - 1)
    seen = middle[:, 2] >= top[row, col] - 2.0 * grid.cell_mm - new.slack_mm
    shown = np.unique(new.patch[small][seen])
    return tuple((float(x), float(y)) for x, y in 0.5 * (low[shown] + high[shown]))


def _mask_shape(mask: Bools, grid: Grid) -> shapely.MultiPolygon:
    return band_shape(grid.x_mm(), grid.y_mm(), mask.astype(np.float64), 0.5, 2.0)


def _simple(shape: shapely.MultiPolygon, cell_mm: float) -> shapely.MultiPolygon:
    """Return a mask's outline without its stairs."""
    return areal(shapely.make_valid(shape.simplify(0.5 * cell_mm)))
