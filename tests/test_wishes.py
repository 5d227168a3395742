"""What a shop wishes of the split: read from the job file and the command line, held against measures."""

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import zoo
import zoo_files
from hypothesis import given
from hypothesis import strategies as st

from moldplan.choice.model import Broken, HalfMeasures, Measures, Patch, Seam, Wishes
from moldplan.choice.wishes import broken_wishes, read_wishes, wish_findings
from moldplan.errors import SettingError, UnitError
from moldplan.job import Job, read_job
from moldplan.mould.bands import Stretch
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import AXES, Axis, Pattern, axis_vector

FIGURE = pattern_from_arrays(*zoo.sphere(500.0, 3), up="+z", front="-y")


def job_of(folder: Path, text: str) -> Job:
    """Read a job file with this text."""
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return read_job(folder)


def read(
    job: Job | None = None, pattern: Pattern = FIGURE, margin_mm: float = 25.0, **given_: object
) -> Wishes:
    """Read wishes."""
    return read_wishes(job, pattern=pattern, margin_mm=margin_mm, **given_)  # type: ignore[arg-type]


# --- read -------------------------------------------------------------------------------------------------


def test_nothing_said_is_nothing_wished(tmp_path: Path) -> None:
    assert read() == Wishes()
    assert read(job_of(tmp_path, 'title = "Owl"')) == Wishes()


WISHED = """\
[wishes]
seam_upright = true
pull = "left"
within = "20 deg"
largest_board = "2 m x 1 m"
heaviest_half = "40 kg"
"""


def test_the_command_line_goes_before_the_job_file(tmp_path: Path) -> None:
    job = job_of(tmp_path, WISHED)
    written = Wishes(
        seam_upright=True, pull=(1.0, 0.0, 0.0), pull_called="left", within_deg=20.0,
        largest_board_mm=(2000.0, 1000.0), heaviest_half_kg=40.0,
    )  # fmt: skip
    assert read(job) == written
    over = read(
        job,
        seam_upright=False,
        pull="0,0,2",
        within="5 deg",
        largest_board="4 ft x 8 ft",
        heaviest_half="900 g",
    )
    assert over == Wishes(
        seam_upright=False, pull=(0.0, 0.0, 1.0), pull_called="0,0,2", within_deg=5.0,
        largest_board_mm=pytest.approx((2438.4, 1219.2)), heaviest_half_kg=pytest.approx(0.9),
    )  # fmt: skip
    assert read(job, pull="up").within_deg == 20.0
    assert read(job, within="3 deg").pull_called == "left"
    assert read(pull="up").within_deg == 10.0


@pytest.mark.parametrize(("up", "front"), [(u, f) for u, f in itertools.product(AXES, AXES) if u[1] != f[1]])
def test_pull_words_are_the_figures_own_sides(up: Axis, front: Axis) -> None:
    pattern = pattern_from_arrays(*zoo.box(400.0, 300.0, 200.0), up=up, front=front)

    def pull(word: str) -> list[float]:
        return list(read(pattern=pattern, pull=word).pull or ())

    u, f = axis_vector(up), axis_vector(front)
    # one who looks along f, standing along u, has the left hand at u x f (right-hand rule)
    for word, other, expected in (("front", "back", f), ("left", "right", np.cross(u, f)), ("up", "down", u)):
        assert pull(word) == expected.tolist()
        assert pull(other) == (0.0 - expected).tolist()
        assert all(math.copysign(1.0, part) == 1.0 or part for part in (*pull(word), *pull(other)))


def test_left_is_the_figures_left_not_the_viewers() -> None:
    # a figure along +z that looks along -y has its left hand at +x: at the right of one who looks at it
    assert read(pull="left").pull == (1.0, 0.0, 0.0)


MISTAKES = [
    (
        {"pull": "frnt"},
        SettingError,
        r"^--pull 'frnt' is no direction: did you mean front\? Or give three numbers",
    ),
    ({"pull": "0,0,0"}, SettingError, r"^--pull '0,0,0' points nowhere"),
    ({"pull": "1,2"}, SettingError, r"^--pull '1,2' is not three numbers"),
    ({"pull": "up", "within": "10"}, UnitError, r"^--within 10 carries no unit: write 10 deg or 10 rad"),
    ({"pull": "up", "within": "100 deg"}, SettingError, r"^--within is 100 deg, allowed is 0 to 90 deg"),
    (
        {"within": "5 deg"},
        SettingError,
        r"^within 5 deg says how far a pull may be off, and no pull is given: add",
    ),
    ({"largest_board": "2 m"}, SettingError, r"^--largest-board '2 m' is not two lengths: write it like"),
    ({"largest_board": "2 x 1"}, UnitError, r"^--largest-board 2 carries no unit"),
    ({"heaviest_half": "40"}, UnitError, r"^--heaviest-half 40 carries no unit: write 40 kg or 40 g"),
    (
        {"heaviest_half": "-1 kg"},
        SettingError,
        r"^--heaviest-half '-1 kg' is not above zero: write a mass like",
    ),
]


@pytest.mark.parametrize(("given_", "kind", "message"), MISTAKES)
def test_a_mistaken_option_is_told(given_: dict[str, str], kind: type[Exception], message: str) -> None:
    with pytest.raises(kind, match=message) as raised:
        read(**given_)
    assert "\n" not in str(raised.value)


# --- patches of the job file ------------------------------------------------------------------------------

PATCHES = """\
pattern = "ball.ply"

[[keep_clean]]
name = "face"
box = ["-150,-600,-150", "150,-400,150 mm"]

[[keep_clean]]
name = "crown"
line = ["250,0,433", "0,250,433", "-250,0,433", "0,-250,433"]

[[keep_clean]]
name = "crest"
marked = "soft"

[[keep_clean]]
name = "beak"
colour = "#00ff00"
file = "painted.ply"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Job folder with a ball in numbers of its own whose back is marked soft, and a copy painted below."""
    mesh = zoo.moved(zoo.sphere(2.0, 3), (10.0, -7.0, 3.0))
    back, below = mesh[0][:, 1] > -5.5, mesh[0][:, 2] < 1.5
    _write(tmp_path / "ball.ply", mesh, "property uchar soft", [f"{int(mark)}" for mark in back])
    paint = "property uchar red\nproperty uchar green\nproperty uchar blue"
    _write(tmp_path / "painted.ply", mesh, paint, ["5 250 0" if mark else "255 255 255" for mark in below])
    return tmp_path


def _write(path: Path, mesh: zoo.Mesh, properties: str, values: list[str]) -> None:
    """Write an ASCII PLY with further properties of its vertices."""
    lines = zoo_files.write_ply_text(path, mesh).read_text().splitlines()
    start = lines.index("end_header") + 1
    for number, value in enumerate(values):
        lines[start + number] += f" {value}"
    lines.insert(lines.index("property double z") + 1, properties)
    path.write_text("\n".join(lines) + "\n")


def ball(folder: Path) -> Pattern:
    return load_pattern(folder / "ball.ply", height_mm=1000.0)


def test_patches_are_found_as_the_job_file_says(folder: Path) -> None:
    pattern = ball(folder)
    wishes = read(job_of(folder, PATCHES), pattern)
    x, y, z = pattern.vertices.T
    face, crown, crest, beak = wishes.keep_clean
    assert [patch.name for patch in wishes.keep_clean] == ["face", "crown", "crest", "beak"]
    np.testing.assert_array_equal(face.marked, (np.abs(x) <= 150) & (y <= -400) & (np.abs(z) <= 150))
    assert (face.low_mm, face.high_mm) == ((-150.0, -600.0, -150.0), (150.0, -400.0, 150.0))
    assert crown.marked[z > 480.0].all()
    assert not crown.marked[z < 350.0].any()
    np.testing.assert_array_equal(crest.marked, y > 375.0)  # 250 mm to each number of the file (derived)
    np.testing.assert_array_equal(beak.marked, z < -375.0)
    for patch in wishes.keep_clean:
        assert 3 <= len(patch.points_mm) < 100_000
        assert float(np.linalg.norm(patch.points_mm, axis=1).max()) <= 500.0 + 1e-6


@pytest.mark.parametrize("margin_mm", [0.0, 1.0, 25.0, 200.0])
def test_the_margin_sets_how_dense_points_lie(folder: Path, margin_mm: float) -> None:
    job = job_of(folder, PATCHES.partition('[[keep_clean]]\nname = "crown"')[0])
    patch = read(job, ball(folder), margin_mm).keep_clean[0]
    spread_mm = np.ptp(patch.points_mm, axis=0)
    assert spread_mm[0] == pytest.approx(300.0, abs=1e-6)
    area = 300.0 * 300.0
    assert len(patch.points_mm) >= area / max(margin_mm, 3.0 * 17.4) ** 2 * 9.0  # at most a third apart
    assert len(patch.points_mm) < 1_000_000


MISTAKEN_PATCHES = [
    ('"150,-400,150 mm"', '"150,-550,150"', r"line 3: keep_clean 'face': the figure's surface does not pass"),
    # derived: the root of 250^2 + 733^2 less the radius, and some mm that a flat triangle lies deeper
    (
        '"250,0,433"',
        '"250,0,733"',
        r"line 7: keep_clean 'crown': point 1 of the line lies 27[4-7](\.\d)? mm off",
    ),
    ('"soft"', '"hard"', r"line 11: keep_clean 'crest': ball\.ply: its vertices have no property 'hard'"),
    ('"#00ff00"', '"#0000ff"', r"line 15: keep_clean 'beak': no vertex of painted\.ply is marked as #0000ff"),
    ('"painted.ply"', '"lost.ply"', r"line 15: keep_clean 'beak': .*lost\.ply: No such file"),
    ('"painted.ply"', '"job.toml"', r"line 15: keep_clean 'beak': job\.toml: this is no PLY"),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKEN_PATCHES)
def test_a_patch_that_is_not_found_is_told_with_its_line(
    folder: Path, old: str, new: str, message: str
) -> None:
    assert old in PATCHES
    job = job_of(folder, PATCHES.replace(old, new))
    with pytest.raises(SettingError, match=rf"^job\.toml, {message}") as raised:
        read(job, ball(folder))
    assert "\n" not in str(raised.value)


def test_a_pattern_that_is_no_ply_carries_no_marks(folder: Path) -> None:
    zoo_files.write_stl(folder / "ball.stl", zoo.sphere(2.0, 3))
    pattern = load_pattern(folder / "ball.stl", height_mm=1000.0)
    message = (
        r"line 11: keep_clean 'crest': marks are read from a PLY, and the pattern is ball\.stl: add file = "
    )
    with pytest.raises(SettingError, match=message):
        read(job_of(folder, PATCHES), pattern)


# --- held against measures --------------------------------------------------------------------------------


def half(name: str, size: tuple[float, float] = (900.0, 1200.0), turning_kg: float = 25.0) -> HalfMeasures:
    """One half's measures; only boards and what is turned over matter here."""
    return HalfMeasures(
        name="A" if name == "A" else "B", called="FRONT", volume_mm3=1e7, height_mm=300.0, undercut_mm3=1e6,
        deepest_undercut_mm=100.0, loops=0, pieces=1, tunnels=0, rubber_mm3=1e7, rubber_kg=12.0,
        peel=Stretch(strain=0.2, place_mm=None), coating_mm=(size[0] - 100.0, size[1] - 100.0),
        jacketing_mm=size, sheets=1, jacket_kg=10.0, turning_kg=turning_kg, tips_deg=30.0,
    )  # fmt: skip


def measures(*halves: HalfMeasures, clean: tuple[tuple[str, float], ...] = ()) -> Measures:
    """Measures of one plane."""
    first, second = halves or (half("A"), half("B"))
    seam = Seam(
        length_mm=4000.0, front_mm=0.0, clean_mm=sum(mm for _, mm in clean), near_mm=50.0, clean_of=clean
    )
    return Measures(
        undercut_mm3=2e6, locked_mm3=1e6, rubber_kg=24.0, skin_kg=10.0, fill_kg=14.0, rubber_cost=1.0,
        fill_cost=1.0, seam=seam, halves=(first, second),
    )  # fmt: skip


def broken(
    wishes: Wishes, normal: tuple[float, float, float] = (0.0, -1.0, 0.0), of: Measures | None = None
) -> tuple[Broken, ...]:
    """Hold wishes against a plane."""
    return broken_wishes(wishes, normal=normal, measures=of or measures(), pattern=FIGURE, margin_mm=25.0)


def leaning(lean_deg: float, turn_deg: float = 0.0) -> tuple[float, float, float]:
    """Return a normal that leans up from level by `lean_deg`, turned about the up axis."""
    lean, turn = math.radians(lean_deg), math.radians(turn_deg)
    level = math.cos(lean)
    return level * math.sin(turn), -level * math.cos(turn), math.sin(lean)


def clean(name: str) -> Patch:
    """Return a patch; what lies in it does not matter here."""
    return Patch(name=name, marked=np.zeros(1, dtype=bool), points_mm=np.zeros((1, 3)))


def test_no_wish_is_ever_broken_when_nothing_is_wished() -> None:
    assert broken(Wishes(), leaning(33.0), measures(clean=(("face", 10.0),))) == ()


angles = st.floats(-89.0, 89.0)


@given(angles, st.floats(-180.0, 180.0), st.booleans())
def test_an_upright_seam_has_a_level_normal(lean_deg: float, turn_deg: float, opposite: bool) -> None:  # noqa: FBT001 - drawn by hypothesis
    x, y, z = leaning(lean_deg, turn_deg)
    found = broken(Wishes(seam_upright=True), (-x, -y, -z) if opposite else (x, y, z))
    if abs(lean_deg) <= 0.499:
        assert found == ()
    elif abs(lean_deg) >= 0.501:
        (item,) = found
        assert item.value == pytest.approx(abs(lean_deg), abs=1e-6)
        assert (item.wish, item.limit, item.unit, item.in_the_way) == ("seam upright", 0.0, "deg", "")
        assert item.share == pytest.approx(abs(lean_deg) / 90.0, abs=1e-8)


@given(angles, st.floats(-89.0, 89.0), st.floats(0.0, 60.0), st.booleans())
def test_a_pull_is_held_within_its_angle(
    lean_deg: float,
    turn_deg: float,
    within_deg: float,
    opposite: bool,  # noqa: FBT001 - drawn by hypothesis
) -> None:
    x, y, z = leaning(lean_deg, turn_deg)
    wishes = Wishes(pull=(0.0, -1.0, 0.0), pull_called="front", within_deg=within_deg)
    found = broken(wishes, (-x, -y, -z) if opposite else (x, y, z))
    # spherical right triangle (standard): the cosines of its two sides multiply
    off_deg = math.degrees(math.acos(math.cos(math.radians(lean_deg)) * math.cos(math.radians(turn_deg))))
    if off_deg < within_deg - 1e-5:
        assert found == ()
    elif off_deg > within_deg + 1e-5:
        (item,) = found
        assert item.wish == f"pull front within {within_deg:g} deg"
        assert item.value == pytest.approx(off_deg, abs=1e-5)
        assert (item.limit, item.unit, item.in_the_way) == (within_deg, "deg", "")
        assert item.share == pytest.approx((off_deg - within_deg) / 90.0, abs=1e-6)


def test_wishes_that_contradict_each_other_name_each_other() -> None:
    wishes = Wishes(seam_upright=True, pull=(0.0, 0.0, 1.0), pull_called="up", within_deg=10.0)
    (item,) = broken(wishes, leaning(80.0))
    assert (item.wish, item.in_the_way) == ("seam upright", "pull up within 10 deg")
    (item,) = broken(wishes, leaning(0.0))
    assert (item.wish, item.in_the_way) == ("pull up within 10 deg", "seam upright")
    # a pull that leans less than it may be off contradicts nothing
    x, y, z = leaning(5.0)
    wishes = Wishes(seam_upright=True, pull=(x, y, z), pull_called="slanting", within_deg=10.0)
    assert broken(wishes, leaning(0.0)) == ()
    assert [item.in_the_way for item in broken(wishes, leaning(20.0))] == ["", ""]


@pytest.mark.parametrize(
    ("sizes", "expected"),
    [
        (((900.0, 1200.0), (900.0, 1200.0)), None),
        (((2440.0, 1220.0), (1220.0, 2440.0)), None),  # either way round, to the last mm
        (((1300.0, 900.0), (1300.0, 1300.0)), (1300.0, 1220.0)),
        (((2500.0, 900.0), (100.0, 100.0)), (2500.0, 2440.0)),
        (((2500.0, 1830.0), (100.0, 100.0)), (1830.0, 1220.0)),  # half over on the short side is worse
        (((100.0, 2440.0), (1221.0, 1221.0)), (1221.0, 1220.0)),  # each board has to fit, not their middle
    ],
)
def test_boards_fit_either_way_round(
    sizes: tuple[tuple[float, float], tuple[float, float]], expected: tuple[float, float] | None
) -> None:
    of = measures(half("A", sizes[0]), half("B", sizes[1]))
    found = broken(Wishes(largest_board_mm=(2440.0, 1220.0)), of=of)
    if expected is None:
        assert found == ()
    else:
        (item,) = found
        assert (item.value, item.limit, item.unit) == (*expected, "mm")
        assert item.share == pytest.approx(expected[0] / expected[1] - 1.0)
        assert item.wish == "largest board 2440 mm x 1220 mm"


def test_the_heavier_half_counts() -> None:
    of = measures(half("A", turning_kg=30.0), half("B", turning_kg=50.0))
    (item,) = broken(Wishes(heaviest_half_kg=40.0), of=of)
    assert (item.wish, item.value, item.limit, item.unit) == ("heaviest half 40 kg", 50.0, 40.0, "kg")
    assert item.share == pytest.approx(0.25)
    # halves alike would do, so nothing is said of them
    assert item.near == "turning its heavier half moves 50.0 kg; plan a hoist or more hands"
    (item,) = broken(Wishes(heaviest_half_kg=39.0), of=of)
    assert "moves 50.0 kg, and halves alike would move about 40.0 kg each; plan" in item.near
    assert broken(Wishes(heaviest_half_kg=50.0), of=of) == ()


def test_each_patch_the_seam_runs_through_is_broken() -> None:
    wishes = Wishes(keep_clean=(clean("face"), clean("crest"), clean("beak")))
    found = broken(wishes, of=measures(clean=(("beak", 400.0), ("face", 80.0))))
    assert [(item.wish, item.value, item.limit, item.unit) for item in found] == [
        ('keep clean "face"', 80.0, 0.0, "mm"),
        ('keep clean "beak"', 400.0, 0.0, "mm"),
    ]
    assert [item.share for item in found] == pytest.approx([0.02, 0.1])  # of a seam of 4000 mm
    assert broken(wishes) == ()


def test_findings_name_the_wish_and_how_near_the_best_answer_gets() -> None:
    wishes = Wishes(
        seam_upright=True, pull=(0.0, 0.0, 1.0), pull_called="up", within_deg=10.0,
        largest_board_mm=(1000.0, 800.0), heaviest_half_kg=20.0, keep_clean=(clean("face"),),
    )  # fmt: skip
    items = broken(wishes, leaning(80.0), measures(clean=(("face", 80.0),)))
    findings = wish_findings(items)
    assert {(finding.code, finding.severity, finding.stage) for finding in findings} == {
        ("wish-not-met", "check", "split")
    }
    assert [(f.value, f.limit, f.unit) for f in findings] == [(b.value, b.limit, b.unit) for b in items]
    none = "no split was found that holds"
    near = "answer 1 comes nearest:"
    rest = f"and all else that is wished: {near}"
    upright, board, heavy, face = (finding.advice for finding in findings)
    assert upright == (
        f"pull up within 10 deg stood in the way of seam upright: {near} it leans 80.0 deg from upright; "
        "give up one of the two"
    )
    assert board == (
        f"{none} largest board 1000 mm x 800 mm {rest} its largest board is 1200 mm where 1000 mm were "
        "wished; take a board that large, or part the figure further"
    )
    assert heavy == (
        f"{none} heaviest half 20 kg {rest} turning its heavier half moves 25.0 kg, and halves alike would "
        "move about 25.0 kg each; plan a hoist or more hands"
    )
    assert face == (
        f'{none} keep clean "face" {rest} 80 mm of its seam run through there; dress the cast there, or make '
        "the patch smaller"
    )
    assert wish_findings(()) == []
