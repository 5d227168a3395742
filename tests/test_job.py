"""The job file: a template that says everything, what is read from it, and what is said about mistakes."""

import re
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from moldplan.cards import DEFAULT_CARDS, KINDS, copy_card, known_keys, resolve_settings
from moldplan.errors import OutputError, SettingError
from moldplan.job import JOB_FILE, new_job, read_job
from moldplan.wishfile import WAYS, WISHES, CleanFields, WishFields, parse_board_mm, parse_pull

FULL = """\
title = "Owl on books"
pattern = "meshes/owl with spaces.stl"
height = "1,5 m"
up = "+z"
front = "-y"
cut = "0,1,0@12.5"

[cards]
rubber = "silicone-condensation"

[set.mould]
skin_mm = "9 mm"

[set.rubber]
thick_coat_mm = "2.5 mm"
cure = "addition"

[set.crew]
people = 3
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    """Return a function that writes a job file and returns its folder."""

    def _write(text: str) -> Path:
        folder = tmp_path / "Aufträge 2"
        folder.mkdir(exist_ok=True)
        (folder / JOB_FILE).write_text(text, encoding="utf-8")
        return folder

    return _write


def in_use(template: str) -> str:
    """Take the comment mark from every line of a template that gives a value or begins a patch."""
    return re.sub(r"^# (\w+ = |\[\[)", r"\1", template, flags=re.MULTILINE)


def test_a_new_job_sets_nothing(tmp_path: Path) -> None:
    file = new_job(tmp_path / "owl")
    assert file == tmp_path / "owl" / "job.toml"
    job = read_job(tmp_path / "owl")
    assert (job.title, job.pattern, job.height, job.up, job.front, job.cut) == (None,) * 6
    assert job.card_choices == ()
    assert job.overrides == ()
    assert job.wishes == WishFields()
    assert resolve_settings(job=job) == resolve_settings()


def test_the_template_explains_every_field_and_setting_once(tmp_path: Path) -> None:
    text = new_job(tmp_path).read_text(encoding="utf-8")
    commented = re.findall(r"^# (\w+) = ", text, flags=re.MULTILINE)
    settings = [key for kind in KINDS for key in known_keys(kind)]
    wishes = ["seam_upright", "pull", "within", "largest_board", "heaviest_half"]
    patches = ["name", "box", "name", "line", "name", "marked", "file", "name", "colour"]
    assert commented == [
        *("title", "pattern", "height", "up", "front", "cut"), *KINDS, *wishes, *patches, *settings,
    ]  # fmt: skip
    assert list(WISHES) == wishes
    assert {*WAYS, "name", "file"} == set(patches)


def test_the_template_put_to_use_says_what_the_built_in_cards_say(tmp_path: Path) -> None:
    file = new_job(tmp_path)
    file.write_text(in_use(file.read_text(encoding="utf-8")), encoding="utf-8")
    job = read_job(file)
    assert {choice.kind: choice.name for choice in job.card_choices} == dict(DEFAULT_CARDS)
    settings, built_in = resolve_settings(job=job), resolve_settings()
    assert len(job.overrides) == len(settings) == len(built_in)
    lines = file.read_text(encoding="utf-8").splitlines()
    for name, setting in settings.items():
        value = built_in[name].value
        assert setting.value == (value if isinstance(value, str) else pytest.approx(value, rel=1e-8))
        line = int(setting.origin.removeprefix("job file job.toml, line "))
        assert lines[line - 1].startswith(f"{name.partition('.')[2]} = ")


def test_the_template_put_to_use_wishes_what_it_explains(tmp_path: Path) -> None:
    file = new_job(tmp_path)
    file.write_text(in_use(file.read_text(encoding="utf-8")), encoding="utf-8")
    wishes = read_job(file).wishes
    assert wishes.seam_upright is True
    assert (wishes.pull, wishes.within_deg) == ("front", 10.0)
    assert (wishes.largest_board_mm, wishes.heaviest_half_kg) == ((2440.0, 1220.0), 40.0)
    face, crest, lettering, beak = wishes.keep_clean
    assert (face.name, crest.name, lettering.name, beak.name) == ("face", "crest", "lettering", "beak")
    assert face.box_mm == ((-120.0, -300.0, 250.0), (120.0, -100.0, 600.0))
    assert crest.line_mm is not None
    assert crest.line_mm[1] == (60.0, -200.0, 430.0)
    assert (lettering.marked, lettering.file) == ("keep_clean", Path("painted.ply"))
    assert (beak.colour, beak.file) == ((255, 0, 0), None)


def test_a_job_file_is_never_overwritten(tmp_path: Path) -> None:
    file = new_job(tmp_path / "owl")
    file.write_text("title = 'mine'")
    with pytest.raises(OutputError, match=r"job\.toml: is already there and is not overwritten"):
        new_job(tmp_path / "owl")
    assert file.read_text() == "title = 'mine'"


def test_a_job_folder_cannot_be_a_file(tmp_path: Path) -> None:
    (tmp_path / "owl").write_text("a file")
    with pytest.raises(OutputError, match=r"owl: no such folder can be made: is a file: choose another"):
        new_job(tmp_path / "owl")


def test_everything_is_read(write: Callable[[str], Path]) -> None:
    folder = write(FULL)
    job = read_job(folder)
    assert job == read_job(folder / JOB_FILE)
    assert job.folder == folder
    assert job.title == "Owl on books"
    assert job.pattern == Path("meshes/owl with spaces.stl")
    assert (job.height, job.up, job.front, job.cut) == ("1,5 m", "+z", "-y", "0,1,0@12.5")
    assert job.height_mm == 1500.0
    assert [(choice.kind, choice.name, choice.where) for choice in job.card_choices] == [
        ("rubber", "silicone-condensation", "job.toml, line 9")
    ]
    assert [(override.name, override.where) for override in job.overrides] == [
        ("mould.skin_mm", "job file job.toml, line 12"),
        ("rubber.thick_coat_mm", "job file job.toml, line 15"),
        ("rubber.cure", "job file job.toml, line 16"),
        ("crew.people", "job file job.toml, line 19"),
    ]
    with pytest.raises(FrozenInstanceError, match="title"):
        job.title = "another"  # type: ignore[misc]


def test_its_values_stand_over_the_cards_it_chose(write: Callable[[str], Path]) -> None:
    settings = resolve_settings(job=read_job(write(FULL)), overrides=["mould.skin_mm=7 mm"])
    assert settings.number("mould.skin_mm") == 7.0
    assert settings.text("rubber.cure") == "addition"
    assert settings["rubber.cure"].origin == "job file job.toml, line 16"
    assert settings["rubber.density_kg_l"].origin.startswith("built-in card silicone-condensation.toml")
    assert settings.number("crew.people") == 3.0


def test_cards_beside_the_job_file_are_its_cards(write: Callable[[str], Path]) -> None:
    folder = write(FULL)
    assert read_job(folder).cards_folder is None
    card = copy_card("clay-wall", folder / "cards")
    card.write_text(card.read_text(encoding="utf-8").replace("value = 20.0", "value = 35.0"))
    job = read_job(folder)
    assert job.cards_folder == folder / "cards"
    moat = resolve_settings(job=job)["clay.moat_width_mm"]
    assert moat.value == 35.0
    assert moat.origin.startswith("shop card clay-wall.toml, line ")


def test_a_job_file_of_any_name(tmp_path: Path) -> None:
    (tmp_path / "owl 2.toml").write_text('height = "5 ft"')
    job = read_job(tmp_path / "owl 2.toml")
    assert job.height_mm == pytest.approx(1524.0, rel=1e-12)
    assert job.folder == tmp_path
    assert job.label == "owl 2.toml"


# Each: a line of the full job file, what stands there instead, what is said. Where a line is named,
# it is the line of the mistake.
MISTAKES = [
    ('height = "1,5 m"', "height = 1500", r"^job\.toml, line 3: height 1500 carries no unit: write 1500 mm"),
    ('height = "1,5 m"', 'height = "1500"', r"^job\.toml, line 3: height 1500 carries no unit"),
    ('height = "1,5 m"', 'height = "0 m"', r"line 3: height '0 m' is not above zero"),
    ('height = "1,5 m"', 'height = "5 kg"', r"line 3: height '5 kg' is of another kind"),
    ('height = "1,5 m"', "height = true", r"line 3: height is True, which is no text"),
    ('height = "1,5 m"', "height = nan", r"line 3: height 'nan' does not begin with a number"),
    ('title = "Owl on books"', "title = 5", r"line 1: title is 5, which is no text: write title = "),
    ('title = "Owl on books"', 'title = ""', r"line 1: title is '', which is no text"),
    (
        'title = "Owl on books"',
        'title = "a\\nb"',
        r"line 1: title is longer than 300 characters or runs over",
    ),
    ('title = "Owl on books"', f'title = "{"x" * 301}"', r"line 1: title is longer than 300 characters"),
    ('up = "+z"', 'up = "top"', r"line 4: up 'top' names no axis: write one of \+x"),
    ('front = "-y"', 'front = "w"', r"line 5: front 'w' names no axis"),
    ('front = "-y"', 'front = "-z"', r"line 5: front '-z' lies along up '\+z': a figure looks across"),
    ('up = "+z"', 'upp = "+z"', r"^job\.toml, line 4: unknown name 'upp' in a job file: did you mean up\?"),
    (
        'up = "+z"',
        'colour = "red"',
        r"line 4: unknown name 'colour' in a job file: known are: title, pattern",
    ),
    ("[set.mould]", "[mould]", r"line 11: unknown name 'mould' in a job file: write \[set\.mould\]"),
    ("[set.mould]", "[set.mold]", r"line 11: there is no kind of card 'mold': did you mean mould\?"),
    ("skin_mm", "skim_mm", r"line 12: \[set\.mould\] has no key 'skim_mm': did you mean skin_mm\?"),
    ("rubber =", "ruber =", r"line 9: there is no kind of card 'ruber': did you mean rubber\?"),
    ('"silicone-condensation"', "3", r"line 9: rubber is 3: write the name of a card, like \"silicone-addi"),
    ("[cards]\nrubber =", "cards =", r"line 8: cards is no table: write \[cards\] on a line of its own"),
    ("[set.mould]\nskin_mm", "[set]\nmould", r"line 12: set\.mould is no table: write \[set\.mould\]"),
    ("people = 3", "people = ", r"^job\.toml, line 19: not valid TOML"),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
def test_a_mistake_is_told_with_its_line(
    old: str, new: str, message: str, write: Callable[[str], Path]
) -> None:
    assert old in FULL
    with pytest.raises(SettingError, match=message) as raised:
        read_job(write(FULL.replace(old, new)))
    assert "\n" not in str(raised.value)


# Values are checked where the cards are known: by `resolve_settings`.
VALUES = [
    ('"9 mm"', "9", r"^job file job\.toml, line 12: skin_mm 9 carries no unit: write 9 mm"),
    ('"9 mm"', '"90 mm"', r"^job file job\.toml, line 12: skin_mm is 90 mm, allowed is 3 to 25 mm"),
    (
        '"9 mm"',
        '"9 l"',
        r"line 12: skin_mm '9 l' is of another kind: its unit must be one of mm, cm, m, in, ft",
    ),
    ('cure = "addition"', 'cure = "slow"', r"line 16: cure is 'slow', allowed are: addition, condensation"),
    ("people = 3", "people = 2.5", r"line 19: people is 2\.5, allowed is a whole number from 1 to 3"),
    ("people = 3", "people = {}", r"line 19: people is \{\}, which is no finite number"),
    ('"silicone-condensation"', '"silicone"', r"^job\.toml, line 9: there is no rubber card 'silicone': did"),
]


@pytest.mark.parametrize(("old", "new", "message"), VALUES)
def test_a_wrong_value_is_told_with_its_line(
    old: str, new: str, message: str, write: Callable[[str], Path]
) -> None:
    job = read_job(write(FULL.replace(old, new)))
    with pytest.raises(SettingError, match=message):
        resolve_settings(job=job)


def test_where_there_is_no_job_it_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"job\.toml: there is no job file: make one with: moldplan job n"):
        read_job(tmp_path)
    with pytest.raises(SettingError, match=r"none\.toml: there is no job file"):
        read_job(tmp_path / "none.toml")


def test_a_set_that_is_no_table(write: Callable[[str], Path]) -> None:
    with pytest.raises(SettingError, match=r"line 1: set is no table: write \[set\] on a line of its own"):
        read_job(write("set = 3"))


# --- wishes -----------------------------------------------------------------------------------------------

WISHED = """\
title = "Owl"

[wishes]
seam_upright = true
pull = "0, 3,4"
within = "0.1 rad"
largest_board = "1220 x 2440 mm"
heaviest_half = "500 g"

[[keep_clean]]
name = "face"
box = ["120, -100,600 mm", "-120,-300,250mm"]

[[keep_clean]]
name = "crest"
line = [
  "0,-220,480",
  "60,-200,430",
  "0,-190,380",
]

[[keep_clean]]
marked = "soft"
name = "lettering"
file = "painted.ply"

[[keep_clean]]
name = "beak"
colour = "#0080FF"
"""


def test_wishes_are_read(write: Callable[[str], Path]) -> None:
    wishes = read_job(write(WISHED)).wishes
    assert wishes == WishFields(
        seam_upright=True, pull="0, 3,4", within_deg=pytest.approx(5.729577951308232, rel=1e-12),
        largest_board_mm=(2440.0, 1220.0), heaviest_half_kg=0.5,
        keep_clean=(
            CleanFields(
                name="face", where="job.toml, line 10",
                box_mm=((-120.0, -300.0, 250.0), (120.0, -100.0, 600.0)),
            ),
            CleanFields(
                name="crest", where="job.toml, line 14",
                line_mm=((0.0, -220.0, 480.0), (60.0, -200.0, 430.0), (0.0, -190.0, 380.0)),
            ),
            CleanFields(
                name="lettering", where="job.toml, line 22", marked="soft", file=Path("painted.ply")
            ),
            CleanFields(name="beak", where="job.toml, line 27", colour=(0, 128, 255)),
        ),
    )  # fmt: skip
    assert read_job(write("[wishes]\nseam_upright = false")).wishes == WishFields(seam_upright=False)


@pytest.mark.parametrize(
    ("text", "board"),
    [
        ("2440 mm x 1220 mm", (2440.0, 1220.0)),
        ("1.22m X 2.44m", (2440.0, 1220.0)),
        ("244 \u00d7 122 cm", (2440.0, 1220.0)),
        ("4 ft x 1220 mm", (1220.0, 1219.2)),
    ],
)
def test_ways_to_write_a_board(text: str, board: tuple[float, float]) -> None:
    assert parse_board_mm(text) == pytest.approx(board, rel=1e-12)


def test_a_pull_in_numbers_has_unit_length() -> None:
    assert parse_pull("0, 3,4") == (0.0, 0.6, 0.8)
    assert parse_pull(" Up ") == "up"


# As MISTAKES, of the job file with wishes.
WISH_MISTAKES = [
    (
        "title =",
        "pull =",
        r"^job\.toml, line 1: unknown name 'pull' in a job file: write it below \[wishes\]",
    ),
    (
        "seam_upright",
        "seam_uprigt",
        r"line 4: unknown name 'seam_uprigt' in \[wishes\]: did you mean seam_upr",
    ),
    ("true", '"yes"', r"line 4: seam_upright is 'yes': write true or false, without quotes"),
    ('"0, 3,4"', '"frnt"', r"line 5: pull 'frnt' is no direction: did you mean front\? Or give three numb"),
    ('"0, 3,4"', '"0,0,0"', r"line 5: pull '0,0,0' points nowhere: give three numbers that are not all 0"),
    ('"0, 3,4"', '"0,1"', r"line 5: pull '0,1' is not three numbers: write x,y,z"),
    ('"0, 3,4"', '"0,1,x"', r"line 5: pull '0,1,x' is not three numbers"),
    ('"0, 3,4"', '"0,1,inf"', r"line 5: pull '0,1,inf' is not three numbers"),
    ('"0, 3,4"', "[0, 1, 0]", r"line 5: pull is \[0, 1, 0\], which is no text: write pull = "),
    ('"0.1 rad"', "10", r"line 6: within 10 carries no unit: write 10 deg or 10 rad"),
    ('"0.1 rad"', '"91 deg"', r"line 6: within is 91 deg, allowed is 0 to 90 deg off the pull"),
    ('"0.1 rad"', '"-1 deg"', r"line 6: within is -1 deg, allowed is 0 to 90 deg"),
    ('"0.1 rad"', "true", r"line 6: within is True, which is no text"),
    ('"1220 x 2440 mm"', '"2440 mm"', r"line 7: largest_board '2440 mm' is not two lengths: write it like"),
    ('"1220 x 2440 mm"', '"1220 x 2440"', r"line 7: largest_board 1220 carries no unit"),
    ('"1220 x 2440 mm"', '"1 m x 0 m"', r"line 7: largest_board '0 m' is not above zero"),
    ('"1220 x 2440 mm"', '"1 m x 2 kg"', r"line 7: largest_board '2 kg' is of another kind"),
    ('"500 g"', '"0 kg"', r"line 8: heaviest_half '0 kg' is not above zero: write a mass like 40 kg"),
    ('"500 g"', '"40"', r"line 8: heaviest_half 40 carries no unit: write 40 kg or 40 g"),
    ('name = "face"', "", r"^job\.toml, line 10: this \[\[keep_clean\]\] has no name: add name = "),
    ('name = "face"', "name = 3", r"line 11: name is 3, which is no text"),
    ('name = "face"', f'name = "{"x" * 41}"', r"line 11: name 'x+' is longer than 40 characters: shorten it"),
    ('name = "crest"', 'name = "face"', r"line 15: two patches are called 'face': give each its own name"),
    (
        'name = "crest"',
        'nam = "crest"',
        r"line 15: unknown name 'nam' in \[\[keep_clean\]\]: did you mean name",
    ),
    ("box = [", "bx = [", r"line 12: unknown name 'bx' in \[\[keep_clean\]\]: did you mean box\?"),
    (
        'colour = "#0080FF"',
        "",
        r"line 27: nothing says where the patch lies: give one of box, line, marked or",
    ),
    ('marked = "soft"', 'marked = "soft"\ncolour = "#ff0000"', r"line 24: marked and colour both say where"),
    ('"120, -100,600 mm"', '"120,-100"', r"line 12: box: place '120,-100' is not three numbers"),
    ('"120, -100,600 mm", ', "", r"line 12: box is not a list of 2 places: write box = \["),
    ('"120, -100,600 mm"', "7", r"line 12: a place of box is 7, which is no text"),
    ("-120,-300,250mm", "120,-300,250", r"line 12: box: both corners have x 120: give two opposite corners"),
    ('  "0,-190,380",\n', "", r"line 16: line is not a list of 3 to 1000 places: write line = \["),
    ('"#0080FF"', '"red"', r"line 29: colour 'red' is no colour: write # and six digits"),
    ('"soft"', "1", r"line 23: marked is 1, which is no text"),
    (
        'colour = "#0080FF"',
        'box = ["0,0,0", "1,1,1"]\nfile = "a.ply"',
        r"line 30: file goes with marked or col",
    ),
    ('"painted.ply"', '""', r"line 25: file is '', which is no text"),
]


@pytest.mark.parametrize(("old", "new", "message"), WISH_MISTAKES)
def test_a_mistaken_wish_is_told_with_its_line(
    old: str, new: str, message: str, write: Callable[[str], Path]
) -> None:
    assert old in WISHED
    with pytest.raises(SettingError, match=message) as raised:
        read_job(write(WISHED.replace(old, new)))
    assert "\n" not in str(raised.value)


def test_patches_have_to_be_a_list_of_tables(write: Callable[[str], Path]) -> None:
    for text in ("keep_clean = 3", "keep_clean = [3]", '[keep_clean]\nname = "face"'):
        with pytest.raises(SettingError, match=r"line 1: keep_clean is no list of tables: write \[\[keep_cl"):
            read_job(write(text))


def test_wishes_have_to_be_a_table(write: Callable[[str], Path]) -> None:
    with pytest.raises(
        SettingError, match=r"line 1: wishes is no table: write \[wishes\] on a line of its own"
    ):
        read_job(write("wishes = 3"))
