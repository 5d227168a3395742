"""The plan as a document: what `plan.json` holds. Its schema is `moldplan.schema`.

Lengths in mm, areas in m2 or mm as the key says, volumes in litres, masses in kg. Numbers are not rounded.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half, Region
from moldplan.half.whole import MeshFigures, WholeCheck
from moldplan.mould.model import (
    Coat,
    Datums,
    Feature,
    Jacket,
    Mixes,
    Mould,
    Parting,
    Peel,
    Reach,
    RegionAdvice,
    ReleaseStep,
    Remedy,
    Rubber,
    Web,
)
from moldplan.pattern.model import Pattern, Repair
from moldplan.plan import Plan

Document = dict[str, Any]

_MM3_PER_L = 1e6
_MM2_PER_M2 = 1e6


def plan_document(plan: Plan, *, solids: Sequence[Document] = ()) -> Document:
    """Return `plan` as plain dictionaries, lists, texts and numbers, ready for JSON.

    `solids` says which solids were written beside it; the key is absent when none were.
    """
    document = {
        "moldplan": plan.version,
        "job": _job(plan),
        "pattern": pattern_document(plan.pattern),
        "split": _split(plan),
        "halves": [
            _half(half, mould, datums)
            for (half, mould), datums in zip(plan.pairs(), plan.datums or (None, None), strict=False)
        ],
        "findings": [finding_document(finding) for finding in plan.findings],
        "accuracy": _accuracy(plan),
    }
    return {**document, "solids": list(solids)} if solids else document


def settings_document(settings: Settings) -> Document:
    """Return every setting by name: value, unit, origin and tag."""
    return {
        name: {
            "value": setting.value,
            "unit": setting.unit,
            "origin": setting.origin,
            "tag": setting.tag,
        }
        for name, setting in sorted(settings.items())
    }


def _job(plan: Plan) -> Document:
    return {
        "title": plan.job,
        "revision": plan.revision,
        "made": plan.made,
        "settings": settings_document(plan.settings),
    }


def pattern_document(pattern: Pattern) -> Document:
    """Return what a document says of the pattern."""
    survey = pattern.survey
    return {
        "name": pattern.name,
        "file": survey.file_name,
        "sha256": survey.sha256,
        "up": pattern.up,
        "front": pattern.front,
        "scale_mm": pattern.scale_mm,
        "triangles": survey.triangles,
        "watertight": survey.watertight,
        "bodies": survey.bodies,
        "genus": survey.genus,
        "size_mm": list(survey.size_mm),
        "area_m2": survey.area_mm2 / _MM2_PER_M2,
        "volume_l": survey.volume_mm3 / _MM3_PER_L,
        "size_from": pattern.size_from,
        "repairs": [_repair(repair) for repair in survey.repairs],
        "deviation_mm": survey.deviation_mm,
        "accepted": list(survey.accepting),
        "crossing_faces": survey.crossing_faces,
    }


def _repair(repair: Repair) -> Document:
    return {
        "what": repair.what,
        "count": repair.count,
        "rung": repair.rung,
        "mean_mm": repair.mean_mm,
        "p99_mm": repair.p99_mm,
        "moved_mm": repair.moved_mm,
        "place_mm": _place(repair.place_mm),
        "volume_l": repair.volume_mm3 / _MM3_PER_L,
        "cell_mm": repair.cell_mm,
    }


def _split(plan: Plan) -> Document:
    searched = (
        {}
        if plan.splits is None
        else {"directions_tried": plan.splits.directions_tried, "cover_deg": plan.splits.cover_deg}
    )
    return {
        "normal": list(plan.plane.normal),
        "offset_mm": plan.plane.offset_mm,
        "chosen_by": plan.chosen_by,
        "seam_mm": plan.seam_mm,
        "undercut_l": plan.undercut_mm3 / _MM3_PER_L,
        "locked_l": plan.locked_mm3 / _MM3_PER_L,
        **searched,
    }


def _half(half: Half, mould: Mould, datums: Datums | None) -> Document:
    return {
        "name": half.name,
        "called": half.called,
        "frame": half.to_half.tolist(),
        "volume_l": half.volume_mm3 / _MM3_PER_L,
        "height_mm": half.height_mm,
        "section_m2": half.section.area / _MM2_PER_M2,
        "section_perimeter_mm": half.section.length,
        "projection_m2": half.projection.area / _MM2_PER_M2,
        "projection_perimeter_mm": half.projection.length,
        "genus": half.genus,
        "links": half.undercut.links,
        "undercut": _undercut(half, mould),
        "rubber": _rubber(mould),
        "wall": _wall(mould),
        "board": _board(mould),
        "jacket": _jacket(mould.jacket),
        "webs": [_web(web) for web in mould.webs],
        "release": [_release(step) for step in mould.release],
        "features": [_feature(feature) for feature in mould.features],
        **({} if mould.peel is None else {"peel": _peel(mould.peel)}),
        **({} if mould.reach is None else {"reach": _reach(mould.reach)}),
        **({} if datums is None else {"datums": _datums(datums)}),
    }


def _undercut(half: Half, mould: Mould) -> Document:
    return {
        "volume_l": half.undercut.volume_mm3 / _MM3_PER_L,
        "area_m2": half.undercut.area_mm2 / _MM2_PER_M2,
        "crumbs_l": half.undercut.crumbs_mm3 / _MM3_PER_L,
        "regions": [_region(region, mould) for region in half.undercut.regions],
    }


def _region(region: Region, mould: Mould) -> Document:
    advice = next((advice for advice in mould.advice if advice.region == region.id), None)
    return {
        "id": region.id,
        "volume_l": region.volume_mm3 / _MM3_PER_L,
        "area_m2": region.area_mm2 / _MM2_PER_M2,
        "depth_mm": region.depth_mm,
        "reach_mm": region.reach_mm,
        "mouth_mm": region.mouth_mm,
        "mouths": region.mouths,
        "centre_mm": list(region.centre_mm),
        "coats": mould.rubber.region_coats.get(region.id, 0),
        "advice": region_advice(region) if advice is None else advice.chosen.text,
        **({} if advice is None else _weighed(advice)),
    }


def _weighed(advice: RegionAdvice) -> Document:
    return {
        "solid_mm": advice.solid_mm,
        "remedy": advice.chosen.kind,
        "remedies": [_remedy(remedy) for remedy in advice.weighed],
    }


def _remedy(remedy: Remedy) -> Document:
    return {
        "kind": remedy.kind,
        "possible": remedy.possible,
        "rubber_kg": remedy.rubber_kg,
        "cost": _finite(remedy.cost),
        "hours": _finite(remedy.hours),
        "text": remedy.text,
        "pull": _place(remedy.pull),
        "cleared": remedy.cleared,
        "size_mm": _place(remedy.size_mm),
    }


def _finite(number: float) -> float | None:
    """Return a number, or None for one that is not to be had."""
    return number if math.isfinite(number) else None


def _place(place: Iterable[float] | None) -> list[float] | None:
    """Return a place, a direction or a size as a list."""
    return None if place is None else [float(value) for value in place]


def region_advice(region: Region) -> str:
    """Return one sentence in shop words on what to do about an undercut."""
    if region.mouths == 0:
        return "sealed pocket: no rubber gets in; check that the pattern is meant to be hollow here"
    if region.mouths > 1:
        return "tunnel: close it with a web or plug, or the rubber cannot be taken off"
    return "fill with extra passes until the rubber's outside draws"


def _rubber(mould: Mould) -> Document:
    rubber = mould.rubber
    return {
        "skin_mm": rubber.skin_mm,
        "draft_deg": rubber.draft_deg,
        "volume_l": rubber.volume_mm3 / _MM3_PER_L,
        "skin_l": rubber.skin_mm3 / _MM3_PER_L,
        "fill_l": rubber.fill_mm3 / _MM3_PER_L,
        "draft_l": rubber.draft_mm3 / _MM3_PER_L,
        "edge_l": rubber.edge_mm3 / _MM3_PER_L,
        "mass_kg": rubber.mass_kg,
        "order_kg": rubber.order_kg,
        "outer_area_m2": rubber.outer_area_mm2 / _MM2_PER_M2,
        "inner_area_m2": rubber.inner_area_mm2 / _MM2_PER_M2,
        "order_low_kg": rubber.order_low_kg,
        "order_high_kg": rubber.order_high_kg,
        "advised_kg": rubber.advised_kg,
        "run_off_l": rubber.run_off_mm3 / _MM3_PER_L,
        "draft_kg_per_deg": rubber.draft_kg_per_deg,
        **_thickness(rubber),
        "keys_l": rubber.keys_mm3 / _MM3_PER_L,
        "keys": [{"centre_mm": list(key.centre_mm), "base_mm": key.base_mm, "height_mm": key.height_mm,
                  "side_deg": key.side_deg} for key in rubber.keys],
        "buttons": [{"place_mm": list(button.place_mm), "diameter_mm": button.diameter_mm,
                     "mass_kg": button.mass_kg} for button in rubber.buttons],
        "coats": [_coat(coat) for coat in rubber.coats],
    }  # fmt: skip


def _thickness(rubber: Rubber) -> Document:
    found = rubber.thickness
    return {} if found is None else {"thickness_mm": {"least": found.least_mm, "mean": found.mean_mm}}


def _coat(coat: Coat) -> Document:
    document: Document = {
        "name": coat.name,
        "passes": coat.passes,
        "thickness_mm": coat.thickness_mm,
        "area_m2": coat.area_mm2 / _MM2_PER_M2,
        "volume_l": coat.volume_mm3 / _MM3_PER_L,
        "mass_kg": coat.mass_kg,
        "next_after_min": coat.next_after_min,
        "next_before_min": coat.next_before_min,
        "least_mm": coat.least_mm,
        "brushed_kg": coat.brushed_kg,
        "tint": coat.tint,
        "crumb_kg": coat.crumb_kg,
    }
    if coat.mixes is not None:
        document["mixes"] = _mixes(coat.mixes)
    if coat.region is not None:
        document["region"] = coat.region
    return document


def _mixes(mixes: Mixes) -> Document:
    return {
        "count": mixes.count,
        "each_kg": mixes.each_kg,
        "pot_life_min": mixes.pot_life_min,
        "brush_min": mixes.brush_min,
        "shares": [asdict(share) for share in mixes.shares],
    }


def _wall(mould: Mould) -> Document:
    wall = mould.wall
    return {
        "inner_perimeter_mm": wall.inner_perimeter_mm,
        "height_mm": wall.height_mm,
        "thickness_mm": wall.thickness_mm,
        "clay_kg": wall.clay_kg,
        "moat_l": wall.moat_mm3 / _MM3_PER_L,
        "inner_walls": len(wall.inner_walls),
        "points_mm": [list(point) for point in wall.points_mm],
        "buttresses": len(wall.buttress_places_mm),
        "buttress_kg": wall.buttress_kg,
        "points_off_mm": wall.points_off_mm,
        "pressure_pa": wall.pressure_pa,
        "pressure_governs": wall.pressure_governs,
        "wax_m2": wall.wax_mm2 / _MM2_PER_M2,
    }


def _board(mould: Mould) -> Document:
    board = mould.board
    return {
        "coating_mm": list(board.coating_mm),
        "jacketing_mm": list(board.jacketing_mm),
        "size_mm": list(board.size_mm),
        "centre_mm": list(board.centre_mm),
        "stock_mm": list(board.stock_mm),
        "sheets": board.sheets,
        "joints_mm": [[list(end) for end in joint] for joint in board.joints_mm],
        "battens_mm": [[list(end) for end in batten] for batten in board.battens_mm],
        "shim_mm": board.shim_mm,
    }


def _jacket(jacket: Jacket) -> Document:
    edge = jacket.turning_edge_mm
    return {
        "area_m2": jacket.area_mm2 / _MM2_PER_M2,
        "flange_m2": jacket.flange_area_mm2 / _MM2_PER_M2,
        "plies": jacket.plies,
        "thickness_mm": jacket.thickness_mm,
        "mass_kg": jacket.mass_kg,
        "turning": jacket.turning,
        "turning_kg": jacket.turning_kg,
        "turning_people": jacket.turning_people,
        "turns_kg": dict(jacket.turns_kg),
        "skin_kg": jacket.skin_kg,
        "flange_kg": jacket.flange_kg,
        "ribs_kg": jacket.ribs_kg,
        "fittings_kg": jacket.fittings_kg,
        "laminate_l": jacket.volume_mm3 / _MM3_PER_L,
        "flange_thickness_mm": jacket.flange_thickness_mm,
        "ribs_mm": [[list(end) for end in rib] for rib in jacket.ribs_mm],
        "feet": [
            {"place_mm": list(place), "height_mm": height}
            for place, height in zip(jacket.feet_mm, jacket.foot_height_mm, strict=True)
        ],
        "stand_mm": jacket.stand_mm,
        "handles_mm": [list(place) for place in jacket.handles_mm],
        "turning_edge_mm": None if edge is None else [list(end) for end in edge],
        "parting": None if jacket.parting is None else _parting(jacket.parting),
    }


def _parting(parting: Parting) -> Document:
    return {**asdict(parting), "lines_mm": [[list(end) for end in line] for line in parting.lines_mm]}


def _web(web: Web) -> Document:
    return {
        "region": web.region,
        "place_mm": list(web.place_mm),
        "normal": list(web.normal),
        "size_mm": list(web.size_mm),
        "area_m2": web.area_mm2 / _MM2_PER_M2,
        "text": web.text,
    }


def _release(step: ReleaseStep) -> Document:
    return asdict(step)


def _feature(feature: Feature) -> Document:
    return {**asdict(feature), "place_mm": list(feature.place_mm)}


def _peel(peel: Peel) -> Document:
    return {
        "strain": peel.strain,
        "allowed": peel.allowed,
        "place_mm": _place(peel.place_mm),
        "places": [{**asdict(place), "place_mm": list(place.place_mm)} for place in peel.places],
        "order": [{**asdict(step), "place_mm": list(step.place_mm)} for step in peel.order],
        "thin": [{**asdict(part), "place_mm": list(part.place_mm)} for part in peel.thin],
    }


def _reach(reach: Reach) -> Document:
    return {
        "surface_m2": reach.surface_mm2 / _MM2_PER_M2,
        "unreached_m2": reach.unreached_mm2 / _MM2_PER_M2,
        "places": [
            {
                "place_mm": list(place.place_mm),
                "area_m2": place.area_mm2 / _MM2_PER_M2,
                "why": place.why,
                "text": place.text,
            }
            for place in reach.places
        ],
    }


def _datums(datums: Datums) -> Document:
    return {
        "dowels_mm": [list(dowel) for dowel in datums.dowels_mm],
        "points": [{**asdict(point), "place_mm": list(point.place_mm)} for point in datums.points],
    }


def finding_document(finding: Finding) -> Document:
    """Return one finding."""
    return {
        "code": finding.code,
        "severity": finding.severity,
        "stage": finding.stage,
        "half": finding.half,
        "place_mm": None if finding.place_mm is None else list(finding.place_mm),
        "value": finding.value,
        "limit": finding.limit,
        "unit": finding.unit,
        "advice": finding.advice,
    }


def _accuracy(plan: Plan) -> Document:
    brackets = [half.undercut.bracket_mm3 for half in plan.halves]
    return {
        "cell_mm": max(half.undercut.cell_mm for half in plan.halves),
        "undercut_bracket_l": [sum(bracket[side] for bracket in brackets) / _MM3_PER_L for side in (0, 1)],
        "halves": [
            {
                "name": half.name,
                "cell_mm": half.undercut.cell_mm,
                "undercut_bracket_l": [value / _MM3_PER_L for value in half.undercut.bracket_mm3],
                "rubber_measured_l": mould.rubber.measured_mm3 / _MM3_PER_L,
            }
            for half, mould in plan.pairs()
        ],
        **({} if plan.whole is None else {"lighter_copy": _lighter_copy(plan.whole)}),
    }


def _lighter_copy(check: WholeCheck) -> Document:
    return {
        "moved_mm": check.moved_mm,
        "whole": _mesh_figures(check.whole),
        "planned": _mesh_figures(check.planned),
    }


def _mesh_figures(mesh: MeshFigures) -> Document:
    return {
        "triangles": mesh.triangles,
        "volume_l": mesh.volume_mm3 / _MM3_PER_L,
        "area_m2": mesh.area_mm2 / _MM2_PER_M2,
        "undercut_l": [value / _MM3_PER_L for value in mesh.undercut_mm3],
    }
