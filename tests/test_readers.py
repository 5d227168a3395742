"""The readers of PLY, OBJ and OFF: rows, blocks, polygons and strips, against slow second readings."""

import io
import random
import struct
from pathlib import Path

import numpy as np
import pytest
import zoo
from zoo_files import write_obj, write_off, write_ply_text

from moldplan.columns.plyrows import list_rows
from moldplan.errors import PatternError
from moldplan.pattern import Limits
from moldplan.pattern.ply import strip_faces
from moldplan.pattern.polygons import MOST_CORNERS, Polygons
from moldplan.pattern.read import RawMesh, read_mesh
from moldplan.pattern.textrows import row_blocks, spread


def raw(path: Path, content: bytes | str) -> RawMesh:
    """Write a file and return what it holds."""
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_mesh(path, limits=Limits())


# --- rows of text -----------------------------------------------------------------------------------------

TEXT = b"# head\n\n1 2.5  -3e2 \t4 # more\r\n  5 6\n\n#\n7/8 9/ /1\r10\n" + b"11 12 13\n" * 9 + b"14 15"


@pytest.mark.parametrize("size", [1, 2, 3, 7, 16, 1000])
def test_rows_do_not_depend_on_blocks(size: int) -> None:
    """Against Python's own splitting, line by line."""
    lines = [line.partition(b"#")[0].split() for line in TEXT.replace(b"\r10", b"\n10").split(b"\n")]
    found = []
    for rows in row_blocks(io.BytesIO(TEXT), "a.txt", block_bytes=size):
        for row in range(len(rows)):
            words = range(rows.first[row], rows.first[row + 1])
            found.append([rows.data[rows.start[k] : rows.stop[k]].tobytes() for k in words])
    assert found == [words for words in lines if words]


def test_lines_are_told_by_their_number() -> None:
    text = b"1 2 3\n# note\n4 5 6\n\n7 8 x\n"
    for size in (3, 1000):
        blocks = row_blocks(io.BytesIO(text), "a.txt", first_line=8, block_bytes=size)
        with pytest.raises(PatternError, match=r"a\.txt, line 12: 'x' is no number; export it again"):
            [rows.table([0, 1, 2]) for rows in blocks]
    (rows,) = row_blocks(io.BytesIO(text), "a.txt")
    assert rows.line.tolist() == [1, 3, 5]
    with pytest.raises(PatternError, match=r"line 5: 'x' is no whole number"):
        rows.corners(np.arange(9))
    with pytest.raises(PatternError, match=r"line 1: a row of 3 where more are needed"):
        rows.table([3])


@pytest.mark.parametrize("word", ["1.5.5", "1_0", "0x10", "1,5", "--1", "1e", "\u0661", "a", "1-2", "\0"])
def test_words_that_are_no_numbers(word: str) -> None:
    text = f"1 2 3\n4 {word} 6\n".encode()
    (rows,) = row_blocks(io.BytesIO(text), "a.txt")
    with pytest.raises(PatternError, match=r"is no number|cannot be told apart"):
        rows.table([0, 1, 2])


def test_lines_carried_on_by_a_backslash() -> None:
    for size in (1, 4, 5, 1000):
        blocks = row_blocks(io.BytesIO(b"1 \\\n2 \\\r\n3\n4 5\n"), "a.txt", continued=True, block_bytes=size)
        assert [words for rows in blocks for words in rows.words.tolist()] == [3, 2]


def test_a_line_without_end_is_refused_early() -> None:
    file = io.BytesIO(b"1 2 3\n" + b"1 " * 5_000_000)
    with pytest.raises(PatternError, match="the line after line 1 is longer than 1024 KiB"):
        list(row_blocks(file, "a.txt"))
    assert file.tell() <= 1 << 23


def test_spread() -> None:
    assert spread(np.array([5, 0, 9]), np.array([2, 0, 3])).tolist() == [5, 6, 9, 10, 11]
    assert spread(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)).tolist() == []


# --- polygons ---------------------------------------------------------------------------------------------


def shoelace(points: np.ndarray) -> float:
    """Area of a plane polygon (derived, first principles)."""
    x, y = points[:, 0], points[:, 1]
    return 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


HOLLOW = {
    "dart": [(0, 0), (4, 0), (1, 1), (0, 4)],
    "corner": [(0, 0), (4, 0), (4, 1), (1, 1), (1, 4), (0, 4)],
    "arrow": [(0, 0), (2, 2), (4, 0), (3, 3), (2, 5)],
}


@pytest.mark.parametrize("name", HOLLOW)
@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_hollow_faces_do_not_fold(name: str, turn: int) -> None:
    """Whichever corner comes first, the triangles all look one way and fill the face's area."""
    flat = np.roll(np.array(HOLLOW[name], dtype=np.float64), turn, axis=0)
    points = np.column_stack([flat, np.zeros(len(flat))])
    polygons = Polygons("a.obj", 100)
    polygons.add(np.arange(len(flat))[None])
    corners = points[polygons.triangles(points)]
    double = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    assert (double >= 0.0).all() or (double <= 0.0).all()
    assert 0.5 * abs(double.sum()) == pytest.approx(shoelace(flat), rel=1e-12)


def test_faces_of_all_sizes_at_once() -> None:
    polygons = Polygons("a.off", 100)
    polygons.add_ragged(np.array([0, 0, 1, 0, 1, 2, 0, 1, 2, 3, 4, 3, 4, 0]), np.array([1, 2, 3, 5, 3, 0]))
    faces = polygons.triangles(np.random.default_rng(3).normal(size=(5, 3)))
    assert faces[:2].tolist() == [[0, 1, 2], [3, 4, 0]]
    assert len(faces) == 5
    with pytest.raises(PatternError, match="101 triangles, at most 100 are read"):
        polygons.add(np.zeros((96, 3), dtype=np.int64))
    with pytest.raises(PatternError, match=f"a face with {MOST_CORNERS + 1} corners, at most {MOST_CORNERS}"):
        Polygons("a.off", 10**9).add(np.zeros((1, MOST_CORNERS + 1), dtype=np.int64))


# --- PLY --------------------------------------------------------------------------------------------------


def walked(
    data: bytes, rows: int, columns: list[tuple[int, int, bool]], *, little: bool
) -> list[list[tuple[int, int]]]:
    """Walk over packed rows in plain Python: where each list of each row lies; IndexError past the end."""
    at, found = 0, []
    for _ in range(rows):
        row = []
        for item, counted, signed in columns:
            entries = 1
            if counted:
                entries = int.from_bytes(
                    data[at : at + counted], "little" if little else "big", signed=signed
                )
                at += counted
                if at > len(data) or entries < 0:
                    raise IndexError(at)
                row.append((at, entries))
            at += entries * item
            if at > len(data):
                raise IndexError(at)
        found.append(row)
    return found


@pytest.mark.kernel
@pytest.mark.parametrize("seed", range(8))
def test_rows_are_walked_as_in_plain_python(seed: int) -> None:
    dice = random.Random(seed)
    little = bool(seed % 2)
    for _ in range(30):
        kinds = [
            (dice.choice((1, 2, 4, 8)), dice.choice((0, 1, 2, 4)), dice.random() < 0.5) for _ in range(3)
        ]
        kinds[1] = (kinds[1][0], kinds[1][1] or 1, kinds[1][2])
        data = b""
        for _ in range(4):
            for item, counted, _ in kinds:
                entries = dice.randrange(4) if counted else 1
                if counted:
                    data += entries.to_bytes(counted, "little" if little else "big")
                data += dice.randbytes(entries * item)
        if dice.random() < 0.4:
            body = bytearray(data)
            body[dice.randrange(len(body))] = dice.randrange(256)
            data = bytes(body[: dice.randint(1, len(body))])
        start, length = np.zeros(4, dtype=np.int64), np.zeros(4, dtype=np.int64)
        end = list_rows(
            np.frombuffer(data, dtype=np.uint8), 4, np.array([one[0] for one in kinds]),
            np.array([one[1] for one in kinds]), np.array([one[2] for one in kinds]), little, 1,
            start, length,
        )  # fmt: skip
        place = sum(1 for _, counted, _ in kinds[:1] if counted)
        try:
            expected = [row[place] for row in walked(data, 4, kinds, little=little)]
        except IndexError:
            assert end < 0
        else:
            assert 0 <= end <= len(data)
            assert list(zip(start.tolist(), length.tolist(), strict=True)) == expected


def packed_ply(order: str, faces: list[list[int]], *, extra: bool) -> bytes:
    """Return a packed PLY of the box with faces of differing sizes, perhaps with other things round them."""
    sign = "<" if order == "little" else ">"
    points = zoo.box(2.0, 3.0, 4.0)[0]
    head = f"ply\r\nformat binary_{order}_endian 1.0\r\ncomment a note\r\nobj_info b\r\n"
    body = b""
    if extra:
        head += "element camera 2\r\nproperty list uchar short numbers\r\nproperty float far\r\n"
        body += struct.pack(sign + "Bhhf", 2, 5, 6, 1.0) + struct.pack(sign + "Bf", 0, 2.0)
    head += "element vertex 8\r\nproperty uchar red\r\n"
    head += "".join(f"property double {axis}\r\n" for axis in "zyx")
    for x, y, z in points.tolist():
        body += struct.pack(sign + "Bddd", 200, z, y, x)
    head += f"element face {len(faces)}\r\n"
    head += "property list uchar float texcoord\r\nproperty int group\r\n" if extra else ""
    head += "property list int uint vertex_index\r\nproperty uchar flags\r\nend_header\r\n"
    for face in faces:
        if extra:
            body += struct.pack(sign + "Bffi", 2, 0.5, 0.25, 7)
        body += struct.pack(sign + f"i{len(face)}IB", len(face), *face, 255)
    return head.encode() + body + b"something behind"


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("extra", [False, True])
def test_packed_faces_of_any_size(tmp_path: Path, order: str, *, extra: bool) -> None:
    sides = [[4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3], [0, 1, 3], [0, 3, 2], []]
    mesh = raw(tmp_path / "a.ply", packed_ply(order, sides, extra=extra))
    assert zoo.volume((mesh.points, mesh.faces)) == pytest.approx(24.0, rel=1e-12)
    quads = raw(tmp_path / "b.ply", packed_ply(order, [*sides[:5], [0, 1, 3, 2]], extra=extra))
    assert zoo.volume((quads.points, quads.faces)) == pytest.approx(24.0, rel=1e-12)


def test_packed_ply_that_ends_in_a_face(tmp_path: Path) -> None:
    whole = packed_ply("little", [[0, 1, 3], [0, 1, 3, 2], [0, 3, 2]], extra=False)
    with pytest.raises(PatternError, match=r"row 3 of 3 of its 'face' runs past the end of the file"):
        raw(tmp_path / "a.ply", whole[: -len("something behind") - 3])
    with pytest.raises(
        PatternError, match=r"line 6: the header says 'property list float .*, which is no PLY"
    ):
        raw(tmp_path / "b.ply", b"ply\nformat ascii 1.0\n\nelement face 1\n\nproperty list float int a\n")


def test_strips() -> None:
    """Every other triangle is turned, and each strip starts afresh."""
    assert strip_faces(np.array([0, 1, 2, 3, -1, 4, 5, 6])).tolist() == [[0, 1, 2], [2, 1, 3], [4, 5, 6]]
    assert strip_faces(np.array([-1, 4, 5])).tolist() == []
    assert strip_faces(np.array([1])).tolist() == []


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian"])
def test_ply_of_strips(tmp_path: Path, form: str) -> None:
    """A tetrahedron as one strip."""
    head = f"ply\nformat {form} 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
    head += "element tristrips 1\nproperty list int int vertex_indices\nend_header\n"
    points, strip = [(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)], (0, 1, 2, 3, 0, 1)
    body = b"".join(struct.pack("<fff", *point) for point in points) + struct.pack("<i6i", 6, *strip)
    if form == "ascii":
        rows = [*points, (6, *strip)]
        body = "\n".join(" ".join(map(str, row)) for row in rows).encode()
    mesh = raw(tmp_path / "a.ply", head.encode() + body)
    assert abs(zoo.volume((mesh.points, mesh.faces))) == pytest.approx(1.0 / 6.0, rel=1e-6)


# --- OBJ and OFF ------------------------------------------------------------------------------------------


def test_obj_counts_back_from_the_last_point(tmp_path: Path) -> None:
    """Two tetrahedra, each built of the four points above it, one with texture and normal numbers."""
    points = "v 0 0 0\nv 1 0 0 # a corner\nv 0 1 0 1.0\nv 0 0 1 0.5 0.5 0.5\n"
    faces = "f -4 -2 -3\nf -4 -3 -1\nf -4 -1 -2\nf -3 -2 \\\n-1\n"
    textured = (
        "vt 0 0\nvn 0 0 1\no second\n" + points + "f 5/1/1 7//1 6/1\nf 5 6 8\nf 5 8 7\nl 1 2\nf 6 7 8\n"
    )
    mesh = raw(tmp_path / "a.obj", points + faces + textured)
    assert len(mesh.faces) == 8
    assert zoo.volume((mesh.points, mesh.faces)) == pytest.approx(2.0 / 6.0, rel=1e-12)
    with pytest.raises(PatternError, match=r"b\.obj, line 5: a face with corner 0; they are counted from 1"):
        raw(tmp_path / "b.obj", points + "f 1 0 2\n")
    with pytest.raises(PatternError, match=r"c\.obj, line 2: a point of 2 numbers; export it again"):
        raw(tmp_path / "c.obj", "v 0 0 0\nv 1 1\n")
    with pytest.raises(PatternError, match=r"faces name points that are not in the file \(0 to 3\)"):
        raw(tmp_path / "d.obj", points + "f -9 1 2\n")


def test_off_with_colours_and_notes(tmp_path: Path) -> None:
    text = "COFF 4 4 6 # counts\n\n0 0 0 255 0 0 255\n1 0 0 1 1 1 1\n0 1 0 0 0 0 0\n0 0 1 0 0 0 0\n"
    text += "3 0 2 1 255 0 0\n3 0 1 3\n# note\n3 0 3 2\n3 1 2 3 0.5 0.5 0.5\n"
    mesh = raw(tmp_path / "a.off", text)
    assert zoo.volume((mesh.points, mesh.faces)) == pytest.approx(1.0 / 6.0, rel=1e-12)
    with pytest.raises(PatternError, match=r"line 7: a face of 9 in a row of 4 numbers"):
        raw(tmp_path / "b.off", text.replace("3 0 1 3", "9 0 1 3").replace("3 0 2 1 255 0 0\n", ""))
    with pytest.raises(PatternError, match=r"line 2: '4 x 6' are no counts of points and faces"):
        raw(tmp_path / "c.off", "OFF\n4 x 6\n")
    with pytest.raises(PatternError, match=r"line 1: -4 points and 4 faces cannot be"):
        raw(tmp_path / "d.off", "OFF -4 4 0\n")
    with pytest.raises(PatternError, match="this is no OFF file of plain points"):
        raw(tmp_path / "e.off", "4OFF\n1 1 1\n")


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_endings_do_not_matter(tmp_path: Path, ending: str) -> None:
    torus = zoo.torus(5.0, 1.0, 12, 8)
    for write in (write_obj, write_off, write_ply_text):
        path = write(tmp_path / f"a.{write.__name__.split('_')[1]}", torus)
        text = path.read_text()
        if ending != "\r" or write is not write_ply_text:  # the head of a PLY is read line by line
            mesh = raw(path, text.replace("\n", ending))
            np.testing.assert_array_equal(mesh.points, torus[0])
            np.testing.assert_array_equal(mesh.faces, torus[1])
