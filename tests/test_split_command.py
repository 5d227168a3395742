"""`moldplan split` and `plan --answer` as a person meets them, and the ranking behind them."""

import json
import math
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import zoo
from ranked import SETTINGS, bust, bust_pattern, bust_ranking
from test_cli import run, write_mesh

from moldplan.choice import rank_splits
from moldplan.choice.front import CRITERIA, on_front
from moldplan.choice.model import Ranking, Wishes
from moldplan.half import cut
from moldplan.pattern.model import Pattern
from moldplan.ranking_document import ranking_document
from moldplan.ranking_schema import ranking_schema


@pytest.fixture(scope="module")
def figure() -> Pattern:
    return bust_pattern()


@pytest.fixture(scope="module")
def ranking() -> Ranking:
    return bust_ranking()


# --- the ranking ------------------------------------------------------------------------------------------


def test_answers_are_numbered_and_differ_in_kind(ranking: Ranking) -> None:
    assert [answer.number for answer in ranking.answers] == list(range(1, len(ranking.answers) + 1))
    assert 3 <= len(ranking.shown) <= 5
    assert len({answer.kind for answer in ranking.shown}) >= 3
    assert ranking.answers[0].on_front
    first = [answer.shown for answer in ranking.answers]
    assert first == sorted(first, reverse=True)


def test_planes_can_be_sawn(ranking: Ranking) -> None:
    """Whole degrees and whole steps of 5 mm, and near the exact plane (0.71 deg, derived, and a step)."""
    for answer in ranking.answers:
        assert answer.plane.offset_mm % 5.0 == pytest.approx(0.0, abs=1e-9)
        angles = np.degrees(np.arctan(np.array(answer.plane.normal) / np.abs(answer.plane.normal).max()))
        assert np.abs(angles - np.round(angles)).max() < 1e-9
        off = math.degrees(math.acos(min(abs(float(answer.plane.array() @ answer.found.array())), 1.0)))
        assert off <= 0.71 + math.sqrt(2.0)


def test_the_front_is_the_front(ranking: Ranking) -> None:
    marked = [answer.on_front for answer in ranking.answers]
    true = on_front([answer.measures for answer in ranking.answers])
    for answer, mark, is_on in zip(ranking.answers, marked, true, strict=True):
        assert is_on or not mark, answer.number


def test_undercuts_are_those_of_the_cut_halves(figure: Pattern, ranking: Ranking) -> None:
    """Second way: cut again at the finer cells of a plan; volumes do not depend on the cell."""
    for answer in ranking.shown:
        halves = cut(figure, answer.plane)
        exact = sum(half.undercut.volume_mm3 for half in halves)
        assert answer.measures.undercut_mm3 == pytest.approx(exact, rel=1e-9, abs=1e-9 * figure.volume_mm3)
        assert answer.measures.locked_mm3 <= exact * 1.01 + 1e-5 * figure.volume_mm3


def test_the_worst_is_no_better(ranking: Ranking) -> None:
    for answer in ranking.shown:
        assert answer.worst is not None
        assert answer.worst.undercut_mm3 >= answer.measures.undercut_mm3
        assert answer.worst.rubber_kg >= answer.measures.rubber_kg
        off = math.degrees(math.acos(min(abs(float(answer.plane.array() @ answer.worst.plane.array())), 1.0)))
        assert off <= 1.0 + 1e-6
        assert abs(answer.worst.plane.offset_mm - answer.plane.offset_mm) <= 5.0 + 1e-9


def test_praise_is_true(ranking: Ranking) -> None:
    """What a sentence says an answer is best in, it is best in among those shown."""
    praised = 0
    for answer in ranking.shown:
        for criterion in CRITERIA:
            if answer.sentence.startswith("Good for") and criterion.best in answer.sentence.split(";")[0]:
                praised += 1
                values = [criterion.value(other.measures) for other in ranking.shown]
                assert criterion.value(answer.measures) == min(values)
    assert praised >= 1


def test_the_document_fits_its_schema(ranking: Ranking) -> None:
    jsonschema.Draft202012Validator.check_schema(ranking_schema())
    document = json.loads(json.dumps(ranking_document(ranking), allow_nan=False))
    jsonschema.validate(document, ranking_schema())


def test_an_upright_seam_stands_upright(figure: Pattern) -> None:
    found = rank_splits(figure, SETTINGS, wishes=Wishes(seam_upright=True), top=2)
    for answer in found.answers:
        assert not answer.broken
        assert answer.plane.normal[2] == 0.0


def test_a_pull_is_kept(figure: Pattern) -> None:
    wishes = Wishes(pull=(0.0, 0.0, 1.0), pull_called="up", within_deg=10.0)
    found = rank_splits(figure, SETTINGS, wishes=wishes, top=2)
    for answer in found.answers:
        assert math.degrees(math.acos(abs(answer.plane.normal[2]))) <= 10.0 + 1e-9


def test_wishes_that_contradict_name_the_one_in_the_way(figure: Pattern) -> None:
    wishes = Wishes(seam_upright=True, pull=(0.0, 0.0, 1.0), pull_called="up", within_deg=10.0)
    found = rank_splits(figure, SETTINGS, wishes=wishes, top=1)
    answer = found.answers[0]
    assert len(answer.broken) == 1
    lean = math.degrees(math.acos(abs(answer.plane.normal[2])))
    assert 8.0 <= lean <= 10.0 + 1e-9  # as near to upright as the pull allows, to a whole degree or two
    texts = [finding.advice for finding in found.findings if finding.code == "wish-not-met"]
    assert len(texts) == 1
    assert "upright" in texts[0]


def test_a_wish_for_light_halves_is_told_apart(figure: Pattern) -> None:
    found = rank_splits(figure, SETTINGS, wishes=Wishes(heaviest_half_kg=1.0), top=1)
    assert any(finding.code == "wish-not-met" for finding in found.findings)
    assert found.answers[0].broken[0].unit == "kg"


# --- the command ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rank the figure once, from a file, without drawings."""
    folder = tmp_path_factory.mktemp("shop")
    path = write_mesh(folder / "bust.stl", bust())
    result = run("split", path, "--height", "900 mm", "--front", "-y", "--up", "+z", "--only", "none",
                 "--out", folder / "bust-split", "--top", "3", "--quiet")  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "Answer 1" in result.stdout
    assert "--answer 1 --from" in result.stdout
    return folder


def document(folder: Path) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((folder / "split.json").read_text(encoding="utf-8"))
    jsonschema.validate(loaded, ranking_schema())
    return loaded


def test_split_writes_the_ranking(made: Path) -> None:
    held = document(made / "bust-split")
    assert held["search"]["directions_tried"] >= 321
    assert held["search"]["cover_deg"] > 0.0
    assert len([answer for answer in held["answers"] if answer["shown"]]) == 3


def test_a_plan_takes_up_an_answer(made: Path) -> None:
    second = document(made / "bust-split")["answers"][1]
    out = made / "bust-plan"
    result = run("plan", made / "bust.stl", "--answer", "2", "--from", made / "bust-split", "--only", "none",
                 "--out", out, "--quiet")  # fmt: skip
    assert result.exit_code in {0, 3}, result.stderr
    split = json.loads((out / "plan.json").read_text(encoding="utf-8"))["split"]
    assert split["chosen_by"] == "answer"
    assert split["normal"] == second["normal"]
    assert split["offset_mm"] == second["offset_mm"]
    assert split["undercut_l"] == pytest.approx(second["measures"]["undercut_l"], rel=1e-9)


def refused(made: Path, *words: str | Path) -> str:
    """Ask for a plan that must be refused in one line, with nothing written."""
    before = sorted(made.rglob("*"))
    result = run("plan", *words, "--only", "none", "--out", made / "never", "--quiet")
    assert result.exit_code == 1
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert "fault in moldplan" not in result.stderr
    assert sorted(made.rglob("*")) == before
    return result.stderr


def test_an_answer_of_another_figure_is_refused(made: Path, tmp_path: Path) -> None:
    ranked, path = made / "bust-split", made / "bust.stl"
    assert "was made for a figure 900.0 mm" in refused(
        made, path, "--answer", "1", "--from", ranked, "--height", "1 m"
    )
    other = write_mesh(tmp_path / "ball.stl", zoo.sphere(300.0, 2))
    assert "another pattern" in refused(made, other, "--answer", "1", "--from", ranked)
    assert "+z up and -y in front" in refused(made, path, "--answer", "1", "--from", ranked, "--front", "+x")


def test_answers_that_do_not_exist(made: Path) -> None:
    ranked, path = made / "bust-split", made / "bust.stl"
    assert "has no answer 99" in refused(made, path, "--answer", "99", "--from", ranked)
    assert "there is no ranking" in refused(made, path, "--answer", "1", "--from", made)
    assert "--from FOLDER" in refused(made, path, "--answer", "1")
    assert "--answer 1" in refused(made, path, "--from", ranked)
    assert "give one of them" in refused(made, path, "--answer", "1", "--from", ranked, "--cut", "0,1,0@0")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda held: held.update(moldplan="0.0.1"), "was made by moldplan 0.0.1"),
        (lambda held: held.update(answers="none"), "is no ranking"),
        (lambda held: held["answers"][0].pop("normal"), "is no ranking"),
        (lambda held: held.pop("pattern"), "is no ranking"),
    ],
    ids=["version", "answers", "normal", "pattern"],
)
def test_a_ranking_that_was_changed(made: Path, tmp_path: Path, change: Any, said: str) -> None:
    shutil.copytree(made / "bust-split", tmp_path / "r")
    held = json.loads((tmp_path / "r" / "split.json").read_text(encoding="utf-8"))
    change(held)
    (tmp_path / "r" / "split.json").write_text(json.dumps(held), encoding="utf-8")
    assert said in refused(made, made / "bust.stl", "--answer", "1", "--from", tmp_path / "r")


def test_a_broken_ranking(made: Path, tmp_path: Path) -> None:
    (tmp_path / "split.json").write_bytes(b"{ \xff")
    assert "cannot be read" in refused(made, made / "bust.stl", "--answer", "1", "--from", tmp_path)


def test_a_folder_of_patterns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One broken file keeps nothing from being done for the others, and is named."""
    monkeypatch.chdir(tmp_path)
    write_mesh(tmp_path / "in" / "bust.stl", bust())
    write_mesh(tmp_path / "in" / "frustum.ply", zoo.frustum(200.0, 120.0, 300.0))
    (tmp_path / "in" / "broken.obj").write_text("v 1 2\n", encoding="utf-8")
    (tmp_path / "in" / "notes.txt").write_text("not a mesh", encoding="utf-8")
    result = run("split", "in", "--height", "900 mm", "--only", "none", "--top", "1", "--quiet")
    assert result.exit_code == 1
    assert "broken.obj" in result.stderr
    assert "1 of 3 patterns" in result.stderr
    assert result.stdout.count("\n") == 2
    for name in ("bust", "frustum"):
        assert document(tmp_path / "in-split" / name)["pattern"]["name"] == name


def test_an_empty_folder(tmp_path: Path) -> None:
    result = run("split", tmp_path, "--height", "1 m")
    assert result.exit_code == 1
    assert "holds no mesh file" in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--top", "0"), "--top 0"),
        (("--top", "9"), "--top 9"),
        (("--pull", "sideways"), "sideways"),
        (("--pull", "front", "--within", "10"), "unit"),
        (("--heaviest-half", "40"), "unit"),
        (("--largest-board", "big"), "big"),
        (("--cluster", "somewhere"), "somewhere"),
    ],
)
def test_bad_options(made: Path, tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    result = run(
        "split", made / "bust.stl", "--height", "900 mm", "--out", tmp_path / "out", "--quiet", *words
    )
    assert result.exit_code == 1
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_dry_run_writes_nothing(made: Path, tmp_path: Path) -> None:
    result = run(
        "split", made / "bust.stl", "--height", "900 mm", "--out", tmp_path / "out", "--dry-run", "-q"
    )
    assert result.exit_code == 0
    assert "nothing" in result.stdout
    assert not (tmp_path / "out").exists()


def test_a_job_folder_keeps_its_ranking(made: Path, tmp_path: Path) -> None:
    run("job", "new", tmp_path / "job")
    shutil.copy(made / "bust.stl", tmp_path / "job" / "bust.stl")
    (tmp_path / "job" / "job.toml").write_text(
        'pattern = "bust.stl"\nheight = "900 mm"\nfront = "-y"\n\n[wishes]\nseam_upright = true\n',
        encoding="utf-8",
    )
    result = run("split", "--job", tmp_path / "job", "--only", "none", "--top", "1", "--quiet")
    assert result.exit_code == 0, result.stderr
    held = document(tmp_path / "job" / "split")
    assert held["wishes"]["seam_upright"] is True
    assert held["answers"][0]["normal"][2] == 0.0
    ranked = tmp_path / "job" / "split"
    result = run("plan", "--job", tmp_path / "job", "--answer", "1", "--from", ranked, "--only", "none", "-q")
    assert result.exit_code in {0, 3}, result.stderr
    assert (tmp_path / "job" / "r001" / "plan.json").is_file()


def test_schema_of_the_ranking() -> None:
    result = run("schema", "split")
    assert json.loads(result.stdout) == ranking_schema()
