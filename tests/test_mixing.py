"""Mixing: the shares add up, pots are no fuller and last no shorter than they may, and no pot too many."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shop import shop_settings

from moldplan.mould.mixing import mixes_for

CURES = ("addition", "condensation")
DENSITIES = {"part A": 1.15, "base": 1.15, "part B": 1.1, "catalyst": 1.1, "thickener": 1.0}


@settings(deadline=None)
@given(
    brushed=st.one_of(st.just(0.0), st.floats(1e-6, 200.0)),
    thickened=st.booleans(), passes=st.integers(1, 12),
    cure=st.sampled_from(CURES), second=st.floats(0.5, 200.0),
    thickener=st.one_of(st.just(0.0), st.floats(0.01, 10.0)),
    pot=st.floats(0.1, 50.0), fill=st.floats(5.0, 100.0), pace=st.floats(0.1, 50.0),
    celsius=st.floats(5.0, 40.0),
)  # fmt: skip
def test_shares_and_pots_add_up_and_no_pot_is_too_full(
    brushed: float, *, thickened: bool, passes: int, cure: str, second: float, thickener: float, pot: float,
    fill: float, pace: float, celsius: float,
) -> None:  # fmt: skip
    shop = shop_settings(
        rubber__cure=cure, rubber__part_b_percent=second, rubber__thixotrope_percent=thickener,
        rubber__part_b_density_kg_l=1.1, shop__pot_l=pot, shop__pot_fill_percent=fill,
        crew__brush_kg_h=pace, shop__temperature_c=celsius,
    )  # fmt: skip
    mixes = mixes_for(brushed, shop, thickened=thickened, passes=passes)
    assert mixes.count * mixes.each_kg == pytest.approx(brushed, rel=1e-12, abs=0.0)
    assert math.fsum(share.mass_g for share in mixes.shares) == pytest.approx(1000.0 * mixes.each_kg)
    for share in mixes.shares:
        assert share.volume_ml * DENSITIES[share.name] == pytest.approx(share.mass_g)
    filled_ml = math.fsum(share.volume_ml for share in mixes.shares)
    room_ml, room_min = 1000.0 * pot * fill / 100.0, mixes.pot_life_min
    assert filled_ml <= room_ml * (1.0 + 1e-6)
    assert mixes.brush_min <= room_min * (1.0 + 1e-6)
    # each pass is mixed afresh, with no pot more than it needs
    assert mixes.count % passes == 0
    each = mixes.count // passes
    if each > 1:
        fewer = each / (each - 1.0)
        assert filled_ml * fewer > room_ml or mixes.brush_min * fewer > room_min
    first, other = mixes.shares[:2]
    assert other.mass_g == pytest.approx(second / 100.0 * first.mass_g)
    if thickened and thickener > 0.0:
        assert mixes.shares[2].mass_g == pytest.approx(thickener / 100.0 * (first.mass_g + other.mass_g))
    else:
        assert len(mixes.shares) == 2


def test_one_kilogram_of_base_and_catalyst() -> None:
    """5 % of catalyst by mass of base: 952.4 g and 47.6 g (derived)."""
    shop = shop_settings(rubber__cure="condensation", rubber__part_b_percent=5.0)
    mixes = mixes_for(1.0, shop, thickened=False)
    assert [share.name for share in mixes.shares] == ["base", "catalyst"]
    assert [share.mass_g for share in mixes.shares] == pytest.approx([952.381, 47.619], abs=1e-3)
    assert mixes.count == 1


def test_two_parts_alike_and_a_thickener() -> None:
    """A : B 1 : 1, 2 % of thickener on both: 1 kg is 490.2 + 490.2 + 19.6 g (derived)."""
    mixes = mixes_for(1.0, shop_settings(), thickened=True)
    assert [share.name for share in mixes.shares] == ["part A", "part B", "thickener"]
    assert [share.mass_g for share in mixes.shares] == pytest.approx([490.196, 490.196, 19.608], abs=1e-3)


def test_pots_by_head_room_and_by_hands() -> None:
    """A pot of 2 l half full holds 1.15 kg; four hands lay 8 kg/h, 2.5 kg in 18.8 min (derived)."""
    by_room = mixes_for(5.0, shop_settings(), thickened=False)
    assert by_room.count == math.ceil(5.0 / 1.15)
    wide = shop_settings(shop__pot_l=20.0, rubber__pot_life_min=18.75, shop__temperature_c=23.0)
    by_hands = mixes_for(5.0, wide, thickened=False)
    assert (by_hands.count, by_hands.each_kg) == (2, pytest.approx(2.5))
    assert by_hands.brush_min == pytest.approx(18.75)


def test_pot_life_goes_by_the_shop_s_temperature() -> None:
    """Twice as long 10 C below the card's 23 C (a common rule, relayed)."""
    cold = mixes_for(1.0, shop_settings(shop__temperature_c=13.0), thickened=False)
    assert cold.pot_life_min == pytest.approx(50.0)


def test_every_pass_is_mixed_afresh() -> None:
    assert mixes_for(0.5, shop_settings(), thickened=True, passes=3).count == 3


def test_no_rubber_takes_no_pot() -> None:
    mixes = mixes_for(0.0, shop_settings(), thickened=True)
    assert (mixes.count, mixes.each_kg, mixes.brush_min) == (0, 0.0, 0.0)
    assert not any(share.mass_g for share in mixes.shares)
