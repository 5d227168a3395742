"""What a hand with a roller gets to in the emptied half-mould: closed forms, and slow second ways."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
import zoo
from lying import above_board, lying
from manifold3d import CrossSection, Manifold
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from shop import shop_settings

from moldplan.columns.inside import Inside, inside_grid
from moldplan.columns.nearest import nearest_on_triangle2
from moldplan.columns.reach import touched, wall_places, ways_mm
from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.half.solids import mesh_of
from moldplan.mould.model import Reach
from moldplan.mould.reach import hollow_of, plan_reach, width_mm
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.split.model import Plane

Floats = NDArray[np.float64]

SAMPLES = Path(__file__).parents[1] / "sample_meshes"
MESHES = Path(__file__).parents[2] / "shared" / "meshes"

#: What the crew card holds: the arm, mm; hand 90 mm, roller 30 mm, held 120 mm before the hand.
ARM = 600.0
#: How much longer than the straight line a way of steps up to two cubes may be (derived: the worst of all
#: directions, each written as a sum of three steps).
WORST = 1.0495


def half_of(solid: Manifold | zoo.Mesh) -> Half:
    return lying(mesh_of(solid) if isinstance(solid, Manifold) else solid)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on z = `at[2]` over the middle `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


def turned_block(width: float, height: float, deg: float) -> Manifold:
    return block(width, width, height).rotate((0.0, 0.0, deg))


def bottle(neck: float, neck_height: float, body: float, height: float) -> Manifold:
    """Body of revolution standing on its neck: the mouth of its mould is the neck."""
    profile = [
        (0.0, 0.0),
        (neck, 0.0),
        (neck, neck_height),
        (body, neck_height),
        (body, height),
        (0.0, height),
    ]
    return Manifold.revolve(CrossSection([profile]), 96)


def off_board(half: Half) -> NDArray[np.int64]:
    return np.asarray(half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0])


# ----------------------------------------------------------------------------- the hollow


def to_wall(inside: Inside, half: Half) -> Floats:
    """Return the distances of all cubes to the wall by trying every triangle, with another formula."""
    corners = half.vertices[off_board(half)]
    middles = inside.middles_mm(np.arange(inside.room_mm.size))
    least = [min(nearest_on_triangle2(*middle, corner) for corner in corners) for middle in middles]
    return np.sqrt(least).reshape(inside.room_mm.shape)


def half_over(inside: Inside, half: Half) -> NDArray[np.bool_]:
    """Tell which cubes lie over the mouth."""
    middles = inside.middles_mm(np.arange(inside.room_mm.size))
    return np.asarray(shapely.contains_xy(half.section, middles[:, :2])).reshape(inside.room_mm.shape)


@pytest.mark.kernel
def test_room_is_the_distance_to_the_wall() -> None:
    half = half_of(block(42.0, 33.0, 27.0) + block(21.0, 14.0, 15.0, (8.0, 2.0, 26.0)))
    inside = inside_grid(half.vertices, half.faces, cell_mm=5.0, band_mm=14.0, outer_mm=7.0, open_mm=8.0)
    slow = to_wall(inside, half)
    middle = inside.middles_mm(np.arange(slow.size)).reshape(*slow.shape, 3)
    hollow, open_air = inside.room_mm > 0.0, middle[..., 2] < 0.0
    known = hollow & ~open_air & (inside.room_mm < 14.0)
    found = inside.room_mm[known]
    assert (found >= slow[known] - 1e-5).all()
    assert (found <= slow[known] + inside.cell_mm**2 / (4.0 * np.maximum(slow[known], 5.0))).all()
    near = ~hollow & (slow < inside.cell_mm)
    np.testing.assert_allclose(-inside.room_mm[near], slow[near], atol=1e-5)
    over = open_air & half_over(inside, half)
    over[:, :, 0] = False  # the border of the grid is left as it is
    np.testing.assert_allclose(inside.room_mm[over], np.minimum(slow[over], 14.0), atol=0.15 * 5.0)
    x, y, z = np.moveaxis(middle, -1, 0)
    low = (np.abs(x) < 21.0) & (np.abs(y) < 16.5) & (z < 27.0)
    high = (np.abs(x - 8.0) < 10.5) & (np.abs(y - 2.0) < 7.0) & (z < 41.0)
    np.testing.assert_array_equal(hollow[~open_air], (low | high)[~open_air])


def test_hollow_volume_and_room_of_a_ball() -> None:
    half = half_of(above_board(zoo.sphere(200.0, 4)))
    inside = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=60.0, outer_mm=20.0, open_mm=50.0)
    middle = inside.middles_mm(np.arange(inside.room_mm.size))
    true = 200.0 - np.linalg.norm(middle, axis=1)
    room = inside.room_mm.reshape(-1).astype(np.float64)
    above = middle[:, 2] > 0.0
    near = above & (true > -6.0) & (true < 58.0) & (middle[:, 2] > 60.0)
    facets = 200.0 - np.linalg.norm(half.vertices[half.faces].mean(axis=1), axis=1).min()
    inner = near & (true > 0.0)
    assert (room[inner] >= true[inner] - facets - 1e-3).all()
    assert (room[inner] <= true[inner] + 0.15 * 6.0).all()
    assert np.abs((room - true)[inner]).mean() < 0.03 * 6.0
    exact = near & (np.abs(true) < 5.5)
    np.testing.assert_allclose(room[exact], true[exact], atol=facets + 1e-3)
    assert (room[above] > 0.0).sum() * 216.0 == pytest.approx(half.volume_mm3, rel=2e-3)
    # over the rubber's edge, on the board, a ball is stopped by the board
    edge = ~above & (np.hypot(middle[:, 0], middle[:, 1]) > 206.0) & (middle[:, 2] < -6.0)
    assert (room[edge] <= -middle[edge, 2] + 1e-3).all()


def test_cubes_are_bounded() -> None:
    half = half_of(block(3000.0, 2000.0, 1500.0))
    inside = inside_grid(half.vertices, half.faces, cell_mm=2.0, band_mm=30.0)
    assert 1_500_000 < inside.room_mm.size <= 2_000_000
    assert inside.cell_mm > 2.0


# ----------------------------------------------------------------------------- places of the wall


@pytest.mark.kernel
@pytest.mark.parametrize("spacing", [3.0, 11.0, 500.0])
def test_places_add_up_to_the_wall(spacing: float) -> None:
    points, faces = mesh_of(block(70.0, 33.0, 20.0).rotate((10.0, 25.0, 40.0)))
    places, normals, areas = wall_places(points, faces, spacing_mm=spacing)
    assert areas.sum() == pytest.approx(mesh_area_mm2(points, faces), rel=1e-12)
    # exact middles: the surface's own centroid, and a closed surface has no net area
    corners = points[faces]
    size = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    centroid = np.average(corners.mean(axis=1), axis=0, weights=size)
    np.testing.assert_allclose(np.average(places, axis=0, weights=areas), centroid, atol=1e-9)
    np.testing.assert_allclose((areas[:, None] * normals).sum(axis=0), 0.0, atol=1e-9)
    assert areas.max() <= spacing**2


@pytest.mark.kernel
def test_flat_triangles_have_no_places() -> None:
    points = np.array([(0.0, 0.0, 0.0), (10.0, 0.0, 0.0), (20.0, 0.0, 0.0), (0.0, 5.0, 0.0)])
    places, _, areas = wall_places(points, np.array([(0, 1, 2), (1, 1, 3), (0, 1, 3)]), spacing_mm=100.0)
    assert len(places) == 1
    assert areas[0] == pytest.approx(25.0, rel=1e-12)


# ----------------------------------------------------------------------------- ways


def slow_ways(inside: Inside, starts: Floats, radius: float) -> Floats:
    """Return shortest ways by Dijkstra over the graph of cubes."""
    room = inside.room_mm
    fits = np.zeros(room.shape, dtype=bool)
    fits[2:-2, 2:-2, 2:-2] = room[2:-2, 2:-2, 2:-2] >= radius
    number = np.arange(room.size).reshape(room.shape)
    one, two, length = [], [], []
    for step in np.ndindex(5, 5, 5):
        move = np.array(step) - 2
        if math.gcd(*move.tolist()) != 1:
            continue

        def at(way: NDArray[np.int64]) -> NDArray[np.bool_]:
            return np.roll(fits, tuple(-way), axis=(0, 1, 2))

        middle = np.fix(move / 2.0).astype(int)
        both = fits & at(move) & at(middle) & at(move - middle)
        there = np.roll(number, tuple(-move), axis=(0, 1, 2))
        one.append(number[both])
        two.append(there[both])
        length.append(np.full(int(both.sum()), inside.cell_mm * np.linalg.norm(move)))
    count = room.size + 1  # one more cube that every way begins from
    begin = np.flatnonzero(np.isfinite(starts.reshape(-1)) & fits.reshape(-1))
    rows = np.concatenate([*one, np.full(len(begin), room.size)])
    cols = np.concatenate([*two, begin])
    data = np.concatenate([*length, starts.reshape(-1)[begin] + 1000.0])  # sparse graphs drop lengths of 0
    graph = coo_matrix((data, (rows, cols)), shape=(count, count)).tocsr()
    return np.asarray(dijkstra(graph, indices=room.size)[:-1] - 1000.0).reshape(room.shape)


@pytest.mark.kernel
def test_ways_are_the_shortest_from_cube_to_cube() -> None:
    # a winding hollow: a block with walls cut into it from two sides
    solid = block(60.0, 60.0, 60.0)
    for at, side in ((15.0, 8.0), (30.0, -8.0), (45.0, 8.0)):
        solid -= block(46.0, 62.0, 4.0, (side, 0.0, at))
    half = half_of(solid)
    inside = inside_grid(half.vertices, half.faces, cell_mm=4.0, band_mm=12.0, open_mm=8.0)
    starts = np.full(inside.room_mm.shape, np.inf)
    starts[:, :, : inside.open_layers] = 0.0
    ways = ways_mm(inside, starts, radius_mm=3.6)
    np.testing.assert_allclose(ways, slow_ways(inside, starts, 3.6), rtol=1e-12, atol=1e-9)
    assert np.isfinite(ways).sum() > 300
    assert ways[np.isfinite(ways)].max() > 130.0  # three times across and up: it does wind


def test_straight_down_is_exact_and_on_the_slant_never_short() -> None:
    half = half_of(block(300.0, 300.0, 200.0))
    inside = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=40.0, open_mm=30.0)
    middles = inside.middles_mm(np.arange(inside.room_mm.size)).reshape(*inside.room_mm.shape, 3)
    starts = np.full(inside.room_mm.shape, np.inf)
    centre = np.unravel_index(np.argmin((middles**2).sum(axis=-1)), inside.room_mm.shape)
    starts[centre] = 0.0
    ways = ways_mm(inside, starts, radius_mm=20.0)
    straight = np.linalg.norm(middles - middles[centre], axis=-1)
    there = np.isfinite(ways)
    assert (ways[there] >= straight[there] - 1e-9).all()
    assert (ways[there] <= straight[there] * WORST + 1e-9).all()
    assert (ways[there] / np.maximum(straight[there], 1.0)).mean() < 1.025


@pytest.mark.kernel
def test_touched_places_have_a_ball_before_them() -> None:
    half = half_of(block(40.0, 30.0, 25.0))
    inside = inside_grid(half.vertices, half.faces, cell_mm=4.0, band_mm=20.0, open_mm=8.0)
    points, normals, _ = wall_places(half.vertices, off_board(half), spacing_mm=6.0)
    reached = (inside.room_mm >= 8.0) & (
        inside.middles_mm(np.arange(inside.room_mm.size))[:, 0] > 0.0
    ).reshape(inside.room_mm.shape)
    found = touched(inside, points, normals, reached, radius_mm=8.0, slack=0.25)
    middles = inside.middles_mm(np.flatnonzero(reached))
    apart = middles[None, :, :] - points[:, None, :]
    before = np.einsum("pmk,pk->pm", apart, normals) < 0.0
    near = np.minimum(inside.room_mm[reached], 12.0) * 1.25
    slow = ((np.linalg.norm(apart, axis=-1) <= near) & before).any(axis=1)
    np.testing.assert_array_equal(found, slow)
    assert 0 < found.sum() < len(points)


# ----------------------------------------------------------------------------- the hand, closed forms

#: How far a roller's ball lays a flat wall beyond the level of its own middle: it counts as touching up to
#: half its radius away (derived: a right triangle of 15 and 22.5 mm).
BEYOND = math.sqrt(22.5**2 - 15.0**2)


def test_a_wide_bowl_is_reached_all_over() -> None:
    reach = plan_reach(half_of(above_board(zoo.sphere(300.0, 4))), shop_settings())
    assert reach.unreached_mm2 == 0.0
    assert reach.places == ()
    assert reach.points_mm.shape == (0, 3)
    assert reach.surface_mm2 == pytest.approx(2.0 * math.pi * 300.0**2, rel=0.01)


@pytest.mark.parametrize("deg", [0.0, 17.0])
@pytest.mark.parametrize("width", [297.0, 300.0, 303.0])
def test_edges_of_a_box_are_reached_and_only_its_corners_are_not(width: float, deg: float) -> None:
    half = half_of(turned_block(width, 200.0, deg))
    reach = plan_reach(half, shop_settings())
    assert reach.surface_mm2 == pytest.approx(width * (4.0 * 200.0 + width), rel=1e-9)
    # derived: the ball is at (15, 15, 15) in the corner of three walls; farther than 22.5 mm from it lies, on
    # each wall, what is nearer to the corner than 15 - sqrt(22.5^2 - 15^2 - 15^2) on both sides: under 6 mm
    assert reach.unreached_mm2 < 4.0 * 3.0 * 12.0**2
    assert reach.places == ()


def band_mm(arm: float) -> float:
    """Return how far down flat walls of a wide box are laid (derived).

    The hand's middle stays 45 mm off the wall, the roller's goes on to 15 mm off it, 120 mm on the slant.
    """
    return arm + math.sqrt(120.0**2 - (45.0 - 15.0) ** 2) + BEYOND


@pytest.mark.parametrize("deep", [800.0, 1000.0])
def test_a_box_deeper_than_the_arm(deep: float) -> None:
    reach = plan_reach(half_of(block(300.0, 260.0, deep)), shop_settings())
    perimeter, floor = 2.0 * (300.0 + 260.0), 300.0 * 260.0
    expected = perimeter * (deep - band_mm(ARM)) + floor
    # to a cell, and on the side of "not reached"
    assert -0.25 * perimeter * reach.cell_mm <= reach.unreached_mm2 - expected <= perimeter * reach.cell_mm
    off_corners = np.abs(reach.points_mm[:, 0]) < 90.0
    assert reach.points_mm[off_corners, 2].min() == pytest.approx(band_mm(ARM), abs=2.0 * reach.cell_mm)
    assert [place.why for place in reach.places] == ["deep"]
    assert reach.places[0].area_mm2 == pytest.approx(reach.unreached_mm2, rel=0.01)
    assert "out of reach of an arm of 600 mm" in reach.places[0].text


def test_a_longer_arm_reaches_the_floor() -> None:
    half = half_of(block(300.0, 260.0, 800.0))
    assert plan_reach(half, shop_settings(crew__arm_mm=700.0)).places == ()
    assert plan_reach(half, shop_settings(crew__roller_reach_mm=220.0)).places == ()


@pytest.mark.parametrize("deg", [0.0, 31.0])
def test_a_slot_narrower_than_the_roller(deg: float) -> None:
    half = half_of(block(400.0, 20.0, 200.0).rotate((0.0, 0.0, deg)))
    reach = plan_reach(half, shop_settings())
    # derived: the ball rests on the rims sqrt(15^2 - 10^2) over the mouth, and lays sqrt(22.5^2 - 10^2) below
    rim = math.sqrt(22.5**2 - 10.0**2) - math.sqrt(15.0**2 - 10.0**2)
    expected = reach.surface_mm2 - 2.0 * (400.0 + 20.0) * rim
    assert reach.unreached_mm2 <= reach.surface_mm2
    assert abs(reach.unreached_mm2 - expected) <= 2.0 * 420.0 * reach.cell_mm
    (place,) = reach.places
    assert place.why == "narrow"
    assert "narrower than the 30 mm roller" in place.text
    _, _, width = place.text.partition("grooves about ")
    assert float(width.split()[0]) == pytest.approx(20.0, abs=0.6 * reach.cell_mm)


def test_a_slot_wider_than_the_roller_is_reached_from_above() -> None:
    # 60 mm wide: no hand, but the roller goes 120 mm before it, and its ball sqrt(45^2 - 30^2) begins above
    above = math.sqrt(45.0**2 - 30.0**2)
    reach = plan_reach(half_of(block(400.0, 60.0, 300.0)), shop_settings())
    far = math.sqrt(120.0**2 - 15.0**2) - above + BEYOND
    # a cell each for where hand and roller may stand, and one for the place itself: "not reached" wins
    assert -3.0 * reach.cell_mm <= reach.points_mm[:, 2].min() - far <= 0.5 * reach.cell_mm
    assert [place.why for place in reach.places] == ["narrow"]
    assert "a hand of 90 mm does not pass" in reach.places[0].text


@pytest.mark.parametrize(("neck", "beyond"), [(30.0, True), (11.0, False)])
def test_behind_a_neck_only_the_roller(neck: float, beyond: bool) -> None:  # noqa: FBT001 - a case of the test
    half = half_of(bottle(neck, 40.0, 150.0, 500.0))
    reach = plan_reach(half, shop_settings())
    points, normals, areas = wall_places(half.vertices, off_board(half), spacing_mm=5.0)
    above = math.sqrt(45.0**2 - neck**2)
    # no place farther from the hand's middle than roller and its ball together is ever reached
    far = np.linalg.norm(points - np.array([0.0, 0.0, -above]), axis=1) > 120.0 + 22.5 + reach.cell_mm
    assert reach.unreached_mm2 >= areas[far].sum()
    assert all(place.why == "narrow" for place in reach.places)
    if beyond:
        # its way to the sill of the neck, then along the shoulder
        near = (np.hypot(points[:, 0], points[:, 1]) < 60.0) & (points[:, 2] < 60.0)
        assert reach.unreached_mm2 <= areas[~near].sum()
    else:
        inner = points[:, 2] > 30.0
        assert reach.unreached_mm2 >= areas[inner].sum()
    assert normals.shape == points.shape


def test_a_half_that_stands_apart_from_the_board_has_no_mouth() -> None:
    # a cup upside down would be the same: what the board does not open is not reached
    half = half_of(block(300.0, 300.0, 100.0) + block(200.0, 200.0, 200.0, (600.0, 0.0, 50.0)))
    reach = plan_reach(half, shop_settings())
    closed = 6.0 * 200.0**2
    assert closed * 0.999 <= reach.unreached_mm2 <= closed * 1.02
    assert reach.places[0].area_mm2 == pytest.approx(closed, rel=1e-6)
    assert reach.places[0].place_mm[0] > 450.0


@pytest.mark.parametrize("shift", [0.0, 1.3, 2.9])
def test_coarse_cubes_do_not_lead_through_a_thin_web(shift: float) -> None:
    # a ball of 6 mm in cubes of 6 mm, and 2 mm of rubber between a body on the board and one off it
    hanging = block(120.0, 150.0, 110.0, (121.0 + shift, 0.0, 40.0))
    half = half_of(block(120.0 + 2.0 * shift, 150.0, 150.0) + hanging)
    hollow = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=60.0, open_mm=70.0)
    reach = plan_reach(half, shop_settings(crew__roller_mm=6.0), hollow=hollow)
    closed = 2.0 * (120.0 * 150.0 + 120.0 * 110.0 + 150.0 * 110.0)
    # all of it, and in cubes as coarse as the ball some of the edges of the other
    assert closed * (1.0 - 1e-9) <= reach.places[0].area_mm2 <= 1.05 * closed
    assert reach.unreached_mm2 < 1.15 * closed


def test_the_result_does_not_depend_on_how_the_half_lies() -> None:
    solid = block(300.0, 24.0, 160.0) + block(60.0, 300.0, 200.0, (150.0, 0.0, 0.0))
    points, faces = mesh_of(solid)
    areas = []
    for deg in (0.0, 25.0, 90.0, 140.0):
        turn = Rotation.from_euler("z", deg, degrees=True).as_matrix()
        reach = plan_reach(lying((points @ turn.T, faces)), shop_settings())
        areas.append(reach.unreached_mm2)
    spread = (max(areas) - min(areas)) / np.mean(areas)
    assert spread < 0.1
    shuffled = np.random.default_rng(4).permutation(faces)
    again = plan_reach(lying((points, shuffled)), shop_settings())
    assert again.unreached_mm2 == pytest.approx(areas[0], rel=1e-3)


def test_finer_cubes_come_nearer_to_the_closed_form() -> None:
    half = half_of(block(200.0, 180.0, 500.0))
    settings = shop_settings(crew__arm_mm=300.0)
    perimeter, floor = 2.0 * (200.0 + 180.0), 200.0 * 180.0
    expected = perimeter * (500.0 - band_mm(300.0)) + floor
    off = []
    for cell in (10.0, 5.0, 2.5):
        hollow = inside_grid(half.vertices, half.faces, cell_mm=cell, band_mm=60.0, open_mm=70.0)
        off.append((plan_reach(half, settings, hollow=hollow).unreached_mm2 - expected) / perimeter)
    # what stays, 3.5 mm: the four corners, and 2 to 3 % of 120 mm on the slant
    assert all(0.0 <= error <= 0.5 * cell + 3.5 for error, cell in zip(off, (10.0, 5.0, 2.5), strict=True)), (
        off
    )


def test_width_before_a_wall() -> None:
    half = half_of(block(400.0, 40.0, 150.0))
    hollow = hollow_of(half, shop_settings())
    points, normals, _ = wall_places(half.vertices, off_board(half), spacing_mm=8.0)
    side = (np.abs(normals[:, 1]) > 0.9) & (np.abs(points[:, 0]) < 150.0) & (points[:, 2] < 100.0)
    width = width_mm(hollow, points[side], normals[side])
    assert width == pytest.approx(40.0, abs=0.6 * hollow.cell_mm)


# ----------------------------------------------------------------------------- whole figures


def check_reach(half: Half, reach: Reach) -> None:
    """Check what holds for every half."""
    assert 0.0 <= reach.unreached_mm2 <= reach.surface_mm2
    assert reach.surface_mm2 == pytest.approx(mesh_area_mm2(half.vertices, off_board(half)), rel=1e-9)
    assert sum(place.area_mm2 for place in reach.places) <= reach.unreached_mm2 * (1.0 + 1e-9)
    assert all(one.area_mm2 >= two.area_mm2 for one, two in pairwise(reach.places))
    assert all("\n" not in place.text for place in reach.places)
    # one place in every cube that the unreached wall passes through: an area of about a cube's face each
    assert 0.5 <= len(reach.points_mm) * reach.cell_mm**2 / max(reach.unreached_mm2, 1.0) <= 3.0
    tree = cKDTree(half.vertices[half.faces].reshape(-1, 3))
    longest = np.linalg.norm(half.vertices[half.faces[:, 0]] - half.vertices[half.faces[:, 1]], axis=1).max()
    apart, _ = tree.query(reach.points_mm)
    assert apart.max() <= longest + reach.cell_mm


@pytest.mark.slow
def test_the_bird_of_the_samples() -> None:
    pattern = load_pattern(SAMPLES / "long-necked-bird.ply", height_mm=1200.0)
    for half in cut(pattern, Plane(normal=(0.0, 1.0, 0.0), offset_mm=0.0)):
        check_reach(half, plan_reach(half, shop_settings()))


@pytest.mark.meshes
@pytest.mark.skipif(not (MESHES / "scorpion.ply").exists(), reason="open meshes are not here")
def test_the_scorpion_is_out_of_reach_alike_on_both_sides() -> None:
    # the mesh is close to a mirror image of itself in x, the cubes are as well
    pattern = load_pattern(MESHES / "scorpion.ply", height_mm=1200.0)
    for half in cut(pattern, Plane(normal=(0.0, 1.0, 0.0), offset_mm=0.0)):
        reach = plan_reach(half, shop_settings())
        check_reach(half, reach)
        left, right = (reach.points_mm[:, 0] < 0.0).sum(), (reach.points_mm[:, 0] > 0.0).sum()
        assert abs(left - right) <= 0.2 * max(left, right)
