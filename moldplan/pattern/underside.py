"""The open underside of a scan: closed flat; and the floor a figure was scanned on: cut off.

An opening is the underside when its rim lies in one plane at the end of its piece, so that nothing is beyond.
A hole in a round back does so too: what tells them apart is that the surface meets the plane of an underside
steeply, or that a program cut it exactly flat.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from shapely import Polygon, constrained_delaunay_triangles, get_coordinates

from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.pattern.holes import Cap, Rims, cap_hole, ring_span
from moldplan.pattern.islands import face_areas
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, face_bodies, linked
from moldplan.tolerances import FLAT_RIM, OPENING_SHARE, WAVY_RIM

#: Cosine of the angle of 35 degrees between side and underside.
_STEEP: Final = 0.82
#: A cut by a program is flat within rounding to 32 bits.
_EXACT: Final = 1e-5
#: Shares of the piece's diagonal below which an opening is no underside: cut exactly, and otherwise.
_LEAST_EXACT: Final = 0.1
_LEAST: Final = 0.02
#: A floor is a sheet: thinner than this share of its width, and lying within it of the end of the figure.
_SHEET: Final = 0.03
#: Its faces lean no more than this against it (cosine of 40 degrees: sheets of scans are noisy).
_LEAN: Final = 0.766
#: It is at least this share of the surface.
_LEAST_FLOOR: Final = 0.02


@dataclass(frozen=True, kw_only=True)
class _Plane:
    """The plane of a rim: its middle and normal, how far the rim is off it, its width and the area in it."""

    middle: Floats
    normal: Floats
    off: float
    span: float
    area: float


class Piece(NamedTuple):
    """What hangs together: its points (k, 3), the diagonal of its box, its area."""

    points: Floats
    diagonal: float
    area: float


def closing(rims: Rims, ring: Ints, piece: Piece) -> Cap | None:
    """Return the flat cap over an opening that is an underside, None when it is none.

    Parameters
    ----------
    rims, ring
        The surface, and one of its rings.
    piece
        The connected piece the ring belongs to. With an opening of more than `OPENING_SHARE` of its area too
        much of the figure is missing.

    Returns
    -------
    Cap
        ``off`` is the farthest that the rim lies off its plane: 0 when it is flat.
    """
    points = rims.surface.points
    plane = _rim_plane(points, ring)
    if plane is None or plane.area > OPENING_SHARE * piece.area:
        return None
    if not _is_underside(rims, ring, plane, piece):
        return None
    faces = _flat_cap(points, ring, plane) if plane.off <= FLAT_RIM * plane.span else None
    if faces is None or bool(rims.taken(faces, ring).any()):
        wavy = cap_hole(rims, ring, bend=False)
        faces = None if wavy is None else wavy.faces
    else:
        rims.join_all(faces)
    if faces is None:
        return None
    return Cap(
        rim=ring, inner=np.zeros((0, 3)), faces=faces, area=mesh_area_mm2(points, faces),
        off=plane.off if plane.off > _EXACT * plane.span else 0.0, middle=plane.middle,
    )  # fmt: skip


def _rim_plane(points: Floats, ring: Ints) -> _Plane | None:
    """Return the plane of a ring, None when the ring encloses nothing."""
    middle = 0.5 * (points[ring].min(axis=0) + points[ring].max(axis=0))
    centred = points[ring] - middle
    across = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(across))
    span = ring_span(points, ring)
    if length <= _EXACT * span * span:
        return None
    heights = centred @ (across / length)
    shift = 0.5 * float(heights.min() + heights.max())
    return _Plane(
        middle=middle + shift * across / length, normal=across / length,
        off=0.5 * float(np.ptp(heights)), span=span, area=0.5 * length,
    )  # fmt: skip


def _is_underside(rims: Rims, ring: Ints, plane: _Plane, piece: Piece) -> bool:
    """Return whether an opening lies flat at the end of its piece, and the surface goes on as it would."""
    exact = plane.off <= _EXACT * plane.span and plane.span >= _LEAST_EXACT * piece.diagonal
    flat = plane.off <= WAVY_RIM * plane.span and plane.span >= _LEAST * piece.diagonal
    if not (exact or flat):
        return False
    heights = (piece.points - plane.middle) @ plane.normal
    slack = max(plane.off, FLAT_RIM * plane.span) * 1.001
    outward = 1.0 if float(heights.max()) <= slack else -1.0  # the other way for a mesh that is inside out
    if outward < 0.0 and float(heights.min()) < -slack:
        return False
    return exact or rims.steepness(ring, plane.normal) < _STEEP


def _flat_cap(points: Floats, ring: Ints, plane: _Plane) -> Ints | None:
    """Return the triangles of a flat cap; None when the rim crosses itself seen from below."""
    across = np.linalg.svd(plane.normal[None, :])[2]
    flat = (points[ring] - plane.middle) @ across[1:].T
    outline = Polygon(flat)
    if not outline.is_valid:
        return None
    corners = get_coordinates(constrained_delaunay_triangles(outline)).reshape(-1, 4, 2)[:, :3]
    if len(corners) != len(ring) - 2:
        return None
    places = {(x, y): place for place, (x, y) in enumerate(flat.tolist())}
    if len(places) != len(ring):
        return None
    cap = np.array([[places[x, y] for x, y in triangle] for triangle in corners.tolist()], dtype=np.int64)
    faces = ring[cap]
    a, b, c = points[faces].transpose(1, 0, 2)
    backward = np.cross(b - a, c - a) @ plane.normal < 0.0
    faces[backward] = faces[backward][:, ::-1]
    return faces


def floor_faces(surface: Surface) -> Bools | None:
    """Return the faces (m,) of the sheet a figure was scanned on, None when there is none.

    Notes
    -----
    The floor is a large, nearly flat, connected part with an open border at one end of the figure, which
    reaches farther out than the figure above it. Where it meets the figure's foot it ends, as its faces no
    longer lie flat. A flat foot with an open border that nothing stands out from is no floor.
    """
    areas = face_areas(surface)
    number, label = face_bodies(surface.edges)
    opened = np.zeros(number, dtype=bool)
    opened[label[surface.edges.open // 3]] = True
    bare: Bools = opened[label]
    corners = surface.points[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(2.0 * areas, 1e-300)[:, None]
    for axis in range(3):
        for sign in (-1.0, 1.0):
            sheet = _sheet(surface, areas, sign * normals[:, axis], sign * corners[:, :, axis], bare)
            if sheet is not None and _stands_out(corners, sheet, axis):
                return sheet
    return None


def _sheet(surface: Surface, areas: Floats, lean: Floats, heights: Floats, bare: Bools) -> Bools | None:
    """Return the flat faces with an open border nearest the upper end of `heights`, None when too few."""
    end = float(heights[bare].max(initial=-np.inf))
    if not np.isfinite(end):
        return None
    whole = float(np.linalg.norm(np.ptp(surface.points[surface.faces.ravel()], axis=0)))
    near = (heights.min(axis=1) >= end - _SHEET * whole) & (np.abs(lean) >= _LEAN) & bare
    first, second = (half // 3 for half in surface.edges.pairs)
    both = near[first] & near[second]
    _, patch = linked(first[both], second[both], len(areas))
    size = np.bincount(patch, areas * near)
    largest = int(size.argmax())
    sheet: Bools = near & (patch == largest)
    if size[largest] < _LEAST_FLOOR * areas.sum() or not bool(sheet[surface.edges.open // 3].any()):
        return None
    return sheet


def _stands_out(corners: Floats, sheet: Bools, axis: int) -> bool:
    """Return whether a sheet reaches beyond everything else on all four sides together."""
    if bool(sheet.all()):
        return False
    flat = [k for k in range(3) if k != axis]
    wide = np.ptp(corners[sheet].reshape(-1, 3)[:, flat], axis=0)
    rest = np.ptp(corners[~sheet].reshape(-1, 3)[:, flat], axis=0)
    return bool((wide >= 0.98 * rest).all() and wide.prod() > 1.15 * rest.prod())
