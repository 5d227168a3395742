"""True to scale: which scale, and from millimetres of the thing to millimetres of paper."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from moldplan.views.paper import Box, Point

#: Reductions of ISO 5455, and one more step for what is larger than any shop builds.
SCALES = (1, 2, 5, 10, 20, 50, 100, 200)
#: Enlargements and reductions of details.
DETAIL_SCALES = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20)
#: Corners of outlines that lie nearer to the straight line than this, in paper mm, are left out.
_FLAT_MM = 0.02


@dataclass(frozen=True, kw_only=True)
class Scale:
    """A drawing's scale 1 : `ratio`, and the point of the thing that lies at paper point `at`.

    A `mirrored` drawing runs to the left where the thing runs to the right: it is looked at from behind.
    """

    ratio: float
    middle_mm: Point
    at: Point
    mirrored: bool = False

    @property
    def text(self) -> str:
        """The scale as it is written, "1:10" or "2:1"."""
        return f"1:{self.ratio:g}" if self.ratio >= 1 else f"{1 / self.ratio:g}:1"

    def shape(self, shape: BaseGeometry) -> BaseGeometry:
        """Return geometry in paper mm."""
        share = 1.0 / self.ratio
        dx, dy = self.at[0] - self.middle_mm[0] * self._across, self.at[1] - self.middle_mm[1] * share
        return affinity.affine_transform(shape, [self._across, 0.0, 0.0, share, dx, dy])

    def point(self, x_mm: float, y_mm: float) -> Point:
        """Return one point in paper mm."""
        x = self.at[0] + (x_mm - self.middle_mm[0]) * self._across
        return x, self.at[1] + (y_mm - self.middle_mm[1]) / self.ratio

    def box(self, bounds: Box) -> Box:
        """Return a box in paper mm, its left side first even when the drawing is mirrored."""
        (x0, low), (x1, high) = self.point(bounds[0], bounds[1]), self.point(bounds[2], bounds[3])
        return min(x0, x1), low, max(x0, x1), high

    @property
    def _across(self) -> float:
        return -1.0 / self.ratio if self.mirrored else 1.0 / self.ratio


def drawn(shape: BaseGeometry, scale: Scale) -> BaseGeometry:
    """Return geometry in paper mm, without corners that are too fine to be seen."""
    return scale.shape(shape.simplify(_FLAT_MM * scale.ratio))


def fitting_scale(bounds_mm: Box, room: Box, *, upright: Literal["middle", "low"] = "middle") -> Scale:
    """Return the largest scale of `SCALES` at which `bounds_mm` fits into `room` (paper mm).

    The drawing stands in the middle of the room, or low in it. The last step is taken when none fits.
    """
    width, height = bounds_mm[2] - bounds_mm[0], bounds_mm[3] - bounds_mm[1]
    fits = [s for s in SCALES if width / s <= room[2] - room[0] and height / s <= room[3] - room[1]]
    share = 0.5 if upright == "middle" else 0.0
    return Scale(
        ratio=fits[0] if fits else SCALES[-1],
        middle_mm=(0.5 * (bounds_mm[0] + bounds_mm[2]), bounds_mm[1] + share * height),
        at=(0.5 * (room[0] + room[2]), room[1] + share * (room[3] - room[1])),
    )


def round_steps(most: float, *, at_most: int = 5) -> list[float]:
    """Return equal steps 0, s, 2s ... that just reach over `most`: s is 1, 2 or 5 times a power of ten."""
    if most <= 0.0:
        return [0.0, 1.0]
    rough = most / at_most
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(float(power * k) for k in (1, 2, 5, 10) if power * k >= rough * (1 - 1e-12))
    return [step * k for k in range(int(np.ceil(most / step - 1e-9)) + 1)]
