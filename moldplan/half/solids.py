"""A half as an exact solid: turning it onto its board, sawing, and what its topology says."""

from dataclasses import dataclass
from typing import Final

import manifold3d
import numpy as np
from numpy.typing import NDArray

from moldplan.errors import PatternError, SettingError
from moldplan.pattern.arrays import mesh_volume_mm3
from moldplan.pattern.model import Pattern, axis_vector
from moldplan.pattern.topology import linked
from moldplan.split.model import Plane
from moldplan.tolerances import BOARD_EPSILON

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Share of a figure direction that must lie along the pull before the other one orients the board.
ALONG_PULL: Final = 0.9


@dataclass(frozen=True, kw_only=True)
class Solid:
    """A closed mesh in a half's frame, z >= 0; `on_board` (m,) marks the faces that lie on z = 0."""

    vertices: Floats
    faces: Ints
    on_board: NDArray[np.bool_]
    manifold: manifold3d.Manifold


@dataclass(frozen=True, kw_only=True)
class Topology:
    """Counts of a half.

    `genus`: handles, summed over its bodies; `links`: closed loops the rubber makes round or through it;
    `pockets`: hollows shut in between half and board, or inside the half.
    """

    genus: int
    links: int
    pockets: int


def unit_normal(plane: Plane) -> Floats:
    """Return the plane's normal at unit length.

    Raises
    ------
    SettingError
        When the normal or the offset is no finite number, or the normal has no length.
    """
    normal = plane.array()
    length = float(np.linalg.norm(normal))
    if not np.isfinite(length) or length == 0.0 or not np.isfinite(plane.offset_mm):
        raise SettingError(
            f"plane {plane.normal} @ {plane.offset_mm}: the normal needs a length and every number must be "
            "finite; give it as NX,NY,NZ@OFFSET, for example 0,1,0@12.5"
        )
    return np.asarray(normal / length)


def frame(pull: Floats, pattern: Pattern) -> Floats:
    """Return the rotation (3, 3) into the frame of a half: rows are its x, y, z in the file's axes.

    z is the pull; y the figure's up laid on the board, or its front when the pull is up or down; x is to
    the right as one looks down on the board (x = y cross z).
    """
    up = axis_vector(pattern.up)
    guide = axis_vector(pattern.front) if abs(float(up @ pull)) > ALONG_PULL else up
    y = guide - (guide @ pull) * pull
    y /= np.linalg.norm(y)
    return np.asarray(np.stack([np.cross(y, pull), y, pull]))


def direction_on_board(axis: Floats, rotation: Floats) -> tuple[float, float]:
    """Return a figure direction on the board at unit length, (0, 0) when it points along the pull."""
    x, y, z = rotation @ axis
    if abs(z) > ALONG_PULL:
        return 0.0, 0.0
    length = float(np.hypot(x, y))
    return float(x) / length, float(y) / length


def transform(rotation: Floats, origin: Floats) -> Floats:
    """Return the (4, 4) matrix of ``rotation @ (p - origin)``."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = -rotation @ origin
    return matrix


def turned_over(vertices: Floats) -> Floats:
    """Take points of half A's frame into half B's: half a turn about y, exact."""
    return np.asarray(vertices * np.array([-1.0, 1.0, -1.0]))


def sawn(pattern: Pattern, normal: Floats, offset_mm: float) -> tuple[Solid, Solid]:
    """Cut the pattern at a plane; return both solids, each on its own board.

    Raises
    ------
    PatternError
        When the plane misses the pattern or a half would hold nothing.
    """
    points = (pattern.vertices - normal * offset_mm) @ frame(normal, pattern).T
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    slack = BOARD_EPSILON * float(np.ptp(points, axis=0).max())
    if low >= -slack or high <= slack:
        raise _misses(pattern, normal, offset_mm, low + offset_mm, high + offset_mm)
    above, below = solid_of(points, pattern.faces, pattern.name).split_by_plane((0.0, 0.0, 1.0), 0.0)
    if above.is_empty() or below.is_empty():
        raise _misses(pattern, normal, offset_mm, low + offset_mm, high + offset_mm)
    top, top_faces = mesh_of(above)
    bottom, bottom_faces = mesh_of(below)
    return (
        on_board(top, top_faces, above),
        on_board(turned_over(bottom), bottom_faces, below.rotate((0.0, 180.0, 0.0))),
    )


def laid(pattern: Pattern, normal: Floats, offset_mm: float) -> Solid:
    """Lay the whole pattern on the flat back at `offset_mm`; what lies behind the back is planed off.

    Raises
    ------
    PatternError
        When nothing of the pattern touches the plane of its back.
    """
    points = (pattern.vertices - normal * offset_mm) @ frame(normal, pattern).T
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    slack = BOARD_EPSILON * float(np.ptp(points, axis=0).max())
    if low > slack or high <= slack:
        raise _misses(pattern, normal, offset_mm, low + offset_mm, high + offset_mm)
    whole = solid_of(points, pattern.faces, pattern.name)
    if low >= -slack:
        return on_board(points, pattern.faces, whole)
    above = whole.trim_by_plane((0.0, 0.0, 1.0), 0.0)
    return on_board(*mesh_of(above), above)


def _misses(pattern: Pattern, normal: Floats, offset_mm: float, low: float, high: float) -> PatternError:
    """Return the error for a plane beside the pattern."""
    where = ",".join(f"{part:g}" for part in normal)
    return PatternError(
        f"{pattern.name}: the plane {where}@{offset_mm:g} misses the pattern; along this normal it reaches "
        f"from {low:.1f} to {high:.1f} mm: give an offset between"
    )


def solid_of(vertices: Floats, faces: Ints, name: str) -> manifold3d.Manifold:
    """Return the solid of a closed mesh.

    Raises
    ------
    PatternError
        When the mesh is no closed solid.
    """
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            # copies: the binding refuses read-only arrays
            vert_properties=np.array(vertices, dtype=np.float64, order="C"),
            tri_verts=np.array(faces, dtype=np.uint64, order="C"),
        )
    )
    if solid.status() != manifold3d.Error.NoError:
        raise PatternError(
            f"{name}: the mesh is no closed solid ({solid.status().name}); run `moldplan survey` to see why"
        )
    return solid


def mesh_of(solid: manifold3d.Manifold) -> tuple[Floats, Ints]:
    """Return points (n, 3) and welded triangles (m, 3) of a solid."""
    mesh = solid.to_mesh64()
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    faces = np.array(mesh.tri_verts, dtype=np.int64)
    if len(mesh.merge_from_vert):
        target = np.arange(len(vertices))
        target[np.asarray(mesh.merge_from_vert, dtype=np.int64)] = mesh.merge_to_vert
        faces = target[faces]
        used, inverse = np.unique(faces, return_inverse=True)
        vertices, faces = vertices[used], inverse.reshape(-1, 3)
    return vertices, faces


def on_board(vertices: Floats, faces: Ints, manifold: manifold3d.Manifold) -> Solid:
    """Lay the mesh of `manifold` exactly on z = 0: heights within rounding of the board become 0."""
    points = np.array(vertices, dtype=np.float64)
    slack = BOARD_EPSILON * float(np.ptp(points, axis=0).max())
    points[points[:, 2] <= slack, 2] = 0.0
    corners = np.array(faces, dtype=np.int64)
    lies = (points[:, 2] == 0.0)[corners].all(axis=1)
    return Solid(vertices=points, faces=corners, on_board=lies, manifold=manifold)


def topology(solid: Solid) -> Topology:
    """Count handles, rubber links and sealed pockets exactly, from the mesh alone.

    Notes
    -----
    Let H be the half, S the faces of its boundary dH on the board, C the rest of the space above the board.
    ``chi(C) = 1 + chi(dH)/2 - chi(S)``. C has one component more than there are pockets: a body whose
    boundary without S falls apart into k pieces shuts in k - 1 of them. Links are the first Betti number
    ``b1(C) = b0(C) + b2(C) - chi(C)``, b2 the bodies that do not touch the board.
    Source: derived, first principles (Euler characteristic of a union, Alexander duality).
    """
    board = solid.faces[solid.on_board]
    rest = solid.faces[~solid.on_board]
    shells, shell_of = surfaces(solid.faces, len(solid.vertices))
    pieces, _ = surfaces(rest, len(solid.vertices))
    touching = len(np.unique(shell_of[np.unique(board)])) if len(board) else 0
    inner = _inner_shells(solid, shells, shell_of)
    euler = _different(solid.faces, len(solid.vertices)) - len(solid.faces) // 2
    pockets = pieces - shells + inner
    floating = shells - touching - inner
    links = (1 + pockets) + floating - (1 + euler // 2 - _euler(board))
    return Topology(genus=shells - euler // 2, links=links, pockets=pockets)


def surfaces(faces: Ints, points: int) -> tuple[int, Ints]:
    """Return how many connected surfaces the faces (m, 3) make, and the number of each point's surface."""
    one = np.concatenate([faces[:, 0], faces[:, 1]])
    two = np.concatenate([faces[:, 1], faces[:, 2]])
    number, label = linked(one, two, points)
    return _different(label[faces[:, 0]], number), label


def _different(numbers: Ints, size: int) -> int:
    """Return how many different ones there are among numbers from 0 to under `size`."""
    there = np.zeros(size, dtype=np.bool_)
    there[numbers] = True
    return int(np.count_nonzero(there))


def _inner_shells(solid: Solid, shells: int, shell_of: Ints) -> int:
    """Count closed surfaces that bound a hollow: those with a negative volume."""
    if shells == 1:
        return 0
    of_face = shell_of[solid.faces[:, 0]]
    parts = (solid.faces[of_face == shell] for shell in np.unique(of_face))
    return sum(mesh_volume_mm3(solid.vertices, part) < 0.0 for part in parts)


def _euler(faces: Ints) -> int:
    """Return corners less edges plus faces of a piece of surface."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return len(np.unique(faces)) - len(np.unique(edges, axis=0)) + len(faces)
