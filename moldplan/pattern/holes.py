"""Pin-holes: a few missing triangles, closed with the least surface over their own points."""

from collections.abc import Sequence

import numpy as np

from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.pattern.topology import Edges, Floats, Ints, Surface
from moldplan.tolerances import PIN_HOLE_AREA_SHARE, PIN_HOLE_EDGES

#: With more open edges a mesh has no pin-holes but no surface; they are not walked one by one.
_MOST_OPEN_EDGES = 100_000

Spans = dict[tuple[int, int], tuple[float, int]]


def fill_pin_holes(surface: Surface) -> tuple[Ints, int, float]:
    """Return the triangles (k, 3) that close the pin-holes, how many those are, and how far off they may be.

    Notes
    -----
    What was there before cannot be known. The last figure is the greatest ``2 area / perimeter`` of a hole:
    the radius of a round one, nothing for a crack. A smooth surface bulges less than that over its own hole.
    """
    caps: list[Ints] = []
    off = 0.0
    edges = surface.edges
    if 0 < len(edges.open) <= _MOST_OPEN_EDGES and not len(edges.crowded):
        most = PIN_HOLE_AREA_SHARE * mesh_area_mm2(surface.points, surface.faces)
        taken = _border_edges(edges)
        for loop in simple_loops(edges):
            if not 3 <= len(loop) <= PIN_HOLE_EDGES:
                continue
            cap = _least_cap(surface.points, loop, taken)
            if cap is None or (area := mesh_area_mm2(surface.points, cap)) > most:
                continue
            caps.append(cap)
            places = surface.points[loop]
            perimeter = float(np.linalg.norm(places - np.roll(places, 1, axis=0), axis=1).sum())
            off = max(off, 2.0 * area / perimeter)
    return np.concatenate([np.zeros((0, 3), dtype=np.int64), *caps]), len(caps), off


def simple_loops(edges: Edges) -> list[Ints]:
    """Return the open borders as rings that touch no point twice, as point numbers in a cap's winding.

    Where a border meets itself, the ring closed first is cut off. Borders that do not close are left out.
    """
    start, end = edges.ends(edges.open)
    follow: dict[int, list[int]] = {}
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        follow.setdefault(b, []).append(a)  # a cap runs the other way
    rings = []
    for first in sorted(follow):
        while follow[first]:
            rings.extend(_walk(first, follow))
    return [np.array(ring, dtype=np.int64) for ring in rings]


def _walk(first: int, follow: dict[int, list[int]]) -> list[list[int]]:
    """Walk along a border from `first` until it ends, using up the steps in `follow`."""
    rings = []
    trail = [first]
    at = {first: 0}
    while follow.get(trail[-1]):
        step = follow[trail[-1]].pop()
        if step in at:
            rings.append(trail[at[step] :])
            for point in trail[at[step] + 1 :]:
                del at[point]
            del trail[at[step] + 1 :]
        else:
            at[step] = len(trail)
            trail.append(step)
    return rings


def _border_edges(edges: Edges) -> set[tuple[int, int]]:
    """Return the edges between two border points: a cap must not use them again."""
    border = np.unique(np.concatenate(edges.ends(edges.open)))
    a, b = edges.ends(edges.order[edges.start])
    near = np.isin(a, border) & np.isin(b, border)
    return {(min(p, q), max(p, q)) for p, q in zip(a[near].tolist(), b[near].tolist(), strict=True)}


def _least_cap(points: Floats, loop: Ints, taken: set[tuple[int, int]]) -> Ints | None:
    """Return the least triangulation of `loop`, None when every one reuses an edge of the mesh.

    Dynamic programme over spans of the loop (G. T. Klincsek, "Minimal triangulations of polygonal domains",
    Annals of Discrete Mathematics 9, 1980; recalled, not looked up). Edges of the cap are added to `taken`.
    """
    size = len(loop)
    best: Spans = {(i, i + 1): (0.0, -1) for i in range(size - 1)}
    for width in range(2, size):
        for low in range(size - width):
            best[low, low + width] = _best_apex(points, loop, taken, best, (low, low + width))
    if not np.isfinite(best[0, size - 1][0]):
        return None
    cap = np.array([loop[list(corners)] for corners in _unroll(best, 0, size - 1)], dtype=np.int64)
    for a, b, c in np.sort(cap, axis=1).tolist():
        taken.update(((a, b), (b, c), (a, c)))
    return cap


def _best_apex(
    points: Floats, loop: Ints, taken: set[tuple[int, int]], best: Spans, span: tuple[int, int]
) -> tuple[float, int]:
    """Return the least area over the points low..high of the loop and the corner that gives it."""
    low, high = span
    chord = (int(min(loop[low], loop[high])), int(max(loop[low], loop[high])))
    if high - low < len(loop) - 1 and chord in taken:
        return float("inf"), -1
    return min(
        (best[low, apex][0] + best[apex, high][0] + mesh_area_mm2(points, loop[[[low, apex, high]]]), apex)
        for apex in range(low + 1, high)
    )


def _unroll(best: Spans, low: int, high: int) -> Sequence[tuple[int, int, int]]:
    """Return the triangles of the best cap over a span."""
    apex = best[low, high][1]
    if apex < 0:
        return []
    return [*_unroll(best, low, apex), (low, apex, high), *_unroll(best, apex, high)]
