"""Ribs of the jacket, and the pieces of one too large: where they run and what they take.

Both are lines seen from above, along the board's own axes so that a shop marks them with a square. On the
jacket a line is longer than seen from above: by about as much as the jacket's area is larger than the ground
it covers.
"""

import math
from typing import Final

import numpy as np
from shapely.geometry.base import BaseGeometry

from moldplan.cards.model import Settings
from moldplan.mould.model import Parting
from moldplan.mould.outline import Line2, bounds_of, length_mm, lines_across

#: A share of a span that nobody measures.
_SNUG: Final = 1e-6


def plan_ribs(skin: BaseGeometry, ground: BaseGeometry, settings: Settings) -> tuple[Line2, ...]:
    """Return the ribs of a jacket as lines seen from above.

    Parameters
    ----------
    skin
        What the jacket covers inside its flange; the flange is stiff by itself.
    ground
        Skin and flange: ribs run out over the flange to its edge.
    settings
        jacket.rib_span_mm.

    Returns
    -------
    tuple
        Ribs across the longer side so that nothing is free over more than the card's span along it, then
        ribs along it, if the shorter side is over the span.
    """
    size, _ = bounds_of(skin)
    longer = 0 if size[0] >= size[1] else 1
    span_mm = settings.number("jacket.rib_span_mm")
    across, along = (
        lines_across(ground, along=axis, at_mm=_inner_places(skin, axis, span_mm))
        for axis in (longer, 1 - longer)
    )
    return (*across, *along)


def plan_parting(
    ground: BaseGeometry, mass_kg: float, stretch: float, flange_kg_mm2: float, settings: Settings
) -> Parting | None:
    """Return how to make a jacket in pieces, None when it may be whole.

    Parameters
    ----------
    ground
        What the jacket covers, flange and all.
    mass_kg
        Its mass in one piece.
    stretch
        How much longer a line on the jacket is than seen from above.
    flange_kg_mm2
        Mass of flange by its area.
    settings
        jacket.whole_mm, jacket.whole_kg, jacket.bolt_mm, jacket.flange_width_mm.

    Notes
    -----
    Parted square to the longer side into equal lengths: as few pieces as are within both the length and the
    mass, if the mass were spread evenly.
    """
    size, _ = bounds_of(ground)
    longer = 0 if size[0] >= size[1] else 1
    by_length = size[longer] / settings.number("jacket.whole_mm")
    pieces = math.ceil(max(by_length, mass_kg / settings.number("jacket.whole_kg")) * (1.0 - _SNUG))
    if pieces <= 1:
        return None
    lines = lines_across(ground, along=longer, at_mm=_inner_places(ground, longer, size[longer] / pieces))
    spacing_mm = settings.number("jacket.bolt_mm")
    bolts = sum(bolt_count(stretch * length_mm([line]), spacing_mm, closed=False) for line in lines)
    whole_mm = stretch * length_mm(lines)
    both_mm2 = 2.0 * whole_mm * settings.number("jacket.flange_width_mm")
    return Parting(
        pieces=pieces, lines_mm=lines, length_mm=whole_mm, bolts=bolts, mass_kg=flange_kg_mm2 * both_mm2
    )


def bolt_count(line_mm: float, spacing_mm: float, *, closed: bool) -> int:
    """Return how many bolts a flange line takes, no farther apart than `spacing_mm`.

    An open line has one at either end, so one more than a closed loop of the same length.
    """
    spaces = max(1, math.ceil(line_mm / spacing_mm * (1.0 - _SNUG)))
    return spaces if closed else spaces + 1


def _inner_places(shape: BaseGeometry, axis: int, span_mm: float) -> list[float]:
    """Return the fewest even places along `axis` that part a shape into lengths of at most `span_mm`."""
    low, high = shape.bounds[axis], shape.bounds[axis + 2]
    count = max(1, math.ceil((high - low) / span_mm * (1.0 - _SNUG)))
    return [float(place) for place in np.linspace(low, high, count + 1)[1:-1]]
