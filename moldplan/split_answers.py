"""The lines a ranking ends with: what was looked at, each answer with its sentence, what comes next."""

import shlex

from moldplan.choice.model import Answer, Ranking
from moldplan.choice.words import worth_softening
from moldplan.errors import one_line
from moldplan.findings import gravest_text
from moldplan.mould.bands import strain_text
from moldplan.split_request import SplitMade, SplitPrepared, SplitRequest
from moldplan.units import kg, litres, mm


def split_answers(made: SplitMade, *, pattern_text: str) -> list[str]:
    """Return the closing lines of a ranking; `pattern_text` is the pattern as the person named it."""
    ranking = made.ranking
    rows = [("Pattern", pattern_line(ranking)), ("Looked at", _looked_at(ranking))]
    for answer in ranking.shown:
        rows.append((f"Answer {answer.number}", _answer(answer)))
        rows.append(("", answer.sentence))
        rows.extend(("", f"Softening: {line}") for line in softening_lines(answer)[:1])
    more = len(ranking.answers) - len(ranking.shown)
    if more:
        rows.append(("And", f"{more} more on the front, in split.json"))
    rows += [("Wishes", _wishes(ranking)), ("Files", f"{len(made.files)} in {one_line(str(made.folder))}")]
    gravest = gravest_text(ranking.findings, more_in="split.json", name_half=False)
    rows.append(("Look first", gravest or "the comparing sheet in views"))
    best = ranking.answers[0].number
    rows.append(
        (
            "Next",
            f"moldplan plan {pattern_text} --answer {best} --from {shlex.quote(one_line(str(made.folder)))}",
        )
    )
    rows += [("Not made", note) for note in made.notes]
    return [f"{name:<11}{text}" for name, text in rows]


def split_dry_answers(prepared: SplitPrepared) -> list[str]:
    """Return what a ranking would make, in a few lines."""
    x, y, z = prepared.pattern.size_mm
    parts = ", ".join(("split.json", *(f"{part}/" for part in prepared.parts)))
    return [
        f"{'Pattern':<11}{prepared.pattern.name}: {x:.0f} x {y:.0f} x {z:.0f} mm",
        f"{'Would':<11}look for splits and measure them as moulds, {prepared.top} side by side",
        f"{'Would make':<11}{parts} in {prepared.out}",
        f"{'Written':<11}nothing (dry run)",
    ]


def folder_line(request: SplitRequest, made: SplitMade) -> str:
    """Return what came of one pattern of a folder, in one line."""
    best = made.ranking.answers[0]
    return (
        f"{request.pattern}: {len(made.ranking.shown)} answers in {one_line(str(made.folder))}; first "
        f"{' / '.join(best.called)}, locks {litres(best.measures.undercut_mm3)}, "
        f"rubber {kg(best.measures.rubber_kg)}"
    )


def pattern_line(ranking: Ranking) -> str:
    """Return the pattern in one line: name, size, volume, and which way it stands."""
    pattern = ranking.pattern
    x, y, z = pattern.size_mm
    way = f"{pattern.up} up, front towards {pattern.front}" + ("" if pattern.front_given else " (assumed)")
    return f"{pattern.name}: {x:.0f} x {y:.0f} x {z:.0f} mm, {litres(pattern.volume_mm3)}; {way}"


def _looked_at(ranking: Ranking) -> str:
    splits, best = ranking.splits, ranking.splits.candidates[0]
    differ = abs(best.light_undercut_mm3 - best.undercut_mm3) / max(best.undercut_mm3, 1.0)
    return (
        f"{splits.directions_tried} directions, any other is within {splits.cover_deg:.1f} deg of one; "
        f"least undercut {litres(best.undercut_mm3)} before rounding (lighter copy and whole mesh differ "
        f"{differ:.1%})"
    )


def _answer(answer: Answer) -> str:
    measures, plane = answer.measures, answer.plane
    worst = "" if answer.worst is None else f" (at worst {litres(answer.worst.undercut_mm3)})"
    return (
        f"{' / '.join(answer.called)} ({answer.kind}): {answer.saw.words}, {plane.offset_mm + 0.0:.0f} mm "
        f"from the middle; locks {litres(measures.undercut_mm3)}{worst}, rubber {kg(measures.rubber_kg)}, "
        f"seam {mm(measures.seam.length_mm)}, stretch {strain_text(measures.peel_strain)}"
    )


def softening_lines(answer: Answer) -> list[str]:
    """Return the softening advice of an answer that is worth it, what the shop decides itself first."""
    ordered = sorted(worth_softening(answer), key=lambda item: (item.needs_approval, -item.saves_mm3))
    return [item.words for item in ordered]


def _wishes(ranking: Ranking) -> str:
    wishes = ranking.wishes
    wished = (
        wishes.seam_upright, wishes.pull, wishes.largest_board_mm, wishes.heaviest_half_kg, wishes.keep_clean
    )  # fmt: skip
    if not any(wished):
        return "none given"
    broken = ranking.answers[0].broken
    if not broken:
        return "all held by answer 1"
    return "answer 1 does not hold: " + "; ".join(
        f"{item.wish} ({item.value:.0f} {item.unit}, wished {item.limit:.0f})" for item in broken
    )
