"""The whole plan in memory: what must hold whatever the shape, and that nothing but the input decides it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import zoo
from shop import shop_settings

from moldplan.document import plan_document
from moldplan.errors import StoppedError
from moldplan.half import cut
from moldplan.pattern import pattern_from_arrays
from moldplan.pattern.lighten import lightened
from moldplan.plan import Plan, plan_job
from moldplan.progress import Progress
from moldplan.schema import plan_schema
from moldplan.split.model import Plane

FIGURES = {
    "sphere": (zoo.sphere(300.0, 4), (0.0, 1.0, 0.0), 60.0),
    "mushroom": (zoo.mushroom(100, 300, 250, 120, 64), (0.0, -1.0, 0.0), 0.0),
    "ring": (zoo.torus(300, 60, 96, 32), (1.0, 0.0, 0.0), 10.0),
    "box": (zoo.box(500, 300, 400), (0.3, 0.2, 1.0), -20.0),
}


def plan_of(name: str) -> Plan:
    mesh, normal, offset = FIGURES[name]
    unit = np.array(normal) / np.linalg.norm(normal)
    plane = Plane(normal=(float(unit[0]), float(unit[1]), float(unit[2])), offset_mm=offset)
    return plan_job(pattern_from_arrays(*mesh, name=name), shop_settings(), plane=plane)


@pytest.fixture(scope="module", params=list(FIGURES))
def plan(request: pytest.FixtureRequest) -> Plan:
    return plan_of(request.param)


def test_volumes_add_up(plan: Plan) -> None:
    # derived: sawing loses nothing in the plan (the kerf is the shop's)
    assert sum(half.volume_mm3 for half in plan.halves) == pytest.approx(plan.pattern.volume_mm3, rel=1e-9)


def test_parts_of_the_rubber_add_up_and_agree_with_the_second_way(plan: Plan) -> None:
    for mould in plan.moulds:
        rubber = mould.rubber
        parts = (rubber.skin_mm3, rubber.fill_mm3, rubber.draft_mm3, rubber.edge_mm3)
        assert sum(parts) == pytest.approx(rubber.volume_mm3, rel=1e-9)
        assert rubber.measured_mm3 == pytest.approx(rubber.volume_mm3, rel=0.01)
        assert min(parts) >= -1e-3 * rubber.volume_mm3
        assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3, rel=5e-3)


def test_lines_on_the_board_lie_one_outside_the_other(plan: Plan) -> None:
    for half, mould in plan.pairs():
        edge = mould.rubber.edge_line
        assert edge.buffer(1e-6).covers(half.projection)
        assert mould.wall.inner.buffer(1e-6).covers(edge)
        assert mould.wall.outer.contains(mould.wall.inner)
        assert mould.jacket.flange_outer.buffer(1e-6).covers(edge)


def test_boards_hold_wall_and_flange(plan: Plan) -> None:
    for mould in plan.moulds:
        low_x, low_y, high_x, high_y = mould.wall.outer.union(mould.jacket.flange_outer).bounds
        assert mould.board.size_mm[0] >= high_x - low_x
        assert mould.board.size_mm[1] >= high_y - low_y


def test_undercut_lies_in_its_bracket_and_above_what_is_locked(plan: Plan) -> None:
    for half in plan.halves:
        low, high = half.undercut.bracket_mm3
        assert low <= half.undercut.volume_mm3 <= high
    assert 0.0 <= plan.locked_mm3 <= plan.undercut_mm3


def test_the_document_fits_its_schema_and_has_no_key_of_a_stage_to_come(plan: Plan) -> None:
    document = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    jsonschema.validate(document, plan_schema())
    assert set(document) == {"moldplan", "job", "pattern", "split", "halves", "findings", "accuracy"}


def test_a_lighter_copy_is_held_against_the_whole_mesh() -> None:
    whole = pattern_from_arrays(*zoo.torus(300.0, 100.0, 128, 64))
    light = lightened(whole, most=8000, moves=(5e-4,))
    assert light.lighter is not None
    plan = plan_job(light, shop_settings(), plane=Plane(normal=(0.0, 1.0, 0.0), offset_mm=60.0))
    document = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    jsonschema.validate(document, plan_schema())
    told = document["accuracy"]["lighter_copy"]
    assert told["whole"]["triangles"] == document["pattern"]["triangles"] == 128 * 64 * 2
    assert told["planned"]["triangles"] == len(light.faces) < 128 * 64 * 2
    assert (
        told["whole"]["volume_l"] == document["pattern"]["volume_l"] == pytest.approx(whole.volume_mm3 / 1e6)
    )
    # the copy is planned: what its columns lock is what the halves lock, and the whole mesh locks nearly that
    locked = [half["undercut"]["volume_l"] for half in document["halves"]]
    assert told["planned"]["undercut_l"] == pytest.approx(locked, rel=0.01)
    assert told["whole"]["undercut_l"] == pytest.approx(locked, rel=0.02)
    assert [f["severity"] for f in document["findings"] if f["code"] == "lighter-copy"] == ["note"]


def test_the_schema_refuses_a_strange_key() -> None:
    document = plan_document(plan_of("box"))
    document["halves"][0]["rubber"]["weight"] = 1.0
    with pytest.raises(jsonschema.ValidationError, match="'weight' was unexpected"):
        jsonschema.validate(document, plan_schema())


def test_the_search_keeps_the_least_half_and_finds_nothing_locked_in_an_egg() -> None:
    # derived: a convex body has nothing locked in any direction, and its widest outline frees both halves
    points, faces = zoo.sphere(300.0, 4)
    egg = pattern_from_arrays(points * [1.0, 0.8, 1.4], faces)
    plan = plan_job(egg, shop_settings())
    assert plan.chosen_by == "search"
    # the best of 321 directions misses the true outline by up to half the cover angle
    assert plan.undercut_mm3 < 2e-3 * egg.volume_mm3
    assert min(half.volume_mm3 for half in plan.halves) >= 0.15 * egg.volume_mm3


def test_a_relief_becomes_a_one_part_open_mould() -> None:
    relief = pattern_from_arrays(*zoo.frustum(300.0, 280.0, 60.0))
    plan = plan_job(relief, shop_settings())
    assert plan.chosen_by == "open"
    assert [half.called for half in plan.halves] == ["WHOLE"]
    assert plan.undercut_mm3 < 1e-5 * relief.volume_mm3
    assert "open-mould" in {finding.code for finding in plan.findings}
    jsonschema.validate(json.loads(json.dumps(plan_document(plan))), plan_schema())


def test_stopping_stops() -> None:
    progress = Progress()
    progress.stop.set()
    with pytest.raises(StoppedError, match="looking for the split"):
        plan_job(pattern_from_arrays(*zoo.box()), shop_settings(), progress=progress)


def test_stopping_in_the_rubber_stops_both_halves() -> None:
    told: list[str] = []
    progress = Progress(tell=lambda what, _share: told.append(what))

    def tell(what: str, _share: float) -> None:
        told.append(what)
        if what.startswith("building the rubber"):
            progress.stop.set()

    watching = Progress(tell=tell, stop=progress.stop)
    mesh, normal, offset = FIGURES["sphere"]
    plane = Plane(normal=(normal[0], normal[1], normal[2]), offset_mm=offset)
    with pytest.raises(StoppedError, match="stopped on request"):
        plan_job(pattern_from_arrays(*mesh), shop_settings(), plane=plane, progress=watching)
    assert not any("planned" in what for what in told)


CHILD = """
import json, os, sys
sys.path[:0] = sys.argv[2:]
if hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: int(sys.argv[1])])
from test_plan import plan_of
from moldplan.document import plan_document
document = plan_document(plan_of("mushroom"))
del document["job"]["made"]
print(json.dumps(document))
"""


@pytest.mark.soak
def test_the_number_of_threads_changes_no_byte() -> None:
    here = Path(__file__).parent
    outputs = []
    for threads in ("1", "2"):
        environment = {**os.environ, "NUMBA_NUM_THREADS": threads, "OMP_NUM_THREADS": threads}
        words = [sys.executable, "-c", CHILD, threads, str(here), str(here.parent)]
        outputs.append(subprocess.run(words, check=True, capture_output=True, env=environment).stdout)
    assert outputs[0] == outputs[1]
    assert json.loads(outputs[0])["halves"]


def test_face_order_changes_nothing() -> None:
    (points, faces), normal, offset = FIGURES["mushroom"]
    plane = Plane(normal=(normal[0], normal[1], normal[2]), offset_mm=offset)
    order = np.random.default_rng(7).permutation(len(faces))
    plans = [
        plan_job(pattern_from_arrays(points, some), shop_settings(), plane=plane)
        for some in (faces, faces[order])
    ]
    for one, two in zip(plans[0].pairs(), plans[1].pairs(), strict=True):
        assert one[0].undercut.volume_mm3 == pytest.approx(two[0].undercut.volume_mm3, rel=1e-9)
        assert one[1].rubber.volume_mm3 == pytest.approx(two[1].rubber.volume_mm3, rel=1e-9)
        assert one[1].jacket.mass_kg == pytest.approx(two[1].jacket.mass_kg, rel=1e-9)


def test_a_half_in_two_pieces_says_so() -> None:
    # derived: sawn beside its waist, an hourglass leaves two caps on one side and one piece on the other
    profile = [(0, 0), (200, 100), (200, 200), (60, 300), (200, 400), (200, 500), (0, 600)]
    hourglass = pattern_from_arrays(*zoo.revolve([(float(r), float(z)) for r, z in profile], 64))
    plane = Plane(normal=(0.0, -1.0, 0.0), offset_mm=100.0)
    plan = plan_job(hourglass, shop_settings(), plane=plane)
    loose = [finding for finding in plan.findings if finding.code == "loose-piece"]
    assert [(finding.half, finding.value) for finding in loose] == [("A", 2.0)]


def test_near_equal_candidates_are_decided_by_the_exact_undercut() -> None:
    pattern = pattern_from_arrays(*zoo.mushroom(100, 300, 250, 120, 48))
    plan = plan_job(pattern, shop_settings())
    assert plan.splits is not None
    for rival in plan.splits.candidates[:2]:
        exact = sum(half.undercut.volume_mm3 for half in cut(pattern, rival.plane))
        assert plan.undercut_mm3 <= exact + 2e-5 * pattern.volume_mm3
