"""Pin-holes: a few missing triangles, closed with the least surface over their own points."""

from collections.abc import Sequence

import numpy as np

from moldplan.pattern.topology import Edges, Floats, Ints, open_loops

#: A hole with more edges than this is no pin-hole.
MOST_EDGES = 8
#: Nor is one whose cap is over this share of the whole surface.
MOST_AREA_SHARE = 1e-3


def fill_pin_holes(points: Floats, edges: Edges) -> tuple[Ints, int, float]:
    """Return the triangles (k, 3) that close the pin-holes, how many there are, and how far off they may be.

    The last figure is half the width of the widest hole: what was there before cannot be known, and a smooth
    surface bulges less than that over its own hole.
    """
    caps: list[Ints] = []
    off = 0.0
    if len(edges.open) == 0 or len(edges.crowded):
        return np.zeros((0, 3), dtype=np.int64), 0, 0.0
    corners = points[edges.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    most = MOST_AREA_SHARE * 0.5 * float(np.linalg.norm(normals, axis=1).sum())
    taken = _neighbours(edges)
    for loop in simple_loops(edges):
        cap = _least_cap(points, loop, taken)
        if cap is not None and _area(points, cap) <= most:
            caps.append(cap)
            places = points[loop]
            off = max(off, 0.5 * float(np.linalg.norm(places[:, None] - places[None], axis=2).max()))
    return np.concatenate([np.zeros((0, 3), dtype=np.int64), *caps]), len(caps), off


def simple_loops(edges: Edges) -> list[Ints]:
    """Return the open borders of at most `MOST_EDGES` edges that touch no point twice, each as point numbers in
    the winding that a cap needs."""
    number, label = open_loops(edges)
    start, end = edges.ends(edges.open)
    small = np.flatnonzero(np.bincount(label, minlength=number) <= MOST_EDGES)
    loops = []
    for border in small:
        mine = label == border
        follow = dict(zip(end[mine].tolist(), start[mine].tolist(), strict=True))  # a cap runs the other way
        first = min(follow)
        loop = [first]
        while (step := follow.get(loop[-1], first)) != first and len(loop) <= len(follow):
            loop.append(step)
        if len(loop) == int(mine.sum()) >= 3:
            loops.append(np.array(loop, dtype=np.int64))
    return loops


def _neighbours(edges: Edges) -> set[tuple[int, int]]:
    """Return the edges between two border points: a cap must not use them again."""
    border = np.unique(np.concatenate(edges.ends(edges.open)))
    a, b = edges.ends(edges.order[edges.start])
    near = np.isin(a, border) & np.isin(b, border)
    return {(min(p, q), max(p, q)) for p, q in zip(a[near].tolist(), b[near].tolist(), strict=True)}


def _area(points: Floats, faces: Ints) -> float:
    """Return the area of `faces`."""
    a, b, c = points[faces].swapaxes(0, 1)
    return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=-1).sum())


def _least_cap(points: Floats, loop: Ints, taken: set[tuple[int, int]]) -> Ints | None:
    """Return the triangulation of `loop` with the least area, None when every one reuses an edge of the mesh.

    Dynamic programme over spans of the loop (Klincsek, "Minimal triangulations of polygonal domains", 1980).
    """
    size = len(loop)
    best: dict[tuple[int, int], tuple[float, int]] = {(i, i + 1): (0.0, -1) for i in range(size - 1)}
    for width in range(2, size):
        for low in range(size - width):
            best[low, low + width] = _best_apex(points, loop, taken, best, (low, low + width))
    if not np.isfinite(best[0, size - 1][0]):
        return None
    return np.array([loop[list(corners)] for corners in _unroll(best, 0, size - 1)], dtype=np.int64)


def _best_apex(
    points: Floats,
    loop: Ints,
    taken: set[tuple[int, int]],
    best: dict[tuple[int, int], tuple[float, int]],
    span: tuple[int, int],
) -> tuple[float, int]:
    """Return the least area over the points low..high of the loop and the corner that gives it."""
    low, high = span
    closing = low == 0 and high == len(loop) - 1
    chord = (int(min(loop[low], loop[high])), int(max(loop[low], loop[high])))
    if not closing and chord in taken:
        return float("inf"), -1
    return min(
        (best[low, apex][0] + best[apex, high][0] + _area(points, loop[[[low, apex, high]]]), apex)
        for apex in range(low + 1, high)
    )


def _unroll(
    best: dict[tuple[int, int], tuple[float, int]], low: int, high: int
) -> Sequence[tuple[int, int, int]]:
    """Return the triangles of the best cap over a span."""
    apex = best[low, high][1]
    if apex < 0:
        return []
    return [*_unroll(best, low, apex), (low, apex, high), *_unroll(best, apex, high)]
