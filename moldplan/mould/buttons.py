"""Buttons: studs of rubber through the jacket where steep rubber would sag away from it.

A steep run is walked from its foot, middle by middle along the triangles' sides, always to the highest
neighbour, while the sides are steeper than `STEEP_DEG`. Where it is higher than the card allows, it is shared
into rows of equal height, each with its buttons at two thirds; of all places found, so many are kept that
none is farther than half the spacing from a button.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid
from moldplan.mould.keys import spread
from moldplan.mould.laminate import jacket_laminate
from moldplan.mould.model import Button

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Rubber steeper than this hangs on what is above it.
STEEP_DEG: Final = 60.0
#: A stud sticks out of the jacket by this, to be held while the jacket is laid up and cut off after.
_STICKS_OUT_MM: Final = 10.0
#: Where in its row's height a button sits.
_SHARE: Final = 2.0 / 3.0
#: Neighbours along sides of triangles (rows, columns).
_SIDES: Final = ((0, 1), (1, 0), (1, 1), (0, -1), (-1, 0), (-1, -1))


def place_buttons(heights: Floats, grid: Grid, settings: Settings) -> tuple[Button, ...]:
    """Return the buttons that hold the steep rubber of one half in its jacket.

    Parameters
    ----------
    heights
        Outer face (ny, nx) in mm at the middles of the cells of `grid`, 0 where there is no rubber.
    grid
        Its grid.
    settings
        ``mould.button_over_mm``, ``button_spacing_mm``, ``button_mm``; ``rubber.density_kg_l``; the jacket's
        thickness, of the larger number of plies.

    Returns
    -------
    tuple
        On the triangles of the face, with outward unit normals; those of one row at most the spacing apart.
        They come out before the jacket lifts and are no part of the face. Empty where nothing steep is high.
    """
    over_mm = settings.number("mould.button_over_mm")
    if heights.max(initial=0.0) <= over_mm:
        return ()
    places = _places(heights, grid, over_mm)
    if not len(places):
        return ()
    chosen = spread(places, 0.5 * settings.number("mould.button_spacing_mm"))
    diameter, mass = settings.number("mould.button_mm"), button_kg(settings)
    normals = _normals(heights, grid, places[chosen])
    return tuple(
        Button(
            place_mm=(float(p[0]), float(p[1]), float(p[2])), normal=(float(n[0]), float(n[1]), float(n[2])),
            diameter_mm=diameter, mass_kg=mass,
        )
        for p, n in zip(places[chosen], normals, strict=True)
    )  # fmt: skip


def button_kg(settings: Settings) -> float:
    """Return what one stud weighs: a cylinder through the jacket and a little beyond."""
    ply_mm = jacket_laminate(settings).ply_thickness_mm
    length_mm = settings.number("jacket.plies_large") * ply_mm + _STICKS_OUT_MM
    round_mm2 = 0.25 * math.pi * settings.number("mould.button_mm") ** 2
    return round_mm2 * length_mm * 1e-6 * settings.number("rubber.density_kg_l")


def _places(heights: Floats, grid: Grid, over_mm: float) -> Floats:
    """Return places (n, 3) on the face for buttons, in the order of the feet they were found from."""
    above = _above(heights, grid.cell_mm)
    runs = _runs(above, heights)
    flat = heights.ravel()
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    face = np.stack([x.ravel(), y.ravel(), flat], axis=1)
    found = []
    for run in runs:
        low, high = flat[run[0]], flat[run[-1]]
        rows = math.floor((high - low) / over_mm)
        for row in range(rows):
            level = low + (high - low) * (row + _SHARE) / rows
            k = int(np.searchsorted(flat[run], level))
            share = (level - flat[run[k - 1]]) / (flat[run[k]] - flat[run[k - 1]])
            found.append(face[run[k - 1]] + share * (face[run[k]] - face[run[k - 1]]))
    return np.array(found).reshape(-1, 3)


def _above(heights: Floats, cell_mm: float) -> Ints:
    """Return for every middle, numbered row by row, its highest neighbour if steep above it, else itself."""
    ny, nx = heights.shape
    number = np.arange(ny * nx, dtype=np.int64).reshape(ny, nx)
    best, out = np.zeros((ny - 2, nx - 2)), number.copy()
    here = heights[1:-1, 1:-1]
    for rows, cols in _SIDES:
        there = (slice(1 + rows, ny - 1 + rows), slice(1 + cols, nx - 1 + cols))
        rise = (heights[there] - here) / (cell_mm * math.hypot(rows, cols))
        higher = (rise > math.tan(math.radians(STEEP_DEG))) & (rise > best)
        np.copyto(best, rise, where=higher)
        np.copyto(out[1:-1, 1:-1], number[there], where=higher)
    return out.ravel()


def _runs(above: Ints, heights: Floats) -> list[Ints]:
    """Return the ways up steep rubber from every foot: middles that nothing steep leads up to."""
    number = np.arange(len(above), dtype=np.int64)
    climbs = above != number
    led_to = np.zeros(len(above), dtype=np.bool_)
    led_to[above[climbs]] = True
    feet = np.flatnonzero(climbs & ~led_to & (heights.ravel() > 0.0))
    ways = [feet]
    while True:
        up = above[ways[-1]]
        if (up == ways[-1]).all():
            break
        ways.append(up)
    steps = np.stack(ways, axis=1)
    # a way ends where it stands still
    ends = (np.diff(steps, axis=1) != 0).sum(axis=1)
    return [way[: end + 1] for way, end in zip(steps, ends, strict=True)]


def _normals(heights: Floats, grid: Grid, places: Floats) -> Floats:
    """Return outward unit normals (n, 3) of the face about places, from differences over two cells."""
    col = np.clip(((places[:, 0] - grid.x0_mm) / grid.cell_mm).astype(np.int64), 1, grid.nx - 2)
    row = np.clip(((places[:, 1] - grid.y0_mm) / grid.cell_mm).astype(np.int64), 1, grid.ny - 2)
    along_x = (heights[row, col + 1] - heights[row, col - 1]) / (2.0 * grid.cell_mm)
    along_y = (heights[row + 1, col] - heights[row - 1, col]) / (2.0 * grid.cell_mm)
    normals = np.stack([-along_x, -along_y, np.ones(len(row))], axis=1)
    out: Floats = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return out
