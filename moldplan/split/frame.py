"""The figure's own frame, and one name for each plane: n and -n are the same plane."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.pattern.model import Axis, axis_vector
from moldplan.split.model import Plane
from moldplan.tolerances import REL_EPSILON

Floats = NDArray[np.float64]

#: What the two sides of a plane are called, by the figure axis its normal lies nearest to.
SIDES: Final = (("FRONT", "BACK"), ("LEFT", "RIGHT"), ("TOP", "BOTTOM"))


def figure_axes(up: Axis, front: Axis) -> Floats:
    """Return the figure's front, its own left and its up as rows (3, 3) in the file's axes.

    Left is up cross front: for a figure that stands along +z and looks along -y it is +x.

    Raises
    ------
    SettingError
        When up and front lie along the same axis.
    """
    if up[1] == front[1]:
        raise SettingError(
            f"up {up} and front {front} lie along the same axis; give a front that is level, such as --front "
            f"{'+x' if up[1] != 'x' else '+y'}"
        )
    u, f = axis_vector(up), axis_vector(front)
    return np.stack([f, np.cross(u, f), u])


def leading_axis(in_figure: Floats) -> int:
    """Return which figure axis (0 front, 1 left, 2 up) a direction lies nearest to.

    Of axes that are equally near the first counts, so that rounding never chooses.
    """
    sizes = np.abs(in_figure)
    return int(np.argmax(sizes >= sizes.max() * (1.0 - REL_EPSILON)))


def facing(in_figure: Floats) -> float:
    """Return +1.0 when a direction (figure's frame) is the one its plane goes by, else -1.0."""
    return 1.0 if in_figure[leading_axis(in_figure)] > 0.0 else -1.0


def canonical_plane(plane: Plane, *, up: Axis, front: Axis) -> Plane:
    """Return the same plane with the normal everybody uses for it.

    Parameters
    ----------
    plane
        Any plane; its normal need not be turned in any particular way.
    up, front
        Which way the figure stands and looks, in the file's axes.

    Returns
    -------
    Plane
        `plane`, or the plane of -n and -offset when n points mostly to the figure's back, right or bottom.
        Half A is therefore always the FRONT, LEFT or TOP half.

    Raises
    ------
    SettingError
        When up and front lie along the same axis.
    """
    sign = facing(figure_axes(up, front) @ plane.array())
    x, y, z = plane.normal
    # "+ 0.0" turns a negative zero into a plain one: the two print differently
    return Plane(
        normal=(sign * x + 0.0, sign * y + 0.0, sign * z + 0.0), offset_mm=sign * plane.offset_mm + 0.0
    )


def called(normal: tuple[float, float, float], up: Axis, front: Axis) -> tuple[str, str]:
    """Return what people call half A (the side `normal` points to) and half B.

    FRONT and BACK, LEFT and RIGHT (the figure's own), or TOP and BOTTOM, by the figure axis that the normal
    lies nearest to; of axes that are equally near the first in that order.

    Raises
    ------
    SettingError
        When up and front lie along the same axis.
    """
    in_figure = figure_axes(up, front) @ np.array(normal, dtype=np.float64)
    first, second = SIDES[leading_axis(in_figure)]
    return (first, second) if facing(in_figure) > 0.0 else (second, first)
