"""The whole job: a pattern and its settings in, a `Plan` out.

Steps: choose the plane (search, given cut, or the flat back of a relief), lay each half on its board,
plan each half's mould, gather the findings. Nothing is written here (`moldplan.store` does that).
"""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from threading import Event
from typing import Final, Literal, TypeVar

from moldplan.cache import Cache, content_key
from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half import cut, lay_whole
from moldplan.half.model import Half
from moldplan.half.whole import WholeCheck, against_whole
from moldplan.mould import plan_mould
from moldplan.mould.datums import datum_findings, plan_datums
from moldplan.mould.model import Datums, Mould, OtherSplit
from moldplan.mould.other_split import judge_other
from moldplan.pattern.model import Pattern
from moldplan.pattern.remarks import pattern_findings
from moldplan.progress import QUIET, Progress
from moldplan.release import package_version
from moldplan.split import called, canonical_plane, find_splits, locked_volume
from moldplan.split.model import Known, Plane, Splits
from moldplan.tolerances import CONTENDERS, SEARCH_ERROR, UNDERCUT_NOTHING

ChosenBy = Literal["search", "cut", "open", "answer"]
_Made = TypeVar("_Made")

#: Other planes are weighed when they lean by this much, and no more than so many.
_OTHER_DEG: Final = 20.0
_MOST_OTHERS: Final = 3


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
    """ "search", "cut" (given by the person), "answer" (of a ranking) or "open" (one-part open mould)."""
    splits: Splits | None
    seam_mm: float
    locked_mm3: float
    halves: tuple[Half, ...]
    moulds: tuple[Mould, ...]
    settings: Settings
    findings: tuple[Finding, ...]
    datums: tuple[Datums, ...] = ()
    """Dowels and wall corners of each half; empty when the boards share no place for dowels."""
    whole: WholeCheck | None = None
    """What the whole mesh gives beside the lighter copy that was planned with; None when there is no copy."""

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


def plan_job(  # noqa: PLR0913 - a pattern, its settings, and five things a person may leave out
    pattern: Pattern,
    settings: Settings,
    *,
    plane: Plane | None = None,
    title: str | None = None,
    others: Sequence[Known] = (),
    cache: Cache | None = None,
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
    others
        Other planes that are known for this figure, weighed against every undercut; a search brings its own.
    cache
        Where results of stages are kept (`moldplan.cache.open_cache`); what was computed before is taken from
        there, to the same last bit. None computes everything.
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
    work = _work(pattern, cache)
    laid = _laid(work, plane, progress)
    judged = _judged(work, laid, others)
    moulds, findings = _moulds(work, laid.halves, settings, judged, progress)
    datums = plan_datums(laid.halves, moulds, settings)
    return Plan(
        job=title or pattern.name,
        revision="r000",
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        version=package_version(),
        pattern=pattern,
        plane=laid.plane,
        chosen_by=laid.chosen_by,
        splits=laid.splits,
        seam_mm=float(laid.halves[0].section.length),
        locked_mm3=min(locked_volume(pattern, laid.plane.array()), laid.undercut_mm3),
        halves=laid.halves,
        moulds=moulds,
        settings=settings,
        findings=(
            *_first_findings(pattern, laid.chosen_by),
            *findings,
            *datum_findings(laid.halves, datums),
        ),
        datums=datums,
        whole=against_whole(pattern, laid.plane),
    )


def answered(plan: Plan) -> Plan:
    """Return the same plan, its plane named as an answer of a ranking."""
    return replace(plan, chosen_by="answer")


def revised(plan: Plan, revision: str) -> Plan:
    """Return the same plan under another revision name."""
    return replace(plan, revision=revision)


@dataclass(frozen=True, kw_only=True)
class _Work:
    """The pattern that is worked on, where results are kept, and what the pattern goes by there."""

    pattern: Pattern
    cache: Cache | None
    key: str

    def stage(self, name: str, parts: Sequence[object], compute: Callable[[], _Made]) -> _Made:
        """Return what `compute` gives; it may read the pattern's shape and stance, and `parts`."""
        return compute() if self.cache is None else self.cache.stage(name, (self.key, *parts), compute)


def _work(pattern: Pattern, cache: Cache | None) -> _Work:
    """Return a pattern with the key of all that the stages read of it: its shape and how it stands."""
    shape = (pattern.vertices, pattern.faces, pattern.volume_mm3, pattern.size_mm)
    key = "" if cache is None else content_key(*shape, pattern.up, pattern.front)
    return _Work(pattern=pattern, cache=cache, key=key)


@dataclass(frozen=True, kw_only=True)
class _Laid:
    """The halves on their boards, the plane between them, and how it was found."""

    plane: Plane
    chosen_by: ChosenBy
    splits: Splits | None
    halves: tuple[Half, ...]

    @property
    def undercut_mm3(self) -> float:
        return sum(half.undercut.volume_mm3 for half in self.halves)


def _laid(work: _Work, plane: Plane | None, progress: Progress) -> _Laid:
    """Return the halves cut at `plane`, or at the one the search finds best."""
    laying = progress.part(0.3, 0.45)
    if plane is not None:
        return _cut_at(work, plane, "cut", None, laying)
    progress.step("looking for the split", 0.02)
    seeking = progress.part(0.02, 0.3)
    splits = work.stage("search", (), lambda: find_splits(work.pattern, progress=seeking))
    back = splits.open_back
    if back is None:
        return _best_of(work, splits, laying)
    progress.step("laying the figure on its back", 0.3)
    whole = work.stage("whole", (back,), lambda: lay_whole(work.pattern, back, progress=laying))
    return _Laid(plane=back, chosen_by="open", splits=splits, halves=(whole,))


def _best_of(work: _Work, splits: Splits, progress: Progress) -> _Laid:
    """Cut at the best candidates that the search cannot tell apart; keep the one that truly locks least."""
    nothing = UNDERCUT_NOTHING * work.pattern.volume_mm3
    limit = splits.candidates[0].undercut_mm3 * (1.0 + SEARCH_ERROR) + nothing
    close = [found.plane for found in splits.candidates if found.undercut_mm3 <= limit][:CONTENDERS]
    best: _Laid | None = None

    def choose() -> int:
        nonlocal best
        chosen = 0
        for number, plane in enumerate(close):
            part = progress.part(number / len(close), (number + 1) / len(close))
            laid = _cut_at(replace(work, cache=None), plane, "search", splits, part)
            if best is None or laid.undercut_mm3 < best.undercut_mm3 - nothing:
                best, chosen = laid, number
        return chosen

    chosen = work.stage("contenders", (nothing, *close), choose)
    return _cut_at(work, close[chosen], "search", splits, progress, made=best)


def _cut_at(  # noqa: PLR0913, PLR0917 - one step of `_laid`, set apart to be read by itself
    work: _Work,
    plane: Plane,
    chosen_by: ChosenBy,
    splits: Splits | None,
    progress: Progress,
    made: _Laid | None = None,
) -> _Laid:
    """Cut the pattern and lay both halves down; `made` is the same, when it was just done."""
    pattern = work.pattern
    progress.step("laying the halves on their boards", 0.0 if made is None else 1.0)
    chosen = canonical_plane(plane, up=pattern.up, front=pattern.front)
    names = called(chosen.normal, pattern.up, pattern.front)

    def lay() -> tuple[Half, ...]:
        return cut(pattern, chosen, called=names, progress=progress) if made is None else made.halves

    halves = work.stage("halves", (chosen, names), lay)
    return _Laid(plane=chosen, chosen_by=chosen_by, splits=splits, halves=halves)


def _judged(work: _Work, laid: _Laid, others: Sequence[Known]) -> tuple[OtherSplit, ...]:
    """Return what the best of the other planes would do to these undercuts: none that is nearly the same."""
    if laid.splits is not None:
        others = [Known(plane=item.plane, undercut_mm3=item.undercut_mm3) for item in laid.splits.candidates]
    if laid.chosen_by == "open" or not any(half.undercut.regions for half in laid.halves):
        return ()
    away = tuple(_far_apart(laid.plane, others))
    return work.stage("others", (laid.halves, *away), lambda: _weighed(work.pattern, laid, away))


def _far_apart(chosen: Plane, others: Sequence[Known]) -> Iterator[Known]:
    """Walk over the best of the other planes: none that is nearly the same as the chosen or a better one."""
    kept: list[Plane] = [chosen]
    for other in sorted(others, key=lambda item: item.undercut_mm3):
        if any(_lean_deg(other.plane, plane) < _OTHER_DEG for plane in kept) or len(kept) > _MOST_OTHERS:
            continue
        kept.append(other.plane)
        yield other


def _weighed(pattern: Pattern, laid: _Laid, others: Sequence[Known]) -> tuple[OtherSplit, ...]:
    """Return what each of the other planes would do to the undercuts of these halves."""
    return tuple(
        judge_other(
            pattern, laid.halves, other.plane,
            called=called(other.plane.normal, pattern.up, pattern.front),
            undercut_mm3=other.undercut_mm3, now_mm3=laid.undercut_mm3,
        )
        for other in others
    )  # fmt: skip


def _lean_deg(one: Plane, other: Plane) -> float:
    """Return the angle between two planes."""
    return math.degrees(math.acos(min(abs(float(one.array() @ other.array())), 1.0)))


def _moulds(
    work: _Work,
    halves: tuple[Half, ...],
    settings: Settings,
    others: tuple[OtherSplit, ...],
    progress: Progress,
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
        part = Progress(tell=tell, stop=abandoned)
        return work.stage(
            "mould",
            (half, settings, others),
            lambda: plan_mould(half, settings, others=others, progress=part),
        )

    with ThreadPoolExecutor(max_workers=2) as pool:
        waiting = [pool.submit(build, number) for number in range(len(halves))]
        try:
            built = [future.result() for future in waiting]
        except BaseException:
            abandoned.set()  # so that leaving the pool does not wait for a mould nobody wants
            raise
    return tuple(mould for mould, _ in built), tuple(finding for _, remarks in built for finding in remarks)


def _first_findings(pattern: Pattern, chosen_by: ChosenBy) -> Iterator[Finding]:
    """Say what was taken for granted about the pattern, and that an open mould does."""
    yield from pattern_findings(pattern)
    if chosen_by == "open":
        yield Finding(
            code="open-mould",
            severity="note",
            stage="split",
            advice="one half holds the whole figure on its flat back: make a one-part open mould; "
            "give --cut to split it all the same",
        )
