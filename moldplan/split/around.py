"""The worst plane within what a saw is off."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.pattern.model import Pattern
from moldplan.split.frame import figure_axes
from moldplan.split.model import Plane
from moldplan.split.sight import check_cells, in_figure_frame, look, square_frame, unit

Floats = NDArray[np.float64]

#: Sides that the saw may lean to.
LEANINGS: Final = 8


def undercut_around(
    pattern: Pattern, plane: Plane, *, angle_deg: float, offset_mm: float, cells: int = 256
) -> tuple[Plane, float]:
    """Return the worst plane within an angle and an offset of one, and its undercut in mm3.

    Parameters
    ----------
    pattern
        A closed solid.
    plane
        The plane that is wanted.
    angle_deg, offset_mm
        How far the sawn plane may be off, 0 to 45 deg and 0 or more mm.
    cells
        Cells along the longer side of the projections, 8 to 4096.

    Returns
    -------
    tuple
        The plane and the undercut of both halves together, the largest of eight leanings of `angle_deg` and
        none, each at the offset plus and minus `offset_mm`. Where the saw leans, the offset is measured
        along the leaning normal, so that it turns about the foot of the box's middle on the plane.

    Raises
    ------
    SettingError
        When an angle, an offset or `cells` is out of range, or the normal is no direction.

    Notes
    -----
    The undercut is convex in the offset: between the ends it is no larger. Over directions it is no bound,
    but the worst of nine. A midpoint sum like `undercut_curve`'s; nine looks.
    """
    check_cells(cells)
    if not (0.0 <= angle_deg <= 45.0 and 0.0 <= offset_mm < math.inf):
        raise SettingError(
            f"tolerance of the saw: got {angle_deg} deg and {offset_mm} mm, allowed 0 to 45 deg and 0 mm "
            "or more"
        )
    axes = figure_axes(pattern.up, pattern.front)
    vertices, middle = in_figure_frame(pattern), axes @ unit(plane.normal)
    worst, most = plane, -math.inf
    for normal in _leaning(middle, angle_deg):
        sight = look(vertices, pattern.faces, normal, cells=cells)
        for offset in (plane.offset_mm - offset_mm, plane.offset_mm + offset_mm):
            undercut = sight.undercut_mm3(offset)
            if undercut > most:
                x, y, z = (float(part) + 0.0 for part in normal @ axes)
                worst, most = Plane(normal=(x, y, z), offset_mm=offset), undercut
    return worst, most


def _leaning(middle: Floats, angle_deg: float) -> list[Floats]:
    """Return a direction and, unless the angle is nothing, those leaning off it to every side."""
    if angle_deg == 0.0:
        return [middle]
    frame, angle = square_frame(middle), math.radians(angle_deg)
    sides = 2.0 * np.pi * np.arange(LEANINGS) / LEANINGS
    aside = np.cos(sides)[:, None] * frame[0] + np.sin(sides)[:, None] * frame[1]
    return [middle, *(math.cos(angle) * middle + math.sin(angle) * aside)]
