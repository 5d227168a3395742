"""The sheet that carries the picture of the figure with its split."""

from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import distance_transform_edt

from moldplan.units import litres
from moldplan.views import furniture as fit
from moldplan.views.figure_picture import FigurePicture
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.paper import FRAME, Box, Picture, Sheet
from moldplan.views.titles import half_name, titles

if TYPE_CHECKING:
    from moldplan.plan import Plan

_LEFT, _LOW, _HIGH = FRAME[0] + 3.0, FRAME[1] + 3.0, FRAME[3] - 14.0
LABELS = Column(
    left_mm=FRAME[0] + 236.0, right_mm=fit.COLUMN_LEFT - 2.0, low_mm=FRAME[1] + 60.0, high_mm=FRAME[3] - 20.0
)


def figure_sheet(plan: "Plan", picture: FigurePicture, *, number: str) -> Sheet:
    """Return the sheet with the picture of the figure; its labels point at what is seen of each half."""
    sheet = Sheet("figure")
    rows, columns = picture.part.shape
    height = _HIGH - _LOW
    bounds: Box = (_LEFT, _LOW, _LEFT + height * columns / rows, _HIGH)
    sheet.picture(Picture(rgb=picture.rgb, bounds=bounds, clip=None, tag="figure", smooth=True))
    fit.draw_frame(sheet, titles(plan, None, drawing="the figure and its split", scale="none", number=number))
    fit.draw_heading(sheet, "FIGURE, HALVES DRAWN APART")
    draw_labels(sheet, place_labels(_notes(plan, picture, bounds), LABELS))
    fit.draw_table(sheet, "FIGURE", _rows(plan), top=FRAME[3])
    return sheet


def _notes(plan: "Plan", picture: FigurePicture, bounds: Box) -> list[Note]:
    """Return a label for each half that is seen, at the middle of the widest place of it."""
    notes = []
    rows, columns = picture.part.shape
    step = max(rows // 250, 1)
    for number, half in enumerate(plan.halves):
        seen = np.pad(picture.part[::step, ::step] == number, 1)
        inside = distance_transform_edt(seen)
        if inside.max() > 1.0:
            row, column = np.unravel_index(int(inside.argmax()), inside.shape)
            x = bounds[0] + (column - 0.5) * step / columns * (bounds[2] - bounds[0])
            y = bounds[3] - (row - 0.5) * step / rows * (bounds[3] - bounds[1])
            words = half_name(half).split(" = ")
            notes.append(
                Note(lines=(words[0], words[-1] if len(words) > 1 else ""), anchor=(x, y), tag=half.name)
            )
    return notes


def _rows(plan: "Plan") -> list[tuple[str, str]]:
    """Return the figure and its split in numbers."""
    size, normal = plan.pattern.size_mm, plan.plane.normal
    rows = [(f"along {axis}", f"{length:.0f} mm") for axis, length in zip("xyz", size, strict=True)]
    rows.append(("volume", litres(plan.pattern.volume_mm3)))
    if len(plan.halves) > 1:
        rows.append(("plane, normal", " ".join(f"{round(part, 3) + 0.0:.3f}" for part in normal)))
        rows.append(("plane, offset", f"{round(plan.plane.offset_mm, 1) + 0.0:.1f} mm"))
        rows.append(("seam", f"{plan.seam_mm / 1000:.2f} m"))
    rows.append(("undercut", litres(plan.undercut_mm3)))
    rows.append(("locked from every side", litres(plan.locked_mm3)))
    return rows
