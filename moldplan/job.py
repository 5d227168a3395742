"""The job file: what one mould is asked for, in a commented TOML that a person edits.

A job folder holds `job.toml`, the pattern's file if one likes, the shop's own cards in `cards/`, and the
revisions that `moldplan plan --job FOLDER` makes.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from moldplan.cards import DEFAULT_CARDS, KINDS, CardChoice, Entry, Override, built_in_cards, known_keys
from moldplan.cards.lines import TomlText, nearest, read_toml, write_new
from moldplan.errors import SettingError, UnitError
from moldplan.units import parse_axis, parse_length_mm
from moldplan.wishfile import TEMPLATE, WISHES, WishFields, read_wish_fields

#: What the job file is called inside a job folder.
JOB_FILE: Final = "job.toml"

_FIELDS: Final = ("title", "pattern", "height", "up", "front", "cut")
_TOP: Final = (*_FIELDS, "cards", "set", "wishes", "keep_clean")
_LONGEST_TEXT: Final = 300  # a title or path; longer ones do not fit on any paper

_HEAD = """\
# Job file of moldplan. A line that begins with # is not read: take the # away to use it.
# Lengths carry their unit: "1.5 m", "1500 mm". Options on the command line win over this file,
# this file wins over the cards in the folder cards/ beside it, and those over the built-in cards.

# What the job is called on drawings.
# title = "Owl on books"

# The pattern's mesh (STL, PLY, OBJ, OFF, 3MF, GLB), seen from this folder.
# pattern = "owl.stl"

# How high the figure stands. Most mesh files carry no unit, so it has to be said.
# height = "1.5 m"

# Which way the figure stands up and which way it looks, along the file's axes: +x -x +y -y +z -z.
# up = "+z"
# front = "-y"

# Where to cut: the plane's normal in the file's axes, then how far along it from the middle of the
# bounding box, in mm of the scaled figure. Left out, the plane of least undercut is looked for.
# cut = "0,1,0@0"

# Which card of a kind to use: a built-in one (moldplan cards list) or one of your own in cards/.
[cards]"""

_SETTINGS_HEAD = """
# Single values over the cards. Every line shows the built-in value, its range and what it is.
# Also on the command line: --set "rubber.thick_coat_mm=2.5 mm"
"""


@dataclass(frozen=True, kw_only=True)
class Job:
    """A job file as a value. What it leaves out is None; texts are as written, already checked.

    `pattern` is seen from `folder`. `cut` is only text here: planes are read by the stage that cuts.
    """

    folder: Path
    label: str
    title: str | None
    pattern: Path | None
    height: str | None
    up: str | None
    front: str | None
    cut: str | None
    card_choices: tuple[CardChoice, ...]
    overrides: tuple[Override, ...]
    wishes: WishFields = field(default_factory=WishFields)

    @property
    def cards_folder(self) -> Path | None:
        """The shop's cards beside the job file, None when there is no such folder."""
        folder = self.folder / "cards"
        return folder if folder.is_dir() else None

    @property
    def height_mm(self) -> float | None:
        """How high the figure stands, None when the job does not say."""
        return None if self.height is None else parse_length_mm(self.height, what="height")


def new_job(folder: Path) -> Path:
    """Write a job file with a comment for every field into `folder`, made if missing; return the file.

    Raises
    ------
    OutputError
        When the folder cannot be written or already holds a job file, which is never overwritten.
    """
    return write_new(folder / JOB_FILE, _template())


def read_job(path: Path) -> Job:
    """Read a job file.

    Parameters
    ----------
    path
        A job folder, or a job file of any name.

    Returns
    -------
    Job
        Names and units are checked; the values of settings are checked against the range of the card they
        stand over by `moldplan.cards.resolve_settings`.

    Raises
    ------
    SettingError
        When the file is missing or broken, or holds an unknown name or a value of the wrong kind; the message
        says file and line.
    """
    try:
        file = path / JOB_FILE if path.is_dir() else path
        there = file.exists()
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise SettingError(f"{path}: {reason}: check the name and the permissions") from error
    if not there:
        raise SettingError(f"{file}: there is no job file: make one with: moldplan job new {path}")
    toml = read_toml(file)
    for key in toml.data:
        if key not in _TOP:
            raise SettingError(f"{toml.where((key,))}: unknown name {key!r} in a job file: {_advice(key)}")
    fields = {name: _text(toml, name) for name in _FIELDS}
    _check_fields(toml, fields)
    pattern = fields.pop("pattern")
    return Job(
        folder=file.parent,
        label=toml.label,
        pattern=None if pattern is None else Path(pattern),
        card_choices=tuple(_card_choices(toml)),
        overrides=tuple(_overrides(toml)),
        wishes=read_wish_fields(toml),
        **fields,
    )


def _advice(key: str) -> str:
    """Return what to do about an unknown name at the top of a job file."""
    if key in KINDS:
        return f"write [set.{key}]"
    return "write it below [wishes]" if key in WISHES else nearest(key, _TOP)


def _text(toml: TomlText, name: str) -> str | None:
    """Return a top-level text of the job file."""
    value = toml.data.get(name)
    if value is None:
        return None
    where = toml.where((name,))
    if name == "height" and isinstance(value, int | float) and not isinstance(value, bool):
        _translated(lambda: parse_length_mm(f"{value}", what=name), where)
    if not isinstance(value, str) or not value.strip():
        raise SettingError(f'{where}: {name} is {value!r}, which is no text: write {name} = "..."')
    if len(value) > _LONGEST_TEXT or not value.isprintable():
        raise SettingError(f"{where}: {name} is longer than {_LONGEST_TEXT} characters or runs over lines")
    return value.strip()


def _check_fields(toml: TomlText, fields: Mapping[str, str | None]) -> None:
    """Refuse a height without a unit and an axis that is none, naming the line."""
    if (height := fields["height"]) is not None:
        _translated(lambda: parse_length_mm(height, what="height"), toml.where(("height",)))
    up, front = fields["up"], fields["front"]
    if up is not None:
        _translated(lambda: parse_axis(up, what="up"), toml.where(("up",)))
    if front is not None:
        _translated(lambda: parse_axis(front, what="front"), toml.where(("front",)))
    if up is not None and front is not None and parse_axis(up)[1] == parse_axis(front)[1]:
        where = toml.where(("front",))
        raise SettingError(f"{where}: front {front!r} lies along up {up!r}: a figure looks across its height")


def _translated(parse: Callable[[], object], where: str) -> None:
    """Run `parse`, turning a complaint about units into one that names the line."""
    try:
        parse()
    except UnitError as error:
        raise SettingError(f"{where}: {error}") from error


def _card_choices(toml: TomlText) -> Iterator[CardChoice]:
    """Walk over the cards the job chooses."""
    for kind, name in toml.table("cards").items():
        where = toml.where(("cards", kind))
        if kind not in KINDS:
            raise SettingError(f"{where}: there is no kind of card {kind!r}: {nearest(kind, KINDS)}")
        if not isinstance(name, str):
            raise SettingError(
                f'{where}: {kind} is {name!r}: write the name of a card, like "{DEFAULT_CARDS[kind]}"'
            )
        yield CardChoice(kind=kind, name=name, where=where)


def _overrides(toml: TomlText) -> Iterator[Override]:
    """Walk over the values the job file gives."""
    for kind in toml.table("set"):
        if kind not in KINDS:
            where = toml.where(("set", kind))
            raise SettingError(f"{where}: there is no kind of card {kind!r}: {nearest(kind, KINDS)}")
        keys = known_keys(kind)
        for key, value in toml.table("set", kind).items():
            where = toml.where(("set", kind, key))
            if key not in keys:
                raise SettingError(f"{where}: [set.{kind}] has no key {key!r}: {nearest(key, tuple(keys))}")
            yield Override(name=f"{kind}.{key}", value=value, where=f"job file {where}")


def _template() -> str:
    """Return a job file in which everything is explained and nothing is set."""
    lines = [_HEAD]
    for kind in KINDS:
        names = [card.name for card in built_in_cards().values() if card.kind == kind]
        lines.append(
            f'# {kind} = "{DEFAULT_CARDS[kind]}"' + (f"  # or {_others(kind, names)}" if names[1:] else "")
        )
    lines.append(TEMPLATE.rstrip("\n"))
    lines.append(_SETTINGS_HEAD)
    for kind in KINDS:
        lines.append(f"[set.{kind}]")
        lines.extend(_template_line(entry) for entry in known_keys(kind).values())
        lines.append("")
    return "\n".join(lines)


def _others(kind: str, names: list[str]) -> str:
    """Return the built-in cards of a kind beside the default one."""
    return ", ".join(name for name in names if name != DEFAULT_CARDS[kind])


def _template_line(entry: Entry) -> str:
    """Return the commented line of one setting."""
    if entry.choices:
        return f'# {entry.key} = "{entry.value}"  # {" or ".join(entry.choices)}; {entry.note}'
    number = f"{entry.value:.9g}"
    value = f'"{number} {entry.unit}"' if entry.unit else number
    return f"# {entry.key} = {value}  # {entry.low:g} to {entry.high:g}; {entry.note}"
