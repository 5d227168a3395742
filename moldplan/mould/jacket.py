"""The rigid jacket: its flange on the bare board, its plies, its mass, and who turns it over."""

from shapely import Polygon

from moldplan.cards.model import Settings
from moldplan.half.model import Half
from moldplan.mould.handling import plan_turning
from moldplan.mould.laminate import jacket_laminate
from moldplan.mould.model import Jacket, LaidRubber
from moldplan.mould.outline import ARC_SEGMENTS, one_line_round


def plan_jacket(half: Half, rubber: LaidRubber, settings: Settings) -> Jacket:
    """Return the jacket over the rubber of one half.

    Parameters
    ----------
    half
        The half on its board, for what is turned over.
    rubber
        Its rubber; the jacket covers `outer_area_mm2` and bears on the bare board outside `edge_line`.
    settings
        jacket.*, crew.*, pattern.*, cast.*.

    Returns
    -------
    Jacket
        `area_mm2` is skin and flange together, `thickness_mm` that of the skin.

    Notes
    -----
    The flange is laid up `jacket.flange_times` as thick as the skin. It also goes round the inside of a hole
    of the rubber edge, and bridges the bare board between parts. Ribs, handles, feet and the mats' overlaps
    are `jacket.extra_percent` of skin and flange.
    """
    width_mm = settings.number("jacket.flange_width_mm")
    outer = one_line_round(rubber.edge_line, grow_mm=width_mm, round_mm=0.0)
    flange_mm2 = outer.area - rubber.edge_line.area - _open_in_holes(rubber, width_mm)
    area_mm2 = rubber.outer_area_mm2 + flange_mm2
    plies = plies_for(area_mm2, settings)
    laminate = jacket_laminate(settings)
    laid_mm2 = rubber.outer_area_mm2 + settings.number("jacket.flange_times") * flange_mm2
    extra = 1.0 + settings.number("jacket.extra_percent") / 100.0
    mass_kg = laid_mm2 * 1e-6 * plies * laminate.ply_kg_m2 * extra
    turning = plan_turning(half, rubber, mass_kg, settings)
    return Jacket(
        flange_outer=outer,
        area_mm2=area_mm2,
        flange_area_mm2=flange_mm2,
        plies=plies,
        thickness_mm=plies * laminate.ply_thickness_mm,
        mass_kg=mass_kg,
        turning=turning.text,
        turning_kg=turning.mass_kg,
        turning_people=turning.people,
    )


def plies_for(area_mm2: float, settings: Settings) -> int:
    """Return the plies of mat for a jacket of `area_mm2`; a very large one is ribbed, not made thicker."""
    small = area_mm2 * 1e-6 < settings.number("jacket.small_area_m2")
    return int(settings.number("jacket.plies_small" if small else "jacket.plies_large"))


def _open_in_holes(rubber: LaidRubber, width_mm: float) -> float:
    """Return the area inside holes of the rubber edge that the flange leaves bare, mm2."""
    holes = [Polygon(ring) for part in rubber.edge_line.geoms for ring in part.interiors]
    return float(sum(hole.buffer(-width_mm, quad_segs=ARC_SEGMENTS).area for hole in holes))
