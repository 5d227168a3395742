"""TOML files that people edit: read with limits, every complaint with its line, never written over."""

import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO, Final

from moldplan.errors import OutputError, SettingError

#: A card or job file is a page of text; what is larger is some other file.
LARGEST_BYTES: Final = 1_000_000

_MOST_BITS: Final = 64  # TOML: whole numbers are of 64 bits

_MOST_DEPTH: Final = 16  # tables in tables; a job file has three

_HEADER = re.compile(r"\s*(\[{1,2})([^\[\]]+)\]{1,2}\s*(?:#.*)?")
_KEY = re.compile(r"\s*((?:\"[^\"]*\"|'[^']*'|[\w-]+)(?:\s*\.\s*(?:\"[^\"]*\"|'[^']*'|[\w-]+))*)\s*=\s*(.*)")
#: A name of so many parts takes tomllib a time that grows with their square.
_LONG_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){17}""")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")


@dataclass(frozen=True)
class TomlText:
    """A TOML file: what it is called in messages, its text and what it says."""

    label: str
    text: str
    data: dict[str, Any]

    def line_of(self, path: Sequence[str]) -> int | None:
        """Return the line (from 1) that sets the value at `path`, or else the nearest table above it.

        The tables of a list are named by their number from 0: ("keep_clean", "1", "name").
        """
        for length in range(len(path), 0, -1):
            if (line := self._lines.get(tuple(path[:length]))) is not None:
                return line
        return None

    @cached_property
    def _lines(self) -> dict[tuple[str, ...], int]:
        """The line of every table and key."""
        return dict(_places(self.text))

    def where(self, path: Sequence[str] = ()) -> str:
        """Return "FILE, line N" for the value at `path`, or "FILE" when the line cannot be told."""
        line = self.line_of(path)
        return self.label if line is None else f"{self.label}, line {line}"

    def table(self, *path: str) -> Mapping[str, object]:
        """Return the table at `path`, empty when it is left out.

        Raises
        ------
        SettingError
            When something else stands there; the message names the line.
        """
        found: object = self.data
        for name in path:
            found = found.get(name, {}) if isinstance(found, dict) else found
        if not isinstance(found, dict):
            name = ".".join(path)
            raise SettingError(f"{self.where(path)}: {name} is no table: write [{name}] on a line of its own")
        return found


def read_toml(path: Path, *, label: str | None = None) -> TomlText:
    """Read a TOML file of at most 1 MB.

    Parameters
    ----------
    path
        The file.
    label
        What messages call it; None takes the file's name.

    Raises
    ------
    SettingError
        When the file is missing, no ordinary file, too large, not UTF-8 or broken; the message names the
        line.
    """
    name = label or path.name
    try:
        raw = read_ordinary(path, most_bytes=LARGEST_BYTES + 1)
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise SettingError(f"{path}: {reason}: check the name and the permissions") from error
    if len(raw) > LARGEST_BYTES:
        raise SettingError(f"{path}: larger than 1 MB, which no card or job file is: check the name")
    return parse_toml(raw, label=name)


def read_ordinary(path: Path, *, most_bytes: int) -> bytes:
    """Return the first `most_bytes` of an ordinary file, never waiting for a pipe or a device.

    Raises
    ------
    OSError
        When it cannot be opened, or is no ordinary file.
    """
    with open_ordinary(path) as file:
        return file.read(most_bytes)


def open_ordinary(path: Path) -> BinaryIO:
    """Return an ordinary file opened for reading bytes, never waiting for a pipe or a device.

    Raises
    ------
    OSError
        When it cannot be opened, or is no ordinary file.
    """
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    if stat.S_ISREG(os.fstat(handle).st_mode):
        return open(handle, "rb")  # noqa: PTH123 - opened so that a pipe cannot make us wait
    os.close(handle)
    raise OSError(0, "it is no ordinary file")


def parse_toml(raw: bytes, *, label: str) -> TomlText:
    """Read TOML from bytes.

    Raises
    ------
    SettingError
        When they are not UTF-8 or no TOML; the message names the line.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SettingError(f"{label}, line {line}: the text is not UTF-8: save the file as UTF-8") from error
    text = text.replace("\r\n", "\n")
    if (match := _LONG_KEY.search(text)) is not None:
        line = text.count("\n", 0, match.start()) + 1
        raise SettingError(f"{label}, line {line}: a name of too many parts: this is no card or job file")
    try:
        toml = TomlText(label, text, tomllib.loads(text))
        _check_numbers(toml, toml.data, ())
    except ValueError as error:  # tomllib's own error is one, and so are numbers of thousands of digits
        raise SettingError(_broken(label, text, str(error))) from error
    except RecursionError as error:
        raise SettingError(f"{label}: brackets are nested too deep: this is no card or job file") from error
    return toml


def write_new(target: Path, text: str) -> Path:
    """Write `text` to a new file, its folder made if missing; return the file.

    Raises
    ------
    OutputError
        When the file is already there, which is never overwritten, or cannot be written.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = "is a file" if target.parent.is_file() else (error.strerror or "it cannot be made")
        raise OutputError(f"{target.parent}: no such folder can be made: {reason}: choose another") from error
    try:
        with target.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as error:
        raise OutputError(f"{target}: is already there and is not overwritten: move it away first") from error
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        raise OutputError(f"{target}: {reason}: choose another folder") from error
    return target


def nearest(name: str, known: Sequence[str]) -> str:
    """Return what to do about an unknown `name`: the nearest known one, or all of them."""
    near = get_close_matches(name, known, n=1, cutoff=0.5)
    if near:
        return f"did you mean {near[0]}?"
    return f"known are: {', '.join(known)}"


def _check_numbers(toml: TomlText, value: object, path: tuple[str, ...]) -> None:
    """Refuse whole numbers that TOML does not allow (over 64 bits) and what could not even be shown."""
    if len(path) > _MOST_DEPTH:
        raise SettingError(f"{toml.where(path)}: tables are nested too deep: this is no card or job file")
    if isinstance(value, dict):
        for key, inner in value.items():
            _check_numbers(toml, inner, (*path, key))
    elif isinstance(value, list):
        for inner in value:
            _check_numbers(toml, inner, (*path, "[]"))
    elif isinstance(value, int) and value.bit_length() > _MOST_BITS:
        raise SettingError(f"{toml.where(path)}: a number is too large to be used: check it")


def _broken(label: str, text: str, reason: str) -> str:
    """Return the message for a file that is no TOML."""
    match = _AT_LINE.search(reason)
    line = int(match[1]) if match else text.count("\n") + 1
    plain = _AT_LINE.sub("", reason).replace("(at end of document)", "at the end of the file").strip()
    return f"{label}, line {line}: not valid TOML: {plain}: check quotes, brackets and the = sign there"


def _places(text: str) -> Iterator[tuple[tuple[str, ...], int]]:
    """Walk over the tables and keys of a valid TOML text with the line each stands in.

    tomllib tells no lines, so the text is scanned again. Text strings that run over several lines are
    stepped over; keys inside an inline table count as standing where the inline table stands.
    """
    table: tuple[str, ...] = ()
    listed: dict[tuple[str, ...], int] = {}
    closing: str | None = None
    for number, line in enumerate(text.split("\n"), start=1):
        if closing is not None:
            closing = None if closing in line else closing
        elif (match := _HEADER.fullmatch(line)) is not None:
            table = _parts(match[2])
            if match[1] == "[[":
                listed[table] = listed.get(table, -1) + 1
                if listed[table] == 0:
                    yield table, number  # the list itself stands where its first table does
                table = (*table, str(listed[table]))
            yield table, number
        elif (match := _KEY.match(line)) is not None:
            yield (*table, *_parts(match[1])), number
            closing = _left_open(match[2])


def _parts(dotted: str) -> tuple[str, ...]:
    """Return the names in a dotted key, without quotes."""
    return tuple(part.strip("\"'") for part in re.findall(r"\"[^\"]*\"|'[^']*'|[\w-]+", dotted))


def _left_open(value: str) -> str | None:
    """Return the quotes that a text running over several lines waits for, or None."""
    for quotes in ('"""', "'''"):
        if value.startswith(quotes) and quotes not in value[3:]:
            return quotes
    return None
