"""The comparing sheet and its two plots: nothing overlaps, one scale for all, and drawings that are true."""

import itertools
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely
import zoo
from hypothesis import given, settings
from hypothesis import strategies as st
from ranked import bust_ranking

from moldplan.choice.model import Patch, Ranking, Wishes
from moldplan.findings import Finding
from moldplan.half import cut
from moldplan.mould.model import Softening
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split import Plane
from moldplan.views import draw_comparison
from moldplan.views.comparison import (
    SMALLER_MM,
    best_texts,
    comparison_sheet,
    measure_rows,
    saw_words,
    softened,
)
from moldplan.views.furniture import wrapped
from moldplan.views.globe_map import from_map, globe_sheet, to_map
from moldplan.views.offset_plot import _neighbours, offset_sheet
from moldplan.views.opened import APART, eye_frame, open_figure
from moldplan.views.paper import FRAME, PAPER, Area, Picture, Sheet, Stroke, text_width


def shortened(count: int) -> Ranking:
    """Return the ranking with only so many answers."""
    whole = bust_ranking()
    return replace(whole, answers=whole.shown[:count])


def five() -> Ranking:
    """Return the narrowest columns there are; two answers lie on one place of the map."""
    whole = bust_ranking()
    first = replace(whole.shown[0], kind="skew", number=5)
    return replace(whole, answers=(*whole.shown[:4], first))


def long_names() -> Ranking:
    whole = bust_ranking()
    survey = replace(whole.pattern.survey, file_name="a very long file name " * 12 + ".stl")
    sentence = "Good for the least rubber and everything else that anybody may think of; " * 3
    answers = tuple(replace(answer, sentence=sentence) for answer in whole.shown)
    pattern = replace(whole.pattern, survey=survey, front_given=False)
    return replace(whole, job="Owl on books for the branch foyers " * 8, pattern=pattern, answers=answers)


def with_patch() -> Ranking:
    whole = bust_ranking()
    patch = Patch(name="face", marked=np.zeros(3, dtype=bool), points_mm=np.zeros((1, 3)))
    return replace(whole, wishes=Wishes(keep_clean=(patch,)))


RANKINGS = {
    **{f"{count} answers": (lambda count=count: shortened(count)) for count in (1, 2, 3)},
    "all answers": bust_ranking,
    "five answers": five,
    "long names": long_names,
    "a patch": with_patch,
}
SHEETS = {"comparison": comparison_sheet, "offset": offset_sheet, "globe": globe_sheet}


@cache
def sheet_of(kind: str, name: str) -> Sheet:
    return SHEETS[kind](RANKINGS[name]())


def overlaps(sheet: Sheet) -> list[tuple[str, str]]:
    """Return the pairs of texts that lie on each other."""
    texts = [(lettering.text, lettering.shape.buffer(-0.05)) for lettering in sheet.lettering()]
    return [(a, b) for (a, one), (b, other) in itertools.combinations(texts, 2) if one.intersects(other)]


@pytest.mark.parametrize("name", RANKINGS)
@pytest.mark.parametrize("kind", SHEETS)
def test_nothing_lies_on_anything(name: str, kind: str) -> None:
    sheet = sheet_of(kind, name)
    assert overlaps(sheet) == []
    frame = shapely.box(*FRAME)
    lines = [stroke.shape for tag in ("frame", "column", "axis") for stroke in sheet.strokes(tag)]
    for lettering in sheet.lettering():
        assert frame.contains(lettering.shape), lettering.text
        for line in lines:
            assert not lettering.shape.intersects(line), lettering.text
        assert lettering.height_mm >= SMALLER_MM


@pytest.mark.parametrize("name", RANKINGS)
def test_every_figure_keeps_to_its_column(name: str) -> None:
    """Lines of the figures lie between the columns' lines, and no lettering lies on them."""
    ranking, sheet = RANKINGS[name](), sheet_of("comparison", name)
    rules = sorted(stroke.shape.bounds[0] for stroke in sheet.strokes("column"))
    assert len(rules) == len(ranking.shown) == len(sheet.strokes("seam"))
    written = shapely.union_all([lettering.shape for lettering in sheet.lettering()])
    for tag in ("seam", "outline"):
        for stroke, left, right in zip(sheet.strokes(tag), rules, [*rules[1:], FRAME[2]], strict=True):
            assert left < stroke.shape.bounds[0] < stroke.shape.bounds[2] < right
            assert not stroke.shape.intersects(written)


def test_what_is_assumed_and_what_to_mind_is_said() -> None:
    whole = shortened(1)
    checks = tuple(
        Finding(code="deep-half", severity="check", stage="split", advice=f"mind number {number} of them")
        for number in range(30)
    )
    ranking = replace(whole, pattern=replace(whole.pattern, front_given=False), findings=checks)
    said = " ".join(lettering.text for lettering in comparison_sheet(ranking).lettering())
    assert "a qualified person decides; local codes apply" in said
    assert "assumed front" in said
    told = sum(f"mind number {number} of them" in said for number in range(30))
    assert 1 <= told < 30
    assert f"and {30 - told} more to check" in said
    given = replace(whole, pattern=replace(whole.pattern, front_given=True))
    assert "assumed" not in " ".join(lettering.text for lettering in comparison_sheet(given).lettering())


def test_what_reads_alike_is_equally_good() -> None:
    """4.001 m and 4.002 m of seam are both written 4.00 m: neither is the better one."""
    ranking = bust_ranking()
    (row,) = [row for row in measure_rows(ranking) if row.name == "seam"]
    first = ranking.shown[0]
    lengths = (4001.0, 4002.0, 5000.0)
    answers = [
        replace(first, measures=replace(first.measures, seam=replace(first.measures.seam, length_mm=length)))
        for length in lengths
    ]
    assert best_texts(row, answers) == {"4.00 m"}
    assert best_texts(row, answers[:2]) == set()


@pytest.mark.parametrize(
    ("offset", "said"),
    [(0.0, "through the middle"), (15.0, "15 mm from the middle to the TOP"), (-5.0, "5 mm from the middle")],
)
def test_the_saws_words_say_the_offset(offset: float, said: str) -> None:
    first = bust_ranking().shown[0]
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=offset)
    words = saw_words(replace(first, plane=plane, called=("TOP", "BOTTOM")))
    assert words.startswith(first.saw.words)
    assert said in words


def test_every_measure_of_every_answer_is_written() -> None:
    ranking = bust_ranking()
    written = [lettering.text for lettering in sheet_of("comparison", "all answers").lettering()]
    for row in measure_rows(ranking):
        assert row.name in written
        for answer in ranking.shown:
            assert row.say(answer) in written
    for answer in ranking.shown:
        assert any(text.startswith(f"{answer.number} ") for text in written)


def test_the_best_of_a_row_is_bold() -> None:
    ranking = bust_ranking()
    sheet = sheet_of("comparison", "all answers")
    bold = {lettering.text for lettering in sheet.lettering() if lettering.bold}
    told = 0
    for row in measure_rows(ranking):
        if row.best is not None and len({row.best(answer) for answer in ranking.shown}) > 1:
            best = min(ranking.shown, key=row.best)
            assert row.say(best) in bold or len({row.say(answer) for answer in ranking.shown}) == 1
            told += 1
    assert told >= 8


def test_nothing_is_bold_where_all_are_equally_good() -> None:
    """Boards of one count of sheets are equally good, however long they are."""
    ranking = bust_ranking()
    (row,) = [row for row in measure_rows(ranking) if row.name == "larger board"]
    first = ranking.shown[0]
    half = first.measures.halves[0]
    other = replace(half, coating_mm=(half.coating_mm[0] + 500.0, half.coating_mm[1]))
    longer = replace(first, measures=replace(first.measures, halves=(other, first.measures.halves[1])))
    assert row.say(first) != row.say(longer)
    assert best_texts(row, [first, longer]) == set()


def test_no_undercut_is_none() -> None:
    ranking = bust_ranking()
    (row,) = [row for row in measure_rows(ranking) if row.name == "deepest undercut"]
    first = ranking.shown[0]
    one, two = (replace(half, deepest_undercut_mm=1e-9) for half in first.measures.halves)
    assert row.say(replace(first, measures=replace(first.measures, halves=(one, two)))) == "none"


@pytest.mark.parametrize("kind", ["offset", "globe"])
def test_tiny_volumes_are_read_by_people(kind: str) -> None:
    """The figure is alike left and right: along that direction next to nothing locks."""
    words = [lettering.text for lettering in sheet_of(kind, "all answers").lettering()]
    assert not any(re.search(r"\de-\d", text) for text in words)


@pytest.mark.parametrize("lean", [2.0, 5.0])
def test_the_neighbourhood_leans_to_all_sides_alike(lean: float) -> None:
    normal = np.array([0.6, 0.0, 0.8])
    around = _neighbours(normal, lean)
    assert around @ normal == pytest.approx(np.full(8, math.cos(math.radians(lean))), abs=1e-12)
    assert around.mean(axis=0) == pytest.approx(math.cos(math.radians(lean)) * normal, abs=1e-12)


def test_all_figures_have_one_scale() -> None:
    """The relief's pixels are as large on paper as the figure's scale says, the same in all columns."""
    ranking, sheet = shortened(2), sheet_of("comparison", "2 answers")
    pictures = [mark for mark in sheet.marks if isinstance(mark, Picture)]
    opened = [open_figure(ranking.pattern, a.plane, a.halves) for a in ranking.shown if a.halves]
    ratios = [
        (view.bounds[2] - view.bounds[0]) / (picture.bounds[2] - picture.bounds[0])
        for view, picture in zip(opened, pictures, strict=True)
    ]
    assert max(ratios) == pytest.approx(min(ratios), rel=1e-12)
    assert ratios[0] == pytest.approx(round(ratios[0]), rel=1e-12)


@pytest.mark.soak
def test_files_are_written_alike_twice(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        drawn = draw_comparison(shortened(1), tmp_path / name)
        assert len(drawn.files) == 6
    for file in sorted((tmp_path / "one").iterdir()):
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes()
        if file.suffix == ".svg":
            ET.fromstring(file.read_text(encoding="utf-8"))  # noqa: S314 - our own file


@settings(deadline=None)  # a busy machine is no fault
@given(st.lists(st.text("abc DEF 123", min_size=1, max_size=40), max_size=12), st.floats(20.0, 120.0))
def test_lines_are_never_wider_than_their_room(words: list[str], width: float) -> None:
    for line in wrapped(" ".join(words), width, height_mm=SMALLER_MM):
        assert text_width(line, height_mm=SMALLER_MM) <= width + 1e-9


def test_softening_in_one_line() -> None:
    answer = replace(bust_ranking().shown[0], softening=())
    assert softened(answer) == ""
    own = Softening(
        half="A",
        region=1,
        way="fill",
        thickest_mm=4.0,
        amount_mm3=1e5,
        saves_mm3=1e6,
        saves_kg=1e3,
        centre_mm=(0.0, 0.0, 0.0),
        needs_approval=False,
    )
    asked = replace(own, region=2, needs_approval=True)
    assert "1 undercut goes with up to 4.0 mm" in softened(replace(answer, softening=(own,)))
    assert softened(replace(answer, softening=(own, asked))).endswith("1 more if the client approves.")
    assert "1 undercut would go, if the client" in softened(replace(answer, softening=(asked,)))
    assert "2 undercuts would go, if the client" in softened(replace(answer, softening=(asked, asked)))


# --- the opened figure -----------------------------------------------------------------------------------


def test_the_seam_of_a_ball_is_drawn_where_it_is() -> None:
    """Every point drawn lies R from its half's middle, in the plane (derived)."""
    radius = 300.0
    body = pattern_from_arrays(*zoo.sphere(radius, 4), up="+z", front="-y")
    plane = Plane(normal=(1.0, 0.0, 0.0), offset_mm=0.0)
    halves = cut(body, plane)
    view = open_figure(body, plane, halves)
    frame = eye_frame(body, plane.array())
    apart = 0.5 * APART * math.sqrt(3.0) * 2.0 * radius
    points = np.concatenate([np.array(line.coords) for line in shapely.get_parts(view.seam)])
    best = np.full(len(points), np.inf)
    for sign in (1.0, -1.0):
        own = points - sign * apart * frame[:2] @ plane.array()
        # a point of the circle: y and z of the figure from the two coordinates on the sheet (x is 0)
        yz = own @ np.linalg.inv(frame[:2, 1:]).T
        best = np.minimum(best, np.abs(np.linalg.norm(yz, axis=1) - radius))
    assert len(points) > 50
    assert best.max() < 4.0 * view.grid.cell_mm / abs(frame[2, 0])


def test_a_ball_turns_away_on_a_circle() -> None:
    """The outline of two shifted balls reaches just to the rims of their discs (derived)."""
    radius = 300.0
    body = pattern_from_arrays(*zoo.sphere(radius, 4), up="+z", front="-y")
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0)
    view = open_figure(body, plane, cut(body, plane))
    frame = eye_frame(body, plane.array())
    apart = 0.5 * APART * math.sqrt(3.0) * 2.0 * radius
    top = apart * float(frame[1] @ plane.array()) + radius
    left, _, right, high = view.outline.bounds
    cell = view.grid.cell_mm
    assert high == pytest.approx(top, abs=2.0 * cell)
    assert (left, right) == (pytest.approx(-radius, abs=2.0 * cell), pytest.approx(radius, abs=2.0 * cell))


def test_two_half_balls_cover_a_disc_drawn_apart() -> None:
    """Derived: the hull of all lines is a disc and the strip it is drawn apart over.

    Its length is 2 pi R + 2 s and its area pi R^2 + 2 R s, where s is how far the halves lie apart on paper.
    """
    radius = 300.0
    body = pattern_from_arrays(*zoo.sphere(radius, 5), up="+z", front="-y")
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0)
    view = open_figure(body, plane, cut(body, plane))
    strip = APART * math.sqrt(3.0) * 2.0 * radius * float(eye_frame(body, plane.array())[1, 2])
    hull = shapely.union_all([view.seam, view.outline]).convex_hull
    assert hull.length == pytest.approx(2.0 * math.pi * radius + 2.0 * strip, rel=5e-3)
    assert hull.area == pytest.approx(math.pi * radius**2 + 2.0 * radius * strip, rel=5e-3)


def edges_of_box(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return points (12, 400, 3) along the edges of an upright box."""
    corners = np.array(list(itertools.product((0.0, 1.0), repeat=3))) * (high - low) + low
    pairs = [(a, b) for a, b in itertools.combinations(range(8), 2) if (a ^ b).bit_count() == 1]
    share = np.linspace(0.0, 1.0, 400)[None, :, None]
    ends = corners[np.array(pairs)]
    return np.asarray(ends[:, :1] * (1.0 - share) + ends[:, 1:] * share)


def hidden_by(points: np.ndarray, eye: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return which rays from `points` (n, 3) to the eye run through a box (three pairs of slabs)."""
    near, far = (low - points) / eye, (high - points) / eye
    enter, leave = np.minimum(near, far).max(axis=1), np.maximum(near, far).min(axis=1)
    return np.asarray((leave - np.maximum(enter, 0.0)) > 1.0)


@pytest.mark.parametrize("normal", [(1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)])
def test_a_box_is_drawn_as_rays_see_it(normal: tuple[float, float, float]) -> None:
    """A second, slow way: a point of an edge is seen when its ray to the eye meets neither half."""
    body = pattern_from_arrays(*zoo.box(), up="+z", front="-y")
    plane = Plane(normal=normal, offset_mm=0.0)
    view = open_figure(body, plane, cut(body, plane))
    frame = eye_frame(body, plane.array())
    size, shift = np.array(body.size_mm), 0.5 * APART * np.linalg.norm(body.size_mm) * plane.array()
    boxes = []
    for sign in (1.0, -1.0):
        ends = np.stack([-0.5 * size, 0.5 * size])
        axis = int(np.argmax(np.abs(normal)))
        ends[0 if sign * normal[axis] > 0.0 else 1, axis] = 0.0
        boxes.append(ends + sign * shift)
    points = np.concatenate([edges_of_box(*ends).reshape(-1, 3) for ends in boxes])
    hidden = np.any([hidden_by(points, frame[2], *ends) for ends in boxes], axis=0)
    drawn = shapely.union_all([view.seam, view.sharp, view.outline])
    seen = shapely.points(points[~hidden] @ frame[:2].T)
    assert 1000 < len(seen) < len(points)
    cell = view.grid.cell_mm
    assert shapely.distance(seen, drawn).max() < 3.0 * cell
    strokes = shapely.get_coordinates(drawn.segmentize(cell))
    away = shapely.distance(shapely.points(strokes), shapely.multipoints(seen))
    assert away.max() < 4.0 * cell


def test_undercuts_are_shaded_by_their_depth() -> None:
    """A mushroom's stem stands in a gap as high as itself; seen from above nothing else locks (derived)."""
    body = pattern_from_arrays(*zoo.mushroom(100.0, 300.0, 300.0, 100.0), up="+z", front="-y")
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=-199.0)
    view = open_figure(body, plane, cut(body, plane))
    assert view.depth_mm.max() == pytest.approx(299.0, abs=5.0)
    # over the stem's middle: all below the cap's front edge is shaded, nothing above it (derived)
    frame = eye_frame(body, plane.array())
    apart = 0.5 * APART * float(np.linalg.norm(body.size_mm))
    near = frame[2] * np.array([1.0, 1.0, 0.0]) / np.linalg.norm(frame[2, :2])
    edge = 300.0 * near + (100.0 + apart) * plane.array()
    stem = np.abs(view.grid.x_mm()) < 60.0
    foot = 100.0 * near + (apart - 199.0) * plane.array()
    y, calm = view.grid.y_mm(), 6.0 * view.grid.cell_mm
    bottom, top = float(frame[1] @ foot), float(frame[1] @ edge)
    assert (view.depth_mm[(y > bottom + 60.0) & (y < top - calm)][:, stem] > 0.0).mean() > 0.99
    assert not view.depth_mm[y > top + 4.0 * calm][:, stem].any()
    free = pattern_from_arrays(*zoo.box(), up="+z", front="-y")
    square = Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0)
    assert open_figure(free, square, cut(free, square)).depth_mm.max() == 0.0


# --- the map ------------------------------------------------------------------------------------------------


@settings(deadline=None)  # a busy machine is no fault
@given(st.floats(0.0, 0.999), st.floats(0.0, 2.0 * math.pi))
def test_the_map_goes_both_ways(radius: float, turn: float) -> None:
    point = np.array([[radius * math.cos(turn), radius * math.sin(turn)]])
    direction = from_map(point)
    assert np.linalg.norm(direction) == pytest.approx(1.0, abs=1e-12)
    assert np.abs(to_map(direction) - point).max() < 1e-9
    assert np.abs(to_map(-direction) - point).max() < 1e-9 or direction[0, 0] < 1e-9


@pytest.mark.parametrize("name", RANKINGS)
def test_marks_on_the_map_stand_apart_and_clear(name: str) -> None:
    """No mark hides another, and nothing is drawn over a number after its white disc."""
    sheet = sheet_of("globe", name)
    ranking = RANKINGS[name]()
    discs = [
        next(
            m
            for m in sheet.marks
            if isinstance(m, Area) and m.tag == f"answer-{a.number}" and m.colour == PAPER
        )
        for a in ranking.shown
    ]
    assert all(not a.shape.intersects(b.shape) for a, b in itertools.combinations(discs, 2))
    for disc in discs:
        after = sheet.marks[sheet.marks.index(disc) + 1 :]
        inner = disc.shape.buffer(-0.6)
        over = [m.tag for m in after if isinstance(m, Area | Stroke) and m.shape.intersects(inner)]
        assert over == []


@pytest.mark.parametrize("deg", [10.0, 45.0, 80.0])
def test_the_map_keeps_areas(deg: float) -> None:
    """A cap of half angle a covers 1 - cos(a) of half the sphere, and of the disc (Lambert)."""
    rim = to_map(np.array([[math.cos(math.radians(deg)), math.sin(math.radians(deg)), 0.0]]))
    assert float(rim[0] @ rim[0]) == pytest.approx(1.0 - math.cos(math.radians(deg)), rel=1e-12)
