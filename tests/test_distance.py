"""Distances to a half, volumes within a distance, shares of cells, heights of gaps."""

import math

import numpy as np
import pytest
import shapely
import trimesh
import zoo
from lying import above_board
from shapely import MultiPolygon, Point, Polygon

from moldplan.columns.coverage import covered_share
from moldplan.columns.distance import (
    MOST_CUBES,
    STEP_CELLS,
    DistanceGrid,
    distance_cell_mm,
    distance_grid,
    gap_volumes,
    share_within,
    triangle_distance2,
    volumes_within,
)
from moldplan.columns.grid import Grid
from moldplan.columns.offset import unit_normals

kernel = pytest.mark.kernel


def grid_of(mesh: zoo.Mesh, reach: float, cell: float | None = None) -> DistanceGrid:
    return distance_grid(*mesh, normals=unit_normals(*mesh), reach_mm=reach, cell_mm=cell)


def middles(near: DistanceGrid) -> np.ndarray:
    z = (np.arange(near.phi_mm.shape[2]) + 0.5) * near.cell_mm
    y, x, z = np.meshgrid(near.grid.y_mm(), near.grid.x_mm(), z, indexing="ij")
    return np.stack([x, y, z], axis=-1)


@kernel
def test_distance_to_a_triangle_equals_the_closest_point_of_trimesh() -> None:
    rng = np.random.default_rng(2)
    corners = rng.normal(size=(400, 3, 3))
    corners[:40, 2] = corners[:40, 1]  # no area: a line
    points = rng.normal(size=(400, 3)) * 2.0
    closest = trimesh.triangles.closest_point(corners[40:], points[40:])
    expected = ((closest - points[40:]) ** 2).sum(axis=1)
    found = [triangle_distance2(*p, *t) for p, t in zip(points, corners, strict=True)]
    np.testing.assert_allclose(found[40:], expected, rtol=1e-9, atol=1e-12)
    for distance2, p, (a, b, _) in zip(found[:40], points[:40], corners[:40], strict=True):
        s = np.clip((p - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
        assert distance2 == pytest.approx(((a + s * (b - a) - p) ** 2).sum(), rel=1e-6)


@pytest.mark.parametrize("degrees", [0.0, 30.0, 45.0])
def test_flat_faces_grow_alike_in_every_direction(degrees: float) -> None:
    """A box on the board, t at its top and sides (derived, first principles), whatever its turn."""
    x, y, z, t = 100.0, 80.0, 60.0, 8.0
    a = math.radians(degrees)
    matrix = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    near = grid_of(zoo.moved(zoo.turned(zoo.box(x, y, z), matrix), (0.0, 0.0, z / 2.0)), t, 8.0 / 3.0)
    p = 2.0 * (x + y)
    exact = x * y * t + p * z * t + math.pi * t**2 / 4.0 * p + math.pi * t**2 * z + 2.0 * math.pi * t**3 / 3.0
    assert volumes_within(near, np.array([t]))[0] - x * y * z == pytest.approx(exact, rel=2e-3)


@kernel
@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_box_has_its_closed_form(turn: float) -> None:
    """Signed distance of a box that goes on below the board (derived, first principles)."""
    x, y, z, reach, cell = 60.0, 40.0, 30.0, 9.0, 4.0
    matrix = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    near = grid_of(zoo.moved(zoo.turned(zoo.box(x, y, z), matrix), (0.0, 0.0, z / 2.0)), reach, cell)
    q = np.abs(middles(near) @ matrix) - np.array([x / 2.0, y / 2.0, z])
    exact = np.linalg.norm(np.maximum(q, 0.0), axis=-1) + np.minimum(q.max(axis=-1), 0.0)
    np.testing.assert_allclose(
        near.phi_mm, np.clip(exact, -STEP_CELLS * cell, reach + STEP_CELLS * cell), atol=1e-4 * reach
    )


@kernel
def test_every_cube_near_a_rough_solid_equals_the_nearest_of_all_triangles() -> None:
    """The twin: all triangles off the board for every cube; inside by trimesh's winding."""
    points, faces = zoo.sphere(1.0, 1)
    stretch = np.random.default_rng(8).uniform(14.0, 30.0, (len(points), 1))
    mesh = above_board((points * stretch, faces), 3.0)
    near = grid_of(mesh, 6.0, 3.0)
    corners = mesh[0][mesh[1]]
    corners = corners[corners[:, :, 2].max(axis=1) > 0.0]
    for place, found in zip(middles(near).reshape(-1, 3), near.phi_mm.ravel(), strict=True):
        closest = trimesh.triangles.closest_point(corners, np.broadcast_to(place, (len(corners), 3)))
        distance = np.sqrt(((closest - place) ** 2).sum(axis=1)).min()
        if found > 0.0:
            assert found == pytest.approx(min(distance, near.band_mm), abs=1e-3)
        else:
            assert -found == pytest.approx(min(distance, STEP_CELLS * 3.0), abs=1e-3)
    inside = trimesh.Trimesh(*mesh, process=False).contains(middles(near).reshape(-1, 3))
    sure = np.abs(near.phi_mm.ravel()) > 0.02
    np.testing.assert_array_equal(inside[sure], near.phi_mm.ravel()[sure] < 0.0)


@pytest.mark.parametrize(
    ("mesh", "exact"),
    [
        # Steiner: V + S t + M t^2 + 4 pi t^3/3; cube a^3 + 6 a^2 t + 3 pi a t^2 + 4 pi t^3/3 (derived)
        (
            zoo.box(100.0, 100.0, 100.0),
            lambda t: 1e6 + 6e4 * t + 300.0 * math.pi * t**2 + 4 * math.pi * t**3 / 3,
        ),
        # torus 2 pi^2 R (r + t)^2 (derived), grown from the volume of its mesh
        (zoo.torus(100.0, 30.0, 256, 96), lambda t: 2.0 * math.pi**2 * 100.0 * (30.0 + t) ** 2),
    ],
    ids=["cube", "torus"],
)
def test_volumes_within_a_distance_have_their_closed_forms(mesh: zoo.Mesh, exact) -> None:  # noqa: ANN001
    axis = np.array([1.0, 2.0, 2.0]) / 3.0
    turn = trimesh.transformations.rotation_matrix(0.7, axis)[:3, :3]
    points, faces = zoo.turned(mesh, turn)
    lifted = (points - [0.0, 0.0, points[:, 2].min() - 12.0], faces)  # clear of the board by more than t
    near = grid_of(lifted, 8.0)
    for t, volume in zip((2.0, 5.0, 8.0), volumes_within(near, np.array([2.0, 5.0, 8.0])), strict=True):
        assert volume - zoo.volume(mesh) == pytest.approx(exact(t) - exact(0.0), rel=5e-3)
    assert volumes_within(near, np.array([0.0]))[0] == pytest.approx(zoo.volume(mesh), rel=5e-4)


@kernel
def test_cubes_fit_the_skin_and_the_memory() -> None:
    assert distance_cell_mm(np.array([768.0, 100.0, 50.0]), reach_mm=8.0) == pytest.approx(2.0)
    assert distance_cell_mm(np.array([192.0, 100.0, 50.0]), reach_mm=8.0) == pytest.approx(8.0 / 6.0)
    assert distance_cell_mm(np.array([1536.0, 100.0, 50.0]), reach_mm=8.0) == pytest.approx(8.0 / 2.5)
    assert distance_cell_mm(np.array([384.0, 10.0, 10.0]), reach_mm=0.0) == pytest.approx(1.0)
    coarse = distance_cell_mm(np.array([1500.0, 1500.0, 900.0]), reach_mm=2.0)
    assert np.prod([1504.0, 1504.0, 902.0]) / coarse**3 <= MOST_CUBES


@kernel
def test_smooth_step_is_the_integral_of_the_quadratic_b_spline() -> None:
    """Odd about one half, rising, copies one cell apart add up to a straight line, variance 1/4 (derived)."""
    u = np.linspace(-2.0, 2.0, 4001)
    step = np.array([share_within(float(x)) for x in u])
    assert (np.diff(step) >= 0.0).all()
    np.testing.assert_allclose(step + step[::-1], 1.0, atol=1e-12)
    for x in np.linspace(-0.45, 0.45, 11):
        assert sum(share_within(x + k) for k in range(-3, 4)) == pytest.approx(3.5 + x)
    middle = 0.5 * (u[1:] + u[:-1])
    assert (np.diff(step) * middle**2).sum() == pytest.approx(0.25, rel=1e-3)


@kernel
def test_volumes_within_equal_their_slow_twin() -> None:
    """Every cube weighed for every distance, less the step's own width (derived, first principles)."""
    near = grid_of(zoo.moved(zoo.box(40.0, 30.0, 20.0), (0.0, 0.0, 10.0)), 6.0, 3.0)
    near_volumes = volumes_within(near, np.array([0.0, 6.0]))

    def plain(distance: float) -> float:
        weights = [share_within((distance - float(d)) / near.cell_mm) for d in near.phi_mm.ravel()]
        return sum(weights) * near.cell_mm**3

    bend = (plain(3.0) - 2.0 * plain(4.5) + plain(6.0)) / 1.5**2
    slow = [plain(d) - near.cell_mm**2 / 8.0 * bend for d in (0.0, 6.0)]
    np.testing.assert_allclose(near_volumes, slow, rtol=1e-6)
    near = grid_of(zoo.moved(zoo.box(40.0, 30.0, 20.0), (0.0, 0.0, 10.0)), 0.0, 3.0)
    assert volumes_within(near, np.array([0.0]))[0] == pytest.approx(plain(0.0), rel=1e-6)


def ragged(seed: int) -> Polygon:
    rng = np.random.default_rng(seed)
    angles = np.sort(rng.uniform(0.0, 2.0 * math.pi, 30))
    radii = rng.uniform(8.0, 20.0, 30)
    return Polygon(np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1)).buffer(0.0)


@kernel
@pytest.mark.parametrize("seed", range(3))
def test_covered_share_equals_outlines_cut_with_every_cell(seed: int) -> None:
    island = Point(30.0, 3.0).buffer(4.3)
    outline = shapely.union(ragged(seed).difference(Point(1.0, -2.0).buffer(5.1)), island)
    area = outline if isinstance(outline, MultiPolygon) else MultiPolygon([outline])
    grid = Grid(-21.3, -20.9, 1.7, 34, 26)
    x, y = np.meshgrid(grid.x_mm() - 0.85, grid.y_mm() - 0.85)
    slow = shapely.area(shapely.intersection(shapely.box(x, y, x + 1.7, y + 1.7), area)) / 1.7**2
    share = covered_share(area, grid)
    np.testing.assert_allclose(share, slow, atol=1e-9)
    assert share.sum() * 1.7**2 == pytest.approx(area.area, rel=1e-12)


@kernel
def test_covered_share_of_a_rectangle_on_cell_borders() -> None:
    share = covered_share(MultiPolygon([shapely.box(1.0, 2.0, 4.0, 5.5)]), Grid(0.0, 0.0, 1.0, 6, 7))
    expected = np.zeros((7, 6))
    expected[2:5, 1:4], expected[5, 1:4] = 1.0, 0.5
    np.testing.assert_allclose(share, expected, atol=1e-12)


@kernel
def test_gap_volumes_equal_their_slow_twin() -> None:
    rng = np.random.default_rng(4)
    phi, cell = rng.uniform(-1.0, 12.0, (5, 6, 7)).astype(np.float32), 2.0
    low = rng.uniform(0.0, 8.0, 9)
    high, region = low + rng.uniform(0.0, 7.0, 9), rng.integers(0, 3, 9).astype(np.int32)
    high[0] = low[0]
    x, y = rng.uniform(-0.5, 6.5, 9), rng.uniform(-0.5, 5.5, 9)
    distances = np.array([0.7, 4.0, 8.0])
    totals, slow = np.zeros((3, 4)), np.zeros((3, 4))
    gap_volumes(phi, cell, x, y, low, high, region, distances, totals)
    for g in range(9):
        column = phi[min(max(int(y[g] // 1), 0), 4), min(max(int(x[g] // 1), 0), 5)]
        slow[region[g], 3] += high[g] - low[g]
        for k in range(7):
            part = max(min(high[g], (k + 1) * cell) - max(low[g], k * cell), 0.0)
            slow[region[g], :3] += part * np.array([share_within(u) for u in (distances - column[k]) / cell])
    np.testing.assert_allclose(totals, slow, atol=1e-5)
