"""Rubber drawn out of gaps sideways, and thickness square to the surface: kernels against plain loops."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from moldplan.columns.grid import Grid
from moldplan.columns.layers import ColumnGaps
from moldplan.columns.sideways import GRAZES, STEP, Room, drawn_sideways, thickness_inside

Floats = NDArray[np.float64]
GRID = Grid(-6.0, -5.0, 1.0, 12, 10)


def random_room(seed: int) -> Room:
    """Return columns with up to two gaps each, some without any solid, under a rubber 2 over the tops."""
    dice = np.random.default_rng(seed)
    top = np.where(dice.random(GRID.shape) < 0.3, 0.0, dice.uniform(2.0, 6.0, GRID.shape))
    low, high, start = [], [], [0]
    for height in top.reshape(-1):
        count = int(dice.integers(0, 3)) if height > 0.0 else 0
        ends = np.sort(dice.uniform(0.0, height, 2 * count))[::-1]
        for gap in range(count):
            high.append(ends[2 * gap])
            low.append(ends[2 * gap + 1])
        start.append(len(low))
    gaps = ColumnGaps(start=np.array(start), low_mm=np.array(low), high_mm=np.array(high), top_mm=top)
    outer_grid = Grid(-7.5, -6.5, 0.75, 20, 18)
    outer = np.where(dice.random(outer_grid.shape) < 0.2, 0.0, dice.uniform(3.0, 8.0, outer_grid.shape))
    return Room(gaps=gaps, grid=GRID, outer_mm=outer, outer_grid=outer_grid)


def cell_of(grid: Grid, x: float, y: float) -> tuple[int, int] | None:
    """Return row and column of a place, None off the grid."""
    column, row = math.floor((x - grid.x0_mm) / grid.cell_mm), math.floor((y - grid.y0_mm) / grid.cell_mm)
    return (row, column) if 0 <= row < grid.ny and 0 <= column < grid.nx else None


def state(room: Room, x: float, y: float, z: float) -> float | str:
    """Return "solid", "open", or the height of what hangs over a place in a gap."""
    at = cell_of(room.grid, x, y)
    if at is None or z >= room.gaps.top_mm[at]:
        return "open"
    number = at[0] * room.grid.nx + at[1]
    for gap in range(room.gaps.start[number], room.gaps.start[number + 1]):
        if room.gaps.low_mm[gap] <= z <= room.gaps.high_mm[gap]:
            return float(room.gaps.high_mm[gap])
    return "solid"


def outer_at(room: Room, x: float, y: float) -> float:
    at = cell_of(room.outer_grid, x, y)
    return 0.0 if at is None else float(room.outer_mm[at])


def backed(place: Floats, way: tuple[float, float], room: Room) -> bool:
    """Whether the gap behind a place ends in the half."""
    far = 0.0
    while isinstance(found := state(room, place[0] - far * way[0], place[1] - far * way[1], place[2]), float):
        far += STEP * GRID.cell_mm
    return found == "solid"


def drawn(place: Floats, way: tuple[float, float], room: Room) -> tuple[float, float, bool]:
    """Return travel, root and whether one place comes clear."""
    far, travel, root, out = 0.0, 0.0, 0.0, False
    while True:
        x, y = place[0] + far * way[0], place[1] + far * way[1]
        found = state(room, x, y, place[2])
        if found == "solid":
            if far > GRAZES * GRID.cell_mm:
                return travel, root, False
        elif found == "open":
            if not out:
                out, travel = True, far
            if place[2] >= outer_at(room, x, y):
                return travel, root, True
        elif not out:
            root = float(found)
        far += GRID.cell_mm * (1.0 if out else STEP)


@pytest.mark.kernel
@pytest.mark.parametrize("seed", range(4))
def test_drawn_sideways_is_the_plain_loop(seed: int) -> None:
    room = random_room(seed)
    dice = np.random.default_rng(100 + seed)
    places = np.column_stack([dice.uniform(-6, 6, 40), dice.uniform(-5, 5, 40), dice.uniform(0.0, 6.0, 40)])
    angle = float(dice.uniform(0.0, 2.0 * math.pi))
    way = (math.cos(angle), math.sin(angle))
    found = drawn_sideways(places, way, room, most_shut=40, most_free=40)
    travel, root, clear = zip(*(drawn(place, way, room) for place in places), strict=True)
    assert found.clear.tolist() == list(clear)
    assert found.travel_mm.tolist() == list(travel)
    assert found.root_mm.tolist() == list(root)
    assert 0 < sum(clear) < 40


@pytest.mark.kernel
@pytest.mark.parametrize("which", ["shut", "free"])
def test_too_many_shut_or_free_and_none_is_clear(which: str) -> None:
    """Exactly as many as there are may be allowed; one less, and nothing is clear."""
    room = random_room(1)
    dice = np.random.default_rng(5)
    places = np.column_stack([dice.uniform(-6, 6, 40), dice.uniform(-5, 5, 40), dice.uniform(0.0, 6.0, 40)])
    way = (0.6, 0.8)
    if which == "shut":
        count = sum(not drawn(place, way, room)[2] for place in places)
    else:
        count = sum(not backed(place, way, room) for place in places)
    assert 0 < count < 40
    allowed = {"most_shut": 40, "most_free": 40}
    enough = drawn_sideways(places, way, room, **{**allowed, f"most_{which}": count})
    assert enough.clear.any()
    less = drawn_sideways(places, way, room, **{**allowed, f"most_{which}": count - 1})
    assert not less.clear.any()


def pierced(place: Floats, normal: Floats, room: Room, most: float) -> float:
    """Return the thickness below one place."""
    step = STEP * GRID.cell_mm
    far, entered = step, False
    while far < most:
        x, y, z = place - far * normal
        if z < 0.0 or state(room, x, y, z) == "solid":
            entered = True
        elif entered or far > GRAZES * GRID.cell_mm:
            return far - 0.5 * step
        far += step
    return math.inf


@pytest.mark.kernel
@pytest.mark.parametrize("seed", range(4))
def test_thickness_inside_is_the_plain_loop(seed: int) -> None:
    room = random_room(seed)
    dice = np.random.default_rng(200 + seed)
    places = np.column_stack([dice.uniform(-6, 6, 60), dice.uniform(-5, 5, 60), dice.uniform(0.0, 6.0, 60)])
    normals = dice.normal(size=(60, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    found = thickness_inside(places, normals, room, most_mm=5.0)
    assert found.tolist() == [
        pierced(place, normal, room, 5.0) for place, normal in zip(places, normals, strict=True)
    ]
    assert 0 < np.isfinite(found).sum() < 60


def slab() -> Room:
    """Return a wall 3 thick (x 0 to 3), 8 high, an overhang 2 deep (x 3 to 5) from 6 up, rubber over it."""
    grid = Grid(0.0, 0.0, 0.1, 60, 4)
    top = np.zeros(grid.shape)
    top[:, :50] = 8.0
    x = np.tile(np.arange(60), 4)
    under = (x >= 30) & (x < 50)
    start = np.concatenate([[0], np.cumsum(under)])
    gaps = ColumnGaps(
        start=start, low_mm=np.zeros(under.sum()), high_mm=np.full(under.sum(), 6.0), top_mm=top
    )  # fmt: skip
    outer = np.zeros((4, 80))
    outer[:, :70] = 10.0
    return Room(gaps=gaps, grid=grid, outer_mm=outer, outer_grid=Grid(0.0, 0.0, 0.1, 80, 4))


@pytest.mark.kernel
def test_out_of_a_plain_overhang() -> None:
    """From the wall it goes the depth of the overhang, root at its underside (derived), within a cell."""
    room = slab()
    places = np.array([[3.05, 0.2, 1.0], [4.05, 0.2, 5.0]])
    found = drawn_sideways(places, (1.0, 0.0), room, most_shut=0, most_free=0)
    assert found.travel_mm == pytest.approx([1.95, 0.95], abs=0.1)
    assert found.root_mm.tolist() == [6.0, 6.0]
    assert found.clear.all()
    assert not drawn_sideways(places, (-1.0, 0.0), room, most_shut=0, most_free=2).clear.any()
    assert not drawn_sideways(places, (0.0, 1.0), room, most_shut=2, most_free=0).clear.any()


@pytest.mark.kernel
def test_thickness_of_a_plain_wall() -> None:
    """3 thick square to its side, within a cell; what lies under the board is solid."""
    room = slab()
    sides = np.array([[3.0, 0.2, 2.0], [0.0, 0.2, 2.0], [1.5, 0.2, 8.0]])
    normals = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    found = thickness_inside(sides, normals, room, most_mm=20.0)
    assert found[:2] == pytest.approx([3.0, 3.0], abs=0.1)
    assert found[2] == math.inf
