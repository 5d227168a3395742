"""Holes: their rims as rings of points, and caps over them that go on as smoothly as the rim.

A cap is the least surface over the rim's own points, refined to the rim's edges and bent as a thin plate
(`moldplan.pattern.fair`). What was there before cannot be known: every cap comes with how far off it may be.

Error of a cap
    A surface that meets the plane of the rim at the angle t and goes on round like a circle stands
    ``w tan(t / 2)`` high over the middle of a hole of half the width w (derived). A bent cap has most of
    that; it may be off by the share `UNSURE` of it. How unevenly the surface meets the rim tells texture,
    edges and folds: a slope s that is left over and goes on to the middle is worth ``s w``. Measured over 196
    holes cut at random into smooth shapes, scanned ones and a feathered figure, 93 % of the caps were off by
    less than both together, and the median by a fifth of it. Over a perfect cylinder or saddle it is 30 to 50
    times too wide: there a plate is all but exact. A hole in a flat side is filled without error.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldplan.columns.cap import least_cap, refine_cap
from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.pattern.fair import fair_cap
from moldplan.pattern.topology import Bools, Floats, Ints, Surface, mesh_edges
from moldplan.tolerances import FLAT_REL

#: With more open edges a mesh has no holes but no surface; they are not walked one by one.
MOST_OPEN_EDGES: Final = 200_000
#: A ring of more points is capped over every so-manieth of them first.
MOST_RING: Final = 400
#: Most points put into one cap.
_MOST_INNER: Final = 60_000
#: A cap stands out from the least surface by this share of half its width at the most: more is guessing. A
#: sphere does so over a hole of half its diameter.
MOST_BULGE: Final = 0.27
#: A bent cap may be off by this share of the height of a surface that goes on round, and by this share of
#: half the width for every unit of slope by which the surface meets the rim unevenly.
UNSURE: Final = 0.35
UNSURE_ROUGH: Final = 1.4
#: Slopes steeper than this (a cosine) count as this steep.
LEAST_COSINE: Final = 0.3


@dataclass(frozen=True, kw_only=True)
class Cap:
    """A cap over one hole: its inner points (k, 3), faces, and how far off it may be.

    `faces` (m, 3) number the surface's points first, and then the inner ones from `first` on.
    """

    rim: Ints
    inner: Floats
    faces: Ints
    area: float
    off: float
    middle: Floats


class Rims:
    """What capping holes one by one needs to know of a surface: which points its edges join, and its faces.

    The faces of caps are added as they are made, so that no two caps share an inner edge.
    """

    def __init__(self, surface: Surface) -> None:
        """Look at the edges between border points."""
        self.surface = surface
        edges = surface.edges
        border = np.unique(np.concatenate(edges.ends(edges.open)))
        on_border = np.zeros(len(surface.points), dtype=bool)
        on_border[border] = True
        self.loops = simple_loops(surface)
        a, b = edges.ends(edges.order[edges.start])
        near = on_border[a] & on_border[b]
        self._joined: dict[int, list[int]] = {}
        for p, q in zip(a[near].tolist(), b[near].tolist(), strict=True):
            self.join(p, q)
        touching = np.flatnonzero(on_border[surface.faces].any(axis=1))
        self._corners = surface.faces[touching]
        order = np.argsort(self._corners.ravel(), kind="stable")
        self._sorted = self._corners.ravel()[order]
        self._owner = order // 3

    def join(self, p: int, q: int) -> None:
        """Note that an edge joins two points."""
        self._joined.setdefault(p, []).append(q)
        self._joined.setdefault(q, []).append(p)

    def banned(self, ring: Ints) -> Bools:
        """Return (n, n): which places of the ring an edge joins already."""
        at = {point: place for place, point in enumerate(ring.tolist())}
        banned = np.zeros((len(ring), len(ring)), dtype=bool)
        for point, place in at.items():
            banned[place, [at[other] for other in self._joined.get(point, ()) if other in at]] = True
        return banned

    def taken(self, faces: Ints, ring: Ints) -> Bools:
        """Return which inner edges of a cap over a ring join points that are joined already."""
        place = np.full(len(self.surface.points), -1, dtype=np.int64)
        place[ring] = np.arange(len(ring))
        edges = mesh_edges(place[faces])
        a, b = edges.ends(edges.pairs[0])
        return np.asarray(self.banned(ring)[a, b])

    def join_all(self, faces: Ints) -> None:
        """Note the inner edges of a cap."""
        edges = mesh_edges(faces)
        a, b = edges.ends(edges.pairs[0])
        for p, q in zip(a.tolist(), b.tolist(), strict=True):
            self.join(p, q)

    def steepness(self, ring: Ints, normal: Floats) -> float:
        """Return the mean cosine, by length, between `normal` and the faces along a ring."""
        points = self.surface.points
        ahead = np.roll(ring, -1)
        edge = np.linalg.norm(points[ring] - points[ahead], axis=1)
        cosine = _rim_normals(points, ahead, ring, self.round(ring)) @ normal
        return float(cosine @ edge / edge.sum())

    def round(self, ring: Ints) -> Ints:
        """Return the faces (k, 3) of the surface that touch a ring."""
        low = np.searchsorted(self._sorted, ring)
        high = np.searchsorted(self._sorted, ring, side="right")
        rows = np.concatenate([self._owner[i:j] for i, j in zip(low, high, strict=True)])
        return np.asarray(self._corners[np.unique(rows)])


def simple_loops(surface: Surface) -> list[Ints]:
    """Return the open borders as rings that touch no point twice, as point numbers in a cap's winding.

    Where a border meets itself the ring turns into the next side of the same hole, as seen from outside, and
    the ring closed first is cut off. Borders that do not close are left out.
    """
    edges = surface.edges
    start, end = edges.ends(edges.open)
    follow: dict[int, list[int]] = {}
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        follow.setdefault(b, []).append(a)  # a cap runs the other way
    meeting = sorted(point for point, steps in follow.items() if len(steps) > 1)
    views = _views(surface, meeting)
    rings = []
    for first in sorted(follow, key=lambda point: (len(follow[point]), point)):
        while follow[first]:
            rings.extend(_walk(first, follow, surface.points, views))
    return [np.array(ring, dtype=np.int64) for ring in rings]


def _views(surface: Surface, meeting: list[int]) -> dict[int, Floats]:
    """Return two directions (2, 3) across the surface at each point where a border meets itself."""
    if not meeting:
        return {}
    number = np.full(len(surface.points), -1, dtype=np.int64)
    number[meeting] = np.arange(len(meeting))
    near = surface.faces[(number >= 0)[surface.faces].any(axis=1)]
    a, b, c = surface.points[near].transpose(1, 0, 2)
    outward = np.zeros((len(meeting), 3))
    for corner in range(3):
        at = number[near[:, corner]]
        np.add.at(outward, at[at >= 0], np.cross(b - a, c - a)[at >= 0])
    views = {}
    for point, normal in zip(meeting, outward, strict=True):
        first = np.cross(normal, np.eye(3)[int(np.abs(normal).argmin())])
        first /= max(float(np.linalg.norm(first)), 1e-300)
        second = np.cross(normal, first)
        views[point] = np.stack([first, second / max(float(np.linalg.norm(second)), 1e-300)])
    return views


def _step(trail: list[int], follow: dict[int, list[int]], points: Floats, views: dict[int, Floats]) -> int:
    """Take and return the next point of a border: of several, the next side of the same hole."""
    here = trail[-1]
    steps = follow[here]
    if len(steps) == 1 or len(trail) < 2:
        return steps.pop()
    flat = (points[[trail[-2], *steps]] - points[here]) @ views[here].T
    angle = np.arctan2(flat[:, 1], flat[:, 0])
    return steps.pop(int(np.mod(angle[0] - angle[1:], 2.0 * np.pi).argmin()))


def _walk(
    first: int, follow: dict[int, list[int]], points: Floats, views: dict[int, Floats]
) -> list[list[int]]:
    """Walk along a border from `first` until it ends, using up the steps in `follow`."""
    rings = []
    trail = [first]
    at = {first: 0}
    while follow.get(trail[-1]):
        step = _step(trail, follow, points, views)
        if step in at:
            rings.append(trail[at[step] :])
            for point in trail[at[step] + 1 :]:
                del at[point]
            del trail[at[step] + 1 :]
        else:
            at[step] = len(trail)
            trail.append(step)
    return rings


def ring_span(points: Floats, ring: Ints) -> float:
    """Return the longest measure across a ring: the diagonal of its box."""
    return float(np.linalg.norm(np.ptp(points[ring], axis=0)))


def ring_width(points: Floats, ring: Ints, area: float | None = None) -> float:
    """Return the width of a ring: the diameter of a round one, twice the width of a long slit.

    `area` is that of its cap; without it, the ring's own as seen from where it looks largest.
    """
    places = points[ring]
    ahead = np.roll(places, -1, axis=0)
    if area is None:
        middle = places.mean(axis=0)
        area = 0.5 * float(np.linalg.norm(np.cross(places - middle, ahead - middle).sum(axis=0)))
    return 4.0 * area / max(float(np.linalg.norm(ahead - places, axis=1).sum()), 1e-300)


def cap_hole(
    rims: Rims, ring: Ints, *, bend: bool = True, most: float = np.inf, widest: float = np.inf
) -> Cap | None:
    """Return a cap over one ring, None when it is too large or every one uses an edge of the mesh again.

    Parameters
    ----------
    rims
        The surface with its rims; the cap's edges are noted there.
    ring
        One of ``rims.loops``.
    bend
        Whether a larger cap goes on as smoothly as the rim; without it, it is the least surface.
    most, widest
        The largest area and width that are capped.
    """
    points = rims.surface.points
    faces = _least(rims, ring)
    if faces is None:
        return None
    area = mesh_area_mm2(points, faces)
    if area > most or ring_width(points, ring, area) > widest:
        return None
    rims.join_all(faces)
    around = rims.round(ring)
    off = _unsure(points, ring, around, area)
    inner = np.zeros((0, 3))
    if bend and len(ring) > 3:
        inner, faces = _bent(points, ring, faces, around)
    return Cap(
        rim=ring, inner=inner, faces=faces, area=area, off=off,
        middle=points[ring].mean(axis=0),
    )  # fmt: skip


def _least(rims: Rims, ring: Ints) -> Ints | None:
    """Return the least cap over the ring's own points.

    A ring of very many points is capped over some of them, and the strips left along it one by one.
    """
    points = rims.surface.points
    if len(ring) <= MOST_RING:
        cap = least_cap(points[ring], rims.banned(ring))
        return ring[cap] if len(cap) else None
    step = -(-len(ring) // MOST_RING)
    places = np.arange(0, len(ring), step)
    coarse = _least(rims, ring[places])
    if coarse is None:
        return None
    caps = [coarse]
    for low, high in zip(places, [*places[1:], len(ring)], strict=True):
        strip = ring[np.arange(low, high + 1) % len(ring)]
        if len(strip) > 2:
            caps.append(strip[least_cap(points[strip], np.zeros((len(strip), len(strip)), dtype=bool))])
    return np.concatenate(caps)


def _unsure(points: Floats, ring: Ints, around: Ints, area: float) -> float:
    """Return how far off a bent cap over a hole may be; 0 where the surface round it is flat."""
    ahead = np.roll(ring, -1)
    edge = np.linalg.norm(points[ring] - points[ahead], axis=1)
    middle = points[ring].mean(axis=0)
    centred = points[ring] - middle
    across = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(across))
    if length == 0.0 or area == 0.0:
        return 0.0
    up = across / length
    normals = _rim_normals(points, ahead, ring, around)
    sine = np.linalg.norm(np.cross(normals, up), axis=1)
    half_tangent = np.minimum(sine / np.maximum(1.0 + normals @ up, FLAT_REL), 1.0)
    round_on = float((half_tangent * edge).sum() / edge.sum())
    rough = _roughness(normals, 0.5 * (points[ring] + points[ahead]) - middle, up, edge)
    share = UNSURE * round_on + UNSURE_ROUGH * rough
    return 0.5 * ring_width(points, ring, area) * share if share > FLAT_REL else 0.0


def _roughness(normals: Floats, places: Floats, up: Floats, edge: Floats) -> float:
    """Return how unevenly a surface meets a rim: its slope away from the middle, less that of smooth shapes.

    A shape that is smooth across the hole (flat, tilted, round, or a saddle) has slopes that go once or twice
    round the rim as sines; what is left over is texture, an edge or a fold. Of few slopes only the mean is
    taken off.
    """
    first = np.cross(up, np.eye(3)[int(np.abs(up).argmin())])
    first /= np.linalg.norm(first)
    flat = places @ np.stack([first, np.cross(up, first)], axis=1)
    radius = np.maximum(np.linalg.norm(flat, axis=1), 1e-300)
    c, s = (flat / radius[:, None]).T
    leaning = normals - np.outer(normals @ up, up)
    out = leaning @ first * c + leaning @ np.cross(up, first) * s
    slope = -out / np.maximum(normals @ up, LEAST_COSINE)
    shapes = np.stack([np.ones_like(c), c, s, c * c - s * s, c * s], axis=1)[:, : 5 if len(c) > 8 else 1]
    weight = np.sqrt(edge / edge.sum())
    fit = np.linalg.lstsq(shapes * weight[:, None], slope * weight, rcond=None)[0]
    return float(np.linalg.norm((slope - shapes @ fit) * weight))


def _rim_normals(points: Floats, start: Ints, end: Ints, faces: Ints) -> Floats:
    """Return the normal (n, 3) of the face along every edge from `start` to `end`, zero where it has none."""
    size = len(points)
    key = (faces * size + faces[:, [1, 2, 0]]).ravel()
    order = np.argsort(key, kind="stable")
    face = faces[order[np.searchsorted(key[order], start * size + end)] // 3]
    normals = np.cross(points[face[:, 1]] - points[face[:, 0]], points[face[:, 2]] - points[face[:, 0]])
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    return np.asarray(normals / np.maximum(length, 1e-300)[:, None])


def _bent(points: Floats, ring: Ints, cap: Ints, around: Ints) -> tuple[Floats, Ints]:
    """Return the inner points (k, 3) of the refined and bent cap, and its faces.

    In the faces, inner points are numbered from ``len(points)`` on.
    """
    number = np.full(len(points), -1, dtype=np.int64)
    number[ring] = np.arange(len(ring))
    edge = np.linalg.norm(points[ring] - points[np.roll(ring, -1)], axis=1)
    wanted = np.maximum(0.5 * (edge + np.roll(edge, 1)), edge.mean() * 0.25)
    local = number[cap]
    refined, faces = refine_cap(points[ring], local, _twins(local), wanted, most=_room(points, cap, wanted))
    inner = refined[len(ring) :]
    if len(inner):
        fair = _fair(points, ring, refined, faces, around)
        inner = inner if fair is None else fair
    numbers = np.concatenate([ring, len(points) + np.arange(len(inner))])
    return inner, numbers[faces]


def _room(points: Floats, cap: Ints, wanted: Floats) -> int:
    """Return how many points a cap may get: twice what even triangles of the wanted size would need."""
    return int(min(_MOST_INNER, 64 + 4 * mesh_area_mm2(points, cap) / float(np.mean(wanted)) ** 2))


def _twins(faces: Ints) -> Ints:
    """Return the half-edge (m, 3) on the other side of every half-edge, -1 where none is."""
    edges = mesh_edges(faces)
    twins = np.full(faces.size, -1, dtype=np.int64)
    first, second = edges.pairs
    twins[first], twins[second] = second, first
    return twins.reshape(-1, 3)


def _fair(points: Floats, ring: Ints, refined: Floats, faces: Ints, around: Ints) -> Floats | None:
    """Return the inner points bent as a thin plate, None when that leads nowhere."""
    others = np.setdiff1d(around, ring)
    number = np.full(len(points), -1, dtype=np.int64)
    number[ring] = np.arange(len(ring))
    number[others] = len(refined) + np.arange(len(others))
    together = np.concatenate([refined, points[others]])
    free = np.arange(len(ring), len(refined))
    fair = fair_cap(together, np.concatenate([faces, number[around]]), free, np.arange(len(refined)))
    if fair is None:
        return None
    bulge = fair[free] - refined[free]
    high = float(np.linalg.norm(bulge, axis=1).max())
    most = MOST_BULGE * 0.5 * ring_width(points, ring)
    return np.asarray(refined[free] + bulge * min(1.0, most / max(high, 1e-300)))


def with_caps(surface: Surface, caps: list[Cap]) -> Surface:
    """Return the surface with caps put on."""
    size = len(surface.points)
    points, faces = [surface.points], [surface.faces]
    for cap in caps:
        points.append(cap.inner)
        faces.append(
            np.where(cap.faces >= len(surface.points), cap.faces + size - len(surface.points), cap.faces)
        )
        size += len(cap.inner)
    return Surface(np.concatenate(points), np.concatenate(faces))
