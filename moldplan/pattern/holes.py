"""Pin-holes: a few missing triangles, closed with the least surface over their own points."""

from collections.abc import Sequence

import numpy as np

from moldplan.pattern.arrays import mesh_area_mm2
from moldplan.pattern.topology import Edges, Floats, Ints, Surface, open_loops
from moldplan.tolerances import PIN_HOLE_AREA_SHARE, PIN_HOLE_EDGES

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
    if len(edges.open) and not len(edges.crowded):
        most = PIN_HOLE_AREA_SHARE * mesh_area_mm2(surface.points, surface.faces)
        taken = _border_edges(edges)
        for loop in simple_loops(edges):
            cap = _least_cap(surface.points, loop, taken)
            if cap is None or (area := mesh_area_mm2(surface.points, cap)) > most:
                continue
            caps.append(cap)
            places = surface.points[loop]
            perimeter = float(np.linalg.norm(places - np.roll(places, 1, axis=0), axis=1).sum())
            off = max(off, 2.0 * area / perimeter)
    return np.concatenate([np.zeros((0, 3), dtype=np.int64), *caps]), len(caps), off


def simple_loops(edges: Edges) -> list[Ints]:
    """Return the small open borders that touch no point twice, as point numbers in a cap's winding.

    Small: at most `PIN_HOLE_EDGES` edges.
    """
    number, label = open_loops(edges)
    start, end = edges.ends(edges.open)
    count = np.bincount(label, minlength=number)
    by_border = np.split(np.argsort(label, kind="stable"), np.cumsum(count)[:-1])
    loops = [_loop(start[mine], end[mine]) for mine in by_border if 3 <= len(mine) <= PIN_HOLE_EDGES]
    return [loop for loop in loops if loop is not None]


def _loop(start: Ints, end: Ints) -> Ints | None:
    """Return one border as a ring, None when it touches a point twice."""
    follow = dict(zip(end.tolist(), start.tolist(), strict=True))  # a cap runs the other way
    first = min(follow)
    ring = [first]
    while (step := follow.get(ring[-1], first)) != first and len(ring) < len(start):
        ring.append(step)
    return np.array(ring, dtype=np.int64) if len(ring) == len(start) == len(follow) else None


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
