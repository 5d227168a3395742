"""A run that is killed, at whatever moment, leaves the last good result, and the next run works."""

import json
import random
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jsonschema
import pytest
import trimesh
import zoo
from warmed import Warmed, plan_words, warmed

from moldplan.job import new_job
from moldplan.schema import plan_schema
from moldplan.store import MANIFEST, check_target

pytestmark = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")

_TARGETS = ("front", "worker", "both")


@dataclass(frozen=True)
class Shop:
    """A warmed command, a small mesh, a job folder with one revision and a plan beside it."""

    ready: Warmed
    mesh: Path
    job: Path
    out: Path
    kept_s: float
    """How long a run takes that is not disturbed."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder = tmp_path_factory.mktemp("shop")
    mesh = folder / "post.stl"
    trimesh.Trimesh(*zoo.frustum(10.0, 20.0, 600.0, 12), process=False).export(mesh)
    (folder / "said").mkdir()
    job, out = folder / "job", folder / "out" / "plan"
    new_job(job)
    with warmed(mesh, folder / "said") as ready:
        before = time.monotonic()
        assert ready.start(*plan_words(mesh, "--job", job), flags=["kept", "linger"]).wait() == 0
        kept_s = time.monotonic() - before
        assert ready.start(*plan_words(mesh, "--out", out), flags=["kept"]).wait() == 0
        yield Shop(ready, mesh, job, out, kept_s)


def check_whole(folder: Path) -> None:
    """Hold that a result is all there: each listed file with its fingerprint, and a plan that is one."""
    check_target(folder)  # every file is on the list, unchanged
    listed = {line.split("  ", 1)[1] for line in (folder / MANIFEST).read_text().splitlines()[1:]}
    assert listed == {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and path.name != MANIFEST
    }
    assert "plan.json" in listed
    check_plan((folder / "plan.json").read_text(encoding="utf-8"))


@cache
def check_plan(text: str) -> None:
    """Hold that a text is a whole plan."""
    jsonschema.validate(json.loads(text), plan_schema())


def check_job(job: Path) -> None:
    """Hold that LATEST names a whole revision, and that every revision is whole."""
    latest = (job / "LATEST").read_text()
    assert latest.endswith("\n")
    assert (job / latest.strip()).is_dir()
    for revision in job.glob("r[0-9]*"):
        check_whole(revision)


def check_tidy(job: Path) -> None:
    """Hold that nothing is in a job folder but what belongs there."""
    revisions = {path.name for path in job.glob("r[0-9]*")}
    assert {path.name for path in job.iterdir()} == {"job.toml", "LATEST", *revisions}


def kill(shop: Shop, words: list[str | Path], flags: list[str], *, after_s: float, to: str) -> int:
    """Start a run, kill it after a time, and return the exit code that its caller sees."""
    run = shop.ready.start(*words, flags=flags)
    time.sleep(after_s)
    run.send(signal.SIGKILL, to)
    return run.wait()


def killed_often(
    shop: Shop, times: int, *, flags: list[str], parts: str, longest_s: float, seed: int
) -> None:
    """Kill runs on a job folder at moments spread over the whole run, then let one finish."""
    dice = random.Random(seed)
    codes = set()
    for number in range(times):
        after_s = (number + dice.random()) / times * longest_s
        words = plan_words(shop.mesh, "--job", shop.job, parts=parts)
        codes.add(kill(shop, words, flags, after_s=after_s, to=_TARGETS[number % 3]))
        check_job(shop.job)
    assert codes <= {-9, 137, 0}
    assert codes != {0}
    run = shop.ready.start(*plan_words(shop.mesh, "--job", shop.job), flags=["kept"])
    assert run.wait() == 0, run.stderr.read_text()
    check_job(shop.job)
    check_tidy(shop.job)


def test_a_killed_run_leaves_the_last_good_revision(shop: Shop) -> None:
    killed_often(shop, 9, flags=["kept", "linger"], parts="none", longest_s=shop.kept_s, seed=1)


def test_killed_while_it_computes(shop: Shop) -> None:
    killed_often(shop, 1, flags=[], parts="views,solids", longest_s=0.8, seed=2)


@pytest.mark.parametrize("exchange", [True, False], ids=["exchange", "two renames"])
def test_a_result_that_is_replaced_is_the_old_or_the_new_one(shop: Shop, exchange: bool) -> None:  # noqa: FBT001 - parametrized
    flags = ["kept", "linger"] if exchange else ["kept", "linger", "no exchange"]
    kill(shop, plan_words(shop.mesh, "--out", shop.out), flags, after_s=0.93 * shop.kept_s, to="both")
    if exchange:
        check_whole(shop.out)
    assert shop.ready.start(*plan_words(shop.mesh, "--out", shop.out), flags=["kept"]).wait() == 0
    check_whole(shop.out)
    assert [path.name for path in shop.out.parent.iterdir()] == ["plan"]


def test_nothing_is_left_when_only_the_worker_dies(shop: Shop) -> None:
    """The front clears up by itself: as after the system ended a run for want of memory."""
    run = shop.ready.start(*plan_words(shop.mesh, "--job", shop.job), flags=["kept", "deaf"])
    while not list(shop.job.glob(".r*.new-*/result")):
        time.sleep(0.01)
    run.send(signal.SIGKILL, "worker")
    assert run.wait() == 137
    assert "ended by the system with signal 9; nothing half-written is left" in run.stderr.read_text()
    check_job(shop.job)
    check_tidy(shop.job)


def test_a_second_run_names_the_first(shop: Shop) -> None:
    words = plan_words(shop.mesh, "--job", shop.job)
    first = shop.ready.start(*words, flags=["kept", "deaf"])
    while not list(shop.job.glob(".r*.new-*/result")):
        time.sleep(0.01)
    second = shop.ready.start(*words, flags=["kept"])
    assert second.wait() == 1
    said = second.stderr.read_text()
    assert f"is in use by process {first.pid} on this machine, since " in said
    first.send(signal.SIGTERM)
    assert first.wait() == 143
    check_tidy(shop.job)


@pytest.mark.soak
def test_killed_at_200_moments(shop: Shop) -> None:
    before = time.monotonic()
    assert shop.ready.start(*plan_words(shop.mesh, "--job", shop.job)).wait() == 0
    bare_s = time.monotonic() - before
    before = time.monotonic()
    assert shop.ready.start(*plan_words(shop.mesh, "--job", shop.job, parts="views,solids")).wait() == 0
    drawn_s = time.monotonic() - before
    killed_often(shop, 90, flags=["linger"], parts="none", longest_s=1.1 * bare_s, seed=3)
    killed_often(shop, 90, flags=["kept", "linger"], parts="none", longest_s=1.1 * shop.kept_s, seed=4)
    killed_often(shop, 20, flags=["linger"], parts="views,solids", longest_s=1.1 * drawn_s, seed=5)
