"""The survey in words and as a document, and the open meshes with values known from elsewhere."""

import json
import sys
from collections import Counter
from pathlib import Path
from types import FrameType

import numpy as np
import pytest
import pyvista
import trimesh
import zoo
from zoo_files import write_glb, write_ply, write_stl

from moldplan.pattern import Mending, Survey, describe_survey, load_pattern, survey_document, survey_file

SHARED = Path(__file__).parents[2] / "shared" / "meshes"
EXAMPLES = Path(pyvista.__file__).parent / "examples"

#: Genus, volume and area in file units, as published beside the meshes (by trimesh, VTK and manifold3d).
KNOWN = {
    "spot.ply": (0, 0.68798626, 5.5769675),
    "hand.ply": (0, 0.029382065, 0.82572439),
    "skull.ply": (2, 562.52148, 498.0316),
    "scorpion.ply": (0, 12.178536, 81.070229),
    "koala.ply": (0, 57.089431, 113.73753),
    "wingnut.ply": (0, 22.096639, 62.429799),
    "featuretype.stl": (9, 11.627733, 53.827386),
}


def dirty(tmp_path: Path) -> Path:
    """Write two boxes apart from each other, with a doubled face and a flipped one."""
    points, faces = zoo.box(1000.0, 600.0, 400.0)
    faces = np.concatenate([faces, faces + len(points), faces[2:3]])
    faces[4] = faces[4][::-1]
    points = np.concatenate([points, points + np.array([2000.0, 0.0, 0.0])])
    return write_ply(tmp_path / "dirty.ply", (points, faces))


def test_words_for_a_sound_figure(tmp_path: Path) -> None:
    path = write_stl(tmp_path / "ring.stl", zoo.torus(500.0, 100.0, 48, 16))
    size = "size 1200 x 1200 x 200 (x, y, z) in the file's own numbers; it names no unit: "
    assert describe_survey(survey_file(path)) == [
        "ring.stl: STL, 1536 triangles, 768 points",
        size + 'add --height "1.5 m" or --unit mm',
        "one closed solid, 1 hole right through it",
        "ready to plan once its size is given",
    ]
    assert describe_survey(survey_file(path, unit="mm"))[1:] == [
        "size 1200.0 x 1200.0 x 200.0 mm (x, y, z), surface 1.96 m2, volume 95.9 l",
        "one closed solid, 1 hole right through it",
        "ready to plan",
    ]


def test_words_for_a_broken_figure(tmp_path: Path) -> None:
    survey = survey_file(dirty(tmp_path), height_mm=400.0)
    first, size, solid, *rest = describe_survey(survey)
    assert first == "dirty.ply: PLY, 25 triangles, 16 points"
    assert size == "size 3000.0 x 600.0 x 400.0 mm (x, y, z), surface 4.96 m2"
    assert solid == "no closed solid; 2 separate pieces"
    assert rest[0].startswith("as it came: ")
    assert rest[0].endswith("1 doubled face, 1 flipped face")
    assert rest[1:4] == [
        "mended: doubled faces dropped, 1",
        "mended: flipped faces turned, 1",
        "mending moved the surface nowhere",
    ]
    assert rest[4].startswith("wrong: 2 bodies that are not joined; the second largest (100 % of the largest")
    assert rest[5:] == ["cannot be planned as it is"]


def test_words_for_what_is_to_be_accepted(tmp_path: Path) -> None:
    points, faces = zoo.sphere(500.0, 4)
    beside = np.linalg.norm(points[faces].mean(axis=1) - [0.0, -500.0, 0.0], axis=1) < 200.0
    path = write_ply(tmp_path / "holed.ply", (points, faces[~beside]))
    lines = describe_survey(survey_file(path, unit="mm", mending=Mending(repair_mm=0.0)))
    assert lines[3].startswith("as it came: ")
    assert lines[3].endswith("open edges round 1 hole")
    assert lines[4].startswith("mended: holes filled, 1; moved ")
    assert " mm at most, at (" in lines[4]
    assert lines[6].startswith("to be accepted: mending (holes filled) may be ")
    assert lines[-1].startswith("can be planned with --accept-repairs, once somebody has looked at")


def test_document_names_its_units(tmp_path: Path) -> None:
    path = write_ply(tmp_path / "ring.ply", zoo.torus(500.0, 100.0, 48, 16))
    known = survey_document(survey_file(path, unit="cm"))
    assert known["size_mm"] == pytest.approx([12_000.0, 12_000.0, 2000.0])
    assert known["volume_l"] == pytest.approx(zoo.volume(zoo.torus(500.0, 100.0, 48, 16)) / 1000.0, rel=1e-12)
    assert known["genus"] == 1
    unknown = survey_document(survey_file(path))
    assert unknown["size_file"] == pytest.approx([1200.0, 1200.0, 200.0])
    assert unknown["scale_known"] is False
    assert not [key for key in unknown if key.endswith(("_mm", "_l", "_m2"))]
    glb = survey_document(survey_file(write_glb(tmp_path / "ring.glb", zoo.torus(0.5, 0.1, 48, 16))))
    assert glb["file_unit"] == "m"
    assert glb["size_mm"] == pytest.approx([1200.0, 1200.0, 200.0], rel=1e-6)


def test_document_of_a_broken_figure_is_plain_json(tmp_path: Path) -> None:
    document = survey_document(survey_file(dirty(tmp_path)))
    again = json.loads(json.dumps(document, allow_nan=False))
    assert again == document
    assert document["genus"] is None
    assert document["volume_file"] is None
    assert document["watertight"] is False
    assert document["found"]["doubled_faces"] == 1
    doubled = document["repairs"][0]
    assert (doubled["what"], doubled["count"], doubled["rung"]) == ("doubled faces dropped", 1, "doubles")
    assert {doubled[name] for name in ("mean_file", "p99_file", "moved_file", "volume_file")} == {0.0}


@pytest.mark.parametrize(
    ("name", "genus", "bodies", "solid"),
    [("nut.ply", 1, 1, True), ("airplane.ply", 0, 7, False), ("ant.ply", 0, 9, False)],
)
def test_examples_that_come_with_pyvista(name: str, genus: int, bodies: int, solid: bool) -> None:  # noqa: FBT001
    survey = survey_file(EXAMPLES / name, height_mm=100.0)
    assert (survey.genus, survey.bodies, survey.watertight) == (genus, bodies, solid)
    assert describe_survey(survey)[-1] == ("ready to plan" if solid else "cannot be planned as it is")
    if solid:
        other = trimesh.load_mesh(EXAMPLES / name, process=False)
        scale = 100.0 / other.extents[2]
        assert survey.volume_mm3 == pytest.approx(other.volume * scale**3, rel=1e-9)
        assert survey.area_mm2 == pytest.approx(other.area * scale**2, rel=1e-9)


def shared(name: str) -> Path:
    """Return an open mesh, or skip the test with a word."""
    if not (SHARED / name).is_file():
        pytest.skip(f"no {name} in ../shared/meshes")
    return SHARED / name


@pytest.mark.meshes
@pytest.mark.parametrize("name", KNOWN)
def test_open_meshes_have_their_known_values(name: str) -> None:
    genus, volume, area = KNOWN[name]
    survey = survey_file(shared(name))
    assert survey.problems == ()
    assert survey.genus == genus
    assert survey.bodies == 1
    assert survey.volume_mm3 == pytest.approx(volume, rel=1e-7)  # as many digits as are published
    # the four faces of the wing nut that cut through others are cut out, and filled a little smaller
    assert survey.area_mm2 == pytest.approx(area, rel=2e-5 if name == "wingnut.ply" else 1e-7)
    assert survey.deviation_mm < (1e-4 if name == "wingnut.ply" else 1e-12)


@pytest.mark.meshes
def test_a_part_whose_points_nearly_meet_closes_on_welding() -> None:
    survey: Survey = load_pattern(shared("featuretype.stl"), unit="in").survey
    assert (survey.open_edges_found, survey.open_loops_found) == (576, 16)
    assert [repair.what for repair in survey.repairs] == ["nearly equal points welded"]
    assert survey.volume_mm3 == pytest.approx(11.627733 * 25.4**3, rel=1e-7)


@pytest.mark.meshes
def test_a_dirty_scan_has_its_known_counts() -> None:
    path = shared("angel_dirty.ply")
    survey = survey_file(path)
    counts = (survey.open_edges_found, survey.open_loops_found, survey.nonmanifold_edges_found)
    assert counts == (1413, 199, 41)  # as published beside it
    assert survey.watertight


def calls(path: Path) -> int:
    """Return how many Python and C functions a survey calls."""
    seen: Counter[str] = Counter()

    def count(_frame: FrameType, event: str, _what: object) -> None:
        seen[event] += 1

    sys.setprofile(count)
    try:
        survey_file(path)
    finally:
        sys.setprofile(None)
    return seen["call"] + seen["c_call"]


def test_no_work_in_python_per_triangle(tmp_path: Path) -> None:
    """Sixteen times the triangles, the same number of calls: everything runs over whole arrays."""
    small = write_stl(tmp_path / "small.stl", zoo.sphere(500.0, 4))
    large = write_stl(tmp_path / "large.stl", zoo.sphere(500.0, 6))
    calls(small)  # the first one imports
    assert calls(large) - calls(small) < 200  # some numpy functions work in blocks
