"""Patches to keep clean: clipped exactly, covered by points, the same however the pattern lies."""

import math
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import zoo
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.spatial import KDTree
from scipy.spatial.transform import Rotation

from moldplan.choice.marks import read_vertices
from moldplan.choice.model import Patch
from moldplan.choice.patches import (
    Marks,
    patch_from_box,
    patch_from_line,
    patch_from_marks,
)
from moldplan.choice.sampling import area_of, clipped, outermost, spread, within_box
from moldplan.choice.seam import seam_of
from moldplan.errors import SettingError
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.model import Pattern
from moldplan.split import Plane

Floats = NDArray[np.float64]
RADIUS = 500.0
#: Longest edge of the ball: its 63.4 deg icosahedron edge halved four times, longer by the bulge (derived).
EDGE_DEG = 5.0


@pytest.fixture(scope="module")
def ball() -> Pattern:
    """Ball of radius 500 mm with 5,120 triangles."""
    return pattern_from_arrays(*zoo.sphere(RADIUS, 4))


@pytest.fixture(scope="module")
def cube() -> Pattern:
    """Cube of 400 mm, twelve triangles."""
    return pattern_from_arrays(*zoo.box(400.0, 400.0, 400.0))


def circle(polar_deg: float, count: int = 24, radius: float = RADIUS) -> list[tuple[float, float, float]]:
    """Points round the ball's top at one polar angle."""
    polar = math.radians(polar_deg)
    return [
        (
            radius * math.sin(polar) * math.cos(turn),
            radius * math.sin(polar) * math.sin(turn),
            radius * math.cos(polar),
        )
        for turn in 2.0 * math.pi * np.arange(count) / count
    ]


def farthest_mm(patch: Patch, places: Floats) -> float:
    """How far the worst of some places on the patch is from its nearest point."""
    return float(KDTree(patch.points_mm).query(places)[0].max())


# --- clipping and spreading -------------------------------------------------------------------------------

numbers = st.floats(-100.0, 100.0).map(lambda number: round(number, 3))
triangle_lists = st.lists(st.lists(numbers, min_size=9, max_size=9), min_size=1, max_size=6).map(
    lambda rows: np.array(rows).reshape(-1, 3, 3)
)


@given(triangle_lists, st.lists(numbers, min_size=4, max_size=4))
def test_what_is_clipped_away_and_what_is_kept_add_up(triangles: Floats, plane: list[float]) -> None:
    levels = triangles @ np.array(plane[:3]) - plane[3]
    above, above_levels = clipped(triangles, levels)
    below, _ = clipped(triangles, np.where(levels == 0.0, -1e-300, -levels))
    whole = area_of(triangles)
    assert area_of(above) + area_of(below) == pytest.approx(whole, rel=1e-9, abs=1e-6)
    assert (above_levels >= 0.0).all()
    # linear between the corners (derived): the level of a kept corner is the plane's at its place
    scale = 1.0 + float(np.abs(levels).max())
    np.testing.assert_allclose(above @ np.array(plane[:3]) - plane[3], above_levels, atol=1e-9 * scale)


@given(triangle_lists)
def test_clipping_keeps_the_sense_of_rotation(triangles: Floats) -> None:
    flat = triangles.copy()
    flat[:, :, 2] = 0.0
    kept, _ = clipped(flat, flat[:, :, 0])
    turns = np.cross(flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0])[:, 2]
    left = np.cross(kept[:, 1] - kept[:, 0], kept[:, 2] - kept[:, 0])[:, 2]
    if (turns >= 0.0).all():
        assert (left >= -1e-6).all()


def test_a_box_cuts_triangles_where_it_lies(cube: Pattern) -> None:
    triangles = cube.vertices[cube.faces]
    side = within_box(triangles, np.array([-50.0, -250.0, -40.0]), np.array([50.0, -150.0, 40.0]))
    assert area_of(side) == pytest.approx(100.0 * 80.0, rel=1e-12)  # derived: a rectangle on one side
    corner = within_box(triangles, np.array([150.0, 150.0, 150.0]), np.array([300.0, 300.0, 300.0]))
    assert area_of(corner) == pytest.approx(3.0 * 50.0**2, rel=1e-12)  # derived: a square on each of three
    every = within_box(triangles, np.full(3, -200.0), np.full(3, 200.0))
    assert area_of(every) == pytest.approx(6.0 * 400.0**2, rel=1e-12)


def test_a_zone_of_the_ball_has_its_area(ball: Pattern) -> None:
    zone = within_box(
        ball.vertices[ball.faces], np.array([-600.0, -600.0, 100.0]), np.array([600.0, 600.0, 250.0])
    )
    exact = 2.0 * math.pi * RADIUS * 150.0  # Archimedes, On the Sphere and Cylinder: a zone is 2 pi R h
    assert exact * (1.0 - 0.01) < area_of(zone) < exact * (1.0 + 1e-3)


@settings(max_examples=25, deadline=None)
@given(triangle_lists, st.floats(10.0, 60.0))
def test_points_lie_on_the_triangles_and_everywhere_near(triangles: Floats, spacing: float) -> None:
    points = spread(triangles, spacing)
    weights = np.random.default_rng(7).dirichlet((1.0, 1.0, 1.0), size=(len(triangles), 40))
    places = np.einsum("tpc,tcx->tpx", weights, triangles).reshape(-1, 3)
    assert float(KDTree(points).query(places)[0].max()) <= spacing
    assert max(_off_mm(point, triangles) for point in points[:: max(len(points) // 20, 1)]) <= 1e-6
    np.testing.assert_array_equal(points, spread(triangles, spacing))


def _off_mm(point: Floats, triangles: Floats) -> float:
    """Return how far a point is from the nearest triangle, trying each."""
    return min(_least_mm(point, triangle) for triangle in triangles)


def _least_mm(point: Floats, triangle: Floats) -> float:
    """Return how far a point is from a triangle: its weights by least squares, none of them negative."""
    heavy = 1e4  # the weights add up to 1
    matrix = np.concatenate([triangle.T, np.full((1, 3), heavy)])
    weights, _ = nnls(matrix, np.append(point, heavy))
    return float(np.linalg.norm(weights / weights.sum() @ triangle - point))


def test_too_many_points_widen_the_spacing(monkeypatch: pytest.MonkeyPatch) -> None:
    triangles = np.array([[[0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [0.0, 100.0, 0.0]]])
    many = len(spread(triangles, 1.0))
    monkeypatch.setattr("moldplan.choice.sampling.MOST_POINTS", 500)
    assert 3 <= len(spread(triangles, 1.0)) <= 503 < many
    monkeypatch.setattr("moldplan.choice.sampling.MOST_POINTS", 1)
    assert len(spread(triangles, 1.0)) >= 3  # the corners at least


def test_outermost_points_are_the_corners_of_a_cube(cube: Pattern) -> None:
    inside = np.random.default_rng(3).uniform(-199.0, 199.0, (500, 3))
    found = outermost(np.concatenate([inside, cube.vertices]))
    assert found.tolist() == list(range(500, 508))


# --- boxes ------------------------------------------------------------------------------------------------


def test_a_box_on_one_side_of_a_cube(cube: Pattern) -> None:
    patch = patch_from_box(
        cube, name="sign", low_mm=(-50.0, -250.0, -40.0), high_mm=(50.0, -150.0, 40.0), spacing_mm=8.0
    )
    assert (patch.name, patch.low_mm, patch.high_mm) == (
        "sign", (-50.0, -250.0, -40.0), (50.0, -150.0, 40.0)
    )  # fmt: skip
    assert not patch.marked.any()  # no corner of the cube lies in it
    np.testing.assert_allclose(patch.points_mm.min(axis=0), [-50.0, -200.0, -40.0], atol=1e-9)
    np.testing.assert_allclose(patch.points_mm.max(axis=0), [50.0, -200.0, 40.0], atol=1e-9)
    places = np.random.default_rng(1).uniform([-50.0, -200.0, -40.0], [50.0, -200.0, 40.0], (2000, 3))
    assert farthest_mm(patch, places) <= 8.0
    assert not patch.marked.flags.writeable
    assert not patch.points_mm.flags.writeable


def test_a_box_marks_the_vertices_in_it(ball: Pattern) -> None:
    patch = patch_from_box(
        ball, name="top", low_mm=(-600.0, -600.0, 300.0), high_mm=(600.0, 600.0, 600.0), spacing_mm=20.0
    )
    np.testing.assert_array_equal(patch.marked, ball.vertices[:, 2] >= 300.0)


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ((300.0, -50.0, -50.0), (400.0, 50.0, 50.0)),  # beside it
        ((-50.0, -50.0, -50.0), (50.0, 50.0, 50.0)),  # deep inside
        ((200.0, -50.0, 200.0), (400.0, 50.0, 400.0)),  # touches an edge
        ((200.0, 200.0, 200.0), (400.0, 400.0, 400.0)),  # touches a corner
    ],
)
def test_a_box_that_misses_the_surface_is_refused(
    cube: Pattern, low: tuple[float, float, float], high: tuple[float, float, float]
) -> None:
    message = (
        r"^keep_clean 'sign': the figure's surface does not pass .* x -200 to 200, y -200 to 200, z -200"
    )
    with pytest.raises(SettingError, match=message):
        patch_from_box(cube, name="sign", low_mm=low, high_mm=high, spacing_mm=8.0)


# --- chalk lines ------------------------------------------------------------------------------------------


def test_a_chalk_line_marks_the_cap_within_it(ball: Pattern) -> None:
    patch = patch_from_line(ball, name="crown", line_mm=circle(35.0), spacing_mm=10.0)
    polar_deg = np.degrees(np.arccos(ball.vertices[:, 2] / RADIUS))
    assert patch.marked[polar_deg <= 35.0 - EDGE_DEG].all()
    assert not patch.marked[polar_deg >= 35.0 + EDGE_DEG].any()
    faces = ball.faces[patch.marked[ball.faces].all(axis=1)]
    low, high = (
        2.0
        * math.pi
        * RADIUS**2
        * (1.0 - math.cos(math.radians(35.0 + off)))  # Archimedes: a cap is 2 pi R h
        for off in (-EDGE_DEG, EDGE_DEG)
    )
    assert low * 0.99 < area_of(ball.vertices[faces]) < high
    assert patch.low_mm is None
    inside = ball.vertices[patch.marked]
    assert farthest_mm(patch, inside) <= 10.0
    assert float(KDTree(inside).query(patch.points_mm)[0].max()) <= RADIUS * math.radians(EDGE_DEG)


def test_the_smaller_side_is_taken_whichever_way_the_line_runs(ball: Pattern) -> None:
    one = patch_from_line(ball, name="crown", line_mm=circle(35.0), spacing_mm=20.0)
    other = patch_from_line(ball, name="crown", line_mm=circle(35.0)[::-1], spacing_mm=20.0)
    low = patch_from_line(ball, name="foot", line_mm=circle(145.0), spacing_mm=20.0)
    agree = one.marked == other.marked
    assert float(agree.mean()) > 0.98  # ways of equal length along the edges may be taken differently
    assert low.marked.sum() == pytest.approx(one.marked.sum(), rel=0.1)
    assert (ball.vertices[low.marked][:, 2] < 0.0).all()


def test_three_points_make_a_line(ball: Pattern) -> None:
    patch = patch_from_line(ball, name="spot", line_mm=circle(20.0, 3), spacing_mm=20.0)
    assert patch.marked[np.argmax(ball.vertices[:, 2])]
    assert 10 < patch.marked.sum() < 100


def lumpy() -> zoo.Mesh:
    """Return a ball with bumps of chance, so that no two ways along its edges are equally long."""
    points, faces = zoo.sphere(RADIUS, 4)
    bumps = np.random.default_rng(11).uniform(0.97, 1.03, len(points))
    return points * bumps[:, None], faces


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 10.0))
def test_a_patch_turned_and_scaled_with_the_pattern_marks_the_same_vertices(seed: int, scale: float) -> None:
    mesh = lumpy()
    turn = Rotation.random(random_state=seed).as_matrix() * scale
    still = pattern_from_arrays(*mesh)
    moved = pattern_from_arrays(mesh[0] @ turn.T, mesh[1])
    line = still.vertices[_ring_of(still)]
    # the middle of the bounding box is another point of the turned figure
    shift = (mesh[0] @ turn.T)[0] - moved.vertices[0] - turn @ (mesh[0][0] - still.vertices[0])
    line_moved = line @ turn.T - shift
    one = patch_from_line(still, name="a", line_mm=line.tolist(), spacing_mm=30.0)
    other = patch_from_line(moved, name="a", line_mm=line_moved.tolist(), spacing_mm=30.0 * scale)
    np.testing.assert_array_equal(one.marked, other.marked)
    assert one.marked.any()


def _ring_of(pattern: Pattern) -> list[int]:
    """Vertices nearest to a circle."""
    return [int(k) for k in KDTree(pattern.vertices).query(circle(40.0, 12))[1]]


@settings(max_examples=25, deadline=None)
@given(st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: math.hypot(*v) > 0.1))
def test_a_plane_beyond_all_points_leaves_no_seam_in_the_patch(direction: tuple[float, float, float]) -> None:
    """What the search keeps clear of by a patch's points is clear when the seam is measured."""
    pattern = pattern_from_arrays(*lumpy())
    patch = patch_from_line(pattern, name="a", line_mm=circle(40.0, 12), spacing_mm=10.0)
    length = math.hypot(*direction)
    normal = (direction[0] / length, direction[1] / length, direction[2] / length)
    along = patch.points_mm @ np.array(normal)
    for offset_mm in (float(along.max()) + 10.0, float(along.min()) - 10.0):
        seam = seam_of(pattern, Plane(normal=normal, offset_mm=offset_mm), [patch], margin_mm=25.0)
        assert seam.clean_mm == 0.0
    middle = Plane(normal=normal, offset_mm=float(along.mean()))
    assert seam_of(pattern, middle, [patch], margin_mm=25.0).clean_mm > 0.0


def test_a_point_off_the_surface_is_told_with_its_distance(ball: Pattern, cube: Pattern) -> None:
    off = [*circle(35.0)[:3], (0.0, 0.0, 600.0), *circle(35.0)[4:]]
    with pytest.raises(
        SettingError, match=r"'crown': point 4 of the line lies 100 mm off .* 34\.6 mm: places"
    ):
        patch_from_line(ball, name="crown", line_mm=off, spacing_mm=10.0)
    # over the middle of a large triangle, and over an edge of the cube (derived: plain distances)
    for point, off_mm in (((20.0, 60.0, 230.0), "30"), ((230.0, 240.0, 7.0), "50")):
        line = [(-200.0, -200.0, -200.0), (200.0, -200.0, -200.0), point]
        with pytest.raises(SettingError, match=f"point 3 of the line lies {off_mm} mm off the surface"):
            patch_from_line(cube, name="a", line_mm=line, spacing_mm=10.0)


def test_a_mesh_too_coarse_for_a_line_is_refused(cube: Pattern) -> None:
    near = [(-30.0, -200.0, -30.0), (30.0, -200.0, -30.0), (30.0, -200.0, 30.0), (-30.0, -200.0, 30.0)]
    with pytest.raises(
        SettingError, match=r"'sign': the mesh is too coarse for this line: .* give a box inste"
    ):
        patch_from_line(cube, name="sign", line_mm=near, spacing_mm=10.0)


def test_a_line_that_does_not_part_the_surface_is_refused(ball: Pattern) -> None:
    ring = pattern_from_arrays(*zoo.torus(500.0, 150.0, 64, 32))
    turns = 2.0 * math.pi * np.arange(12) / 12
    across = [(500.0 + 150.0 * math.cos(t), 0.0, 150.0 * math.sin(t)) for t in turns]
    with pytest.raises(SettingError, match=r"'tyre': the line does not part the surface: it has to run once"):
        patch_from_line(ring, name="tyre", line_mm=across, spacing_mm=10.0)
    there_and_back = [*circle(35.0)[:8], *circle(35.0)[6:0:-1]]
    with pytest.raises(SettingError, match=r"the line does not part the surface"):
        patch_from_line(ball, name="arc", line_mm=there_and_back, spacing_mm=10.0)


def two_balls() -> Pattern:
    """Two balls that do not touch."""
    points, faces = zoo.sphere(RADIUS, 3)
    both = np.concatenate([points, points + np.array([3000.0, 0.0, 0.0])])
    return pattern_from_arrays(both, np.concatenate([faces, faces + len(points)]))


def test_of_two_bodies_only_the_one_with_the_line_is_marked() -> None:
    pattern = two_balls()
    line = [(x - 1500.0, y, z) for x, y, z in circle(35.0)]
    patch = patch_from_line(pattern, name="crown", line_mm=line, spacing_mm=20.0)
    half = len(pattern.vertices) // 2
    assert patch.marked[:half].any()
    assert not patch.marked[half:].any()
    over = [line[0], (1500.0, 0.0, RADIUS), line[12]]
    with pytest.raises(
        SettingError, match=r"'crown': the line runs over two bodies that do not hang together"
    ):
        patch_from_line(pattern, name="crown", line_mm=over, spacing_mm=20.0)


# --- marked vertices --------------------------------------------------------------------------------------

Write = Callable[[Path, zoo.Mesh, dict[str, tuple[str, Floats]]], Path]
_PACKED = {"uchar": "B", "int": "i", "float": "f", "double": "d", "short": "h"}


def _head(form: str, mesh: zoo.Mesh, marks: dict[str, tuple[str, Floats]]) -> str:
    """Header of a PLY with further properties of its vertices."""
    own = [f"property {kind} {name}" for name, (kind, _) in marks.items()]
    lines = ["ply", f"format {form} 1.0", "comment painted by hand", f"element vertex {len(mesh[0])}"]
    lines += [*(f"property double {axis}" for axis in "xyz"), *own, f"element face {len(mesh[1])}"]
    return "\n".join([*lines, "property list uchar int vertex_indices", "end_header"]) + "\n"


def write_text(path: Path, mesh: zoo.Mesh, marks: dict[str, tuple[str, Floats]]) -> Path:
    """ASCII PLY with marks."""
    rows = [
        " ".join([*(repr(float(x)) for x in point), *(f"{values[k]:g}" for _, values in marks.values())])
        for k, point in enumerate(mesh[0])
    ]
    rows += [f"3 {a} {b} {c}" for a, b, c in mesh[1].tolist()]
    path.write_text(_head("ascii", mesh, marks) + "\n".join(rows) + "\n")
    return path


def _binary(order: str, path: Path, mesh: zoo.Mesh, marks: dict[str, tuple[str, Floats]]) -> Path:
    """Binary PLY with marks."""
    form = f"binary_{'little' if order == '<' else 'big'}_endian"
    row = struct.Struct(order + "ddd" + "".join(_PACKED[kind] for kind, _ in marks.values()))
    body = b"".join(
        row.pack(
            *point.tolist(), *(v[k] if t in {"float", "double"} else int(v[k]) for t, v in marks.values())
        )
        for k, point in enumerate(mesh[0])
    )
    body += b"".join(struct.pack(order + "Biii", 3, *face) for face in mesh[1].tolist())
    path.write_bytes(_head(form, mesh, marks).encode() + body)
    return path


def write_little(path: Path, mesh: zoo.Mesh, marks: dict[str, tuple[str, Floats]]) -> Path:
    """Little-endian PLY with marks."""
    return _binary("<", path, mesh, marks)


def write_big(path: Path, mesh: zoo.Mesh, marks: dict[str, tuple[str, Floats]]) -> Path:
    """Big-endian PLY with marks."""
    return _binary(">", path, mesh, marks)


WRITERS = [write_text, write_little, write_big]


def painted_ball(level: int = 3) -> tuple[zoo.Mesh, NDArray[np.bool_]]:
    """Return a small ball off the origin, in numbers of its own, and which vertices are in its top."""
    mesh = zoo.moved(zoo.sphere(2.0, level), (10.0, -7.0, 3.0))
    return mesh, mesh[0][:, 2] > 4.2


@pytest.mark.parametrize("write", WRITERS)
def test_marks_are_read_from_the_patterns_own_file(tmp_path: Path, write: Write) -> None:
    mesh, top = painted_ball()
    quality = np.where(top, 0.25, 0.0)
    file = write(tmp_path / "ball.ply", mesh, {"nx": ("float", quality), "keep_clean": ("uchar", 1.0 * top)})
    pattern = load_pattern(file, height_mm=1000.0)
    np.testing.assert_allclose(
        (mesh[0] - np.array(pattern.middle_file)) * pattern.scale_mm, pattern.vertices, atol=1e-9
    )
    for name in ("keep_clean", "nx"):
        marks = Marks(file=file, marked=name)
        patch = patch_from_marks(pattern, name="top", marks=marks, spacing_mm=10.0)
        np.testing.assert_array_equal(patch.marked, top)
        assert farthest_mm(patch, pattern.vertices[top]) <= 10.0


@pytest.mark.parametrize("write", WRITERS)
@pytest.mark.parametrize(
    "names", [("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue")]
)
def test_painted_vertices_are_found_by_colour(tmp_path: Path, write: Write, names: tuple[str, ...]) -> None:
    mesh, top = painted_ball()
    near_red = {
        names[0]: np.where(top, 250.0, 90.0),
        names[1]: np.where(top, 9.0, 90.0),
        names[2]: 90.0 * ~top,
    }
    file = write(tmp_path / "ball.ply", mesh, {name: ("uchar", values) for name, values in near_red.items()})
    pattern = load_pattern(file, height_mm=1000.0)
    patch = patch_from_marks(pattern, name="top", marks=Marks(file=file, colour=(255, 0, 0)), spacing_mm=10.0)
    np.testing.assert_array_equal(patch.marked, top)
    far = Marks(file=file, colour=(255, 40, 0))
    with pytest.raises(
        SettingError, match=r"'top': no vertex of ball\.ply is marked as #ff2800: mark the patch"
    ):
        patch_from_marks(pattern, name="top", marks=far, spacing_mm=10.0)


def test_colours_with_a_point_run_from_0_to_1(tmp_path: Path) -> None:
    mesh, top = painted_ball()
    paint = {"red": ("float", 1.0 * top), "green": ("float", 0.0 * top), "blue": ("float", 1.0 * ~top)}
    file = write_little(tmp_path / "ball.ply", mesh, paint)
    pattern = load_pattern(file, height_mm=1000.0)
    patch = patch_from_marks(pattern, name="top", marks=Marks(file=file, colour=(255, 0, 0)), spacing_mm=10.0)
    np.testing.assert_array_equal(patch.marked, top)


@pytest.mark.parametrize("level", [2, 4, 5])
def test_marks_of_a_coarser_or_finer_mesh_are_carried_over(tmp_path: Path, level: int) -> None:
    mesh, top = painted_ball(4)
    other, other_top = painted_ball(level)
    pattern = load_pattern(write_little(tmp_path / "ball.ply", mesh, {}), height_mm=1000.0)
    file = write_text(tmp_path / "painted.ply", other, {"soft": ("int", 1.0 * other_top)})
    patch = patch_from_marks(pattern, name="top", marks=Marks(file=file, marked="soft"), spacing_mm=10.0)
    assert not (patch.marked & (mesh[0][:, 2] < 4.2 - 0.3)).any()  # not farther than the coarse edges
    if level == 4:
        np.testing.assert_array_equal(patch.marked, top)
    assert patch.marked[mesh[0][:, 2] > 4.2 + 0.5].all()  # a mark reaches half way to the next vertex


def test_things_before_the_vertices_are_stepped_over(tmp_path: Path) -> None:
    lines = ("element camera 2", "property float view", "property uchar id", TWO, *XYZ, "property uchar mark")
    plain = tmp_path / "plain.ply"
    plain.write_bytes(_ply("ascii", *lines, body="1.5 1\n2.5 2\n0 0 0 0\n1 2 3 1\n"))
    packed = tmp_path / "packed.ply"
    packed.write_bytes(
        _ply("binary_big_endian", *lines)
        + struct.pack(">fBfB", 1.5, 1, 2.5, 2) + struct.pack(">fffBfffB", 0, 0, 0, 0, 1, 2, 3, 1)
    )  # fmt: skip
    for file in (plain, packed):
        vertices = read_vertices(file)
        assert vertices.points.tolist() == [[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]]
        assert vertices.marked("mark").tolist() == [False, True]


def test_a_mark_that_is_no_number_is_no_mark(tmp_path: Path) -> None:
    mesh, top = painted_ball()
    file = write_little(tmp_path / "ball.ply", mesh, {"soft": ("double", np.where(top, 1.0, np.nan))})
    np.testing.assert_array_equal(read_vertices(file).marked("soft"), top)


def test_marks_that_cannot_be_used_are_refused(tmp_path: Path) -> None:
    mesh, top = painted_ball()
    file = write_little(tmp_path / "ball.ply", mesh, {"soft": ("uchar", 0.0 * top)})
    pattern = load_pattern(file, height_mm=1000.0)

    def refuse(marks: Marks, message: str) -> None:
        with pytest.raises(SettingError, match=message) as raised:
            patch_from_marks(pattern, name="top", marks=marks, spacing_mm=10.0)
        assert "\n" not in str(raised.value)

    refuse(
        Marks(file=file, marked="keep"),
        r"^keep_clean 'top': ball\.ply: .* no property 'keep': they have x, y",
    )
    refuse(
        Marks(file=file, marked="soft"), r"no vertex of ball\.ply is marked as soft: mark the patch and save"
    )
    refuse(
        Marks(file=file, colour=(1, 2, 3)), r"ball\.ply: its vertices have no colours: paint them, or use mar"
    )
    refuse(
        Marks(file=tmp_path / "no.ply", marked="soft"), r"no\.ply: No such file.*: check the name; it is seen"
    )
    every = write_text(tmp_path / "every.ply", mesh, {"soft": ("uchar", top | True)})
    refuse(Marks(file=every, marked="soft"), r"every vertex is marked as soft: no seam could keep off")
    away = write_text(tmp_path / "away.ply", zoo.moved(mesh, (0.0, 0.0, 1.0)), {"soft": ("uchar", 1.0 * top)})
    refuse(
        Marks(file=away, marked="soft"),
        r"a mark lies 250 mm off the pattern's vertices, allowed is 9\d\.\d mm: its file has to lie",
    )


def _ply(form: str, *lines: str, body: str = "") -> bytes:
    """Return a PLY whose header has these lines."""
    return "\n".join(["ply", f"format {form} 1.0", *lines, "end_header", body]).encode()


XYZ = ("property float x", "property float y", "property float z")
ONE, TWO = "element vertex 1", "element vertex 2"
LITTLE = "binary_little_endian"
BAD_FILES = [
    (b"solid owl\n", r"bad\.ply: this is no PLY, and marks are read from a PLY only: export it as PLY"),
    (b"ply\nformat ascii 1.0\n", r"bad\.ply: its header has no end: export it again"),
    (_ply("ascii_2"), r"bad\.ply: its format is 'ascii_2', known are ascii, binary_little"),
    (_ply("ascii", "element face 1"), r"bad\.ply: it has no vertices: export the figure as a surface mesh"),
    (_ply("ascii", "element vertex 0", *XYZ), r"bad\.ply: it has 0 vertices, 1 to 50000000 are read"),
    (_ply("ascii", "element vertex -1", *XYZ), r"bad\.ply: it has -1 vertices"),
    (_ply("ascii", "element vertex x", *XYZ), r"bad\.ply: its vertices cannot be read \(invalid literal"),
    (_ply("ascii", ONE, XYZ[0], body="1\n"), r"bad\.ply: its vertices need x, y and z, each property once"),
    (_ply("ascii", ONE, *XYZ, XYZ[0], body="1 2 3 1\n"), r"its vertices need x, y and z, each property once"),
    (
        _ply("ascii", TWO, *XYZ, body="1 2 3\n"),
        r"cannot be read \(its header says 12 bytes or more, 6 follow\): export it again",
    ),
    (_ply("ascii", ONE, *XYZ, body="1 2 nan\n"), r"bad\.ply: some of its vertices are no finite numbers"),
    (
        _ply("ascii", ONE, *XYZ, body="1 2 red\n"),
        r"bad\.ply: its vertices cannot be read \(could not convert",
    ),
    (
        _ply(LITTLE, TWO, *XYZ, body="123456789012abc"),
        r"cannot be read \(its header says 24 bytes or more, 15 follow\): export it ag",
    ),
    (
        _ply("ascii", "element face 999999999999", "property int a", ONE, *XYZ, body="1 2 3\n"),
        r"its header says 2000000000004 bytes or more, 6 follow",
    ),
    (
        _ply(LITTLE, "element vertex 49999999", *(f"property double {k}" for k in "xyzabc"), body="1"),
        r"its header says 2399999952 bytes or more, 1 follow",
    ),
    (_ply("ascii", TWO, *XYZ, body="1 2 3 4 5 6\n"), r"cannot be read \(1 rows where 2 are said\)"),
    (_ply(LITTLE, TWO, "property list uchar int x"), r"its vertices need x, y and z|property 'x' up to its"),
    (
        _ply(LITTLE, TWO, "property list uchar int w", *XYZ, body="1" * 99),
        r"bad\.ply: property 'w' up to its vertices is a list, which is not read here: export it with plain",
    ),
]


@pytest.mark.parametrize(("raw", "message"), BAD_FILES)
def test_a_broken_ply_is_refused_in_one_line(tmp_path: Path, raw: bytes, message: str) -> None:
    file = tmp_path / "bad.ply"
    file.write_bytes(raw)
    with pytest.raises(SettingError, match=message) as raised:
        read_vertices(file)
    assert "\n" not in str(raised.value)


@settings(max_examples=150)
@given(st.integers(0, 400), st.binary(max_size=12), st.integers(0, 60))
def test_a_damaged_ply_is_read_or_refused_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, place: int, junk: bytes, lost: int
) -> None:
    folder = tmp_path_factory.getbasetemp()
    mesh = zoo.box(1.0, 1.0, 1.0)
    raw = write_text(folder / "box.ply", mesh, {"soft": ("uchar", np.ones(8))}).read_bytes()
    place = min(place, len(raw))
    file = folder / "damaged.ply"
    file.write_bytes(raw[:place] + junk + raw[place + lost :])
    message = ""
    try:
        vertices = read_vertices(file)
    except SettingError as error:
        message = str(error)
    else:
        assert vertices.points.shape[1] == 3
    assert "\n" not in message
