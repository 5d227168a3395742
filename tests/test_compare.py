"""How far a surface moved: closed forms (derived, first principles), and nothing for what stayed."""

import numpy as np
import pytest
import zoo

from moldplan.pattern import compare
from moldplan.pattern.compare import changed_faces, distances, marks_between, moved_between
from moldplan.pattern.topology import Surface


def surface(mesh: zoo.Mesh) -> Surface:
    return Surface(*mesh)


def lifted(height: float) -> tuple[Surface, Surface]:
    """Return a cube of 100 before and after its top was raised."""
    points, faces = zoo.box(100.0, 100.0, 100.0)
    raised = points.copy()
    raised[raised[:, 2] > 0.0, 2] += height
    return Surface(points, faces), Surface(raised, faces)


def test_raised_top_of_a_cube() -> None:
    # The top (1e4) is 10 off all over; each wall (100 x 110) is off over its last 10, by 5 on average.
    moved = moved_between(*lifted(10.0))
    area = 2 * 1e4 + 4 * 100.0 * 110.0
    assert moved.most == pytest.approx(10.0, rel=1e-12)
    assert moved.place is not None
    assert moved.place[2] == pytest.approx(60.0)
    assert moved.volume == pytest.approx(1e5, rel=1e-12)
    # the ramp of a wall begins inside the parts a face is cut into
    assert moved.mean == pytest.approx((1e4 * 10.0 + 4 * 1e3 * 5.0) / area, rel=2e-3)
    assert moved.p99 == pytest.approx(10.0, rel=1e-12)


def test_grown_sphere_moves_by_its_growth() -> None:
    points, faces = zoo.sphere(500.0, 4)
    moved = moved_between(Surface(points, faces), Surface(points * 1.01, faces))
    flat = np.linalg.norm(points[faces].mean(axis=1), axis=1).min() / 500.0  # how far a face dips at most
    assert 5.0 * flat <= moved.mean <= moved.p99 <= moved.most <= 5.0 + 1e-9
    assert moved.volume == pytest.approx((1.01**3 - 1.0) * zoo.volume((points, faces)), rel=1e-9)


def test_only_the_changed_share_counts() -> None:
    # One corner of a fine sphere pulled out: the mean is the pull spread over its faces, p99 stays 0.
    points, faces = zoo.sphere(500.0, 5)
    pulled = points.copy()
    pulled[0] *= 1.1
    moved = moved_between(Surface(points, faces), Surface(pulled, faces))
    assert moved.place == pytest.approx(tuple(pulled[0]))
    assert moved.most == pytest.approx(50.0, rel=0.02)  # straight over the corner's faces
    assert moved.p99 == 0.0
    touched = (faces == 0).any(axis=1)
    cone = zoo.volume((pulled, faces)) - zoo.volume((points, faces))
    assert moved.volume == pytest.approx(cone, rel=1e-9)
    assert 0.0 < moved.mean < 50.0 * touched.mean() * 2.0


def test_p99_is_the_distance_all_but_a_hundredth_keep() -> None:
    # A strip of 200 equal squares; the last k are lifted clean off it.
    for lifted_squares, beyond in ((1, 0.0), (3, 7.0)):
        points = np.array([(x, y, 0.0) for x in range(201) for y in (0, 1)], dtype=float)
        faces = np.array(
            [t for x in range(200) for t in ((2 * x, 2 * x + 2, 2 * x + 3), (2 * x, 2 * x + 3, 2 * x + 1))]
        )
        loose = points[faces].reshape(-1, 3).copy()
        loose[-6 * lifted_squares :, 2] += 7.0
        moved = moved_between(Surface(points, faces), Surface(loose, np.arange(len(loose)).reshape(-1, 3)))
        assert moved.p99 == beyond
        assert moved.mean == pytest.approx(7.0 * lifted_squares / 200.0, rel=1e-12)
        assert moved.volume == pytest.approx(7.0 * lifted_squares, rel=1e-12)  # open: distance over area


@pytest.mark.parametrize("kind", ["same", "turned", "order", "split"])
def test_what_is_no_change(kind: str) -> None:
    points, faces = zoo.torus(500.0, 100.0, 48, 16)
    after = Surface(points, faces)
    if kind == "turned":
        after = Surface(points, faces[:, [1, 0, 2]])
    elif kind == "order":
        order = np.random.default_rng(3).permutation(len(points))
        after = Surface(points[order], np.argsort(order)[np.roll(faces[::-1], 1, axis=1)])
    elif kind == "split":
        middle = points[faces[0]].mean(axis=0)
        a, b, c = faces[0]
        new = len(points)
        after = Surface(
            np.vstack([points, middle]), np.vstack([faces[1:], (a, b, new), (b, c, new), (c, a, new)])
        )
    moved = moved_between(Surface(points, faces), after)
    assert moved.most <= 1e-9
    assert moved.volume <= 1e-3
    assert marks_between(Surface(points, faces), after) is None


def with_floor() -> tuple[Surface, Surface]:
    """Return a ball of 100 over a floor of 300 x 300 x 10, and the ball alone; they do not touch."""
    ball = zoo.sphere(50.0, 3)
    floor = zoo.moved(zoo.box(300.0, 300.0, 10.0), (0.0, 0.0, -70.0))
    both = np.vstack([ball[0], floor[0]]), np.vstack([ball[1], floor[1] + len(ball[0])])
    return surface(both), surface(ball)


def test_dropped_floor_moves_nothing_unless_it_counts() -> None:
    before, after = with_floor()
    moved = moved_between(before, after)
    assert (moved.most, moved.mean, moved.p99, moved.place) == (0.0, 0.0, 0.0, None)
    assert moved.volume == pytest.approx(300.0 * 300.0 * 10.0, rel=1e-9)
    counted = moved_between(before, after, dropped_counts=True)
    # the floor's lowest corner: (150, 150, -75) to a ball of 50
    assert counted.most == pytest.approx(np.sqrt(2 * 150.0**2 + 75.0**2) - 50.0, rel=1e-3)
    assert counted.place == pytest.approx((-150.0, -150.0, -75.0))


def test_marks_of_a_floor_and_a_cap() -> None:
    before, after = with_floor()
    marks = marks_between(before, after)
    assert marks is not None
    assert not marks.new.any()
    assert marks.dropped_mm.shape == (12, 3, 3)
    assert marks.moved_mm.max() == 0.0
    points, faces = after.points, after.faces
    opened = marks_between(Surface(points, faces[40:]), after)
    assert opened is not None
    assert np.flatnonzero(opened.new).tolist() == list(range(40))
    assert len(opened.dropped_mm) == 0
    assert opened.moved_mm[:40].max() > 0.0
    assert opened.moved_mm[40:].max() == 0.0
    assert not opened.new.flags.writeable


def test_far_faces_left_out_change_no_distance(monkeypatch: pytest.MonkeyPatch) -> None:
    points, faces = zoo.sphere(500.0, 4)
    rng = np.random.default_rng(5)
    asked = np.concatenate([rng.normal(0.0, 300.0, (200, 3)), points[:20] * 1.001, [[4000.0, 0.0, 0.0]]])
    whole = distances(asked, Surface(points, faces))
    monkeypatch.setattr(compare, "FEW_FACES", 0)
    np.testing.assert_array_equal(distances(asked, Surface(points, faces)), whole)
    near = asked[200:220]
    np.testing.assert_array_equal(distances(near, Surface(points, faces)), whole[200:220])


def test_too_many_samples_are_spread_wider(monkeypatch: pytest.MonkeyPatch) -> None:
    points, faces = zoo.sphere(500.0, 3)
    whole = moved_between(Surface(points, faces), Surface(points * 1.01, faces))
    monkeypatch.setattr(compare, "MOST_SAMPLES", 2000)
    fewer = moved_between(Surface(points, faces), Surface(points * 1.01, faces))
    assert fewer.mean == pytest.approx(whole.mean, rel=0.01)


def test_nothing_left_is_infinitely_far() -> None:
    mesh = surface(zoo.box())
    none = Surface(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64))
    assert moved_between(mesh, none).most == 0.0
    assert moved_between(none, mesh).most == np.inf
    assert marks_between(none, none) is None
    assert [flags.sum() for flags in changed_faces(mesh, none)] == [0, 12]
