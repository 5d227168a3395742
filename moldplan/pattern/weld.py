"""Points that are one point: exact equals anywhere, near equals along open edges."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.columns.merging import Merger
from moldplan.pattern.topology import Floats, Ints, linked
from moldplan.tolerances import REL_EPSILON

_WORD: dict[int, type[np.unsignedinteger]] = {4: np.uint32, 8: np.uint64}
#: Odd multipliers without short patterns (fractional parts of square roots of 2, 3, 5 and 7).
_MIX = (0x6A09E667F3BCC909, 0xBB67AE8584CAA73B, 0x3C6EF372FE94F82B, 0xA54FF53A5F1D36F1)


def weld_equal(points: NDArray[np.floating]) -> tuple[NDArray[np.floating], Ints]:
    """Return the points that differ and, for each given point, the number of its equal among them.

    Parameters
    ----------
    points
        (n, 3), float32 or float64, finite. Both signs of zero are the same number.

    Returns
    -------
    tuple
        Points (k, 3) in order of first appearance and the map (n,) from old number to new.

    Notes
    -----
    By a table of hashes (`moldplan.columns.merging`), exact; by sorting where a file crowds it.
    """
    clean = np.ascontiguousarray(points + points.dtype.type(0))  # -0.0 + 0.0 = 0.0
    words = clean.view(np.int32)
    merger = Merger(words.shape[1], len(words) // 4)
    label = np.empty(len(words), dtype=np.int64)
    if not merger.add(words, label):
        return weld_by_sorting(clean)
    return merger.kept.copy().view(clean.dtype), label


def weld_by_sorting(points: NDArray[np.floating]) -> tuple[NDArray[np.floating], Ints]:
    """Return the same as `weld_equal`, whatever the points; `points` has no negative zeros.

    Notes
    -----
    Equal hashes are brought together by one sort of integers; rows that share a hash by chance are
    told apart by comparing the coordinates, so the result is exact.
    """
    clean = np.ascontiguousarray(points)
    order = np.argsort(_row_hash(clean), kind="stable")
    fresh = _group_starts(clean, order)
    if fresh is None:
        order = np.lexsort(clean.T)
        fresh = _differs(clean, order)
    first = np.minimum.reduceat(order, np.flatnonzero(fresh))
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    label = np.empty(len(clean), dtype=np.int64)
    label[order] = rank[np.cumsum(fresh) - 1]
    return clean[np.sort(first)], label


def weld_near(points: Floats, loose: Ints, distance: float) -> tuple[Ints, float]:
    """Return, for every point, the number of the point it is welded to, and the farthest move.

    Parameters
    ----------
    points
        (n, 3).
    loose
        Numbers of the points that want a partner (those on open edges); they are welded to each other and to
        any other point that is near.
    distance
        Points no farther apart than this are one; chains of such points are one too.
    """
    target = np.arange(len(points), dtype=np.int64)
    away, _ = cKDTree(points[loose]).query(points, distance_upper_bound=distance * (1.0 + REL_EPSILON))
    loose = np.flatnonzero(np.isfinite(away))
    near = cKDTree(points[loose]).query_pairs(distance, output_type="ndarray")
    _, group = linked(near[:, 0], near[:, 1], len(loose))
    first = np.full(group.max(initial=-1) + 1, len(points), dtype=np.int64)
    np.minimum.at(first, group, loose)
    target[loose] = first[group]
    moved = np.linalg.norm(points[target[loose]] - points[loose], axis=1)
    return target, float(moved.max(initial=0.0))


def _row_hash(points: NDArray[np.floating]) -> NDArray[np.uint64]:
    """Return one integer per row, equal for equal rows."""
    words = points.view(_WORD[points.itemsize])
    mixed = np.zeros(len(points), dtype=np.uint64)
    for column, factor in enumerate(_MIX[:3]):
        mixed ^= words[:, column]
        mixed *= np.uint64(factor)
        mixed ^= mixed >> np.uint64(29)
    return mixed * np.uint64(_MIX[3])


def _differs(points: NDArray[np.floating], order: Ints) -> NDArray[np.bool_]:
    """Return which rows, taken in `order`, differ from the one before."""
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = False
    for column in range(3):
        values = points[order, column]
        fresh[1:] |= values[1:] != values[:-1]
    return fresh


def _group_starts(points: NDArray[np.floating], order: Ints) -> NDArray[np.bool_] | None:
    """Return where groups of equal rows start, None when unequal rows share a hash."""
    keys = _row_hash(points)[order]
    fresh = _differs(points, order)
    if bool((fresh[1:] & (keys[1:] == keys[:-1])).any()):
        return None
    return fresh
