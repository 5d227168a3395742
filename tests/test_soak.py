"""Long runs, left to `make soak`: random shapes at random planes (damaged files: `test_fuzz`)."""

import json
import math

import jsonschema
import numpy as np
import pytest
import zoo
from shop import shop_settings

from moldplan.columns.lean import steepest_nz
from moldplan.document import plan_document
from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.pattern import pattern_from_arrays
from moldplan.plan import plan_job
from moldplan.schema import plan_schema
from moldplan.solids import mould_solids
from moldplan.split.model import Plane

pytestmark = pytest.mark.soak

RANDOM_SHAPES = 24


def opens(half: Half, mould: Mould, seed: int) -> None:
    """Hold that the jacket draws and lifts off, and that the solids are what the plan says."""
    sine = math.sin(math.radians(mould.rubber.draft_deg))
    assert steepest_nz(mould.rubber.outer_mm, mould.rubber.grid.cell_mm) >= sine - 1e-9, seed
    solids = mould_solids(half, mould)
    assert solids.jacket is not None
    assert solids.rubber.volume_mm3 == pytest.approx(mould.rubber.volume_mm3, rel=0.01), seed
    assert solids.jacket.volume_mm3 == pytest.approx(mould.jacket.volume_mm3, rel=0.01), seed
    below = solids.rubber.solid + solids.pattern.solid
    for lift_mm in (0.0, 0.1, 2.0, 0.3 * half.height_mm, half.height_mm + 50.0):
        shared = (solids.jacket.solid.translate((0.0, 0.0, lift_mm)) ^ below).volume()
        assert shared <= 1e-4 * mould.rubber.volume_mm3, (seed, lift_mm)


def lumpy(dice: np.random.Generator) -> zoo.Mesh:
    """Return a closed star-shaped lump with bumps and hollows."""
    points, faces = zoo.sphere(1.0, 4)
    radius = np.full(len(points), 1.0)
    for _ in range(12):
        way = dice.normal(size=3)
        way /= np.linalg.norm(way)
        radius += dice.uniform(-0.25, 0.35) * np.exp(-dice.uniform(4.0, 30.0) * (1.0 - points @ way))
    return points * radius[:, None] * dice.uniform(100.0, 600.0, size=3), faces


def test_random_shapes_keep_every_promise() -> None:
    settings = shop_settings()
    for seed in range(RANDOM_SHAPES):
        dice = np.random.default_rng(seed)
        pattern = pattern_from_arrays(*lumpy(dice), name=f"lump {seed}")
        normal = dice.normal(size=3)
        normal /= np.linalg.norm(normal)
        reach = np.abs(pattern.vertices @ normal).max()
        offset = float(dice.uniform(-0.4, 0.4) * reach)
        plane = Plane(normal=(float(normal[0]), float(normal[1]), float(normal[2])), offset_mm=offset)
        plan = plan_job(pattern, settings, plane=plane)
        total = sum(half.volume_mm3 for half in plan.halves)
        assert total == pytest.approx(pattern.volume_mm3, rel=1e-9), seed
        for half, mould in plan.pairs():
            low, high = half.undercut.bracket_mm3
            assert low <= half.undercut.volume_mm3 <= high, seed
            assert high - low <= max(0.03 * high, 1e-3 * half.volume_mm3), seed
            assert mould.rubber.measured_mm3 == pytest.approx(mould.rubber.volume_mm3, rel=0.01), seed
            assert sum(coat.volume_mm3 for coat in mould.rubber.coats) == pytest.approx(
                mould.rubber.volume_mm3, rel=1e-9
            ), seed
            opens(half, mould, seed)
        jsonschema.validate(json.loads(json.dumps(plan_document(plan), allow_nan=False)), plan_schema())
