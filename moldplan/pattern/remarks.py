"""What was taken for granted about a pattern and what was mended, for people to check."""

from collections.abc import Iterator
from typing import Final

from moldplan.findings import Finding, Severity
from moldplan.pattern.model import Pattern

#: Figures made in a mould of rubber and jacket are mostly this tall; outside it the unit wants a second look.
_USUAL_MM: Final = (200.0, 4000.0)


def pattern_findings(pattern: Pattern) -> Iterator[Finding]:
    """Walk over the notes on a pattern: directions nobody gave, a size nobody said, and what was mended."""
    if not (pattern.up_given and pattern.front_given):
        yield Finding(
            code="direction-assumed",
            severity="note",
            stage="pattern",
            advice=f"taken as standing with {pattern.up} up and looking towards {pattern.front}; "
            "say --up and --front if FRONT, LEFT or TOP come out wrong",
        )
    yield from _size_findings(pattern)
    yield from _mending_findings(pattern)


def _size_findings(pattern: Pattern) -> Iterator[Finding]:
    """Say that the size follows from a unit: a file in inches read as millimetres looks just as sound."""
    if pattern.size_from == "height":
        return
    tall = pattern.size_mm["xyz".index(pattern.up[1])]
    low, high = _USUAL_MM
    unusual = not low <= max(pattern.size_mm) <= high
    said = "the unit that was given" if pattern.size_from == "unit" else "the unit the file names"
    yield Finding(
        code="size-from-unit",
        severity="check" if unusual else "note",
        stage="pattern",
        advice=f"the figure comes out {tall:.0f} mm tall by {said}; "
        'measure one known length, or give the height itself: --height "1.5 m"',
        value=tall,
        unit="mm",
    )


def _mending_findings(pattern: Pattern) -> Iterator[Finding]:
    """Say what was mended, and what of it was beyond the tolerance."""
    survey = pattern.survey
    if survey.turned_inside_out:
        yield Finding(
            code="perhaps-mirrored",
            severity="check",
            stage="pattern",
            advice="the file was inside out and was turned: a mirrored file looks just so; check on the "
            "drawings that the figure's left hand is on its left",
        )
    if survey.repairs:
        mended = ", ".join(f"{repair.count} x {repair.what}" for repair in survey.repairs)
        farthest = max(survey.repairs, key=lambda repair: repair.moved_mm)
        severity: Severity = "check" if survey.accepting else "note"
        accepted = f"; accepted: {'; '.join(survey.accepting)}" if survey.accepting else ""
        yield Finding(
            code="pattern-mended",
            severity=severity,
            stage="pattern",
            advice=f"the file was mended on reading: {mended}{accepted}",
            place_mm=farthest.place_mm,
            value=survey.deviation_mm,
            unit="mm",
        )
    if survey.crossing_faces:
        yield Finding(
            code="faces-cross",
            severity="check",
            stage="pattern",
            advice=f"{survey.crossing_faces} faces cut through others of the same body: what lies in two "
            "layers counts twice; mend the figure in the program that made it if the places are large",
            value=float(survey.crossing_faces),
        )
    if pattern.lighter is not None:
        yield Finding(
            code="lighter-copy",
            severity="note",
            stage="pattern",
            advice=f"planned with {len(pattern.faces)} of its {survey.triangles} triangles; accuracy in "
            "plan.json says what the whole mesh gives",
            value=pattern.lighter.moved_mm,
            unit="mm",
        )
