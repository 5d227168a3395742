"""Every drawing of a ranking, made and written."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

from moldplan.choice.model import Ranking
from moldplan.errors import OutputError
from moldplan.progress import QUIET, Progress
from moldplan.views.comparison import comparison_sheet
from moldplan.views.draw import write_both
from moldplan.views.globe_map import globe_sheet
from moldplan.views.ink import fixed_settings
from moldplan.views.offset_plot import offset_sheet
from moldplan.views.paper import Sheet
from moldplan.views.written import Drawn

#: The drawings of a ranking, in the order of their sheets.
SHEETS: Final[tuple[tuple[str, Callable[[Ranking], Sheet]], ...]] = (
    ("comparison", comparison_sheet),
    ("undercut-by-offset", offset_sheet),
    ("globe", globe_sheet),
)


def draw_ranking(ranking: Ranking, folder: Path, *, progress: Progress = QUIET) -> Drawn:
    """Draw `ranking` into `folder`; `moldplan.views.draw_comparison` says how."""
    files: list[Path] = []
    try:
        with fixed_settings():
            for number, (name, make) in enumerate(SHEETS):
                progress.step(f"drawing {name}", number / len(SHEETS))
                files.extend(write_both(make(ranking), folder, name))
    except OSError as error:
        raise OutputError(f"{folder}: cannot write the drawings: {error.strerror or error}") from error
    return Drawn(files=tuple(files), notes=())
