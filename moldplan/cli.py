"""The `moldplan` command. Heavy libraries are imported inside the commands, so that `--help` is quick.

Exit codes: 0 done; 1 something given cannot be used; 2 the command line is wrong; 3 done, but the findings
say stop; 130 interrupted.
"""

# ruff: noqa: PLC0415, T201, PLR0913 - late imports keep --help quick; a command prints; an option is a parameter

import functools
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, ParamSpec

import typer

from moldplan.errors import MoldplanError, StoppedError
from moldplan.progress import Progress

if TYPE_CHECKING:
    from moldplan.request import PlanRequest

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

_PatternArg = Annotated[Path, typer.Argument(help="STL, PLY, OBJ, OFF, 3MF or GLB file.", show_default=False)]
_Height = Annotated[
    str | None, typer.Option("--height", help='How tall the figure is to be, with its unit: "1.5 m".')
]
_Unit = Annotated[str | None, typer.Option("--unit", help="Unit of the file's numbers: mm, cm, m, in or ft.")]
_Up = Annotated[str | None, typer.Option("--up", help="Which way the figure stands: +x -x +y -y +z -z.")]
_Front = Annotated[str | None, typer.Option("--front", help="Where it looks: +x -x +y -y +z -z.")]
_Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results.", show_default=False)]
_Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress.")]


def _reported(command: Callable[_P, int]) -> Callable[_P, None]:
    """Turn what a command returns or raises into a line on stderr and an exit code."""

    @functools.wraps(command)
    def run(*args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
            sys.stdout.flush()
        except (KeyboardInterrupt, StoppedError):
            code = _complain("stopped; nothing half-written is left", _INTERRUPTED)
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
    print(f"moldplan: {' '.join(text.split())}", file=sys.stderr)
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
) -> int:
    """Say what a mesh is, how large, what is wrong with it and what was mended."""
    from moldplan.pattern import describe_survey, survey_document, survey_file
    from moldplan.units import parse_axis, parse_length_mm

    found = survey_file(
        pattern,
        height_mm=None if height is None else parse_length_mm(height, what="height"),
        unit=unit,
        up=None if up is None else parse_axis(up, what="up"),
        front=None if front is None else parse_axis(front, what="front"),
    )
    lines = [json.dumps(survey_document(found), indent=1)] if as_json else describe_survey(found)
    print("\n".join(lines))
    return _STOP if found.problems else _DONE


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
    job: Annotated[
        Path | None,
        typer.Option("--job", help="Job folder (keeps revisions), or a job file.", show_default=False),
    ] = None,
    cards: Annotated[
        Path | None, typer.Option("--cards", help="Folder of the shop's own cards.", show_default=False)
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KIND.KEY=VALUE", help='One setting: mould.skin_mm="9 mm".', show_default=False
        ),
    ] = None,
    out: _Out = None,
    only: Annotated[
        str | None,
        typer.Option("--only", help="What to make beside plan.json: views, or none.", show_default=False),
    ] = None,
    dry_run: Annotated[
        bool,
        typer.Option("--dry-run", help="Check all that is given, say what would be made, write nothing."),
    ] = False,
    quiet: _Quiet = False,
) -> int:
    """Plan the mould of PATTERN and draw it (into PATTERN-plan, unless --out or --job say otherwise)."""
    from moldplan.request import PARTS, PlanRequest, parse_parts

    request = PlanRequest(
        pattern=pattern, height=height, unit=unit, up=up, front=front, cut=cut, job=job, cards=cards,
        settings=tuple(setting or ()), out=out, parts=PARTS if only is None else parse_parts(only),
    )  # fmt: skip
    return _run(request, dry_run=dry_run, quiet=quiet)


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
def schema() -> int:
    """Print the JSON Schema of plan.json."""
    from moldplan.schema import plan_schema

    print(json.dumps(plan_schema(), indent=1))
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
    from moldplan.columns.ready import compiled_before
    from moldplan.request import carry_out, prepare

    progress = _progress(quiet=quiet)
    with _stop_on_interrupt(progress):
        prepared = prepare(request, progress=progress)
        if dry_run:
            _clear_line(quiet=quiet)
            print("\n".join(dry_answers(prepared)))
            return _DONE
        if not quiet and not compiled_before():
            print("getting ready (once): the fast parts are compiled on the first run", file=sys.stderr)
        made = carry_out(prepared, progress=progress)
    _clear_line(quiet=quiet)
    print("\n".join(answers(made)))
    return _STOP if made.plan.stops else _DONE


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
    loses it. A shell's background job, where the signal is ignored, stays so.
    """

    def stop(_signal: int, _frame: FrameType | None) -> None:
        if progress.stop.is_set():
            raise KeyboardInterrupt
        progress.stop.set()
        os.write(2, b"\nstopping ... (again to stop at once)\n")  # print is not safe in a signal handler

    in_main = threading.current_thread() is threading.main_thread()
    before = signal.getsignal(signal.SIGINT)
    if not in_main or before is not signal.default_int_handler:
        yield
        return
    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _clear_line(*, quiet: bool) -> None:
    """Wipe the progress line from a terminal."""
    if not quiet and sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def main() -> None:
    """Run the command line."""
    app()
