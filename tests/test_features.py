"""Small shapes of a half: closed forms on generated shapes, and slow second ways."""

import math
import re
from itertools import pairwise

import numpy as np
import pytest
import zoo
from lying import above_board, lying
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from shop import shop_settings

from moldplan.columns.grid import Grid
from moldplan.columns.inside import inside_grid
from moldplan.columns.layers import ColumnGaps, column_gaps, column_layers
from moldplan.columns.spill import spills
from moldplan.columns.thin import facing_walls
from moldplan.half.model import Half
from moldplan.half.solids import mesh_of
from moldplan.mould.features import MOST_EACH, find_features
from moldplan.mould.inside_remarks import feature_findings
from moldplan.mould.model import Feature, Reach, ReachPlace
from moldplan.mould.reach import hollow_of, plan_reach

Floats = NDArray[np.float64]


def half_of(solid: Manifold | zoo.Mesh) -> Half:
    return lying(mesh_of(solid) if isinstance(solid, Manifold) else solid)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on z = `at[2]` over the middle `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


def rod(radius: float, length: float, at: tuple[float, float, float]) -> Manifold:
    """Round rod standing on `at`."""
    return Manifold.cylinder(length, radius, radius, 48).translate(at)


def rounded_block(x: float, y: float, z: float, radius: float) -> Manifold:
    """Block with all its edges rounded, cut off level so that it stands on a sharp rim at z = 0."""
    ball = Manifold.sphere(radius, 48)
    spots = [(sx * (x / 2 - radius), sy * (y / 2 - radius), h) for sx in (-1, 1) for sy in (-1, 1)
             for h in (-2 * radius, z - radius)]  # fmt: skip
    whole = Manifold.batch_hull([ball.translate(spot) for spot in spots])
    return whole.trim_by_plane((0.0, 0.0, 1.0), 0.0)


def features(solid: Manifold | zoo.Mesh, **overrides: float) -> tuple[Feature, ...]:
    return find_features(half_of(solid), shop_settings(**overrides))


def of_kind(found: tuple[Feature, ...], kind: str) -> list[Feature]:
    return [feature for feature in found if feature.kind == kind]


# ----------------------------------------------------------------------------- facing walls


@pytest.mark.parametrize("width", [4.0, 9.0, 14.0, 19.5])
@pytest.mark.parametrize("turn", [0.0, 20.0, 45.0])
def test_width_of_a_sheet(width: float, turn: float) -> None:
    half = half_of(block(200.0, width, 150.0, (3.1, 1.7, 0.0)).rotate((0.0, 0.0, turn)))
    inside = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=30.0, outer_mm=14.0)
    places, widths, solid = facing_walls(inside, most_solid_mm=20.0, most_gap_mm=16.0)
    assert solid.all()
    assert len(places) > 300
    assert np.median(widths) == pytest.approx(width, abs=0.02 if width <= 12.0 else 0.5)
    back = places @ Rotation.from_euler("z", -turn, degrees=True).as_matrix().T
    well_in = (np.abs(back[:, 0] - 3.1) < 85.0) & (back[:, 2] < 135.0)
    assert np.abs(back[well_in, 1] - 1.7).max() < 0.6  # on the middle surface


@pytest.mark.parametrize("width", [3.0, 8.0, 15.0])
def test_width_of_a_gap(width: float) -> None:
    half = half_of(block(200.0, 100.0, 150.0) - block(300.0, width, 100.0, (0.0, 2.3, 60.0)))
    inside = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=30.0, outer_mm=14.0)
    places, widths, solid = facing_walls(inside, most_solid_mm=20.0, most_gap_mm=16.0)
    assert not solid.any()
    assert np.median(widths) == pytest.approx(width, abs=0.02)
    assert places[:, 2].min() == pytest.approx(60.0 + width / 2, abs=6.0)


def test_walls_from_the_limit_up_and_wide_wedges_are_not_thin() -> None:
    thick = half_of(block(200.0, 20.5, 150.0))
    wedge = half_of(Manifold.hull_points([(0.0, 0.0, 0.0), (200.0, 0.0, 0.0), (0.0, 160.0, 0.0),
        (200.0, 160.0, 0.0), (0.0, 80.0, 90.0), (200.0, 80.0, 90.0)]))  # fmt: skip
    for half in (thick, wedge):  # the wedge's top has 83 deg
        inside = inside_grid(half.vertices, half.faces, cell_mm=6.0, band_mm=30.0, outer_mm=14.0)
        places, _, _ = facing_walls(inside, most_solid_mm=20.0, most_gap_mm=16.0)
        assert len(places) == 0


@pytest.mark.kernel
def test_facing_walls_by_hand() -> None:
    """Every pair of neighbours, looked at one by one."""
    half = half_of(block(41.0, 8.3, 33.0) + block(33.0, 31.0, 8.7))
    inside = inside_grid(half.vertices, half.faces, cell_mm=4.0, band_mm=12.0, outer_mm=8.0)
    places, widths, solid = facing_walls(inside, most_solid_mm=9.0, most_gap_mm=9.0)
    found = []
    middles = inside.middles_mm(np.arange(inside.room_mm.size)).reshape(*inside.room_mm.shape, 3)
    for cube in np.argwhere(inside.foot >= 0):
        for step in list(np.ndindex(3, 3, 3))[14:]:
            other = cube + np.array(step) - 1
            way = np.array([step[1], step[0], step[2]]) - 1.0
            if min(cube[2], other[2]) < inside.open_layers:
                continue
            if (other < 0).any() or (other >= inside.foot.shape).any():
                continue
            one, two = inside.foot[tuple(cube)], inside.foot[tuple(other)]
            within, there = inside.room_mm[tuple(cube)] > 0.0, inside.room_mm[tuple(other)] > 0.0
            if two < 0 or one == two:
                continue
            mine = inside.feet_mm[one] - middles[tuple(cube)]
            its = inside.feet_mm[two] - middles[tuple(other)]
            if min(np.linalg.norm(mine), np.linalg.norm(its)) <= 0.04:
                continue
            mine, its = mine / np.linalg.norm(mine), its / np.linalg.norm(its)
            same = 1.0 if within == there else -1.0  # turned over, the second foot looks as across one wall
            if same * (mine @ its) > -0.5 or same * (mine @ way) * (its @ way) >= -0.01:
                continue
            square = mine - same * its
            apart = abs((inside.feet_mm[one] - inside.feet_mm[two]) @ square) / np.linalg.norm(square)
            if np.linalg.norm(inside.feet_mm[one] - inside.feet_mm[two]) < 9.0:
                found.append((apart, within if mine @ way < 0.0 else there if same < 0.0 else not there))
    assert len(found) == len(widths) > 20
    np.testing.assert_allclose(widths, [width for width, _ in found], rtol=1e-12)
    np.testing.assert_array_equal(solid, [kind for _, kind in found])
    assert places.shape == (len(found), 3)


# ----------------------------------------------------------------------------- tips and thin sections


@pytest.mark.parametrize("across", [8.0, 12.0, 18.0])
@pytest.mark.parametrize("tilt", [0.0, 35.0, 70.0])
def test_a_rod_with_a_free_end_is_a_blind_tip(across: float, tilt: float) -> None:
    long = 90.0
    pin = (
        rod(across / 2, long + 60.0, (0.0, 0.0, -60.0)).rotate((tilt, 0.0, 15.0)).translate((3.0, 1.0, 120.0))
    )
    found = features(block(300.0, 300.0, 120.0) + pin)
    (tip,) = of_kind(found, "blind tip")
    assert tip.width_mm == pytest.approx(across, rel=0.1)
    lean = math.radians(tilt)
    # as long as its axis stands out of the block, less where its wall has sunk in on one side
    assert tip.extent_mm == pytest.approx(long, abs=across * (1.0 + math.tan(lean)) / 2 + 7.0)
    turn = math.radians(15.0)
    axis = np.array([math.sin(lean) * math.sin(turn), -math.sin(lean) * math.cos(turn), math.cos(lean)])
    end = np.array([3.0, 1.0, 120.0]) + long * axis
    assert np.linalg.norm(np.array(tip.place_mm) - end) < 0.25 * long
    assert of_kind(found, "thin section") == []


def test_a_cone_ends_in_a_blind_tip_where_it_gets_thin() -> None:
    # 20 mm across at 100 mm from its point: that much of it is thin
    found = features(Manifold.cylinder(400.0, 40.0, 0.0, 96))
    (tip,) = of_kind(found, "blind tip")
    assert tip.extent_mm == pytest.approx(100.0, abs=20.0)
    assert 340.0 < tip.place_mm[2] < 400.0
    assert of_kind(features(Manifold.cylinder(100.0, 80.0, 0.0, 96)), "blind tip") == []  # 77 deg: blunt


@pytest.mark.parametrize("length", [40.0, 90.0])
def test_a_short_or_stout_pin_is_no_tip(length: float) -> None:
    stout = block(300.0, 300.0, 120.0) + rod(14.0, length, (0.0, 0.0, 119.0))
    assert of_kind(features(stout), "blind tip") == []
    short = block(300.0, 300.0, 120.0) + rod(8.0, 7.0, (0.0, 0.0, 119.0))
    assert of_kind(features(short), "blind tip") == []


def test_a_rod_held_at_both_ends_is_a_thin_section() -> None:
    posts = block(80.0, 80.0, 200.0, (-140.0, 0.0, 0.0)) + block(80.0, 80.0, 200.0, (140.0, 0.0, 0.0))
    bar = Manifold.cylinder(240.0, 7.0, 7.0, 48).rotate((0.0, 90.0, 0.0)).translate((-120.0, 0.0, 150.0))
    found = features(posts + bar)
    assert of_kind(found, "blind tip") == []
    (part,) = of_kind(found, "thin section")
    assert part.width_mm == pytest.approx(14.0, rel=0.05)
    assert part.extent_mm == pytest.approx(200.0, abs=14.0)
    np.testing.assert_allclose(part.place_mm, (0.0, 0.0, 150.0), atol=8.0)
    said = float(re.search(r"about ([0-9.]+) l", part.text)[1])  # type: ignore[index]
    assert said == pytest.approx(math.pi * 49.0 * 200.0 / 1e6, rel=0.15)


@pytest.mark.parametrize("thick", [6.0, 12.0, 19.0])
def test_a_fin_is_a_thin_section(thick: float) -> None:
    found = features(block(300.0, 200.0, 100.0) + block(180.0, thick, 120.0, (0.0, 0.0, 99.0)))
    (part,) = of_kind(found, "thin section")
    assert part.width_mm == pytest.approx(thick, abs=0.2)
    # the middle surface ends half a thickness before each edge
    assert part.extent_mm == pytest.approx(180.0, abs=thick + 7.0)
    assert "180 mm" in part.text or part.extent_mm < 180.0
    assert part.place_mm[2] == pytest.approx(160.0, abs=25.0)


def test_thick_parts_have_no_small_shapes() -> None:
    assert features(above_board(zoo.sphere(300.0, 5))) == ()
    assert features(above_board(zoo.torus(300.0, 80.0))) == ()


# ----------------------------------------------------------------------------- slots


@pytest.mark.parametrize("width", [4.0, 9.0, 15.0])
@pytest.mark.parametrize("turn", [0.0, 30.0])
def test_a_gap_narrower_than_two_coats_is_a_slot(width: float, turn: float) -> None:
    solid = block(300.0, 200.0, 150.0) - block(220.0, width, 100.0, (0.0, 0.0, 90.0))
    (slot,) = of_kind(features(solid.rotate((0.0, 0.0, turn))), "slot")
    assert slot.width_mm == pytest.approx(width, abs=0.3)
    assert slot.extent_mm == pytest.approx(220.0 - width, abs=10.0)
    assert slot.place_mm[2] == pytest.approx(120.0, abs=15.0)


def test_a_wider_gap_or_a_thinner_skin_makes_no_slot() -> None:
    wide = block(300.0, 200.0, 150.0) - block(220.0, 16.5, 100.0, (0.0, 0.0, 90.0))
    assert of_kind(features(wide), "slot") == []
    narrow = block(300.0, 200.0, 150.0) - block(220.0, 9.0, 100.0, (0.0, 0.0, 90.0))
    assert of_kind(features(narrow, mould__skin_mm=4.0), "slot") == []


# ----------------------------------------------------------------------------- tight corners


def corner_length(found: tuple[Feature, ...]) -> float:
    """Return the length of all corners, mm, once none is left out."""
    corners = of_kind(found, "tight corner")
    assert len(corners) <= MOST_EACH
    assert all("like it" not in corner.text for corner in corners)
    return sum(corner.extent_mm for corner in corners)


@pytest.mark.parametrize("turn", [0.0, 22.0])
def test_every_edge_of_a_box_off_the_board_is_tight(turn: float) -> None:
    found = features(block(400.0, 300.0, 200.0).rotate((0.0, 0.0, turn)))
    assert corner_length(found) == pytest.approx(2.0 * (400.0 + 300.0) + 4.0 * 200.0, rel=0.01)
    assert all(corner.width_mm == 0.0 for corner in of_kind(found, "tight corner"))
    assert {feature.kind for feature in found} == {"tight corner"}


@pytest.mark.parametrize(("radius", "tight"), [(3.0, True), (7.0, True), (9.0, False), (14.0, False)])
def test_rounded_edges(radius: float, tight: bool) -> None:  # noqa: FBT001 - a case of the test
    found = features(rounded_block(300.0, 240.0, 160.0, radius))
    if not tight:
        assert of_kind(found, "tight corner") == []
        return
    # derived: edges count by their turn, each a quarter turn over its straight length; the balls of the four
    # corners turn in two directions: their mean curvature makes pi r / 2 of turn times length for an eighth
    straight = 2.0 * (300.0 + 240.0 - 4.0 * radius) + 4.0 * (160.0 - radius)
    balls = 4.0 * 0.5 * math.pi * radius / (0.5 * math.pi)
    # the outermost facets turn towards large faces: half a facet's turn is lost on either side
    assert 0.87 * (straight + balls) <= corner_length(found) <= straight + balls
    largest = of_kind(found, "tight corner")[0]
    assert largest.width_mm == pytest.approx(radius, rel=0.15)


@pytest.mark.parametrize("radius", [9.0, 12.0, 40.0, 300.0])
@pytest.mark.parametrize("level", [2, 4])
def test_facets_of_balls_over_the_fillet_are_no_corners(radius: float, level: int) -> None:
    ball = zoo.moved(zoo.sphere(radius, level), (0.0, 0.0, radius + 60.0))
    points, faces = mesh_of(block(200.0, 200.0, 60.0))
    both = (np.concatenate([points, ball[0]]), np.concatenate([faces, ball[1] + len(points)]))
    for corner in of_kind(features(both), "tight corner"):
        assert corner.place_mm[2] <= 60.0


def test_a_rough_surface_is_no_corner() -> None:
    points, faces = above_board(zoo.sphere(200.0, 5))
    noise = np.random.default_rng(5).normal(scale=0.15, size=len(points))
    scale = 1.0 + np.where(points[:, 2] > 0.0, noise, 0.0) / 200.0
    assert of_kind(features((points * scale[:, None], faces)), "tight corner") == []


# ----------------------------------------------------------------------------- pools, and air that stays


def slow_spills(low: Floats, high: Floats, cell: NDArray[np.int64], grid: Grid) -> tuple[Floats, Floats]:
    """Return both levels by handing them on until nothing changes, span by span."""
    row, col = cell // grid.nx, cell % grid.nx
    drain, escape = np.where(low <= 0.0, 0.0, np.inf), np.where(np.isinf(high), np.inf, -np.inf)
    while True:
        before = drain.copy(), escape.copy()
        for a in range(len(cell)):
            near = (abs(row - row[a]) <= 1) & (abs(col - col[a]) <= 1) & (cell != cell[a])
            sill, lintel = np.maximum(low, low[a]), np.minimum(high, high[a])
            near &= lintel > sill
            drain[a] = min(drain[a], np.maximum(sill, drain)[near].min(initial=np.inf))
            escape[a] = max(escape[a], np.minimum(lintel, escape)[near].max(initial=-np.inf))
        if (before[0] == drain).all() and (before[1] == escape).all():
            return drain, escape


@pytest.mark.kernel
def test_spill_levels_against_the_slow_way() -> None:
    random = np.random.default_rng(8)
    grid = Grid(0.0, 0.0, 1.0, 9, 7)
    count = random.integers(0, 3, size=63)
    low, high, top = [], [], []
    for number in count:
        heights = np.sort(random.uniform(0.0, 30.0, size=2 * number + 1))
        heights[0] *= random.integers(0, 2)
        top.append(heights[-1] if number else heights[0])
        low.extend(heights[:-1][::2][::-1])
        high.extend(heights[:-1][1::2][::-1])
    start = np.concatenate([[0], np.cumsum(count)])
    gaps = ColumnGaps(
        start=start, low_mm=np.array(low), high_mm=np.array(high), top_mm=np.array(top).reshape(grid.shape)
    )
    seen = spills(gaps, grid)
    drain, escape = slow_spills(seen.low_mm, seen.high_mm, seen.cell, grid)
    np.testing.assert_array_equal(seen.drain_mm, drain)
    np.testing.assert_array_equal(seen.escape_mm, escape)
    assert (drain > seen.low_mm).any()
    assert (escape < seen.high_mm).any()


def test_a_hollow_that_opens_upwards_is_a_pool() -> None:
    found = features(block(300.0, 300.0, 160.0) - rod(60.0, 100.0, (10.0, 5.0, 120.0)))
    (pool,) = of_kind(found, "cup")
    assert pool.extent_mm == pytest.approx(40.0, abs=1e-6)
    assert pool.width_mm == pytest.approx(120.0, abs=4.0)
    assert pool.place_mm[2] == pytest.approx(120.0, abs=1e-6)
    held = float(re.search(r"holds (\d+) ml", pool.text)[1])  # type: ignore[index]
    assert held == pytest.approx(math.pi * 60.0**2 * 40.0 / 1000.0, rel=0.03)


def test_a_pool_with_a_notch_stands_to_the_notch() -> None:
    bowl = block(300.0, 300.0, 160.0) - block(120.0, 120.0, 100.0, (0.0, 0.0, 100.0))
    notched = bowl - block(200.0, 30.0, 100.0, (100.0, 0.0, 130.0))
    (pool,) = of_kind(features(notched), "cup")
    assert pool.extent_mm == pytest.approx(30.0, abs=1e-6)
    open_side = bowl - block(200.0, 30.0, 100.0, (100.0, 0.0, 99.0))
    assert of_kind(features(open_side), "cup") == []


def test_a_roof_higher_than_its_mouth_holds_air() -> None:
    # a side pocket 80 mm high whose mouth is 50 mm high: 30 mm of air stay
    pocket = block(120.0, 100.0, 80.0, (60.0, 0.0, 60.0)) + block(200.0, 100.0, 50.0, (150.0, 0.0, 60.0))
    found = features(block(300.0, 300.0, 260.0) - pocket)
    (cup,) = of_kind(found, "cup")
    assert cup.extent_mm == pytest.approx(30.0, abs=1e-6)
    assert cup.width_mm == pytest.approx(2.0 * math.sqrt(110.0 * 100.0 / math.pi), rel=0.1)
    assert cup.place_mm[2] == pytest.approx(140.0, abs=1e-6)
    assert "ml of air" in cup.text
    level = block(300.0, 300.0, 260.0) - block(300.0, 100.0, 80.0, (100.0, 0.0, 60.0))
    assert of_kind(features(level), "cup") == []


def test_gaps_of_a_ball_hold_neither() -> None:
    assert of_kind(features(above_board(zoo.sphere(200.0, 5), -150.0)), "cup") == []


def test_a_shut_pocket_is_told_elsewhere() -> None:
    assert of_kind(features(block(300.0, 300.0, 200.0) - block(100.0, 100.0, 60.0, (0, 0, 50))), "cup") == []


# ----------------------------------------------------------------------------- lists and findings


def test_of_many_alike_the_largest_are_listed_and_all_are_counted() -> None:
    solid = block(600.0, 300.0, 80.0)
    for number in range(9):
        solid += rod(6.0, 41.0 + 5.0 * number, (60.0 * (number - 4), 0.0, 79.0))
    tips = of_kind(features(solid), "blind tip")
    assert len(tips) == MOST_EACH
    assert all(one.extent_mm >= two.extent_mm for one, two in pairwise(tips))
    assert tips[0].text.endswith("(9 like it, the 5 largest are listed)")


def test_features_do_not_depend_on_the_order_of_faces() -> None:
    points, faces = mesh_of(block(300.0, 200.0, 100.0) + rod(7.0, 80.0, (20.0, 10.0, 99.0)))
    first = find_features(lying((points, faces)), shop_settings())
    shuffled = np.random.default_rng(2).permutation(faces)
    second = find_features(lying((points, shuffled)), shop_settings())
    assert [feature.kind for feature in first] == [feature.kind for feature in second]
    for one, two in zip(first, second, strict=True):
        assert one.extent_mm == pytest.approx(two.extent_mm, rel=0.02)
    again = find_features(lying((points, faces)), shop_settings())
    assert first == again


def test_findings_name_the_count_the_place_and_what_to_do() -> None:
    half = half_of(block(300.0, 200.0, 100.0) + rod(7.0, 80.0, (20.0, 10.0, 99.0)))
    settings = shop_settings()
    hollow = hollow_of(half, settings)
    found = list(feature_findings(half, plan_reach(half, settings, hollow=hollow),
        find_features(half, settings, hollow=hollow)))  # fmt: skip
    codes = {finding.code: finding for finding in found}
    assert codes.keys() >= {"blind-tip", "tight-corner"}
    assert codes["blind-tip"].severity == "check"
    assert codes["blind-tip"].place_mm[2] > 150.0  # type: ignore[index]
    assert "gel by a small brush" in codes["blind-tip"].advice
    assert all("\n" not in finding.advice and finding.half == "A" for finding in found)


@pytest.mark.parametrize(("share", "told"), [(0.01, False), (0.03, True)])
def test_hand_reach_is_told_over_a_share(share: float, told: bool) -> None:  # noqa: FBT001 - a case of the test
    half = half_of(block(300.0, 200.0, 100.0))
    place = ReachPlace(place_mm=(1.0, 2.0, 3.0), area_mm2=1e4, why="deep", text="64 cm2 far down: a stick")
    reach = Reach(
        surface_mm2=1e6, unreached_mm2=share * 1e6, cell_mm=6.0, points_mm=np.zeros((0, 3)), places=(place,)
    )
    found = list(feature_findings(half, reach, ()))
    assert [finding.code for finding in found] == (["hand-reach"] if told else [])
    if told:
        assert "(3 %) of the inside of the FRONT half, the largest: 64 cm2 far down" in found[0].advice
        assert (found[0].value, found[0].limit) == (pytest.approx(0.03), pytest.approx(0.02))


def test_column_gaps_are_what_spills_takes() -> None:
    half = half_of(block(60.0, 60.0, 50.0) - block(80.0, 30.0, 20.0, (0.0, 0.0, 20.0)))
    grid = Grid(-40.0, -40.0, 5.0, 16, 16)
    gaps = column_gaps(column_layers(half.vertices, half.faces, grid), grid, least_mm=0.1)
    seen = spills(gaps, grid)
    assert len(seen.cell) == 256 + len(gaps.low_mm)
    np.testing.assert_array_equal(seen.escape_mm[np.isfinite(seen.high_mm)], 40.0)
