"""The ranking as a document: what `split.json` holds. Its schema is `moldplan.ranking_schema`.

Lengths in mm, volumes in litres, masses in kg, angles in degrees. Numbers are not rounded.
"""

from typing import Any

from moldplan.choice.model import Answer, HalfMeasures, Measures, Ranking, Wishes
from moldplan.document import finding_document, pattern_document, settings_document
from moldplan.mould.model import Softening
from moldplan.split import Candidate, Plane

Document = dict[str, Any]

_MM3_PER_L = 1e6


def ranking_document(ranking: Ranking) -> Document:
    """Return `ranking` as plain dictionaries, lists, texts and numbers, ready for JSON."""
    splits = ranking.splits
    return {
        "moldplan": ranking.version,
        "job": {
            "title": ranking.job,
            "made": ranking.made,
            "settings": settings_document(ranking.settings),
        },
        "pattern": pattern_document(ranking.pattern),
        "wishes": _wishes(ranking.wishes),
        "search": {
            "directions_tried": splits.directions_tried,
            "cover_deg": splits.cover_deg,
            "best": _found(splits.candidates[0]),
        },
        "answers": [_answer(answer) for answer in ranking.answers],
        "findings": [finding_document(finding) for finding in ranking.findings],
    }


def _wishes(wishes: Wishes) -> Document:
    return {
        "seam_upright": wishes.seam_upright,
        "pull": None if wishes.pull is None else list(wishes.pull),
        "pull_called": wishes.pull_called,
        "within_deg": wishes.within_deg,
        "largest_board_mm": None if wishes.largest_board_mm is None else list(wishes.largest_board_mm),
        "heaviest_half_kg": wishes.heaviest_half_kg,
        "keep_clean": [patch.name for patch in wishes.keep_clean],
    }


def _plane(plane: Plane) -> Document:
    return {"normal": list(plane.normal), "offset_mm": plane.offset_mm}


def _found(candidate: Candidate) -> Document:
    return {
        **_plane(candidate.plane),
        "undercut_l": candidate.undercut_mm3 / _MM3_PER_L,
        "light_undercut_l": candidate.light_undercut_mm3 / _MM3_PER_L,
    }


def _answer(answer: Answer) -> Document:
    return {
        "number": answer.number,
        "shown": answer.shown,
        "on_front": answer.on_front,
        "kind": answer.kind,
        "called": list(answer.called),
        **_plane(answer.plane),
        "saw": {
            "axis": ("front", "left", "up")[answer.saw.axis],
            "first_deg": answer.saw.first_deg,
            "second_deg": answer.saw.second_deg,
            "words": answer.saw.words,
        },
        "sentence": answer.sentence,
        "score": answer.score,
        "measures": _measures(answer.measures),
        "worst": _worst(answer),
        "found": {
            **_plane(answer.found),
            "undercut_l": answer.found_undercut_mm3 / _MM3_PER_L,
            "light_undercut_l": answer.found_light_mm3 / _MM3_PER_L,
        },
        "broken_wishes": [
            {
                "wish": item.wish,
                "value": item.value,
                "limit": item.limit,
                "unit": item.unit,
                "in_the_way": item.in_the_way,
                "near": item.near,
            }
            for item in answer.broken
        ],
        "softening": [_softening(item) for item in answer.softening],
    }


def _measures(measures: Measures) -> Document:
    seam = measures.seam
    return {
        "undercut_l": measures.undercut_mm3 / _MM3_PER_L,
        "locked_l": measures.locked_mm3 / _MM3_PER_L,
        "shaped_line_saves_l": max(measures.undercut_mm3 - measures.locked_mm3, 0.0) / _MM3_PER_L,
        "deepest_undercut_mm": measures.deepest_undercut_mm,
        "rubber_kg": measures.rubber_kg,
        "skin_kg": measures.skin_kg,
        "fill_kg": measures.fill_kg,
        "rubber_cost": measures.rubber_cost,
        "fill_cost": measures.fill_cost,
        "peel_strain": measures.peel_strain,
        "seam_mm": seam.length_mm,
        "seam_front_mm": seam.front_mm,
        "seam_clean_mm": seam.clean_mm,
        "seam_near_mm": seam.near_mm,
        "seam_clean_of": [{"name": name, "mm": length} for name, length in seam.clean_of],
        "pieces": measures.pieces,
        "loops": measures.loops,
        "tunnels": measures.tunnels,
        "deepest_half_mm": measures.deepest_half_mm,
        "board_sheets": measures.board_sheets,
        "jacket_kg": measures.jacket_kg,
        "turning_kg": measures.turning_kg,
        "tips_deg": measures.tips_deg,
        "halves": [_half(half) for half in measures.halves],
    }


def _half(half: HalfMeasures) -> Document:
    return {
        "name": half.name,
        "called": half.called,
        "volume_l": half.volume_mm3 / _MM3_PER_L,
        "height_mm": half.height_mm,
        "undercut_l": half.undercut_mm3 / _MM3_PER_L,
        "deepest_undercut_mm": half.deepest_undercut_mm,
        "loops": half.loops,
        "pieces": half.pieces,
        "tunnels": half.tunnels,
        "rubber_l": half.rubber_mm3 / _MM3_PER_L,
        "rubber_kg": half.rubber_kg,
        "peel_strain": half.peel.strain,
        "peel_place_mm": None if half.peel.place_mm is None else list(half.peel.place_mm),
        "board_coating_mm": list(half.coating_mm),
        "board_jacketing_mm": list(half.jacketing_mm),
        "board_sheets": half.sheets,
        "jacket_kg": half.jacket_kg,
        "turning_kg": half.turning_kg,
        "tips_deg": half.tips_deg,
    }


def _worst(answer: Answer) -> Document | None:
    if answer.worst is None:
        return None
    return {
        **_plane(answer.worst.plane),
        "within_deg": answer.worst.angle_deg,
        "within_mm": answer.worst.offset_mm,
        "undercut_l": answer.worst.undercut_mm3 / _MM3_PER_L,
        "rubber_kg": answer.worst.rubber_kg,
    }


def _softening(item: Softening) -> Document:
    return {
        "half": item.half,
        "region": item.region,
        "way": item.way,
        "thickest_mm": item.thickest_mm,
        "amount_l": item.amount_mm3 / _MM3_PER_L,
        "saves_l": item.saves_mm3 / _MM3_PER_L,
        "saves_kg": item.saves_kg,
        "centre_mm": list(item.centre_mm),
        "needs_approval": item.needs_approval,
        "words": item.words,
    }
