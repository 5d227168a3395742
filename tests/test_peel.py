"""Taking the rubber off: bands and lips on shapes with known answers, the order, parts that may snap."""

import math
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import manifold3d
import numpy as np
import pytest
import zoo
from numpy.typing import NDArray
from shop import shop_settings

from moldplan.half import Half, cut, lay_whole
from moldplan.mould.bands import strain_text
from moldplan.mould.lips import Lip, columns_of, lip_of, lip_strain, room_round
from moldplan.mould.model import Peel, PeelPlace, Rubber
from moldplan.mould.outer import Build, outer_face
from moldplan.mould.peel import allowed_strain, plan_peel
from moldplan.mould.peel_remarks import MOST_TOLD, peel_findings
from moldplan.pattern import load_pattern
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.samples import sample_path
from moldplan.split.model import Plane

OPEN_MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"
SETTINGS = shop_settings()
SKIN = 8.0

Floats = NDArray[np.float64]
Span = tuple[float, float]


def block(x: Span, y: Span, z: Span) -> zoo.Mesh:
    """Return a box from and to."""
    middle = (0.5 * (x[0] + x[1]), 0.5 * (y[0] + y[1]), 0.5 * (z[0] + z[1]))
    return zoo.moved(zoo.box(x[1] - x[0], y[1] - y[0], z[1] - z[0]), middle)


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Return the union of closed meshes."""
    solids = [
        manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
        for points, faces in meshes
    ]
    union = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add).to_mesh64()
    return np.array(union.vert_properties[:, :3]), np.array(union.tri_verts, dtype=np.int64)


def about_z(angle_deg: float) -> Floats:
    """Return a turn about z."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def laid(mesh: zoo.Mesh, cells: int = 256) -> Half:
    """Return a mesh that stands on z = 0 as a half on its board, its undercuts measured."""
    pattern = pattern_from_arrays(*mesh, up="+y", front="+z")
    return lay_whole(pattern, Plane(normal=(0.0, 0.0, 1.0), offset_mm=-0.5 * pattern.size_mm[2]), cells=cells)


def covered(half: Half, skin_mm: float = SKIN) -> Rubber:
    """Return what peeling reads of the rubber over a half: skin, outer face, edge."""
    build = Build(skin_mm=skin_mm, draft_deg=2.0, edge_width_mm=40.0, edge_thickness_mm=12.0)
    outer = outer_face(half, build, cells=128)
    return cast(
        "Rubber",
        SimpleNamespace(skin_mm=skin_mm, grid=outer.grid, outer_mm=outer.heights_mm, edge_line=outer.line),
    )


def peeled(half: Half) -> Peel:
    """Return the peel of a half with the built-in cards."""
    return plan_peel(half, covered(half), SETTINGS)


def lips(peel: Peel) -> list[PeelPlace]:
    return [place for place in peel.places if place.model == "lip"]


def bands(peel: Peel) -> list[PeelPlace]:
    return [place for place in peel.places if place.model == "band"]


def ledge(depth: float, height: float, turn_deg: float = 0.0) -> zoo.Mesh:
    """Return a block 300 x 200 whose upper part stands out by `depth` on the side +x, `height` up."""
    body = block((-150, 150), (-100, 100), (0, height + 60))
    mesh = joined(body, block((100, 150 + depth), (-100, 100), (height, height + 60)))
    return zoo.turned(mesh, about_z(turn_deg))


# --- lips -------------------------------------------------------------------------------------------------


def test_strain_of_a_lip() -> None:
    """Hook 40 deep, lip 80 long: 8 mm of skin 7.5 %, filled solid 45 % (derived: cantilever, 3tu/2l^2)."""
    assert lip_strain(thickness_mm=8.0, depth_mm=40.0, length_mm=80.0) == pytest.approx(0.075, abs=1e-12)
    assert lip_strain(thickness_mm=48.0, depth_mm=40.0, length_mm=80.0) == pytest.approx(0.45, abs=1e-12)


def test_strain_of_a_lip_is_that_of_a_bent_beam() -> None:
    """Second way: curvature M/EI at the root of a beam whose tip goes u, by summing along it."""
    thickness, depth, length, parts = 9.0, 21.0, 130.0, 20_000
    along = (np.arange(parts) + 0.5) * length / parts
    # moment of a force of one at the tip, stiffness one: deflection = sum of curvature x lever
    tip = float(((length - along) ** 2).sum()) * length / parts
    strain = depth / tip * length * thickness / 2.0
    assert lip_strain(thickness_mm=thickness, depth_mm=depth, length_mm=length) == pytest.approx(
        strain, rel=1e-6
    )


@pytest.mark.parametrize(("depth", "height"), [(40.0, 200.0), (60.0, 200.0), (25.0, 120.0), (90.0, 400.0)])
def test_a_ledge_on_one_side_is_a_lip(depth: float, height: float) -> None:
    """3 (u + skin) u / (2 l^2), u the ledge, l its height (derived): either side by a cell in u and l."""
    half = laid(ledge(depth, height))
    peel = peeled(half)
    cell = half.undercut.cell_mm
    assert bands(peel) == []
    (lip,) = lips(peel)
    low = lip_strain(thickness_mm=depth - cell + SKIN, depth_mm=depth - cell, length_mm=height + cell)
    high = lip_strain(thickness_mm=depth + cell + SKIN, depth_mm=depth + cell, length_mm=height - cell)
    assert low <= lip.strain <= high
    assert lip.thickness_mm == pytest.approx(depth + SKIN, abs=cell)
    assert lip.region == 1
    assert lip.place_mm[0] == pytest.approx(half.vertices[:, 0].max(), abs=2.0 * cell)
    assert lip.place_mm[2] == pytest.approx(height, abs=0.1)
    assert (peel.strain, peel.place_mm) == (lip.strain, lip.place_mm)


@pytest.mark.parametrize("turn_deg", [17.0, 45.0, 90.0, 200.0])
def test_a_lip_does_not_depend_on_how_the_half_lies(turn_deg: float) -> None:
    """Turned about the pull: the same strain, within the cell and the nearest of 24 directions (derived)."""
    half = laid(ledge(60.0, 200.0, turn_deg))
    straight, turned = peeled(laid(ledge(60.0, 200.0))), peeled(half)
    assert bands(turned) == []
    # a direction 7.5 deg off is 1 / cos longer; and 2.5 cells of 1.2 mm in 60 mm
    assert turned.strain == pytest.approx(straight.strain, rel=2.0 * (0.0087 + 2.5 * 1.3 / 60.0))
    out = about_z(turn_deg)[:, 0]
    assert turned.place_mm is not None
    assert out @ np.array(turned.place_mm) == pytest.approx((half.vertices @ out).max(), abs=4.0)


def test_a_lip_leaning_out_with_the_half() -> None:
    """A prism leaning 60 over 400: u the lean, l its height (derived), either side by a cell."""
    points, faces = zoo.box(200.0, 200.0, 400.0)
    points = points + np.array([0.0, 0.0, 200.0])
    points[:, 0] += 60.0 / 400.0 * points[:, 2]
    half = laid((points, faces))
    (lip,) = peeled(half).places
    cell = half.undercut.cell_mm
    exact = [
        lip_strain(thickness_mm=u + SKIN, depth_mm=u, length_mm=400.0) for u in (60 - 2 * cell, 60 + cell)
    ]
    assert exact[0] <= lip.strain <= exact[1]
    assert lip.model == "lip"


def test_too_deep_for_its_length_is_no_lip() -> None:
    """Deeper than a third of the length: the band governs, hull of body and ledge over the body (derived)."""
    peel = peeled(laid(ledge(60.0, 150.0)))
    assert lips(peel) == []
    (band,) = bands(peel)
    assert band.strain == pytest.approx(2.0 * 60.0 / 1000.0, rel=1e-6)
    assert band.region == 1
    assert band.thickness_mm == pytest.approx(60.0 + SKIN, abs=1e-6)


def test_ledges_on_either_side_go_round() -> None:
    """Each is a lip, but no way is free of both: the band counts as well, (2 x 40 x 2) / 1000 (derived)."""
    both = joined(ledge(40.0, 200.0), zoo.turned(ledge(40.0, 200.0), about_z(180.0)))
    peel = peeled(laid(both))
    assert {lip.region for lip in lips(peel)} == {1, 2}
    (band,) = bands(peel)
    assert band.strain == pytest.approx(4.0 * 40.0 / 1000.0, rel=1e-6)
    assert band.region in {1, 2}
    assert peel.strain == band.strain


def test_ledges_on_two_neighbouring_sides_leave_a_way_out() -> None:
    """Open to the corner between them: a lip that goes out aslant, u = 40 sqrt 2 at 45 deg (derived)."""
    corner = joined(ledge(40.0, 300.0), block((-150, 190), (60, 140), (300, 360)))
    half = laid(corner)
    peel = peeled(half)
    assert bands(peel) == []
    (lip,) = lips(peel)
    u = 40.0 * math.sqrt(2.0)
    assert lip.strain <= lip_strain(thickness_mm=u + 3.0 + SKIN, depth_mm=u + 3.0, length_mm=299.0) * 1.25
    assert lip.strain >= lip_strain(thickness_mm=38.0 + SKIN, depth_mm=38.0, length_mm=301.0)


def test_a_wall_close_by_leaves_no_free_edge() -> None:
    """A second block 60 mm off the ledge, within the same rubber: no lip, nothing to bend into."""
    alone = ledge(40.0, 200.0)
    wall = block((220, 300), (-160, 160), (0, 260))
    floor = block((-150, 300), (-100, 100), (0, 2))
    peel = peeled(laid(joined(alone, wall, floor)))
    assert lips(peel) == []


def test_an_arm_is_drawn_along_its_length_not_across() -> None:
    """Under an arm 40 wide and 90 long, 300 up, rubber runs on across: u is the length (derived)."""
    half = laid(joined(block((-100, 100), (-100, 100), (0, 400)), block((90, 190), (-20, 20), (300, 340))))
    cell = half.undercut.cell_mm
    (lip,) = lips(peeled(half))
    assert lip.thickness_mm == pytest.approx(90.0 + SKIN, abs=cell)
    room = room_round(half, covered(half))
    found = lip_of(columns_of(half.undercut.gaps, half.undercut.gaps.region == 1), room, skin_mm=SKIN)
    assert isinstance(found, Lip)
    assert found.towards == pytest.approx((1.0, 0.0), abs=1e-12)
    assert found.length_mm == pytest.approx(300.0, abs=0.1)


def test_a_tunnel_is_no_lip() -> None:
    """Under an arch the rubber hangs together on both sides."""
    legs = joined(block((-200, -120), (-60, 60), (0, 200)), block((120, 200), (-60, 60), (0, 200)))
    peel = peeled(laid(joined(legs, block((-200, 200), (-60, 60), (190, 260)))))
    assert lips(peel) == []
    assert peel.strain > peel.allowed


# --- bands ------------------------------------------------------------------------------------------------


def ball(radius: float, below: float, rings: int = 400, segments: int = 64) -> zoo.Mesh:
    """Return a sphere cut `below` its centre, standing on z = 0; its outline is that of its rings."""
    low = math.asin(-below / radius)
    angles = np.linspace(low, math.pi / 2.0, rings + 1)[:-1]
    ring = [(radius * math.cos(a), radius * math.sin(a) + below) for a in angles]
    return zoo.revolve([(0.0, 0.0), *ring, (0.0, radius + below)], segments)


def two_balls(low: float, high: float, apart: float) -> zoo.Mesh:
    """Return a hemisphere with a sphere `apart` above its middle, standing on z = 0."""
    along = (apart**2 + low**2 - high**2) / (2.0 * apart)
    first = np.linspace(0.0, math.asin(along / low), 80)
    second = np.linspace(math.asin((along - apart) / high), math.pi / 2.0, 160)[1:-1]
    profile = [(low * math.cos(a), low * math.sin(a)) for a in first]
    profile += [(high * math.cos(a), apart + high * math.sin(a)) for a in second]
    return zoo.revolve([(0.0, 0.0), *profile, (0.0, apart + high)], 64)


def test_a_mushroom_is_one_band() -> None:
    """B / a - 1 (derived), exact for slices; the undercut goes round: no lip."""
    peel = peeled(laid(zoo.mushroom(100.0, 200.0, 250.0, 50.0)))
    (band,) = peel.places
    assert (band.model, band.region) == ("band", 1)
    assert band.strain == pytest.approx(1.5, rel=1e-9)
    assert band.thickness_mm == pytest.approx(150.0 + SKIN, rel=1e-3)
    assert math.hypot(*band.place_mm[:2]) < 1e-6


@pytest.mark.parametrize("below", [100.0, 200.0, 280.0])
def test_a_sphere_cut_below_its_centre(below: float) -> None:
    """R / sqrt(R^2 - c^2) - 1 (derived); from below, by at most 0.4 % of the whole hull."""
    (band,) = peeled(laid(ball(300.0, below))).places
    exact = 300.0 / math.sqrt(300.0**2 - below**2) - 1.0
    assert exact - 0.004 * (1.0 + exact) <= band.strain <= exact * (1.0 + 1e-6)
    assert (band.model, band.region) == ("band", 1)


def test_two_spheres() -> None:
    """R2 / rho - 1, rho the radius of the neck between them (derived); from below, by 4 %."""
    low, high, apart = 200.0, 260.0, 380.0
    along = (apart**2 + low**2 - high**2) / (2.0 * apart)
    exact = high / math.sqrt(low**2 - along**2) - 1.0
    (band,) = peeled(laid(two_balls(low, high, apart))).places
    assert exact * 0.96 <= band.strain <= exact * (1.0 + 1e-6)
    assert band.place_mm[2] == pytest.approx(along, abs=10.0)


def test_spheres_that_sit_close_enough_do_not_stretch() -> None:
    """No neck where d^2 <= R1^2 - R2^2: the higher sphere's widest place lies inside the lower (derived)."""
    peel = peeled(laid(two_balls(260.0, 150.0, 200.0)))
    assert (peel.strain, peel.place_mm, peel.places) == (0.0, None, ())


def test_every_branch_is_told() -> None:
    """Two mushrooms on one plate: 150 / 60 - 1 and 80 / 60 - 1 at their own stems (derived)."""
    plate = block((-300, 300), (-200, 200), (0, 40))
    one = zoo.moved(zoo.mushroom(60.0, 150.0, 120.0, 40.0, 96), (-150.0, 0.0, 30.0))
    two = zoo.moved(zoo.mushroom(60.0, 150.0, 80.0, 40.0, 96), (150.0, 0.0, 30.0))
    peel = peeled(laid(joined(plate, one, two)))
    assert [place.model for place in peel.places] == ["band", "band"]
    assert [place.strain for place in peel.places] == pytest.approx([1.0, 1.0 / 3.0], rel=1e-6)
    assert [place.place_mm[0] for place in peel.places] == pytest.approx([-150.0, 150.0], abs=1e-3)
    assert [place.region for place in peel.places] == [1, 2]


def test_what_draws_needs_no_peeling() -> None:
    peel = peeled(laid(zoo.frustum(300.0, 100.0, 200.0)))
    assert (peel.strain, peel.place_mm, peel.places, peel.thin) == (0.0, None, (), ())
    assert [step.text.split(",")[0] for step in peel.order] == [
        "free the edge on the board all round", "lift the rubber off",
    ]  # fmt: skip


# --- what is allowed --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("elongation", "allowed"), [(300.0, 0.75), (400.0, 1.0), (700.0, 1.0), (200.0, 0.5)])
def test_a_quarter_of_the_break_elongation_and_at_most_all_of_it(elongation: float, allowed: float) -> None:
    """For 15 pulls and more: a quarter, at most 100 % (common practice, no source)."""
    assert allowed_strain(shop_settings(rubber__elongation_percent=elongation)) == pytest.approx(allowed)


@pytest.mark.parametrize(
    ("strain", "text"), [(0.151, "15 %"), (3.0, "300 %"), (3.01, "over 300 %"), (44.0, "over 300 %")]
)
def test_strain_in_words(strain: float, text: str) -> None:
    assert strain_text(strain) == text


# --- the order --------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def crowded() -> tuple[Half, Peel]:
    """Return a plate with two mushrooms, a post with a ledge, and one with a small ledge."""
    plate = block((-400, 400), (-300, 300), (0, 40))
    one = zoo.moved(zoo.mushroom(60.0, 150.0, 120.0, 40.0, 96), (-250.0, 100.0, 30.0))
    two = zoo.moved(zoo.mushroom(60.0, 150.0, 80.0, 40.0, 96), (250.0, 100.0, 30.0))
    hook = joined(block((-260, -180), (-260, -180), (0, 240)), block((-190, -140), (-260, -180), (200, 240)))
    nib = joined(block((180, 260), (-260, -180), (0, 240)), block((250, 272), (-260, -180), (200, 240)))
    half = laid(joined(plate, one, two, hook, nib))
    return half, peeled(half)


def test_order_of_peeling() -> None:
    """The edge first, lips from the least strain up, then bands from the least up, off last."""
    half, peel = crowded()
    assert [step.number for step in peel.order] == list(range(1, len(peel.order) + 1))
    assert peel.order[0].text == "free the edge on the board all round"
    assert peel.order[-1].text.startswith("lift the rubber off")
    by_region = {place.region: place for place in peel.places}
    told = [by_region[step.region] for step in peel.order if step.region is not None]
    assert [place.model for place in told] == ["lip", "band", "band"]
    strains = [place.strain for place in told if place.model == "band"]
    assert strains == sorted(strains)
    (easy,) = [step for step in peel.order if "comes away with the skin" in step.text]
    assert easy.number == 2
    assert {region for region in by_region if f"undercut {region} " in easy.text}
    cuts = [step.region for step in peel.order if "cut the rubber here first" in step.text]
    assert cuts == [place.region for place in peel.places if place.strain > peel.allowed]
    rolled = next(step for step in peel.order if "roll it back" in step.text)
    assert rolled.place_mm[0] < 0.0
    assert rolled.place_mm == by_region[rolled.region].place_mm
    assert {place.region for place in peel.places} == {region.id for region in half.undercut.regions}


def test_the_order_is_the_same_every_time() -> None:
    half, peel = crowded()
    assert plan_peel(half, covered(half), SETTINGS) == peel


def test_an_undercut_open_to_no_side_is_worked_loose() -> None:
    """A pit that widens downward in the top of a block: no lip, no neck."""
    outer = block((-150, 150), (-150, 150), (0, 200))
    plug = zoo.moved(zoo.frustum(100.0, 60.0, 120.0, 96), (0.0, 0.0, 90.0))
    solid = [
        manifold3d.Manifold(manifold3d.Mesh64(vert_properties=p, tri_verts=f.astype(np.uint64)))
        for p, f in (outer, plug)
    ]
    pit = (solid[0] - solid[1]).to_mesh64()
    peel = peeled(laid((np.array(pit.vert_properties[:, :3]), np.array(pit.tri_verts, dtype=np.int64))))
    assert peel.places == ()
    (step,) = [step for step in peel.order if step.region == 1]
    assert "open to no one side" in step.text


# --- parts that may snap ----------------------------------------------------------------------------------


def armed(thick: float, long: float) -> Half:
    """Return a block with a square arm that stands out `long` on the side +x, 300 up."""
    half = 0.5 * thick
    arm = block((90, 100 + long), (-half, half), (300, 300 + thick))
    return laid(joined(block((-100, 100), (-100, 100), (0, 400)), arm), cells=384)


def test_a_thin_arm_may_snap() -> None:
    """12 thick, 90 long: thickness within a cell, length within two spacings of the places."""
    half = armed(12.0, 90.0)
    peel = peeled(half)
    (part,) = peel.thin
    assert part.thickness_mm == pytest.approx(12.0, abs=half.undercut.cell_mm)
    assert 70.0 <= part.length_mm <= 100.0
    assert part.place_mm == pytest.approx((half.vertices[:, 0].max(), 0.0, 306.0), abs=12.0)
    assert part.strain == lips(peel)[0].strain
    step = next(step for step in peel.order if step.region == 1)
    assert "hold the thin part of the cast by hand" in step.text


@pytest.mark.parametrize(("thick", "long"), [(26.0, 90.0), (14.0, 30.0)])
def test_a_thick_or_a_short_arm_does_not(thick: float, long: float) -> None:
    """Over the limit of 20 mm, or not three times as long as thick."""
    assert peeled(armed(thick, long)).thin == ()


def test_a_thin_spike_along_the_pull_is_not_gripped() -> None:
    """Rubber comes off it like a glove."""
    spike = zoo.moved(zoo.frustum(8.0, 5.0, 100.0, 48), (0.0, 0.0, 190.0))
    assert peeled(laid(joined(block((-100, 100), (-100, 100), (0, 200)), spike), cells=384)).thin == ()


# --- findings ---------------------------------------------------------------------------------------------


def test_findings_name_what_is_over_the_limit() -> None:
    half, peel = crowded()
    found = list(peel_findings(half, peel))
    (stretch,) = [finding for finding in found if finding.code == "peel-stretch"]
    assert (stretch.severity, stretch.unit, stretch.half) == ("check", "%", "A")
    assert stretch.value == pytest.approx(100.0, rel=1e-6)
    assert stretch.limit == pytest.approx(75.0)
    assert "stretches by 100 %" in stretch.advice
    assert stretch.place_mm == peel.place_mm


def test_findings_of_thin_parts() -> None:
    half = armed(12.0, 90.0)
    (found,) = peel_findings(half, peeled(half))
    assert (found.code, found.severity, found.unit) == ("thin-part", "check", "mm")
    assert found.value == pytest.approx(12.0, abs=half.undercut.cell_mm)


def test_shut_in_rubber_is_left_to_the_loops() -> None:
    """Half a ring on two feet: strain beyond all measure, told as a loop and not as a stretch."""
    points, faces = zoo.torus(500.0, 60.0, 96, 32)
    ring = pattern_from_arrays(points[:, [1, 2, 0]], faces, up="+y", front="+z")
    half = cut(ring, Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0), cells=128)[0]
    peel = peeled(half)
    assert half.undercut.links == 1
    assert peel.strain > 3.0
    assert [finding for finding in peel_findings(half, peel) if finding.code == "peel-stretch"] == []
    assert any(
        "over 300 %, over the 75 % allowed: cut the rubber here first" in step.text for step in peel.order
    )


def test_many_places_are_counted() -> None:
    half, peel = crowded()
    place = peel.places[0]
    many = Peel(
        strain=2.0,
        allowed=0.75,
        place_mm=place.place_mm,
        places=(place,) * (MOST_TOLD + 2),
        order=(),
        thin=(),
    )
    found = list(peel_findings(half, many))
    assert len(found) == MOST_TOLD
    assert found[-1].advice.endswith("; 2 more places over the limit")


# --- figures ----------------------------------------------------------------------------------------------


def checked(half: Half) -> Peel:
    """Check what holds of every peel."""
    peel = peeled(half)
    strains = [place.strain for place in peel.places]
    assert strains == sorted(strains, reverse=True)
    assert peel.strain == max(strains, default=0.0)
    regions = {region.id for region in half.undercut.regions}
    assert {place.region for place in peel.places} <= regions | {None}
    for place in peel.places:
        assert 0.0 <= place.place_mm[2] <= half.height_mm
        assert place.thickness_mm >= SKIN
        # a third of the length at most: 3 t u / (2 l^2) <= t / (2 l)
        if place.model == "lip":
            assert place.strain <= place.thickness_mm / (2.0 * place.place_mm[2]) * (1.0 + 1e-9)
    return peel


def test_the_owl_comes_off() -> None:
    owl = load_pattern(sample_path("owl.ply"), unit="mm")
    front, back = cut(owl, Plane(normal=(0.0, -1.0, 0.0), offset_mm=0.0), cells=256)
    for half in (front, back):
        peel = checked(half)
        assert peel.strain < peel.allowed
        assert lips(peel)


@pytest.mark.meshes
@pytest.mark.parametrize(("name", "most"), [("koala", 0.75), ("scorpion", 4.0)])
def test_open_meshes_come_off_or_say_so(name: str, most: float) -> None:
    path = OPEN_MESHES / f"{name}.ply"
    if not path.is_file():
        pytest.skip(f"{path.name} is not present")
    figure = load_pattern(path, height_mm=1200.0, up="+y", front="+z")
    for half in cut(figure, Plane(normal=(0.0, 0.0, 1.0), offset_mm=0.0), cells=256):
        peel = checked(half)
        assert 0.0 < peel.strain < most
        told = list(peel_findings(half, peel))
        assert any(finding.code == "peel-stretch" for finding in told) == (peel.strain > peel.allowed)
