"""Triangles of a height map that draw: nothing steeper, nothing lower, no more than is needed."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from moldplan.columns.lean import raise_corners, raise_to_draft, settle_corners, steepest_nz

pytestmark = pytest.mark.kernel

Floats = NDArray[np.float64]
DRAFT = math.radians(6.0)


def normals_z(heights: Floats, cell: float) -> Floats:
    """Return the upward z of every triangle's unit normal, by cross products of its corners in space."""
    y, x = np.indices(heights.shape) * cell
    face = np.stack([x, y, heights], axis=-1)
    low, right, up, far = face[:-1, :-1], face[:-1, 1:], face[1:, :-1], face[1:, 1:]
    normals = np.concatenate([np.cross(right - low, far - low), np.cross(far - low, up - low)])
    return normals[..., 2] / np.linalg.norm(normals, axis=-1)


def least_alone(heights: Floats, j: int, i: int, s: float) -> float:
    """Return the least height of one corner with all others held, by its six quadratic inequalities."""
    h = heights
    sides = []  # (right angle, other sharp corner) where this corner is sharp
    sides += [((j, i + 1), (j + 1, i + 1)), ((j + 1, i), (j + 1, i + 1))]
    sides += [((j - 1, i), (j - 1, i - 1)), ((j, i - 1), (j - 1, i - 1))]
    least = [h[a] - math.sqrt(max(s * s - (h[b] - h[a]) ** 2, 0.0)) for a, b in sides]
    for a, b in (((j, i - 1), (j + 1, i)), ((j - 1, i), (j, i + 1))):
        # the lower root of 2 r^2 - 2 (a + b) r + a^2 + b^2 - s^2 = 0
        least.append(min(np.roots([2.0, -2.0 * (h[a] + h[b]), h[a] ** 2 + h[b] ** 2 - s * s]).real))
    return max(least)


def triangles(shape: tuple[int, int]) -> NDArray[np.int64]:
    """Return corners (n, 3) of the triangles off the border: right angle, lower left, upper right."""
    ny, nx = shape
    out = []
    for j in range(1, ny - 2):
        for i in range(1, nx - 2):
            low, right, up, far = j * nx + i, j * nx + i + 1, (j + 1) * nx + i, (j + 1) * nx + i + 1
            out += [(right, low, far), (up, low, far)]
    return np.array(out)


def slow_twin(heights: Floats, s: float) -> Floats:
    """Mend the highest triangle that is too steep, of all of them, again and again."""
    h, corners = heights.ravel().copy(), triangles(heights.shape)
    while True:
        right, low, far = h[corners].T
        steep = (low - right) ** 2 + (far - right) ** 2 > s * s * (1.0 + 1e-13)
        if not steep.any():
            return h.reshape(heights.shape)
        at = corners[np.argmax(np.where(steep, h[corners].max(axis=1), -np.inf))]
        old = heights.ravel()
        # the corners from the lowest up, the right angle the lower of equals at the foot, else the higher
        right, low, high = at[0], *sorted(at[1:], key=lambda corner: h[corner])
        up, down = h[high] - h[right], h[right] - h[low]
        if down <= 0.0:
            # the lower root of (high - r)^2 + (low - r)^2 = s^2
            sides = h[low] + h[high], h[low] ** 2 + h[high] ** 2
            h[right] = np.roots([2.0, -2.0 * sides[0], sides[1] - s * s]).real.min()
        elif 0.0 < up <= down:
            h[low] = h[right] - math.sqrt(s * s - up * up)
        else:
            aim = np.array([up, down])
            before = np.array([old[high] - old[right], old[right] - old[low]])
            if (np.sign(aim) * before >= 0.0).all() and before.any():
                aim = before
            aim = aim * (s / np.linalg.norm(aim))
            if up <= 0.0:
                h[high] = max(h[high], h[right] + aim[0])
            else:
                h[right] = max(h[right], h[high] - aim[0])
            h[low] = max(h[low], h[right] - aim[1])


def cones(seed: int, shape: tuple[int, int], cell: float, draft: float, peaks: int = 5) -> Floats:
    """Return the highest of some cones that draw, flat board round them: valleys in every direction."""
    rng = np.random.default_rng(seed)
    y, x = np.indices(shape) * cell
    out = np.zeros(shape)
    for _ in range(peaks):
        at = rng.uniform(0.35, 0.65, 2) * np.array(shape) * cell
        reach = rng.uniform(0.08, 0.22) * min(shape) * cell
        out = np.maximum(out, (reach - np.hypot(y - at[0], x - at[1])) / math.tan(draft))
    return out


@pytest.mark.parametrize("seed", range(6))
def test_cones_are_raised_until_every_triangle_draws_and_no_further(seed: int) -> None:
    cell, shape = 2.0, (34, 29)
    heights = cones(seed, shape, cell, DRAFT)
    assert normals_z(heights, cell).min() < math.sin(DRAFT) - 1e-3, "nothing to raise: a poor case"
    raised = raise_to_draft(heights, cell, DRAFT)
    assert normals_z(raised, cell).min() >= math.sin(DRAFT) - 1e-12
    assert (raised >= heights).all()
    assert raised.max() == heights.max()
    s = cell / math.tan(DRAFT)
    for j, i in zip(*np.nonzero(raised > heights), strict=True):
        least = max(least_alone(raised, int(j), int(i), s), heights[j, i])
        assert raised[j, i] <= least + 1e-9 * s, "a corner could be lowered alone"


@pytest.mark.parametrize("seed", range(3))
def test_cones_are_raised_like_the_slow_twin_does(seed: int) -> None:
    cell = 2.0
    heights = cones(seed, (26, 23), cell, DRAFT)
    s = cell / math.tan(DRAFT)
    twin, raised = slow_twin(heights, s), heights.copy()
    assert raise_corners(raised, heights, s) > 0
    np.testing.assert_allclose(raised, twin, atol=1e-9 * s)
    settled = raised.copy()
    settle_corners(settled, heights, s)
    assert (settled <= raised).all()
    np.testing.assert_array_equal(settled, raise_to_draft(heights, cell, DRAFT))


def test_valley_of_two_planes_is_raised_by_its_closed_form() -> None:
    """Planes at the draft falling to x and to y meet at 45 degrees across the triangles: derived, the right
    angle in the valley is lifted from P - s to P - s / sqrt 2."""  # noqa: D205, D209
    s, n = 3.0, 9
    j, i = np.indices((n, n))
    # max of a plane falling along +x and one falling along -y; the valley runs up to the right
    heights = 100.0 + s * np.maximum(-i, j - (n - 1)).astype(float)
    raised = raise_to_draft(heights, 1.0, math.atan(1.0 / s))
    inner = normals_z(raised, 1.0).reshape(2, n - 1, n - 1)[:, 1:-1, 1:-1]
    assert inner.min() >= math.sin(math.atan(1.0 / s)) - 1e-12
    assert (raised >= heights).all()


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0, 63.0, 90.0, 135.0, 200.0, 315.0])
def test_plane_slope_at_the_draft_stays_as_it_is(angle_deg: float) -> None:
    """To the bit: only rounding could make a triangle of a plane steeper, and that is left alone."""
    cell, a = 1.7, math.radians(angle_deg)
    j, i = np.indices((20, 24)) * cell
    heights = 300.0 + (math.cos(a) * i + math.sin(a) * j) / math.tan(DRAFT)
    np.testing.assert_array_equal(raise_to_draft(heights, cell, DRAFT), heights)


def test_gentle_map_stays_as_it_is_and_is_not_the_same_array() -> None:
    heights = cones(1, (30, 30), 2.0, math.radians(12.0))
    raised = raise_to_draft(heights, 2.0, DRAFT)
    np.testing.assert_array_equal(raised, heights)
    assert not np.shares_memory(raised, heights)
    np.testing.assert_array_equal(raise_to_draft(heights, 2.0, 0.0), heights)
    np.testing.assert_array_equal(raise_to_draft(heights[:2], 2.0, DRAFT), heights[:2])


@given(
    seed=st.integers(0, 2**32 - 1), cell=st.sampled_from([0.3, 1.0, 2.5]),
    draft_deg=st.sampled_from([0.5, 2.5, 15.0, 60.0]), rough=st.floats(0.0, 3.0),
)  # fmt: skip
@settings(max_examples=60, deadline=None, derandomize=True)
def test_any_map_draws_afterwards(seed: int, cell: float, draft_deg: float, rough: float) -> None:
    """Whatever the heights are, also ones far too steep: none is lowered, and none beyond the highest."""
    rng = np.random.default_rng(seed)
    heights = np.zeros((15, 13))
    heights[4:-4, 4:-4] = rng.uniform(0.0, rough, (7, 5)) * cell / math.tan(math.radians(draft_deg))
    draft = math.radians(draft_deg)
    raised = raise_to_draft(heights, cell, draft)
    inner = normals_z(raised, cell).reshape(2, 14, 12)[:, 1:-1, 1:-1]
    assert inner.min() >= math.sin(draft) - 1e-12
    assert (raised >= heights).all()
    assert raised.max() == heights.max()
    np.testing.assert_array_equal(raise_to_draft(heights, cell, draft), raised)
    again = raise_to_draft(raised, cell, draft)
    np.testing.assert_allclose(again, raised, rtol=0.0, atol=1e-11 * cell / math.tan(draft))


def test_cone_from_a_point_grows_by_three_cells_at_most() -> None:
    """The worst case there is: all slopes at the draft about one point (2.7 measured, no source)."""
    j, i = np.indices((81, 81)) - 40.0
    for shift in (0.0, 0.23, 0.5):
        heights = np.maximum(30.0 - np.hypot(j - shift, i + 0.3), 0.0)
        raised = raise_to_draft(heights, 1.0, math.atan(1.0))
        assert (raised - heights).max() <= 3.0
        assert raised.sum() <= 1.08 * heights.sum()
        assert normals_z(raised, 1.0).min() >= math.sqrt(0.5) - 1e-12


def test_steepest_is_the_least_of_all_normals() -> None:
    heights = np.random.default_rng(4).uniform(0.0, 9.0, (12, 17))
    assert steepest_nz(heights, 1.3) == pytest.approx(normals_z(heights, 1.3).min(), rel=1e-12)
    assert steepest_nz(np.full((3, 4), 7.0), 2.0) == 1.0
