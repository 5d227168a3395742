"""Lighter copies of large meshes, and how they are held against the whole mesh."""

import math
from pathlib import Path

import numpy as np
import pytest
import zoo
from zoo_files import write_stl

from moldplan.columns.grid import grid_over
from moldplan.columns.hidden import hidden_mm3
from moldplan.half import cut
from moldplan.half.whole import against_whole
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import mesh_area_mm2, mesh_volume_mm3, pattern_from_arrays
from moldplan.pattern.lighten import lightened
from moldplan.pattern.model import Pattern
from moldplan.pattern.topology import mesh_edges
from moldplan.split.model import Plane
from moldplan.tolerances import MOST_PLANNED_FACES, PLANNED_MOVES

RING, TUBE = 500.0, 100.0
#: The torus cut across its axis stands on two feet and bridges a gap: much is locked.
STANDING = Plane(normal=(1.0, 0.0, 0.0), offset_mm=0.0)


def ring() -> Pattern:
    """Return a finely faceted torus of 36,864 triangles."""
    return pattern_from_arrays(*zoo.torus(RING, TUBE, 192, 96))


def test_a_mesh_within_the_limit_is_its_own_copy() -> None:
    pattern = ring()
    assert len(pattern.faces) < MOST_PLANNED_FACES
    assert lightened(pattern) is pattern
    assert lightened(pattern, most=len(pattern.faces)) is pattern
    assert against_whole(pattern, STANDING) is None


def test_the_limit_on_how_far_a_copy_moves_is_half_a_thousandth() -> None:
    assert sum(PLANNED_MOVES) <= 5e-4 * (1.0 + 1e-12)


def test_a_copy_is_a_closed_solid_near_the_whole_mesh() -> None:
    whole = ring()
    light = lightened(whole, most=15_000, moves=(2e-4, 4e-4))
    assert light.lighter is not None
    assert len(light.faces) <= 15_000
    edges = mesh_edges(light.faces)
    assert edges.closed
    assert edges.unmirrored
    # corners stay on the torus: how far its facets lie within it is r (1 - cos(pi / n)) (derived)
    facet = TUBE * (1.0 - math.cos(math.pi / 96)) + (RING + TUBE) * (1.0 - math.cos(math.pi / 192))
    points = light.vertices
    off = np.hypot(np.hypot(points[:, 0], points[:, 1]) - RING, points[:, 2]) - TUBE
    diagonal = float(np.linalg.norm(np.ptp(whole.vertices, axis=0)))
    assert 0.0 < light.lighter.moved_mm <= 6e-4 * diagonal * (1.0 + 1e-12)
    assert np.abs(off).max() <= light.lighter.moved_mm + facet
    # no volume farther from the surface than it moved
    assert abs(light.volume_mm3 - whole.volume_mm3) <= light.lighter.moved_mm * whole.survey.area_mm2


def test_a_copy_keeps_the_survey_and_its_own_figures() -> None:
    """What is planned with gives its own volume; what was surveyed stays that of the whole mesh."""
    whole = ring()
    light = lightened(whole, most=15_000, moves=(2e-4, 4e-4))
    assert light.lighter is not None
    assert light.survey == whole.survey
    assert light.volume_mm3 == light.lighter.volume_mm3 == mesh_volume_mm3(light.vertices, light.faces)
    assert light.lighter.area_mm2 == mesh_area_mm2(light.vertices, light.faces)
    assert light.volume_mm3 != whole.volume_mm3
    np.testing.assert_array_equal(light.lighter.vertices, whole.vertices)
    np.testing.assert_array_equal(light.lighter.faces, whole.faces)
    for array in (light.vertices, light.faces, light.lighter.faces):
        assert not array.flags.writeable
    again = lightened(ring(), most=15_000, moves=(2e-4, 4e-4))
    np.testing.assert_array_equal(again.vertices, light.vertices)
    np.testing.assert_array_equal(again.faces, light.faces)


@pytest.mark.parametrize("spoilt", ["open", "inside out", "two bodies"])
def test_a_copy_that_is_no_sound_solid_is_not_used(monkeypatch: pytest.MonkeyPatch, spoilt: str) -> None:
    pattern = ring()
    points, faces = zoo.torus(RING, TUBE, 48, 24)
    bad = {
        "open": (points, faces[1:]),
        "inside out": (points, faces[:, ::-1]),
        "two bodies": (np.concatenate([points, points]), np.concatenate([faces, faces + len(points)])),
    }[spoilt]
    monkeypatch.setattr("moldplan.pattern.lighten.light_copy", lambda *_, **__: (*bad, 0.5))
    assert lightened(pattern, most=1000) is pattern


def test_a_file_over_the_limit_is_loaded_with_a_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_stl(tmp_path / "ring.stl", zoo.torus(RING, TUBE, 192, 96))
    monkeypatch.setattr("moldplan.pattern.load.lightened", lambda found: lightened(found, most=20_000))
    pattern = load_pattern(path, unit="mm")
    assert pattern.lighter is not None
    assert pattern.survey.triangles == len(pattern.lighter.faces) == 36_864
    assert len(pattern.faces) < 36_864
    assert pattern.survey.genus == 1


# --- against the whole mesh -------------------------------------------------------------------------------


def test_both_meshes_are_measured_as_cutting_measures_them() -> None:
    """Undercuts of a cut are exact; columns agree to half a percent, their difference to 0.2 %."""
    whole = ring()
    light = lightened(whole, most=15_000, moves=(2e-4, 4e-4))
    check = against_whole(light, STANDING)
    assert check is not None
    assert light.lighter is not None
    assert check.moved_mm == light.lighter.moved_mm
    assert check.whole.triangles == len(whole.faces)
    assert check.planned.triangles == len(light.faces)
    assert check.whole.volume_mm3 == whole.volume_mm3
    assert check.planned.area_mm2 == light.lighter.area_mm2
    exact = [[half.undercut.volume_mm3 for half in cut(mesh, STANDING, cells=64)] for mesh in (whole, light)]
    for found, wanted in zip((check.whole, check.planned), exact, strict=True):
        assert found.undercut_mm3 == pytest.approx(wanted, rel=5e-3)
    gap = np.subtract(check.planned.undercut_mm3, check.whole.undercut_mm3)
    assert gap == pytest.approx(np.subtract(exact[1], exact[0]), abs=2e-3 * exact[0][0])


def test_standing_torus_in_closed_form() -> None:
    """Both halves: 2 pi r R^2 - pi^2 R r^2 + 4 pi r^3 / 3 (derived); facets take off less than 0.3 %."""
    turned = zoo.torus(RING, TUBE, 192, 96)[0][:, [1, 2, 0]]  # axis y: half a ring stands on the plane
    faces = zoo.torus(RING, TUBE, 192, 96)[1]
    grid = grid_over(turned.min(axis=0)[:2], turned.max(axis=0)[:2], cell_mm=2.0, margin_mm=2.0)
    both = 2.0 * math.pi * TUBE * RING**2 - math.pi**2 * RING * TUBE**2 + 4.0 * math.pi * TUBE**3 / 3.0
    above, below = hidden_mm3(turned, faces, grid, level_mm=0.0)
    assert above + below == pytest.approx(both, rel=4e-3)
    assert above == pytest.approx(below, rel=1e-9)


def test_sphere_cut_off_its_middle_in_closed_form() -> None:
    """Cut c below the middle, the upper part locks pi c^3 / 3 and the lower one nothing (derived)."""
    points, faces = zoo.sphere(300.0, 6)
    grid = grid_over(points.min(axis=0)[:2], points.max(axis=0)[:2], cell_mm=1.0, margin_mm=1.0)
    above, below = hidden_mm3(points, faces, grid, level_mm=-200.0)
    assert above == pytest.approx(math.pi * 200.0**3 / 3.0, rel=5e-3)
    assert below == pytest.approx(0.0, abs=1e-9 * above)
    mirrored = hidden_mm3(points, faces, grid, level_mm=200.0)
    assert mirrored == pytest.approx((below, above), rel=1e-3, abs=1e-9 * above)


def crossings(mesh: zoo.Mesh, x: float, y: float) -> list[float]:
    """Return the heights at which a line along z meets a mesh, triangle by triangle."""
    found = []
    for corners in mesh[0][mesh[1]]:
        edges = np.array([corners[1] - corners[0], corners[2] - corners[0]])[:, :2].T
        if abs(np.linalg.det(edges)) < 1e-12:
            continue
        u, v = np.linalg.solve(edges, np.array([x, y]) - corners[0, :2])
        if u > 0.0 and v > 0.0 and u + v < 1.0:
            found.append(
                float(
                    corners[0, 2] + u * (corners[1, 2] - corners[0, 2]) + v * (corners[2, 2] - corners[0, 2])
                )
            )
    return sorted(found)


@pytest.mark.kernel
@pytest.mark.parametrize("level", [-2.0, 0.0, 3.5])
def test_hidden_volume_against_lines_met_one_by_one(level: float) -> None:
    """Pairs of crossings are stretches of solid; the gap is what they leave of the span beyond the plane."""
    points, faces = zoo.torus(10.0, 3.0, 10, 6)
    points = points[:, [1, 2, 0]] + np.array([0.0123, 0.0456, 0.0])
    grid = grid_over(points.min(axis=0)[:2], points.max(axis=0)[:2], cell_mm=1.37, margin_mm=1.0)
    above = below = 0.0
    for y in grid.y_mm():
        for x in grid.x_mm():
            heights = crossings((points, faces), x, y)
            assert len(heights) % 2 == 0
            if heights:
                solids = list(zip(heights[::2], heights[1::2], strict=True))
                above += max(heights[-1] - level, 0.0)
                above -= sum(max(high - level, 0.0) - max(low - level, 0.0) for low, high in solids)
                below += max(level - heights[0], 0.0)
                below -= sum(max(level - low, 0.0) - max(level - high, 0.0) for low, high in solids)
    found = hidden_mm3(points, faces, grid, level_mm=level)
    # corners snapped to 1/256 of a cell move heights a little
    assert found == pytest.approx((above * grid.cell_area_mm2, below * grid.cell_area_mm2), rel=0.02, abs=0.5)
