"""Running tasks on other machines: a Dask cluster that looks like any other executor, and lists of tasks.

Goal
    What runs on threads here (the looks of a search, the patterns of a folder) runs unchanged on a cluster,
    and gives the same.

Steps
    1. Connect to a scheduler that somebody started, and refuse workers with another moldplan: another
       version could give other numbers, or not know the task at all.
    2. A task is sent by name, its small arguments with it. A large argument (the mesh) is sent once, as a
       task of its own whose result the workers hand on to each other.
    3. What only Dask knows as an error becomes `BrokenExecutor`, so that callers need not know Dask.

Why a task and not Dask's own scattered data
    Scattered data lie on one worker and are gone with it. A task can be run again: when a worker dies the
    scheduler gives all it held or was doing to the others. It does so of its own accord, until a task has
    seen several workers die; tasks that raise an error are not tried again, for they would raise it again.
"""

import logging
import pickle
import socket
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from contextlib import contextmanager
from typing import Any, Final, TypeVar
from urllib.parse import urlsplit

from moldplan.errors import InputError, SettingError
from moldplan.progress import QUIET, Progress
from moldplan.release import package_version

Item = TypeVar("Item")
Result = TypeVar("Result")
Value = TypeVar("Value")

#: Seconds to wait for a scheduler's answer.
CONNECT_S: Final = 10.0
#: Seconds to wait for its first worker.
WORKERS_S: Final = 10.0
#: Seconds between two looks at whether to stop while a task runs.
PATIENCE_S: Final = 0.1
#: Bytes from which an argument is sent once and not with every task.
LARGE_BYTES: Final = 100_000
#: Large arguments that the cluster keeps at a time, besides those that tasks still wait for.
LARGE_KEPT: Final = 4
#: Bytes in which a scheduler says how long its greeting is, and the longest that can be one.
GREETING_BYTES: Final = 8
LONGEST_GREETING: Final = 1_000_000
#: Dask warns of tasks of 10 MB; ours are meshes, sent once.
_LARGE_ALLOWED: Final = {"distributed.admin.large-graph-warning-threshold": "8GiB"}


@contextmanager
def cluster_executor(address: str | None, *, connect_s: float = CONNECT_S) -> Iterator[Executor | None]:
    """Lend an executor whose tasks run on a Dask cluster; None when no address is given.

    Parameters
    ----------
    address
        Of the scheduler, ``tcp://host:port``; None for none, and then threads here do the work.
    connect_s
        Seconds to wait for the scheduler and, after that, for its first worker; more than 0.

    Yields
    ------
    Executor or None
        Takes functions at the top level of moldplan's modules, with arguments that can be pickled. Tasks
        that a dying worker leaves undone run again on the others. When all workers have gone tasks wait for
        new ones. An error of the cluster itself is a `concurrent.futures.BrokenExecutor`.

    Raises
    ------
    SettingError
        When the address is not of this form.
    InputError
        When the extra is not installed, nothing answers at the address, no worker is there, or one has
        another moldplan or none.

    Notes
    -----
    The connection is closed however the block is left; the cluster goes on running. Workers that join later
    are not asked for their version. Results are the same to the last bit as long as the workers have the same
    kind of processor and the same versions of what moldplan is built on.
    """
    if address is None:
        yield None
        return
    _check_address(address)
    dask, distributed = _dask()
    with _quiet_about_losses(), dask.config.set(_LARGE_ALLOWED):
        client = _connected(distributed.Client, address, connect_s)
        try:
            _check_workers(client, address, connect_s)
            yield _ClusterExecutor(client, address)
        finally:
            client.close()


@contextmanager
def _quiet_about_losses() -> Iterator[None]:
    """Keep Dask's client from logging a traceback when the scheduler goes: the error says it in one line."""
    logger = logging.getLogger("distributed.client")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)


def spread(
    executor: Executor,
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    progress: Progress = QUIET,
) -> Iterator[tuple[Item, Result | Exception]]:
    """Run one function over many items on an executor; yield each item with what came of it, in their order.

    Parameters
    ----------
    executor
        Any executor; for other processes and clusters the function must stand at the top level of a module,
        and the items must be such that they can be pickled.
    function
        Of one item.
    items
        All are handed out at once.
    progress
        Asked ten times a second whether to stop.

    Yields
    ------
    tuple
        The item, and the result or the exception that its function raised.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.
    InputError
        When the executor's workers went away.

    Notes
    -----
    Leaving the loop early calls off what has not begun.
    """
    waiting = [executor.submit(function, item) for item in items]
    try:
        for number, (item, future) in enumerate(zip(items, waiting, strict=True)):
            while not wait([future], timeout=PATIENCE_S).done:
                progress.step(f"waiting for item {number + 1} of {len(items)}", number / len(items))
            outcome: Result | Exception = _outcome(future)
            yield item, outcome
    finally:
        for future in waiting:
            future.cancel()


def _outcome(future: Future[Result]) -> Result | Exception:
    """Return the result of a finished task, or the exception it raised."""
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, BrokenExecutor):
        raise InputError(
            f"executor: its workers ended ({error}); start them again, or run without one"
        ) from error
    if not isinstance(error, Exception):
        raise error
    return error


class _ClusterExecutor(Executor):
    """An executor over a connected Dask client."""

    def __init__(self, client: Any, address: str) -> None:  # noqa: ANN401 - Dask is optional and has no types
        self._client = client
        self._address = address
        self._inner: Executor = client.get_executor(pure=False)
        self._large: OrderedDict[int, tuple[object, object]] = OrderedDict()

    def submit(self, function: Callable[..., Result], /, *args: Any, **named: Any) -> Future[Result]:  # noqa: ANN401 - the base class's own signature
        """Hand a task to the cluster."""
        if self._client.status != "running":
            raise BrokenExecutor(f"the scheduler at {self._address} no longer answers")
        return _translated(self._inner.submit(function, *map(self._sent, args), **named), self._address)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002 - the base class's own signature
        """Take no more tasks; the connection stays."""
        self._large.clear()
        self._inner.shutdown(wait=wait and not cancel_futures)

    def _sent(self, argument: object) -> object:
        """Return what stands for an argument: itself, or for a large one the task that holds it.

        It is known again by identity: arguments of pure tasks do not change.
        """
        known = self._large.get(id(argument))
        if known is None:
            if len(pickle.dumps(argument)) < LARGE_BYTES:
                return argument
            known = argument, self._client.submit(_held, argument, pure=False)
            self._large[id(argument)] = known
            while len(self._large) > LARGE_KEPT:
                self._large.popitem(last=False)
        self._large.move_to_end(id(argument))
        return known[1]


def _held(argument: Value) -> Value:
    """Return a large argument: the task by which it is sent once, and again when its worker dies."""
    return argument


def _translated(inner: Future[Result], address: str) -> Future[Result]:
    """Return a future that ends as `inner` does, with Dask's own errors put as a broken executor."""
    outer: Future[Result] = Future()

    def ended(done: Future[Result]) -> None:
        if outer.cancelled() or not outer.set_running_or_notify_cancel():
            return
        error = _lost(done, address)
        if error is None:
            outer.set_result(done.result())
        else:
            outer.set_exception(error)

    def called_off(done: Future[Result]) -> None:
        if done.cancelled():
            inner.cancel()

    inner.add_done_callback(ended)
    outer.add_done_callback(called_off)
    return outer


def _lost(done: Future[Result], address: str) -> BaseException | None:
    """Return the error that a finished task ended with, in words that need no Dask; None for a result."""
    if done.cancelled():
        return BrokenExecutor(f"the scheduler at {address} called the task off or no longer answers")
    error = done.exception()
    if type(error).__name__ == "KilledWorker":
        return BrokenExecutor(f"several workers at {address} died over one task, perhaps for want of memory")
    return error


def _check_address(address: str) -> None:
    """Refuse what is no address of a scheduler."""
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme != "tcp" or not parts.hostname or not port or parts.path or parts.query:
        raise SettingError(
            f"cluster: got {address!r}, allowed an address such as tcp://10.0.0.5:8786, "
            "as the Dask scheduler prints it when it starts"
        )


def _dask() -> tuple[Any, Any]:
    """Return Dask's two libraries, which come with an extra."""
    try:
        import dask  # noqa: PLC0415 - optional and slow to import
        import distributed  # noqa: PLC0415 - the same
    except ImportError as error:
        raise InputError(
            'cluster: needs Dask, which is not installed here: pip install "moldplan[cluster]"'
        ) from error
    return dask, distributed


def _connected(client: Callable[..., Any], address: str, connect_s: float) -> Any:  # noqa: ANN401 - a Dask client
    """Return a client of the scheduler at `address`."""
    try:
        _check_greeting(address, connect_s)
        return client(address, timeout=connect_s, set_as_default=False, name="moldplan")
    except OSError as error:
        raise InputError(
            f"cluster: no Dask scheduler answers at {address} within {connect_s:g} s; start one "
            "(dask scheduler) and its workers (dask worker), or leave --cluster away"
        ) from error


def _check_greeting(address: str, connect_s: float) -> None:
    """Raise an OSError when whatever listens at `address` does not greet as a Dask scheduler does.

    Its first eight bytes are the length of its greeting, sent unasked. Dask's client waits for ever for a
    program that says nothing, and takes the first words of another for a length, and runs out of memory.
    """
    parts = urlsplit(address)
    with socket.create_connection((parts.hostname, parts.port), timeout=connect_s) as caller:
        greeting = b""
        while len(greeting) < GREETING_BYTES:
            more = caller.recv(GREETING_BYTES - len(greeting))
            if not more:
                raise ConnectionResetError("closed without a greeting")
            greeting += more
    if int.from_bytes(greeting, "little") > LONGEST_GREETING:
        raise ConnectionRefusedError("another program answers")


def _check_workers(client: Any, address: str, connect_s: float) -> None:  # noqa: ANN401 - a Dask client
    """Refuse a cluster without workers, and one with another moldplan."""
    try:
        client.wait_for_workers(1, timeout=connect_s)
        found = client.run(package_version, on_error="return")
    except OSError as error:
        raise InputError(
            f"cluster: the scheduler at {address} has no worker after {connect_s:g} s; "
            f"start some (dask worker {address}) where moldplan {package_version()} is installed"
        ) from error
    _check_versions(found)


def _check_versions(found: dict[str, str | BaseException]) -> None:
    """Refuse workers, by address, whose moldplan is another, or which have none."""
    own = package_version()
    for worker, version in sorted(found.items()):
        if version != own:
            has = f"moldplan {version}" if isinstance(version, str) else f"no moldplan that runs ({version})"
            raise InputError(
                f"cluster: worker {worker} has {has}, here it is {own}; install moldplan {own} on every "
                "worker and start them again"
            )
