"""Outlines on the board: one closed line round everything, and round corners."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from shapely import LinearRing, LineString, MultiPolygon, Polygon, union_all
from shapely.geometry.base import BaseGeometry, BaseMultipartGeometry

Point2 = tuple[float, float]
Line2 = tuple[Point2, Point2]

#: Segments in a quarter circle of an offset line: a 100 mm arc is then 0.03 mm from round.
ARC_SEGMENTS: Final = 32
#: The distance of too many corners grows by this factor until there are few.
_LOOSER: Final = 1.1


def filled(outline: MultiPolygon | Polygon) -> MultiPolygon:
    """Return `outline` without its holes."""
    parts = [Polygon(part.exterior) for part in areas(outline).geoms]
    return MultiPolygon(parts) if len(parts) == 1 else areas(union_all(parts))


def one_line_round(outline: MultiPolygon, *, grow_mm: float, round_mm: float) -> Polygon:
    """Return one polygon without holes that keeps `grow_mm` clear of `outline` all round.

    Parameters
    ----------
    outline
        What to go round; may have parts and holes.
    grow_mm
        Least distance from it, greater than zero.
    round_mm
        Least bend of inner corners and least width of a bay that is followed; narrower ones are
        passed straight. Outer corners bend by `grow_mm` at least.

    Notes
    -----
    Grown, then closed (out and in again by `round_mm`). Parts that are still apart are joined by closing with
    ever larger radii, at last by their hull. Closing only adds ground and never reaches beyond the hull, so
    the clearance holds and the overall size is that of `outline` and twice `grow_mm`, to 0.07 % of the
    radii (`ARC_SEGMENTS`).
    """
    grown = filled(outline).buffer(grow_mm, quad_segs=ARC_SEGMENTS)
    x_low, y_low, x_high, y_high = grown.bounds
    longest = max(x_high - x_low, y_high - y_low)
    radius = round_mm
    while radius < longest:
        closed = filled(grown if radius == 0.0 else _closed(grown, radius))
        if len(closed.geoms) == 1:
            return closed.geoms[0]
        radius = max(2.0 * radius, grow_mm)
    return areas(grown.convex_hull).geoms[0]


def bounds_of(outline: BaseGeometry) -> tuple[Sequence[float], Sequence[float]]:
    """Return the size (x, y) and the middle (x, y) of an outline, mm."""
    x_low, y_low, x_high, y_high = outline.bounds
    return (x_high - x_low, y_high - y_low), (0.5 * (x_low + x_high), 0.5 * (y_low + y_high))


def few_corners(outline: Polygon, *, within_mm: float, most: int) -> tuple[Point2, ...]:
    """Return few corners that tell the course of an outline, in order round it.

    Parameters
    ----------
    outline
        Only its outer line counts.
    within_mm
        The straight lines between the corners may pass this far from the outline.
    most
        Allowed number of corners, 4 or more; the distance grows until so few do (`farthest_off_mm`).

    Returns
    -------
    tuple
        Corners of the outline itself, against the clock, from the one farthest down and to the left.
    """
    ring = shapely.orient_polygons(Polygon(outline.exterior)).exterior
    points = shapely.get_coordinates(ring)[:-1]
    first = int(np.argmin(points.sum(axis=1)))
    line = LinearRing(np.roll(points, -first, axis=0))
    corners = line = _straightened(line, within_mm)
    while len(corners.coords) > most + 1:
        within_mm *= _LOOSER
        corners = _straightened(line, within_mm)
    return tuple((float(x), float(y)) for x, y in shapely.get_coordinates(corners)[:-1])


def farthest_off_mm(outline: Polygon, corners: Sequence[Point2]) -> float:
    """Return how far an outline strays from the straight lines between corners of its own, mm.

    Parameters
    ----------
    outline
        Only its outer line counts.
    corners
        Corners of that line in order round it, against the clock (`few_corners`).
    """
    ring = shapely.get_coordinates(shapely.orient_polygons(Polygon(outline.exterior)))[:-1]
    first = np.flatnonzero((ring == corners[0]).all(axis=1))[0]
    ring = np.roll(ring, -first, axis=0)
    kept = [np.flatnonzero((ring == corner).all(axis=1))[0] for corner in corners]
    starts = np.array(corners)
    ways = np.roll(starts, -1, axis=0) - starts
    which = np.repeat(np.arange(len(kept)), np.diff([*kept, len(ring)]))
    offs = ring - starts[which]
    shares = (offs * ways[which]).sum(axis=1) / (ways**2).sum(axis=1)[which]
    nearest = np.clip(shares, 0.0, 1.0)[:, None] * ways[which]
    return float(np.linalg.norm(offs - nearest, axis=1).max())


def lines_across(ground: BaseGeometry, *, along: int, at_mm: Sequence[float]) -> tuple[Line2, ...]:
    """Return the straight lines over `ground` that stand square to axis `along` (0: x, 1: y) at `at_mm`.

    A line that leaves the ground and comes back is several lines.
    """
    low, high = ground.bounds[1 - along] - 1.0, ground.bounds[3 - along] + 1.0
    found: list[Line2] = []
    for place in at_mm:
        ends = [(place, low), (place, high)] if along == 0 else [(low, place), (high, place)]
        cut = ground.intersection(LineString(ends))
        parts = cut.geoms if isinstance(cut, BaseMultipartGeometry) else (cut,)
        for part in parts:
            if isinstance(part, LineString) and not part.is_empty:
                first, last = part.coords[0], part.coords[-1]
                found.append(((first[0], first[1]), (last[0], last[1])))
    return tuple(found)


def length_mm(lines: Sequence[Line2]) -> float:
    """Return the length of straight lines together, mm."""
    return sum(float(np.hypot(end[0] - start[0], end[1] - start[1])) for start, end in lines)


def _straightened(ring: LinearRing, within_mm: float) -> LinearRing:
    """Return a ring of fewer corners within a distance of `ring`; the first corner stays."""
    kept = shapely.get_coordinates(ring.simplify(within_mm, preserve_topology=False))
    if len(kept) <= 3:  # the quick way lets a ring narrower than the distance collapse
        kept = shapely.get_coordinates(ring.simplify(within_mm))
    return LinearRing(kept)


def _closed(shape: BaseGeometry, radius_mm: float) -> MultiPolygon:
    """Return `shape` with bays narrower than twice `radius_mm` filled, nothing taken away."""
    swollen = shape.buffer(radius_mm, quad_segs=ARC_SEGMENTS)
    return areas(shape.union(swollen.buffer(-radius_mm, quad_segs=ARC_SEGMENTS)))


def areas(shape: BaseGeometry) -> MultiPolygon:
    """Return the areas of a shape; offsets and unions may leave a stray line beside them."""
    if isinstance(shape, Polygon):
        return MultiPolygon([shape])
    parts = shape.geoms if isinstance(shape, BaseMultipartGeometry) else ()
    return MultiPolygon([part for part in parts if isinstance(part, Polygon) and not part.is_empty])
