"""The sheets of the mould (rubber, inside, jacket, board), judged by geometry and by what is written on them."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely
import zoo
from drawn_plans import datums_of, dressed, mushrooms, plan_of
from shop import shop_settings
from test_views import LONG_NAME, SHAPES, crossing_leaders, on_another, outside

from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.plan import plan_job
from moldplan.split.model import Plane
from moldplan.views.draw import half_drawings
from moldplan.views.paper import SMALL_MM, Sheet

VIEWS = ("half-a-rubber", "half-a-inside", "half-a-jacket", "half-a-board")


def plan(name: str, *, full: bool, **names: str) -> Any:
    bodies, up, front = SHAPES[name]
    half, mould = mushrooms(bodies, up=up, front=front)
    return plan_of((half, dressed(half, mould) if full else mould), **names)


@pytest.fixture(scope="module")
def sheets() -> Callable[[str, bool], dict[str, Sheet]]:
    """The four sheets of a shape, bare or with everything a plan may hold, made once."""
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
