"""Results appear whole or not at all, and nobody's files are touched."""

from pathlib import Path

import pytest

from moldplan.errors import OutputError
from moldplan.store import MANIFEST, check_target, new_folder, new_revision, write_whole


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
