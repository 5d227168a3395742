"""Long runs, left to `make soak`: damaged files of every format, and random shapes at random planes."""

import json
import math
import random
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import zoo
from shop import shop_settings
from test_pattern_bad import SEEDS
from zoo_files import WRITERS

from moldplan.columns.lean import steepest_nz
from moldplan.document import plan_document
from moldplan.errors import MoldplanError
from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.pattern import Limits, pattern_from_arrays, survey_file
from moldplan.plan import plan_job
from moldplan.schema import plan_schema
from moldplan.solids import mould_solids
from moldplan.split.model import Plane

pytestmark = pytest.mark.soak

DAMAGED_FILES = 5000
RANDOM_SHAPES = 24


def damaged(content: bytes, dice: random.Random) -> bytes:
    """Return `content` with bytes changed, cut out, doubled or cut off."""
    body = bytearray(content)
    for _ in range(dice.randint(1, 8)):
        place = dice.randrange(len(body))
        kind = dice.randrange(4)
        if kind == 0:
            body[place] = dice.randrange(256)
        elif kind == 1:
            del body[place : place + dice.randint(1, 40)]
        elif kind == 2:
            body[place:place] = body[place : place + dice.randint(1, 40)]
        else:
            body[place : place + 4] = dice.choice([b"\xff\xff\xff\x7f", b"nan ", b"\0\0\0\0", b"1e99"])
        if not body:
            return b"\0"
    return bytes(body[: dice.randint(1, len(body))]) if dice.random() < 0.2 else bytes(body)


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


def test_damaged_files_are_read_or_refused(tmp_path: Path) -> None:
    dice = random.Random(11)
    whole = {
        kind: WRITERS[kind](tmp_path / f"whole.{kind}", zoo.box(10.0, 6.0, 4.0)).read_bytes()
        for kind in SEEDS
    }
    refused = 0
    for number in range(DAMAGED_FILES):
        kind = SEEDS[number % len(SEEDS)]
        path = tmp_path / f"damaged.{kind}"
        path.write_bytes(damaged(whole[kind], dice))
        try:
            survey_file(path, limits=Limits(triangles=100_000))
        except MoldplanError as error:
            refused += 1
            assert "\n" not in str(error)  # noqa: PT017 - refusing and reading are both right
    assert 0 < refused < DAMAGED_FILES


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
