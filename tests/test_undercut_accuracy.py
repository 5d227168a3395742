"""Undercut against closed forms, against boolean solids, and against the cell."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
import zoo
from manifold3d import Manifold
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from moldplan.columns.envelope import top_integral
from moldplan.columns.grid import Grid
from moldplan.columns.layers import column_gaps, column_layers
from moldplan.half import Half, cut, lay_whole
from moldplan.half.solids import solid_of
from moldplan.pattern.arrays import mesh_area_mm2, pattern_from_arrays
from moldplan.pattern.model import Pattern
from moldplan.split.model import Plane

ROUNDING = 1e-9


def pattern_of(mesh: zoo.Mesh) -> Pattern:
    return pattern_from_arrays(*mesh, name="shape")


def plane(normal: tuple[float, float, float], offset: float = 0.0) -> Plane:
    unit = np.array(normal) / np.linalg.norm(normal)
    return Plane(normal=(float(unit[0]), float(unit[1]), float(unit[2])), offset_mm=offset)


def standing(mesh: zoo.Mesh) -> Half:
    pattern = pattern_of(mesh)
    return lay_whole(pattern, plane((0, 0, 1), -pattern.size_mm[2] / 2))


def width(half: Half) -> float:
    return half.undercut.bracket_mm3[1] - half.undercut.bracket_mm3[0]


def narrow(half: Half) -> bool:
    return width(half) <= max(0.03 * half.undercut.volume_mm3, 1e-3 * half.volume_mm3)


def polygon_share(corners: int) -> float:
    """Area of a regular polygon over that of its circle: a round solid's formula becomes a prism's."""
    return corners * np.sin(2.0 * np.pi / corners) / (2.0 * np.pi)


@pytest.mark.parametrize("below", [0.2, 0.35, 0.5, 0.7, 0.9])
def test_sphere_cut_below_its_centre(below: float) -> None:
    # gap under the equator pi c^3 / 3 (derived, first principles)
    radius = 500.0
    half, other = cut(pattern_of(zoo.sphere(radius, 6)), plane((0, 0, 1), -below * radius))
    closed_form = np.pi * (below * radius) ** 3 / 3.0
    allowed = max(5e-3 * closed_form, 1e-5 * half.volume_mm3)
    assert abs(half.undercut.volume_mm3 - closed_form) <= allowed
    assert other.undercut.volume_mm3 <= 1e-5 * other.volume_mm3
    assert narrow(half)
    assert narrow(other)


@pytest.mark.parametrize(("bottom", "top", "height"), [(200.0, 400.0, 300.0), (390.0, 400.0, 20.0)])
def test_inverted_frustum(bottom: float, top: float, height: float) -> None:
    # (pi h / 3)(rt - rb)(2 rt + rb), round (derived); times the polygon's share it is exact for this mesh
    half = standing(zoo.frustum(bottom, top, height, 192))
    round_form = np.pi * height / 3.0 * (top - bottom) * (2.0 * top + bottom)
    assert half.undercut.volume_mm3 == pytest.approx(round_form, rel=1e-2)
    exact = polygon_share(192) * round_form
    assert half.undercut.volume_mm3 == pytest.approx(exact, rel=ROUNDING)
    assert half.undercut.bracket_mm3[0] <= exact <= half.undercut.bracket_mm3[1]
    assert narrow(half)


@pytest.mark.parametrize(("stem", "cap"), [(50.0, 300.0), (290.0, 300.0)])
def test_mushroom(stem: float, cap: float) -> None:
    # pi (b^2 - a^2) h, round (derived)
    half = standing(zoo.mushroom(stem, 200.0, cap, 80.0, 96))
    exact = polygon_share(96) * np.pi * (cap**2 - stem**2) * 200.0
    assert half.undercut.volume_mm3 == pytest.approx(exact / polygon_share(96), rel=1e-2)
    assert half.undercut.volume_mm3 == pytest.approx(exact, rel=ROUNDING)
    assert half.undercut.bracket_mm3[0] <= exact <= half.undercut.bracket_mm3[1]
    assert narrow(half)


@pytest.mark.parametrize("normal", [(1.0, 0.0, 0.0), (0.6, 0.8, 0.0)])
def test_standing_torus_plane_through_its_axis(normal: tuple[float, float, float]) -> None:
    # both halves 2 pi r R^2 - pi^2 R r^2 + 4 pi r^3 / 3 (derived)
    ring, tube = 500.0, 100.0
    halves = cut(pattern_of(zoo.torus(ring, tube, 256, 96)), plane(normal))
    closed_form = 2 * np.pi * tube * ring**2 - np.pi**2 * ring * tube**2 + 4 * np.pi * tube**3 / 3
    assert sum(half.undercut.volume_mm3 for half in halves) == pytest.approx(closed_form, rel=1e-2)
    assert all(narrow(half) for half in halves)


def test_cube_along_its_diagonal() -> None:
    # both halves a^3 / 24, alike (derived); a cube has no tessellation: the bracket must hold it
    side = 700.0
    for half in cut(pattern_of(zoo.box(side, side, side)), plane((1, 1, 1))):
        assert half.undercut.volume_mm3 == pytest.approx(side**3 / 48.0, rel=ROUNDING)
        assert half.undercut.bracket_mm3[0] <= side**3 / 48.0 <= half.undercut.bracket_mm3[1]
        assert narrow(half)
        assert len(half.undercut.regions) == 3


def test_lying_torus_cut_through_its_middle_locks_nothing() -> None:
    for half in cut(pattern_of(zoo.torus()), plane((0, 0, 1))):
        assert half.undercut.volume_mm3 <= 1e-5 * half.volume_mm3
        assert not half.undercut.regions


def relief() -> zoo.Mesh:
    """Make a slab with a hilly upper face: a height map closed by walls and a flat back."""
    n = 40
    x, y = np.meshgrid(np.linspace(-300, 300, n), np.linspace(-200, 200, n), indexing="ij")
    top = 40.0 + 15.0 * np.sin(x / 40.0) * np.cos(y / 30.0)
    points = np.concatenate([np.stack([x, y, z], -1).reshape(-1, 3) for z in (top, np.zeros((n, n)))])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(n - 1), indexing="ij")
    a, b = (i * n + j).ravel(), ((i + 1) * n + j).ravel()
    up = np.concatenate([np.stack([a, b, b + 1], -1), np.stack([a, b + 1, a + 1], -1)])
    line = np.arange(n)
    border = np.concatenate([line * n, (n - 1) * n + line, (line[::-1]) * n + n - 1, line[::-1]])
    border = border[np.flatnonzero(np.diff(border, append=border[0]))]
    after = np.roll(border, -1)
    low, low_after = border + n * n, after + n * n
    walls = np.concatenate([np.stack([border, low, low_after], -1), np.stack([border, low_after, after], -1)])
    return points, np.concatenate([up, up[:, ::-1] + n * n, walls])


def test_relief_on_its_back_locks_nothing() -> None:
    mesh = relief()
    half = standing(mesh)
    assert half.volume_mm3 == pytest.approx(zoo.volume(mesh), rel=1e-12)
    assert half.undercut.volume_mm3 <= 1e-5 * half.volume_mm3
    assert not half.undercut.regions


def raster(mesh: zoo.Mesh, cell: float, shift: NDArray[np.float64]) -> float:
    """Undercut by gaps over the middles of the cells alone."""
    points = mesh[0]
    low = points[:, :2].min(axis=0) - shift * cell
    nx, ny = np.ceil((points[:, :2].max(axis=0) - low) / cell).astype(int)
    grid = Grid(float(low[0]), float(low[1]), cell, int(nx), int(ny))
    gaps = column_gaps(column_layers(*mesh, grid), grid, least_mm=1e-9 * cell)
    return float((gaps.high_mm - gaps.low_mm).sum()) * grid.cell_area_mm2


def half_torus() -> zoo.Mesh:
    half = cut(pattern_of(zoo.torus(500.0, 100.0, 96, 32)), plane((1, 0, 0.3)), cells=64)[0]
    return np.array(half.vertices), np.array(half.faces)


def test_raster_error_falls_with_the_cell_and_the_total_has_none() -> None:
    # root mean square over 20 random shifts and turns about the pull; first order or better is expected
    points, faces = half_torus()
    rng = np.random.default_rng(11)
    exact = cut(pattern_of(zoo.torus(500.0, 100.0, 96, 32)), plane((1, 0, 0.3)), cells=64)[
        0
    ].undercut.volume_mm3
    volume = zoo.volume((points, faces))
    cells = [1200.0 / count for count in (32, 64, 128, 256)]
    errors = np.empty((len(cells), 20))
    for k in range(20):
        turn = Rotation.from_euler("z", rng.uniform(0, 360), degrees=True).as_matrix()
        mesh = points @ turn.T, faces
        shift = rng.random(2)
        for n, cell in enumerate(cells):
            errors[n, k] = raster(mesh, cell, shift) / exact - 1.0
        low = mesh[0][:, :2].min(axis=0) - shift * cells[1]
        whole = top_integral(*mesh, Grid(float(low[0]), float(low[1]), cells[1], 70, 70))
        assert whole.best_mm3 - volume == pytest.approx(exact, rel=ROUNDING)
        assert whole.low_mm3 - volume <= exact <= whole.high_mm3 - volume
    root_mean_square = np.sqrt((errors**2).mean(axis=1))
    slope = np.polyfit(np.log(cells), np.log(root_mean_square), 1)[0]
    assert slope >= 0.9
    assert root_mean_square[-1] < 5e-3


@pytest.mark.parametrize("cells", [16, 50, 200, 700])
def test_total_does_not_depend_on_the_resolution(cells: int) -> None:
    pattern = pattern_of(zoo.torus(500.0, 100.0, 96, 32))
    usual = cut(pattern, plane((1, 0, 0.3)), cells=128)[0]
    other = cut(pattern, plane((1, 0, 0.3)), cells=cells)[0]
    assert other.undercut.volume_mm3 == pytest.approx(usual.undercut.volume_mm3, rel=ROUNDING)


def shadow_above(solid: Manifold, height: float) -> float:
    """Area of the shadow of what lies above a height: a boolean solid, projected."""
    return float(solid.trim_by_plane((0.0, 0.0, 1.0), height).project().area())


def nut() -> zoo.Mesh:
    examples = pytest.importorskip("pyvista.examples")
    mesh = trimesh.load(examples.nutfile, process=True)
    assert isinstance(mesh, trimesh.Trimesh)
    return np.array(mesh.vertices) * 10.0, np.array(mesh.faces, dtype=np.int64)


def open_shapes() -> dict[str, tuple[zoo.Mesh, tuple[float, float, float], float]]:
    return {
        "nut across": (nut(), (0.2, 1.0, 0.3), 12.0),
        "nut along": (nut(), (1.0, 0.3, -0.1), -5.0),
        "torus askew": (zoo.torus(500.0, 100.0, 48, 16), (1.0, 0.2, 0.5), 30.0),
    }


@pytest.mark.parametrize("name", ["nut across", "nut along", "torus askew"])
def test_undercut_equals_shadows_of_boolean_solids(name: str) -> None:
    # integral of top = integral over z of the shadow of what lies above z (derived: layer cake); the shadow
    # falls with z, so sums over the upper and lower ends of slices hold the value between them
    mesh, normal, offset = open_shapes()[name]
    for half in cut(pattern_of(mesh), plane(normal, offset), cells=128):
        solid = solid_of(half.vertices, half.faces, name)
        edges = np.linspace(0.0, half.height_mm, 161)
        areas = np.array([shadow_above(solid, z) for z in edges[:-1]] + [0.0])
        step = edges[1]
        lower, upper = areas[1:].sum() * step - half.volume_mm3, areas[:-1].sum() * step - half.volume_mm3
        assert lower <= half.undercut.volume_mm3 <= upper
        middle = 0.5 * (lower + upper)
        # trapezoid sum over 160 slices; the shadow jumps where a level face ends
        assert half.undercut.volume_mm3 == pytest.approx(middle, rel=1e-2, abs=1e-3 * half.volume_mm3)


def test_undercut_of_the_nut_by_casting_rays() -> None:
    # every hit of embree's rays from above, middle sums: first order in the cell
    pytest.importorskip("embreex")
    half = cut(pattern_of(nut()), plane((0.2, 1.0, 0.3), 12.0), cells=128)[0]
    mesh = trimesh.Trimesh(half.vertices, half.faces, process=False)
    low, high = mesh.bounds
    step = (high - low)[:2] / 400.0
    x, y = (low[k] + (np.arange(400) + 0.5) * step[k] for k in (0, 1))
    origins = np.array([(a, b, high[2] + 10.0) for a in x for b in y])
    down = np.tile([0.0, 0.0, -1.0], (len(origins), 1))
    places, _, _ = mesh.ray.intersects_location(origins, down, multiple_hits=False)
    cast = float(places[:, 2].sum()) * float(step.prod()) - half.volume_mm3
    assert half.undercut.volume_mm3 == pytest.approx(cast, rel=1e-2)


def test_other_libraries_agree_on_volume_and_area() -> None:
    pyvista = pytest.importorskip("pyvista")
    for half in cut(pattern_of(nut()), plane((0.2, 1.0, 0.3), 12.0), cells=64):
        mesh = trimesh.Trimesh(half.vertices, half.faces, process=False)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert half.volume_mm3 == pytest.approx(mesh.volume, rel=1e-10)
        surface = pyvista.PolyData.from_regular_faces(half.vertices, half.faces)
        assert half.volume_mm3 == pytest.approx(surface.volume, rel=1e-6)
        area = mesh_area_mm2(half.vertices, half.faces)
        assert area == pytest.approx(mesh.area, rel=1e-12)
        assert area == pytest.approx(surface.area, rel=1e-6)


def undercuts(mesh: zoo.Mesh, normal: NDArray[np.float64], offset: float) -> list[float]:
    where = Plane(normal=(float(normal[0]), float(normal[1]), float(normal[2])), offset_mm=offset)
    return [half.undercut.volume_mm3 for half in cut(pattern_of(mesh), where, cells=128)]


ASKEW = np.array([0.8, 0.0, 0.6])


def test_face_order_and_place_change_nothing() -> None:
    points, faces = zoo.torus(500.0, 100.0, 96, 32)
    first = undercuts((points, faces), ASKEW, 20.0)
    order = np.random.default_rng(3).permutation(len(faces))
    assert undercuts((points, faces[order]), ASKEW, 20.0) == pytest.approx(first, rel=ROUNDING)
    assert undercuts(zoo.moved((points, faces), (1e4, -3e3, 77.7)), ASKEW, 20.0) == pytest.approx(
        first, rel=1e-6
    )


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_quarter_turns_change_nothing(quarters: int) -> None:
    mesh = zoo.torus(500.0, 100.0, 96, 32)
    turn = Rotation.from_euler("z", 90 * quarters, degrees=True).as_matrix().round()
    first = undercuts(mesh, ASKEW, 20.0)
    assert undercuts(zoo.turned(mesh, turn), turn @ ASKEW, 20.0) == pytest.approx(first, rel=1e-6)


def test_general_turn_stays_in_the_bracket() -> None:
    # turned about the middle of its box, which the turn does not move
    mesh = zoo.torus(500.0, 100.0, 96, 32)
    turn = Rotation.from_euler("xyz", [17, 31, 73], degrees=True).as_matrix()
    halves = cut(pattern_of(mesh), plane((0.8, 0.0, 0.6)), cells=128)
    for half, volume in zip(halves, undercuts(zoo.turned(mesh, turn), turn @ ASKEW, 0.0), strict=True):
        assert half.undercut.bracket_mm3[0] <= volume <= half.undercut.bracket_mm3[1]


ON_FEWER_CORES = """
import hashlib, os, sys
if len(sys.argv) > 1 and hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
import zoo
from moldplan.half import cut
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane
pattern = pattern_from_arrays(*zoo.torus(500.0, 100.0, 192, 64))
halves = cut(pattern, Plane(normal=(0.8, 0.0, 0.6), offset_mm=20.0), cells=128)
text = "".join(repr((h.undercut.volume_mm3, h.undercut.regions, h.section.wkt)) for h in halves)
data = b"".join(h.vertices.tobytes() + h.faces.tobytes() for h in halves)
print(hashlib.sha256(text.encode() + data).hexdigest())
"""


@pytest.mark.slow
def test_fewer_cores_change_no_byte() -> None:
    here = Path(__file__).parent
    paths = os.pathsep.join([str(here), str(here.parent), *filter(None, [os.environ.get("PYTHONPATH")])])
    prints = [
        subprocess.run(
            [sys.executable, "-c", ON_FEWER_CORES, *arguments],
            env={**os.environ, "PYTHONPATH": paths},
            capture_output=True,
            text=True,
            check=True,
            timeout=300,
        ).stdout
        for arguments in ([], ["one"])
    ]
    assert len(prints[0].strip()) == 64
    assert prints[0] == prints[1]
