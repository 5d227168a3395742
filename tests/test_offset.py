"""The grown and the leaned outer face: exact heights, slopes within the draft, nothing missed."""

import math

import numpy as np
import pytest
import zoo
from lying import above_board
from numpy.typing import NDArray

from moldplan.columns.grid import Grid, grid_over
from moldplan.columns.means import bent, sample_again
from moldplan.columns.offset import (
    best_on_edge,
    carriers,
    every_cell,
    height_map,
    lattice,
    sample_heights,
    unit_normals,
)

pytestmark = pytest.mark.kernel

Floats = NDArray[np.float64]
DRAFT = math.radians(6.0)


def rough_ball(seed: int) -> zoo.Mesh:
    """Half a ball with dents and horns, closed: convex and hollow edges at every slope."""
    points, faces = zoo.sphere(1.0, 1)
    stretch = np.random.default_rng(seed).uniform(40.0, 110.0, (len(points), 1))
    return above_board((points * stretch, faces), 5.0)


def spike() -> zoo.Mesh:
    """Return a cone steeper than the draft allows: only its tip carries the outer face."""
    return zoo.revolve([(0, 0), (4, 0), (0, 90)], 7)


def shelf() -> zoo.Mesh:
    """Return a cap on a stem: faces turned down must carry nothing."""
    return zoo.mushroom(20.0, 40.0, 60.0, 25.0, 11)


def leaning_box() -> zoo.Mesh:
    a, b = 0.4, 0.7
    x = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
    z = np.array([[math.cos(b), -math.sin(b), 0], [math.sin(b), math.cos(b), 0], [0, 0, 1]])
    return above_board(zoo.turned(zoo.box(120.0, 80.0, 60.0), z @ x), -10.0)


SOLIDS = {
    "rough ball": rough_ball(1), "rougher ball": rough_ball(2), "spike": spike(), "shelf": shelf(),
    "leaning box": leaning_box(), "box": zoo.moved(zoo.box(90.0, 70.0, 50.0), (0.0, 0.0, 25.0)),
}  # fmt: skip


def coarse(mesh: zoo.Mesh, *, cells: int = 14, margin: float = 30.0) -> Grid:
    low, high = mesh[0].min(axis=0), mesh[0].max(axis=0)
    across = float((high - low)[:2].max()) + 2.0 * margin
    return grid_over(low[:2], high[:2], cell_mm=across / (2.0 * cells), margin_mm=margin)


def profile(r: Floats, radius: float, draft: float) -> Floats:
    """F: the ball, and its tangent cone at the draft."""
    ball = np.sqrt(np.maximum(radius**2 - r**2, 0.0))
    if draft == 0.0:
        return np.where(r <= radius, ball, -np.inf)
    cone = radius / math.sin(draft) - r / math.tan(draft)
    return np.where(r <= radius * math.cos(draft), ball, cone)


def surface_points(mesh: zoo.Mesh, parts: int) -> Floats:
    i, j = np.meshgrid(np.arange(parts + 1), np.arange(parts + 1), indexing="ij")
    u, v = i[i + j <= parts] / parts, j[i + j <= parts] / parts
    return np.einsum("pk,fkd->fpd", np.stack([1 - u - v, u, v], axis=1), mesh[0][mesh[1]]).reshape(-1, 3)


def slow_heights(mesh: zoo.Mesh, grid: Grid, radius: float, draft: float) -> Floats:
    """Return heights by their definition, over many points of the surface: never above the true ones."""
    points = surface_points(mesh, 24)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    out = np.zeros(grid.nx * grid.ny)
    for n, place in enumerate(np.stack([x.ravel(), y.ravel()], axis=1)):
        r = np.hypot(points[:, 0] - place[0], points[:, 1] - place[1])
        out[n] = max((points[:, 2] + profile(r, radius, draft)).max(), 0.0)
    return out.reshape(grid.shape)


@pytest.mark.parametrize("draft", [0.0, DRAFT])
@pytest.mark.parametrize("name", sorted(SOLIDS))
def test_heights_equal_their_slow_twin(name: str, draft: float) -> None:
    mesh, radius = SOLIDS[name], 8.0
    grid = coarse(mesh)
    heights = height_map(*mesh, radius_mm=radius, draft_rad=draft, grid=grid)
    slow = slow_heights(mesh, grid, radius, draft)
    assert (heights >= slow - 1e-9).all(), "a point of the pattern sticks out"
    # points of the twin lie s apart, so it misses at most the fall of F over s: cot d * s on the cone
    # (derived, first principles); the ball alone falls steeply at its rim only
    side = np.linalg.norm(mesh[0][mesh[1]] - np.roll(mesh[0][mesh[1]], 1, axis=1), axis=2).max() / 24.0
    if draft > 0.0:
        assert (heights - slow).max() <= side * (1.0 + 1.0 / math.tan(draft))
        assert np.median((heights - slow)[heights > 0.0]) < 0.5 * side
    else:
        assert np.quantile((heights - slow)[heights > 0.0], 0.8) < 0.5 * side


@pytest.mark.parametrize("turn", [0.0, 0.3])
@pytest.mark.parametrize("radius", [0.0, 8.0])
def test_box_has_its_closed_form(radius: float, turn: float) -> None:
    """Derived, first principles: box height + F(distance to the box's outline)."""
    x, y, z = 90.0, 70.0, 50.0
    matrix = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    mesh = zoo.moved(zoo.turned(zoo.box(x, y, z), matrix), (0.0, 0.0, z / 2.0))
    grid = coarse(mesh, cells=23)
    places = np.stack(np.meshgrid(grid.x_mm(), grid.y_mm()), axis=-1) @ matrix[:2, :2]
    outside = np.maximum(np.abs(places) - np.array([x, y]) / 2.0, 0.0)
    r = np.hypot(outside[..., 0], outside[..., 1])
    for draft in (0.0, DRAFT):
        heights = height_map(*mesh, radius_mm=radius, draft_rad=draft, grid=grid)
        if draft == 0.0:
            expected = np.where(r <= radius, z + np.sqrt(np.maximum(radius**2 - r**2, 0.0)), 0.0)
        else:
            expected = np.maximum(z + profile(r, radius, draft), 0.0)
        np.testing.assert_allclose(heights, expected, atol=1e-9 * z)


def test_spike_is_carried_by_its_tip() -> None:
    """Derived, first principles: with every face steeper than the draft, tip height + F(distance)."""
    mesh, radius = spike(), 5.0
    grid = coarse(mesh, cells=9)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    heights = height_map(*mesh, radius_mm=radius, draft_rad=DRAFT, grid=grid)
    np.testing.assert_allclose(
        heights, np.maximum(90.0 + profile(np.hypot(x, y), radius, DRAFT), 0.0), atol=1e-9
    )


@pytest.mark.parametrize("name", sorted(SOLIDS))
def test_slope_never_exceeds_the_draft(name: str) -> None:
    """In eight directions; derived, first principles: every sample is a maximum of cot d slopes."""
    mesh = SOLIDS[name]
    grid = coarse(mesh, cells=24)
    heights = height_map(*mesh, radius_mm=8.0, draft_rad=DRAFT, grid=grid)
    allowed = grid.cell_mm / math.tan(DRAFT)
    for rows, cols in ((0, 1), (1, 0), (1, 1), (1, -1)):
        far = np.roll(heights, (-rows, -cols), axis=(0, 1))
        step = np.abs(far - heights)[: grid.ny - rows, max(-cols, 0) : grid.nx - max(cols, 0)]
        assert step.max() <= allowed * math.hypot(rows, cols) * (1.0 + 1e-9)


@pytest.mark.parametrize("name", sorted(SOLIDS))
def test_leaned_covers_grown_covers_the_half(name: str) -> None:
    mesh = SOLIDS[name]
    grid = coarse(mesh)
    top = height_map(*mesh, radius_mm=0.0, draft_rad=0.0, grid=grid)
    grown = height_map(*mesh, radius_mm=8.0, draft_rad=0.0, grid=grid)
    leaned = height_map(*mesh, radius_mm=8.0, draft_rad=DRAFT, grid=grid)
    assert (leaned >= grown - 1e-9).all()
    assert (grown >= top + np.where(top > 0.0, 8.0, 0.0) - 1e-9).all(), (
        "the skin is thinner than it should be"
    )


def test_best_on_edge_is_the_highest_of_all_its_points() -> None:
    rng = np.random.default_rng(5)
    cot, radius = 1.0 / math.tan(DRAFT), 8.0
    for _ in range(300):
        q, length = rng.uniform(0.0, 30.0), rng.uniform(0.0, 40.0)
        s0, rise = rng.uniform(-20.0, 50.0), rng.choice([0.0, rng.uniform(0.0, 3.0), rng.uniform(0.0, 40.0)])
        found = best_on_edge(q, s0, length, rise, radius, cot, radius * math.cos(DRAFT))
        s = np.append(np.linspace(0.0, length, 2001), found)
        heights = s * rise + profile(np.hypot(q, s - s0), radius, DRAFT)
        assert 0.0 <= found <= length
        assert heights[-1] >= heights.max() - 1e-9 * (1.0 + abs(heights.max()))


def test_carriers_are_few_on_a_smooth_solid() -> None:
    """Only the edges about the draft's own outline carry the cone: a matter of speed."""
    points, faces = above_board(zoo.sphere(100.0, 3))
    parts = carriers(points, faces, draft_rad=math.radians(2.5))
    assert 0 < parts.leans.sum() < 0.15 * len(parts.edges)


def test_face_order_and_turns_change_nothing() -> None:
    mesh = SOLIDS["rough ball"]
    grid = coarse(mesh)
    heights = height_map(*mesh, radius_mm=8.0, draft_rad=DRAFT, grid=grid)
    order = np.random.default_rng(3).permutation(len(mesh[1]))
    shuffled = height_map(mesh[0], mesh[1][order], radius_mm=8.0, draft_rad=DRAFT, grid=grid)
    np.testing.assert_allclose(shuffled, heights, rtol=1e-9, atol=1e-9)
    quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    turned = zoo.turned(mesh, quarter)
    swung = height_map(*turned, radius_mm=8.0, draft_rad=DRAFT, grid=coarse(turned))
    np.testing.assert_allclose(swung, np.rot90(heights, -1), rtol=1e-6, atol=1e-6)


def test_fine_samples_are_the_map_at_other_places() -> None:
    """Cells sampled again agree with a map whose middles are those very places."""
    mesh = SOLIDS["leaning box"]
    grid = coarse(mesh)
    for draft in (0.0, DRAFT):
        parts = carriers(*mesh, draft_rad=draft)
        places = lattice(5, 3)
        fine = sample_heights(
            mesh[0], parts, radius_mm=8.0, draft_rad=draft, grid=grid, slots=every_cell(grid), places=places
        ).reshape(*grid.shape, 5)
        for k, (u, v) in enumerate(places):
            shifted = Grid(
                grid.x0_mm + (u - 0.5) * grid.cell_mm, grid.y0_mm + (v - 0.5) * grid.cell_mm,
                grid.cell_mm, grid.nx, grid.ny,
            )  # fmt: skip
            alone = height_map(*mesh, radius_mm=8.0, draft_rad=draft, grid=shifted)
            np.testing.assert_allclose(fine[..., k], alone, atol=1e-9)


def test_means_of_a_leaned_box_are_exact_where_it_bends() -> None:
    """Draft fill of a prism, skin 0 (derived, first principles): p tau h^2/2 + pi tau^2 h^3/3."""
    x, y, z = 90.0, 70.0, 50.0
    mesh = zoo.moved(zoo.box(x, y, z), (0.0, 0.0, z / 2.0))
    grid = coarse(mesh, cells=18)
    parts = carriers(*mesh, draft_rad=DRAFT)
    heights = height_map(*mesh, radius_mm=0.0, draft_rad=DRAFT, grid=grid)
    sampled = sample_again(
        mesh[0], parts, heights, where=bent(heights, grid.cell_mm), radius_mm=0.0, draft_rad=DRAFT, grid=grid
    )
    assert (sampled.means_above_board() >= sampled.means() - 1e-9).all()
    draft = sampled.means().sum() * grid.cell_area_mm2 - x * y * z
    tau = math.tan(DRAFT)
    assert draft == pytest.approx((x + y) * tau * z**2 + math.pi * tau**2 * z**3 / 3.0, rel=0.01)


def test_lattice_is_even_along_both_axes() -> None:
    places = lattice(34, 21)
    for axis in (0, 1):
        np.testing.assert_allclose(np.sort(places[:, axis]), (np.arange(34) + 0.5) / 34.0)


def test_faces_without_area_have_no_normal() -> None:
    points = np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0], [0, 1, 0]])
    normals = unit_normals(points, np.array([[0, 1, 2], [0, 1, 3]]))
    np.testing.assert_array_equal(normals, [[0, 0, 0], [0, 0, 1]])
