"""Every drawing of a plan, made and written."""

from collections.abc import Callable, Collection, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from moldplan.errors import OutputError, SettingError
from moldplan.progress import QUIET, Progress
from moldplan.views.cutting import choose_cut
from moldplan.views.figure_picture import OPENGL_ADVICE, PictureJob
from moldplan.views.figure_sheet import figure_sheet
from moldplan.views.half_board import board_sheet
from moldplan.views.half_inside import inside_sheet
from moldplan.views.half_jacket import jacket_sheet
from moldplan.views.half_plan import plan_sheet
from moldplan.views.half_rubber import rubber_sheet
from moldplan.views.half_section import section_sheet
from moldplan.views.ink import fixed_settings, write_png, write_svg
from moldplan.views.mended_sheet import mended_sheet
from moldplan.views.paper import Sheet
from moldplan.views.titles import mended_titles, titles
from moldplan.views.written import Drawn

if TYPE_CHECKING:
    from moldplan.pattern.model import Pattern
    from moldplan.plan import Plan

FIGURE = "figure"
MENDED = "mended"
#: The sheets of each half, in order.
HALF_VIEWS = (
    ("plan", plan_sheet),
    ("section", section_sheet),
    ("rubber", rubber_sheet),
    ("inside", inside_sheet),
    ("jacket", jacket_sheet),
    ("board", board_sheet),
)


def drawing_names(plan: "Plan") -> tuple[str, ...]:
    """Return the names of all drawings of a plan, in the order of their sheets."""
    halves = [f"half-{half.name.lower()}-{view}" for half in plan.halves for view, _ in HALF_VIEWS]
    return (*halves, *((MENDED,) if _is_mended(plan) else ()), FIGURE)


def _is_mended(plan: "Plan") -> bool:
    return plan.pattern.marks is not None


def draw_all(
    plan: "Plan", folder: Path, *, only: Collection[str] | None = None, progress: Progress = QUIET
) -> Drawn:
    """Draw `plan` into `folder`; `moldplan.views.draw_views` says how."""
    names = drawing_names(plan)
    unknown = sorted(set(only or ()) - set(names))
    if unknown:
        raise SettingError(f"no drawing is called {unknown[0]}: this plan has {', '.join(names)}")
    wanted = [name for name in names if only is None or name in only]
    try:
        with fixed_settings():
            return _draw(plan, folder, wanted, progress)
    except OSError as error:
        raise OutputError(f"{folder}: cannot write the drawings: {error.strerror or error}") from error


def _draw(plan: "Plan", folder: Path, wanted: list[str], progress: Progress) -> Drawn:
    """Draw while a child process makes the picture of the figure."""
    sheets = [name for name in wanted if name != FIGURE]
    if FIGURE not in wanted:
        return Drawn(files=_write(plan, folder, sheets, progress), notes=())
    with PictureJob(plan) as job:
        files = _write(plan, folder, sheets, progress)
        progress.step("drawing the figure", 0.9)
        picture = job.result()
    if picture is None:
        return Drawn(files=files, notes=(OPENGL_ADVICE,))
    number = len(drawing_names(plan))
    sheet = figure_sheet(plan, picture, number=f"{number} of {number}")
    return Drawn(files=(*files, *write_both(sheet, folder, FIGURE)), notes=())


def _write(plan: "Plan", folder: Path, wanted: list[str], progress: Progress) -> tuple[Path, ...]:
    """Write all drawings but the picture of the figure, each as PNG and SVG."""
    files: list[Path] = []
    count = len(drawing_names(plan)) - 1
    for rank, (name, make) in enumerate((*half_drawings(plan), *mended_drawings(plan))):
        if name in wanted:
            progress.step(f"drawing {name}", 0.9 * rank / count)
            files.extend(write_both(make(), folder, name))
    return tuple(files)


def write_both(sheet: Sheet, folder: Path, name: str) -> tuple[Path, Path]:
    """Write a sheet as PNG and as SVG; return the two files."""
    png, svg = folder / f"{name}.png", folder / f"{name}.svg"
    write_png(sheet, png)
    write_svg(sheet, svg)
    return png, svg


def half_drawings(plan: "Plan") -> Iterator[tuple[str, Callable[[], Sheet]]]:
    """Walk over the drawings of the halves: each name, and what makes its sheet."""
    names = drawing_names(plan)
    for half, mould in plan.pairs():
        cut = choose_cut(half, mould)
        for view, make in HALF_VIEWS:
            name = f"half-{half.name.lower()}-{view}"
            number = f"{names.index(name) + 1} of {len(names)}"
            yield name, partial(make, plan, half, mould, cut, number=number)


def mended_drawings(plan: "Plan") -> Iterator[tuple[str, Callable[[], Sheet]]]:
    """Walk over the drawing of what was mended: one, or none when the file needed nothing that shows."""
    if _is_mended(plan):
        names = drawing_names(plan)
        number = f"{names.index(MENDED) + 1} of {len(names)}"
        block = titles(plan, None, drawing="what was mended in the file", scale="", number=number)
        yield MENDED, partial(mended_sheet, plan.pattern, block)


def draw_mending(pattern: "Pattern", folder: Path, name: str) -> Drawn:
    """Draw what was mended of a pattern by itself; `moldplan.views.draw_mended` says how."""
    try:
        with fixed_settings():
            files = write_both(mended_sheet(pattern, mended_titles(pattern)), folder, name)
    except OSError as error:
        raise OutputError(f"{folder}: cannot write the drawing: {error.strerror or error}") from error
    return Drawn(files=files, notes=())
