"""Caps over holes: least area, refined, smooth, and never off by more than they say."""

import itertools
import math

import igl
import numpy as np
import pytest
import zoo
from numpy.typing import NDArray

from moldplan.columns.cap import least_cap, refine_cap
from moldplan.pattern.holes import Cap, Rims, cap_hole, ring_width, simple_loops, with_caps
from moldplan.pattern.topology import Surface, mesh_edges

Floats = NDArray[np.float64]


def area_of(points: Floats, faces: NDArray[np.int64]) -> float:
    a, b, c = points[faces].transpose(1, 0, 2)
    return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


def triangulations(first: int, last: int) -> list[list[tuple[int, int, int]]]:
    """Walk over every triangulation of a span of a ring: the slow twin."""
    if last - first < 2:
        return [[]]
    return [
        [*low, (first, apex, last), *high]
        for apex in range(first + 1, last)
        for low, high in itertools.product(triangulations(first, apex), triangulations(apex, last))
    ]


@pytest.mark.kernel
@pytest.mark.parametrize("size", [3, 4, 7])
def test_the_least_cap_is_the_least_of_all(size: int) -> None:
    points = np.random.default_rng(size).normal(size=(size, 3))
    cap = least_cap(points, np.zeros((size, size), dtype=bool))
    best = min(area_of(points, np.array(faces)) for faces in triangulations(0, size - 1))
    assert area_of(points, cap) == pytest.approx(best, rel=1e-12)
    assert len(cap) == size - 2


@pytest.mark.kernel
def test_banned_edges_are_not_used() -> None:
    square = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)], dtype=np.float64)
    banned = np.zeros((4, 4), dtype=bool)
    banned[0, 2] = banned[2, 0] = True
    assert sorted(map(sorted, least_cap(square, banned).tolist())) == [[0, 1, 3], [1, 2, 3]]
    banned[1, 3] = banned[3, 1] = True
    assert least_cap(square, banned).shape == (0, 3)


@pytest.mark.kernel
def test_a_refined_flat_cap_keeps_rim_and_area() -> None:
    angles = 2.0 * np.pi * np.arange(16) / 16
    ring = np.stack([np.cos(angles), np.sin(angles), np.zeros(16)], axis=1)
    cap = least_cap(ring, np.zeros((16, 16), dtype=bool))
    edges = mesh_edges(cap)
    twins = np.full(cap.size, -1, dtype=np.int64)
    twins[edges.pairs[0]], twins[edges.pairs[1]] = edges.pairs[1], edges.pairs[0]
    points, faces = refine_cap(ring, cap, twins.reshape(-1, 3), np.full(16, 0.39), most=200)
    assert (points[:16] == ring).all()
    assert len(faces) == len(cap) + 2 * (len(points) - 16)
    assert area_of(points, faces) == pytest.approx(8.0 * math.sin(math.pi / 8.0), rel=1e-12)  # the 16-gon
    normals = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    assert normals[:, 2].min() > 0.0  # nothing folded
    border = mesh_edges(faces)
    assert sorted(border.ends(border.open)[0].tolist()) == list(range(16))
    assert border.count.max() == 2


def holed(mesh: zoo.Mesh, centre: Floats, radius: float) -> tuple[Surface, Floats]:
    """Return a mesh without the faces round a place, and the middles of those faces."""
    points, faces = mesh
    gone = np.linalg.norm(points[faces].mean(axis=1) - centre, axis=1) <= radius
    return Surface(points, faces[~gone]), points[faces[gone]].mean(axis=1)


def capped(surface: Surface) -> tuple[Surface, list[Cap]]:
    rims = Rims(surface)
    caps = [cap_hole(rims, ring) for ring in rims.loops]
    found = [cap for cap in caps if cap is not None]
    assert len(found) == len(caps)
    return with_caps(surface, found), found


def test_a_hole_of_a_fifth_of_a_sphere_comes_back() -> None:
    """Its plate is 1 % of its height too high (derived in moldplan.pattern.fair)."""
    ball = zoo.sphere(500.0, 5)
    surface, _ = holed(ball, np.array([0.0, 0.0, 500.0]), 100.0)
    whole, (cap,) = capped(surface)
    assert whole.edges.closed
    assert zoo.volume((whole.points, whole.faces)) == pytest.approx(zoo.volume(ball), rel=1e-4)
    off = np.abs(np.linalg.norm(cap.inner, axis=1) - 500.0).max()
    assert off <= 0.25
    assert off <= cap.off <= 10.0


def sheet(height: Floats, spread: Floats) -> zoo.Mesh:
    """Return a height map over a square grid, as a mesh."""
    size = len(spread)
    x, y = np.meshgrid(spread, spread, indexing="ij")
    points = np.stack([x, y, height], axis=-1).reshape(-1, 3)
    a = (np.arange(size - 1)[:, None] * size + np.arange(size - 1)).ravel()
    faces = np.concatenate(
        [np.stack([a, a + size, a + size + 1], axis=1), np.stack([a, a + size + 1, a + 1], axis=1)]
    )
    return points, faces


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
def test_a_hole_in_a_flat_side_is_filled_without_error(turn_deg: float) -> None:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    spread = np.linspace(-400.0, 400.0, 41)
    points, faces = zoo.turned(
        sheet(np.zeros((41, 41)), spread), np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    )
    surface, _ = holed((points, faces), np.zeros(3), 150.0)
    rims = Rims(surface)
    cap = cap_hole(rims, min(rims.loops, key=lambda loop: ring_width(surface.points, loop)))
    assert cap is not None
    assert cap.off == 0.0
    assert np.abs(cap.inner @ (0.0, -s, c)).max() <= 1e-9  # in the plane
    whole = with_caps(surface, [cap])
    assert area_of(whole.points, whole.faces) == pytest.approx(800.0 * 800.0, rel=1e-9)


def off_and_said(kind: str, dice: np.random.Generator) -> tuple[float, float, float]:
    """Return how far a cap is off, how far it says, and the hole's radius.

    Over a cylinder of radius 600 and a saddle, whose heights are known.
    """

    def height(u: Floats, v: Floats) -> Floats:
        return np.sqrt(600.0**2 - u * u) if kind == "cylinder" else u * v / 1000.0

    spread = np.linspace(-400.0, 400.0, 41)
    mesh = sheet(height(*np.meshgrid(spread, spread, indexing="ij")), spread)
    x, y = dice.uniform(-150.0, 150.0, 2)
    radius = float(dice.uniform(60.0, 180.0))
    surface, _ = holed(mesh, np.array([x, y, float(height(np.array(x), np.array(y)))]), radius)
    rims = Rims(surface)
    cap = cap_hole(rims, min(rims.loops, key=lambda loop: ring_width(surface.points, loop)))
    assert cap is not None
    off = np.abs(cap.inner[:, 2] - height(cap.inner[:, 0], cap.inner[:, 1])).max()
    return float(off), cap.off, radius


@pytest.mark.parametrize("kind", ["cylinder", "saddle"])
def test_caps_over_even_shapes_are_all_but_exact(kind: str) -> None:
    """A plate bends as these do; what the cap says of itself bounds it every time."""
    dice = np.random.default_rng(4)
    off, said, radius = np.array([off_and_said(kind, dice) for _ in range(20)]).T
    assert (off <= said).all()
    assert (off <= 0.005 * radius).all()


def lump(dice: np.random.Generator) -> zoo.Mesh:
    """Return a ball with eight bumps of any width and height."""
    points, faces = zoo.sphere(1.0, 4)
    height = np.ones(len(points))
    for way in dice.normal(size=(8, 3)):
        away = ((points - way / np.linalg.norm(way)) ** 2).sum(axis=1)
        height += dice.uniform(0.05, 0.2) * np.exp(-away / dice.uniform(0.05, 0.4))
    return 500.0 * points * height[:, None], faces


def test_caps_are_off_by_no_more_than_they_say() -> None:
    """Nearly always, and what they say is not ten times too wide: measured on 40 holes in lumps."""
    dice = np.random.default_rng(7)
    off, said = [], []
    while len(off) < 40:
        points, faces = lump(dice)
        centre = points[faces[dice.integers(len(faces))]].mean(axis=0)
        surface, _ = holed((points, faces), centre, float(dice.uniform(60.0, 130.0)))
        whole, caps = capped(surface)
        new = whole.points[whole.faces[len(surface.faces) :]].mean(axis=1)
        squared, _, _ = igl.point_mesh_squared_distance(new, points, faces)
        off.append(float(np.sqrt(squared.max())))
        said.append(max(cap.off for cap in caps))
    ratio = np.array(said) / np.array(off)
    assert (ratio >= 1.0).mean() >= 0.9
    assert np.median(ratio) <= 10.0


def test_holes_that_touch_in_points_stay_two() -> None:
    """A strip left between two holes, as narrow as a point in three places: the rings follow the holes."""
    points, faces = sheet(np.zeros((9, 9)), np.linspace(0.0, 8.0, 9))
    middles = points[faces].mean(axis=1)
    block = (np.abs(middles[:, 0] - 4.0) < 2.0) & (np.abs(middles[:, 1] - 4.0) < 2.0)
    strip = np.array([20, 30, 40, 50, 60])  # the block's diagonal, corner to corner
    along = block & (np.isin(faces, strip).sum(axis=1) == 2)
    surface = Surface(points, faces[~block | along])
    inner = [set(ring.tolist()) for ring in simple_loops(surface) if 0 not in ring]
    assert len(inner) == 2
    assert inner[0] & inner[1] == {30, 40, 50}
