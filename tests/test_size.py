"""Large meshes: what is done in pieces or in another order gives the same as at once."""

from pathlib import Path

import numpy as np
import pytest
import zoo
from zoo_files import write_stl

from moldplan.columns.distance import STRIDE, _scattered
from moldplan.columns.sums import thin_faces, used_box
from moldplan.errors import PatternError
from moldplan.pattern.arrays import mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.slivers import flip_slivers
from moldplan.pattern.stl import read_stl
from moldplan.pattern.topology import Surface

MANY = 1_000_000


def sliver_box() -> Surface:
    """Return a box one edge of whose top has a corner on it: a flat sliver."""
    points, faces = zoo.box(10.0, 10.0, 10.0)
    top = np.flatnonzero((points[faces][:, :, 2] == 5.0).all(axis=1))
    a, b, c = faces[top[0]]
    middle = len(points)
    points = np.concatenate([points, 0.5 * (points[[a]] + points[[b]])])
    faces = np.concatenate([faces, [(a, b, middle)]])
    faces[top[0]] = (a, middle, c)
    return Surface(points, np.concatenate([faces, [(middle, b, c)]]))


def test_a_file_read_in_pieces_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_stl(tmp_path / "torus.stl", zoo.torus(500.0, 100.0, 48, 16))
    points, faces = read_stl(path, most_triangles=MANY)
    monkeypatch.setattr("moldplan.pattern.stl._AT_A_TIME", 100)
    again, refaces = read_stl(path, most_triangles=MANY)
    assert len(points) == 48 * 16
    np.testing.assert_array_equal(points, again)
    np.testing.assert_array_equal(faces, refaces)


def test_a_file_that_crowds_the_table_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_stl(tmp_path / "torus.stl", zoo.torus(500.0, 100.0, 48, 16))
    expected = read_stl(path, most_triangles=MANY)
    monkeypatch.setattr("moldplan.columns.merging.Merger.add", lambda *_: False)
    for found, wanted in zip(read_stl(path, most_triangles=MANY), expected, strict=True):
        np.testing.assert_array_equal(found, wanted)


def test_a_file_that_shrinks_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_stl(tmp_path / "torus.stl", zoo.torus(500.0, 100.0, 48, 16))
    monkeypatch.setattr("moldplan.pattern.stl._pieces", lambda *_: iter([np.zeros((30, 3), np.float32)]))
    with pytest.raises(
        PatternError, match=r"torus\.stl: cut short while it was read; copy or export it again"
    ):
        read_stl(path, most_triangles=MANY)


def test_negative_zeros_of_a_file_are_zeros(tmp_path: Path) -> None:
    """A corner at -0.0 and one at 0.0 are one."""
    points, faces = zoo.box(10.0, 6.0, 4.0)
    mesh = points - points.min(axis=0), faces
    path = write_stl(tmp_path / "box.stl", mesh)
    data = bytearray(path.read_bytes())
    corners = np.frombuffer(data, dtype=np.uint8, offset=84).reshape(-1, 50)
    values = corners[::2, 12:48].copy().view("<f4")
    values[values == 0.0] = -0.0
    corners[::2, 12:48] = values.view(np.uint8)
    path.write_bytes(data)
    found, _ = read_stl(path, most_triangles=MANY)
    assert len(found) == 8
    assert not np.signbit(found[found == 0.0]).any()


@pytest.mark.kernel
def test_sums_over_large_meshes_against_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    points, faces = zoo.torus(500.0, 100.0, 48, 16)
    volume, area = mesh_volume_mm3(points, faces), mesh_area_mm2(points, faces)
    monkeypatch.setattr("moldplan.pattern.arrays.FACES_AT_A_TIME", 100)
    assert mesh_volume_mm3(points, faces) == pytest.approx(volume, rel=1e-13)
    assert mesh_area_mm2(points, faces.astype(np.int32)) == pytest.approx(area, rel=1e-13)
    assert mesh_volume_mm3(points, faces[:0]) == mesh_area_mm2(points, faces[:0]) == 0.0


@pytest.mark.kernel
def test_box_is_of_the_corners_that_are_used() -> None:
    points, faces = zoo.box(10.0, 6.0, 4.0)
    low, high = used_box(np.concatenate([points, [(99.0, 99.0, 99.0)]]), faces)
    assert low.tolist() == [-5.0, -3.0, -2.0]
    assert high.tolist() == [5.0, 3.0, 2.0]


def test_slivers_are_turned() -> None:
    """The sliver's long edge goes; all that is left of the top are faces with an area, as much as before."""
    surface = sliver_box()
    assert surface.edges.closed
    flipped, count, moved = flip_slivers(surface)
    assert (count, moved) == (1, 0.0)
    assert flipped.edges.closed
    assert mesh_volume_mm3(flipped.points, flipped.faces) == pytest.approx(1000.0, rel=1e-15)
    sides = flipped.points[flipped.faces]
    areas = np.linalg.norm(np.cross(sides[:, 1] - sides[:, 0], sides[:, 2] - sides[:, 0]), axis=1)
    assert areas.min() > 1.0


@pytest.mark.kernel
def test_thin_faces_against_numpy() -> None:
    """Random triangles pressed nearly flat, by twice the area over the longest side squared."""
    dice = np.random.default_rng(8)
    corners = dice.normal(size=(300, 3, 3))
    corners[:, 2] = corners[:, 0] + (corners[:, 1] - corners[:, 0]) * dice.uniform(0.0, 1.0, (300, 1))
    corners[:, 2] += dice.normal(size=(300, 3)) * 10.0 ** dice.uniform(-6.0, 0.0, (300, 1))
    points, faces = corners.reshape(-1, 3), np.arange(900).reshape(300, 3)
    sides = corners - np.roll(corners, -1, axis=1)
    longest2 = (sides**2).sum(axis=2).max(axis=1)
    twice = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)
    wanted = np.flatnonzero(twice <= 1e-3 * longest2)
    out = np.empty(300, dtype=np.int64)
    count = thin_faces(points, faces, 1e-3, out)
    assert 50 < count < 250
    assert out[:count].tolist() == wanted.tolist()
    few = np.empty(10, dtype=np.int64)
    assert thin_faces(points, faces, 1e-3, few) == count
    assert few.tolist() == wanted[:10].tolist()


@pytest.mark.kernel
@pytest.mark.parametrize("size", [1, STRIDE - 1, STRIDE, STRIDE + 1, 5 * STRIDE + 7])
def test_every_triangle_has_its_turn_once(size: int) -> None:
    turns = [_scattered(turn, size) for turn in range(size)]
    assert sorted(turns) == list(range(size))
    assert turns == sorted(turns, key=lambda number: (number % STRIDE, number))
