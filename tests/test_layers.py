"""Surfaces over the middles of cells, gaps, regions and mouths: against slow twins."""

from collections import deque

import numpy as np
import pytest
import zoo
from scipy.spatial.transform import Rotation

from moldplan.columns.grid import Grid, grid_over
from moldplan.columns.layers import ColumnGaps, Layers, column_gaps, column_layers
from moldplan.columns.mouths import connected_gaps, open_contacts

pytestmark = pytest.mark.kernel

RING = zoo.torus(5.0, 2.0, 10, 6)


def turned(seed: int) -> zoo.Mesh:
    points, faces = zoo.turned(RING, Rotation.random(rng=np.random.default_rng(seed)).as_matrix())
    return points - [0.0, 0.0, points[:, 2].min()], faces


def grid_of(mesh: zoo.Mesh, cell: float) -> Grid:
    return grid_over(mesh[0][:, :2].min(axis=0), mesh[0][:, :2].max(axis=0), cell_mm=cell, margin_mm=cell)


def column(layers: Layers, cell: int) -> tuple[list[float], list[int]]:
    part = slice(layers.start[cell], layers.start[cell + 1])
    return list(layers.z_mm[part]), list(layers.sign[part])


def twin_column(mesh: zoo.Mesh, x: float, y: float) -> list[tuple[float, int]]:
    """Hits of one vertical line, by solving each triangle's three equations."""
    hits = []
    for corners in mesh[0][mesh[1]]:
        matrix = np.vstack([corners[:, :2].T, np.ones(3)])
        if abs(np.linalg.det(matrix)) < 1e-12:
            continue
        shares = np.linalg.solve(matrix, [x, y, 1.0])
        if shares.min() > 0.0:
            hits.append((float(shares @ corners[:, 2]), 1 if np.linalg.det(matrix) > 0 else -1))
    return sorted(hits)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_closed_mesh_gives_even_counts_that_alternate(seed: int) -> None:
    mesh = turned(seed)
    grid = grid_of(mesh, 0.5)
    layers = column_layers(*mesh, grid)
    for cell in range(grid.nx * grid.ny):
        _, signs = column(layers, cell)
        assert signs == [-1, 1] * (len(signs) // 2)
    assert len(layers.z_mm) > 0


def test_same_hits_as_solving_each_triangle() -> None:
    mesh = turned(4)
    grid = grid_of(mesh, 0.7)
    layers = column_layers(*mesh, grid)
    same = 0
    for iy, y in enumerate(grid.y_mm()):
        for ix, x in enumerate(grid.x_mm()):
            heights, signs = column(layers, iy * grid.nx + ix)
            twin = twin_column(mesh, x, y)
            if len(twin) == len(heights):  # snapping may shift a hit over an edge
                same += 1
                # 1/256 cell of snap times the steepest slope met here (derived)
                np.testing.assert_allclose(heights, [z for z, _ in twin], atol=0.3)
                assert signs == [sign for _, sign in twin]
    assert same >= 0.98 * grid.nx * grid.ny


def test_edges_through_cell_middles_are_hit_once() -> None:
    # corners, edges and diagonals of the box run exactly through the middles of cells
    points, faces = zoo.box(8.0, 4.0, 2.0)
    grid = Grid(-4.5, -2.5, 1.0, 9, 5)
    layers = column_layers(points, faces, grid)
    counts = np.diff(layers.start).reshape(grid.shape)
    assert set(np.unique(counts)) == {0, 2}
    assert (counts == 2).sum() == 8 * 4  # area over cell area: each border cell belongs to one side only


def test_heights_of_level_faces_are_exact() -> None:
    points, faces = zoo.box(8.0, 4.0, 2.0)
    layers = column_layers(points, faces, grid_of((points, faces), 0.3))
    assert set(layers.z_mm.tolist()) == {-1.0, 1.0}


def test_what_lies_outside_the_grid_is_left_out() -> None:
    points, faces = zoo.box(8.0, 4.0, 2.0)
    layers = column_layers(points, faces, Grid(-1.0, -1.0, 0.5, 4, 4))
    assert np.diff(layers.start).tolist() == [2] * 16


def test_face_order_changes_nothing() -> None:
    points, faces = turned(5)
    grid = grid_of((points, faces), 0.5)
    first = column_layers(points, faces, grid)
    second = column_layers(points, faces[::-1], grid)
    np.testing.assert_array_equal(first.start, second.start)
    np.testing.assert_allclose(first.z_mm, second.z_mm, rtol=1e-12)


def gaps_of(mesh: zoo.Mesh, cell: float) -> tuple[ColumnGaps, Grid]:
    grid = grid_of(mesh, cell)
    return column_gaps(column_layers(*mesh, grid), grid, least_mm=0.05 * cell), grid


def test_gaps_of_a_mushroom_lie_under_its_cap() -> None:
    gaps, grid = gaps_of(zoo.mushroom(1.0, 4.0, 3.0, 1.0, 24), 0.25)
    assert set(gaps.low_mm.tolist()) == {0.0}
    assert set(gaps.high_mm.tolist()) == {4.0}
    assert set(np.unique(gaps.top_mm)) == {0.0, 5.0}
    # area of a ring between 24-gons, to half a cell all round (derived)
    area = len(gaps.low_mm) * grid.cell_area_mm2
    assert area == pytest.approx(12.0 * np.sin(2 * np.pi / 24) * 8.0, rel=0.05)


def test_a_swapped_pair_of_hits_makes_no_gap() -> None:
    # solid 0..2 and 2..3 touching, with the two hits at 2 swapped by rounding
    grid = Grid(0.0, 0.0, 1.0, 1, 1)
    layers = Layers(
        start=np.array([0, 4]),
        z_mm=np.array([0.0, 2.0 - 1e-9, 2.0 + 1e-9, 3.0]),
        sign=np.array([-1, 1, -1, 1], dtype=np.int8),
    )
    assert len(column_gaps(layers, grid, least_mm=1e-6).low_mm) == 0
    swapped = Layers(start=layers.start, z_mm=layers.z_mm, sign=np.array([-1, -1, 1, 1], dtype=np.int8))
    assert len(column_gaps(swapped, grid, least_mm=1e-12).low_mm) == 0


def test_gaps_between_bodies_and_down_to_the_board() -> None:
    grid = Grid(0.0, 0.0, 1.0, 1, 1)
    layers = Layers(
        start=np.array([0, 4]),
        z_mm=np.array([1.0, 2.0, 5.0, 6.0]),
        sign=np.array([-1, 1, -1, 1], dtype=np.int8),
    )
    gaps = column_gaps(layers, grid, least_mm=0.01)
    assert list(zip(gaps.low_mm, gaps.high_mm, strict=True)) == [(2.0, 5.0), (0.0, 1.0)]
    assert gaps.top_mm.tolist() == [[6.0]]


def twin_regions(gaps: ColumnGaps, grid: Grid, overlap: float) -> list[int]:
    """Flood fill over the eight neighbours."""
    cell = np.repeat(np.arange(grid.nx * grid.ny), np.diff(gaps.start))
    label = [-1] * len(cell)
    for first in range(len(cell)):
        if label[first] >= 0:
            continue
        label[first] = first
        queue = deque([first])
        while queue:
            here = queue.popleft()
            for there in range(len(cell)):
                step = divmod(int(cell[here]), grid.nx), divmod(int(cell[there]), grid.nx)
                near = max(abs(step[0][0] - step[1][0]), abs(step[0][1] - step[1][1])) == 1
                shared = min(gaps.high_mm[here], gaps.high_mm[there]) - max(
                    gaps.low_mm[here], gaps.low_mm[there]
                )
                if near and label[there] < 0 and shared > overlap:
                    label[there] = first
                    queue.append(there)
    return label


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_regions_equal_a_flood_fill(seed: int) -> None:
    gaps, grid = gaps_of(turned(seed), 0.9)
    assert len(gaps.low_mm) > 10
    assert connected_gaps(gaps, grid, overlap_mm=0.05).tolist() == twin_regions(gaps, grid, 0.05)


def test_a_free_standing_cap_has_one_mouth_all_round() -> None:
    gaps, grid = gaps_of(zoo.mushroom(1.0, 4.0, 3.0, 1.0, 24), 0.25)
    region = connected_gaps(gaps, grid, overlap_mm=0.01)
    contacts = open_contacts(gaps, region, grid, least_mm=0.01, slack_mm=0.5)
    assert len(set(region.tolist())) == 1
    assert len(set(contacts.mouth.tolist())) == 1
    assert set(contacts.low_mm.tolist()) == {0.0}
    assert set(contacts.high_mm.tolist()) == {4.0}
    # the mouth runs along the rim of the cap, on all four sides, to a cell
    radius = np.hypot(contacts.x_mm, contacts.y_mm)
    assert np.abs(radius - 3.0).max() < 2 * grid.cell_mm
    assert set(contacts.side.tolist()) == {0, 1, 2, 3}


def test_both_ends_of_a_tunnel_are_mouths_of_their_own() -> None:
    # three cells in a row under a roof, walls beside: open at both ends only
    grid = Grid(0.0, 0.0, 1.0, 3, 3)
    start = np.array([0, 0, 0, 0, 1, 2, 3, 3, 3, 3])
    top = np.full((3, 3), 5.0)
    gaps = ColumnGaps(start=start, low_mm=np.zeros(3), high_mm=np.full(3, 2.0), top_mm=top)
    region = connected_gaps(gaps, grid, overlap_mm=0.01)
    assert region.tolist() == [0, 0, 0]
    contacts = open_contacts(gaps, region, grid, least_mm=0.01, slack_mm=1.0)
    assert contacts.gap.tolist() == [0, 2]
    assert contacts.side.tolist() == [2, 0]
    assert contacts.x_mm.tolist() == [0.0, 3.0]
    assert contacts.y_mm.tolist() == [1.5, 1.5]
    assert len(set(contacts.mouth.tolist())) == 2


def test_a_low_wall_outside_leaves_the_upper_part_of_a_mouth() -> None:
    grid = Grid(0.0, 0.0, 1.0, 2, 1)
    gaps = ColumnGaps(
        start=np.array([0, 1, 1]), low_mm=np.zeros(1), high_mm=np.full(1, 4.0), top_mm=np.array([[9.0, 3.0]])
    )
    contacts = open_contacts(gaps, np.zeros(1, dtype=np.int64), grid, least_mm=0.01, slack_mm=0.0)
    towards_wall = contacts.side == 0
    assert contacts.low_mm[towards_wall].tolist() == [3.0]
    assert contacts.high_mm[towards_wall].tolist() == [4.0]


def test_mouths_one_above_the_other_stay_apart() -> None:
    # two gaps over one cell, both open to the right; they belong to one region elsewhere
    grid = Grid(0.0, 0.0, 1.0, 2, 1)
    gaps = ColumnGaps(
        start=np.array([0, 2, 2]), low_mm=np.array([6.0, 0.0]), high_mm=np.array([8.0, 2.0]),
        top_mm=np.array([[9.0, 0.0]]),
    )  # fmt: skip
    contacts = open_contacts(gaps, np.zeros(2, dtype=np.int64), grid, least_mm=0.01, slack_mm=1.0)
    upper = set(contacts.mouth[contacts.gap == 0].tolist())
    lower = set(contacts.mouth[contacts.gap == 1].tolist())
    assert len(upper) == len(lower) == 1
    assert upper != lower


def test_nothing_in_nothing_out() -> None:
    gaps, grid = gaps_of(zoo.moved(zoo.box(4.0, 4.0, 2.0), (0.0, 0.0, 1.0)), 0.5)
    assert len(gaps.low_mm) == 0
    region = connected_gaps(gaps, grid, overlap_mm=0.01)
    assert len(open_contacts(gaps, region, grid, least_mm=0.01, slack_mm=1.0).gap) == 0
