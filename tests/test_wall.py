"""The clay wall beyond its outline: rings in openings, push of what it holds, buttresses, corners, wax."""

import math
from itertools import pairwise

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from laid import RECTANGLE, comb, plain_half, rubber_on
from shapely import LinearRing, MultiPolygon, Point, Polygon, affinity, box
from shop import shop_settings

from moldplan.mould.board import plan_board
from moldplan.mould.building import building_findings
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.outline import farthest_off_mm, few_corners
from moldplan.mould.wall import fluid_push, handling_mm, plan_wall, pressure_mm, run_off_mm3

PI = math.pi


def ring_of(hole_mm: float) -> MultiPolygon:
    """Return a square edge of 1200 mm with a square opening in its middle."""
    half = hole_mm / 2.0
    return MultiPolygon([box(-600.0, -600.0, 600.0, 600.0).difference(box(-half, -half, half, half))])


# ---------------------------------------------------------------- rings in openings


def test_a_large_opening_gets_a_ring_of_clay() -> None:
    """400 less two moats of 20 is 360 square; corners bend by 25, and by 10 at the back: derived."""
    shop = shop_settings()
    plain = plan_wall(rubber_on(MultiPolygon([box(-600.0, -600.0, 600.0, 600.0)])), shop)
    wall = plan_wall(rubber_on(ring_of(400.0)), shop)
    (ring,) = wall.inner_walls
    front = 360.0**2 - (4.0 - PI) * 25.0**2
    back = 330.0**2 - (4.0 - PI) * 10.0**2
    assert Polygon(ring.exterior).area == pytest.approx(front, rel=1e-5)
    assert Polygon(ring.interiors[0]).area == pytest.approx(back, rel=1e-5)
    assert wall.clay_kg - plain.clay_kg == pytest.approx((front - back) * 40.0 * 1.75e-6, rel=1e-3)
    assert wall.inner_perimeter_mm == pytest.approx(plain.inner_perimeter_mm, rel=1e-12)
    assert wall.moat_mm3 == pytest.approx(plain.moat_mm3, rel=1e-9)


@pytest.mark.parametrize("turn_deg", [0.0, 23.0])
def test_a_ring_keeps_the_moat_from_the_rubber_and_stays_in_its_opening(turn_deg: float) -> None:
    edge = affinity.rotate(ring_of(300.0), turn_deg, origin=(0.0, 0.0))
    wall = plan_wall(rubber_on(edge), shop_settings())
    opening = Polygon(edge.geoms[0].interiors[0])
    (ring,) = wall.inner_walls
    assert opening.contains(ring)
    assert ring.distance(edge) == pytest.approx(20.0, abs=1e-6)
    front, back = Polygon(ring.exterior), Polygon(ring.interiors[0])
    assert front.exterior.distance(back) == pytest.approx(15.0, abs=1e-6)


@pytest.mark.parametrize(("hole_mm", "rings"), [(60.0, 0), (89.0, 0), (91.0, 1), (140.0, 1)])
def test_small_openings_get_no_ring(hole_mm: float, rings: int) -> None:
    """Two moats of 20 and two bends of 25 take 90 mm."""
    assert len(plan_wall(rubber_on(ring_of(hole_mm)), shop_settings()).inner_walls) == rings


def test_an_opening_without_a_wall_is_noted() -> None:
    shop = shop_settings()
    found = {}
    for hole_mm in (60.0, 300.0):
        rubber = rubber_on(ring_of(hole_mm))
        wall = plan_wall(rubber, shop)
        board, jacket = plan_board(rubber, wall, shop), plan_jacket(plain_half(), rubber, shop)
        findings = building_findings(plain_half(), rubber, wall, board, jacket, shop)
        found[hole_mm] = [item for item in findings if item.code == "opening-no-wall"]
    assert found[300.0] == []
    (note,) = found[60.0]
    assert (note.severity, note.value, note.limit, note.place_mm) == ("note", 60.0, 90.0, (0.0, 0.0, 0.0))
    assert "no room for a moat and a clay wall" in note.advice


# ---------------------------------------------------------------- push of what stands in the moat


def test_push_of_a_fluid_on_a_wall() -> None:
    """1150 kg/m3, 0.30 m: rho g h, rho g h^2/2, rho g h^3/6: derived, first principles."""
    push = fluid_push(300.0, 1.15)
    assert push.pressure_pa == pytest.approx(3384.5, rel=1e-3)
    assert push.force_n_m == pytest.approx(507.7, rel=1e-3)
    assert push.moment_nm_m == pytest.approx(50.8, rel=1e-3)


def test_push_is_the_integral_of_the_pressure() -> None:
    """Second way: sum pressure and pressure times its lever over 20 000 strips (midpoint rule)."""
    depth, density, strips = 0.17, 1.3, 20_000
    middles = [(k + 0.5) * depth / strips for k in range(strips)]  # height over the foot
    pressures = [1e3 * density * 9.81 * (depth - z) for z in middles]
    push = fluid_push(1e3 * depth, density)
    assert push.force_n_m == pytest.approx(sum(pressures) * depth / strips, rel=1e-7)
    levers = sum(p * z for p, z in zip(pressures, middles, strict=True))
    assert push.moment_nm_m == pytest.approx(levers * depth / strips, rel=1e-7)


def test_bending_at_the_foot_asks_for_thickness() -> None:
    """sqrt(3 M / k): 0.30 m of 1150 kg/m3 on clay of 30 kPa is 71.2 mm: derived."""
    push = fluid_push(300.0, 1.15)
    assert pressure_mm(push, shop_settings()) == pytest.approx(1e3 * math.sqrt(3 * 50.767 / 30e3), rel=1e-4)
    # outermost fibre at twice the shear strength: M = 2 k t^2 / 6
    t = 1e-3 * pressure_mm(push, shop_settings())
    assert 6.0 * push.moment_nm_m / t**2 == pytest.approx(2.0 * 30e3, rel=1e-9)


def test_very_soft_clay_shears_off_its_foot() -> None:
    """F / k over sqrt(3 M / k) once k is under F^2 / (3 M): derived."""
    push = fluid_push(300.0, 1.15)
    soft = 0.5e-3 * push.force_n_m**2 / (3.0 * push.moment_nm_m)
    assert pressure_mm(push, shop_settings(clay__yield_kpa=soft)) == pytest.approx(
        push.force_n_m / soft, rel=1e-9
    )


def test_handling_decides_a_moat_and_push_a_poured_mould() -> None:
    shop = shop_settings()
    wall = plan_wall(rubber_on(RECTANGLE), shop)
    assert not wall.pressure_governs
    assert wall.pressure_pa == pytest.approx(1150.0 * 9.81 * 0.030, rel=1e-12)
    assert pressure_mm(fluid_push(30.0, 1.15), shop) < 0.2 * handling_mm(40.0, shop)
    poured = plan_wall(rubber_on(RECTANGLE), shop_settings(clay__wall_least_height_mm=800.0))
    assert poured.pressure_governs
    assert poured.thickness_mm > 800.0 / 3.0
    assert poured.thickness_mm == pytest.approx(pressure_mm(fluid_push(790.0, 1.15), shop), rel=1e-12)


def test_a_governing_push_is_told() -> None:
    shop = shop_settings(clay__wall_least_height_mm=800.0)
    rubber = rubber_on(RECTANGLE, outer_mm2=0.2e6, inner_mm2=0.1e6, mass_kg=2.0)
    wall = plan_wall(rubber, shop)
    board, jacket = plan_board(rubber, wall, shop), plan_jacket(plain_half(), rubber, shop)
    found = {item.code: item for item in building_findings(plain_half(), rubber, wall, board, jacket, shop)}
    told = found["wall-pressure"]
    assert (told.severity, told.value, told.unit) == ("check", wall.thickness_mm, "mm")
    assert told.limit == pytest.approx(800.0 / 3.0)
    assert f"{wall.pressure_pa:.0f} Pa" in told.advice


def test_a_rubber_that_knows_its_run_off_is_believed() -> None:
    shop = shop_settings()
    assert run_off_mm3(rubber_on(RECTANGLE, run_off_mm3=123.0), shop) == 123.0
    assert run_off_mm3(rubber_on(RECTANGLE), shop) == pytest.approx(0.4e6 * 0.7 * 0.15)


# ---------------------------------------------------------------- buttresses, corners, wax


def test_buttresses_stand_evenly_along_the_back() -> None:
    """A triangle h x h, t thick, is h^2 t / 2: 40 x 40 x 15 at 1750 is 21 g: derived."""
    wall = plan_wall(rubber_on(comb()), shop_settings())
    count = math.ceil(wall.outer.exterior.length / 125.0)
    assert len(wall.buttress_places_mm) == count
    along = sorted(wall.outer.exterior.project(Point(place)) for place in wall.buttress_places_mm)
    gaps = [high - low for low, high in pairwise([*along, along[0] + wall.outer.exterior.length])]
    assert max(gaps) - min(gaps) < 1e-6
    assert max(gaps) <= 125.0
    assert max(wall.outer.exterior.distance(Point(place)) for place in wall.buttress_places_mm) < 1e-9
    assert wall.buttress_kg == pytest.approx(count * 0.021, rel=1e-12)


def test_corners_of_a_plain_wall_are_near_it_and_few() -> None:
    wall = plan_wall(rubber_on(RECTANGLE), shop_settings())
    assert 4 <= len(wall.points_mm) <= 24
    assert wall.points_off_mm <= 3.0 + 1.0  # corners of corners: straightened twice
    assert LinearRing(wall.points_mm).is_ccw
    for place in wall.points_mm:
        assert wall.inner.exterior.distance(Point(place)) < 1e-9


@given(
    sizes=st.lists(st.floats(20.0, 400.0), min_size=3, max_size=40),
    within_mm=st.floats(0.5, 20.0),
    most=st.integers(4, 24),
)
@settings(deadline=None, max_examples=40)
def test_few_corners_of_any_star(sizes: list[float], within_mm: float, most: int) -> None:
    """They are corners of the outline, in order, few enough, and told how far off."""
    turns = [2.0 * PI * k / len(sizes) for k in range(len(sizes))]
    tips = [(r * math.cos(a), r * math.sin(a)) for r, a in zip(sizes, turns, strict=True)]
    star = shapely.orient_polygons(Polygon(tips).buffer(1.0, quad_segs=4))
    corners = few_corners(star, within_mm=within_mm, most=most)
    assert 3 <= len(corners) <= most
    ring = [(x, y) for x, y in star.exterior.coords[:-1]]
    places = [ring.index(corner) for corner in corners]
    turned = [(place - places[0]) % len(ring) for place in places]
    assert turned == sorted(turned)
    off = farthest_off_mm(star, corners)
    dense = shapely.points(shapely.get_coordinates(star.exterior.segmentize(1.0)))
    assert float(shapely.distance(dense, LinearRing(corners)).max()) <= off + 1e-9


def test_wax_goes_on_the_board_inside_and_on_the_face_of_the_wall() -> None:
    """Board inside the wall less what the half stands on, and wall height times its line: derived."""
    section = MultiPolygon([box(-200.0, -100.0, 200.0, 100.0)])
    wall = plan_wall(rubber_on(RECTANGLE), shop_settings(), section=section)
    board = 400_000.0 + 2600.0 * 20.0 + PI * 20.0**2 - 80_000.0
    assert wall.wax_mm2 == pytest.approx(board + 40.0 * (2600.0 + 2.0 * PI * 20.0), rel=1e-5)
    whole = plan_wall(rubber_on(RECTANGLE), shop_settings())
    assert whole.wax_mm2 - wall.wax_mm2 == pytest.approx(80_000.0, rel=1e-9)


def test_inside_a_ring_nothing_is_waxed() -> None:
    plain = plan_wall(rubber_on(MultiPolygon([box(-600.0, -600.0, 600.0, 600.0)])), shop_settings())
    wall = plan_wall(rubber_on(ring_of(400.0)), shop_settings())
    front = Polygon(wall.inner_walls[0].exterior)
    assert wall.wax_mm2 == pytest.approx(plain.wax_mm2 - front.area + 40.0 * front.exterior.length, rel=1e-9)
