"""Webs: where each closed loop of rubber through an opening of the pattern is cut.

Goal
    Rubber that goes through an opening and closes round the pattern cannot come off whole. For every such
    loop: where a plate closes the opening with the least area, how it stands, and how large it is.

Steps
    1. Gaps of the columns that hang together, and the mouths they open by (`moldplan.columns.mouths`). A
       connected gap with m mouths makes m - 1 loops, named or not.
    2. The narrowest place between a mouth and the others is a least cut of the graph of the gap's columns:
       neighbours share the area their gaps have in common, mouths share what they open. Of equal cuts the
       one in the middle is wanted: capacity grows a little towards the mouths. With more than two mouths
       each is cut off from all the others, and the widest of these cuts is left out.
    3. An arch that stands on the board within one shadow has one mouth: loops that are still missing are
       looked for between feet on the board (`moldplan.mould.arches`), where there are more arches than mouths
       tell.
    4. A plane through the cut, and its exact section with the half (and the board): the area of air round the
       cut is the web. The plane is moved and leaned, in ever smaller steps, as long as that area shrinks.

Error budget
    The section is exact for the mesh. That it is the least of all planes is not shown: a good start, and
    downhill from there. Lengths in the graph are 5 % short at worst (Cauchy-Crofton weights over eight
    neighbours: Boykov and Kolmogorov, "Computing geodesics and minimal surfaces via graph cuts", ICCV 2003),
    which decides only where to start. Where no plane closes the opening the web is bent: its size is that of
    the cut itself, to a cell.

Not modelled
    A handle off the board wholly inside one gap with one mouth, and one in a wall thinner than a column:
    fewer webs are found than `Undercut.links`, and the finding says so.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, dijkstra, maximum_flow

from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid
from moldplan.columns.layers import ColumnGaps, column_gaps, column_layers
from moldplan.columns.mouths import Contacts, connected_gaps, open_contacts
from moldplan.half.model import Gaps, Half
from moldplan.half.undercut import LEAST_GAP, LEAST_MOUTH, MOUTH_SLACK
from moldplan.mould.arches import curtains
from moldplan.mould.model import Point3, Web
from moldplan.mould.opening import Nearby, Opening, narrowest
from moldplan.mould.places import place_words
from moldplan.units import mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Steps in the area of one cell face, and most in all: capacities are whole numbers of 32 bits.
UNITS: Final = 1000.0
MOST_UNITS: Final = 5e8
#: Length that an edge of the grid stands for, in cells: straight and diagonal.
STRAIGHT: Final = np.pi / 8.0
DIAGONAL: Final = np.pi / (8.0 * np.sqrt(2.0))
#: Openings narrower than this take no plate: clay or filler stops them up (common practice, no source).
LEAST_PLATE_MM: Final = 10.0
#: How much dearer a cut at a mouth is than one in the middle: columns at the rim lack neighbours, so that a
#: cut along it seems up to 15 % smaller than it is. Grows with the square of how far off the middle it lies.
MIDDLE: Final = 0.3


@dataclass(frozen=True, kw_only=True)
class _Tunnel:
    """A connected gap with two or more real mouths.

    `gap` (n,) are its gaps, `contact` (k,) its contacts with the air, `mouth` (k,) the number of each
    contact's mouth, 0 ... mouths - 1, -1 for one too small to count.
    """

    region: int | None
    gap: Ints
    contact: Ints
    mouth: Ints
    mouths: int


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """All gaps of a half, which column each stands in, and where they meet the air."""

    grid: Grid
    gaps: ColumnGaps
    cell: Ints
    contacts: Contacts
    label: Ints
    """Gaps with the same number hang together."""
    region: Ints
    """Id of the undercut, 0 for none."""


@dataclass(frozen=True, kw_only=True)
class _Cut:
    """Pieces of a cut between columns: their middles (n, 3), how they face (n, 2), and their areas (n,).

    `flow` is the whole of it in cell faces.
    """

    places_mm: Floats
    facing: Floats
    area_mm2: Floats
    flow: float


def find_webs(half: Half, settings: Settings) -> tuple[Web, ...]:  # noqa: ARG001 - every step of the mould takes both
    """Return a web for every closed loop of rubber that is found in a half, the largest first.

    Parameters
    ----------
    half
        The half on its board.
    settings
        Not read; webs follow from the shape alone.

    Returns
    -------
    tuple of Web
        No more than `Undercut.links`; fewer when a loop is neither between mouths of one gap nor under an
        arch on the board.

    Notes
    -----
    Accuracy and limits: see the module. Nothing is done for a half without links; else some 0.1 s, and 30 ms
    a web.
    """
    links = half.undercut.links
    if links <= 0:
        return ()
    seen, tunnels = _tunnels(half)
    found = [pair for tunnel in tunnels for pair in _webs(half, seen, tunnel)]
    if len(found) < links:
        found += [
            pair for arch, cut in _arches(half, seen, tunnels) for pair in _of_cuts(half, seen, arch, [cut])
        ]
    # mouths that only the columns see apart make no loop: those that no plane closes, then the smallest, go
    found.sort(key=lambda pair: (pair[0], -pair[1].area_mm2))
    return tuple(sorted((web for _, web in found[:links]), key=lambda web: -web.area_mm2))


def is_stopped(size_mm: tuple[float, float]) -> bool:
    """Tell whether an opening so wide and high is stopped up on the pattern, and no rubber meets in it."""
    return min(size_mm) < LEAST_PLATE_MM


def _tunnels(half: Half) -> tuple[_Seen, list[_Tunnel]]:
    """Return the gaps of a half and those of them that go right through."""
    grid = half.undercut.gaps.grid
    least = LEAST_GAP * grid.cell_mm
    gaps = column_gaps(column_layers(half.vertices, half.faces, grid), grid, least_mm=least)
    label = connected_gaps(gaps, grid, overlap_mm=least)
    contacts = open_contacts(gaps, label, grid, least_mm=least, slack_mm=MOUTH_SLACK * grid.cell_mm)
    cell = np.repeat(np.arange(grid.nx * grid.ny), np.diff(gaps.start))
    named = _named(half.undercut.gaps, cell, gaps)
    seen = _Seen(
        grid=grid, gaps=gaps, cell=cell, contacts=contacts, label=label,
        region=named,
    )  # fmt: skip
    area = (contacts.high_mm - contacts.low_mm) / grid.cell_mm
    size = np.bincount(contacts.mouth, weights=area, minlength=len(contacts.mouth)).astype(np.float64)
    found = []
    of_contact = label[contacts.gap]
    for root in _with_several(of_contact, contacts.mouth, size):
        here = np.flatnonzero(of_contact == root)
        real = _real(contacts.mouth[here], size)
        mouth = np.searchsorted(real, contacts.mouth[here])
        mouth[~np.isin(contacts.mouth[here], real)] = -1
        mine = np.flatnonzero(label == root)
        region = int(named[mine].max())
        found.append(_Tunnel(region=region or None, gap=mine, contact=here, mouth=mouth, mouths=len(real)))
    return seen, found


def _named(named: Gaps, cell: Ints, gaps: ColumnGaps) -> Ints:
    """Return the region id of every gap, 0 for those of no name: the same gaps, by column and floor."""
    region = np.zeros(len(cell), dtype=np.int64)
    own = named.row.astype(np.int64) * named.grid.nx + named.col
    first = gaps.start[own]
    for step in range(int(np.diff(gaps.start).max(initial=0))):
        place = np.minimum(first + step, gaps.start[own + 1] - 1)
        same = gaps.low_mm[place] == named.low_mm
        region[place[same]] = named.region[same]
    return region


def _with_several(of_contact: Ints, mouth: Ints, size: Floats) -> list[int]:
    """Return the labels of gaps with two or more real mouths."""
    mouths, first = np.unique(mouth, return_index=True)
    owner = of_contact[first]
    return [int(root) for root in np.unique(owner) if len(_real(mouths[owner == root], size)) > 1]


def _real(mouths: Ints, size: Floats) -> Ints:
    """Return the mouths that count, by the rule of `moldplan.half.undercut`."""
    some = np.unique(mouths)
    return np.asarray(some[size[some] >= min(LEAST_MOUTH, float(size[some].max()))])


def _webs(half: Half, seen: _Seen, tunnel: _Tunnel) -> Iterator[tuple[bool, Web]]:
    """Walk over the webs of one tunnel, and whether each had to be taken from the cut itself."""
    cuts = [_least_cut(seen, tunnel, mouth) for mouth in range(tunnel.mouths if tunnel.mouths > 2 else 1)]
    cuts.sort(key=lambda cut: cut.flow)
    yield from _of_cuts(half, seen, tunnel, cuts[: tunnel.mouths - 1])


def _of_cuts(half: Half, seen: _Seen, tunnel: _Tunnel, cuts: Sequence[_Cut]) -> Iterator[tuple[bool, Web]]:
    """Walk over the webs in the place of cuts, and whether each had to be taken from the cut itself."""
    near = _nearby(half, seen, tunnel)
    for cut in cuts:
        middle = np.average(cut.places_mm, axis=0, weights=cut.area_mm2)
        facing = (cut.facing * cut.area_mm2[:, None]).sum(axis=0)
        if np.linalg.norm(facing) < 0.1 * cut.area_mm2.sum():
            facing = _thin_way(cut.places_mm[:, :2])
        normal = np.array([*(facing / np.linalg.norm(facing)), 0.0])
        cell_mm = seen.grid.cell_mm
        opening = narrowest(near, middle, normal, cut.places_mm, cut.area_mm2, step_mm=2.0 * cell_mm)
        if opening is not None:
            yield False, _web(half, tunnel, opening)
        else:
            yield True, _web(half, tunnel, _bent(cut, middle, normal, cell_mm))


def _thin_way(places: Floats) -> Floats:
    """Return the direction in which points (n, 2) spread the least."""
    _, axes = np.linalg.eigh(np.cov(places.T) + 1e-9 * np.eye(2))
    return np.asarray(axes[:, 0])


def _nearby(half: Half, seen: _Seen, tunnel: _Tunnel) -> Nearby:
    """Return the part of the half round a tunnel."""
    grid, cell = seen.grid, seen.cell[tunnel.gap]
    x, y = grid.x_mm()[cell % grid.nx], grid.y_mm()[cell // grid.nx]
    margin = 3.0 * grid.cell_mm
    low = np.array([x.min(), y.min(), seen.gaps.low_mm[tunnel.gap].min()]) - margin
    high = np.array([x.max(), y.max(), seen.gaps.high_mm[tunnel.gap].max()]) + margin
    return Nearby.of(half.vertices, half.faces, low, high)


def _bent(cut: _Cut, middle: Floats, normal: Floats, cell_mm: float) -> Opening:
    """Return the size of a cut that no plane makes."""
    level = np.array([-normal[1], normal[0], 0.0])
    width = float(np.ptp(cut.places_mm @ level)) + cell_mm
    area = float(cut.area_mm2.sum())
    return Opening(
        place_mm=middle, normal=normal, width_mm=width, height_mm=min(area / width, width), area_mm2=area
    )


def _web(half: Half, tunnel: _Tunnel, opening: Opening) -> Web:
    """Return a web as a value."""
    x, y, z = (float(part) for part in opening.place_mm)
    a, b, c = (float(part) + 0.0 for part in opening.normal)
    place: Point3 = (x, y, z)
    kind = "stop of clay or filler" if is_stopped((opening.width_mm, opening.height_mm)) else "web"
    where = f"undercut {tunnel.region}" if tunnel.region is not None else "a small opening"
    return Web(
        region=tunnel.region,
        place_mm=place,
        normal=(a, b, c),
        size_mm=(opening.width_mm, opening.height_mm),
        area_mm2=opening.area_mm2,
        text=f"{kind} {mm(opening.width_mm)} wide and {mm(opening.height_mm)} high across {where}, "
        f"{place_words(half, place)}",
    )


# --- arches under one shadow ------------------------------------------------------------------------------


def _arches(half: Half, seen: _Seen, tunnels: Sequence[_Tunnel]) -> Iterator[tuple[_Tunnel, _Cut]]:
    """Walk over the curtains under arches that the mouths do not tell of, as gaps and as cuts.

    Of the arches in a tunnel as many as it has webs are known, the largest first.
    """
    known = {int(seen.label[tunnel.gap[0]]): tunnel.mouths - 1 for tunnel in tunnels}
    none = np.zeros(0, dtype=np.int64)
    for curtain in curtains(half, seen.gaps, seen.grid):
        cells = curtain.cells[np.diff(seen.gaps.start)[curtain.cells] > 0]
        lowest = seen.gaps.start[cells + 1] - 1
        lowest = lowest[seen.gaps.low_mm[lowest] == 0.0]
        if not len(lowest):
            continue
        label = int(seen.label[lowest[0]])
        if known.get(label, 0) > 0:
            known[label] -= 1
            continue
        region = int(seen.region[lowest].max())
        arch = _Tunnel(region=region or None, gap=np.sort(lowest), contact=none, mouth=none, mouths=2)
        yield arch, _hanging(seen, lowest)


def _hanging(seen: _Seen, lowest: Ints) -> _Cut:
    """Return a curtain through gaps, in their order from foot to foot, as a cut."""
    grid, cell, height = seen.grid, seen.cell[lowest], seen.gaps.high_mm[lowest]
    place = np.stack([grid.x_mm()[cell % grid.nx], grid.y_mm()[cell // grid.nx], 0.5 * height], axis=1)
    along = place[-1, :2] - place[0, :2]
    length = float(np.linalg.norm(along))
    along = along / length if length > 0.0 else np.array([1.0, 0.0])
    area = np.maximum(height, 1e-6) * grid.cell_mm
    facing = np.tile([-along[1], along[0]], (len(lowest), 1))
    return _Cut(places_mm=place, facing=facing, area_mm2=area, flow=float(area.sum()) / grid.cell_area_mm2)


# --- the least cut ----------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Edges:
    """Edges of a tunnel's graph: both ends (by place in the tunnel), middles (n, 3), facing (n, 2), areas."""

    one: Ints
    two: Ints
    places_mm: Floats
    facing: Floats
    area_mm2: Floats


def _least_cut(seen: _Seen, tunnel: _Tunnel, mouth: int) -> _Cut:
    """Return the least cut between one mouth of a tunnel and its others."""
    inner = _inner_edges(seen, tunnel)
    count = len(tunnel.gap)
    source, sink = count, count + 1
    opens = _mouth_edges(seen, tunnel, np.where(tunnel.mouth == mouth, source, sink))
    one, two = np.concatenate([inner.one, opens.one]), np.concatenate([inner.two, opens.two])
    area = np.concatenate([inner.area_mm2, opens.area_mm2])
    dearer = _dearer(one, two, count)
    faces = area * dearer / seen.grid.cell_area_mm2
    units = min(UNITS, MOST_UNITS / float(faces.sum()))
    capacity = np.maximum(np.rint(faces * units), 1.0).astype(np.int32)
    ends = (np.concatenate([one, two]), np.concatenate([two, one]))
    graph = csr_array((np.concatenate([capacity, capacity]), ends), shape=(count + 2, count + 2))
    flow = maximum_flow(graph, source, sink)
    left = csr_array(graph - flow.flow)
    left.data = np.maximum(left.data, 0)
    left.eliminate_zeros()
    reached = np.zeros(count + 2, dtype=bool)
    reached[breadth_first_order(left, source, return_predecessors=False)] = True
    across = reached[one] != reached[two]
    sign = np.where(reached[one], 1.0, -1.0)[across]
    return _Cut(
        places_mm=np.concatenate([inner.places_mm, opens.places_mm])[across],
        facing=np.concatenate([inner.facing, opens.facing])[across] * sign[:, None],
        area_mm2=area[across],
        flow=float(flow.flow_value) / units,
    )


def _dearer(one: Ints, two: Ints, count: int) -> Floats:
    """Return by how much each edge is dearer than one in the middle: the number of steps to either end."""
    steps = np.stack([_steps(one, two, count, count + 1), _steps(one, two, count + 1, count)])
    off = np.abs(steps[0] - steps[1]) / np.maximum(steps[0] + steps[1], 1.0)
    off[~np.isfinite(off)] = 1.0
    return np.asarray(1.0 + MIDDLE * (0.5 * (off[one] + off[two])) ** 2)


def _steps(one: Ints, two: Ints, start: int, never: int) -> Floats:
    """Return how many steps each column is from one end, the other end being shut."""
    way = (one != never) & (two != never)
    size = int(max(start, never)) + 1
    graph = coo_array((np.ones(int(way.sum())), (one[way], two[way])), shape=(size, size)).tocsr()
    steps: Floats = dijkstra(graph, directed=False, indices=np.array([start]), unweighted=True)[0]
    steps[never] = steps[np.isfinite(steps)].max(initial=0.0) + 1.0
    return steps


def _mouth_edges(seen: _Seen, tunnel: _Tunnel, end: Ints) -> _Edges:
    """Return the edges from the columns at the real mouths to the two ends."""
    real = tunnel.mouth >= 0
    contact = tunnel.contact[real]
    contacts = seen.contacts
    facing = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])[contacts.side[contact]]
    low, high = contacts.low_mm[contact], contacts.high_mm[contact]
    return _Edges(
        one=np.searchsorted(tunnel.gap, contacts.gap[contact]),
        two=end[real],
        places_mm=np.stack([contacts.x_mm[contact], contacts.y_mm[contact], 0.5 * (low + high)], axis=1),
        facing=facing,
        area_mm2=(high - low) * seen.grid.cell_mm,
    )


def _inner_edges(seen: _Seen, tunnel: _Tunnel) -> _Edges:
    """Return the edges between neighbouring columns of a tunnel: the area their gaps have in common."""
    grid, gaps = seen.grid, seen.gaps
    cell = seen.cell[tunnel.gap]
    row, col = cell // grid.nx, cell % grid.nx
    parts = []
    for across, up in ((1, 0), (0, 1), (1, 1), (-1, 1)):
        inside = (col + across >= 0) & (col + across < grid.nx) & (row + up < grid.ny)
        here = np.flatnonzero(inside)
        one, two = _pairs(cell, here, cell[here] + up * grid.nx + across)
        low = np.maximum(gaps.low_mm[tunnel.gap[one]], gaps.low_mm[tunnel.gap[two]])
        high = np.minimum(gaps.high_mm[tunnel.gap[one]], gaps.high_mm[tunnel.gap[two]])
        both = high - low > LEAST_GAP * grid.cell_mm
        one, two, low, high = one[both], two[both], low[both], high[both]
        weight = DIAGONAL if across and up else STRAIGHT
        way = np.array([float(across), float(up)])
        x = 0.5 * (grid.x_mm()[col[one]] + grid.x_mm()[col[two]])
        y = 0.5 * (grid.y_mm()[row[one]] + grid.y_mm()[row[two]])
        parts.append(
            _Edges(
                one=one, two=two, places_mm=np.stack([x, y, 0.5 * (low + high)], axis=1),
                facing=np.tile(way / np.linalg.norm(way), (len(one), 1)),
                area_mm2=(high - low) * grid.cell_mm * weight,
            )
        )  # fmt: skip
    return _Edges(
        one=np.concatenate([part.one for part in parts]),
        two=np.concatenate([part.two for part in parts]),
        places_mm=np.concatenate([part.places_mm for part in parts]),
        facing=np.concatenate([part.facing for part in parts]),
        area_mm2=np.concatenate([part.area_mm2 for part in parts]),
    )


def _pairs(cell: Ints, here: Ints, wanted: Ints) -> tuple[Ints, Ints]:
    """Return all pairs of a gap in `here` and a gap in its `wanted` cell; `cell` (n,) is sorted."""
    first = np.searchsorted(cell, wanted, side="left")
    count = np.searchsorted(cell, wanted, side="right") - first
    one = np.repeat(here, count)
    within = np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count)
    return one, np.repeat(first, count) + within
