"""Broken scans with known truth: a clean figure, and what scanners and careless exports do to it.

Every damage takes a scan, dice and a strength and returns a scan. Where a damage changes what is true (an
underside cut flat, a lump grown on, an axis turned) the truth goes with it, so that the broken mesh and the
clean solid always lie in the same axes, in mm. A case is one to four damages on a figure, now and then with
its axes or scale swapped too, from a seed.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import zoo
from numpy.typing import NDArray
from scan_figures import FIGURES, mesh_of, solid_of
from zoo_files import write_ply, write_stl

from moldplan.pattern.model import Axis

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Dice = np.random.Generator
Strength = Literal["mild", "plain", "heavy"]
STRENGTHS: tuple[Strength, ...] = ("mild", "plain", "heavy")


@dataclass(frozen=True, kw_only=True)
class Scan:
    """A broken mesh with the clean solid it should have been, both in mm and in the file's axes."""

    mesh: zoo.Mesh
    truth: zoo.Mesh
    figure: str = ""
    strength: Strength = "mild"
    done: tuple[str, ...] = ()
    up: Axis = "+z"
    soup: bool = False
    """Whether it is written as STL, every face with corners of its own."""
    mm: float = 1.0
    """Millimetres in one number of the file."""


Damage = Callable[[Scan, Dice, Strength], Scan]


def at(strength: Strength, *values: float) -> float:
    """Return the value for a strength, of three."""
    return values[STRENGTHS.index(strength)]


def longest(mesh: zoo.Mesh) -> float:
    """Return the longest side of the bounding box, mm."""
    return float(np.ptp(mesh[0], axis=0).max())


def cross_products(mesh: zoo.Mesh) -> Floats:
    """Return twice the area of each face along its outward normal (m, 3)."""
    a, b, c = mesh[0][mesh[1]].transpose(1, 0, 2)
    return np.cross(b - a, c - a)


def point_normals(mesh: zoo.Mesh) -> Floats:
    """Return the unit normal at each point (n, 3), faces weighted by area."""
    total = np.zeros_like(mesh[0])
    across = cross_products(mesh)
    for corner in range(3):
        np.add.at(total, mesh[1][:, corner], across)
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return total / np.where(length > 0.0, length, 1.0)


def patch(mesh: zoo.Mesh, centre: int, radius: float) -> NDArray[np.bool_]:
    """Return which faces lie within `radius` of the middle of face `centre` and face the same side."""
    middle = mesh[0][mesh[1]].mean(axis=1)
    across = cross_products(mesh)
    near = np.linalg.norm(middle - middle[centre], axis=1) <= radius
    return np.asarray(near & (across @ across[centre] > 0.0))


def any_face(mesh: zoo.Mesh, dice: Dice) -> int:
    """Return a face, each as likely as its area."""
    area = np.linalg.norm(cross_products(mesh), axis=1)
    return int(dice.choice(len(area), p=area / area.sum()))


def together(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Put meshes into one, each with its own points."""
    counts = np.cumsum([0, *(len(points) for points, _ in meshes)])
    faces = [count + faces for count, (_, faces) in zip(counts, meshes, strict=False)]
    return np.concatenate([points for points, _ in meshes]), np.concatenate(faces)


# --- what changes the truth too ---------------------------------------------------------------------------


def foot(scan: Scan, dice: Dice, strength: Strength) -> tuple[zoo.Mesh, float]:
    """Return the figure cut off flat a little above its lowest point, and at which height, mm."""
    points = scan.truth[0]
    height = points[:, 2].min() + dice.uniform(0.02, at(strength, 0.03, 0.05, 0.08)) * np.ptp(points[:, 2])
    return mesh_of(solid_of(scan.truth).trim_by_plane((0.0, 0.0, 1.0), height)), float(height)


def open_below(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Leave the underside out: nobody scans what a figure stands on."""
    truth, height = foot(scan, dice, strength)
    points, faces = truth
    below = (np.abs(points[faces][:, :, 2] - height) < 1e-6 * longest(truth)).all(axis=1)
    return replace(scan, mesh=(points, faces[~below]), truth=truth)


def grown_floor(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Leave the ground in, one surface with the figure's foot."""
    truth, height = foot(scan, dice, strength)
    low, high = truth[0].min(axis=0), truth[0].max(axis=0)
    size = (high - low) * dice.uniform(1.2, at(strength, 1.4, 1.7, 2.0))
    thick = 0.1 * size[2]
    slab = solid_of(
        zoo.moved(zoo.box(size[0], size[1], thick), (*(0.5 * (low + high))[:2], height - 0.5 * thick))
    )
    points, faces = mesh_of(solid_of(truth) + slab.refine(24))
    scanned = points[faces][:, :, 2].min(axis=1) > height - 1e-6 * size[2]
    return replace(scan, mesh=(points, faces[scanned]), truth=truth)


def lumps(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Add parts as bodies of their own that reach into the figure."""
    mesh, truth = scan.mesh, solid_of(scan.truth)
    for _ in range(int(at(strength, 1, 2, 4))):
        radius = dice.uniform(0.04, 0.09) * longest(scan.truth)
        face = any_face(scan.truth, dice)
        across = cross_products(scan.truth)[face]
        inward = -dice.uniform(0.1, 0.5) * radius * across / np.linalg.norm(across)
        x, y, z = (scan.truth[0][scan.truth[1][face]].mean(axis=0) + inward).tolist()
        ball = zoo.moved(zoo.sphere(radius, 3), (x, y, z))
        mesh, truth = together(mesh, ball), truth + solid_of(ball)
    return replace(scan, mesh=mesh, truth=mesh_of(truth))


def overlap(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Deliver the figure as two closed bodies that share a slice of it."""
    z = scan.truth[0][:, 2]
    height = z.min() + dice.uniform(0.4, 0.6) * np.ptp(z)
    reach = at(strength, 0.02, 0.05, 0.1) * np.ptp(z)
    whole = solid_of(scan.truth)
    upper = whole.trim_by_plane((0.0, 0.0, 1.0), height - reach)
    lower = whole.trim_by_plane((0.0, 0.0, -1.0), -height - reach)
    return replace(scan, mesh=together(mesh_of(upper), mesh_of(lower)))


# --- what a scanner does to a surface ---------------------------------------------------------------------


def noise(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Move points along their normals: by 0.1, 0.15 or 0.2 % of the figure at most, less on short edges.

    The mesh of a scan was smoothed when it was made: noise tilts its faces by some 6 deg, not by 20. On the
    thinnest figure 0.3 % alone would lock another 0.32 % of the volume, more than the bound on undercut.
    """
    points, faces = scan.mesh
    shortest = np.full(len(points), np.inf)
    total, uses = np.zeros(len(points)), np.zeros(len(points))
    for corner in range(3):
        length = np.linalg.norm(points[faces[:, corner]] - points[faces[:, corner - 1]], axis=1)
        for end in (faces[:, corner], faces[:, corner - 1]):
            np.minimum.at(shortest, end, length)
            np.add.at(total, end, length)
            np.add.at(uses, end, 1.0)
    least = np.minimum(0.25 * shortest, 0.08 * total / np.maximum(uses, 1.0))
    sigma = np.minimum(at(strength, 0.0004, 0.0006, 0.0008) * longest(scan.truth), least)
    by = np.clip(dice.normal(size=len(points)), -2.5, 2.5) * np.where(np.isfinite(sigma), sigma, 0.0)
    return replace(scan, mesh=(points + by[:, None] * point_normals(scan.mesh), faces))


def holes(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Leave out round patches."""
    mesh = scan.mesh
    most = at(strength, 0.012, 0.025, 0.045) * longest(scan.truth)
    for _ in range(int(dice.integers(2, int(at(strength, 5, 8, 12))))):
        gone = patch(mesh, any_face(mesh, dice), most * dice.uniform(0.3, 1.0))
        mesh = mesh[0], mesh[1][~gone]
    return replace(scan, mesh=mesh)


def pushed(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Push a few points in past their neighbours, so that faces fold over and cross."""
    points, faces = scan.mesh[0].copy(), scan.mesh[1]
    normals = point_normals(scan.mesh)
    for face in dice.choice(len(faces), int(at(strength, 2, 6, 15)), replace=False):
        a, b, _ = faces[face]
        edge = points[b] - points[a]
        points[a] += dice.uniform(1.3, 2.5) * edge - 1.5 * np.linalg.norm(edge) * normals[a]
    return replace(scan, mesh=(points, faces))


def fins(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Hang faces on edges that have their two already: three or four then share one edge."""
    points, faces = scan.mesh
    normals = point_normals(scan.mesh)
    count = int(at(strength, 3, 12, 40))
    on = faces[dice.choice(len(faces), count, replace=False)][:, :2]
    on = np.concatenate([on, on[: count // 3]])
    edge = points[on[:, 1]] - points[on[:, 0]]
    out = dice.uniform(0.4, 1.0, (len(on), 1)) * np.linalg.norm(edge, axis=1, keepdims=True)
    tips = points[on].mean(axis=1) + out * normals[on[:, 0]] + 0.3 * dice.normal(size=(len(on), 1)) * edge
    extra = np.column_stack([on, len(points) + np.arange(len(on))])
    return replace(scan, mesh=(np.concatenate([points, tips]), np.concatenate([faces, extra])))


def shell(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Scan part of the surface twice: a second skin a little off the first."""
    points, faces = scan.mesh
    twice = np.zeros(len(faces), dtype=bool)
    for _ in range(int(at(strength, 1, 3, 1))):
        twice |= patch(
            scan.mesh, any_face(scan.mesh, dice), at(strength, 0.05, 0.1, 9.0) * longest(scan.truth)
        )
    if strength == "heavy":
        twice[:] = True
    off = dice.normal(scale=at(strength, 0.0003, 0.0006, 0.001) * longest(scan.truth), size=(len(points), 1))
    return replace(scan, mesh=together(scan.mesh, (points + off * point_normals(scan.mesh), faces[twice])))


# --- what a careless program does to faces ----------------------------------------------------------------


def flipped(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Turn some faces over, half of them, or all."""
    faces = scan.mesh[1].copy()
    turn = dice.random(len(faces)) < at(strength, 0.02, 0.5, 1.0)
    faces[turn] = faces[turn][:, ::-1]
    return replace(scan, mesh=(scan.mesh[0], faces))


def doubled(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Write faces twice, some of them turned over and with corners in another order."""
    faces = scan.mesh[1]
    extra = np.roll(faces[dice.random(len(faces)) < at(strength, 0.01, 0.1, 0.5)], 1, axis=1)
    turn = dice.random(len(extra)) < 0.5
    extra[turn] = extra[turn][:, ::-1]
    return replace(scan, mesh=(scan.mesh[0], dice.permutation(np.concatenate([faces, extra]))))


def soup(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Give every face corners of its own, a rounding error off their neighbours'."""
    points, faces = scan.mesh
    own = points[faces].reshape(-1, 3)
    off = at(strength, 0.0, 1e-7, 2e-6) * longest(scan.truth) * dice.uniform(-1.0, 1.0, own.shape)
    return replace(scan, mesh=(own + off, np.arange(len(own)).reshape(-1, 3)), soup=True)


# --- what else lies in the file ---------------------------------------------------------------------------


def islands(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Add specks that float beside the figure, every other one open."""
    mesh, size = scan.mesh, longest(scan.truth)
    low, high = scan.truth[0].min(axis=0), scan.truth[0].max(axis=0)
    for number in range(int(at(strength, 2, 5, 10))):
        points, faces = zoo.sphere(dice.uniform(0.2, 1.0) * at(strength, 0.006, 0.01, 0.02) * size, 2)
        place = dice.uniform(low, high)
        side = int(dice.integers(2))
        place[side] = (high[side] + 0.06 * size) if dice.random() < 0.5 else (low[side] - 0.06 * size)
        mesh = together(mesh, (points + place, faces[: 200 if number % 2 else None]))
    return replace(scan, mesh=mesh)


def floor(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Leave the ground in as a sheet of its own, touching the figure's lowest points or cut into by them."""
    low, high = scan.truth[0].min(axis=0), scan.truth[0].max(axis=0)
    size = (high - low) * dice.uniform(1.2, at(strength, 1.4, 1.7, 2.0))
    count = 24
    x, y = np.meshgrid(*(np.linspace(-0.5, 0.5, count) * size[k] + 0.5 * (low + high)[k] for k in (0, 1)))
    z = low[2] + dice.uniform(-0.003, 0.002) * size[2] + dice.normal(scale=0.0003 * size[2], size=x.size)
    i = (np.arange(count - 1)[:, None] * count + np.arange(count - 1)).ravel()
    faces = np.concatenate([np.c_[i, i + 1, i + count + 1], np.c_[i, i + count + 1, i + count]])
    return replace(scan, mesh=together(scan.mesh, (np.column_stack([x.ravel(), y.ravel(), z]), faces)))


# --- axes and scale, which nobody can see from the mesh ---------------------------------------------------


def mirrored(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Swap x and y without turning the faces: the file shows the figure's mirror image, inside out."""
    points, faces = scan.truth
    return replace(
        scan,
        mesh=(scan.mesh[0][:, [1, 0, 2]], scan.mesh[1]),
        truth=(points[:, [1, 0, 2]], faces[:, ::-1]),
    )


def turned(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Stand the figure along +y, as programs for pictures do."""
    turn = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    return replace(scan, mesh=zoo.turned(scan.mesh, turn), truth=zoo.turned(scan.truth, turn), up="+y")


def scaled(scan: Scan, dice: Dice, strength: Strength) -> Scan:
    """Write the numbers in inches, centimetres or metres."""
    return replace(scan, mm=float(dice.choice([25.4, 10.0, 1000.0])))


#: Every damage by name, in the order they are done in.
DAMAGES: dict[str, Damage] = {
    "open below": open_below,
    "grown floor": grown_floor,
    "overlap": overlap,
    "lumps": lumps,
    "noise": noise,
    "holes": holes,
    "pushed": pushed,
    "fins": fins,
    "shell": shell,
    "flipped": flipped,
    "doubled": doubled,
    "islands": islands,
    "floor": floor,
    "soup": soup,
    "mirrored": mirrored,
    "turned": turned,
    "scaled": scaled,
}
#: Each starts from the clean solid, so that only one of them can be in a case.
FIRST = ("open below", "grown floor", "overlap")
#: What leaves the surface as it is.
LAID = ("mirrored", "turned", "scaled")


def clean_scan(figure: str, seed: int = 0, *, strength: Strength = "mild") -> Scan:
    """Return a figure before anything happened to it."""
    mesh = FIGURES[figure](seed)
    return Scan(mesh=mesh, truth=mesh, figure=figure, strength=strength)


def damaged(scan: Scan, names: tuple[str, ...], dice: Dice) -> Scan:
    """Return a scan with the damages called `names`, done in the order of `DAMAGES`."""
    for name, damage in DAMAGES.items():
        if name in names:
            scan = replace(damage(scan, dice, scan.strength), done=(*scan.done, name))
    return scan


def case(seed: int) -> Scan:
    """Return the broken scan of a seed: every other one mild, the rest plain or heavy."""
    dice = np.random.default_rng(seed)
    strength: Strength = ("mild", "plain", "mild", "heavy")[seed % 4]
    scan = clean_scan(list(FIGURES)[int(dice.integers(len(FIGURES)))], seed, strength=strength)
    left = [name for name in DAMAGES if name not in (*FIRST, *LAID)] + [str(dice.choice(FIRST))]
    names = [str(name) for name in dice.choice(left, int(dice.integers(1, 5)), replace=False)]
    names += [name for name in LAID if dice.random() < 0.15]
    return damaged(scan, tuple(names), dice)


def write(scan: Scan, folder: Path) -> Path:
    """Write a scan as its file: STL for a soup, else PLY, both in single precision."""
    mesh = scan.mesh[0] / scan.mm, scan.mesh[1]
    if scan.soup:
        return write_stl(folder / "scan.stl", mesh)
    return write_ply(folder / "scan.ply", mesh, "float")
