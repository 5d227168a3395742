"""Tasks on a real cluster of processes on this machine, and lists of tasks on any executor."""

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import distributed
import numpy as np
import pytest
import zoo
from numpy.typing import NDArray

from moldplan.cluster import cluster_executor, spread
from moldplan.errors import InputError, SettingError, StoppedError
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import Pattern
from moldplan.progress import Progress
from moldplan.split import SearchOptions, Splits, find_splits

pytestmark = pytest.mark.slow

#: Seconds within which a process of the cluster is there, or gone.
READY_S = 60.0


@dataclass
class Cluster:
    """A scheduler and workers, each a process of its own."""

    folder: Path
    address: str = ""
    scheduler: "subprocess.Popen[bytes] | None" = None
    workers: "list[subprocess.Popen[bytes]]" = field(default_factory=list)

    def begin(self, program: str, *words: str, **more: str) -> "subprocess.Popen[bytes]":
        """Start one of Dask's programs; the workers find the functions of this file too."""
        paths = os.pathsep.join(filter(None, (more.get("first"), str(Path(__file__).parent))))
        return subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.{program}", "--dashboard-address", ":0", *words],
            env=os.environ | {"PYTHONPATH": paths},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def add_worker(self, **more: str) -> None:
        """Start a worker of one thread, with nobody to start it again."""
        place = ("--local-directory", str(self.folder))
        words = (self.address, "--nthreads", "1", "--no-nanny", *place)
        self.workers.append(self.begin("dask_worker", *words, **more))

    def wait_for(self, workers: int) -> None:
        """Wait until so many workers are there."""
        with distributed.Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=READY_S)


@contextmanager
def local_cluster(folder: Path, *, workers: int) -> Iterator[Cluster]:
    """Start a cluster on this machine, and end its processes however the block is left."""
    cluster, file = Cluster(folder), folder / "scheduler.json"
    try:
        cluster.scheduler = cluster.begin(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file)
        )
        cluster.address = _address(file)
        for _ in range(workers):
            cluster.add_worker()
        if workers:
            cluster.wait_for(workers)
        yield cluster
    finally:
        for process in filter(None, (*cluster.workers, cluster.scheduler)):
            process.kill()
            process.wait(READY_S)


def _address(file: Path) -> str:
    """Return the address in a scheduler's file once it has been written."""
    end = time.monotonic() + READY_S
    while time.monotonic() < end:
        if file.is_file() and (text := file.read_text()):
            return str(json.loads(text)["address"])
        time.sleep(0.05)
    raise TimeoutError("the scheduler did not start")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """Start a cluster of two workers that no test harms."""
    with local_cluster(tmp_path_factory.mktemp("cluster"), workers=2) as started:
        yield started


def knobbly() -> Pattern:
    """Return a ball with a ball at its side, of 40 960 triangles: too heavy to be sent with every task."""
    points, faces = zoo.sphere(100.0, 5)
    knob = 1.0 + 0.25 * np.sin(points[:, [0]] / 17.0) * np.cos(points[:, [2]] / 23.0)
    return pattern_from_arrays(points * knob, faces)


#: A quick search of 21 batches.
QUICK = SearchOptions(cells=96, refine_cells=64, final_cells=96, keep=4)


def same(one: Splits, other: Splits) -> bool:
    """Return whether two answers are the same to the last bit."""
    assert len(one.candidates) > 1
    assert np.array_equal(one.seen.undercut_mm3, other.seen.undercut_mm3)
    assert np.array_equal(one.seen.offset_mm, other.seen.offset_mm)
    return one.candidates == other.candidates and one.open_back == other.open_back


class Watched(Executor):
    """An executor that keeps the futures of another."""

    def __init__(self, inner: Executor) -> None:
        self.inner = inner
        self.futures: list[Future[Any]] = []

    def submit(self, function: Callable[..., Any], /, *args: Any, **named: Any) -> "Future[Any]":
        """Hand it on."""
        self.futures.append(self.inner.submit(function, *args, **named))
        return self.futures[-1]

    def midway(self) -> bool:
        """Return whether something has been finished and something has not."""
        done = [future.done() for future in self.futures]
        return any(done) and not all(done)


def test_a_worker_killed_in_mid_search_changes_nothing(tmp_path: Path) -> None:
    alone = find_splits(knobbly(), options=QUICK)
    midway: list[bool] = []
    with (
        local_cluster(tmp_path, workers=2) as cluster,
        cluster_executor(cluster.address) as executor,
    ):
        assert executor is not None
        watched = Watched(executor)

        def kill(_what: str, _share: float) -> None:
            if not midway and watched.midway():
                cluster.workers[0].kill()
                cluster.workers[0].wait(READY_S)
                midway.append(watched.midway())

        found = find_splits(knobbly(), options=QUICK, executor=watched, progress=Progress(tell=kill))
        assert cluster.workers[0].poll() == -9
        assert cluster.workers[1].poll() is None
    assert midway == [True]
    assert same(found, alone)


def test_a_search_on_a_cluster_gives_the_same(cluster: Cluster) -> None:
    alone = find_splits(knobbly(), options=QUICK)
    with cluster_executor(cluster.address) as executor:
        assert same(find_splits(knobbly(), options=QUICK, executor=executor), alone)


def test_the_scheduler_going_away_ends_a_search_in_one_line(tmp_path: Path) -> None:
    with local_cluster(tmp_path, workers=1) as cluster:
        scheduler = cluster.scheduler
        assert scheduler is not None
        with cluster_executor(cluster.address) as executor:
            assert executor is not None
            watched = Watched(executor)

            def kill(_what: str, _share: float) -> None:
                if watched.midway() and scheduler.poll() is None:
                    scheduler.kill()
                    scheduler.wait(READY_S)

            with pytest.raises(InputError, match=r"workers ended while looking along .*no longer answers"):
                find_splits(knobbly(), options=QUICK, executor=watched, progress=Progress(tell=kill))
            with pytest.raises(BrokenExecutor, match=r"scheduler at tcp://127.*no longer answers"):
                executor.submit(len, "abc").result(READY_S)


def place_of(array: NDArray[np.float64]) -> tuple[int, int, float]:
    """Return where an array came to: process and address; and its sum."""
    return os.getpid(), id(array), float(array.sum())


def test_a_large_argument_is_sent_once(cluster: Cluster) -> None:
    large = np.arange(200_000.0)
    with cluster_executor(cluster.address) as executor:
        assert executor is not None
        futures = [executor.submit(place_of, large) for _ in range(12)]
        places = [future.result(READY_S) for future in futures]
    assert {total for _, _, total in places} == {float(large.sum())}
    processes = {process for process, _, _ in places}
    assert processes <= {worker.pid for worker in cluster.workers}
    assert len({(process, number) for process, number, _ in places}) == len(processes)


def halves(number: int) -> float:
    """Return half of an even number."""
    if number % 2:
        raise ValueError(f"{number} is odd")
    return number / 2


def test_spread_over_a_cluster_keeps_the_order_and_the_errors(cluster: Cluster) -> None:
    with cluster_executor(cluster.address) as executor:
        assert executor is not None
        found = list(spread(executor, halves, [8, 3, 4]))
    assert [(item, str(result)) for item, result in found] == [(8, "4.0"), (3, "3 is odd"), (4, "2.0")]
    assert isinstance(found[1][1], ValueError)


def test_the_connection_is_closed_however_the_block_is_left(cluster: Cluster) -> None:
    lent: list[Executor | None] = []

    def interrupted() -> None:
        with cluster_executor(cluster.address) as executor:
            lent.append(executor)
            raise KeyboardInterrupt("Ctrl-C")

    with pytest.raises(KeyboardInterrupt, match="Ctrl-C"):
        interrupted()
    (executor,) = lent
    assert executor is not None
    with pytest.raises(BrokenExecutor, match="no longer answers"):
        executor.submit(halves, 6)


def rest(seconds: float) -> float:
    """Do nothing for a while."""
    time.sleep(seconds)
    return seconds


def test_a_task_can_be_called_off(cluster: Cluster) -> None:
    with cluster_executor(cluster.address) as executor:
        assert executor is not None
        futures = [executor.submit(rest, 0.2) for _ in range(6)]
        assert futures[-1].cancel()
        assert [future.result(READY_S) for future in futures[:-1]] == [0.2] * 5
        with pytest.raises(CancelledError, match=r"^$"):
            futures[-1].result(0.0)
        executor.shutdown()
        with pytest.raises(RuntimeError, match="after shutdown"):
            executor.submit(rest, 0.0)


def test_stopping_a_search_on_a_cluster(cluster: Cluster) -> None:
    progress = Progress(tell=lambda _what, share: progress.stop.set() if share > 0.12 else None)
    with cluster_executor(cluster.address) as executor:
        assert executor is not None
        with pytest.raises(StoppedError, match="looking along"):
            find_splits(knobbly(), options=QUICK, executor=executor, progress=progress)
        assert executor.submit(halves, 2).result(READY_S) == 1.0


def test_without_an_address_there_is_no_executor() -> None:
    with cluster_executor(None) as executor:
        assert executor is None


@pytest.mark.parametrize(
    "address",
    ["", "here", "10.0.0.5:8786", "http://10.0.0.5:8786", "tcp://10.0.0.5", "tcp://:8786", "tcp://a:b",
     "tcp://a:99999", "tcp://a:0", "tcp://a:8786/x"],
)  # fmt: skip
def test_what_is_no_address_is_refused(address: str) -> None:
    with (
        pytest.raises(SettingError, match=f"cluster: got {address!r}, allowed an address such as tcp://"),
        cluster_executor(address),
    ):
        pass


def test_dask_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(InputError, match=r'not installed here: pip install "moldplan\[cluster\]"'),
        cluster_executor("tcp://127.0.0.1:8786"),
    ):
        pass


def test_nothing_answers() -> None:
    with socket.socket() as taken:  # bound, but nobody listens
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        with (
            pytest.raises(
                InputError, match=f"no Dask scheduler answers at {address} within 0.5 s; start one"
            ),
            cluster_executor(address, connect_s=0.5),
        ):
            pass


@pytest.mark.parametrize(
    "words", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n"], ids=["silence", "another program"]
)
def test_something_else_answers(words: bytes) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        callers: list[socket.socket] = []

        def answer() -> None:
            caller, _ = server.accept()
            callers.append(caller)
            caller.sendall(words)
            if words:
                caller.close()

        thread = threading.Thread(target=answer, daemon=True)
        thread.start()
        with (
            pytest.raises(InputError, match=r"no Dask scheduler answers at .* within 1 s; start one"),
            cluster_executor(address, connect_s=1.0),
        ):
            pass
        thread.join(READY_S)
        for caller in callers:
            caller.close()


def test_no_worker_and_another_version(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import importlib.metadata as metadata\n"
        "honest = metadata.version\n"
        "metadata.version = lambda name: '0.0.9' if name == 'moldplan' else honest(name)\n"
    )
    with local_cluster(tmp_path, workers=0) as cluster:
        with (
            pytest.raises(InputError, match=r"has no worker after 0\.5 s; start some \(dask worker tcp://"),
            cluster_executor(cluster.address, connect_s=0.5),
        ):
            pass
        cluster.add_worker(first=str(tmp_path))
        cluster.wait_for(1)
        with (
            pytest.raises(InputError, match=r"worker tcp://.* has moldplan 0\.0\.9, here it is .*install"),
            cluster_executor(cluster.address),
        ):
            pass


def test_a_worker_without_moldplan(tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text("import sys\nsys.modules['moldplan'] = None\n")
    with local_cluster(tmp_path, workers=0) as cluster:
        cluster.add_worker(first=str(tmp_path))
        cluster.wait_for(1)
        with (
            pytest.raises(InputError, match=r"worker tcp://.* has no moldplan that runs .*install"),
            cluster_executor(cluster.address),
        ):
            pass


def test_spread_over_threads_keeps_the_order() -> None:
    gate = threading.Event()

    def slow_first(number: int) -> int:
        if number == 0:
            gate.wait(READY_S)
        else:
            gate.set()
        return number * number

    with ThreadPoolExecutor(2) as pool:
        assert list(spread(pool, slow_first, [0, 1, 2])) == [(0, 0), (1, 1), (2, 4)]
        assert list(spread(pool, slow_first, [])) == []


def test_leaving_a_spread_early_calls_off_the_rest() -> None:
    begun: list[int] = []
    gate = threading.Event()

    def note(number: int) -> int:
        begun.append(number)
        if number:
            gate.wait(READY_S)
        return number

    with ThreadPoolExecutor(1) as pool:
        results = spread(pool, note, range(50))
        assert next(results) == (0, 0)
        results.close()  # type: ignore[attr-defined]  # a generator, told of as an iterator
        gate.set()
    assert begun in ([0], [0, 1])


def test_stopping_a_spread() -> None:
    gate, progress = threading.Event(), Progress()
    with ThreadPoolExecutor(1) as pool:
        progress.stop.set()
        with pytest.raises(StoppedError, match="waiting for item 1 of 3"):
            list(spread(pool, lambda _item: gate.wait(READY_S), [1, 2, 3], progress=progress))
        gate.set()


def test_a_spread_whose_workers_end() -> None:
    class Broken(Executor):
        def submit(self, *_args: Any, **_named: Any) -> "Future[Any]":
            future: Future[Any] = Future()
            future.set_exception(BrokenExecutor("no memory"))
            return future

    with pytest.raises(InputError, match=r"executor: its workers ended \(no memory\); start them again"):
        list(spread(Broken(), halves, [2]))
