"""The coats of rubber, in the order they go on.

1. Base coats over everything: a thin liquid coat for the detail, then thickened coats of even thickness, none
   thicker than the card allows or than stays up on a vertical face: h = tau_y / (rho g sin theta)
   [Balmforth et al., J. Non-Newtonian Fluid Mech. 139 (2006)], until the skin is reached. Coat k is what lies
   between the distances d(k-1) and d(k) from the half.
2. Extra passes in each undercut, until it is filled to where the outside draws: what lies in the region
   beyond the skin, in steps of one thickened coat.
3. Drawing out: what is left to lean the outside to the draft, with the fill that belongs to no named region
   (below the grown rim of an overhang, crumbs). Then the edge on the board.

The volumes add up to the whole rubber by the way they are made: nothing is scaled, except that a region's
gaps, which are columns, are taken in proportion to the region's own volume.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.cards.model import Settings
from moldplan.columns.distance import DistanceGrid, gap_volumes
from moldplan.half.model import Gaps, Half, Region
from moldplan.mould.model import Coat

Floats = NDArray[np.float64]

_MM3_PER_L = 1e6
_G: Final = 9.81
#: Share of a region's volume, or of the skin, under which an extra pass is no pass: left to drawing out.
_NO_PASS: Final = 1e-2
#: Most places in a region whose distance to the half is looked up.
_MOST_PLACES: Final = 4000
#: Most parts the side of a triangle is cut into when points on it are wanted.
_MOST_PARTS: Final = 200


@dataclass(frozen=True, kw_only=True)
class Base:
    """What the coats are made from: the base coats' distances and the parts of the rubber.

    `within_mm3` is the volume within each distance, the half left out.
    """

    depths_mm: Floats
    within_mm3: Floats
    drawn_mm3: float
    """Fill and draft together."""
    drawn_depth_mm: float
    """Greatest thickness that the draft adds, square to the face."""
    edge_mm3: float
    edge_depth_mm: float


def sag_limit_mm(*, yield_stress_pa: float, density_kg_l: float, slope_deg: float) -> float:
    """Return the thickest coat (mm) that does not slide on a face `slope_deg` from level.

    Notes
    -----
    h = tau_y / (rho g sin theta), Balmforth et al., J. Non-Newtonian Fluid Mech. 139 (2006); infinite on the
    level. Overhangs have the same shear limit; whether the coat also sticks is not in it. Yield stress is
    known only within a factor of five.
    """
    sine = abs(math.sin(math.radians(slope_deg)))
    if sine == 0.0:
        return math.inf
    return 1000.0 * yield_stress_pa / (1000.0 * density_kg_l * _G * sine)


def thick_coat_mm(settings: Settings) -> float:
    """Return how thick a thickened coat may be: the card's, or what stays up on a vertical face."""
    sag = sag_limit_mm(
        yield_stress_pa=settings.number("rubber.yield_stress_pa"),
        density_kg_l=settings.number("rubber.density_kg_l"),
        slope_deg=90.0,
    )
    return min(settings.number("rubber.thick_coat_mm"), sag)


def base_distances_mm(skin_mm: float, settings: Settings) -> Floats:
    """Return the distance from the half of each base coat's outside, the skin last."""
    detail = min(settings.number("rubber.detail_coat_mm"), skin_mm)
    rest = skin_mm - detail
    count = math.ceil(rest / thick_coat_mm(settings) - 1e-9)
    steps = detail + rest * np.arange(count + 1) / max(count, 1)
    steps[-1] = skin_mm
    return steps


def pocket_volumes(half: Half, near: DistanceGrid, depths_mm: Floats) -> tuple[Floats, float]:
    """Return the volume within each distance inside sealed pockets, where no rubber gets, and in all."""
    sealed = [region for region in half.undercut.regions if region.mouths == 0]
    within = _region_volumes(half.undercut.gaps, near, depths_mm)
    total = np.zeros(len(depths_mm))
    for region in sealed:
        total += _scaled(region, within)[:-1]
    return total, sealed_mm3(half)


def sealed_mm3(half: Half) -> float:
    """Return what sealed pockets hold, where no rubber gets."""
    return sum(region.volume_mm3 for region in half.undercut.regions if region.mouths == 0)


def _region_volumes(gaps: Gaps, near: DistanceGrid, depths_mm: Floats) -> Floats:
    """Return, by region id, the volume of its gaps within each distance and (last) in all."""
    count = int(gaps.region.max()) + 1 if len(gaps.region) else 1
    totals = np.zeros((count, len(depths_mm) + 1))
    if len(gaps.region):
        x, y = gaps.grid.x_mm()[gaps.col], gaps.grid.y_mm()[gaps.row]
        grid = near.grid
        gap_volumes(
            near.phi_mm, grid.cell_mm, (x - grid.x0_mm) / grid.cell_mm, (y - grid.y0_mm) / grid.cell_mm,
            gaps.low_mm, gaps.high_mm, gaps.region, depths_mm, totals,
        )  # fmt: skip
    return totals * gaps.grid.cell_area_mm2


def _scaled(region: Region, within: Floats) -> Floats:
    """Return one region's row of volumes, in proportion to the region's own volume."""
    if region.id >= len(within) or within[region.id, -1] <= 0.0:
        return np.zeros(within.shape[1])
    row: Floats = within[region.id] * (region.volume_mm3 / within[region.id, -1])
    return row


def list_coats(half: Half, near: DistanceGrid, base: Base, settings: Settings) -> tuple[Coat, ...]:
    """Return every coat in the order it goes on; their volumes add up to the rubber's."""
    times = (settings.number("rubber.recoat_after_min"), settings.number("rubber.recoat_before_min"))
    density = settings.number("rubber.density_kg_l")
    thick = thick_coat_mm(settings)
    rows = _base_rows(base)
    extra = _extra_rows(half, near, base, thick)
    rows.extend(extra)
    drawn = base.drawn_mm3 - sum(row[2] for row in extra)
    rows.append(_draw_row(base, drawn, thick))
    passes = max(math.ceil(base.edge_depth_mm / thick - 1e-9), 1)
    rows.append(("edge on the board", base.edge_depth_mm / passes, base.edge_mm3, None, passes))
    coats = []
    for name, thickness, volume, region, count in rows:
        area = volume / (thickness * count) if thickness > 0.0 else 0.0
        coats.append(
            Coat(
                name=name, thickness_mm=thickness, area_mm2=area, volume_mm3=volume,
                mass_kg=volume / _MM3_PER_L * density, next_after_min=times[0], next_before_min=times[1],
                region=region, passes=count,
            )
        )  # fmt: skip
    return (*coats[:-1], _rested(coats[-1], settings))


_Row = tuple[str, float, float, int | None, int]


def _rested(last: Coat, settings: Settings) -> Coat:
    """Return the last coat with the rest before the jacket goes on."""
    rest = settings.number("rubber.jacket_after_min")
    return replace(last, next_after_min=rest, next_before_min=rest)


def _base_rows(base: Base) -> list[_Row]:
    """Return the base coats."""
    thickness = np.diff(base.depths_mm, prepend=0.0)
    volumes = np.diff(base.within_mm3, prepend=0.0)
    names = ["detail coat", *(f"thickened coat {n}" for n in range(1, len(volumes)))]
    return [(name, float(t), float(v), None, 1) for name, t, v in zip(names, thickness, volumes, strict=True)]


def _draw_row(base: Base, volume: float, thick: float) -> _Row:
    """Return the drawing out to the draft: as many passes as its thickest place needs."""
    passes = max(math.ceil(base.drawn_depth_mm / thick - 1e-9), 1)
    return "drawing out to the draft", base.drawn_depth_mm / passes, volume, None, passes


def _extra_rows(half: Half, near: DistanceGrid, base: Base, thick: float) -> list[_Row]:
    """Return the extra passes of every undercut that the base coats do not fill."""
    skin = float(base.depths_mm[-1])
    within = _region_volumes(half.undercut.gaps, near, base.depths_mm)
    tree: cKDTree | None = None
    rows: list[_Row] = []
    for region in half.undercut.regions:
        row = _scaled(region, within)
        beyond = float(row[-1] - row[-2])
        if region.mouths == 0 or beyond <= _NO_PASS * region.volume_mm3:
            continue
        if tree is None:
            tree = cKDTree(_surface_points(half, max(skin, 2.0 * near.cell_mm)))
        deepest = _deepest_mm(half.undercut.gaps, region.id, tree) - skin
        if deepest <= _NO_PASS * skin:
            continue
        passes = max(math.ceil(deepest / thick - 1e-9), 1)
        rows.append((f"extra in undercut {region.id}", deepest / passes, beyond, region.id, passes))
    return rows


def _deepest_mm(gaps: Gaps, region: int, tree: cKDTree) -> float:
    """Return the greatest distance from the half anywhere in a region."""
    mine = np.flatnonzero(gaps.region == region)
    mine = mine[:: max(len(mine) // (_MOST_PLACES // 4), 1)]
    x, y = gaps.grid.x_mm()[gaps.col[mine]], gaps.grid.y_mm()[gaps.row[mine]]
    low, high = gaps.low_mm[mine], gaps.high_mm[mine]
    places = np.concatenate(
        [np.stack([x, y, low + part * (high - low)], axis=1) for part in (0.0, 0.25, 0.5, 0.75)]
    )
    distances, _ = tree.query(places)
    return float(np.max(distances))


def _surface_points(half: Half, spacing_mm: float) -> Floats:
    """Return points on the half, off the board: all its corners, and more where they are sparse."""
    off_board = half.faces[half.vertices[half.faces, 2].max(axis=1) > 0.0]
    corners = half.vertices[off_board]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.minimum(np.ceil(longest / spacing_mm).astype(int), _MOST_PARTS)
    points = [half.vertices[np.unique(off_board)]]
    for count in np.unique(parts[parts > 1]):
        i, j = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
        u, v = (i[i + j <= count] / count), (j[i + j <= count] / count)
        weights = np.stack([1.0 - u - v, u, v], axis=1)
        points.append(np.einsum("pk,fkd->fpd", weights, corners[parts == count]).reshape(-1, 3))
    return np.concatenate(points)
