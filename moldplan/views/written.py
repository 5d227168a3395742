"""What a drawing run leaves behind, as a value."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """The files that were written, in the order of their sheets, and what could not be made and why."""

    files: tuple[Path, ...]
    notes: tuple[str, ...]
