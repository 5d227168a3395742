"""The side section of one half on its board: half, rubber, wall and jacket, with two details."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.half.model import Half
from moldplan.mould.model import Mould
from moldplan.pattern.model import axis_vector
from moldplan.units import kg
from moldplan.views import furniture as fit
from moldplan.views.cutting import Cut
from moldplan.views.details import coats_detail, foot_detail
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.paper import FRAME, THIN, Box, Point, Sheet, areal, inner_point
from moldplan.views.scale import Scale
from moldplan.views.scene import Scene, draw_scene, extent, fitted_scene, make_scene, scene_samples
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan

#: Where the section itself may lie; left and below stand dimensions, right the labels.
ROOM: Box = (FRAME[0] + 32.0, FRAME[1] + 144.0, FRAME[0] + 223.0, FRAME[3] - 16.0)
LABELS = Column(
    left_mm=FRAME[0] + 230.0, right_mm=fit.COLUMN_LEFT - 2.0, low_mm=FRAME[1] + 132.0, high_mm=FRAME[3] - 4.0
)
_LEVEL_MM = 8.5
#: Where along the section, as a share of its length, leaders to thin layers end.
_ON_TOP = {"skin": 0.76, "jacket": 0.66}


def section_sheet(plan: "Plan", half: Half, mould: Mould, cut: Cut, *, number: str) -> Sheet:
    """Return the side section of `half` in the plane of `cut`, with details of its foot and its coats.

    Parameters
    ----------
    plan
        The whole plan, for titles, settings and the figure's directions.
    half, mould
        The half and its mould.
    cut
        Where the section is taken (`moldplan.views.cutting.choose_cut`).
    number
        "3 of 5", for the title block.
    """
    sheet = Sheet(f"half-{half.name.lower()}-section")
    scene, scale = fitted_scene(make_scene(plan, half, mould, cut), ROOM)
    name = f"{cut.letter}-{cut.letter}"
    fit.draw_frame(sheet, titles(plan, half, drawing=f"section {name}", scale=scale.text, number=number))
    fit.draw_heading(sheet, f"SECTION {name} at {cut.axis} = {cut.at_mm:+.0f} mm")
    draw_scene(sheet, scene, scale)
    _draw_dimensions(sheet, scene, scale)
    windows = (foot_detail(sheet, scene), coats_detail(sheet, scene))
    _draw_windows(sheet, windows, scale)
    draw_labels(sheet, place_labels(_notes(scene, windows, scale), LABELS))
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    arrows, words = section_directions(plan, half, cut)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, scene_samples(scene), top=y)
    cautions = _cautions(mould)
    spare = fit.words_height(cautions) + 3.0
    y = fit.draw_table(sheet, "COATS OF RUBBER", _coat_rows(mould), top=y, spare=spare)
    fit.draw_words(sheet, "CAUTION", cautions, top=y)
    return sheet


def _cautions(mould: Mould) -> list[str]:
    """Return what can hurt somebody while the jacket is laid up and the mould is turned."""
    jacket = mould.jacket
    count = jacket.turning_people
    who = "frame or hoist" if count is None else f"{count} {'person' if count == 1 else 'people'} at least"
    return [
        "Resin: extract styrene at the lip. Peroxide: goggles, eye-wash, never straight onto accelerator.",
        f"Turning moves {kg(jacket.turning_kg)}: {who}. Local codes and a qualified person decide.",
    ]


Window = tuple[str, BaseGeometry] | None


def _draw_windows(sheet: Sheet, windows: Sequence[Window], scale: Scale) -> None:
    """Show on the section which part of it each detail is."""
    for window in windows:
        if window is not None:
            sheet.stroke(scale.shape(window[1]), THIN, tag=f"detail-{window[0]}")


def _draw_dimensions(sheet: Sheet, scene: Scene, scale: Scale) -> None:
    """Dimension what is seen: heights at the left, widths below, the shortest nearest."""
    profile = scene.profile
    box = scale.shape(shapely.box(*extent(scene))).bounds
    dimensions = []
    for rank, shape in enumerate(_by_size([profile.wall, profile.half, profile.covered], axis=1)):
        left, _, _, high = shape.bounds
        foot, top = scale.point(left, 0.0), scale.point(_where_highest(shape), high)
        level = box[0] - _LEVEL_MM * (rank + 1)
        dimensions.append(fit.Dimension(first=foot, last=top, level_mm=level, upright=True, value_mm=high))
    wide = [profile.half, profile.covered, *([] if scene.broken else [profile.board])]
    for rank, shape in enumerate(_by_size(wide, axis=0)):
        left, low, right, _ = shape.bounds
        first, last = scale.point(left, max(low, 0.0)), scale.point(right, max(low, 0.0))
        level, value = box[1] - _LEVEL_MM * (rank + 1), right - left
        dimensions.append(
            fit.Dimension(first=first, last=last, level_mm=level, upright=False, value_mm=value)
        )
    fit.draw_dimensions(sheet, dimensions)


def _by_size(shapes: list[BaseGeometry], *, axis: int) -> list[BaseGeometry]:
    there = [shape for shape in shapes if not shape.is_empty]
    return sorted(there, key=lambda shape: float(shape.bounds[axis + 2] - shape.bounds[axis]))


def _where_highest(shape: BaseGeometry) -> float:
    points = shapely.get_coordinates(shape)
    return float(points[np.lexsort((points[:, 0], -points[:, 1]))[0], 0])


def _notes(scene: Scene, windows: Sequence[Window], scale: Scale) -> list[Note]:
    """Return what is said about each thing in the section."""
    profile, rubber = scene.profile, scene.mould.rubber
    rest = areal(profile.rubber.difference(shapely.union_all([scene.skin, *profile.gaps.values()])))
    jacket = scene.mould.jacket
    drawn_thicker = scene.jacket_mm(scale) > jacket.thickness_mm
    rows: list[tuple[tuple[str, ...], BaseGeometry, str]] = [
        (("figure", "half on the board"), profile.half, "half"),
        (("rubber skin", f"{fit.mm_text(rubber.skin_mm)} mm, in coats"), scene.skin, "skin"),
        (("rubber fill", f"draft {rubber.draft_deg:g} deg"), rest, "rubber"),
        (
            (f"jacket {fit.mm_text(jacket.thickness_mm)} mm", "drawn thicker" if drawn_thicker else "glass"),
            profile.jacket(scene.jacket_mm(scale)),
            "jacket",
        ),
    ]
    rows.extend(
        ((f"detail {window[0]}", "below"), window[1], f"detail-{window[0]}")
        for window in windows
        if window is not None
    )
    depths = {region.id: region.depth_mm for region in scene.half.undercut.regions}
    for number in list(profile.gaps)[: LABELS.room(2) - len(rows)]:
        words = (f"undercut U{number}", f"{fit.about_text(depths[number])} mm at most")
        rows.append((words, profile.gaps[number], f"undercut-{number}"))
    return [
        Note(lines=words, anchor=scale.point(*_label_point(shape, tag)), tag=tag)
        for words, shape, tag in rows
        if not shape.is_empty
    ]


def _label_point(shape: BaseGeometry, tag: str) -> Point:
    """Return the point that a leader to `shape` ends at.

    Of a detail's window, the middle of its right side; of a thin layer, a point on its upper side, so that
    the leader comes through free air; else a point inside the larger part furthest right.
    """
    left, low, right, high = shape.bounds
    if tag.startswith("detail"):
        return right, 0.5 * (low + high)
    if tag in _ON_TOP:
        middle, half = left + _ON_TOP[tag] * (right - left), 0.004 * (right - left)
        strip = areal(shape.intersection(shapely.box(middle - half, low, middle + half, high)))
        if not strip.is_empty:
            return inner_point(max(strip.geoms, key=lambda part: float(part.bounds[3])))
    parts = shapely.get_parts(shape)
    largest = max(part.area for part in parts)
    return inner_point(max((p for p in parts if p.area >= 0.3 * largest), key=lambda p: float(p.bounds[2])))


def section_directions(
    plan: "Plan", half: Half, cut: Cut
) -> tuple[list[tuple[str, Point]], list[tuple[str, str]]]:
    """Return the arrows to HEAD and FRONT in the section, and words for a side that has none."""
    arrows: list[tuple[str, Point]] = []
    words: list[tuple[str, str]] = []
    for name, axis in (("HEAD", plan.pattern.up), ("FRONT", plan.pattern.front)):
        vector = half.to_half[:3, :3] @ axis_vector(axis)
        flat = (float(vector[1 - cut.number]), float(vector[2]))
        if np.hypot(*flat) > fit.SEEN_ALONG:
            arrows.append((name, flat))
        else:
            near = vector[0] > 0.0 if cut.axis == "x" else vector[1] < 0.0
            words.append((name, "faces you" if near else "faces away"))
    return arrows, words


def _coat_rows(mould: Mould) -> list[tuple[str, str]]:
    """Return the coats with their passes and thicknesses, those over one undercut with its name."""
    rows = []
    for coat in mould.rubber.coats:
        times = "" if coat.passes == 1 else f"{coat.passes} x "
        name = coat.name if coat.region is None else f"extra in U{coat.region}"
        rows.append((name, f"{times}{fit.about_text(coat.thickness_mm)} mm"))
    return rows
