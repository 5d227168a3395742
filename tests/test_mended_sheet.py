"""The sheet of what was mended: true to scale, every repair where it is, nothing on anything else."""

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import zoo
from drawn_plans import mushrooms, plan_of
from PIL import Image
from test_views import LONG_NAME, on_another, outside

from moldplan.errors import OutputError
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import Lighter, Marks, Pattern, Repair
from moldplan.views import draw_mended, draw_views
from moldplan.views.draw import drawing_names, half_drawings, mended_drawings
from moldplan.views.elevations import (
    ROUND,
    Elevation,
    dropped_pieces,
    elevation,
    mended_figure,
    new_faces,
    sides_to_draw,
    view_frames,
    window,
)
from moldplan.views.furniture import Titles
from moldplan.views.mended_sheet import mended_sheet, numbers_text
from moldplan.views.mended_words import Words, place_text, volume_cells
from moldplan.views.paper import SMALL_MM, Area, Sheet

TITLES = Titles(
    job=LONG_NAME, part="FIGURE", drawing="what was mended in the file", pattern=LONG_NAME, scale="",
    date="none", revision="none", sheet="1 of 1", version="0.1.0",
)  # fmt: skip
RADIUS = 400.0
NO_DROPPED = np.zeros((0, 3, 3), dtype=np.float32)


def marked(
    mesh: zoo.Mesh,
    new: Callable[[Any], Any],
    *repairs: Repair,
    off_mm: float = 2.0,
    dropped: Any = NO_DROPPED,
    **survey: Any,
) -> Pattern:
    """Return a pattern whose faces are new where `new` says so of their middles."""
    pattern = pattern_from_arrays(*mesh, name="figure.ply")
    middle = pattern.vertices[pattern.faces].mean(axis=1)
    chosen = np.asarray(new(middle), dtype=bool)
    marks = Marks(
        new=chosen,
        moved_mm=np.where(chosen, off_mm, 0.0).astype(np.float32),
        dropped_mm=np.asarray(dropped, dtype=np.float32).reshape(-1, 3, 3),
    )
    return replace(pattern, marks=marks, survey=replace(pattern.survey, repairs=repairs, **survey))


def hole(place: Any, **other: Any) -> Repair:
    known: dict[str, Any] = {
        "what": "holes filled", "count": 1, "moved_mm": 2.0, "rung": "fill", "mean_mm": 0.1, "p99_mm": 1.5,
        "place_mm": tuple(place), "volume_mm3": 2e4,
    }  # fmt: skip
    return Repair(**{**known, **other})


def floor(half: float, level: float) -> Any:
    a, b, c, d = ((x, y, level) for x, y in ((-half, -half), (half, -half), (half, half), (-half, half)))
    return np.array([[a, b, c], [a, c, d]])


def soup(mesh: zoo.Mesh) -> Any:
    return mesh[0][mesh[1]]


def capped(**survey: Any) -> Pattern:
    """Return a ball with a new cap in front, a floor and an island dropped."""
    gone = np.concatenate(
        [floor(700.0, -RADIUS - 10.0), soup(zoo.moved(zoo.sphere(40.0, 2), (480.0, 0, 100)))]
    )
    return marked(
        zoo.sphere(RADIUS, 4),
        lambda middle: middle[:, 1] < -0.8 * RADIUS,
        Repair(what="nearly equal points welded", count=120, moved_mm=0.004),
        hole((0.0, -RADIUS, 0.0)),
        Repair(what="islands dropped", count=1, moved_mm=0.0, rung="drop", place_mm=(480.0, 0.0, 100.0)),
        dropped=gone,
        **survey,
    )


def side(pattern: Pattern, name: str, cell: float = 4.0) -> Elevation:
    return elevation(mended_figure(pattern), name, cell_mm=cell, speck_mm=10.0 * cell)


# --- what is seen from a side -------------------------------------------------------------------------------


def test_a_ball_is_seen_as_a_circle_and_its_cap_as_one() -> None:
    # derived: the shadow of a sphere of radius R is a disc of R, that of the cap beyond 0.8 R one of 0.6 R
    front = side(capped(), "FRONT")
    assert front.outline.area == pytest.approx(np.pi * RADIUS**2, rel=0.01)
    assert front.new.area == pytest.approx(np.pi * (0.6 * RADIUS) ** 2, rel=0.05)
    assert np.nanmax(front.off_mm) == np.nanmin(front.off_mm) == pytest.approx(2.0)
    assert side(capped(), "BACK").new.is_empty
    # from the side it is a segment of the circle: R^2 (acos 0.8 - 0.8 * 0.6)
    segment = RADIUS**2 * (np.arccos(0.8) - 0.8 * 0.6)
    for name in ("LEFT", "RIGHT"):
        assert side(capped(), name).new.area == pytest.approx(segment, rel=0.06)


def test_left_and_right_are_the_figures_own() -> None:
    # derived: who stands before a figure that looks at him has its left hand at his right
    frames = view_frames(capped())  # up +z, front -y: its left is +x
    left = np.array([1.0, 0.0, 0.0])
    rights = {name: float(frame[0] @ left) for name, frame in frames.items()}
    assert rights == {"FRONT": 1.0, "LEFT": 0.0, "BACK": -1.0, "RIGHT": 0.0, "UNDERSIDE": 1.0, "TOP": -1.0}
    for frame in frames.values():
        np.testing.assert_allclose(frame @ frame.T, np.eye(3))
        assert np.linalg.det(frame) == pytest.approx(1.0)
    front = np.array([0.0, -1.0, 0.0])
    assert frames["LEFT"][0] @ front == -1.0  # seen from its left a figure looks to the left
    assert frames["UNDERSIDE"][1] @ front == frames["TOP"][1] @ front == 1.0


@pytest.mark.parametrize(("up", "front"), [("+y", "+z"), ("-x", "+y"), ("+z", "+x")])
def test_the_figure_stands_whichever_way_the_file_lies(up: Any, front: Any) -> None:
    tall = replace(pattern_from_arrays(*zoo.box(300.0, 500.0, 700.0)), up=up, front=front)
    frames = view_frames(tall)
    size = np.array(tall.size_mm)
    for name in ROUND:
        x0, y0, x1, y1 = window(mended_figure(tall), frames[name])
        assert y1 - y0 == pytest.approx(size["xyz".index(up[1])])
        assert x1 - x0 == pytest.approx(np.abs(frames[name][0]) @ size)


def test_new_surface_behind_is_not_shown() -> None:
    # two balls one behind the other: the new one is hidden from the front, and seen from behind
    points, faces = zoo.sphere(200.0, 3)
    front, back = points - [0.0, 400.0, 0.0], 0.6 * points + [0.0, 300.0, 0.0]
    bar, bar_faces = zoo.box(50.0, 500.0, 50.0)
    import manifold3d  # noqa: PLC0415 - one body of three

    def solid(p: Any, f: Any) -> Any:
        return manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(p), f.astype(np.uint64)))

    mesh = (solid(front, faces) + solid(back, faces) + solid(bar, bar_faces)).to_mesh64()
    figure = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    # the middle of the bounding box moves to the origin: y runs from -510 to 510
    pattern = marked(figure, lambda m: m[:, 1] > 300.0, hole((0.0, 510.0, 0.0)))
    assert side(pattern, "FRONT").new.is_empty
    assert side(pattern, "BACK").new.area > 1e4
    place = np.array([0.0, 510.0, 0.0])
    assert side(pattern, "FRONT").hidden_mm(place) > 900.0
    assert side(pattern, "BACK").hidden_mm(place) == 0.0


def test_small_patches_are_ringed_where_they_are_seen() -> None:
    pattern = marked(
        zoo.sphere(RADIUS, 4), lambda m: np.arange(len(m)) == np.argmax(m[:, 0]), hole((RADIUS, 0.0, 0.0))
    )
    left = side(pattern, "LEFT")
    assert len(left.specks) == 1
    np.testing.assert_allclose(left.specks[0], (0.0, 0.0), atol=30.0)
    assert side(pattern, "RIGHT").specks == ()


def test_a_cap_is_no_farther_off_than_its_repair_says() -> None:
    pattern = marked(zoo.sphere(RADIUS, 3), lambda m: m[:, 2] < 0.0, hole((0, 0, -RADIUS)), off_mm=80.0)
    assert new_faces(pattern).off_mm.max() == 2.0


def test_a_lighter_copy_shows_what_is_new_of_the_whole() -> None:
    whole = capped()
    points, faces = zoo.sphere(RADIUS - 1.0, 3)
    light = pattern_from_arrays(points, faces, name="light.stl")
    behind = Lighter(
        vertices=whole.vertices, faces=whole.faces.astype(np.int32), moved_mm=8.0,
        volume_mm3=whole.volume_mm3, area_mm2=whole.survey.area_mm2,
    )  # fmt: skip
    light = replace(light, marks=whole.marks, lighter=behind, survey=whole.survey)
    assert len(new_faces(light).faces) == int(whole.marks.new.sum())  # type: ignore[union-attr]
    assert side(light, "FRONT").new.area == pytest.approx(side(whole, "FRONT").new.area, rel=0.03)
    assert side(light, "BACK").new.is_empty
    # marks that fit neither mesh are no marks
    assert len(new_faces(replace(light, lighter=None)).faces) == 0


def test_underside_and_top_are_drawn_when_something_is_new_there() -> None:
    ball = zoo.sphere(RADIUS, 3)
    below = marked(ball, lambda m: m[:, 2] < -0.9 * RADIUS, hole((0, 0, -RADIUS)))
    above = marked(ball, lambda m: m[:, 2] > 0.9 * RADIUS, hole((0, 0, RADIUS)))
    beside = marked(ball, lambda m: m[:, 0] > 0.9 * RADIUS, hole((RADIUS, 0, 0)))
    assert sides_to_draw(mended_figure(below)) == (*ROUND, "UNDERSIDE")
    assert sides_to_draw(mended_figure(above)) == (*ROUND, "TOP")
    assert sides_to_draw(mended_figure(beside)) == ROUND
    assert sides_to_draw(mended_figure(replace(below, marks=None))) == ROUND


# --- what was dropped ---------------------------------------------------------------------------------------


def test_dropped_faces_hang_together_in_pieces() -> None:
    pieces = dropped_pieces(capped().marks)
    assert [len(piece) for piece in pieces] == [2, 320]  # the floor is the wider one
    assert dropped_pieces(None) == dropped_pieces(replace(capped().marks, dropped_mm=NO_DROPPED)) == ()  # type: ignore[type-var]


def test_a_floor_seen_edge_on_is_a_line_and_no_view_is_widened_much() -> None:
    pattern = capped()
    front = side(pattern, "FRONT")
    left, low, right, high = front.box
    # derived: the floor reaches 300 mm beyond the ball, of which 0.15 x 800 mm are drawn
    assert (left, right) == pytest.approx((-520.0, 520.0), abs=1.0)
    assert (low, high) == pytest.approx((-RADIUS - 10.0, RADIUS), abs=1.0)
    sheet = front.dropped.intersection(shapely.box(left, low - 1.0, right, -RADIUS))
    assert sheet.length == pytest.approx(right - left, rel=1e-3)
    island = front.dropped.difference(sheet.buffer(1.0))
    assert island.envelope.centroid.x == pytest.approx(480.0, abs=3.0)
    assert island.length == pytest.approx(2 * np.pi * 40.0, rel=0.06)


def test_a_crumb_is_a_ring_and_what_lies_far_off_is_left_out() -> None:
    crumb = soup(zoo.moved(zoo.sphere(2.0, 1), (0.0, 0.0, RADIUS + 40.0)))
    far = soup(zoo.moved(zoo.sphere(50.0, 1), (9000.0, 0.0, 0.0)))
    ball = marked(zoo.sphere(RADIUS, 3), lambda m: m[:, 0] > 1e9, dropped=np.concatenate([crumb, far]))
    front = side(ball, "FRONT")
    assert front.dropped.bounds == pytest.approx(
        (-24.0, 416.0, 24.0, 442.0), abs=1.0
    )  # cut at the view's top


# --- words --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "text"),
    [
        ((150.0, -300.0, 30.0), "left, 430 mm up, front"),
        ((-150.0, 300.0, 30.0), "right, 430 mm up, back"),
        ((0.0, 0.0, 30.0), "middle, 430 mm up"),
        ((150.0, 0.0, -400.0), "left, at the foot"),
        ((0.0, -300.0, 400.0), "at the top, front"),
        (None, "at no one place"),
    ],
)
def test_places_can_be_found_again(place: Any, text: str) -> None:
    figure = pattern_from_arrays(*zoo.box(400.0, 600.0, 800.0))
    assert place_text(figure, place) == text
    unsized = replace(figure, survey=replace(figure.survey, scale_known=False))
    assert place_text(unsized, place) == text.replace("430 mm up", "54 % up")


def test_a_place_no_side_sees_is_inside() -> None:
    figure = pattern_from_arrays(*zoo.box(400.0, 600.0, 800.0))
    assert place_text(figure, (0.0, 0.0, 0.0), inside=True) == "middle, 400 mm up, inside"
    sheet = mended_sheet(marked(zoo.box(), lambda m: m[:, 0] > 1e9, hole((0.0, 0.0, 0.0))), TITLES)
    assert {"middle, 200 mm up,", "inside"} <= set(written(sheet))  # wrapped in its column


def test_small_lengths_and_volumes_are_never_nought() -> None:
    words = Words(pattern=capped())
    assert [words.move(v) for v in (0.0, 0.001, 0.12, 3.456, 12.34)] == ["0", "<0.01", "0.12", "3.46", "12.3"]
    assert volume_cells(words, 0.0) == ("0", "0")
    assert volume_cells(words, 10.0) == ("<0.001", "<0.01")
    litre = 100.0 * 1e6 / words.pattern.volume_mm3
    assert volume_cells(words, 1e6) == ("1.00", f"{litre:.2f}")


# --- the sheet ----------------------------------------------------------------------------------------------


def written(sheet: Sheet) -> list[str]:
    return [text.text for text in sheet.lettering()]


def many() -> Pattern:
    """Nine repairs in one place, and some with more words than a line holds."""
    same = [hole((-RADIUS, 5.0 * n, 0.0), what=f"holes of kind {n} filled") for n in range(9)]
    long = [hole((0, 0, RADIUS), what="faces of inner walls between touching bodies dropped")] * 2
    return marked(zoo.sphere(RADIUS, 4), lambda m: m[:, 0] < -0.7 * RADIUS, *same, *long)


def whole_new(**survey: Any) -> Pattern:
    return marked(zoo.torus(400.0, 120.0, 64, 24), lambda m: m[:, 0] < 1e9, hole((520.0, 0, 0)), **survey)


TOO_FAR = ("mending (holes filled) may be 3 mm off; 1 mm pass unasked", "and the volume by 0.6 %")
SHEETS: dict[str, Callable[[], Pattern]] = {
    "capped": capped,
    "beyond": lambda: capped(accepting=TOO_FAR, crossing_faces=4),
    "unsized": lambda: capped(scale_known=False, accepting=TOO_FAR),
    "many": many,
    "whole new": whole_new,
    "sound": lambda: pattern_from_arrays(*zoo.torus(400.0, 120.0, 64, 24), name="sound.stl"),
    "tiny": lambda: marked(zoo.box(12.0, 9.0, 30.0), lambda m: m[:, 2] < -14.0, hole((0, 0, -15.0))),
    "long": lambda: marked(zoo.box(9000.0, 300.0, 200.0), lambda m: m[:, 0] > 4400.0, hole((4500.0, 0, 0))),
    "tall": lambda: marked(zoo.box(300.0, 200.0, 9000.0), lambda m: m[:, 2] > 4400.0, hole((0, 0, 4500.0))),
    "huge": lambda: marked(zoo.box(19e3, 9e3, 9e3), lambda m: m[:, 2] > 4e3, hole((0, 0, 4500.0))),
}


@pytest.fixture(scope="module")
def sheets() -> Callable[[str], Sheet]:
    made: dict[str, Sheet] = {}

    def get(name: str) -> Sheet:
        if name not in made:
            made[name] = mended_sheet(SHEETS[name](), TITLES)
        return made[name]

    return get


def leaders(sheet: Sheet) -> list[Any]:
    """Return the lines from numbers to their places: from one point straight to another."""
    return [
        s.shape
        for s in sheet.strokes("number")
        if s.shape.geom_type == "LineString" and len(s.shape.coords) == 2
    ]


@pytest.mark.parametrize("name", SHEETS)
def test_nothing_lies_on_anything_else(sheets: Any, name: str) -> None:
    sheet = sheets(name)
    assert on_another(sheet) == []
    assert outside(sheet) == []
    assert min(text.height_mm for text in sheet.lettering()) >= SMALL_MM
    lines = set(map(shapely.to_wkt, leaders(sheet)))
    assert not any(shapely.from_wkt(a).crosses(shapely.from_wkt(b)) for a, b in combinations(lines, 2))
    outlines = [stroke.shape.envelope for stroke in sheet.strokes("outline")]
    assert len(outlines) >= 4
    assert not any(a.intersects(b) for a, b in combinations(outlines, 2))
    lowest = min(shape.bounds[1] for shape in outlines)
    assert all(lowest > text.shape.bounds[3] for text in sheet.lettering() if text.owner == "table-text")


@pytest.mark.parametrize("name", ["capped", "tiny", "long", "tall", "huge"])
def test_views_are_true_to_scale(sheets: Any, name: str) -> None:
    sheet, pattern = sheets(name), SHEETS[name]()
    said = next(text for text in written(sheet) if re.fullmatch(r"scale [\d.]+:[\d.]+", text))
    paper, thing = map(float, said.removeprefix("scale ").split(":"))
    ratio = thing / paper
    wide, deep, tall = pattern.size_mm
    for stroke, width in zip(sheet.strokes("outline"), (wide, deep, wide, deep), strict=False):
        left, low, right, high = stroke.shape.bounds
        # half a cell of 0.2 mm at each end, and stairs smoothed by 0.14 mm
        assert (right - left) * ratio == pytest.approx(width, abs=0.5 * ratio)
        assert (high - low) * ratio == pytest.approx(tall, abs=0.5 * ratio)
    heights = sheet.strokes("ruler")[0].shape
    assert heights.length * ratio == pytest.approx(tall)
    assert heights.bounds[1] == pytest.approx(sheet.strokes("outline")[0].shape.bounds[1], abs=0.3)


def test_every_repair_is_in_the_table_and_its_number_at_its_place(sheets: Any) -> None:
    sheet = sheets("capped")
    texts = written(sheet)
    assert {"nearly equal points welded", "holes filled", "islands dropped", "at no one place"} <= set(texts)
    assert {"400 mm up, front", "left, 500 mm up", "0.10", "1.50", "2.00", "0.020"} <= set(texts)
    numbers = sorted(text.text for text in sheet.lettering() if text.owner == "number")
    assert numbers == ["2", "3"]  # the weld has no place
    # derived: the cap's place is the middle of the front view
    front = sheet.strokes("outline")[0].shape.envelope.centroid
    places = [shapely.Point(text.at) for text in sheet.lettering() if text.owner == "number"]
    assert min(place.distance(front) for place in places) < 0.5


def test_repairs_of_one_place_share_a_mark_and_long_words_go_on(sheets: Any) -> None:
    sheet = sheets("many")
    numbers = [text.text for text in sheet.lettering() if text.owner == "number"]
    assert "numbers without room" not in written(sheet)
    # derived: places 5 mm apart, nine of them, are at most 2.7 mm on paper; those within 3 mm share a mark
    assert sorted(numbers) == ["1-9", "10, 11"]
    assert "faces of inner walls between" in written(sheet)
    assert "touching bodies dropped" in written(sheet)


def test_numbers_in_short() -> None:
    assert [numbers_text(n) for n in ([2], [2, 5], [1, 2], [1, 2, 3, 7], [1, 3, 4, 5])] == [
        "2", "2, 5", "1, 2", "1-3, 7", "1, 3-5",
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["capped", "beyond", "unsized", "many"])
def test_nothing_in_the_table_or_the_key_is_cut_short(sheets: Any, name: str) -> None:
    cut = [text.text for text in sheets(name).lettering() if "\u2026" in text.text]
    assert [text for text in cut if not text.startswith(("An owl", "pattern: An owl"))] == []


def test_a_long_table_says_how_much_it_leaves_out() -> None:
    pattern = capped()
    repairs = tuple(hole((0, -RADIUS, 0), what=f"rung {n}") for n in range(30))
    sheet = mended_sheet(replace(pattern, survey=replace(pattern.survey, repairs=repairs)), TITLES)
    texts = written(sheet)
    assert "and 17 more: see the survey" in texts
    assert "rung 12" in texts
    assert "rung 13" not in texts
    assert on_another(sheet) == []


def test_what_is_beyond_the_tolerance_is_a_hold_point_in_bold(sheets: Any) -> None:
    texts = [t for t in sheets("beyond").lettering() if t.owner == "table-text"]
    bold = " ".join(t.text for t in sorted(texts, key=lambda t: -t.at[1]) if t.bold)
    assert "HOLD POINT: mending (holes filled) may be 3 mm off" in bold
    assert "and the volume by 0.6 %. Look at each hatched place" in bold
    plain = " ".join(written(sheets("beyond")))
    assert "4 faces cut through others of the figure and had to be left so." in plain
    assert "Within what the shop lets pass unasked. Look at each" in " ".join(written(sheets("capped")))
    assert "HOLD POINT" not in " ".join(written(sheets("capped")))


def test_without_a_size_there_is_no_scale_and_no_millimetre(sheets: Any) -> None:
    texts = written(sheets("unsized"))
    assert "scale none" in texts
    assert "not to scale: nothing says how large the figure is" in texts
    own = [text for text in texts if not text.startswith(("A3, print", "mending", "HOLD"))]
    assert [text for text in own if re.search(r"\bmm\b|\blitres\b|\d l$", text)] == []
    assert {"50 % up, front", "left, 62 % up", "800"} <= set(texts)


def test_a_sound_figure_says_so(sheets: Any) -> None:
    texts = written(sheets("sound"))
    assert "Nothing had to be mended." in texts
    assert "new surface" not in texts
    assert sheets("sound").strokes("new") == []


def test_new_surface_is_hatched_in_one_blue_hue(sheets: Any) -> None:
    sheet = sheets("capped")
    hatched = shapely.union_all([stroke.shape for stroke in sheet.strokes("new-hatch")])
    edge = shapely.polygonize([line for s in sheet.strokes("new") for line in shapely.get_parts(s.shape)])
    assert edge.area > 0.0
    assert hatched.length * 1.6 == pytest.approx(  # derived: lines 1.6 mm apart cover area / 1.6
        sum(shapely.Polygon(part).area for s in sheet.strokes("new") for part in rings(s.shape)), rel=0.25
    )
    ramp = [mark for mark in sheet.marks if isinstance(mark, Area) and mark.tag == "ramp"]
    blues = [[int(area.colour[i : i + 2], 16) for i in (1, 3, 5)] for area in ramp]
    assert all(red < green < blue for red, green, blue in blues)


def rings(shape: Any) -> list[Any]:
    merged = shapely.line_merge(shape)
    return [part.coords for part in shapely.get_parts(merged) if len(part.coords) > 3]


# --- files --------------------------------------------------------------------------------------------------


def test_a_plan_gets_the_sheet_with_its_others(tmp_path: Path) -> None:
    made = plan_of(mushrooms([(0, 0, 150, 200, 300, 150)]), job=LONG_NAME)
    plain = drawing_names(made)
    made.pattern = capped()
    assert drawing_names(made) == (*plain[:-1], "mended", "figure")
    ((name, make),) = mended_drawings(made)
    assert name == "mended"
    assert f"sheet {len(plain)} of {len(plain) + 1}" in written(make())
    first = next(iter(half_drawings(made)))[1]()
    assert f"sheet 1 of {len(plain) + 1}" in written(first)
    drawn = draw_views(made, tmp_path, only=("mended",))
    assert [path.name for path in drawn.files] == ["mended.png", "mended.svg"]
    made.pattern = replace(capped(), marks=None)
    assert drawing_names(made) == plain
    assert list(mended_drawings(made)) == []


def test_the_same_pattern_gives_the_same_bytes(tmp_path: Path) -> None:
    for run in ("first", "second"):
        (tmp_path / run).mkdir()
        drawn = draw_mended(capped(), tmp_path / run, name="m")
        assert [path.name for path in drawn.files] == ["m.png", "m.svg"]
    for ending in ("png", "svg"):
        first, second = (tmp_path / run / f"m.{ending}" for run in ("first", "second"))
        assert first.read_bytes() == second.read_bytes()
    with Image.open(tmp_path / "first" / "m.png") as image:
        assert image.size == (3307, 2339)
    with pytest.raises(OutputError, match="cannot write the drawing"):
        draw_mended(capped(), tmp_path / "none", name="m")
