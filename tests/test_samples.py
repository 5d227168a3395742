"""The sample meshes are closed, manifold and what they are meant to be; the dirty scan is dirty."""

import importlib.util
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import manifold3d
import numpy as np
import pytest
import trimesh
import zoo
from scipy import ndimage, sparse

SAMPLES = Path(__file__).resolve().parents[1] / "sample_meshes"
GENUS = {"owl.ply": 0, "long-necked-bird.ply": 2, "urn.stl": 0, "relief.stl": 0}
EVERY = [*GENUS, "dirty-scan.ply"]


def read(name: str) -> zoo.Mesh:
    """Read a sample as it lies in the file, corners at one place welded for STL, which has no other way."""
    mesh = trimesh.load(SAMPLES / name, process=name.endswith(".stl"))
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int64)


def directed_edges(faces: np.ndarray) -> np.ndarray:
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def uses_of_edges(faces: np.ndarray) -> np.ndarray:
    _, uses = np.unique(np.sort(directed_edges(faces), axis=1), axis=0, return_counts=True)
    return uses


def generator(name: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """Import a module of the generator, which is a folder of scripts and no package."""
    monkeypatch.syspath_prepend(str(SAMPLES))
    spec = importlib.util.spec_from_file_location(name, SAMPLES / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", list(GENUS))
def test_closed_and_manifold_by_counting(name: str) -> None:
    points, faces = read(name)
    assert set(uses_of_edges(faces)) == {2}
    # Wound one way: every edge is walked once in each direction.
    _, walks = np.unique(directed_edges(faces), axis=0, return_counts=True)
    assert set(walks) == {1}
    assert len(np.unique(points, axis=0)) == len(points), "two corners at one place"
    assert zoo.volume((points, faces)) > 0.0, "inside out"


@pytest.mark.parametrize("name", list(GENUS))
def test_every_corner_has_one_fan(name: str) -> None:
    """Round each corner the triangles form one ring: as many as the corner has neighbours, in one piece."""
    _, faces = read(name)
    corner_of = np.arange(faces.size).reshape(faces.shape)
    start, end = directed_edges(faces).T
    here = directed_edges(corner_of)
    # The edge walked the other way lies in the neighbour: join the two corners at each of its ends.
    size = len(np.unique(faces)) + 1
    one_way, other_way = np.argsort(start * size + end), np.argsort(end * size + start)
    joints = np.concatenate([
        np.column_stack([here[one_way, 0], here[other_way, 1]]),
        np.column_stack([here[one_way, 1], here[other_way, 0]]),
    ])  # fmt: skip
    graph = sparse.coo_matrix((np.ones(len(joints)), joints.T), shape=(faces.size,) * 2)
    fans, _ = sparse.csgraph.connected_components(graph, directed=False)
    assert fans == len(np.unique(faces))


@pytest.mark.parametrize(("name", "genus"), GENUS.items())
def test_genus_and_one_body(name: str, genus: int) -> None:
    """Euler: V - E + F = 2 - 2 g for one closed body; manifold3d must say the same."""
    points, faces = read(name)
    euler = len(np.unique(faces)) - len(uses_of_edges(faces)) + len(faces)
    assert euler == 2 - 2 * genus
    solid = manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    assert solid.genus() == genus
    assert len(solid.decompose()) == 1
    assert solid.volume() == pytest.approx(zoo.volume((points, faces)), rel=1e-9)


@pytest.mark.parametrize("name", EVERY)
def test_small_enough_to_ship(name: str) -> None:
    assert (SAMPLES / name).stat().st_size < 3_000_000


@pytest.mark.parametrize(
    ("name", "height"), [("owl.ply", 1500.0), ("long-necked-bird.ply", 1200.0), ("urn.stl", 900.0)]
)
def test_stands_on_the_ground_at_its_height(name: str, height: float) -> None:
    points, _ = read(name)
    assert points[:, 2].min() == pytest.approx(0.0, abs=1e-3)
    assert points[:, 2].max() == pytest.approx(height, abs=1e-3)


def test_owl_is_rich_and_wings_stand_off() -> None:
    """A line across the owl goes through wing, air, body, air and wing."""
    points, faces = read("owl.ply")
    assert 40_000 <= len(faces) <= 90_000
    solid = manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64)))
    section = solid.slice(620.0)
    line = manifold3d.CrossSection.square((2000.0, 4.0), center=True).translate((0.0, 130.0))
    pieces = sorted((piece.bounds() for piece in (section ^ line).decompose()), key=lambda box: box[0])
    assert len(pieces) == 3, "wing, body, wing"
    gaps = [right[0] - left[2] for left, right in pairwise(pieces)]
    assert all(5.0 < gap < 120.0 for gap in gaps)


def test_bird_ring_is_open_from_the_side() -> None:
    """Seen along x there is light between neck and bill, closed all round."""
    points, faces = read("long-necked-bird.ply")
    solid = manifold3d.Manifold(manifold3d.Mesh64(points, faces.astype(np.uint64)))
    # Turned about y so that x looks up; the outline is then in (-z, y) or (z, y).
    outline = solid.rotate((0.0, 90.0, 0.0)).project()
    holes = [abs(part.area()) for part in (manifold3d.CrossSection([c[::-1]]) for c in outline.to_polygons())
             if part.area() > 0.0]  # fmt: skip
    assert max(holes) > 100.0**2


def urn_rings(plain: ModuleType) -> tuple[np.ndarray, np.ndarray]:
    """Return heights and radii (mm) of the urn's rings, from the file."""
    points, _ = read("urn.stl")
    heights = np.unique(points[:, 2])
    radii = [np.hypot(*points[points[:, 2] == z, :2].T).max() for z in heights]
    assert len(heights) == plain.URN_RINGS
    return heights, np.array(radii)


def polygon_share(corners: int) -> float:
    """Return the share of a circle that a regular polygon on it covers: n / (2 pi) sin(2 pi / n)."""
    return float(corners / (2.0 * np.pi) * np.sin(2.0 * np.pi / corners))


def test_urn_volume_is_its_stack_of_frusta(monkeypatch: pytest.MonkeyPatch) -> None:
    """V = sum of pi h (a^2 + a b + b^2) / 3, times the polygon's share (derived, first principles).

    Corners are stored in single precision: 6e-8 of each coordinate.
    """
    plain = generator("plain", monkeypatch)
    heights, radii = urn_rings(plain)
    a, b = radii[:-1], radii[1:]
    stack = float(np.pi * (np.diff(heights) * (a * a + a * b + b * b)).sum() / 3.0)
    expected = stack * polygon_share(plain.URN_SEGMENTS)
    assert zoo.volume(read("urn.stl")) == pytest.approx(expected, rel=5e-7)


def test_urn_volume_is_its_profile_integral(monkeypatch: pytest.MonkeyPatch) -> None:
    """Solid of revolution: V = pi * integral of r(z)^2 dz (derived, first principles).

    A chord over h lies at most h^2 / 8 max|r''| from the profile, which bounds the tessellation's error.
    """
    plain = generator("plain", monkeypatch)
    curve, knots = plain.urn_curve(), plain.URN_PROFILE[:, 0]
    nodes, weights = np.polynomial.legendre.leggauss(4)  # exact to degree 7; the square of a cubic has 6
    half = np.diff(knots)[:, None] / 2.0
    z = knots[:-1, None] + half * (1.0 + nodes)
    exact = float(np.pi * (curve(z) ** 2 * weights * half).sum())
    heights, radii = urn_rings(plain)
    steps = np.diff(heights)
    bend = np.abs(curve(heights[:-1, None] + steps[:, None] * np.linspace(0.0, 1.0, 9), 2)).max(axis=1)
    chords = float((2.0 * np.pi * np.maximum(radii[:-1], radii[1:]) * steps**3 * bend / 8.0).sum())
    share = polygon_share(plain.URN_SEGMENTS)
    assert chords < 1e-3 * exact
    assert zoo.volume(read("urn.stl")) == pytest.approx(exact * share, abs=chords)


def test_urn_has_a_foot_a_waist_and_a_lip(monkeypatch: pytest.MonkeyPatch) -> None:
    """Going up, the radius has two narrow places, and is never near the axis."""
    radius = generator("plain", monkeypatch).urn_curve()(np.linspace(0.0, 900.0, 901))
    turns = np.flatnonzero((radius[1:-1] < radius[:-2]) & (radius[1:-1] <= radius[2:]))
    assert len(turns) == 2
    assert radius.min() > 50.0


def test_relief_has_nothing_hidden_from_the_front() -> None:
    """Every face but the flat back looks up (or at worst level): n_z >= 0, so a pull to +z frees it."""
    points, faces = read("relief.stl")
    a, b, c = points[faces].transpose(1, 0, 2)
    up = np.cross(b - a, c - a)[:, 2]
    back = points[faces][:, :, 2].max(axis=1) == 0.0
    assert back.any()
    assert (up[back] < 0.0).all()
    assert (up[~back] > 0.0).all()
    # One sheet over the back: the two have the same area seen from above.
    assert up[~back].sum() == pytest.approx(-up[back].sum(), rel=1e-9)


def test_relief_is_low() -> None:
    points, _ = read("relief.stl")
    assert np.ptp(points[:, 2]) < 0.1 * np.ptp(points[:, 0])


def test_dirty_scan_is_dirty() -> None:
    points, faces = read("dirty-scan.ply")
    uses = uses_of_edges(faces)
    assert (uses == 1).sum() > 500, "open edges: underside, holes, loose corners"
    assert (uses > 2).sum() > 50, "doubled faces"
    _, walks = np.unique(directed_edges(faces), axis=0, return_counts=True)
    assert (walks > 1).sum() > 50, "flipped faces"
    assert len(points) - len(np.unique(points, axis=0)) > 300, "unwelded points"


def test_dirty_scan_stays_open_below_after_welding() -> None:
    """The underside is gone: no face lies on the ground, though the border runs along it."""
    points, faces = read("dirty-scan.ply")
    _, welded = np.unique(points, axis=0, return_inverse=True)
    faces = welded.reshape(-1)[faces]
    faces = np.unique(np.sort(faces, axis=1), axis=0)
    edges, uses = np.unique(np.sort(directed_edges(faces), axis=1), axis=0, return_counts=True)
    places = np.unique(points, axis=0)
    border = places[edges[uses == 1]].mean(axis=1)
    low = border[border[:, 2] < 5.0]
    assert np.ptp(low[:, 0]) > 500.0
    assert np.ptp(low[:, 1]) > 400.0
    assert len(border) > len(low), "holes higher up"


def test_dirty_scan_is_the_same_every_time(monkeypatch: pytest.MonkeyPatch) -> None:
    spoil = generator("scan", monkeypatch).dirty
    clean = zoo.moved(zoo.sphere(100.0, 4), (0.0, 0.0, 100.0))
    first, second = spoil(clean), spoil(clean)
    assert first[0].tobytes() == second[0].tobytes()
    assert first[1].tobytes() == second[1].tobytes()


@pytest.mark.parametrize("stem", ["urn", "relief"])
def test_generator_makes_the_same_bytes(stem: str, tmp_path: Path) -> None:
    made = [tmp_path / "one", tmp_path / "two"]
    for folder in made:
        folder.mkdir()
        command = [sys.executable, str(SAMPLES / "make_samples.py"), "--only", stem, "--out", str(folder)]
        said = subprocess.run(command, check=True, capture_output=True, text=True, timeout=300).stdout
        assert said.startswith(f"{stem}.stl: ")
    first, second = ((folder / f"{stem}.stl").read_bytes() for folder in made)
    assert first == second
    assert len(first) == (SAMPLES / f"{stem}.stl").stat().st_size


def test_generator_names_what_it_can_make(tmp_path: Path) -> None:
    command = [sys.executable, str(SAMPLES / "make_samples.py"), "--only", "nothing", "--out", str(tmp_path)]
    said = subprocess.run(command, check=False, capture_output=True, text=True, timeout=300)
    assert said.returncode == 2
    assert "long-necked-bird" in said.stderr
    assert not list(tmp_path.iterdir())


def test_clay_blends_and_measures(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ball has 4/3 pi r^3; in clay a little less, by the grid's chords and the smoothing."""
    clay = generator("clay", monkeypatch)
    block = clay.Clay((-60.0,) * 3, (60.0,) * 3, 2.0)
    block.add(clay.ellipsoid((0.0, 0.0, 0.0), (50.0, 50.0, 50.0)), ((-50.0,) * 3, (50.0,) * 3), blend_mm=1.0)
    ball = block.surface()
    exact = 4.0 / 3.0 * np.pi * 50.0**3
    # Blurring by s sinks a sphere's surface by s^2 / r (half of s^2 times the distance's Laplacian 2 / r);
    # chords of h sink it by h^2 / (8 r) in each of two directions. Derived, first principles.
    sunk = ((clay.SMOOTHING_CELLS * 2.0) ** 2 + 2.0**2 / 4.0) / 50.0
    assert exact * (1.0 - 3.0 * sunk / 50.0) < ball.volume() < exact
    assert ball.genus() == 0


def test_clay_fills_bubbles_and_drops_crumbs(monkeypatch: pytest.MonkeyPatch) -> None:
    clay = generator("clay", monkeypatch)
    block = clay.Clay((-60.0,) * 3, (60.0,) * 3, 3.0)
    box = ((-60.0,) * 3, (60.0,) * 3)
    block.add(clay.ellipsoid((0.0, 0.0, 0.0), (40.0, 40.0, 40.0)), box, blend_mm=1.0)
    block.cut(clay.ellipsoid((0.0, 0.0, 0.0), (15.0, 15.0, 15.0)), box, blend_mm=1.0)
    block.add(clay.ellipsoid((50.0, 50.0, 50.0), (7.0, 7.0, 7.0)), box, blend_mm=1.0)
    _, pieces = ndimage.label(block.field < 0.0)
    assert pieces == 2
    made = block.surface()
    assert len(made.decompose()) == 1
    assert made.volume() > 4.0 / 3.0 * np.pi * (40.0**3 - 15.0**3)


def test_clay_says_when_a_shape_leaves_its_block(monkeypatch: pytest.MonkeyPatch) -> None:
    clay = generator("clay", monkeypatch)
    block = clay.Clay((-20.0,) * 3, (20.0,) * 3, 2.0)
    block.add(clay.ellipsoid((0.0, 0.0, 0.0), (30.0, 30.0, 30.0)), ((-30.0,) * 3, (30.0,) * 3), blend_mm=1.0)
    block.cut(clay.ellipsoid((0.0, 0.0, 0.0), (21.0, 21.0, 21.0)), ((-30.0,) * 3, (30.0,) * 3), blend_mm=1.0)
    with pytest.raises(ValueError, match="check that it stays inside its block"):
        block.surface()
