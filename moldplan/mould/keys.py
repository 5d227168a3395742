"""Cone keys on the outer face of the rubber: they register it in its jacket.

Goal: keys where the face is gentle, none farther from the next than the jacket needs, all of them drawing.

1. A key may stand where no triangle of the face under its whole foot is steeper than the card allows. A foot
   on a slope reaches farther down it than half the base: that reach has a closed form, and the slope allowed
   stays well below that of the key's own sides, so that it is finite.
2. The first key stands on the place farthest from the middle of all such places, each next one on the place
   farthest from the keys there are, until none is as far as the spacing: then keys are at least the spacing
   apart and every place has one within it [farthest-point sampling: Gonzalez (1985),
   doi:10.1016/0304-3975(85)90224-5]. With fewer than three, once more at four fifths of the spacing.
3. Keys are upright frustums. The face with keys is the higher of both; a key's volume comes from fine samples
   of what of it stands above the triangles of the face.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid
from moldplan.mould.model import Key

Floats = NDArray[np.float64]

#: A key's sides are at least so much steeper than the face it stands on, or its foot would run far down it.
_STEEPER_DEG: Final = 10.0
#: Fewer keys than this let rubber turn in its jacket.
_LEAST_KEYS: Final = 3
#: Least distance of neighbours, as a share of the spacing.
NEAREST_SHARE: Final = 0.8
#: Samples along each side of the square round a key's foot.
_SAMPLES: Final = 200


@dataclass(frozen=True, kw_only=True)
class KeyForm:
    """The shape of keys and how they are spread.

    `base_mm` is the diameter at the face, `height_mm` the top above it, both at the key's middle; `side_deg`
    the lean of the sides from the axis; `slope_deg` the steepest face that may carry keys.
    """

    base_mm: float
    height_mm: float
    side_deg: float
    spacing_mm: float
    slope_deg: float

    @property
    def top_radius_mm(self) -> float:
        """Radius of the top."""
        return 0.5 * self.base_mm - self.height_mm * math.tan(math.radians(self.side_deg))

    @property
    def foot_mm(self) -> float:
        """How far from the axis the foot reaches down the steepest face."""
        fall, face = 1.0 / math.tan(math.radians(self.side_deg)), math.tan(math.radians(self.slope_deg))
        return 0.5 * self.base_mm * fall / (fall - face)


def key_form(settings: Settings, *, draft_deg: float) -> KeyForm:
    """Read the keys' form from the cards, made to draw and to stand.

    The sides lean at least by the draft; a key that would end in a point before its height is as high as that
    point; where the face may be nearly as steep as the sides, keys keep to gentler places.
    """
    side_deg = max(settings.number("mould.key_side_deg"), draft_deg)
    base_mm = settings.number("mould.key_base_mm")
    pointed_mm = 0.5 * base_mm / math.tan(math.radians(side_deg))
    return KeyForm(
        base_mm=base_mm,
        height_mm=min(settings.number("mould.key_height_mm"), pointed_mm),
        side_deg=side_deg,
        spacing_mm=settings.number("mould.key_spacing_mm"),
        slope_deg=min(settings.number("mould.key_slope_deg"), 90.0 - side_deg - _STEEPER_DEG),
    )


def place_keys(heights: Floats, grid: Grid, form: KeyForm) -> tuple[Key, ...]:
    """Return keys on an outer face.

    Parameters
    ----------
    heights
        Outer face (ny, nx) in mm at the middles of the cells of `grid`, 0 where there is no rubber.
    grid
        Its grid.
    form
        What keys look like, and how they are spread.

    Returns
    -------
    tuple
        Neighbours at least 0.8 times the spacing apart, every place that could carry one within the spacing
        of one; empty where nothing is gentle enough. The same face gives the same keys in the same order.
    """
    row, col = np.nonzero(key_ground(heights, grid, form))
    if not len(row):
        return ()
    places = np.stack([grid.x_mm()[col], grid.y_mm()[row], heights[row, col]], axis=1)
    apart = max(form.spacing_mm, 2.0 * form.foot_mm)
    chosen = spread(places, apart)
    if len(chosen) < _LEAST_KEYS:
        chosen = spread(places, max(NEAREST_SHARE * form.spacing_mm, 2.0 * form.foot_mm))
    return tuple(
        Key(
            centre_mm=(float(x), float(y), float(z) + form.height_mm), base_mm=form.base_mm,
            height_mm=form.height_mm, side_deg=form.side_deg,
        )
        for x, y, z in places[chosen]
    )  # fmt: skip


def key_ground(heights: Floats, grid: Grid, form: KeyForm) -> NDArray[np.bool_]:
    """Return the middles of cells (ny, nx) where a key may stand: gentle rubber under all of its foot."""
    rise = math.tan(math.radians(form.slope_deg))
    held = (heights > 0.0) & (_steepest_round(heights, grid.cell_mm) <= rise)
    # triangles round a middle reach one diagonal beyond it
    clear = form.foot_mm + math.sqrt(2.0) * grid.cell_mm
    distance = ndimage.distance_transform_edt(np.pad(held, 1))[1:-1, 1:-1]
    ground: NDArray[np.bool_] = distance * grid.cell_mm >= clear
    return ground


def _steepest_round(heights: Floats, cell_mm: float) -> Floats:
    """Return the greatest slope (rise over run) of the triangles at each middle."""
    low, right, up, far = heights[:-1, :-1], heights[:-1, 1:], heights[1:, :-1], heights[1:, 1:]
    below = (right - low) ** 2 + (far - right) ** 2
    above = (far - up) ** 2 + (up - low) ** 2
    steepest = np.zeros_like(heights)
    both = np.maximum(below, above)
    for rows, cols, slope in (
        (slice(None, -1), slice(None, -1), both), (slice(1, None), slice(1, None), both),
        (slice(None, -1), slice(1, None), below), (slice(1, None), slice(None, -1), above),
    ):  # fmt: skip
        np.maximum(steepest[rows, cols], slope, out=steepest[rows, cols])
    return np.sqrt(steepest) / cell_mm


def spread(places: Floats, apart_mm: float) -> list[int]:
    """Return rows of `places` (n, 3) at least `apart_mm` apart, such that all are within it of one."""
    away = np.linalg.norm(places - places.mean(axis=0), axis=1)
    chosen = [int(np.argmax(away))]
    nearest = np.linalg.norm(places - places[chosen[0]], axis=1)
    while nearest.max() >= apart_mm:
        chosen.append(int(np.argmax(nearest)))
        np.minimum(nearest, np.linalg.norm(places - places[chosen[-1]], axis=1), out=nearest)
    return chosen


def with_keys(heights: Floats, grid: Grid, keys: tuple[Key, ...], form: KeyForm) -> Floats:
    """Return the outer face (ny, nx) with keys on it."""
    out = heights.copy()
    for key in keys:
        rows, cols = _around(key, grid, form.foot_mm)
        x, y = np.meshgrid(grid.x_mm()[cols], grid.y_mm()[rows])
        out[rows, cols] = np.maximum(out[rows, cols], _cone_mm(key, x, y, form))
    return out


def keys_volume_mm3(heights: Floats, grid: Grid, keys: tuple[Key, ...], form: KeyForm) -> float:
    """Return what keys add to the volume under the triangles of `heights`, mm3, to a part in a thousand."""
    step = (np.arange(_SAMPLES) + 0.5) / _SAMPLES * 2.0 - 1.0
    dx, dy = np.meshgrid(form.foot_mm * step, form.foot_mm * step)
    sample_mm2 = (2.0 * form.foot_mm / _SAMPLES) ** 2
    total = 0.0
    for key in keys:
        x, y = key.centre_mm[0] + dx, key.centre_mm[1] + dy
        above = _cone_mm(key, x, y, form) - face_height_mm(heights, grid, x, y)
        total += float(np.maximum(above, 0.0).sum()) * sample_mm2
    return total


def shell_over_keys(
    heights: Floats, grid: Grid, keys: tuple[Key, ...], *, thickness_mm: float
) -> Floats:  # fmt: skip
    """Return `heights` (ny, nx) raised to what lies within `thickness_mm` of keys, down to their base.

    Below the base the face they stand on governs.
    """
    out = heights.copy()
    for key in keys:
        lean = math.radians(key.side_deg)
        top = 0.5 * key.base_mm - key.height_mm * math.tan(lean)
        reach = 0.5 * key.base_mm + thickness_mm / math.cos(lean)
        rows, cols = _around(key, grid, reach)
        x, y = np.meshgrid(grid.x_mm()[cols], grid.y_mm()[rows])
        r = np.hypot(x - key.centre_mm[0], y - key.centre_mm[1])
        round_top = ball_profile(np.maximum(r - top, 0.0), radius_mm=thickness_mm, lean_rad=lean)
        over = np.where(r <= reach, key.centre_mm[2] + round_top, 0.0)
        out[rows, cols] = np.maximum(out[rows, cols], over)
    return out


def ball_profile(r_mm: Floats, *, radius_mm: float, lean_rad: float) -> Floats:
    """Return how high a ball of `radius_mm` and its tangent cone of `lean_rad` stand at `r_mm` from its axis.

    sqrt(t^2 - r^2) up to t cos(lean), then t / sin(lean) - r cot(lean); 0 < lean < pi / 2.
    """
    tangent = radius_mm * math.cos(lean_rad)
    ball = np.sqrt(np.maximum(radius_mm**2 - r_mm**2, 0.0))
    cone = radius_mm / math.sin(lean_rad) - r_mm / math.tan(lean_rad)
    out: Floats = np.where(r_mm <= tangent, ball, cone)
    return out


def _cone_mm(key: Key, x: Floats, y: Floats, form: KeyForm) -> Floats:
    """Return the height of a key's frustum over places, -inf beyond its foot."""
    r = np.hypot(x - key.centre_mm[0], y - key.centre_mm[1])
    fall = np.maximum(r - form.top_radius_mm, 0.0) / math.tan(math.radians(key.side_deg))
    return np.where(r <= form.foot_mm, key.centre_mm[2] - fall, -np.inf)


def _around(key: Key, grid: Grid, reach_mm: float) -> tuple[slice, slice]:
    """Return rows and columns of the cells within `reach_mm` of a key's axis, along each axis."""
    col = (key.centre_mm[0] - grid.x0_mm) / grid.cell_mm
    row = (key.centre_mm[1] - grid.y0_mm) / grid.cell_mm
    cells = reach_mm / grid.cell_mm + 1.0
    rows = slice(max(math.floor(row - cells), 0), min(math.ceil(row + cells), grid.ny))
    return rows, slice(max(math.floor(col - cells), 0), min(math.ceil(col + cells), grid.nx))


def face_height_mm(heights: Floats, grid: Grid, x_mm: Floats, y_mm: Floats) -> Floats:
    """Return the height of the triangles between the middles of the cells at places (any shape).

    Every square between four middles is split from its lower left to its upper right. Places must lie between
    the outermost middles.
    """
    across = (x_mm - grid.x0_mm) / grid.cell_mm - 0.5
    along = (y_mm - grid.y0_mm) / grid.cell_mm - 0.5
    i = np.clip(np.floor(across).astype(np.int64), 0, grid.nx - 2)
    j = np.clip(np.floor(along).astype(np.int64), 0, grid.ny - 2)
    u, v = across - i, along - j
    low, far = heights[j, i], heights[j + 1, i + 1]
    right, up = heights[j, i + 1], heights[j + 1, i]
    below = low + u * (right - low) + v * (far - right)
    above = low + v * (up - low) + u * (far - up)
    out: Floats = np.where(u >= v, below, above)
    return out
