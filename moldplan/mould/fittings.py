"""What is bonded to the outside of a jacket: feet, handles, the edge to roll over on.

Handles and the mass of everything follow from the outline and the half alone. Where feet stand and how long
they are needs the jacket's outside: turned over, the opened half stands on them with its flange level.
"""

import math
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPoint, Polygon

from moldplan.cards.model import Settings
from moldplan.half.model import Half
from moldplan.mould.laminate import laminate_mm3
from moldplan.mould.model import Jacket, Point3, Rubber
from moldplan.mould.outline import Line2, Point2, bounds_of, few_corners, lines_across

Floats = NDArray[np.float64]

#: Room between the highest outside of a turned jacket and what it stands over.
CLEAR_MM: Final = 50.0
#: Feet up to the working height only on a jacket at least this share of it wide, so that it does not tip.
_WIDE_SHARE: Final = 0.75
#: Legs a jacket stands on.
_FEET: Final = 4
#: Feet stand where the outside is at least this share of its greatest height: short feet, bonded well inside.
_HIGH_SHARE: Final = 0.3
#: Unless the middle of mass then lies nearer to their lines than this share of the jacket's narrow side.
_STEADY_SHARE: Final = 1.0 / 6.0
#: Feet that hold the middle of mass at least this share as far inside as the best are as steady.
_STEADY_AS_BEST: Final = 0.85
#: Corners of the outline that are tried for feet.
_TRIED: Final = 16
#: How near two distances are the same, mm.
_SAME_MM: Final = 1e-6
#: A share of a span that nobody measures.
_SNUG: Final = 1e-6


def plan_fittings(jacket: Jacket, rubber: Rubber, half: Half, settings: Settings) -> Jacket:
    """Return the jacket with what needs its outside: feet, the edge to roll on, the volume of its laminate.

    Parameters
    ----------
    jacket
        Of `plan_jacket`; where `outer_mm` is missing, the outside is taken as the rubber's outer face raised
        by the jacket's thickness.
    rubber
        The rubber under it, with its face.
    half
        The half inside, for its middle of mass.
    settings
        jacket.working_height_mm and jacket.flange_width_mm.

    Returns
    -------
    Jacket
        Masses as before: they are counted by outline (`fittings_kg`), so that a jacket weighs the same before
        its outside is known. With an outside known, `volume_mm3` is what lies between it and the rubber.
    """
    outside = _outside(jacket, rubber)
    top_mm = float(outside.max())
    stand_mm = stand_for(top_mm, _narrow_mm(jacket.flange_outer), settings)
    centre = shell_centre_mm(half)
    feet = _feet(outside, rubber, (centre[0], centre[1]), _narrow_mm(jacket.flange_outer))
    measured = jacket.outer_mm is not None
    return replace(
        jacket,
        volume_mm3=laminate_mm3(rubber.outer_mm, outside, rubber.grid.cell_mm)
        if measured
        else jacket.volume_mm3,
        feet_mm=feet,
        foot_height_mm=tuple(stand_mm - foot[2] for foot in feet),
        stand_mm=stand_mm,
        turning_edge_mm=turning_edge(
            jacket.flange_outer, (centre[0], centre[1]), settings.number("jacket.flange_width_mm")
        ),
    )


def fittings_kg(flange_outer: Polygon, height_mm: float, settings: Settings) -> float:
    """Return the mass of feet, handles and the edge to roll on, kg.

    Parameters
    ----------
    flange_outer
        Outline of the jacket.
    height_mm
        Height of the jacket's outside over the board, about.
    settings
        jacket.foot_kg_m, jacket.handle_kg, jacket.rib_kg_m and those of the places.

    Notes
    -----
    Four feet, each as if it began at half the jacket's height; the edge is a rib along the longer side.
    """
    stand_mm = stand_for(height_mm, _narrow_mm(flange_outer), settings)
    feet_m = 1e-3 * _FEET * (stand_mm - 0.5 * height_mm)
    edge_m = 1e-3 * max(bounds_of(flange_outer)[0])
    return (
        feet_m * settings.number("jacket.foot_kg_m")
        + len(handles(flange_outer, 0.0, settings)) * settings.number("jacket.handle_kg")
        + edge_m * settings.number("jacket.rib_kg_m")
    )


def stand_for(height_mm: float, narrow_mm: float, settings: Settings) -> float:
    """Return how high the flange of a turned jacket stands above what its feet stand on.

    The working height, or more when the jacket is deeper; a jacket too narrow to stand so high gets feet just
    long enough to clear its outside, and stands on a bench.
    """
    low_mm = height_mm + CLEAR_MM
    floor_mm = max(settings.number("jacket.working_height_mm"), low_mm)
    return floor_mm if narrow_mm >= _WIDE_SHARE * floor_mm else low_mm


def handles(flange_outer: Polygon, height_mm: float, settings: Settings) -> tuple[Point3, ...]:
    """Return where handles stand on the flange: in pairs opposite, along both longer sides.

    At least two pairs, no farther apart than the card says, half as far from the ends.
    """
    size, _ = bounds_of(flange_outer)
    longer = 0 if size[0] >= size[1] else 1
    low = flange_outer.bounds[longer]
    count = max(2, math.ceil(size[longer] / settings.number("jacket.handle_span_mm") * (1.0 - _SNUG)))
    found: list[Point3] = []
    for number in range(count):
        place = low + (number + 0.5) * size[longer] / count
        lines = lines_across(flange_outer, along=longer, at_mm=[place])
        ends = sorted((end for line in lines for end in line), key=lambda end: end[1 - longer])
        found.extend((x, y, height_mm) for x, y in (ends[0], ends[-1]))
    return tuple(found)


def turning_edge(flange_outer: Polygon, centre: Point2, width_mm: float) -> Line2:
    """Return the straight edge to roll a half over on.

    Parameters
    ----------
    flange_outer
        Outline of the jacket.
    centre
        Middle of mass, seen from above.
    width_mm
        Width of the flange.

    Returns
    -------
    tuple
        Along the longer side, nearest to the middle of mass, of the least rectangle round the outline: from
        the first to the last place where the flange comes within its own width of that side.
    """
    box = shapely.orient_polygons(shapely.minimum_rotated_rectangle(flange_outer))
    corners = shapely.get_coordinates(box)[:-1]
    sides = [(corners[number], corners[(number + 1) % 4]) for number in range(4)]
    longest = max(_length(side) for side in sides)
    long_sides = [side for side in sides if _length(side) >= longest - _SAME_MM]
    start, end = min(long_sides, key=lambda side: round(_beside(side, np.array(centre)) / _SAME_MM))
    way = (end - start) / np.linalg.norm(end - start)
    ring = shapely.get_coordinates(flange_outer.exterior)
    far = (ring - start) @ np.array([-way[1], way[0]])
    along = ((ring - start) @ way)[np.abs(far) <= width_mm]
    first, last = start + along.min() * way, start + along.max() * way
    return (float(first[0]), float(first[1])), (float(last[0]), float(last[1]))


def shell_centre_mm(half: Half) -> Point3:
    """Return the middle of mass of a shell of even thickness on the half's surface, its sawn face open."""
    corners = half.vertices[half.faces]
    corners = corners[corners[:, :, 2].max(axis=1) > 0.0]
    sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    x, y, z = np.average(corners.mean(axis=1), axis=0, weights=np.linalg.norm(sides, axis=1))
    return float(x), float(y), float(z)


def _outside(jacket: Jacket, rubber: Rubber) -> Floats:
    """Return the height (ny, nx) of the jacket's outside, 0 where there is none."""
    if jacket.outer_mm is not None:
        return jacket.outer_mm
    return np.where(rubber.outer_mm > 0.0, rubber.outer_mm + jacket.thickness_mm, 0.0)


def _narrow_mm(outline: Polygon) -> float:
    """Return the shorter side of the rectangle round an outline."""
    return float(min(bounds_of(outline)[0]))


def _feet(outside: Floats, rubber: Rubber, centre: Point2, narrow_mm: float) -> tuple[Point3, ...]:
    """Return where feet stand: as steady as can be, on the high part of the outside if that is steady."""
    covered = rubber.outer_mm > 0.0
    best, margin = _steadiest(covered & (outside >= _HIGH_SHARE * outside.max()), rubber, centre)
    if margin < _STEADY_SHARE * narrow_mm:
        other, wider = _steadiest(covered, rubber, centre)
        best = other if wider > margin else best
    grid = rubber.grid
    return tuple(
        (x, y, float(outside[round((y - grid.y0_mm) / grid.cell_mm - 0.5),
                             round((x - grid.x0_mm) / grid.cell_mm - 0.5)]))
        for x, y in best
    )  # fmt: skip


def _steadiest(held: NDArray[np.bool_], rubber: Rubber, centre: Point2) -> tuple[list[Point2], float]:
    """Return the four (or three) places of `held` cells to stand on, and how far inside them `centre` lies.

    The widest of those that hold `centre` nearly as far inside as can be.
    """
    row = np.flatnonzero(held.any(axis=1))
    first, last = held[row].argmax(axis=1), held.shape[1] - 1 - held[row, ::-1].argmax(axis=1)
    x, y = rubber.grid.x_mm(), rubber.grid.y_mm()[row]
    hull = MultiPoint(np.column_stack([np.concatenate([x[first], x[last]]), np.tile(y, 2)])).convex_hull
    if not isinstance(hull, Polygon):
        return [], -math.inf
    corners = np.array(few_corners(hull, within_mm=rubber.grid.cell_mm, most=_TRIED))
    choices = np.array(list(combinations(range(len(corners)), min(_FEET, len(corners)))))
    feet = corners[choices]  # (k, 4, 2), each against the clock like the hull
    sides = np.roll(feet, -1, axis=1) - feet
    to_centre = np.array(centre) - feet
    inside = sides[..., 0] * to_centre[..., 1] - sides[..., 1] * to_centre[..., 0]
    margins = (inside / np.linalg.norm(sides, axis=2)).min(axis=1)
    steady = margins >= _STEADY_AS_BEST * margins.max()
    best = int(np.argmax(np.where(steady, np.round(_areas_of(feet) / _SAME_MM), -1.0)))
    return [(float(px), float(py)) for px, py in feet[best]], float(margins[best])


def _areas_of(feet: Floats) -> Floats:
    """Return the areas (k,) of polygons (k, n, 2) that run against the clock."""
    onward = np.roll(feet, -1, axis=1)
    crossed = feet[..., 0] * onward[..., 1] - feet[..., 1] * onward[..., 0]
    return np.asarray(0.5 * crossed.sum(axis=1))


def _length(side: tuple[Floats, Floats]) -> float:
    """Return the length of a side."""
    return float(np.linalg.norm(side[1] - side[0]))


def _beside(side: tuple[Floats, Floats], point: Floats) -> float:
    """Return how far a point lies to the left of a side."""
    way = (side[1] - side[0]) / np.linalg.norm(side[1] - side[0])
    from_start = point - side[0]
    return float(way[0] * from_start[1] - way[1] * from_start[0])
