"""The `moldplan` command. Heavy libraries are imported inside the commands, so that `--help` is quick.

Exit codes: 0 done; 1 something given cannot be used; 2 the command line is wrong; 3 done, but the findings
say stop; 130 interrupted (129 and 143 when the terminal closed or the system asked, 137 when the system ended
the run).
"""

# ruff: noqa: PLC0415, T201, PLR0913 - late imports keep --help quick; a command prints; an option is a parameter

import functools
import json
import os
import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from enum import StrEnum
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, ParamSpec

import typer

from moldplan import guard
from moldplan.errors import MoldplanError, StoppedError, one_line
from moldplan.progress import Progress

if TYPE_CHECKING:
    from moldplan.request import PlanRequest
    from moldplan.split_request import SplitRequest

_DONE, _BAD_INPUT, _STOP, _INTERRUPTED = 0, 1, 3, 130

app = typer.Typer(
    name="moldplan",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
job_app = typer.Typer(no_args_is_help=True, help="Job folders: what is asked for, and its revisions.")
cards_app = typer.Typer(
    no_args_is_help=True, help="Shop cards: the materials and habits plans are made with."
)
app.add_typer(job_app, name="job")
app.add_typer(cards_app, name="cards")

_P = ParamSpec("_P")


class _Document(StrEnum):
    """The documents that have a schema."""

    PLAN = "plan"
    SPLIT = "split"


_PatternArg = Annotated[Path, typer.Argument(help="STL, PLY, OBJ, OFF, 3MF or GLB file.", show_default=False)]
_Height = Annotated[
    str | None, typer.Option("--height", help='How tall the figure is to be, with its unit: "1.5 m".')
]
_Unit = Annotated[str | None, typer.Option("--unit", help="Unit of the file's numbers: mm, cm, m, in or ft.")]
_Up = Annotated[str | None, typer.Option("--up", help="Which way the figure stands: +x -x +y -y +z -z.")]
_Front = Annotated[str | None, typer.Option("--front", help="Where it looks: +x -x +y -y +z -z.")]
_Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results.", show_default=False)]
_Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress.")]
_Job = Annotated[
    Path | None,
    typer.Option("--job", help="Job folder (keeps revisions), or a job file.", show_default=False),
]
_Cards = Annotated[
    Path | None, typer.Option("--cards", help="Folder of the shop's own cards.", show_default=False)
]
_Set = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="KIND.KEY=VALUE", help='One setting: mould.skin_mm="9 mm".', show_default=False
    ),
]
_Only = Annotated[
    str | None,
    typer.Option(
        "--only",
        help="What to make beside the JSON file, with commas between, or none: views; of a plan solids too.",
        show_default=False,
    ),
]
_Accept = Annotated[
    bool,
    typer.Option(
        "--accept-repairs", help="Take a pattern that was mended beyond the shop's tolerance (look first)."
    ),
]
_Fresh = Annotated[bool, typer.Option("--fresh", help="Compute everything anew, whatever was kept.")]
_DryRun = Annotated[
    bool, typer.Option("--dry-run", help="Check all that is given, say what would be made, write nothing.")
]


def _reported(command: Callable[_P, int]) -> Callable[_P, None]:
    """Turn what a command returns or raises into a line on stderr and an exit code."""

    @functools.wraps(command)
    def run(*args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
            sys.stdout.flush()
        except (KeyboardInterrupt, StoppedError):
            said = "stopped; nothing half-written is left"  # by the front, where there is one
            code = _INTERRUPTED if guard.has_front() else _complain(said, _INTERRUPTED)
        except BrokenPipeError:  # the reader of our output went away, as `| head` does
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            code = _DONE
        except MoldplanError as error:
            code = _complain(str(error), _BAD_INPUT)
        except MemoryError:
            code = _complain("not enough memory for this mesh: make it lighter and try again", _BAD_INPUT)
        except OSError as error:
            code = _complain(f"{error.filename or 'a file'}: {error.strerror or error}", _BAD_INPUT)
        except Exception as error:
            if os.environ.get("MOLDPLAN_TRACEBACK"):
                raise
            code = _complain(
                f"a fault in moldplan itself: {type(error).__name__}: {error} "
                "(nothing half-written is left; set MOLDPLAN_TRACEBACK=1 to see where, and report it)",
                _BAD_INPUT,
            )
        raise typer.Exit(code)

    return run


def _complain(text: str, code: int) -> int:
    """Print one line on stderr and return `code`."""
    print(f"moldplan: {one_line(text)}", file=sys.stderr)
    return code


def _show_version(wanted: bool) -> None:  # noqa: FBT001 - the form typer calls it in
    if wanted:
        from importlib.metadata import version

        print(f"moldplan {version('moldplan')}")
        raise typer.Exit


@app.callback()
def _root(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Plan a brush-on rubber mould with a rigid jacket from the mesh of a pattern."""


@app.command()
@_reported
def survey(
    pattern: _PatternArg,
    *,
    height: _Height = None,
    unit: _Unit = None,
    up: _Up = None,
    front: _Front = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON instead of lines.")] = False,
    repair: Annotated[
        Path | None,
        typer.Option(
            "--repair",
            metavar="OUT.ply",
            help="Write the mended mesh, and a drawing of what was mended beside it.",
            show_default=False,
        ),
    ] = None,
    cards: _Cards = None,
    setting: _Set = None,
) -> int:
    """Say what a mesh is, how large, what is wrong with it and what was mended."""
    from moldplan.cards import resolve_settings
    from moldplan.pattern import describe_survey, read_mending, survey_document, survey_file
    from moldplan.units import parse_axis, parse_length_mm

    height_mm = None if height is None else parse_length_mm(height, what="height")
    up_axis = None if up is None else parse_axis(up, what="up")
    front_axis = None if front is None else parse_axis(front, what="front")
    mending = read_mending(resolve_settings(cards_dir=cards, overrides=tuple(setting or ())))
    written: tuple[Path, ...] = ()
    progress = _progress(quiet=True)
    with _stop_on_interrupt(progress):
        if repair is None:
            found = survey_file(
                pattern, height_mm=height_mm, unit=unit, up=up_axis, front=front_axis, mending=mending
            )
        else:
            from moldplan.repair_request import write_repair

            made = write_repair(
                pattern, repair, height_mm=height_mm, unit=unit, up=up_axis, front=front_axis,
                mending=mending, progress=progress,
            )  # fmt: skip
            found, written = made.survey, made.files
    lines = [json.dumps(survey_document(found), indent=1)] if as_json else describe_survey(found)
    if not as_json:
        lines += [f"wrote {file}" for file in written]
    print("\n".join(lines))
    return _STOP if found.problems or found.accepting else _DONE


@app.command()
@_reported
def plan(
    pattern: Annotated[
        Path | None,
        typer.Argument(
            help="STL, PLY, OBJ, OFF, 3MF or GLB file; may stand in the job file.", show_default=False
        ),
    ] = None,
    *,
    height: _Height = None,
    unit: _Unit = None,
    up: _Up = None,
    front: _Front = None,
    cut: Annotated[
        str | None,
        typer.Option(
            "--cut",
            metavar="NX,NY,NZ@OFFSET",
            help="Split plane: normal in the file's axes @ offset in mm of the scaled figure along it, from "
            "the middle of the bounding box. Without it the plane of least undercut is looked for.",
        ),
    ] = None,
    answer: Annotated[
        int | None,
        typer.Option(
            "--answer", help="Split as this answer of an earlier ranking (with --from).", show_default=False
        ),
    ] = None,
    ranking: Annotated[
        Path | None,
        typer.Option("--from", help="Folder that `moldplan split` made.", show_default=False),
    ] = None,
    job: _Job = None,
    cards: _Cards = None,
    setting: _Set = None,
    out: _Out = None,
    only: _Only = None,
    accept_repairs: _Accept = False,
    fresh: _Fresh = False,
    dry_run: _DryRun = False,
    quiet: _Quiet = False,
) -> int:
    """Plan the mould of PATTERN and draw it (into PATTERN-plan, unless --out or --job say otherwise)."""
    from moldplan.request import PARTS, PlanRequest, parse_parts

    request = PlanRequest(
        pattern=pattern, height=height, unit=unit, up=up, front=front, cut=cut, job=job, cards=cards,
        answer=answer, ranking=ranking, settings=tuple(setting or ()), out=out,
        parts=PARTS if only is None else parse_parts(only), accept_repairs=accept_repairs, fresh=fresh,
    )  # fmt: skip
    return _run(request, dry_run=dry_run, quiet=quiet)


@app.command()
@_reported
def split(
    pattern: Annotated[
        Path | None,
        typer.Argument(help="Mesh file, or a folder of them; may stand in the job file.", show_default=False),
    ] = None,
    *,
    height: _Height = None,
    unit: _Unit = None,
    up: _Up = None,
    front: _Front = None,
    top: Annotated[int, typer.Option("--top", help="Answers to put side by side, 1 to 5.")] = 5,
    seam_upright: Annotated[
        bool | None,
        typer.Option("--seam-upright", help="Wish: the seam stands upright.", show_default=False),
    ] = None,
    pull: Annotated[
        str | None,
        typer.Option(
            "--pull",
            help="Wish: one half comes off this way: front, back, left, right, up, down, or x,y,z.",
            show_default=False,
        ),
    ] = None,
    within: Annotated[
        str | None,
        typer.Option("--within", help='How far the pull may be off: "10 deg".', show_default=False),
    ] = None,
    largest_board: Annotated[
        str | None,
        typer.Option(
            "--largest-board", help='Wish: no board is larger than "2440 mm x 1220 mm".', show_default=False
        ),
    ] = None,
    heaviest_half: Annotated[
        str | None,
        typer.Option(
            "--heaviest-half", help='Wish: no half is heavier to turn over than "40 kg".', show_default=False
        ),
    ] = None,
    job: _Job = None,
    cards: _Cards = None,
    setting: _Set = None,
    out: _Out = None,
    only: _Only = None,
    accept_repairs: _Accept = False,
    fresh: _Fresh = False,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster", metavar="tcp://HOST:PORT", help="Search on a Dask cluster.", show_default=False
        ),
    ] = None,
    dry_run: _DryRun = False,
    quiet: _Quiet = False,
) -> int:
    """Compare ways to split PATTERN, measured as moulds (into PATTERN-split, unless told otherwise).

    Patches the seam is to keep off, and wishes that always hold, stand in the job file.
    """
    from moldplan.request import parse_parts
    from moldplan.split_request import SPLIT_PARTS, SplitRequest

    request = SplitRequest(
        pattern=pattern, height=height, unit=unit, up=up, front=front, top=top, seam_upright=seam_upright,
        pull=pull, within=within, largest_board=largest_board, heaviest_half=heaviest_half, job=job,
        cards=cards, settings=tuple(setting or ()), out=out, cluster=cluster,
        parts=SPLIT_PARTS if only is None else parse_parts(only, known=SPLIT_PARTS),
        accept_repairs=accept_repairs, fresh=fresh,
    )  # fmt: skip
    if pattern is not None and pattern.is_dir():
        return _split_folder(request, pattern, dry_run=dry_run, quiet=quiet)
    return _split(request, dry_run=dry_run, quiet=quiet)


@app.command()
@_reported
def demo(*, out: _Out = None, quiet: _Quiet = False) -> int:
    """Plan the shipped owl at 1.5 m (into owl-plan, unless --out says otherwise)."""
    from moldplan.request import PlanRequest
    from moldplan.samples import sample_path

    request = PlanRequest(pattern=sample_path("owl.ply"), height="1.5 m", up="+z", front="-y", out=out)
    return _run(request, quiet=quiet)


@app.command()
@_reported
def schema(
    document: Annotated[
        _Document, typer.Argument(help="Of which file: plan.json or split.json.")
    ] = _Document.PLAN,
) -> int:
    """Print the JSON Schema of plan.json, or of split.json."""
    from moldplan.ranking_schema import ranking_schema
    from moldplan.schema import plan_schema

    print(json.dumps(plan_schema() if document is _Document.PLAN else ranking_schema(), indent=1))
    return _DONE


@app.command()
@_reported
def cache(
    *,
    clear: Annotated[bool, typer.Option("--clear", help="Remove everything that is kept.")] = False,
) -> int:
    """Say where results of stages are kept for the next run, and how much that is; or clear it."""
    from moldplan.cache import open_cache

    kept = open_cache()
    if clear:
        gone = kept.clear()
        print(f"removed {gone.entries} kept results, {gone.size / 1e6:.0f} MB, from {gone.folder}")
        return _DONE
    now = kept.usage()
    limit = f"at most {now.limit / 1e6:.0f} MB" if now.limit else "switched off"
    print(f"{now.folder}: {now.entries} kept results, {now.size / 1e6:.0f} MB ({limit})")
    print("\n".join(kept.notes), end="\n" if kept.notes else "")
    return _DONE


@job_app.command("new")
@_reported
def job_new(folder: Annotated[Path, typer.Argument(help="Folder to make.", show_default=False)]) -> int:
    """Make a job folder with a commented job file."""
    from moldplan.job import new_job

    print(f"wrote {new_job(folder)}: fill it in, then: moldplan plan --job {folder}")
    return _DONE


@cards_app.command("list")
@_reported
def cards_list() -> int:
    """List the built-in cards."""
    from moldplan.cards import list_cards

    print("\n".join(list_cards()))
    return _DONE


@cards_app.command("show")
@_reported
def cards_show(
    name: Annotated[str, typer.Argument(help="As `cards list` names it.", show_default=False)],
) -> int:
    """Print one card: each value with its unit, range, source and note."""
    from moldplan.cards import card_text

    print(card_text(name), end="")
    return _DONE


@cards_app.command("copy")
@_reported
def cards_copy(
    name: Annotated[str, typer.Argument(help="As `cards list` names it.", show_default=False)],
    *,
    to: Annotated[Path, typer.Option("--to", help="Folder of the shop's own cards.")] = Path("cards"),
) -> int:
    """Copy a card to change it; plans take it with --cards, or from `cards` in the job folder."""
    from moldplan.cards import copy_card

    print(f"wrote {copy_card(name, to)}")
    return _DONE


def _run(request: "PlanRequest", *, dry_run: bool = False, quiet: bool = False) -> int:
    """Prepare, carry out and answer."""
    from moldplan.answers import answers, dry_answers
    from moldplan.request import at_work, carry_out, prepare

    progress = _progress(quiet=quiet)
    with _stop_on_interrupt(progress), nullcontext() if dry_run else at_work(request):
        prepared = prepare(request, progress=progress)
        if dry_run:
            _clear_line(quiet=quiet)
            print("\n".join(dry_answers(prepared)))
            return _DONE
        _say_compiling(quiet=quiet)
        made = carry_out(prepared, progress=progress)
    _clear_line(quiet=quiet)
    print("\n".join(answers(made)))
    return _STOP if made.plan.stops else _DONE


def _split(request: "SplitRequest", *, dry_run: bool, quiet: bool) -> int:
    """Rank the splits of one pattern and answer."""
    from moldplan.cluster import cluster_executor
    from moldplan.split_answers import split_answers, split_dry_answers
    from moldplan.split_request import at_work_splitting, carry_out_split, prepare_split

    progress = _progress(quiet=quiet)
    with _stop_on_interrupt(progress), nullcontext() if dry_run else at_work_splitting(request):
        prepared = prepare_split(request, progress=progress)
        if dry_run:
            _clear_line(quiet=quiet)
            print("\n".join(split_dry_answers(prepared)))
            return _DONE
        _say_compiling(quiet=quiet)
        with cluster_executor(request.cluster) as executor:
            made = carry_out_split(prepared, executor=executor, progress=progress)
    _clear_line(quiet=quiet)
    named = "" if request.pattern is None else shlex.quote(str(request.pattern))
    job = "" if request.job is None else f"--job {shlex.quote(str(request.job))}"
    print("\n".join(split_answers(made, pattern_text=" ".join(filter(None, (named, job))))))
    return _DONE


def _split_folder(request: "SplitRequest", folder: Path, *, dry_run: bool, quiet: bool) -> int:
    """Rank the splits of every pattern in a folder; say what came of each."""
    from moldplan.cluster import cluster_executor
    from moldplan.errors import InputError
    from moldplan.split_answers import folder_line
    from moldplan.split_request import requests_for, split_folder

    progress = _progress(quiet=quiet)
    requests = requests_for(request, folder)
    if dry_run:
        print("\n".join(f"{'Would split':<11} {one.pattern} into {one.out}" for one in requests))
        return _DONE
    failed = 0
    with _stop_on_interrupt(progress):
        _say_compiling(quiet=quiet)
        with cluster_executor(request.cluster) as executor:
            for one, result in split_folder(requests, executor=executor, progress=progress):
                _clear_line(quiet=quiet)
                if isinstance(result, InputError):
                    failed += 1
                    _complain(str(result), _BAD_INPUT)
                else:
                    print(folder_line(one, result), flush=True)
    if failed:
        return _complain(f"{failed} of {len(requests)} patterns could not be used", _BAD_INPUT)
    return _DONE


def _say_compiling(*, quiet: bool) -> None:
    """Say why the first run takes longer."""
    from moldplan.columns.ready import compiled_before

    if not quiet and not compiled_before():
        print("getting ready (once): the fast parts are compiled on the first run", file=sys.stderr)


def _progress(*, quiet: bool) -> Progress:
    """Return a progress that writes to stderr: one line rewritten on a terminal, a line a step elsewhere."""
    if quiet:
        return Progress()
    said: set[str] = set()
    furthest = 0.0

    def tell(what: str, share: float) -> None:
        nonlocal furthest
        furthest = max(furthest, share)  # two halves are worked on at once
        if sys.stderr.isatty():
            print(f"\r\033[K{furthest:4.0%}  {what}", end="", file=sys.stderr, flush=True)
        elif what not in said:
            said.add(what)
            print(f"{furthest:4.0%}  {what}", file=sys.stderr, flush=True)

    return Progress(tell=tell)


@contextmanager
def _stop_on_interrupt(progress: Progress) -> Iterator[None]:
    """Let the first Ctrl-C stop the work at its next step, and a second one at once.

    Raised at once, the interrupt may land in a compiled library's callback, which prints a traceback and
    loses it. A shell's background job, where the signal is ignored, stays so. With a front (`moldplan.guard`)
    it is the front that hears Ctrl-C, asks this process to stop, and ends it if that takes too long.
    """

    def stop(_signal: int, _frame: FrameType | None) -> None:
        if guard.has_front():
            progress.stop.set()
            return
        if progress.stop.is_set():
            raise KeyboardInterrupt
        progress.stop.set()
        os.write(2, b"\nstopping ... (again to stop at once)\n")  # print is not safe in a signal handler

    number = guard.stop_signal()
    in_main = threading.current_thread() is threading.main_thread()
    before = signal.getsignal(number)
    if not in_main or not (guard.has_front() or before is signal.default_int_handler):
        yield
        return
    signal.signal(number, stop)
    try:
        yield
    finally:
        signal.signal(number, before)


def _clear_line(*, quiet: bool) -> None:
    """Wipe the progress line from a terminal."""
    if not quiet and sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)
