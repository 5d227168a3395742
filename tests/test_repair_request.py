"""A mended mesh and its picture: closed, in the file's own numbers, written whole, over nobody's work."""

import io
import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
import zoo
import zoo_files

from moldplan import repair_request
from moldplan.errors import OutputError, PatternError, SettingError, StoppedError
from moldplan.pattern import Mending, survey_file
from moldplan.pattern.model import Pattern
from moldplan.progress import Progress
from moldplan.repair_request import Repaired, check_repair_target, write_repair
from moldplan.solids.ply import ply_comments, write_ply
from moldplan.store import working_in
from moldplan.views.written import Drawn

STRICT = Mending(repair_mm=1e-6, repair_percent=1e-6)


def holed(radius: float = 120.0, level: int = 3) -> zoo.Mesh:
    """Return an open ball, off the origin, with numbers that need every bit of float64."""
    points, faces = zoo.sphere(radius, level)
    middle = points[faces].mean(axis=1)
    return points + np.array([1.0, 2.0, 3.0]) / 7.0, faces[middle[:, 0] < 0.97 * radius]


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    return zoo_files.write_ply(tmp_path / "scan.ply", holed())


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the drawing's own tests to draw: here two small files stand for it."""

    def draw(pattern: Pattern, folder: Path, *, name: str) -> Drawn:
        files = tuple(folder / f"{name}.{ending}" for ending in ("png", "svg"))
        for file in files:
            file.write_text(f"{pattern.survey.sha256} {pattern.survey.size_mm}")
        return Drawn(files=files, notes=())

    monkeypatch.setattr(repair_request, "draw_mended", draw)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


# --- what is written ----------------------------------------------------------------------------------------


@pytest.mark.usefixtures("undrawn")
def test_the_mended_mesh_is_closed_and_reads_as_sound(scan: Path, tmp_path: Path) -> None:
    made = write_repair(scan, tmp_path / "out.ply", height_mm=600.0, mending=STRICT)
    assert [file.name for file in made.files] == ["out.ply", "out.png", "out.svg"]
    assert names(tmp_path) == ["out.ply", "out.png", "out.svg", "scan.ply"]
    assert made.survey.accepting != ()  # it is written all the same, to be looked at
    mesh = trimesh.load(io.BytesIO((tmp_path / "out.ply").read_bytes()), file_type="ply", process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    scale = 600.0 / np.ptp(mesh.vertices[:, 2])
    assert mesh.volume * scale**3 == pytest.approx(made.survey.volume_mm3, rel=1e-12)
    # derived: a sphere of radius 120; the cap beyond 0.97 R is 0.13 % of it, the facets 0.7 %
    assert mesh.volume == pytest.approx(4 / 3 * np.pi * 120.0**3, rel=0.015)
    again = survey_file(tmp_path / "out.ply", height_mm=600.0)
    assert (again.repairs, again.problems, again.deviation_mm) == ((), (), 0.0)
    assert again.volume_mm3 == pytest.approx(made.survey.volume_mm3, rel=1e-12)


@pytest.mark.usefixtures("undrawn")
def test_untouched_surface_keeps_its_very_numbers(scan: Path, tmp_path: Path) -> None:
    write_repair(scan, tmp_path / "out.ply", height_mm=600.0, mending=STRICT)
    points, faces = holed()
    mesh = trimesh.load(tmp_path / "out.ply", process=False)
    kept = {tuple(row) for row in mesh.vertices.tolist()}
    used = points[np.unique(faces)]
    assert all(tuple(row) in kept for row in used.tolist())
    corners = {frozenset(map(tuple, face)) for face in mesh.vertices[mesh.faces].tolist()}
    before = [frozenset(map(tuple, face)) for face in points[faces].tolist()]
    assert sum(face in corners for face in before) == len(before)
    assert len(mesh.faces) > len(before)


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("kind", zoo_files.WRITERS)
def test_axes_and_numbers_are_the_files_own(kind: str, tmp_path: Path) -> None:
    points, faces = holed()
    path = zoo_files.WRITERS[kind](tmp_path / f"scan.{kind}", (points, faces))
    write_repair(path, tmp_path / "out.ply", up="+y", front="+z")
    mesh = trimesh.load(tmp_path / "out.ply", process=False)
    exact = 1e-5 if kind in zoo_files.SINGLE else 0.0
    low = points.min(axis=0)
    assert mesh.vertices[:, 1:].min(axis=0) == pytest.approx(low[1:], abs=exact)
    assert mesh.is_watertight
    comments = ply_comments(tmp_path / "out.ply")
    assert comments is not None
    units = [comment for comment in comments if comment.startswith("one number is")]
    said = {"3mf": ["one number is one mm"], "glb": ["one number is one m"]}
    assert units == said.get(kind, [])


@pytest.mark.usefixtures("undrawn")
def test_a_sound_file_comes_out_as_it_was(tmp_path: Path) -> None:
    mesh = zoo.torus(50.0, 10.0, 24, 12)
    path = zoo_files.write_ply(tmp_path / "sound.ply", mesh)
    made = write_repair(path, tmp_path / "out.ply")
    assert made.survey.repairs == ()
    out = trimesh.load(tmp_path / "out.ply", process=False)
    np.testing.assert_array_equal(out.vertices, mesh[0])
    np.testing.assert_array_equal(out.faces, mesh[1])


def test_without_a_size_the_picture_says_so(scan: Path, tmp_path: Path, monkeypatch: Any) -> None:
    drawn: list[Pattern] = []
    real = repair_request.draw_mended

    def look(pattern: Pattern, folder: Path, *, name: str) -> Drawn:
        drawn.append(pattern)
        return real(pattern, folder, name=name)

    monkeypatch.setattr(repair_request, "draw_mended", look)
    made = write_repair(scan, tmp_path / "out.ply")
    assert not made.survey.scale_known
    assert drawn[0].scale_mm == 1.0
    assert drawn[0].size_mm == pytest.approx((237.0, 240.0, 240.0), abs=4.0)
    assert (tmp_path / "out.png").stat().st_size > 10_000


@pytest.mark.usefixtures("undrawn")
def test_the_same_file_gives_the_same_bytes(scan: Path, tmp_path: Path) -> None:
    for folder in ("first", "second"):
        (tmp_path / folder).mkdir()
        write_repair(scan, tmp_path / folder / "out.ply", height_mm=600.0, mending=STRICT)
    for name in ("out.ply", "out.png", "out.svg"):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()


@pytest.mark.usefixtures("undrawn")
def test_no_text_from_outside_is_in_the_header(tmp_path: Path) -> None:
    path = zoo_files.write_ply(tmp_path / "end_header\nélement vertex 9.ply", zoo.box())
    write_repair(path, tmp_path / "out.ply", height_mm=600.0)
    head = (tmp_path / "out.ply").read_bytes().split(b"end_header\n")[0]
    assert head.isascii()
    assert b"vertex 9" not in head
    assert len(trimesh.load(tmp_path / "out.ply", process=False).faces) == 12


# --- what is not written over -------------------------------------------------------------------------------


@pytest.mark.usefixtures("undrawn")
def test_its_own_files_are_replaced(scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.ply"
    write_repair(scan, out, height_mm=600.0, mending=STRICT)
    write_repair(scan, out, height_mm=900.0, mending=STRICT)
    (tmp_path / "out.svg").unlink()
    made = write_repair(scan, out, height_mm=600.0, mending=STRICT)
    assert [file.is_file() for file in made.files] == [True, True, True]
    assert names(tmp_path) == ["out.ply", "out.png", "out.svg", "scan.ply"]


def spoil_mesh(folder: Path) -> None:
    content = bytearray((folder / "out.ply").read_bytes())
    content[-5] ^= 1
    (folder / "out.ply").write_bytes(content)


def foreign_mesh(folder: Path) -> None:
    zoo_files.write_ply(folder / "out.ply", zoo.box())


def spoil_picture(folder: Path) -> None:
    (folder / "out.png").write_bytes(b"painted over")


def only_pictures(folder: Path) -> None:
    (folder / "out.ply").unlink()


def linked(folder: Path) -> None:
    (folder / "out.svg").unlink()
    (folder / "out.svg").symlink_to(folder / "elsewhere.svg")


def folder_there(folder: Path) -> None:
    (folder / "out.ply").unlink()
    (folder / "out.ply").mkdir()


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize(
    ("spoil", "name"),
    [
        (spoil_mesh, "out.ply"), (foreign_mesh, "out.ply"), (spoil_picture, "out.png"),
        (only_pictures, "out.png"), (linked, "out.svg"), (folder_there, "out.ply"),
    ],
)  # fmt: skip
def test_nobodys_work_is_written_over(
    scan: Path, tmp_path: Path, spoil: Callable[[Path], None], name: str
) -> None:
    write_repair(scan, tmp_path / "out.ply", height_mm=600.0, mending=STRICT)
    spoil(tmp_path)
    before = {p: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
    with pytest.raises(OutputError, match=rf"{name} was not made by moldplan, or was changed since: move it"):
        write_repair(scan, tmp_path / "out.ply", height_mm=600.0, mending=STRICT)
    assert {p: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()} == before


def test_the_pattern_itself_is_no_target(scan: Path, tmp_path: Path) -> None:
    (tmp_path / "same.ply").hardlink_to(scan)
    for out in (scan, tmp_path / "." / "scan.ply", tmp_path / "same.ply"):
        with pytest.raises(OutputError, match="that is the pattern itself: give --repair another name"):
            write_repair(scan, out, height_mm=600.0)


def test_targets_that_cannot_be(scan: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"out\.stl: a mended pattern is written as PLY: let the name end"):
        check_repair_target(scan, tmp_path / "out.stl")
    with pytest.raises(OutputError, match=r"there is no folder .*none: make it, or choose another name"):
        check_repair_target(scan, tmp_path / "none" / "out.ply")
    check_repair_target(scan, tmp_path / "out.PLY")


# --- nothing by halves --------------------------------------------------------------------------------------


def test_what_cannot_be_mended_leaves_nothing(tmp_path: Path) -> None:
    flat = (
        np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], dtype=float),
        np.array([[0, 1, 2], [0, 2, 3]]),
    )
    path = zoo_files.write_ply(tmp_path / "flat.ply", flat)
    with pytest.raises(PatternError, match=r"flat\.ply: all of it lies in one plane"):
        write_repair(path, tmp_path / "out.ply")
    with pytest.raises(PatternError, match="no such file"):
        write_repair(tmp_path / "none.ply", tmp_path / "out.ply")
    with pytest.raises(SettingError, match="--height and --unit both say how large"):
        write_repair(path, tmp_path / "out.ply", height_mm=600.0, unit="mm")
    assert names(tmp_path) == ["flat.ply"]


@pytest.mark.usefixtures("undrawn")
def test_stopping_at_any_step_leaves_nothing(scan: Path, tmp_path: Path) -> None:
    told: list[str] = []
    write_repair(scan, tmp_path / "all.ply", progress=Progress(tell=lambda what, _: told.append(what)))
    assert len(told) == 4
    before = names(tmp_path)
    for last in told:
        progress = Progress()
        stopping = replace(
            progress, tell=lambda what, _, p=progress, last=last: p.stop.set() if what == last else None
        )
        steps: list[str] = []
        if last == told[-1]:
            stopping.stop.set()
        with pytest.raises(StoppedError, match="stopped on request while"):
            steps.append(str(write_repair(scan, tmp_path / "out.ply", progress=stopping)))
        assert steps == []
        assert names(tmp_path) == before


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("what", ["write_ply", "draw_mended"])
def test_a_full_disk_leaves_what_was_there(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    out = tmp_path / "out.ply"
    write_repair(scan, out, height_mm=600.0, mending=STRICT)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def full(*_: object, **__: object) -> None:
        if what == "write_ply":
            raise OSError(28, "No space left on device")
        reason = OSError(28, "No space left on device")
        raise OutputError("somewhere: cannot write the drawing") from reason

    monkeypatch.setattr(repair_request, what, full)
    with pytest.raises(OutputError, match=r"out\.ply: cannot be written: .*(disk is full|No space left)"):
        write_repair(scan, out, height_mm=900.0, mending=STRICT)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("fails_at", [1, 2, 3])
def test_cut_off_while_putting_in_place_the_next_run_goes_on(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    # killed, or the disk gone, before the n-th of the three renames
    out = tmp_path / "out.ply"
    write_repair(scan, out, height_mm=600.0, mending=STRICT)
    real, calls = Path.replace, [0]

    def failing(self: Path, target: Path) -> Path:
        calls[0] += 1
        if calls[0] == fails_at:
            raise OSError(5, "Input/output error")
        return real(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", failing)
        with pytest.raises(OutputError, match=r"out\.ply: cannot be written: Input/output error; make room"):
            write_repair(scan, out, height_mm=900.0, mending=STRICT)
    assert ply_comments(out) is not None  # a whole mesh, old or new
    made: Repaired = write_repair(scan, out, height_mm=900.0, mending=STRICT)
    assert all(file.is_file() for file in made.files)
    assert names(tmp_path) == ["out.ply", "out.png", "out.svg", "scan.ply"]


@pytest.mark.usefixtures("undrawn")
def test_two_runs_do_not_write_one_file(scan: Path, tmp_path: Path) -> None:
    inside, done = threading.Event(), threading.Event()

    def first() -> None:
        with working_in(tmp_path / "out.ply", doing="mending another scan"):
            inside.set()
            done.wait(60.0)

    other = threading.Thread(target=first)
    other.start()
    try:
        assert inside.wait(60.0)
        with pytest.raises(OutputError, match="mending another scan"):
            write_repair(scan, tmp_path / "out.ply")
    finally:
        done.set()
        other.join()
    write_repair(scan, tmp_path / "out.ply")
    assert names(tmp_path) == ["out.ply", "out.png", "out.svg", "scan.ply"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written(scan: Path, tmp_path: Path) -> None:
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o500)
    with pytest.raises(OutputError, match=r"cannot write in .*shut: Permission denied"):
        write_repair(scan, shut / "out.ply")


# --- the format ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [np.int32, np.int64])
def test_ply_keeps_every_bit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Any) -> None:
    monkeypatch.setattr("moldplan.solids.ply._CHUNK", 100)  # several pieces
    points, faces = zoo.sphere(1.0 / 3.0, 2)
    write_ply(tmp_path / "x.ply", points, faces.astype(kind), comments=("one", "two 2"))
    mesh = trimesh.load(tmp_path / "x.ply", process=False)
    np.testing.assert_array_equal(mesh.vertices, points)
    np.testing.assert_array_equal(mesh.faces, faces)
    assert ply_comments(tmp_path / "x.ply") == ("one", "two 2")
    # derived: three float64 a point, a byte and three int32 a face
    body = (tmp_path / "x.ply").read_bytes().split(b"end_header\n", 1)[1]
    assert len(body) == 24 * len(points) + 13 * len(faces)


def test_only_our_own_unchanged_ply_is_known(tmp_path: Path) -> None:
    path = tmp_path / "x.ply"
    write_ply(path, *zoo.box())
    content = path.read_bytes()
    for changed in (
        content + b"\0",
        content[:-1],
        content.replace(b"made by moldplan", b"made by anybody!"),
        b"",
    ):
        path.write_bytes(changed)
        assert ply_comments(path) is None
    path.write_bytes(content)
    assert ply_comments(path) == ()
