"""Drawings, judged by geometry: true to scale, nothing on anything else, the same bytes every time."""

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import zoo
from drawn_plans import mushrooms, plan_of
from PIL import Image
from shop import shop_settings

from moldplan.errors import OutputError, SettingError, StoppedError
from moldplan.half.model import Half
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.plan import plan_job
from moldplan.progress import Progress
from moldplan.split.model import Plane
from moldplan.views import draw_views
from moldplan.views import figure_picture as pictures
from moldplan.views.cutting import Cut, choose_cut, cut_profile, distance_field, slice_half
from moldplan.views.draw import drawing_names, half_drawings
from moldplan.views.ink import PIXELS, fixed_settings, write_svg
from moldplan.views.labels import Column, Note, place_labels, spread
from moldplan.views.paper import (
    FRAME,
    SMALL_MM,
    Area,
    Lettering,
    Sheet,
    Stroke,
    fitted,
    letter_box,
    plain,
    text_width,
)
from moldplan.views.relief import depth_map, mask_shape, relief_picture
from moldplan.views.scale import SCALES, fitting_scale, round_steps
from moldplan.views.scene import extent as extent_of
from moldplan.views.scene import fitted_scene, make_scene

OWLISH = [(0, 400, 150, 180, 220, 200), (0, -200, 250, 120, 340, 160), (250, 150, 40, 100, 90, 60)]
#: (bodies, up, front): each a plan of its own; regions number len(bodies).
SHAPES: dict[str, Any] = {
    "plain": ([(0, 0, 150, 200, 300, 150)], (0.0, 1.0), (0.0, 0.0)),
    "three": (OWLISH, (0.0, 1.0), (0.0, 0.0)),
    "tiny": ([(0, 0, 8, 10, 14, 6)], (0.0, 0.0), (0.0, 1.0)),
    "long": ([(x, 0, 60, 80, 110, 60) for x in range(0, 2401, 200)], (0.0, 1.0), (-1.0, 0.0)),
    "upright": ([(0, y, 60, 300, 90, 60) for y in range(0, 3001, 150)], (0.0, 1.0), (1.0, 0.0)),
    "many": (
        [(x, y, 20, 60, 45, 30) for x in range(0, 701, 100) for y in range(0, 901, 100)],
        (0.6, 0.8),
        (-0.8, 0.6),
    ),
    "askew": ([(0, 0, 200, 250, 260, 90), (420, 300, 90, 120, 150, 500)], (-1.0, 0.0), (0.0, -1.0)),
    "huge": ([(0, 0, 2000, 1500, 3500, 2500)], (0.0, 1.0), (0.0, 0.0)),
    "low": ([(0, 0, 290, 4, 300, 12)], (0.0, 1.0), (0.0, 0.0)),
}
LONG_NAME = (
    "An owl, standing on three tilted books & <other things>, for the reading room of a library $x^2$ 梟"
)


def plan(name: str, **names: str) -> Any:
    bodies, up, front = SHAPES[name]
    return plan_of(mushrooms(bodies, up=up, front=front), **names)


@pytest.fixture(scope="module")
def sheets() -> Callable[[str], dict[str, Sheet]]:
    """All sheets of a shape, made once."""
    made: dict[str, dict[str, Sheet]] = {}

    def get(name: str) -> dict[str, Sheet]:
        if name not in made:
            made[name] = {key: make() for key, make in half_drawings(plan(name, job=LONG_NAME))}
        return made[name]

    return get


VIEWS = ("half-a-plan", "half-a-section")


def on_another(sheet: Sheet) -> list[tuple[str, str]]:
    """Every pair of texts that touch, and every text on a line or area it does not belong to."""
    texts = sheet.lettering()
    boxes = [text.shape for text in texts]
    marks = [mark for mark in sheet.marks if isinstance(mark, Stroke | Area)]
    first, second = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    found = [(texts[a].text, texts[b].text) for a, b in zip(first, second, strict=True) if a < b]
    first, second = shapely.STRtree([mark.shape for mark in marks]).query(boxes, predicate="intersects")
    touched = [(texts[a], marks[b]) for a, b in zip(first, second, strict=True)]
    return found + [(text.text, mark.tag) for text, mark in touched if mark.tag != text.owner]


def crossing_leaders(sheet: Sheet) -> list[tuple[str, str]]:
    """Every pair of leaders (a stub, then a straight line) that cross."""
    leaders = [
        stroke
        for stroke in sheet.strokes()
        if stroke.shape.geom_type == "LineString" and len(stroke.shape.coords) == 3 and stroke.tag != "casing"
    ]
    return [(a.tag, b.tag) for a, b in combinations(leaders, 2) if a.shape.crosses(b.shape)]


def outside(sheet: Sheet) -> list[str]:
    """Every text or line that leaves the frame."""
    frame = shapely.box(*FRAME)
    marks = [*sheet.lettering(), *sheet.strokes()]
    return [
        getattr(mark, "text", "") or getattr(mark, "tag", "")
        for mark in marks
        if not frame.covers(mark.shape)
    ]


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("name", SHAPES)
def test_nothing_lies_on_anything_else(sheets: Any, name: str, view: str) -> None:
    sheet = sheets(name)[view]
    assert on_another(sheet) == []
    assert crossing_leaders(sheet) == []
    assert outside(sheet) == []
    assert len(sheet.lettering()) > 20
    assert min(text.height_mm for text in sheet.lettering()) >= SMALL_MM


@pytest.mark.parametrize(
    ("mesh", "normal", "offset"),
    [
        (
            zoo.turned(zoo.torus(400.0, 120.0, 64, 24), np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0.0]])),
            (1.0, 0.0, 0.0),
            0.0,
        ),
        (zoo.sphere(400.0, 4), (0.0, 0.0, 1.0), -150.0),
        (zoo.sphere(400.0, 4), (0.0, -0.711, -0.703), 0.0),
    ],
    ids=["standing torus", "sphere cut low", "head and front the same way"],
)
def test_planned_moulds_draw_without_a_clash(mesh: Any, normal: Any, offset: float) -> None:
    pattern = pattern_from_arrays(*mesh, name="zoo")
    made = plan_job(pattern, shop_settings(), plane=Plane(normal=normal, offset_mm=offset))
    for name, make in half_drawings(made):
        sheet = make()
        assert (name, on_another(sheet), crossing_leaders(sheet), outside(sheet)) == (name, [], [], [])
    half, mould = next(made.pairs())
    profile = cut_profile(half, mould, choose_cut(half, mould), flange_mm=6.0)
    # under the rubber's outer face nothing is bare: the half with the skin fits below it, to a cell
    grown = profile.half.buffer(mould.rubber.skin_mm - 1.5 * mould.rubber.grid.cell_mm)
    above = shapely.box(-1e4, 0.0, 1e4, 1e4)
    assert grown.intersection(above).difference(profile.covered).area < 1e-3 * profile.half.area


def test_a_capital_is_as_high_as_it_says() -> None:
    # derived: the box is that of the outlines themselves
    for bold in (False, True):
        left, low, right, high = letter_box("HEAD", bold=bold)
        assert (low, high) == pytest.approx((0.0, 1.0), abs=0.03)  # D is rounded a little past the line
        assert right > left
    assert Lettering(text="H", at=(100.0, 50.0)).shape.bounds[3] == pytest.approx(50.0 + SMALL_MM, abs=1e-9)


@pytest.mark.parametrize("name", ["plain", "tiny", "long", "askew"])
def test_the_plan_is_true_to_scale(sheets: Any, name: str) -> None:
    sheet = sheets(name)["half-a-plan"]
    half, mould = next(plan(name).pairs())
    ratio = float(
        re.search(r"1:(\d+)", next(t.text for t in sheet.lettering() if t.text.startswith("scale 1:")))[1]
    )  # type: ignore[index]
    assert ratio in SCALES
    for tag, shape in (
        ("projection", half.projection),
        ("board", None),
        ("jacket-flange", mould.jacket.flange_outer),
    ):
        size = mould.board.size_mm if shape is None else extent(shape)
        drawn = extent(sheet.strokes(tag)[-1].shape)
        # lines are thinned to 0.02 mm of paper, twice
        np.testing.assert_allclose(np.array(drawn) * ratio, size, atol=0.04 * ratio)


def extent(shape: Any) -> tuple[float, float]:
    left, low, right, high = shape.bounds
    return right - left, high - low


def test_the_svg_is_true_to_scale(sheets: Any, tmp_path: Path) -> None:
    sheet = sheets("plain")["half-a-plan"]
    with fixed_settings():
        write_svg(sheet, tmp_path / "x.svg")
    tree = ET.parse(tmp_path / "x.svg")  # noqa: S314 - a file written a line above
    assert float(tree.getroot().attrib["width"].removesuffix("pt")) / 72 * 25.4 == pytest.approx(
        420.0, abs=0.05
    )
    (group,) = [
        g
        for g in tree.iter("{http://www.w3.org/2000/svg}g")
        if re.fullmatch(r"board-\d+", g.attrib.get("id", ""))
    ]
    path = group[0].attrib["d"]
    points = np.array(re.findall(r"[ML] (\S+) (\S+)", path), dtype=float) / 72 * 25.4
    _, mould = next(plan("plain").pairs())
    np.testing.assert_allclose(np.ptp(points, axis=0) * 10.0, mould.board.size_mm, atol=0.05)


def test_dimensions_say_what_they_measure(sheets: Any) -> None:
    written = {text.text for text in sheets("three")["half-a-plan"].lettering() if text.owner == "figures"}
    half, mould = next(plan("three").pairs())
    sizes = [*extent(half.projection), *extent(mould.wall.outer), *mould.board.size_mm]
    assert written == {f"{size:.0f}" for size in sizes}


def test_png_is_a3_at_200_dpi_and_bytes_repeat(tmp_path: Path) -> None:
    for run in ("first", "second"):
        (tmp_path / run).mkdir()
        draw_views(plan("three"), tmp_path / run, only=("half-a-plan", "half-a-section"))
    names = sorted(path.name for path in (tmp_path / "first").iterdir())
    assert names == ["half-a-plan.png", "half-a-plan.svg", "half-a-section.png", "half-a-section.svg"]
    for name in names:
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()
    with Image.open(tmp_path / "first" / "half-a-plan.png") as image:
        assert image.size == PIXELS == (3307, 2339)
        assert image.info["dpi"] == pytest.approx((200, 200), abs=0.01)
        assert np.asarray(image).min() < 40  # ink
        assert tuple(np.asarray(image)[5, 5]) == (255, 255, 255)


def test_depth_bands_read_in_grey() -> None:
    half, _ = mushrooms(OWLISH)
    grey = [
        np.array([int(c[i : i + 2], 16) for i in (1, 3, 5)]) @ [0.299, 0.587, 0.114]
        for c in depth_map(half.undercut.gaps).colours
    ]
    steps = -np.diff(grey)
    assert len(grey) >= 3
    assert steps.min() > 15.0
    assert min(grey) > 90.0  # dark lines still show on the darkest band


def test_the_relief_is_lit_from_the_upper_left() -> None:
    _, mould = mushrooms([(0, 0, 50, 10, 100, 10)])
    x, y = np.meshgrid(mould.rubber.grid.x_mm(), mould.rubber.grid.y_mm())
    dome = np.sqrt(np.maximum(100.0**2 - x**2 - y**2, 0.0))
    grey = relief_picture(dome, mould.rubber.grid)[:, :, 0].astype(float)
    upright = grey[::-1]
    near = (np.hypot(x, y) < 80) & (np.hypot(x, y) > 40)
    assert upright[near & (x < 0) & (y > 0)].mean() > upright[near & (x > 0) & (y < 0)].mean() + 40
    assert grey.min() > 120


def test_the_section_is_the_meshs_own() -> None:
    # derived: through the axis of a mushroom stand two rectangles on each other
    half, mould = mushrooms([(0, 0, 150, 200, 300, 150)])
    area = slice_half(half, Cut(axis="x", at_mm=0.0)).area
    assert area == pytest.approx(300 * 200 + 600 * 150, rel=1e-3)
    other = slice_half(half, Cut(axis="y", at_mm=0.0))
    assert other.area == pytest.approx(area, rel=1e-3)
    assert other.bounds == pytest.approx((-300, 0, 300, 350), abs=0.5)
    cut = choose_cut(half, mould)
    assert abs(cut.at_mm) < 5.0 and cut.region == 1  # noqa: PT018 - one statement about one cut


def test_the_profile_adds_up() -> None:
    half, mould = mushrooms([(0, 0, 150, 200, 300, 150)])
    profile = cut_profile(half, mould, Cut(axis="x", at_mm=0.0), flange_mm=6.0)
    assert profile.rubber.intersection(profile.half).area < 1e-6 * profile.half.area
    assert profile.rubber.area + profile.half.area == pytest.approx(profile.covered.area, rel=1e-9)
    assert sum(g.area for g in profile.gaps.values()) == pytest.approx(2 * 150 * 200, rel=0.03)
    assert [part.bounds[3] for part in profile.wall.geoms] == [mould.wall.height_mm] * 2
    jacket = profile.jacket(3.3)
    assert jacket.intersection(profile.covered).area < 1e-6 * jacket.area
    assert jacket.bounds[1] >= 0.0


def test_distances_in_the_section_are_true() -> None:
    # derived: a sphere's distance is the distance from its middle less its radius, in space
    points, faces = zoo.sphere(100.0, 4)
    half, _ = mushrooms([(0, 0, 50, 10, 100, 10)])
    ball = Half(
        **{**vars(half), "vertices": points + np.array([0.0, 0.0, 150.0]), "faces": faces, "height_mm": 250.0}
    )
    field = distance_field(
        ball, Cut(axis="x", at_mm=40.0), (-130.0, 30.0, 130.0, 270.0), cell_mm=2.0, reach_mm=20.0
    )
    y, z = np.meshgrid(field.along_mm, field.up_mm)
    true = np.sqrt(40.0**2 + y**2 + (z - 150.0) ** 2) - 100.0
    near = (true > 0) & (true < 19)
    assert near.sum() > 1000
    np.testing.assert_allclose(
        field.distance_mm[near], true[near], atol=0.3
    )  # the mesh lies inside the sphere


def test_a_long_board_is_broken_off_for_a_larger_scale() -> None:
    half, mould = mushrooms([(0, -700, 100, 200, 150, 80), (0, 700, 100, 200, 150, 80)])
    scene = make_scene(plan_of((half, mould)), half, mould, choose_cut(half, mould))
    length = extent_of(scene)[2] - extent_of(scene)[0]
    room = (0.0, 0.0, 0.1 * length - 5.0, 100.0)
    short, scale = fitted_scene(scene, room)
    assert (short.broken, scale.ratio) == (True, 10)
    assert (extent_of(short)[2] - extent_of(short)[0]) / 10 <= room[2]
    whole, scale = fitted_scene(scene, (0.0, 0.0, 0.1 * length + 5.0, 100.0))
    assert (whole.broken, scale.ratio) == (False, 10)


def test_masks_and_steps() -> None:
    half, _ = mushrooms([(0, 0, 50, 10, 100, 10)], cell=1.0)
    gaps = half.undercut.gaps
    assert mask_shape(gaps.row, gaps.col, gaps.grid).area == pytest.approx(np.pi * (100**2 - 50**2), rel=0.01)
    assert round_steps(164.0) == [0, 50, 100, 150, 200]
    assert round_steps(0.0) == [0.0, 1.0]
    assert fitting_scale((0, 0, 1000, 900), (0, 0, 100, 100)).text == "1:10"
    assert fitting_scale((0, 0, 1001, 900), (0, 0, 100, 100)).text == "1:20"


def test_labels_keep_their_distance() -> None:
    column = Column(left_mm=200.0, right_mm=250.0, low_mm=0.0, high_mm=200.0)
    rng = np.random.default_rng(7)
    notes = [
        Note(lines=(f"U{i}", "x"), anchor=(float(x), float(y)), tag=str(i))
        for i, (x, y) in enumerate(rng.uniform(0, 180, (14, 2)))
    ]
    labels = place_labels(notes, column)
    boxes = [shapely.union_all([t.shape for t in label.text]).envelope for label in labels]
    assert all(not a.buffer(0.5).intersects(b.buffer(0.5)) for a, b in combinations(boxes, 2))
    assert all(not a.leader.crosses(b.leader) for a, b in combinations(labels, 2))
    assert all(box.bounds[1] >= 0.0 and box.bounds[3] <= 200.0 for box in boxes)
    with pytest.raises(ValueError, match="20 labels in a column with room for"):
        place_labels([*notes, *notes[:6]], column)
    places = spread(np.array([10.0, 10.0, 10.0]), pitch_mm=4.0, column=column)
    np.testing.assert_allclose(places, [6.0, 10.0, 14.0])  # derived: least squares keeps the mean


def test_names_from_outside_cannot_break_the_sheet() -> None:
    assert plain("two\nlines\tand 梟") == "two lines and ?"
    assert fitted("short", 100.0) == "short"
    assert text_width(fitted(LONG_NAME * 9, 60.0)) <= 60.0
    assert fitted("wide", 0.1) == "…"


def test_only_and_progress(tmp_path: Path) -> None:
    views = ("plan", "section", "rubber", "inside", "jacket", "board")
    assert drawing_names(plan("plain")) == (*(f"half-a-{view}" for view in views), "figure")
    with pytest.raises(SettingError, match="no drawing is called front: this plan has half-a-plan"):
        draw_views(plan("plain"), tmp_path, only=("front",))
    stop = Progress()
    stop.stop.set()
    with pytest.raises(StoppedError, match="drawing half-a-plan"):
        draw_views(plan("plain"), tmp_path, only=("half-a-plan",), progress=stop)
    with pytest.raises(OutputError, match="cannot write the drawings"):
        draw_views(plan("plain"), tmp_path / "none", only=("half-a-plan",))


def full_plan() -> Any:
    made = plan("three")
    made.pattern.size_mm, made.pattern.volume_mm3 = (1.0, 2.0, 3.0), 1e8
    made.seam_mm, made.undercut_mm3, made.locked_mm3 = 4e3, 1e7, 1e6
    return made


def test_without_opengl_the_rest_is_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # a child that dies by a signal, as the 3D library does without OpenGL
    def dies(*_: str) -> Any:
        return subprocess.Popen([sys.executable, "-c", "import os; os.abort()"])

    monkeypatch.setattr(pictures, "_start", dies)
    drawn = draw_views(full_plan(), tmp_path)
    assert [path.name for path in drawn.files] == [
        f"{name}.{end}" for name in drawing_names(full_plan())[:-1] for end in ("png", "svg")
    ]
    assert drawn.notes == (pictures.OPENGL_ADVICE,)
    assert "libegl1 libgl1-mesa-dri" in drawn.notes[0]
    pictures.opengl_ready.cache_clear()
    assert not pictures.opengl_ready()
    pictures.opengl_ready.cache_clear()


def test_the_picture_shows_the_halves(tmp_path: Path) -> None:
    pictures.opengl_ready.cache_clear()
    drawn = draw_views(full_plan(), tmp_path, only=("figure",))
    if drawn.notes:
        assert not pictures.opengl_ready()
        pytest.skip("no OpenGL on this computer")
    with Image.open(tmp_path / "figure.png") as image:
        assert image.size == PIXELS
        pixels = np.asarray(image)[500:2000, 400:1900].astype(int)
    assert (pixels.max(axis=2) < 245).mean() > 0.1
    assert np.ptp(pixels, axis=2).max() == 0  # neutral greys only
    assert [path.name for path in drawn.files] == ["figure.png", "figure.svg"]


def test_the_eye_sees_the_gap() -> None:
    up, front = np.array([0.0, 0.0, 1.0]), np.array([0.0, -1.0, 0.0])
    for normal in np.eye(3):
        towards = pictures.eye_direction(normal, up=up, front=front)
        assert np.linalg.norm(towards) == pytest.approx(1.0)
        assert towards @ front > 0.4
        assert abs(towards @ normal) < 0.85
