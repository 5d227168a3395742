"""Results appear whole or not at all, whatever happens meanwhile, and nobody's files are touched."""

import errno
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from moldplan import store
from moldplan.errors import OutputError
from moldplan.lock import this_run
from moldplan.store import (
    MANIFEST,
    check_target,
    fingerprint,
    new_folder,
    new_revision,
    recover,
    tidy,
    working_in,
    write_whole,
)


def write_into(folder: Path, text: str = "one") -> None:
    (folder / "views").mkdir()
    (folder / "views" / "a.txt").write_text(text)
    (folder / "plan.json").write_text("{}")


def write_twice(folder: Path) -> None:
    """Fail half way: the second `views` folder is in the way of the first."""
    for text in ("bad", "worse"):
        write_into(folder, text)


def names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_a_folder_appears_whole_with_its_list(tmp_path: Path) -> None:
    target = tmp_path / "Eulen für zwei" / "owl plan"
    with new_folder(target) as work:
        write_into(work)
        assert not target.exists()
    assert names(target) == {"plan.json", "views/a.txt", MANIFEST}
    assert [path.name for path in target.parent.iterdir()] == ["owl plan"]


def test_moldplans_own_folder_is_replaced(tmp_path: Path) -> None:
    target = tmp_path / "plan"
    for text in ("one", "two"):
        with new_folder(target) as work:
            write_into(work, text)
    assert (target / "views" / "a.txt").read_text() == "two"
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_a_failed_run_leaves_the_last_good_one(tmp_path: Path) -> None:
    target = tmp_path / "plan"
    with new_folder(target) as work:
        write_into(work, "good")
    with pytest.raises(FileExistsError, match="views"), new_folder(target) as work:
        write_twice(work)
    assert (target / "views" / "a.txt").read_text() == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_somebodys_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "client.jpg").write_bytes(b"x")
    with (
        pytest.raises(OutputError, match=r"client\.jpg, which moldplan did not make"),
        new_folder(tmp_path / "photos"),
    ):
        pytest.fail("the block must not run")
    assert names(tmp_path) == {"photos/client.jpg"}


def test_added_and_changed_files_are_refused(tmp_path: Path) -> None:
    target = tmp_path / "plan"
    with new_folder(target) as work:
        write_into(work)
    (target / ".DS_Store").write_bytes(b"strewn by a file manager")
    check_target(target)
    (target / "views" / "a.txt").write_text("marked up by hand")
    with pytest.raises(OutputError, match=r"views/a\.txt was changed"):
        check_target(target)
    (target / "views" / "a.txt").write_text("one")
    (target / "views" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"holds views/notes\.txt"):
        check_target(target)


def test_a_file_or_a_link_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "plan").write_text("a file")
    with pytest.raises(OutputError, match="is not a folder"):
        check_target(tmp_path / "plan")
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OutputError, match="is not a folder"):
        check_target(tmp_path / "link")


def test_a_parent_that_is_a_file_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot write here"), new_folder(tmp_path / "file" / "plan"):
        pytest.fail("the block must not run")


def test_revisions_count_up_and_latest_names_the_last(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text("mine")
    for expected in ("r001", "r002", "r003"):
        with new_revision(tmp_path) as (work, revision):
            write_into(work)
            assert revision == expected
        assert (tmp_path / "LATEST").read_text() == f"{expected}\n"
    with pytest.raises(FileExistsError, match="views"), new_revision(tmp_path) as (work, _revision):
        write_twice(work)
    assert (tmp_path / "LATEST").read_text() == "r003\n"
    assert {path.name for path in tmp_path.iterdir()} == {"job.toml", "LATEST", "r001", "r002", "r003"}


def test_a_missing_job_folder_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="moldplan job new"), new_revision(tmp_path / "none"):
        pytest.fail("the block must not run")


def test_write_whole_into_nowhere(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole(tmp_path / "none" / "x.txt", "x")


class Moments:
    """Every time this process opens, makes, renames or removes a file is a moment; at one of them act.

    The interpreter's own audit events are used (PEP 578), so the product needs no hooks.
    """

    act: Callable[[str], None] | None = None
    left = 0
    making_only = False
    hooked = False

    @classmethod
    def hook(cls) -> None:
        """Listen, once in a process: hooks cannot be taken away."""
        if not cls.hooked:
            cls.hooked = True
            sys.addaudithook(cls._heard)

    @classmethod
    def _heard(cls, event: str, arguments: tuple[Any, ...]) -> None:
        if cls.act is None or event not in {"open", "os.mkdir", "os.rename", "os.remove", "os.rmdir"}:
            return
        making = event != "open" or arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if cls.making_only and not (making and event in {"open", "os.mkdir", "os.rename"}):
            return
        if event == "open" and not str(arguments[0]).startswith(("/tmp", "/var")):  # noqa: S108 - where tests write
            return
        cls.left -= 1
        if cls.left < 0:
            act, cls.act = cls.act, None
            act(str(arguments[0]))


@contextmanager
def at_moment(number: int, act: Callable[[str], None], *, making_only: bool = False) -> Iterator[None]:
    """Call `act` with the file's name at the moment of this number, from 0; or count what needs room."""
    Moments.hook()
    Moments.left, Moments.making_only, Moments.act = number, making_only, act
    try:
        yield
    finally:
        Moments.act = None


def in_a_fork(work: Callable[[], None]) -> int:
    """Run `work` in a forked process; return its exit code, negative for a signal."""
    pid = os.fork()
    if pid == 0:
        try:
            work()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def die(_name: str) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def fill(_name: str) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def check_whole(folder: Path) -> str:
    """Hold that every file of a result is there as it was written; return its text."""
    listed = dict(reversed(line.split("  ", 1)) for line in (folder / MANIFEST).read_text().splitlines()[1:])
    assert listed == {name: fingerprint(folder / name) for name in names(folder) - {MANIFEST}}
    assert set(listed) == {"plan.json", "views/a.txt"}
    return (folder / "views" / "a.txt").read_text()


def make_revision(job: Path, text: str) -> None:
    with new_revision(job) as (work, _revision):
        write_into(work, text)


def make_folder(target: Path, text: str) -> None:
    with new_folder(target) as work:
        write_into(work, text)


needs_fork = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs fork, and /proc")


@needs_fork
def test_killed_at_every_moment_of_a_revision(tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    make_revision(job, "first")
    code, number = -9, 0
    while code == -9:

        def work(number: int = number) -> None:
            with at_moment(number, die):
                make_revision(job, "more")

        code = in_a_fork(work)
        latest = (job / "LATEST").read_text().strip()
        for path in job.glob("r[0-9]*"):
            check_whole(path)
        assert (job / latest).is_dir()
        number += 1
    assert code == 0
    assert number > 12
    assert {path.name for path in job.iterdir()} == {"LATEST", *(path.name for path in job.glob("r[0-9]*"))}


@needs_fork
@pytest.mark.parametrize("exchange", [True, False], ids=["exchange", "two renames"])
def test_killed_at_every_moment_of_a_replacement(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    exchange: bool,  # noqa: FBT001 - parametrized
) -> None:
    if not exchange:
        monkeypatch.setattr(store, "exchange", lambda _one, _other: False)
    target = tmp_path / "plan"
    make_folder(target, "0")
    last, code, number = "0", -9, 0
    while code == -9:

        def work(number: int = number) -> None:
            with at_moment(number, die):
                make_folder(target, str(number + 1))

        code = in_a_fork(work)
        if not exchange:
            recover(target)  # as the next run does
        text = check_whole(target)
        assert text in {last, str(number + 1)}
        last, number = text, number + 1
    assert code == 0
    assert number > 12
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


@needs_fork
@pytest.mark.parametrize("make", [make_revision, make_folder])
def test_a_front_tidies_after_a_kill_at_every_moment(
    tmp_path: Path, make: Callable[[Path, str], None]
) -> None:
    job = tmp_path / "job"
    job.mkdir()
    make(job, "first")
    code, number = -9, 0
    while code == -9:

        def work(number: int = number) -> None:
            with at_moment(number, die):
                make(job, "more")

        code = in_a_fork(work)
        tidy(f"{'in' if make is make_revision else 'by'}:{job}")
        assert not [path.name for path in (*tmp_path.iterdir(), *job.iterdir()) if path.name.startswith(".")]
        number += 1
    assert number > 12


@pytest.mark.parametrize("make", [make_revision, make_folder])
def test_a_disk_that_is_full_at_every_moment(tmp_path: Path, make: Callable[[Path, str], None]) -> None:
    """The n-th time a file is opened, made or renamed the disk says it has no room, for every n."""
    job = tmp_path / "job"
    job.mkdir()
    make(job, "first")
    refused = []
    for number in range(200):
        before = names(job)
        try:
            with at_moment(number, fill, making_only=True):
                make(job, "more")
        except OutputError as error:
            refused.append(str(error))
        if Moments.left >= 0:  # it was done before the moment came
            break
        for folder in [job] if make is make_folder else list(job.glob("r[0-9]*")):
            check_whole(folder)
        assert before <= names(job)
    assert len(refused) >= 8  # lock file, place, owner, result, views, a.txt, plan.json, list
    assert all(line.startswith(str(job)) and ".new-" not in line for line in refused)
    assert all("the disk is full" in line or "cannot put the result in place" in line for line in refused)
    make(job, "last")
    assert [path.name for path in (*tmp_path.iterdir(), *job.iterdir()) if path.name.startswith(".")] == []


def write_much(job: Path) -> None:
    """Write 240 kB in small files."""
    with new_revision(job) as (work, _revision):
        for number in range(40):
            (work / f"{number}.stl").write_bytes(bytes(6000))


@pytest.mark.parametrize("room_kb", [4, 12, 24, 60, 100, 140])
def test_a_disk_that_is_really_full(tmp_path: Path, room_kb: int) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = [
        shutil.which("mount") or "mount",
        "-t",
        "tmpfs",
        "-o",
        f"size={room_kb + 60}k",
        "tmpfs",
        str(disk),
    ]
    if subprocess.run(mount, check=False, capture_output=True).returncode != 0:
        pytest.skip("a small disk cannot be mounted here: needs the superuser")
    try:
        job = disk / "job"
        job.mkdir()
        make_revision(job, "first")
        with pytest.raises(OutputError, match=r"job/r002: cannot be written: the disk is full .* make room"):
            write_much(job)
        assert check_whole(job / "r001") == "first"
        assert (job / "LATEST").read_text() == "r001\n"
        make_revision(job, "second")
        assert {path.name for path in job.iterdir()} == {"LATEST", "r001", "r002"}
    finally:
        subprocess.run([shutil.which("umount") or "umount", str(disk)], check=True)


def test_a_file_that_may_not_grow(tmp_path: Path) -> None:
    make_folder(tmp_path / "plan", "old")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3000, before[1]))
    try:
        with (
            pytest.raises(
                OutputError, match=r"plan: cannot be written: a file would be larger than is allowed"
            ),
            new_folder(tmp_path / "plan") as work,
        ):
            (work / "solid.stl").write_bytes(bytes(10_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert check_whole(tmp_path / "plan") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_only_what_a_dead_run_left_is_removed(tmp_path: Path) -> None:
    """The living and those elsewhere keep their unfinished folders, and so does anybody's own."""
    me = json.loads(this_run("planning").text())
    for name, owner in {
        ".plan.new-dead": {**me, "started": "1"},
        ".plan.new-lives": me,
        ".plan.new-elsewhere": {**me, "host": "bench-3"},
        ".other.new-dead": {**me, "started": "1"},
    }.items():
        (tmp_path / name / "result").mkdir(parents=True)
        (tmp_path / name / "owner.json").write_text(json.dumps(owner))
    (tmp_path / ".plan.new-mine").mkdir()
    (tmp_path / ".plan.new-mine" / "notes.txt").write_text("mine")
    make_folder(tmp_path / "plan", "one")
    kept = {".plan.new-lives", ".plan.new-elsewhere", ".plan.new-mine", ".other.new-dead", "plan"}
    assert {path.name for path in tmp_path.iterdir()} == kept


def test_an_old_result_that_lost_its_name_comes_back(tmp_path: Path) -> None:
    make_folder(tmp_path / "plan", "old")
    place = tmp_path / ".plan.new-dead"
    (place / "result").mkdir(parents=True)
    owner = {**json.loads(this_run("planning").text()), "started": "1"}
    (place / "owner.json").write_text(json.dumps(owner))
    (tmp_path / "plan").rename(place / "old")
    with working_in(tmp_path / "plan", doing="planning"):
        assert check_whole(tmp_path / "plan") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]
