"""What a shop wishes of the split, as written: the tables ``[wishes]`` and ``[[keep_clean]]`` of a job file.

The command line says the same things in the same words, so what a text means is read here for both. Which
way the figure looks, and where its surface lies, is not known here: see `moldplan.choice.wishes`.
"""

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeVar

from moldplan.cards.lines import TomlText, nearest
from moldplan.errors import SettingError, UnitError
from moldplan.units import parse_length_mm, parse_quantity

Point = tuple[float, float, float]
_Read = TypeVar("_Read")

#: Words for a pull: the figure's own sides.
PULL_WORDS: Final = ("front", "back", "left", "right", "up", "down")
WISHES: Final = ("seam_upright", "pull", "within", "largest_board", "heaviest_half")

#: The ways to say where a patch lies.
WAYS: Final = ("box", "line", "marked", "colour")
_CLEAN: Final = ("name", *WAYS, "file")
_LONGEST_NAME: Final = 40  # a patch's name stands in a table and in sentences
_LONGEST_TEXT: Final = 300
_MOST_PATCHES: Final = 200
_MOST_POINTS: Final = 1000  # a chalk line is clicked by hand; more is some other list

TEMPLATE: Final = """
# What the split should be like. Options of moldplan split win over this table.
[wishes]
# The seam stands upright: the parting runs straight down, so that both halves stand like doors.
# seam_upright = true
# One half comes off this way: front, back, left, right, up or down (the figure's own sides), or x,y,z in
# the file's axes; and how far off that way it may be.
# pull = "front"
# within = "10 deg"
# No board is larger than this, either way round.
# largest_board = "2440 mm x 1220 mm"
# Turning over either half moves no more than this: jacket, rubber, and the pattern or cast in it.
# heaviest_half = "40 kg"

# Patches that the seam keeps off: a face, lettering, a crest. One [[keep_clean]] for each, with a short name
# and one way to say where it lies. Places are x,y,z in the file's axes, in mm of the scaled figure from the
# middle of its bounding box, as cut is written.

# A box, by two opposite corners:
# [[keep_clean]]
# name = "face"
# box = ["-120,-300,250", "120,-100,600"]

# A closed chalk line round the patch, by points on the surface in order, 3 or more:
# [[keep_clean]]
# name = "crest"
# line = ["0,-220,480", "60,-200,430", "0,-190,380", "-60,-200,430"]

# Vertices that were marked in a PLY: those where a property is not 0. Without file the pattern's own file is
# read; another file has to lie where the pattern's own does, in the same numbers.
# [[keep_clean]]
# name = "lettering"
# marked = "keep_clean"
# file = "painted.ply"

# Vertices painted in a colour, likewise:
# [[keep_clean]]
# name = "beak"
# colour = "#ff0000"
"""


@dataclass(frozen=True, kw_only=True)
class CleanFields:
    """One ``[[keep_clean]]`` table, checked. Of `box_mm`, `line_mm`, `marked` and `colour` just one is set.

    Places are mm from the middle of the figure's bounding box, in the file's axes.
    """

    name: str
    where: str
    """File and line, for messages."""
    box_mm: tuple[Point, Point] | None = None
    """Lowest and highest corner."""
    line_mm: tuple[Point, ...] | None = None
    marked: str | None = None
    colour: tuple[int, int, int] | None = None
    """Red, green and blue, 0 to 255."""
    file: Path | None = None
    """Seen from the job's folder; None is the pattern's own file."""


@dataclass(frozen=True, kw_only=True)
class WishFields:
    """The wishes of a job file, checked. What it leaves out is None."""

    seam_upright: bool | None = None
    pull: str | None = None
    within_deg: float | None = None
    largest_board_mm: tuple[float, float] | None = None
    heaviest_half_kg: float | None = None
    keep_clean: tuple[CleanFields, ...] = ()


def read_wish_fields(toml: TomlText) -> WishFields:
    """Read the wishes in a job file.

    Raises
    ------
    SettingError
        When a table holds an unknown name or a value that cannot be used; the message says file and line.
    """
    table = toml.table("wishes")
    for key in table:
        if key not in WISHES:
            where = toml.where(("wishes", key))
            raise SettingError(f"{where}: unknown name {key!r} in [wishes]: {nearest(key, WISHES)}")
    pull = _wish(toml, "pull", lambda text: (parse_pull(text), text)[1])
    return WishFields(
        seam_upright=_yes_or_no(toml, table.get("seam_upright")),
        pull=pull,
        within_deg=_wish(toml, "within", parse_within_deg),
        largest_board_mm=_wish(toml, "largest_board", parse_board_mm),
        heaviest_half_kg=_wish(toml, "heaviest_half", parse_half_kg),
        keep_clean=tuple(_keep_clean(toml)),
    )


def parse_pull(text: str, *, what: str = "pull") -> str | Point:
    """Return the direction written as one of `PULL_WORDS`, or as x,y,z at unit length.

    Raises
    ------
    SettingError
        When it is neither, or the three numbers have no length.
    """
    word = text.strip().lower()
    if word in PULL_WORDS:
        return word
    if "," not in word:
        raise SettingError(
            f"{what} {text!r} is no direction: {nearest(word, PULL_WORDS)} Or give three numbers x,y,z"
        )
    x, y, z = parse_point(text, what=what)
    length = math.hypot(x, y, z)
    if not 0.0 < length < math.inf:
        raise SettingError(f"{what} {text!r} points nowhere: give three numbers that are not all 0")
    return x / length + 0.0, y / length + 0.0, z / length + 0.0


def parse_within_deg(text: str, *, what: str = "within") -> float:
    """Return an angle from 0 to 90 deg.

    Raises
    ------
    UnitError
        When it is no angle with its unit.
    SettingError
        When it is below 0 or above 90 deg.
    """
    angle = parse_quantity(text, "deg", what=what)
    if not 0.0 <= angle <= 90.0:
        raise SettingError(f"{what} is {angle:g} deg, allowed is 0 to 90 deg off the pull")
    return angle


def parse_board_mm(text: str, *, what: str = "largest_board") -> tuple[float, float]:
    """Return the long and the short side of a board written "2440 mm x 1220 mm", in mm.

    The sides may stand either way round, and one unit may serve both.

    Raises
    ------
    SettingError
        When there are not two lengths.
    UnitError
        When a side is no length above zero with its unit.
    """
    sides = [side.strip() for side in re.split("[xX\u00d7]", text)]
    if len(sides) != 2:
        raise SettingError(f'{what} {text!r} is not two lengths: write it like "2440 mm x 1220 mm"')
    if re.fullmatch(r"[\d.,]+", sides[0]):
        sides[0] += re.sub(r"^[\d.,\s]+", "", sides[1])
    one, other = (parse_length_mm(side, what=what) for side in sides)
    return max(one, other), min(one, other)


def parse_half_kg(text: str, *, what: str = "heaviest_half") -> float:
    """Return a mass above zero in kg.

    Raises
    ------
    UnitError
        When it is no mass with its unit.
    SettingError
        When it is not above zero.
    """
    mass = parse_quantity(text, "kg", what=what)
    if mass <= 0.0:
        raise SettingError(f"{what} {text!r} is not above zero: write a mass like 40 kg")
    return mass


def parse_point(text: str, *, what: str) -> Point:
    """Return the place or direction written ``x,y,z``; "mm" may stand behind it. Spaces do not count.

    Raises
    ------
    SettingError
        When there are not three finite numbers.
    """
    parts = "".join(text.split()).removesuffix("mm").split(",")
    try:
        numbers = [float(part) for part in parts]
    except ValueError as error:
        raise SettingError(f"{what} {text!r} is not three numbers: write x,y,z like 0,-220,480") from error
    if len(numbers) != 3 or not all(math.isfinite(number) for number in numbers):
        raise SettingError(f"{what} {text!r} is not three numbers: write x,y,z like 0,-220,480")
    return numbers[0], numbers[1], numbers[2]


def parse_colour(text: str, *, what: str = "colour") -> tuple[int, int, int]:
    """Return red, green and blue (0 to 255) of a colour written like "#ff0000".

    Raises
    ------
    SettingError
        When it is written in any other way.
    """
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", text.strip()):
        raise SettingError(f'{what} {text!r} is no colour: write # and six digits 0-9 a-f, like "#ff0000"')
    red, green, blue = bytes.fromhex(text.strip()[1:])
    return red, green, blue


def _yes_or_no(toml: TomlText, value: object) -> bool | None:
    """Return the wish for an upright seam."""
    if value is not None and not isinstance(value, bool):
        where = toml.where(("wishes", "seam_upright"))
        raise SettingError(f"{where}: seam_upright is {value!r}: write true or false, without quotes")
    return value


def _wish(toml: TomlText, name: str, parse: Callable[[str], _Read]) -> _Read | None:
    """Return one wish that is written as text."""
    value = toml.table("wishes").get(name)
    if value is None:
        return None
    where = toml.where(("wishes", name))
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = f"{value}"  # complained about as a number without a unit
    return _located(lambda: parse(_text(value, name)), where)


def _text(value: object, name: str) -> str:
    """Return a value that has to be a text of one line."""
    if not isinstance(value, str) or not value.strip():
        raise SettingError(f'{name} is {value!r}, which is no text: write {name} = "..."')
    if len(value) > _LONGEST_TEXT or not value.isprintable():
        raise SettingError(f"{name} is longer than {_LONGEST_TEXT} characters or runs over lines")
    return value.strip()


def _located(parse: Callable[[], _Read], where: str) -> _Read:
    """Return what `parse` reads, its complaint with file and line."""
    try:
        return parse()
    except (SettingError, UnitError) as error:
        raise SettingError(f"{where}: {error}") from error


def _keep_clean(toml: TomlText) -> Iterator[CleanFields]:
    """Walk over the patches, all with different names."""
    tables = toml.data.get("keep_clean", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        where = toml.where(("keep_clean",))
        raise SettingError(f"{where}: keep_clean is no list of tables: write [[keep_clean]] over each patch")
    if len(tables) > _MOST_PATCHES:
        where = toml.where(("keep_clean", str(_MOST_PATCHES)))
        raise SettingError(f"{where}: {len(tables)} patches, allowed are {_MOST_PATCHES}: join some of them")
    seen: set[str] = set()
    for number, table in enumerate(tables):
        fields = _Patch(toml, number, table).read()
        if fields.name in seen:
            where = toml.where(("keep_clean", str(number), "name"))
            raise SettingError(f"{where}: two patches are called {fields.name!r}: give each its own name")
        seen.add(fields.name)
        yield fields


@dataclass(frozen=True)
class _Patch:
    """One ``[[keep_clean]]`` table on the way to its fields, and where it stands."""

    toml: TomlText
    number: int
    table: Mapping[str, object]

    def read(self) -> CleanFields:
        """Return the fields, checked."""
        for key in self.table:
            if key not in _CLEAN:
                raise self._refused(f"unknown name {key!r} in [[keep_clean]]: {nearest(key, _CLEAN)}", key)
        name, way = self._name(), self._way()
        value = self.table[way]
        fields = CleanFields(name=name, where=self._where(), file=self._file(way))
        return _located(lambda: _READERS[way](value, fields), self._where(way))

    def _name(self) -> str:
        """Return what the patch is called."""
        if "name" not in self.table:
            raise self._refused('this [[keep_clean]] has no name: add name = "face"')
        name = _located(lambda: _text(self.table["name"], "name"), self._where("name"))
        if len(name) > _LONGEST_NAME:
            raise self._refused(
                f"name {name!r} is longer than {_LONGEST_NAME} characters: shorten it", "name"
            )
        return name

    def _way(self) -> str:
        """Return which way it is said where the patch lies."""
        given = [way for way in WAYS if way in self.table]
        if len(given) != 1:
            said = f"{' and '.join(given)} both say" if given else "nothing says"
            ways = f"{', '.join(WAYS[:-1])} or {WAYS[-1]}"
            raise self._refused(f"{said} where the patch lies: give one of {ways}", *given[1:2])
        return given[0]

    def _file(self, way: str) -> Path | None:
        """Return the file that marks are read from."""
        if "file" not in self.table:
            return None
        if way not in {"marked", "colour"}:
            raise self._refused(f"file goes with marked or colour, not with {way}: take it out", "file")
        return Path(_located(lambda: _text(self.table["file"], "file"), self._where("file")))

    def _where(self, *key: str) -> str:
        """Return file and line of the table, or of a key in it."""
        return self.toml.where(("keep_clean", str(self.number), *key))

    def _refused(self, why: str, *key: str) -> SettingError:
        """Return the refusal of the table, or of a key in it."""
        return SettingError(f"{self._where(*key)}: {why}")


def _points(value: object, what: str, *, least: int, most: int, example: str) -> list[Point]:
    """Return a list of places written as texts."""
    if not isinstance(value, list) or not least <= len(value) <= most:
        number = f"{least}" if least == most else f"{least} to {most}"
        raise SettingError(f"{what} is not a list of {number} places: write {what} = {example}")
    return [parse_point(_text(point, f"a place of {what}"), what=f"{what}: place") for point in value]


def _box(value: object, fields: CleanFields) -> CleanFields:
    """Return a patch within a box."""
    one, other = _points(value, "box", least=2, most=2, example='["-120,-300,250", "120,-100,600"]')
    for axis, low, high in zip("xyz", one, other, strict=True):
        if low == high:
            raise SettingError(f"box: both corners have {axis} {low:g}: give two opposite corners")
    lowest = (min(one[0], other[0]), min(one[1], other[1]), min(one[2], other[2]))
    highest = (max(one[0], other[0]), max(one[1], other[1]), max(one[2], other[2]))
    return replace(fields, box_mm=(lowest, highest))


def _line(value: object, fields: CleanFields) -> CleanFields:
    """Return a patch within a closed chalk line."""
    points = _points(
        value, "line", least=3, most=_MOST_POINTS, example='["0,-220,480", "60,-200,430", "0,-190,380"]'
    )
    return replace(fields, line_mm=tuple(points))


def _marked(value: object, fields: CleanFields) -> CleanFields:
    """Return a patch of vertices with a property."""
    return replace(fields, marked=_text(value, "marked"))


def _colour(value: object, fields: CleanFields) -> CleanFields:
    """Return a patch of vertices with a colour."""
    return replace(fields, colour=parse_colour(_text(value, "colour")))


_READERS: Final[Mapping[str, Callable[[object, CleanFields], CleanFields]]] = {
    "box": _box, "line": _line, "marked": _marked, "colour": _colour,
}  # fmt: skip
