"""Edges, fans and welding against slow twins in plain Python."""

from collections import defaultdict

import numpy as np
import pytest
import zoo
from hypothesis import given, settings
from hypothesis import strategies as st

from moldplan.pattern.doubles import doubled_faces
from moldplan.pattern.topology import face_bodies, fan_count, genus_sum, mesh_edges, open_loops, turned_faces
from moldplan.pattern.weld import weld_equal, weld_near

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
    points, label = weld_equal(rows)
    monkeypatch.setattr("moldplan.pattern.weld._row_hash", lambda rows: np.zeros(len(rows), dtype=np.uint64))
    again, relabel = weld_equal(rows)
    np.testing.assert_array_equal(points, again)
    np.testing.assert_array_equal(label, relabel)
    np.testing.assert_array_equal(points[label], rows)


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
