"""What a ranking has to say beyond its numbers."""

from collections.abc import Iterator, Sequence

from moldplan.cards.model import Settings
from moldplan.choice.front import STEADY_DEG
from moldplan.choice.model import Answer, HalfMeasures
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
    yield from _loops(answer)
    yield from _deep(answer, settings.number("mould.deep_half_mm"))
    for half in answer.measures.halves:
        if half.tips_deg < STEADY_DEG:
            yield Finding(
                code="unsteady-half", severity="check", stage=_STAGE, half=half.name, value=half.tips_deg,
                limit=STEADY_DEG, unit="deg",
                advice=f"answer {answer.number}: the {half.called} half does not lie steady on its board: "
                "screw it down from below and prop it before anybody works on it",
            )  # fmt: skip


def _loops(answer: Answer) -> Iterator[Finding]:
    """Say when the rubber of a half closes into loops."""
    looped = [half for half in answer.measures.halves if half.loops > 0]
    if not looped:
        return
    loops = sum(half.loops for half in looped)
    yield Finding(
        code="rubber-loop", severity="check", stage=_STAGE, value=float(loops), limit=0.0, unit="loops",
        advice=f"answer {answer.number}: the rubber closes into {loops} loop{'s' if loops > 1 else ''} in "
        f"the {_names(looped)}: each must be cut or webbed",
    )  # fmt: skip


def _deep(answer: Answer, deep_mm: float) -> Iterator[Finding]:
    """Say when a half is too deep to reach into."""
    deep = [half for half in answer.measures.halves if half.height_mm > deep_mm]
    if not deep:
        return
    most = max(half.height_mm for half in deep)
    yield Finding(
        code="deep-half", severity="check", stage=_STAGE, value=most, limit=deep_mm, unit="mm",
        advice=f"answer {answer.number}: the {_names(deep)}, {mm(most)} deep, cannot be reached into, and "
        "styrene lies in it: no head inside without extraction at the lip, a second person and supplied air",
    )  # fmt: skip


def _names(halves: Sequence[HalfMeasures]) -> str:
    """Return the halves' names: "FRONT half", "FRONT and BACK halves"."""
    return " and ".join(half.called for half in halves) + (" half" if len(halves) == 1 else " halves")
