"""The sheets of the mould: rubber, inside, jacket, board; judged by geometry and by what is written."""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
import zoo
from drawn_plans import datums_of, disc, dressed, mushrooms, plan_of
from test_views import LONG_NAME, SHAPES, crossing_leaders, on_another, outside

from moldplan.half.model import Half
from moldplan.mould.model import Reach
from moldplan.views import draw_views
from moldplan.views.coat_section import (
    CoatSection,
    coat_cut,
    coat_section,
    deepest_region,
    far_field,
    spread_points,
)
from moldplan.views.cutting import Cut
from moldplan.views.draw import half_drawings
from moldplan.views.furniture import briefly, words_height
from moldplan.views.half_inside import inside_directions, unreached_shape
from moldplan.views.half_jacket import side_outline
from moldplan.views.half_plan import clay_ground
from moldplan.views.half_rubber import Bands, band_edges, coat_rows
from moldplan.views.marks import Mark, place_marks
from moldplan.views.paper import SMALL_MM, Area, Sheet
from moldplan.views.scale import Scale
from moldplan.views.tables import Field, Table, draw_list, draw_table_at

VIEWS = ("half-a-rubber", "half-a-inside", "half-a-jacket", "half-a-board")


def plan(name: str, *, full: bool, **names: str) -> Any:
    bodies, up, front = SHAPES[name]
    half, mould = mushrooms(bodies, up=up, front=front)
    return plan_of((half, dressed(half, mould) if full else mould), **names)


@pytest.fixture(scope="module")
def sheets() -> Callable[[str, bool], dict[str, Sheet]]:
    """Give the four sheets of a shape, bare or with everything a plan may hold, made once."""
    made: dict[tuple[str, bool], dict[str, Sheet]] = {}

    def get(name: str, full: bool = True) -> dict[str, Sheet]:  # noqa: FBT001, FBT002 - a plain switch
        if (name, full) not in made:
            drawings = half_drawings(plan(name, full=full, job=LONG_NAME))
            made[name, full] = {key: make() for key, make in drawings if key in VIEWS}
        return made[name, full]

    return get


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("full", [True, False], ids=["full", "bare"])
@pytest.mark.parametrize("name", SHAPES)
def test_nothing_lies_on_anything_else(sheets: Any, name: str, full: bool, view: str) -> None:  # noqa: FBT001 - a parameter of the test
    sheet = sheets(name, full)[view]
    assert on_another(sheet) == []
    assert crossing_leaders(sheet) == []
    assert outside(sheet) == []
    assert len(sheet.lettering()) > 20
    assert min(text.height_mm for text in sheet.lettering()) >= SMALL_MM


def written(sheet: Sheet) -> list[str]:
    return [text.text for text in sheet.lettering()]


def ratio_of(sheet: Sheet) -> float:
    return float(next(t for t in written(sheet) if t.startswith("scale 1:")).removeprefix("scale 1:"))


# --- true to scale, mirrored where it says so -----------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS)
def test_outlines_are_true_to_scale(sheets: Any, view: str) -> None:
    sheet = sheets("askew")[view]
    half, mould = next(plan("askew", full=True).pairs())
    tag, shape = {
        "half-a-rubber": ("rubber-edge", mould.rubber.edge_line),
        "half-a-inside": ("projection", half.projection),
        "half-a-jacket": ("jacket-flange", mould.jacket.flange_outer),
        "half-a-board": ("wall-outer", mould.wall.outer),
    }[view]
    left, low, right, high = shapely.union_all([s.shape for s in sheet.strokes(tag)]).bounds
    wide, tall = shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1]
    ratio = ratio_of(sheet)
    # lines are thinned to 0.02 mm of paper, twice; a mark may stand on an outermost point (its own radius)
    np.testing.assert_allclose(((right - left) * ratio, (high - low) * ratio), (wide, tall), atol=6.0 * ratio)
    assert (right - left) * ratio <= wide + 0.04 * ratio
    assert (high - low) * ratio <= tall + 0.04 * ratio


def test_a_mirrored_scale_runs_to_the_left() -> None:
    scale = Scale(ratio=10.0, middle_mm=(50.0, 20.0), at=(100.0, 80.0), mirrored=True)
    assert scale.point(60.0, 30.0) == pytest.approx((99.0, 81.0))
    assert scale.box((0.0, 0.0, 200.0, 100.0)) == pytest.approx((85.0, 78.0, 105.0, 88.0))
    shape = scale.shape(shapely.box(0.0, 0.0, 200.0, 100.0))
    assert shape.bounds == pytest.approx((85.0, 78.0, 105.0, 88.0))


def test_the_inside_is_mirrored_and_the_others_are_not(sheets: Any) -> None:
    # "askew" has its tall narrow body up and to the right of the wide one
    half, _ = next(plan("askew", full=True).pairs())
    for view, sign in (("half-a-inside", -1.0), ("half-a-jacket", 1.0), ("half-a-board", 1.0)):
        tag = "projection" if view != "half-a-board" else "section"
        lines = shapely.union_all([s.shape for s in sheets("askew")[view].strokes(tag)])
        middle = 0.5 * (lines.bounds[0] + lines.bounds[2])
        upper = lines.intersection(shapely.box(0.0, 0.7 * lines.bounds[3] + 0.3 * lines.bounds[1], 500, 500))
        assert sign * (0.5 * (upper.bounds[0] + upper.bounds[2]) - middle) > 5.0
    assert any("mirrored" in text for text in written(sheets("askew")["half-a-inside"]))
    for along, seen in (((1.0, 0.0), (-1.0, 0.0)), ((0.0, 1.0), (0.0, 1.0))):
        turned = Half(**{**vars(half), "up_xy": along, "front_xy": (0.0, 0.0)})
        arrows, words = inside_directions(plan("askew", full=False), turned)
        assert arrows == [("HEAD", seen)]
        # the front of this half points along its pull: away from who looks in from below
        assert words == [("FRONT", "faces away, into the mould")]


# --- rubber ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("least", "most"), [(8.0, 8.0), (7.9, 9.1), (8.0, 61.0), (0.7, 400.0), (6.0, 6.3)])
def test_bands_are_round_and_cover(least: float, most: float) -> None:
    edges = band_edges(np.linspace(least, most, 50))
    assert edges[0] <= least
    assert edges[-1] >= most
    assert 2 <= len(edges) <= 7
    assert len(band_edges(np.r_[np.full(95, least), np.full(5, most)])) >= 2
    assert (np.diff(edges) > 0.0).all()
    assert all(len(f"{edge:g}") <= 5 for edge in edges)


def test_bands_of_thickness_read_in_grey() -> None:
    for most in (9.0, 20.0, 300.0):
        shades = Bands(edges_mm=band_edges(np.linspace(8.0, most, 50))).shades()
        grey = shades @ [0.299, 0.587, 0.114]
        assert (np.diff(grey) < -12.0).all()
        assert grey.min() > 90.0  # dark lines still show on the darkest band
        assert (shades[:, 0] >= shades[:, 1]).all()
        assert (shades[:, 1] >= shades[:, 2]).all()  # one hue


def test_the_map_is_white_where_nothing_is_known() -> None:
    map_mm = np.array([[np.nan, 8.0], [20.0, np.nan]])
    rgb = Bands(edges_mm=(8.0, 12.0, 30.0)).picture(map_mm)
    light, dark = Bands(edges_mm=(8.0, 12.0, 30.0)).shades().astype(int)
    np.testing.assert_array_equal(rgb[1], [[255, 255, 255], light])  # the first row lies lowest
    np.testing.assert_array_equal(rgb[0], [dark, [255, 255, 255]])


def test_gathered_coats_lose_nothing() -> None:
    half, bare = mushrooms(SHAPES["many"][0])
    coats = dressed(half, bare).rubber.coats
    assert len(coats) > 40
    rows = coat_rows(coats, most=10)
    assert len(rows) == 10
    assert sum(int(row[2]) for row in rows) == sum(coat.passes for coat in coats)
    assert sum(float(row[4].removesuffix(" kg")) for row in rows) == pytest.approx(
        sum(coat.mass_kg for coat in coats), rel=0.01
    )
    assert [row[0] for row in rows if row[0]] == sorted((row[0] for row in rows if row[0]), key=int)
    whole = coat_rows(coats, most=1000)
    assert [row[0] for row in whole] == [str(n) for n in range(1, len(coats) + 1)]


def test_the_section_goes_through_the_undercut_with_most_coats() -> None:
    half, bare = mushrooms(SHAPES["three"][0])
    mould = dressed(half, bare)  # by hand: passes rise with the region's number
    assert deepest_region(half, mould).id == max(region.id for region in half.undercut.regions)  # type: ignore[union-attr]
    cut = coat_cut(half, mould)
    assert (cut.region, cut.letter) == (3, "T")
    section = coat_section(half, mould, cut, flange_mm=6.0)
    assert section.profile.gaps[3].area > 0.0
    left, low, right, high = section.profile.gaps[3].geoms[0].bounds
    assert section.window[0] < left < right < section.window[2]
    assert section.window[1] < low < high < section.window[3]


def test_far_distances_are_true() -> None:
    # derived: a sphere's distance is the distance from its middle less its radius, in space
    points, faces = zoo.sphere(100.0, 4)
    half, mould = mushrooms([(0, 0, 50, 10, 100, 10)])
    ball = Half(
        **{**vars(half), "vertices": points + np.array([0.0, 0.0, 150.0]), "faces": faces, "height_mm": 250.0}
    )
    cut = Cut(axis="x", at_mm=40.0)
    section = CoatSection(
        half=ball, mould=mould, cut=cut, profile=None, region=None, window=(-100, 0, 100, 200)  # type: ignore[arg-type]
    )  # fmt: skip
    y, z, far = far_field(section, (-120.0, 0.0, 120.0, 240.0))
    u, h = np.meshgrid(y, z)
    true = np.sqrt(40.0**2 + u**2 + (h - 150.0) ** 2) - 100.0
    outside_ball = true > 8.0
    assert outside_ball.sum() > 1000
    # points lie on chords up to a cell of 2.2 mm long: too far by at most (2.2 / sqrt 3)^2 / 2 / 8, and the
    # mesh itself lies up to 0.3 mm inside the sphere
    assert (far - true)[outside_ball].min() > -1e-6
    assert (far - true)[outside_ball].max() < 0.11 + 0.3


def test_points_on_triangles_are_dense_and_on_them() -> None:
    corners = np.array([[[0.0, 0, 0], [10, 0, 0], [0, 7, 0]], [[0, 0, 5], [0.4, 0, 5], [0, 0.3, 5]]])
    points = spread_points(corners, 1.0)
    assert len(points) == 14 * 15 // 2 + 3  # 12.2 mm in 13 parts; the small one has its corners only
    first = points[points[:, 2] == 0.0]
    assert (first >= -1e-12).all()
    assert (first[:, 0] / 10 + first[:, 1] / 7 <= 1 + 1e-12).all()
    assert len(spread_points(np.zeros((0, 3, 3)), 1.0)) == 0


def test_each_pass_has_its_line(sheets: Any) -> None:
    # derived: under a flat cap the lines of passes are level, one coat apart from the skin downwards
    half, bare = mushrooms([(0, 0, 60, 120, 200, 60)], cell=1.0)
    mould = dressed(half, bare)
    extra = next(coat for coat in mould.rubber.coats if coat.region == 1)
    sheet = next(make() for name, make in half_drawings(plan_of((half, mould))) if name == "half-a-rubber")
    passes = sheet.strokes("passes")
    assert passes
    assert f"{extra.passes} x 2.4 mm" in written(sheet)
    label = next(t for t in written(sheet) if t.startswith("blue lines: passes of rubber"))
    every = int(label.split(", ")[1].removesuffix(" a line")) if "," in label else 1
    title = next(t for t in written(sheet) if t.startswith("at "))
    ratio = float(title.rsplit(":", 1)[1])
    # in the middle between stem and rim, far from both, the nearest face is the cap's underside
    bands = [stroke.shape for stroke in sheet.strokes() if stroke.tag.startswith("coat-")]
    assert len(bands) >= 4
    gap = max(
        (mark for mark in sheet.marks if isinstance(mark, Area) and mark.tag == "undercut-1"),
        key=lambda mark: mark.shape.area,
    ).shape
    left, low, right, high = max(gap.geoms, key=lambda part: part.area).bounds
    middle = shapely.LineString([(0.5 * (left + right), low), (0.5 * (left + right), high)])
    levels = sorted(
        (point.y for stroke in passes for point in shapely.get_parts(stroke.shape.intersection(middle))
         if point.geom_type == "Point"),
        reverse=True,
    )  # fmt: skip
    steps = -np.diff(levels) * ratio
    assert steps.size >= 2
    np.testing.assert_allclose(steps[:2], every * extra.thickness_mm, rtol=0.12)


# --- inside ----------------------------------------------------------------------------------------------


def test_what_is_not_reached_keeps_its_area() -> None:
    # derived: a disc of points a cell apart, each standing for a cell squared
    x, y = np.meshgrid(np.arange(-100.0, 101.0, 4.0), np.arange(-100.0, 101.0, 4.0))
    inside = np.hypot(x, y) < 90.0
    points = np.column_stack([x[inside], y[inside], np.full(inside.sum(), 30.0)])
    reach = Reach(
        surface_mm2=1e5, unreached_mm2=inside.sum() * 16.0, cell_mm=4.0, points_mm=points, places=()
    )
    shape = unreached_shape(reach)
    assert shape.geom_type == "Polygon"
    assert shape.area == pytest.approx(inside.sum() * 16.0, rel=0.06)
    assert unreached_shape(None).is_empty


def test_the_inside_says_how_to_peel_and_warns(sheets: Any) -> None:
    texts = written(sheets("three")["half-a-inside"])
    _, mould = next(plan("three", full=True).pairs())
    assert "rubber stretches 45 % here" in texts
    assert "allowed 75 %" in texts
    assert {"1", "2", "3"} <= set(texts)  # marks and list
    assert any(text.startswith("R1") for text in texts)
    assert sum(text == "S1" for text in texts) == 2  # mark and key
    assert any(text.startswith("S1") and text != "S1" for text in texts)
    caution = " ".join(texts[texts.index("CAUTION") :])
    assert "Styrene lies in an open half" in caution
    assert "a qualified person decide" in caution
    assert "supplied air" not in caution  # 380 mm deep
    deep = " ".join(written(sheets("huge")["half-a-inside"]))
    assert "supplied air, a second person" in deep
    assert mould.peel is not None


# --- jacket ----------------------------------------------------------------------------------------------


def test_the_half_stands_level_on_its_feet() -> None:
    half, bare = mushrooms(SHAPES["askew"][0])
    mould = dressed(half, bare)
    shape, across = side_outline(mould)
    flange = mould.jacket.flange_outer.bounds
    assert across == (1 if flange[3] - flange[1] >= flange[2] - flange[0] else 0)
    left, low, right, high = shape.bounds
    assert (left, right) == pytest.approx((flange[across], flange[across + 2]))
    assert high == pytest.approx(mould.jacket.stand_mm)
    assert low == pytest.approx(mould.jacket.stand_mm - mould.jacket.outer_mm.max())  # type: ignore[union-attr]
    # the higher of the two bodies hangs lowest, over its own place
    x = 300.0 if across == 1 else 420.0
    at = shape.intersection(shapely.LineString([(x, -1e4), (x, 1e4)])).bounds[1]
    assert at == pytest.approx(low, abs=1.0)


def test_feet_pieces_and_masses_are_written(sheets: Any) -> None:
    texts = written(sheets("three")["half-a-jacket"])
    _, mould = next(plan("three", full=True).pairs())
    lengths = ", ".join(f"{height:.0f}" for height in mould.jacket.foot_height_mm)
    assert {"F1", "F4", "H1", lengths, "MASSES", "28.8 kg", "together, at most"} <= set(texts)
    for advice in mould.advice:
        name = f"U{advice.region} {advice.chosen.kind}"
        shown = any(" ".join(text.split()) == name for text in texts)
        assert shown == (advice.chosen.kind in {"loose piece", "plug"})
    assert sum(text.startswith("web W") for text in texts) == len(mould.webs) > 0
    assert "Strap rubber and jacket together" in " ".join(texts)


# --- board -----------------------------------------------------------------------------------------------


def test_the_table_says_what_a_tape_reads(sheets: Any) -> None:
    sheet = sheets("askew")["half-a-board"]
    texts = [text for text in sheet.lettering() if text.owner == "table-text"]
    _, mould = next(plan("askew", full=True).pairs())
    datums = datums_of(mould)
    rows: dict[float, list[str]] = {}
    for text in texts:
        rows.setdefault(round(text.at[1], 2), []).append(text.text)
    cells = [row[k : k + 3] for row in rows.values() for k in range(0, len(row) - 2, 3)]
    read = {int(row[0]): row[1:] for row in cells if row[0].isdigit()}
    assert len(read) == len(datums.points)
    for number, point in enumerate(datums.points, start=1):
        x, y = point.place_mm
        tapes = [f"{np.hypot(x - dx, y - dy):.0f}" for dx, dy in datums.dowels_mm]
        assert read[number] == tapes


def test_every_corner_is_numbered_or_counted(sheets: Any) -> None:
    for name in ("askew", "three", "upright"):
        sheet = sheets(name)["half-a-board"]
        numbered = [text.text for text in sheet.lettering() if text.owner == "corner"]
        _, mould = next(plan(name, full=True).pairs())
        texts = written(sheet)
        missing = (
            int(texts[texts.index("numbers without room") + 1]) if "numbers without room" in texts else 0
        )
        assert len(set(numbered)) == len(numbered) == len(mould.wall.points_mm) - missing


def test_walls_in_openings_are_clay_too() -> None:
    half, bare = mushrooms([(0, 0, 400, 20, 420, 40)])
    ring = disc(0, 0, 120).difference(disc(0, 0, 100))
    wall = replace(bare.wall, inner_walls=(ring,))
    around = wall.outer.area - wall.inner.area
    assert clay_ground(wall).area == pytest.approx(around + ring.area)
    made = plan_of((half, replace(bare, wall=wall)))
    for name, make in half_drawings(made):
        if name in {"half-a-plan", "half-a-board"}:
            assert len(make().strokes("wall-in-hole")) == 1


# --- marks, tables, files --------------------------------------------------------------------------------


def test_marks_keep_off_each_other() -> None:
    rng = np.random.default_rng(3)
    places = rng.uniform(20.0, 120.0, (60, 2))
    marks = [Mark(text=f"K{n}", anchor=(float(x), float(y)), tag="k") for n, (x, y) in enumerate(places)]
    wall = shapely.LineString([(70.0, 0.0), (70.0, 140.0)])
    placed = place_marks(marks, room=(10.0, 10.0, 130.0, 130.0), taken=[wall])
    assert len(placed.placed) + placed.left_out == 60
    assert len(placed.placed) > 40
    discs = [mark.ground for mark in placed.placed]
    assert all(not a.intersects(b) for a, b in combinations(discs, 2))
    assert not any(disc.intersects(wall) for disc in discs)
    leaders = [mark.leader for mark in placed.placed if mark.leader is not None]
    assert leaders
    assert all(not a.crosses(b) for a, b in combinations(leaders, 2))
    assert placed.clear(wall).equals(wall)
    line = shapely.LineString([(0.0, 60.0), (140.0, 60.0)])
    assert not placed.clear(line).intersects(shapely.union_all(discs))


def test_a_lone_mark_stands_on_its_place() -> None:
    placed = place_marks([Mark(text="K1", anchor=(50.0, 50.0), tag="k")], room=(0, 0, 100, 100))
    assert placed.placed[0].at == (50.0, 50.0)
    assert placed.placed[0].leader is None
    beside = place_marks([Mark(text="1", anchor=(50.0, 50.0), tag="k")], room=(0, 0, 100, 100), ringed=False)
    assert not beside.placed[0].ground.contains(shapely.Point(50.0, 50.0))
    none = place_marks([Mark(text="K1", anchor=(50.0, 50.0), tag="k")], room=(49, 49, 51, 51))
    assert (none.placed, none.left_out) == ((), 1)


def test_a_table_says_when_it_is_cut_short() -> None:
    sheet = Sheet("t")
    table = Table(
        title="T", fields=(Field(head="a", width_mm=30.0),), rows=[(f"row {n}",) for n in range(20)]
    )
    end = draw_table_at(sheet, table, at=(20.0, 100.0), low=50.0)
    texts = written(sheet)
    assert texts[-1] == "and more: see plan.json"
    assert "row 19" not in texts
    assert end >= 50.0 - 1e-9
    short = Sheet("l")
    draw_list(short, "L", [(str(n), "word " * 30) for n in range(9)], box=(20.0, 40.0, 120.0, 100.0))
    assert written(short)[-1] == "and more: see plan.json"
    whole = Sheet("l")
    draw_list(whole, "L", [("1", "one"), ("2", "two")], box=(20.0, 80.0, 120.0, 100.0))
    assert written(whole) == ["L", "1", "one", "2", "two"]


def test_words_are_cut_after_a_whole_word() -> None:
    text = "the rubber makes a closed loop through the half and cannot come off whole: " * 4
    short = briefly(text, 3)
    assert short.endswith(" ... (see plan.json)")
    assert text.startswith(short.removesuffix(" ... (see plan.json)"))
    assert words_height([short]) <= words_height(["word"]) + 2 * 6.0 + 1e-9
    assert briefly("short", 3) == "short"


@pytest.mark.parametrize("count", [0, 1, 2, 3, 9])
def test_stops_never_crowd_out_the_sizes(count: int) -> None:
    made = plan("three", full=True)
    words = "new rubber meets cured rubber at the web and sticks for good: two coats of release, tried first"
    made.findings = tuple(
        SimpleNamespace(severity="stop", half="A", advice=f"no. {n}: {words * 3}") for n in range(count)
    )
    sheet = next(make() for name, make in half_drawings(made) if name == "half-a-plan")
    texts = written(sheet)
    assert "and more: see plan.json" not in texts
    assert {"half, height", "board"} <= set(texts)
    assert (f"and {count - 2} more: see plan.json" in texts) == (count > 2)
    assert sum(text.startswith("no. ") for text in texts) == min(count, 2)
    assert on_another(sheet) == []


def test_a_long_order_of_peeling_goes_on_beside() -> None:
    half, bare = mushrooms(SHAPES["three"][0])
    mould = dressed(half, bare)
    assert mould.peel is not None
    steps = tuple(replace(mould.peel.order[0], number=n, text=f"step {n} " * 12) for n in range(1, 10))
    # wordy small shapes give way to the order of peeling: they keep their sizes only
    wordy = tuple(replace(feature, text="long words " * 20) for feature in mould.features)
    for features, held in (((), True), (wordy, True)):
        full = replace(mould, peel=replace(mould.peel, order=steps), features=features)
        drawings = half_drawings(plan_of((half, full)))
        sheet = next(make() for name, make in drawings if name == "half-a-inside")
        assert on_another(sheet) == []
        texts = written(sheet)
        assert ("PEEL, GOING ON" in texts) == held
        assert any(text.startswith("step 9") for text in texts) == held
        assert ("go on at the right" in texts) == held
        assert not any("long words" in text for text in texts)


def test_a_stretch_beyond_all_sense_is_not_given_in_figures() -> None:
    half, bare = mushrooms(SHAPES["three"][0])
    mould = dressed(half, bare)
    assert mould.peel is not None
    full = replace(mould, peel=replace(mould.peel, strain=87.0))
    sheet = next(make() for name, make in half_drawings(plan_of((half, full))) if name == "half-a-inside")
    assert "rubber stretches over 300 % here" in written(sheet)


@pytest.mark.soak
def test_bytes_repeat(tmp_path: Path) -> None:
    for run in ("first", "second"):
        (tmp_path / run).mkdir()
        draw_views(plan("three", full=True), tmp_path / run, only=VIEWS)
    names = sorted(path.name for path in (tmp_path / "first").iterdir())
    assert names == sorted(f"{view}.{end}" for view in VIEWS for end in ("png", "svg"))
    for name in names:
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()
