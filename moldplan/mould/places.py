"""Directions and places of a half in words: the figure's head and foot, front and back, its own left."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.half.model import Half
from moldplan.mould.model import Point3
from moldplan.tolerances import REL_EPSILON
from moldplan.units import mm

Floats = NDArray[np.float64]

#: What either end of the figure's axes (front, left, up) is called.
ENDS: Final = (("front", "back"), ("left", "right"), ("head end", "foot end"))
#: The figure's axis that lies along the pull, by what the half is called: its number and its sign.
_ALONG_PULL: Final = {
    "FRONT": (0, 1.0), "BACK": (0, -1.0), "LEFT": (1, 1.0), "RIGHT": (1, -1.0), "TOP": (2, 1.0),
    "BOTTOM": (2, -1.0), "WHOLE": (0, 1.0),
}  # fmt: skip
#: A second word is said from this share of a level direction on: 22.5 degrees off the first.
_SECOND_WORD: Final = math.sin(math.radians(22.5))
#: Lower than this a direction counts as level.
_LEVEL_DEG: Final = 4.0


def towards(half: Half, direction: Point3) -> str:
    """Return a direction in the half's frame in words: "towards the head end and up 20 deg".

    "Up" is away from the board; left and right are the figure's own.
    """
    level = math.hypot(direction[0], direction[1])
    rise_deg = math.degrees(math.atan2(direction[2], level))
    if rise_deg > 90.0 - _LEVEL_DEG:
        return "straight up"
    words = "towards the " + " and the ".join(_heading(half, np.array([*direction[:2], 0.0]) / level))
    if abs(rise_deg) < _LEVEL_DEG:
        return f"{words}, level"
    return f"{words} and {'up' if rise_deg > 0.0 else 'down'} {abs(rise_deg):.0f} deg"


def place_words(half: Half, place: Point3) -> str:
    """Return a place in words: "120 mm towards the head end and 40 mm towards the left, 65 mm up".

    Measured on the board from under the middle of the figure's bounding box.
    """
    along = np.array(half.up_xy if any(half.up_xy) else half.front_xy if any(half.front_xy) else (0.0, 1.0))
    parts = []
    for axis in (along, np.array([along[1], -along[0]])):
        amount = float(axis @ place[:2])
        direction = np.array([*axis, 0.0]) * (1.0 if amount >= 0.0 else -1.0)
        parts.append(f"{mm(abs(amount))} towards the {_heading(half, direction)[0]}")
    return f"{' and '.join(parts)}, {mm(place[2])} up"


def _heading(half: Half, level: Floats) -> list[str]:
    """Return a unit direction along the board in one or two words, the nearest first."""
    shares = _figure(half) @ level
    order = np.argsort(-np.abs(shares), kind="stable")
    words = [ENDS[axis][0 if shares[axis] > 0.0 else 1] for axis in order]
    return words[:2] if abs(shares[order[1]]) > _SECOND_WORD else words[:1]


def _figure(half: Half) -> Floats:
    """Return the figure's front, left and up in the half's frame, as rows (3, 3).

    A half keeps where up and front lie on its board, and how the file's axes lie: up and front are those of
    the file's axes that are seen there. Two that are seen alike are told apart by what the half is called.
    """
    axes = np.concatenate([half.to_half[:3, :3].T, -half.to_half[:3, :3].T])
    number, sign = _ALONG_PULL[half.called]
    up_like = [_alike(axis, half.up_xy) for axis in axes]
    front_like = [_alike(axis, half.front_xy) for axis in axes]
    best, most = (0, 1), -math.inf
    for up in range(6):
        for front in range(6):
            if up % 3 == front % 3:
                continue
            rises = (axes[front, 2], _left_up(axes[up], axes[front]), axes[up, 2])
            worth = up_like[up] + front_like[front] + 0.1 * sign * float(rises[number])
            if worth > most:
                best, most = (up, front), worth
    up_axis, front_axis = axes[best[0]], axes[best[1]]
    return np.stack([front_axis, np.cross(up_axis, front_axis), up_axis])


def _left_up(up: Floats, front: Floats) -> float:
    """Return how far the figure's left, up cross front, points along the pull."""
    return float(up[0] * front[1] - up[1] * front[0])


def _alike(axis: Floats, seen: tuple[float, float]) -> float:
    """Return how near an axis, seen from above, comes to a unit direction on the board; (0, 0): upright."""
    level = math.hypot(axis[0], axis[1])
    if not any(seen):
        return 1.0 - level
    return float(axis[0] * seen[0] + axis[1] * seen[1]) / level if level > REL_EPSILON else -1.0
