"""Columns of a mesh: whole-number hits, heights, and the exact volume above a plane."""

import manifold3d
import numpy as np
import pytest
import zoo
from numpy.typing import NDArray

from moldplan.columns.depth import (
    above,
    above_once,
    beyond,
    bounds,
    depth_maps,
    mean_above,
    met,
    pooled_median,
    see,
    shadows,
    snapped,
    span,
    stretch,
    turn,
    turned_box,
)
from moldplan.columns.grid import Grid, grid_over

pytestmark = pytest.mark.kernel

#: Larger than any edge in snapped units on the small grids here: stands for "infinitely larger".
HUGE = 2**16


def any_turn(seed: int) -> NDArray[np.float64]:
    """Return a random rotation."""
    square, upper = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    square = square * np.sign(np.diag(upper))
    return square * np.linalg.det(square)


def fit(mesh: zoo.Mesh, cells: int) -> Grid:
    """Return a grid with `cells` cells along the longer side of the mesh."""
    low, high = mesh[0].min(axis=0)[:2], mesh[0].max(axis=0)[:2]
    return grid_over(low, high, cell_mm=float((high - low).max()) / cells)


def slow_hits(mesh: zoo.Mesh, grid: Grid) -> list[list[list[tuple[float, int]]]]:
    """Return height and facing of every hit, per cell: the twin of the kernel, one triangle at a time.

    A middle on an edge is told by moving it by an infinitely small step to the right and a still smaller
    one up, which needs no rule about edges.
    """
    points, faces = mesh
    whole = np.floor((points[:, :2] - (grid.x0_mm, grid.y0_mm)) * (256 / grid.cell_mm) + 0.5).astype(np.int64)
    px, py = np.meshgrid(256 * np.arange(grid.nx) + 128, 256 * np.arange(grid.ny) + 128)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    hits: list[list[list[tuple[float, int]]]] = [[[] for _ in range(grid.nx)] for _ in range(grid.ny)]
    for face in faces:
        a, b, c = whole[face]
        facing = int(np.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])))
        if facing == 0:
            continue
        inside = np.ones(px.shape, dtype=bool)
        for start, end in ((a, b), (b, c), (c, a)):
            dx, dy = end - start
            turning = dx * (py - start[1]) - dy * (px - start[0])
            inside &= facing * (turning * HUGE * HUGE - dy * HUGE + dx) > 0
        corner = points[face]
        plane = np.linalg.lstsq(np.c_[corner[:, :2], np.ones(3)], corner[:, 2], rcond=None)[0]
        z = np.clip(plane[0] * x + plane[1] * y + plane[2], corner[:, 2].min(), corner[:, 2].max())
        for row, col in np.argwhere(inside):
            hits[row][col].append((float(z[row, col]), facing))
    return hits


def halfway_octahedron() -> zoo.Mesh:
    """Octahedron whose corners and edges lie exactly on middles of unit cells."""
    points = np.array([(4, 0, 0), (-4, 0, 0), (0, 4, 0), (0, -4, 0), (0, 0, 3), (0, 0, -3)]) + 4.5
    faces = [(0, 2, 4), (2, 1, 4), (1, 3, 4), (3, 0, 4), (2, 0, 5), (1, 2, 5), (3, 1, 5), (0, 3, 5)]
    return points, np.array(faces, dtype=np.int64)


SOLIDS = {
    "round": (zoo.turned(zoo.sphere(5.0, 2), any_turn(1)), 9),
    "ring": (zoo.turned(zoo.torus(5.0, 2.0, 12, 8), any_turn(2)), 14),
    "box on its corner": (zoo.turned(zoo.box(5.0, 4.0, 3.0), any_turn(3)), 40),
    "box square to the cells": (zoo.box(8.0, 4.0, 6.0), 16),
    "needle": (zoo.turned(zoo.box(20.0, 0.3, 0.2), any_turn(4)), 30),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_kernel_equals_its_slow_twin(name: str) -> None:
    mesh, cells = SOLIDS[name]
    grid = fit(mesh, cells)
    hits = slow_hits(mesh, grid)
    depths = see(*mesh, grid)
    filled = 0.0
    for row in range(grid.ny):
        for col in range(grid.nx):
            heights = [z for z, _ in hits[row][col]]
            assert depths.top_mm[row, col] == pytest.approx(max(heights, default=-np.inf), abs=1e-9)
            assert depths.bottom_mm[row, col] == pytest.approx(min(heights, default=np.inf), abs=1e-9)
            filled += sum(z * facing for z, facing in hits[row][col])
    assert depths.filled_mm3 == pytest.approx(filled * grid.cell_area_mm2, abs=1e-8)
    assert np.array_equal(depths.hit(), [[bool(cell) for cell in line] for line in hits])


@pytest.mark.parametrize(
    "mesh",
    [
        halfway_octahedron(),
        zoo.moved(zoo.box(6.0, 4.0, 5.0), (4.5, 3.5, 0.0)),  # its sides run through middles
        zoo.moved(zoo.box(6.0, 4.0, 5.0), (4.0, 3.0, 0.0)),  # its sides run along cell borders
        zoo.moved(zoo.turned(zoo.torus(3.0, 1.0, 10, 7), any_turn(5)), (4.2, 4.1, 0.0)),
        zoo.moved(zoo.turned(zoo.sphere(3.5, 1), any_turn(6)), (4.5, 4.5, 0.0)),
    ],
    ids=["octahedron on middles", "box on middles", "box on borders", "ring", "round"],
)
def test_every_column_of_a_closed_mesh_is_entered_as_often_as_left(mesh: zoo.Mesh) -> None:
    """With all heights 1 the filled volume of one column is its hits from above less those from below."""
    level = (np.c_[mesh[0][:, :2], np.ones(len(mesh[0]))], mesh[1])
    met = 0
    for row in range(10):
        for col in range(10):
            column = Grid(float(col), float(row), 1.0, 1, 1)
            assert see(*level, column).filled_mm3 == 0.0
            count = len(slow_hits(mesh, column)[0][0])
            assert count % 2 == 0
            assert bool(see(*mesh, column).hit()[0, 0]) == (count > 0)
            met += count
    assert met > 40  # the solid was in view


def test_a_middle_on_a_shared_edge_is_hit_once_from_each_side() -> None:
    """Of an octahedron with corners on middles, 4 cells in reach: 32 columns (derived: 2 * 4 * 4)."""
    depths = see(*halfway_octahedron(), Grid(0.0, 0.0, 1.0, 10, 10))
    assert int(depths.hit().sum()) == 32
    assert depths.top_mm[4, 4] == 7.5
    assert depths.bottom_mm[4, 4] == 1.5


def test_box_is_seen_exactly() -> None:
    """Cells that divide the box evenly give its heights and its volume (derived, first principles)."""
    mesh = zoo.box(10.0, 6.0, 4.0)
    grid = fit(mesh, 20)
    top, bottom = depth_maps(*mesh, grid)
    assert top.shape == (12, 20)
    assert (top == 2.0).all()
    assert (bottom == -2.0).all()
    assert see(*mesh, grid).filled_mm3 == pytest.approx(240.0, rel=1e-12)


def test_heights_of_a_sphere() -> None:
    """Corners lie on the sphere, so the mesh lies inside it, by at most the sag of its longest edge."""
    radius = 10.0
    mesh = zoo.sphere(radius, 3)
    grid = fit(mesh, 24)
    top, bottom = depth_maps(*mesh, grid)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    inner = np.hypot(x, y) < 0.8 * radius
    true = np.sqrt(radius**2 - x[inner] ** 2 - y[inner] ** 2)
    edge = np.linalg.norm(mesh[0][mesh[1][:, 0]] - mesh[0][mesh[1][:, 1]], axis=1).max()
    sag = edge**2 / (2.0 * radius) / 0.6  # along z: the surface leans by at most acos 0.6 here
    assert (top[inner] <= true + 1e-9).all()
    assert (top[inner] >= true - sag).all()
    assert np.allclose(bottom[inner], -top[inner], atol=sag)


def test_filled_volume_comes_nearer_with_finer_cells() -> None:
    mesh = zoo.turned(zoo.torus(5.0, 2.0, 24, 16), any_turn(7))
    errors = [abs(see(*mesh, fit(mesh, cells)).filled_mm3 / zoo.volume(mesh) - 1.0) for cells in (8, 64)]
    assert errors[1] < 2e-3
    assert errors[1] < errors[0]


def test_a_smaller_grid_sees_its_part_of_the_larger_one() -> None:
    mesh = zoo.turned(zoo.sphere(8.0, 2), any_turn(8))
    whole, part = Grid(-10.0, -10.0, 0.5, 40, 40), Grid(-5.0, -2.0, 0.5, 12, 9)
    for seen, patch in zip(depth_maps(*mesh, whole), depth_maps(*mesh, part), strict=True):
        assert np.allclose(seen[16:25, 10:22], patch, atol=1e-12, rtol=0.0)


def test_outside_the_grid_nothing_is_seen() -> None:
    depths = see(*zoo.sphere(3.0, 1), Grid(50.0, 50.0, 1.0, 4, 3))
    assert not depths.hit().any()
    assert (depths.top_mm == -np.inf).all()
    assert (depths.bottom_mm == np.inf).all()
    assert depths.filled_mm3 == 0.0


def test_order_of_faces_changes_nothing() -> None:
    points, faces = SOLIDS["ring"][0]
    grid = fit((points, faces), 20)
    shuffled = np.roll(faces[np.random.default_rng(9).permutation(len(faces))], 1, axis=1)
    one, other = see(points, faces, grid), see(points, shuffled, grid)
    assert np.allclose(one.top_mm, other.top_mm, atol=1e-12, rtol=0.0)
    assert np.allclose(one.bottom_mm, other.bottom_mm, atol=1e-12, rtol=0.0)
    assert other.filled_mm3 == pytest.approx(one.filled_mm3, rel=1e-12)


@pytest.mark.parametrize("value", [-700, -256, -1, 0, 1, 255, 900])
@pytest.mark.parametrize("step", [-300, -7, 0, 7, 300])
def test_span_is_where_the_edge_function_is_not_negative(value: int, step: int) -> None:
    inside = [k for k in range(2, 12) if value + step * k >= 0]
    first, last = span(2, 11, value, step)
    assert list(range(first, last + 1)) == inside


def test_turn_bounds_and_snapped_equal_their_plain_forms() -> None:
    points = np.random.default_rng(10).normal(size=(50, 3))
    rotation = any_turn(11)
    turned = turn(points, rotation)
    assert np.allclose(turned, points @ rotation.T, atol=1e-14)
    low, high = bounds(turned)
    assert np.array_equal(low, turned.min(axis=0))
    assert np.array_equal(high, turned.max(axis=0))
    for got, plain in zip(turned_box(points, rotation), (turned, low, high), strict=True):
        assert np.array_equal(got, plain)
    drawn = turned.copy()
    stretch(drawn, 1.25, 0.75)
    assert np.array_equal(drawn, turned * (1.25, 0.75, 1.0))
    plain = np.floor((turned[:, :2] - (-1.5, 0.25)) * (256 / 0.1) + 0.5)
    assert np.array_equal(snapped(turned, -1.5, 0.25, 0.1), plain)


POOLS = {
    "one column": ([3.0], [1.0]),
    "all alike": ([2.0, 2.0, 2.0], [2.0, 2.0, 2.0]),
    "two heights": ([5.0, 5.0, 5.0], [-5.0, -5.0, -5.0]),
    "far apart": ([1e9, 1.0, 2.0], [-1e9, 0.5, 0.25]),
    "hardly apart": ([5e-324, 0.0], [0.0, 0.0]),
    "next to each other": ([1.0, np.nextafter(1.0, 2.0)], [1.0, 1.0]),
    "upside down": ([0.0, 1.0], [4.0, 2.0]),
}


def reach(*parts: NDArray[np.float64]) -> tuple[float, float]:
    """Return the least and the greatest number."""
    pool = np.concatenate(parts)
    return float(pool.min()), float(pool.max())


@pytest.mark.parametrize("name", POOLS)
def test_median_of_named_pools(name: str) -> None:
    tops, bottoms = (np.array(part) for part in POOLS[name])
    assert pooled_median(tops, bottoms, *reach(tops, bottoms)) == np.median(np.concatenate([tops, bottoms]))


@pytest.mark.parametrize("seed", range(8))
def test_median_equals_the_sorted_middle(seed: int) -> None:
    dice = np.random.default_rng(seed)
    tops = np.round(dice.normal(2.0, 3.0, size=1 + 37 * seed), seed % 3)  # rounded: many are alike
    bottoms = tops - dice.exponential(4.0, size=len(tops))
    low, high = reach(tops, bottoms)
    assert pooled_median(tops, bottoms, low - seed, high + 3.0 * seed) == np.median(
        np.concatenate([tops, bottoms])
    )


def test_median_of_nothing_is_no_number() -> None:
    assert np.isnan(pooled_median(np.zeros(0), np.zeros(0), 0.0, 1.0))


@pytest.mark.parametrize("count", [0, 1, 3, 4, 5, 8, 41])
def test_beyond_equals_its_plain_form(count: int) -> None:
    dice = np.random.default_rng(count)
    tops = dice.normal(0.5, 1.0, size=count)
    bottoms = tops - dice.exponential(1.0, size=count)
    plain = (np.maximum(bottoms - 0.3, 0.0) + np.maximum(0.3 - tops, 0.0)).sum()
    assert beyond(tops, bottoms, 0.3) == pytest.approx(plain, rel=1e-13)


def test_met_leaves_out_the_empty_columns() -> None:
    depths = see(*SOLIDS["ring"][0], fit(SOLIDS["ring"][0], 14))
    tops, bottoms = met(depths.top_mm, depths.bottom_mm)
    assert 0 < len(tops) < depths.top_mm.size
    assert np.array_equal(tops, depths.top_mm[depths.hit()])
    assert np.array_equal(bottoms, depths.bottom_mm[depths.hit()])


@pytest.mark.parametrize(
    ("corners", "mean"),
    [
        ((-1.0, -2.0, 0.0), 0.0),
        ((1.0, 2.0, 3.0), 2.0),
        ((-1.0, -1.0, 1.0), 1.0 / 12.0),  # a quarter of the triangle, mean height a third
        ((-1.0, 1.0, 1.0), 5.0 / 12.0),  # the mean of all less that of the quarter below
        ((0.0, 0.0, 3.0), 1.0),
    ],
)
def test_mean_height_above_a_plane(corners: tuple[float, float, float], mean: float) -> None:
    """Means over triangles cut at half their sides (derived, first principles)."""
    for turns in range(3):
        assert mean_above(*corners[turns:], *corners[:turns]) == pytest.approx(mean, rel=1e-15)


def test_shadows_of_a_closed_mesh_cancel() -> None:
    points, faces = SOLIDS["round"][0]
    corners = points[faces]
    square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    shadow = shadows(points, faces)
    assert np.allclose(shadow, 0.5 * square[:, 2], atol=1e-12)
    assert shadow.sum() == pytest.approx(0.0, abs=1e-12)


def slow_above(mesh: zoo.Mesh, offset: float) -> float:
    """Return the volume above a level plane by sawing with boolean solids: the second way."""
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=mesh[0], tri_verts=mesh[1].astype(np.uint64))
    )
    return float(solid.split_by_plane((0.0, 0.0, 1.0), offset)[0].volume())


@pytest.mark.parametrize("name", SOLIDS)
@pytest.mark.parametrize("part", [0.0, 0.1, 0.37, 0.5, 0.83, 1.0])
def test_volume_above_equals_the_sawn_solid(name: str, part: float) -> None:
    mesh = SOLIDS[name][0]
    heights = np.ascontiguousarray(mesh[0][:, 2])
    offset = float(heights.min() + part * np.ptp(heights))
    got = above(heights, shadows(*mesh), mesh[1], offset)
    assert got == pytest.approx(slow_above(mesh, offset), rel=1e-9, abs=1e-9 * zoo.volume(mesh))
    assert above_once(*mesh, offset) == pytest.approx(got, rel=1e-12, abs=1e-12 * zoo.volume(mesh))


def test_volume_above_a_plane_through_corners() -> None:
    """The octahedron of reach 4 and 3 holds 4/3 * 4 * 4 * 3 = 64; half of it above its waist (derived)."""
    points, faces = halfway_octahedron()
    heights = np.ascontiguousarray(points[:, 2])
    shadow = shadows(points, faces)
    assert above(heights, shadow, faces, 1.5) == pytest.approx(64.0, rel=1e-12)
    assert above(heights, shadow, faces, 4.5) == pytest.approx(32.0, rel=1e-12)
    assert above(heights, shadow, faces, 6.0) == pytest.approx(4.0, rel=1e-12)  # half as high: an eighth
    assert above(heights, shadow, faces, 7.5) == 0.0
