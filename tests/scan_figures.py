"""Clean figures for broken scans: closed, welded, outward-wound, in mm, standing with +z up, facing -y."""

from collections.abc import Callable
from functools import cache
from pathlib import Path

import manifold3d
import numpy as np
import trimesh
import zoo
from numpy.typing import NDArray
from skimage.measure import marching_cubes

from moldplan.samples import sample_path

Floats = NDArray[np.float64]

OPEN_MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"
#: About how many triangles a figure made lighter keeps.
LIGHT_FACES = 14_000
HEIGHT_MM = 900.0


def solid_of(mesh: zoo.Mesh) -> manifold3d.Manifold:
    """Return a closed mesh as a solid."""
    points, faces = mesh
    # A copy, since the solid library takes no read-only arrays.
    return manifold3d.Manifold(manifold3d.Mesh64(np.array(points), faces.astype(np.uint64)))


def mesh_of(solid: manifold3d.Manifold) -> zoo.Mesh:
    """Return a solid as a mesh."""
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int64)


def standing(mesh: zoo.Mesh, height_mm: float = HEIGHT_MM) -> zoo.Mesh:
    """Scale a mesh to a height, with its foot at z = 0."""
    points = mesh[0] * (height_mm / float(np.ptp(mesh[0][:, 2])))
    return points - [0.0, 0.0, points[:, 2].min()], mesh[1]


def bumpy(seed: int) -> zoo.Mesh:
    """Star-shaped lump with a dozen soft bumps and dents."""
    dice = np.random.default_rng(seed)
    points, faces = zoo.sphere(1.0, 5)
    radius = np.ones(len(points))
    for _ in range(12):
        towards = dice.normal(size=3)
        near = points @ (towards / np.linalg.norm(towards))
        radius += dice.uniform(-0.3, 0.6) * np.exp(-(1.0 - near) / dice.uniform(0.03, 0.15))
    return standing((points * np.maximum(radius, 0.5)[:, None], faces))


def rod(at: Floats, start: Floats, end: Floats, radius: float) -> Floats:
    """Return the distance of places `at` (..., 3) from a rod with round ends, negative inside."""
    along = end - start
    share = np.clip((at - start) @ along / float(along @ along), 0.0, 1.0)
    return np.asarray(np.linalg.norm(at - start - share[..., None] * along, axis=-1) - radius)


def joined_rods(rods: list[tuple[Floats, Floats, float]], *, cell: float, blend: float) -> zoo.Mesh:
    """Return the surface of rods that melt into each other, on a grid of `cell`."""
    ends = np.array([end for start, stop, _ in rods for end in (start, stop)])
    margin = max(radius for *_, radius in rods) + blend + 2.0 * cell
    low, high = ends.min(axis=0) - margin, ends.max(axis=0) + margin
    at = np.stack(
        np.meshgrid(*(np.arange(a, b, cell) for a, b in zip(low, high, strict=True)), indexing="ij"), -1
    )
    field = np.full(at.shape[:3], 10.0 * margin)
    for start, end, radius in rods:
        other = rod(at, start, end, radius)
        mix = np.clip(0.5 + 0.5 * (field - other) / blend, 0.0, 1.0)
        field = field * (1.0 - mix) + other * mix - blend * mix * (1.0 - mix)
    points, faces, _, _ = marching_cubes(field.astype(np.float64), 0.0)
    mesh = np.asarray(points, dtype=np.float64) * cell + low, np.asarray(faces, dtype=np.int64)
    return mesh if zoo.volume(mesh) > 0.0 else (mesh[0], mesh[1][:, ::-1])


@cache
def doll(seed: int) -> zoo.Mesh:
    """Figure of rods: belly, head, arms held out, legs, in a pose of its own."""
    dice = np.random.default_rng(seed)

    def place(x: float, y: float, z: float) -> Floats:
        return np.array([x, y, z]) + dice.uniform(-0.07, 0.07, 3)

    neck, hip = place(0, 0, 1.45), place(0, 0, 0.95)
    rods = [(hip, neck, 0.30), (neck, place(0, -0.05, 1.85), 0.24)]
    for side in (-1.0, 1.0):
        elbow = place(0.55 * side, -0.10, 1.25)
        rods += [(place(0.25 * side, 0, 1.45), elbow, 0.13), (elbow, place(0.75 * side, -0.3, 1.5), 0.11)]
        rods += [(place(0.16 * side, 0, 0.9), place(0.24 * side, 0, 0.2), 0.17)]
    rods += [(np.array([0.0, 0.0, 0.1]), np.array([0.05, 0.05, 0.1]), 0.42)]
    return standing(joined_rods(rods, cell=0.035, blend=0.09))


def ring(seed: int) -> zoo.Mesh:
    """Ring, leaning: a figure with a handle."""
    lean = np.deg2rad(np.random.default_rng(seed).uniform(20.0, 90.0))
    turn = np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])
    return standing(zoo.turned(zoo.torus(400.0, 130.0, 96, 48), turn), 700.0)


def urn(seed: int) -> zoo.Mesh:
    """Surface of revolution with a waist and a lip, closed flat at both ends."""
    dice = np.random.default_rng(seed)
    z = np.linspace(0.0, 1.0, 60)
    radius = 0.28 + 0.08 * np.sin(9.0 * z + dice.uniform(0.0, 6.0)) + 0.04 * np.cos(17.0 * z)
    flat = [(radius[0] * share, 0.0) for share in np.linspace(0.0, 1.0, 8)[:-1]]
    lid = [(radius[-1] * share, 1.0) for share in np.linspace(1.0, 0.0, 8)[1:]]
    return standing(zoo.revolve([*flat, *zip(radius.tolist(), z.tolist(), strict=True), *lid], 96))


@cache
def lighter(path: Path) -> zoo.Mesh:
    """Return a mesh file with fewer triangles, still closed."""
    read = trimesh.load(path, process=True)
    mesh = standing((np.array(read.vertices), np.array(read.faces, dtype=np.int64)))
    solid, tolerance = solid_of(mesh), 0.05
    while solid.num_tri() > LIGHT_FACES:
        solid, tolerance = solid.simplify(tolerance), 1.5 * tolerance
    return mesh_of(solid)


def sample(name: str) -> Callable[[int], zoo.Mesh]:
    """Return what makes a sample mesh with fewer triangles, the same for every seed."""
    return lambda _seed: lighter(sample_path(name))


def open_mesh(name: str, turn: tuple[int, int, int]) -> Callable[[int], zoo.Mesh]:
    """Return what makes an open mesh lighter, its axes taken in the order `turn` to stand it up."""

    def made(_seed: int) -> zoo.Mesh:
        points, faces = lighter(OPEN_MESHES / name)
        return standing((points[:, turn], faces))

    return made


#: Figures made here or shipped, by name.
FIGURES: dict[str, Callable[[int], zoo.Mesh]] = {
    "lump": bumpy,
    "doll": doll,
    "ring": ring,
    "urn": urn,
    "owl": sample("owl.ply"),
    "bird": sample("long-necked-bird.ply"),
}
#: Open meshes, y up in their files: x, y, z become z, x, y, which keeps them right-handed.
OPEN_FIGURES: dict[str, Callable[[int], zoo.Mesh]] = {
    name: open_mesh(f"{name}.ply", (2, 0, 1)) for name in ("spot", "hand", "skull")
}
