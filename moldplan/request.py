"""From what a person typed to a folder of results: read, check, plan, write."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from moldplan.cache import Cache, open_cache
from moldplan.cards import resolve_settings
from moldplan.cards.model import Settings
from moldplan.chosen import Chosen, check_chosen, read_chosen
from moldplan.document import plan_document
from moldplan.errors import InputError
from moldplan.job import Job, read_job
from moldplan.pattern import read_mending
from moldplan.pattern.kept import kept_pattern
from moldplan.pattern.model import Pattern
from moldplan.plan import Plan, answered, plan_job, revised
from moldplan.progress import QUIET, Progress
from moldplan.solids import write_solids
from moldplan.split import parse_cut
from moldplan.split.model import Known, Plane
from moldplan.store import (
    check_target,
    files_in,
    new_folder,
    new_revision,
    next_revision,
    working_in,
    write_json,
)
from moldplan.units import parse_axis, parse_length_mm
from moldplan.views import draw_views

#: What may be asked for beside `plan.json`, which is always written: the rest is made from the same plan.
PARTS = ("views", "solids")


@dataclass(frozen=True, kw_only=True)
class Request:
    """What every job is asked with, as texts and paths; None is taken from the job file or a default."""

    pattern: Path | None = None
    height: str | None = None
    unit: str | None = None
    up: str | None = None
    front: str | None = None
    job: Path | None = None
    cards: Path | None = None
    settings: tuple[str, ...] = ()
    out: Path | None = None
    parts: tuple[str, ...] = PARTS
    accept_repairs: bool = False
    """Take a pattern that was mended beyond the shop's tolerance."""
    fresh: bool = False
    """Compute everything anew, whatever was kept."""


@dataclass(frozen=True, kw_only=True)
class PlanRequest(Request):
    """What a plan is asked with: the plane itself, or an answer of an earlier ranking, or neither."""

    cut: str | None = None
    answer: int | None = None
    ranking: Path | None = None
    """Folder of the ranking that `answer` is one of."""


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """What a request named, read and checked."""

    job: Job | None
    settings: Settings
    pattern: Pattern
    title: str
    cache: Cache
    """Where results of stages are kept."""


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A request that was read and checked: everything needed to plan, and where to put it."""

    pattern: Pattern
    settings: Settings
    plane: Plane | None
    answer: int | None
    """Which answer of a ranking `plane` is."""
    others: tuple[Known, ...]
    """The other answers of that ranking."""
    title: str
    job_folder: Path | None
    """Keeps revisions when set; else the results go to `out`."""
    out: Path
    parts: tuple[str, ...]
    cache: Cache


@dataclass(frozen=True, kw_only=True)
class Made:
    """A plan and the files it was written to."""

    plan: Plan
    folder: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...]
    """What could not be made, and why, for people."""
    cache_notes: tuple[str, ...] = ()
    """What kept results from being kept for the next run."""


def parse_parts(text: str, *, known: tuple[str, ...] = PARTS) -> tuple[str, ...]:
    """Return what of `known` to make beside the JSON file, from a text like "views", or "none".

    Raises
    ------
    InputError
        When it names a part that is not known.
    """
    asked = tuple(part.strip() for part in text.split(",") if part.strip())
    unknown = [part for part in asked if part not in (*known, "none")]
    if unknown or not asked:
        raise InputError(f"--only {text}: knows {', '.join(known)} and none, with commas between")
    return tuple(part for part in asked if part != "none")


def prepare(request: PlanRequest, *, progress: Progress = QUIET) -> Prepared:
    """Read and check all that `request` names; write nothing.

    Raises
    ------
    InputError
        For the first thing that cannot be used.
    """
    chosen = _chosen(request)
    if chosen is not None:
        request = _with_chosen(request, chosen)
    job = read_request_job(request)
    from_job = None if job is None or chosen is not None else job.cut
    text = from_job if request.cut is None else request.cut
    plane = None if text is None else parse_cut(text)
    out, job_folder = _target(request, job)
    inputs = read_inputs(request, job, progress=progress)
    if chosen is not None:
        check_chosen(chosen, inputs.pattern)
        plane = chosen.plane
    return Prepared(
        pattern=inputs.pattern, settings=inputs.settings, plane=plane, title=inputs.title,
        answer=None if chosen is None else chosen.number, others=() if chosen is None else chosen.others,
        job_folder=job_folder, out=out, parts=request.parts, cache=inputs.cache,
    )  # fmt: skip


def read_request_job(request: Request) -> Job | None:
    """Return the job file that a request names.

    Raises
    ------
    InputError
        When it cannot be used.
    """
    return None if request.job is None else read_job(request.job)


def pattern_file(request: Request, job: Job | None) -> Path:
    """Return the pattern's file, from the request or from the job file.

    Raises
    ------
    InputError
        When neither names one.
    """
    if request.pattern is not None:
        return request.pattern
    if job is None or job.pattern is None:
        raise InputError("no pattern given: name a mesh file, or say pattern = ... in the job file")
    return job.folder / job.pattern


def read_inputs(request: Request, job: Job | None, *, progress: Progress = QUIET) -> Inputs:
    """Read settings and pattern; what the request leaves open is taken from the job file.

    Raises
    ------
    InputError
        For the first thing that cannot be used.
    """
    file = pattern_file(request, job)
    settings = resolve_settings(job=job, cards_dir=request.cards, overrides=request.settings)
    if job is not None:
        request = _with_job(request, job)
    height, up, front = request.height, request.up, request.front
    height_mm = None if height is None else parse_length_mm(height, what="height")
    up_axis = None if up is None else parse_axis(up, what="up")
    front_axis = None if front is None else parse_axis(front, what="front")
    progress.step("reading the pattern", 0.0)
    mending = read_mending(settings, accept=request.accept_repairs)
    cache = open_cache(fresh=request.fresh)
    pattern = kept_pattern(
        file,
        cache=cache,
        height_mm=height_mm,
        unit=request.unit,
        up=up_axis,
        front=front_axis,
        mending=mending,
    )
    title = job.title if job is not None and job.title else pattern.name
    return Inputs(job=job, settings=settings, pattern=pattern, title=title, cache=cache)


def _with_job(request: Request, job: Job) -> Request:
    """Fill what a request leaves open from the job file."""
    return replace(
        request,
        height=request.height or (None if request.unit else job.height),
        up=request.up or job.up,
        front=request.front or job.front,
    )


def _chosen(request: PlanRequest) -> Chosen | None:
    """Return the answer that a request takes up."""
    if request.answer is None and request.ranking is None:
        return None
    if request.ranking is None:
        raise InputError("--answer: say which ranking it is one of: --from FOLDER, as moldplan split made it")
    if request.answer is None:
        raise InputError(f"--from {request.ranking}: say which answer to take: --answer 1")
    if request.cut is not None:
        raise InputError("--cut and --answer both say where to split: give one of them")
    return read_chosen(request.ranking, request.answer)


def _with_chosen(request: PlanRequest, chosen: Chosen) -> PlanRequest:
    """Take from the ranking what a request leaves open: height and directions."""
    height = request.height or (None if request.unit else f"{chosen.height_mm!r} mm")
    return replace(request, height=height, up=request.up or chosen.up, front=request.front or chosen.front)


def carry_out(prepared: Prepared, *, progress: Progress = QUIET) -> Made:
    """Plan what was prepared and write the results, whole or not at all.

    Raises
    ------
    InputError
        When the plane misses the pattern or the folder cannot be written.
    StoppedError
        When `progress` was told to stop.
    """
    doing = f"planning {prepared.pattern.path.name}"
    with _held(prepared.out, prepared.job_folder, doing):
        plan = plan_job(
            prepared.pattern,
            prepared.settings,
            plane=prepared.plane,
            title=prepared.title,
            others=prepared.others,
            cache=prepared.cache,
            progress=progress.part(0.0, 0.65),
        )
        plan = plan if prepared.answer is None else answered(plan)
        with _place(prepared) as (work, revision, folder):
            plan = revised(plan, revision)
            notes = _write(plan, work, prepared.parts, progress)
            files = files_in(work, known_as=folder)
    return Made(plan=plan, folder=folder, files=files, notes=notes, cache_notes=prepared.cache.notes)


@contextmanager
def at_work(request: PlanRequest) -> Iterator[None]:
    """Keep other runs out of the folder a request writes to, from before its pattern is read.

    Raises
    ------
    InputError
        When another run is at work there, which is named, or the request names no folder.
    """
    job = read_request_job(request)
    out, job_folder = _target(request, job)
    with _held(out, job_folder, f"planning {pattern_file(request, job).name}"):
        yield


def _held(out: Path, job_folder: Path | None, doing: str) -> AbstractContextManager[None]:
    """Return what keeps other runs out of where results go; the same run may ask twice."""
    return working_in(job_folder or out, doing=doing, job=job_folder is not None)


def _target(request: PlanRequest, job: Job | None) -> tuple[Path, Path | None]:
    """Return where results go, checked, and the job folder when it keeps them as a revision."""
    if request.out is not None:
        check_target(request.out)
        return request.out, None
    if request.job is not None and request.job.is_dir():
        return request.job / next_revision(request.job), request.job
    out = Path(f"{pattern_file(request, job).stem}-plan")
    check_target(out)
    return out, None


@contextmanager
def _place(prepared: Prepared) -> Iterator[tuple[Path, str, Path]]:
    """Give the folder to write into, the revision's name, and what the folder will be called."""
    if prepared.job_folder is None:
        with new_folder(prepared.out) as work:
            yield work, "r000", prepared.out
        return
    with new_revision(prepared.job_folder) as (work, revision):
        yield work, revision, prepared.job_folder / revision


def _write(plan: Plan, folder: Path, parts: tuple[str, ...], progress: Progress) -> tuple[str, ...]:
    """Write `plan.json` and the asked parts into `folder`; return what could not be made."""
    # drawings and solids share nothing but the plan, and both leave the interpreter's lock for long
    abandoned = Event()
    with ThreadPoolExecutor(max_workers=1) as beside:
        waiting = beside.submit(_solids, plan, folder, parts, Progress(stop=abandoned))
        try:
            notes = _views(plan, folder, parts, progress.part(0.65, 0.95))
            progress.step("writing the solids", 0.95)
            solids = waiting.result()
        except BaseException:
            abandoned.set()  # so that leaving does not wait for solids nobody wants
            raise
    write_json(folder / "plan.json", plan_document(plan, solids=solids))
    return notes


def _views(plan: Plan, folder: Path, parts: tuple[str, ...], progress: Progress) -> tuple[str, ...]:
    """Draw if that is asked for; return what could not be made."""
    if "views" not in parts:
        return ()
    (folder / "views").mkdir()
    return draw_views(plan, folder / "views", progress=progress).notes


def _solids(plan: Plan, folder: Path, parts: tuple[str, ...], progress: Progress) -> list[dict[str, object]]:
    """Write the solids if they are asked for; return what the document says of them."""
    if "solids" not in parts:
        return []
    (folder / "solids").mkdir()
    return [
        {
            "file": f"solids/{written.path.name}",
            "half": written.half,
            "part": written.part,
            "state": written.state,
            "volume_l": written.volume_l,
        }
        for written in write_solids(plan, folder / "solids", progress=progress)
    ]
