"""The coats of rubber, in the order they go on.

1. Base coats over everything: a thin liquid coat for the detail, as thick as the film that stays of it
   (`moldplan.mould.film`); then thickened coats of even thickness, none thicker than the card allows or than
   stays up on the half's steep faces: h = tau_y / (rho g sin theta)
   [Balmforth et al., J. Non-Newtonian Fluid Mech. 139 (2006)], until the skin is reached. Coat k is what lies
   between the distances d(k-1) and d(k) from the half. Crowns keep only part of a brushed coat (common
   practice): that is each coat's least, to be made up by dabbing tips and ridges first, not by more coats.
2. Extra passes in each undercut, until it is filled to where the outside draws: what lies in the region
   beyond the skin, in steps of one thickened coat. What lies clear of the face may be bulked with crumb.
3. Drawing out: what is left to lean the outside to the draft, with the fill that belongs to no named region
   (below the grown rim of an overhang, crumbs). Then the edge on the board and the keys on the outside.

The volumes add up to the whole rubber by the way they are made: nothing is scaled, except that a region's
gaps, which are columns, are taken in proportion to the region's own volume. What runs off the detail coat is
brushed on besides.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.cards.model import Settings
from moldplan.columns.distance import DistanceGrid, gap_volumes
from moldplan.half.model import Gaps, Half, Region
from moldplan.mould.cure import scaled_min
from moldplan.mould.mixing import mixes_for
from moldplan.mould.model import Coat
from moldplan.mould.surface import Surface, slope_deg, steep_share

Floats = NDArray[np.float64]

_MM3_PER_L = 1e6
_G: Final = 9.81
#: Share of a region's volume, or of the skin, under which an extra pass is no pass: left to drawing out.
_NO_PASS: Final = 1e-2
#: Most places in a region whose distance to the half is looked up.
_MOST_PLACES: Final = 4000
#: Most parts the side of a triangle is cut into when points on it are wanted.
_MOST_PARTS: Final = 200
#: Share of the surface that may be too steep for a coat: so little is dabbed once more.
_TOO_STEEP: Final = 0.01
#: About a day: warmth shortens no rest before the jacket below it (common practice, no source).
_DAY_MIN: Final = 1440.0
_TINTS: Final = ("plain", "tinted")


@dataclass(frozen=True, kw_only=True)
class Base:
    """What the coats are made from: the base coats' distances and the parts of the rubber.

    `within_mm3` is the volume within each distance, the half left out; `thick_mm` the most that a thickened
    coat is laid on.
    """

    depths_mm: Floats
    within_mm3: Floats
    thick_mm: float
    detail_least_mm: float
    """Least of the detail coat anywhere."""
    run_off_mm3: float
    """What of the detail coat does not stay."""
    drawn_mm3: float
    """Fill and draft together."""
    drawn_depth_mm: float
    """Greatest thickness that the draft adds, square to the face."""
    edge_mm3: float
    """The edge on the board, without keys."""
    edge_depth_mm: float
    keys_mm3: float = 0.0
    keys_depth_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One coat before it is weighed: mean and least of one pass, volume of all, what of it may be crumb."""

    name: str
    thickness_mm: float
    least_mm: float
    volume_mm3: float
    passes: int = 1
    region: int | None = None
    run_off_mm3: float = 0.0
    crumb_mm3: float = 0.0
    thickened: bool = True


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


def thick_coat_mm(settings: Settings, *, surface: Surface | None = None) -> float:
    """Return how thick a thickened coat may be: the card's, or what stays up on the steep faces.

    Parameters
    ----------
    settings
        Reads ``rubber.thick_coat_mm``, ``rubber.yield_stress_pa`` and ``rubber.density_kg_l``.
    surface
        The half's surface, whose own slopes count: all but the steepest hundredth of it, which is dabbed
        once more. An upright face when left out.
    """
    steep = 90.0 if surface is None else slope_deg(steep_share(surface, _TOO_STEEP))
    sag = sag_limit_mm(
        yield_stress_pa=settings.number("rubber.yield_stress_pa"),
        density_kg_l=settings.number("rubber.density_kg_l"),
        slope_deg=steep,
    )
    return min(settings.number("rubber.thick_coat_mm"), sag)


def base_distances_mm(skin_mm: float, *, detail_mm: float, thick_mm: float) -> Floats:
    """Return the distance from the half of each base coat's outside, the skin last.

    The detail coat, then the fewest even coats of no more than `thick_mm` each.
    """
    detail = min(detail_mm, skin_mm)
    rest = skin_mm - detail
    count = math.ceil(rest / thick_mm - 1e-9)
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


def crumb_from_mm(skin_mm: float, settings: Settings) -> float:
    """Return the distance from the half beyond which a filling may hold crumb."""
    return max(skin_mm, settings.number("rubber.crumb_clear_mm"))


def list_coats(half: Half, near: DistanceGrid, base: Base, settings: Settings) -> tuple[Coat, ...]:
    """Return every coat in the order it goes on; their volumes add up to the rubber's.

    `near` has to reach as far as crumb may begin (`crumb_from_mm`) where the half has undercuts.
    """
    rows = _base_rows(base, settings)
    extra = _extra_rows(half, near, base, settings)
    rows.extend(extra)
    rows.append(_draw_row(base, base.drawn_mm3 - sum(row.volume_mm3 for row in extra)))
    rows.append(_level_row("edge on the board", base.edge_mm3, base.edge_depth_mm, base.thick_mm))
    if base.keys_mm3 > 0.0:
        rows.append(_level_row("keys on the outside", base.keys_mm3, base.keys_depth_mm, base.thick_mm))
    last = len(rows) - 1
    return tuple(_coat(row, n, settings, rests=n == last) for n, row in enumerate(rows))


def _coat(row: _Row, number: int, settings: Settings, *, rests: bool) -> Coat:
    """Return a coat weighed, timed and mixed; after the last one the rubber `rests`."""
    density = settings.number("rubber.density_kg_l")
    each = row.thickness_mm * row.passes
    brushed = (row.volume_mm3 + row.run_off_mm3) / _MM3_PER_L * density
    after, before = _rest_min(settings) if rests else _next_min(settings)
    return Coat(
        name=row.name,
        thickness_mm=row.thickness_mm,
        least_mm=row.least_mm,
        area_mm2=row.volume_mm3 / each if each > 0.0 else 0.0,
        volume_mm3=row.volume_mm3,
        mass_kg=row.volume_mm3 / _MM3_PER_L * density,
        brushed_kg=brushed,
        next_after_min=after,
        next_before_min=before,
        region=row.region,
        passes=row.passes,
        tint=_TINTS[number % 2],
        mixes=mixes_for(max(brushed, 0.0), settings, thickened=row.thickened, passes=row.passes),
        crumb_kg=row.crumb_mm3 / _MM3_PER_L * density * settings.number("rubber.crumb_percent") / 100.0,
    )


def _next_min(settings: Settings) -> tuple[float, float]:
    """Return earliest and latest next coat at the shop's temperature."""
    return scaled_min("rubber.recoat_after_min", settings), scaled_min("rubber.recoat_before_min", settings)


def _rest_min(settings: Settings) -> tuple[float, float]:
    """Return the rest before the jacket goes on: warmth does not shorten it below about a day."""
    card = settings.number("rubber.jacket_after_min")
    rest = max(scaled_min("rubber.jacket_after_min", settings), min(card, _DAY_MIN))
    return rest, rest


def _base_rows(base: Base, settings: Settings) -> list[_Row]:
    """Return the base coats."""
    thickness = np.diff(base.depths_mm, prepend=0.0)
    volumes = np.diff(base.within_mm3, prepend=0.0)
    crown = settings.number("rubber.crown_percent") / 100.0
    rows = [
        _Row(
            name="detail coat", thickness_mm=float(thickness[0]), volume_mm3=float(volumes[0]),
            least_mm=min(base.detail_least_mm, float(thickness[0])), run_off_mm3=base.run_off_mm3,
            thickened=False,
        )
    ]  # fmt: skip
    rows.extend(
        _Row(
            name=f"thickened coat {n}",
            thickness_mm=float(thickness[n]),
            least_mm=crown * float(thickness[n]),
            volume_mm3=float(volumes[n]),
        )
        for n in range(1, len(volumes))
    )
    return rows


def _draw_row(base: Base, volume: float) -> _Row:
    """Return the drawing out to the draft: as many passes as its thickest place needs, out to nothing."""
    passes = max(math.ceil(base.drawn_depth_mm / base.thick_mm - 1e-9), 1)
    return _Row(
        name="drawing out to the draft", thickness_mm=base.drawn_depth_mm / passes, least_mm=0.0,
        volume_mm3=volume, passes=passes,
    )  # fmt: skip


def _level_row(name: str, volume: float, depth: float, thick: float) -> _Row:
    """Return what is laid up to its depth in even passes where nothing slides."""
    passes = max(math.ceil(depth / thick - 1e-9), 1)
    each = depth / passes
    return _Row(name=name, thickness_mm=each, least_mm=each, volume_mm3=volume, passes=passes)


def _extra_rows(half: Half, near: DistanceGrid, base: Base, settings: Settings) -> list[_Row]:
    """Return the extra passes of every undercut that the base coats do not fill."""
    skin = float(base.depths_mm[-1])
    within = _region_volumes(half.undercut.gaps, near, np.array([skin, crumb_from_mm(skin, settings)]))
    tree: cKDTree | None = None
    rows: list[_Row] = []
    for region in half.undercut.regions:
        to_skin, to_crumb, filled = (float(volume) for volume in _scaled(region, within))
        beyond = filled - to_skin
        if region.mouths == 0 or beyond <= _NO_PASS * region.volume_mm3:
            continue
        if tree is None:
            tree = cKDTree(_surface_points(half, max(skin, 2.0 * near.cell_mm)))
        deepest = _deepest_mm(half.undercut.gaps, region.id, tree) - skin
        if deepest <= _NO_PASS * skin:
            continue
        passes = max(math.ceil(deepest / base.thick_mm - 1e-9), 1)
        rows.append(
            _Row(
                name=f"extra in undercut {region.id}", thickness_mm=deepest / passes, least_mm=0.0,
                volume_mm3=beyond, passes=passes, region=region.id, crumb_mm3=filled - to_crumb,
            )
        )  # fmt: skip
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
