"""One run at a time in a folder; the second names the first; a dead run stops nobody."""

import errno
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from moldplan import lock
from moldplan.errors import OutputError
from moldplan.lock import IN_USE, in_use, is_dead, lock_file, read_owner, this_run


@contextmanager
def another_run(folder: Path, *, inside: bool, flock: bool = True) -> Iterator["subprocess.Popen[str]"]:
    """Let another process hold `folder` until its stdin is closed."""
    code = (
        "import sys; from pathlib import Path; from moldplan import lock\n"
        f"if not {flock}: lock.fcntl = None\n"
        f"with lock.in_use(Path(sys.argv[1]), doing='planning owl.stl', inside={inside}):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        yield child


@pytest.fixture(params=[True, False], ids=["flock", "by name"])
def flock(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Give a drive that knows `flock`, or one that does not."""
    if not request.param:
        monkeypatch.setattr(lock, "fcntl", None)
    return bool(request.param)


@pytest.mark.parametrize("inside", [True, False], ids=["inside", "beside"])
def test_a_second_run_is_refused_and_told_of_the_first(tmp_path: Path, flock: bool, inside: bool) -> None:  # noqa: FBT001 - parametrized
    folder = tmp_path / "owl"
    folder.mkdir()
    with another_run(folder, inside=inside, flock=flock) as first:
        said = rf"owl: is in use by process {first.pid} on this machine, since \d\d:\d\d, planning owl\.stl:"
        with pytest.raises(OutputError, match=said), in_use(folder, doing="splitting", inside=inside):
            pytest.fail("the block must not run")
    with in_use(folder, doing="splitting", inside=inside):
        assert len([path for path in tmp_path.rglob("*") if IN_USE in path.name]) == 1
    assert list(tmp_path.rglob("*")) == [folder]


def test_a_killed_run_stops_nobody(tmp_path: Path, flock: bool) -> None:  # noqa: FBT001 - a fixture
    with another_run(tmp_path / "owl", inside=False, flock=flock) as first:
        first.kill()
        first.wait()
        assert len(list(tmp_path.iterdir())) == 1
        with in_use(tmp_path / "owl", doing="planning"):
            pass
    assert not list(tmp_path.iterdir())


def test_without_flock_a_run_elsewhere_is_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether it lives cannot be known from here, so the message says what to delete."""
    monkeypatch.setattr(lock, "fcntl", None)
    named = tmp_path / f".owl{IN_USE}-by-name"
    named.write_text(replace(this_run("planning owl.stl"), host="bench-3", shown=77).text())
    said = rf"process 77 on machine bench-3, .*: wait for it, or if it is dead delete {named}"
    with pytest.raises(OutputError, match=said), in_use(tmp_path / "owl", doing="planning"):
        pytest.fail("the block must not run")
    named.unlink()
    with in_use(tmp_path / "owl", doing="planning"):
        pass


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS])
def test_a_drive_that_refuses_flock_is_locked_by_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    class Refusing:
        LOCK_EX = LOCK_NB = 0

        @staticmethod
        def flock(_handle: int, _how: int) -> None:
            raise OSError(number, os.strerror(number))

    monkeypatch.setattr(lock, "fcntl", Refusing)
    with in_use(tmp_path / "owl", doing="planning"):
        assert [path.name for path in tmp_path.iterdir()] == [f".owl{IN_USE}-by-name"]
    assert not list(tmp_path.iterdir())


def test_the_same_thread_may_ask_again_another_may_not(tmp_path: Path) -> None:
    refused: list[str] = []

    def ask() -> None:
        try:
            with in_use(tmp_path / "owl", doing="planning"):
                pass
        except OutputError as error:
            refused.append(str(error))

    with in_use(tmp_path / "owl", doing="planning"):
        with in_use(tmp_path / "owl", doing="writing"):
            pass
        assert lock_file(tmp_path / "owl", inside=False).exists()
        other = threading.Thread(target=ask)
        other.start()
        other.join()
    assert len(refused) == 1
    assert f"in use by process {os.getpid()} on this machine" in refused[0]
    assert not list(tmp_path.iterdir())


def test_folders_made_for_the_lock_go_again_when_nothing_came_of_it(tmp_path: Path) -> None:
    with in_use(tmp_path / "a" / "b" / "owl", doing="planning"):
        pass
    assert not list(tmp_path.iterdir())


def test_one_at_a_time_among_many(tmp_path: Path) -> None:
    """Eight processes take and release the lock, which removes the file: never are two inside."""
    code = (
        "import os, sys, time; from pathlib import Path; from moldplan.errors import OutputError\n"
        "from moldplan.lock import in_use\n"
        "folder, done = Path(sys.argv[1]), 0\n"
        "while done < 25:\n"
        "    try:\n"
        "        with in_use(folder, doing='x', inside=True):\n"
        "            os.close(os.open(folder / 'only', os.O_CREAT | os.O_EXCL))\n"
        "            (folder / 'only').unlink(); done += 1\n"
        "    except OutputError: time.sleep(0.001)\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path)]) for _ in range(8)]
    assert [run.wait(timeout=60) for run in runs] == [0] * 8
    assert not list(tmp_path.iterdir())


def test_who_is_dead() -> None:
    me = this_run("planning")
    assert not is_dead(me)
    if not Path("/proc/self/stat").exists():
        pytest.skip("no /proc: the rest cannot be known here")
    assert is_dead(replace(me, started="1"))  # a later process with the same number
    numbers = me.boot.partition(" ")[2]
    assert is_dead(replace(me, boot=f"another-start {numbers}"))
    assert not is_dead(replace(me, boot=f"{me.boot} in another container"))
    assert not is_dead(replace(me, host="bench-3", started="1"))
    with subprocess.Popen([sys.executable, "-c", ""]) as child:
        while Path(f"/proc/{child.pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z":
            time.sleep(0.01)
        assert is_dead(replace(me, pid=child.pid))  # ended, not fetched yet
    assert is_dead(replace(me, pid=child.pid))


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"pid": 1}', "null", "\0"])
def test_a_file_without_an_owner(tmp_path: Path, text: str) -> None:
    (tmp_path / "owner").write_text(text)
    assert read_owner(tmp_path / "owner") is None
    assert read_owner(tmp_path / "none") is None


def test_an_owner_is_read_back(tmp_path: Path) -> None:
    (tmp_path / "owner").write_text(this_run("planning").text())
    assert read_owner(tmp_path / "owner") == this_run("planning")


def test_a_place_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Permissions do not stop the superuser, so the refusal is made up."""

    def refuse(*_: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(lock.os, "open", refuse)
    (tmp_path / "owl").mkdir()
    said = "cannot write here: Permission denied: new results are put together beside owl, not in it: make it"
    with pytest.raises(OutputError, match=said), in_use(tmp_path / "owl", doing="planning"):
        pytest.fail("the block must not run")
