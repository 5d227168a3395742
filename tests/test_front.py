"""What counts in a split: sawable planes, the Pareto front, the order, and sentences that are true."""

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
import shop
from hypothesis import example, given, settings
from hypothesis import strategies as st

from moldplan.choice.front import CRITERIA, beats, on_front, scores
from moldplan.choice.model import HalfMeasures, Measures, Seam
from moldplan.choice.saw import (
    angles_deg,
    best_sawable,
    kind_of,
    nearby,
    normal_of,
    plane_of,
    round_offsets,
    saw_for,
)
from moldplan.choice.words import Compared, costs_of, good_for, sentence
from moldplan.mould.bands import Stretch
from moldplan.split.frame import figure_axes
from moldplan.units import kg

SETTINGS = shop.shop_settings()
#: Rounding two tangents to whole degrees moves a direction by at most half a degree in each (derived).
ROUNDED_DEG = math.hypot(0.5, 0.5)


def half(name: str = "A", **given_: float) -> HalfMeasures:
    values: dict[str, object] = {
        "name": name, "called": "FRONT" if name == "A" else "BACK", "volume_mm3": 1e7, "height_mm": 300.0,
        "undercut_mm3": 1e6, "deepest_undercut_mm": 100.0, "loops": 0, "pieces": 1, "tunnels": 0,
        "rubber_mm3": 1e7, "rubber_kg": 12.0, "peel": Stretch(strain=0.2, place_mm=None),
        "coating_mm": (900.0, 1200.0), "jacketing_mm": (900.0, 1200.0), "sheets": 1, "jacket_kg": 10.0,
        "turning_kg": 25.0, "tips_deg": 30.0,
    }  # fmt: skip
    values.update(given_)
    return HalfMeasures(**values)  # type: ignore[arg-type]


def measures(
    *, rubber_kg: float = 24.0, front_mm: float = 0.0, near_mm: float = 0.0, **of_half: float
) -> Measures:
    seam = Seam(length_mm=4000.0, front_mm=front_mm, clean_mm=0.0, near_mm=near_mm)
    return Measures(
        undercut_mm3=2e6, locked_mm3=1e6, rubber_kg=rubber_kg, skin_kg=10.0, fill_kg=rubber_kg - 10.0,
        rubber_cost=24.0 * rubber_kg, fill_cost=0.0, seam=seam,
        halves=(half("A", **of_half), half("B", **of_half)),
    )  # fmt: skip


def directions() -> st.SearchStrategy[np.ndarray]:
    part = st.floats(-1.0, 1.0)
    return (
        st.tuples(part, part, part)
        .map(np.array)
        .filter(lambda v: float(np.linalg.norm(v)) > 0.1)
        .map(lambda v: v / np.linalg.norm(v))
    )


# --- planes a shop can saw --------------------------------------------------------------------------------


@settings(deadline=None)  # a busy machine is no fault
@given(directions())
def test_angles_give_the_normal_back(direction: np.ndarray) -> None:
    axis, first, second = angles_deg(direction)
    back = normal_of(axis, first, second)
    assert abs(abs(float(back @ direction)) - 1.0) < 1e-12


@settings(deadline=None)  # a busy machine is no fault
@given(directions())
@example(np.array([0.604, 0.574, 0.552]) / np.linalg.norm([0.604, 0.574, 0.552]))
def test_the_nearest_sawable_plane_is_near_and_whole(direction: np.ndarray) -> None:
    saw, normal = next(iter(nearby(direction)))
    off = math.degrees(math.acos(min(abs(float(normal @ direction)), 1.0)))
    assert off <= ROUNDED_DEG
    assert max(abs(saw.first_deg), abs(saw.second_deg)) <= 45
    assert float(np.linalg.norm(normal)) == pytest.approx(1.0, abs=1e-15)


def test_words_follow_the_plane() -> None:
    """An upright plane whose normal leans up has its top towards the back: n . (0, 0, 1) > 0 (derived)."""
    saw = saw_for(0, 0, 12)
    assert saw.words == "square to the front, but top 12 deg back"
    normal = normal_of(0, 0, 12)
    # a point of the plane (through the middle) at the figure's top lies behind the middle
    top = np.array([-normal[2] / normal[0], 0.0, 1.0])
    assert float(top @ normal) == pytest.approx(0.0, abs=1e-15)
    assert top[0] < 0.0
    assert saw_for(1, 0, 0).words == "square to the left side"
    assert saw_for(2, -3, 4).words == "level, but front 3 deg up and left side 4 deg down"
    level = normal_of(2, -3, 0)
    assert -level[0] / level[2] > 0.0  # the plane at the front lies higher: "up"


@pytest.mark.parametrize(
    ("direction", "kind"),
    [
        ((1, 0, 0), "front/back"), ((0, 1, 0), "left/right"), ((0, 0, -1), "top/bottom"),
        ((1, 0.3, 0), "front/back"), ((1, 0.5, 0), "skew"), ((1, 1, 1), "skew"),
    ],
)  # fmt: skip
def test_kinds(direction: tuple[float, float, float], kind: str) -> None:
    """The tangent of 20 deg is 0.364: a normal 0.3 off its axis still parts front from back."""
    assert kind_of(np.array(direction) / np.linalg.norm(direction)) == kind


@settings(deadline=None)  # a busy machine is no fault
@given(st.floats(-2000.0, 2000.0), st.sampled_from([1.0, 5.0, 10.0]))
def test_offsets_round_to_both_sides(offset: float, step: float) -> None:
    near, far = round_offsets(offset, step)
    assert abs(near - offset) <= step / 2 + 1e-9
    assert min(near, far) <= offset + 1e-9
    assert max(near, far) >= offset - 1e-9
    assert abs(near - far) == pytest.approx(step)


def test_a_wish_goes_before_the_least_undercut() -> None:
    exact = normal_of(0, 0.4, 10.3)

    def offsets(normal: np.ndarray) -> list[tuple[float, float]]:
        return [(0.0, float(normal[1])), (5.0, float(normal[1]) + 1.0)]

    saw, _, offset = best_sawable(exact, offsets=offsets, misses=lambda *_: 0.0)
    assert (saw.first_deg, offset) == (-1, 0.0)
    saw, normal, offset = best_sawable(
        exact,
        offsets=offsets,
        misses=lambda normal, _offset: abs(float(normal[1]) - math.tan(math.radians(1.0))),
    )
    assert saw.first_deg == 1
    plane = plane_of(normal, offset, figure_axes("+z", "-y"))
    assert plane.normal[1] < 0.0  # the figure's front is -y


# --- the front ----------------------------------------------------------------------------------------------


def test_less_of_one_thing_and_no_more_of_any_beats() -> None:
    base = measures()
    assert beats(measures(rubber_kg=20.0), base)
    assert not beats(base, base)
    assert not beats(measures(rubber_kg=20.0, front_mm=500.0), base)
    assert not beats(measures(rubber_kg=23.9), base)  # under the step: nobody sees it


@settings(deadline=None)  # a busy machine is no fault
@given(
    st.lists(
        st.tuples(st.floats(5, 60), st.floats(0, 2000), st.floats(100, 900), st.floats(0, 2)),
        min_size=1, max_size=8,
    )
)  # fmt: skip
def test_the_front_is_never_empty_and_beats_what_is_off_it(
    rows: list[tuple[float, float, float, float]],
) -> None:
    """Definition of a Pareto front: nobody on it is beaten; whoever is off it is, or has an equal on it."""
    all_measures = [
        measures(rubber_kg=a, front_mm=b, height_mm=c, peel=Stretch(strain=d, place_mm=None))  # type: ignore[arg-type]
        for a, b, c, d in rows
    ]
    front = on_front(all_measures)
    assert any(front)
    chosen = [m for m, on in zip(all_measures, front, strict=True) if on]
    for one, other in itertools.permutations(chosen, 2):
        assert not beats(one, other)
    for item, on in zip(all_measures, front, strict=True):
        if not on:
            same = [[round(c.value(m) / c.step) for c in CRITERIA] for m in (item, *chosen)]
            assert any(beats(other, item) for other in chosen) or same[0] in same[1:]


def test_scores_follow_the_weights() -> None:
    cheap, clean = measures(rubber_kg=20.0, front_mm=1500.0), measures(rubber_kg=40.0, front_mm=0.0)
    heavy = shop.shop_settings(split__weigh_seam=100.0)
    first, second = scores([cheap, clean], SETTINGS)
    assert first < second
    first, second = scores([cheap, clean], heavy)
    assert first > second
    none = shop.shop_settings(**{f"split__{c.weigh}": 0.0 for c in CRITERIA})
    assert scores([cheap, clean], none) == [0.0, 0.0]


# --- sentences --------------------------------------------------------------------------------------------


def compared(*many: Measures) -> list[Compared]:
    return [
        Compared(number=number, kind="front/back", measures=item) for number, item in enumerate(many, start=1)
    ]


def test_a_sentence_praises_what_is_best_and_names_what_it_costs() -> None:
    shown = compared(measures(rubber_kg=20.0, front_mm=1500.0), measures(rubber_kg=40.0, front_mm=0.0))
    assert sentence(shown[0], shown, SETTINGS) == (
        "Good for the least rubber; it costs 1.50 m of seam over the front (answer 2: 0.00 m)."
    )
    assert sentence(shown[1], shown, SETTINGS) == (
        "Good for the least seam over the figure's front; "
        f"it costs {kg(40.0)} of rubber (answer 1: {kg(20.0)})."
    )


def test_a_beaten_answer_says_by_whom() -> None:
    shown = compared(measures(rubber_kg=20.0), measures(rubber_kg=40.0))
    assert sentence(shown[1], shown, SETTINGS).startswith(
        "Nothing speaks for it: answer 1 is as good or better"
    )
    assert on_front([item.measures for item in shown]) == [True, False]


def test_one_answer_alone() -> None:
    shown = compared(measures())
    assert sentence(shown[0], shown, SETTINGS) == "The only answer there is."


@settings(deadline=None)  # a busy machine is no fault
@given(
    st.lists(
        st.tuples(st.floats(5, 60), st.floats(0, 2000), st.integers(0, 3), st.floats(100, 900)),
        min_size=2, max_size=5,
    )
)  # fmt: skip
def test_every_claim_is_in_the_measures(rows: list[tuple[float, float, int, float]]) -> None:
    """Praise: least by a step. Costs: more than the least by a step, and that answer has the least."""
    shown = compared(*(measures(rubber_kg=a, front_mm=b, loops=c, height_mm=d) for a, b, c, d in rows))
    for answer in shown:
        others = [other for other in shown if other.number != answer.number]
        for criterion in good_for(answer, others, SETTINGS):
            own = criterion.value(answer.measures)
            assert all(criterion.value(other.measures) - own >= criterion.step for other in others)
        for cost in costs_of(answer, others, SETTINGS):
            least = min(cost.criterion.value(other.measures) for other in others)
            named = shown[cost.least_of - 1]
            assert cost.criterion.value(named.measures) == least == cost.least
            assert cost.value - least >= cost.criterion.step
        said = sentence(answer, shown, SETTINGS)
        for number in re.findall(r"answer (\d)", said):
            assert int(number) != answer.number


def test_what_is_gained_is_not_counted_as_a_cost() -> None:
    """Answer 2 has less rubber than the first and more than the third: the gain is said, once."""
    shown = compared(
        measures(rubber_kg=40.0, front_mm=0.0),
        measures(rubber_kg=30.0, front_mm=500.0),
        measures(rubber_kg=20.0, front_mm=1500.0),
    )
    said = sentence(shown[1], shown, SETTINGS)
    assert said == (
        f"Against answer 1: {kg(30.0)} of rubber instead of {kg(40.0)}; "
        "it costs 0.50 m of seam over the front (answer 1: 0.00 m)."
    )


def test_a_measure_without_weight_is_not_spoken_of() -> None:
    shown = compared(measures(rubber_kg=20.0, front_mm=1500.0), measures(rubber_kg=40.0, front_mm=0.0))
    deaf = shop.shop_settings(split__weigh_seam=0.0)
    assert "seam" not in sentence(shown[0], shown, deaf)
    assert replace(shown[0], number=1) == shown[0]
