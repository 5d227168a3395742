"""The proof that the mould opens: the jacket lifts off rubber and half along the pull and touches nothing.

Faces have few cells here; what is proved does not depend on their number.
"""

import math
from functools import cache
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import pyvista
import trimesh
import zoo
from lying import above_board, lying
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from small_moulds import small_mould

from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.pattern import load_pattern
from moldplan.samples import sample_path
from moldplan.solids import mould_solids
from moldplan.solids.model import MouldSolids, Part
from moldplan.split.model import Plane

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Cells must be smaller than the skin (8 mm), or the half shows through the face between their middles.
CELL_MM = 6.5
#: Lifts as a share of the way up: half of them in the first hundredth.
LIFTS = np.concatenate([[0.0], np.geomspace(1e-6, 1e-2, 19), np.linspace(0.02, 1.0, 20)])


def tilted(mesh: zoo.Mesh) -> zoo.Mesh:
    return zoo.turned(mesh, Rotation.from_euler("xyz", [17.0, 31.0, 73.0], degrees=True).as_matrix())


def standing(mesh: zoo.Mesh) -> zoo.Mesh:
    return zoo.turned(mesh, np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]))


def twins() -> zoo.Mesh:
    """Return two unlike bodies beside each other, one an undercut, one leaning."""
    funnel = zoo.frustum(60.0, 130.0, 140.0, 48)
    block = above_board(zoo.moved(tilted(zoo.box(220.0, 90.0, 120.0)), (330.0, 40.0, 60.0)))
    return np.concatenate([funnel[0], block[0]]), np.concatenate([funnel[1], block[1] + len(funnel[0])])


def shape(name: str) -> zoo.Mesh:
    return {
        "mushroom": lambda: zoo.mushroom(100.0, 90.0, 190.0, 70.0, 48),
        "funnel": lambda: zoo.frustum(120.0, 200.0, 230.0, 48),
        "ball cut below its centre": lambda: above_board(zoo.sphere(160.0, 3), -70.0),
        "tilted prism": lambda: above_board(zoo.moved(tilted(zoo.box(400.0, 200.0, 150.0)), (0, 0, 120.0))),
        "standing torus": lambda: above_board(standing(zoo.torus(190.0, 60.0, 64, 24))),
        "half a ball": lambda: above_board(zoo.sphere(200.0, 3)),
        "two bodies": twins,
    }[name]()


SHAPES = [
    "mushroom", "funnel", "ball cut below its centre", "tilted prism", "standing torus", "half a ball",
    "two bodies",
]  # fmt: skip
OWL = ["owl front", "owl back"]
MESHES = Path(__file__).parents[2] / "shared" / "meshes"
OPEN = ["scorpion bottom", "skull front"]
EVERY = [
    *SHAPES,
    *(pytest.param(name, marks=pytest.mark.slow) for name in OWL),
    *(
        pytest.param(
            name,
            marks=[
                pytest.mark.slow,
                pytest.mark.meshes,
                pytest.mark.skipif(not MESHES.is_dir(), reason="the open meshes are not here"),
            ],
        )
        for name in OPEN
    ),
]


@cache
def figure_halves(figure: str) -> tuple[Half, Half]:
    path = sample_path("owl.ply") if figure == "owl" else MESHES / f"{figure}.ply"
    pattern = load_pattern(path, height_mm=600.0)
    normal = (0.0, 0.0, 1.0) if figure == "scorpion" else (0.0, -1.0, 0.0)
    return cut(pattern, Plane(normal=normal, offset_mm=0.0), cells=64)


def half_of(name: str) -> Half:
    if name in (*OWL, *OPEN):
        figure, side = name.split()
        return figure_halves(figure)[side in ("back", "bottom")]
    return lying(shape(name))


@cache
def built(name: str) -> tuple[Half, Mould, MouldSolids]:
    half = half_of(name)
    longest = float(np.ptp(half.vertices, axis=0).max())
    mould = small_mould(half, cells=math.ceil(longest / CELL_MM))
    return half, mould, mould_solids(half, mould)


def jacket_of(solids: MouldSolids) -> Part:
    assert solids.jacket is not None
    return solids.jacket


def inner_faces(mould: Mould, jacket: Part) -> Floats:
    """Return the corners (m, 3, 3) of the jacket's faces that lie on the rubber's outer face."""
    grid = mould.rubber.grid
    corners = jacket.vertices[jacket.faces]
    col = (corners[..., 0] - grid.x0_mm) / grid.cell_mm - 0.5
    row = (corners[..., 1] - grid.y0_mm) / grid.cell_mm - 0.5
    near_col, near_row = np.rint(col).astype(int), np.rint(row).astype(int)
    on_middle = (np.abs(col - near_col) < 1e-6) & (np.abs(row - near_row) < 1e-6)
    heights = mould.rubber.outer_mm[near_row.clip(0, grid.ny - 1), near_col.clip(0, grid.nx - 1)]
    on_face = on_middle & (np.abs(corners[..., 2] - heights) < 1e-7)
    return corners[on_face.all(axis=1) & (corners[..., 2] > 0.0).any(axis=1)]


def normals_of(corners: Floats) -> Floats:
    crossed = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(crossed / np.linalg.norm(crossed, axis=1, keepdims=True))


@pytest.mark.parametrize("name", EVERY)
def test_every_inner_face_of_the_jacket_draws_and_is_a_face_of_the_rubber(name: str) -> None:
    """n.z >= sin(draft) for the rubber's outward normal, which is the jacket's turned over."""
    _, mould, solids = built(name)
    inner = inner_faces(mould, jacket_of(solids))
    nz = -normals_of(inner)[:, 2]
    assert nz.min() >= math.sin(math.radians(mould.rubber.draft_deg)) - 1e-9
    # all of the rubber's outer face is covered: both have the same ground
    ground = 0.5 * np.abs(np.cross(inner[:, 1] - inner[:, 0], inner[:, 2] - inner[:, 0])[:, 2]).sum()
    raised = (mould.rubber.outer_mm > 0.0).astype(float)
    low, right, up, far = raised[:-1, :-1], raised[:-1, 1:], raised[1:, :-1], raised[1:, 1:]
    triangles = np.maximum(np.maximum(low, right), far).sum() + np.maximum(np.maximum(low, up), far).sum()
    assert ground == pytest.approx(0.5 * triangles * mould.rubber.grid.cell_area_mm2, rel=1e-6)


def shared_mm3(one: manifold3d.Manifold, other: manifold3d.Manifold) -> float:
    return float((one ^ other).volume())


@pytest.mark.parametrize("name", EVERY)
def test_jacket_lifts_off_rubber_and_half(name: str) -> None:
    """In 40 steps from nothing to clear of all: never 0.01 % of the rubber's volume shared."""
    half, mould, solids = built(name)
    stays = solids.rubber.solid + solids.pattern.solid
    assert stays.volume() == pytest.approx(solids.rubber.volume_mm3 + half.volume_mm3, rel=1e-9)
    height = float(mould.rubber.outer_mm.max()) + 1.0
    assert len(LIFTS) == 40
    shared = [shared_mm3(jacket_of(solids).solid.translate((0.0, 0.0, up)), stays) for up in LIFTS * height]
    assert max(shared) < 1e-4 * mould.rubber.volume_mm3


def test_a_jacket_that_does_not_draw_is_caught() -> None:
    """The same lift of a jacket that follows an undercut shares much: the test above can fail."""
    half = lying(shape("funnel"))
    grown = manifold3d.Manifold.cylinder(230.0, 130.0, 230.0, 64)
    sleeve = manifold3d.Manifold.cylinder(230.0, 300.0, 300.0, 64) - grown
    pattern = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.array(half.vertices), tri_verts=np.array(half.faces, dtype=np.uint64)
        )
    )
    assert shared_mm3(sleeve.translate((0.0, 0.0, 115.0)), pattern) > 0.05 * half.volume_mm3


def surface_points(half: Half, count: int) -> Floats:
    """Return points spread evenly over the half's surface off the board, the same every time."""
    faces = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
    rng = np.random.default_rng(20)
    corners = half.vertices[faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    chosen = corners[rng.choice(len(faces), count, p=area / area.sum())]
    u, v = rng.random((2, count, 1))
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    points: Floats = chosen[:, 0] + u * (chosen[:, 1] - chosen[:, 0]) + v * (chosen[:, 2] - chosen[:, 0])
    return points


@pytest.mark.parametrize("name", EVERY)
def test_jacket_keeps_the_skin_from_the_half(name: str) -> None:
    """Distance from 5,000 points of the half to the nearest of the jacket's inner faces, by VTK's locator."""
    half, mould, solids = built(name)
    inner = inner_faces(mould, jacket_of(solids))
    face = pyvista.PolyData.from_regular_faces(inner.reshape(-1, 3), np.arange(3 * len(inner)).reshape(-1, 3))
    points = surface_points(half, 5000)
    _, nearest = face.find_closest_cell(points, return_closest_point=True)
    distance = np.linalg.norm(points - nearest, axis=1)
    assert distance.min() >= mould.rubber.skin_mm - mould.rubber.grid.cell_mm


@pytest.mark.parametrize("name", EVERY)
def test_no_line_along_the_pull_meets_the_rubber_outside_twice(name: str) -> None:
    """Embree's rays: from under the board through the outer face, once; from a face upwards, never."""
    pytest.importorskip("embreex")
    _, mould, solids = built(name)
    inner = inner_faces(mould, jacket_of(solids))
    face = trimesh.Trimesh(
        inner[:, ::-1].reshape(-1, 3), np.arange(3 * len(inner)).reshape(-1, 3), process=False
    )
    rng = np.random.default_rng(7)
    weights = rng.dirichlet((2.0, 2.0, 2.0), len(inner))
    places = np.einsum("fk,fkd->fd", weights, inner)
    up = np.tile([0.0, 0.0, 1.0], (len(places), 1))
    below = places * np.array([1.0, 1.0, 0.0]) - np.array([0.0, 0.0, 50.0])
    _, of_ray, _ = face.ray.intersects_location(below, up, multiple_hits=True)
    assert (np.bincount(of_ray, minlength=len(places)) == 1).all()
    solid = trimesh.Trimesh(solids.rubber.vertices, solids.rubber.faces, process=False)
    just_above = places + np.array([0.0, 0.0, 0.01 * mould.rubber.grid.cell_mm])
    assert not solid.ray.intersects_any(just_above, up).any()
