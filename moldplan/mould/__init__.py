"""The mould of one half: rubber, coats, clay wall, board, rigid jacket, and what turning it over takes.

`plan_mould` is the whole stage; its result is `moldplan.mould.model.Mould`.
"""

from collections.abc import Sequence
from dataclasses import replace

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.board import plan_board
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.model import Mould, OtherSplit
from moldplan.mould.remarks import remarks
from moldplan.mould.remedies import advise, advised_rubber_kg
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.wall import plan_wall
from moldplan.progress import QUIET, Progress

__all__ = ["plan_mould"]


def plan_mould(
    half: Half, settings: Settings, *, others: Sequence[OtherSplit] = (), progress: Progress = QUIET
) -> tuple[Mould, tuple[Finding, ...]]:
    """Plan the mould of one half.

    Parameters
    ----------
    half
        The half on its board (`moldplan.half.cut`).
    settings
        Every value the stage uses (`moldplan.cards.resolve_settings`).
    others
        Other planes for the same figure (`moldplan.mould.other_split`), weighed against each undercut.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    tuple
        The `Mould`, and the findings a person has to read: a stop when the rubber closes into loops, checks
        for tunnels, deep solid rubber, deep halves and what the crew cannot turn, and notes.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.
    """
    rubber = plan_rubber(half, settings, progress=progress.part(0.0, 0.9))
    progress.step(f"placing wall, board and jacket of half {half.name}", 0.9)
    wall = plan_wall(rubber, settings)
    board = plan_board(rubber, wall, settings)
    jacket = plan_jacket(half, rubber, settings)
    advice = advise(half, rubber, settings, others=others)
    rubber = replace(rubber, advised_kg=advised_rubber_kg(rubber, advice))
    mould = Mould(name=half.name, rubber=rubber, wall=wall, board=board, jacket=jacket, advice=advice)
    progress.step(f"mould of half {half.name} planned", 1.0)
    return mould, tuple(remarks(half, rubber, board, jacket, settings))
