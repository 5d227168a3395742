"""Turning a half over: what it weighs and how many people the guideline filter asks for.

A filter for a first look, no permission: it takes the mass as if lifted whole, while a half is mostly rolled
on one edge, and it knows nothing of grip, floor or people. A qualified person decides, and local codes apply.

What is turned is jacket, rubber and what is inside them: the pattern the first time, a cast later. The
pattern's screws are drawn from below before, so that the board stays behind; clamped on, it is turned too and
comes on top.
"""

from dataclasses import dataclass
from typing import Final

from moldplan.cards.model import Settings
from moldplan.half.model import Half
from moldplan.mould.board import jacketing_mm
from moldplan.mould.laminate import cast_kg_m2
from moldplan.mould.model import LaidRubber
from moldplan.units import kg

#: Printed wherever lifting or turning is spoken of.
CAUTION: Final = "a qualified person decides; local codes apply"

#: Largest team there is a rule for; over it nothing says how much of the sum is lifted.
_LARGEST_TEAM: Final = 3


@dataclass(frozen=True, kw_only=True)
class Turning:
    """What turning takes. `people` is the least team by the filter, None when a mechanical aid is needed.

    `parts_kg` are the masses apart: jacket, rubber, pattern, cast, board; `mass_kg` is what is turned at
    once, the heavier of pattern and cast in it and the board not.
    """

    text: str
    mass_kg: float
    people: int | None
    parts_kg: tuple[tuple[str, float], ...]


def team_limit_kg(people: int, settings: Settings) -> float:
    """Return what a team of 1, 2 or 3 lifts by the guideline filter, kg.

    Two lift two-thirds of the sum and three half of it (guidance to the Manual Handling Operations
    Regulations 1992); there is no rule for four or more.

    Raises
    ------
    ValueError
        For any other number of people.
    """
    if not 1 <= people <= _LARGEST_TEAM:
        raise ValueError(f"there is a team rule for 1 to {_LARGEST_TEAM} people, got {people}")
    one_kg = settings.number("crew.lift_one_kg")
    shares = (1.0, settings.number("crew.team_two_share"), settings.number("crew.team_three_share"))
    return people * one_kg * shares[people - 1]


def crew_limit_kg(settings: Settings) -> float:
    """Return what the shop's own crew turns without a mechanical aid, kg: the best team within it."""
    people = int(settings.number("crew.people"))
    best = max(team_limit_kg(team, settings) for team in range(1, people + 1))
    return min(best, settings.number("crew.aid_over_kg"))


def plan_turning(half: Half, rubber: LaidRubber, jacket_kg: float, settings: Settings) -> Turning:
    """Return what it takes to turn over one half in its jacket.

    Parameters
    ----------
    half, rubber, jacket_kg
        What is turned. The first time the pattern's half is in the rubber, later a cast: the heavier counts.
    settings
        crew.*, pattern.foam_density_kg_m3, cast.*, board.*.
    """
    pattern_kg = half.volume_mm3 * 1e-9 * settings.number("pattern.foam_density_kg_m3")
    cast_kg = rubber.inner_area_mm2 * 1e-6 * cast_kg_m2(settings)
    inside = f"pattern {kg(pattern_kg)}" if pattern_kg >= cast_kg else f"cast {kg(cast_kg)}"
    mass_kg = jacket_kg + rubber.mass_kg + max(pattern_kg, cast_kg)
    board_kg = _board_kg(rubber, settings)
    people = _least_team(mass_kg, settings)
    parts = f"{kg(mass_kg)} to turn (jacket {kg(jacket_kg)}, rubber {kg(rubber.mass_kg)}, {inside})"
    board = f"its board of {kg(board_kg)} freed first"
    return Turning(
        text=f"{parts}, {board}: {_who(people, settings)}; {CAUTION}",
        mass_kg=mass_kg,
        people=people,
        parts_kg=(
            ("jacket", jacket_kg),
            ("rubber", rubber.mass_kg),
            ("pattern", pattern_kg),
            ("cast", cast_kg),
            ("board", board_kg),
        ),
    )


def _board_kg(rubber: LaidRubber, settings: Settings) -> float:
    """Return the mass of the board, without battens, as large as the jacket's flange needs it."""
    x_mm, y_mm = jacketing_mm(rubber, settings)
    return x_mm * y_mm * 1e-6 * settings.number("board.sheet_kg_m2")


def _least_team(mass_kg: float, settings: Settings) -> int | None:
    """Return the least team that may turn `mass_kg`, None when none may."""
    if mass_kg > settings.number("crew.aid_over_kg"):
        return None
    teams = range(1, _LARGEST_TEAM + 1)
    return next((team for team in teams if mass_kg <= team_limit_kg(team, settings)), None)


def _who(people: int | None, settings: Settings) -> str:
    """Return who turns the half, in plain words with the limit."""
    if people is None:
        limit = min(team_limit_kg(_LARGEST_TEAM, settings), settings.number("crew.aid_over_kg"))
        return f"over the {limit:.1f} kg filter for three people, use a turning frame or hoist"
    team = "one person" if people == 1 else f"{people} people"
    return f"{team} by the filter of {team_limit_kg(people, settings):.1f} kg"
