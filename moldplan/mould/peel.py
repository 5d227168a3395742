"""How the rubber comes off a cast: what has to stretch or bend, where, in which order, and what may break.

1. Closed bands: the band round every neck of the half has to pass over what stands on it
   (`moldplan.mould.bands`).
2. Open lips: an undercut that lies on one side of the half only lets its rubber bend out to that side
   (`moldplan.mould.lips`), one lip for every named undercut that has a mouth.
3. What governs: a band whose undercuts, all those between its neck and its bulge taken together, are open to
   one side needs no stretching, the lip counts in its place; else the band counts, whatever lips there are.
   Rubber that goes round is held on the far side while a lip opens on the near one.
4. The order of peeling (`moldplan.mould.peel_order`), and slender parts of the cast that may break
   (`moldplan.mould.brittle`).

Errors: those of bands and lips. Friction, and a vacuum behind the rubber, are not in here.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPoint

from moldplan.cards.model import Settings
from moldplan.columns.sideways import Room
from moldplan.half.model import Half
from moldplan.mould.bands import Band, branch_bands
from moldplan.mould.brittle import Grip, thin_parts
from moldplan.mould.lips import Columns, Lip, columns_of, lip_of, room_round
from moldplan.mould.model import Peel, PeelPlace, Rubber
from moldplan.mould.peel_order import Hold, order_of

Floats = NDArray[np.float64]


def plan_peel(half: Half, rubber: Rubber, settings: Settings) -> Peel:
    """Plan how the rubber over one half comes off its cast.

    Parameters
    ----------
    half
        The half on its board; a cast of it has the same shape.
    rubber
        The rubber over it: its skin, outer face and edge.
    settings
        Reads ``rubber.elongation_percent``, ``mould.peel_share_percent``, ``mould.peel_most_percent`` and
        ``cast.paste_width_mm``.

    Returns
    -------
    Peel
        `strain` and `place_mm` are those of the worst place, 0 and None where nothing has to give. `allowed`
        is the card's share of the break elongation, at most the card's most.

    Notes
    -----
    Method and accuracy: see the module. About 0.6 s for a half of 50 000 triangles.
    """
    room = room_round(half, rubber)
    bands = branch_bands(half)
    holds = _holds(half, rubber, bands, room=room)
    limit_mm = settings.number("cast.paste_width_mm")
    thin = thin_parts(
        half, room, [Grip(place=hold.place, band=hold.band) for hold in holds], limit_mm=limit_mm
    )
    worst, allowed = (holds[0].place if holds else None), allowed_strain(settings)
    return Peel(
        strain=0.0 if worst is None else worst.strain,
        allowed=allowed,
        place_mm=None if worst is None else worst.place_mm,
        places=tuple(hold.place for hold in holds),
        order=order_of(half, rubber, holds, thin, allowed=allowed),
        thin=tuple(gripped.part for gripped in thin),
    )


def allowed_strain(settings: Settings) -> float:
    """Return how far peeling may stretch the rubber, 1.0 is 100 %."""
    share = settings.number("mould.peel_share_percent") / 100.0
    stretch = settings.number("rubber.elongation_percent") * share
    return min(stretch, settings.number("mould.peel_most_percent")) / 100.0


def _holds(half: Half, rubber: Rubber, bands: Sequence[Band], *, room: Room) -> list[Hold]:
    """Return every place that holds the rubber, the worst first (steps 1 to 3)."""
    gaps = half.undercut.gaps
    holds = []
    for region in half.undercut.regions:
        lip = None
        if region.mouths == 1:  # through a tunnel rubber hangs together with that on the other side
            columns = columns_of(gaps, gaps.region == region.id)
            lip = lip_of(columns, room, skin_mm=rubber.skin_mm)
        if lip is not None:
            holds.append(_lip_hold(lip, region.id))
    holds.extend(_governing(half, rubber, band, room=room) for band in bands)
    return sorted(_once(holds), key=lambda hold: (-hold.place.strain, hold.place.place_mm[::-1]))


def _governing(half: Half, rubber: Rubber, band: Band, *, room: Room) -> Hold:
    """Return what holds the rubber at a neck: its band, or the lip that spares the band its stretch."""
    columns, region = _under(half, band)
    lip = None if columns is None else lip_of(columns, room, skin_mm=rubber.skin_mm)
    return _band_hold(band, rubber, region) if lip is None else _lip_hold(lip, region)


def _under(half: Half, band: Band) -> tuple[Columns | None, int | None]:
    """Return the gaps that a band comes past, and the undercut that it belongs to.

    The band comes past all that is under its bulge down to the board. Its undercut is the one with the most
    gap between neck and bulge. No gaps at all are returned where a tunnel is among them: rubber that hangs
    together through it is no lip.
    """
    gaps = half.undercut.gaps
    x, y = gaps.grid.x_mm()[gaps.col], gaps.grid.y_mm()[gaps.row]
    high = np.minimum(gaps.high_mm, band.bulge_mm)
    under = (high > gaps.low_mm) & shapely.contains_xy(MultiPoint(band.bulge).convex_hull, x, y)
    height = np.where(under, high - np.maximum(gaps.low_mm, band.place_mm[2]), 0.0)
    if not (height > 0.0).any():
        return None, None
    region = int(np.argmax(np.bincount(gaps.region, weights=np.maximum(height, 0.0))))
    tunnels = [one.id for one in half.undercut.regions if one.mouths != 1]
    if np.isin(gaps.region[under], tunnels).any():
        return None, region
    xy = np.stack([x[under], y[under]], axis=1)
    return Columns(xy_mm=xy, low_mm=gaps.low_mm[under], high_mm=high[under]), region


def _once(holds: Sequence[Hold]) -> list[Hold]:
    """Return the holds with one lip for each undercut, the worse one."""
    kept: dict[tuple[int | None, bool], Hold] = {}
    rest = []
    for hold in holds:
        key = (hold.place.region, hold.way is not None)
        if hold.way is None or hold.place.region is None:
            rest.append(hold)
        elif key not in kept or hold.place.strain > kept[key].place.strain:
            kept[key] = hold
    return [*kept.values(), *rest]


def _band_hold(band: Band, rubber: Rubber, region: int | None) -> Hold:
    """Return a band as a place: the rubber there is as thick as the bulge stands out over the neck."""
    neck = MultiPoint(band.neck).convex_hull
    stands_out = float(shapely.distance(neck, shapely.points(band.bulge)).max())
    return Hold(
        place=PeelPlace(
            place_mm=band.place_mm, strain=band.strain, model="band",
            thickness_mm=stands_out + rubber.skin_mm, region=region,
        ),
        band=band,
    )  # fmt: skip


def _lip_hold(lip: Lip, region: int | None) -> Hold:
    """Return a lip as a place."""
    place = PeelPlace(
        place_mm=lip.place_mm, strain=lip.strain, model="lip", thickness_mm=lip.thickness_mm, region=region
    )
    return Hold(place=place, way=lip.towards)
