"""What a plan has to say beyond its numbers: notes, things to check, and reasons to stop."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

Severity = Literal["note", "check", "stop"]

#: Gravest first.
SEVERITIES: Final[tuple[Severity, ...]] = ("stop", "check", "note")


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One remark of a stage, for a person to act on.

    `place_mm` is in the half's own frame when `half` is "A" or "B" (board z = 0, pull +z), in the
    figure's frame (file axes, mm from the middle of its bounding box) when `half` is None.
    `value` and `limit` are in `unit`; all three are None when the finding is not about a number.
    """

    code: str
    severity: Severity
    stage: str
    advice: str
    half: str | None = None
    place_mm: tuple[float, float, float] | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None


def to_act_on(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings that somebody has to act on, the gravest first; notes are left out."""
    grave = [finding for finding in findings if finding.severity != "note"]
    return sorted(grave, key=lambda finding: SEVERITIES.index(finding.severity))


def gravest_text(findings: Iterable[Finding], *, more_in: str, name_half: bool = True) -> str | None:
    """Return the gravest finding to act on, in one line, and how many more stand in the file `more_in`.

    None when there is nothing to act on. `name_half` puts the half first, for advice that does not.
    """
    grave = to_act_on(findings)
    if not grave:
        return None
    first = grave[0]
    where = f"half {first.half}: " if name_half and first.half else ""
    rest = f" (and {len(grave) - 1} more in {more_in})" if grave[1:] else ""
    return f"{first.severity.upper()}: {where}{first.advice}{rest}"
