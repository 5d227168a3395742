"""A survey in words for a person, and as a document for a program."""

from dataclasses import asdict
from typing import Any

import numpy as np

from moldplan.pattern.model import Repair, Survey
from moldplan.pattern.words import counted, place
from moldplan.tolerances import REL_EPSILON

_MM3_PER_L = 1e6
_MM2_PER_M2 = 1e6


def describe_survey(survey: Survey) -> list[str]:
    """Return the lines that tell a mould maker what the mesh is, what was mended and what is wrong."""
    kind = survey.file_format.upper()
    lines = [
        f"{survey.file_name}: {kind}, {survey.triangles_found} triangles, {survey.points_found} points",
        _size(survey),
        _solid(survey),
    ]
    if found := _found(survey):
        lines.append("as it came: " + ", ".join(found))
    lines.extend(_mended(survey, repair) for repair in survey.repairs)
    if survey.repairs:
        lines.append(_moved(survey))
    if survey.turned_inside_out:
        lines.append("it was inside out, as a mirrored file is: check which hand is the left one")
    if survey.crossing_faces:
        lines.append(f"{counted(survey.crossing_faces, 'face')} cut through others and were left so")
    lines.extend(f"to be accepted: {what}" for what in survey.accepting)
    lines.extend(f"wrong: {problem}" for problem in survey.problems)
    lines.append("cannot be planned as it is" if survey.problems else _ready(survey))
    return lines


def _mended(survey: Survey, repair: Repair) -> str:
    """Return the line of one rung: what, how often, and how far the surface moved."""
    line = f"mended: {repair.what}, {repair.count}"
    unit = " mm" if survey.scale_known else ""
    if repair.cell_mm is not None:
        line += f", of cells {repair.cell_mm:.3g}{unit}"
    if repair.moved_mm <= REL_EPSILON * max(survey.size_mm):
        return line
    line += (
        f"; moved {repair.mean_mm:.2g} mean, {repair.p99_mm:.2g} (99 %), {repair.moved_mm:.2g}{unit} at most"
    )
    if repair.place_mm is not None:
        exact = place(np.array(repair.place_mm))
        rounded = "(" + ", ".join(f"{value:.1f}" for value in repair.place_mm) + ")"
        line += f", at {rounded if survey.scale_known else exact} from the middle"
    return line


def survey_document(survey: Survey) -> dict[str, Any]:
    """Return a survey as plain values for JSON, numbers unrounded.

    Lengths stand under keys with their unit when the scale is known, else under ``*_file`` in the file's own
    numbers. Volume and handles are None for a mesh that is no solid.
    """
    solid = survey.watertight
    return {
        "file": survey.file_name,
        "sha256": survey.sha256,
        "format": survey.file_format,
        "file_unit": survey.file_unit,
        "scale_known": survey.scale_known,
        "found": _found_document(survey),
        "triangles": survey.triangles,
        "watertight": solid,
        "bodies": survey.bodies,
        "genus": survey.genus if solid else None,
        **_sizes_document(survey),
        "repairs": [_repair_document(asdict(repair), survey.scale_known) for repair in survey.repairs],
        "turned_inside_out": survey.turned_inside_out,
        "crossing_faces": survey.crossing_faces,
        "to_be_accepted": list(survey.accepting),
        "problems": list(survey.problems),
    }


def _found_document(survey: Survey) -> dict[str, int]:
    """Return the counts of the file as it came."""
    return {
        "points": survey.points_found,
        "triangles": survey.triangles_found,
        "open_edges": survey.open_edges_found,
        "open_loops": survey.open_loops_found,
        "nonmanifold_edges": survey.nonmanifold_edges_found,
        "doubled_faces": survey.doubled_faces_found,
        "degenerate_faces": survey.degenerate_faces_found,
        "flipped_faces": survey.flipped_faces_found,
    }


def _sizes_document(survey: Survey) -> dict[str, Any]:
    """Return the measures, under names that say their unit."""
    volume = survey.volume_mm3 if survey.watertight else None
    if not survey.scale_known:
        return {
            "size_file": list(survey.size_mm),
            "area_file": survey.area_mm2,
            "volume_file": volume,
            "deviation_file": survey.deviation_mm,
        }
    return {
        "size_mm": list(survey.size_mm),
        "area_m2": survey.area_mm2 / _MM2_PER_M2,
        "volume_l": None if volume is None else volume / _MM3_PER_L,
        "deviation_mm": survey.deviation_mm,
    }


def _repair_document(repair: dict[str, Any], known: bool) -> dict[str, Any]:  # noqa: FBT001 - private
    """Return one repair; its lengths are under the file's name when the scale is unknown."""
    if known:
        return repair
    return {name.replace("_mm3", "_file").replace("_mm", "_file"): value for name, value in repair.items()}


def _size(survey: Survey) -> str:
    """Return the line with size, surface and volume."""
    if not survey.scale_known:
        x, y, z = (f"{value:.5g}" for value in survey.size_mm)
        return (
            f"size {x} x {y} x {z} (x, y, z) in the file's own numbers; it names no unit: "
            'add --height "1.5 m" or --unit mm'
        )
    x, y, z = (f"{value:.1f}" for value in survey.size_mm)
    line = f"size {x} x {y} x {z} mm (x, y, z), surface {survey.area_mm2 / _MM2_PER_M2:.3g} m2"
    return line + (f", volume {survey.volume_mm3 / _MM3_PER_L:.4g} l" if survey.watertight else "")


def _solid(survey: Survey) -> str:
    """Return the line that says whether the mesh is a solid."""
    if not survey.watertight:
        return f"no closed solid; {counted(survey.bodies, 'separate piece')}"
    holes = counted(survey.genus, "hole") if survey.genus else "no hole"
    return f"one closed solid, {holes} right through it"


def _found(survey: Survey) -> list[str]:
    """Return what was out of order in the file, the counts that are not zero."""
    holes = counted(survey.open_loops_found, "hole")
    crowded = ("edge shared by more than two faces", "edges shared by more than two faces")
    counts = [
        (survey.open_edges_found, f"open edge round {holes}", f"open edges round {holes}"),
        (survey.nonmanifold_edges_found, *crowded),
        (survey.doubled_faces_found, "doubled face", None),
        (survey.degenerate_faces_found, "face without area", "faces without area"),
        (survey.flipped_faces_found, "flipped face", None),
    ]
    return [counted(count, one, many) for count, one, many in counts if count]


def _moved(survey: Survey) -> str:
    """Return the line on how far mending moved the surface."""
    if survey.deviation_mm <= REL_EPSILON * max(survey.size_mm):
        return "mending moved the surface nowhere"
    unit = "mm" if survey.scale_known else "of the file's numbers"
    return f"mending moved the surface by at most {survey.deviation_mm:.2g} {unit} in all"


def _ready(survey: Survey) -> str:
    """Return the closing line of a mesh that can be planned."""
    if survey.accepting:
        return "can be planned with --accept-repairs, once somebody has looked at what was mended (--repair)"
    return "ready to plan" if survey.scale_known else "ready to plan once its size is given"
