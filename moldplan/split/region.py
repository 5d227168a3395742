"""Which directions a split may have: a level one, one within a cone, or both.

A direction and its opposite are one. The seam stands upright when the plane's normal is level, so the upright
directions are a great circle; those within so many degrees of a wished pull are a round patch of the
sphere. Both together are an arc, or nothing at all when the pull points too steeply up or down: then the
pull counts more, and the direction of the patch that is nearest to level is taken.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError

Floats = NDArray[np.float64]

#: Steps of a scan along a great circle, deg ...
CIRCLE_STEP_DEG: Final = 1.0
#: ... and over a patch of the sphere, deg.
PATCH_STEP_DEG: Final = 2.0
#: A small region is looked at in at least so many directions, a large patch in about so many at most.
LEAST_LOOKS: Final = 60
MOST_LOOKS: Final = 700
#: Angles that differ by less are equal, deg.
ANGLE_EPSILON: Final = 1e-9
#: A vector shorter than this points nowhere (sine of the angle to an axis).
NO_LENGTH: Final = 1e-12


@dataclass(frozen=True, kw_only=True)
class Region:
    """The directions that a shop allows; nothing wished allows them all.

    Directions are unit vectors (3,) in the file's axes, and so is `up` of the methods, the figure's own up.

    Raises
    ------
    SettingError
        When the pull has no length or a number of it is not finite, or the angle is not within 0 to 90 deg.
    """

    upright: bool = False
    """Whether the seam is to stand upright: the plane's normal level."""
    pull: tuple[float, float, float] | None = None
    """A direction, any length but zero, that one of the halves is to come off along; None wishes nothing."""
    within_deg: float = 10.0
    """How far the plane's normal may be off `pull`, 0 to 90 deg."""

    def __post_init__(self) -> None:
        """Refuse what is no direction or no angle."""
        if not 0.0 <= self.within_deg <= 90.0:
            raise SettingError(f"within_deg: got {self.within_deg}, allowed 0 to 90 deg off the pull")
        if self.pull is not None:
            length = math.hypot(*self.pull) if len(self.pull) == 3 else 0.0
            if not 0.0 < length < math.inf:
                raise SettingError(
                    f"pull {self.pull}: a direction is three finite numbers, not all zero, such as (0, 1, 0)"
                )

    def broken_deg(self, direction: Floats, *, up: Floats) -> tuple[float, float]:
        """Return by how many degrees a direction is off level, and by how many outside the cone.

        0 where nothing is wished, or the wish holds.
        """
        steep = _elevation_deg(direction, up) if self.upright else 0.0
        pull = self._pull()
        outside = 0.0 if pull is None else max(_between_deg(direction, pull) - self.within_deg, 0.0)
        return steep, outside

    def empty(self, *, up: Floats) -> bool:
        """Return whether the two wishes contradict each other: no level direction lies in the cone."""
        pull = self._pull()
        if pull is None or not self.upright:
            return False
        return _elevation_deg(pull, up) > self.within_deg + ANGLE_EPSILON

    def nearest(self, direction: Floats, *, up: Floats) -> Floats:
        """Return the allowed direction (3,) nearest to a unit `direction`, on its own side where both serve.

        When the wishes contradict each other, the direction of the cone that is nearest to level; with a pull
        straight up or down all of the cone's rim is, and the nearest of that is taken.
        """
        pull = self._pull()
        if pull is None:
            return _level(direction, up) if self.upright else direction
        pull = pull if direction @ pull >= 0.0 else -pull
        if not self.upright:
            return _towards(pull, direction, self.within_deg)
        level = _level(pull, up, otherwise=direction)
        steep = _elevation_deg(pull, up)
        if steep > self.within_deg + ANGLE_EPSILON:
            return _turned(pull, level, self.within_deg)
        aside = _level(direction, up, otherwise=pull)
        return _towards(level, aside if aside @ level >= 0.0 else -aside, self._arc_deg(steep))

    def samples(self, *, up: Floats) -> tuple[Floats, float]:
        """Return allowed directions (k, 3) spread evenly, and how far (deg) any other one is from these.

        None is left out of a region that holds all directions: it needs no samples of its own, and gets a
        patch over half the sphere.
        """
        pull = self._pull()
        if pull is None:
            level, _ = _square_axes(up)
            return _arc(level, up, 90.0) if self.upright else _patch(up, 90.0)
        if not self.upright:
            return _patch(pull, self.within_deg)
        steep = _elevation_deg(pull, up)
        if steep <= self.within_deg + ANGLE_EPSILON:
            return _arc(_level(pull, up), up, self._arc_deg(steep))
        if steep < 90.0 - ANGLE_EPSILON:
            return self.nearest(pull, up=up)[None], 0.0
        rim, cover = _arc(_square_axes(up)[0], up, 180.0)  # all of the rim is as near to level
        return np.array([self.nearest(point + up, up=up) for point in rim]), cover

    def _pull(self) -> Floats | None:
        """Return the pull at unit length."""
        if self.pull is None:
            return None
        pull = np.array(self.pull, dtype=np.float64)
        return np.asarray(pull / np.linalg.norm(pull))

    def _arc_deg(self, steep_deg: float) -> float:
        """Return how far level directions within the cone reach either side of its middle, deg.

        From ``cos(off the pull) = cos(steep) cos(along the circle)`` (derived, right spherical triangle).
        """
        cosine = math.cos(math.radians(self.within_deg)) / math.cos(math.radians(steep_deg))
        return math.degrees(math.acos(min(max(cosine, 0.0), 1.0)))


def _between_deg(one: Floats, other: Floats) -> float:
    """Return the angle between two lines, 0 to 90 deg; exact for small angles too."""
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(one, other))), abs(float(one @ other))))


def _elevation_deg(direction: Floats, up: Floats) -> float:
    """Return how far a direction is off level, 0 to 90 deg."""
    return 90.0 - _between_deg(direction, up)


def _square_axes(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors square to `axis` and to each other."""
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(axis)))] = 1.0
    first = helper - (helper @ axis) * axis
    first = first / np.linalg.norm(first)
    return np.asarray(first), np.asarray(np.cross(axis, first))


def _level(direction: Floats, up: Floats, *, otherwise: Floats | None = None) -> Floats:
    """Return the level direction nearest to one; of a vertical one, that nearest to `otherwise`."""
    for wanted in (direction, otherwise):
        if wanted is not None:
            flat = wanted - (wanted @ up) * up
            length = float(np.linalg.norm(flat))
            if length > NO_LENGTH:
                return np.asarray(flat / length)
    return _square_axes(up)[0]


def _towards(middle: Floats, direction: Floats, most_deg: float) -> Floats:
    """Return `direction`, or the nearest that is at most `most_deg` off `middle`."""
    if middle @ direction > 0.0 and _between_deg(middle, direction) <= most_deg + ANGLE_EPSILON:
        return direction
    return _turned(middle, direction, most_deg)


def _turned(middle: Floats, direction: Floats, by_deg: float) -> Floats:
    """Return `middle` turned by an angle towards `direction`."""
    aside = direction - (direction @ middle) * middle
    length = float(np.linalg.norm(aside))
    aside = aside / length if length > NO_LENGTH else _square_axes(middle)[0]
    angle = math.radians(by_deg)
    return np.asarray(math.cos(angle) * middle + math.sin(angle) * aside)


def _arc(middle: Floats, pole: Floats, reach_deg: float) -> tuple[Floats, float]:
    """Return directions along a great circle square to `pole`, `reach_deg` either side, and their cover."""
    side = np.cross(pole, middle)
    looks = max(math.ceil(2.0 * reach_deg / CIRCLE_STEP_DEG), LEAST_LOOKS) if reach_deg > 0.0 else 0
    angles = np.radians(np.linspace(-reach_deg, reach_deg, looks + 1))
    half_step = 0.0 if looks == 0 else reach_deg / looks
    return np.cos(angles)[:, None] * middle + np.sin(angles)[:, None] * side, half_step


def _patch(middle: Floats, reach_deg: float) -> tuple[Floats, float]:
    """Return directions on rings round `middle` out to `reach_deg`, and their cover.

    A point lies half a ring's distance from a ring at most, and half a step from a direction along it.
    """
    if reach_deg <= 0.0:
        return middle[None], 0.0
    area = 2.0 * math.pi * (1.0 - math.cos(math.radians(reach_deg)))  # of the patch, of a unit sphere
    finest, coarsest = (math.degrees(math.sqrt(area / looks)) for looks in (MOST_LOOKS, LEAST_LOOKS))
    step = min(max(PATCH_STEP_DEG, finest), coarsest)
    rings = math.ceil(reach_deg / step)
    first, second = _square_axes(middle)
    found = [middle[None]]
    for ring in range(1, rings + 1):
        off = math.radians(reach_deg * ring / rings)
        count = math.ceil(2.0 * math.pi * math.sin(off) / math.radians(step))
        round_it = 2.0 * math.pi * (np.arange(count) + 0.5 * (ring % 2)) / count
        aside = np.cos(round_it)[:, None] * first + np.sin(round_it)[:, None] * second
        found.append(math.cos(off) * middle + math.sin(off) * aside)
    return np.concatenate(found), math.hypot(0.5 * reach_deg / rings, 0.5 * step)
