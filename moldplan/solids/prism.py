"""Upright prisms over areas of the board."""

from typing import Final

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

#: Corners of lines on the board that make less difference than this are left out.
_SMOOTH_MM: Final = 0.01


def rings_of(ground: BaseGeometry) -> list[NDArray[np.float64]]:
    """Return the lines round an area, each (n, 2) and not repeated at its end, the area on their left."""
    parts = shapely.get_parts(shapely.orient_polygons(shapely.simplify(ground, _SMOOTH_MM)))
    return [np.array(ring.coords)[:-1, :2] for part in parts for ring in (part.exterior, *part.interiors)]


def prism(ground: BaseGeometry, low_mm: float, high_mm: float) -> manifold3d.Manifold:
    """Return the upright prism over an area between two heights."""
    area = manifold3d.CrossSection(rings_of(ground), manifold3d.FillRule.Positive)
    return manifold3d.Manifold.extrude(area, high_mm - low_mm).translate((0.0, 0.0, low_mm))
