"""What counts in a split, the Pareto front, and the order of the answers.

Each criterion is a number of which less is better, with a step under which a shop sees no difference. One
answer beats another when it is no worse in every criterion, counted in whole steps, and better in one: that
is a true order (steps of whole numbers), so the front is never empty. The weighed sum only orders the
answers.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from moldplan.cards.model import Settings
from moldplan.choice.model import Measures
from moldplan.mould.bands import MOST_STRAIN, strain_text
from moldplan.units import kg, mm

#: No criterion adds more than this many times its scale to the sum: a loop cannot be stretched off at all,
#: and how far beyond "not at all" does not matter.
MOST_EXCESS: Final = 3.0
#: A half that tips over before its board tilts so far does not lie steady, deg (common practice, no source).
STEADY_DEG: Final = 10.0


@dataclass(frozen=True, kw_only=True)
class Criterion:
    """One thing that counts.

    `value` reads it from the measures (less is better); `step` is what a shop sees no difference under;
    `scale` how much of it weighs as much as all of the others; `weigh` the card's key of its weight.
    `best` and `more` are the words for having the least of it and for having more than another answer; `say`
    writes a value for people.
    """

    name: str
    value: Callable[[Measures], float]
    step: float
    scale: float
    weigh: str
    best: str
    more: str
    say: Callable[[float], str]


def _seam_metres(length_mm: float) -> str:
    return f"{length_mm / 1000.0:.2f} m"


def _count(number: float) -> str:
    return f"{number:.0f}"


def _locked_in(measures: Measures) -> float:
    """Loops and tunnels of the rubber, and pieces the saw leaves beyond two."""
    return float(measures.loops + measures.tunnels + measures.pieces - 2)


def _unsteady_deg(measures: Measures) -> float:
    """By how much the less steady half falls short of lying steady, deg."""
    return max(STEADY_DEG - measures.tips_deg, 0.0)


#: All that counts, in the order it is spoken of.
CRITERIA: Final = (
    Criterion(
        name="rubber", value=lambda m: m.rubber_kg, step=0.5, scale=10.0, weigh="weigh_rubber",
        best="the least rubber", more="of rubber", say=kg,
    ),
    Criterion(
        name="loops and pieces", value=_locked_in, step=1.0, scale=1.0, weigh="weigh_pieces",
        best="the fewest loops, tunnels and loose pieces", more="loops, tunnels or loose pieces", say=_count,
    ),
    Criterion(
        name="deepest undercut", value=lambda m: m.deepest_undercut_mm, step=10.0, scale=200.0,
        weigh="weigh_undercut", best="the shallowest undercuts", more="deepest undercut", say=mm,
    ),
    Criterion(
        name="stretch", value=lambda m: min(m.peel_strain, MOST_STRAIN), step=0.05, scale=0.5,
        weigh="weigh_peel", best="the least stretch when the rubber is peeled", more="of stretch when peeled",
        say=strain_text,
    ),
    Criterion(
        name="seam over the front", value=lambda m: m.seam.front_mm, step=25.0, scale=1000.0,
        weigh="weigh_seam", best="the least seam over the figure's front", more="of seam over the front",
        say=_seam_metres,
    ),
    Criterion(
        name="seam in or near clean patches", value=lambda m: m.seam.clean_mm + m.seam.near_mm, step=10.0,
        scale=200.0, weigh="weigh_seam", best="the seam clear of the patches to keep clean",
        more="of seam in or near a patch to keep clean", say=_seam_metres,
    ),
    Criterion(
        name="seam length", value=lambda m: m.seam.length_mm, step=100.0, scale=4000.0, weigh="weigh_seam",
        best="the shortest seam", more="of seam", say=_seam_metres,
    ),
    Criterion(
        name="depth of a half", value=lambda m: m.deepest_half_mm, step=20.0, scale=500.0,
        weigh="weigh_depth", best="the shallowest halves to reach into", more="deep half", say=mm,
    ),
    Criterion(
        name="heaviest to turn", value=lambda m: m.turning_kg, step=1.0, scale=40.0, weigh="weigh_handling",
        best="the lightest halves to turn over", more="to turn over", say=kg,
    ),
    Criterion(
        name="jackets", value=lambda m: m.jacket_kg, step=1.0, scale=40.0, weigh="weigh_handling",
        best="the lightest jackets", more="of jackets", say=kg,
    ),
    Criterion(
        name="boards", value=lambda m: float(m.board_sheets), step=1.0, scale=8.0, weigh="weigh_handling",
        best="the fewest sheets of board", more="sheets of board", say=_count,
    ),
    Criterion(
        name="unsteady on the board", value=_unsteady_deg, step=2.0, scale=40.0, weigh="weigh_handling",
        best="halves that lie steady", more="deg short of lying steady", say=_count,
    ),
)  # fmt: skip


def _in_steps(measures: Measures) -> tuple[int, ...]:
    """Return every criterion in whole steps."""
    return tuple(round(criterion.value(measures) / criterion.step) for criterion in CRITERIA)


def beats(one: Measures, other: Measures) -> bool:
    """Return whether `one` is no worse than `other` in every criterion and better in at least one."""
    pairs = list(zip(_in_steps(one), _in_steps(other), strict=True))
    return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


def on_front(measured: Sequence[Measures]) -> list[bool]:
    """Return which of the measured planes no other one beats; of equal ones the first counts."""
    steps = [_in_steps(measures) for measures in measured]
    return [
        not any(beats(other, measures) for other in measured) and steps.index(steps[number]) == number
        for number, measures in enumerate(measured)
    ]


def scores(measured: Sequence[Measures], settings: Settings) -> list[float]:
    """Return the weighed sum of each plane: 0 when it is best in everything that has a weight."""
    totals = [0.0] * len(measured)
    for criterion in CRITERIA:
        weight = settings.number(f"split.{criterion.weigh}")
        values = [criterion.value(measures) for measures in measured]
        for number, value in enumerate(values):
            totals[number] += weight * min((value - min(values)) / criterion.scale, MOST_EXCESS)
    return totals
