"""Small damage is mended and said, the rest is refused with a place; mended solids have their true volume."""

import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
import zoo
from hypothesis import given, settings
from hypothesis import strategies as st
from zoo_files import write_obj, write_ply, write_stl

from moldplan.errors import PatternError
from moldplan.pattern import Pattern, Survey, load_pattern, pattern_from_arrays, survey_file
from moldplan.pattern.mend import mend
from moldplan.pattern.model import Mending

TORUS = zoo.torus(500.0, 100.0, 48, 16)
BOX = zoo.box(1000.0, 600.0, 400.0)


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Put meshes into one, each with its own points."""
    counts = np.cumsum([0, *(len(points) for points, _ in meshes)])
    faces = [count + faces for count, (_, faces) in zip(counts, meshes, strict=False)]
    return np.concatenate([points for points, _ in meshes]), np.concatenate(faces)


def reversed_(mesh: zoo.Mesh) -> zoo.Mesh:
    """Turn every face."""
    return mesh[0], mesh[1][:, ::-1]


def loaded(tmp_path: Path, mesh: zoo.Mesh) -> Pattern:
    """Write as float64 PLY, load, and check what every pattern must be."""
    pattern = load_pattern(write_ply(tmp_path / "figure.ply", mesh), unit="mm")
    assert_solid(pattern)
    return pattern


def surveyed(tmp_path: Path, mesh: zoo.Mesh) -> Survey:
    """Survey a mesh that `load_pattern` must refuse with the first of its problems."""
    path = write_ply(tmp_path / "figure.ply", mesh)
    survey = survey_file(path, unit="mm")
    assert survey.problems
    assert not survey.watertight
    with pytest.raises(PatternError, match=r"^figure\.ply: [^\n]+$") as caught:
        load_pattern(path, unit="mm")
    assert str(caught.value) == f"figure.ply: {survey.problems[0]}"
    return survey


def assert_closed(faces: list[list[int]], points: int) -> None:
    """Check that every directed edge is used once and its opposite too, and that no point is unused.

    Counted one face at a time in a dictionary: no code in common with what is tested.
    """
    uses: dict[tuple[int, int], int] = defaultdict(int)
    for a, b, c in faces:
        for edge in ((a, b), (b, c), (c, a)):
            uses[edge] += 1
    assert all(count == 1 and uses.get((b, a)) == 1 for (a, b), count in uses.items())
    assert {corner for edge in uses for corner in edge} == set(range(points))


def assert_solid(pattern: Pattern) -> None:
    """Check that a pattern is a closed outward-wound solid and that its survey says its true volume."""
    assert_closed(pattern.faces.tolist(), len(pattern.vertices))
    assert zoo.volume((pattern.vertices, pattern.faces)) == pytest.approx(pattern.volume_mm3, rel=1e-12)
    assert pattern.volume_mm3 > 0.0


def repairs(survey: Survey) -> dict[str, int]:
    return {repair.what: repair.count for repair in survey.repairs}


def test_nothing_to_mend(tmp_path: Path) -> None:
    survey = loaded(tmp_path, TORUS).survey
    assert survey.repairs == ()
    assert survey.deviation_mm == 0.0
    assert (survey.open_edges_found, survey.open_loops_found, survey.nonmanifold_edges_found) == (0, 0, 0)
    assert (survey.doubled_faces_found, survey.degenerate_faces_found) == (0, 0)
    assert survey.flipped_faces_found == 0


def test_points_a_hair_apart_are_welded(tmp_path: Path) -> None:
    """Every triangle with its own points, each off by up to a tenth of the weld distance."""
    points, faces = TORUS
    loose = points[faces].reshape(-1, 3)
    spread = float(np.linalg.norm(np.ptp(points, axis=0)))
    loose = loose + np.random.default_rng(3).uniform(-1, 1, loose.shape) * 1e-7 * spread / math.sqrt(3)
    pattern = loaded(tmp_path, (loose, np.arange(len(loose)).reshape(-1, 3)))
    assert pattern.survey.genus == 1
    assert repairs(pattern.survey) == {"nearly equal points welded": len(loose) - len(points)}
    assert pattern.survey.open_edges_found == faces.size
    assert 0.0 < pattern.survey.deviation_mm <= 2e-7 * spread
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(TORUS), rel=1e-5)


def test_doubled_and_pointless_faces_go(tmp_path: Path) -> None:
    points, faces = TORUS
    more = np.concatenate([faces, faces[5:9], np.roll(faces[20:22], 1, axis=1), [[4, 4, 9], [7, 7, 7]]])
    extra = np.concatenate([points, [[9e3, 0.0, 0.0]]])  # a point that no face uses
    pattern = loaded(tmp_path, (extra, more))
    assert repairs(pattern.survey) == {"doubled faces dropped": 6, "faces without area dropped": 2}
    assert (pattern.survey.doubled_faces_found, pattern.survey.degenerate_faces_found) == (6, 2)
    assert pattern.survey.points_found == len(points) + 1
    assert pattern.size_mm == pytest.approx(np.ptp(points, axis=0), rel=1e-12)
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(TORUS), rel=1e-12)


@pytest.mark.parametrize("same_way", [True, False])
def test_a_shell_drawn_twice_counts_once(tmp_path: Path, same_way: bool) -> None:  # noqa: FBT001 - a case
    copy = TORUS if same_way else reversed_(TORUS)
    pattern = loaded(tmp_path, joined(TORUS, copy))
    assert repairs(pattern.survey) == {"doubled faces dropped": len(TORUS[1])}
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(TORUS), rel=1e-12)


def test_flipped_faces_are_turned(tmp_path: Path) -> None:
    points, faces = TORUS
    mixed = faces.copy()
    flipped = np.random.default_rng(5).permutation(len(faces))[: len(faces) // 3]
    mixed[flipped] = mixed[flipped][:, ::-1]
    pattern = loaded(tmp_path, (points, mixed))
    assert repairs(pattern.survey) == {"flipped faces turned": len(flipped)}
    assert pattern.survey.flipped_faces_found == len(flipped)
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(TORUS), rel=1e-12)


def test_an_inside_out_body_is_turned(tmp_path: Path) -> None:
    pattern = loaded(tmp_path, reversed_(TORUS))
    assert repairs(pattern.survey) == {"bodies that were inside out turned": 1}
    assert pattern.survey.flipped_faces_found == len(TORUS[1])
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(TORUS), rel=1e-12)


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_pin_holes_are_closed(tmp_path: Path, missing: int) -> None:
    """Faces are missing round one point of a fine sphere; the cap is flat, so the volume shrinks a little."""
    ball = zoo.sphere(500.0, 4)
    points, faces = ball
    round_one = np.flatnonzero((faces == 100).any(axis=1))
    middles = points[faces[round_one]].mean(axis=1) - points[100]
    across = np.linalg.svd(middles)[2]  # two directions in the tangent plane, then the normal
    round_one = round_one[np.argsort(np.arctan2(middles @ across[0], middles @ across[1]))]
    pattern = loaded(tmp_path, (points, np.delete(faces, round_one[:missing], axis=0)))
    assert repairs(pattern.survey) == {"pin-holes closed": 1}
    assert pattern.survey.open_edges_found == missing + 2
    assert 0.0 < pattern.survey.deviation_mm < 40.0  # no more than an edge of this sphere
    whole = zoo.volume(ball)
    assert -1e-12 <= (whole - pattern.volume_mm3) / whole < 1e-4
    assert pattern.survey.genus == 0


def test_pin_holes_that_touch_are_closed(tmp_path: Path) -> None:
    """Two faces that have only one point in common are missing."""
    points, faces = zoo.sphere(500.0, 4)
    round_one = np.flatnonzero((faces == 100).any(axis=1))
    shared = [{*faces[face].tolist()} for face in round_one]
    apart = [0]
    apart += [k for k in range(1, 6) if all(len(shared[k] & shared[j]) == 1 for j in apart)][:1]
    pattern = loaded(tmp_path, (points, np.delete(faces, round_one[apart], axis=0)))
    assert repairs(pattern.survey) == {"pin-holes closed": 2}
    assert pattern.volume_mm3 == pytest.approx(zoo.volume((points, faces)), rel=1e-12)


def test_a_crack_is_closed_without_moving_anything(tmp_path: Path) -> None:
    """A point halfway along one edge of one of two neighbours: three open edges, no gap to see."""
    points, faces = BOX
    a, b, c = faces[0].tolist()
    middle = 0.5 * (points[a] + points[b])
    split = [(a, len(points), c), (len(points), b, c)]
    pattern = loaded(tmp_path, (np.concatenate([points, [middle]]), np.concatenate([faces[1:], split])))
    assert repairs(pattern.survey) == {"pin-holes closed": 1, "flat slivers evened out": 1}
    assert pattern.survey.deviation_mm == 0.0
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(BOX), rel=1e-12)
    corners = pattern.vertices[pattern.faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    assert areas.min() > 1.0


def test_too_large_a_hole_has_to_be_accepted(tmp_path: Path) -> None:
    """Two sides of a box that meet along an edge: the rim lies in no plane; nobody knows what was there."""
    points, faces = BOX
    path = write_ply(tmp_path / "figure.ply", (points, np.concatenate([faces[2:4], faces[6:]])))
    with pytest.raises(
        PatternError, match=r"figure\.ply: [^\n]*(--accept-repairs|6 open edges round 1 hole)"
    ):
        load_pattern(path, unit="mm", mending=Mending(cells=32))


def test_a_missing_side_of_a_box_is_closed_flat(tmp_path: Path) -> None:
    pattern = loaded(tmp_path, (BOX[0], BOX[1][2:]))
    assert repairs(pattern.survey) == {"open underside closed flat": 1}
    assert pattern.survey.deviation_mm == 0.0
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(BOX), rel=1e-12)


def test_a_fin_is_cut_off(tmp_path: Path) -> None:
    points, faces = BOX
    fin = np.concatenate([points, [[0.0, 0.0, 900.0]]])
    pattern = loaded(tmp_path, (fin, np.concatenate([faces, [[1, 3, 8]]])))
    assert pattern.survey.nonmanifold_edges_found == 1
    assert repairs(pattern.survey) == {"faces of fins cut off": 1}
    assert pattern.survey.deviation_mm == 0.0
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(BOX), rel=1e-12)


def test_a_one_sided_surface_is_refused(tmp_path: Path) -> None:
    """A band with a half twist has open edges and no outside."""
    turn = 2.0 * np.pi * np.arange(24) / 24
    edge = [
        [(500 + s * 90 * np.cos(t / 2)) * np.cos(t), (500 + s * 90 * np.cos(t / 2)) * np.sin(t),
         s * 90 * np.sin(t / 2)] for t in turn for s in (-1, 1)
    ]  # fmt: skip
    faces = []
    for i in range(24):
        a, b = 2 * i, 2 * i + 1
        c, d = (2 * i + 2, 2 * i + 3) if i < 23 else (1, 0)
        faces += [(a, b, c), (b, d, c)]
    survey = surveyed(tmp_path, (np.array(edge), np.array(faces)))
    assert "one side only" in survey.problems[0]


@pytest.mark.parametrize("turn_deg", [0.0, 33.0])
def test_a_flat_sheet_is_refused(tmp_path: Path, turn_deg: float) -> None:
    """One-sided, two-sided, and lying askew in space."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    sheet = (
        np.array([(0, 0, 0), (900, 0, 0), (900, 700 * c, 700 * s), (0, 700 * c, 700 * s)], dtype=np.float64),
        np.array([(0, 1, 2), (0, 2, 3)]),
    )
    for mesh in (sheet, joined(sheet, reversed_(sheet))):
        assert "flat sheet has no inside" in surveyed(tmp_path, mesh).problems[0]


def test_faces_that_are_all_lines_are_refused(tmp_path: Path) -> None:
    points = np.array([(0, 0, 0), (9, 0, 0), (0, 9, 9)], dtype=np.float64)
    survey = surveyed(tmp_path, (points, np.array([(0, 1, 1), (2, 2, 1)])))
    assert survey.degenerate_faces_found == 2
    assert "nothing is left without faces that have no area" in survey.problems[0]


def test_a_solid_with_a_sheet_beside_it_is_refused(tmp_path: Path) -> None:
    """The bowl of a sphere, which is closed flat, and a box apart from it."""
    points, faces = zoo.sphere(500.0, 2)
    lid = faces[(points[faces][:, :, 2] > 100.0).all(axis=1)]
    survey = surveyed(tmp_path, joined(zoo.moved(BOX, (0.0, 0.0, 2000.0)), (points, lid)))
    assert "2 bodies that are not joined" in survey.problems[0]


def test_a_hollow_is_filled(tmp_path: Path) -> None:
    """The inner shell of a hollow casting: rubber never gets there."""
    for inner in (reversed_(zoo.sphere(100.0, 2)), zoo.sphere(100.0, 2)):
        pattern = loaded(tmp_path, joined(inner, BOX))
        wound = "inner hollows filled" if zoo.volume(inner) < 0.0 else "buried bodies dropped"
        assert repairs(pattern.survey) == {wound: 1}
        assert pattern.survey.flipped_faces_found == 0
        assert pattern.survey.deviation_mm == 0.0
        assert len(pattern.faces) == 12
        assert pattern.volume_mm3 == pytest.approx(1000.0 * 600.0 * 400.0, rel=1e-12)


def test_overlapping_bodies_are_joined(tmp_path: Path) -> None:
    """Two boxes that share a corner region: V = 2 V1 - V12 (inclusion and exclusion)."""
    second = zoo.moved(BOX, (700.0, 400.0, 250.0))
    pattern = loaded(tmp_path, joined(BOX, reversed_(second)))
    volume = 2 * 1000.0 * 600.0 * 400.0 - 300.0 * 200.0 * 150.0
    assert repairs(pattern.survey) == {
        "bodies that were inside out turned": 1,
        "overlapping bodies joined": 2,
    }
    assert pattern.volume_mm3 == pytest.approx(volume, rel=1e-12)
    assert pattern.size_mm == pytest.approx((1700.0, 1000.0, 650.0), rel=1e-12)


def test_a_hollow_closed_by_joining_is_filled(tmp_path: Path) -> None:
    """A box without its lid's middle, and a lid: the room between them is no part of the surface."""
    cup = zoo.revolve([(0, 0), (300, 0), (300, 400), (250, 400), (250, 50), (0, 50)], 32)
    lid = zoo.moved(zoo.revolve([(0, 0), (300, 0), (300, 40), (0, 40)], 32), (0.0, 0.0, 390.0))
    pattern = loaded(tmp_path, joined(cup, lid))
    area = 16 * math.sin(2 * math.pi / 32) * 300.0**2
    assert repairs(pattern.survey) == {"overlapping bodies joined": 2, "inner hollows filled": 1}
    assert pattern.volume_mm3 == pytest.approx(area * 430.0, rel=1e-9)


@pytest.mark.parametrize("write", [write_ply, write_obj, write_stl])
def test_bodies_that_touch_face_to_face_are_one(tmp_path: Path, write: object) -> None:
    """Two boxes, one on the other, their common side drawn in both: an inner wall, twice two triangles."""
    upper = zoo.moved(BOX, (0.0, 0.0, 400.0))
    assert callable(write)
    pattern = load_pattern(
        write(tmp_path / f"f.{write.__name__[-3:]}", joined(BOX, reversed_(upper))), unit="mm"
    )
    assert_solid(pattern)
    assert pattern.volume_mm3 == pytest.approx(2 * 1000.0 * 600.0 * 400.0, rel=1e-9)
    assert pattern.survey.genus == 0


def test_bodies_apart_are_refused_with_size_and_place(tmp_path: Path) -> None:
    survey = surveyed(tmp_path, joined(BOX, zoo.moved(zoo.box(100.0, 80.0, 60.0), (2000.0, 30.0, -7.0))))
    assert survey.bodies == 2
    assert "2 bodies that are not joined" in survey.problems[0]
    assert (
        "0.2 % of the largest, 100 x 80 x 60 in the file's numbers) lies at (2000, 30, -7)"
        in survey.problems[0]
    )


def test_bodies_that_touch_along_an_edge_are_refused(tmp_path: Path) -> None:
    """Such an edge has four faces; manifold3d alone takes it for one sound solid.

    In STL the two bodies have their points in common, and get points of their own again.
    """
    survey = surveyed(tmp_path, joined(BOX, zoo.moved(BOX, (1000.0, 600.0, 0.0))))
    assert "2 bodies that are not joined" in survey.problems[0]
    path = write_stl(tmp_path / "figure.stl", joined(BOX, zoo.moved(BOX, (1000.0, 600.0, 0.0))))
    with pytest.raises(PatternError, match="2 bodies that are not joined"):
        load_pattern(path, unit="mm")


def test_touching_in_one_point_counts_twice(tmp_path: Path) -> None:
    """Euler's number of two tetrahedra tip to tip is right only when the shared point counts for each."""
    points = np.array([(0, 0, 0), (9, 0, 9), (0, 9, 9), (-9, -9, 9), (9, 0, -9), (0, 9, -9), (-9, -9, -9)])
    faces = np.array([(0, 2, 1), (0, 3, 2), (0, 1, 3), (1, 2, 3), (0, 4, 5), (0, 5, 6), (0, 6, 4), (4, 6, 5)])
    pattern = pattern_from_arrays(points.astype(np.float64), faces)
    assert (pattern.survey.genus, pattern.survey.bodies) == (0, 2)


def test_specks_are_dropped(tmp_path: Path) -> None:
    speck = zoo.moved(zoo.box(2.0, 2.0, 2.0), (3000.0, 0.0, 0.0))
    pattern = loaded(tmp_path, joined(speck, BOX))
    assert repairs(pattern.survey) == {"loose specks dropped": 1}
    assert pattern.size_mm == (1000.0, 600.0, 400.0)


def test_crumbs_without_number_are_refused(tmp_path: Path) -> None:
    crumbs = [zoo.moved(zoo.box(1.0, 1.0, 1.0), (3.0 * i, 0.0, 0.0)) for i in range(1001)]
    assert "1001 separate bodies in one file" in surveyed(tmp_path, joined(*crumbs)).problems[0]


DAMAGES = ["drop", "double", "flip", "flip double", "move", "loose"]
DAMAGE = st.lists(st.tuples(st.sampled_from(DAMAGES), st.integers(0, 10**6)), max_size=6)
DAMAGED = zoo.torus(500.0, 100.0, 48, 16)


@given(damage=DAMAGE, seed=st.integers(0, 10**6))
@settings(max_examples=80, deadline=None, derandomize=True)
def test_any_small_damage_ends_in_a_solid_or_in_problems(damage: list[tuple[str, int]], seed: int) -> None:
    """Whatever happens to a few faces: without problems it is closed and nearly the same torus."""
    points, faces = DAMAGED
    for what, number in damage:
        at = number % len(faces)
        if what == "drop":
            faces = np.delete(faces, at, axis=0)
        elif "double" in what:
            faces = np.concatenate([faces, faces[at : at + 1, :: -1 if "flip" in what else 1]])
        elif what == "flip":
            faces = faces.copy()
            faces[at] = faces[at, ::-1]
        else:
            shift = 1e-5 if what == "loose" else 30.0
            points = np.concatenate([points, points[faces[at, :1]] + shift])
            faces = faces.copy()
            faces[at, 0] = len(points) - 1
    result = mend(points, np.random.default_rng(seed).permutation(faces), mending=Mending(cells=64))
    if not result.problems:
        assert_closed(result.surface.faces.tolist(), len(result.surface.points))
        assert result.genus == 1
        volume = zoo.volume((result.surface.points, result.surface.faces))
        assert volume == pytest.approx(zoo.volume(DAMAGED), rel=0.01)
    if all(what not in ("drop", "move") for what, _ in damage):
        assert not result.problems


def test_pattern_from_arrays_is_as_strict() -> None:
    with pytest.raises(PatternError, match="not closed: 3 open edges"):
        pattern_from_arrays(BOX[0], BOX[1][1:])
    with pytest.raises(PatternError, match=r"encloses -2\.4e"):
        pattern_from_arrays(*reversed_(BOX))
    mixed = BOX[1].copy()
    mixed[3] = mixed[3, ::-1]
    with pytest.raises(PatternError, match="3 between faces that disagree"):
        pattern_from_arrays(BOX[0], mixed)
    merged = joined(BOX, BOX)[1] % 8  # a doubled shell over the same points
    with pytest.raises(PatternError, match="18 shared by more than two faces"):
        pattern_from_arrays(BOX[0], merged)
    assert pattern_from_arrays(*BOX).volume_mm3 == pytest.approx(2.4e8, rel=1e-12)
