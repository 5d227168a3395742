"""Thickness of the rubber: exact distances to a height map, closed forms, and what they stand for."""

import math

import numpy as np
import pytest
import zoo
from lying import above_board, lying
from numpy.typing import NDArray
from shop import shop_settings

from moldplan.columns.beneath import below_tops_mm, distances_to_face_mm
from moldplan.columns.grid import Grid, grid_over
from moldplan.half.model import Half
from moldplan.mould.model import Rubber
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.surface import slope_deg, steep_share, surface_of, thinned
from moldplan.mould.thickness import thickness_of

Floats = NDArray[np.float64]


def triangles_of(heights: Floats, grid: Grid) -> Floats:
    """Return the triangles (n, 3, 3) of a height map, each square cut from low-left to up-right."""
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    face = np.stack([x, y, heights], axis=-1)
    low, right, up, far = face[:-1, :-1], face[:-1, 1:], face[1:, :-1], face[1:, 1:]
    both = np.stack([np.stack([low, right, far], axis=2), np.stack([low, far, up], axis=2)], axis=2)
    held = np.max([low[..., 2], right[..., 2], up[..., 2], far[..., 2]], axis=0) > 0.0
    return both[held].reshape(-1, 3, 3)


def slow_distance(point: Floats, triangle: Floats) -> float:
    """Distance of a point to a triangle: to its plane over it, else to the nearest of three sides."""
    a, b, c = triangle
    normal = np.cross(b - a, c - a)
    inside = all(
        np.dot(np.cross(end - start, point - start), normal) >= 0.0 for start, end in ((a, b), (b, c), (c, a))
    )
    if inside:
        return float(abs(np.dot(point - a, normal)) / np.linalg.norm(normal))
    best = math.inf
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        share = np.clip(np.dot(point - start, way) / np.dot(way, way), 0.0, 1.0)
        best = min(best, float(np.linalg.norm(point - start - share * way)))
    return best


@pytest.mark.kernel
@pytest.mark.parametrize("shape", [(2, 2), (2, 7), (9, 3), (8, 9)])
def test_distances_are_those_of_trying_every_triangle(shape: tuple[int, int]) -> None:
    dice = np.random.default_rng(shape[0] * 100 + shape[1])
    heights = dice.uniform(0.0, 30.0, shape) * (dice.random(shape) > 0.3)
    heights[0, 0] = 12.0
    grid = Grid(-7.0, 3.0, 2.5, shape[1], shape[0])
    points = dice.uniform([-20.0, -10.0, -10.0], [30.0, 40.0, 40.0], (25, 3))
    slow = [min(slow_distance(point, each) for each in triangles_of(heights, grid)) for point in points]
    np.testing.assert_allclose(distances_to_face_mm(points, heights, grid), slow, rtol=0.0, atol=1e-9)


@pytest.mark.kernel
def test_no_face_is_infinitely_far() -> None:
    far = distances_to_face_mm(np.zeros((2, 3)), np.zeros((4, 5)), Grid(0.0, 0.0, 1.0, 5, 4))
    assert np.isinf(far).all()


@pytest.mark.kernel
def test_order_of_the_points_changes_nothing() -> None:
    dice = np.random.default_rng(4)
    heights, grid = dice.uniform(5.0, 9.0, (12, 11)), Grid(0.0, 0.0, 1.0, 11, 12)
    points = dice.uniform(0.0, 10.0, (60, 3))
    order = dice.permutation(60)
    np.testing.assert_array_equal(
        distances_to_face_mm(points[order], heights, grid), distances_to_face_mm(points, heights, grid)[order]
    )


def slow_lengths(vertices: Floats, faces: NDArray[np.int64], sines: Floats) -> Floats:
    """Lengths below the tops, corner by corner from the highest, over every side that leads up."""
    lengths = np.zeros(len(vertices))
    for v in np.argsort(-vertices[:, 2], kind="stable"):
        terms = []
        for f in np.flatnonzero((faces == v).any(axis=1)):
            for u in faces[f]:
                rise = vertices[u, 2] - vertices[v, 2]
                if rise > 0.0:
                    steep = rise / np.linalg.norm(vertices[u] - vertices[v])
                    terms.append((steep, lengths[u] + rise / max(sines[f], steep)))
        if terms:
            weights, values = np.array(terms).T
            lengths[v] = np.average(values, weights=weights)
    return lengths


@pytest.mark.kernel
def test_lengths_below_tops_are_those_of_going_corner_by_corner() -> None:
    points, faces = zoo.sphere(10.0, 1)
    points = points + np.random.default_rng(2).normal(0.0, 0.7, points.shape)
    corners = points[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sines = np.hypot(normals[:, 0], normals[:, 1]) / np.linalg.norm(normals, axis=1)
    lengths = below_tops_mm(points, faces, sines)
    np.testing.assert_allclose(lengths, slow_lengths(points, faces, sines), rtol=1e-9)


def box_half(x: float = 400.0, y: float = 300.0, z: float = 200.0) -> Half:
    return lying(zoo.moved(zoo.box(x, y, z), (0.0, 0.0, z / 2.0)))


def every_other(shape: tuple[int, int]) -> np.ndarray:
    """Return the columns (ny, nx) that the map looks at itself, the rim left out."""
    row, col = np.indices(shape)
    return (row % 2 == 0) & (col % 2 == 0)


def test_under_a_sloping_roof_the_distance_is_exact() -> None:
    """Under the plane z = c + a x the point (x, y, z) lies (c + a x - z) / sqrt(1 + a^2) deep (derived)."""
    half = box_half()
    grid = grid_over(np.array([-200.0, -150.0]), np.array([200.0, 150.0]), cell_mm=5.0, margin_mm=150.0)
    x, _ = np.meshgrid(grid.x_mm(), grid.y_mm())
    found = thickness_of(half, 260.0 + 0.2 * x, grid)
    exact = (260.0 + 0.2 * found.places_mm[:, 0] - found.places_mm[:, 2]) / math.sqrt(1.04)
    # the grid's own rim is farther from every place than the roof
    np.testing.assert_allclose(found.thickness_mm, exact, rtol=0.0, atol=1e-9)
    held = np.isfinite(found.map_mm)
    assert held.sum() * grid.cell_area_mm2 == pytest.approx(400.0 * 300.0, rel=0.05)
    looked = every_other(grid.shape) & held
    np.testing.assert_allclose(found.map_mm[looked], (60.0 + 0.2 * x[looked]) / math.sqrt(1.04), atol=1e-9)
    # the columns between take over their neighbour's, one column away each way at most
    between = np.abs(found.map_mm[held] - (60.0 + 0.2 * x[held]) / math.sqrt(1.04))
    assert between.max() <= 0.2 * grid.cell_mm / math.sqrt(1.04) + 1e-9


@pytest.mark.parametrize("skin", [5.0, 8.0, 20.0])
def test_skin_over_a_hemisphere_without_draft(skin: float) -> None:
    """It is t everywhere; a face of chords lies inside the true one, never outside (derived)."""
    radius = 300.0
    half = lying(above_board(zoo.sphere(radius, 5)))
    wide = np.array([radius, radius])
    grid = grid_over(-wide, wide, cell_mm=3.0, margin_mm=skin + 12.0)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    outer = np.sqrt(np.maximum((radius + skin) ** 2 - x**2 - y**2, 0.0))
    found = thickness_of(half, outer, grid)
    # places lie inside the half's true surface; near the board the grid ends in a step
    flat = radius - np.linalg.norm(found.places_mm, axis=1)
    upper = found.places_mm[:, 2] > 100.0
    assert (found.thickness_mm <= skin + flat + 1e-9)[upper].all()
    assert found.thickness_mm[upper].min() >= skin - grid.cell_mm
    high = found.places_mm[:, 2] > 0.5 * radius
    np.testing.assert_allclose(found.thickness_mm[high], skin, atol=0.1)
    middle = np.hypot(x, y) < 0.8 * radius
    np.testing.assert_allclose(found.map_mm[middle], skin, atol=0.1)


def clear_of_keys(places: Floats, rubber: Rubber) -> NDArray[np.bool_]:
    """Return which places lie off the keys, seen from above."""
    clear = np.ones(len(places), dtype=bool)
    for key in rubber.keys:
        off = np.hypot(places[:, 0] - key.centre_mm[0], places[:, 1] - key.centre_mm[1])
        clear &= off > key.base_mm
    return clear


def test_draft_thickens_the_side_of_a_cylinder() -> None:
    """The leaned face touches the ball of the skin at the rim: t + y sin(d), y below the rim (derived)."""
    radius, height = 200.0, 300.0
    half = lying(zoo.frustum(radius, radius, height, 256))
    rubber = plan_rubber(half, shop_settings())
    found, cell = rubber.thickness, rubber.grid.cell_mm
    assert found is not None
    t, d = rubber.skin_mm, math.radians(rubber.draft_deg)
    z, r = found.places_mm[:, 2], np.hypot(found.places_mm[:, 0], found.places_mm[:, 1])
    side = (z < height - 1.0) & (z > 40.0) & clear_of_keys(found.places_mm, rubber)
    exact = t + (height - z[side]) * math.sin(d)
    assert np.abs(found.thickness_mm[side] - exact).max() < cell
    assert np.median(np.abs(found.thickness_mm[side] - exact)) < 0.1 * cell
    top = (z > height - 1e-6) & (r < radius - t) & clear_of_keys(found.places_mm, rubber)
    np.testing.assert_allclose(found.thickness_mm[top], t, atol=1e-6)
    assert found.least_mm >= t - cell
    assert t < found.mean_mm < t + height * math.sin(d)


def test_thickness_stands_for_the_whole_surface_off_the_board() -> None:
    rubber = plan_rubber(box_half(), shop_settings())
    found = rubber.thickness
    assert found is not None
    # four sides and the top; not what lies on the board
    assert found.area_mm2.sum() == pytest.approx(400.0 * 300.0 + 1400.0 * 200.0)
    assert rubber.inner_area_mm2 == pytest.approx(found.area_mm2.sum())
    assert (found.places_mm[:, 2] > 0.0).all()
    assert found.map_mm.shape == rubber.grid.shape
    np.testing.assert_array_equal(np.isfinite(found.map_mm), rubber.top_mm > 0.0)
    held = np.isfinite(found.map_mm)
    looked = held & every_other(rubber.grid.shape)
    assert (found.map_mm[looked] <= (rubber.outer_mm - rubber.top_mm)[looked] + 1e-9).all()
    assert found.map_mm[held].min() >= rubber.skin_mm - rubber.grid.cell_mm


def test_underside_of_a_thin_cap_is_measured_through_it() -> None:
    """The shortest way out from under a cap of 20 mm leads up through it: cap and skin (derived)."""
    half = lying(zoo.mushroom(150.0, 120.0, 300.0, 20.0, 96))
    rubber = plan_rubber(half, shop_settings())
    found = rubber.thickness
    assert found is not None
    r = np.hypot(found.places_mm[:, 0], found.places_mm[:, 1])
    under = (np.abs(found.places_mm[:, 2] - 120.0) < 1e-6) & (r < 250.0)
    under &= clear_of_keys(found.places_mm, rubber)
    assert under.any()
    np.testing.assert_allclose(found.thickness_mm[under], 20.0 + rubber.skin_mm, atol=1e-6)


def test_large_triangles_are_cut_and_small_ones_are_not() -> None:
    surface = surface_of(box_half())
    assert surface.area_mm2.max() <= surface.whole_mm2 / 4000.0
    assert surface.whole_mm2 == pytest.approx(400.0 * 300.0 + 1400.0 * 200.0)
    # middle by area of sides and top: by hand, sides at half height, top at its own
    middle = np.average(surface.middle_mm, axis=0, weights=surface.area_mm2)
    exact = (1400.0 * 200.0 * 100.0 + 400.0 * 300.0 * 200.0) / (400.0 * 300.0 + 1400.0 * 200.0)
    np.testing.assert_allclose(middle, [0.0, 0.0, exact], atol=1e-9)
    half = lying(above_board(zoo.sphere(300.0, 5)))
    fine = surface_of(half)
    off_board = (half.vertices[half.faces, 2].max(axis=1) > 0.0).sum()
    assert len(fine.face) == off_board
    np.testing.assert_allclose(fine.middle_mm, half.vertices[half.faces[fine.face]].mean(axis=1), atol=1e-9)


@pytest.mark.parametrize("count", [1, 7, 500])
def test_thinned_places_stand_for_the_whole(count: int) -> None:
    surface = surface_of(box_half())
    taken, area = thinned(surface, count)
    assert len(taken) == len(np.unique(taken)) <= count
    assert area.sum() == pytest.approx(surface.whole_mm2)
    assert (area > 0.0).all()


def test_slopes_of_a_cone() -> None:
    """45 degrees on the side, level on top (derived)."""
    surface = surface_of(lying(zoo.frustum(300.0, 100.0, 200.0, 256)))
    assert slope_deg(steep_share(surface, 0.0)) == pytest.approx(45.0, abs=0.01)
    top = math.pi * 100.0**2
    side = math.pi * 400.0 * math.hypot(200.0, 200.0)
    assert steep_share(surface, side / (side + top) + 0.01) == pytest.approx(0.0, abs=1e-9)
