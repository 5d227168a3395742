"""Modelling with signed distances: a block of clay on a grid, and shapes that are added or cut away.

A shape is a function of three coordinate arrays that returns a distance in mm, negative inside. Distances are
exact for spheres and close to exact near the surface for the rest, which is all that smooth unions need.
Formulas: derived, first principles; the blend is the usual quadratic smooth minimum.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise

import manifold3d
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.interpolate import CubicSpline
from skimage.measure import marching_cubes

Field = NDArray[np.float32]
Points = tuple[Field, Field, Field]
Shape = Callable[[Points], Field]
Vector = tuple[float, float, float]
Matrix = NDArray[np.float64]
Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]

FAR_MM = 1.0e4
ON_THE_GRID_MM = 1.0e-3
LIMB_LINKS = 4
SMOOTHING_CELLS = 0.7
CAP_CELLS = 4.0


class Clay:
    """A block of signed distances, empty at first; shapes are added, cut away and pressed in."""

    def __init__(self, low: Vector, high: Vector, cell_mm: float) -> None:
        """Lay out a grid from `low` to `high` (mm) with cubic cells of `cell_mm`."""
        self.cell_mm = cell_mm
        self.low = np.array(low)
        self.axes = [
            np.arange(a, b + cell_mm, cell_mm, dtype=np.float32) for a, b in zip(low, high, strict=True)
        ]
        self.field = np.full([len(axis) for axis in self.axes], FAR_MM, dtype=np.float32)

    def add(self, shape: Shape, box: tuple[Vector, Vector], *, blend_mm: float) -> None:
        """Add a shape that lies inside `box`, rounding the joint over about `blend_mm`."""
        part, points = self._window(box, margin_mm=blend_mm + 2.0 * self.cell_mm)
        self.field[part] = smooth_min(self.field[part], shape(points), blend_mm)

    def cut(self, shape: Shape, box: tuple[Vector, Vector], *, blend_mm: float) -> None:
        """Cut away a shape that lies inside `box`, rounding the edge over about `blend_mm`."""
        part, points = self._window(box, margin_mm=blend_mm + 2.0 * self.cell_mm)
        self.field[part] = -smooth_min(-self.field[part], shape(points), blend_mm)

    def press(self, relief: Shape, box: tuple[Vector, Vector]) -> None:
        """Raise the surface inside `box` by the heights (mm) of `relief`, which fade to 0 at its border."""
        part, points = self._window(box, margin_mm=0.0)
        self.field[part] -= relief(points)

    def surface(self) -> manifold3d.Manifold:
        """Take the surface as one solid: loose crumbs are dropped and closed bubbles filled.

        Distances that are exactly 0 would give triangles without area, so they are moved off the grid.
        """
        field = ndimage.gaussian_filter(np.minimum(self.field, CAP_CELLS * self.cell_mm), SMOOTHING_CELLS)
        field = np.where(np.abs(field) < ON_THE_GRID_MM, np.float32(ON_THE_GRID_MM), field)
        field = np.where(_all_but_largest(field < 0.0), np.float32(self.cell_mm), field)
        field = np.where(_all_but_largest(field > 0.0), np.float32(-self.cell_mm), field)
        points, faces, _, _ = marching_cubes(field, 0.0, spacing=(self.cell_mm,) * 3, allow_degenerate=False)
        return solid(points + self.low, faces)

    def _window(
        self, box: tuple[Vector, Vector], *, margin_mm: float
    ) -> tuple[tuple[slice, slice, slice], Points]:
        ends = []
        for axis, low, high in zip(self.axes, *box, strict=True):
            first = int(np.searchsorted(axis, low - margin_mm))
            ends.append(slice(first, int(np.searchsorted(axis, high + margin_mm))))
        x, y, z = (axis[part] for axis, part in zip(self.axes, ends, strict=True))
        return (ends[0], ends[1], ends[2]), (x[:, None, None], y[None, :, None], z[None, None, :])


def smooth_min(first: Field, second: Field, blend_mm: float) -> Field:
    """Return the lesser of two distances with the corner between them rounded."""
    overlap = np.maximum(blend_mm - np.abs(first - second), 0.0)
    return np.minimum(first, second) - overlap * overlap / (4.0 * blend_mm)


def smooth_max(first: Field, second: Field, blend_mm: float) -> Field:
    """Return the greater of two distances with the corner between them rounded."""
    return -smooth_min(-first, -second, blend_mm)


def ramp(value: Field, low: float, high: float) -> Field:
    """Rise smoothly from 0 at `low` to 1 at `high` (`low` may be the greater)."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def bump(value: Field, centre: float, width: float) -> Field:
    """Return a bell of height 1 round `centre`."""
    return np.exp(-(((value - centre) / width) ** 2))


def ellipsoid(centre: Vector, radii: Vector) -> Shape:
    """Make an ellipsoid; its distance is right to first order at the surface."""

    def shape(p: Points) -> Field:
        q = [(a - c) / r for a, c, r in zip(p, centre, radii, strict=True)]
        unit = np.sqrt(sum(a * a for a in q))
        slope = np.sqrt(sum((a / r) ** 2 for a, r in zip(q, radii, strict=True)))
        return unit * (unit - 1.0) / np.maximum(slope, 1.0e-6)

    return shape


def cone(start: Vector, end: Vector, start_mm: float, end_mm: float) -> Shape:
    """Make a rod with round ends whose radius runs from `start_mm` to `end_mm`."""
    along = np.subtract(end, start)
    square = float(along @ along)

    def shape(p: Points) -> Field:
        q = [a - s for a, s in zip(p, start, strict=True)]
        t = np.clip(sum(a * d for a, d in zip(q, along, strict=True)) / square, 0.0, 1.0)
        away = np.sqrt(sum((a - t * d) ** 2 for a, d in zip(q, along, strict=True)))
        return away - (start_mm + (end_mm - start_mm) * t)

    return shape


def chain(points: Sequence[Vector], radii_mm: Sequence[float], *, blend_mm: float = 8.0) -> Shape:
    """Make a row of cones through `points`, like a limb or a claw."""
    links = [cone(*pair, *radii) for pair, radii in zip(pairwise(points), pairwise(radii_mm), strict=True)]

    def shape(p: Points) -> Field:
        distance = links[0](p)
        for link in links[1:]:
            distance = smooth_min(distance, link(p), blend_mm)
        return distance

    return shape


def limb(points: Sequence[Vector], radii_mm: Sequence[float]) -> Shape:
    """Make a round rod along the smooth curve through `points`, with radii that change as smoothly."""
    rows = np.column_stack([points, radii_mm])
    steps = np.linalg.norm(np.diff(rows[:, :3], axis=0), axis=1)
    curve = CubicSpline(np.concatenate([[0.0], np.cumsum(steps)]), rows)
    fine = curve(np.linspace(0.0, steps.sum(), LIMB_LINKS * len(steps) + 1))
    return chain([tuple(row) for row in fine[:, :3]], fine[:, 3].tolist(), blend_mm=1.0)


def posed(shape: Shape, turn: Matrix, origin: Vector) -> Shape:
    """Place a shape described in its own frame; `turn` (3, 3) and `origin` carry it to the block's."""

    def placed(p: Points) -> Field:
        return shape(local(p, turn, origin))

    return placed


def local(p: Points, turn: Matrix, origin: Vector) -> Points:
    """Return points of the block in the frame that `turn` and `origin` describe."""
    q = [a - o for a, o in zip(p, origin, strict=True)]
    rows = np.asarray(turn, dtype=np.float32).T
    x, y, z = (row[0] * q[0] + row[1] * q[1] + row[2] * q[2] for row in rows)
    return x, y, z


def turned(*, roll_deg: float = 0.0, pitch_deg: float = 0.0, yaw_deg: float = 0.0) -> Matrix:
    """Return the rotation by roll (about y), then pitch (about x), then yaw (about z)."""
    r, p, y = np.radians([roll_deg, pitch_deg, yaw_deg])
    about_y = np.array([[np.cos(r), 0.0, np.sin(r)], [0.0, 1.0, 0.0], [-np.sin(r), 0.0, np.cos(r)]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(p), -np.sin(p)], [0.0, np.sin(p), np.cos(p)]])
    about_z = np.array([[np.cos(y), -np.sin(y), 0.0], [np.sin(y), np.cos(y), 0.0], [0.0, 0.0, 1.0]])
    return about_z @ about_x @ about_y


def scallops(across: Field, up: Field, *, width_mm: float, row_mm: float, lip_mm: float) -> Field:
    """Return the heights (mm) of overlapping round feathers, each with a raised lower lip.

    Rows lie like roof tiles, every second one shifted by half a feather, `row_mm` apart; a point belongs
    to the highest row whose rounded lower edge lies below it.
    """
    first = np.floor(up / row_mm)
    best = np.full(np.broadcast_shapes(across.shape, up.shape), FAR_MM, dtype=np.float32)
    centre = np.zeros_like(best)
    for step in (0.0, 1.0, 2.0):
        row = first + step
        offset = (across / width_mm + 0.5 * np.mod(row, 2.0)) % 1.0 - 0.5
        edge = row * row_mm - 0.9 * row_mm * np.sqrt(np.maximum(1.0 - 4.0 * offset * offset, 0.0))
        above = up - edge
        owns = (above >= 0.0) & (above < best)
        best = np.where(owns, above, best)
        centre = np.where(owns, offset, centre)
    quill = bump(centre, 0.0, 0.035) * ramp(best, 0.1 * row_mm, 0.4 * row_mm)
    return lip_mm * (ramp(best, 1.2 * row_mm, 0.0) * ramp(best, -2.0, 11.0) - 0.3 * quill)


def solid(points: NDArray[np.floating], faces: NDArray[np.integer]) -> manifold3d.Manifold:
    """Make a solid of a triangle mesh in mm, and turn it outward if it lies inside out."""
    made = _manifold(points, faces)
    return made if made.volume() > 0.0 else _manifold(points, faces[:, ::-1])


def _all_but_largest(inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    pieces, count = ndimage.label(inside)
    if count < 2:
        return np.zeros_like(inside)
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    return inside & (pieces != int(np.argmax(sizes)))


def _manifold(points: NDArray[np.floating], faces: NDArray[np.integer]) -> manifold3d.Manifold:
    mesh = manifold3d.Mesh64(np.ascontiguousarray(points, np.float64), np.ascontiguousarray(faces, np.uint64))
    made = manifold3d.Manifold(mesh)
    if made.status() != manifold3d.Error.NoError:
        raise ValueError(
            f"the shape is no closed solid: {made.status()}; check that it stays inside its block"
        )
    return made


def relaxed(shape: manifold3d.Manifold, *, rounds: int) -> manifold3d.Manifold:
    """Even out a surface's triangles without shrinking it.

    Each round averages every corner with its neighbours and then steps back a little further (Taubin, "A
    signal processing approach to fair surface design", SIGGRAPH 1995; pass-band 0.1).
    """
    points, faces = triangles(shape)
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    near = sparse.coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(points),) * 2).tocsr()
    mean = sparse.diags(1.0 / np.asarray(near.sum(axis=1)).ravel()) @ near
    for _ in range(rounds):
        for step in (0.5, -0.526):
            points = points + step * (mean @ points - points)
    return solid(points, faces)


def lightened(shape: manifold3d.Manifold, tolerances_mm: Sequence[float]) -> manifold3d.Manifold:
    """Take triangles away in stages, which leaves fewer folded slivers than one stage; then drop crumbs."""
    for tolerance in tolerances_mm:
        shape = shape.simplify(tolerance)
    return largest(shape)


def largest(shape: manifold3d.Manifold) -> manifold3d.Manifold:
    """Return the largest closed skin alone: no loose crumbs, no bubbles."""
    return max(shape.decompose(), key=lambda piece: piece.volume())


def triangles(shape: manifold3d.Manifold) -> Mesh:
    """Return corners (n, 3) mm and triangles (m, 3) of a solid."""
    mesh = shape.to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int64)
