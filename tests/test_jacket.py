"""The jacket beyond its laminate: ribs, pieces, handles, feet, the edge to roll on, parts of its mass."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from laid import RECTANGLE, comb, plain_half, rubber_on
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shop import shop_settings
from zoo import moved, sphere

from moldplan.columns.grid import Grid
from moldplan.findings import Finding
from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.mould.board import plan_board
from moldplan.mould.building import building_findings
from moldplan.mould.fittings import handles, plan_fittings, shell_centre_mm, stand_for, turning_edge
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.laminate import laminate_mm3
from moldplan.mould.model import BriefRubber, Jacket, Rubber
from moldplan.mould.outline import length_mm
from moldplan.mould.ribs import bolt_count, plan_parting, plan_ribs
from moldplan.mould.wall import plan_wall
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane

PI = math.pi


# ---------------------------------------------------------------- ribs


def free_span_mm(skin: MultiPolygon, lines: list[float], axis: int) -> float:
    """Return the longest free length along an axis between ribs at `lines` and the ends."""
    low, high = skin.bounds[axis], skin.bounds[axis + 2]
    places = [low, *sorted(lines), high]
    return max(b - a for a, b in pairwise(places))


@given(x_mm=st.floats(100.0, 3000.0), y_mm=st.floats(100.0, 3000.0), span_mm=st.floats(200.0, 900.0))
@settings(deadline=None, max_examples=60)
def test_no_span_is_free_over_more_than_the_card_says(x_mm: float, y_mm: float, span_mm: float) -> None:
    skin = MultiPolygon([box(0.0, 0.0, x_mm, y_mm)])
    ribs = plan_ribs(
        skin, box(-60.0, -60.0, x_mm + 60.0, y_mm + 60.0), shop_settings(jacket__rib_span_mm=span_mm)
    )
    for axis, side in ((0, x_mm), (1, y_mm)):
        places = [line[0][axis] for line in ribs if line[0][axis] == line[1][axis]]
        assert free_span_mm(skin, places, axis) <= span_mm * (1.0 + 1e-5)
        assert len(places) == max(0, math.ceil(side / span_mm * (1.0 - 1e-6)) - 1)  # and no rib too many


def test_ribs_of_a_rectangle() -> None:
    """800 x 500 under spans of 450: one across and one along, each out over the flange: derived."""
    jacket = plan_jacket(plain_half(), rubber_on(RECTANGLE, outer_mm2=0.5e6), shop_settings())
    assert jacket.ribs_mm == (((0.0, -310.0), (0.0, 310.0)), ((-460.0, 0.0), (460.0, 0.0)))
    ground = 400_000.0 + 2600.0 * 60.0 + PI * 60.0**2
    stretch = (0.5e6 + ground - 400_000.0) / ground
    assert jacket.ribs_kg == pytest.approx(0.7 * 1e-3 * (620.0 + 920.0) * stretch, rel=1e-4)


def test_ribs_do_not_cross_open_ground() -> None:
    big = box(-800.0, -800.0, 800.0, 800.0)
    hole = box(-300.0, -300.0, 300.0, 300.0)
    jacket = plan_jacket(plain_half(), rubber_on(MultiPolygon([big.difference(hole)])), shop_settings())
    bare = hole.buffer(-60.0 - 1e-6)
    assert jacket.ribs_mm
    for line in jacket.ribs_mm:
        assert not bare.intersects(LineString(line))
        assert jacket.flange_outer.buffer(1e-6).covers(LineString(line))
    # 1600 under spans of 450: three either way; the middle ones are parted by the opening
    assert len(jacket.ribs_mm) == 2 * (2 + 2)


# ---------------------------------------------------------------- pieces


@pytest.mark.parametrize(
    ("line_mm", "closed", "bolts"),
    [(2400.0, True, 16), (2400.0, False, 17), (2401.0, False, 18), (10.0, False, 2)],
)
def test_bolts_along_a_flange(line_mm: float, bolts: int, *, closed: bool) -> None:
    """Closed loop of 2400 at 150: 16; open line: 17, one more for its end: derived."""
    assert bolt_count(line_mm, 150.0, closed=closed) == bolts


@pytest.mark.parametrize(
    ("x_mm", "mass_kg", "pieces"),
    [(2399.0, 49.9, 1), (2401.0, 49.9, 2), (2399.0, 50.1, 2), (5000.0, 160.0, 4)],
)
def test_pieces_by_length_and_mass(x_mm: float, mass_kg: float, pieces: int) -> None:
    parting = plan_parting(box(0.0, 0.0, x_mm, 900.0), mass_kg, 1.5, 1e-5, shop_settings())
    if pieces == 1:
        assert parting is None
        return
    assert parting is not None
    assert parting.pieces == pieces
    assert [line[0][0] for line in parting.lines_mm] == pytest.approx(
        [x_mm * k / pieces for k in range(1, pieces)]
    )
    assert parting.length_mm == pytest.approx(1.5 * 900.0 * (pieces - 1))
    assert parting.bolts == (pieces - 1) * 10  # 1350 mm at 150, open: derived
    assert parting.mass_kg == pytest.approx(1e-5 * 2.0 * 60.0 * parting.length_mm)


def found(rubber: Rubber, half: Half | None = None, jacket: Jacket | None = None) -> dict[str, Finding]:
    """Return what building round a rubber has to say, by code."""
    shop, half = shop_settings(), half or plain_half()
    wall = plan_wall(rubber, shop)
    jacket = jacket or plan_jacket(half, rubber, shop)
    board = plan_board(rubber, wall, shop)
    return {item.code: item for item in building_findings(half, rubber, wall, board, jacket, shop)}


def test_a_jacket_too_large_for_one_piece_is_told_how_to_part() -> None:
    long = found(rubber_on(MultiPolygon([box(0.0, 0.0, 2600.0, 400.0)]), outer_mm2=1.2e6))["jacket-pieces"]
    assert (long.severity, long.value, long.limit, long.unit) == (
        "check",
        pytest.approx(2720.0),
        2400.0,
        "mm",
    )
    assert "in 2 pieces, parted square to its longer side at x = 1300 mm" in long.advice
    heavy = found(rubber_on(MultiPolygon([box(0.0, 0.0, 900.0, 2000.0)]), outer_mm2=6e6))["jacket-pieces"]
    assert (heavy.unit, heavy.limit) == ("kg", 50.0)
    assert "at y = 1000 mm" in heavy.advice
    assert "jacket-pieces" not in found(rubber_on(RECTANGLE))


def test_turning_carries_its_caution() -> None:
    heavy = found(rubber_on(RECTANGLE, mass_kg=20.0))
    for code in ("turning-aid", "turning-over"):
        assert "a qualified person decides; local codes apply" in heavy[code].advice
    for word in (
        "people get hurt",
        "turning edge",
        "foam bed",
        "people on each side",
        "strap",
        "apart before",
    ):
        assert word in heavy["turning-over"].advice
    light = rubber_on(RECTANGLE, outer_mm2=0.1e6, inner_mm2=0.1e6, mass_kg=1.0)
    assert "turning-over" not in found(light)


def test_parts_of_what_is_turned() -> None:
    """Foam 12 l at 20 kg/m3, cast 0.4 m2 at 5.35, board 1.1 x 0.8 m at 11 kg/m2: derived."""
    jacket = plan_jacket(plain_half(), rubber_on(RECTANGLE), shop_settings())
    parts = dict(jacket.turns_kg)
    assert list(parts) == ["jacket", "rubber", "pattern", "cast", "board"]
    assert parts["jacket"] == jacket.mass_kg
    assert parts["rubber"] == 4.6
    assert parts["pattern"] == pytest.approx(0.24, rel=1e-9)
    assert parts["cast"] == pytest.approx(0.4 * 5.35, rel=1e-9)
    assert parts["board"] == pytest.approx(1.1 * 0.8 * 11.0, rel=1e-9)
    assert jacket.turning_kg == pytest.approx(parts["jacket"] + parts["rubber"] + parts["cast"], rel=1e-12)
    assert "its board of 9.68 kg freed first" in jacket.turning


def test_a_brief_rubber_gets_the_same_jacket() -> None:
    full = rubber_on(comb())
    brief = BriefRubber(
        edge_line=full.edge_line, volume_mm3=full.volume_mm3, mass_kg=full.mass_kg,
        outer_area_mm2=full.outer_area_mm2, inner_area_mm2=full.inner_area_mm2,
    )  # fmt: skip
    shop = shop_settings()
    assert plan_jacket(plain_half(), brief, shop) == plan_jacket(plain_half(), full, shop)


# ---------------------------------------------------------------- handles and the edge to roll on


@pytest.mark.parametrize(("x_mm", "pairs"), [(500.0, 2), (1200.0, 2), (1201.0, 3), (2500.0, 5)])
def test_handles_stand_in_pairs_along_the_long_sides(x_mm: float, pairs: int) -> None:
    places = handles(box(0.0, 0.0, x_mm, 400.0), 9.0, shop_settings())
    assert len(places) == 2 * pairs
    assert {z for _, _, z in places} == {9.0}
    for low, high in zip(places[::2], places[1::2], strict=True):
        assert (low[0], low[1], high[1]) == (high[0], 0.0, 400.0)
    along = [place[0] for place in places[::2]]
    assert all(b - a <= 600.0 + 1e-3 for a, b in pairwise(along))


def test_handles_are_on_the_edge_of_the_flange() -> None:
    outline = plan_jacket(plain_half(), rubber_on(comb()), shop_settings()).flange_outer
    for x, y, _ in handles(outline, 0.0, shop_settings()):
        assert outline.exterior.distance(Point(x, y)) < 1e-6


def test_the_edge_to_roll_on_is_the_long_side_near_the_middle_of_mass() -> None:
    outline = box(0.0, 0.0, 1000.0, 400.0).buffer(60.0)
    edge = turning_edge(outline, (500.0, 150.0), 60.0)
    assert {round(point[1], 6) for point in edge} == {-60.0}
    assert abs(edge[1][0] - edge[0][0]) == pytest.approx(1120.0, abs=1.0)
    other = turning_edge(outline, (500.0, 250.0), 60.0)
    assert {round(point[1], 6) for point in other} == {460.0}


def test_the_edge_to_roll_on_turns_with_the_jacket() -> None:
    outline = shapely.affinity.rotate(box(0.0, 0.0, 1000.0, 400.0), 30.0, origin=(0.0, 0.0))
    start, end = turning_edge(outline, (300.0, 100.0), 60.0)
    assert math.hypot(end[0] - start[0], end[1] - start[1]) == pytest.approx(1000.0)
    assert outline.exterior.distance(Point(start)) < 1e-6
    assert outline.exterior.distance(Point(end)) < 1e-6


# ---------------------------------------------------------------- feet

RADIUS_MM, CELL_MM = 400.0, 8.0


def dome_half() -> Half:
    """Return the upper half of a ball of 400 mm."""
    ball = pattern_from_arrays(*moved(sphere(RADIUS_MM, 4), (0.0, 0.0, 0.0)), name="ball")
    return cut(ball, Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0), cells=64)[0]


def dome(radius_mm: float = RADIUS_MM + 8.0) -> Rubber:
    """Return a rubber whose outer face is a hemisphere."""
    count = 2 * math.ceil(radius_mm / CELL_MM) + 20
    grid = Grid(-0.5 * count * CELL_MM, -0.5 * count * CELL_MM, CELL_MM, count, count)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    heights = np.sqrt(np.maximum(radius_mm**2 - x**2 - y**2, 0.0))
    edge = MultiPolygon([Point(0.0, 0.0).buffer(radius_mm + 40.0)])
    return rubber_on(edge, outer_mm2=2.0 * PI * radius_mm**2, grid=grid, outer_mm=heights, top_mm=heights)


def fitted(**overrides: float) -> tuple[Jacket, Rubber]:
    shop, rubber = shop_settings(**overrides), dome()
    return plan_fittings(plan_jacket(dome_half(), rubber, shop), rubber, dome_half(), shop), rubber


def test_feet_end_in_one_plane_level_with_the_board() -> None:
    jacket, _ = fitted()
    ends = [foot[2] + length for foot, length in zip(jacket.feet_mm, jacket.foot_height_mm, strict=True)]
    assert len(ends) == 4
    assert ends == pytest.approx([850.0] * 4, rel=1e-12)
    assert jacket.stand_mm == 850.0


def test_feet_stand_on_the_outside_round_the_middle_of_mass() -> None:
    """A quad on a circle of radius r holds its middle r / sqrt(2) inside at best: derived."""
    jacket, rubber = fitted()
    radius, top = RADIUS_MM + 8.0, float(rubber.outer_mm.max()) + jacket.thickness_mm
    for x, y, z in jacket.feet_mm:
        face = math.sqrt(radius**2 - x**2 - y**2)
        assert z == pytest.approx(face + jacket.thickness_mm, abs=1e-9)
        assert z >= 0.3 * top
    feet = Polygon([foot[:2] for foot in jacket.feet_mm])
    centre = shell_centre_mm(dome_half())
    assert feet.is_valid
    assert feet.exterior.is_ccw
    widest = math.sqrt(radius**2 - (0.3 * top) ** 2)
    assert feet.exterior.distance(Point(centre[:2])) >= 0.85 * (widest / math.sqrt(2.0) - 2.0 * CELL_MM)


def test_the_middle_of_a_hemispheres_shell_is_half_its_height() -> None:
    """Archimedes: the area of a zone of a ball is as its height, so the middle lies at R / 2."""
    x, y, z = shell_centre_mm(dome_half())
    assert (x, y) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert z == pytest.approx(RADIUS_MM / 2.0, rel=2e-3)


@pytest.mark.parametrize(
    ("height_mm", "narrow_mm", "stand_mm"),
    [(300.0, 700.0, 850.0), (300.0, 600.0, 350.0), (900.0, 800.0, 950.0), (900.0, 700.0, 950.0)],
)
def test_how_high_the_flange_stands(height_mm: float, narrow_mm: float, stand_mm: float) -> None:
    """The working height of 850 on a wide jacket, low feet on a narrow one, clear of a deep one by 50."""
    assert stand_for(height_mm, narrow_mm, shop_settings()) == stand_mm


def test_low_and_high_stands_are_noted() -> None:
    jacket, rubber = fitted()
    assert not {"stand-on-bench", "stand-high"} & set(found(rubber, dome_half(), jacket))
    low = found(rubber, dome_half(), replace(jacket, stand_mm=350.0))["stand-on-bench"]
    assert (low.severity, low.value, low.limit) == ("note", 350.0, 850.0)
    assert "bench or trestles of 500 mm" in low.advice
    high = found(rubber, dome_half(), replace(jacket, stand_mm=1000.0))["stand-high"]
    assert "1000 mm above the floor" in high.advice


def test_feet_change_no_mass() -> None:
    shop, rubber = shop_settings(), dome()
    plain = plan_jacket(dome_half(), rubber, shop)
    jacket = plan_fittings(plain, rubber, dome_half(), shop)
    assert (jacket.mass_kg, jacket.fittings_kg) == (plain.mass_kg, plain.fittings_kg)
    # feet from half the height: 4 x (850 - (400 + 8 + 4.45) / 2), handles, and a rib along the longer side
    feet_m = 4e-3 * (850.0 - 0.5 * (400.0 + 8.0 + plain.thickness_mm))
    longer_m = 1e-3 * (plain.flange_outer.bounds[2] - plain.flange_outer.bounds[0])
    handles_kg = 0.5 * len(plain.handles_mm)
    assert plain.fittings_kg == pytest.approx(1.2 * feet_m + handles_kg + 0.7 * longer_m, rel=1e-6)


def test_feet_of_a_rubber_in_one_corner_still_hold_its_middle() -> None:
    """An L of equal heights: the middle of mass may lie off it, the feet go round it all the same."""
    ell = np.zeros((60, 60))
    ell[5:55, 5:15] = ell[5:15, 5:55] = 120.0
    grid = Grid(0.0, 0.0, 10.0, 60, 60)
    edge = MultiPolygon([Polygon([(50, 50), (550, 50), (550, 150), (150, 150), (150, 550), (50, 550)])])
    rubber = rubber_on(edge, grid=grid, outer_mm=ell, top_mm=ell)
    half = replace(plain_half(), vertices=plain_half().vertices + np.array([200.0, 200.0, 0.0]))
    jacket = plan_fittings(plan_jacket(half, rubber, shop_settings()), rubber, half, shop_settings())
    assert Polygon([foot[:2] for foot in jacket.feet_mm]).contains(Point(shell_centre_mm(half)[:2]))
    assert all(foot[2] > 120.0 for foot in jacket.feet_mm)


# ---------------------------------------------------------------- volume of the laminate


def test_volume_between_two_domes() -> None:
    """(2/3) pi ((R + t)^3 - R^3), a little less: triangles lie under the dome. Derived."""
    inner, outer = dome(408.0), dome(428.0)
    pad = (outer.outer_mm.shape[0] - inner.outer_mm.shape[0]) // 2
    rubber = np.pad(inner.outer_mm, pad)
    volume = laminate_mm3(rubber, outer.outer_mm, CELL_MM)
    assert volume == pytest.approx(2.0 / 3.0 * PI * (428.0**3 - 408.0**3), rel=5e-3)


def test_a_known_outside_gives_the_volume() -> None:
    shop, rubber = shop_settings(), dome()
    plain = plan_jacket(dome_half(), rubber, shop)
    assert plan_fittings(plain, rubber, dome_half(), shop).volume_mm3 == plain.volume_mm3
    raised = np.where(rubber.outer_mm > 0.0, rubber.outer_mm + 5.0, 0.0)
    known = plan_fittings(replace(plain, outer_mm=raised), rubber, dome_half(), shop)
    assert known.volume_mm3 == laminate_mm3(rubber.outer_mm, raised, CELL_MM)


def test_ribs_are_lines_of_some_length() -> None:
    jacket = plan_jacket(plain_half(), rubber_on(comb()), shop_settings())
    assert length_mm(jacket.ribs_mm) == pytest.approx(sum(LineString(line).length for line in jacket.ribs_mm))
