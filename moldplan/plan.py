"""The whole job: a pattern and its settings in, a `Plan` out.

Steps: choose the plane (search, given cut, or the flat back of a relief), lay each half on its board,
plan each half's mould, gather the findings. Nothing is written here (`moldplan.store` does that).
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from threading import Event
from typing import Literal

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half import cut, lay_whole
from moldplan.half.model import Half
from moldplan.mould import plan_mould
from moldplan.mould.model import Mould
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.split import called, canonical_plane, find_splits, locked_volume
from moldplan.split.model import Plane, Splits

ChosenBy = Literal["search", "cut", "open"]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Everything that was computed for one job; all papers and drawings come from this value."""

    job: str
    """What the job is called, for titles."""
    revision: str
    """ "r001" in a job folder, else "r000"."""
    made: str
    """ISO 8601 date and time with zone."""
    version: str
    pattern: Pattern
    plane: Plane
    chosen_by: ChosenBy
    """ "search", "cut" (given by the person) or "open" (one-part open mould)."""
    splits: Splits | None
    seam_mm: float
    locked_mm3: float
    halves: tuple[Half, ...]
    moulds: tuple[Mould, ...]
    settings: Settings
    findings: tuple[Finding, ...]

    def pairs(self) -> Iterator[tuple[Half, Mould]]:
        """Walk over each half with its mould."""
        return zip(self.halves, self.moulds, strict=True)

    @property
    def undercut_mm3(self) -> float:
        """What the flat split leaves locked in all halves together."""
        return sum(half.undercut.volume_mm3 for half in self.halves)

    @property
    def stops(self) -> bool:
        """Whether any finding says stop."""
        return any(finding.severity == "stop" for finding in self.findings)


def package_version() -> str:
    """Return the version of moldplan that is running."""
    try:
        return version("moldplan")
    except PackageNotFoundError:  # run from a folder that was never installed
        return "0+unknown"


def plan_job(
    pattern: Pattern,
    settings: Settings,
    *,
    plane: Plane | None = None,
    title: str | None = None,
    progress: Progress = QUIET,
) -> Plan:
    """Plan the mould of `pattern`.

    Parameters
    ----------
    pattern
        A closed solid in mm (`moldplan.load_pattern`).
    settings
        Every value the stages use (`moldplan.cards.resolve_settings`).
    plane
        Where to cut; None searches for the plane of least undercut.
    title
        What to call the job; None takes the pattern's name.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    Plan
        With two halves, or one when the figure is a relief that an open mould holds whole.

    Raises
    ------
    PatternError
        When the given plane misses the pattern.
    StoppedError
        When `progress` was told to stop.
    """
    splits, chosen, chosen_by = _choose(pattern, plane, progress)
    progress.step("laying the halves on their boards", 0.3)
    if chosen_by == "open":
        halves: tuple[Half, ...] = (lay_whole(pattern, chosen, progress=progress.part(0.3, 0.45)),)
    else:
        names = called(chosen.normal, pattern.up, pattern.front)
        halves = cut(pattern, chosen, called=names, progress=progress.part(0.3, 0.45))
    moulds, findings = _moulds(halves, settings, progress)
    undercut = sum(half.undercut.volume_mm3 for half in halves)
    return Plan(
        job=title or pattern.name,
        revision="r000",
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        version=package_version(),
        pattern=pattern,
        plane=chosen,
        chosen_by=chosen_by,
        splits=splits,
        seam_mm=float(halves[0].section.length),
        locked_mm3=min(locked_volume(pattern, chosen.array()), undercut),
        halves=halves,
        moulds=moulds,
        settings=settings,
        findings=(*_pattern_findings(pattern, chosen_by), *findings),
    )


def revised(plan: Plan, revision: str) -> Plan:
    """Return the same plan under another revision name."""
    return replace(plan, revision=revision)


def _choose(
    pattern: Pattern, plane: Plane | None, progress: Progress
) -> tuple[Splits | None, Plane, ChosenBy]:
    """Return the search's result, the plane to cut at, and who chose it."""
    if plane is not None:
        return None, canonical_plane(plane, up=pattern.up, front=pattern.front), "cut"
    progress.step("looking for the split", 0.02)
    splits = find_splits(pattern, progress=progress.part(0.02, 0.3))
    if splits.open_back is not None:
        return splits, splits.open_back, "open"
    best = splits.candidates[0].plane
    return splits, canonical_plane(best, up=pattern.up, front=pattern.front), "search"


def _moulds(
    halves: tuple[Half, ...], settings: Settings, progress: Progress
) -> tuple[tuple[Mould, ...], tuple[Finding, ...]]:
    """Plan the halves' moulds side by side, and gather what there is to say.

    Halves share nothing, so threads change no number; the kernels let go of the interpreter's lock.
    """
    abandoned = Event()
    share = 0.55 / len(halves)

    def build(number: int) -> tuple[Mould, tuple[Finding, ...]]:
        half, low = halves[number], 0.45 + share * number

        def tell(what: str, done: float) -> None:
            progress.step(what, low + share * done)

        tell(f"building the rubber of half {half.name}", 0.0)
        return plan_mould(half, settings, progress=Progress(tell=tell, stop=abandoned))

    with ThreadPoolExecutor(max_workers=2) as pool:
        waiting = [pool.submit(build, number) for number in range(len(halves))]
        try:
            built = [future.result() for future in waiting]
        except BaseException:
            abandoned.set()  # so that leaving the pool does not wait for a mould nobody wants
            raise
    return tuple(mould for mould, _ in built), tuple(finding for _, remarks in built for finding in remarks)


def _pattern_findings(pattern: Pattern, chosen_by: ChosenBy) -> Iterator[Finding]:
    """Say what was taken for granted about the pattern."""
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
    if chosen_by == "open":
        yield Finding(
            code="open-mould",
            severity="note",
            stage="split",
            advice="one half holds the whole figure on its flat back: make a one-part open mould; "
            "give --cut to split it all the same",
        )
