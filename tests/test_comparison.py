"""The comparing sheet and its two plots: nothing overlaps, one scale for all, and drawings that are true."""

import itertools
import math
from dataclasses import replace
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
from moldplan.half import cut
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split import Plane
from moldplan.views import draw_comparison
from moldplan.views.comparison import SMALLER_MM, comparison_sheet, lines_of, measure_rows, softened
from moldplan.views.globe_map import from_map, globe_sheet, to_map
from moldplan.views.offset_plot import offset_sheet
from moldplan.views.opened import APART, eye_frame, open_figure
from moldplan.views.paper import FRAME, Sheet, text_width


def shortened(count: int) -> Ranking:
    """Return the ranking with only so many answers."""
    whole = bust_ranking()
    return replace(whole, answers=whole.shown[:count])


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
    **{f"{count} answers": (lambda count=count: shortened(count)) for count in (1, 2, 3, 4)},
    "all answers": bust_ranking,
    "long names": long_names,
    "a patch": with_patch,
}
SHEETS = {"comparison": comparison_sheet, "offset": offset_sheet, "globe": globe_sheet}


def overlaps(sheet: Sheet) -> list[tuple[str, str]]:
    """Return the pairs of texts that lie on each other."""
    texts = [(lettering.text, lettering.shape.buffer(-0.05)) for lettering in sheet.lettering()]
    return [(a, b) for (a, one), (b, other) in itertools.combinations(texts, 2) if one.intersects(other)]


@pytest.mark.parametrize("name", RANKINGS)
@pytest.mark.parametrize("kind", SHEETS)
def test_nothing_lies_on_anything(name: str, kind: str) -> None:
    sheet = SHEETS[kind](RANKINGS[name]())
    assert overlaps(sheet) == []
    frame = shapely.box(*FRAME)
    lines = [stroke.shape for tag in ("frame", "column", "axis") for stroke in sheet.strokes(tag)]
    for lettering in sheet.lettering():
        assert frame.contains(lettering.shape), lettering.text
        for line in lines:
            assert not lettering.shape.intersects(line), lettering.text
        assert lettering.height_mm >= SMALLER_MM


def test_every_measure_of_every_answer_is_written() -> None:
    ranking = bust_ranking()
    written = [lettering.text for lettering in comparison_sheet(ranking).lettering()]
    for row in measure_rows(ranking):
        assert row.name in written
        for answer in ranking.shown:
            assert row.say(answer) in written
    for answer in ranking.shown:
        assert any(text.startswith(f"{answer.number} ") for text in written)


def test_the_best_of_a_row_is_bold() -> None:
    ranking = bust_ranking()
    bold = {lettering.text for lettering in comparison_sheet(ranking).lettering() if lettering.bold}
    for row in measure_rows(ranking):
        texts = [row.say(answer) for answer in ranking.shown]
        if row.best is not None and len(set(texts)) > 1:
            best = min(ranking.shown, key=row.best)
            assert row.say(best) in bold


def test_all_figures_have_one_scale() -> None:
    """The relief's pixels are as large on paper as the figure's scale says, the same in all columns."""
    sheet = comparison_sheet(bust_ranking())
    pictures = [mark for mark in sheet.marks if getattr(mark, "tag", "") == "figure"]
    opened = [
        open_figure(bust_ranking().pattern, a.plane, a.halves) for a in bust_ranking().shown if a.halves
    ]
    ratios = [
        (view.bounds[2] - view.bounds[0]) / (picture.bounds[2] - picture.bounds[0])  # type: ignore[union-attr]
        for view, picture in zip(opened, pictures, strict=True)
    ]
    assert max(ratios) == pytest.approx(min(ratios), rel=1e-12)
    assert ratios[0] == pytest.approx(round(ratios[0]), rel=1e-12)


def test_files_are_written_alike_twice(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        drawn = draw_comparison(shortened(2), tmp_path / name)
        assert len(drawn.files) == 6
    for file in sorted((tmp_path / "one").iterdir()):
        assert file.read_bytes() == (tmp_path / "two" / file.name).read_bytes()
        if file.suffix == ".svg":
            ET.fromstring(file.read_text(encoding="utf-8"))  # noqa: S314 - our own file


@settings(deadline=None)  # a busy machine is no fault
@given(st.lists(st.text("abc DEF 123", min_size=1, max_size=40), max_size=12), st.floats(20.0, 120.0))
def test_lines_are_never_wider_than_their_room(words: list[str], width: float) -> None:
    for line in lines_of(" ".join(words), width, SMALLER_MM):
        assert text_width(line, height_mm=SMALLER_MM) <= width + 1e-9


def test_softening_in_one_line() -> None:
    answer = replace(bust_ranking().shown[0], softening=())
    assert softened(answer) == ""


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


def test_undercuts_are_shaded_by_their_depth() -> None:
    """A mushroom's stem stands in a gap as high as itself; seen from above nothing else locks (derived)."""
    body = pattern_from_arrays(*zoo.mushroom(100.0, 300.0, 300.0, 100.0), up="+z", front="-y")
    plane = Plane(normal=(0.0, 0.0, 1.0), offset_mm=-199.0)
    view = open_figure(body, plane, cut(body, plane))
    assert view.depth_mm.max() == pytest.approx(299.0, abs=5.0)
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


@pytest.mark.parametrize("deg", [10.0, 45.0, 80.0])
def test_the_map_keeps_areas(deg: float) -> None:
    """A cap of half angle a covers 1 - cos(a) of half the sphere, and of the disc (Lambert)."""
    rim = to_map(np.array([[math.cos(math.radians(deg)), math.sin(math.radians(deg)), 0.0]]))
    assert float(rim[0] @ rim[0]) == pytest.approx(1.0 - math.cos(math.radians(deg)), rel=1e-12)
