"""The mould of one half: rubber, coats, clay wall, board, rigid jacket, and how all of it comes apart again.

`plan_mould` is the whole stage; its result is `moldplan.mould.model.Mould`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.board import plan_board
from moldplan.mould.features import find_features
from moldplan.mould.fittings import plan_fittings
from moldplan.mould.inside_remarks import feature_findings
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.model import Jacket, Mould, OtherSplit, Rubber
from moldplan.mould.parting import plan_release
from moldplan.mould.peel import plan_peel
from moldplan.mould.peel_remarks import peel_findings
from moldplan.mould.reach import hollow_of, plan_reach
from moldplan.mould.registration import registration_remarks
from moldplan.mould.remarks import remarks
from moldplan.mould.remedies import advise, advised_rubber_kg
from moldplan.mould.rubber import build_for, plan_rubber
from moldplan.mould.shell import jacket_heights
from moldplan.mould.wall import plan_wall
from moldplan.mould.webs import find_webs
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
        The `Mould`, and the findings a person has to read: stops where rubber closes into loops or meets
        cured rubber, checks for what stretches too far, what the hand misses and what the crew cannot turn,
        and notes.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.
    """
    rubber = plan_rubber(half, settings, progress=progress.part(0.0, 0.5))
    progress.step(f"placing wall, board and jacket of half {half.name}", 0.5)
    wall = plan_wall(rubber, settings, section=half.section)
    board = plan_board(rubber, wall, settings, sawn=half.called != "WHOLE")
    jacket = _jacket(half, rubber, settings)
    progress.step(f"weighing what to do about the undercuts of half {half.name}", 0.6)
    advice = advise(half, rubber, settings, others=others)
    webs = find_webs(half, settings)
    progress.step(f"taking the rubber off half {half.name}", 0.75)
    rubber = replace(rubber, advised_kg=advised_rubber_kg(rubber, advice))
    peel = plan_peel(half, rubber, settings)
    progress.step(f"reaching into half {half.name}", 0.85)
    hollow = hollow_of(half, settings)
    mould = Mould(
        name=half.name,
        rubber=rubber,
        wall=wall,
        board=board,
        jacket=jacket,
        peel=peel,
        reach=plan_reach(half, settings, hollow=hollow),
        features=find_features(half, settings, hollow=hollow),
        advice=advice,
        webs=webs,
        release=plan_release(half, webs, advice, settings),
    )
    progress.step(f"mould of half {half.name} planned", 1.0)
    return mould, tuple(_findings(half, mould, settings))


def _jacket(half: Half, rubber: Rubber, settings: Settings) -> Jacket:
    """Return the jacket with its outside, feet and edge to roll on."""
    jacket = plan_jacket(half, rubber, settings)
    outside = jacket_heights(
        half, rubber, build_for(half, settings), thickness_mm=jacket.thickness_mm,
        flange_thickness_mm=jacket.flange_thickness_mm, flange_outer=jacket.flange_outer,
    )  # fmt: skip
    return plan_fittings(replace(jacket, outer_mm=outside), rubber, half, settings)


def _findings(half: Half, mould: Mould, settings: Settings) -> Iterator[Finding]:
    """Walk over all there is to say of one half's mould."""
    yield from remarks(
        half, mould.rubber, mould.board, mould.jacket, settings,
        wall=mould.wall, advice=mould.advice, webs=mould.webs, release=mould.release,
    )  # fmt: skip
    yield from registration_remarks(half, mould.rubber, settings)
    if mould.peel is not None:
        yield from peel_findings(half, mould.peel)
    if mould.reach is not None:
        yield from feature_findings(half, mould.reach, mould.features)
