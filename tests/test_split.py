"""The search for a split: what a plane locks, the best offset, the best direction, the names of planes."""

from dataclasses import replace
from itertools import pairwise

import manifold3d
import numpy as np
import pytest
import zoo
from numpy.typing import NDArray

from moldplan.errors import SettingError, StoppedError
from moldplan.pattern.arrays import pattern_from_arrays
from moldplan.pattern.light import arranged, light_copy
from moldplan.pattern.model import Axis, Pattern
from moldplan.progress import Progress
from moldplan.split import (
    Plane,
    SearchOptions,
    Splits,
    called,
    canonical_plane,
    find_splits,
    locked_volume,
    parse_cut,
    undercut_curve,
    volume_above,
)
from moldplan.split.directions import cover_deg, directions, even_axes, flat_normals, principal_axes
from moldplan.split.frame import figure_axes
from moldplan.split.sight import look

#: A thin search for tests in which the number of directions does not matter.
FEW = SearchOptions(level=1, cells=64, final_cells=128, keep=4)

RING, TUBE = 500.0, 150.0
#: What a standing torus locks from every side when pulled along its plane (derived, first principles: each
#: level z of the tube shuts in a disc of radius R - w, w the half width of the tube there).
STANDING_TORUS = 2.0 * np.pi * TUBE * RING**2 - np.pi**2 * RING * TUBE**2 + 4.0 / 3.0 * np.pi * TUBE**3


def any_turn(seed: int) -> NDArray[np.float64]:
    """Return a random rotation."""
    square, upper = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    square = square * np.sign(np.diag(upper))
    return square * np.linalg.det(square)


def pattern(mesh: zoo.Mesh, up: Axis = "+z", front: Axis = "-y") -> Pattern:
    return pattern_from_arrays(*mesh, up=up, front=front)


def joined(*meshes: zoo.Mesh) -> zoo.Mesh:
    """Return the union of closed meshes."""
    solids = [
        manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
        for points, faces in meshes
    ]
    union = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add).to_mesh64()
    return np.array(union.vert_properties[:, :3]), np.array(union.tri_verts, dtype=np.int64)


def urn() -> zoo.Mesh:
    """Surface of revolution with a waist."""
    profile = [(0, 0), (160, 0), (90, 120), (230, 400), (120, 640), (170, 700), (0, 700)]
    return zoo.revolve([(float(r), float(z)) for r, z in profile], 96)


def lump() -> zoo.Mesh:
    """Return a body with no symmetry at all: three balls and a leaning bar."""
    return joined(
        zoo.sphere(200.0, 3),
        zoo.moved(zoo.sphere(130.0, 3), (180.0, 90.0, 260.0)),
        zoo.moved(zoo.sphere(90.0, 3), (-230.0, 60.0, 150.0)),
        zoo.moved(zoo.turned(zoo.box(90.0, 520.0, 70.0), any_turn(3)), (60.0, -120.0, -180.0)),
    )


def low_relief() -> zoo.Mesh:
    """Return a slab with a soft wavy top: a height map on a flat back at z = 0."""
    side = 40
    x, y = np.meshgrid(np.linspace(0.0, 600.0, side), np.linspace(0.0, 400.0, side))
    top = 30.0 + 15.0 * np.sin(x / 70.0) * np.cos(y / 50.0)
    points = np.concatenate(
        [np.c_[x.ravel(), y.ravel(), top.ravel()], np.c_[x.ravel(), y.ravel(), 0 * x.ravel()]]
    )
    i = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    upper = np.concatenate([np.c_[i, i + 1, i + side + 1], np.c_[i, i + side + 1, i + side]])
    edge = np.concatenate(
        [np.arange(side), np.arange(1, side) * side + side - 1,
         np.arange(side * side - 2, side * side - side - 1, -1), np.arange(side - 2, 0, -1) * side]
    )  # fmt: skip
    after, under = np.roll(edge, -1), edge + side * side
    wall = np.concatenate([np.c_[edge, under, after], np.c_[after, under, np.roll(under, -1)]])
    return points, np.concatenate([upper, upper[:, ::-1] + side * side, wall])


# --- what a plane locks -----------------------------------------------------------------------------------


@pytest.mark.parametrize("mesh", [zoo.sphere(300.0, 4), zoo.box()], ids=["sphere", "box"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_convex_body_is_never_locked(mesh: zoo.Mesh, seed: int) -> None:
    """Every column of a convex body is one piece: rounding alone is left (derived, first principles)."""
    body = pattern(mesh)
    locked = locked_volume(body, any_turn(seed)[0], cells=128)
    assert 0.0 <= locked <= 1e-12 * body.volume_mm3


def test_a_standing_torus_is_locked_by_its_hole() -> None:
    """Closed form within 0.5 %; the flat split through the axis locks no more (symmetry)."""
    body = pattern(zoo.torus(RING, TUBE, 192, 96))
    locked = locked_volume(body, (1.0, 0.0, 0.0))
    assert locked == pytest.approx(STANDING_TORUS, rel=5e-3)
    flat = undercut_curve(body, (1.0, 0.0, 0.0), [0.0], cells=512)[0]
    assert flat == pytest.approx(locked, rel=1e-9)


def test_a_lying_torus_is_free_at_its_middle() -> None:
    body = pattern(zoo.torus(RING, TUBE))
    assert locked_volume(body, (0.0, 0.0, 1.0)) <= 1e-12 * body.volume_mm3
    assert undercut_curve(body, (0.0, 0.0, 1.0), [0.0])[0] <= 1e-5 * body.volume_mm3


@pytest.mark.parametrize("c", [-270.0, -150.0, -60.0, 60.0, 210.0])
def test_a_sphere_cut_beside_its_centre(c: float) -> None:
    """The larger part keeps a gap of pi c^3 / 3 under its equator (derived, first principles)."""
    body = pattern(zoo.sphere(300.0, 5))
    got = undercut_curve(body, any_turn(4)[0], [c], cells=512)[0]
    assert got == pytest.approx(np.pi * abs(c) ** 3 / 3.0, rel=2e-2)


def test_bodies_wholly_on_one_side() -> None:
    """Inverted frustum (pi h / 3)(rt - rb)(2 rt + rb), mushroom pi (b^2 - a^2) h (derived)."""
    up = (0.0, 0.0, 1.0)
    inverted = undercut_curve(pattern(zoo.frustum(200.0, 400.0, 300.0)), up, [-150.0])[0]
    assert inverted == pytest.approx(np.pi * 300.0 / 3.0 * 200.0 * 1000.0, rel=1e-2)
    stem = undercut_curve(pattern(zoo.mushroom(100.0, 300.0, 300.0, 100.0)), up, [-200.0])[0]
    assert stem == pytest.approx(np.pi * (300.0**2 - 100.0**2) * 300.0, rel=1e-2)


def test_a_cube_on_its_diagonal() -> None:
    """Both halves together lock a^3 / 24 when cut through the middle (derived, first principles)."""
    body = pattern(zoo.box(600.0, 600.0, 600.0))
    assert undercut_curve(body, (1.0, 1.0, 1.0), [0.0], cells=512)[0] == pytest.approx(
        600.0**3 / 24.0, rel=1e-2
    )


def test_undercut_is_convex_in_the_offset_and_never_below_what_is_locked() -> None:
    body = pattern(lump())
    offsets = np.linspace(-450.0, 450.0, 181)
    for seed in range(4):
        normal = any_turn(seed)[0]
        curve = undercut_curve(body, normal, offsets, cells=96)
        locked = locked_volume(body, normal, cells=96)
        assert locked > 0.0
        assert (curve >= locked * (1.0 - 1e-12)).all()
        assert (np.diff(curve, 2) >= -1e-9 * curve.max()).all()


def test_undercut_equals_the_gaps_counted_on_sawn_halves() -> None:
    """Second way: rays through both halves of the sawn solid; what is under their shadow and not solid."""
    body, normal, offset = pattern(lump()), np.array([0.0, 0.0, 1.0]), 40.0
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=body.vertices.copy(), tri_verts=body.faces.astype(np.uint64))
    )
    locked = 0.0
    for half, mirror in zip(solid.split_by_plane(normal, offset), (1.0, -1.0), strict=True):
        shadow_mm3 = 0.0
        laid = half.translate((0.0, 0.0, -offset)).scale((1.0, 1.0, mirror))
        hull = manifold3d.CrossSection()
        for height in np.arange(
            799.0, 0.0, -2.0
        ):  # the shadow at a level is the union of all sections above it
            hull += laid.slice(height)
            shadow_mm3 += 2.0 * hull.area()
        locked += shadow_mm3 - half.volume()
    got = undercut_curve(body, normal, [offset], cells=512)[0]
    assert got == pytest.approx(locked, rel=2e-2)


def test_the_median_is_as_good_as_a_dense_scan_of_offsets() -> None:
    body = pattern(lump())
    for seed in range(5):
        normal = any_turn(seed + 20)[0]
        axes = figure_axes(body.up, body.front)
        sight = look(body.vertices @ axes.T, body.faces, axes @ normal, cells=96)
        scan = undercut_curve(body, normal, np.linspace(-400.0, 400.0, 2001), cells=96)
        best = sight.undercut_mm3(sight.best_offset_mm)
        assert best <= scan.min() * (1.0 + 1e-12)
        assert scan.min() <= best * 1.001  # the scan comes that near, so the two do agree


def test_a_sharper_look_at_the_same_plane_agrees() -> None:
    body = pattern(lump())
    fine, coarse = (undercut_curve(body, (0.3, 0.4, 0.5), [10.0], cells=cells)[0] for cells in (1024, 256))
    assert coarse == pytest.approx(fine, rel=1e-2)


def test_opposite_normals_are_the_same_plane() -> None:
    body, normal = pattern(lump()), np.array([0.2, -0.7, 0.4])
    one = undercut_curve(body, normal, [-50.0, 30.0])
    assert np.allclose(undercut_curve(body, -normal, [50.0, -30.0]), one, rtol=1e-2)
    assert locked_volume(body, -normal) == pytest.approx(locked_volume(body, normal), rel=5e-3)


def test_volume_above_equals_the_sawn_solid() -> None:
    points, faces = lump()
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=faces.astype(np.uint64)))
    for seed, offset in ((1, -120.0), (2, 35.0), (3, 200.0)):
        normal = any_turn(seed)[0]
        sawn = solid.split_by_plane(normal, offset)[0].volume()
        assert volume_above(points, faces, normal, offset) == pytest.approx(sawn, rel=1e-9)
        both = volume_above(points, faces, normal, offset) + volume_above(points, faces, -normal, -offset)
        assert both == pytest.approx(solid.volume(), rel=1e-12)


def test_volume_above_of_a_sphere() -> None:
    """Cap of a sphere, pi h^2 (3 R - h) / 3 (derived); the mesh lies a little inside."""
    mesh = zoo.sphere(300.0, 5)
    got = volume_above(*mesh, (1.0, 2.0, -1.0), 100.0)
    assert got == pytest.approx(np.pi * 200.0**2 * 700.0 / 3.0, rel=2e-3)
    assert got < np.pi * 200.0**2 * 700.0 / 3.0


@pytest.mark.parametrize("normal", [(0.0, 0.0, 0.0), (np.nan, 0.0, 1.0), (1.0, 0.0), (np.inf, 0.0, 0.0)])
def test_a_direction_without_a_length_is_refused(normal: tuple[float, ...]) -> None:
    body = pattern(zoo.box())
    with pytest.raises(SettingError, match="three finite numbers, not all zero"):
        undercut_curve(body, normal, [0.0])
    with pytest.raises(SettingError, match="three finite numbers, not all zero"):
        locked_volume(body, normal)
    with pytest.raises(SettingError, match="three finite numbers, not all zero"):
        volume_above(body.vertices, body.faces, normal, 0.0)


def test_a_resolution_out_of_range_is_refused() -> None:
    body = pattern(zoo.box())
    with pytest.raises(SettingError, match="cells: got 4, allowed 8 to 4096"):
        locked_volume(body, (0.0, 0.0, 1.0), cells=4)
    with pytest.raises(SettingError, match="every offset must be a finite number"):
        undercut_curve(body, (0.0, 0.0, 1.0), [np.nan])


# --- directions -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("level", "count"), [(0, 6), (1, 21), (2, 81), (3, 321)])
def test_even_axes(level: int, count: int) -> None:
    """Half of the 10 * 4^level + 2 corners of an icosphere, no axis twice."""
    axes = even_axes(level)
    assert axes.shape == (count, 3)
    assert np.allclose(np.linalg.norm(axes, axis=1), 1.0, atol=1e-14)
    cosines = np.abs(axes @ axes.T) - np.eye(count)
    assert cosines.max() < np.cos(np.radians(5.0))


def test_no_direction_is_farther_than_the_cover() -> None:
    axes, cover = even_axes(3), cover_deg(3)
    assert cover == pytest.approx(5.45, abs=0.01)
    probes = np.random.default_rng(1).normal(size=(20000, 3))
    probes /= np.linalg.norm(probes, axis=1, keepdims=True)
    away = np.degrees(np.arccos(np.abs(probes @ axes.T).max(axis=1)))
    assert away.max() <= cover
    assert away.max() > cover - 0.15  # the bound is not idle


def test_principal_axes_of_a_box_and_none_of_a_ball() -> None:
    rotation = any_turn(7)
    axes = principal_axes(*zoo.turned(zoo.box(), rotation))
    assert np.allclose(np.abs(axes @ rotation).max(axis=1), 1.0, atol=1e-12)
    assert len(axes) == 3
    assert len(principal_axes(*zoo.sphere(300.0, 3))) == 0
    assert np.allclose(np.abs(principal_axes(*zoo.torus())), [[0.0, 0.0, 1.0]], atol=1e-9)


def test_flats_of_a_leaning_box_and_none_of_a_ball() -> None:
    rotation = any_turn(8)
    flats = flat_normals(*zoo.turned(zoo.box(900.0, 500.0, 200.0), rotation))
    assert np.allclose(np.abs(flats @ rotation).max(axis=1), 1.0, atol=1e-12)
    assert len(flats) == 6
    assert np.argmax(np.abs(flats[0] @ rotation)) == 2  # the largest first
    assert len(flat_normals(*zoo.sphere(300.0, 4))) == 0


def test_directions_start_with_what_a_shop_prefers_and_hold_none_twice() -> None:
    mesh = zoo.turned(zoo.box(), any_turn(9))
    extra = np.array([[0.0, 1.0, 0.0], [0.6, 0.8, 0.0]])
    seen = directions(*mesh, level=2, flats=flat_normals(*mesh), extra=extra)
    assert np.array_equal(seen[:3], np.eye(3))
    assert np.allclose(seen[3], [0.6, 0.8, 0.0])
    assert len(seen) == 81 + 1 + 3  # the three principal axes are the flats'
    cosines = np.abs(seen @ seen.T) - np.eye(len(seen))
    assert cosines.max() < 1.0 - 1e-6


# --- the search -------------------------------------------------------------------------------------------


def test_a_body_of_two_balls_is_split_through_both() -> None:
    """Any plane through both centres frees it; across its length the neck would lock."""
    mesh = joined(zoo.sphere(200.0, 4), zoo.moved(zoo.sphere(150.0, 4), (0.0, 0.0, 280.0)))
    body = pattern(mesh)
    best = find_splits(body, options=FEW).candidates[0]
    assert best.undercut_mm3 <= 1e-5 * body.volume_mm3
    assert best.plane.normal == (0.0, -1.0, 0.0)  # FRONT and BACK first of all equally good ones
    assert best.plane.offset_mm == pytest.approx(0.0, abs=1e-6)
    across = undercut_curve(body, (0.0, 0.0, 1.0), np.linspace(-300.0, 300.0, 61)).min()
    assert across > 1e-2 * body.volume_mm3


def test_an_urn_is_split_through_its_axis() -> None:
    body = pattern(urn())
    best = find_splits(body, options=FEW).candidates[0]
    assert best.undercut_mm3 <= 1e-5 * body.volume_mm3
    assert abs(best.plane.normal[2]) == 0.0
    assert best.share_above == pytest.approx(0.5, abs=1e-6)


def test_a_torus_is_split_through_its_plane() -> None:
    best = find_splits(pattern(zoo.torus()), options=FEW).candidates[0]
    assert best.plane == Plane(normal=(0.0, 0.0, 1.0), offset_mm=pytest.approx(0.0, abs=1e-9))
    assert best.undercut_mm3 == pytest.approx(0.0, abs=1.0)


def test_candidates_are_what_they_say() -> None:
    body = pattern(lump())
    splits = find_splits(body, options=replace(FEW, level=2, keep=6))
    assert len(splits.candidates) == 6
    assert 81 <= splits.directions_tried <= 81 + 3 + 8
    assert splits.cover_deg == pytest.approx(cover_deg(2))
    assert splits.open_back is None
    step = 1e-5 * body.volume_mm3
    undercuts = [candidate.undercut_mm3 for candidate in splits.candidates]
    assert all(later >= earlier - step for earlier, later in pairwise(undercuts))
    for candidate in splits.candidates:
        normal, offset = candidate.plane.array(), candidate.plane.offset_mm
        assert np.linalg.norm(normal) == pytest.approx(1.0, abs=1e-14)
        share = volume_above(body.vertices, body.faces, normal, offset) / body.volume_mm3
        assert candidate.share_above == pytest.approx(share, abs=1e-9)
        again = undercut_curve(body, normal, [offset], cells=128)[0]
        assert candidate.undercut_mm3 == pytest.approx(again, rel=1e-9)
        assert candidate.locked_mm3 <= candidate.undercut_mm3
        assert canonical_plane(candidate.plane, up=body.up, front=body.front) == candidate.plane


@pytest.mark.parametrize("least_share", [0.15, 0.4])
@pytest.mark.parametrize("mesh", [zoo.frustum(300.0, 20.0, 500.0), low_relief(), lump()])
def test_each_half_holds_its_share(mesh: zoo.Mesh, least_share: float) -> None:
    body = pattern(mesh)
    for candidate in find_splits(body, options=replace(FEW, least_share=least_share, keep=21)).candidates:
        assert least_share <= candidate.share_above <= 1.0 - least_share


def test_an_offset_that_had_to_move_is_the_best_allowed_one() -> None:
    """A cone pulled along its axis wants the plane at its base, where one half would hold nothing."""
    body = pattern(zoo.frustum(300.0, 20.0, 500.0))
    options = replace(FEW, keep=30)
    along = [c for c in find_splits(body, options=options).candidates if c.plane.normal == (0.0, 0.0, 1.0)]
    assert len(along) == 1
    assert along[0].share_above == pytest.approx(0.85, abs=1e-6)
    offsets = np.linspace(-250.0, 250.0, 401)
    shares = np.array([volume_above(body.vertices, body.faces, (0.0, 0.0, 1.0), c) for c in offsets])
    allowed = np.abs(shares / body.volume_mm3 - 0.5) <= 0.35
    curve = undercut_curve(body, (0.0, 0.0, 1.0), offsets, cells=128)
    assert along[0].undercut_mm3 <= curve[allowed].min() * (1.0 + 1e-9)


def test_threads_change_no_byte() -> None:
    body = pattern(lump())
    one, three = (find_splits(body, options=replace(FEW, workers=workers)) for workers in (1, 3))
    assert one == three


def planes_of(splits: Splits) -> NDArray[np.float64]:
    """Return normals and undercuts as one array, for comparing."""
    return np.array([(*c.plane.normal, c.plane.offset_mm, c.undercut_mm3) for c in splits.candidates])


def test_order_of_faces_changes_nothing() -> None:
    points, faces = lump()
    shuffled = faces[np.random.default_rng(2).permutation(len(faces))]
    one, other = (find_splits(pattern((points, order)), options=FEW) for order in (faces, shuffled))
    assert np.allclose(planes_of(one), planes_of(other), rtol=1e-9, atol=1e-9)


def test_moving_the_mesh_changes_nothing() -> None:
    mesh = lump()
    here, there = (pattern(m) for m in (mesh, zoo.moved(mesh, (1234.5, -77.7, 4e3))))
    assert np.allclose(
        planes_of(find_splits(here, options=FEW)), planes_of(find_splits(there, options=FEW)), rtol=1e-6
    )


@pytest.mark.parametrize(
    ("quarter", "up", "front"),
    [
        (np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), "+z", "+x"),
        (np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]]), "+y", "+z"),
        (np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]), "-y", "-z"),
    ],
)
def test_quarter_turns_of_the_file_change_nothing(
    quarter: NDArray[np.float64], up: Axis, front: Axis
) -> None:
    """The plan turns along with the figure."""
    mesh = lump()
    assert np.allclose(quarter @ [0.0, 0.0, 1.0], figure_axes(up, front)[2])  # the test's own bookkeeping
    assert np.allclose(quarter @ [0.0, -1.0, 0.0], figure_axes(up, front)[0])
    one = planes_of(find_splits(pattern(mesh), options=FEW))
    other = planes_of(find_splits(pattern(zoo.turned(mesh, quarter), up, front), options=FEW))
    assert np.allclose(one[:, :3] @ quarter.T, other[:, :3], atol=1e-9)
    assert np.allclose(one[:, 3:], other[:, 3:], rtol=1e-6)


def test_size_of_the_figure_changes_nothing_but_size() -> None:
    points, faces = lump()
    one, other = (planes_of(find_splits(pattern((points * k, faces)), options=FEW)) for k in (1.0, 0.01))
    assert np.allclose(one[:, :3], other[:, :3], atol=1e-9)
    assert np.allclose(one[:, 4], other[:, 4] * 1e6, rtol=1e-6)


def test_extra_axes_are_tried_first_of_the_rest() -> None:
    """A box that leans along no axis of the search: only the axis given frees it."""
    normal = any_turn(12)[0]
    ball = zoo.torus(300.0, 80.0, 64, 24)
    frame = np.linalg.qr(np.c_[normal, np.eye(3)[:, :2]])[0][:, [1, 2, 0]]
    body = pattern(zoo.turned(ball, frame * np.array([1.0, 1.0, np.linalg.det(frame)])))
    best = find_splits(body, options=replace(FEW, extra_axes=(tuple(3.0 * normal),))).candidates[0]
    assert abs(best.plane.array() @ normal) == pytest.approx(1.0, abs=1e-9)
    assert best.undercut_mm3 <= 1e-4 * body.volume_mm3


def test_a_search_can_be_stopped() -> None:
    told: list[tuple[str, float]] = []
    progress = Progress(tell=lambda what, share: told.append((what, share)))

    def stop_soon(what: str, share: float) -> None:
        told.append((what, share))
        if share > 0.3:
            progress.stop.set()

    with pytest.raises(StoppedError, match="stopped on request while: looking along"):
        find_splits(
            pattern(lump()), options=replace(FEW, level=2), progress=replace(progress, tell=stop_soon)
        )
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert 0.3 < shares[-1] < 0.6


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"level": 6}, "level: got 6, allowed 0 to 5"),
        ({"cells": 2}, "cells: got 2, allowed 8 to 4096"),
        ({"final_cells": 9999}, "cells: got 9999, allowed 8 to 4096"),
        ({"keep": 0}, "keep: got 0, allowed 1"),
        ({"least_share": 0.5}, r"least_share: got 0\.5, allowed 0\.0 to 0\.499"),
        ({"light_faces": 10}, "light_faces: got 10"),
        ({"workers": 0}, "workers: got 0, allowed 1 to 256"),
    ],
)
def test_options_out_of_range_are_refused(changes: dict[str, float], message: str) -> None:
    with pytest.raises(SettingError, match=message):
        replace(SearchOptions(), **changes)


def test_a_lighter_copy_stays_near_and_finds_the_same() -> None:
    mesh = zoo.torus(RING, TUBE, 192, 96)
    points, faces, moved = light_copy(*mesh, most=12_000)
    assert len(faces) <= 12_000
    assert 0.0 < moved <= 1.5e-3 * np.linalg.norm(np.ptp(mesh[0], axis=0))
    from_circle = np.hypot(np.hypot(points[:, 0], points[:, 1]) - RING, points[:, 2])
    assert np.abs(from_circle - TUBE).max() <= moved
    assert zoo.volume((points, faces)) == pytest.approx(zoo.volume(mesh), rel=5e-3)
    body = pattern(mesh)
    light, full = (
        find_splits(body, options=replace(FEW, light_faces=most)).candidates[0] for most in (12_000, 60_000)
    )
    assert light.light_undercut_mm3 > full.light_undercut_mm3  # the copy is a little out of true
    assert replace(light, light_undercut_mm3=full.light_undercut_mm3) == full  # measured on the whole mesh


def test_an_arranged_mesh_is_the_same_mesh() -> None:
    """Every triangle is kept with its winding, and corners of a face come to lie near each other."""
    points, faces = lump()
    rng = np.random.default_rng(5)
    order = rng.permutation(len(points))
    shuffled = np.argsort(order)[faces][rng.permutation(len(faces))]
    near_points, near_faces = arranged(points[order], shuffled)
    one, other = (
        np.sort(p[f].reshape(-1, 9).view("f8,f8,f8,f8,f8,f8,f8,f8,f8"), axis=0)
        for p, f in ((points, faces), (near_points, near_faces))
    )
    assert np.array_equal(one, other)
    apart = np.median(np.ptp(near_faces, axis=1))
    assert apart < 0.1 * np.median(np.ptp(shuffled, axis=1))


def test_a_light_mesh_is_its_own_copy() -> None:
    points, faces = zoo.box()
    copy = light_copy(points, faces, most=1000)
    assert copy[0] is points
    assert copy[1] is faces
    assert copy[2] == 0.0


# --- reliefs ----------------------------------------------------------------------------------------------


def half_ball() -> zoo.Mesh:
    """Hemisphere on a disc of a little more than its own radius."""
    arc = [(300.0 * np.cos(a), 20.0 + 300.0 * np.sin(a)) for a in np.linspace(0.0, np.pi / 2.0, 20)[:-1]]
    return zoo.revolve([(0.0, 0.0), (310.0, 0.0), (310.0, 20.0), *arc, (0.0, 320.0)], 96)


@pytest.mark.parametrize(
    ("mesh", "normal", "back"),
    [
        (zoo.box(), (0.0, 0.0, 1.0), -200.0),
        (half_ball(), (0.0, 0.0, 1.0), -160.0),
        (low_relief(), (0.0, 0.0, 1.0), None),
        (zoo.frustum(300.0, 5.0, 400.0), (0.0, 0.0, 1.0), -200.0),
        (zoo.frustum(200.0, 400.0, 300.0), (0.0, 0.0, -1.0), -150.0),  # stands on its wider end
    ],
    ids=["box", "half ball on a disc", "low relief", "cone", "inverted frustum"],
)
def test_a_figure_that_one_half_can_hold(
    mesh: zoo.Mesh, normal: tuple[float, float, float], back: float | None
) -> None:
    body = pattern(mesh)
    plane = find_splits(body, options=FEW).open_back
    assert plane is not None
    assert plane.normal == pytest.approx(normal, abs=1e-9)
    heights = body.vertices @ plane.array()
    assert plane.offset_mm == pytest.approx(heights.min(), abs=1e-9)
    if back is not None:
        assert plane.offset_mm == pytest.approx(back, abs=1e-6)
    lying = undercut_curve(body, plane.normal, [plane.offset_mm])[0]
    assert lying <= 1e-3 * body.volume_mm3


def test_a_relief_is_found_however_it_lies() -> None:
    rotation = any_turn(15)
    plane = find_splits(pattern(zoo.turned(low_relief(), rotation)), options=FEW).open_back
    assert plane is not None
    assert plane.normal == pytest.approx(rotation @ [0.0, 0.0, 1.0], abs=1e-6)


def test_a_back_that_is_a_little_rough_still_serves() -> None:
    points, faces = low_relief()
    on_back = points[:, 2] == 0.0
    points[on_back, 2] = np.random.default_rng(3).uniform(0.0, 0.03, int(on_back.sum()))
    body = pattern((points, faces))
    plane = find_splits(body, options=FEW).open_back
    assert plane is not None
    over = plane.offset_mm - (body.vertices @ plane.array()).min()
    assert 0.0 < over <= 0.08  # planing takes off no more than the roughness


@pytest.mark.parametrize(
    "mesh",
    [
        zoo.sphere(300.0, 4),
        zoo.torus(),
        joined(zoo.moved(zoo.sphere(200.0, 4), (0.0, 0.0, 190.0)), zoo.box(120.0, 120.0, 40.0)),
        zoo.revolve([(0.0, 0.0), (200.0, 0.0), (80.0, 150.0), (200.0, 300.0), (0.0, 300.0)]),
    ],
    ids=["sphere", "torus", "ball on a small foot", "spool"],
)
def test_a_figure_that_no_half_can_hold(mesh: zoo.Mesh) -> None:
    assert find_splits(pattern(mesh), options=FEW).open_back is None


# --- names ------------------------------------------------------------------------------------------------


def test_the_figures_own_left() -> None:
    """A figure that stands along +z and looks along -y has its left hand at +x."""
    assert np.array_equal(figure_axes("+z", "-y"), [[0, -1, 0], [1, 0, 0], [0, 0, 1]])
    for up, front in (("+y", "+z"), ("-x", "+y"), ("+z", "+x")):
        axes = figure_axes(up, front)  # type: ignore[arg-type] # taken from a list of text
        assert np.linalg.det(axes) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("normal", "names"),
    [
        ((0.0, -1.0, 0.0), ("FRONT", "BACK")),
        ((0.1, 0.9, -0.2), ("BACK", "FRONT")),
        ((1.0, 0.0, 0.0), ("LEFT", "RIGHT")),
        ((-0.8, 0.1, 0.5), ("RIGHT", "LEFT")),
        ((0.0, 0.3, 0.9), ("TOP", "BOTTOM")),
        ((0.0, 0.0, -1.0), ("BOTTOM", "TOP")),
        ((1.0, -1.0, 1.0), ("FRONT", "BACK")),  # equally near to all: the front counts first
        ((1.0, 0.0, 1.0 + 1e-12), ("LEFT", "RIGHT")),  # and rounding does not choose
    ],
)
def test_what_halves_are_called(normal: tuple[float, float, float], names: tuple[str, str]) -> None:
    assert called(normal, "+z", "-y") == names


@pytest.mark.parametrize("seed", range(6))
def test_a_plane_and_its_opposite_have_one_name(seed: int) -> None:
    x, y, z = (float(part) for part in any_turn(seed)[0])
    one = canonical_plane(Plane(normal=(x, y, z), offset_mm=12.5), up="+z", front="-y")
    other = canonical_plane(Plane(normal=(-x, -y, -z), offset_mm=-12.5), up="+z", front="-y")
    assert one == other
    assert abs(one.offset_mm) == 12.5
    assert canonical_plane(one, up="+z", front="-y") == one
    assert called(one.normal, "+z", "-y")[0] in {"FRONT", "LEFT", "TOP"}


def test_a_canonical_plane_has_no_negative_zero() -> None:
    plane = canonical_plane(Plane(normal=(0.0, 1.0, 0.0), offset_mm=0.0), up="+z", front="-y")
    assert str(plane.normal) == "(0.0, -1.0, 0.0)"
    assert str(plane.offset_mm) == "0.0"


def test_up_and_front_along_one_axis_are_refused() -> None:
    with pytest.raises(SettingError, match=r"up \+z and front -z lie along the same axis; give a front"):
        figure_axes("+z", "-z")


@pytest.mark.parametrize(
    ("text", "normal", "offset"),
    [
        ("0,1,0@-12.5", (0.0, 1.0, 0.0), -12.5),
        ("0,0,-2@7mm", (0.0, 0.0, -1.0), 7.0),
        (" 3, 4, 0 @ 1e2 mm ", (0.6, 0.8, 0.0), 100.0),
        ("1,0,0@0", (1.0, 0.0, 0.0), 0.0),
        ("1e-5,0,0@+3", (1.0, 0.0, 0.0), 3.0),
    ],
)
def test_a_cut_as_people_write_it(text: str, normal: tuple[float, ...], offset: float) -> None:
    plane = parse_cut(text)
    assert plane.normal == pytest.approx(normal, abs=1e-15)
    assert plane.offset_mm == offset


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("0,1,0", "there is no @"),
        ("", "there is no @"),
        ("0,1@5", "has 2 numbers where 3"),
        ("0,1,0,0@5", "has 4 numbers where 3"),
        ("0,0,0@5", "no usable length"),
        ("1e200,1e200,1e300@5", None),
        ("nan,0,1@5", "'nan' is not a finite number"),
        ("0,0,1@inf", "'inf' is not a finite number"),
        ("0,x,1@5", "'x' is not a number"),
        ("0,0,1@", "'' is not a number"),
        ("0,0,1@5cm", "'5cm' is not a number"),
        ("0,0,1@5@6", "'5@6' is not a number"),
        ("0;0;1@5", "has 1 numbers where 3"),
    ],
)
def test_a_cut_written_otherwise_is_refused(text: str, why: str | None) -> None:
    if why is None:  # huge but finite: still a direction
        assert np.linalg.norm(parse_cut(text).normal) == pytest.approx(1.0)
        return
    with pytest.raises(SettingError, match=why) as refused:
        parse_cut(text)
    assert "for example 0,1,0@-12.5" in str(refused.value)
    assert "\n" not in str(refused.value)
