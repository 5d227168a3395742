"""How steadily a half lies, loose, on its sawn face."""

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from moldplan.half.model import Half


def centre_of_mass_mm(half: Half) -> NDArray[np.float64]:
    """Return the centre of mass (3,) of a half of even density, in its frame; exact for its mesh.

    Notes
    -----
    The mesh is a signed sum of tetrahedra from the origin, each with its centre at the mean of its corners.
    """
    corners = half.vertices[half.faces]
    volumes = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0
    # einsum, since what a matrix product sums may depend on how many threads there are
    middle: NDArray[np.float64] = np.einsum("i,ij->j", volumes, corners.sum(axis=1)) / (4.0 * volumes.sum())
    return middle


def tips_deg(half: Half) -> float:
    """Return by how much the board may tilt, any way, before the loose half tips over, deg.

    Parameters
    ----------
    half
        The half on its board.

    Returns
    -------
    float
        The least over all edges of the hull of the sawn face of atan(distance of the edge from the foot of
        the centre of mass / height of the centre). 0 or less when the centre of mass does not stand over
        that hull: the half does not lie on its sawn face at all. -90 when it has no sawn face.

    Notes
    -----
    A rigid half of even density on a rough board, before any rubber is on it. Exact for the mesh.
    """
    x, y, z = centre_of_mass_mm(half)
    foot = shapely.Point(x, y)
    hull = shapely.convex_hull(half.section)
    if not isinstance(hull, shapely.Polygon) or hull.is_empty:
        return -90.0
    # over a convex hull the nearest point of its line lies on the nearest edge
    distance = shapely.distance(foot, hull.exterior) * (1.0 if hull.contains(foot) else -1.0)
    return math.degrees(math.atan2(float(distance), float(z)))
