"""Outlines on the board: one closed line round everything, and round corners."""

from collections.abc import Sequence
from typing import Final

from shapely import MultiPolygon, Polygon, union_all
from shapely.geometry.base import BaseGeometry, BaseMultipartGeometry

#: Segments in a quarter circle of an offset line: a 100 mm arc is then 0.03 mm from round.
ARC_SEGMENTS: Final = 32


def filled(outline: MultiPolygon | Polygon) -> MultiPolygon:
    """Return `outline` without its holes."""
    return _areas(union_all([Polygon(part.exterior) for part in _areas(outline).geoms]))


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
    return _areas(grown.convex_hull).geoms[0]


def bounds_of(outline: MultiPolygon | Polygon) -> tuple[Sequence[float], Sequence[float]]:
    """Return the size (x, y) and the middle (x, y) of an outline, mm."""
    x_low, y_low, x_high, y_high = outline.bounds
    return (x_high - x_low, y_high - y_low), (0.5 * (x_low + x_high), 0.5 * (y_low + y_high))


def _closed(shape: BaseGeometry, radius_mm: float) -> MultiPolygon:
    """Return `shape` with bays narrower than twice `radius_mm` filled, nothing taken away."""
    swollen = shape.buffer(radius_mm, quad_segs=ARC_SEGMENTS)
    return _areas(union_all([shape, swollen.buffer(-radius_mm, quad_segs=ARC_SEGMENTS)]))


def _areas(shape: BaseGeometry) -> MultiPolygon:
    """Return the areas of a shape; offsets and unions may leave a stray line beside them."""
    if isinstance(shape, Polygon):
        return MultiPolygon([shape])
    parts = shape.geoms if isinstance(shape, BaseMultipartGeometry) else ()
    return MultiPolygon([part for part in parts if isinstance(part, Polygon) and not part.is_empty])
