"""Coats of rubber: how thick each may be, how many it takes, and that together they are the rubber."""

import math
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
import zoo
from lying import above_board, gaps_over, lying, undercut
from shop import shop_settings

from moldplan.half.model import Half, Region
from moldplan.mould.coats import base_distances_mm, sag_limit_mm, thick_coat_mm
from moldplan.mould.model import Coat, Rubber
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.surface import surface_of

STEM, STEM_HEIGHT, CAP = 100.0, 60.0, 180.0
#: Share of a circle that a polygon of 64 sides covers.
POLYGON = math.sin(2.0 * math.pi / 64) / (2.0 * math.pi / 64)


@cache
def mushroom() -> tuple[Half, Rubber]:
    """Return a mushroom with its undercut as one region, and its rubber."""
    volume = math.pi * (CAP**2 - STEM**2) * STEM_HEIGHT * POLYGON
    region = Region(
        id=1, volume_mm3=volume, area_mm2=volume / STEM_HEIGHT, depth_mm=STEM_HEIGHT, reach_mm=CAP - STEM,
        mouth_mm=2.0 * math.pi * CAP, mouths=1, centre_mm=(0.0, 0.0, 0.5 * STEM_HEIGHT),
    )  # fmt: skip

    def under_the_cap(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r = np.hypot(x, y)
        return (r > STEM) & (r < CAP)

    gaps = gaps_over(under_the_cap, 0.0, STEM_HEIGHT, span=CAP, cell=2.0)
    half = lying(zoo.mushroom(STEM, STEM_HEIGHT, CAP, 50.0, 64), undercut((region,), gaps))
    return half, plan_rubber(half, shop_settings())


@cache
def block() -> Half:
    return lying(zoo.moved(zoo.box(1000.0, 700.0, 150.0), (0.0, 0.0, 75.0)))


def base_coats(rubber: Rubber) -> list[Coat]:
    return [coat for coat in rubber.coats if "coat" in coat.name]


@pytest.mark.parametrize(
    ("stress", "slope", "limit"),
    [
        # tau_y / (rho g sin theta) at 1150 kg/m3, g 9.81 (derived; the formula: Balmforth et al.,
        # J. Non-Newtonian Fluid Mech. 139 (2006))
        (50.0, 90.0, 4.432),
        (50.0, 45.0, 6.268),
        (100.0, 90.0, 8.864),
        (50.0, 135.0, 6.268),
    ],
)
def test_sag_limit(stress: float, slope: float, limit: float) -> None:
    found = sag_limit_mm(yield_stress_pa=stress, density_kg_l=1.15, slope_deg=slope)
    assert found == pytest.approx(limit, abs=1e-3)


def test_no_coat_slides_on_the_level() -> None:
    assert sag_limit_mm(yield_stress_pa=50.0, density_kg_l=1.15, slope_deg=0.0) == math.inf


def test_thick_coat_is_the_lesser_of_card_and_sag() -> None:
    assert thick_coat_mm(shop_settings()) == 3.0
    assert thick_coat_mm(shop_settings(rubber__yield_stress_pa=20.0)) == pytest.approx(1.7728, abs=1e-3)


def test_thick_coat_goes_by_the_half_s_own_slopes() -> None:
    """A cone of 45 degrees holds sqrt(2) of what a wall holds (derived); its flat top holds any."""
    cone = surface_of(lying(zoo.frustum(300.0, 100.0, 200.0, 256)))
    runny = shop_settings(rubber__yield_stress_pa=20.0)
    assert thick_coat_mm(runny, surface=cone) == pytest.approx(1.7728 * math.sqrt(2.0), abs=1e-3)
    assert thick_coat_mm(shop_settings(), surface=cone) == 3.0
    wall = surface_of(lying(zoo.frustum(300.0, 300.0, 200.0, 64)))
    assert thick_coat_mm(runny, surface=wall) == pytest.approx(1.7728, abs=1e-3)


@pytest.mark.parametrize("skin", [0.5, 0.7, 3.7, 3.8, 8.0, 12.0])
def test_base_coats_reach_the_skin_evenly_and_none_is_too_thick(skin: float) -> None:
    depths = base_distances_mm(skin, detail_mm=0.7, thick_mm=3.0)
    steps = np.diff(depths, prepend=0.0)
    assert depths[-1] == skin
    assert steps[0] == min(skin, 0.7)
    assert (steps[1:] <= 3.0 + 1e-9).all()
    np.testing.assert_allclose(steps[1:], steps[1:].mean() if len(steps) > 1 else 0.0)
    assert len(steps) == 1 + math.ceil((skin - steps[0]) / 3.0 - 1e-9)


def test_a_metre_figure_takes_four_or_five_base_coats() -> None:
    """Common practice, no source: four to six coats in all for a normal build of 6 to 12 mm."""
    body = zoo.sphere(1.0, 3)
    half = lying(above_board((body[0] * np.array([250.0, 500.0, 220.0]), body[1])))
    base = base_coats(plan_rubber(half, shop_settings()))
    assert len(base) == 4
    assert base[0].thickness_mm < 1.0 < base[1].thickness_mm <= 3.0
    thin = base_coats(plan_rubber(half, shop_settings(rubber__yield_stress_pa=20.0)))
    assert len(thin) == 6, "what does not stay up on a steep flank is laid on in more coats"


def test_rubber_rests_a_day_before_the_jacket() -> None:
    """Common practice, no source: about a day; coats an hour or more apart and not too late.

    The card's times hold at 23 C; times double for 10 C less (a common rule, relayed).
    """
    longer = 2.0**0.3
    coats = mushroom()[1].coats
    assert coats[-1].next_after_min == pytest.approx(1440.0 * longer)
    assert coats[-1].next_before_min >= coats[-1].next_after_min
    for coat in coats[:-1]:
        assert (coat.next_after_min, coat.next_before_min) == pytest.approx((60.0 * longer, 240.0 * longer))


@pytest.mark.parametrize(
    ("celsius", "rest", "after"), [(13.0, 2880.0, 120.0), (23.0, 1440.0, 60.0), (33.0, 1440.0, 30.0)]
)
def test_warmth_shortens_no_rest_below_a_day(celsius: float, rest: float, after: float) -> None:
    """24 h at 23 C are 48 h at 13 C (rate doubles per 10 C, relayed); never less than about a day."""
    half = block()
    coats = plan_rubber(half, shop_settings(shop__temperature_c=celsius)).coats
    assert coats[-1].next_after_min == pytest.approx(rest)
    assert coats[0].next_after_min == pytest.approx(after)


def test_a_shop_that_rests_shorter_is_taken_at_its_word() -> None:
    half = block()
    settings = shop_settings(shop__temperature_c=33.0, rubber__jacket_after_min=600.0)
    assert plan_rubber(half, settings).coats[-1].next_after_min == pytest.approx(600.0)


def test_coats_add_up_to_the_rubber() -> None:
    rubber = mushroom()[1]
    assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3, rel=1e-9)
    assert sum(coat.mass_kg for coat in rubber.coats) == pytest.approx(rubber.mass_kg, rel=1e-9)
    base = base_coats(rubber)
    assert sum(coat.volume_mm3 for coat in base) == pytest.approx(rubber.skin_mm3, rel=1e-9)
    assert all(coat.volume_mm3 > 0.0 for coat in rubber.coats)


def test_coats_are_true_distances_on_a_hemisphere() -> None:
    """Between d1 and d2: 2/3 pi ((R + d2)^3 - (R + d1)^3), derived, first principles."""
    radius = 300.0
    coats = plan_rubber(lying(above_board(zoo.sphere(radius, 4))), shop_settings()).coats
    inner = 0.0
    for coat in coats[:4]:
        outer = inner + coat.thickness_mm
        exact = 2.0 / 3.0 * math.pi * ((radius + outer) ** 3 - (radius + inner) ** 3)
        assert coat.volume_mm3 == pytest.approx(exact, rel=0.01)
        assert coat.area_mm2 == pytest.approx(exact / coat.thickness_mm, rel=0.01)
        inner = outer


def test_extra_passes_fill_an_undercut_beyond_the_skin() -> None:
    """Under a flat cap the gap beyond the skin is what a smaller ring holds (derived, first principles)."""
    half, rubber = mushroom()
    extra = [coat for coat in rubber.coats if coat.region == 1]
    assert len(extra) == 1
    t = rubber.skin_mm
    # the skin lies along the stem and under the cap; in their corner it is the union of the two
    exact = math.pi * (CAP**2 - (STEM + t) ** 2) * (STEM_HEIGHT - t)
    assert extra[0].volume_mm3 == pytest.approx(exact, rel=0.02)
    # farthest from cap and stem: on the board, under the rim
    passes = math.ceil((STEM_HEIGHT - t) / 3.0)
    assert extra[0].passes == rubber.region_coats[1] == passes
    assert extra[0].thickness_mm <= 3.0
    assert half.undercut.regions[0].volume_mm3 > exact


def test_a_gap_that_the_skin_fills_takes_no_extra_pass() -> None:
    region = Region(
        id=1, volume_mm3=math.pi * (CAP**2 - STEM**2) * 6.0, area_mm2=1.0, depth_mm=6.0, reach_mm=80.0,
        mouth_mm=1.0, mouths=1, centre_mm=(0.0, 0.0, 3.0),
    )  # fmt: skip
    gaps = gaps_over(
        lambda x, y: (np.hypot(x, y) > STEM) & (np.hypot(x, y) < CAP), 0.0, 6.0, span=CAP, cell=4.0
    )
    half = lying(zoo.mushroom(STEM, 6.0, CAP, 50.0, 64), undercut((region,), gaps))
    rubber = plan_rubber(half, shop_settings())
    assert rubber.region_coats == {}
    assert all(coat.region is None for coat in rubber.coats)


def test_keys_are_a_coat_of_their_own() -> None:
    """12 mm high on the card: four passes of 3 mm, of what the keys hold."""
    rubber = plan_rubber(block(), shop_settings())
    keys = [coat for coat in rubber.coats if "keys" in coat.name]
    assert len(rubber.keys) > 2
    assert [coat.volume_mm3 for coat in keys] == pytest.approx([rubber.keys_mm3])
    assert (keys[0].passes, keys[0].thickness_mm) == (4, pytest.approx(3.0))
    edge = next(coat for coat in rubber.coats if "edge" in coat.name)
    assert edge.volume_mm3 == pytest.approx(rubber.edge_mm3 - rubber.keys_mm3)
    assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3, rel=1e-9)


def test_neighbouring_coats_differ_in_tint() -> None:
    tints = [coat.tint for coat in mushroom()[1].coats]
    assert set(tints) == {"plain", "tinted"}
    assert all(one != other for one, other in pairwise(tints))


def test_least_of_a_coat_is_what_a_crown_keeps() -> None:
    """Common practice, no source: a brushed crown keeps 60 to 70 % of the mean, 65 % on the card."""
    base = base_coats(mushroom()[1])
    assert 0.0 < base[0].least_mm < base[0].thickness_mm
    for coat in base[1:]:
        assert coat.least_mm == pytest.approx(0.65 * coat.thickness_mm)


def test_only_the_detail_coat_is_brushed_on_thicker_than_it_stays() -> None:
    rubber = mushroom()[1]
    detail = rubber.coats[0]
    assert detail.brushed_kg == pytest.approx(detail.mass_kg + rubber.run_off_mm3 * 1.15e-6)
    assert all(coat.brushed_kg == coat.mass_kg for coat in rubber.coats[1:])


def test_mixes_give_back_every_coat() -> None:
    for coat in mushroom()[1].coats:
        assert coat.mixes is not None
        assert coat.mixes.count % coat.passes == 0
        assert coat.mixes.count * coat.mixes.each_kg == pytest.approx(coat.brushed_kg)
        names = [share.name for share in coat.mixes.shares]
        assert ("thickener" in names) == (coat.name != "detail coat")


def test_crumb_keeps_clear_of_the_face() -> None:
    """Under a flat cap what lies d clear is a smaller ring: pi (b^2 - (a + d)^2) (h - d) (derived)."""
    half, rubber = mushroom()
    extra = next(coat for coat in rubber.coats if coat.region == 1)
    # within the skin of 8 mm nothing is crumb anyway: half of all beyond it may be
    assert extra.crumb_kg == pytest.approx(0.5 * extra.mass_kg)
    assert all(coat.crumb_kg == 0.0 for coat in rubber.coats if coat.region is None)
    wide = plan_rubber(half, shop_settings(rubber__crumb_clear_mm=20.0))
    far = next(coat for coat in wide.coats if coat.region == 1)
    exact = math.pi * (CAP**2 - (STEM + 20.0) ** 2) * (STEM_HEIGHT - 20.0)
    assert far.crumb_kg == pytest.approx(0.5 * 1.15e-6 * exact, rel=0.02)
    assert far.volume_mm3 == pytest.approx(extra.volume_mm3, rel=1e-6)
    assert wide.skin_mm3 == pytest.approx(rubber.skin_mm3, rel=1e-3)


def test_one_more_degree_of_draft_on_a_prism() -> None:
    """The leaned face by its closed form, and the plate of the edge round its foot (derived)."""
    x, y, z, t, e, w = 900.0, 700.0, 400.0, 8.0, 10.0, 40.0
    half = lying(zoo.moved(zoo.box(x, y, z), (0.0, 0.0, z / 2.0)))
    rubber = plan_rubber(half, shop_settings())

    def whole(d: float) -> float:
        tau, sec, p = math.tan(d), 1.0 / math.cos(d), 2.0 * (x + y)
        fill = p * (tau * z**2 / 2.0 + t * z * (sec - 1.0) + t**2 * (tau - d) / 2.0)
        fill += math.pi * (tau**2 * z**3 / 3.0 + tau * t * z**2 * sec + t**2 * tau**2 * z)
        fill += math.pi * t**3 * math.sin(d) ** 3 / (3.0 * math.cos(d) ** 2)
        # the edge begins where the face meets the board, and lies w wide and e high round it
        return fill + p * w * e + math.pi * ((t * sec + z * tau + w) ** 2 - (t * sec + z * tau) ** 2) * e

    d = rubber.draft_deg
    step = whole(math.radians(d + 0.5)) - whole(math.radians(d - 0.5))
    assert rubber.draft_kg_per_deg == pytest.approx(1.15e-6 * step, rel=0.02)


def test_three_degrees_on_four_metres_round_and_400_mm_deep() -> None:
    """16.8 l (common practice, no source; derived: p tan d h^2 / 2, round the corners a little more)."""
    half = lying(zoo.moved(zoo.box(1200.0, 800.0, 400.0), (0.0, 0.0, 200.0)))
    rubber = plan_rubber(half, shop_settings(mould__draft_deep_deg=3.0, mould__skin_mm=0.0))
    assert rubber.draft_mm3 * 1e-6 == pytest.approx(16.8, rel=0.02)
    assert 3.0 * rubber.draft_kg_per_deg == pytest.approx(16.8 * 1.15, rel=0.05)
