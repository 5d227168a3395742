"""How thick the rubber stands over a half: the true distance from its surface to the outer face."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.columns.beneath import distances_to_face_mm
from moldplan.columns.grid import Grid
from moldplan.columns.offset import height_map
from moldplan.half.model import Half
from moldplan.mould.model import Thickness
from moldplan.mould.surface import Surface, surface_of, thinned

Floats = NDArray[np.float64]

#: Most places whose thickness is measured.
PLACES: Final = 12_000


def thickness_of(
    half: Half,
    outer_mm: Floats,
    grid: Grid,
    *,
    top_mm: Floats | None = None,
    surface: Surface | None = None,
) -> Thickness:
    """Return how thick the rubber stands over `half`, at places on its surface and as a map.

    Parameters
    ----------
    half
        The half on its board.
    outer_mm, grid
        Heights (ny, nx) of the outer face above the board at the middles of the cells of `grid`, mm, 0 where
        there is none.
    top_mm
        Heights (ny, nx) of the half itself on the same grid, 0 where there is none; measured when left out.
    surface
        The half's surface in pieces (`surface_of`); made when left out.

    Returns
    -------
    Thickness
        At up to about 12 000 places spread by area, off the board, and over the highest surface of every
        column that the half fills.

    Notes
    -----
    The distance is exact, to the triangles of the outer face. It is the shortest way out whatever lies on it:
    where that leads through the half itself (the underside of a thin ear or wing, the inside of an undercut
    whose roof is thin), the rubber that really stands there is thicker than the figure. So it is nowhere more
    than the rubber on that place, and its least is the least thickness of the rubber.

    On a draft the face leans away from the skin: a right cylinder of height h has t at its top and
    ``t + z sin(draft)`` (about, z below the top) on its side. Where a hollow is narrower than the ball of the
    skin, or hidden from above, it is what has to be filled.

    About 0.2 s at 512 cells.
    """
    pieces = surface if surface is not None else surface_of(half)
    taken, area = thinned(pieces, PLACES)
    places = pieces.middle_mm[taken]
    top = top_mm if top_mm is not None else _top_mm(half, grid)
    return Thickness(
        places_mm=places,
        thickness_mm=distances_to_face_mm(places, outer_mm, grid),
        area_mm2=area,
        map_mm=_map_mm(top, outer_mm, grid),
    )


def _top_mm(half: Half, grid: Grid) -> Floats:
    """Return the heights of the half itself."""
    return height_map(
        half.vertices, half.faces, radius_mm=0.0, draft_rad=0.0, grid=grid, creases=half.creases
    )


def _map_mm(top_mm: Floats, outer_mm: Floats, grid: Grid) -> Floats:
    """Return the thickness (ny, nx) over the highest surface of each column, NaN where there is none.

    Every other column each way is looked at, and those at the rim; the others take over their neighbour's.
    """
    held = top_mm > 0.0
    row, col = np.nonzero(held)
    from_row, from_col = row - row % 2, col - col % 2
    own = ~held[from_row, from_col]
    from_row[own], from_col[own] = row[own], col[own]
    looked = (from_row == row) & (from_col == col)
    x, y = grid.x_mm()[col[looked]], grid.y_mm()[row[looked]]
    points = np.stack([x, y, top_mm[row[looked], col[looked]]], axis=1)
    mapped = np.full(grid.shape, np.nan)
    mapped[row[looked], col[looked]] = distances_to_face_mm(points, outer_mm, grid)
    mapped[row, col] = mapped[from_row, from_col]
    return mapped
