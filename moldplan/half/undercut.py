"""What a half locks: the exact undercut volume, and where it is.

1. The exact volume under the highest surface less the solid's volume is the undercut
   (`moldplan.columns.envelope`), also cell by cell.
2. Gaps over the middles of the cells (`moldplan.columns.layers`) that hang together make regions; where
   they meet the open air of the next column are their mouths (`moldplan.columns.mouths`).
3. Each cell's exact undercut is shared out among its gaps; a cell at the rim whose middle has none goes to
   the next cell that has. So regions and crumbs add up to the exact total.

Volumes are exact but for how a cell is shared; lengths and places are true to about one cell.
Limits: a wall thinner than a cell may be seen through, a mouth smaller than `LEAST_MOUTH` cells is not seen.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.sparse import coo_matrix
from scipy.spatial import KDTree

from moldplan.columns.envelope import TopIntegral, top_integral
from moldplan.columns.grid import Grid, grid_over
from moldplan.columns.layers import ColumnGaps, column_gaps, column_layers
from moldplan.columns.mouths import Contacts, connected_gaps, open_contacts
from moldplan.half.model import Gaps, Region, Undercut
from moldplan.half.solids import Solid
from moldplan.pattern.arrays import frozen

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A region with less than this share of the half's volume, or fewer cells, is a crumb.
CRUMB_SHARE: Final = 1e-4
CRUMB_CELLS: Final = 8
#: Gaps and contacts lower than this share of a cell are noise of the snapped heights.
LEAST_GAP: Final = 0.05
#: Contacts of one mouth may jump this many cells in height from one cell edge to the next.
MOUTH_SLACK: Final = 2.0
#: A second mouth must be at least this large, in cell faces.
LEAST_MOUTH: Final = 6.0
#: How far, in cells, undercut at a rim may lie from the gap it belongs to.
RIM_CELLS: Final = 1.5


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """Everything known about the gaps of a half.

    Per gap its cell, its share of the exact volume (mm3) and the number of its region before sorting.
    """

    grid: Grid
    gaps: ColumnGaps
    cell: Ints
    volume_mm3: Floats
    region: Ints
    contacts: Contacts


def half_grid(vertices: Floats, cells: int) -> Grid:
    """Return the grid over a half: its longest side is `cells` cells, one cell of air round it."""
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    cell = float((high - low).max()) / cells
    return grid_over(low[:2], high[:2], cell_mm=cell, margin_mm=cell)


def measure_undercut(solid: Solid, *, volume_mm3: float, links: int, cells: int) -> Undercut:
    """Return what a half on its board locks.

    Parameters
    ----------
    solid
        The half in its own frame.
    volume_mm3
        Its exact volume.
    links
        Closed loops of rubber, from `moldplan.half.solids.topology`.
    cells
        Cells along the half's longest side; decides places and lengths, not the total.
    """
    grid = half_grid(solid.vertices, cells)
    integral = top_integral(solid.vertices, solid.faces, grid)
    total = max(integral.best_mm3 - volume_mm3, 0.0)
    seen = _look(solid, grid, integral, total)
    kept = _named(seen, CRUMB_SHARE * volume_mm3)
    regions = tuple(_region(number, seen, seen.region == label) for number, label in enumerate(kept, start=1))
    return Undercut(
        volume_mm3=total,
        bracket_mm3=(
            min(max(integral.low_mm3 - volume_mm3, 0.0), total),
            max(integral.high_mm3 - volume_mm3, total),
        ),
        cell_mm=grid.cell_mm,
        area_mm2=len(np.unique(seen.cell)) * grid.cell_area_mm2,
        regions=regions,
        crumbs_mm3=max(total - sum(region.volume_mm3 for region in regions), 0.0),
        gaps=_for_drawing(seen, kept),
        links=links,
    )


def _look(solid: Solid, grid: Grid, integral: TopIntegral, total: float) -> _Seen:
    """Find gaps, regions and mouths, and share the exact undercut out among the gaps."""
    least = LEAST_GAP * grid.cell_mm
    gaps = column_gaps(column_layers(solid.vertices, solid.faces, grid), grid, least_mm=least)
    region = connected_gaps(gaps, grid, overlap_mm=least)
    slack = MOUTH_SLACK * grid.cell_mm
    cell = np.repeat(np.arange(grid.nx * grid.ny), np.diff(gaps.start))
    return _Seen(
        grid=grid,
        gaps=gaps,
        cell=cell,
        volume_mm3=_share_out(gaps, cell, grid, integral, total),
        region=region,
        contacts=open_contacts(gaps, region, grid, least_mm=least, slack_mm=slack),
    )


def _share_out(gaps: ColumnGaps, cell: Ints, grid: Grid, integral: TopIntegral, total: float) -> Floats:
    """Return the exact undercut of every gap: its cell's, by height, and that of rim cells next to it."""
    height = gaps.high_mm - gaps.low_mm
    exact = np.maximum(integral.top_mm3 - integral.solid_mm3, 0.0)
    exact *= total / max(float(exact.sum()), 1e-300)
    column = np.bincount(cell, weights=height, minlength=grid.nx * grid.ny)
    if not len(cell):
        return np.zeros(0)
    distance, (row, across) = distance_transform_edt((column == 0.0).reshape(grid.shape), return_indices=True)
    near = distance <= RIM_CELLS
    home = (row * grid.nx + across)[near]
    gathered = np.bincount(home, weights=exact[near], minlength=grid.nx * grid.ny)
    return np.asarray(gathered[cell] * height / column[cell])


def _named(seen: _Seen, least_mm3: float) -> Ints:
    """Return the regions that are no crumbs, largest first."""
    labels, inverse, count = np.unique(seen.region, return_inverse=True, return_counts=True)
    volume = np.bincount(inverse, weights=seen.volume_mm3, minlength=len(labels))
    named = (volume >= least_mm3) & (count >= CRUMB_CELLS)
    order = np.lexsort((labels[named], -volume[named]))
    return np.asarray(labels[named][order])


def _region(number: int, seen: _Seen, mine: NDArray[np.bool_]) -> Region:
    """Return one region as a value."""
    grid, gaps = seen.grid, seen.gaps
    cell, volume = seen.cell[mine], seen.volume_mm3[mine]
    low, high = gaps.low_mm[mine], gaps.high_mm[mine]
    x, y = grid.x_mm()[cell % grid.nx], grid.y_mm()[cell // grid.nx]
    mouths, width, reach = _mouths(seen, mine, x, y)
    centre = np.average(np.stack([x, y, 0.5 * (low + high)]), axis=1, weights=volume)
    return Region(
        id=number,
        volume_mm3=float(volume.sum()),
        area_mm2=len(np.unique(cell)) * grid.cell_area_mm2,
        depth_mm=float((high - low).max()),
        reach_mm=reach,
        mouth_mm=width,
        mouths=mouths,
        centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
    )


def _mouths(seen: _Seen, mine: NDArray[np.bool_], x: Floats, y: Floats) -> tuple[int, float, float]:
    """Return how many mouths a region has, the width of the widest, and the region's reach.

    The reach is the greatest straight distance, level with the board, from a cell of the region to
    its nearest mouth. A sealed pocket has neither mouth nor reach: 0, 0, 0.
    """
    here = np.flatnonzero(mine[seen.contacts.gap])
    if not len(here):
        return 0, 0.0, 0.0
    cell_mm = seen.grid.cell_mm
    labels, mouth = np.unique(seen.contacts.mouth[here], return_inverse=True)
    area = np.bincount(mouth, weights=(seen.contacts.high_mm - seen.contacts.low_mm)[here]) / cell_mm
    real = area >= min(LEAST_MOUTH, float(area.max()))
    width = np.bincount(mouth, weights=_edge_lengths(seen.contacts, here, cell_mm), minlength=len(labels))
    opening = here[real[mouth]]
    tree = KDTree(np.stack([seen.contacts.x_mm[opening], seen.contacts.y_mm[opening]], axis=1))
    distance, _ = tree.query(np.stack([x, y], axis=1))
    return int(real.sum()), float(width[real].max()), float(np.max(distance))


def _edge_lengths(contacts: Contacts, here: Ints, cell_mm: float) -> Floats:
    """Return the true length that each cell edge of a mouth stands for.

    A staircase is longer than the line it follows: an edge counts with the share of its own
    direction in the direction smoothed over its neighbours (derived: cos^2 + sin^2 = 1 along a line).
    """
    place = np.full(len(contacts.gap), -1)
    place[here] = np.arange(len(here))
    pairs = place[contacts.pairs]
    pairs = pairs[(pairs >= 0).all(axis=1)]
    facing = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])[contacts.side[here]]
    count = len(here)
    both = np.concatenate([pairs, pairs[:, ::-1], np.arange(count)[:, None].repeat(2, axis=1)])
    near = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(count, count)).tocsr()
    smooth = facing
    for _ in range(4):
        smooth = near @ smooth
        smooth /= np.maximum(np.linalg.norm(smooth, axis=1, keepdims=True), 1e-12)
    return np.asarray(cell_mm * np.abs((smooth * facing).sum(axis=1)))


def _for_drawing(seen: _Seen, kept: Ints) -> Gaps:
    """Return the gaps of all named regions with the ids of their regions."""
    number = np.zeros(len(seen.region) + 1, dtype=np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    region = number[seen.region]
    named = region > 0
    row = (seen.cell[named] // seen.grid.nx).astype(np.int32)
    col = (seen.cell[named] % seen.grid.nx).astype(np.int32)
    low, high, region = seen.gaps.low_mm[named], seen.gaps.high_mm[named], region[named]
    for array in (row, col, low, high, region):
        frozen(array)
    return Gaps(grid=seen.grid, row=row, col=col, low_mm=low, high_mm=high, region=region)
