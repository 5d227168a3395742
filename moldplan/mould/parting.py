"""Release as a table of pairs: which surfaces meet, what goes between them, how often, and how long it dries.

Common practice, no source, where nothing else is said: a place to begin. The data sheets of rubber, sealer
and release win over every line, and a pair that is new to the shop is tried on a scrap first. Waxing rigid
flanges five to seven times under a film release: Practical Action technical brief "Fibreglass boat building".

In the order of the work: pattern and board first, then what rubber and jacket meet, the cast last.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from moldplan.cards.model import Settings
from moldplan.half.model import Half
from moldplan.mould.model import RegionAdvice, ReleaseStep, Web
from moldplan.mould.places import place_words
from moldplan.mould.webs import is_stopped

#: What stands for "nothing between them, ever".
NEVER: Final = "nothing"

_WAX: Final = "paste wax"
_RIGID: Final = "paste wax, then film release"
_TWICE: Final = "release for silicone on silicone"

#: How long one coat dries, min.
_SEALER_MIN: Final = 60.0
_WAX_MIN: Final = 15.0
_FILM_MIN: Final = 30.0
_PATCH_MIN: Final = 1440.0


@dataclass(frozen=True, kw_only=True)
class Contact:
    """A place where new rubber meets cured rubber: in a web, or between the two parts of a plug."""

    web: Web
    kind: str
    """ "web" or "plug"."""


_PATTERN: Final = ReleaseStep(
    surface="sealed pattern", against="rubber", agent="hard coat, sealer, then release", coats=2,
    dry_min=_SEALER_MIN,
    text="foam keys into rubber, and paste-wax solvent and aerosols melt it: hard coat, two coats of sealer, "
    "then a release that does not melt foam",
)  # fmt: skip

_PATCH: Final = ReleaseStep(
    surface="sealed pattern", against="rubber", agent="test patch of rubber, 50 x 50 mm", coats=1,
    dry_min=_PATCH_MIN, stop=True,
    text="hold point: 50 x 50 mm of rubber on the real sealed and released surface for 24 h; go on only when "
    "it is cured through and lifts clean (sulphur, tin, amines, latex, fresh polyester keep it from curing)",
)  # fmt: skip

_BOARD: Final = ReleaseStep(
    surface="board", against="rubber", agent=_WAX, coats=2, dry_min=_WAX_MIN,
    text="stick the clay wall to the bare board first, then wax inside it: clay slips on wax",
)  # fmt: skip

_FLANGE: Final = ReleaseStep(
    surface="board", against="jacket flange", agent=_RIGID, coats=5, dry_min=_WAX_MIN,
    text="after the wall is stripped and the rubber edge trimmed: clean the board, five to seven coats of "
    "wax, then a film release; the flange lies on bare board",
)  # fmt: skip

_JACKET: Final = ReleaseStep(
    surface="rubber", against="jacket", agent=NEVER, coats=0, dry_min=0.0,
    text="polyester lifts off silicone unaided: no wax on rubber",
)  # fmt: skip

_PIECE: Final = ReleaseStep(
    surface="loose jacket piece", against="rubber", agent=NEVER, coats=0, dry_min=0.0,
    text="polyester lifts off silicone unaided: no wax on rubber",
)  # fmt: skip

_PIECES: Final = ReleaseStep(
    surface="loose jacket piece", against="jacket", agent=_RIGID, coats=5, dry_min=_WAX_MIN,
    text="rigid on rigid: five to seven coats of wax on the piece, then a film release, before the jacket is "
    "laid up over it",
)  # fmt: skip

_PLUG: Final = ReleaseStep(
    surface="plug", against="rubber", agent=_RIGID, coats=2, dry_min=_WAX_MIN,
    text="seal the plug and wax it, so that it slides out of the rubber before the rubber is peeled",
)  # fmt: skip

_CAST: Final = ReleaseStep(
    surface="rubber", against="cast", agent=NEVER, coats=0, dry_min=0.0,
    text="no wax on rubber: it goes to the cast and ruins paint; brush or blow the rubber clean, look for "
    "tears",
)  # fmt: skip


def plan_release(
    half: Half, webs: Sequence[Web], advice: Sequence[RegionAdvice], settings: Settings
) -> tuple[ReleaseStep, ...]:
    """Return what goes between every two surfaces that meet in one half's mould, in the order of the work.

    Parameters
    ----------
    half
        The half on its board.
    webs
        Its webs (`moldplan.mould.webs.find_webs`).
    advice
        What is done about its undercuts (`moldplan.mould.remedies.advise`).
    settings
        Reads ``rubber.cure``.

    Returns
    -------
    tuple of ReleaseStep
        ``coats`` 0 and the agent `NEVER` where nothing may go between. ``dry_min`` is for each coat. Work
        stops at those with ``stop``: the test patch under addition cure, and each place where new rubber
        meets cured rubber.
    """
    chosen = {one.chosen.kind for one in advice}
    steps = [_PATTERN, _BOARD, _clay(settings)]
    if settings.text("rubber.cure") == "addition":
        steps.insert(1, _PATCH)
    if "plug" in chosen:
        steps.append(_PLUG)
    steps += [_rubber_on_rubber(half, contact) for contact in contacts(webs, advice)]
    steps.append(_FLANGE)
    if "loose piece" in chosen:
        steps += [_PIECE, _PIECES]
    return (*steps, _JACKET, _CAST)


def contacts(webs: Sequence[Web], advice: Sequence[RegionAdvice]) -> tuple[Contact, ...]:
    """Return where new rubber meets cured rubber: at each web, unless filler or carving takes it away.

    Small openings that are stopped up keep the rubber on either side apart.
    """
    kinds = {one.region: one.chosen.kind for one in advice}
    found = []
    for web in webs:
        kind = kinds.get(web.region) if web.region is not None else None
        if kind != "soften" and not is_stopped(web.size_mm):
            found.append(Contact(web=web, kind="plug" if kind == "plug" else "web"))
    return tuple(found)


def _clay(settings: Settings) -> ReleaseStep:
    """Return what goes between the clay wall and the rubber."""
    addition = settings.text("rubber.cure") == "addition"
    return ReleaseStep(
        surface="clay wall", against="rubber", agent=NEVER, coats=0, dry_min=0.0,
        text="sulphur-free clay only, smoothed: sulphur keeps addition-cure rubber from curing"
        if addition
        else "smooth the clay; rubber lifts off it",
    )  # fmt: skip


def _rubber_on_rubber(half: Half, contact: Contact) -> ReleaseStep:
    """Return the release of one contact of new rubber with cured rubber."""
    place = place_words(half, contact.web.place_mm)
    where = "at the web" if contact.kind == "web" else "between the two parts of the plug"
    return ReleaseStep(
        surface="cured rubber", against=f"rubber {where}", agent=_TWICE, coats=2, dry_min=_FILM_MIN,
        stop=True,
        text=f"silicone bonds to cured silicone {where}, {place}: two coats of release, tried on scraps of "
        "the same rubber first",
    )  # fmt: skip
