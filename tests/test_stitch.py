"""Sound surface kept as it came, and only the rest made anew."""

import numpy as np
import pytest
import zoo

from moldplan.columns.strip import strip_between
from moldplan.pattern.compare import changed_faces
from moldplan.pattern.crossings import crossing_faces
from moldplan.pattern.outward import facing_out
from moldplan.pattern.resurface import resurface
from moldplan.pattern.stitch import CLEAR, TRIES, kept_where_sound
from moldplan.pattern.topology import Surface, fan_count, genus_sum

BALL = zoo.sphere(500.0, 4)


def test_ball_with_a_hole_keeps_the_rest() -> None:
    points, faces = BALL
    opened = Surface(points, faces[points[faces].mean(axis=1) @ np.array([0.6, 0.0, 0.8]) < 490.0])
    made = resurface(opened, cells=48)
    assert made.problem is None
    assert made.surface.edges.closed
    assert fan_count(made.surface.edges) == len(made.surface.points)
    assert crossing_faces(made.surface).tolist() == []
    assert genus_sum(made.surface.edges) == 0
    new, _ = changed_faces(opened, made.surface)
    middles = made.surface.points[made.surface.faces].mean(axis=1)
    # a cap of height h has 2 pi r h of 4 pi r^2; the new part reaches a few cells and one face further
    assert made.kept > 0.85
    assert (middles[new] @ np.array([0.6, 0.0, 0.8])).min() > 350.0
    assert zoo.volume((made.surface.points, made.surface.faces)) == pytest.approx(zoo.volume(BALL), rel=2e-3)


def test_whole_surface_is_kept_whole() -> None:
    surface = Surface(*BALL)
    made = resurface(surface, cells=48)
    assert made.kept == pytest.approx(1.0)
    assert [int(flags.sum()) for flags in changed_faces(surface, made.surface)] == [0, 0]


def test_two_balls_keep_what_lies_off_their_seam() -> None:
    points, faces = BALL
    second, _ = zoo.moved(BALL, (500.0, 3.0, 1.0))
    both = Surface(np.vstack([points, second]), np.vstack([faces, faces + len(points)]))
    made = resurface(both, cells=64)
    assert made.kept > 0.6
    assert made.surface.edges.closed
    assert crossing_faces(made.surface).tolist() == []
    new, _ = changed_faces(both, made.surface)
    # Half-way between the middles is the seam. Each try reaches on by its clearance and one old face, the
    # first from the far corner of a face on the seam.
    middles = made.surface.points[made.surface.faces[new]].mean(axis=1)
    side = np.linalg.norm(points[faces[:, 0]] - points[faces[:, 1]], axis=1).max()
    assert np.abs(middles[:, 0] - 250.0).max() <= side + TRIES * (CLEAR * made.cell + side)


def test_loose_triangles_are_not_kept() -> None:
    points, faces = BALL
    loose = Surface(points[faces].reshape(-1, 3), np.arange(faces.size).reshape(-1, 3))
    made = resurface(loose, cells=32)
    assert made.kept == 0.0
    assert made.surface.edges.closed


def test_surfaces_that_do_not_fit_are_left_alone() -> None:
    old = facing_out(Surface(*BALL)).surface
    far = Surface(*zoo.sphere(300.0, 3))
    kept, share = kept_where_sound(old, far, 10.0)
    assert kept is far
    assert share == 0.0


@pytest.mark.kernel
@pytest.mark.parametrize(("inner", "outer", "turn"), [(12, 12, 0), (12, 31, 5), (40, 7, 3)])
def test_strip_between_two_circles(inner: int, outer: int, turn: int) -> None:
    # Flat rings between polygons: the strip has their area exactly when no triangle is folded on another.
    a, b = (2.0 * np.pi * (np.arange(count) + 0.1) / count for count in (inner, outer))
    points = np.concatenate(
        [
            np.stack([np.cos(a), np.sin(a), 0.0 * a], axis=1),
            2.0 * np.stack([np.cos(b), np.sin(b), 0.0 * b], axis=1),
        ]
    )
    one, two = np.roll(np.arange(inner), turn), np.arange(inner, inner + outer)
    faces = strip_between(points, one, two)
    corners = points[faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    assert across.min() > 0.0
    area = 0.5 * (4.0 * outer * np.sin(2.0 * np.pi / outer) - inner * np.sin(2.0 * np.pi / inner))
    assert 0.5 * across.sum() == pytest.approx(area, rel=1e-12)
    edges = Surface(points, faces).edges
    assert len(edges.open) == inner + outer
    assert len(edges.crowded) == 0
    assert not edges.same_way.any()
