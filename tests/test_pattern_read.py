"""Every format gives back the solid that was written into it, at the size asked for."""

import base64
import json
import math
from pathlib import Path

import numpy as np
import pytest
import pyvista
import trimesh
import zoo
from zoo_files import (
    CORE_3MF,
    SINGLE,
    WRITERS,
    glb_bytes,
    gltf_parts,
    mesh_3mf,
    write_3mf,
    write_glb,
    write_obj,
    write_ply,
    write_stl,
    zip_3mf,
)

from moldplan.errors import PatternError, SettingError, UnitError
from moldplan.pattern import AXES, Axis, Limits, axis_vector, load_pattern, survey_file

ZOO: dict[str, tuple[zoo.Mesh, int]] = {
    "box": (zoo.box(1000.0, 600.0, 400.0), 0),
    "sphere": (zoo.sphere(500.0, 3), 0),
    "torus": (zoo.torus(500.0, 100.0, 48, 16), 1),
    "mushroom": (zoo.moved(zoo.mushroom(150.0, 300.0, 400.0, 100.0, 32), (12.5, -3.25, 700.0)), 0),
}


def surface_mm2(mesh: zoo.Mesh) -> float:
    """Sum the triangles one by one, by Heron's formula in the form that is stable for slivers."""
    total = 0.0
    for corners in mesh[0][mesh[1]]:
        a, b, c = sorted((math.dist(corners[i], corners[i - 1]) for i in range(3)), reverse=True)
        total += 0.25 * math.sqrt((a + (b + c)) * (c - (a - b)) * (c + (a - b)) * (a + (b - c)))
    return total


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("name", ZOO)
def test_round_trip(tmp_path: Path, name: str, kind: str) -> None:
    mesh, genus = ZOO[name]
    path = WRITERS[kind](tmp_path / f"a figure, größer.{kind}", mesh)
    pattern = load_pattern(path, unit="mm")
    near = 2e-6 if kind in SINGLE else 1e-12  # float32 keeps 24 bits of each coordinate
    assert pattern.survey.problems == ()
    assert pattern.survey.repairs == ()
    assert pattern.survey.genus == genus
    assert pattern.survey.bodies == 1
    assert len(pattern.faces) == len(mesh[1])
    assert len(pattern.vertices) == len(mesh[0])
    assert pattern.volume_mm3 == pytest.approx(zoo.volume(mesh), rel=near)
    assert pattern.survey.area_mm2 == pytest.approx(surface_mm2(mesh), rel=max(near, 1e-9))
    assert pattern.size_mm == pytest.approx(np.ptp(mesh[0], axis=0), rel=near)
    np.testing.assert_allclose(
        pattern.vertices.min(axis=0), -pattern.vertices.max(axis=0), atol=near * 1000.0
    )


def test_torus_tessellated_volume_and_surface(tmp_path: Path) -> None:
    """Torus of m by n flat faces, which are trapezoids; every wedge is the profile times cos(pi/m).

    So the volume is m sin(2 pi/m) R * n/2 r^2 sin(2 pi/n) (derived, first principles).
    """
    ring, tube, m, n = 500.0, 100.0, 192, 64
    pattern = load_pattern(write_ply(tmp_path / "torus.ply", zoo.torus(ring, tube, m, n)), unit="mm")
    volume = m * math.sin(2 * math.pi / m) * ring * n / 2 * tube**2 * math.sin(2 * math.pi / n)
    assert pattern.volume_mm3 == pytest.approx(volume, rel=1e-12)
    turn = 2 * math.pi * np.arange(n + 1) / n
    x, z = ring + tube * np.cos(turn), tube * np.sin(turn)
    slant = np.hypot(np.diff(x) * math.cos(math.pi / m), np.diff(z))
    surface = m * (math.sin(math.pi / m) * (x[1:] + x[:-1]) * slant).sum()
    assert pattern.survey.area_mm2 == pytest.approx(surface, rel=1e-12)
    # the smooth torus, in metres: V = 2 pi^2 R r^2, S = 4 pi^2 R r (Pappus); flat faces lie inside it
    assert 0.997 * 0.098696 < pattern.volume_mm3 * 1e-9 < 0.098696
    assert 0.998 * 1.973921 < pattern.survey.area_mm2 * 1e-6 < 1.973921


def test_frustum_tessellated_volume(tmp_path: Path) -> None:
    """A frustum on an m-sided base: m/2 sin(2 pi/m) h/3 (a^2 + a b + b^2) (derived, first principles)."""
    a, b, h, m = 2.0, 1.0, 3.0, 192
    pattern = load_pattern(write_ply(tmp_path / "frustum.ply", zoo.frustum(a, b, h, m)), unit="m")
    volume = m / 2 * math.sin(2 * math.pi / m) * h / 3 * (a * a + a * b + b * b)
    assert pattern.volume_mm3 * 1e-9 == pytest.approx(volume, rel=1e-12)
    assert 0.999 * 21.991149 < pattern.volume_mm3 * 1e-9 < 21.991149


@pytest.mark.parametrize("name", ZOO)
def test_trimesh_and_vtk_agree(tmp_path: Path, name: str) -> None:
    path = write_ply(tmp_path / "figure.ply", ZOO[name][0])
    pattern = load_pattern(path, unit="mm")
    other = trimesh.load_mesh(path, process=False)
    assert pattern.volume_mm3 == pytest.approx(other.volume, rel=1e-9)
    assert pattern.survey.area_mm2 == pytest.approx(other.area, rel=1e-9)
    # VTK's reader keeps float32, so it is given the points
    cells = np.insert(pattern.faces, 0, 3, axis=1).ravel()
    poly = pyvista.PolyData(np.array(pattern.vertices), cells)
    assert pattern.volume_mm3 == pytest.approx(poly.volume, rel=1e-9)
    assert pattern.survey.area_mm2 == pytest.approx(poly.area, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "scale_mm"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4), ("ft", 304.8)]
)
def test_units(tmp_path: Path, unit: str, scale_mm: float) -> None:
    path = write_obj(tmp_path / "box.obj", zoo.box(10.0, 6.0, 4.0))
    pattern = load_pattern(path, unit=unit)
    assert pattern.size_mm == pytest.approx((10 * scale_mm, 6 * scale_mm, 4 * scale_mm), rel=1e-15)
    assert pattern.scale_mm == scale_mm
    assert pattern.volume_mm3 == pytest.approx(240.0 * scale_mm**3, rel=1e-12)


@pytest.mark.parametrize(
    ("up", "size"),
    [("+z", (2500.0, 1500.0, 1000.0)), ("-x", (1000.0, 600.0, 400.0)), ("+y", (5000 / 3, 1000.0, 2000 / 3))],
)
def test_height_is_the_extent_along_up(tmp_path: Path, up: Axis, size: tuple[float, ...]) -> None:
    path = write_stl(tmp_path / "box.stl", zoo.box(10.0, 6.0, 4.0))
    pattern = load_pattern(path, height_mm=1000.0, up=up)
    assert pattern.size_mm == pytest.approx(size, rel=1e-12)
    assert (pattern.up, pattern.up_given, pattern.front_given) == (up, True, False)


def test_customs_of_the_formats(tmp_path: Path) -> None:
    stl = load_pattern(write_stl(tmp_path / "a.stl", zoo.box()), unit="mm")
    glb = load_pattern(write_glb(tmp_path / "a.glb", zoo.box(1.0, 0.6, 0.4)))
    assert (stl.up, stl.front) == ("+z", "-y")
    assert (glb.up, glb.front) == ("+y", "+z")
    assert glb.survey.file_unit == "m"
    assert glb.size_mm == pytest.approx((1000.0, 600.0, 400.0), rel=1e-6)
    assert load_pattern(tmp_path / "a.stl", unit="mm", up="+y").front == "+z"
    assert load_pattern(tmp_path / "a.glb", up="+z").front == "-y"
    assert load_pattern(tmp_path / "a.glb", up="+x").front == "+z"


@pytest.mark.parametrize(
    ("unit", "scale_mm"),
    [("micron", 0.001), ("millimeter", 1.0), ("centimeter", 10.0), ("inch", 25.4), ("foot", 304.8),
     ("meter", 1000.0)],
)  # fmt: skip
def test_3mf_says_its_unit(tmp_path: Path, unit: str, scale_mm: float) -> None:
    side = 500.0 / scale_mm
    pattern = load_pattern(write_3mf(tmp_path / "box.3mf", zoo.box(side, side, side), unit))
    assert pattern.size_mm == pytest.approx((500.0, 500.0, 500.0), rel=1e-12)
    bigger = load_pattern(tmp_path / "box.3mf", height_mm=750.0)
    assert bigger.size_mm == pytest.approx((750.0, 750.0, 750.0), rel=1e-12)


def test_3mf_places_components_in_components(tmp_path: Path) -> None:
    """Two unit cubes, one of them twice as large and mirrored, touching along a whole face."""
    cube = mesh_3mf(zoo.box(10.0, 10.0, 10.0))
    model = (
        f'<model unit="centimeter" xmlns="{CORE_3MF}"><resources>'
        f'<object id="1">{cube}</object>'
        '<object id="2"><components><component objectid="1" transform="-2 0 0 0 2 0 0 0 2 20 0 0"/>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 5 0 0"/></components></object>'
        f'<object id="3" type="support">{cube}</object>'
        '</resources><build><item objectid="2" transform="1 0 0 0 1 0 0 0 1 0 0 99"/>'
        '<item objectid="3"/></build></model>'
    )
    pattern = load_pattern(zip_3mf(tmp_path / "parts.3mf", model))
    assert pattern.size_mm == pytest.approx((300.0, 200.0, 200.0), rel=1e-12)
    assert pattern.volume_mm3 == pytest.approx(9e6, rel=1e-12)


def test_glb_places_nodes_and_scales_quantized_points(tmp_path: Path) -> None:
    """A child of a turned, scaled, shifted node; its points are 16-bit numbers that stand for -1..1."""
    points, faces = zoo.box(2.0, 2.0, 2.0)
    header, _ = gltf_parts((points, faces))
    whole = (points * 32767).astype("<i2")
    binary = np.pad(whole, ((0, 0), (0, 1))).tobytes() + faces.astype("<u4").tobytes()  # rows of 8 bytes
    start = 8 * len(points)
    header["bufferViews"] = [
        {"buffer": 0, "byteLength": start, "byteStride": 8},
        {"buffer": 0, "byteOffset": start, "byteLength": len(binary) - start},
    ]
    accessor = {"bufferView": 0, "componentType": 5122, "normalized": True, "count": 8, "type": "VEC3"}
    header["accessors"] = [accessor, header["accessors"][1]]  # type: ignore[index] # a plain JSON list
    header["buffers"] = [{"byteLength": len(binary)}]
    half = math.sqrt(0.5)
    header["nodes"] = [
        {"children": [1], "rotation": [0, 0, half, half], "translation": [7, 0, 0]},  # x to y
        {"mesh": 0, "scale": [1, 0.5, 0.25]},
    ]
    path = tmp_path / "quantized.glb"
    path.write_bytes(glb_bytes(header, binary))
    assert load_pattern(path).size_mm == pytest.approx((1000.0, 2000.0, 500.0), rel=1e-9)


def test_gltf_in_one_file(tmp_path: Path) -> None:
    header, binary = gltf_parts(zoo.box(1.0, 2.0, 0.5))
    text = base64.b64encode(binary).decode()
    header["buffers"] = [{"uri": f"data:application/octet-stream;base64,{text}", "byteLength": len(binary)}]
    path = tmp_path / "figure.gltf"
    path.write_text(json.dumps(header))
    assert load_pattern(path).size_mm == pytest.approx((1000.0, 2000.0, 500.0), rel=1e-6)


def test_gltf_with_its_points_beside_it(tmp_path: Path) -> None:
    """The sum of the pattern changes with either file, so that a plan cannot be taken for another's."""
    header, binary = gltf_parts(zoo.box(1.0, 2.0, 0.5))
    header["buffers"] = [{"uri": "data/the%20owl.bin", "byteLength": len(binary)}]
    path = tmp_path / "figure.gltf"
    path.write_text(json.dumps(header))
    with pytest.raises(PatternError, match=r"'data/the%20owl\.bin', which cannot be opened .*beside the"):
        load_pattern(path)
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "the owl.bin").write_bytes(binary)
    first = load_pattern(path)
    assert first.size_mm == pytest.approx((1000.0, 2000.0, 500.0), rel=1e-6)
    (tmp_path / "data" / "the owl.bin").write_bytes(binary + b"\0")
    second = load_pattern(path)
    assert second.size_mm == first.size_mm
    assert second.survey.sha256 != first.survey.sha256


@pytest.mark.parametrize(("mode", "indices"), [(5, [0, 1, 2, 3, 0, 1]), (6, None)])
def test_glb_strips_and_fans(tmp_path: Path, mode: int, indices: list[int] | None) -> None:
    """A tetrahedron as a strip (its four faces follow each other) or as a fan with its base apart."""
    points = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)], dtype=np.float64)
    fan = [0, 1, 3, 2, 1]
    header, _ = gltf_parts((points, np.zeros((1, 3), dtype=np.int64)))
    numbers = np.array(indices or [*fan, 1, 2, 3], dtype="<u4")
    binary = points.astype("<f4").tobytes() + numbers.tobytes()
    header["bufferViews"] = [
        {"buffer": 0, "byteLength": 48},
        {"buffer": 0, "byteOffset": 48, "byteLength": len(binary) - 48},
    ]
    count = len(indices or fan)
    scalar = {"bufferView": 1, "componentType": 5125, "type": "SCALAR"}
    header["accessors"] = [
        {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
        {**scalar, "count": count},
        {**scalar, "count": 3, "byteOffset": 4 * len(fan)} if indices is None else {**scalar, "count": 3},
    ]
    header["buffers"] = [{"byteLength": len(binary)}]
    primitives = [{"attributes": {"POSITION": 0}, "indices": 1, "mode": mode}]
    if indices is None:
        primitives.append({"attributes": {"POSITION": 0}, "indices": 2, "mode": 4})
    header["meshes"] = [{"primitives": primitives}]
    path = tmp_path / "strip.glb"
    path.write_bytes(glb_bytes(header, binary))
    pattern = load_pattern(path)
    assert pattern.survey.flipped_faces_found in (0, 4)  # the strip may be inside out as a whole
    assert pattern.volume_mm3 == pytest.approx(1e9 / 6, rel=1e-6)


SIDES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


@pytest.mark.parametrize("ending", ["obj", "off", "ply"])
@pytest.mark.parametrize("mixed", [False, True])
def test_faces_with_more_corners(tmp_path: Path, ending: str, mixed: bool) -> None:  # noqa: FBT001 - a case
    """A box of six four-cornered faces, or of five and two triangles."""
    points = zoo.box(1000.0, 600.0, 400.0)[0].tolist()
    sides: list[tuple[int, ...]] = [*SIDES[1:], (0, 1, 3), (0, 3, 2)] if mixed else [*SIDES]
    rows = [f"{x} {y} {z}" for x, y, z in points]
    lists = [f"{len(side)} " + " ".join(map(str, side)) for side in sides]
    numbers = [f"property float {axis}" for axis in "xyz"]
    faces = [f"element face {len(sides)}", "property list uchar int vertex_indices", "end_header"]
    text = {
        "obj": [f"v {row}" for row in rows] + ["f " + " ".join(f"{k + 1}/1" for k in side) for side in sides],
        "off": ["OFF", f"8 {len(sides)} 0", *rows, *lists],
        "ply": ["ply", "format ascii 1.0", "element vertex 8", *numbers, *faces, *rows, *lists],
    }[ending]
    path = tmp_path / f"box.{ending}"
    path.write_text("\n".join(text) + "\n")
    assert load_pattern(path, unit="mm").volume_mm3 == pytest.approx(2.4e8, rel=1e-12)


def test_binary_ply_of_the_other_byte_order(tmp_path: Path) -> None:
    points, faces = zoo.torus(500.0, 100.0, 48, 16)
    path = write_ply(tmp_path / "ring.ply", (points, faces))
    header = path.read_bytes().partition(b"end_header\n")[0].replace(b"little", b"big") + b"end_header\n"
    rows = np.zeros(len(faces), dtype=[("count", "u1"), ("corners", ">i4", 3)])
    rows["count"], rows["corners"] = 3, faces
    path.write_bytes(header + points.astype(">f8").tobytes() + rows.tobytes())
    volume = zoo.volume((points, faces))
    assert load_pattern(path, unit="mm").volume_mm3 == pytest.approx(volume, rel=1e-12)


def test_size_must_be_said(tmp_path: Path) -> None:
    path = write_stl(tmp_path / "figure.stl", zoo.box())
    with pytest.raises(UnitError, match=r'STL file does not say how large.*--height "1.5 m".*--unit mm'):
        load_pattern(path)
    with pytest.raises(SettingError, match="give only one of them"):
        load_pattern(path, height_mm=1.0, unit="mm")
    with pytest.raises(SettingError, match="the height is 0 mm; it must be over 0"):
        load_pattern(path, height_mm=0.0)
    with pytest.raises(SettingError, match="the height is nan mm"):
        load_pattern(path, height_mm=math.nan)
    with pytest.raises(UnitError, match=r"unknown unit 'furlong'.*mm, cm, m, in, ft"):
        load_pattern(path, unit="furlong")


def test_directions_must_fit(tmp_path: Path) -> None:
    path = write_stl(tmp_path / "figure.stl", zoo.box())
    with pytest.raises(SettingError, match=r"--front -z runs along --up \+z"):
        load_pattern(path, unit="mm", front="-z")
    with pytest.raises(SettingError, match=r"--up 'up' is no direction; give one of \+x, -x"):
        load_pattern(path, unit="mm", up="up")  # type: ignore[arg-type] # as a caller without types may


@pytest.mark.parametrize(("height_mm", "said"), [(3.9, "9.75 mm"), (8001.0, "20002 mm")])
def test_sizes_beyond_reason(tmp_path: Path, height_mm: float, said: str) -> None:
    path = write_stl(tmp_path / "figure.stl", zoo.box(10.0, 6.0, 4.0))
    assert load_pattern(path, height_mm=4.0).size_mm[0] == pytest.approx(10.0)
    assert load_pattern(path, height_mm=8000.0).size_mm[0] == pytest.approx(20_000.0)
    with pytest.raises(PatternError, match=f"would be {said} at its longest; 10 mm to 20 m"):
        load_pattern(path, height_mm=height_mm)


def test_limits(tmp_path: Path) -> None:
    for kind, write in WRITERS.items():
        path = write(tmp_path / f"box.{kind}", zoo.box())
        with pytest.raises(PatternError, match="12 triangles, at most 11 are read; thin"):
            survey_file(path, limits=Limits(triangles=11))
        with pytest.raises(PatternError, match=r"GiB, at most 0\.00 GiB are read; thin"):
            survey_file(path, limits=Limits(bytes=60))


def test_binary_stl_with_something_appended(tmp_path: Path) -> None:
    """Some programs write colours or a note after the last triangle; "solid" may start a binary header."""
    path = write_stl(tmp_path / "figure.stl", zoo.box())
    path.write_bytes(b"solid" + path.read_bytes()[5:])
    assert survey_file(path).watertight
    path.write_bytes(b"\0" * 5 + path.read_bytes()[5:] + b"a note")
    assert survey_file(path).watertight


@pytest.mark.parametrize("axis", AXES)
def test_axis_vector(axis: Axis) -> None:
    sign = {"+": 1.0, "-": -1.0}[axis[0]]
    assert axis_vector(axis).tolist() == [sign * (letter == axis[1]) for letter in "xyz"]


def test_arrays_are_read_only_and_the_hash_is_of_the_file(tmp_path: Path) -> None:
    pattern = load_pattern(write_stl(tmp_path / "figure.stl", zoo.box()), unit="mm")
    with pytest.raises(ValueError, match="read-only"):
        pattern.vertices[0] = 0.0
    with pytest.raises(ValueError, match="read-only"):
        pattern.faces[0] = 0
    again = survey_file(tmp_path / "figure.stl")
    assert pattern.survey.sha256 == again.sha256
    assert len(again.sha256) == 64


def test_face_order_and_position_do_not_matter(tmp_path: Path) -> None:
    points, faces = zoo.torus(500.0, 100.0, 48, 16)
    shuffled = np.random.default_rng(7).permutation(faces)
    rolled = np.roll(shuffled, 1, axis=1)
    first = load_pattern(write_ply(tmp_path / "a.ply", (points, faces)), unit="mm")
    second = load_pattern(write_ply(tmp_path / "b.ply", (points + 1e4, rolled)), unit="mm")
    assert second.volume_mm3 == pytest.approx(first.volume_mm3, rel=1e-9)
    assert second.survey.area_mm2 == pytest.approx(first.survey.area_mm2, rel=1e-9)
    assert second.survey.genus == first.survey.genus == 1
