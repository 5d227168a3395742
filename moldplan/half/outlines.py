"""Outlines of a half on its board: the sawn face, and the shadow seen along the pull."""

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry import LinearRing

from moldplan.half.solids import Solid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ring = NDArray[np.float64]

#: Rings that hold less than this share of the square round the half are rounding.
NO_AREA = 1e-12


def section_outline(solid: Solid) -> MultiPolygon:
    """Return what lies on the board, from the free edges of the faces there; area exact to rounding."""
    loops = _loops(_free_edges(solid.faces[solid.on_board]))
    # faces on the board look down: seen from above their outline runs the other way round
    return _polygons([solid.vertices[loop[::-1], :2] for loop in loops], _least_area(solid))


def projection_outline(solid: Solid) -> MultiPolygon:
    """Return the shadow of the half on the board."""
    rings = [np.asarray(ring, dtype=np.float64) for ring in solid.manifold.project().to_polygons()]
    return _polygons(rings, _least_area(solid))


def _least_area(solid: Solid) -> float:
    """Return the area below which a ring is rounding."""
    return NO_AREA * float(np.ptp(solid.vertices, axis=0).max()) ** 2


def _free_edges(faces: Ints) -> Ints:
    """Return the directed edges (k, 2) that no neighbour runs back along."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    span = int(edges.max(initial=0)) + 1
    there = edges[:, 0] * span + edges[:, 1]
    back = edges[:, 1] * span + edges[:, 0]
    return edges[~np.isin(there, back)]


def _loops(edges: Ints) -> list[list[int]]:
    """Chain directed edges into simple loops; a loop that meets itself at a point is taken apart there."""
    leaving: dict[int, list[int]] = {}
    for start, end in edges[::-1]:
        leaving.setdefault(int(start), []).append(int(end))
    loops = []
    for first in list(leaving):
        while leaving[first]:
            loops.extend(_walk(leaving, first))
    return loops


def _walk(leaving: dict[int, list[int]], first: int) -> list[list[int]]:
    """Walk from `first` until the way ends, cutting off each loop as it closes."""
    loops: list[list[int]] = []
    path, place = [first], {first: 0}
    while leaving.get(path[-1]):
        point = leaving[path[-1]].pop()
        if point in place:
            loop = path[place[point] :]
            loops.append(loop)
            for passed in loop[1:]:
                del place[passed]
            del path[place[point] + 1 :]
        else:
            place[point] = len(path)
            path.append(point)
    return loops


def _polygons(rings: list[Ring], least_mm2: float) -> MultiPolygon:
    """Return polygons from rings: counter-clockwise ones are outlines, clockwise ones holes."""
    areas = [_signed_area(ring) for ring in rings]
    shells = sorted(
        (area, k) for k, area in enumerate(areas) if area > least_mm2
    )  # least first: a hole goes to the least outline round it
    solids = [Polygon(rings[k]) for _, k in shells]
    holes: list[list[Ring]] = [[] for _ in shells]
    for ring, area in zip(rings, areas, strict=True):
        if area < -least_mm2:
            inside = Polygon(ring).representative_point()
            larger = (k for k, (size, _) in enumerate(shells) if size > -area)  # not an island in the hole
            home = next((k for k in larger if solids[k].contains(inside)), None)
            if home is not None:
                holes[home].append(ring)
    made = [Polygon(rings[k], holes[at]) for at, (_, k) in enumerate(shells)]
    return _valid(made[::-1])


def _signed_area(ring: Ring) -> float:
    """Return the area of a ring, positive when it runs counter-clockwise."""
    if len(ring) < 3:
        return 0.0
    return float(Polygon(ring).area) * (1.0 if LinearRing(ring).is_ccw else -1.0)


def _valid(polygons: list[Polygon]) -> MultiPolygon:
    """Return a valid multipolygon, mending outlines that touch themselves."""
    whole = MultiPolygon(polygons)
    if whole.is_valid:
        return whole
    mended = shapely.union_all([shapely.make_valid(polygon) for polygon in polygons])
    return MultiPolygon([part for part in shapely.get_parts(mended) if isinstance(part, Polygon)])
