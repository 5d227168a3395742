"""One sentence for each answer: what it is good for, and what it costs against the others.

The sentence only says what the measures say: an answer is called best in something when it has the least
of it by at least the criterion's step, and a cost is named with both numbers.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from moldplan.cards.model import Settings
from moldplan.choice.front import CRITERIA, MOST_EXCESS, Criterion, beats
from moldplan.choice.model import Answer, Kind, Measures
from moldplan.mould.model import Softening

#: Softening that saves less than this share of the rubber's fill is not spoken of.
WORTH_SHARE: Final = 0.01
#: At most so many things are praised, and so many are counted against an answer.
MOST_SAID: Final = 2


@dataclass(frozen=True, kw_only=True)
class Compared:
    """One answer as the sentence sees it."""

    number: int
    kind: Kind
    measures: Measures


@dataclass(frozen=True, kw_only=True)
class Cost:
    """What an answer has more of than another: its own value, the least of all, and whose that is."""

    criterion: Criterion
    value: float
    least: float
    least_of: int


def good_for(answer: Compared, others: Sequence[Compared], settings: Settings) -> list[Criterion]:
    """Return what `answer` has the least of, by at least a step, the weightiest first."""
    found = []
    for criterion in CRITERIA:
        lead = min(criterion.value(other.measures) for other in others) - criterion.value(answer.measures)
        weight = settings.number(f"split.{criterion.weigh}")
        if lead >= criterion.step and weight > 0.0:
            found.append((min(lead / criterion.scale, MOST_EXCESS) * weight, criterion))
    return [criterion for _, criterion in sorted(found, key=lambda item: -item[0])]


def costs_of(answer: Compared, others: Sequence[Compared], settings: Settings) -> list[Cost]:
    """Return what `answer` has more of than the least of all, by at least a step, the weightiest first."""
    found = []
    for criterion in CRITERIA:
        least = min(others, key=lambda other: criterion.value(other.measures))
        value, low = criterion.value(answer.measures), criterion.value(least.measures)
        weight = settings.number(f"split.{criterion.weigh}")
        if value - low >= criterion.step and weight > 0.0:
            excess = min((value - low) / criterion.scale, MOST_EXCESS) * weight
            cost = Cost(criterion=criterion, value=value, least=low, least_of=least.number)
            found.append((excess, cost))
    return [cost for _, cost in sorted(found, key=lambda item: -item[0])]


def sentence(answer: Compared, all_shown: Sequence[Compared], settings: Settings) -> str:
    """Return one sentence in shop words on `answer` against the others that are shown."""
    others = [other for other in all_shown if other.number != answer.number]
    if not others:
        return "The only answer there is."
    better = next((other.number for other in others if beats(other.measures, answer.measures)), None)
    if better is not None:
        return (
            f"Nothing speaks for it: answer {better} is as good or better in everything; "
            f"shown as the best {answer.kind} split."
        )
    good = good_for(answer, others, settings)[:MOST_SAID]
    gains = [] if good else _gains(answer, all_shown[0], settings)
    praised = {criterion.name for criterion in good} | {gain.criterion.name for gain in gains}
    every = costs_of(answer, others, settings)
    costs = [cost for cost in every if cost.criterion.name not in praised] or every
    said = " and ".join(_cost_words(cost) for cost in costs[:MOST_SAID])
    if good:
        praise = f"Good for {' and '.join(criterion.best for criterion in good)}"
    else:
        praise = _otherwise(answer, all_shown[0], gains)
    return f"{praise}; it costs {said}." if said else f"{praise}; nothing counts against it."


def worth_softening(answer: Answer) -> list[Softening]:
    """Return the softening that saves enough of the answer's fill to be worth the work."""
    least = WORTH_SHARE * answer.measures.fill_kg
    return [item for item in answer.softening if item.saves_kg >= least]


def _gains(answer: Compared, first: Compared, settings: Settings) -> list[Cost]:
    """Return what the first answer has more of than this one, the weightiest first."""
    return costs_of(first, [answer], settings)[:MOST_SAID]


def _otherwise(answer: Compared, first: Compared, gains: Sequence[Cost]) -> str:
    """Return what is said of an answer that is the best in nothing: what it has less of than the first."""
    if answer.number == first.number:
        return "Best in no single thing, and first by the shop's own weights"
    if not gains:
        return "Best in nothing"
    words = [
        f"{gain.criterion.say(gain.least)} {gain.criterion.more} instead of {gain.criterion.say(gain.value)}"
        for gain in gains
    ]
    return f"Against answer {first.number}: {' and '.join(words)}"


def _cost_words(cost: Cost) -> str:
    """Return what an answer costs: "41.0 kg of rubber (answer 1: 31.2 kg)"."""
    say = cost.criterion.say
    return f"{say(cost.value)} {cost.criterion.more} (answer {cost.least_of}: {say(cost.least)})"
