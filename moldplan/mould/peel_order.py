"""In which order the rubber is taken off a cast, in words for the brief.

The free edge first; then what comes with the skin; the lips from the least strain up; undercuts that are
neither lip nor band; the bands from the least strain up. So as much rubber as can be is free and gives way
when the worst place comes. Equal strains from the board up.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from moldplan.half.model import Half
from moldplan.mould.bands import Band, strain_text
from moldplan.mould.brittle import Gripped
from moldplan.mould.model import PeelPlace, PeelStep, Point3, Rubber
from moldplan.mould.places import place_words, towards

#: Lips of less strain than this come away with the skin and are not told apart in the order.
EASY_STRAIN: Final = 0.02

#: What is done about an undercut that is neither lip nor band.
LOOSE: Final = (
    "open to no one side, work the rubber loose with the fingers from the mouth inwards, a little at a time"
)


@dataclass(frozen=True, kw_only=True)
class Hold:
    """A place that holds the rubber: a lip with the way (unit, on the board) it bends out, or a band."""

    place: PeelPlace
    way: tuple[float, float] | None = None
    band: Band | None = None


def order_of(
    half: Half, rubber: Rubber, holds: Sequence[Hold], thin: Sequence[Gripped], *, allowed: float
) -> tuple[PeelStep, ...]:
    """Return the steps of taking the rubber off, in order and in words.

    Parameters
    ----------
    half, rubber
        The half and the rubber over it.
    holds
        Every place that holds the rubber.
    thin
        Parts of the cast that may break; they are named in the step of their undercut.
    allowed
        Strain that peeling may use; a step that needs more says that the rubber is cut first.
    """
    lips = sorted((hold for hold in holds if hold.way is not None), key=_by_strain)
    bands = sorted((hold for hold in holds if hold.way is None), key=_by_strain)
    easy = [hold for hold in lips if hold.place.strain < EASY_STRAIN]
    steps = [_edge(half, rubber)]
    if easy:
        steps.append((easy[0].place.place_mm, _easy_text(easy), None))
    steps.extend(_lip_step(half, hold, _mind(half, hold, thin, allowed)) for hold in lips[len(easy) :])
    steps.extend(_loose_steps(half, holds))
    steps.extend(_band_step(half, hold, _mind(half, hold, thin, allowed)) for hold in bands)
    steps.append(_last(half))
    return tuple(
        PeelStep(number=number, place_mm=place, text=text, region=region)
        for number, (place, text, region) in enumerate(steps, start=1)
    )


_Step = tuple[Point3, str, int | None]


def _by_strain(hold: Hold) -> tuple[float, ...]:
    """Order from the least strain up, equal ones from the board up."""
    return (hold.place.strain, *hold.place.place_mm[::-1])


def _edge(half: Half, rubber: Rubber) -> _Step:
    """Return the first step: the free edge. Its place is the end of the edge nearest the figure's foot."""
    corners = shapely.get_coordinates(rubber.edge_line)
    foot = np.array(half.up_xy if any(half.up_xy) else half.front_xy if any(half.front_xy) else (0.0, 1.0))
    if not len(corners):
        return (0.0, 0.0, 0.0), "free the edge on the board all round", None
    x, y = min(corners.tolist(), key=lambda at: (round(float(foot @ at), 3), at))
    return (x, y, 0.0), "free the edge on the board all round", None


def _easy_text(easy: Sequence[Hold]) -> str:
    """Return the step of all that comes away with the skin."""
    numbers = sorted({hold.place.region for hold in easy if hold.place.region is not None})
    if not numbers:
        return "what bends hardly at all comes away with the skin"
    named = f"undercut{'s' if numbers[1:] else ''} {_listed(numbers)}"
    return f"{named} {'come' if numbers[1:] else 'comes'} away with the skin as it is rolled up from the edge"


def _listed(numbers: Sequence[int]) -> str:
    """Return numbers as people list them: "1, 2 and 5"."""
    words = [str(number) for number in numbers]
    return " and ".join([", ".join(words[:-1]), words[-1]]) if words[1:] else words[0]


def _named(hold: Hold, other: str) -> str:
    """Return what to call a place: its undercut, or `other`."""
    return other if hold.place.region is None else f"undercut {hold.place.region}"


def _lip_step(half: Half, hold: Hold, mind: str) -> _Step:
    """Return the step that bends a lip out."""
    place, way = hold.place, hold.way or (0.0, 0.0)
    text = (
        f"{_named(hold, 'lip')}, {_where(half, place.place_mm)}: roll it back "
        f"{_side(half, way)}; it bends by {strain_text(place.strain)}{mind}"
    )
    return place.place_mm, text, place.region


def _side(half: Half, way: tuple[float, float]) -> str:
    """Return a direction on the board in words."""
    return towards(half, (way[0], way[1], 0.0)).removesuffix(", level")


def _loose_steps(half: Half, holds: Sequence[Hold]) -> list[_Step]:
    """Return the step of undercuts with a mouth that are neither lip nor held by a band, if there are any."""
    held = {hold.place.region for hold in holds}
    loose = [one for one in half.undercut.regions if one.mouths > 0 and one.id not in held]
    if not loose:
        return []
    if loose[1:]:
        return [(loose[0].centre_mm, f"undercuts {_listed([one.id for one in loose])}: {LOOSE}", None)]
    where = _where(half, loose[0].centre_mm)
    return [(loose[0].centre_mm, f"undercut {loose[0].id}, {where}: {LOOSE}", loose[0].id)]


def _band_step(half: Half, hold: Hold, mind: str) -> _Step:
    """Return the step that stretches a band over its bulge."""
    place = hold.place
    near = "" if place.region is None else f" (undercut {place.region})"
    text = (
        f"neck{near}, {_where(half, place.place_mm)}: roll the rubber up evenly all round and over what "
        f"stands on it; it stretches by {strain_text(place.strain)}{mind}"
    )
    return place.place_mm, text, place.region


def _mind(half: Half, hold: Hold, thin: Sequence[Gripped], allowed: float) -> str:
    """Return what to mind at a step: too much strain, and thin parts of the cast that this place grips."""
    over = (
        f", over the {strain_text(allowed)} allowed: cut the rubber here first"
        if hold.place.strain > allowed
        else ""
    )
    mine = [part for part in thin if part.grip.place == hold.place]
    if not mine:
        return over
    many = "parts" if mine[1:] else "part"
    where = "; ".join(_where(half, part.part.place_mm) for part in mine)
    return f"{over}; hold the thin {many} of the cast by hand meanwhile ({where})"


def _where(half: Half, place: Point3) -> str:
    """Return a place in words."""
    words = place_words(half, place)
    on_board = ", 0.0 mm up"
    return f"{words.removesuffix(on_board)}, at the board" if words.endswith(on_board) else words


def _last(half: Half) -> _Step:
    """Return the last step."""
    text = "lift the rubber off, look it over for tears and lay it back into its jacket"
    return (float(half.vertices[:, 0].mean()), float(half.vertices[:, 1].mean()), half.height_mm), text, None
