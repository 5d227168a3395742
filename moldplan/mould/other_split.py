"""What another split would do to the undercuts of the planned one.

A point outside the pattern is an undercut of a split when the pattern lies ahead of it along the pull of its
half: over it on the side the plane's normal points to, under it on the other. From the highest and the lowest
surface along the normal alone (`moldplan.columns.depth`) it is told for any number of points at once.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.depth import depth_maps, turn
from moldplan.columns.grid import grid_over
from moldplan.half.model import Half, HalfName
from moldplan.mould.model import OtherSplit, Point3
from moldplan.pattern.model import Pattern
from moldplan.split.model import Plane
from moldplan.split.sight import check_cells, square_frame, unit
from moldplan.units import litres

Floats = NDArray[np.float64]

#: Most gaps of a half that are looked up.
_MOST_GAPS: Final = 4_000
#: Heights in each gap that are looked up, as shares of it.
_SHARES: Final = (0.1, 0.3, 0.5, 0.7, 0.9)


def judge_other(  # noqa: PLR0913 - everything after the data is by keyword
    pattern: Pattern,
    halves: Sequence[Half],
    plane: Plane,
    *,
    called: tuple[str, str],
    undercut_mm3: float,
    now_mm3: float,
    cells: int = 256,
) -> OtherSplit:
    """Return what another plane leaves of the undercuts of these halves.

    Parameters
    ----------
    pattern
        The whole pattern.
    halves
        The halves of the planned split.
    plane
        The other plane.
    called
        What its halves are called.
    undercut_mm3, now_mm3
        What the other plane and the planned split lock, both halves together.
    cells
        Cells along the longer side of the view along its normal, 8 to 4096.

    Raises
    ------
    SettingError
        When `cells` is out of range or the plane's normal is no direction.

    Notes
    -----
    Shares are good to some hundredths: what lies within a cell of the pattern's outline may be told wrong.
    About 20 ms for 100 000 triangles.
    """
    check_cells(cells)
    frame = square_frame(unit(plane.normal))
    seen = turn(np.ascontiguousarray(pattern.vertices), frame)
    low, high = seen.min(axis=0), seen.max(axis=0)
    cell_mm = float((high - low)[:2].max()) / cells
    grid = grid_over(low[:2], high[:2], cell_mm=cell_mm, margin_mm=cell_mm)
    top, bottom = depth_maps(seen, pattern.faces, grid)
    still: dict[tuple[HalfName, int], float] = {}
    for half in halves:
        points, region, height = _points(half)
        turned = points @ frame.T
        col = np.clip(((turned[:, 0] - grid.x0_mm) / cell_mm).astype(np.int64), 0, grid.nx - 1)
        row = np.clip(((turned[:, 1] - grid.y0_mm) / cell_mm).astype(np.int64), 0, grid.ny - 1)
        under = turned[:, 2] < top[row, col]
        over = turned[:, 2] > bottom[row, col]
        locked = np.where(turned[:, 2] >= plane.offset_mm, under, over)
        whole = np.bincount(region, weights=height)
        share = np.bincount(region, weights=height * locked) / np.maximum(whole, 1e-300)
        still.update({(half.name, int(number)): float(share[number]) for number in np.flatnonzero(whole)})
    x, y, z = (float(part) for part in plane.normal)
    return OtherSplit(
        called=called, normal=(x, y, z), offset_mm=plane.offset_mm, undercut_mm3=undercut_mm3,
        now_mm3=now_mm3, still=still, text=_text(plane.normal, called, undercut_mm3, now_mm3),
    )  # fmt: skip


def _points(half: Half) -> tuple[Floats, NDArray[np.int32], Floats]:
    """Return points (n, 3) in the gaps of a half in the figure's frame, their regions, and their weights."""
    gaps = half.undercut.gaps
    some = slice(None, None, max(len(gaps.row) // _MOST_GAPS, 1))
    x, y = gaps.grid.x_mm()[gaps.col[some]], gaps.grid.y_mm()[gaps.row[some]]
    low, height = gaps.low_mm[some], gaps.high_mm[some] - gaps.low_mm[some]
    places = np.concatenate([np.stack([x, y, low + share * height], axis=1) for share in _SHARES])
    back = (places - half.to_half[:3, 3]) @ half.to_half[:3, :3]
    return back, np.tile(gaps.region[some], len(_SHARES)), np.tile(height, len(_SHARES))


def _text(normal: Point3, called: tuple[str, str], undercut_mm3: float, now_mm3: float) -> str:
    """Return the other split in words."""
    where = ",".join(f"{part:.2f}" for part in normal)
    return (
        f"a {called[0]}/{called[1]} split square to {where} locks {litres(undercut_mm3)} in all instead of "
        f"{litres(now_mm3)}"
    )
