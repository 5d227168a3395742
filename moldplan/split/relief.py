"""Whether one half holds the whole figure on a flat back: a one-part open mould."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.split.directions import FLAT_COSINE
from moldplan.split.frame import leading_axis
from moldplan.split.sight import look
from moldplan.tolerances import RELIEF_FLAT_SHARE, RELIEF_UNDERCUT

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A back is flat when its corners lie this near to its plane, as a share of the bounding box's diagonal.
BACK_EPSILON: Final = 1e-4
#: Backs that differ by less than this share in area are equally large.
BACK_AREA_SHARE: Final = 0.01
#: Cells along the longer side of the projection when a back is tried.
BACK_CELLS: Final = 384


def flat_back(vertices: Floats, faces: Ints, flats: Floats) -> tuple[Floats, float] | None:
    """Return the plane of the largest flat back on which the whole figure can lie in one open mould.

    Parameters
    ----------
    vertices, faces
        The figure in its own frame (front, left, up); a closed mesh, corners in mm.
    flats
        Outward normals (k, 3) of its large flats (`directions.flat_normals`).

    Returns
    -------
    tuple or None
        Unit normal (3,), pointing from the back into the figure, and offset in mm; None when there is no
        such back. The plane passes through the highest corner of the back, so that planing the board's
        side true leaves no hollow.

    Notes
    -----
    A back serves when it is flat over at least `RELIEF_FLAT_SHARE` of the figure's shadow, and pulling the
    figure straight off it leaves at most `RELIEF_UNDERCUT` of the volume undercut. Of equally large
    backs the one whose pull points to the figure's front, left or top is taken, in that order.
    """
    found: list[tuple[float, tuple[bool, int], Floats, float]] = []
    for outward in flats:
        back = _back(vertices, faces, -outward)
        if back is not None:
            normal, offset, area = back
            axis = leading_axis(normal)
            found.append((area, (bool(normal[axis] < 0.0), axis), normal, offset))
    if not found:
        return None
    largest = max(area for area, *_ in found)
    equal = [item for item in found if item[0] >= largest * (1.0 - BACK_AREA_SHARE)]
    _, _, normal, offset = min(equal, key=lambda item: item[1])
    return normal, offset


def _back(vertices: Floats, faces: Ints, pull: Floats) -> tuple[Floats, float, float] | None:
    """Return the back under `pull`, its offset and its area in mm2, or None when it does not serve."""
    tolerance = BACK_EPSILON * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    pull, lying, area = _trued(vertices, faces, pull, tolerance)
    if not lying.any():
        return None
    sight = look(vertices, faces, pull, cells=BACK_CELLS)
    if area < RELIEF_FLAT_SHARE * sight.projection_mm2:
        return None
    heights = vertices @ pull
    shadow_mm3 = float((sight.tops_mm - heights.min()).sum()) * sight.column_mm2
    if shadow_mm3 - sight.filled_mm3 > RELIEF_UNDERCUT * sight.filled_mm3:
        return None
    return pull, float(heights[faces[lying]].max()), area


def _trued(
    vertices: Floats, faces: Ints, pull: Floats, tolerance: float
) -> tuple[Floats, NDArray[np.bool_], float]:
    """Return `pull` set square to the faces it lies on, which faces these are (m,), and their area in mm2."""
    corners = vertices[faces]
    square = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(square, axis=1)
    for _ in range(2):
        heights = vertices @ pull
        low = heights <= heights.min() + tolerance
        lying = low[faces].all(axis=1) & (square @ pull <= -FLAT_COSINE * twice)
        if lying.any():
            pull = -square[lying].sum(axis=0)
            pull = pull / np.linalg.norm(pull)
    return pull, lying, float(0.5 * twice[lying].sum())
