"""Cutting a pattern: solids, frames, outlines, topology, regions and mouths."""

import manifold3d
import numpy as np
import pytest
import shapely
import zoo
from manifold3d import CrossSection, Manifold
from scipy.spatial.transform import Rotation

from moldplan.columns.envelope import top_integral
from moldplan.errors import PatternError, SettingError, StoppedError
from moldplan.half import Half, cut, lay_whole
from moldplan.half.solids import mesh_of
from moldplan.half.undercut import half_grid
from moldplan.pattern.arrays import mesh_volume_mm3, pattern_from_arrays
from moldplan.pattern.model import Axis, Pattern
from moldplan.progress import Progress
from moldplan.split.model import Plane

CELLS = 96


def plane(normal: tuple[float, float, float], offset: float = 0.0) -> Plane:
    unit = np.array(normal) / np.linalg.norm(normal)
    return Plane(normal=(float(unit[0]), float(unit[1]), float(unit[2])), offset_mm=offset)


def pattern_of(solid: Manifold | zoo.Mesh, *, up: Axis = "+z", front: Axis = "-y") -> Pattern:
    points, faces = mesh_of(solid) if isinstance(solid, Manifold) else solid
    return pattern_from_arrays(points, faces, name="shape", up=up, front=front)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Manifold:
    """Box standing on z = 0 over the middle `at`."""
    return Manifold.cube((x, y, z)).translate((at[0] - x / 2, at[1] - y / 2, at[2]))


def standing(solid: Manifold) -> Half:
    """Stand the solid on its own foot."""
    shape = pattern_of(solid)
    return lay_whole(shape, plane((0.0, 0.0, 1.0), -shape.size_mm[2] / 2), cells=CELLS)


def arch() -> Manifold:
    return block(300, 100, 200) - block(200, 300, 120)


def pocket() -> Manifold:
    return block(300, 300, 200) - block(200, 120, 80, (150, 0, 60))


def bell() -> Manifold:
    return block(300, 300, 200) - block(200, 200, 150)


def table() -> Manifold:
    legs = [block(40, 40, 150, (x, y, 0)) for x in (-100, 100) for y in (-100, 100)]
    return Manifold.batch_boolean([*legs, block(300, 300, 50, (0, 0, 150))], manifold3d.OpType.Add)


def eyelet() -> Manifold:
    """Make a slab with a hole through it, standing on a foot: a rubber loop that no board shuts."""
    return block(100, 60, 60) + (block(300, 60, 260, (0, 0, 40)) - block(150, 300, 120, (0, 0, 110)))


def window() -> Manifold:
    """Make a hole seen from above: rubber fills it without a loop."""
    return block(300, 300, 60) - block(100, 100, 300)


def nail() -> Manifold:
    return Manifold.cylinder(200, 30, 30, 48) + Manifold.cylinder(40, 120, 120, 48).translate((0, 0, 160))


TOPOLOGY = {
    # name: (solid, genus, links, mouths of each region, largest first); counted by eye
    "block": (block(300, 200, 100), 0, 0, []),
    "arch": (arch(), 0, 1, [2]),
    "pocket": (pocket(), 0, 0, [1]),
    "bell": (bell(), 0, 0, [0]),
    "table": (table(), 0, 3, [1]),
    "eyelet": (eyelet(), 1, 1, [2, 1, 1]),
    "window": (window(), 1, 0, []),
    "nail": (nail(), 0, 0, [1]),
}


@pytest.mark.parametrize("name", TOPOLOGY)
def test_handles_rubber_links_and_mouths(name: str) -> None:
    solid, genus, links, mouths = TOPOLOGY[name]
    half = standing(solid)
    assert half.genus == genus
    assert half.undercut.links == links
    assert [region.mouths for region in half.undercut.regions] == mouths


def test_a_table_has_one_mouth_all_round_but_three_links() -> None:
    # mouths alone are not enough to find every link: four legs under one shadow
    half = standing(table())
    assert half.undercut.links == 3
    assert half.undercut.regions[0].mouths == 1


def test_volumes_of_regions_are_those_of_the_boxes_taken_out() -> None:
    (region,) = standing(pocket()).undercut.regions
    assert region.volume_mm3 == pytest.approx(100 * 120 * 80, rel=1e-12)
    assert region.depth_mm == pytest.approx(80.0, abs=1e-9)
    cell = 300.0 / CELLS
    assert region.reach_mm == pytest.approx(100.0, abs=cell)
    assert region.mouth_mm == pytest.approx(120.0, abs=2 * cell)
    assert region.area_mm2 == pytest.approx(100 * 120, rel=0.05)
    assert region.centre_mm == pytest.approx((-100.0, 0.0, 100.0), abs=cell)  # front is -y: file +x lies left


def test_a_sealed_pocket_has_no_mouth_and_no_reach() -> None:
    (region,) = standing(bell()).undercut.regions
    assert region.volume_mm3 == pytest.approx(200 * 200 * 150, rel=1e-12)
    assert (region.mouths, region.mouth_mm, region.reach_mm) == (0, 0.0, 0.0)


def test_arch_reach_is_half_its_length() -> None:
    (region,) = standing(arch()).undercut.regions
    assert region.reach_mm == pytest.approx(50.0, abs=300.0 / CELLS)
    assert region.mouth_mm == pytest.approx(200.0, abs=2 * 300.0 / CELLS)


def test_mouth_of_a_round_cap_is_its_rim() -> None:
    # circumference of a 48-gon (derived)
    (region,) = standing(nail()).undercut.regions
    assert region.mouth_mm == pytest.approx(48 * 240 * np.sin(np.pi / 48), rel=0.03)


@pytest.mark.parametrize("below", [0.2, 0.3, 0.5, 0.7, 0.9])
def test_sphere_cut_below_its_centre_has_one_region_and_one_mouth(below: float) -> None:
    half, other = cut(pattern_of(zoo.sphere(500.0, 4)), plane((0, 0, 1), -500.0 * below), cells=CELLS)
    assert [region.mouths for region in half.undercut.regions] == [1]
    assert not other.undercut.regions
    assert half.undercut.links == other.undercut.links == 0


def test_standing_torus_has_no_handle_but_one_link() -> None:
    for half in cut(pattern_of(zoo.torus()), plane((1, 0, 0)), cells=CELLS):
        assert half.genus == 0
        assert half.undercut.links == 1
        assert [region.mouths for region in half.undercut.regions] == [2]


def test_lying_torus_has_a_handle_but_no_link() -> None:
    for half in cut(pattern_of(zoo.torus()), plane((0, 0, 1)), cells=CELLS):
        assert half.genus == 1
        assert half.undercut.links == 0
        assert not half.undercut.regions


def test_two_legs_are_two_bodies_with_no_handle() -> None:
    # a table cut below its top: the lower half falls into four legs
    low = cut(pattern_of(table()), plane((0, 0, -1), 0.0), cells=CELLS)[0]
    assert len(low.section.geoms) == 4
    assert low.genus == low.undercut.links == 0


ZOO = {
    "sphere": zoo.sphere(500.0, 4),
    "torus": zoo.torus(around=96, across=32),
    "box": zoo.box(),
    "mushroom": zoo.mushroom(100.0, 300.0, 250.0, 100.0, 48),
    "table": mesh_of(table()),
    "eyelet": mesh_of(eyelet()),
}


def random_plane(seed: int, reach: float) -> Plane:
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=3)
    return plane((float(normal[0]), float(normal[1]), float(normal[2])), float(rng.uniform(-reach, reach)))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", ZOO)
def test_halves_of_every_shape_are_sound(name: str, seed: int) -> None:
    pattern = pattern_of(ZOO[name])
    halves = cut(pattern, random_plane(seed, 20.0), cells=64)
    assert sum(half.volume_mm3 for half in halves) == pytest.approx(pattern.volume_mm3, rel=1e-9)
    for half in halves:
        check_half(half)
    # both sawn faces are the same face, seen from its two sides
    mirrored = shapely.affinity.scale(halves[1].section, -1.0, 1.0, origin=(0.0, 0.0))
    assert halves[0].section.symmetric_difference(mirrored).area <= 1e-6 * halves[0].section.area


def check_half(half: Half) -> None:
    """Everything that must hold for any half."""
    assert half.vertices[:, 2].min() == 0.0
    assert half.height_mm == half.vertices[:, 2].max() > 0.0
    assert half.volume_mm3 == pytest.approx(mesh_volume_mm3(half.vertices, half.faces), rel=1e-12)
    assert half.section.is_valid
    assert half.projection.is_valid
    integral = top_integral(half.vertices, half.faces, half_grid(half.vertices, 64))
    assert half.projection.area == pytest.approx(integral.area_mm2, rel=1e-6)
    assert half.section.difference(half.projection).area <= 1e-6 * half.section.area
    corners = half.vertices[half.faces]
    lying = corners[(corners[:, :, 2] == 0.0).all(axis=1)]
    one, two = lying[:, 1] - lying[:, 0], lying[:, 2] - lying[:, 0]
    board = 0.5 * np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]).sum()
    assert half.section.area == pytest.approx(board, rel=1e-9)
    check_undercut(half)


def check_undercut(half: Half) -> None:
    """Regions, crumbs and gaps agree with the total."""
    undercut = half.undercut
    low, high = undercut.bracket_mm3
    assert 0.0 <= low <= undercut.volume_mm3 <= high
    named = sum(region.volume_mm3 for region in undercut.regions)
    assert named + undercut.crumbs_mm3 == pytest.approx(undercut.volume_mm3, rel=1e-9, abs=1e-6)
    assert [region.id for region in undercut.regions] == list(range(1, len(undercut.regions) + 1))
    volumes = [region.volume_mm3 for region in undercut.regions]
    assert volumes == sorted(volumes, reverse=True)
    gaps = undercut.gaps
    assert set(gaps.region.tolist()) == {region.id for region in undercut.regions}
    assert (gaps.low_mm < gaps.high_mm).all()
    assert (gaps.high_mm <= half.height_mm + 1e-9).all()


@pytest.mark.parametrize("normal", [(0, 0, 1), (0, 1, 0), (1, 0, 0), (0.3, -0.5, 0.4)])
def test_frame_of_a_half(normal: tuple[float, float, float]) -> None:
    pattern = pattern_of(zoo.box())
    where = plane(normal, 12.0)
    for half, sign in zip(cut(pattern, where, cells=64), (1.0, -1.0), strict=True):
        rotation, shift = half.to_half[:3, :3], half.to_half[:3, 3]
        np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(rotation) == pytest.approx(1.0)  # not mirrored
        np.testing.assert_allclose(rotation[2], sign * where.array(), atol=1e-12)
        # the origin is the foot of the bounding-box middle on the plane
        np.testing.assert_allclose(rotation @ (where.array() * 12.0) + shift, 0.0, atol=1e-9)
        # what is taken into the frame lies in the half: its solid and the pattern agree above the board
        points = pattern.vertices @ rotation.T + shift
        assert points[:, 2].max() == pytest.approx(half.height_mm, abs=1e-9)


def test_head_is_up_on_the_board_unless_it_points_along_the_pull() -> None:
    pattern = pattern_of(zoo.box(), up="+z", front="-y")
    front, back = cut(pattern, plane((0, -1, 0)), cells=64)
    assert front.up_xy == back.up_xy == (0.0, 1.0)
    assert front.front_xy == back.front_xy == (0.0, 0.0)
    # looking at the figure's face its left is on the right: file +x lies right of the FRONT half
    assert front.to_half[0, :3] @ [1.0, 0.0, 0.0] == pytest.approx(1.0)
    assert back.to_half[0, :3] @ [1.0, 0.0, 0.0] == pytest.approx(-1.0)
    top, bottom = cut(pattern, plane((0, 0, 1)), cells=64)
    assert top.up_xy == bottom.up_xy == (0.0, 0.0)
    assert top.front_xy == bottom.front_xy == (0.0, 1.0)


def test_other_side_of_the_normal_swaps_the_halves() -> None:
    pattern = pattern_of(zoo.mushroom(100.0, 300.0, 250.0, 100.0, 48))
    one, two = cut(pattern, plane((1, 2, 3), 5.0), cells=64)
    three, four = cut(pattern, plane((-1, -2, -3), -5.0), cells=64)
    for first, second in ((one, four), (two, three)):
        assert first.volume_mm3 == pytest.approx(second.volume_mm3, rel=1e-12)
        np.testing.assert_allclose(first.to_half, second.to_half, atol=1e-9)
        assert first.undercut.volume_mm3 == pytest.approx(second.undercut.volume_mm3, rel=1e-9)


def test_names_and_read_only_arrays() -> None:
    halves = cut(pattern_of(zoo.box()), plane((0, 0, 1)), called=("TOP", "BOTTOM"), cells=64)
    assert [(half.name, half.called) for half in halves] == [("A", "TOP"), ("B", "BOTTOM")]
    for array in (halves[0].vertices, halves[0].faces, halves[0].to_half, halves[0].undercut.gaps.low_mm):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_same_input_gives_the_same_bytes() -> None:
    pattern = pattern_of(zoo.torus(around=96, across=32))
    first, second = (cut(pattern, plane((3, 1, 2), 10.0), cells=CELLS)[0] for _ in range(2))
    assert first.vertices.tobytes() == second.vertices.tobytes()
    assert first.undercut.volume_mm3 == second.undercut.volume_mm3
    assert first.undercut.regions == second.undercut.regions


def test_outlines_have_their_holes() -> None:
    top = cut(pattern_of(window()), plane((0, 0, 1)), cells=64)[0]
    assert top.section.area == pytest.approx(300 * 300 - 100 * 100)
    assert len(top.section.geoms[0].interiors) == 1
    assert top.projection.area == pytest.approx(300 * 300 - 100 * 100)
    under = standing(bell())
    assert under.section.area == pytest.approx(300 * 300 - 200 * 200)
    assert under.projection.area == pytest.approx(300 * 300)


def test_an_island_in_a_hole_is_part_of_the_section() -> None:
    ring = CrossSection.square((300, 300), True) - CrossSection.square((200, 200), True)
    plan = ring + CrossSection.square((50, 50), True)
    half = standing(plan.extrude(80.0) + block(300, 300, 40, (0, 0, 80)))
    assert half.section.area == pytest.approx(300**2 - 200**2 + 50**2)
    assert len(half.section.geoms) == 2
    assert half.undercut.links == 1  # the sealed ring round the island closes on itself
    assert [region.mouths for region in half.undercut.regions] == [0]


@pytest.mark.parametrize("offset", [200.0, -200.0, 200.0 - 1e-9, 1e9])
def test_a_plane_that_misses_says_where_the_pattern_is(offset: float) -> None:
    with pytest.raises(PatternError, match=r"shape: the plane 0,0,1@.* misses .* from -200\.0 to 200\.0 mm"):
        cut(pattern_of(zoo.box()), plane((0, 0, 1), offset))


@pytest.mark.parametrize(
    ("normal", "offset"), [((0.0, 0.0, 0.0), 0.0), ((0.0, np.nan, 1.0), 0.0), ((0.0, 0.0, 1.0), np.inf)]
)
def test_a_plane_that_is_none_is_refused(normal: tuple[float, float, float], offset: float) -> None:
    with pytest.raises(SettingError, match="the normal needs a length and every number must be finite"):
        cut(pattern_of(zoo.box()), Plane(normal=normal, offset_mm=offset))


@pytest.mark.parametrize("cells", [0, 15, 4097])
def test_a_resolution_out_of_range_is_refused(cells: int) -> None:
    with pytest.raises(SettingError, match=f"cells: got {cells}, allowed 16 to 4096"):
        cut(pattern_of(zoo.box()), plane((0, 0, 1)), cells=cells)


def test_stops_when_told() -> None:
    progress = Progress()
    progress.stop.set()
    with pytest.raises(StoppedError, match="stopped on request while: sawing the pattern"):
        cut(pattern_of(zoo.box()), plane((0, 0, 1)), progress=progress)
    with pytest.raises(StoppedError, match="while: laying the pattern on its back"):
        lay_whole(pattern_of(zoo.box()), plane((0, 0, 1), -200.0), progress=progress)


def test_whole_figure_on_its_back() -> None:
    dome = Manifold.sphere(60, 48).scale((1, 1, 0.5)).trim_by_plane((0, 0, 1), 0.0).translate((0, 0, 10))
    solid = block(300, 200, 20) + dome
    pattern = pattern_of(solid, up="+y", front="+z")
    half = lay_whole(pattern, plane((0, 0, 1), -pattern.size_mm[2] / 2), cells=64)
    assert (half.name, half.called, half.up_xy) == ("A", "WHOLE", (0.0, 1.0))
    assert half.volume_mm3 == pytest.approx(pattern.volume_mm3, rel=1e-12)
    assert half.section.area == pytest.approx(300 * 200)
    assert half.undercut.volume_mm3 <= 1e-5 * pattern.volume_mm3
    check_half(half)


def test_what_lies_behind_the_back_is_planed_off() -> None:
    pattern = pattern_of(block(300, 200, 100) + block(10, 10, 102, (0, 0, -2)))
    half = lay_whole(pattern, plane((0, 0, 1), -49.0), cells=64)
    assert half.volume_mm3 == pytest.approx(300 * 200 * 100, rel=1e-9)
    check_half(half)


def test_a_back_the_pattern_does_not_touch_is_refused() -> None:
    with pytest.raises(PatternError, match=r"misses the pattern; along this normal it reaches from -200\.0"):
        lay_whole(pattern_of(zoo.box()), plane((0, 0, 1), -201.0))


def test_an_open_mesh_is_refused() -> None:
    pattern = pattern_of(zoo.box())
    broken = Pattern(**{**vars(pattern), "faces": pattern.faces[:-1]})
    with pytest.raises(PatternError, match=r"shape: the mesh is no closed solid .* run `moldplan survey`"):
        cut(broken, plane((0, 0, 1)))


def test_turning_the_figure_turns_nothing_on_the_board() -> None:
    # a quarter turn about z of the pattern, its up and front: the half on its board is the same
    mesh = zoo.torus(around=96, across=32)
    quarter = Rotation.from_euler("z", 90, degrees=True).as_matrix().round()
    first = cut(pattern_of(mesh, front="-y"), plane((0, -1, 0.2)), cells=CELLS)[0]
    second = cut(pattern_of(zoo.turned(mesh, quarter), front="+x"), plane((1, 0, 0.2)), cells=CELLS)[0]
    assert second.undercut.volume_mm3 == pytest.approx(first.undercut.volume_mm3, rel=1e-9)
    assert second.section.symmetric_difference(first.section).area < 1e-6 * first.section.area
    assert [r.mouths for r in second.undercut.regions] == [r.mouths for r in first.undercut.regions]
