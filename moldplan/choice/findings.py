"""What a ranking has to say beyond its numbers."""

from collections.abc import Iterator, Sequence

from moldplan.cards.model import Settings
from moldplan.choice.front import STEADY_DEG
from moldplan.choice.model import Answer
from moldplan.choice.wishes import wish_findings
from moldplan.findings import Finding
from moldplan.pattern.model import Pattern
from moldplan.pattern.remarks import pattern_findings
from moldplan.split import Splits
from moldplan.units import mm

_STAGE = "split"


def ranking_findings(
    pattern: Pattern, splits: Splits, answers: Sequence[Answer], settings: Settings
) -> Iterator[Finding]:
    """Walk over the findings: wishes first, then what is wrong with each shown answer, then notes."""
    yield from wish_findings(answers[0].broken)
    for answer in answers:
        if answer.shown:
            yield from _of_answer(answer, settings)
    yield from pattern_findings(pattern)
    if splits.open_back is not None:
        yield Finding(
            code="open-mould",
            severity="note",
            stage=_STAGE,
            advice="one half can hold the whole figure on its flat back: an open mould needs no split",
        )


def _of_answer(answer: Answer, settings: Settings) -> Iterator[Finding]:
    """Say what a shop must know of one answer before choosing it."""
    deep_mm = settings.number("mould.deep_half_mm")
    for half in answer.measures.halves:
        where = f"answer {answer.number}: the {half.called} half"
        if half.loops > 0:
            yield Finding(
                code="rubber-loop", severity="check", stage=_STAGE, half=half.name, value=float(half.loops),
                limit=0.0, unit="loops",
                advice=f"{where} closes the rubber into {half.loops} loop{'s' if half.loops > 1 else ''}: "
                "each must be cut or webbed",
            )  # fmt: skip
        if half.height_mm > deep_mm:
            yield Finding(
                code="deep-half", severity="check", stage=_STAGE, half=half.name, value=half.height_mm,
                limit=deep_mm, unit="mm",
                advice=f"{where} is {mm(half.height_mm)} deep, over {mm(deep_mm)}: out of an arm's reach, "
                "and styrene lies in it: no head inside without extraction at the lip, a second person and "
                "supplied air",
            )  # fmt: skip
        if half.tips_deg < STEADY_DEG:
            yield Finding(
                code="unsteady-half", severity="check", stage=_STAGE, half=half.name, value=half.tips_deg,
                limit=STEADY_DEG, unit="deg",
                advice=f"{where} does not lie steady on its board: screw it down from below and prop it "
                "before anybody works on it",
            )  # fmt: skip
