"""Edges, fans and welding against slow twins in plain Python."""

from collections import defaultdict

import numpy as np
import pytest
import zoo
from hypothesis import given, settings
from hypothesis import strategies as st

from moldplan.columns.merging import Merger, enter_rows
from moldplan.pattern.doubles import doubled_faces
from moldplan.pattern.topology import (
    face_bodies,
    fan_count,
    genus_sum,
    linked,
    mesh_edges,
    open_loops,
    turned_faces,
)
from moldplan.pattern.weld import weld_by_sorting, weld_equal, weld_near

FACES = st.lists(st.permutations(range(7)).map(lambda order: order[:3]), min_size=1, max_size=14)


def edge_table(faces: list[list[int]]) -> dict[tuple[int, int], list[tuple[int, bool]]]:
    """Return, for every edge, the faces on it and whether they run up the numbers."""
    table = defaultdict(list)
    for number, (a, b, c) in enumerate(faces):
        for p, q in ((a, b), (b, c), (c, a)):
            table[min(p, q), max(p, q)].append((number, p < q))
    return table


def groups(links: list[tuple[int, int]], size: int) -> list[int]:
    """Return the least member of each thing's group, by relabelling until nothing changes."""
    label = list(range(size))
    for _ in range(size):
        for a, b in links:
            label[a] = label[b] = min(label[a], label[b])
    return label


@given(FACES)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_edges_against_a_dictionary(faces: list[list[int]]) -> None:
    edges = mesh_edges(np.array(faces, dtype=np.int64))
    table = edge_table(faces)
    low, high = (np.array(part) for part in edges.ends(edges.order[edges.start]))
    found = {
        (min(a, b), max(a, b)): n
        for a, b, n in zip(low.tolist(), high.tolist(), edges.count.tolist(), strict=True)
    }
    assert found == {edge: len(users) for edge, users in table.items()}
    opposite = all(len(users) == 2 and users[0][1] != users[1][1] for users in table.values())
    assert edges.closed == opposite
    links = [(users[0][0], user[0]) for users in table.values() for user in users[1:]]
    assert face_bodies(edges)[0] == len(set(groups(links, len(faces))))
    free = [edge for edge, users in table.items() if len(users) == 1]
    points = {point for edge in free for point in edge}
    label = groups(free, 7)
    if free:
        assert open_loops(edges)[0] == len({label[point] for point in points})


@given(FACES)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_turned_faces_agree_and_are_fewest(faces: list[list[int]]) -> None:
    """By trying every choice of faces to turn."""
    faces = faces[:8]
    table = [users for users in edge_table(faces).values() if len(users) == 2]
    turn, possible = turned_faces(mesh_edges(np.array(faces, dtype=np.int64)))
    least = None
    for choice in range(2 ** len(faces)):
        turned = [bool(choice >> number & 1) for number in range(len(faces))]
        if all((up ^ turned[f]) != (down ^ turned[g]) for (f, up), (g, down) in table):
            least = min(sum(turned), least) if least is not None else sum(turned)
    assert possible == (least is not None)
    if possible:
        assert int(turn.sum()) == least
        assert all((up ^ bool(turn[f])) != (down ^ bool(turn[g])) for (f, up), (g, down) in table)


@pytest.mark.parametrize(
    ("mesh", "genus"), [(zoo.box(), 0), (zoo.sphere(1.0, 2), 0), (zoo.torus(5.0, 1.0, 9, 6), 1)]
)
def test_genus_does_not_depend_on_order(mesh: zoo.Mesh, genus: int) -> None:
    points, faces = mesh
    draw = np.random.default_rng(11)
    relabel = draw.permutation(len(points))
    shuffled = relabel[draw.permutation(faces)]
    edges = mesh_edges(shuffled)
    assert genus_sum(edges) == genus
    assert fan_count(edges) == len(points)
    assert edges.closed


@given(
    st.lists(st.tuples(*[st.sampled_from([0.0, -0.0, 1.0, 1.0 + 2**-52, -3.5])] * 3), min_size=1, max_size=40)
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_equal_points_become_one(rows: list[tuple[float, float, float]]) -> None:
    points, label = weld_equal(np.array(rows))
    first: dict[tuple[float, ...], int] = {}
    expected = [first.setdefault(tuple(value + 0.0 for value in row), len(first)) for row in rows]
    assert label.tolist() == expected
    assert [tuple(row) for row in points.tolist()] == list(first)


def test_equal_hashes_of_different_points_do_not_weld(monkeypatch: pytest.MonkeyPatch) -> None:
    """With every hash the same, only comparing is left."""
    rows = np.random.default_rng(2).integers(0, 3, (200, 3)).astype(np.float32)
    points, label = weld_by_sorting(rows)
    monkeypatch.setattr("moldplan.pattern.weld._row_hash", lambda rows: np.zeros(len(rows), dtype=np.uint64))
    again, relabel = weld_by_sorting(rows)
    np.testing.assert_array_equal(points, again)
    np.testing.assert_array_equal(label, relabel)
    np.testing.assert_array_equal(points[label], rows)


@pytest.mark.kernel
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_table_of_hashes_against_sorting(kind: type[np.floating]) -> None:
    """More different rows than the table has room for at first, so that it grows twice."""
    rows = np.random.default_rng(3).integers(-8, 8, (3000, 3)).astype(kind) + kind(0.1)
    points, label = weld_equal(rows)
    sorted_points, sorted_label = weld_by_sorting(rows)
    assert len(points) > 1024
    assert points.dtype == kind
    np.testing.assert_array_equal(points, sorted_points)
    np.testing.assert_array_equal(label, sorted_label)


@pytest.mark.kernel
def test_rows_added_in_pieces_are_the_same_as_at_once() -> None:
    rows = np.random.default_rng(5).integers(0, 9, (1500, 3)).astype(np.int32)
    whole, label = np.empty(1500, dtype=np.int64), np.empty(1500, dtype=np.int64)
    one, two = Merger(3, 4000), Merger(3)
    assert one.add(rows, whole)
    for first in range(0, 1500, 400):
        assert two.add(rows[first : first + 400], label[first : first + 400])
    np.testing.assert_array_equal(whole, label)
    np.testing.assert_array_equal(one.kept, two.kept)
    np.testing.assert_array_equal(one.kept[whole], rows)


@pytest.mark.kernel
def test_rows_that_crowd_in_one_place_are_given_up() -> None:
    """Rows whose places in the table are all the same: steps grow with their number until it is too much."""
    table, kept = np.zeros(1024, dtype=np.int32), np.empty((512, 3), dtype=np.int32)
    rows = np.arange(1500, dtype=np.int32).reshape(500, 3)
    table[:] = 1  # a table that is full holds every row up
    kept[0] = -1
    done, count = enter_rows(rows, 0, table, kept, 1, np.empty(500, dtype=np.int64))
    assert (done, count) == (-1, 1)


def test_a_crowded_table_is_left_for_sorting(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = np.random.default_rng(6).integers(0, 3, (100, 3)).astype(np.float64)
    expected = weld_equal(rows)
    monkeypatch.setattr(Merger, "add", lambda *_: False)
    for found, wanted in zip(weld_equal(rows), expected, strict=True):
        np.testing.assert_array_equal(found, wanted)


@pytest.mark.kernel
@given(FACES)
@settings(max_examples=25, deadline=None, derandomize=True)
def test_half_edges_against_one_stable_sort(rows: list[list[int]]) -> None:
    """Lower end first, then higher end, then the half-edge's own number."""
    faces = np.array(rows, dtype=np.int64)
    a, b = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(a, b) * 7 + np.maximum(a, b)
    edges = mesh_edges(faces)
    np.testing.assert_array_equal(edges.order, np.argsort(key, kind="stable"))
    values, start, count = np.unique(np.sort(key), return_index=True, return_counts=True)
    np.testing.assert_array_equal(edges.start, start)
    np.testing.assert_array_equal(edges.count, count)
    users = defaultdict(list)
    for half, value in enumerate(key.tolist()):
        users[value].append(half)
    for half, value in enumerate(key.tolist()):
        others = [other for other in users[value] if other != half]
        assert edges.partner[half] == (others[0] if len(others) == 1 else -1)
    pairs = [tuple(sorted(face)) for face in rows]
    if edges.unmirrored:
        assert len(values) * 2 == len(key)
        assert len(set(pairs)) == len(pairs)


@pytest.mark.kernel
@given(st.lists(st.tuples(st.integers(0, 11), st.integers(0, 11)), max_size=14))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_groups_are_numbered_by_their_least_members(links: list[tuple[int, int]]) -> None:
    table = np.array(links, dtype=np.int64).reshape(-1, 2)
    number, label = linked(table[:, 0], table[:, 1], 12)
    least = groups(links, 12)
    order = {value: place for place, value in enumerate(sorted(set(least)))}
    assert number == len(order)
    assert label.tolist() == [order[value] for value in least]


def test_two_faces_back_to_back_are_closed_but_mirrored() -> None:
    """A pillow of two faces has every edge twice; it is the one closed surface with doubled faces."""
    edges = mesh_edges(np.array([(0, 1, 2), (0, 2, 1)]))
    assert edges.closed
    assert not edges.unmirrored
    assert mesh_edges(zoo.box()[1]).unmirrored


def test_fans_by_rings_and_by_groups_agree_where_bodies_touch() -> None:
    """Two boxes that share one corner: a fan for each. Flipped faces leave only the slower way."""
    points, faces = zoo.box()
    far = int(np.argmax(points.sum(axis=1)))
    other = faces + len(points)
    other[other == len(points)] = far
    both = np.concatenate([faces, other])
    edges = mesh_edges(both)
    assert edges.closed
    assert fan_count(edges) == 2 * len(points)
    flipped = both.copy()
    flipped[0] = flipped[0][::-1]
    assert not mesh_edges(flipped).closed
    assert fan_count(mesh_edges(flipped)) == 2 * len(points)


def test_near_points_against_all_pairs() -> None:
    points = np.random.default_rng(4).uniform(0.0, 1.0, (80, 3))
    loose = np.arange(0, 80, 2)
    target, moved = weld_near(points, loose, 0.2)
    gap = np.linalg.norm(points[:, None] - points[None], axis=2)
    want = np.flatnonzero((gap[:, loose] <= 0.2).any(axis=1))
    near = [(i, j) for i in want for j in want if i < j and gap[i, j] <= 0.2]
    assert target.tolist() == groups(near, 80)
    assert moved == pytest.approx(np.linalg.norm(points[target] - points, axis=1).max(), rel=1e-15)


def test_doubled_faces_by_hand() -> None:
    faces = np.array([(0, 1, 2), (3, 4, 5), (2, 0, 1), (5, 4, 3), (1, 0, 2), (6, 7, 8)])
    repeat, wall = doubled_faces(faces)
    assert repeat.tolist() == [False, False, True, True, True, False]
    assert not wall.any()
