"""Rungs of the ladder one by one: what is dropped, cut, closed and told of."""

from pathlib import Path

import numpy as np
import pytest
import zoo

from moldplan.pattern.limits import Limits
from moldplan.pattern.mend import Mended, mend
from moldplan.pattern.read import read_mesh

MESHES = Path(__file__).parents[2] / "shared" / "meshes"
BALL = zoo.sphere(500.0, 4)


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    counts = np.cumsum([0, *(len(points) for points, _ in meshes)])
    faces = [count + faces for count, (_, faces) in zip(counts, meshes, strict=False)]
    return np.concatenate([points for points, _ in meshes]), np.concatenate(faces)


def volume(result: Mended) -> float:
    """Return the volume of a result that must be one closed solid."""
    assert result.problems == ()
    assert result.surface.edges.closed
    return zoo.volume((result.surface.points, result.surface.faces))


def done(result: Mended) -> dict[str, int]:
    return {repair.what: repair.count for repair in result.repairs}


def test_sound_meshes_are_left_alone() -> None:
    result = mend(*BALL)
    assert (result.repairs, result.problems, result.marks) == ((), (), None)
    assert (result.surface.faces == BALL[1]).all()


def test_small_open_pieces_are_islands() -> None:
    near = (BALL[0][BALL[1]][:, :, 2] > 350.0).all(axis=1)
    scrap = zoo.moved((BALL[0] * 0.02, BALL[1][near]), (900.0, 0.0, 0.0))
    result = mend(*joined(BALL, scrap))
    assert done(result) == {"islands beside the figure dropped": 1}
    assert volume(result) == pytest.approx(zoo.volume(BALL), rel=1e-12)
    assert result.repairs[0].moved_mm == 0.0
    assert result.marks is not None
    assert len(result.marks.dropped_mm) == near.sum()


def test_closed_crumbs_are_dropped_and_a_second_figure_is_not() -> None:
    crumb = zoo.moved((BALL[0] * 0.05, BALL[1]), (900.0, 0.0, 0.0))  # 1/8000 of the volume
    more = zoo.moved((BALL[0] * 0.3, BALL[1]), (900.0, 0.0, 0.0))  # 2.7 %
    result = mend(*joined(BALL, crumb, zoo.moved(BALL, (100.0, 0.0, 0.0))))
    assert done(result) == {"overlapping bodies joined": 2, "loose crumbs dropped": 1}
    assert volume(result) > zoo.volume(BALL)
    assert "2 bodies that are not joined" in mend(*joined(BALL, more)).problems[0]


def test_a_shell_drawn_twice_nearly_alike_counts_once() -> None:
    dice = np.random.default_rng(1)
    copy = (BALL[0] + dice.normal(scale=0.3, size=BALL[0].shape), BALL[1])
    result = mend(*joined(BALL, copy))
    assert done(result) == {"shells drawn twice, nearly alike, dropped": 1}
    assert volume(result) == pytest.approx(zoo.volume(BALL), rel=2e-3)
    repair = result.repairs[0]
    assert 0.0 < repair.mean_mm < repair.p99_mm < repair.moved_mm < 2.0
    assert repair.volume_mm3 == pytest.approx(repair.mean_mm * 4.0 * np.pi * 500.0**2, rel=0.01)


def standing() -> zoo.Mesh:
    """Return a round post without its foot."""
    post = zoo.revolve([(0, 0), (300, 0), (300, 1000), (0, 1000)], 64)
    return post[0], post[1][(post[1] != 0).all(axis=1)]


def post_volume() -> float:
    return 32.0 * np.sin(2.0 * np.pi / 64.0) * 300.0**2 * 1000.0  # a prism over the 64-gon


def test_a_flat_underside_is_closed_flat() -> None:
    result = mend(*standing())
    assert done(result) == {"open underside closed flat": 1}
    assert (result.repairs[0].moved_mm, result.repairs[0].volume_mm3) == (0.0, 0.0)
    assert volume(result) == pytest.approx(post_volume(), rel=1e-12)


def test_a_wavy_underside_says_how_far_it_waves() -> None:
    points, faces = standing()
    points = points.copy()
    low = points[:, 2] == 0.0
    points[low, 2] += 5.0 * np.cos(3.0 * np.arctan2(points[low, 1], points[low, 0]))
    result = mend(points, faces)
    assert done(result) == {"open underside closed flat": 1}
    assert result.repairs[0].moved_mm == pytest.approx(5.0, rel=0.01)
    assert volume(result) == pytest.approx(post_volume(), rel=0.002)


def floor_sheet(inner: float | None) -> zoo.Mesh:
    """Return a square sheet 1600 wide at z = 0, round a hole when `inner` is given."""
    angles = 2.0 * np.pi * np.arange(64) / 64
    circle = np.stack([np.cos(angles), np.sin(angles), np.zeros(64)], axis=1)
    outer = circle * 800.0 / np.abs(circle).max(axis=1)[:, None]
    i = np.arange(64)
    j = (i + 1) % 64
    if inner is None:
        points = np.concatenate([outer, [[0.0, 0.0, 0.0]]])
        return points, np.stack([i, j, np.full(64, 64)], axis=1)
    points = np.concatenate([outer, circle * inner])
    return points, np.concatenate([np.stack([i, j, j + 64], axis=1), np.stack([i, j + 64, i + 64], axis=1)])


def test_a_floor_grown_to_the_foot_is_cut_off() -> None:
    result = mend(*joined(standing(), floor_sheet(300.0)))
    counts = done(result)
    counts.pop("flipped faces turned", None)  # post or floor, whichever has fewer faces
    assert counts == {"floor cut off": 1, "open underside closed flat": 1}
    assert volume(result) == pytest.approx(post_volume(), rel=1e-9)


def test_a_floor_apart_is_dropped() -> None:
    result = mend(*joined(standing(), zoo.moved(floor_sheet(None), (0.0, 0.0, -2.0))))
    assert done(result)["floor cut off"] == 1
    assert volume(result) == pytest.approx(post_volume(), rel=1e-9)


def test_bodies_that_share_skin_lose_the_walls_between() -> None:
    """Two boxes that overlap by a slice whose sides are the same faces in both."""
    xs = (0.0, 400.0, 700.0, 1000.0)
    sides: list[tuple[tuple[float, float, float], ...]] = []
    for low, high in ((0, 2), (1, 3)):
        for k in range(low, high):
            a, b = xs[k], xs[k + 1]
            ring = [(0.0, 0.0), (500.0, 0.0), (500.0, 500.0), (0.0, 500.0)]
            for (y, z), (v, w) in zip(ring, ring[1:] + ring[:1], strict=True):
                sides += [((a, y, z), (b, v, w), (b, y, z)), ((a, y, z), (a, v, w), (b, v, w))]
        for x, turn in ((xs[low], False), (xs[high], True)):
            p, q, r, s = ((x, 0.0, 0.0), (x, 500.0, 0.0), (x, 500.0, 500.0), (x, 0.0, 500.0))
            end = [(p, s, r), (p, r, q)]
            sides += [face[::-1] for face in end] if turn else end
    corners = np.array(sides).reshape(-1, 3)
    faces = np.arange(len(corners)).reshape(-1, 3)
    result = mend(corners, faces)
    assert volume(result) == pytest.approx(1000.0 * 500.0 * 500.0, rel=1e-9)
    assert done(result)["faces of walls inside the figure dropped"] == 4


def test_faces_that_cross_are_cut_out() -> None:
    """One point of a fine sphere is pushed aside through its neighbours."""
    points, faces = zoo.sphere(500.0, 5)
    at = int(points[:, 2].argmax())
    pushed = points.copy()
    pushed[at] += (25.0, 4.0, -3.0)
    result = mend(pushed, faces)
    assert result.crossing_faces == 0
    assert volume(result) == pytest.approx(zoo.volume((points, faces)), rel=1e-3)
    assert set(done(result)) <= {"faces that cross others cut out and filled"}


def test_a_mirrored_file_is_told_of() -> None:
    result = mend(BALL[0] * (-1.0, 1.0, 1.0), BALL[1])
    assert result.turned_inside_out
    assert volume(result) == pytest.approx(zoo.volume(BALL), rel=1e-12)
    assert not mend(*BALL).turned_inside_out


def test_marks_say_what_was_filled_and_how_far_off_it_may_be() -> None:
    keep = np.linalg.norm(BALL[0][BALL[1]].mean(axis=1) - (0.0, 0.0, 500.0), axis=1) > 150.0
    result = mend(BALL[0], BALL[1][keep])
    assert result.marks is not None
    assert result.marks.new.sum() == len(result.surface.faces) - keep.sum()
    (repair,) = result.repairs
    assert 0.0 < result.marks.moved_mm.max() <= repair.moved_mm * (1.0 + 1e-6)


def test_faces_in_another_order_are_mended_alike() -> None:
    keep = np.linalg.norm(BALL[0][BALL[1]].mean(axis=1) - (0.0, 0.0, 500.0), axis=1) > 150.0
    faces = BALL[1][keep]
    first = mend(BALL[0], faces)
    again = mend(BALL[0], faces)
    assert (first.surface.points == again.surface.points).all()
    assert (first.surface.faces == again.surface.faces).all()
    other = mend(BALL[0], np.random.default_rng(3).permutation(faces))
    assert volume(other) == pytest.approx(volume(first), rel=1e-6)


def shared(name: str) -> Mended:
    path = MESHES / name
    if not path.exists():
        pytest.skip(f"{name} is not here")
    raw = read_mesh(path, limits=Limits())
    return mend(raw.points, raw.faces, welded=raw.file_format == "stl")


@pytest.mark.meshes
def test_the_dirty_scan_becomes_one_solid() -> None:
    result = shared("angel_dirty.ply")
    assert 2.5e6 < volume(result) < 2.65e6  # by winding number of the raw file: 2.609e6
    assert (result.bodies, result.crossing_faces) == (1, 0)
    assert result.marks is not None
    corners = result.surface.points[result.surface.faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    assert area[result.marks.new].sum() < 0.2 * area.sum()


@pytest.mark.meshes
def test_what_welding_closes_is_only_welded() -> None:
    """Genus and volume as published beside it."""
    result = shared("featuretype.stl")
    assert done(result) == {"nearly equal points welded": 288}
    assert result.genus == 9
    assert volume(result) == pytest.approx(11.6277334, rel=1e-8)


@pytest.mark.meshes
def test_four_crossing_faces_are_cut_out() -> None:
    """Four as published beside it."""
    result = shared("wingnut.ply")
    assert done(result) == {"faces that cross others cut out and filled": 4}
    assert volume(result) == pytest.approx(22.096639, rel=1e-6)
    assert result.crossing_faces == 0
