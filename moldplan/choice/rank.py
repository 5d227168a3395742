"""The ranking: a few really different ways to split, measured as moulds and put side by side.

Goal
    Before anybody carves or saws: which planes are worth thinking about, and what each one costs.

Steps
    1. Search the sphere for planes of little undercut, of every kind (`moldplan.split`), within the wishes.
    2. Round each to what a shop can mark and saw (`saw`); of the sawable planes next to the exact one
       take the one that locks least. Planes within 2 deg and 1 % of each other are one.
    3. Measure every plane as a mould on the whole mesh: cut, rubber with its real outer face, jacket, board.
    4. The Pareto front over all that counts (`front`). Answers that hold every wish go before all others;
       when none does, those that come nearest do, and the wish that stood in the way is named.
    5. Show the best of each kind, and say in words what speaks for it and against it (`words`).
    6. Of those shown: the worst plane within what a saw is off, and what softening the pattern would save.

Error budget
    Undercuts are exact (`moldplan.half`). Rubber and jackets are within 1 % of a plan's at the coarser cells
    used here (`measure` says how each part is off).
    The worst plane is the worst of nine directions at the two ends of the offset, not a bound over all
    between them. The search is the best of what it looked at: `Splits.cover_deg` says how densely that is.
"""

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.choice.findings import ranking_findings
from moldplan.choice.front import on_front, scores
from moldplan.choice.measure import measure, measure_off, skin_volume
from moldplan.choice.model import Answer, Broken, Kind, Measures, Ranking, Saw, Wishes, Worst
from moldplan.choice.saw import KINDS, best_sawable, kind_of, plane_of, round_offsets
from moldplan.choice.wishes import broken_wishes
from moldplan.choice.words import Compared, sentence
from moldplan.half import cut
from moldplan.mould.soften import soften, soften_words
from moldplan.pattern.light import arranged, light_copy
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.release import package_version
from moldplan.split import (
    Candidate,
    Plane,
    Region,
    SearchOptions,
    Splits,
    called,
    find_splits,
    undercut_around,
)
from moldplan.split.frame import figure_axes
from moldplan.split.refine import same_plane
from moldplan.split.sight import allowed_offset, in_figure_frame, look
from moldplan.split.tasks import gathered, running_on

Floats = NDArray[np.float64]

#: Answers of each kind that are measured, and how many of the best overall.
OF_EACH_KIND: Final = 3
OF_ALL: Final = 6
#: A further answer of a kind already shown differs by at least this, deg.
DIFFERENT_DEG: Final = 10.0
#: Halves of heavier patterns are drawn from a lighter copy.
DRAWN_FACES: Final = 300_000
#: Where wishes contradict each other the pull is kept: a degree outside it counts as so many of lean.
PULL_FIRST: Final = 10.0
#: Cells a plane is rounded with.
ROUNDING_CELLS: Final = 256
#: Share of the volume each half holds when halves are to be light: nearly the same.
EVEN_SHARE: Final = 0.42


@dataclass(frozen=True, kw_only=True)
class _Draft:
    """One sawable plane on its way to an answer."""

    found: Candidate
    saw: Saw
    plane: Plane
    kind: Kind


@dataclass(frozen=True, kw_only=True)
class _Measured:
    """A sawable plane with its measures."""

    draft: _Draft
    measures: Measures
    broken: tuple[Broken, ...]
    on_front: bool = False
    score: float = 0.0

    @property
    def misses(self) -> tuple[int, float]:
        """How many wishes it breaks, and by how much in all."""
        return len(self.broken), sum(broken.share for broken in self.broken)


def rank_splits(  # noqa: PLR0913 - the pattern, its settings, and five things a person may leave out
    pattern: Pattern,
    settings: Settings,
    *,
    wishes: Wishes | None = None,
    top: int = 5,
    title: str | None = None,
    executor: Executor | None = None,
    progress: Progress = QUIET,
) -> Ranking:
    """Return the ways to split `pattern` that are worth comparing, best first.

    Parameters
    ----------
    pattern
        A closed solid in mm.
    settings
        Every value the stages use; ``split.*`` says how exactly is sawn and what weighs how much.
    wishes
        What the shop wants (`moldplan.choice.wishes.read_wishes`); None wishes nothing.
    top
        Most answers to show side by side, at least 1.
    title
        What to call the job; None takes the pattern's name.
    executor
        Where to run the search, any `concurrent.futures.Executor`; None uses two threads here.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    Ranking
        All answers of the Pareto front; the shown ones first.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Accuracy and method: see the module. About 35 s for 100 000 triangles on two cores.
    """
    wanted = Wishes() if wishes is None else wishes
    search = _search_options(wanted, settings)
    splits, found = _found(pattern, wanted, search, executor, progress.part(0.0, 0.25))
    progress.step("rounding planes to what can be sawn", 0.25)
    drafts = _rounded(pattern, found, search, settings)
    measured = _measured(pattern, drafts, wanted, settings, progress.part(0.3, 0.8))
    kept = _kept(measured, settings)
    shown, rest = _shown(kept, top, figure_axes(pattern.up, pattern.front)[1])
    answers = _answers(pattern, shown, rest, settings, progress.part(0.8, 1.0))
    return Ranking(
        job=title or pattern.name,
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        version=package_version(),
        pattern=pattern,
        settings=settings,
        wishes=wanted,
        splits=splits,
        answers=answers,
        findings=tuple(ranking_findings(pattern, splits, answers, settings)),
    )


def _search_options(wishes: Wishes, settings: Settings) -> SearchOptions:
    """Return how to search so that directions and patches are as wished."""
    region = None
    if wishes.seam_upright or wishes.pull is not None:
        region = Region(upright=wishes.seam_upright, pull=wishes.pull, within_deg=wishes.within_deg)
    return SearchOptions(
        region=region,
        clear_of=tuple(patch.points_mm for patch in wishes.keep_clean),
        clear_margin_mm=settings.number("split.clean_margin_mm"),
    )


def _found(
    pattern: Pattern,
    wishes: Wishes,
    options: SearchOptions,
    executor: Executor | None,
    progress: Progress,
) -> tuple[Splits, list[tuple[Candidate, ...]]]:
    """Return the search, and the lists of planes to look at closer: even halves too where size is wished."""
    splits = find_splits(pattern, options=options, executor=executor, progress=progress.part(0.0, 0.6))
    found = [splits.candidates]
    if wishes.heaviest_half_kg is not None or wishes.largest_board_mm is not None:
        even, part = replace(options, least_share=EVEN_SHARE), progress.part(0.6, 1.0)
        found.append(find_splits(pattern, options=even, executor=executor, progress=part).candidates)
    return splits, found


def _rounded(
    pattern: Pattern, found: Sequence[Sequence[Candidate]], search: SearchOptions, settings: Settings
) -> list[_Draft]:
    """Return the sawable planes of the most promising candidates of each list, near-duplicates dropped.

    The lists keep their order: a search puts planes that run through a patch last.
    """
    rounding = _Rounding.of(pattern, figure_axes(pattern.up, pattern.front), search, settings)
    kept: list[_Draft] = []
    for candidates in found:
        by_kind: dict[Kind, int] = dict.fromkeys(KINDS, 0)
        for number, candidate in enumerate(candidates):
            draft = rounding.draft(candidate)
            if by_kind[draft.kind] >= OF_EACH_KIND and number >= OF_ALL:
                continue
            if not any(_same(pattern, draft.plane, other.plane) for other in kept):
                by_kind[draft.kind] += 1
                kept.append(draft)
    return kept


@dataclass(frozen=True)
class _Rounding:
    """What rounding a plane needs: a light mesh in the figure's frame, and the wishes about planes."""

    axes: Floats
    mesh: tuple[Floats, NDArray[np.int64]]
    volume_mm3: float
    search: SearchOptions
    step_mm: float

    @classmethod
    def of(cls, pattern: Pattern, axes: Floats, search: SearchOptions, settings: Settings) -> "_Rounding":
        """Return the rounding of one pattern."""
        whole = arranged(in_figure_frame(pattern), pattern.faces)
        light = arranged(*light_copy(*whole, most=search.light_faces)[:2])
        step = settings.number("split.saw_offset_mm")
        return cls(axes, light, pattern.volume_mm3, search, step)

    def draft(self, candidate: Candidate) -> _Draft:
        """Return the sawable plane of a candidate that locks least among its neighbours."""
        saw, normal, offset = best_sawable(
            self.axes @ candidate.plane.array(),
            offsets=lambda normal: self._offsets(normal, candidate.plane.offset_mm),
            misses=self._misses,
        )
        plane = plane_of(normal, offset, self.axes)
        return _Draft(found=candidate, saw=saw, plane=plane, kind=kind_of(normal))

    def _offsets(self, normal: Floats, near_mm: float) -> list[tuple[float, float]]:
        """Return rounded offsets next to the best and next to the candidate's own, each with its undercut."""
        sight = look(*self.mesh, normal, cells=ROUNDING_CELLS)
        best, _ = allowed_offset(
            sight, sight.best_offset_mm, volume_mm3=self.volume_mm3, least_share=self.search.least_share
        )
        tries = {*round_offsets(best, self.step_mm), *round_offsets(near_mm, self.step_mm)}
        return [(offset, sight.undercut_mm3(offset)) for offset in sorted(tries)]

    def _misses(self, normal: Floats, offset_mm: float) -> float:
        """Return by how much a plane misses the wishes about planes: deg off, mm too near a patch."""
        missed = 0.0
        direction = normal @ self.axes
        if self.search.region is not None:
            lean, outside = self.search.region.broken_deg(direction, up=self.axes[2])
            missed += lean + PULL_FIRST * outside
        for points in self.search.clear_of:
            along = points @ direction
            inside = min(offset_mm - along.min(), along.max() - offset_mm) + self.search.clear_margin_mm
            missed += max(float(inside), 0.0)
        return missed


def _same(pattern: Pattern, one: Plane, other: Plane) -> bool:
    """Return whether two planes are so near that a shop sees one."""
    normal = one.array()
    extent = float(np.ptp(pattern.vertices @ normal))
    return same_plane(normal, one.offset_mm, other.array(), other.offset_mm, extent_mm=extent)


def _measured(
    pattern: Pattern, drafts: Sequence[_Draft], wishes: Wishes, settings: Settings, progress: Progress
) -> list[_Measured]:
    """Return every plane measured as a mould, two at a time: they share nothing but the mesh."""
    progress.step("measuring the skin of the whole pattern", 0.0)
    skin = skin_volume(pattern, settings)
    margin = settings.number("split.clean_margin_mm")

    def one(draft: _Draft) -> _Measured:
        measures, _ = measure(pattern, draft.plane, settings, patches=wishes.keep_clean, skin_mm3=skin)
        normal = draft.plane.normal
        broken = broken_wishes(wishes, normal=normal, measures=measures, pattern=pattern, margin_mm=margin)
        return _Measured(draft=draft, measures=measures, broken=broken)

    with running_on(None, threads=2) as pool:
        calls = [(draft,) for draft in drafts]
        part = progress.part(0.1, 1.0)
        return gathered(pool, one, calls, what="measuring the splits as moulds", progress=part)


def _kept(measured: Sequence[_Measured], settings: Settings) -> list[_Measured]:
    """Return the planes that come nearest to the wishes, with front and score, best first."""
    fewest = min(len(item.broken) for item in measured)
    near = [item for item in measured if len(item.broken) == fewest]
    all_measures = [item.measures for item in near]
    marked = [
        replace(item, on_front=front, score=score)
        for item, front, score in zip(
            near, on_front(all_measures), scores(all_measures, settings), strict=True
        )
    ]
    least = min(item.score for item in marked)
    marked = [replace(item, score=item.score - least) for item in marked]
    return sorted(marked, key=lambda item: (item.misses, not item.on_front, item.score))


def _shown(kept: Sequence[_Measured], top: int, left: Floats) -> tuple[list[_Measured], list[_Measured]]:
    """Return the answers to show, best first, and the others on the front; `left` is the figure's own."""
    shown: list[_Measured] = [kept[0]]
    for kind in KINDS:
        if len(shown) < top and all(item.draft.kind != kind for item in shown):
            first = next((item for item in kept if item.draft.kind == kind), None)
            if first is not None:
                shown.append(first)
    for item in kept:
        if len(shown) < top and item.on_front and _differs(item, shown, left):
            shown.append(item)
    places = {id(item) for item in shown}
    rest = [item for item in kept if id(item) not in places]
    return [item for item in kept if id(item) in places], [item for item in rest if item.on_front]


def _differs(item: _Measured, shown: Sequence[_Measured], left: Floats) -> bool:
    """Return whether an answer lies well off all that are shown, and off their mirror images.

    Most figures are much the same left and right: a mirror image is no other answer.
    """
    normals = np.array([other.draft.plane.normal for other in shown])
    normals = np.concatenate([normals, normals - 2.0 * np.outer(normals @ left, left)])
    nearest = float(np.abs(normals @ item.draft.plane.array()).max())
    return math.degrees(math.acos(min(nearest, 1.0))) >= DIFFERENT_DEG


def _answers(
    pattern: Pattern,
    shown: Sequence[_Measured],
    rest: Sequence[_Measured],
    settings: Settings,
    progress: Progress,
) -> tuple[Answer, ...]:
    """Return the numbered answers, the shown ones with all that is said of them."""
    compared = [
        Compared(number=number, kind=item.draft.kind, measures=item.measures)
        for number, item in enumerate(shown, start=1)
    ]
    said = [sentence(seen, compared, settings) for seen in compared]
    drawn = _drawn(pattern)

    def closer(number: int) -> Answer:
        item = shown[number]
        names = _names(pattern, item.draft.plane)
        halves = cut(pattern, item.draft.plane, called=names)
        return replace(
            _answer(pattern, number + 1, item, said[number]),
            shown=True,
            worst=_worst(pattern, item, settings),
            softening=tuple(
                replace(advice, words=soften_words(advice, half))
                for half in halves
                for advice in soften(half, settings)
            ),
            halves=halves if drawn is pattern else cut(drawn, item.draft.plane, called=names),
        )

    with running_on(None, threads=2) as pool:
        calls = [(number,) for number in range(len(shown))]
        answers = gathered(pool, closer, calls, what="looking closer at the answers", progress=progress)
    for number, item in enumerate(rest, start=len(shown) + 1):
        seen = Compared(number=number, kind=item.draft.kind, measures=item.measures)
        answers.append(_answer(pattern, number, item, sentence(seen, compared, settings)))
    return tuple(answers)


def _drawn(pattern: Pattern) -> Pattern:
    """Return the pattern, or a lighter one when so many triangles would only fill the memory."""
    if len(pattern.faces) <= DRAWN_FACES:
        return pattern
    vertices, faces, _ = light_copy(pattern.vertices, pattern.faces, most=DRAWN_FACES)
    return replace(pattern, vertices=vertices, faces=faces)


def _names(pattern: Pattern, plane: Plane) -> tuple[str, str]:
    return called(plane.normal, pattern.up, pattern.front)


def _answer(pattern: Pattern, number: int, item: _Measured, words: str) -> Answer:
    """Return one answer without what only shown ones have."""
    draft = item.draft
    return Answer(
        number=number,
        kind=draft.kind,
        called=_names(pattern, draft.plane),
        plane=draft.plane,
        saw=draft.saw,
        measures=item.measures,
        worst=None,
        found=draft.found.plane,
        found_undercut_mm3=draft.found.undercut_mm3,
        found_light_mm3=draft.found.light_undercut_mm3,
        on_front=item.on_front,
        shown=False,
        broken=item.broken,
        score=item.score,
        sentence=words,
    )


def _worst(pattern: Pattern, item: _Measured, settings: Settings) -> Worst:
    """Return the worst plane within what a saw is off, measured like the answer itself."""
    angle, offset = settings.number("split.saw_angle_deg"), settings.number("split.saw_offset_mm")
    plane, _ = undercut_around(pattern, item.draft.plane, angle_deg=angle, offset_mm=offset)
    undercut, rubber = measure_off(pattern, plane, settings)
    own = item.measures
    if undercut < own.undercut_mm3:  # the columns' error: the answer itself is the worst
        plane, undercut = item.draft.plane, own.undercut_mm3
    return Worst(
        plane=plane,
        angle_deg=angle,
        offset_mm=offset,
        undercut_mm3=undercut,
        rubber_kg=max(rubber, own.rubber_kg),
    )
