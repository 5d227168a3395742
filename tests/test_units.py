"""Quantities as text: what is read, what is refused and in which words, what people are shown."""

import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moldplan.errors import InputError, UnitError
from moldplan.units import (
    kg,
    litres,
    m2,
    mm,
    parse_axis,
    parse_length_mm,
    parse_quantity,
    same_kind,
    writable_units,
)

# Exact by definition: 1 in = 25.4 mm, 1 ft = 12 in (international inch of 1959).
LENGTHS = [
    ("1500 mm", 1500.0),
    ("1500mm", 1500.0),
    ("  1500  mm ", 1500.0),
    ("150cm", 1500.0),
    ("1.5 m", 1500.0),
    ("1.5m", 1500.0),
    ("1,5 m", 1500.0),
    ("0,500 m", 500.0),
    ("1,50 m", 1500.0),
    ("1500,5 mm", 1500.5),
    (".5 m", 500.0),
    ("+2. m", 2000.0),
    ("1.5e3 mm", 1500.0),
    ("1 metre", 1000.0),
    ("60 in", 1524.0),
    ('60"', 1524.0),
    ("5 ft", 1524.0),
    ("5 feet", 1524.0),
]


@pytest.mark.parametrize(("text", "length_mm"), LENGTHS)
def test_a_length_is_read(text: str, length_mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(length_mm, rel=1e-12)


REFUSED = [
    ("1500", r"height 1500 carries no unit: write 1500 mm, 1\.5 m, 59\.06 in or another length"),
    ("1,5", r"height 1\.5 carries no unit"),
    ("", r"height '' does not begin with a number: write a number and a unit like 12 mm"),
    ("mm", r"height 'mm' does not begin with a number"),
    ("tall", r"height 'tall' does not begin with a number"),
    ("nan mm", r"height 'nan mm' does not begin with a number"),
    ("inf mm", r"height 'inf mm' does not begin with a number"),
    ("1e999 mm", r"height '1e999 mm' is too large to be used"),
    ("1e308 ft", r"height '1e308 ft' is too large to be used"),
    ("0 mm", r"height '0 mm' is not above zero: write a length like 1500 mm"),
    ("-0.0 m", r"height '-0.0 m' is not above zero"),
    ("-3 m", r"height '-3 m' is not above zero"),
    ("5 kg", r"height '5 kg' is of another kind: its unit must be one of mm, cm, m, in, ft"),
    ("5 deg", r"height '5 deg' is of another kind"),
    ("5 furlong", r"height '5 furlong' has a unit that is not known here: use one of mm, cm, m, in, ft"),
    ("5 mmm", r"has a unit that is not known here: .*; did you mean mm\?"),
    ("5'", r"has a unit that is not known here"),
    ("5 MM", r"has a unit that is not known here"),
    ("1,500 mm", r"height '1,500 mm' can be read as 1\.500 or as 1500: write it with a point or no comma"),
    ("12,345 mm", r"can be read as 12\.345 or as 12345"),
    ("1.500,5 mm", r"height '1\.500,5 mm' cannot be read as one number"),
    ("1,500.5 mm", r"height '1,500\.5 mm' cannot be read as one number|can be read as"),
    ("1 500 mm", r"height '1 500 mm' cannot be read as one number"),
    ("5 ft 3 in", r"has a unit that is not known here"),
    ("2*3 mm", r"has a unit that is not known here"),
    ("9" * 400 + " mm", r"does not begin with a number"),
    ("1 mm\n2 mm", r"height '1 mm\\n2 mm' has a unit that is not known here"),
]


@pytest.mark.parametrize(("text", "message"), REFUSED)
def test_what_is_no_length_is_refused_in_one_line(text: str, message: str) -> None:
    with pytest.raises(UnitError, match=message) as raised:
        parse_length_mm(text, what="height")
    assert "\n" not in str(raised.value)
    assert len(str(raised.value)) < 250


def test_a_unit_error_is_an_input_error() -> None:
    with pytest.raises(InputError, match="carries no unit"):
        parse_length_mm("3")


# Exact by definition: 1 d = 24 h, 1 kPa = 1000 Pa, 1 lb = 0.45359237 kg, 0 degC = 273.15 K.
QUANTITIES = [
    ("1.15 g/cm3", "kg/l", 1.15),
    ("1150 kg/m3", "kg/l", 1.15),
    ("1150 g/l", "kg/l", 1.15),
    ("0.02 kg/l", "kg/m3", 20.0),
    ("0.45 kg/m2", "g/m2", 450.0),
    ("625 g/m2", "kg/m2", 0.625),
    ("0.05 kPa", "Pa", 50.0),
    ("4 h", "min", 240.0),
    ("1 day", "min", 1440.0),
    ("1,5 h", "min", 90.0),
    ("300 s", "min", 5.0),
    ("68 degF", "degC", 20.0),
    ("20 °C", "degC", 20.0),
    ("20 C", "degC", 20.0),
    ("293.15 K", "degC", 20.0),
    ("15 %", "%", 15.0),
    ("15%", "%", 15.0),
    ("-5 degC", "degC", -5.0),
    ("7000 cm2", "m2", 0.7),
    ("10 lb", "kg", 4.5359237),
    ("3.141592653589793 rad", "deg", 180.0),
    ("3", "", 3.0),
]


@pytest.mark.parametrize(("text", "unit", "value"), QUANTITIES)
def test_a_quantity_is_converted(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12, abs=1e-10)


def test_a_number_alone_takes_no_unit() -> None:
    with pytest.raises(UnitError, match=r"plies '3 mm' takes no unit: write 3"):
        parse_quantity("3 mm", "", what="plies")


def test_a_bare_number_is_told_the_units_of_its_kind() -> None:
    with pytest.raises(UnitError, match=r"cure 60 carries no unit: write 60 min or 60 s"):
        parse_quantity("60", "min", what="cure")
    with pytest.raises(UnitError, match=r"extra 15 carries no unit: write 15 %"):
        parse_quantity("15", "%", what="extra")


@given(st.floats(min_value=1e-3, max_value=1e6), st.sampled_from(["mm", "cm", "m", "in", "ft"]))
def test_every_length_comes_back(number: float, unit: str) -> None:
    per_mm = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}[unit]
    assert parse_length_mm(f"{number!r} {unit}") == pytest.approx(number * per_mm, rel=1e-12)


@given(st.text(max_size=80))
def test_no_text_does_more_than_be_refused(text: str) -> None:
    try:
        length_mm = parse_length_mm(text)
    except UnitError as error:
        message = str(error)
    else:
        message = ""
        assert 0.0 < length_mm < math.inf
    assert "\n" not in message


@pytest.mark.parametrize("axis", ["+x", "-x", "+y", "-y", "+z", "-z"])
def test_every_axis_is_read(axis: str) -> None:
    assert parse_axis(axis) == axis
    assert parse_axis(f" {axis.upper()} ") == axis


def test_an_axis_without_a_sign_is_the_positive_one() -> None:
    assert [parse_axis(axis) for axis in "xyz"] == ["+x", "+y", "+z"]


@pytest.mark.parametrize("text", ["", "+", "up", "++z", "w", "+zz", "z+", "1"])
def test_what_is_no_axis_is_refused(text: str) -> None:
    with pytest.raises(UnitError, match=r"up .* names no axis: write one of \+x, -x, \+y, -y, \+z, -z"):
        parse_axis(text, what="up")


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (kg(28.44), "28.4 kg"), (kg(0.0), "0 kg"), (kg(5.25), "5.25 kg"), (kg(9.996), "10.0 kg"),
        (kg(123.4), "123 kg"), (kg(1234.0), "1230 kg"), (kg(0.0431), "0.043 kg"), (kg(-2.5), "-2.50 kg"),
        (mm(1482.4), "1482 mm"), (mm(2.44), "2.4 mm"), (mm(9.96), "10 mm"), (mm(0.0), "0.0 mm"),
        (litres(12.62e6), "12.6 l"), (litres(98765.0), "0.099 l"), (litres(99.96e6), "100 l"),
        (m2(1.5234e6), "1.52 m2"), (m2(0.25e6), "0.250 m2"),
    ],
)  # fmt: skip
def test_people_are_shown_three_figures(shown: str, text: str) -> None:
    assert shown == text


@given(st.floats(min_value=1.0, max_value=1e5))
def test_what_is_shown_is_within_half_a_unit_of_the_third_figure(mass_kg: float) -> None:
    assert float(kg(mass_kg).removesuffix(" kg")) == pytest.approx(mass_kg, rel=0.00501)


def test_kinds_of_units() -> None:
    assert same_kind("mm", "cm")
    assert same_kind("%", "percent")
    assert same_kind("", "")
    assert not same_kind("mm", "kg")
    assert not same_kind("", "mm")
    assert writable_units("") == ()
    assert writable_units("mm") == ("mm", "cm", "m", "in", "ft")


def test_the_unit_library_is_loaded_only_to_convert() -> None:
    code = (
        "import sys; from moldplan.units import parse_length_mm as p\n"
        "p('5 mm'); first = 'pint' in sys.modules\n"
        "p('5 m'); print(first, 'pint' in sys.modules)"
    )
    root = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.split() == ["False", "True"]
