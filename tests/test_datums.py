"""Two dowels shared by both boards, and the wall's corners measured from them."""

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laid import plain_half, rubber_on
from shapely import MultiPolygon, Point, Polygon, affinity, box
from shop import shop_settings
from zoo import box as box_mesh

from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.mould.board import plan_board
from moldplan.mould.datums import board_outline, datum_findings, plan_datums, set_out
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.model import Mould
from moldplan.mould.wall import plan_wall
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane


@lru_cache(maxsize=4)
def halves_at(normal: tuple[float, float, float], offset_mm: float = 10.0) -> tuple[Half, Half]:
    """Return the halves of a box of 400 x 300 x 500."""
    length = math.sqrt(sum(part * part for part in normal))
    unit = (normal[0] / length, normal[1] / length, normal[2] / length)
    pattern = pattern_from_arrays(*box_mesh(400.0, 300.0, 500.0), name="box")
    return cut(pattern, Plane(normal=unit, offset_mm=offset_mm), cells=32)


def mould_of(half: Half, edge: MultiPolygon) -> Mould:
    """Return the mould with a given rubber edge."""
    shop, rubber = shop_settings(), rubber_on(edge)
    wall = plan_wall(rubber, shop, section=half.section)
    board, jacket = plan_board(rubber, wall, shop), plan_jacket(half, rubber, shop)
    return Mould(name=half.name, rubber=rubber, wall=wall, board=board, jacket=jacket)


def in_figure(half: Half, place: tuple[float, float]) -> np.ndarray:
    """Return a place on the board in the figure's frame."""
    return (np.linalg.inv(half.to_half) @ np.array([*place, 0.0, 1.0]))[:3]


def blob(half: Half, grow_mm: float) -> MultiPolygon:
    """Return a lopsided edge line round a half."""
    return MultiPolygon([half.projection.convex_hull.union(box(0.0, 0.0, 180.0, 160.0)).buffer(grow_mm)])


PLANES = [(0.0, 1.0, 0.0), (0.0, -1.0, 0.2), (1.0, 0.3, 0.1), (0.0, 0.0, 1.0)]


@pytest.mark.parametrize("normal", PLANES)
def test_both_boards_have_the_same_two_places(normal: tuple[float, float, float]) -> None:
    halves = halves_at(normal)
    moulds = tuple(mould_of(half, blob(half, grow)) for half, grow in zip(halves, (40.0, 75.0), strict=True))
    datums = plan_datums(halves, moulds, shop_settings())
    assert [item.name for item in datums] == ["A", "B"]
    for number in (0, 1):
        one, two = (
            in_figure(half, item.dowels_mm[number]) for half, item in zip(halves, datums, strict=True)
        )
        assert np.abs(one - two).max() < 1e-9
    for mould, item in zip(moulds, datums, strict=True):
        board = board_outline(mould)
        for dowel in map(Point, item.dowels_mm):
            assert board.exterior.distance(dowel) >= 30.0 - 1e-6
            assert board.contains(dowel)
            assert mould.jacket.flange_outer.distance(dowel) >= 10.0
            assert mould.wall.outer.distance(dowel) >= 10.0
        first, second = item.dowels_mm
        assert math.dist(first, second) > 0.7 * max(mould.board.size_mm)


def test_dowels_of_one_plain_board_stand_in_two_corners_of_a_long_side() -> None:
    """Edge 800 x 500 about the middle: board 1100 x 800, dowels 30 in from its lower corners: derived."""
    half = plain_half()
    mould = mould_of(half, MultiPolygon([box(-400.0, -250.0, 400.0, 250.0)]))
    (item,) = plan_datums([half], [mould], shop_settings())
    assert item.dowels_mm == (pytest.approx((-520.0, -370.0)), pytest.approx((520.0, -370.0)))
    assert all(point.square_mm > 0.0 for point in item.points)  # two tapes meet in one place only


@given(
    places=st.lists(
        st.tuples(st.floats(-2e3, 2e3), st.floats(-2e3, 2e3)), min_size=3, max_size=3, unique=True
    )
)
@settings(deadline=None, max_examples=100)
def test_setting_out_comes_back(places: list[tuple[float, float]]) -> None:
    """Along and square give the place back to 1e-9, and the two tapes agree with them (Pythagoras)."""
    first, second, place = (np.array(item) for item in places)
    base = float(np.linalg.norm(second - first))
    if base < 1.0:
        return
    found = set_out((float(place[0]), float(place[1])), np.array([first, second]))
    way = (second - first) / base
    back = first + found.along_mm * way + found.square_mm * np.array([-way[1], way[0]])
    assert np.abs(back - place).max() < 1e-9
    assert math.hypot(found.along_mm, found.square_mm) == pytest.approx(found.from_first_mm, abs=1e-9)
    assert math.hypot(found.along_mm - base, found.square_mm) == pytest.approx(found.from_second_mm, abs=1e-9)


def test_a_place_measured_by_hand() -> None:
    """Dowels 1000 apart on y = 0, a place 300 along and 400 up: 500 and sqrt(700^2 + 400^2) away."""
    found = set_out((300.0, 400.0), np.array([[0.0, 0.0], [1000.0, 0.0]]))
    assert (found.along_mm, found.square_mm, found.from_first_mm) == (300.0, 400.0, 500.0)
    assert found.from_second_mm == pytest.approx(math.hypot(700.0, 400.0), rel=1e-12)


def test_every_corner_of_the_wall_is_measured() -> None:
    halves = halves_at((0.0, 1.0, 0.0))
    moulds = tuple(mould_of(half, blob(half, 40.0)) for half in halves)
    for mould, item in zip(moulds, plan_datums(halves, moulds, shop_settings()), strict=True):
        assert tuple(point.place_mm for point in item.points) == mould.wall.points_mm


def test_boards_that_share_no_ground_are_told() -> None:
    halves = halves_at((0.0, 1.0, 0.0))
    here = mould_of(halves[0], blob(halves[0], 40.0))
    away = mould_of(halves[1], MultiPolygon([affinity.translate(blob(halves[1], 40.0).geoms[0], 5e3, 0.0)]))
    datums = plan_datums(halves, (here, away), shop_settings())
    assert datums == ()
    (told,) = datum_findings(halves, datums)
    assert (told.code, told.severity, told.half) == ("no-datums", "check", None)
    assert "both boards have no two places" in told.advice


def test_a_board_with_no_room_beside_the_flange_is_told() -> None:
    half = plain_half()
    mould = mould_of(half, MultiPolygon([box(-400.0, -250.0, 400.0, 250.0)]))
    x_low, y_low, x_high, y_high = mould.jacket.flange_outer.bounds
    square = Polygon([(x_low, y_low), (x_high, y_low), (x_high, y_high), (x_low, y_high)])
    tight = replace(
        mould,
        board=replace(mould.board, size_mm=(920.0, 620.0)),
        jacket=replace(mould.jacket, flange_outer=square),
    )
    datums = plan_datums([half], [tight], shop_settings())
    assert datums == ()
    assert [item.code for item in datum_findings([half], datums)] == ["no-datums"]


def test_dowels_give_up_their_distance_from_the_edge_before_they_give_up() -> None:
    """90 mm of ground beside a square flange: 170 in is on it, 85 too near it, a quarter leaves room."""
    half = plain_half()
    mould = mould_of(half, MultiPolygon([box(-400.0, -250.0, 400.0, 250.0)]))
    square = box(-460.0, -310.0, 460.0, 310.0)
    mould = replace(mould, jacket=replace(mould.jacket, flange_outer=square))
    (item,) = plan_datums([half], [mould], shop_settings(board__dowel_off_mm=170.0))
    assert board_outline(mould).exterior.distance(Point(item.dowels_mm[0])) == pytest.approx(42.5)


def test_there_is_nothing_to_say_when_dowels_stand() -> None:
    half = plain_half()
    mould = mould_of(half, MultiPolygon([box(-400.0, -250.0, 400.0, 250.0)]))
    datums = plan_datums([half], [mould], shop_settings())
    assert len(datums) == 1
    assert list(datum_findings([half], datums)) == []
