"""Coats of rubber: how thick each may be, how many it takes, and that together they are the rubber."""

import math
from functools import cache

import numpy as np
import pytest
import zoo
from lying import above_board, gaps_over, lying, undercut
from shop import shop_settings

from moldplan.half.model import Half, Region
from moldplan.mould.coats import base_distances_mm, sag_limit_mm, thick_coat_mm
from moldplan.mould.model import Rubber
from moldplan.mould.rubber import plan_rubber

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


@pytest.mark.parametrize("skin", [0.5, 0.7, 3.7, 3.8, 8.0, 12.0])
def test_base_coats_reach_the_skin_evenly_and_none_is_too_thick(skin: float) -> None:
    depths = base_distances_mm(skin, shop_settings())
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
    base = [coat for coat in plan_rubber(half, shop_settings()).coats if "coat" in coat.name]
    assert 4 <= len(base) <= 5
    assert base[0].thickness_mm < 1.0 < base[1].thickness_mm <= 3.0


def test_rubber_rests_a_day_before_the_jacket() -> None:
    """Common practice, no source: about a day; coats an hour or more apart and not too late."""
    coats = mushroom()[1].coats
    assert coats[-1].next_after_min == pytest.approx(1440.0)
    assert coats[-1].next_before_min >= coats[-1].next_after_min
    assert all(coat.next_after_min == 60.0 and coat.next_before_min == 240.0 for coat in coats[:-1])


def test_coats_add_up_to_the_rubber() -> None:
    rubber = mushroom()[1]
    assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3, rel=1e-9)
    assert sum(coat.mass_kg for coat in rubber.coats) == pytest.approx(rubber.mass_kg, rel=1e-9)
    base = [coat for coat in rubber.coats if "coat" in coat.name]
    assert sum(coat.volume_mm3 for coat in base) == pytest.approx(rubber.skin_mm3, rel=1e-9)
    assert all(coat.volume_mm3 > 0.0 for coat in rubber.coats)


def test_coats_are_true_distances_on_a_hemisphere() -> None:
    """Between d1 and d2: 2/3 pi ((R + d2)^3 - (R + d1)^3), derived, first principles."""
    radius = 300.0
    coats = plan_rubber(lying(above_board(zoo.sphere(radius, 5))), shop_settings()).coats
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
