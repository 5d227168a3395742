"""Remedies for undercuts: ways out against closed forms and rays, costs by hand, which is chosen."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import trimesh
import zoo
from manifold3d import Manifold
from numpy.typing import NDArray
from shop import shop_settings

from moldplan.columns.leave import RESERVE, STEP, Cubes, leaving
from moldplan.errors import SettingError
from moldplan.half import Half, lay_whole
from moldplan.half.model import Region
from moldplan.half.solids import mesh_of
from moldplan.mould.cubes import box_of, clear_cubes, edge_for, gap_cubes, middles, solid_cubes
from moldplan.mould.loose import loose_pieces, surroundings
from moldplan.mould.model import Coat, OtherSplit, RegionAdvice, Remedy, Rubber
from moldplan.mould.other_split import judge_other
from moldplan.mould.remedies import (
    LEAST_PIECE_MM3,
    PLUG_SHARE,
    advise,
    advised_rubber_kg,
    solid_rubber_mm,
)
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.soften import soften
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import Pattern
from moldplan.split.model import Plane

Floats = NDArray[np.float64]
SETTINGS = shop_settings()
SKIN = 8.0
kernel = pytest.mark.kernel


def shape_of(solid: Manifold | zoo.Mesh) -> Pattern:
    points, faces = mesh_of(solid) if isinstance(solid, Manifold) else solid
    return pattern_from_arrays(points, faces, name="shape", up="+z", front="+y")


def standing(solid: Manifold | zoo.Mesh, cells: int = 128) -> Half:
    """Stand a solid on its own foot; its frame is that of the solid."""
    shape = shape_of(solid)
    return lay_whole(shape, Plane(normal=(0.0, 0.0, 1.0), offset_mm=-shape.size_mm[2] / 2), cells=cells)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


@cache
def slotted() -> Half:
    """Block with a pocket 120 deep from +x, 80 wide and 90 high."""
    return standing(block(200, 160, 180) - block(120, 80, 90, (40, 0, 40)))


@cache
def bottle() -> Half:
    """Block with a room 100 x 100 x 80 behind a mouth of 40 x 40."""
    room = block(100, 100, 80, (0, 0, 40)) + block(100, 40, 40, (80, 0, 60))
    return standing(block(160, 160, 160) - room)


@cache
def ring() -> Half:
    """Mushroom: a ring 90 high from radius 30 to 110 under a cap."""
    return standing(zoo.mushroom(30.0, 90.0, 110.0, 30.0, 96))


@cache
def pierced() -> Half:
    """Block with a hole 70 x 70 right through."""
    return standing(block(200, 120, 160) - block(70, 200, 70, (0, 0, 50)))


@cache
def any_rubber() -> Rubber:
    return plan_rubber(standing(block(60.0, 50.0, 40.0)), SETTINGS)


def rubber_with(*fills: tuple[int, float, int]) -> Rubber:
    """Return a rubber of 20 kg whose undercuts (id) take so many kg in so many extra passes."""
    coats = tuple(
        Coat(
            name=f"extra in undercut {number}", thickness_mm=3.0, area_mm2=1.0, volume_mm3=mass / 1.15 * 1e6,
            mass_kg=mass, next_after_min=60.0, next_before_min=240.0, region=number, passes=passes,
        )
        for number, mass, passes in fills
    )  # fmt: skip
    passes_of = {number: passes for number, _, passes in fills}
    return replace(any_rubber(), coats=coats, region_coats=passes_of, mass_kg=20.0, skin_mm=SKIN)


def first(half: Half) -> Region:
    return half.undercut.regions[0]


def kinds(advice: RegionAdvice) -> dict[str, Remedy]:
    return {remedy.kind: remedy for remedy in advice.weighed}


# --- loose pieces: closed forms ---------------------------------------------------------------------------


def test_a_piece_leaves_a_pocket_by_its_mouth_and_nowhere_else() -> None:
    """The pocket less the skin on five sides: 112 x 64 x 74 (derived, first principles)."""
    half = slotted()
    (piece,) = loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.95)
    assert piece.share == pytest.approx(1.0, abs=0.01)
    assert math.degrees(math.acos(piece.pull[0])) < 8.0
    assert piece.size_mm == pytest.approx((112.0, 74.0, 64.0), abs=9.0)  # two cubes of some 4.5 mm


@pytest.mark.parametrize("turn_deg", [25.0, 140.0, 260.0])
def test_the_way_out_turns_with_the_shape(turn_deg: float) -> None:
    solid = block(200, 160, 180) - block(120, 80, 90, (40, 0, 40))
    half = standing(solid.rotate((0.0, 0.0, turn_deg)))
    (piece,) = loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.95)
    turn = math.radians(turn_deg)
    assert piece.pull[0] * math.cos(turn) + piece.pull[1] * math.sin(turn) > math.cos(math.radians(12.0))
    assert piece.share > 0.97


def test_a_pocket_that_rises_sends_its_piece_out_obliquely() -> None:
    hole = Manifold.cube((300, 70, 80), True).translate((150.0, 0.0, 0.0)).rotate((0.0, -35.0, 0.0))
    half = standing(block(200, 160, 220) - hole.translate((-30.0, 0.0, 70.0)))
    (piece,) = loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.9)
    rise = math.degrees(math.asin(piece.pull[2]))
    assert rise == pytest.approx(35.0, abs=12.0)
    assert piece.share > 0.9


def behind(stem: float, cap: float) -> float:
    """Return the share of a ring that lies behind its stem, whichever way one leaves.

    The strip as wide as the stem, less half of the stem, over the ring (derived, first principles).
    """
    strip = cap**2 * math.asin(stem / cap) + stem * math.sqrt(cap**2 - stem**2) - math.pi * stem**2 / 2.0
    return strip / (math.pi * (cap**2 - stem**2))


def test_a_ring_takes_two_pieces_of_which_the_first_clears_all_but_the_stems_shadow() -> None:
    half = ring()
    pieces = loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.97)
    assert len(pieces) == 2
    assert pieces[0].share == pytest.approx(1.0 - behind(38.0, 110.0), abs=0.05)
    assert pieces[0].share + pieces[1].share > 0.97
    assert np.dot(pieces[0].pull, pieces[1].pull) < 0.0


def test_no_piece_leaves_a_room_that_is_wider_than_its_mouth() -> None:
    half = bottle()
    pieces = loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.95)
    assert sum(piece.share for piece in pieces) < 0.5


def test_the_skin_fills_a_narrow_slot_and_leaves_nothing_for_a_piece() -> None:
    half = standing(block(120, 80, 90) - block(60, 100, 14, (50, 0, 40)))
    assert loose_pieces(half, first(half), surroundings(half), skin_mm=SKIN, enough=0.95) == ()


def test_twice_as_large_with_twice_the_skin_leaves_alike() -> None:
    points, faces = mesh_of(block(200, 160, 180) - block(120, 80, 90, (40, 0, 40)))
    one, two = standing((points, faces)), standing((2.0 * points, faces))
    (a,) = loose_pieces(one, first(one), surroundings(one), skin_mm=SKIN, enough=0.95)
    (b,) = loose_pieces(two, first(two), surroundings(two), skin_mm=2.0 * SKIN, enough=0.95)
    assert b.pull == pytest.approx(a.pull, abs=1e-9)
    assert b.size_mm == pytest.approx([2.0 * side for side in a.size_mm], rel=1e-6)


# --- cubes ------------------------------------------------------------------------------------------------


def test_cubes_are_solid_where_their_middles_are() -> None:
    half = ring()
    low, high = np.array([-120.0, -120.0, 0.0]), np.array([120.0, 120.0, 130.0])
    solid = solid_cubes(half, low, high, 6.5)
    x, y, z = middles(low, 6.5, np.ones(solid.shape, dtype=bool)).T
    r = np.hypot(x, y)
    inside = np.where(z < 90.0, r < 30.0, (r < 110.0) & (z < 120.0))
    sure = np.minimum.reduce([np.abs(r - 30.0), np.abs(r - 110.0), np.abs(z - 90.0), np.abs(z - 120.0)]) > 0.5
    np.testing.assert_array_equal(solid.ravel()[sure], inside[sure])


def test_cubes_lie_in_an_undercut_where_its_gaps_are() -> None:
    half = ring()
    low, high = box_of(half.undercut.gaps, 1)
    np.testing.assert_allclose([*low[:2], *high[:2]], [-110.0, -110.0, 110.0, 110.0], atol=2.0)
    assert (low[2], high[2]) == (0.0, pytest.approx(90.0))
    gap = gap_cubes(half.undercut.gaps, 1, low, (44, 44, 18), 5.0)
    x, y, _ = middles(low, 5.0, gap).T
    r = np.hypot(x, y)
    assert 25.0 < r.min() < 35.0
    assert 105.0 < r.max() < 115.0
    assert gap.sum() * 125.0 == pytest.approx(math.pi * (110.0**2 - 30.0**2) * 90.0, rel=0.05)


def test_distance_of_cubes_is_good_to_a_cube_along_the_board() -> None:
    """Half a diagonal, and by how much it is longer than half a cube: sqrt(2) - 1/2 cubes (derived)."""
    half = standing(block(60, 60, 60))
    cubes = clear_cubes(half, np.array([-80.0, -60.0, 0.0]), np.array([80.0, 60.0, 60.0]), 4.0)
    x, y, _ = middles(cubes.origin_mm, 4.0, np.ones(cubes.clear_mm.shape, dtype=bool)).T
    exact = np.hypot(np.maximum(np.abs(x) - 30.0, 0.0), np.maximum(np.abs(y) - 30.0, 0.0))
    assert np.abs(cubes.clear_mm.ravel() - exact).max() <= 4.0 * (math.sqrt(2.0) - 0.5) + 1e-5


def test_air_alone_is_clear_without_end_and_edges_keep_their_least() -> None:
    half = standing(block(20, 20, 20))
    cubes = clear_cubes(half, np.array([50.0, 50.0, 0.0]), np.array([60.0, 60.0, 10.0]), 2.0)
    assert np.isinf(cubes.clear_mm).all()
    assert edge_for(np.zeros(3), np.full(3, 10.0), most=1000, least_mm=0.0) == pytest.approx(1.0)
    assert edge_for(np.zeros(3), np.full(3, 10.0), most=1000, least_mm=3.0) == 3.0


# --- the kernel -------------------------------------------------------------------------------------------


def march_plain(
    point: Floats, way: Floats, near: Cubes, far: Cubes, *, near_mm: float, far_mm: float
) -> bool:
    """Walk as the kernel does, one point at a time."""
    place = point.copy()
    while True:
        at = np.floor((place - near.origin_mm) / near.edge_mm).astype(int)
        if (at >= 0).all() and (at < near.clear_mm.shape).all():
            if near.clear_mm[tuple(at)] < near_mm:
                return False
            place = place + STEP * near.edge_mm * way
            continue
        at = np.floor((place - far.origin_mm) / far.edge_mm).astype(int)
        if not ((at >= 0).all() and (at < far.clear_mm.shape).all()):
            return True
        clear = float(far.clear_mm[tuple(at)])
        if clear < far_mm:
            return False
        place = place + max(STEP * far.edge_mm, clear - far_mm - RESERVE * far.edge_mm) * way


def some_cubes(rng: np.random.Generator) -> tuple[Cubes, Cubes]:
    """Return fine cubes within coarse ones, with blobs of solid in them."""
    far = rng.uniform(0.0, 9.0, (7, 6, 5)).astype(np.float32)
    near = rng.uniform(0.0, 9.0, (6, 6, 6)).astype(np.float32)
    return (
        Cubes(origin_mm=np.array([8.0, 8.0, 4.0]), edge_mm=1.5, clear_mm=near),
        Cubes(origin_mm=np.zeros(3), edge_mm=4.0, clear_mm=far),
    )


@kernel
@pytest.mark.parametrize("seed", range(3))
def test_leaving_equals_a_plain_walk(seed: int) -> None:
    rng = np.random.default_rng(seed)
    near, far = some_cubes(rng)
    points = rng.uniform([8.0, 8.0, 4.0], [17.0, 17.0, 13.0], (9, 3))
    ways = rng.normal(size=(7, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    found = leaving(points, ways, near=near, far=far, near_mm=0.8, far_mm=0.5)
    plain = [[march_plain(p, way, near, far, near_mm=0.8, far_mm=0.5) for p in points] for way in ways]
    np.testing.assert_array_equal(found, plain)
    assert 0 < found.sum() < found.size


def test_points_leave_where_rays_meet_nothing() -> None:
    """Without a skin a point leaves just where a ray from it misses the mesh, but for what is grazed."""
    half = bottle()
    low, high = box_of(half.undercut.gaps, 1)
    near = clear_cubes(half, low - 8.0, high + 8.0, 2.0)
    far = clear_cubes(half, half.vertices.min(axis=0), half.vertices.max(axis=0), 3.0)
    rng = np.random.default_rng(4)
    points = rng.uniform([-45.0, -45.0, 45.0], [45.0, 45.0, 115.0], (120, 3))
    ways = rng.normal(size=(12, 3))
    ways[:, 2], ways[:6, 0] = np.abs(ways[:, 2]) * 0.2, 2.0
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    found = leaving(points, ways, near=near, far=far, near_mm=0.5, far_mm=0.75)
    mesh = trimesh.Trimesh(half.vertices, half.faces, process=False)
    for way, out in zip(ways, found, strict=True):
        meets = mesh.ray.intersects_any(points, np.tile(way, (len(points), 1)))
        assert np.mean(out == ~meets) > 0.9
    assert found.any()


# --- another split ----------------------------------------------------------------------------------------


def judged(normal: tuple[float, float, float], offset_mm: float) -> float:
    shape = shape_of(zoo.mushroom(30.0, 90.0, 110.0, 30.0, 96))
    other = judge_other(
        shape, [ring()], Plane(normal=normal, offset_mm=offset_mm), called=("LEFT", "RIGHT"),
        undercut_mm3=2e6, now_mm3=3e6,
    )  # fmt: skip
    assert other.text == (
        f"a LEFT/RIGHT split square to {','.join(f'{part:.2f}' for part in normal)} locks 2.00 l in all "
        "instead of 3.00 l"
    )
    return other.still[ring().name, 1]


def test_the_planned_plane_still_locks_all_and_one_down_the_stem_nothing() -> None:
    assert judged((0.0, 0.0, 1.0), -60.0) == pytest.approx(1.0, abs=5e-3)  # the rim, to a cell
    assert judged((1.0, 0.0, 0.0), 0.0) < 0.02


def test_a_plane_beside_the_mushroom_locks_what_lies_behind_the_stem() -> None:
    assert judged((1.0, 0.0, 0.0), -150.0) == pytest.approx(behind(30.0, 110.0), abs=0.02)
    assert judged((0.0, 1.0, 0.0), 150.0) == pytest.approx(behind(30.0, 110.0), abs=0.02)


def test_judging_refuses_too_few_cells_and_a_normal_of_no_length() -> None:
    shape = shape_of(zoo.box())
    with pytest.raises(SettingError, match="cells: got 2, allowed 8 to 4096"):
        judge_other(
            shape, [], Plane(normal=(1.0, 0.0, 0.0), offset_mm=0.0), called=("A", "B"), undercut_mm3=0.0,
            now_mm3=0.0, cells=2,
        )  # fmt: skip
    with pytest.raises(SettingError, match="a direction is three finite numbers, not all zero"):
        judge_other(
            shape, [], Plane(normal=(0.0, 0.0, 0.0), offset_mm=0.0), called=("A", "B"), undercut_mm3=0.0,
            now_mm3=0.0,
        )  # fmt: skip


# --- advice -----------------------------------------------------------------------------------------------


def one_advice(half: Half, mass: float, passes: int, **changed: float) -> RegionAdvice:
    settings = shop_settings(**changed) if changed else SETTINGS
    (advice,) = advise(half, rubber_with((1, mass, passes)), settings)
    return advice


def test_filling_costs_its_rubber_and_the_hours_to_lay_it() -> None:
    """0.8 kg at 24, and 0.8 / 4 h at 25 (by hand)."""
    advice = one_advice(slotted(), 0.8, 4)
    assert (advice.solid_mm, len(advice.weighed)) == (SKIN + 4 * 3.0, 1)
    assert advice.chosen.kind == "fill"
    assert advice.chosen.hours == pytest.approx(0.2)
    assert advice.chosen.cost == pytest.approx(0.8 * 24.0 + 0.2 * 25.0)
    assert advice.chosen.text == "fill with 0.800 kg of rubber in 4 extra passes"


def test_deep_rubber_takes_a_piece_or_plug_whichever_is_cheaper() -> None:
    advice = one_advice(slotted(), 0.7, 10)
    by_kind = kinds(advice)
    piece, plug = by_kind["loose piece"], by_kind["plug"]
    assert piece.possible
    assert plug.possible
    assert advice.chosen == plug  # two hours against four
    assert plug.cost == pytest.approx(0.14 * 24.0 + (2.0 + 0.14 / 4.0) * 25.0 + 0.56 / 1.15 * 4.0)
    assert plug.rubber_kg == pytest.approx(0.7 * (1.0 - PLUG_SHARE))
    dear = one_advice(slotted(), 0.7, 10, mould__plug_h=9.0)
    assert dear.chosen.kind == "loose piece"
    assert dear.chosen.text.startswith("loose jacket piece ")
    assert "leaves towards the right, level; clears 100 %; no rubber instead of 0.700 kg" in dear.chosen.text
    assert dear.chosen.pulls == (dear.chosen.pull,)
    sheet = 2.0 * sum(
        a * b for a, b in zip(piece.size_mm, (*piece.size_mm[1:], piece.size_mm[0]), strict=True)
    )
    laminate = sheet * 1e-6 * 3 * 0.45 * 3.5  # three plies of 450 g/m2, resin to glass 2.5 to 1
    assert dear.chosen.cost == pytest.approx(4.0 * 25.0 + laminate * 6.0, rel=1e-6)


def test_between_the_limits_the_cheapest_is_taken_filling_too() -> None:
    advice = one_advice(slotted(), 0.7, 6)  # 26 mm
    assert kinds(advice)["plug"].possible
    assert advice.chosen.kind == "fill"
    assert one_advice(slotted(), 5.0, 6).chosen.kind == "plug"


def test_a_room_behind_a_narrow_mouth_can_only_be_filled() -> None:
    advice = one_advice(bottle(), 0.6, 14)
    by_kind = kinds(advice)
    assert advice.chosen.kind == "fill"
    assert not by_kind["loose piece"].possible
    assert not by_kind["plug"].possible
    assert "it would not come out" in by_kind["plug"].text
    assert not by_kind["soften"].possible
    assert [item.possible for item in advice.weighed] == [True, False, False, False]


def test_a_ring_takes_two_pieces_at_twice_the_hours_and_no_plug() -> None:
    advice = one_advice(ring(), 3.0, 12)
    by_kind = kinds(advice)
    assert advice.chosen.kind == "loose piece"
    assert len(advice.chosen.pulls) == 2
    assert advice.chosen.text.startswith("2 loose jacket pieces ")
    assert advice.chosen.hours == pytest.approx(8.0 + advice.chosen.rubber_kg / 4.0)
    assert "ledge" in by_kind["plug"].text


def test_a_tunnel_takes_a_plug_in_two_parts_or_a_web_on_top_of_the_rest() -> None:
    advice = one_advice(pierced(), 0.5, 9)
    by_kind = kinds(advice)
    assert by_kind["fill"].hours == pytest.approx(0.5 / 4.0 + 1.0)
    assert by_kind["fill"].text.endswith(", with 1 web across the opening")
    assert by_kind["loose piece"].text.endswith(", with 1 web across the opening")
    assert advice.chosen.kind == "plug"
    assert advice.chosen.text.startswith("plug in two parts, one from either side, ")
    shallow = one_advice(pierced(), 0.1, 3)
    assert shallow.chosen.kind == "fill"
    assert "1 web" in shallow.chosen.text


def test_too_little_filling_makes_no_piece() -> None:
    mass = 0.9 * LEAST_PIECE_MM3 * 1.15e-6
    by_kind = kinds(one_advice(slotted(), mass, 12))
    assert by_kind["loose piece"].text == "loose jacket piece: too small to make"
    assert not by_kind["loose piece"].possible


def test_softening_is_weighed_with_filler_and_hours_and_waits_for_the_client() -> None:
    """A hole 20 high is closed with 10 mm of filler: over the shop's own 5 mm."""
    half = standing(block(120, 80, 90) - block(60, 100, 20, (0, 0, 40)))
    advice = one_advice(half, 0.02, 2)
    soft = kinds(advice)["soften"]
    litres = 60.0 * 80.0 * 20.0 * 1e-6
    assert soft.possible
    assert (soft.rubber_kg, soft.volume_mm3) == (0.0, pytest.approx(litres * 1e6, rel=1e-6))
    assert soft.cost == pytest.approx(litres * 12.0 + litres * 1.5 * 25.0, rel=1e-6)
    assert soft.text.startswith("up to 10 mm of filler, 0.096 l, closing the tunnel; ")
    assert soft.text.endswith("; ask the client first")
    assert advice.chosen.kind == "fill"


def test_only_some_undercuts_are_softened_when_only_those_are_asked_for() -> None:
    half = standing(block(120, 80, 90) - block(60, 100, 8, (0, 0, 20)) - block(50, 100, 8, (0, 0, 60)))
    every = soften(half, SETTINGS)
    assert {item.region for item in every} == {1, 2}
    assert soften(half, SETTINGS, only=[2]) == tuple(item for item in every if item.region == 2)
    assert soften(half, SETTINGS, only=[]) == ()


def split_with(still: float, undercut_mm3: float) -> OtherSplit:
    return OtherSplit(
        called=("LEFT", "RIGHT"), normal=(1.0, 0.0, 0.0), offset_mm=0.0, undercut_mm3=undercut_mm3,
        now_mm3=3e6, still={(bottle().name, 1): still}, text="a LEFT/RIGHT split locks less",
    )  # fmt: skip


def test_another_split_is_taken_when_it_frees_the_undercut_and_locks_less_in_all() -> None:
    rubber = rubber_with((1, 0.6, 14))
    (advice,) = advise(bottle(), rubber, SETTINGS, others=[split_with(0.6, 1e6), split_with(0.01, 1.5e6)])
    assert advice.chosen.kind == "another split"
    assert advice.chosen.text == "another split leaves 1 % of this undercut; a LEFT/RIGHT split locks less"
    assert advice.chosen.rubber_kg == pytest.approx(0.006)
    assert advice.chosen.cost == 0.0  # it saves more elsewhere than this undercut takes


@pytest.mark.parametrize(("still", "undercut_mm3"), [(0.3, 1e6), (0.0, 2.9e6), (0.0, 4e6)])
def test_another_split_that_frees_too_little_or_locks_it_elsewhere_is_none(
    still: float, undercut_mm3: float
) -> None:
    other = split_with(still, undercut_mm3)
    (advice,) = advise(bottle(), rubber_with((1, 0.6, 14)), SETTINGS, others=[other])
    assert advice.chosen.kind == "fill"
    assert not kinds(advice)["another split"].possible
    assert kinds(advice)["another split"].text.startswith("another split is no better: it leaves ")


def test_advised_rubber_is_less_by_what_the_chosen_remedies_save() -> None:
    rubber = rubber_with((1, 0.7, 10))
    (advice,) = advise(slotted(), rubber, SETTINGS)
    assert advised_rubber_kg(rubber, [advice]) == pytest.approx(20.0 - 0.7 * PLUG_SHARE)
    assert advised_rubber_kg(rubber, ()) == 20.0


def test_no_advice_on_a_sealed_pocket_and_none_needed_where_the_base_coats_fill() -> None:
    bell = standing(block(50, 50, 30) - block(8, 8, 20))
    assert bell.undercut.regions[0].mouths == 0
    assert advise(bell, rubber_with(), SETTINGS) == ()
    (advice,) = advise(slotted(), rubber_with(), SETTINGS)
    assert (advice.chosen.kind, advice.chosen.cost) == ("fill", 0.0)
    assert advice.chosen.text == "the base coats fill it"


def test_every_remedy_is_in_order_and_the_chosen_is_possible() -> None:
    for half in (slotted(), bottle(), ring(), pierced()):
        for passes in (3, 7, 14):
            advice = one_advice(half, 1.0, passes)
            assert advice.chosen in advice.weighed
            assert advice.chosen.possible
            possible = [item.cost for item in advice.weighed if item.possible]
            assert possible == sorted(possible)


def test_solid_rubber_is_skin_and_whole_passes() -> None:
    rubber = rubber_with((1, 0.7, 10))
    assert solid_rubber_mm(first(slotted()), rubber, SETTINGS) == 38.0


@pytest.mark.slow
def test_advice_on_a_real_plan_saves_what_the_extra_passes_held() -> None:
    """The whole way: rubber planned, advised; the piece takes what lies beyond the skin."""
    half = slotted()
    rubber = plan_rubber(half, SETTINGS)
    (advice,) = advise(half, rubber, shop_settings(mould__plug_h=9.0))
    assert advice.chosen.kind == "loose piece"
    beyond_l = 112.0 * 64.0 * 74.0 * 1e-6
    assert kinds(advice)["fill"].rubber_kg == pytest.approx(beyond_l * 1.15, rel=0.06)
    assert advice.chosen.volume_mm3 == pytest.approx(beyond_l * 1e6, rel=0.06)
    assert advised_rubber_kg(rubber, [advice]) == pytest.approx(rubber.mass_kg - beyond_l * 1.15, rel=0.02)
