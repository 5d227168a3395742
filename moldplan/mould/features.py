"""Small shapes that trap air, tear rubber or want special laying up.

1. Where two walls face each other (`moldplan.columns.thin`) the half is thin, or a gap of it narrow. Places
   that hang together make one shape; its length and breadth are those of the middle surface along its main
   axes, its width the median distance of the walls.
   Solid, long and round, with a free end off the board: a blind tip, a pit in the mould. Solid otherwise: a
   thin section. A gap: a slot, where rubber makes a web.
2. Edges of the pattern are inner corners of the mould. A sharp one turns by more than its triangles beside it
   are wide over the fillet's radius, and a ball of half as much again, laid against it from within, lacks
   room: the first leaves out the facets of a smooth mesh, the second its roughness.
   Lengths count by their turn: 90 deg make a whole length, and a rounded edge of many facets counts once.
3. What stands and what stays (`moldplan.columns.spill`): a roof higher than the top of its mouth holds air, a
   hollow that opens upwards holds liquid.

Error budget: widths as in `moldplan.columns.thin`, lengths and places to about one cell of the hollow,
volumes to a tenth. What is thinner than a cell and shorter than three is not seen.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.cards.model import Settings
from moldplan.columns.grid import Grid, grid_over
from moldplan.columns.inside import Inside
from moldplan.columns.layers import column_gaps, column_layers
from moldplan.columns.reach import wall_places
from moldplan.columns.spill import Spills, spills
from moldplan.columns.thin import facing_walls
from moldplan.half.model import Half
from moldplan.mould.model import Feature, FeatureKind, Point3
from moldplan.mould.reach import hanging, hollow_of, room_mm
from moldplan.units import mm

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Most shapes of one kind that are told one by one.
MOST_EACH: Final = 5
#: Broader than so many widths, a thin shape is a sheet, else a rod.
SHEET_WIDTHS: Final = 1.5
#: A slot is at least so many widths long, and two skins, or it is a dimple.
SLOT_WIDTHS: Final = 1.5
#: A shape has at least so many facing pairs of cubes; fewer are chance.
LEAST_PAIRS: Final = 4
#: Cell for pools and air, mm, coarser for large halves.
SPILL_CELL_MM: Final = 4.0
SPILL_CELLS: Final = 256
#: Least height, mm, and content, mm3, of a pool or of air that stays; a brush deals with less.
LEAST_SPILL_MM: Final = 5.0
LEAST_SPILL_MM3: Final = 5_000.0
#: The ball that is laid against an edge, in fillets. Larger than the fillet, so that a quarter-round edge a
#: little sharper than it shows by more than a mesh's roughness.
BALL: Final = 1.5
#: Room, in balls, with which an edge is not tight: what a quarter-round edge of the fillet's radius leaves,
#: r + (BALL r - r) / sqrt(2). A true edge is tight when it turns by 51 deg or more.
FITS: Final = (1.0 + (BALL - 1.0) * math.sqrt(0.5)) / BALL + 1e-3
#: From this turn an edge is looked at whatever its triangles say of its radius.
TRUE_EDGE_RAD: Final = math.radians(30.0)
#: Corners shorter than this, mm, are no work of their own.
LEAST_CORNER_MM: Final = 30.0


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """A group of facing places: its middle, main axes, longest first, spans and median width."""

    centre: Floats
    axes: Floats
    spans: Floats
    ends: Floats
    """The two ends (2, 3) along the longest axis."""
    width: float
    pairs: int


def find_features(half: Half, settings: Settings, *, hollow: Inside | None = None) -> tuple[Feature, ...]:
    """Return the small shapes of a half that trap air or want special laying up.

    Parameters
    ----------
    half
        The half on its board.
    settings
        `cast.paste_width_mm`, `cast.fillet_radius_mm`, `mould.skin_mm`.
    hollow
        `moldplan.mould.reach.hollow_of` the half, when it is there already.

    Returns
    -------
    tuple of Feature
        Kind by kind; of each kind the largest first, at most `MOST_EACH`. The first of a kind says how many
        there are when not all are listed.
    """
    inside = hollow if hollow is not None else hollow_of(half, settings)
    paste, skin = settings.number("cast.paste_width_mm"), settings.number("mould.skin_mm")
    places, widths, solid = facing_walls(inside, most_solid_mm=paste, most_gap_mm=2.0 * skin)
    thin = [*_solid_features(inside, places[solid], widths[solid], paste)]
    slots = [*_slots(inside, places[~solid], widths[~solid], skin)]
    corners = [*_corners(half, inside, places[solid], settings)]
    found: list[Feature] = []
    for group in (_of(thin, "blind tip"), [*_cups(half)], slots, corners, _of(thin, "thin section")):
        found.extend(_largest(group))
    return tuple(found)


def _of(features: list[Feature], kind: FeatureKind) -> list[Feature]:
    """Return the features of one kind."""
    return [feature for feature in features if feature.kind == kind]


def _largest(features: list[Feature]) -> list[Feature]:
    """Return the largest of one kind; the first says how many there are if some are left out."""
    ordered = sorted(features, key=lambda feature: (-feature.extent_mm, feature.place_mm))
    kept = ordered[:MOST_EACH]
    if len(ordered) > MOST_EACH:
        more = f" ({len(ordered)} like it, the {MOST_EACH} largest are listed)"
        kept[0] = replace(kept[0], text=kept[0].text + more)
    return kept


def _point(place: Floats) -> Point3:
    """Return a place as plain numbers."""
    return (float(place[0]), float(place[1]), float(place[2]))


# ----------------------------------------------------------------------------- thin parts and gaps


def _shapes(inside: Inside, places: Floats, widths: Floats) -> Iterator[_Shape]:
    """Walk over the groups of facing places."""
    label = hanging(inside, places)
    order = np.argsort(label, kind="stable")
    counts = np.bincount(label)
    for mine in np.split(order, np.cumsum(counts)[:-1]) if len(counts) else []:
        if len(mine) >= LEAST_PAIRS:
            yield _shape(places[mine], widths[mine])


def _shape(places: Floats, widths: Floats) -> _Shape:
    """Measure one group."""
    centre = places.mean(axis=0)
    _, turned = np.linalg.eigh(np.cov((places - centre).T))
    axes = turned.T[::-1]
    along = (places - centre) @ axes.T
    low, high = np.quantile(along[:, 0], [0.1, 0.9])
    ends = np.stack([places[along[:, 0] <= low].mean(axis=0), places[along[:, 0] >= high].mean(axis=0)])
    return _Shape(
        centre=places[np.argmin(((places - centre) ** 2).sum(axis=1))], axes=axes,
        spans=np.ptp(along, axis=0), ends=ends, width=float(np.median(widths)), pairs=len(places),
    )  # fmt: skip


def _solid_features(inside: Inside, places: Floats, widths: Floats, paste: float) -> Iterator[Feature]:
    """Walk over blind tips and thin sections."""
    for shape in _shapes(inside, places, widths):
        length, breadth = float(shape.spans[0]) + 0.5 * shape.width, float(shape.spans[1])
        rod = breadth < SHEET_WIDTHS * shape.width
        tip = _free_end(inside, shape) if rod and length > shape.width else None
        if tip is not None:
            yield _tip(shape, tip, length)
        elif max(length, breadth) >= paste:
            yield _section(shape, length, breadth, rod=rod)


def _free_end(inside: Inside, shape: _Shape) -> Floats | None:
    """Return the end of a rod beyond which there is neither half nor board; the higher one of two."""
    middle = shape.ends.mean(axis=0)
    free = []
    for end in shape.ends:
        away = (end - middle) / max(float(np.linalg.norm(end - middle)), 1e-12)
        # the tip's own end lies up to a width beyond the last facing places
        beyond = end + away * np.array([[1.5], [2.0], [2.5]]) * max(shape.width, inside.cell_mm)
        room = inside.room_mm.reshape(-1)[inside.cubes_at(beyond)]
        if (room <= 0.0).all() and beyond[:, 2].min() > 0.0:
            free.append(end)
    return max(free, key=lambda end: float(end[2])) if free else None


def _tip(shape: _Shape, tip: Floats, length: float) -> Feature:
    """Return a blind tip."""
    text = (
        f"a tip {mm(shape.width)} across and {mm(length)} long is a blind pit in the mould, gel and resin "
        "trap air at its end: fill it first with gel by a small brush, tap and turn the mould, then "
        "chopped-strand paste, at most 20 mm a pour; or cast the tip apart and fix it on"
    )
    return Feature(kind="blind tip", place_mm=_point(tip), width_mm=shape.width, extent_mm=length, text=text)


def _section(shape: _Shape, length: float, breadth: float, *, rod: bool) -> Feature:
    """Return a thin section: a rod held at both ends, or a sheet."""
    # a sheet's middle surface is as broad as it is seen, a rod is round
    litres = (0.25 * math.pi * shape.width if rod else breadth) * shape.width * length / 1e6
    size = f"{mm(length)} long" if rod else f"{mm(length)} by {mm(breadth)}"
    text = (
        f"a part {mm(shape.width)} thick, {size}: no room for mat from both sides; fill it with "
        f"chopped-strand paste, about {litres:.2g} l, at most 20 mm a pour and each cooled before "
        "the next, and lay the mat across it"
    )
    return Feature(
        kind="thin section", place_mm=_point(shape.centre), width_mm=shape.width, extent_mm=length, text=text
    )


def _slots(inside: Inside, places: Floats, widths: Floats, skin: float) -> Iterator[Feature]:
    """Walk over the gaps in which rubber makes a web."""
    for shape in _shapes(inside, places, widths):
        length, deep = float(shape.spans[0]), float(shape.spans[1]) + 0.5 * shape.width
        if length < max(SLOT_WIDTHS * shape.width, 2.0 * skin) or deep < 0.5 * shape.width:
            continue
        text = (
            f"a gap {mm(shape.width)} wide, {mm(length)} by {mm(deep)}, is filled from both sides by "
            f"coats of {mm(skin)}: the rubber there is a thin web that tears and holds air; work the "
            "detail coat in with a pointed brush and air, or fill the gap on the pattern"
        )
        yield Feature(
            kind="slot", place_mm=_point(shape.centre), width_mm=shape.width, extent_mm=length, text=text
        )


# ----------------------------------------------------------------------------- tight corners


@dataclass(frozen=True, kw_only=True)
class _Edges:
    """Pieces of edges: middle (n, 3), mean outward normal (n, 3), length, turn (rad), radius by spacing."""

    middle: Floats
    normal: Floats
    length: Floats
    turn: Floats
    radius: Floats


def _corners(half: Half, inside: Inside, thin: Floats, settings: Settings) -> Iterator[Feature]:
    """Walk over the inner corners of the mould that are sharper than a fillet, thin parts left out."""
    radius = settings.number("cast.fillet_radius_mm")
    edges = _sharp_edges(half, radius, inside.cell_mm)
    if len(thin) and len(edges.length):
        apart, _ = cKDTree(thin).query(
            edges.middle, distance_upper_bound=settings.number("cast.paste_width_mm")
        )
        edges = _some(edges, ~np.isfinite(apart))
    edges = _some(edges, ~_fits(half, inside, edges, BALL * radius))
    label = hanging(inside, edges.middle, cubes=3)
    weight = edges.length * edges.turn / (0.5 * math.pi)
    for number in range(int(label.max(initial=-1)) + 1):
        mine = np.flatnonzero(label == number)
        total = float(weight[mine].sum())
        if total >= LEAST_CORNER_MM:
            yield _corner(edges, mine, total, radius)


def _corner(edges: _Edges, mine: Ints, total: float, fillet: float) -> Feature:
    """Return the corners of one place."""
    middle = np.average(edges.middle[mine], axis=0, weights=edges.length[mine])
    place = edges.middle[mine][np.argmin(((edges.middle[mine] - middle) ** 2).sum(axis=1))]
    order = np.argsort(edges.radius[mine])
    share = np.cumsum(edges.length[mine][order])
    sharp = float(edges.radius[mine][order][np.searchsorted(share, 0.5 * share[-1])])
    known = f"radius about {mm(sharp)}" if sharp >= 0.5 else "a true edge"
    text = (
        f"{total / 1000.0:.2g} m of edge sharper than {mm(fillet)} ({known}): mat bridges it "
        f"and leaves air behind; after the gel run a paste fillet of {mm(fillet)} along it, then the mat"
    )
    return Feature(kind="tight corner", place_mm=_point(place), width_mm=sharp, extent_mm=total, text=text)


def _some(edges: _Edges, kept: Flags) -> _Edges:
    """Return some of the edges."""
    return _Edges(
        middle=edges.middle[kept], normal=edges.normal[kept], length=edges.length[kept],
        turn=edges.turn[kept], radius=edges.radius[kept],
    )  # fmt: skip


def _sharp_edges(half: Half, radius: float, spacing: float) -> _Edges:
    """Return the convex edges off the board that may be sharper than `radius`, in pieces up to `spacing`."""
    faces = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
    one, two, ends = _neighbours(faces, len(half.vertices))
    corners = half.vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.maximum(np.linalg.norm(normals, axis=1), 1e-300)
    normals /= double[:, None]
    begin, along = half.vertices[ends[:, 0]], half.vertices[ends[:, 1]] - half.vertices[ends[:, 0]]
    length = np.maximum(np.linalg.norm(along, axis=1), 1e-300)
    sine = np.einsum("ij,ij->i", np.cross(normals[one], normals[two]), along) / length
    turn = np.arctan2(sine, np.einsum("ij,ij->i", normals[one], normals[two]))
    # the arc of a round edge that this edge stands for: half of each triangle beside it
    arc = 0.5 * (double[one] + double[two]) / length
    kept = np.flatnonzero((turn > 0.0) & ((arc < radius * turn) | (turn > TRUE_EDGE_RAD)))
    by_spacing = arc[kept] / turn[kept]
    by_spacing[by_spacing > radius] = 0.0  # large faces meet in a true edge
    parts = np.maximum(np.ceil(length[kept] / spacing), 1.0).astype(np.int64)
    of = np.repeat(np.arange(len(kept)), parts)
    share = (np.arange(len(of)) - np.repeat(np.cumsum(parts) - parts, parts) + 0.5) / parts[of]
    mean = normals[one[kept]] + normals[two[kept]]
    mean /= np.maximum(np.linalg.norm(mean, axis=1), 1e-300)[:, None]
    return _Edges(
        middle=begin[kept][of] + share[:, None] * along[kept][of], normal=mean[of],
        length=(length[kept] / parts)[of], turn=turn[kept][of], radius=by_spacing[of],
    )  # fmt: skip


def _neighbours(faces: Ints, points: int) -> tuple[Ints, Ints, Ints]:
    """Return the two faces at each inner edge, and its ends in the order in which the first runs along it."""
    ends = faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    face = np.repeat(np.arange(len(faces)), 3)
    key = np.sort(ends, axis=1) @ np.array([points, 1])
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    first, second = order[:-1][same], order[1:][same]
    return face[first], face[second], ends[first]


def _fits(half: Half, inside: Inside, edges: _Edges, radius: float) -> Flags:
    """Tell for each edge whether a ball of `radius`, laid against it from within, has its room."""
    middles = edges.middle - radius * edges.normal
    # feet are points of the wall: one too near decides; else the wall itself has to be looked at
    fits = np.asarray(room_mm(inside, middles) >= FITS * radius)
    open_ones = np.flatnonzero(fits)
    if len(open_ones):
        faces = _near(half, middles[open_ones], radius)
        points, _, _ = wall_places(half.vertices, faces, spacing_mm=0.3 * radius)
        tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
        room, _ = tree.query(middles[open_ones], distance_upper_bound=FITS * radius)
        fits[open_ones] = ~np.isfinite(room)
    return fits


def _near(half: Half, places: Floats, reach: float) -> Ints:
    """Return the faces off the board that may lie within `reach` of some of the places, and some more."""
    faces = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
    one, two, three = half.vertices[faces.T]
    low, high = np.minimum(np.minimum(one, two), three), np.maximum(np.maximum(one, two), three)
    middles, spread = 0.5 * (low + high), high - low
    size = np.maximum(np.maximum(spread[:, 0], spread[:, 1]), spread[:, 2])
    block = 1.5 * reach  # a face up to as large as `reach` lies in a block next to the place's
    corner = half.vertices.min(axis=0) - 2.0 * block
    wide = int(float((half.vertices.max(axis=0) - corner).max()) / block) + 4
    base = np.array([wide * wide, wide, 1])
    steps = np.stack(np.meshgrid(*[np.arange(-1, 2)] * 3, indexing="ij"), axis=-1).reshape(-1, 3) @ base
    home = np.unique(np.floor((places - corner) / block).astype(np.int64) @ base)
    around = np.unique(home[:, None] + steps)
    own = np.floor((middles - corner) / block).astype(np.int64) @ base
    return np.asarray(faces[np.isin(own, around) | (size > reach)])


# ----------------------------------------------------------------------------- pools, and air that stays


def _cups(half: Half) -> Iterator[Feature]:
    """Walk over roofs that hold air and hollows that hold liquid while the half is coated."""
    low, high = half.vertices.min(axis=0), half.vertices.max(axis=0)
    cell = max(SPILL_CELL_MM, float((high - low)[:2].max()) / SPILL_CELLS)
    grid = grid_over(low[:2], high[:2], cell_mm=cell, margin_mm=1.5 * cell)
    gaps = column_gaps(column_layers(half.vertices, half.faces, grid), grid, least_mm=0.05 * cell)
    seen = spills(gaps, grid)
    # the open air above holds none, and a gap with no way out at all is a pocket, which is told elsewhere
    roofed = np.isfinite(seen.high_mm) & np.isfinite(seen.escape_mm)
    held = np.subtract(seen.high_mm, seen.escape_mm, out=np.zeros(len(roofed)), where=roofed)
    yield from _held(seen, grid, held, roof=True)
    drained = np.isfinite(seen.drain_mm) & (seen.escape_mm > -np.inf)
    pool = np.subtract(seen.drain_mm, seen.low_mm, out=np.zeros(len(drained)), where=drained)
    yield from _held(seen, grid, pool, roof=False)


def _held(seen: Spills, grid: Grid, depth: Floats, *, roof: bool) -> Iterator[Feature]:
    """Walk over the groups of spans that hold more than a brush deals with."""
    some = np.flatnonzero(depth > 0.2 * LEAST_SPILL_MM)
    # air and liquid hang together at one level: spans of one column lie apart
    level = (seen.escape_mm if roof else seen.drain_mm)[some]
    key, home = np.unique(np.round(level, 6), return_inverse=True)
    for number in range(len(key)):
        mine = some[home == number]
        content = float(depth[mine].sum()) * grid.cell_area_mm2
        deepest = float(depth[mine].max())
        if deepest >= LEAST_SPILL_MM and content >= LEAST_SPILL_MM3:
            yield _cup(seen, grid, mine, depth, roof=roof)


def _cup(seen: Spills, grid: Grid, mine: Ints, depth: Floats, *, roof: bool) -> Feature:
    """Return one pool, or the air under one roof."""
    worst = mine[np.argmax(depth[mine])]
    row, col = divmod(int(seen.cell[worst]), grid.nx)
    deep = float(depth[worst])
    width = 2.0 * math.sqrt(len(mine) * grid.cell_area_mm2 / math.pi)
    content = float(depth[mine].sum()) * grid.cell_area_mm2 / 1000.0
    z = float(seen.high_mm[worst] if roof else seen.low_mm[worst])
    text = (
        f"a roof {mm(width)} across stands {mm(deep)} above the top of its mouth and holds {content:.0f} ml "
        "of air: brush every coat in from the deepest place outwards, and where it is filled solid leave a "
        "straw as a vent or tilt the board until it runs out"
        if roof
        else f"a hollow {mm(width)} across that opens upwards holds {content:.0f} ml, {mm(deep)} deep: the "
        "liquid detail coat gathers there; brush it out again and again until it gels, or tilt the board"
    )
    place = (float(grid.x_mm()[col]), float(grid.y_mm()[row]), z)
    return Feature(kind="cup", place_mm=place, width_mm=width, extent_mm=deep, text=text)
