"""Quick numbers while the plane still moves: near the plan's, and moving with the plane."""

import numpy as np
import pytest
import zoo
from shop import shop_settings

from moldplan.choice.preview import LIGHT_FACES, lighter, preview
from moldplan.errors import PatternError
from moldplan.half import cut
from moldplan.mould.board import plan_board
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.wall import plan_wall
from moldplan.pattern import pattern_from_arrays
from moldplan.split.model import Plane

FLAT = (0.0, 1.0, 0.0)


def test_a_pattern_of_few_triangles_is_its_own_copy() -> None:
    pattern = pattern_from_arrays(*zoo.mushroom(100, 300, 250, 120, 64))
    assert lighter(pattern) is pattern


def test_a_lighter_copy_keeps_frame_and_volume() -> None:
    pattern = pattern_from_arrays(*zoo.sphere(300.0, 6))
    light = lighter(pattern)
    assert len(light.faces) <= LIGHT_FACES < len(pattern.faces)
    radii = np.linalg.norm(light.vertices, axis=1)
    assert (
        radii.max() - radii.min() < 3.0
    )  # the middle has not moved, nor the surface by more than the copy may


@pytest.mark.slow
@pytest.mark.parametrize("offset_mm", [-40.0, 60.0])
def test_a_preview_is_near_the_plan(offset_mm: float) -> None:
    settings = shop_settings()
    pattern = pattern_from_arrays(*zoo.sphere(300.0, 6))
    plane = Plane(normal=FLAT, offset_mm=offset_mm)
    quick = preview(lighter(pattern), plane, settings)
    for half, numbers in zip(cut(pattern, plane, called=("BACK", "FRONT")), quick, strict=True):
        rubber = plan_rubber(half, settings)
        wall = plan_wall(rubber, settings)
        assert (numbers.name, numbers.called) == (half.name, half.called)
        assert numbers.rubber_kg == pytest.approx(rubber.mass_kg, rel=0.01)
        assert numbers.jacket_kg == pytest.approx(plan_jacket(half, rubber, settings).mass_kg, rel=0.01)
        # the copy is 0.1 % of the diagonal off, a tenth of the undercut's own size at these offsets
        assert numbers.undercut_mm3 == pytest.approx(half.undercut.volume_mm3, abs=2e-3 * pattern.volume_mm3)
        assert numbers.board_mm == pytest.approx(plan_board(rubber, wall, settings).size_mm, abs=10.0)
        assert numbers.wall_mm == pytest.approx(wall.height_mm, abs=1.0)
        assert numbers.loops == half.undercut.links


def test_moving_the_plane_moves_the_numbers_the_way_they_go() -> None:
    # derived: a sphere cut c below its centre locks pi c^3 / 3
    settings = shop_settings()
    pattern = lighter(pattern_from_arrays(*zoo.sphere(300.0, 5)))
    locked = []
    for offset in (-30.0, -40.0, -50.0):
        a, b = preview(pattern, Plane(normal=FLAT, offset_mm=offset), settings)
        locked.append(a.undercut_mm3)
        assert b.undercut_mm3 == pytest.approx(0.0, abs=1e-6)
    for offset, volume in zip((30.0, 40.0, 50.0), locked, strict=True):
        assert volume == pytest.approx(np.pi * offset**3 / 3.0, rel=0.05)


def test_a_plane_beside_the_pattern_is_refused() -> None:
    pattern = pattern_from_arrays(*zoo.sphere(300.0, 3))
    with pytest.raises(PatternError, match="misses"):
        preview(pattern, Plane(normal=FLAT, offset_mm=400.0), shop_settings())
