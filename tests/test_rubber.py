"""The rubber over a half: it draws, it is nowhere too thin, its parts have their closed forms and add up."""

import math
from functools import cache

import manifold3d
import numpy as np
import pytest
import shapely
import zoo
from lying import above_board, gaps_over, lying, outline, undercut
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shop import shop_settings

from moldplan.errors import StoppedError
from moldplan.half import cut
from moldplan.half.model import Half, Region
from moldplan.mould.model import Rubber
from moldplan.mould.outer import Build, triangulated_mm3
from moldplan.mould.rubber import build_for, plan_rubber
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.progress import Progress
from moldplan.split.model import Plane

Floats = NDArray[np.float64]


def about_z(degrees: float) -> Floats:
    a = math.radians(degrees)
    return np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])


def prism(x: float, y: float, z: float, degrees: float = 0.0) -> Half:
    return lying(zoo.moved(zoo.turned(zoo.box(x, y, z), about_z(degrees)), (0.0, 0.0, z / 2.0)))


@cache
def figure() -> tuple[Half, Half]:
    """Return both halves of a body with a head, an arm, and dents: undercut, tunnel-free, metre high."""
    parts = [
        (zoo.sphere(180.0, 4), (1.0, 1.0, 1.4), (0, 0, 0)),
        (zoo.sphere(120.0, 4), (1.0, 1.1, 1.0), (0, 20, 330)),
        (zoo.sphere(60.0, 3), (3.0, 1.0, 1.0), (150, -90, 60)),
        (zoo.sphere(90.0, 4), (1.6, 1.5, 1.0), (0, 0, -250)),
    ]  # fmt: skip
    body = manifold3d.Manifold()
    for (points, faces), stretch, shift in parts:
        solid = manifold3d.Mesh64(
            vert_properties=points * np.array(stretch) + np.array(shift, dtype=float),
            tri_verts=faces.astype(np.uint64),
        )
        body += manifold3d.Manifold(solid)
    mesh = body.to_mesh64()
    pattern = pattern_from_arrays(
        np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, dtype=np.int64)
    )
    return cut(pattern, Plane(normal=(0.0, -1.0, 0.0), offset_mm=10.0))


@cache
def figure_rubber(number: int) -> Rubber:
    return plan_rubber(figure()[number], shop_settings())


@cache
def planned(name: str) -> tuple[Half, Rubber]:
    if name.startswith("figure"):
        number = ("figure front", "figure back").index(name)
        return figure()[number], figure_rubber(number)
    mesh = {
        "mushroom": zoo.mushroom(150.0, 120.0, 260.0, 90.0, 64),
        "funnel": zoo.frustum(120.0, 220.0, 230.0, 64),
        "low ball": above_board(zoo.sphere(200.0, 4), -90.0),
        "torus": above_board(zoo.torus(300.0, 90.0, 96, 32)),
    }[name]
    half = lying(mesh)
    return half, plan_rubber(half, shop_settings())


NAMES = ["figure front", "figure back", "mushroom", "funnel", "low ball", "torus"]


@pytest.mark.parametrize("name", NAMES)
def test_outer_face_draws_and_hides_nothing(name: str) -> None:
    """One height per column, and in eight directions no step steeper than the draft (derived)."""
    _, rubber = planned(name)
    heights, allowed = rubber.outer_mm, rubber.grid.cell_mm / math.tan(math.radians(rubber.draft_deg))
    assert heights.shape == rubber.grid.shape == rubber.top_mm.shape
    assert (heights >= rubber.top_mm).all()
    for rows, cols in ((0, 1), (1, 0), (1, 1), (1, -1)):
        far = heights[rows:, max(cols, 0) : heights.shape[1] + min(cols, 0)]
        near = heights[: heights.shape[0] - rows, max(-cols, 0) : heights.shape[1] - max(cols, 0)]
        assert np.abs(far - near).max() <= allowed * math.hypot(rows, cols) * (1.0 + 1e-9)
    border = np.concatenate([heights[0], heights[-1], heights[:, 0], heights[:, -1]])
    assert not border.any(), "the rubber runs off its grid"


@pytest.mark.parametrize("name", NAMES)
def test_rubber_is_nowhere_thinner_than_the_skin_less_one_cell(name: str) -> None:
    half, rubber = planned(name)
    grid, cell = rubber.grid, rubber.grid.cell_mm
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    face = np.stack([x, y, rubber.outer_mm], axis=-1)
    # the face between samples: middles of the sides of its squares, three on each, and of the squares
    parts = [face.reshape(-1, 3)]
    for other in (face[1:], face[:, 1:], face[1:, 1:]):
        here = face[: other.shape[0], : other.shape[1]]
        parts.extend((here + t * (other - here)).reshape(-1, 3) for t in (0.25, 0.5, 0.75))
    points = np.concatenate(parts)
    tree = cKDTree(points[points[:, 2] > 0.0])
    corners = half.vertices[half.faces]
    surface = np.concatenate([corners.mean(axis=1), half.vertices])
    distance, _ = tree.query(surface[surface[:, 2] > 0.0])
    assert distance.min() >= rubber.skin_mm - cell


@pytest.mark.parametrize("name", NAMES)
def test_parts_add_up_and_agree_with_the_whole_measured(name: str) -> None:
    _, rubber = planned(name)
    parts = rubber.skin_mm3 + rubber.fill_mm3 + rubber.draft_mm3 + rubber.edge_mm3
    assert parts == pytest.approx(rubber.volume_mm3, rel=1e-12)
    assert min(rubber.skin_mm3, rubber.fill_mm3, rubber.draft_mm3, rubber.edge_mm3) >= 0.0
    assert rubber.measured_mm3 == pytest.approx(rubber.volume_mm3, rel=0.01)
    assert sum(coat.volume_mm3 for coat in rubber.coats) == pytest.approx(rubber.volume_mm3, rel=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_edge_lies_outside_the_toe_by_its_width(name: str) -> None:
    half, rubber = planned(name)
    settings = shop_settings()
    width, cell = settings.number("mould.edge_width_mm"), rubber.grid.cell_mm
    grown = shapely.buffer(half.projection, rubber.skin_mm + width - 0.5 * cell)
    assert rubber.edge_line.covers(grown)
    row, col = np.nonzero(rubber.outer_mm > settings.number("mould.edge_thickness_mm"))
    raised = shapely.points(rubber.grid.x_mm()[col], rubber.grid.y_mm()[row])
    assert shapely.distance(rubber.edge_line.boundary, raised).min() >= width - cell
    # only the torus leaves room for a hand inside its wall
    assert sum(len(part.interiors) for part in rubber.edge_line.geoms) == (name == "torus")


@pytest.mark.parametrize(("radius", "level"), [(500.0, 5), (90.0, 4)])
def test_skin_of_a_hemisphere(radius: float, level: int) -> None:
    """2/3 pi ((R + t)^3 - R^3), derived, first principles."""
    rubber = plan_rubber(lying(above_board(zoo.sphere(radius, level))), shop_settings())
    t = rubber.skin_mm
    assert rubber.skin_mm3 == pytest.approx(2.0 / 3.0 * math.pi * ((radius + t) ** 3 - radius**3), rel=0.005)
    assert rubber.fill_mm3 < 0.005 * rubber.skin_mm3


def prism_draft(perimeter: float, h: float, t: float, d: float) -> float:
    """Draft fill of a right convex prism with skin t, draft d in radians: derived, first principles."""
    tau, sec = math.tan(d), 1.0 / math.cos(d)
    along = tau * h**2 / 2.0 + t * h * (sec - 1.0) + t**2 * (tau - d) / 2.0
    round_ = tau**2 * h**3 / 3.0 + tau * t * h**2 * sec + t**2 * tau**2 * h
    return perimeter * along + math.pi * (round_ + t**3 * math.sin(d) ** 3 / (3.0 * math.cos(d) ** 2))


@pytest.mark.parametrize(
    ("size", "degrees", "skin"),
    [
        ((1000.0, 600.0, 400.0), 0.0, 0.0),
        ((1000.0, 600.0, 400.0), 17.0, 8.0),
        ((600.0, 400.0, 250.0), 45.0, 8.0),
        ((1000.0, 600.0, 100.0), 0.0, 8.0),
        ((333.0, 217.0, 50.0), 45.0, 0.0),
        ((333.0, 217.0, 50.0), 17.0, 8.0),
    ],
)
def test_draft_of_a_prism(size: tuple[float, float, float], degrees: float, skin: float) -> None:
    half = prism(*size, degrees)
    rubber = plan_rubber(half, shop_settings(mould__skin_mm=skin))
    exact = prism_draft(2.0 * (size[0] + size[1]), size[2], skin, math.radians(rubber.draft_deg))
    assert rubber.draft_mm3 == pytest.approx(exact, rel=0.01)
    assert abs(rubber.fill_mm3) < 1e-4 * half.volume_mm3


@pytest.mark.parametrize(("s", "level"), [(0.0, 6), (-80.0, 5)])
def test_draft_of_part_of_a_sphere(s: float, level: int) -> None:
    """Plane at height s of the centre's frame, no skin: fill and draft together are
    pi (R sin d - s)^3 / (3 cos^2 d), undercut included (derived, first principles)."""  # noqa: D205, D209
    radius = 300.0
    half = lying(above_board(zoo.sphere(radius, level), s))
    rubber = plan_rubber(half, shop_settings(mould__skin_mm=0.0, mould__draft_deep_deg=6.0))
    d = math.radians(6.0)
    exact = math.pi * (radius * math.sin(d) - s) ** 3 / (3.0 * math.cos(d) ** 2)
    assert rubber.fill_mm3 + rubber.draft_mm3 == pytest.approx(exact, rel=0.01)


def test_edge_of_a_prism() -> None:
    """A plate of the edge's thickness round the leaned foot (derived, first principles)."""
    x, y, z, e, w = 400.0, 300.0, 150.0, 10.0, 40.0
    rubber = plan_rubber(prism(x, y, z), shop_settings(mould__skin_mm=0.0))
    tau = math.tan(math.radians(rubber.draft_deg))
    p, foot = 2.0 * (x + y), z * tau

    def ring(low: float, high: float) -> float:
        """Volume between the offsets `low` and `high` of the rectangle, which lean linearly over e."""
        a = [r * p + math.pi * r**2 for r in (low, 0.5 * (low + high), high)]
        return e * (a[0] + 4.0 * a[1] + a[2]) / 6.0

    exact = ring(foot + w, foot + w - e * tau) - ring(foot, foot - e * tau)
    # the toe is known to half a cell on the board, and the edge's line with it
    slack = e * p * 0.75 * rubber.grid.cell_mm
    assert rubber.edge_mm3 - rubber.keys_mm3 == pytest.approx(exact, abs=slack)


@pytest.mark.slow
def test_leaned_volume_by_slices_of_a_figure() -> None:
    """Second way: from the top down, each slice is the grown section and the slice above, grown by the step's
    draft; sections by manifold3d, growing by shapely. Both ends of every step bound it."""  # noqa: D205, D209
    half, rubber = figure()[0], figure_rubber(0)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.array(half.vertices), tri_verts=np.array(half.faces, dtype=np.uint64)
        )
    )
    t, tau = rubber.skin_mm, math.tan(math.radians(rubber.draft_deg))
    steps = 120
    levels = np.linspace(half.height_mm + t, 0.0, steps + 1)
    dz = levels[0] - levels[1]
    areas = [0.0]
    shape: shapely.Geometry = shapely.MultiPolygon()
    for z in levels[1:]:
        # the grown shape's section: every section within t of the level, grown by what the ball leaves
        near = z + t * np.cos(np.linspace(0.0, math.pi, 17))
        near = near[(near > 1e-6) & (near < half.height_mm)]
        grown = [
            shapely.buffer(outline(solid.slice(float(at))), math.sqrt(max(t**2 - (at - z) ** 2, 0.0)))
            for at in near
        ]
        shape = shapely.union_all([shapely.buffer(shape, dz * tau), *grown]).simplify(0.05)
        areas.append(shape.area)
    slices = dz * (np.sum(areas) - 0.5 * (areas[0] + areas[-1]))
    leaned = rubber.skin_mm3 + rubber.fill_mm3 + rubber.draft_mm3 + half.volume_mm3
    assert slices - half.volume_mm3 == pytest.approx(leaned - half.volume_mm3, rel=0.02)


def test_undercut_fill_is_the_undercut_less_the_skin_in_it() -> None:
    """A mushroom without skin: the fill is its undercut pi (b^2 - a^2) h (derived, first principles)."""
    half = lying(zoo.mushroom(150.0, 120.0, 260.0, 90.0))
    rubber = plan_rubber(half, shop_settings(mould__skin_mm=0.0))
    exact = math.pi * (260.0**2 - 150.0**2) * 120.0 * math.sin(2 * math.pi / 192) / (2 * math.pi / 192)
    assert rubber.fill_mm3 == pytest.approx(exact, rel=0.005)


def test_sealed_pocket_takes_no_rubber() -> None:
    """A bell: hollow from below, closed by the board. Its hollow counts in no part."""
    bell = zoo.revolve([(0, 80), (60, 80), (60, 0), (160, 0), (160, 150), (0, 150)])
    hollow = math.pi * 60.0**2 * 80.0
    region = Region(
        id=1, volume_mm3=hollow, area_mm2=math.pi * 60.0**2, depth_mm=80.0, reach_mm=60.0, mouth_mm=0.0,
        mouths=0, centre_mm=(0.0, 0.0, 40.0),
    )  # fmt: skip
    gaps = gaps_over(lambda x, y: np.hypot(x, y) < 60.0, 0.0, 80.0, span=60.0, cell=2.0)
    with_hollow = plan_rubber(lying(bell, undercut((region,), gaps)), shop_settings())
    full = plan_rubber(lying(zoo.frustum(160.0, 160.0, 150.0, 128)), shop_settings())
    assert with_hollow.volume_mm3 == pytest.approx(full.volume_mm3, rel=2e-3)
    assert with_hollow.skin_mm3 == pytest.approx(full.skin_mm3, rel=5e-3)
    assert not with_hollow.region_coats


def test_masses_and_areas() -> None:
    settings = shop_settings()
    rubber = plan_rubber(prism(400.0, 300.0, 150.0), settings)
    assert rubber.mass_kg == pytest.approx(rubber.volume_mm3 * 1.15e-6)
    used = rubber.mass_kg + rubber.run_off_mm3 * 1.15e-6
    assert rubber.order_kg == pytest.approx(used * 1.15)
    assert (rubber.order_low_kg, rubber.order_high_kg) == pytest.approx((0.8 * used, 1.2 * used))
    # 10 to 20 % of what is brushed runs off (common practice, no source)
    assert rubber.run_off_mm3 >= 0.15 * 0.7 * rubber.inner_area_mm2 * (1.0 - 1e-9)
    assert rubber.inner_area_mm2 == pytest.approx(400.0 * 300.0 + 1400.0 * 150.0)
    # plan area, and what each sloping part adds to its own plan: round rim of the skin, leaned walls,
    # their round corners (sphere and cone), rim of the edge (derived, first principles)
    d, t, p, line = math.radians(rubber.draft_deg), 8.0, 1400.0, rubber.edge_line
    rise = 150.0 + t * math.sin(d) - 10.0
    near, far = t * math.cos(d), t * math.cos(d) + rise * math.tan(d)
    sides = t * (math.pi / 2.0 - d) - near + rise * (1.0 / math.cos(d) - math.tan(d))
    ball = 2.0 * math.pi * t**2 * (1.0 - math.sin(d)) - math.pi * near**2
    cone = math.pi * (near + far) * rise / math.cos(d) - math.pi * (far**2 - near**2)
    exact = line.area + p * sides + ball + cone + line.length * 10.0 / math.cos(d)
    assert rubber.outer_area_mm2 == pytest.approx(exact, rel=0.005)


def test_draft_goes_by_the_depth_of_the_half() -> None:
    settings = shop_settings()
    assert build_for(prism(300.0, 200.0, 200.0), settings).draft_deg == 1.5
    assert build_for(prism(300.0, 200.0, 201.0), settings).draft_deg == 2.5
    assert (
        Build(skin_mm=8.0, draft_deg=90.0, edge_width_mm=1.0, edge_thickness_mm=1.0).draft_rad == math.pi / 2
    )


def test_turn_and_face_order_change_nothing_that_matters() -> None:
    points, faces = zoo.mushroom(75.0, 60.0, 130.0, 45.0, 24)
    plain = plan_rubber(lying((points, faces)), shop_settings())
    order = np.random.default_rng(1).permutation(len(faces))
    shuffled = plan_rubber(lying((points, faces[order])), shop_settings())
    quarter = plan_rubber(lying(zoo.turned((points, faces), np.round(about_z(90.0)))), shop_settings())
    turned = plan_rubber(lying(zoo.turned((points, faces), about_z(31.0))), shop_settings())
    for part in ("volume_mm3", "skin_mm3", "fill_mm3", "draft_mm3", "edge_mm3"):
        assert getattr(shuffled, part) == pytest.approx(getattr(plain, part), rel=1e-9)
        assert getattr(quarter, part) == pytest.approx(getattr(plain, part), rel=1e-6)
        assert getattr(turned, part) == pytest.approx(getattr(plain, part), rel=0.01)


def test_triangulated_volume_of_a_pyramid() -> None:
    """Triangles between middles give a plane-sided shape exactly (derived, first principles)."""
    ridge = 10.0 - np.abs(np.arange(21) - 10.0)
    heights = np.repeat(ridge[None, :], 5, axis=0)
    assert triangulated_mm3(heights, 2.0) == pytest.approx(100.0 * 2.0 * 4 * 2.0)


def test_work_stops_when_asked() -> None:
    progress = Progress()
    progress.stop.set()
    with pytest.raises(StoppedError, match="stopped on request while: measuring distances"):
        plan_rubber(prism(300.0, 200.0, 100.0), shop_settings(), progress=progress)
