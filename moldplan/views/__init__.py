"""Drawings of a plan, true to scale on A3: six sheets for each half, what was mended, and the figure.

`draw_views` is all that other packages need. The drawing libraries are imported when it is called, not
before, so that a command that draws nothing starts quickly.
"""

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from moldplan.progress import QUIET, Progress
from moldplan.views.written import Drawn

if TYPE_CHECKING:
    from moldplan.choice.model import Ranking
    from moldplan.pattern.model import Pattern
    from moldplan.plan import Plan

__all__ = ["Drawn", "draw_comparison", "draw_mended", "draw_views", "opengl_ready"]


def draw_views(
    plan: "Plan", folder: Path, *, only: Collection[str] | None = None, progress: Progress = QUIET
) -> Drawn:
    """Draw a plan: six sheets of each half and a picture of the figure, as PNG and SVG.

    Parameters
    ----------
    plan
        What to draw.
    folder
        An existing folder to write into: ``half-a-plan``, ``half-a-section``, ``half-a-rubber`` (thickness
        and coats), ``half-a-inside`` (what the hand does not reach, peeling), ``half-a-jacket``,
        ``half-a-board`` (setting out), the same for b, ``mended`` when mending left marks, and ``figure``,
        each as ``.png`` (A3 at 200 dpi) and ``.svg``.
    only
        Names of drawings (without ending) to make; None makes all.
    progress
        Told of each drawing; its `stop` event ends the work between two of them.

    Returns
    -------
    Drawn
        The files in the order of their sheets, and notes on what could not be made: without OpenGL on this
        computer there is no picture of the figure, and the rest is drawn all the same.

    Raises
    ------
    SettingError
        When `only` names a drawing that this plan does not have.
    OutputError
        When a file cannot be written.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Scales are those of ISO 5455, so one paper millimetre is 1, 2, 5, 10 ... mm of the thing. The same plan
    gives the same bytes every time (the picture of the figure: on one computer). Takes one to two
    seconds a drawing.
    """
    from moldplan.views.draw import draw_all  # noqa: PLC0415 - heavy libraries, see above

    return draw_all(plan, folder, only=only, progress=progress)


def draw_comparison(ranking: "Ranking", folder: Path, *, progress: Progress = QUIET) -> Drawn:
    """Draw a ranking of splits: the comparing sheet and two plots, as PNG and SVG.

    Parameters
    ----------
    ranking
        What to draw; its shown answers stand side by side.
    folder
        An existing folder to write into: ``comparison`` (the answers in a row), ``undercut-by-offset`` (the
        first answer's direction and its neighbourhood) and ``globe`` (all directions looked along), each as
        ``.png`` (A3 at 200 dpi) and ``.svg``.
    progress
        Told of each drawing; its `stop` event ends the work between two of them.

    Returns
    -------
    Drawn
        The files in the order of their sheets. OpenGL is not needed.

    Raises
    ------
    OutputError
        When a file cannot be written.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    The same ranking gives the same bytes every time. Some 10 s for five answers of 100 000 triangles.
    """
    from moldplan.views.choice_draw import draw_ranking  # noqa: PLC0415 - heavy libraries, see above

    return draw_ranking(ranking, folder, progress=progress)


def draw_mended(pattern: "Pattern", folder: Path, *, name: str) -> Drawn:
    """Draw what was mended of a pattern, as PNG and SVG.

    Parameters
    ----------
    pattern
        With its marks; lengths in mm, or in the file's own numbers where its survey says so
        (``scale_known`` False): then the drawing has no scale and says why.
    folder
        An existing folder to write ``name.png`` (A3 at 200 dpi) and ``name.svg`` into.
    name
        What the two files are called, without ending.

    Returns
    -------
    Drawn
        The two files. OpenGL is not needed.

    Raises
    ------
    OutputError
        When a file cannot be written.

    Notes
    -----
    The same pattern gives the same bytes every time: the title block has no date.
    """
    from moldplan.views.draw import draw_mending  # noqa: PLC0415 - heavy libraries, see above

    return draw_mending(pattern, folder, name)


def opengl_ready() -> bool:
    """Return whether 3D pictures can be drawn here; asks a child process once, which takes seconds."""
    from moldplan.views.figure_picture import opengl_ready as ready  # noqa: PLC0415 - heavy, see above

    return ready()
