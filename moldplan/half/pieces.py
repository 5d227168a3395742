"""The pieces a half falls into where the saw parts it."""

from dataclasses import dataclass

from moldplan.half.model import Half
from moldplan.half.solids import surfaces
from moldplan.pattern.arrays import mesh_volume_mm3


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One connected solid of a half: its volume, hollows not taken off, and the mean of its corners."""

    volume_mm3: float
    middle_mm: tuple[float, float, float]


def pieces(half: Half) -> tuple[Piece, ...]:
    """Return the connected solids of a half, in the order of their points.

    Closed surfaces that bound a hollow (their volume is negative) are no pieces. A sound half has one.
    """
    _, surface_of_point = surfaces(half.faces, len(half.vertices))
    of_face = surface_of_point[half.faces[:, 0]]
    found = []
    for surface in sorted(set(of_face.tolist())):
        volume = mesh_volume_mm3(half.vertices, half.faces[of_face == surface])
        if volume > 0.0:
            middle = half.vertices[surface_of_point == surface].mean(axis=0)
            where = (float(middle[0]), float(middle[1]), float(middle[2]))
            found.append(Piece(volume_mm3=volume, middle_mm=where))
    return tuple(found)
