"""Patches of the surface that the seam is to keep off: from a box, a chalk line, or marked vertices.

A patch marks vertices of the pattern. Between a marked vertex and one that is not, it ends half way along the
edge, so patches from lines and marks are as exact as the mesh is fine; a box cuts triangles where it lies.

Chalk line
    1. Each point of the line goes to the nearest vertex of the surface.
    2. Shortest paths along edges join them, one after the other, into a closed ring.
    3. Faces that hang together without crossing the ring make a side. Of the body the ring lies on, all but
       the side of the largest area is the patch, with the ring.

Sources: shortest paths by Dijkstra (1959), as in scipy; the rest derived.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

from moldplan.choice.marks import read_vertices
from moldplan.choice.model import Patch
from moldplan.choice.sampling import area_of, clipped, spread, within_box
from moldplan.errors import SettingError
from moldplan.pattern.arrays import frozen
from moldplan.pattern.model import Pattern
from moldplan.pattern.topology import Edges, face_bodies, linked, mesh_edges

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Point = tuple[float, float, float]

#: A chalk line's points may lie this far off the surface, as a share of the figure's diagonal.
LINE_OFF_SHARE: Final = 0.02
#: Marks of another file may lie this far off the pattern's vertices, likewise.
MARKS_OFF_SHARE: Final = 0.01
#: A vertex has about so many neighbours: how far they are tells how far its mark reaches on another mesh.
MARK_NEIGHBOURS: Final = 6
#: The nearest vertices may be this far from a chalk line's points, as a share of the line's longest extent.
COARSE_SHARE: Final = 0.25
#: How much longer than the straight line a way along the edges is expected to be at most.
NEAR_TIMES: Final = 3.0
#: Patches smaller than this share of the figure's diagonal squared are a touch, not an area.
NO_AREA_SHARE: Final = 1e-12


@dataclass(frozen=True, kw_only=True)
class Marks:
    """Where marks are read from: a PLY, and the property or the colour (0 to 255) of its marked vertices."""

    file: Path
    marked: str | None = None
    colour: tuple[int, int, int] | None = None


def patch_from_box(pattern: Pattern, *, name: str, low_mm: Point, high_mm: Point, spacing_mm: float) -> Patch:
    """Return the surface within a box.

    Parameters
    ----------
    low_mm, high_mm
        Lowest and highest corner, mm from the middle of the figure's bounding box in the file's axes.
    spacing_mm
        The patch's points lie at most this far apart, over 0.

    Returns
    -------
    Patch
        With the box, which holds exactly: `marked` only has the vertices in it and may be all False.

    Raises
    ------
    SettingError
        When the surface does not pass through the box.
    """
    low, high = np.array(low_mm), np.array(high_mm)
    parts = within_box(pattern.vertices[pattern.faces], low, high)
    if area_of(parts) <= NO_AREA_SHARE * _diagonal(pattern) ** 2:
        reach = ", ".join(
            f"{axis} {below:.4g} to {above:.4g}"
            for axis, below, above in zip(
                "xyz", pattern.vertices.min(axis=0), pattern.vertices.max(axis=0), strict=True
            )
        )
        raise SettingError(
            f"keep_clean {name!r}: the figure's surface does not pass through this box; the figure reaches "
            f"from {reach} mm, measured from its middle: check the corners"
        )
    marked = np.asarray(((pattern.vertices >= low) & (pattern.vertices <= high)).all(axis=1))
    return _patch(name, marked, spread(parts, spacing_mm), low_mm, high_mm)


def patch_from_line(pattern: Pattern, *, name: str, line_mm: Sequence[Point], spacing_mm: float) -> Patch:
    """Return the smaller side of a closed chalk line on the surface, to within half an edge of the mesh.

    Parameters
    ----------
    line_mm
        Points on the surface in order, at least 3; the last is joined to the first. Places as of a box.
    spacing_mm
        The patch's points lie at most this far apart, over 0.

    Raises
    ------
    SettingError
        When a point is farther than 2 % of the figure's diagonal from the surface, the mesh is too coarse to
        follow the line, or the line does not part the surface.
    """
    points = np.array(line_mm, dtype=np.float64).reshape(-1, 3)
    corners = _on_surface(pattern, name, points)
    edges = mesh_edges(pattern.faces)
    ring = _ring(pattern, name, edges, corners)
    marked = _smaller_side(pattern, name, edges, ring)
    return _of_marked(pattern, name, marked, spacing_mm)


def patch_from_marks(pattern: Pattern, *, name: str, marks: Marks, spacing_mm: float) -> Patch:
    """Return the surface round the marked vertices of a PLY that lies where the pattern's own file does.

    A vertex of the pattern is marked when it is the nearest to a marked vertex of the file, or when its own
    nearest vertex of the file is marked and not farther than the vertices round that one: the meshes need not
    be the same.

    Parameters
    ----------
    marks
        The file and what marks its vertices; scaled and moved as the pattern was.
    spacing_mm
        The patch's points lie at most this far apart, over 0.

    Raises
    ------
    SettingError
        When the file cannot be read, its vertices have no such property or no colours, none or all are
        marked, or marked ones lie farther off the pattern than 1 % of the figure's diagonal and an edge.
    """
    try:
        vertices = read_vertices(marks.file)
        if marks.colour is not None:
            found, what = vertices.painted(marks.colour), "#" + bytes(marks.colour).hex()
        else:
            found, what = vertices.marked(str(marks.marked)), str(marks.marked)
    except SettingError as error:
        raise SettingError(f"keep_clean {name!r}: {error}") from error
    if not bool(found.any()):
        raise SettingError(
            f"keep_clean {name!r}: no vertex of {marks.file.name} is marked as {what}: mark the patch and "
            "save the file with its vertices' properties"
        )
    points = (vertices.points - np.array(pattern.middle_file)) * pattern.scale_mm
    marked = _matched(pattern, name, points, found)
    if bool(marked.all()):
        raise SettingError(f"keep_clean {name!r}: every vertex is marked as {what}: no seam could keep off")
    return _of_marked(pattern, name, marked, spacing_mm)


def _patch(
    name: str, marked: Bools, points: Floats, low: Point | None = None, high: Point | None = None
) -> Patch:
    """Return a patch, its arrays read-only."""
    frozen(marked)
    frozen(points)
    return Patch(name=name, marked=marked, points_mm=points, low_mm=low, high_mm=high)


def _of_marked(pattern: Pattern, name: str, marked: Bools, spacing_mm: float) -> Patch:
    """Return the patch of marked vertices: it ends half way to those that are not."""
    touched = marked[pattern.faces].any(axis=1)
    faces = pattern.faces[touched]
    parts, _ = clipped(pattern.vertices[faces], marked[faces].astype(np.float64) - 0.5)
    return _patch(name, marked, spread(parts, spacing_mm))


def _diagonal(pattern: Pattern) -> float:
    """Return the diagonal of the figure's bounding box."""
    return float(np.linalg.norm(pattern.size_mm))


def _nearest(points: Floats, places: Floats) -> tuple[Floats, Ints]:
    """Return for each place (k, 3) how far the nearest of the points is, and which that is."""
    distance, which = KDTree(points).query(places)
    return np.asarray(distance, dtype=np.float64), np.asarray(which, dtype=np.int64)


# --- chalk line -------------------------------------------------------------------------------------------


def _on_surface(pattern: Pattern, name: str, points: Floats) -> Ints:
    """Return the vertices nearest to the line's points, repeats dropped."""
    distance, nearest = _nearest(pattern.vertices, points)
    most_mm = LINE_OFF_SHARE * _diagonal(pattern)
    for number in np.flatnonzero(distance > most_mm):
        off_mm = _surface_distance(pattern, points[number], float(distance[number]))
        if off_mm > most_mm:
            raise SettingError(
                f"keep_clean {name!r}: point {number + 1} of the line lies {off_mm:.4g} mm off the surface, "
                f"allowed is {most_mm:.3g} mm: places are mm from the middle of the scaled figure"
            )
    extent_mm = float(np.ptp(points, axis=0).max())
    corners = np.asarray(nearest[nearest != np.roll(nearest, 1)])
    if len(set(corners.tolist())) < 3 or float(distance.max()) > COARSE_SHARE * extent_mm:
        raise SettingError(
            f"keep_clean {name!r}: the mesh is too coarse for this line: its nearest corners are up to "
            f"{float(distance.max()):.3g} mm off a line {extent_mm:.4g} mm long; give a box instead"
        )
    return corners


def _surface_distance(pattern: Pattern, point: Floats, at_most: float) -> float:
    """Return how far a point is from the surface; `at_most` is how far from its nearest vertex."""
    triangles = pattern.vertices[pattern.faces]
    gap = np.maximum(np.maximum(triangles.min(axis=1) - point, point - triangles.max(axis=1)), 0.0)
    near = triangles[np.einsum("ij,ij->i", gap, gap) <= at_most**2]
    return min(at_most, float(_triangle_distances(near, point).min(initial=np.inf)))


def _triangle_distances(triangles: Floats, point: Floats) -> Floats:
    """Return the distance (k,) of a point from triangles (k, 3, 3), the nearest of edges and inside."""
    least = np.full(len(triangles), np.inf)
    for i in range(3):
        start, along = triangles[:, i], triangles[:, i - 2] - triangles[:, i]
        length2 = np.maximum(np.einsum("ij,ij->i", along, along), np.finfo(np.float64).tiny)
        share = np.clip(np.einsum("ij,ij->i", point - start, along) / length2, 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(start + share[:, None] * along - point, axis=1))
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    lengths = np.maximum(np.linalg.norm(normals, axis=1), np.finfo(np.float64).tiny)
    height = np.einsum("ij,ij->i", point - triangles[:, 0], normals) / lengths
    foot = point - (height / lengths)[:, None] * normals
    inside = np.ones(len(triangles), dtype=bool)
    for i in range(3):
        edge, to_foot = triangles[:, i - 2] - triangles[:, i], foot - triangles[:, i]
        inside &= np.einsum("ij,ij->i", np.cross(edge, to_foot), normals) >= 0.0
    return np.where(inside, np.minimum(least, np.abs(height)), least)


def _ring(pattern: Pattern, name: str, edges: Edges, corners: Ints) -> Ints:
    """Return the vertices of the closed walk along edges through `corners`, the last joined to the first."""
    start, end = edges.ends(edges.order[edges.start])
    lengths = np.linalg.norm(pattern.vertices[start] - pattern.vertices[end], axis=1)
    size = len(pattern.vertices)
    graph = csr_matrix((lengths, (start, end)), shape=(size, size))
    walk: list[int] = []
    for source, target in zip(corners, np.roll(corners, -1), strict=True):
        straight_mm = float(np.linalg.norm(pattern.vertices[source] - pattern.vertices[target]))
        path = _path(graph, int(source), int(target), straight_mm)
        if not path:
            raise SettingError(
                f"keep_clean {name!r}: the line runs over two bodies that do not hang together: "
                "draw it on one of them"
            )
        walk += path[:-1]
    return np.array(walk, dtype=np.int64)


def _path(graph: "csr_matrix[np.float64]", source: int, target: int, straight_mm: float) -> list[int]:
    """Return the vertices of the shortest path along edges, empty when there is none.

    It is first looked for near the straight line: a search over all of a large mesh takes a second.
    """
    for limit in (NEAR_TIMES * straight_mm, np.inf):
        _, rows = dijkstra(graph, directed=False, indices=[source], return_predecessors=True, limit=limit)
        before = rows[0]
        if before[target] >= 0:
            break
    path = [target]
    while path[-1] != source:
        if before[path[-1]] < 0:
            return []
        path.append(int(before[path[-1]]))
    return path[::-1]


def _smaller_side(pattern: Pattern, name: str, edges: Edges, ring: Ints) -> Bools:
    """Return which vertices (n,) lie on the smaller side of a ring, those of the ring included."""
    first, second = edges.pairs
    start, end = edges.ends(first)
    size = len(pattern.vertices)
    cut = np.sort(np.stack([ring, np.roll(ring, -1)]), axis=0)
    crossed = np.isin(np.minimum(start, end) * size + np.maximum(start, end), cut[0] * size + cut[1])
    number, side = linked(first[~crossed] // 3, second[~crossed] // 3, len(pattern.faces))
    body = face_bodies(edges)[1]
    own = body == body[np.flatnonzero((pattern.faces == ring[0]).any(axis=1))[0]]
    areas = np.bincount(side[own], weights=_areas(pattern)[own], minlength=number)
    if int((areas > 0.0).sum()) < 2:
        raise SettingError(
            f"keep_clean {name!r}: the line does not part the surface: it has to run once round the patch, "
            "its points in order"
        )
    marked = np.zeros(size, dtype=bool)
    marked[pattern.faces[own & (side != int(np.argmax(areas)))]] = True
    return marked


def _areas(pattern: Pattern) -> Floats:
    """Return the area (m,) of each face."""
    corners = pattern.vertices[pattern.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(normals, axis=1))


# --- marks ------------------------------------------------------------------------------------------------


def _matched(pattern: Pattern, name: str, points: Floats, found: Bools) -> Bools:
    """Return which of the pattern's vertices (n,) belong to the marked ones of `points` (j, 3)."""
    most_mm = MARKS_OFF_SHARE * _diagonal(pattern)
    distance, nearest = _nearest(pattern.vertices, points[found])
    allowed = most_mm + _longest_edges(pattern)[nearest]
    worst = int(np.argmax(distance - allowed))
    if distance[worst] > allowed[worst]:
        raise SettingError(
            f"keep_clean {name!r}: a mark lies {distance[worst]:.4g} mm off the pattern's vertices, allowed "
            f"is {allowed[worst]:.3g} mm: its file has to lie where the pattern's does, in the same numbers"
        )
    marked = np.zeros(len(pattern.vertices), dtype=bool)
    marked[nearest] = True
    around, _ = KDTree(points).query(points[found], k=min(MARK_NEIGHBOURS + 1, len(points)))
    reach = np.zeros(len(points))
    reach[found] = np.maximum(np.reshape(around, (int(found.sum()), -1)).max(axis=1), most_mm)
    back, which = _nearest(points, pattern.vertices)
    return np.asarray(marked | (found[which] & (back <= reach[which])))


def _longest_edges(pattern: Pattern) -> Floats:
    """Return the longest edge (n,) at each vertex: no place on its faces is farther from a corner."""
    longest = np.zeros(len(pattern.vertices))
    for i in range(3):
        one, other = pattern.faces[:, i], pattern.faces[:, i - 1]
        length = np.linalg.norm(pattern.vertices[one] - pattern.vertices[other], axis=1)
        np.maximum.at(longest, one, length)
        np.maximum.at(longest, other, length)
    return longest
