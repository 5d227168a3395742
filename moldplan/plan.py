"""The whole job: a pattern and its settings in, a `Plan` out."""

from dataclasses import dataclass

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.pattern.model import Pattern
from moldplan.split.model import Plane, Splits


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything that was computed for one job; all papers and drawings come from this value."""

    job: str
    """What the job is called, for titles."""
    revision: str
    """"r001" in a job folder, else "r000"."""
    made: str
    """ISO 8601 date and time with zone."""
    version: str
    pattern: Pattern
    plane: Plane
    chosen_by: str
    """"search", "cut" (given by the person) or "open" (one-part open mould)."""
    splits: Splits | None
    seam_mm: float
    locked_mm3: float
    halves: tuple[Half, ...]
    moulds: tuple[Mould, ...]
    settings: Settings
    findings: tuple[Finding, ...]
