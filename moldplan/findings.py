"""What a plan has to say beyond its numbers: notes, things to check, and reasons to stop."""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "check", "stop"]


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
