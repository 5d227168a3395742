"""What was taken for granted about a pattern, for people to check."""

from collections.abc import Iterator

from moldplan.findings import Finding
from moldplan.pattern.model import Pattern


def pattern_findings(pattern: Pattern) -> Iterator[Finding]:
    """Walk over the notes on a pattern: directions nobody gave, and what was mended."""
    if not (pattern.up_given and pattern.front_given):
        yield Finding(
            code="direction-assumed",
            severity="note",
            stage="pattern",
            advice=f"taken as standing with {pattern.up} up and looking towards {pattern.front}; "
            "say --up and --front if FRONT, LEFT or TOP come out wrong",
        )
    if pattern.survey.repairs:
        mended = ", ".join(f"{repair.count} x {repair.what}" for repair in pattern.survey.repairs)
        yield Finding(
            code="pattern-mended",
            severity="note",
            stage="pattern",
            advice=f"the file was mended on reading: {mended}",
            value=pattern.survey.deviation_mm,
            unit="mm",
        )
