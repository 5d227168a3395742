"""Job files, cards and rankings made to stall or crash a reading; outside text in what is written."""

import json
import os
import xml.etree.ElementTree as ET  # our own files are read here
import zipfile
from pathlib import Path
from typing import Any

import fuzzing
import numpy as np
import pytest
import shapely
import zoo
from PIL import Image

from moldplan.cards import resolve_settings
from moldplan.cards.lines import LARGEST_BYTES, parse_toml, read_toml
from moldplan.chosen import read_chosen
from moldplan.errors import InputError, MoldplanError, SettingError, one_line
from moldplan.job import read_job
from moldplan.solids.rounding import RoundedMesh
from moldplan.solids.threemf import NamedMesh, write_3mf
from moldplan.views.furniture import Titles, draw_frame
from moldplan.views.ink import fixed_settings, write_png, write_svg
from moldplan.views.paper import THIN, Lettering, Sheet

MEGA = 1_000_000
HOSTILE = (
    "<script>alert(1)</script>", "\"'/>&amp;<!--", "]]><x>", "a\x00b\x08\x1b[31m\x7f\ufffe\uffff",
    "\u202eltr\u2066\u2029",
    "x" * 500, "=1+1", "\ud800 one", "${HOME} $(id) `id` %s {0}", "\U0001f989 \u05d0\u0628 \u4e2d", "\n\r\t",
)  # fmt: skip


# --- TOML -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (".".join(["a"] * (MEGA // 2)) + "=1", "line 1: a name of too many parts"),
        ("\n[" + ".".join(["a"] * 1000) + "]", "line 2: a name of too many parts"),
        ("\n\n" + ".".join(['"a"'] * 1000) + "=1", "line 3: a name of too many parts"),
        ("a = {" + " . ".join(["b"] * 1000) + "=1}", "line 1: a name of too many parts"),
        ("a=" + "[" * MEGA, "nested too deep"),
        ("a=" + "{a=" * (MEGA // 3), "nested too deep"),
        ("a=" + "[" * 20 + "]" * 20, "line 1: tables are nested too deep"),
        ("a=" + "1" * 5000, "line 1: not valid TOML: .*4300 digits"),
        ('b=1\na=["""\n[' + " " * (MEGA - 100) + 'x\n"""]\n[c]\nd=99999999999999999999',
         "line 6: a number is too large"),
        ("[[a]]\n[[a.b]]\nc=1\nc=2", "line 4: not valid TOML"),
        ("a=1\ra=2", "line 1: not valid TOML"),
        ("a=1\n\0", "line 2: not valid TOML"),
        ("a='\u202e\nb'", "line 1: not valid TOML"),
    ],
    ids=range(13),
)  # fmt: skip
def test_toml_made_to_stall(text: str, said: str) -> None:
    with pytest.raises(SettingError, match=said) as caught:
        parse_toml(text.encode(), label="job.toml")
    assert str(caught.value).startswith("job.toml")
    assert str(caught.value).isprintable()


def test_lines_are_found_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand complaints about one text scan it once: a job of many patches asks for the line of each."""
    toml = parse_toml(b"[[a]]\nb=1\n" * 1000, label="job.toml")
    assert toml.line_of(("a", "999", "b")) == 2000
    monkeypatch.setattr("moldplan.cards.lines._places", lambda _: iter(()))
    assert toml.line_of(("a", "500", "b")) == 1002


@pytest.mark.skipif(os.name == "nt", reason="there are no such files there")
def test_what_is_no_text_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "job.toml")
    with pytest.raises(SettingError, match=r"job\.toml: it is no ordinary file: check the name"):
        read_job(tmp_path)
    with pytest.raises(SettingError, match="it is no ordinary file"):
        read_toml(Path("/dev/zero"))
    cards = tmp_path / "cards"
    cards.mkdir()
    (cards / "round.toml").symlink_to(cards / "round.toml")
    with pytest.raises(SettingError, match=r"round\.toml: .*check the name and the permissions"):
        resolve_settings(cards_dir=cards)
    (cards / "round.toml").unlink()
    (cards / "up").symlink_to(tmp_path)
    (cards / "folder.toml").mkdir()
    with pytest.raises(SettingError, match=r"folder\.toml: "):
        resolve_settings(cards_dir=cards)
    with pytest.raises(SettingError, match=r"check the name and the permissions|there is no job file"):
        read_job(tmp_path / ("x" * 5000))


def test_files_too_large(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_bytes(b"#" * (LARGEST_BYTES + 1))
    with pytest.raises(SettingError, match="larger than 1 MB, which no card or job file is"):
        read_job(path)
    path.write_text("".join(f'[[keep_clean]]\nname = "p{k}"\nbox = ["0,0,0", "1,1,1"]\n' for k in range(201)))
    with pytest.raises(SettingError, match=r"line 601: 201 patches, allowed are 200: join some"):
        read_job(path)


# --- rankings ---------------------------------------------------------------------------------------------


def ranking_with(*keys: str | int, value: Any) -> str:
    """Return a ranking with one thing in it changed."""
    document: Any = fuzzing.ranking()
    at = document
    for key in keys[:-1]:
        at = at[key]
    at[keys[-1]] = value
    return json.dumps(document)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"\xff\xfe", r"cannot be read as JSON \(.*utf-8.*\): run moldplan split again"),
        ("[" * 100_000, "is nested too deep for a ranking"),
        (" " * 16_000_001, "is no ranking of moldplan"),
        ("9" * 5000, r"cannot be read as JSON \(.*4300 digits"),
        ('{"answers": NaN}', r"cannot be read as JSON \(NaN is no number\)"),
        ("[]", "is no ranking of moldplan"),
        (ranking_with("moldplan", value="1\x1b[2J\n" + "x" * 5000),
         "was made by moldplan 1 .*whose answers may differ"),
        (ranking_with("answers", value=7), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "number", value=[]), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "normal", value=[0, 0, 0]), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "normal", value=[0, 2, 0]), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "normal", value="abc"), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "offset_mm", value=10**400), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "offset_mm", value=7.25).replace("7.25", "1e999"),
         "is no ranking of moldplan"),
        (ranking_with("pattern", "size_mm", value=[1, 2]), "is no ranking of moldplan"),
        (ranking_with("pattern", "size_mm", value=[1, 2, 0]), "is no ranking of moldplan"),
        (ranking_with("pattern", "up", value="sideways"), "is no ranking of moldplan"),
        (ranking_with("answers", 1, "number", value=9), "has no answer 2: it holds 1 to 3"),
    ],
    ids=range(18),
)  # fmt: skip
def test_rankings_that_are_none(tmp_path: Path, text: str | bytes, said: str) -> None:
    path = tmp_path / "split.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError, match=said) as caught:
        read_chosen(tmp_path, 2)
    assert str(caught.value).isprintable()
    assert "split.json" in str(caught.value)


def test_a_ranking_is_read(tmp_path: Path) -> None:
    (tmp_path / "split.json").write_text(json.dumps(fuzzing.ranking()))
    chosen = read_chosen(tmp_path, 2)
    assert (chosen.plane.normal, chosen.plane.offset_mm, chosen.height_mm) == ((0.0, 1.0, 0.0), 4.0, 30.0)
    assert [other.undercut_mm3 for other in chosen.others] == [0.5e6, 1.5e6]


@pytest.mark.skipif(os.name == "nt", reason="there are no such files there")
def test_a_ranking_that_is_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "split.json")
    with pytest.raises(InputError, match="it is no ordinary file"):
        read_chosen(tmp_path, 1)


# --- outside text in what is written ----------------------------------------------------------------------


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_a_message_is_one_printable_line(text: str) -> None:
    said = str(MoldplanError(f"figure {text}: " * 40 + "do this"))
    assert said == one_line(said)
    assert said.isprintable()
    assert len(said) <= 600
    assert said.endswith("do this")
    assert str(MoldplanError("  two \n lines ")) == "two lines"


def test_outside_text_is_only_drawn(tmp_path: Path) -> None:
    """Letters become outlines: no text, script or link is in the SVG, and none of the words."""
    sheet = Sheet("hostile")
    for number, text in enumerate(HOSTILE):
        sheet.text(Lettering(text=text, at=(30.0, 30.0 + 10.0 * number)))
    sheet.stroke(shapely.LineString([(20, 20), (30, 30)]), THIN, tag="line")
    titles = dict.fromkeys(
        ("job", "part", "drawing", "pattern", "scale", "date", "revision", "sheet", "version")
    )
    draw_frame(sheet, Titles(**{key: HOSTILE[k] for k, key in enumerate(titles)}))
    with fixed_settings():
        write_svg(sheet, tmp_path / "a.svg")
        write_png(sheet, tmp_path / "a.png")
    raw = (tmp_path / "a.svg").read_text(encoding="utf-8")
    for word in (
        "alert",
        "<script",
        "<text",
        "HOME",
        "\x1b",
        "\u202e",
        'href="http',
        "<!ENTITY",
        "1+1",
    ):
        assert word not in raw
    root = ET.fromstring(raw)  # noqa: S314 - our own file
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    known = "svg metadata RDF Work type title format creator Agent defs style g path use clipPath rect"
    assert tags <= set(known.split())
    with Image.open(tmp_path / "a.png") as picture:
        assert set(picture.info) == {"dpi"}


def test_outside_text_in_a_3mf(tmp_path: Path) -> None:
    points, faces = zoo.box(2.0, 2.0, 2.0)
    mesh = RoundedMesh(steps=np.rint(points).astype(np.int64), faces=faces, step_mm=1.0)
    for number, text in enumerate(HOSTILE):
        path = tmp_path / f"{number}.3mf"
        write_3mf(path, [NamedMesh(name=text, mesh=mesh)], title=text)
        with zipfile.ZipFile(path) as archive:
            root = ET.fromstring(archive.read("3D/3dmodel.model"))  # noqa: S314 - our own file
        plain = "".join(letter if letter.isprintable() else " " for letter in text)
        named = [element.get("name") for element in root.iter() if element.tag.endswith("}object")]
        titled = [element.text for element in root.iter() if element.get("name") == "Title"]
        assert (named, titled) == ([plain], [plain])
