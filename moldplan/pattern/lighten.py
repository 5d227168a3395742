"""A lighter copy of a mesh of many millions of triangles, for everything that is planned.

The whole mesh stays with the pattern (`moldplan.pattern.model.Lighter`): what the plan says is measured on
the lighter copy, and the main figures again on the whole mesh (`moldplan.half.whole`).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from moldplan.pattern.arrays import frozen, mesh_area_mm2, mesh_volume_mm3
from moldplan.pattern.light import arranged, light_copy
from moldplan.pattern.model import Lighter, Pattern
from moldplan.pattern.topology import Floats, Ints, face_bodies, mesh_edges
from moldplan.tolerances import MOST_PLANNED_FACES, PLANNED_MOVES


def lightened(
    pattern: Pattern, *, most: int = MOST_PLANNED_FACES, moves: Sequence[float] = PLANNED_MOVES
) -> Pattern:
    """Return the pattern with a lighter mesh to plan with; one with few triangles comes back as it is.

    Parameters
    ----------
    pattern
        A closed solid, its mesh whole.
    most
        Triangles that are few enough.
    moves
        How far the surface may move in each step that is needed, as a share of the bounding box's diagonal.

    Returns
    -------
    Pattern
        In the same frame; `lighter` holds the whole mesh and what the two differ by, `survey` and
        `marks` are of the whole one. More than `most` triangles are left where the steps do not suffice; the
        whole mesh where no copy of it is a sound solid.
    """
    if len(pattern.faces) <= most:
        return pattern
    vertices, faces, moved = light_copy(pattern.vertices, pattern.faces, most=most, moves=moves)
    if moved == 0.0 or not _sound(vertices, faces, pattern):
        return pattern
    vertices, faces = arranged(vertices, faces)
    whole = pattern.faces.astype(np.int32)
    for array in (vertices, faces, whole):
        frozen(array)
    return replace(
        pattern, vertices=vertices, faces=faces, lighter=_lighter(pattern, whole, vertices, faces, moved)
    )


def _sound(vertices: Floats, faces: Ints, pattern: Pattern) -> bool:
    """Return whether faces make a closed solid of as many bodies as the pattern has.

    A library's word for it is not enough. A handle narrower than the surface moved may be gone: the rubber
    would never know it.
    """
    edges = mesh_edges(faces)
    whole = edges.closed and edges.unmirrored and face_bodies(edges)[0] == pattern.survey.bodies
    return whole and mesh_volume_mm3(vertices, faces) > 0.0


def _lighter(
    pattern: Pattern, whole: NDArray[np.int32], vertices: Floats, faces: Ints, moved: float
) -> Lighter:
    """Return the whole mesh beside the figures of the lighter one."""
    return Lighter(
        vertices=pattern.vertices, faces=whole, moved_mm=moved,
        volume_mm3=mesh_volume_mm3(vertices, faces), area_mm2=mesh_area_mm2(vertices, faces),
    )  # fmt: skip
