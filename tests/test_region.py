"""The directions a shop allows: level ones, a cone round a pull, both, what is left of a contradiction."""

import numpy as np
import pytest
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.split import Region

UP = np.array([0.0, 0.0, 1.0])
Floats = NDArray[np.float64]


def units(count: int, seed: int) -> Floats:
    """Return random directions (count, 3)."""
    points = np.random.default_rng(seed).normal(size=(count, 3))
    return np.asarray(points / np.linalg.norm(points, axis=1, keepdims=True))


def sphere(count: int) -> Floats:
    """Return directions spread evenly over the whole sphere (golden-angle spiral, a common construction)."""
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    around = np.arange(count) * np.pi * (3.0 - 5.0**0.5)
    return np.stack([np.sqrt(1 - z * z) * np.cos(around), np.sqrt(1 - z * z) * np.sin(around), z], axis=1)


def line_deg(one: Floats, other: Floats) -> Floats:
    """Return the angle between lines, deg; not for tiny ones."""
    return np.asarray(np.degrees(np.arccos(np.clip(np.abs(one @ other), 0.0, 1.0))))


def tilted(elevation_deg: float, around_deg: float = 20.0) -> tuple[float, float, float]:
    """Return a direction so much above level."""
    high, round_it = np.radians([elevation_deg, around_deg])
    x, y, z = np.cos(high) * np.cos(round_it), np.cos(high) * np.sin(round_it), np.sin(high)
    return (float(x), float(y), float(z))


REGIONS = {
    "upright": Region(upright=True),
    "cone": Region(pull=tilted(35.0), within_deg=25.0),
    "narrow cone": Region(pull=tilted(-70.0), within_deg=4.0),
    "half": Region(pull=tilted(10.0), within_deg=90.0),
    "both": Region(upright=True, pull=tilted(12.0), within_deg=30.0),
    "just both": Region(upright=True, pull=tilted(12.0), within_deg=12.0),
    "all": Region(),
}


@pytest.mark.parametrize("name", list(REGIONS))
def test_the_nearest_direction_is_allowed_and_no_allowed_one_is_nearer(name: str) -> None:
    """The region is built a second way: points of it on a dense net, picked by the angles alone."""
    region = REGIONS[name]
    around = np.radians(np.arange(0.0, 360.0, 0.05) + 20.0)  # meets the middle of the narrowest arc
    level = np.stack([np.cos(around), np.sin(around), np.zeros_like(around)], axis=1)
    dense = level if region.upright else sphere(20_000)
    if region.pull is not None:
        dense = dense[line_deg(dense, np.array(region.pull)) <= region.within_deg + 1e-6]
    assert len(dense) >= 1
    for direction in units(200, 1):
        got = region.nearest(direction, up=UP)
        assert np.linalg.norm(got) == pytest.approx(1.0, abs=1e-12)
        assert max(region.broken_deg(got, up=UP)) <= 1e-6
        assert line_deg(got, direction) <= line_deg(dense, direction).min() + 1e-3


@pytest.mark.parametrize("name", list(REGIONS))
def test_nearest_keeps_what_is_allowed_and_takes_opposite_directions_for_one(name: str) -> None:
    region = REGIONS[name]
    for direction in units(40, 2):
        got = region.nearest(direction, up=UP)
        assert np.allclose(region.nearest(got, up=UP), got, atol=1e-9)
        assert abs(region.nearest(-direction, up=UP) @ got) == pytest.approx(1.0, abs=1e-9)
        assert region.broken_deg(-direction, up=UP) == pytest.approx(region.broken_deg(direction, up=UP))


@pytest.mark.parametrize("name", list(REGIONS))
def test_samples_are_allowed_and_as_dense_as_they_say(name: str) -> None:
    region = REGIONS[name]
    samples, cover = region.samples(up=UP)
    off = np.array([region.broken_deg(point, up=UP) for point in samples])
    assert off.max() <= 1e-6
    inside = np.array([region.nearest(direction, up=UP) for direction in units(400, 3)])
    farthest = np.array([line_deg(samples, direction).min() for direction in inside]).max()
    assert farthest <= cover + 1e-4
    if name != "just both":  # one direction only
        assert len(samples) >= 60
        assert farthest >= 0.5 * cover  # the bound is not idle


def test_steps_of_the_samples() -> None:
    """One degree along a circle, some two over a patch."""
    circle, half_step = Region(upright=True).samples(up=UP)
    assert len(circle) == 181
    assert half_step == pytest.approx(0.5)
    patch, cover = Region(pull=(0.0, 1.0, 0.0), within_deg=20.0).samples(up=UP)
    assert cover <= 1.5
    # derived: area of a cap, 2 pi (1 - cos), out to half a ring over the edge, by a square of two degrees
    area = 2.0 * np.pi * (1.0 - np.cos(np.radians(21.0)))
    assert len(patch) == pytest.approx(area / np.radians(2.0) ** 2, rel=0.03)


def test_what_is_broken_is_counted_in_degrees() -> None:
    region = Region(upright=True, pull=(0.0, -2.0, 0.0), within_deg=10.0)
    assert region.broken_deg(np.array([0.0, 1.0, 0.0]), up=UP) == (pytest.approx(0.0), 0.0)
    steep, outside = region.broken_deg(np.array(tilted(30.0, 90.0)), up=UP)
    assert steep == pytest.approx(30.0)
    assert outside == pytest.approx(20.0)
    assert Region().broken_deg(UP, up=UP) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("elevation", "within", "empty"), [(30.0, 10.0, True), (30.0, 31.0, False), (90.0, 89.0, True)]
)
def test_contradicting_wishes_are_known(elevation: float, within: float, empty: bool) -> None:  # noqa: FBT001 - a table
    assert Region(upright=True, pull=tilted(elevation), within_deg=within).empty(up=UP) is empty
    assert not Region(pull=tilted(elevation), within_deg=within).empty(up=UP)
    assert not Region(upright=True).empty(up=UP)


def test_the_pull_counts_more_than_level_and_comes_as_near_to_level_as_it_can() -> None:
    """A pull 50 deg up, within 10: the cone's lowest direction lies 40 deg up, straight below the pull."""
    region = Region(upright=True, pull=tilted(50.0), within_deg=10.0)
    for direction in units(20, 4):
        got = region.nearest(direction, up=UP)
        assert abs(got @ np.array(tilted(40.0))) == pytest.approx(1.0, abs=1e-12)
        steep, outside = region.broken_deg(got, up=UP)
        assert steep == pytest.approx(40.0, abs=1e-9)
        assert outside <= 1e-9
    samples, cover = region.samples(up=UP)
    assert len(samples) == 1
    assert cover == 0.0


def test_round_a_pull_straight_up_every_side_is_as_near_to_level() -> None:
    region = Region(upright=True, pull=(0.0, 0.0, 1.0), within_deg=10.0)
    samples, _ = region.samples(up=UP)
    assert len(samples) >= 60
    assert np.allclose(samples[:, 2], np.cos(np.radians(10.0)), atol=1e-12)
    got = region.nearest(np.array(tilted(5.0, 77.0)), up=UP)
    assert np.allclose(got, tilted(80.0, 77.0), atol=1e-12)


def test_a_cone_of_no_width_is_its_pull() -> None:
    region = Region(pull=(3.0, 0.0, 4.0), within_deg=0.0)
    assert np.allclose(np.abs(region.nearest(UP, up=UP)), [0.6, 0.0, 0.8], atol=1e-12)
    samples, cover = region.samples(up=UP)
    assert np.allclose(samples, [[0.6, 0.0, 0.8]])
    assert cover == 0.0


def test_a_vertical_direction_has_a_nearest_level_one() -> None:
    got = Region(upright=True).nearest(UP, up=UP)
    assert got @ UP == 0.0
    both = Region(upright=True, pull=tilted(5.0), within_deg=20.0)
    assert np.allclose(both.nearest(UP, up=UP), tilted(0.0), atol=1e-9)


@pytest.mark.parametrize("pull", [(0.0, 0.0, 0.0), (np.nan, 0.0, 1.0), (np.inf, 0.0, 0.0), (1.0, 0.0)])
def test_a_pull_without_a_direction_is_refused(pull: tuple[float, ...]) -> None:
    with pytest.raises(SettingError, match="a direction is three finite numbers, not all zero"):
        Region(pull=pull)  # type: ignore[arg-type] # what a person may give


@pytest.mark.parametrize("within", [-1.0, 91.0, np.nan])
def test_an_angle_out_of_range_is_refused(within: float) -> None:
    with pytest.raises(SettingError, match=r"within_deg: got .*, allowed 0 to 90 deg off the pull"):
        Region(pull=(1.0, 0.0, 0.0), within_deg=within)
