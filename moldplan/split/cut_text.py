"""A cutting plane as people write it: NX,NY,NZ@OFFSET."""

import math
from typing import NoReturn

from moldplan.errors import SettingError
from moldplan.split.model import Plane


def parse_cut(text: str) -> Plane:
    """Return the plane written as ``NX,NY,NZ@OFFSET``, such as ``0,1,0@-12.5``.

    Parameters
    ----------
    text
        The normal in the file's axes (any length but zero), then the offset in mm of the scaled figure
        along it from the middle of the bounding box; "mm" may stand behind it. Spaces do not count.

    Returns
    -------
    Plane
        With a normal of unit length; half A lies on the side it points to.

    Raises
    ------
    SettingError
        When the text is written in any other way, a number is not finite or the normal has no length.
    """
    normal_text, at, offset_text = "".join(text.split()).partition("@")
    if not at:
        _refuse(text, "there is no @ between normal and offset")
    parts = normal_text.split(",")
    if len(parts) != 3:
        _refuse(text, f"the normal has {len(parts)} numbers where 3 are needed")
    x, y, z = (_number(part, text) for part in parts)
    length = math.hypot(x, y, z)
    if length == 0.0 or not math.isfinite(length):
        _refuse(text, "the normal has no usable length")
    offset = _number(offset_text.removesuffix("mm"), text)
    return Plane(normal=(x / length + 0.0, y / length + 0.0, z / length + 0.0), offset_mm=offset)


def _number(part: str, text: str) -> float:
    """Return one finite number of `text`."""
    try:
        value = float(part)
    except ValueError:
        _refuse(text, f"{part!r} is not a number")
    if not math.isfinite(value):
        _refuse(text, f"{part!r} is not a finite number")
    return value


def _refuse(text: str, why: str) -> NoReturn:
    """Refuse a plane, and show how one is written."""
    raise SettingError(
        f"cut {text!r}: {why}; write NX,NY,NZ@OFFSET with the offset in mm from the middle of the figure, "
        "for example 0,1,0@-12.5"
    ) from None
