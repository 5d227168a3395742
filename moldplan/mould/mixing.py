"""How a coat of rubber is mixed: shares by weight and by volume, and how many pots."""

import math
from typing import Final

from moldplan.cards.model import Settings
from moldplan.mould.cure import scaled_min
from moldplan.mould.model import Mixes, Share

#: A pot that would be fuller by less than this share is not divided again: rounding.
_ROUNDING: Final = 1e-9


def mixes_for(brushed_kg: float, settings: Settings, *, thickened: bool, passes: int = 1) -> Mixes:
    """Return how `brushed_kg` of one coat is mixed, in pots that are all alike.

    Parameters
    ----------
    brushed_kg
        What is brushed on in all passes together, 0 or more.
    settings
        Reads ``rubber.*`` (mixing rule, densities, pot life), ``shop.*`` (pot, temperature), ``crew.*``
        (brushes).
    thickened
        Whether the thickener goes in: not into the detail coat, which has to run into the detail.
    passes
        Passes the coat is laid in; each is mixed afresh, because the last one has to set first.

    Returns
    -------
    Mixes
        The shares add up to the pot, the pots to `brushed_kg`. No pots for no rubber.

    Notes
    -----
    A pot holds no more than its fill (the rest is head room), and no more than the hands at it can lay
    within the pot life at the shop's temperature. Volumes are taken to add up. Thickened coats all have the
    same shares: small passes laid on the same day may share a pot.
    """
    parts = _parts_of_one(settings, thickened=thickened)
    life_min = scaled_min("rubber.pot_life_min", settings)
    laid_kg_min = settings.number("crew.brushes") * settings.number("crew.brush_kg_h") / 60.0
    most_kg = min(_pot_kg(parts, settings), laid_kg_min * life_min)
    each_pass = math.ceil(brushed_kg / passes / most_kg * (1.0 - _ROUNDING))
    count = passes * each_pass
    each_kg = brushed_kg / count if count else 0.0
    return Mixes(
        count=count,
        each_kg=each_kg,
        shares=tuple(
            Share(name=name, mass_g=1000.0 * share * each_kg, volume_ml=1000.0 * share * each_kg / density)
            for name, share, density in parts
        ),
        pot_life_min=life_min,
        brush_min=each_kg / laid_kg_min,
    )


def _parts_of_one(settings: Settings, *, thickened: bool) -> tuple[tuple[str, float, float], ...]:
    """Return name, share by mass and density (kg/l) of what one kilogram of mix is made of.

    Part B, or the catalyst, goes by the mass of the first part; the thickener by the mass of both.
    """
    addition = settings.text("rubber.cure") == "addition"
    names = ("part A", "part B") if addition else ("base", "catalyst")
    second = settings.number("rubber.part_b_percent") / 100.0
    thickener = settings.number("rubber.thixotrope_percent") / 100.0 if thickened else 0.0
    both = 1.0 / (1.0 + thickener)
    parts = (
        (names[0], both / (1.0 + second), settings.number("rubber.density_kg_l")),
        (names[1], both * second / (1.0 + second), settings.number("rubber.part_b_density_kg_l")),
    )
    if thickener == 0.0:
        return parts
    return (*parts, ("thickener", both * thickener, settings.number("rubber.thixotrope_density_kg_l")))


def _pot_kg(parts: tuple[tuple[str, float, float], ...], settings: Settings) -> float:
    """Return what a pot holds below its head room."""
    litres_per_kg = sum(share / density for _, share, density in parts)
    return settings.number("shop.pot_l") * settings.number("shop.pot_fill_percent") / 100.0 / litres_per_kg
