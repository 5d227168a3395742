"""The command as a person meets it: exit codes, messages, files, and nothing left behind."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import trimesh
import zoo
from typer.testing import CliRunner, Result

from moldplan.cli import app
from moldplan.schema import plan_schema

FIRST_WORDS = [
    "Split", "Locks", "Do", "Coats", "Rubber", "Peel", "Wall", "Board", "Weighs", "Turning", "Hand", "Files",
    "Look",
]  # fmt: skip


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def write_mesh(path: Path, mesh: zoo.Mesh) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    trimesh.Trimesh(*mesh, process=False).export(path)
    return path


@pytest.fixture(scope="module")
def mushroom(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a mushroom into a file whose name and folder have spaces and accents."""
    folder = tmp_path_factory.mktemp("work") / "Möbel & figures"
    return write_mesh(folder / "pilz é 1.stl", zoo.mushroom(60, 200, 150, 80, segments=48))


def planned(path: Path, *words: str) -> dict[str, object]:
    """Plan without drawings and return plan.json."""
    out = path.parent / "out" / f"{abs(hash(words))}"
    result = run("plan", path, *words, "--only", "none", "--out", out, "--quiet")
    assert result.exit_code in {0, 3}, result.stderr
    document: dict[str, object] = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, plan_schema())
    return document


def test_help_starts_without_heavy_libraries() -> None:
    heavy = "{'numpy', 'numba', 'trimesh', 'shapely', 'matplotlib', 'pyvista', 'pint', 'scipy', 'manifold3d'}"
    code = f"import sys, moldplan.cli; sys.exit(bool({heavy} & set(sys.modules)))"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_help_names_every_command() -> None:
    result = run("--help")
    assert result.exit_code == 0
    for command in ("survey", "plan", "split", "demo", "schema", "cache", "job", "cards"):
        assert f"\n  {command} " in result.stdout


def test_version() -> None:
    result = run("--version")
    assert result.exit_code == 0
    assert result.stdout.startswith("moldplan 0.")


def test_schema_is_itself_valid() -> None:
    result = run("schema")
    assert result.exit_code == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(result.stdout))


def test_wrong_command_line_is_2() -> None:
    assert run("plan", "x.stl", "--heigth", "1 m").exit_code == 2
    assert run("carve").exit_code == 2


def test_a_bare_number_is_refused_with_advice(mushroom: Path) -> None:
    result = run("plan", mushroom, "--height", "1500")
    assert result.exit_code == 1
    assert "1500 carries no unit: write 1500 mm" in result.stderr


def test_a_mesh_without_size_is_refused_with_advice(mushroom: Path) -> None:
    result = run("plan", mushroom)
    assert result.exit_code == 1
    assert "--height" in result.stderr
    assert "--unit" in result.stderr


def bad_files(folder: Path) -> dict[str, Path]:
    """Return files that are no pattern, by what their refusal must mention."""
    flat = (np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]]), np.array([[0, 1, 2], [0, 2, 3]]))
    far, near = zoo.sphere(10.0, 2), zoo.sphere(10.0, 2)
    both = np.concatenate([near[0], far[0] + [500.0, 0, 0]]), np.concatenate([near[1], far[1] + len(near[0])])
    holes = zoo.sphere(10.0, 3)
    nan = zoo.sphere(10.0, 2)
    nan[0][5, 1] = np.nan
    (folder / "empty.stl").write_bytes(b"")
    (folder / "text.ply").write_text("dear client, the scan follows\n")
    return {
        "no such file": folder / "missing.stl",
        "empty": folder / "empty.stl",
        "text": folder / "text.ply",
        "flat": write_mesh(folder / "flat.ply", flat),
        "two": write_mesh(folder / "two.ply", both),
        "open": write_mesh(folder / "open.ply", (holes[0], holes[1][: len(holes[1]) // 4])),
        "nan": write_mesh(folder / "nan.ply", nan),
    }


@pytest.mark.parametrize("name", ["no such file", "empty", "text", "flat", "two", "open", "nan"])
def test_bad_files_are_one_line_and_leave_nothing(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bad_files(tmp_path)[name]
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    result = run("plan", path, "--height", "1 m", "--quiet")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert path.name in result.stderr
    assert "fault in moldplan" not in result.stderr
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("height", ["0 mm", "-1 m", "nan m", "1 kg", "tall", "1.5", "1e400 m", ""])
def test_bad_heights(mushroom: Path, height: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("plan", mushroom, "--height", height)
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("cut", ["0,0,0@0", "1,0@3", "1,0,0", "a,b,c@0", "nan,0,1@0", "0,0,1@5000"])
def test_bad_cuts(mushroom: Path, cut: str, tmp_path: Path) -> None:
    result = run("plan", mushroom, "--height", "1 m", "--cut", cut, "--quiet", "--out", tmp_path / "out")
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "fault in moldplan" not in result.stderr
    assert not list(tmp_path.iterdir())


def test_plan_writes_a_valid_document_and_its_closing_lines(mushroom: Path, tmp_path: Path) -> None:
    out = tmp_path / "pläne 1" / "x"
    result = run("plan", mushroom, "--height", "1 m", "--cut", "0,1,0@0", "--only", "none", "--out", out)
    assert result.exit_code == 0, result.stderr
    assert len(result.stdout.splitlines()) == len(FIRST_WORDS)
    first_words = [line.split()[0] for line in result.stdout.splitlines()]
    assert first_words == FIRST_WORDS
    assert "reading the pattern" in result.stderr
    document = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, plan_schema())
    assert document["pattern"]["size_mm"][2] == pytest.approx(1000.0, rel=1e-9)
    assert [half["called"] for half in document["halves"]] == ["BACK", "FRONT"] or [
        half["called"] for half in document["halves"]
    ] == ["FRONT", "BACK"]


def test_halves_add_up_and_symmetry_holds(mushroom: Path) -> None:
    document = planned(mushroom, "--height", "1 m", "--cut", "1,0,0@0")
    one, two = document["halves"]
    assert one["volume_l"] + two["volume_l"] == pytest.approx(document["pattern"]["volume_l"], rel=1e-9)
    assert one["volume_l"] == pytest.approx(two["volume_l"], rel=1e-6)
    assert one["rubber"]["volume_l"] == pytest.approx(two["rubber"]["volume_l"], rel=5e-3)
    low, high = document["accuracy"]["undercut_bracket_l"]
    assert low <= document["split"]["undercut_l"] <= high
    assert document["split"]["locked_l"] <= document["split"]["undercut_l"]


def test_a_normal_and_its_opposite_give_the_same_plan(mushroom: Path) -> None:
    plans = [
        planned(mushroom, "--height", "1 m", "--cut", text) for text in ("0.1,1,0.2@20", "-0.1,-1,-0.2@-20")
    ]
    for document in plans:
        del document["job"]
    assert plans[0] == plans[1]


def test_settings_say_where_they_come_from(mushroom: Path, tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('[set.mould]\nskin_mm = "9 mm"\n')
    words = ("--height", "1 m", "--cut", "0,1,0@0", "--job", str(tmp_path / "job.toml"))
    settings = planned(mushroom, *words, "--set", "mould.edge_width_mm=50 mm")["job"]["settings"]
    assert settings["mould.skin_mm"]["value"] == 9
    assert "line 2" in settings["mould.skin_mm"]["origin"]
    assert settings["mould.edge_width_mm"]["value"] == 50
    assert "--set" in settings["mould.edge_width_mm"]["origin"]
    assert settings["rubber.density_kg_l"]["origin"].startswith("built-in")


def test_dry_run_writes_nothing(mushroom: Path, tmp_path: Path) -> None:
    result = run("plan", mushroom, "--height", "1 m", "--dry-run", "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert "nothing (dry run)" in result.stdout
    assert not list(tmp_path.iterdir())


def test_a_rubber_loop_ends_with_3(tmp_path: Path) -> None:
    path = write_mesh(tmp_path / "ring.ply", zoo.torus(300, 60, 48, 24))
    words = ("--height", "1 m", "--up", "+x", "--cut", "1,0,0@0", "--only", "none", "--quiet")
    result = run("plan", path, *words, "--out", tmp_path / "out")
    assert result.exit_code == 3, result.stderr
    assert "STOP" in result.stdout


def test_a_job_folder_keeps_revisions(mushroom: Path, tmp_path: Path) -> None:
    job = tmp_path / "owls for the library"
    assert run("job", "new", job).exit_code == 0
    assert run("job", "new", job).exit_code == 1
    words = ("--height", "1 m", "--cut", "0,1,0@0", "--only", "none", "--quiet", "--job", job)
    for revision in ("r001", "r002"):
        result = run("plan", mushroom, *words)
        assert result.exit_code == 0, result.stderr
        assert (job / "LATEST").read_text() == f"{revision}\n"
        document = json.loads((job / revision / "plan.json").read_text(encoding="utf-8"))
        assert document["job"]["revision"] == revision
    assert (job / "job.toml").is_file()


def test_cards_can_be_listed_shown_and_copied(tmp_path: Path) -> None:
    listed = run("cards", "list")
    assert listed.exit_code == 0
    assert "silicone-addition" in listed.stdout
    shown = run("cards", "show", "silicone-addition")
    assert "density_kg_l" in shown.stdout
    assert run("cards", "copy", "silicone-addition", "--to", tmp_path / "mine").exit_code == 0
    assert [path.suffix for path in (tmp_path / "mine").iterdir()] == [".toml"]
    assert run("cards", "copy", "silicone-addition", "--to", tmp_path / "mine").exit_code == 1
    assert run("cards", "show", "silicone-adition").exit_code == 1


def test_survey_as_lines_and_as_json(mushroom: Path) -> None:
    lines = run("survey", mushroom, "--height", "1 m")
    assert lines.exit_code == 0
    assert "1000" in lines.stdout
    found = json.loads(run("survey", mushroom, "--height", "1 m", "--json").stdout)
    assert found["watertight"] is True


@pytest.mark.skipif(os.name == "nt", reason="SIGINT as the terminal sends it")
def holed(folder: Path) -> Path:
    """Write a sphere of 300 mm with a round hole 70 mm across, in mm."""
    points, faces = zoo.sphere(150.0, 4)
    beside = np.linalg.norm(points[faces].mean(axis=1) - [0.0, -150.0, 0.0], axis=1) < 35.0
    return write_mesh(folder / "holed.ply", (points, faces[~beside]))


def test_repairs_beyond_the_tolerance_are_to_be_accepted(tmp_path: Path) -> None:
    scan = holed(tmp_path)
    words = (
        "plan",
        scan,
        "--unit",
        "mm",
        "--cut",
        "0,0,1@0",
        "--only",
        "none",
        "--out",
        tmp_path / "out",
        "-q",
    )
    refused = run(*words, "--set", "pattern.repair_mm=0 mm")
    assert refused.exit_code == 1
    assert "holed.ply: mending (holes filled) may be" in refused.stderr
    assert "accept it with --accept-repairs" in refused.stderr
    assert not (tmp_path / "out").exists()
    taken = run(*words, "--set", "pattern.repair_mm=0 mm", "--accept-repairs")
    assert taken.exit_code in {0, 3}, taken.stderr
    assert taken.stdout.startswith("Mended     1 x holes filled")
    document = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, plan_schema())
    codes = {finding["code"]: finding["severity"] for finding in document["findings"]}
    assert codes["pattern-mended"] == "check"
    assert codes["size-from-unit"] == "note"
    assert len(document["pattern"]["accepted"]) >= 1
    # derived: what was a sphere comes back as one
    whole = zoo.volume(zoo.sphere(150.0, 4)) / 1e6
    assert document["pattern"]["volume_l"] == pytest.approx(whole, rel=2e-3)


def test_survey_writes_the_mended_mesh(tmp_path: Path) -> None:
    out = tmp_path / "mended.ply"
    result = run(
        "survey", holed(tmp_path), "--unit", "mm", "--repair", out, "--set", "pattern.repair_mm=0 mm"
    )
    assert result.exit_code == 3, result.stderr
    assert "can be planned with --accept-repairs" in result.stdout
    assert f"wrote {out}" in result.stdout
    assert sorted(path.suffix for path in tmp_path.glob("mended.*")) == [".ply", ".png", ".svg"]
    again = run("survey", out, "--unit", "mm")
    assert again.exit_code == 0
    assert "mended:" not in again.stdout
    assert trimesh.load_mesh(out).is_watertight


def test_what_was_kept_is_told_of_and_cleared(
    mushroom: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MOLDPLAN_CACHE", str(tmp_path / "kept"))
    monkeypatch.setenv("MOLDPLAN_CACHE_MB", "500")
    assert run("cache").stdout == f"{tmp_path / 'kept' / 'stages'}: 0 kept results, 0 MB (at most 500 MB)\n"
    first = planned(mushroom, "--height", "450 mm", "--cut", "0,1,0@0")
    again = planned(mushroom, "--height", "450 mm", "--cut", "0,1,0@0", "--fresh")
    assert "kept results" in run("cache").stdout
    assert len(list((tmp_path / "kept" / "stages").glob("*.stage"))) >= 4  # pattern, halves, two moulds
    third = planned(mushroom, "--height", "450 mm", "--cut", "0,1,0@0", "--up", "+z")
    for document in (first, again, third):
        del document["job"]["made"]  # type: ignore[attr-defined]
    assert first == again
    assert first["halves"] == third["halves"]
    cleared = run("cache", "--clear")
    assert cleared.stdout.startswith("removed ")
    assert list((tmp_path / "kept" / "stages").iterdir()) == []


def test_an_interrupt_ends_with_130_and_leaves_nothing(mushroom: Path, tmp_path: Path) -> None:
    words = ["plan", str(mushroom), "--height", "1 m", "--only", "none", "--out", str(tmp_path / "out")]
    # a shell's background job starts with the signal ignored; a person's terminal does not
    hear = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    code = f"{hear}; from moldplan.start import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", code, *words], stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
    ) as child:
        assert child.stderr is not None
        for line in child.stderr:
            if "looking for the split" in line:
                break
        time.sleep(0.05)
        child.send_signal(signal.SIGINT)
        rest = child.stderr.read()
        assert child.wait(timeout=60) == 130
    assert "stopped" in rest
    assert "Traceback" not in rest
    assert not list(tmp_path.iterdir())
