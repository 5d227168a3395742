"""The mould's solids: closed, of the planned volumes, named in their files, and the same bytes every time."""

import math
import re
import struct
import zipfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import manifold3d
import numpy as np
import pytest
import shapely
import trimesh
import zoo
from lxml import etree
from lying import above_board, lying, undercut
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from shapely import MultiPolygon, Polygon, box
from shop import shop_settings
from small_moulds import small_mould

from moldplan.columns.grid import Grid
from moldplan.errors import OutputError, PatternError, StoppedError
from moldplan.half.model import Half, Region
from moldplan.mould import outer as outer_stage
from moldplan.mould.model import Button, Mould
from moldplan.pattern.load import load_pattern
from moldplan.progress import Progress
from moldplan.solids import mould_solids, write_solids
from moldplan.solids.model import MouldSolids, Part
from moldplan.solids.rounding import rounded
from moldplan.solids.under import closed_below, face_of, raised_triangles, rim_rings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def tilted_prism() -> zoo.Mesh:
    turn = Rotation.from_euler("xyz", [17.0, 31.0, 73.0], degrees=True).as_matrix()
    return above_board(zoo.moved(zoo.turned(zoo.box(300.0, 160.0, 120.0), turn), (0.0, 0.0, 90.0)))


SHAPES = {
    "mushroom": lambda: zoo.mushroom(100.0, 90.0, 190.0, 70.0, 48),
    "ball cut below its centre": lambda: above_board(zoo.sphere(160.0, 3), -70.0),
    "tilted prism": tilted_prism,
    "lying torus": lambda: above_board(zoo.torus(150.0, 60.0, 64, 24)),
}


@cache
def built(name: str, cells: int = 64) -> tuple[Half, Mould, MouldSolids]:
    half = lying(SHAPES[name]())
    mould = small_mould(half, cells=cells)
    return half, mould, mould_solids(half, mould)


def mesh64(points: Floats, faces: Ints) -> manifold3d.Mesh64:
    return manifold3d.Mesh64(vert_properties=np.array(points), tri_verts=np.array(faces, dtype=np.uint64))


def is_closed(faces: Ints) -> bool:
    """Return whether every edge has two faces, which go along it in opposite directions."""
    start, end = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).T
    ways = np.sort(start * (int(faces.max()) + 1) + end)
    back = np.sort(end * (int(faces.max()) + 1) + start)
    return bool((ways[1:] > ways[:-1]).all() and np.array_equal(ways, back) and (start != end).all())


def floor_of(part: Part) -> tuple[float, float]:
    """Return the area of the part's faces on the board, and the same added up with their signs."""
    corners = part.vertices[part.faces]
    flat = corners[(corners[..., 2] == 0.0).all(axis=1)]
    signed = 0.5 * np.cross(flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0])[:, 2]
    return float(np.abs(signed).sum()), float(signed.sum())


@pytest.mark.parametrize("name", SHAPES)
def test_parts_are_closed_and_of_the_planned_volume(name: str) -> None:
    """At fewer cells than usual; what is left is how the rim lies between the middles."""
    half, mould, solids = built(name, 192)
    volumes = {}
    for part in solids.parts():
        assert is_closed(part.faces), part.title
        assert part.solid.status() == manifold3d.Error.NoError
        assert part.solid.volume() == pytest.approx(part.volume_mm3, rel=1e-9)
        volumes[part.name] = part.volume_mm3
    assert volumes["pattern"] == pytest.approx(half.volume_mm3, rel=1e-12)
    assert volumes["rubber"] == pytest.approx(mould.rubber.measured_mm3, rel=1e-9)
    assert volumes["rubber"] == pytest.approx(mould.rubber.volume_mm3, rel=0.01)
    assert volumes["jacket"] == pytest.approx(mould.jacket.volume_mm3, rel=0.01)
    clay_kg_mm3 = shop_settings().number("clay.density_kg_l") * 1e-6
    assert volumes["wall"] * clay_kg_mm3 == pytest.approx(mould.wall.clay_kg, rel=0.01)
    assert volumes["board"] == pytest.approx(math.prod(mould.board.size_mm) * 18.0, rel=1e-12)


@pytest.mark.parametrize("name", SHAPES)
def test_parts_stand_on_the_board_without_overlap(name: str) -> None:
    """Floors lie in one plane and once over; no two parts share anything, and the volumes add up."""
    _, _, solids = built(name)
    for part in solids.parts():
        low, high = part.vertices[:, 2].min(), part.vertices[:, 2].max()
        assert (low, high) == ((-18.0, 0.0) if part.name == "board" else (0.0, high))
        covered, signed = floor_of(part)
        assert covered == pytest.approx(signed if part.name == "board" else -signed, rel=1e-12)
    together = {part.name: part for part in solids.parts()}
    smallest = min(part.volume_mm3 for part in together.values())
    # the wall is stripped before the jacket's flange comes to where it stood
    for state in ("coating", "jacketing"):
        there = [part.solid for part in together.values() if state in part.state]
        whole = manifold3d.Manifold.batch_boolean(there, manifold3d.OpType.Add)
        overlap = sum(solid.volume() for solid in there) - whole.volume()
        assert overlap <= 1e-6 * smallest


@pytest.mark.parametrize("name", SHAPES)
def test_jacket_and_rubber_share_the_outer_face(name: str) -> None:
    """Every triangle of the rubber's outer face is one of the jacket's, turned over, to the last bit."""
    _, mould, solids = built(name)
    assert solids.jacket is not None
    points, faces = face_of(mould.rubber.outer_mm, mould.rubber.grid)

    def kinds(vertices: Floats, triangles: Ints) -> set[bytes]:
        corners = vertices[triangles] + 0.0
        first = np.lexsort(np.moveaxis(corners, -1, 0), axis=-1)[:, :1]
        turned = np.take_along_axis(corners, (first + np.arange(3))[..., None] % 3, axis=1)
        return {triangle.tobytes() for triangle in turned}

    face = kinds(points, faces)
    assert face <= kinds(solids.rubber.vertices, solids.rubber.faces)
    assert face <= kinds(solids.jacket.vertices, solids.jacket.faces[:, ::-1])


def ring_of(half: Half, wide_mm: float) -> Mould:
    """Return the mould of a square frame whose opening is left open, as a jacket maker would."""
    mould = small_mould(half, cells=64)
    x0, y0, x1, y1 = mould.rubber.edge_line.bounds
    hole = box(x0 + 90.0, y0 + 90.0, x0 + 90.0 + wide_mm, y0 + 90.0 + wide_mm)
    line = MultiPolygon([Polygon(box(x0, y0, x1, y1).exterior, [hole.exterior])])
    grid = mould.rubber.grid
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    outer = np.where(shapely.contains_xy(line, x, y), 40.0, 0.0)
    bare = hole.buffer(-mould.rubber.edge_line.distance(mould.jacket.flange_outer.exterior))
    ground = mould.jacket.flange_outer.difference(bare)
    outside = np.where(shapely.contains_xy(ground, x, y), np.where(outer > 0.0, 45.0, 9.0), 0.0)
    rubber = replace(mould.rubber, outer_mm=outer, edge_line=line)
    inner = (Polygon(hole.buffer(-25.0).exterior, [hole.buffer(-40.0).exterior]),)
    return replace(
        mould,
        rubber=rubber,
        jacket=replace(mould.jacket, outer_mm=outside),
        wall=replace(mould.wall, inner_walls=inner),
    )


def test_openings_stay_open_in_rubber_jacket_and_wall() -> None:
    """A jacket of known plan: ring of rubber, flange outside and inside it, bare board in the middle."""
    side = 400.0
    half = lying(zoo.moved(zoo.box(side, side, 20.0), (0.0, 0.0, 10.0)))
    mould = ring_of(half, 250.0)
    solids = mould_solids(half, mould)
    assert solids.jacket is not None
    middle = np.array(shapely.Polygon(mould.rubber.edge_line.geoms[0].interiors[0]).centroid.coords[0])
    corner = mould.jacket.flange_outer.bounds[0]
    pole = manifold3d.Manifold.cylinder(200.0, 5.0).translate((*middle, -50.0))
    for part in (solids.jacket, solids.wall):
        assert (part.solid ^ pole).is_empty(), part.title
        assert part.solid.bounding_box()[0] <= corner + 100.0
    # half a cell at the foot of the steps, nothing more, between the lines and the solid
    flange = flange_mm2(mould)
    floor, _ = floor_of(solids.jacket)
    perimeter = mould.rubber.edge_line.length
    assert floor == pytest.approx(flange, abs=perimeter * mould.rubber.grid.cell_mm)
    ground = mould.wall.outer.area - mould.wall.inner.area + mould.wall.inner_walls[0].area
    assert solids.wall.volume_mm3 == pytest.approx(ground * mould.wall.height_mm, rel=1e-4)


def flange_mm2(mould: Mould) -> float:
    """Return the ground of the flange: inside its line, less rubber, less what is bare in the opening."""
    line = mould.rubber.edge_line
    width = line.distance(mould.jacket.flange_outer.exterior)
    opening = Polygon(line.geoms[0].interiors[0])
    return float(mould.jacket.flange_outer.area - line.area - opening.buffer(-width).area)


@pytest.mark.parametrize("bump", [0.0, 1e-3], ids=["flat flange", "cut as a solid"])
def test_flange_ends_upright_on_its_line(bump: float) -> None:
    half, mould, plain = built("mushroom")
    assert plain.jacket is not None
    assert mould.jacket.outer_mm is not None
    outside = np.where(mould.jacket.outer_mm > 0.0, mould.jacket.outer_mm, 0.0)
    # one cell at the line that is not flat
    row = outside.shape[0] // 2
    outside[row, np.flatnonzero(outside[row])[0]] += bump
    solids = mould_solids(half, replace(mould, jacket=replace(mould.jacket, outer_mm=outside)))
    assert solids.jacket is not None
    assert is_closed(solids.jacket.faces)
    assert solids.jacket.volume_mm3 == pytest.approx(plain.jacket.volume_mm3, rel=1e-6)
    for height in (0.5, 0.9 * mould.jacket.flange_thickness_mm):
        (outer, *_) = sorted(
            (Polygon(ring) for ring in solids.jacket.solid.slice(height).to_polygons()), key=lambda r: -r.area
        )
        assert outer.area == pytest.approx(mould.jacket.flange_outer.area, rel=1e-5)
        assert outer.symmetric_difference(mould.jacket.flange_outer).area < 1e-4 * outer.area


def hollow_half() -> Half:
    """Return a block with a hollow on the board, another inside it, and a ball that hovers beside it."""
    block = manifold3d.Manifold.cube((300.0, 200.0, 120.0))
    block -= manifold3d.Manifold.cube((80.0, 90.0, 50.0)).translate((40.0, 50.0, 0.0))
    block -= manifold3d.Manifold.cube((60.0, 70.0, 40.0)).translate((180.0, 60.0, 40.0))
    block += manifold3d.Manifold.sphere(40.0, 48).translate((400.0, 100.0, 70.0))
    mesh = block.to_mesh64()
    points, faces = np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int64)
    volumes = [80.0 * 90.0 * 50.0, 60.0 * 70.0 * 40.0]
    sealed = tuple(
        Region(id=k, volume_mm3=volume, area_mm2=1.0, depth_mm=1.0, reach_mm=0.0, mouth_mm=0.0, mouths=0,
               centre_mm=(0.0, 0.0, 0.0))
        for k, volume in enumerate(volumes, start=1)
    )  # fmt: skip
    return lying((points, faces), undercut(sealed))


@pytest.mark.parametrize("skin", [8.0, 2.0])
def test_sealed_pockets_hold_no_rubber(skin: float) -> None:
    half = hollow_half()
    mould = small_mould(half, cells=64, settings=shop_settings(mould__skin_mm=skin))
    assert (skin > mould.rubber.grid.cell_mm) == (skin == 8.0), "one case each side of a cell"
    solids = mould_solids(half, mould)
    assert is_closed(solids.rubber.faces)
    under = manifold3d.Manifold(mesh64(*closed_below(face_of(mould.rubber.outer_mm, mould.rubber.grid))))
    left = (under - solids.pattern.solid).volume() - sum(r.volume_mm3 for r in half.undercut.regions)
    assert solids.rubber.volume_mm3 == pytest.approx(left, rel=1e-9)
    if skin == 8.0:
        assert left == pytest.approx(mould.rubber.measured_mm3, rel=1e-9)
    for hollow in ((80.0, 95.0, 25.0), (210.0, 95.0, 60.0)):
        pin = manifold3d.Manifold.sphere(5.0, 12).translate(hollow)
        assert (solids.rubber.solid ^ pin).is_empty()
    under_the_ball = manifold3d.Manifold.sphere(5.0, 12).translate((400.0, 100.0, 15.0))
    assert (solids.rubber.solid ^ under_the_ball).volume() == pytest.approx(under_the_ball.volume(), rel=1e-9)


def test_buttons_are_holes_in_the_jacket_and_studs_of_their_own() -> None:
    half, mould, plain = built("mushroom")
    assert plain.jacket is not None
    lean = math.radians(mould.rubber.draft_deg)
    foot = 190.0 / math.cos(0.0) + 8.0 / math.cos(lean) + (160.0 - 80.0) * math.tan(lean)
    buttons = tuple(
        Button(
            place_mm=(foot * math.cos(a), foot * math.sin(a), 80.0),
            normal=(math.cos(lean) * math.cos(a), math.cos(lean) * math.sin(a), math.sin(lean)),
            diameter_mm=12.0, mass_kg=0.01,
        )
        for a in (0.3, 2.0, 4.4)
    )  # fmt: skip
    solids = mould_solids(half, replace(mould, rubber=replace(mould.rubber, buttons=buttons)))
    assert solids.jacket is not None
    assert solids.buttons is not None
    assert solids.buttons.title == "buttons A (jacketing)"
    assert is_closed(solids.jacket.faces)
    assert is_closed(solids.buttons.faces)
    both = solids.jacket.volume_mm3 + solids.buttons.volume_mm3
    assert both == pytest.approx(plain.jacket.volume_mm3, rel=1e-9)
    assert len(solids.buttons.solid.decompose()) == 3
    assert solids.jacket.solid.genus() == plain.jacket.solid.genus() + 3
    # a stud is as long as the laminate is thick, to half a cell of lean either way (derived)
    stud = math.pi * 36.0 * mould.jacket.thickness_mm
    assert solids.buttons.volume_mm3 / 3.0 == pytest.approx(stud, rel=0.15)


def test_without_an_outside_there_is_no_jacket() -> None:
    half, mould, _ = built("tilted prism")
    solids = mould_solids(half, replace(mould, jacket=replace(mould.jacket, outer_mm=None)))
    assert solids.jacket is None
    assert [part.name for part in solids.parts()] == ["board", "pattern", "wall", "rubber"]


def test_an_open_half_is_refused() -> None:
    half, mould, _ = built("tilted prism")
    torn = replace(half, faces=half.faces[:-1])
    solids = mould_solids(torn, mould)
    with pytest.raises(PatternError, match=r"pattern A .* is no closed solid"):
        _ = solids.pattern.solid


def test_rims_of_touching_parts_stay_apart() -> None:
    """Two hills that meet in one corner have a line each, and so has a hollow inside a hill."""
    heights = np.zeros((12, 16))
    heights[2:5, 2:5] = 1.0
    heights[6:9, 6:9] = 1.0
    heights[5, 5] = 0.0
    heights[2:9, 10:14] = 1.0
    heights[4:7, 11:13] = 0.0
    grid = Grid(0.0, 0.0, 1.0, 16, 12)
    points, faces = face_of(heights, grid)
    rings = rim_rings(faces, points)
    assert sum(len(ring) for ring in rings) == sum(len(np.unique(ring)) for ring in rings)
    areas = sorted(Polygon(points[ring, :2]).area for ring in rings)
    assert all(Polygon(points[ring, :2]).is_valid for ring in rings)
    projected = 0.5 * len(faces)
    signs = [1.0 if shapely.LinearRing(points[ring, :2]).is_ccw else -1.0 for ring in rings]
    signed = sum(sign * Polygon(points[ring, :2]).area for sign, ring in zip(signs, rings, strict=True))
    assert signed == pytest.approx(projected, rel=1e-12)
    assert len(areas) == len(rings) >= 2
    whole = manifold3d.Manifold(mesh64(*closed_below((points, faces))))
    assert whole.status() == manifold3d.Error.NoError
    assert whole.volume() == pytest.approx(outer_stage.triangulated_mm3(heights, 1.0), rel=1e-12)


def test_triangles_of_a_single_hill() -> None:
    """Six triangles have the one raised corner; all look up."""
    heights = np.zeros((3, 3))
    heights[1, 1] = 2.0
    faces = raised_triangles(heights)
    assert len(faces) == 6
    assert (faces == 4).any(axis=1).all()
    points, numbered = face_of(heights, Grid(0.0, 0.0, 1.0, 3, 3))
    assert (np.cross(*(points[numbered[:, k]] - points[numbered[:, 0]] for k in (1, 2)))[:, 2] > 0.0).all()
    assert len(points) == 7


def test_rounded_corners_are_apart_near_and_fit_single_precision() -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(-900.0, 900.0, (4000, 3))
    points[1000:2000] = points[:1000] + rng.uniform(-1e-6, 1e-6, (1000, 3))
    points[2000:2020] = points[0]
    mesh = rounded(points, np.zeros((0, 3), dtype=np.int64))
    corners = mesh.corners_mm()
    assert len(np.unique(corners, axis=0)) == len(points)
    assert np.array_equal(corners.astype(np.float32).astype(np.float64), corners)
    assert mesh.step_mm <= 2.0**-14
    assert np.abs(corners - points).max() <= 1.5 * mesh.step_mm
    assert np.array_equal(mesh.steps[:1000], np.rint(points[:1000] / mesh.step_mm))


def plan_of(*names: str, job: str = "Hühner & Co <1>\x07") -> Any:
    """Return what the writer reads of a plan: its halves, named A and B, and their moulds."""
    pairs = []
    for letter, name in zip("AB", names, strict=False):
        half, mould, _ = built(name)
        pairs.append((replace(half, name=letter), replace(mould, name=letter)))
    return SimpleNamespace(job=job, halves=[half for half, _ in pairs], pairs=lambda: iter(pairs))


TWO = ("mushroom", "tilted prism")
STEMS = [f"half-{half}-{part}" for half in "ab" for part in ("board", "pattern", "wall", "rubber", "jacket")]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("solids")
    listed = write_solids(plan_of(*TWO), folder)
    assert sorted(file.path.name for file in listed) == sorted(path.name for path in folder.iterdir())
    return folder


def test_every_file_is_there_and_listed(tmp_path: Path) -> None:
    listed = {file.path.stem: file for file in write_solids(plan_of(*TWO), tmp_path)}
    assert sorted(listed) == sorted([*STEMS, "half-a", "half-b"])
    states = {stem.split("-")[2]: listed[stem].state for stem in STEMS}
    assert states == {
        "board": "coating and jacketing", "pattern": "coating and jacketing", "wall": "coating",
        "rubber": "coating and jacketing", "jacket": "jacketing",
    }  # fmt: skip
    for letter, name in zip("ab", TWO, strict=True):
        _, _, solids = built(name)
        for part in solids.parts():
            entry = listed[f"half-{letter}-{part.name}"]
            assert entry.volume_l == pytest.approx(part.volume_mm3 * 1e-6, rel=1e-12)
            assert (entry.half, entry.triangles) == (letter.upper(), len(part.faces))
    own = {stem: file.volume_l for stem, file in listed.items() if stem.startswith("half-a-")}
    assert listed["half-a"].volume_l == pytest.approx(sum(own.values()), rel=1e-12)


@pytest.mark.parametrize("stem", STEMS)
def test_stl_reads_back_closed_in_its_half_s_frame(written: Path, stem: str) -> None:
    """By trimesh, which joins corners by place alone."""
    mesh = trimesh.load_mesh(written / f"{stem}.stl")
    part = next(p for p in built(TWO["ab".index(stem[5])])[2].parts() if p.name == stem.split("-")[2])
    assert len(mesh.faces) == len(part.faces)
    assert len(mesh.vertices) == len(np.unique(part.faces))
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(part.volume_mm3, rel=1e-5)
    assert mesh.bounds == pytest.approx(np.array([part.vertices.min(0), part.vertices.max(0)]), abs=1e-4)


def test_stl_header_names_unit_half_part_state_and_job(written: Path) -> None:
    head = (written / "half-b-wall.stl").read_bytes()[:84]
    assert head[:80].rstrip() == b"mm; half B; wall; coating; H?hner & Co <1>\x07"
    (count,) = struct.unpack("<I", head[80:])
    assert (written / "half-b-wall.stl").stat().st_size == 84 + 50 * count
    rubber = (written / "half-a-rubber.stl").read_bytes()[:80]
    assert rubber.startswith(b"mm; half A; rubber; coating and jacketing; ")
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    body = np.frombuffer((written / "half-a-rubber.stl").read_bytes()[84:], dtype=record)
    a, b, c = np.moveaxis(body["corners"].astype(float), 1, 0)
    crossed = np.cross(b - a, c - a)
    along = np.einsum("ij,ij->i", crossed, body["normal"].astype(float))
    assert along == pytest.approx(np.linalg.norm(crossed, axis=1), rel=1e-5, abs=1e-9)


def test_3mf_names_its_parts_in_millimetres(written: Path) -> None:
    scene = trimesh.load_scene(written / "half-a.3mf")
    assert scene.units == "millimeter"
    _, _, solids = built("mushroom")
    titles = {part.title: part for part in solids.parts()}
    assert set(scene.geometry) == set(titles)
    assert set(titles) == {
        "board A (coating and jacketing)", "pattern A (coating and jacketing)", "wall A (coating)",
        "rubber A (coating and jacketing)", "jacket A (jacketing)",
    }  # fmt: skip
    for title, mesh in scene.geometry.items():
        assert mesh.is_watertight, title
        assert mesh.volume == pytest.approx(titles[title].volume_mm3, rel=1e-5)
        assert mesh.bounds == pytest.approx(
            np.array([titles[title].vertices.min(0), titles[title].vertices.max(0)]), abs=1e-4
        )


def test_3mf_follows_the_specification(written: Path) -> None:
    """Core specification 1.3: the package's parts, numbers by its patterns, indices within their object."""
    with zipfile.ZipFile(written / "half-b.3mf") as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        relations, model = archive.read("_rels/.rels"), archive.read("3D/3dmodel.model")
    assert b'Target="/3D/3dmodel.model"' in relations
    root = etree.fromstring(model)
    space = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
    assert (root.tag, root.get("unit")) == (f"{space}model", "millimeter")
    assert root.findtext(f"{space}metadata[@name='Title']") == "Hühner & Co <1> "
    objects = root.findall(f"{space}resources/{space}object")
    items = [item.get("objectid") for item in root.findall(f"{space}build/{space}item")]
    assert items == [body.get("id") for body in objects] == ["1", "2", "3", "4", "5"]
    number = re.compile(r"-?[0-9]+\.[0-9]{5}")
    for body in objects:
        corners = body.findall(f"{space}mesh/{space}vertices/{space}vertex")
        assert all(number.fullmatch(corner.get(axis)) for corner in corners for axis in "xyz")
        triangles = body.findall(f"{space}mesh/{space}triangles/{space}triangle")
        faces = np.array([[int(face.get(key)) for key in ("v1", "v2", "v3")] for face in triangles])
        assert faces.min() == 0
        assert faces.max() == len(corners) - 1
        assert is_closed(faces)


@pytest.mark.parametrize("stem", ["half-b-pattern", "half-b-rubber", "half-b-jacket", "half-b-wall"])
def test_a_part_can_be_loaded_as_a_pattern(written: Path, stem: str) -> None:
    """The package's own reader, which says what it had to mend, finds one closed body and mends nothing."""
    survey = load_pattern(written / f"{stem}.stl", unit="mm").survey
    assert (survey.open_edges_found, survey.nonmanifold_edges_found, survey.bodies) == (0, 0, 1)
    assert not survey.repairs


def test_same_plan_same_bytes(written: Path, tmp_path: Path) -> None:
    for file in write_solids(plan_of(*TWO), tmp_path):
        assert file.path.read_bytes() == (written / file.path.name).read_bytes(), file.path.name


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"missing: cannot write the solids of half A: No such file"):
        write_solids(plan_of("tilted prism"), tmp_path / "missing")


def test_writing_stops_when_told(tmp_path: Path) -> None:
    told: list[tuple[str, float]] = []
    progress = Progress(tell=lambda what, share: told.append((what, share)))
    progress.stop.set()
    with pytest.raises(StoppedError, match="writing the solids of half A"):
        write_solids(plan_of("tilted prism"), tmp_path, progress=progress)
    assert not told
    assert not list(tmp_path.iterdir())
