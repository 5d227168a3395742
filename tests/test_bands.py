"""Closed bands of rubber over the necks of a half: the worst for comparing splits, and every branch."""

import math
from dataclasses import replace

import numpy as np
import pytest
import zoo
from joined import about_z, block, joined
from lying import above_board, lying
from numpy.typing import NDArray

from moldplan.half import Half, cut
from moldplan.mould.bands import FINER, LEVELS, band_strain, branch_bands
from moldplan.pattern import load_pattern
from moldplan.samples import sample_path
from moldplan.split.model import Plane

Floats = NDArray[np.float64]


def unit(x: float, y: float, z: float) -> tuple[float, float, float]:
    """Return a direction at length 1."""
    length = math.hypot(x, y, z)
    return x / length, y / length, z / length


def bird_half() -> Half:
    """Return a half of the sample bird, in several pieces at many heights."""
    bird = load_pattern(sample_path("long-necked-bird.ply"), height_mm=1000.0)
    return cut(bird, Plane(normal=unit(0.1, -1.0, 0.2), offset_mm=-20.0), cells=64)[0]


# --- the worst band alone ---------------------------------------------------------------------------------


def ball(radius: float, below: float, rings: int = 400, segments: int = 64) -> zoo.Mesh:
    """Return a sphere cut `below` its centre, standing on z = 0; its outline is that of its rings."""
    low = math.asin(-below / radius)
    angles = np.linspace(low, math.pi / 2.0, rings + 1)[:-1]
    ring = [(radius * math.cos(a), radius * math.sin(a) + below) for a in angles]
    return zoo.revolve([(0.0, 0.0), *ring, (0.0, radius + below)], segments)


@pytest.mark.parametrize("below", [50.0, 150.0, 250.0, 290.0])
def test_stretch_over_a_sphere_cut_below_its_centre(below: float) -> None:
    """R / sqrt(R^2 - c^2) - 1 (derived); from below, by at most half a slice off the equator."""
    radius = 300.0
    exact = radius / math.sqrt(radius**2 - below**2) - 1.0
    found = band_strain(lying(ball(radius, below)))
    slack = (1.0 + exact) * (1.0 - math.sqrt(1.0 - (0.5 * (radius + below) / LEVELS / radius) ** 2)) + 1e-4
    assert exact - slack <= found.strain <= exact * (1.0 + 1e-6)
    assert found.place_mm == pytest.approx((0.0, 0.0, 0.0), abs=0.01)


def test_stretch_over_a_mushroom() -> None:
    """Stretch b / a - 1 (derived): stem of radius a, cap of radius b, exact for any slice through both."""
    found = band_strain(lying(zoo.mushroom(100.0, 200.0, 250.0, 50.0)))
    assert found.strain == pytest.approx(1.5, rel=1e-12)


def test_stretch_over_two_spheres() -> None:
    """R2 / rho - 1, rho the radius of the neck between them (derived); from below, by one close slice."""
    low, high, apart = 200.0, 260.0, 380.0
    along = (apart**2 + low**2 - high**2) / (2.0 * apart)  # of the neck, above the lower centre
    rho = math.sqrt(low**2 - along**2)
    first = np.linspace(0.0, math.asin(along / low), 80)
    second = np.linspace(math.asin((along - apart) / high), math.pi / 2.0, 160)[1:-1]
    profile = [(low * math.cos(a), low * math.sin(a)) for a in first]
    profile += [(high * math.cos(a), apart + high * math.sin(a)) for a in second]
    half = lying(zoo.revolve([(0.0, 0.0), *profile, (0.0, apart + high)], 64))
    exact = high / rho - 1.0
    step = half.height_mm / LEVELS
    steepest = max(along / rho, (apart - along) / rho)  # radius gained a mm of height beside the neck
    found = band_strain(half).strain
    assert high / (rho + step / FINER * steepest) - 1.0 - 1e-3 <= found <= exact * (1.0 + 1e-6)
    assert band_strain(half, levels=3 * LEVELS).strain >= found - 1e-9


@pytest.mark.parametrize(
    "mesh", [zoo.frustum(300.0, 100.0, 200.0), ball(300.0, 0.0), block((0, 30), (0, 40), (0, 50))]
)
def test_what_draws_does_not_stretch_anything(mesh: zoo.Mesh) -> None:
    """Cone, hemisphere, prism: no outline above is longer than one below (derived)."""
    found = band_strain(lying(mesh))
    assert (found.strain, found.place_mm) == (0.0, None)


def test_a_standing_ring_shuts_the_rubber_in() -> None:
    """A half torus on two feet: hull of both feet over one, (2 pi r + 4 R) / (2 pi r) - 1 (derived)."""
    points, faces = zoo.torus(500.0, 100.0)
    half = lying(above_board((points[:, [1, 2, 0]], faces)))
    # chords for arcs: 64 sides round the tube
    assert band_strain(half).strain == pytest.approx(2.0 * 500.0 / (math.pi * 100.0), rel=2e-3)


def test_a_rim_that_hangs_down_counts_and_is_no_neck() -> None:
    """An umbrella: stem 100, its rim widest at 250 and lower than where it leaves the stem (derived)."""
    profile = [(0, 0), (100, 0), (100, 300), (240, 200), (250, 210), (200, 400), (0, 400)]
    half = lying(zoo.revolve([(float(r), float(z)) for r, z in profile], 64))
    found = band_strain(half)
    assert 1.5 - 2.0 * half.height_mm / LEVELS / 100.0 <= found.strain <= 1.5 * (1.0 + 1e-9)
    assert found.place_mm is not None
    assert math.hypot(*found.place_mm[:2]) < 1e-6


def reaching_out(finger: float) -> Half:
    """Return a body with an arm at its top and a finger of that side hanging from the arm."""
    body = block((-100, 100), (-100, 100), (0, 400))
    arm = block((90, 300), (-50, 50), (300, 400))
    tip = block((300 - finger, 300), (-0.5 * finger, 0.5 * finger), (100, 310))
    return lying(joined(body, arm, tip))


@pytest.mark.parametrize("finger", [2.0, 10.0, 40.0])
def test_the_band_round_a_hanging_tip_slips_off_downward(finger: float) -> None:
    """Only the body's own band counts: hull of body and arm over the body's 800 (derived)."""
    hull = 200.0 + 2.0 * 200.0 + 2.0 * math.hypot(200.0, 50.0) + 100.0
    assert band_strain(reaching_out(finger)).strain == pytest.approx(hull / 800.0 - 1.0, rel=1e-9)


def test_an_arm_that_runs_between_two_slices_is_not_lost() -> None:
    """A post, and a knob that hangs on it by an arm thinner than a slice (derived: hull of both)."""
    post = block((-50, 50), (-50, 50), (0, 500))
    knob = block((400, 460), (-50, 50), (255, 450))
    arm = block((40, 410), (-5, 5), (262, 270))
    half = lying(joined(post, knob, arm))
    found = band_strain(half, levels=8)  # slices every 62.5 mm: at 250 and 312.5
    assert found.strain == pytest.approx((2.0 * 510.0 + 2.0 * 100.0) / 400.0 - 1.0, rel=1e-9)
    assert found.place_mm is not None
    assert math.hypot(*found.place_mm[:2]) < 1e-6


def test_stretch_does_not_depend_on_size_turn_or_order_of_faces() -> None:
    half = bird_half()
    first = band_strain(half)
    points = half.vertices @ about_z(33.0).T * 2.5
    order = np.random.default_rng(7).permutation(len(half.faces))
    moved = replace(
        half, vertices=points, faces=half.faces[order][:, [1, 2, 0]], height_mm=2.5 * half.height_mm
    )
    again = band_strain(moved)
    assert first.strain > 0.0
    assert again.strain == pytest.approx(first.strain, rel=1e-6)
    assert first.place_mm is not None
    assert again.place_mm == pytest.approx(tuple(2.5 * about_z(33.0) @ first.place_mm), abs=1e-3)


# --- every branch -----------------------------------------------------------------------------------------


def test_the_worst_branch_is_the_worst_band() -> None:
    """Closer slices about more necks can only show more; the same place within one close slice."""
    half = bird_half()
    worst, bands = band_strain(half), branch_bands(half)
    assert worst.strain * (1.0 - 1e-9) <= bands[0].strain <= worst.strain * 1.1
    assert [band.strain for band in bands] == sorted((band.strain for band in bands), reverse=True)
    assert all(band.bulge_mm >= band.place_mm[2] for band in bands)


def test_every_neck_of_a_stack_is_a_band() -> None:
    """Stems 60, 40 and 90 under caps 120, 100 and 110 on one axis: each neck under all above it (derived)."""
    profile = [
        (0, 0),
        (60, 0),
        (60, 100),
        (120, 100),
        (120, 150),
        (40, 150),
        (40, 250),
        (100, 250),
        (100, 300),
    ]
    profile += [(90, 300), (90, 400), (110, 400), (110, 450), (0, 450)]
    half = lying(zoo.revolve([(float(r), float(z)) for r, z in profile], 96))
    bands = branch_bands(half)
    exact = [110.0 / 40.0 - 1.0, 120.0 / 60.0 - 1.0, 110.0 / 90.0 - 1.0]
    assert [band.strain for band in bands] == pytest.approx(exact, rel=1e-9)
    for band, (low, high), bulge in zip(
        bands, [(150, 250), (0, 100), (300, 400)], [(400, 450), (100, 150), (400, 450)], strict=True
    ):
        assert low <= band.place_mm[2] <= high
        assert bulge[0] <= band.bulge_mm <= bulge[1]


def test_a_ripple_is_no_band_of_its_own() -> None:
    """Two necks 100 and 102 under a cap of 200, a swelling of 106 between: one band, the worse (derived)."""
    profile = [(0, 0), (150, 0), (100, 100), (106, 150), (102, 200), (200, 300), (0, 300)]
    half = lying(zoo.revolve([(float(r), float(z)) for r, z in profile], 96))
    (band,) = branch_bands(half)
    assert 0.97 <= band.strain <= 1.0 + 1e-9
    assert band.place_mm[2] == pytest.approx(100.0, abs=10.0)


def test_branches_side_by_side() -> None:
    """Three stems of 50 on a plate under caps of 100, 75 and 60: 1, 1/2, 1/5, and none for the plate."""
    plate = block((-400, 400), (-200, 200), (0, 40))
    caps = [
        zoo.moved(zoo.mushroom(50.0, 150.0, cap, 40.0, 64), (x, 0.0, 30.0))
        for x, cap in ((-250.0, 75.0), (0.0, 60.0), (250.0, 100.0))
    ]
    bands = branch_bands(lying(joined(plate, *caps)))
    assert [band.strain for band in bands] == pytest.approx([1.0, 0.5, 0.2], rel=1e-6)
    assert [band.place_mm[0] for band in bands] == pytest.approx([250.0, -250.0, 0.0], abs=1e-3)


@pytest.mark.parametrize("mesh", [zoo.frustum(300.0, 100.0, 200.0), block((0, 30), (0, 40), (0, 50))])
def test_what_draws_has_no_bands(mesh: zoo.Mesh) -> None:
    assert branch_bands(lying(mesh)) == ()


def test_branches_do_not_depend_on_size_turn_or_order_of_faces() -> None:
    half = bird_half()
    points = half.vertices @ about_z(33.0).T * 2.5
    order = np.random.default_rng(7).permutation(len(half.faces))
    moved = replace(
        half, vertices=points, faces=half.faces[order][:, [1, 2, 0]], height_mm=2.5 * half.height_mm
    )
    first, again = branch_bands(half), branch_bands(moved)
    assert len(first) > 1
    assert [band.strain for band in again] == pytest.approx([band.strain for band in first], rel=1e-6)
    for one, other in zip(first, again, strict=True):
        assert other.place_mm == pytest.approx(tuple(2.5 * about_z(33.0) @ one.place_mm), abs=1e-3)
