"""What a person may hand in by mistake ends in one line that says what to do, never in a traceback."""

import json
import os
import re
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zoo
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from zoo_files import (
    CORE_3MF,
    WRITERS,
    glb_bytes,
    gltf_parts,
    mesh_3mf,
    write_glb,
    write_obj,
    write_ply_text,
    write_stl,
    zip_3mf,
)

from moldplan.errors import MoldplanError, PatternError
from moldplan.pattern import Limits, Mending, survey_file
from moldplan.pattern.read import read_mesh

BOX = zoo.box(10.0, 6.0, 4.0)


def refused(path: Path, match: str, limits: Limits | None = None) -> None:
    """Check that surveying `path` ends in one line that matches and names the file."""
    with pytest.raises(PatternError, match=match) as caught:
        survey_file(path, limits=limits or Limits())
    message = str(caught.value)
    assert "\n" not in message
    assert path.name in message
    assert len(message) < 400


def written(path: Path, content: bytes | str) -> Path:
    """Write a file."""
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_files_that_are_none(tmp_path: Path) -> None:
    refused(tmp_path / "no such Eule.stl", "no such file; check the name, put quotes")
    refused(tmp_path, "this is a folder; name the mesh file in it")
    refused(
        written(tmp_path / "figure.blend", b"x"), r"unknown ending '\.blend'; export the figure as STL, PLY"
    )
    refused(written(tmp_path / "figure", b"x"), "unknown ending ''; export the")
    refused(written(tmp_path / "figure.STL", b""), "the file is empty; export or copy it again")


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_to_nowhere(tmp_path: Path) -> None:
    (tmp_path / "figure.stl").symlink_to(tmp_path / "gone.stl")
    refused(tmp_path / "figure.stl", "no such file")


def test_a_name_too_long(tmp_path: Path) -> None:
    with pytest.raises(PatternError, match=r"cannot be opened|no such file"):
        survey_file(tmp_path / ("x" * 5000 + ".stl"))


def test_a_file_without_the_right_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the system refuses it; rights alone would not stop a superuser who runs the tests."""

    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    path = write_stl(tmp_path / "figure.stl", BOX)
    monkeypatch.setattr(Path, "open", refuse)
    refused(path, r"cannot be opened \(Permission denied\); check its name and that you may read it")


@pytest.mark.parametrize("ending", ["stl", "ply", "obj", "off", "3mf", "glb", "gltf"])
@pytest.mark.parametrize(
    "content",
    [
        b"Dear workshop, here is the owl we spoke of.\n" * 20,
        bytes(range(256)) * 40,
        b"\0" * 500,
        b"<html></html>",
    ],
    ids=["letter", "bytes", "zeros", "page"],
)
def test_text_and_bytes_that_are_no_mesh(tmp_path: Path, ending: str, content: bytes) -> None:
    refused(written(tmp_path / f"figure.{ending}", content), "export|copy")


@pytest.mark.parametrize("kind", WRITERS)
def test_files_cut_short(tmp_path: Path, kind: str) -> None:
    """Cut after a tenth, half and nine tenths: refused, or what is left is read as a mesh with a hole."""
    whole = WRITERS[kind](tmp_path / f"whole.{kind}", zoo.sphere(10.0, 2)).read_bytes()
    for share in (0.1, 0.5, 0.9):
        path = written(tmp_path / f"short.{kind}", whole[: int(share * len(whole))])
        try:
            assert survey_file(path).open_edges_found > 0
        except PatternError as error:
            assert path.name in str(error)  # noqa: PT017 - both ends are right, by format
    if kind == "bin.stl":
        refused(path, r"cut short: its header says 320 triangles \(16084 bytes\) but the file has 14475")


@pytest.mark.parametrize("wrong", ["nan", "inf", "-inf", "1e400"])
def test_coordinates_that_are_no_numbers(tmp_path: Path, wrong: str) -> None:
    ply = write_ply_text(tmp_path / "figure.ply", BOX)
    ply.write_text(ply.read_text().replace("-5.0 -3.0 -2.0", f"-5.0 {wrong} -2.0"))
    refused(ply, "1 points have coordinates that are no numbers")
    points, faces = zoo.box(10.0, 6.0, 4.0)
    points[0, 0] = float(wrong)
    for kind in ("bin.stl", "txt.stl", "glb", "obj", "off", "3mf"):
        refused(
            WRITERS[kind](tmp_path / f"figure.{kind}", (points, faces)), "coordinates that are no numbers"
        )


def test_numbers_too_large_for_volumes(tmp_path: Path) -> None:
    """Finite, but the cube of it is not; or so small that the cube of it is nothing."""
    points, faces = BOX
    refused(WRITERS["off"](tmp_path / "huge.off", (points * 1e150, faces)), "coordinates are too large")
    tiny = survey_file(WRITERS["off"](tmp_path / "tiny.off", (points * 1e-170, faces)))
    assert "a sheet without thickness" in tiny.problems[0]


def test_points_without_faces(tmp_path: Path) -> None:
    cloud = write_ply_text(tmp_path / "cloud.ply", (BOX[0], np.zeros((0, 3), dtype=np.int64)))
    refused(cloud, "no triangles in it; export the figure as a surface mesh")
    refused(
        written(tmp_path / "points.obj", "v 0 0 0\nv 1 0 0\nv 0 1 0\n"), "no triangles|cannot be read as OBJ"
    )
    refused(written(tmp_path / "empty.stl", b"\0" * 84), "no triangles in it")
    refused(zip_3mf(tmp_path / "empty.3mf", f'<model xmlns="{CORE_3MF}"/>'), "no triangles in it")


def test_faces_that_name_missing_points(tmp_path: Path) -> None:
    points, faces = BOX
    beyond = faces.copy()
    beyond[3, 1] = 99
    for kind in ("bin.ply", "txt.ply", "off", "3mf", "glb"):
        path = WRITERS[kind](tmp_path / f"figure.{kind}", (points, beyond))
        refused(path, "faces name points that are not in the file|cannot be read as")


def test_text_stl_with_broken_words(tmp_path: Path) -> None:
    refused(
        written(tmp_path / "a.stl", "solid x\n vertex 1 2 3\n vertex 1 2 3\n"), "with 2 corners: three are"
    )
    refused(written(tmp_path / "b.stl", "solid x\n" + " vertex 1 2 x\n" * 3), "not followed by three numbers")
    refused(written(tmp_path / "c.stl", "solid x\n" + " vertex 1 2\n" * 3), "not followed by three numbers")


def test_3mf_that_unpacks_beyond_reason(tmp_path: Path) -> None:
    """Seventy megabytes of blanks pack a thousandfold."""
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", b" " * 70_000_000)
    refused(path, "unpacks to 67 MiB, at most 64 MiB are read; export the figure as binary STL")
    refused(path, "unpacks to 67 MiB, at most 1 MiB are read", Limits(bytes=1_048_576))


def test_3mf_that_lies_about_its_size(tmp_path: Path) -> None:
    path = tmp_path / "liar.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", b" " * 70_000_000)
    content = path.read_bytes().replace(struct.pack("<I", 70_000_000), struct.pack("<I", 100))
    refused(written(path, content), "cannot be read as 3MF")


def test_3mf_whose_parts_hold_each_other(tmp_path: Path) -> None:
    def model(objects: str) -> str:
        build = '<build><item objectid="1"/></build>'
        return f'<model xmlns="{CORE_3MF}"><resources>{objects}</resources>{build}</model>'

    def group(number: int, *inside: int) -> str:
        refs = "".join(f'<component objectid="{other}"/>' for other in inside)
        return f'<object id="{number}"><components>{refs}</components></object>'

    ring = group(1, 2) + group(2, 1)
    refused(zip_3mf(tmp_path / "ring.3mf", model(ring)), "nested in each other without end")
    doubling = "".join(group(number, number + 1, number + 1) for number in range(1, 40)) + group(40)
    refused(zip_3mf(tmp_path / "doubling.3mf", model(doubling)), "nested in each other without end")
    copies = group(1, *[2] * 100) + f'<object id="2">{mesh_3mf(BOX)}</object>'
    refused(
        zip_3mf(tmp_path / "copies.3mf", model(copies)),
        "1008 triangles, at most 1000",
        Limits(triangles=1000),
    )


def test_3mf_xml_cannot_reach_out(tmp_path: Path) -> None:
    secret = written(tmp_path / "secret.txt", "millimeter")
    document = (
        f'<!DOCTYPE model [<!ENTITY out SYSTEM "{secret.as_uri()}"><!ENTITY a "11111111">'
        + "".join(f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9))
        + f']><model unit="millimeter" xmlns="{CORE_3MF}"><resources><object id="1">{mesh_3mf(BOX)}</object>'
        + '</resources><build><item objectid="1"/></build><metadata>&out;&j;</metadata></model>'
    )
    refused(zip_3mf(tmp_path / "entities.3mf", document), "cannot be read as 3MF")


def test_3mf_that_builds_what_it_does_not_hold(tmp_path: Path) -> None:
    model = f'<model xmlns="{CORE_3MF}"><build><item objectid="7"/></build></model>'
    refused(zip_3mf(tmp_path / "gone.3mf", model), r"builds object 7 of 3D/body\.model, which is not in it")
    path = tmp_path / "none.3mf"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("hello.txt", "hello")
    refused(path, r"no 3D/3dmodel\.model in the archive")


def test_3mf_with_an_unknown_unit(tmp_path: Path) -> None:
    model = f'<model unit="cubit" xmlns="{CORE_3MF}"/>'
    refused(zip_3mf(tmp_path / "old.3mf", model), "unknown unit 'cubit' in this 3MF file; known are micron")


def glb_with(tmp_path: Path, **changes: Any) -> Path:
    """Write a GLB of the box with other header entries."""
    header, binary = gltf_parts(BOX)
    return written(tmp_path / "figure.glb", glb_bytes({**header, **changes}, binary))


def test_glb_with_impossible_headers(tmp_path: Path) -> None:
    accessors: Any = gltf_parts(BOX)[0]["accessors"]
    refused(glb_with(tmp_path, asset={"version": "1.0"}), r"cannot be read as GLB \(not glTF 2\)")
    packed = ["KHR_draco_mesh_compression"]
    refused(glb_with(tmp_path, extensionsRequired=packed), "is compressed .KHR_draco.*without compression")
    for change in (
        {"count": 10**15},
        {"count": -8},
        {"byteOffset": -1},
        {"componentType": 1},
        {"type": "VEC9"},
    ):
        refused(
            glb_with(tmp_path, accessors=[{**accessors[0], **change}, accessors[1]]), "cannot be read as GLB"
        )
    refused(glb_with(tmp_path, accessors=[{"count": 8, "sparse": {}}, accessors[1]]), "stored as differences")
    refused(glb_with(tmp_path, nodes=[{"mesh": 0, "children": [0]}]), "nested in each other without end")
    refused(glb_with(tmp_path, nodes=[]), "cannot be read as GLB")
    refused(glb_with(tmp_path, scenes=[], nodes=[]), "no triangles in it")
    refused(glb_with(tmp_path, buffers=[{"uri": "../../etc/passwd"}]), "no plain file name in its own")
    refused(glb_with(tmp_path, buffers=[{"uri": "data:;base64,@@@"}]), "cannot be read as GLB")
    headless = b"glTF" + struct.pack("<IIII", 2, 20, 0, 0)
    refused(written(tmp_path / "headless.glb", headless), r"cannot be read as GLB \(no header in it\)")
    short = write_glb(tmp_path / "cut.glb", BOX).read_bytes()[:-20]
    refused(
        written(tmp_path / "cut.glb", short),
        r"cannot be read as GLB \(GLB version 2, \d+ of \d+ bytes there\)",
    )


def test_gltf_of_many_copies(tmp_path: Path) -> None:
    header, binary = gltf_parts(BOX)
    header["nodes"] = [{"mesh": 0}] * 100
    header["scenes"] = [{"nodes": list(range(100))}]
    path = written(tmp_path / "copies.glb", glb_bytes(header, binary))
    refused(path, "1008 triangles, at most 1000 are read", Limits(triangles=1000))


def test_obj_and_gltf_open_no_other_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A material library and a texture that are there: not opened all the same."""
    (tmp_path / "missing.mtl").write_text("newmtl paint\nmap_Kd picture.png\n")
    (tmp_path / "picture.png").write_bytes(b"no picture")
    path = write_obj(tmp_path / "figure.obj", BOX)
    header, binary = gltf_parts(BOX)
    header["images"] = [{"uri": "picture.png"}]
    glb = written(tmp_path / "figure.glb", glb_bytes(header, binary))
    opened: list[str] = []
    real = os.open

    def watch(name: Any, *rest: Any, **more: Any) -> int:
        opened.append(os.fspath(name))
        return real(name, *rest, **more)

    def spy(self: Path, *rest: Any, **more: Any) -> Any:
        opened.append(str(self))
        return plain(self, *rest, **more)

    plain = Path.open
    monkeypatch.setattr(os, "open", watch)
    monkeypatch.setattr(Path, "open", spy)
    assert survey_file(path).watertight
    assert survey_file(glb).watertight
    assert {Path(name).name for name in opened if str(tmp_path) in name} == {"figure.obj", "figure.glb"}


def test_headers_that_promise_too_much(tmp_path: Path) -> None:
    """Counts far over what follows must not be believed before they are checked."""
    ply = "ply\nformat binary_little_endian 1.0\nelement vertex 99999999999\nproperty float x\n"
    ply += "property float y\nproperty float z\nelement face 99999999999\n"
    ply += "property list uchar int vertex_indices\nend_header\n"
    few = ply.replace("99999999999", "9999999")
    refused(written(tmp_path / "a.ply", ply.encode() + b"\0" * 100), "99999999999 points, at most 36000000")
    refused(
        written(tmp_path / "a.ply", few.encode() + b"\0" * 100),
        r"cut short: its header says 9999999 of 'vertex' \(119999988 bytes or more\) but 100 bytes follow",
    )
    refused(
        written(tmp_path / "b.ply", few.replace("binary_little_endian", "ascii") + "0 0 0\n"),
        "cut short: its header says 9999999 of 'vertex', 1 follow",
    )
    refused(
        written(tmp_path / "c.off", "OFF\n99999999999 99999999999 0\n0 0 0\n"),
        "99999999999 points, at most 36000000 are read",
    )
    refused(
        written(tmp_path / "c.off", "OFF\n9999999 9999999 0\n0 0 0\n"),
        "cut short: it says 9999999 points and 9999999 faces, 1 and 0 follow",
    )
    refused(
        written(tmp_path / "d.stl", b"x" * 79 + b"\0" + b"\xff" * 4 + b"\0" * 60),
        "cut short: its header says",
    )


# --- files that a glTF brings along -----------------------------------------------------------------------


def gltf_naming(folder: Path, uri: Any) -> Path:
    """Write a glTF of the box whose points are in a file called `uri`."""
    folder.mkdir(exist_ok=True)
    header, binary = gltf_parts(BOX)
    header["buffers"] = [{"uri": uri, "byteLength": len(binary)}]
    return written(folder / "figure.gltf", json.dumps(header))


@pytest.mark.parametrize(
    "uri",
    [
        "../secret.bin", "/etc/hostname", "sub/../../secret.bin", "..%2Fsecret.bin", "%2e%2e/secret.bin",
        "..\\secret.bin", "C:\\secret.bin", "C:/secret.bin", "file:///etc/hostname", "http://localhost/a.bin",
        "//host/share/a.bin", "\\\\host\\share", "a.bin?x=1", "a.bin#x", "", ".", "..", "./a.bin", "a//b.bin",
        "a%00b.bin", "a\nb.bin", "a%0ab.bin", "\u202eb.bin", "x" * 256, "x/" * 300, "%ff.bin",
        "figure.gltf/a.bin",
        "gone.bin", "sub",
    ],
)  # fmt: skip
def test_gltf_points_from_elsewhere(tmp_path: Path, uri: str) -> None:
    """The file lies where each of these would find it, and is not read."""
    binary = gltf_parts(BOX)[1]
    written(tmp_path / "secret.bin", binary)
    path = gltf_naming(tmp_path / "mesh", uri)
    (tmp_path / "mesh" / "sub").mkdir()
    refused(
        path, r"no plain file name in its own folder|cannot be opened|no ordinary file|cannot be read as GLTF"
    )


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_gltf_points_behind_links_and_pipes(tmp_path: Path) -> None:
    binary = gltf_parts(BOX)[1]
    written(tmp_path / "secret.bin", binary)
    folder = tmp_path / "mesh"
    path = gltf_naming(folder, "points.bin")
    (folder / "points.bin").symlink_to(tmp_path / "secret.bin")
    refused(path, "'points.bin', a link that leads out of its own folder; export it as .glb")
    refused(gltf_naming(folder, "out/secret.bin"), r"cannot be opened \(No such file")
    (folder / "out").symlink_to(tmp_path)
    refused(path, r"cannot be opened|a link that leads out")
    (folder / "round.bin").symlink_to(folder / "round.bin")
    refused(gltf_naming(folder, "round.bin"), "leads nowhere|cannot be opened")
    os.mkfifo(folder / "pipe.bin")
    refused(gltf_naming(folder, "pipe.bin"), "'pipe.bin', which is no ordinary file")
    written(folder / "own.bin", binary)
    (folder / "alias.bin").symlink_to(folder / "own.bin")
    assert survey_file(gltf_naming(folder, "alias.bin")).watertight
    (tmp_path / "another way").symlink_to(folder)
    assert survey_file(tmp_path / "another way" / "figure.gltf").watertight


def test_gltf_points_too_many_beside_it(tmp_path: Path) -> None:
    path = gltf_naming(tmp_path, "points.bin")
    with (tmp_path / "points.bin").open("wb") as file:
        file.truncate(5 * 1024**3)  # takes no room on the disk
    refused(path, r"'points\.bin', which has 5\.00 GiB, at most 2\.00 GiB are read")
    refused(gltf_naming(tmp_path, 7), "the name of a buffer is no text")


@pytest.mark.skipif(os.name == "nt", reason="there are no such files there")
def test_a_pattern_that_is_a_pipe_or_device(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "figure.stl")
    refused(tmp_path / "figure.stl", "this is a device or pipe and no file; name the mesh file")
    (tmp_path / "zero.stl").symlink_to("/dev/zero")
    refused(tmp_path / "zero.stl", "this is a device or pipe and no file")


# --- counts that cost nothing to write --------------------------------------------------------------------


def test_glb_that_reads_the_same_bytes_again_and_again(tmp_path: Path) -> None:
    """A stride of nothing, the same points at every node, primitives without end: refused before the work."""
    header, _ = gltf_parts(BOX)
    views, accessors, meshes = (header[key] for key in ("bufferViews", "accessors", "meshes"))
    still: Any = [{**views[0], "byteStride": 0}, views[1]]  # type: ignore[index] # plain JSON lists
    many: Any = [{**accessors[0], "count": 10**9}, accessors[1]]  # type: ignore[index]
    refused(
        glb_with(tmp_path, bufferViews=still, accessors=many), r"cannot be read as GLB \(1000000000 numbers"
    )
    primitives: Any = [{"primitives": meshes[0]["primitives"] * 30_000}]  # type: ignore[index]
    refused(glb_with(tmp_path, meshes=primitives), r"nested in each other without end")
    refused(glb_with(tmp_path, meshes=primitives), "1008 triangles, at most 1000", Limits(triangles=1000))
    empty: Any = [accessors[0], {**accessors[1], "count": 0}]  # type: ignore[index]
    nodes: Any = [{"mesh": 0}] * 1000
    repeated = glb_with(tmp_path, accessors=empty, nodes=nodes, scenes=[{"nodes": list(range(1000))}])
    refused(repeated, "3008 points, at most 3000 are read", Limits(triangles=1000))
    for number in (1.5, True, None, "8", [8], 2**40):
        refused(
            glb_with(tmp_path, accessors=[{**accessors[0], "count": number}, accessors[1]]), "is no count"
        )  # type: ignore[index]


def test_json_nested_or_filled_beyond_reason(tmp_path: Path) -> None:
    refused(written(tmp_path / "a.gltf", "[" * 100_000), r"cannot be read as GLTF \(it is nested too deep\)")
    refused(
        written(tmp_path / "b.gltf", '{"a":' * 100_000), r"cannot be read as GLTF \(it is nested too deep\)"
    )
    refused(written(tmp_path / "c.gltf", "[" + "[]," * 2_000_000 + "0]"), "its header is out of reason")
    refused(written(tmp_path / "d.gltf", '{"asset": ' + "9" * 5000 + "}"), "cannot be read as GLTF")


def test_ply_headers_out_of_reason(tmp_path: Path) -> None:
    start = "ply\nformat ascii 1.0\nelement vertex 3\n"
    xyz = "property float x\nproperty float y\nproperty float z\n"
    for number, (header, said) in enumerate([
        (start + "property float a\n" * 5000, "the header of this PLY file has no end"),
        ("ply\n" + "comment " + "x" * 5000 + "\n", "the header of this PLY file has no end"),
        ("ply\nformat binary 1.0\nend_header\n", "its format is 'binary', known are ascii"),
        (start + xyz + xyz + "end_header\n", "need x, y and z once each and no lists"),
        (start + "property list uchar float x\nend_header\n", "need x, y and z once each and no lists"),
        (start + xyz + "element vertex 3\nend_header\n", "names the same element twice"),
        (start + xyz + "element face 1\nproperty int flags\nend_header\n", "no list of whole numbers called"),
        (start.replace("3", "-3"), "line 3: the header says 'element vertex -3', which is no PLY"),
        (start.replace("3", "9" * 30), "line 3: the header says 'element vertex 999"),
        (start + "property list uint64 int a\n", "line 4: the header says 'property list uint64 int a'"),
        (start + "property quaternion q\n", "line 4: the header says 'property quaternion q'"),
        ("ply\nproperty float x\n", "line 2: the header says 'property float x', which is no PLY"),
    ]):  # fmt: skip
        refused(written(tmp_path / f"{number}.ply", header), said)


# --- 3MF archives -----------------------------------------------------------------------------------------


def archive(path: Path, names: list[str], *, packing: int = zipfile.ZIP_STORED) -> Path:
    """Write a zip with one sound model and other files."""
    with zipfile.ZipFile(path, "w", packing) as whole:
        model = f'<model xmlns="{CORE_3MF}"><resources><object id="1">{mesh_3mf(BOX)}</object></resources>'
        whole.writestr("3D/3dmodel.model", model + '<build><item objectid="1"/></build></model>')
        for name in names:
            info = zipfile.ZipInfo("x")
            info.filename = name
            whole.writestr(info, b"<model/>")
    return path


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("../../evil.model", "'../../evil.model' in it has a name that leads elsewhere"),
        ("/evil.model", "has a name that leads elsewhere"), ("a//b", "has a name that leads elsewhere"),
        ("a/./b", "has a name that leads elsewhere"), ("..\\evil.model", "has a name no part of a 3MF has"),
        ("C:evil.model", "has a name no part of a 3MF has"), ("a\x1b[31m", "has a name no part of a 3MF has"),
        ("\u202eledom.a", "has a name no part of a 3MF has"), ("3D/3dmodel.model", "is there twice"),
        ("3d/3DMODEL.MODEL", "is there twice"),
    ],
)  # fmt: skip
def test_3mf_with_odd_names_in_it(tmp_path: Path, name: str, said: str) -> None:
    assert survey_file(archive(tmp_path / "sound.3mf", ["Metadata/a.png", "folder/"])).watertight
    refused(archive(tmp_path / "odd.3mf", [name]), f"{re.escape(said)}; export the figure again")


def test_3mf_that_only_a_hostile_hand_packs(tmp_path: Path) -> None:
    refused(
        archive(tmp_path / "many.3mf", [f"{k}.txt" for k in range(10_001)]),
        "10002 files in it, at most 10000",
    )
    refused(
        archive(tmp_path / "b.3mf", [], packing=zipfile.ZIP_BZIP2), "is packed in a way 3MF does not know"
    )
    refused(archive(tmp_path / "l.3mf", [], packing=zipfile.ZIP_LZMA), "is packed in a way 3MF does not know")
    whole = archive(tmp_path / "locked.3mf", []).read_bytes()
    place = whole.index(b"PK\x01\x02") + 8
    refused(
        written(tmp_path / "locked.3mf", whole[:place] + b"\x01" + whole[place + 1 :]),
        "is locked with a password",
    )
    whole = archive(tmp_path / "inside.3mf", ["a.model"]).read_bytes()
    second = whole.rindex(b"PK\x01\x02") + 42  # where the directory says that the second file begins
    moved = whole[:second] + struct.pack("<I", 10) + whole[second + 4 :]
    refused(written(tmp_path / "inside.3mf", moved), "'a.model' in it lies inside another file")


def test_3mf_one_of_whose_files_swells(tmp_path: Path) -> None:
    """The archive as a whole is large enough for it, the one file is not."""
    path = tmp_path / "bomb.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as whole:
        whole.writestr("noise.bin", np.random.default_rng(1).bytes(1_000_000), zipfile.ZIP_STORED)
        whole.writestr("3D/3dmodel.model", b" " * 70_000_000)
    refused(path, "unpacks to 67 MiB, at most 64 MiB are read")


def test_3mf_xml_out_of_reason(tmp_path: Path) -> None:
    start = f'<model xmlns="{CORE_3MF}">'
    wide = " ".join(f'a{k}="1"' for k in range(100))
    for number, (model, said) in enumerate([
        (start + "<a>" * 100_000, "of its XML is out of reason"),
        (start + f"<a {wide}/></model>", "of its XML is out of reason"),
        (start + '<a b="' + "x" * 9_000_000 + '"/></model>', "of its XML is out of reason"),
        (start + '<item objectid="1"/>' * 200_001 + "</model>", "it has more than 200000 parts"),
        ('<!DOCTYPE a [<!ENTITY b "c">]>' + start + "</model>", "has a document type, which no 3MF has"),
        (start + "&lol;</model>", "no XML: undefined entity"),
        (start + "<a></b></model>", "no XML: mismatched tag"),
        (start.replace(">", ' unit="a\u202e">') + "</model>", "unknown unit 'a"),
    ]):  # fmt: skip
        refused(zip_3mf(tmp_path / f"{number}.3mf", model), said)
    points = '<object id="1"><mesh>' + '<vertex x="1" y="2" z="3"/>' * 3001
    refused(zip_3mf(tmp_path / "p.3mf", start + points), "3001 points, at most 3000", Limits(triangles=1000))


# --- names ------------------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be given there")
@pytest.mark.parametrize(
    "name",
    [b"two\nlines.ply", b"red \x1b[31m.ply", "turned \u202e.ply".encode(), b"raw \xff.ply", b"\x07.ply",
     "\U0001f989.ply".encode(), b"x" * 251 + b".ply", "\u2028.ply".encode(), b"'\"<b>&.ply"],
)  # fmt: skip
def test_names_that_would_repaint_the_terminal(tmp_path: Path, name: bytes) -> None:
    path = tmp_path / os.fsdecode(name)
    path.write_bytes(b"ply\n")
    with pytest.raises(PatternError, match="the header of this PLY file has no end") as caught:
        survey_file(path)
    assert str(caught.value).isprintable()
    write_ply_text(path, BOX)
    assert read_mesh(path, limits=Limits()).name.isprintable()


SEEDS = ["bin.stl", "txt.stl", "bin.ply", "txt.ply", "obj", "off", "3mf", "glb"]
DOCUMENTS: dict[str, bytes] = {}


@pytest.fixture(scope="module", autouse=True)
def _documents(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Write one small file of every kind, to be damaged."""
    folder = tmp_path_factory.mktemp("seeds")
    for kind in SEEDS:
        DOCUMENTS[kind] = WRITERS[kind](folder / f"seed.{kind}", zoo.box(10.0, 6.0, 4.0)).read_bytes()


@settings(
    max_examples=200,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    kind=st.sampled_from(SEEDS),
    places=st.lists(st.tuples(st.floats(0.0, 1.0), st.integers(0, 255)), min_size=1, max_size=6),
    cut=st.floats(0.3, 1.0),
    again=st.booleans(),
)
def test_damaged_bytes_never_raise_anything_else(
    tmp_path: Path,
    kind: str,
    places: list[tuple[float, int]],
    cut: float,
    again: bool,  # noqa: FBT001 - drawn
) -> None:
    content = bytearray(DOCUMENTS[kind])
    for place, value in places:
        content[min(int(place * len(content)), len(content) - 1)] = value
    damaged = bytes(content[: int(cut * len(content))]) if again else bytes(content)
    path = written(tmp_path / f"damaged.{kind}", damaged or b"x")
    try:
        survey = survey_file(path, limits=Limits(triangles=100_000), mending=Mending(cells=48))
    except MoldplanError as error:
        assert "\n" not in str(error)  # noqa: PT017 - refusing and reading are both right
    else:
        assert survey.watertight == (not survey.problems)
        json.dumps(survey.size_mm, allow_nan=False)
