"""Quantities as text: read once at the boundary, printed once for people.

Inside moldplan every number is mm, kg, min or degrees with the unit in its name. Only here does text with
a unit become such a number, and only here does a number become text for a person.
"""

import math
import re
from collections.abc import Mapping
from difflib import get_close_matches
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal, cast

from moldplan.errors import UnitError

if TYPE_CHECKING:
    from pint import UnitRegistry

Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]

LENGTH_UNITS: Final = ("mm", "cm", "m", "in", "ft")

#: Unit names a person may write, by the unit they are converted to. The first of each is what errors suggest.
_WRITABLE: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType({
    "mm": LENGTH_UNITS,
    "m2": ("m2", "cm2", "mm2", "ft2"),
    "kg": ("kg", "g", "lb"),
    "kg/l": ("kg/l", "g/l", "g/cm3", "kg/m3"),
    "kg/m3": ("kg/m3", "g/l", "kg/l", "g/cm3"),
    "g/m2": ("g/m2", "kg/m2", "oz/ft2"),
    "kg/m2": ("kg/m2", "g/m2"),
    "Pa": ("Pa", "kPa"),
    "kPa": ("kPa", "Pa"),
    "Pa s": ("Pa s", "mPa s"),
    "l": ("l", "ml", "gal"),
    "kg/m": ("kg/m", "g/m", "lb/ft"),
    "kg/h": ("kg/h", "g/min", "lb/h"),
    "h": ("h", "min", "day"),
    "min": ("min", "s", "h", "day"),
    "deg": ("deg", "rad"),
    "degC": ("degC", "degF", "K"),
    "%": ("%",),
})  # fmt: skip

#: Ways of writing the same unit.
_SPELLINGS: Final[Mapping[str, str]] = MappingProxyType({
    "°": "deg", "°C": "degC", "C": "degC", "°F": "degF", "F": "degF", "percent": "%", "d": "day",
    "days": "day",
    "hour": "h", "hours": "h", "hr": "h", "minutes": "min", "minute": "min", "degree": "deg",
    "degrees": "deg",
    "inch": "in", "inches": "in", '"': "in", "foot": "ft", "feet": "ft", "metre": "m", "metres": "m",
    "meter": "m", "meters": "m", "millimetre": "mm", "millimetres": "mm", "millimeter": "mm",
    "millimeters": "mm", "L": "l", "kg/L": "kg/l", "g/L": "g/l", "lbs": "lb",
})  # fmt: skip

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?")
_LONGEST_TEXT = 60  # no quantity is longer; a longer text is a mistake and would only fill the screen


def parse_length_mm(text: str, *, what: str = "length") -> float:
    """Return the length that `text` says, in mm.

    Parameters
    ----------
    text
        A number and one of mm, cm, m, in, ft: ``"1.5 m"``, ``"1500mm"``, ``"1,5 m"``.
    what
        What the length is, for the error message.

    Returns
    -------
    float
        Greater than zero and finite.

    Raises
    ------
    UnitError
        When there is no unit, another kind of unit, a comma that could be read two ways, or a length
        that is not above zero and finite.
    """
    length_mm = parse_quantity(text, "mm", what=what)
    if length_mm <= 0.0:
        raise UnitError(f"{what} {_quoted(text)} is not above zero: write a length like 1500 mm")
    return length_mm


def parse_quantity(text: str, unit: str, *, what: str = "value") -> float:
    """Return the number that `text` says, converted to `unit`.

    Parameters
    ----------
    text
        A number and a unit of the same kind as `unit`; when `unit` is empty, a number alone.
    unit
        One of the units moldplan's settings are held in ("mm", "kg/l", "Pa", "min", "%" ...), or "".
    what
        What the quantity is, for the error message.

    Raises
    ------
    UnitError
        When the text is no such quantity.
    """
    number, written = _split(text, what, unit)
    if not unit:
        if written:
            raise UnitError(f"{what} {_quoted(text)} takes no unit: write {number:g}")
        return number
    if not written:
        raise UnitError(_unitless(number, unit, what))
    name = _SPELLINGS.get(written, written)
    if name not in _WRITABLE[unit]:
        raise UnitError(_wrong_unit(text, written, unit, what))
    converted = _convert(number, name, unit)
    if not math.isfinite(converted):
        raise UnitError(f"{what} {_quoted(text)} is too large to be used: check the number")
    return converted


def parse_axis(text: str, *, what: str = "axis") -> Axis:
    """Return the axis that `text` names: "+z", "z" (the same) or "-y", in either case.

    Raises
    ------
    UnitError
        When it names none of the six.
    """
    name = text.strip().lower()
    name = name if name[:1] in {"+", "-"} else f"+{name}"
    if name not in {"+x", "-x", "+y", "-y", "+z", "-z"}:
        raise UnitError(f"{what} {_quoted(text)} names no axis: write one of +x, -x, +y, -y, +z, -z")
    return cast("Axis", name)


def writable_units(unit: str) -> tuple[str, ...]:
    """Return the unit names a person may write where moldplan holds `unit`; none when `unit` is empty."""
    return _WRITABLE.get(unit, ())


def same_kind(unit: str, other: str) -> bool:
    """Tell whether a value in `other` may stand where moldplan holds `unit`."""
    name = _SPELLINGS.get(other, other)
    return name == unit or name in _WRITABLE.get(unit, ())


def kg(mass_kg: float) -> str:
    """Return a mass for people, to three figures: "28.4 kg"."""
    return f"{_figures(mass_kg)} kg"


def mm(length_mm: float) -> str:
    """Return a length for people: whole mm from 10 up, one decimal below: "1482 mm", "2.4 mm"."""
    return f"{length_mm:.0f} mm" if abs(length_mm) >= 9.95 else f"{length_mm:.1f} mm"


def litres(volume_mm3: float) -> str:
    """Return a volume for people, to three figures: "12.6 l"."""
    return f"{_figures(volume_mm3 / 1e6)} l"


def m2(area_mm2: float) -> str:
    """Return an area for people, to three figures: "1.52 m2"."""
    return f"{_figures(area_mm2 / 1e6)} m2"


def _figures(number: float) -> str:
    """Return `number` to three significant figures, never in powers of ten, not below 0.001."""
    if abs(number) < 0.0005:
        return "0"
    three = float(f"{number:.2e}")
    decimals = min(max(2 - math.floor(math.log10(abs(three))), 0), 3)
    return f"{three:.{decimals}f}"


def _quoted(text: str) -> str:
    """Return `text` for a message: in quotes, on one line, not too long."""
    short = text if len(text) <= _LONGEST_TEXT else f"{text[:_LONGEST_TEXT]}..."
    return repr(short)


def _split(text: str, what: str, unit: str) -> tuple[float, str]:
    """Return the number and the unit name in `text`."""
    stripped = text.strip()
    match = _NUMBER.match(stripped) if len(stripped) <= _LONGEST_TEXT else None
    example = f"a number and a unit like 12 {_WRITABLE[unit][0]}" if unit else "a number alone"
    if match is None:
        raise UnitError(f"{what} {_quoted(text)} does not begin with a number: write {example}")
    written = stripped[match.end() :].strip()
    if written[:1] in {",", "."} or re.match(r"\d", written):
        raise UnitError(f"{what} {_quoted(text)} cannot be read as one number: write {example}")
    number = float(_decimal(match[0], text, what))
    if not math.isfinite(number):
        raise UnitError(f"{what} {_quoted(text)} is too large to be used: check the number")
    return number, written


def _decimal(number: str, text: str, what: str) -> str:
    """Return `number` with a point for a decimal comma, refusing one that could group thousands."""
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", number):
        one, other = number.replace(",", "."), number.replace(",", "")
        raise UnitError(
            f"{what} {_quoted(text)} can be read as {one} or as {other}: write it with a point or no comma"
        )
    return number.replace(",", ".")


def _unitless(number: float, unit: str, what: str) -> str:
    """Return the message for a number without its unit."""
    if unit == "mm":
        shown = f"{number:g} mm, {number / 1000:g} m, {number / 25.4:.4g} in"
        return f"{what} {number:g} carries no unit: write {shown} or another length with its unit"
    choices = " or ".join(f"{number:g} {name}" for name in _WRITABLE[unit][:2])
    return f"{what} {number:g} carries no unit: write {choices}"


def _wrong_unit(text: str, written: str, unit: str, what: str) -> str:
    """Return the message for a unit that is unknown or of another kind."""
    allowed = ", ".join(_WRITABLE[unit])
    known = {name for names in _WRITABLE.values() for name in names}
    if _SPELLINGS.get(written, written) in known:
        return f"{what} {_quoted(text)} is of another kind: its unit must be one of {allowed}"
    near = get_close_matches(written, [*_WRITABLE[unit], *_SPELLINGS], n=1)
    hint = f"; did you mean {_SPELLINGS.get(near[0], near[0])}?" if near else ""
    return f"{what} {_quoted(text)} has a unit that is not known here: use one of {allowed}{hint}"


@lru_cache(maxsize=1)
def _registry() -> "UnitRegistry[float]":
    """Return pint's registry, built once."""
    from pint import UnitRegistry  # noqa: PLC0415  # takes half a second: only when a unit is converted

    return UnitRegistry()


def _convert(number: float, name: str, unit: str) -> float:
    """Return `number` of `name` in `unit`; both are of one kind."""
    if name == unit:
        return number
    quantity = _registry().Quantity(number, _pint_name(name))
    return float(quantity.to(_pint_name(unit)).magnitude)


def _pint_name(name: str) -> str:
    """Return a unit's name as pint writes it: powers with two stars."""
    return re.sub(r"(?<=[a-z])([23])\b", r"**\1", name)
