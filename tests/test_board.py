"""The board's joints, battens and shim."""

from itertools import pairwise

import pytest
from laid import RECTANGLE, rubber_on
from shapely import LineString, MultiPolygon, box
from shop import shop_settings

from moldplan.mould.board import jacketing_mm, plan_board
from moldplan.mould.model import Board
from moldplan.mould.wall import plan_wall


def board_for(x_mm: float, y_mm: float, *, sawn: bool = True, **overrides: float) -> Board:
    """Return the board for a rectangular edge of the given size: 300 mm larger either way."""
    settings = shop_settings(**overrides)
    rubber = rubber_on(MultiPolygon([box(0.0, 0.0, x_mm, y_mm)]))
    return plan_board(rubber, plan_wall(rubber, settings), settings, sawn=sawn)


def across(lines: tuple[tuple[tuple[float, float], tuple[float, float]], ...], axis: int) -> list[float]:
    """Return where the lines square to an axis stand on it, measured from the board's corner at -150."""
    return sorted(line[0][axis] + 150.0 for line in lines if line[0][axis] == line[1][axis])


def test_one_sheet_has_no_joint() -> None:
    board = board_for(2140.0, 920.0)
    assert (board.sheets, board.joints_mm) == (1, ())


def test_joints_lie_where_sheets_laid_in_rows_meet() -> None:
    """A board of 2500 square from sheets of 2440 x 1220: one upright joint, two level ones: derived."""
    board = board_for(2200.0, 2200.0)
    assert board.sheets == 6
    assert across(board.joints_mm, 0) == pytest.approx([2440.0])
    assert across(board.joints_mm, 1) == pytest.approx([1220.0, 2440.0])
    assert {LineString(line).length for line in board.joints_mm} == {2500.0}


@pytest.mark.parametrize("size", [(500.0, 300.0), (2140.0, 920.0), (3360.0, 900.0), (900.0, 4000.0)])
def test_battens_are_close_enough_and_under_every_joint(size: tuple[float, float]) -> None:
    board = board_for(*size)
    longer = 0 if board.size_mm[0] >= board.size_mm[1] else 1
    places = across(board.battens_mm, longer)
    assert places[0] == pytest.approx(50.0)
    assert places[-1] == pytest.approx(board.size_mm[longer] - 50.0)
    assert max(high - low for low, high in pairwise(places)) <= 400.0 + 1e-6
    assert set(board.joints_mm) <= set(board.battens_mm)
    assert len(set(board.battens_mm)) == len(board.battens_mm)
    x, y = board.centre_mm
    width, height = board.size_mm
    plate = box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    assert all(plate.buffer(1e-6).covers(LineString(line)) for line in board.battens_mm)


def test_the_saw_is_made_up_for_by_half_on_either_side() -> None:
    assert board_for(500.0, 300.0).shim_mm == 1.5
    assert board_for(500.0, 300.0, board__kerf_mm=4.0).shim_mm == 2.0
    assert board_for(500.0, 300.0, sawn=False).shim_mm == 0.0


def test_the_jacketing_state_needs_the_rubber_alone() -> None:
    """800 x 500 and 2 x (60 + 90) round it: derived."""
    assert jacketing_mm(rubber_on(RECTANGLE), shop_settings()) == (1100.0, 800.0)
