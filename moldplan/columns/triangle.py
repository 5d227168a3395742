"""The point of a triangle nearest to a place."""

from numba import njit

from moldplan.columns.grid import Floats


@njit(cache=True, nogil=True)
def nearest_weights(px: float, py: float, pz: float, a: Floats, b: Floats, c: Floats) -> tuple[float, float]:
    """Return the weights v, w of the point a + v (b - a) + w (c - a) of a triangle nearest to a place.

    By the regions of its plane, after Ericson, Real-Time Collision Detection (2005), 5.1.5. One without
    area gives a point of its own.
    """
    abx, aby, abz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    acx, acy, acz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    apx, apy, apz = px - a[0], py - a[1], pz - a[2]
    d1 = abx * apx + aby * apy + abz * apz
    d2 = acx * apx + acy * apy + acz * apz
    d3 = d1 - (abx * abx + aby * aby + abz * abz)
    d4 = d2 - (acx * abx + acy * aby + acz * abz)
    d5 = d1 - (abx * acx + aby * acy + abz * acz)
    d6 = d2 - (acx * acx + acy * acy + acz * acz)
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    v, w = 0.0, 0.0
    if d1 <= 0.0 and d2 <= 0.0:
        pass
    elif d3 >= 0.0 and d4 <= d3:
        v = 1.0
    elif d6 >= 0.0 and d5 <= d6:
        w = 1.0
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        v = d1 / (d1 - d3) if d1 != d3 else 0.0
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        w = d2 / (d2 - d6) if d2 != d6 else 0.0
    elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        w = (d4 - d3) / ((d4 - d3) + (d5 - d6)) if (d4 - d3) + (d5 - d6) > 0.0 else 0.0
        v = 1.0 - w
    elif va + vb + vc > 0.0:
        v, w = vb / (va + vb + vc), vc / (va + vb + vc)
    return v, w
