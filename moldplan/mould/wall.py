"""The clay wall: where it runs, how high and thick it is, and the clay it takes.

1. The inner line keeps the moat's width from the rubber's edge, with bends that fingers can form. A large
   opening of the edge gets a ring of clay of its own, the moat's width inside it.
2. Height: rubber edge, run-off standing in the moat, freeboard; at least the card's.
3. Thickness: the card's least, and its share of the height. What stands in the moat pushes with a few newtons
   a metre, so handling decides; the push is worked out all the same and governs where it asks for more.
"""

import math
from dataclasses import dataclass
from typing import Final

import shapely
from shapely import MultiPolygon, Polygon

from moldplan.cards.model import Settings
from moldplan.mould.model import LaidRubber, Rubber, Wall
from moldplan.mould.outline import (
    ARC_SEGMENTS,
    Point2,
    areas,
    farthest_off_mm,
    few_corners,
    filled,
    one_line_round,
)

#: Standard gravity as a workshop takes it.
_GRAVITY_M_S2: Final = 9.81
#: Setting out: the wall's line passes this far at most beside the straight lines between its corners, or
#: farther where that takes more corners than anyone wants to measure: between them it is drawn by template.
_CORNERS_WITHIN_MM: Final = 3.0
_MOST_CORNERS: Final = 24


@dataclass(frozen=True, kw_only=True)
class Push:
    """What a fluid does to an upright wall that holds it: pressure at the foot, push and moment a metre."""

    pressure_pa: float
    force_n_m: float
    moment_nm_m: float


def plan_wall(rubber: LaidRubber, settings: Settings, *, section: MultiPolygon | None = None) -> Wall:
    """Return the clay wall round the rubber of one half.

    Parameters
    ----------
    rubber
        The half's rubber; `edge_line` is what the wall goes round, its holes get walls of their own. A full
        `Rubber` that knows what runs off tells how high that stands.
    settings
        clay.* and rubber.run_off_percent, rubber.detail_coat_mm, rubber.density_kg_l,
        mould.edge_thickness_mm.
    section
        What of the half lies on the board (`Half.section`): board under it is not waxed. None waxes all.

    Returns
    -------
    Wall
        `inner` and `outer` are lines without holes, `inner_perimeter_mm` is of `inner` alone; `clay_kg`
        counts the inner walls too, but not the buttresses (`buttress_kg`). `moat_mm3` is what the moat
        outside the rubber holds below the freeboard; what gathers inside openings is left out, and so the
        wall is rather high.
    """
    inner = one_line_round(
        rubber.edge_line,
        grow_mm=settings.number("clay.moat_width_mm"),
        round_mm=settings.number("clay.round_mm"),
    )
    moat_mm2 = inner.area - filled(rubber.edge_line).area
    height_mm = wall_height_mm(run_off_mm3(rubber, settings), moat_mm2, settings)
    depth_mm = height_mm - settings.number("clay.freeboard_mm")
    push = fluid_push(depth_mm, settings.number("rubber.density_kg_l"))
    handled_mm, pushed_mm = handling_mm(height_mm, settings), pressure_mm(push, settings)
    thickness_mm = max(handled_mm, pushed_mm)
    back = inner.buffer(thickness_mm, quad_segs=ARC_SEGMENTS)
    rings = _inner_walls(rubber.edge_line, thickness_mm, settings)
    outer = filled(back).geoms[0]
    points = few_corners(inner, within_mm=_CORNERS_WITHIN_MM, most=_MOST_CORNERS)
    places = buttress_places(outer, settings.number("clay.buttress_mm"))
    ground_mm2 = back.area - inner.area + sum(ring.area for ring in rings)
    return Wall(
        inner=inner,
        outer=outer,
        inner_perimeter_mm=float(inner.length),
        height_mm=height_mm,
        thickness_mm=thickness_mm,
        clay_kg=clay_kg(ground_mm2, height_mm, settings),
        moat_mm3=moat_mm2 * depth_mm,
        inner_walls=rings,
        buttress_places_mm=places,
        buttress_kg=len(places) * clay_kg(0.5 * height_mm * thickness_mm, height_mm, settings),
        points_mm=points,
        points_off_mm=farthest_off_mm(inner, points),
        pressure_pa=push.pressure_pa,
        pressure_governs=pushed_mm > handled_mm,
        wax_mm2=_wax_mm2(inner, rings, height_mm, section),
    )


def run_off_mm3(rubber: LaidRubber, settings: Settings) -> float:
    """Return how much of the detail coat runs down into the moat before it gels, mm3.

    As the rubber's own film says (`Rubber.run_off_mm3`), else by the card's share of what is brushed on.
    """
    if isinstance(rubber, Rubber) and rubber.run_off_mm3 > 0.0:
        return rubber.run_off_mm3
    brushed_mm3 = rubber.inner_area_mm2 * settings.number("rubber.detail_coat_mm")
    return brushed_mm3 * settings.number("rubber.run_off_percent") / 100.0


def wall_height_mm(run_off_volume_mm3: float, moat_mm2: float, settings: Settings) -> float:
    """Return the wall's height: rubber edge, run-off in the moat and freeboard, or the card's least."""
    needed = (
        settings.number("mould.edge_thickness_mm")
        + run_off_volume_mm3 / moat_mm2
        + settings.number("clay.freeboard_mm")
    )
    return max(settings.number("clay.wall_least_height_mm"), needed)


def handling_mm(height_mm: float, settings: Settings) -> float:
    """Return how thick a wall has to be to be set up and knocked against, mm."""
    return max(
        settings.number("clay.wall_least_thickness_mm"), height_mm / settings.number("clay.wall_slenderness")
    )


def fluid_push(depth_mm: float, density_kg_l: float) -> Push:
    """Return the push of a fluid `depth_mm` deep on an upright wall, for one metre of wall.

    Pressure at the foot ``rho g h``, push ``rho g h^2 / 2`` a third of the depth up, moment about the foot
    ``rho g h^3 / 6`` (derived, first principles).
    """
    weight_n_m3, depth_m = 1e3 * density_kg_l * _GRAVITY_M_S2, 1e-3 * depth_mm
    return Push(
        pressure_pa=weight_n_m3 * depth_m,
        force_n_m=weight_n_m3 * depth_m**2 / 2.0,
        moment_nm_m=weight_n_m3 * depth_m**3 / 6.0,
    )


def pressure_mm(push: Push, settings: Settings) -> float:
    """Return how thick a wall has to be to stand `push` without yielding at its foot, mm.

    Clay of shear strength k yields in bending at 2 k (Tresca), so the outermost fibre of a wall t thick bears
    ``M = 2 k t^2 / 6`` a metre, and its foot ``F = k t`` in shear: the larger of ``sqrt(3 M / k)`` and
    ``F / k`` (derived). Buttresses and the clay's grip on the board are not counted.
    """
    strength_pa = 1e3 * settings.number("clay.yield_kpa")
    return 1e3 * max(math.sqrt(3.0 * push.moment_nm_m / strength_pa), push.force_n_m / strength_pa)


def clay_kg(area_mm2: float, height_mm: float, settings: Settings) -> float:
    """Return the mass of a clay wall that stands on `area_mm2` of board, kg."""
    return area_mm2 * height_mm * 1e-6 * settings.number("clay.density_kg_l")


def buttress_places(outer: Polygon, spacing_mm: float) -> tuple[Point2, ...]:
    """Return where buttresses stand along the back of the wall, evenly, no farther apart than `spacing_mm`.

    Each is a triangle of clay as high as the wall, as long as high and as thick as the wall.
    """
    line = outer.exterior
    count = max(1, math.ceil(line.length / spacing_mm))
    points = [line.interpolate(number / count, normalized=True) for number in range(count)]
    return tuple((float(point.x), float(point.y)) for point in points)


def _inner_walls(edge: MultiPolygon, thickness_mm: float, settings: Settings) -> tuple[Polygon, ...]:
    """Return the rings of clay inside openings of the rubber's edge, the moat's width from it.

    Their corners bend as fingers form them, so an opening that is nowhere two bends wide inside the moat gets
    none; a ring that closes on itself is a lump.
    """
    moat_mm = settings.number("clay.moat_width_mm")
    bend_mm = max(settings.number("clay.round_mm"), 0.5 * thickness_mm)
    rings: list[Polygon] = []
    for opening in openings(edge):
        core = opening.buffer(-(moat_mm + bend_mm), quad_segs=ARC_SEGMENTS)
        for ground in areas(core.buffer(bend_mm, quad_segs=ARC_SEGMENTS)).geoms:
            ring = ground.difference(ground.buffer(-thickness_mm, quad_segs=ARC_SEGMENTS))
            rings.extend(areas(ring).geoms)
    return tuple(rings)


def openings(edge: MultiPolygon) -> list[Polygon]:
    """Return the openings inside an outline."""
    return [Polygon(ring) for part in edge.geoms for ring in part.interiors]


def _wax_mm2(
    inner: Polygon, rings: tuple[Polygon, ...], height_mm: float, section: MultiPolygon | None
) -> float:
    """Return the area to wax: board between wall and half, and the walls' faces towards the rubber."""
    blocked = shapely.union_all([Polygon(ring.exterior) for ring in rings])
    board_mm2 = inner.area - blocked.area - (0.0 if section is None else section.area)
    faces_mm = inner.length + sum(ring.exterior.length for ring in rings)
    return float(board_mm2 + height_mm * faces_mm)
