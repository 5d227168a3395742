"""Damaged files of every kind are read, or refused in one line; nothing hangs, dies or fills the memory."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import fuzzing
import pytest
import zoo
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from zoo_files import CORE_3MF, glb_bytes, gltf_parts, mesh_3mf, zip_3mf

from moldplan.cards import resolve_settings
from moldplan.errors import MoldplanError
from moldplan.job import read_job
from moldplan.pattern import Limits
from moldplan.pattern.read import read_mesh

unix = pytest.mark.skipif(sys.platform == "win32", reason="limits on a process are set otherwise there")
LIMITS = Limits(triangles=1000)
FILES = 500
SOAK_FILES = 20_000
GUIDED_RUNS = 3000
KINDS = (
    "bin.stl", "txt.stl", "bin.ply", "flt.ply", "txt.ply", "obj", "off", "3mf", "glb", "gltf", "job.toml",
    "short.job.toml", "silicone-addition.card.toml", "glass-jacket.card.toml", "split.json",
)  # fmt: skip

quick = settings(
    max_examples=100,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
plain = st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=20)
anything = st.recursive(
    plain, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
)


def refused_well(path: Path, error: MoldplanError, *, line: bool = False) -> None:
    """Hold that a refusal is one printable line that names the file, and the `line` in it."""
    said = str(error)
    assert said.isprintable()
    assert path.name in said
    assert len(said) <= fuzzing.LONGEST_MESSAGE
    assert not line or re.search(r"line \d+|nested too deep", said)


def hold(tally: fuzzing.Tally, files: int) -> None:
    """Hold that every file was read or refused well, and that of every kind both happened."""
    assert tally.faults == []
    assert sum(tally.ended.values()) == files
    kinds = {kind for kind, _ in tally.ended}
    assert {kind for kind, ended in tally.ended if ended == "refused"} == kinds
    assert sum(count for (_, ended), count in tally.ended.items() if ended == "read") > files // 20
    said = set(tally.reasons)
    assert len(said) > files // 20, "the same few refusals over and over: the damage is too blunt"


@unix
@pytest.mark.slow
def test_damaged_files_are_read_or_refused(tmp_path: Path) -> None:
    hold(fuzzing.run(0, FILES, tmp_path), FILES)


@unix
@pytest.mark.soak
def test_twenty_thousand_damaged_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tally = fuzzing.run(0, SOAK_FILES, tmp_path)
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(tally.lines()) + "\n")
    hold(tally, SOAK_FILES)


@pytest.mark.skipif(sys.platform != "linux", reason="the coverage-guided fuzzer runs on Linux only")
@pytest.mark.soak
@pytest.mark.parametrize("kind", KINDS)
def test_guided_by_coverage(tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("atheris")
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    sound = fuzzing.sound_files(tmp_path)
    (corpus / "sound").write_bytes(sound[kind])
    for number in range(list(sound).index(kind), 40 * len(sound), len(sound)):
        (corpus / f"damaged-{number}").write_bytes(fuzzing.damaged(number, sound)[2])
    script = Path(fuzzing.__file__).with_name("fuzz_coverage.py")
    command = [sys.executable, str(script), kind, str(corpus), str(GUIDED_RUNS)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=1200)
    figures = re.findall(r"stat::(\w+): *(\d+)", done.stderr)
    with capsys.disabled():
        sys.stdout.write(f"\n{kind}: " + ", ".join(f"{name} {value}" for name, value in figures) + "\n")
    assert done.returncode == 0, done.stderr[-2000:]
    assert list(tmp_path.glob("found-*")) == []
    assert ("number_of_executed_units", str(GUIDED_RUNS)) in figures


@unix
def test_a_file_that_hangs_or_kills_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The watch itself: a child that stalls, one that dies, and the files after them still read."""
    script = tmp_path / "child.py"
    script.write_text(
        "import fuzzing, os, sys, time\n"
        "fuzzing.CLOCK_SECONDS = 1\n"
        "def verdict(kind, folder, name, content):\n"
        "    if name == 'damaged 1': time.sleep(60)\n"
        "    if name == 'damaged 2': os.abort()\n"
        "    if name == 'damaged 3': return 'crashed', 'ValueError: x'\n"
        "    return 'read', ''\n"
        "fuzzing.verdict = verdict\n"
        "fuzzing.warm = lambda folder: None\n"
        "fuzzing.sound_files = lambda folder: {}\n"
        "fuzzing.damaged = lambda number, sound: ('ply', f'damaged {number}', b'')\n"
        "fuzzing.child(int(sys.argv[1]), int(sys.argv[2]), fuzzing.Path(sys.argv[3]))\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(Path(fuzzing.__file__).parent))
    tally = fuzzing.run(0, 6, tmp_path, script=script)
    assert [fault[:20] for fault in tally.faults] == [
        "file 1 (ply): took o", "file 2 (ply): died (", "file 3 (ply): crashe",
    ]  # fmt: skip
    assert sum(tally.ended.values()) == 6


def test_damage_is_always_the_same(tmp_path: Path) -> None:
    sound = fuzzing.sound_files(tmp_path)
    assert [fuzzing.damaged(number, sound) for number in range(60)] == [
        fuzzing.damaged(number, sound) for number in range(60)
    ]
    assert set(sound) == set(KINDS)
    for kind, content in sound.items():
        folder = tmp_path / kind
        folder.mkdir()
        assert fuzzing.verdict(kind, folder, "whole", content) == ("read", "")


PLACES: tuple[tuple[str | int, ...], ...] = (
    ("asset",), ("asset", "version"), ("scene",), ("scenes",), ("scenes", 0), ("scenes", 0, "nodes"),
    ("nodes",), ("nodes", 0), ("nodes", 0, "mesh"), ("nodes", 0, "matrix"), ("nodes", 0, "rotation"),
    ("nodes", 0, "scale"),
    ("nodes", 0, "children"), ("meshes",), ("meshes", 0), ("meshes", 0, "primitives"),
    ("meshes", 0, "primitives", 0), ("meshes", 0, "primitives", 0, "mode"),
    ("meshes", 0, "primitives", 0, "attributes"), ("meshes", 0, "primitives", 0, "indices"), ("accessors",),
    ("accessors", 0, "count"), ("accessors", 0, "byteOffset"), ("accessors", 0, "componentType"),
    ("accessors", 0, "type"), ("accessors", 0, "normalized"), ("accessors", 1, "bufferView"),
    ("bufferViews", 0), ("bufferViews", 0, "buffer"), ("bufferViews", 0, "byteStride"),
    ("bufferViews", 1, "byteLength"), ("buffers", 0), ("buffers", 0, "uri"), ("extensionsRequired",),
)  # fmt: skip


@quick
@given(place=st.sampled_from(PLACES), value=anything)
def test_anything_in_a_glb_header(tmp_path: Path, place: tuple[str | int, ...], value: Any) -> None:
    header, binary = gltf_parts(zoo.box(1.0, 2.0, 0.5))
    at: Any = header
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = value
    path = tmp_path / "changed.glb"
    path.write_bytes(glb_bytes(header, binary))
    try:
        raw = read_mesh(path, limits=LIMITS)
    except MoldplanError as error:
        refused_well(path, error)
    else:
        assert len(raw.faces) <= 12


JOB_KEYS = ("title", "pattern", "height", "up", "cut", "cards", "set", "wishes", "keep_clean", "x")


@quick
@given(key=st.sampled_from(JOB_KEYS), value=anything)
def test_anything_under_any_name_of_a_job_file(tmp_path: Path, key: str, value: Any) -> None:
    path = tmp_path / "job.toml"
    path.write_bytes(f"{key} = {_toml(value)}\n".encode("utf-8", "surrogatepass"))
    try:
        resolve_settings(job=read_job(path))
    except MoldplanError as error:
        refused_well(path, error, line=True)


def _toml(value: Any) -> str:
    """Return a value as TOML would write it; what TOML cannot hold becomes a text."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, float):
        return repr(value)
    return '"nothing"' if value is None else json.dumps(value)


@quick
@given(
    tag=st.sampled_from(["vertex", "triangle", "object", "component", "item", "model", "mesh", "odd"]),
    attributes=st.dictionaries(
        st.sampled_from(["x", "v1", "id", "objectid", "transform", "type", "unit", "path"]),
        st.text("0123456789.-e +xnaif", max_size=30),
        max_size=4,
    ),
    before=st.sampled_from(["<vertices>", "<triangles>", "</mesh>", "<build>", "<resources>"]),
)
def test_any_element_anywhere_in_a_3mf(
    tmp_path: Path, tag: str, attributes: dict[str, str], before: str
) -> None:
    body = f'<object id="1">{mesh_3mf(zoo.box(1.0, 2.0, 0.5))}</object>'
    model = (
        f'<model xmlns="{CORE_3MF}"><resources>{body}</resources><build><item objectid="1"/></build></model>'
    )
    more = f"<{tag} " + " ".join(f'{name}="{value}"' for name, value in attributes.items()) + "/>"
    path = zip_3mf(tmp_path / "changed.3mf", model.replace(before, before + more))
    try:
        raw = read_mesh(path, limits=LIMITS)
    except MoldplanError as error:
        refused_well(path, error)
    else:
        assert len(raw.faces) <= 25
