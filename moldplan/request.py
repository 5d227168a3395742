"""From what a person typed to a folder of results: read, check, plan, write."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from moldplan.cards import resolve_settings
from moldplan.cards.model import Settings
from moldplan.document import plan_document
from moldplan.errors import InputError
from moldplan.job import Job, read_job
from moldplan.pattern import load_pattern
from moldplan.pattern.model import Pattern
from moldplan.plan import Plan, plan_job, revised
from moldplan.progress import QUIET, Progress
from moldplan.split import parse_cut
from moldplan.split.model import Plane
from moldplan.store import check_target, new_folder, new_revision, next_revision
from moldplan.units import parse_axis, parse_length_mm
from moldplan.views import draw_views

#: What may be asked for beside `plan.json`, which is always written: the rest is drawn from it.
PARTS = ("views",)


@dataclass(frozen=True, kw_only=True)
class PlanRequest:
    """What was asked for, as texts and paths; anything None is taken from the job file or its default."""

    pattern: Path | None = None
    height: str | None = None
    unit: str | None = None
    up: str | None = None
    front: str | None = None
    cut: str | None = None
    job: Path | None = None
    cards: Path | None = None
    settings: tuple[str, ...] = ()
    out: Path | None = None
    parts: tuple[str, ...] = PARTS


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """A request that was read and checked: everything needed to plan, and where to put it."""

    pattern: Pattern
    settings: Settings
    plane: Plane | None
    title: str
    job_folder: Path | None
    """Keeps revisions when set; else the results go to `out`."""
    out: Path
    parts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Made:
    """A plan and the files it was written to."""

    plan: Plan
    folder: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...]
    """What could not be made, and why, for people."""


def parse_parts(text: str) -> tuple[str, ...]:
    """Return what to make beside `plan.json` from a text like "views", or "none".

    Raises
    ------
    InputError
        When it names a part that is not known.
    """
    asked = tuple(part.strip() for part in text.split(",") if part.strip())
    unknown = [part for part in asked if part not in (*PARTS, "none")]
    if unknown or not asked:
        raise InputError(f"--only {text}: knows {', '.join(PARTS)} and none, with commas between")
    return tuple(part for part in asked if part != "none")


def prepare(request: PlanRequest, *, progress: Progress = QUIET) -> Prepared:
    """Read and check all that `request` names; write nothing.

    Raises
    ------
    InputError
        For the first thing that cannot be used.
    """
    job = None if request.job is None else read_job(request.job)
    merged = request if job is None else _with_job(request, job)
    if merged.pattern is None:
        raise InputError("no pattern given: name a mesh file, or say pattern = ... in the job file")
    settings = resolve_settings(job=job, cards_dir=request.cards, overrides=request.settings)
    plane = None if merged.cut is None else parse_cut(merged.cut)
    height_mm = None if merged.height is None else parse_length_mm(merged.height, what="height")
    up = None if merged.up is None else parse_axis(merged.up, what="up")
    front = None if merged.front is None else parse_axis(merged.front, what="front")
    out, job_folder = _target(merged)
    progress.step("reading the pattern", 0.0)
    pattern = load_pattern(merged.pattern, height_mm=height_mm, unit=merged.unit, up=up, front=front)
    title = job.title if job is not None and job.title else pattern.name
    return Prepared(
        pattern=pattern, settings=settings, plane=plane, title=title, job_folder=job_folder, out=out,
        parts=request.parts,
    )  # fmt: skip


def carry_out(prepared: Prepared, *, progress: Progress = QUIET) -> Made:
    """Plan what was prepared and write the results, whole or not at all.

    Raises
    ------
    InputError
        When the plane misses the pattern or the folder cannot be written.
    StoppedError
        When `progress` was told to stop.
    """
    plan = plan_job(
        prepared.pattern,
        prepared.settings,
        plane=prepared.plane,
        title=prepared.title,
        progress=progress.part(0.0, 0.8),
    )
    with _place(prepared) as (work, revision, folder):
        plan = revised(plan, revision)
        notes = _write(plan, work, prepared.parts, progress)
        names = sorted(path.relative_to(work) for path in work.rglob("*") if path.is_file())
    return Made(plan=plan, folder=folder, files=tuple(folder / name for name in names), notes=notes)


def _with_job(request: PlanRequest, job: Job) -> PlanRequest:
    """Fill what the request leaves open from the job file."""
    pattern = None if job.pattern is None else job.folder / job.pattern
    return replace(
        request,
        pattern=request.pattern or pattern,
        height=request.height or (None if request.unit else job.height),
        up=request.up or job.up,
        front=request.front or job.front,
        cut=request.cut or job.cut,
    )


def _target(request: PlanRequest) -> tuple[Path, Path | None]:
    """Return where results go, checked, and the job folder when it keeps them as a revision."""
    if request.out is not None:
        check_target(request.out)
        return request.out, None
    if request.job is not None and request.job.is_dir():
        return request.job / next_revision(request.job), request.job
    assert request.pattern is not None  # noqa: S101 - checked by the caller
    out = Path(f"{request.pattern.stem}-plan")
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
    text = json.dumps(plan_document(plan), indent=1, ensure_ascii=False, allow_nan=False)
    (folder / "plan.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    if "views" not in parts:
        return ()
    (folder / "views").mkdir()
    return draw_views(plan, folder / "views", progress=progress.part(0.8, 1.0)).notes
