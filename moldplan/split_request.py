"""From what a person typed to a ranking of splits: read, check, rank, write; one pattern or a folder."""

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from moldplan.cards.model import Settings
from moldplan.choice import rank_splits
from moldplan.choice.model import Ranking, Wishes
from moldplan.choice.wishes import read_wishes
from moldplan.chosen import SPLIT_FILE
from moldplan.cluster import spread
from moldplan.errors import InputError
from moldplan.job import Job
from moldplan.pattern.formats import READERS
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.ranking_document import ranking_document
from moldplan.request import Inputs, Request, pattern_file, read_inputs, read_request_job
from moldplan.store import check_target, files_in, new_folder, working_in, write_json
from moldplan.views import draw_comparison

#: Most answers side by side: what fits on a sheet.
MOST_TOP: Final = 5

#: What may be asked for beside `split.json`.
SPLIT_PARTS: Final = ("views",)


@dataclass(frozen=True, kw_only=True)
class SplitRequest(Request):
    """What a ranking is asked with; wishes left None are taken from the job file."""

    top: int = MOST_TOP
    seam_upright: bool | None = None
    pull: str | None = None
    within: str | None = None
    largest_board: str | None = None
    heaviest_half: str | None = None
    cluster: str | None = None
    """Address of a Dask scheduler."""
    parts: tuple[str, ...] = SPLIT_PARTS


@dataclass(frozen=True, kw_only=True)
class SplitPrepared:
    """A request that was read and checked: everything needed to rank, and where to put it."""

    pattern: Pattern
    settings: Settings
    wishes: Wishes
    title: str
    top: int
    out: Path
    parts: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SplitMade:
    """A ranking and the files it was written to."""

    ranking: Ranking
    folder: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...]
    """What could not be made, and why, for people."""


def prepare_split(request: SplitRequest, *, progress: Progress = QUIET) -> SplitPrepared:
    """Read and check all that `request` names; write nothing.

    Raises
    ------
    InputError
        For the first thing that cannot be used.
    """
    if not 1 <= request.top <= MOST_TOP:
        raise InputError(f"--top {request.top}: 1 to {MOST_TOP} answers fit side by side")
    job = read_request_job(request)
    out = _target(request, job)
    check_target(out)
    inputs = read_inputs(request, job, progress=progress)
    return SplitPrepared(
        pattern=inputs.pattern, settings=inputs.settings, wishes=_wishes(request, inputs),
        title=inputs.title, top=request.top, out=out, parts=request.parts,
    )  # fmt: skip


def _wishes(request: SplitRequest, inputs: Inputs) -> Wishes:
    """Return what the shop wishes of the split, from the command line and the job file."""
    return read_wishes(
        inputs.job,
        pattern=inputs.pattern,
        margin_mm=inputs.settings.number("split.clean_margin_mm"),
        seam_upright=request.seam_upright,
        pull=request.pull,
        within=request.within,
        largest_board=request.largest_board,
        heaviest_half=request.heaviest_half,
    )


def _target(request: SplitRequest, job: Job | None) -> Path:
    """Return where results go."""
    if request.out is not None:
        return request.out
    if request.job is not None and request.job.is_dir():
        return request.job / "split"
    return Path(f"{pattern_file(request, job).stem}-split")


def ranked(prepared: SplitPrepared, executor: Executor | None = None, progress: Progress = QUIET) -> Ranking:
    """Return the ranking of what was prepared; nothing is written.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.
    """
    return rank_splits(
        prepared.pattern, prepared.settings, wishes=prepared.wishes, top=prepared.top,
        title=prepared.title, executor=executor, progress=progress,
    )  # fmt: skip


def carry_out_split(
    prepared: SplitPrepared, *, executor: Executor | None = None, progress: Progress = QUIET
) -> SplitMade:
    """Rank the splits of what was prepared and write the results, whole or not at all.

    Raises
    ------
    InputError
        When the folder cannot be written.
    StoppedError
        When `progress` was told to stop.
    """
    with working_in(prepared.out, doing=f"splitting {prepared.pattern.path.name}"):
        ranking = ranked(prepared, executor, progress.part(0.0, 0.85))
        return write_split(prepared, ranking, progress=progress.part(0.85, 1.0))


@contextmanager
def at_work_splitting(request: SplitRequest) -> Iterator[None]:
    """Keep other runs out of the folder a request writes to, from before its pattern is read.

    Raises
    ------
    InputError
        When another run is at work there, which is named.
    """
    job = read_request_job(request)
    doing = f"splitting {pattern_file(request, job).name}"
    with working_in(_target(request, job), doing=doing):
        yield


def write_split(prepared: SplitPrepared, ranking: Ranking, *, progress: Progress = QUIET) -> SplitMade:
    """Write a ranking and its drawings into the folder that was prepared.

    Raises
    ------
    InputError
        When the folder cannot be written.
    StoppedError
        When `progress` was told to stop.
    """
    with new_folder(prepared.out) as work:
        write_json(work / SPLIT_FILE, ranking_document(ranking))
        notes: tuple[str, ...] = ()
        if "views" in prepared.parts:
            (work / "views").mkdir()
            notes = draw_comparison(ranking, work / "views", progress=progress).notes
        files = files_in(work, known_as=prepared.out)
    return SplitMade(ranking=ranking, folder=prepared.out, files=files, notes=notes)


def patterns_in(folder: Path) -> list[Path]:
    """Return the mesh files in a folder, by name.

    Raises
    ------
    InputError
        When there is none.
    """
    found = sorted(path for path in folder.iterdir() if _is_mesh(path))
    if not found:
        raise InputError(f"{folder}: holds no mesh file ({', '.join(sorted(READERS))})")
    return found


def _is_mesh(path: Path) -> bool:
    return path.is_file() and path.suffix.lower().lstrip(".") in READERS


def requests_for(request: SplitRequest, folder: Path) -> list[SplitRequest]:
    """Return one request for each mesh file of a folder, each with a folder of its own for its results.

    Raises
    ------
    InputError
        When there is no mesh file in it.
    """
    files = patterns_in(folder)
    out = request.out or Path(f"{folder.resolve().name}-split")
    stems = [file.stem for file in files]
    return [
        replace(request, pattern=file, out=out / (file.stem if stems.count(file.stem) == 1 else file.name))
        for file in files
    ]


def split_folder(
    requests: list[SplitRequest], *, executor: Executor | None = None, progress: Progress = QUIET
) -> Iterator[tuple[SplitRequest, SplitMade | InputError]]:
    """Rank one pattern after the other, or spread over an executor; yield each with what came of it.

    A pattern that cannot be used does not keep the others from being ranked. Without an executor one pattern
    is held in memory at a time.
    """
    if executor is None:
        for number, request in enumerate(requests):
            part = progress.part(number / len(requests), (number + 1) / len(requests))
            part.step(f"reading {request.pattern}", 0.0)
            yield request, _one_of_many(request, part)
        return
    prepared = [_prepared_or_error(request) for request in requests]
    good = [item for item in prepared if isinstance(item, SplitPrepared)]
    results = iter(spread(executor, ranked, good, progress=progress))
    for request, item in zip(requests, prepared, strict=True):
        yield request, item if isinstance(item, InputError) else _written(item, next(results)[1])


def _one_of_many(request: SplitRequest, progress: Progress) -> SplitMade | InputError:
    """Return what comes of one pattern of a folder."""
    item = _prepared_or_error(request)
    if isinstance(item, InputError):
        return item
    try:
        return carry_out_split(item, progress=progress)
    except InputError as error:
        return error


def _prepared_or_error(request: SplitRequest) -> SplitPrepared | InputError:
    """Return what is needed to rank one pattern, or why it cannot be used."""
    try:
        return prepare_split(request)
    except InputError as error:
        return error


def _written(prepared: SplitPrepared, result: Ranking | BaseException) -> SplitMade | InputError:
    """Write what came back from an executor; a fault that is not about the input is raised again."""
    if isinstance(result, InputError):
        return result
    if isinstance(result, BaseException):
        raise result
    try:
        return write_split(prepared, result)
    except InputError as error:
        return error
