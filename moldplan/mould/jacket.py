"""The rigid jacket: its flange on the bare board, its plies and ribs, its mass, and who turns it over."""

import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.cards.model import Settings
from moldplan.half.model import Half
from moldplan.mould.fittings import fittings_kg, handles
from moldplan.mould.handling import plan_turning
from moldplan.mould.laminate import jacket_laminate
from moldplan.mould.model import Jacket, LaidRubber
from moldplan.mould.outline import ARC_SEGMENTS, length_mm, one_line_round
from moldplan.mould.ribs import plan_parting, plan_ribs
from moldplan.mould.wall import openings


def plan_jacket(half: Half, rubber: LaidRubber, settings: Settings) -> Jacket:
    """Return the jacket over the rubber of one half, without what needs its outside (`plan_fittings`).

    Parameters
    ----------
    half
        The half on its board, for what is turned over.
    rubber
        Its rubber; the jacket covers `outer_area_mm2` and bears on the bare board outside `edge_line`.
    settings
        jacket.*, crew.*, pattern.*, cast.*, board.*, mould.skin_mm.

    Returns
    -------
    Jacket
        `area_mm2` is skin and flange together, `thickness_mm` that of the skin. `mass_kg` is the sum of skin,
        flange, ribs and fittings; overlaps of mats and trimmings (`jacket.extra_percent`) are in the first
        two. `volume_mm3` is area times thickness: right to the first order, some 1 or 2 % from the solid,
        whose skin bends and meets its flange in a corner.

    Notes
    -----
    The flange is laid up `jacket.flange_times` as thick as the skin. It also goes round the inside of a hole
    of the rubber edge, and bridges the bare board between parts. A rib is as much longer than its line seen
    from above as the jacket's area is larger than the ground it covers.
    """
    width_mm = settings.number("jacket.flange_width_mm")
    outer = one_line_round(rubber.edge_line, grow_mm=width_mm, round_mm=0.0)
    bare = _bare_in_openings(rubber, width_mm)
    ground = outer if bare.is_empty else outer.difference(bare)
    flange_mm2 = ground.area - rubber.edge_line.area
    area_mm2 = rubber.outer_area_mm2 + flange_mm2
    plies, laminate, times = plies_for(area_mm2, settings), jacket_laminate(settings), _times(settings)
    thickness_mm = plies * laminate.ply_thickness_mm
    laid_kg_mm2 = 1e-6 * plies * laminate.ply_kg_m2 * _with_overlaps(settings)
    skin_kg, flange_kg = rubber.outer_area_mm2 * laid_kg_mm2, times * flange_mm2 * laid_kg_mm2
    stretch = area_mm2 / ground.area
    ribs = plan_ribs(rubber.edge_line, ground, settings)
    ribs_kg = 1e-3 * stretch * length_mm(ribs) * settings.number("jacket.rib_kg_m")
    height_mm = half.height_mm + settings.number("mould.skin_mm") + thickness_mm
    extras_kg = fittings_kg(outer, height_mm, settings)
    mass_kg = skin_kg + flange_kg + ribs_kg + extras_kg
    turning = plan_turning(half, rubber, mass_kg, settings)
    parting = plan_parting(ground, mass_kg, stretch, times * laid_kg_mm2, settings)
    return Jacket(
        flange_outer=outer,
        area_mm2=area_mm2,
        flange_area_mm2=flange_mm2,
        plies=plies,
        thickness_mm=thickness_mm,
        mass_kg=mass_kg,
        turning=turning.text,
        turning_kg=turning.mass_kg,
        turning_people=turning.people,
        skin_kg=skin_kg,
        flange_kg=flange_kg,
        ribs_kg=ribs_kg,
        fittings_kg=extras_kg,
        volume_mm3=thickness_mm * (rubber.outer_area_mm2 + times * flange_mm2),
        flange_thickness_mm=times * thickness_mm,
        ribs_mm=ribs,
        handles_mm=handles(outer, times * thickness_mm, settings),
        turns_kg=turning.parts_kg,
        parting=parting,
    )


def plies_for(area_mm2: float, settings: Settings) -> int:
    """Return the plies of mat for a jacket of `area_mm2`; a very large one is ribbed, not made thicker."""
    small = area_mm2 * 1e-6 < settings.number("jacket.small_area_m2")
    return int(settings.number("jacket.plies_small" if small else "jacket.plies_large"))


def _times(settings: Settings) -> float:
    """Return how many times the skin's plies the flange gets."""
    return settings.number("jacket.flange_times")


def _with_overlaps(settings: Settings) -> float:
    """Return what mats overlap and lose at their edges, as a factor."""
    return 1.0 + settings.number("jacket.extra_percent") / 100.0


def _bare_in_openings(rubber: LaidRubber, width_mm: float) -> BaseGeometry:
    """Return what the flange leaves bare inside openings of the rubber's edge."""
    return shapely.union_all(
        [opening.buffer(-width_mm, quad_segs=ARC_SEGMENTS) for opening in openings(rubber.edge_line)]
    )
