"""Webs: closed forms of openings, the least cut against a plain one, sections against other means."""

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
import zoo
from lying import lying
from manifold3d import Manifold
from shop import shop_settings

from moldplan.half import Half, cut, lay_whole
from moldplan.half.solids import mesh_of
from moldplan.mould.model import Web
from moldplan.mould.opening import Nearby, axes_of, narrowest, section
from moldplan.mould.webs import find_webs
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane

OPEN_MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"
SETTINGS = shop_settings()
CELLS = 128


def standing(solid: Manifold | zoo.Mesh, cells: int = CELLS) -> Half:
    """Stand a solid on its own foot; what lies under z = 0 is planed off."""
    points, faces = mesh_of(solid) if isinstance(solid, Manifold) else solid
    shape = pattern_from_arrays(points, faces, name="shape", up="+z", front="+y")
    foot = -shape.size_mm[2] / 2
    return lay_whole(shape, Plane(normal=(0.0, 0.0, 1.0), offset_mm=foot), cells=cells)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


def only(half: Half) -> Web:
    (web,) = find_webs(half, SETTINGS)
    return web


# --- closed forms -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 77.0])
def test_a_square_hole_takes_a_web_of_its_own_size_in_its_middle(turn_deg: float) -> None:
    """The least section of a straight hole is square to it, and is the hole (derived, first principles)."""
    solid = block(200, 120, 150) - block(60, 200, 40, (10, 0, 50))
    web = only(standing(solid.rotate((0.0, 0.0, turn_deg))))
    assert web.size_mm == pytest.approx((60.0, 40.0), rel=3e-3)
    assert web.area_mm2 == pytest.approx(60.0 * 40.0, rel=3e-3)
    turn = math.radians(turn_deg)
    along = np.array([-math.sin(turn), math.cos(turn), 0.0])
    assert abs(float(along @ web.normal)) == pytest.approx(1.0, abs=2e-3)
    middle = np.array([10.0 * math.cos(turn), 10.0 * math.sin(turn), 70.0])
    off = np.array(web.place_mm) - middle - (np.array(web.place_mm) - middle) @ along * along
    assert np.linalg.norm(off) < 0.5
    assert abs(float((np.array(web.place_mm) - middle) @ along)) < 15.0  # of 60 to either mouth
    assert web.region == 1


def test_the_arch_of_half_a_ring_stands_on_the_board() -> None:
    """A web across the middle of the arch is half a disc of the ring's inside: pi (R - r)^2 / 2 (derived)."""
    ring, tube = 200.0, 40.0
    points, faces = zoo.torus(ring, tube, 96, 48)
    turned = points @ np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]).T
    whole = pattern_from_arrays(turned, faces, name="ring", up="+z", front="+y")
    half = lay_whole(whole, Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0), cells=CELLS)
    assert half.undercut.links == 1
    web = only(half)
    inside = ring - tube
    assert web.area_mm2 == pytest.approx(math.pi * inside**2 / 2.0, rel=4e-3)
    assert web.size_mm == pytest.approx((2.0 * inside, inside), rel=4e-3)
    assert abs(web.normal[1]) == pytest.approx(1.0, abs=2e-3)
    assert web.place_mm[2] == pytest.approx(
        4.0 * inside / (3.0 * math.pi), rel=0.02
    )  # centroid of half a disc


def test_two_holes_take_two_webs_the_larger_first() -> None:
    solid = block(300, 100, 120) - block(50, 200, 40, (-80, 0, 40)) - block(30, 200, 30, (70, 0, 50))
    webs = find_webs(standing(solid), SETTINGS)
    assert [web.area_mm2 for web in webs] == pytest.approx([2000.0, 900.0], rel=5e-3)
    assert [web.place_mm[0] for web in webs] == pytest.approx([-80.0, 70.0], abs=0.5)


def test_holes_that_cross_take_three_webs() -> None:
    """Four mouths of one gap make three loops (derived: mouths less one)."""
    solid = block(200, 200, 120) - block(40, 300, 40, (0, 0, 40)) - block(300, 40, 40, (0, 0, 40))
    half = standing(solid)
    assert half.undercut.links == 3
    webs = find_webs(half, SETTINGS)
    assert [web.area_mm2 for web in webs] == pytest.approx([1600.0] * 3, rel=0.02)
    for one, other in pairwise(webs):
        assert math.dist(one.place_mm, other.place_mm) > 20.0 * math.sqrt(2.0)  # each in an arm of its own


def test_the_web_stands_in_the_waist_of_an_opening() -> None:
    """Two funnels that meet: least where they meet, wherever that is between the mouths (derived)."""
    funnels = [[(-40, -80), (40, -80), (15, 20), (-15, 20)], [(-15, 20), (15, 20), (30, 80), (-30, 80)]]
    solid = block(160, 120, 140)
    for outline in funnels:
        points = np.array([(x, y, z) for x, y in outline for z in (50.0, 90.0)], dtype=np.float64)
        solid -= Manifold.hull_points(points)
    web = only(standing(solid))
    assert web.area_mm2 == pytest.approx(30.0 * 40.0, rel=0.02)
    assert web.place_mm[1] == pytest.approx(20.0, abs=2.0)


def test_a_hole_that_leans_is_closed_square_to_itself() -> None:
    lean = math.radians(25.0)
    hole = Manifold.cube((50, 400, 40), True).rotate((25.0, 0.0, 0.0)).translate((0.0, 0.0, 90.0))
    web = only(standing(block(160, 100, 180) - hole, cells=192))
    assert web.area_mm2 == pytest.approx(2000.0, rel=0.01)
    along = np.array([0.0, math.cos(lean), math.sin(lean)])
    assert math.degrees(math.acos(abs(float(along @ web.normal)))) < 5.0


def test_a_low_opening_takes_clay_or_filler_and_words_say_where() -> None:
    half = standing(block(160, 100, 60) - block(40, 200, 6, (30, 0, 0)))
    web = only(half)
    assert web.size_mm == pytest.approx((40.0, 6.0), rel=5e-3)
    assert web.text.startswith("stop of clay or filler 40 mm wide and 6.0 mm high across undercut 1, ")
    assert web.text.endswith(", 3.0 mm up")


# --- built in and counted again ---------------------------------------------------------------------------


def plate(web: Web) -> Manifold:
    """Return a web as a plate 2 mm thick that goes 1 mm into the solid all round."""
    normal = np.array(web.normal)
    level, rising = axes_of(normal)
    width, height = web.size_mm
    flat = Manifold.cube((width + 2.0, 2.0, height + 2.0), True)
    matrix = np.column_stack([level, np.cross(rising, level), rising, np.array(web.place_mm)])
    return flat.transform(matrix)


def straight() -> Manifold:
    return block(200, 120, 150) - block(60, 200, 40, (10, 0, 50))


def turned() -> Manifold:
    return straight().rotate((0.0, 0.0, 33.0))


def crossed() -> Manifold:
    return block(200, 200, 120) - block(40, 300, 40, (0, 0, 40)) - block(300, 40, 40, (0, 0, 40))


def two_on_the_board() -> Manifold:
    return block(240, 100, 90) - block(60, 200, 50, (-50, 0, 0)) - block(40, 200, 40, (50, 0, 30))


@pytest.mark.parametrize("make", [straight, turned, crossed, two_on_the_board])
def test_each_web_that_is_built_in_takes_one_loop_away(make: Callable[[], Manifold]) -> None:
    """The loops are counted exactly, from the mesh alone: none is left when every web stands."""
    solid = make()
    half = standing(solid)
    webs = find_webs(half, SETTINGS)
    assert len(webs) == half.undercut.links
    for count, web in enumerate(webs, start=1):
        solid += plate(web)
        assert standing(solid.trim_by_plane((0.0, 0.0, 1.0), 0.0)).undercut.links == len(webs) - count


# --- what is none -----------------------------------------------------------------------------------------


def test_no_web_without_a_loop() -> None:
    assert find_webs(standing(zoo.mushroom(40.0, 50.0, 80.0, 20.0)), SETTINGS) == ()
    assert find_webs(lying(zoo.frustum(50.0, 30.0, 40.0)), SETTINGS) == ()


def test_a_handle_within_one_shadow_is_not_found() -> None:
    """A bail under a cap has one mouth all round: a loop that is told to exist, and no web for it."""
    post = block(40, 40, 100)
    cap = block(200, 200, 20, (0, 0, 100))
    bail = block(12, 60, 12, (0, 40, 20)) + block(12, 12, 60, (0, 64, 20)) + block(12, 60, 12, (0, 40, 68))
    half = standing(post + cap + bail)
    assert half.undercut.links == 1
    assert half.undercut.regions[0].mouths == 1
    assert find_webs(half, SETTINGS) == ()


def test_an_arch_on_the_board_within_one_shadow_is_found_between_its_feet() -> None:
    """Two stools' feet under one cap: the web is as wide as the way between them and as high (derived)."""
    cap = block(300, 240, 30, (0, 0, 100))
    feet = block(30, 40, 110, (-60, 0, 0)) + block(30, 40, 110, (40, 0, 0))
    half = standing(cap + feet)
    assert half.undercut.links == 1
    assert half.undercut.regions[0].mouths == 1
    web = only(half)
    assert web.size_mm == pytest.approx((70.0, 100.0), rel=0.01)
    assert web.area_mm2 == pytest.approx(7000.0, rel=0.01)
    assert web.region == 1
    assert standing(cap + feet + plate(web)).undercut.links == 0


def test_feet_of_two_solids_make_no_arch() -> None:
    one = block(60, 200, 30, (0, 0, 80)) + block(30, 30, 90, (0, -70, 0)) + block(30, 30, 90, (0, 70, 0))
    other = block(40, 40, 40, (0, 0, 0))
    half = standing(one + other)
    assert half.undercut.links == 1
    (web,) = find_webs(half, SETTINGS)
    assert abs(web.normal[0]) == pytest.approx(1.0, abs=0.02)


def test_never_more_webs_than_loops() -> None:
    rng = np.random.default_rng(3)
    for _ in range(4):
        solid = block(160, 160, 80)
        for _ in range(3):
            hole = Manifold.cube((25, 300, 20), True).rotate((0.0, 0.0, float(rng.uniform(0, 180))))
            solid -= hole.translate((*rng.uniform(-40, 40, 2), float(rng.uniform(15, 65))))
        half = standing(solid)
        webs = find_webs(half, SETTINGS)
        assert 0 < len(webs) <= half.undercut.links


# --- invariance -------------------------------------------------------------------------------------------


def test_twice_as_large_means_webs_twice_as_large() -> None:
    points, faces = mesh_of(block(200, 120, 150) - block(60, 200, 40, (10, 0, 50)))
    one, two = only(standing((points, faces))), only(standing((2.0 * points, faces)))
    assert two.size_mm == pytest.approx([2.0 * side for side in one.size_mm], rel=1e-6)
    assert two.place_mm == pytest.approx([2.0 * part for part in one.place_mm], abs=1e-3)


def test_the_order_of_triangles_does_not_matter() -> None:
    points, faces = mesh_of(block(200, 120, 150) - block(60, 200, 40, (10, 0, 50)))
    other = np.random.default_rng(1).permutation(faces)
    assert only(standing((points, faces))).area_mm2 == pytest.approx(
        only(standing((points, other))).area_mm2, rel=1e-9
    )


# --- sections ---------------------------------------------------------------------------------------------


def ring_on_board() -> Nearby:
    points, faces = mesh_of(block(200, 80, 120) - block(70, 200, 50, (0, 0, 30)))
    return Nearby.of(points, faces, np.full(3, -1e3), np.full(3, 1e3))


@pytest.mark.parametrize("seed", range(6))
def test_a_section_is_what_slicing_the_mesh_gives(seed: int) -> None:
    """The hole of the outline that another library slices, whatever the plane."""
    rng = np.random.default_rng(seed)
    near = ring_on_board()
    place = np.array([*rng.uniform(-10, 10, 2), 55.0 + rng.uniform(-10, 10)])
    normal = np.array([rng.uniform(-0.3, 0.3), 1.0, rng.uniform(-0.3, 0.3)])
    normal /= np.linalg.norm(normal)
    found = section(near, place, normal, place[None, :], np.ones(1))
    assert found is not None
    mesh = trimesh.Trimesh(near.vertices, near.faces, process=False)
    lines = trimesh.intersections.mesh_plane(mesh, normal, place)
    axes = np.stack(axes_of(normal))
    pieces = [shapely.LineString(np.round(line @ axes.T, 6)) for line in lines - place]
    outlines = [
        shapely.Polygon(ring)
        for ring in shapely.get_parts(shapely.line_merge(shapely.MultiLineString(pieces)))
    ]
    hole = min(outlines, key=lambda ring: ring.area)
    assert found.area_mm2 == pytest.approx(hole.area, rel=1e-6)


def test_a_plane_beside_the_opening_does_not_close_it() -> None:
    near = ring_on_board()
    beside = np.array([0.0, 300.0, 55.0])
    assert section(near, beside, np.array([0.0, 1.0, 0.0]), beside[None, :], np.ones(1)) is None
    assert (
        narrowest(near, beside, np.array([0.0, 1.0, 0.0]), beside[None, :], np.ones(1), step_mm=1.0) is None
    )
    along = np.array([1.0, 0.0, 0.0])  # lies along the hole: open at both mouths
    assert section(near, np.array([0.0, 0.0, 55.0]), along, np.array([[0.0, 0.0, 55.0]]), np.ones(1)) is None


def test_axes_of_a_plane_are_square_and_one_lies_on_the_board() -> None:
    for normal in np.random.default_rng(2).normal(size=(20, 3)):
        unit = normal / np.linalg.norm(normal)
        level, rising = axes_of(unit)
        assert level[2] == 0.0
        assert rising[2] >= 0.0
        frame = np.stack([unit, level, rising])
        np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=1e-12)
    assert axes_of(np.array([0.0, 0.0, 1.0]))[0].tolist() == [1.0, 0.0, 0.0]


# --- open meshes ------------------------------------------------------------------------------------------


@pytest.mark.meshes
def test_every_loop_of_a_scorpion_laid_on_its_legs_gets_a_web() -> None:
    path = OPEN_MESHES / "scorpion.ply"
    if not path.exists():
        pytest.skip(f"{path.name} is not here: the open meshes lie beside the checkout")
    scorpion = load_pattern(path, height_mm=1200.0)
    plane = Plane(normal=(0.0035, -0.9985, -0.0544), offset_mm=307.0)
    for half in cut(scorpion, plane):
        webs = find_webs(half, SETTINGS)
        assert len(webs) == half.undercut.links > 0
        assert all(0.0 <= web.place_mm[2] < half.height_mm for web in webs)
