"""Two dowels that both boards share, and the walls' corners measured from them.

Both halves lie with their sawn faces on z = 0, the split plane, so a place on one board has its place on the
other. A dowel stands at the same point of the figure's split plane on either board: what is set out from the
same two dowels on both comes together when the halves do.

The two stand on ground that both boards have and that neither wall nor flange covers, as far apart as can be
along the longer side and on the same side of the figure, so that two tapes meet in one place only.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon, affinity
from shapely.geometry.base import BaseGeometry

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half
from moldplan.mould.model import Datums, Mould, SetOut
from moldplan.mould.outline import Point2, bounds_of

Floats = NDArray[np.float64]

#: Clear ground between a dowel and wall or flange.
_CLEAR_MM: Final = 10.0
#: Lines of wall and flange are taken this roughly, and cleared by as much more.
_ROUGH_MM: Final = 1.0
#: Shares of the card's distance from the edges that are tried, the first that leaves room for both.
_OFF_SHARES: Final = (1.0, 0.5, 0.25)
#: Two dowels nearer than this share of the ground's longer side set nothing out well.
_LEAST_SHARE: Final = 0.5
#: What a step towards the other side costs against one along the longer side.
_SIDEWAYS: Final = 0.25
#: Places nearer than this are the same, mm.
_SAME_MM: Final = 1e-6


def plan_datums(halves: Sequence[Half], moulds: Sequence[Mould], settings: Settings) -> tuple[Datums, ...]:
    """Return the two dowels in each half's frame, and its wall's corners measured from them.

    Parameters
    ----------
    halves, moulds
        One or two halves of a figure and their moulds, in the same order.
    settings
        board.dowel_off_mm.

    Returns
    -------
    tuple
        One `Datums` a half, the dowels of all of them the same two points of the figure to rounding, first
        and second the same; empty when the boards leave no room for two (`datum_findings` says so then).
    """
    to_first = [_onto(half, halves[0]) for half in halves]
    boards = [_laid(board_outline(mould), way) for mould, way in zip(moulds, to_first, strict=True)]
    taken = shapely.union_all(
        [_laid(_covered(mould), way) for mould, way in zip(moulds, to_first, strict=True)]
    ).buffer(_CLEAR_MM + _ROUGH_MM)
    dowels = _dowels(shapely.intersection_all(boards), taken, settings.number("board.dowel_off_mm"))
    if dowels is None:
        return ()
    return tuple(
        _datums_of(half, mould, dowels @ way[:2, :2].T + way[:2, 3])
        for half, mould, way in ((h, m, _onto(halves[0], h)) for h, m in zip(halves, moulds, strict=True))
    )


def datum_findings(halves: Sequence[Half], datums: Sequence[Datums]) -> Iterator[Finding]:
    """Say when the boards share no ground for two dowels."""
    if datums:
        return
    what = "both boards have" if len(halves) > 1 else "the board has"
    yield Finding(
        code="no-datums", severity="check", stage="mould",
        advice=f"{what} no two places outside wall and flange for shared dowels, far enough apart: cut the "
        "boards larger on one side, or set out from the figure's own middle lines",
    )  # fmt: skip


def set_out(place: Point2, dowels: Floats) -> SetOut:
    """Return how a place is measured from two dowels (2, 2).

    `along_mm` runs from the first dowel towards the second, `square_mm` to the left of that way as one looks
    down on the board.
    """
    way = dowels[1] - dowels[0]
    way = way / np.linalg.norm(way)
    first, second = np.array(place) - dowels[0], np.array(place) - dowels[1]
    return SetOut(
        place_mm=place,
        from_first_mm=float(np.linalg.norm(first)),
        from_second_mm=float(np.linalg.norm(second)),
        along_mm=float(first @ way),
        square_mm=float(way[0] * first[1] - way[1] * first[0]),
    )


def board_outline(mould: Mould) -> Polygon:
    """Return the board's outline in the half's frame."""
    (x, y), (width, height) = mould.board.centre_mm, mould.board.size_mm
    return shapely.box(x - 0.5 * width, y - 0.5 * height, x + 0.5 * width, y + 0.5 * height)


def _covered(mould: Mould) -> BaseGeometry:
    """Return what wall or flange cover of the board in either of its states, to `_ROUGH_MM`."""
    lines = (mould.wall.outer, mould.jacket.flange_outer)
    return shapely.union_all([line.simplify(_ROUGH_MM) for line in lines])


def _onto(half: Half, other: Half) -> Floats:
    """Return the map (4, 4) from one half's frame to another's, through the figure's."""
    return np.asarray(other.to_half @ np.linalg.inv(half.to_half))


def _laid(shape: BaseGeometry, way: Floats) -> BaseGeometry:
    """Return a shape on the split plane seen in another half's frame."""
    a, b, d, e = way[0, 0], way[0, 1], way[1, 0], way[1, 1]
    return affinity.affine_transform(shape, [a, b, d, e, way[0, 3], way[1, 3]])


def _dowels(shared: BaseGeometry, taken: BaseGeometry, off_mm: float) -> Floats | None:
    """Return the two places (2, 2), None when there is no room for them."""
    if shared.is_empty:
        return None
    longer = 0 if np.diff(bounds_of(shared)[0])[0] <= 0.0 else 1
    least_mm = _LEAST_SHARE * max(bounds_of(shared)[0])
    for share in _OFF_SHARES:
        free = shared.buffer(-share * off_mm, join_style="mitre").difference(taken)
        if not free.is_empty:
            pair = _farthest(shapely.get_coordinates(free), longer)
            if abs(pair[1, longer] - pair[0, longer]) >= least_mm:
                return pair
    return None


def _farthest(places: Floats, longer: int) -> Floats:
    """Return the two of `places` farthest apart along axis `longer` and least beside each other.

    Of equal pairs the one nearest the lower end of the other axis.
    """
    along = places[:, longer, None] - places[None, :, longer]
    beside = np.abs(places[:, 1 - longer, None] - places[None, :, 1 - longer])
    worth = np.round((along - _SIDEWAYS * beside) / _SAME_MM)
    second, first = np.nonzero(worth == worth.max())
    side = np.round((places[first, 1 - longer] + places[second, 1 - longer]) / _SAME_MM)
    best = int(np.argmin(side))
    return places[[first[best], second[best]]]


def _datums_of(half: Half, mould: Mould, dowels: Floats) -> Datums:
    """Return the datums of one half, its dowels in its own frame."""
    first, second = ((float(x), float(y)) for x, y in dowels)
    return Datums(
        name=half.name,
        dowels_mm=(first, second),
        points=tuple(set_out(point, dowels) for point in mould.wall.points_mm),
    )
