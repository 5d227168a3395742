"""Which undercuts a little filler or carving on the pattern takes away.

Goal
    For every named undercut of a half: how thick the filler, or how deep the carving, that frees it; how much
    of it; and the rubber it saves. An undercut that needs more than the client would allow gives nothing.

Steps
    1. Fill: the gap is filled solid from its floor to its roof. The filler is as thick as the farthest point
       of the gap lies from the surface as it is (the sawn face is no surface).
    2. Carve: what hangs over the gap is taken away, up to the top. The carving is as deep as the farthest
       point taken away lies from the surface as it is, or from what is left standing, whichever is
       more: a thin ear is not gone with half its thickness, the outline falls back by the whole ear.
    3. Once over the half's own columns: a distance found there is really there, so what is already over
       the limit is out. What is left is looked at again in columns up to `MOST_FINER` times finer.
    4. The way with the smaller number is taken. Where both are alike, carving when it moves less than half as
       much: a narrow rim is sooner cut off than the wall under it built out.

Error budget
    Distances are exact at points a fine column apart (`moldplan.columns.nearest`): too small by at most about
    one fine column, mostly by less than a half; four or more of them make one `Undercut.cell_mm`. How
    far the outline falls back is to one fine column either way. What is filled is the region's exact volume;
    what is carved a sum of columns, first order in the fine column at its rim.

Not modelled
    Whether what is left after carving is strong enough, or still hangs together. Filler that reaches the
    board makes a step at the seam, to be blended into the other half, where it may lock. How it looks: filler
    closes a tunnel, carving takes detail. Gaps too small to name stay. Savings of two undercuts carved
    above each other count what both take away twice.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid
from moldplan.columns.layers import ColumnGaps, column_gaps, column_layers
from moldplan.columns.nearest import Spans, TriangleBins, claim_gaps, farthest, triangle_bins
from moldplan.half.model import Gaps, Half, Region
from moldplan.mould.model import Softening
from moldplan.units import kg, litres, mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Fine columns are no finer than this, nor than so many in the width of one of the half's own.
FINE_MM: Final = 0.2
MOST_FINER: Final = 8
#: Most fine columns at a time.
MOST_COLUMNS: Final = 4_500_000
#: Gaps lower than this share of a column are noise of the snapped heights.
LEAST_GAP: Final = 0.05
#: How far, in columns, a falling back outline may be over the limit and still be looked at closer.
COARSE_SLACK: Final = 1.5
#: Numbers of the two ways are alike when one is no more than this times the other, and one column.
ALIKE: Final = 1.1
#: Of two ways that are alike, carving is taken when it moves less than this share of the filler.
CLEARLY_LESS: Final = 0.5
#: Width of the cubes that hold what is left standing, in columns.
LEFT_BIN: Final = 4.0

_MM3_PER_L = 1e6


@dataclass(frozen=True, kw_only=True)
class _Columns:
    """Columns over a window of the half, and which undercut each of their gaps belongs to.

    Gaps are highest first in each column: `column` (n,) of each, its ends, its `region` (0: none named),
    and `above_mm`, where the solid over it ends. `looked` (ny, nx) marks the columns that were looked at.
    """

    grid: Grid
    gaps: ColumnGaps
    column: Ints
    above_mm: Floats
    region: NDArray[np.int32]
    looked: Bools


@dataclass(frozen=True, kw_only=True)
class _Way:
    """One way to take an undercut away; lengths mm, volumes mm3.

    `saves_mm3` is all undercut that goes, `rubber_mm3` that part of it which rubber would fill.
    """

    way: Literal["fill", "carve"]
    thickest_mm: float
    amount_mm3: float
    saves_mm3: float
    rubber_mm3: float


@dataclass(frozen=True, kw_only=True)
class _Carved:
    """What carving takes away over one undercut.

    The solid `removed`, the `columns` it is taken from, and the gap in each (`lowest`) that it is
    taken down to.
    """

    removed: Spans
    columns: Ints
    lowest: Ints
    above: Bools
    """Which gaps lie in those columns, at `lowest` or over it."""


def soften(half: Half, settings: Settings, *, only: Collection[int] | None = None) -> tuple[Softening, ...]:
    """Return which undercuts of `half` a little filler or carving takes away, the largest saving first.

    Parameters
    ----------
    half
        The half on its board.
    settings
        Reads ``split.soften_mm``, the most that the shop decides itself, ``split.approval_mm``, the most that
        is worth asking the client about, and ``rubber.density_kg_l``.
    only
        Ids of the undercuts to look at; None looks at all.

    Returns
    -------
    tuple of Softening
        At most one for each named undercut. Sealed pockets are left out: no rubber gets there.

    Notes
    -----
    Accuracy and limits: see the module. About 1 s for 100 000 triangles.
    """
    own = settings.number("split.soften_mm")
    limit = max(settings.number("split.approval_mm"), own)
    regions = [
        region
        for region in half.undercut.regions
        if region.mouths > 0 and (only is None or region.id in only)
    ]
    if not regions:
        return ()
    surface = triangle_bins(_surface(half))
    coarse = _columns(half, regions, finer=1)
    near = [region for region in regions if _may_go(coarse, region, surface, limit)]
    if not near:
        return ()
    fine = _columns(half, near, finer=_finer(half.undercut.gaps, near))
    sealed = {region.id for region in half.undercut.regions if region.mouths == 0}
    ways = ((region, _easiest(fine, region, sealed, surface, (own, limit))) for region in near)
    advice = [_softening(half, region, way, settings) for region, way in ways if way is not None]
    return tuple(sorted(advice, key=lambda item: (-item.saves_mm3, item.region)))


def soften_words(softening: Softening, half: Half) -> str:
    """Return one piece of advice in shop words.

    "undercut 3 of the BACK half goes with up to 4.0 mm of filler, 0.3 l; saves 0.35 kg of rubber".
    """
    filled = softening.way == "fill"
    amount = f"{mm(softening.thickest_mm)} of {'filler' if filled else 'carving'}"
    return (
        f"undercut {softening.region} of the {half.called} half goes with up to {amount}, "
        f"{litres(softening.amount_mm3)}{_remark(softening, half)}; "
        f"saves {kg(softening.saves_kg)} of rubber"
        f"{'; ask the client first' if softening.needs_approval else ''}"
    )


def _remark(softening: Softening, half: Half) -> str:
    """Return what else the advice does, or nothing: a tunnel closed or opened, filler at the seam."""
    gaps, region = half.undercut.gaps, half.undercut.regions[softening.region - 1]
    if softening.way == "carve":
        return ", opening a tunnel" if region.mouths > 1 else ""
    tunnel = ", closing a tunnel" if region.mouths > 1 else ""
    at_seam = bool((gaps.low_mm[gaps.region == region.id] <= 0.0).any())
    return tunnel + (", blended over the seam" if at_seam else "")


def _softening(half: Half, region: Region, way: _Way, settings: Settings) -> Softening:
    return Softening(
        half=half.name,
        region=region.id,
        way=way.way,
        thickest_mm=way.thickest_mm,
        amount_mm3=way.amount_mm3,
        saves_mm3=way.saves_mm3,
        saves_kg=way.rubber_mm3 / _MM3_PER_L * settings.number("rubber.density_kg_l"),
        centre_mm=region.centre_mm,
        needs_approval=way.thickest_mm > settings.number("split.soften_mm"),
    )


def _surface(half: Half) -> Floats:
    """Return the triangles (m, 3, 3) of a half that are not its sawn face."""
    return np.asarray(half.vertices[half.faces[_off_board(half)]])


def _off_board(half: Half) -> Bools:
    """Return which faces (m,) are no part of the sawn face."""
    return np.asarray(half.vertices[:, 2][half.faces].max(axis=1) > 0.0)


def _finer(gaps: Gaps, regions: list[Region]) -> int:
    """Return how many fine columns to put in the width of one of the half's own."""
    rows, cols = _window(gaps, regions)
    room = int((MOST_COLUMNS / ((rows.stop - rows.start) * (cols.stop - cols.start))) ** 0.5)
    return max(min(int(np.ceil(gaps.grid.cell_mm / FINE_MM)), MOST_FINER, room), 1)


def _window(gaps: Gaps, regions: list[Region]) -> tuple[slice, slice]:
    """Return the rows and columns of the half's grid round some undercuts, one more on every side."""
    mine = np.isin(gaps.region, [region.id for region in regions])
    row, col = gaps.row[mine], gaps.col[mine]
    return (
        slice(max(int(row.min()) - 1, 0), min(int(row.max()) + 2, gaps.grid.ny)),
        slice(max(int(col.min()) - 1, 0), min(int(col.max()) + 2, gaps.grid.nx)),
    )


def _columns(half: Half, regions: list[Region], *, finer: int) -> _Columns:
    """Return the columns over some undercuts, `finer` to the width of one of the half's own."""
    named = half.undercut.gaps
    mine = np.isin(named.region, [region.id for region in regions])
    rows, cols = _window(named, regions)
    own = np.zeros(named.grid.shape, dtype=bool)
    own[named.row[mine], named.col[mine]] = True
    cells = binary_dilation(own, np.ones((3, 3), dtype=bool))[rows, cols]
    cell_mm = named.grid.cell_mm
    grid = Grid(
        named.grid.x0_mm + cols.start * cell_mm,
        named.grid.y0_mm + rows.start * cell_mm,
        cell_mm / finer,
        cells.shape[1] * finer,
        cells.shape[0] * finer,
    )
    faces = half.faces[_faces_over(half, grid, cells, cell_mm)]
    gaps = column_gaps(
        column_layers(half.vertices, faces, grid), grid, least_mm=LEAST_GAP * grid.cell_mm
    )  # other columns than those looked at lack faces: what is found there counts for nothing
    looked = np.repeat(np.repeat(cells, finer, axis=0), finer, axis=1)
    column = np.repeat(np.arange(grid.nx * grid.ny), np.diff(gaps.start))
    region = _claimed(named, gaps, grid, finer, (rows.start, cols.start))
    region[~looked.ravel()[column]] = 0
    return _Columns(
        grid=grid, gaps=gaps, column=column, above_mm=_solid_above(gaps, column), region=region, looked=looked
    )


def _faces_over(half: Half, grid: Grid, cells: Bools, cell_mm: float) -> Bools:
    """Return which faces (m,) off the board have a bounding box, seen from above, that meets one of `cells`.

    Gaps are found without the sawn face, whose long triangles would take the longest.
    """
    places = (half.vertices[:, :2] - (grid.x0_mm, grid.y0_mm)) / cell_mm
    corners = places[half.faces]
    most = np.array(cells.shape[::-1])
    # half a cell of reserve: corners are snapped before they are looked at
    low = np.clip(np.floor(corners.min(axis=1) - 0.5).astype(np.int64), 0, most)
    high = np.clip(np.floor(corners.max(axis=1) + 0.5).astype(np.int64) + 1, 0, most)
    total = np.zeros((cells.shape[0] + 1, cells.shape[1] + 1), dtype=np.int64)
    total[1:, 1:] = cells.cumsum(axis=0).cumsum(axis=1)
    (x0, y0), (x1, y1) = low.T, high.T
    over = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0] > 0
    return np.asarray(over & _off_board(half))


def _solid_above(gaps: ColumnGaps, column: Ints) -> Floats:
    """Return how high the solid over each gap reaches: to the next gap up, or the top."""
    above = np.empty(len(column))
    above[1:] = gaps.low_mm[:-1]
    highest = gaps.start[:-1][np.diff(gaps.start) > 0]
    above[highest] = gaps.top_mm.ravel()[column[highest]]
    return above


def _claimed(
    named: Gaps, gaps: ColumnGaps, grid: Grid, finer: int, corner: tuple[int, int]
) -> NDArray[np.int32]:
    """Return the region of each gap: that of the named gap in its place, 0 for none."""
    cell = named.row.astype(np.int64) * named.grid.nx + named.col
    order = np.argsort(cell, kind="stable")
    start = np.searchsorted(cell[order], np.arange(named.grid.nx * named.grid.ny + 1))
    region = np.zeros(len(gaps.low_mm), dtype=np.int32)
    claim_gaps(
        gaps.start, gaps.low_mm, gaps.high_mm, grid.nx, grid.ny, finer, *corner, start, named.low_mm[order],
        named.high_mm[order], named.region[order], named.grid.nx, named.grid.ny, region,
    )  # fmt: skip
    return region


def _may_go(columns: _Columns, region: Region, surface: TriangleBins, limit_mm: float) -> bool:
    """Tell whether an undercut may be gone within the limit, as far as the half's own columns show."""
    if _filler_mm(columns, region, surface, limit_mm) <= limit_mm:
        return True
    carved = _carve(columns, region)
    if _tool_mm(carved, surface, limit_mm) > limit_mm:
        return False
    slack = COARSE_SLACK * columns.grid.cell_mm
    return _set_back_mm(columns, carved, limit_mm + slack) <= limit_mm + slack


def _easiest(
    columns: _Columns, region: Region, sealed: set[int], surface: TriangleBins, limits_mm: tuple[float, float]
) -> _Way | None:
    """Return the easier way to take an undercut away; None over the larger of two limits.

    What stays within the smaller limit is easier than what does not.
    """
    own, most = limits_mm
    thickest = _filler_mm(columns, region, surface, most)
    carved = _carve(columns, region)
    amount = _height(carved.removed) * columns.grid.cell_area_mm2
    cell_mm, volume = columns.grid.cell_mm, region.volume_mm3
    # carving is looked at only as far as it would win
    wins = ALIKE * thickest + cell_mm if amount < CLEARLY_LESS * volume else (thickest - cell_mm) / ALIKE
    wins = min(wins, own) if thickest <= own else max(wins, own)
    depth = _carving_mm(columns, carved, surface, most if thickest > most else min(wins, most))
    if depth is not None:
        return _carving(columns, region, sealed, carved, depth)
    if thickest > most:
        return None
    return _Way(way="fill", thickest_mm=thickest, amount_mm3=volume, saves_mm3=volume, rubber_mm3=volume)


def _carving_mm(columns: _Columns, carved: _Carved, surface: TriangleBins, most_mm: float) -> float | None:
    """Return how deep carving goes, None when over the limit."""
    depth = _tool_mm(carved, surface, most_mm)
    if depth > most_mm:
        return None
    depth = max(depth, _set_back_mm(columns, carved, most_mm))
    return depth if depth <= most_mm else None


def _carving(
    columns: _Columns, region: Region, sealed: set[int], carved: _Carved, thickest_mm: float
) -> _Way:
    """Return carving as a way: what it takes, and which other undercuts over this one go with it."""
    area = columns.grid.cell_area_mm2
    height = columns.gaps.high_mm - columns.gaps.low_mm
    others = carved.above & (columns.region != region.id)
    rubber = others & ~np.isin(columns.region, list(sealed))
    return _Way(
        way="carve",
        thickest_mm=thickest_mm,
        amount_mm3=_height(carved.removed) * area,
        saves_mm3=region.volume_mm3 + float(height[others].sum()) * area,
        rubber_mm3=region.volume_mm3 + float(height[rubber].sum()) * area,
    )


def _height(spans: Spans) -> float:
    """Return the height of all pieces of columns together, mm."""
    return float((spans.high_mm - spans.low_mm).sum())


def _filler_mm(columns: _Columns, region: Region, surface: TriangleBins, stop_mm: float) -> float:
    """Return how thick the filler of an undercut gets, or the first thickness found over `stop_mm`."""
    mine = columns.region == region.id
    gaps = Spans(
        grid=columns.grid,
        column=columns.column[mine],
        low_mm=columns.gaps.low_mm[mine],
        high_mm=columns.gaps.high_mm[mine],
    )
    return farthest(gaps, surface, stop_mm=stop_mm).distance_mm


def _carve(columns: _Columns, region: Region) -> _Carved:
    """Return what carving takes away over an undercut: everything over its lowest gap in each column."""
    lowest = np.full(columns.grid.nx * columns.grid.ny, -1)
    mine = np.flatnonzero(columns.region == region.id)
    np.maximum.at(lowest, columns.column[mine], mine)
    above = np.arange(len(columns.column)) <= lowest[columns.column]
    over = np.flatnonzero(lowest >= 0)
    removed = Spans(
        grid=columns.grid,
        column=columns.column[above],
        low_mm=columns.gaps.high_mm[above],
        high_mm=columns.above_mm[above],
    )
    return _Carved(removed=removed, columns=over, lowest=lowest[over], above=above)


def _tool_mm(carved: _Carved, surface: TriangleBins, stop_mm: float) -> float:
    """Return how deep under the surface as it is carving goes, or the first depth over `stop_mm`."""
    return farthest(carved.removed, surface, stop_mm=stop_mm).distance_mm


def _set_back_mm(columns: _Columns, carved: _Carved, stop_mm: float) -> float:
    """Return how far from what is left standing the farthest point taken away lies, to one column.

    Infinite when nothing is left beside or under it.
    """
    left = _left_standing(columns, carved)
    if not len(left.column):
        return np.inf
    grid = left.grid
    x, y = grid.x_mm()[left.column % grid.nx], grid.y_mm()[left.column // grid.nx]
    low, high = np.stack([x, y, left.low_mm], axis=1), np.stack([x, y, left.high_mm], axis=1)
    bins = triangle_bins(np.stack([low, high, high], axis=1), bin_mm=LEFT_BIN * grid.cell_mm)
    return farthest(carved.removed, bins, stop_mm=stop_mm).distance_mm


def _left_standing(columns: _Columns, carved: _Carved) -> Spans:
    """Return the solid next to what is carved: whole columns beside it, and the floors under it."""
    gaps = columns.gaps
    taken = np.zeros(columns.grid.shape, dtype=bool)
    taken.ravel()[carved.columns] = True
    beside = binary_dilation(taken, np.ones((3, 3), dtype=bool)) & ~taken & columns.looked
    here = np.flatnonzero(beside & (gaps.top_mm > 0.0))
    first, last = gaps.start[here], gaps.start[here + 1]
    bottom = gaps.top_mm.ravel()[here].copy()
    bottom[last > first] = gaps.low_mm[last[last > first] - 1]
    upper = np.flatnonzero(beside.ravel()[columns.column])
    floor = gaps.low_mm[carved.lowest]
    column = np.concatenate([here, columns.column[upper], carved.columns])
    low = np.concatenate([np.zeros(len(here)), gaps.high_mm[upper], floor])
    high = np.concatenate([bottom, columns.above_mm[upper], floor])
    solid = high > 0.0
    return Spans(grid=columns.grid, column=column[solid], low_mm=low[solid], high_mm=high[solid])
