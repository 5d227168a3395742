"""Running a search's looks somewhere: threads here, other processes, or whatever an executor stands for.

Tasks are pure functions of what they are sent, at the top level of their module so that they can be sent by
name: running one again, or somewhere else, gives the same bytes.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import Any, Final, TypeVar

from moldplan.errors import InputError
from moldplan.progress import Progress

Result = TypeVar("Result")

#: Seconds between two looks at whether to stop while a task runs.
PATIENCE_S: Final = 0.1


@contextmanager
def running_on(executor: Executor | None, *, threads: int) -> Iterator[Executor]:
    """Lend `executor`, or threads of this process for as long as they are needed.

    The mesh is never copied for threads.
    """
    if executor is not None:
        yield executor
        return
    with ThreadPoolExecutor(max_workers=threads, thread_name_prefix="direction") as pool:
        yield pool


def gathered(
    executor: Executor,
    task: Callable[..., Result],
    calls: Sequence[tuple[Any, ...]],
    *,
    what: str,
    progress: Progress,
) -> list[Result]:
    """Return what `task` makes of the arguments of each call, in the order of `calls`.

    Raises
    ------
    StoppedError
        When `progress` was told to stop; tasks that have not begun are called off.
    InputError
        When the executor's workers went away.
    """
    waiting: list[Future[Result]] = []
    try:
        waiting.extend(executor.submit(task, *call) for call in calls)
        return [_result(future, what, number / len(calls), progress) for number, future in enumerate(waiting)]
    except BrokenExecutor as error:
        raise InputError(
            f"executor: its workers ended while {what} ({error}); start them again, or search without one"
        ) from error
    finally:
        for future in waiting:
            future.cancel()


def _result(future: Future[Result], what: str, share: float, progress: Progress) -> Result:
    """Wait for one task, and for a person's wish to stop."""
    progress.step(what, share)
    while not wait([future], timeout=PATIENCE_S).done:
        progress.step(what, share)
    return future.result()
