"""Softening advice: closed forms, solids built and measured again, limits, and the farthest-point kernels."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
import zoo
from manifold3d import CrossSection, FillRule, Manifold, OpType
from scipy.spatial import KDTree
from shapely.geometry.base import BaseGeometry
from shop import shop_settings

from moldplan.columns.grid import Grid
from moldplan.columns.nearest import (
    SLACK,
    Spans,
    claim_gaps,
    farthest,
    nearest2,
    nearest_on_triangle2,
    triangle_bins,
)
from moldplan.half import Half, cut, lay_whole
from moldplan.half.solids import mesh_of, solid_of
from moldplan.mould.model import Softening
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.soften import soften, soften_words
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.split.model import Plane

OPEN_MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"
SETTINGS = shop_settings()
CELLS = 128
kernel = pytest.mark.kernel


def standing(solid: Manifold | zoo.Mesh, cells: int = CELLS) -> Half:
    """Stand a solid on its own foot."""
    points, faces = mesh_of(solid) if isinstance(solid, Manifold) else solid
    shape = pattern_from_arrays(points, faces, name="shape", up="+z", front="-y")
    return lay_whole(shape, Plane(normal=(0.0, 0.0, 1.0), offset_mm=-shape.size_mm[2] / 2), cells=cells)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on z = 0 over the middle `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


def cylinder(radius: float, low: float, high: float, sides: int = 64) -> Manifold:
    return Manifold.cylinder(high - low, radius, radius, sides).translate((0.0, 0.0, low))


def slotted(gap: float) -> Manifold:
    """Block with a level slot from one side, its two faces `gap` apart."""
    return block(120, 80, 90) - block(60, 100, gap, (50, 0, 40))


def only(half: Half, **overrides: float) -> Softening:
    (advice,) = soften(half, shop_settings(**overrides) if overrides else SETTINGS)
    return advice


# --- closed forms -----------------------------------------------------------------------------------------


def test_ring_under_a_sphere_cut_below_its_middle() -> None:
    """The ring's foot (R, board) is sqrt(R^2 + c^2) - R off the sphere; pi c^3/3 in all (derived)."""
    radius, below = 150.0, 30.0
    points, faces = zoo.sphere(radius, 5)
    ball = pattern_from_arrays(points, faces, name="ball", up="+z", front="-y")
    half = cut(ball, Plane(normal=(0.0, 0.0, 1.0), offset_mm=-below), cells=CELLS)[0]
    advice = only(half)
    chord = radius * (1.0 - math.cos(0.5 * math.radians(63.4 / 2**5)))  # how far facets lie inside the sphere
    assert advice.way == "fill"
    exact = math.hypot(radius, below) - radius
    assert advice.thickest_mm == pytest.approx(exact, abs=0.2 + chord)
    assert advice.amount_mm3 == pytest.approx(math.pi * below**3 / 3.0, rel=0.02)
    assert advice.saves_mm3 == advice.amount_mm3 == half.undercut.regions[0].volume_mm3
    assert not advice.needs_approval


@pytest.mark.parametrize("draft_deg", [0.5, 1.0, 3.0])
def test_wedge_under_a_wall_that_leans_out(draft_deg: float) -> None:
    """A face h high, leaning out by delta: the foot of the plumb line is h sin(delta) off (derived)."""
    lean, height = math.radians(draft_deg), 60.0
    half = standing(zoo.frustum(30.0, 30.0 + height * math.tan(lean), height, 96))
    advice = only(half)
    # filler and carving are alike here, in thickness and in volume: then it is filled
    assert advice.way == "fill"
    assert advice.thickest_mm == pytest.approx(height * math.sin(lean), abs=0.2)
    assert advice.thickest_mm <= height * math.sin(lean) + 1e-9  # what is found is really there


@pytest.mark.parametrize(
    ("gap", "approval"), [(6.0, False), (9.8, False), (10.4, True), (29.4, True), (32.0, None)]
)
def test_a_slot_needs_half_its_width_and_the_limits_hold(gap: float, approval: bool | None) -> None:  # noqa: FBT001 - one of three outcomes
    """Between two parallel faces no point is farther than half the gap off (derived); limits 5 and 15 mm."""
    half = standing(slotted(gap))
    advice = soften(half, SETTINGS)
    if approval is None:
        assert advice == ()
        return
    (one,) = advice
    assert one.way == "fill"
    assert one.thickest_mm == pytest.approx(gap / 2, abs=0.2)
    assert one.amount_mm3 == pytest.approx(40 * 80 * gap, rel=1e-9)
    assert one.needs_approval is approval


def test_a_low_ledge_over_the_board_is_filled_by_its_height() -> None:
    """The board is no surface: the farthest point lies on it, the ledge's whole height under it (derived)."""
    half = standing(zoo.mushroom(25.0, 4.0, 50.0, 20.0, 64))
    advice = only(half)
    assert advice.way == "fill"
    assert advice.thickest_mm == pytest.approx(4.0, abs=1e-6)
    assert advice.amount_mm3 == half.undercut.regions[0].volume_mm3


def rim(width: float, thick: float, high: float = 40.0) -> Manifold:
    return cylinder(25.0, 0.0, high + 15.0) + cylinder(25.0 + width, high, high + thick)


def test_a_narrow_rim_is_cut_off_and_not_built_out_under() -> None:
    """Both move the outline by the rim's width; the rim is the lesser volume (derived)."""
    width, thick = 3.0, 2.0
    half = standing(rim(width, thick))
    advice = only(half)
    ring = 32.0 * math.sin(math.pi / 32.0) * ((25.0 + width) ** 2 - 25.0**2)  # of polygons with 64 sides
    assert advice.way == "carve"
    assert advice.thickest_mm == pytest.approx(width, abs=0.3)
    assert advice.amount_mm3 == pytest.approx(ring * thick, rel=0.05)
    assert advice.saves_mm3 == half.undercut.regions[0].volume_mm3


def test_a_wide_thin_rim_is_not_called_carving_of_half_its_thickness() -> None:
    """A disc 2 mm thick is gone with 1 mm from either side, but so is the outline, 20 mm of it."""
    assert soften(standing(rim(20.0, 2.0)), SETTINGS) == ()


def test_cutting_off_a_rim_takes_the_undercut_over_it_too() -> None:
    both = rim(3.0, 2.0) + cylinder(28.0, 20.0, 22.0)
    half = standing(both)
    upper, lower = (next(r for r in half.undercut.regions if abs(r.centre_mm[2] - z) < 2.0) for z in (31, 10))
    by_region = {advice.region: advice for advice in soften(half, SETTINGS)}
    # all over the lower gap goes: both rims, and the upper gap with them
    assert by_region[lower.id].way == by_region[upper.id].way == "carve"
    assert by_region[upper.id].saves_mm3 == upper.volume_mm3
    assert by_region[lower.id].saves_mm3 == pytest.approx(lower.volume_mm3 + upper.volume_mm3, rel=0.02)
    assert by_region[lower.id].amount_mm3 == pytest.approx(2.0 * by_region[upper.id].amount_mm3, rel=0.02)
    assert next(iter(by_region)) == lower.id  # the largest saving comes first


def test_nothing_to_advise_for_a_free_shape_and_a_sealed_pocket() -> None:
    assert soften(standing(block(50, 40, 30)), SETTINGS) == ()
    bell = block(50, 50, 30) - block(8, 8, 20)  # open to the board only: no rubber gets there
    half = standing(bell)
    assert half.undercut.regions[0].mouths == 0
    assert soften(half, SETTINGS) == ()


# --- built and measured again -----------------------------------------------------------------------------


def test_the_filled_ball_and_the_trimmed_post_have_no_undercut_left() -> None:
    points, faces = zoo.sphere(150.0, 4)
    ball = solid_of(points, faces, "ball").trim_by_plane((0.0, 0.0, 1.0), -30.0).translate((0.0, 0.0, 30.0))
    before = standing(ball)
    after = standing(ball + extruded(before.projection, 30.0))
    promised = only(before).saves_mm3
    assert before.undercut.volume_mm3 - after.undercut.volume_mm3 == pytest.approx(promised, rel=1e-3)
    post = standing(rim(3.0, 2.0))
    trimmed = standing(cylinder(25.0, 0.0, 55.0))
    gone, advice = post.undercut.volume_mm3 - trimmed.undercut.volume_mm3, only(post)
    assert advice.saves_mm3 == pytest.approx(gone, rel=1e-6)
    assert advice.amount_mm3 == pytest.approx(post.volume_mm3 - trimmed.volume_mm3, rel=0.05)


def extruded(outline: BaseGeometry, height: float) -> Manifold:
    parts = shapely.get_parts(outline)
    rings = [np.asarray(ring.coords)[:-1] for part in parts for ring in (part.exterior, *part.interiors)]
    return Manifold.extrude(CrossSection(rings, FillRule.EvenOdd), height)


def filled(half: Half, region: int) -> Half:
    """Fill the columns of one undercut, and a cell round them, from the board to the highest surface.

    Under every triangle that faces up stands a prism; what of them lies in those columns is the filler.
    """
    gaps = half.undercut.gaps
    mine = gaps.region == region
    x, y, c = gaps.grid.x_mm()[gaps.col[mine]], gaps.grid.y_mm()[gaps.row[mine]], 1.5 * gaps.grid.cell_mm
    columns = shapely.union_all(shapely.box(x - c, y - c, x + c, y + c)).simplify(0.0)
    corners = half.vertices[half.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    flat = np.array([1.0, 1.0, 0.0])
    prisms = [Manifold.hull_points(np.concatenate([t, t * flat])) for t in corners[normals[:, 2] > 1e-9]]
    below = Manifold.batch_boolean(prisms, OpType.Add) ^ extruded(columns, half.height_mm)
    return standing(solid_of(half.vertices, half.faces, "half") + below)


def crag(seed: int) -> Manifold:
    """Blocks, turned any way, that grow out of one another."""
    rng = np.random.default_rng(seed)
    parts = [block(60, 60, 30, (0, 0, 30))]
    for _ in range(6):
        x, y, z = rng.uniform(-30, 30, 3)
        turned = Manifold.cube(tuple(rng.uniform(15, 40, 3)), True).rotate(tuple(rng.uniform(0, 90, 3)))
        parts.append(turned.translate((x, y, 45 + z * 0.4)))
    return Manifold.batch_boolean(parts, OpType.Add).trim_by_plane((0.0, 0.0, 1.0), 28.0)


@pytest.mark.parametrize("seed", [4, 5, 7])  # no other gap stands over or under theirs
def test_filled_crags_lose_the_undercut_that_was_promised(seed: int) -> None:
    half = standing(crag(seed))
    advice = [one for one in soften(half, SETTINGS) if one.way == "fill"]
    assert advice
    for one in advice:
        gone = half.undercut.volume_mm3 - filled(half, one.region).undercut.volume_mm3
        assert gone == pytest.approx(one.saves_mm3, rel=2e-3)  # exact but for crumbs in the cell round it


@pytest.mark.parametrize("seed", [2, 5])
def test_thickness_equals_that_of_a_closest_point_search(seed: int) -> None:
    """The same columns, their points looked up one by one by other means."""
    half = standing(crag(seed))
    surface = half.faces[half.vertices[half.faces][:, :, 2].max(axis=1) > 0.0]
    dense, _ = trimesh.remesh.subdivide_to_size(half.vertices, surface, max_edge=0.4)
    tree = KDTree(dense)  # too far by less than 0.4^2 / 3 / (2 d), 0.04 mm where d is over 0.7 mm
    gaps = half.undercut.gaps
    for one in soften(half, SETTINGS):
        if one.way == "carve":
            continue
        mine = np.flatnonzero(gaps.region == one.region)
        share = np.linspace(0.0, 1.0, 5)[:, None]
        z = (gaps.low_mm[mine] + share * (gaps.high_mm[mine] - gaps.low_mm[mine])).ravel()
        x, y = gaps.grid.x_mm()[gaps.col[mine]], gaps.grid.y_mm()[gaps.row[mine]]
        points = np.stack([np.tile(x, 5), np.tile(y, 5), z], axis=1)
        most = float(tree.query(points)[0].max())
        between = 0.125 * float(
            (gaps.high_mm[mine] - gaps.low_mm[mine]).max()
        )  # half of what lies between them
        assert most - 0.1 <= one.thickest_mm <= most + between + gaps.grid.cell_mm


def test_filling_saves_the_rubber_that_it_promises() -> None:
    """The rubber's outside stays as it is: the half gains what the rubber loses (derived)."""
    lip = zoo.mushroom(25.0, 4.0, 50.0, 20.0, 64)
    advice = only(standing(lip))
    before = plan_rubber(standing(lip), SETTINGS)
    after = plan_rubber(standing(cylinder(50.0, 0.0, 24.0)), SETTINGS)
    assert before.measured_mm3 - after.measured_mm3 == pytest.approx(advice.saves_mm3, rel=0.05)
    density = SETTINGS.number("rubber.density_kg_l")
    assert advice.saves_kg == pytest.approx(advice.saves_mm3 / 1e6 * density, rel=1e-12)


# --- invariance -------------------------------------------------------------------------------------------


def test_a_shape_twice_as_large_with_twice_the_limits_gets_the_same_advice() -> None:
    points, faces = mesh_of(crag(2))
    small = soften(standing((points, faces)), SETTINGS)
    large = soften(
        standing((2.0 * points, faces)), shop_settings(split__soften_mm=10.0, split__approval_mm=30.0)
    )
    assert [(a.region, a.way, a.needs_approval) for a in small] == [
        (a.region, a.way, a.needs_approval) for a in large
    ]
    for one, other in zip(small, large, strict=True):
        assert other.thickest_mm == pytest.approx(2.0 * one.thickest_mm, abs=0.4)
        assert other.saves_mm3 == pytest.approx(8.0 * one.saves_mm3, rel=0.01)


def test_a_shape_turned_a_quarter_gets_the_same_advice() -> None:
    points, faces = mesh_of(crag(5))
    quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    one, other = (
        soften(standing(mesh), SETTINGS) for mesh in ((points, faces), zoo.turned((points, faces), quarter))
    )
    assert [(a.region, a.way) for a in one] == [(a.region, a.way) for a in other]
    for a, b in zip(one, other, strict=True):
        assert b.thickest_mm == pytest.approx(a.thickest_mm, abs=0.1)
        assert b.amount_mm3 == pytest.approx(a.amount_mm3, rel=0.02)


# --- words ------------------------------------------------------------------------------------------------


def test_advice_in_shop_words() -> None:
    half = replace(standing(slotted(8.0)), called="BACK")
    words = soften_words(only(half), half)
    assert words == (
        "undercut 1 of the BACK half goes with up to 4.0 mm of filler, 0.026 l; saves 0.029 kg of rubber"
    )


def test_advice_says_that_a_tunnel_is_closed() -> None:
    half = standing(block(60, 40, 30) - block(8, 100, 8, (0, 0, 10)))
    assert ", 0.003 l, closing a tunnel; saves " in soften_words(only(half), half)


def test_advice_names_the_seam_and_the_client() -> None:
    half = standing(zoo.mushroom(25.0, 7.0, 50.0, 20.0, 64))
    words = soften_words(only(half), half)
    assert words.startswith(
        "undercut 1 of the WHOLE half goes with up to 7.0 mm of filler, 0.041 l, blended "
    )
    assert words.endswith("; ask the client first")


# --- open meshes ------------------------------------------------------------------------------------------


@pytest.mark.meshes
def test_a_koala_alike_on_both_sides_gets_the_same_advice_on_both() -> None:
    path = OPEN_MESHES / "koala.ply"
    if not path.exists():
        pytest.skip(f"{path.name} is not here: the open meshes lie beside the checkout")
    koala = load_pattern(path, height_mm=1500.0)
    half = cut(koala, Plane(normal=(0.0, 1.0, 0.0), offset_mm=0.0))[1]
    one, other = soften(half, SETTINGS)
    assert one.centre_mm[0] == pytest.approx(-other.centre_mm[0], abs=1.0)
    assert one.thickest_mm == pytest.approx(other.thickest_mm, abs=0.5)
    assert one.saves_mm3 == pytest.approx(other.saves_mm3, rel=0.02)
    assert one.needs_approval


# --- kernels ----------------------------------------------------------------------------------------------


@kernel
def test_distance_to_triangles_lines_and_points() -> None:
    rng = np.random.default_rng(5)
    corners = rng.normal(size=(120, 3, 3))
    corners[:20, 2] = corners[:20, 1]  # a line
    corners[20:40] = corners[20:40, :1]  # a point
    points = 2.0 * rng.normal(size=(120, 3))
    found = [nearest_on_triangle2(*p, t) for p, t in zip(points, corners, strict=True)]
    share = np.linspace(0.0, 1.0, 401)[:, None]
    for square, p, (a, b, _) in zip(found[:40], points[:40], corners[:40], strict=True):
        on_line = ((a + share * (b - a) - p) ** 2).sum(axis=1).min()
        assert square == pytest.approx(on_line, rel=1e-3, abs=1e-4)
    closest = trimesh.triangles.closest_point(corners[40:], points[40:])
    np.testing.assert_allclose(found[40:], ((closest - points[40:]) ** 2).sum(axis=1), rtol=1e-9, atol=1e-12)


@kernel
@pytest.mark.parametrize(("bin_mm", "count"), [(None, 2), (0.5, 8), (5.0, 25)])
def test_nearest_of_all_triangles_wherever_the_point(bin_mm: float | None, count: int) -> None:
    rng = np.random.default_rng(6)
    corners = rng.uniform(0.0, 4.0, size=(40, 1, 3)) + rng.normal(size=(40, 3, 3)) * 0.4
    bins = triangle_bins(corners, bin_mm=bin_mm)
    for p in rng.uniform(-2.0, 6.0, size=(count, 3)):  # some outside the cubes
        every = min(nearest_on_triangle2(*p, t) for t in corners)
        places = (bins.corners, bins.origin_mm, bins.bin_mm, bins.shape, bins.start, bins.item)
        hint = np.zeros(1, dtype=np.int64)
        assert nearest2(*p, *places, 0.0, hint) == every
        assert nearest_on_triangle2(*p, corners[hint[0]]) == every
        content = nearest2(*p, *places, 4.0 * every, np.zeros(1, dtype=np.int64))
        assert every <= content <= max(4.0 * every, every)


@kernel
def test_every_triangle_lies_in_the_cubes_that_it_meets() -> None:
    rng = np.random.default_rng(7)
    corners = rng.uniform(0.0, 9.0, size=(12, 3, 3))
    bins = triangle_bins(corners, bin_mm=1.5)
    weights = rng.dirichlet(np.ones(3), size=60)
    for number, triangle in enumerate(corners):
        cubes = np.floor((weights @ triangle - bins.origin_mm) / bins.bin_mm).astype(int)
        for i, j, k in np.unique(cubes, axis=0):
            n = (i * bins.shape[1] + j) * bins.shape[2] + k
            assert number in bins.item[bins.start[n] : bins.start[n + 1]]


def some_spans(rng: np.random.Generator) -> Spans:
    """Pieces of columns, up to two in a column, over part of a grid."""
    grid = Grid(-1.0, 0.5, 0.25, 11, 9)
    column = np.sort(rng.integers(0, grid.nx * grid.ny, 40))
    low = np.where(np.append(False, np.diff(column) == 0), 2.5, 0.0) + rng.uniform(0.0, 1.0, 40)
    return Spans(grid=grid, column=column, low_mm=low, high_mm=low + rng.uniform(0.0, 1.0, 40))


def spans_points(spans: Spans) -> np.ndarray:
    """Return points a quarter of a cell apart on every span, both ends among them."""
    x, y = spans.grid.x_mm()[spans.column % spans.grid.nx], spans.grid.y_mm()[spans.column // spans.grid.nx]
    points = []
    for px, py, low, high in zip(x, y, spans.low_mm, spans.high_mm, strict=True):
        points.extend((px, py, z) for z in np.linspace(low, high, 1 + math.ceil((high - low) / 0.0625)))
    return np.array(points)


@kernel
@pytest.mark.parametrize("seed", range(3))
def test_farthest_point_equals_looking_up_every_point(seed: int) -> None:
    rng = np.random.default_rng(seed)
    spans = some_spans(rng)
    corners = rng.uniform(-1.0, 4.0, size=(9, 1, 3)) + rng.normal(size=(9, 3, 3)) * 0.5
    found = farthest(spans, triangle_bins(corners, bin_mm=1.0))
    every = max(min(nearest_on_triangle2(*p, t) for t in corners) for p in spans_points(spans)) ** 0.5
    cell = spans.grid.cell_mm
    # points there are a quarter of a cell apart, here a cell: half a cell each way, and the slack
    assert every - (0.5 + SLACK) * cell <= found.distance_mm <= every + 0.125 * cell
    assert found.place_mm is not None
    own = min(nearest_on_triangle2(*found.place_mm, t) for t in corners) ** 0.5
    assert found.distance_mm == pytest.approx(own, rel=1e-12)


@kernel
def test_farthest_gives_up_over_the_limit_and_knows_no_spans() -> None:
    spans = some_spans(np.random.default_rng(1))
    far = np.array([[[9.0, 9.0, 9.0]] * 3])
    assert farthest(spans, triangle_bins(far), stop_mm=2.0).distance_mm > 2.0
    none = Spans(grid=spans.grid, column=np.zeros(0, dtype=np.int64), low_mm=np.zeros(0), high_mm=np.zeros(0))
    assert farthest(none, triangle_bins(far)).place_mm is None


@kernel
def test_gaps_go_to_the_named_gap_they_share_most_height_with() -> None:
    rng = np.random.default_rng(8)
    nx, ny, finer = 5, 4, 2
    named_start = np.concatenate([[0], np.cumsum(rng.integers(0, 3, nx * ny))])
    count = int(named_start[-1])
    named_low = rng.uniform(0.0, 5.0, count)
    named_high = named_low + rng.uniform(0.5, 2.0, count)
    named = rng.integers(1, 4, count).astype(np.int32)
    wide, tall, row0, col0 = 6, 4, 1, 2
    start = np.concatenate([[0], np.cumsum(rng.integers(0, 3, wide * tall))])
    low = rng.uniform(0.0, 6.0, int(start[-1]))
    high = low + rng.uniform(0.2, 1.0, len(low))
    region = np.zeros(len(low), dtype=np.int32)
    claim_gaps(start, low, high, wide, tall, finer, row0, col0, named_start, named_low, named_high, named, nx, ny, region)  # fmt: skip # noqa: E501 - kernel order

    def shared(g: int, rows: range, cols: range) -> list[tuple[float, int]]:
        cells = [r * nx + c for r in rows for c in cols if 0 <= r < ny and 0 <= c < nx]
        mine = [n for cell in cells for n in range(named_start[cell], named_start[cell + 1])]
        both = [(min(high[g], named_high[n]) - max(low[g], named_low[n]), int(named[n])) for n in mine]
        return [pair for pair in both if pair[0] > 0.0]

    for column in range(wide * tall):
        r, c = row0 + column // wide // finer, col0 + column % wide // finer
        for g in range(start[column], start[column + 1]):
            own = shared(g, range(r, r + 1), range(c, c + 1))
            around = own or shared(g, range(r - 1, r + 2), range(c - 1, c + 2))
            assert region[g] == (max(around)[1] if around else 0)
    assert 0 < (region > 0).sum() < len(region)
