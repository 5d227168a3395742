"""A surface made anew: closed whatever came in, the right genus and volume, near to what was there."""

import os
import subprocess
import sys

import numpy as np
import pytest
import zoo
from numpy.typing import NDArray

from moldplan.columns.outward import add_turns, vote
from moldplan.pattern.crossings import crossing_faces
from moldplan.pattern.outward import facing_out, winding
from moldplan.pattern.resurface import Resurfaced, resurface
from moldplan.pattern.topology import Surface, fan_count, genus_sum

CELLS = 48


def volume(surface: Surface) -> float:
    return zoo.volume((surface.points, surface.faces))


def solid(made: Resurfaced) -> Surface:
    """Return the surface after the strongest checks there are."""
    assert made.problem is None
    surface = made.surface
    assert surface.edges.closed
    assert fan_count(surface.edges) == len(surface.points)  # no point where sheets only touch
    assert crossing_faces(surface).tolist() == []
    assert volume(surface) > 0.0
    return surface


def loose(mesh: zoo.Mesh) -> zoo.Mesh:
    """Take every face apart from its neighbours."""
    points, faces = mesh
    return points[faces].reshape(-1, 3), np.arange(faces.size).reshape(-1, 3)


def anyhow(mesh: zoo.Mesh, seed: int = 0) -> zoo.Mesh:
    """Wind every other face the wrong way, at random."""
    points, faces = mesh
    turn = np.random.default_rng(seed).random(len(faces)) < 0.5
    return points, np.where(turn[:, None], faces[:, ::-1], faces)


def without(mesh: zoo.Mesh, towards: tuple[float, float, float], height: float) -> zoo.Mesh:
    """Open a mesh where its faces' middles lie higher than `height` along a direction."""
    points, faces = mesh
    return points, faces[points[faces].mean(axis=1) @ np.array(towards) < height]


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Put meshes side by side."""
    shift = np.cumsum([0, *(len(points) for points, _ in meshes)])
    faces = [faces + first for (_, faces), first in zip(meshes, shift[:-1], strict=True)]
    return np.vstack([points for points, _ in meshes]), np.vstack(faces)


BALL = zoo.sphere(500.0, 3)
RING = zoo.torus(400.0, 150.0, 32, 16)
#: What comes in, what volume it encloses, and the genus.
CASES = {
    "ball": (BALL, zoo.volume(BALL), 0),
    "ball wound anyhow": (anyhow(BALL), zoo.volume(BALL), 0),
    "ball inside out": ((BALL[0], BALL[1][:, ::-1]), zoo.volume(BALL), 0),
    "ball with pin-holes": ((BALL[0], np.delete(BALL[1], np.s_[::50], axis=0)), zoo.volume(BALL), 0),
    "ball in loose triangles": (loose(anyhow(BALL)), zoo.volume(BALL), 0),
    "ball in two skins": (joined(BALL, (0.995 * BALL[0], BALL[1])), zoo.volume(BALL), 0),
    "ball with a wall through it": (joined(BALL, zoo.box(900.0, 1.0, 300.0)), zoo.volume(BALL), 0),
    "ring": (RING, zoo.volume(RING), 1),
    "ring wound anyhow with pin-holes": (
        anyhow((RING[0], np.delete(RING[1], np.s_[::50], axis=0))),
        zoo.volume(RING),
        1,
    ),
    "box": (zoo.box(), 1000.0 * 600.0 * 400.0, 0),
}


@pytest.mark.parametrize("name", CASES)
def test_closed_with_the_right_genus_and_volume(name: str) -> None:
    mesh, expected, genus = CASES[name]
    surface = solid(resurface(Surface(*mesh), cells=CELLS))
    assert genus_sum(surface.edges) == genus
    assert volume(surface) == pytest.approx(expected, rel=5e-3)


def test_hole_costs_no_more_than_the_cap_cuts_off() -> None:
    # A flat cap over a hole of height h cuts a piece of pi h^2 (3 r - h) / 3 off a ball of radius r.
    h = 40.0
    mesh = without(BALL, (0.6, 0.0, 0.8), 500.0 - h)
    surface = solid(resurface(Surface(*mesh), cells=CELLS))
    lost = zoo.volume(BALL) - volume(surface)
    whole = np.pi * h * h * (1500.0 - h) / 3.0
    assert 0.3 * whole <= lost <= 1.7 * whole  # the rim is as jagged as the faces are large


def test_two_balls_become_their_union() -> None:
    # The lens two balls of radius r share, middles d apart: pi (2 r - d)^2 (d^2 + 4 d r) / (12 d).
    d, r = 500.0, 500.0
    fine = zoo.sphere(r, 4)
    surface = solid(resurface(Surface(*joined(fine, zoo.moved(fine, (d, 0.0, 0.0)))), cells=72))
    lens = np.pi * (2.0 * r - d) ** 2 * (d * d + 4.0 * d * r) / (12.0 * d)
    assert volume(surface) == pytest.approx(2.0 * 4.0 / 3.0 * np.pi * r**3 - lens, rel=5e-3)
    assert genus_sum(surface.edges) == 0


def test_two_half_shells_with_a_crack_between() -> None:
    # neither half may be capped by itself: the crack is a tenth of a cell wide
    upper = without(BALL, (0.0, 0.0, -1.0), 0.0)
    lower = without(BALL, (0.0, 0.0, 1.0), 0.0)
    parts = joined(zoo.moved(upper, (0.0, 0.0, 2.0)), lower)
    surface = solid(resurface(Surface(*anyhow(parts)), cells=CELLS))
    assert volume(surface) == pytest.approx(zoo.volume(BALL), rel=0.01)


def test_points_lie_on_what_was_there() -> None:
    made = resurface(Surface(*BALL), cells=CELLS)
    away = np.abs(np.linalg.norm(made.surface.points, axis=1) - 500.0)
    dip = 500.0 - np.linalg.norm(BALL[0][BALL[1]].mean(axis=1), axis=1).min()
    assert away.max() <= 1.01 * dip + 0.01  # between the corners and the middles of the faces
    assert made.cell == pytest.approx(1000.0 / CELLS, rel=1e-6)


def test_same_place_and_size() -> None:
    mesh = without(zoo.moved(zoo.sphere(5e-3, 3), (7.0, -3.0, 2.0)), (0.0, 0.0, 1.0), 2.0048)
    surface = solid(resurface(Surface(*mesh), cells=CELLS))
    low, high = surface.points.min(axis=0), surface.points.max(axis=0)
    assert 0.5 * (low + high) == pytest.approx((7.0, -3.0, 2.0), abs=1.5e-4)  # the cap is 2e-4 low
    assert volume(surface) == pytest.approx(zoo.volume(zoo.sphere(5e-3, 3)), rel=0.01)


def test_specks_and_hollows_go() -> None:
    speck = zoo.moved(zoo.sphere(30.0, 2), (560.0, 560.0, 0.0))
    made = resurface(Surface(*joined(BALL, speck)), cells=CELLS)
    assert (made.specks, made.hollows) == (1, 0)
    assert volume(solid(made)) == pytest.approx(zoo.volume(BALL), rel=5e-3)


def test_second_figure_is_a_problem() -> None:
    second = zoo.moved(zoo.sphere(200.0, 3), (900.0, 0.0, 0.0))
    problem = resurface(Surface(*joined(BALL, second)), cells=CELLS).problem
    assert problem is not None
    assert "falls into 2 bodies" in problem
    assert "(900, " in problem


def test_half_a_shell_is_a_problem() -> None:
    made = resurface(Surface(*without(BALL, (0.0, 0.0, 1.0), 0.0)), cells=CELLS)
    assert made.problem is not None
    assert "nobody can know what was there" in made.problem
    assert made.surface.edges.closed


def test_scattered_faces_enclose_nothing_certain() -> None:
    points, faces = loose(BALL)
    kept = np.random.default_rng(2).random(len(faces)) < 0.3
    assert resurface(Surface(points, faces[kept]), cells=32).problem is not None


def test_threads_change_no_bit() -> None:
    code = (
        "import sys; sys.path.insert(0, 'tests'); import hashlib, numpy as np, test_resurface as t;"
        "from moldplan.pattern.resurface import resurface; from moldplan.pattern.topology import Surface;"
        "s = resurface(Surface(*t.loose(t.anyhow(t.RING))), cells=24).surface;"
        "print(hashlib.sha256(s.points.tobytes() + s.faces.tobytes()).hexdigest())"
    )
    answers = set()
    for threads in ("1", "3"):
        run = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "OMP_NUM_THREADS": threads, "IGL_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.add(run.stdout)
    assert len(answers) == 1


@pytest.mark.kernel
def test_turns_are_the_winding_number() -> None:
    points, faces = joined(zoo.torus(6.0, 2.2, 7, 5), zoo.moved(zoo.sphere(3.0, 1), (5.0, 1.0, 0.0)))
    points = points + np.array([9.137, 9.211, 4.173])
    turns = np.zeros((19, 18, 8), dtype=np.float32)
    add_turns(points, faces, turns)
    places = np.argwhere(turns > -99).astype(np.float64)
    expected = slow_turns(points[faces], places).reshape(turns.shape)
    np.testing.assert_array_equal(turns, expected)
    assert set(np.unique(turns).tolist()) == {0.0, 1.0, 2.0}


def slow_turns(corners: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum the solid angles of all faces at every place (van Oosterom and Strackee 1983), over 4 pi."""
    total = np.zeros(len(places))
    for triangle in corners:
        a, b, c = (corner - places for corner in triangle)
        la, lb, lc = (np.linalg.norm(arm, axis=1) for arm in (a, b, c))
        over = np.einsum("ij,ij->i", a, np.cross(b, c))
        under = la * lb * lc + (a * b).sum(1) * lc + (b * c).sum(1) * la + (c * a).sum(1) * lb
        total += 2.0 * np.arctan2(over, under)
    return np.round(total / (4.0 * np.pi), 6)


@pytest.mark.kernel
def test_turns_on_points_edges_and_faces_of_the_grid() -> None:
    # a box whose sides run through grid points: whichever way those go, the rest is whole
    points, faces = zoo.box(4.0, 4.0, 4.0)
    turns = np.zeros((9, 9, 9), dtype=np.float32)
    add_turns(points + 4.0, faces, turns)
    assert turns[3:6, 3:6, 3:6].min() == 1.0
    outside = turns.copy()
    outside[2:7, 2:7, 2:7] = 0.0
    assert outside.max() == outside.min() == 0.0
    assert set(np.unique(turns).tolist()) == {0.0, 1.0}


@pytest.mark.kernel
def test_votes_of_one_picture() -> None:
    # Two squares over each other: the upper hides all of the lower but its last column.
    points = np.array(
        [(0, 0, 1), (3, 0, 1), (3, 4, 1), (0, 4, 1), (0, 0, 0), (4, 0, 0), (4, 4, 0), (0, 4, 0)], dtype=float
    )
    faces = np.array([(0, 1, 2), (0, 2, 3), (4, 6, 5), (4, 7, 6)])
    votes = np.zeros((2, 2), dtype=np.int64)
    vote(points, faces, np.array([0, 0, 1, 1]), 4, 4, votes)
    assert votes.tolist() == [[12, 0], [0, 4]]


def test_fast_winding_number_is_near_the_slow_one() -> None:
    points, faces = without(zoo.sphere(5.0, 2), (0.0, 0.0, 1.0), 3.0)
    places = np.random.default_rng(4).uniform(-7.0, 7.0, (300, 3))
    fast = winding(points, faces, places)
    assert np.abs(fast - slow_turns(points[faces], places)).max() < 0.01
    assert winding(points, faces[:0], places).tolist() == [0.0] * 300


def test_pieces_face_out_and_openings_are_closed() -> None:
    # an open box in loose sides, wound anyhow: every side has to be found by itself
    cup = without(zoo.frustum(300.0, 400.0, 500.0, 48), (0.0, 0.0, 1.0), 490.0)
    facing = facing_out(Surface(*anyhow(cup)))
    whole = Surface(facing.points, facing.faces)
    assert len(facing.gaps) == 0
    assert whole.edges.closed
    assert volume(whole) == pytest.approx(zoo.volume(zoo.frustum(300.0, 400.0, 500.0, 48)), rel=1e-9)


def test_fans_close_whatever_is_open() -> None:
    points, faces = loose(zoo.sphere(5.0, 1))
    facing = facing_out(Surface(points, faces))
    assert len(facing.caps) == 0
    assert Surface(facing.points, np.concatenate([facing.faces, facing.gaps])).edges.closed
