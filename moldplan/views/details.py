"""Two details of the section: the foot of the mould, and the coats of rubber on a flank."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.mould.board import BOARD_MM
from moldplan.mould.model import Coat, Rubber
from moldplan.views import furniture as fit
from moldplan.views.cutting import distance_field
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.paper import FINE, FRAME, MEDIUM, Box, Lettering, Point, Sheet, areal, inner_point
from moldplan.views.scale import DETAIL_SCALES, Scale
from moldplan.views.scene import JACKET_TONE, Scene, draw_scene, paint_half, placing

#: Window of the detail of the foot, and its labels beside it.
FOOT: Box = (FRAME[0] + 8.0, FRAME[1] + 30.0, FRAME[0] + 100.0, FRAME[1] + 92.0)
FOOT_LABELS = Column(
    left_mm=FOOT[2] + 9.0, right_mm=FOOT[2] + 52.0, low_mm=FOOT[1] - 4.0, high_mm=FOOT[3] + 2.0
)
#: Middle and largest radius of the detail of the coats, and its labels beside it.
COATS_AT: Point = (FRAME[0] + 189.0, FRAME[1] + 61.0)
COATS_RADIUS = 32.0
COAT_LABELS = Column(
    left_mm=FRAME[0] + 232.0, right_mm=fit.COLUMN_LEFT - 1.0, low_mm=FRAME[1] + 26.0, high_mm=FRAME[1] + 100.0
)
_TONES = ("#a9a9a9", "#d6d6d6")
_BEYOND = "#efefef"


def foot_detail(sheet: Sheet, scene: Scene) -> tuple[str, BaseGeometry] | None:
    """Draw the foot at the section's right end larger: edge of the rubber, moat, wall, jacket flange.

    Returns
    -------
    tuple or None
        The detail's letter and its window in mm; None when the section has no foot to show.
    """
    profile = scene.profile
    if profile.covered.is_empty or profile.wall.is_empty:
        return None
    edge = profile.covered.bounds[2]
    outer = max(shape.bounds[2] for shape in (profile.wall, profile.flange) if not shape.is_empty)
    needed = (outer - edge) + scene.mould.rubber.skin_mm + 60.0
    ratio = _detail_ratio(needed, FOOT[2] - FOOT[0])
    right = outer + 3.0 * ratio
    scale = Scale(ratio=ratio, middle_mm=(right, -BOARD_MM - 2.0 * ratio), at=(FOOT[2], FOOT[1]))
    window = shapely.box(*FOOT)
    draw_scene(sheet, scene, scale, window=window)
    sheet.stroke(window, FINE, tag="detail-Y")
    _title(sheet, f"DETAIL Y  scale {scale.text}", (FOOT[0], FOOT[3] + 3.0))
    draw_labels(sheet, place_labels(_foot_notes(scene, scale, window), FOOT_LABELS))
    width, height = (FOOT[2] - FOOT[0]) * ratio, (FOOT[3] - FOOT[1]) * ratio
    low = -BOARD_MM - 2.0 * ratio
    return "Y", shapely.box(right - width, low, right, low + height)


def _detail_ratio(needed_mm: float, room_mm: float) -> float:
    """Return the 1 : ratio of the largest detail scale at which `needed_mm` fits into `room_mm`."""
    fits = [scale for scale in DETAIL_SCALES if needed_mm * scale <= room_mm]
    return 1.0 / (fits[-1] if fits else DETAIL_SCALES[0])


def _title(sheet: Sheet, text: str, at: Point) -> None:
    sheet.text(Lettering(text=text, at=at, bold=True, owner="detail-title"))


def _foot_notes(scene: Scene, scale: Scale, window: BaseGeometry) -> list[Note]:
    mould, profile = scene.mould, scene.profile
    place = placing(scale, window)
    wall = f"{fit.mm_text(mould.wall.height_mm)} high, {fit.mm_text(mould.wall.thickness_mm)} thick"
    rows = (
        (("clay wall", wall), profile.wall, "wall"),
        (("jacket flange", "on bare board"), profile.flange, "flange"),
        (("rubber", "edge build"), profile.rubber, "rubber"),
        (("board", ""), profile.board, "board"),
    )
    return [
        Note(lines=words, anchor=_right_point(place(shape)), tag=tag)
        for words, shape, tag in rows
        if not place(shape).is_empty
    ]


def _right_point(shape: BaseGeometry) -> Point:
    """Return a point inside a shape, in the last mm (of paper) at its right end."""
    _, low, right, high = shape.bounds
    return inner_point(areal(shape.intersection(shapely.box(right - 4.0, low, right, high))))


def base_coats(rubber: Rubber) -> list[Coat]:
    """Return the coats that build the skin, in order."""
    taken: list[Coat] = []
    for coat in rubber.coats:
        total = sum(other.thickness_mm for other in taken) + coat.thickness_mm
        if coat.region is None and total <= rubber.skin_mm * 1.001:
            taken.append(coat)
    return taken


def coats_detail(sheet: Sheet, scene: Scene) -> tuple[str, BaseGeometry] | None:
    """Draw the coats on the section's right flank larger, by their true distance from the half.

    Returns
    -------
    tuple or None
        The detail's letter and its window in mm; None when there is no flank or no coat to show.
    """
    coats = base_coats(scene.mould.rubber)
    middle = flank_point(scene.profile.half)
    if not coats or middle is None:
        return None
    ratio = _detail_ratio(3.6 * scene.mould.rubber.skin_mm + 4.0, 2.0 * COATS_RADIUS)
    middle = (middle[0] + 0.6 * scene.mould.rubber.skin_mm, middle[1])
    scale = Scale(ratio=ratio, middle_mm=middle, at=COATS_AT)
    window = shapely.Point(COATS_AT).buffer(COATS_RADIUS, quad_segs=32)
    bands = _bands(scene, scale, [coat.thickness_mm for coat in coats])
    _draw_coats(sheet, scene, scale, window, bands)
    _title(sheet, f"DETAIL Z  scale {scale.text}", (COATS_AT[0] - COATS_RADIUS, FOOT[3] + 3.0))
    draw_labels(sheet, place_labels(_coat_notes(coats, bands, scale, window), COAT_LABELS))
    return "Z", shapely.Point(middle).buffer(COATS_RADIUS * ratio, quad_segs=32)


def flank_point(shape: BaseGeometry) -> Point | None:
    """Return the outermost point of a sawn half at the right, at two fifths of the section's height.

    Where nothing stands at that height, others are tried.
    """
    if shape.is_empty:
        return None
    left, _, right, high = shape.bounds
    for share in (0.4, 0.6, 0.8, 0.2):
        level = share * float(high)
        line = shapely.LineString([(left - 1.0, level), (right + 1.0, level)]).intersection(shape)
        if not line.is_empty:
            return float(line.bounds[2]), level
    return None


def _bands(scene: Scene, scale: Scale, thicknesses: Sequence[float]) -> list[shapely.MultiPolygon]:
    """Return the area of each coat in the window, in mm."""
    reach, (x, z) = COATS_RADIUS * scale.ratio, scale.middle_mm
    cell = reach / 150.0
    window = (x - reach, z - reach, x + reach, z + reach)
    total = float(sum(thicknesses)) + 2.0 * cell
    field = distance_field(scene.half, scene.cut, window, cell_mm=cell, reach_mm=total)
    levels = np.concatenate([[-1.0], np.cumsum(thicknesses)])
    return [
        areal(field.between(float(low), float(high)).intersection(scene.profile.rubber))
        for low, high in pairwise(levels)
    ]


def _draw_coats(
    sheet: Sheet, scene: Scene, scale: Scale, window: BaseGeometry, bands: Sequence[BaseGeometry]
) -> None:
    place = placing(scale, window)
    sheet.area(place(scene.profile.rubber), _BEYOND, tag="rubber")
    for rank, band in enumerate(bands):
        shape = place(band)
        sheet.area(shape, _TONES[rank % 2], tag="coat")
        sheet.stroke(shape, FINE, tag="coat")
    jacket = place(scene.profile.jacket(scene.mould.jacket.thickness_mm))
    sheet.area(jacket, JACKET_TONE, tag="jacket")
    sheet.area(place(scene.profile.board), "#f3f3f3", tag="board")
    paint_half(sheet, place(scene.profile.half))
    sheet.stroke(window, MEDIUM, tag="detail-Z")


def _coat_notes(
    coats: Sequence[Coat], bands: Sequence[BaseGeometry], scale: Scale, window: BaseGeometry
) -> list[Note]:
    """Return one note a coat, outermost first from the top, anchored one below the other."""
    place = placing(scale, window)
    notes = []
    for rank, (coat, band) in enumerate(reversed(list(zip(coats, bands, strict=True)))):
        shape = place(band)
        level = COATS_AT[1] + 5.0 * (0.5 * (len(coats) - 1) - rank)
        strip = areal(shape.intersection(shapely.box(*_level_box(level))))
        if not shape.is_empty:
            anchor = inner_point(shape if strip.is_empty else _rightmost(strip))
            words = (coat.name, f"{fit.mm_text(coat.thickness_mm)} mm")
            notes.append(Note(lines=words, anchor=anchor, tag="coat"))
    return notes[: COAT_LABELS.room(2)]


def _level_box(level: float) -> Box:
    return COATS_AT[0] - COATS_RADIUS, level - 0.3, COATS_AT[0] + COATS_RADIUS, level + 0.3


def _rightmost(shape: BaseGeometry) -> BaseGeometry:
    parts: list[BaseGeometry] = list(shapely.get_parts(shape))
    return max(parts, key=lambda part: float(part.bounds[2]))
