"""One card: what a key may hold, and the value a card gives it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, cast, get_args

from moldplan.cards.lines import TomlText, nearest
from moldplan.cards.model import Tag
from moldplan.errors import SettingError, UnitError
from moldplan.units import parse_quantity, same_kind, writable_units

#: The kinds of card there are, in the order they are listed for people.
KINDS: Final = ("rubber", "mould", "clay", "board", "jacket", "crew", "shop", "pattern", "cast", "split")

_CARD_KEYS: Final = ("kind", "name", "title", "note")
_ENTRY_KEYS: Final = ("value", "unit", "range", "choices", "whole", "tag", "note")
_TAGS: Final[tuple[str, ...]] = get_args(Tag)
_LONGEST_NAME: Final = 60


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One key of a card: its value and what it may be.

    `low`..`high` is the allowed range of a number, both ends allowed; `choices` the allowed words of a text
    (then the range is not used).
    """

    key: str
    value: float | str
    unit: str
    low: float
    high: float
    choices: tuple[str, ...]
    whole: bool
    tag: Tag
    note: str
    where: str


@dataclass(frozen=True, kw_only=True)
class Card:
    """One card as a value; `entries` by key. A shop's card may leave keys out."""

    kind: str
    name: str
    title: str
    note: str
    label: str
    entries: Mapping[str, Entry]


def read_card(toml: TomlText, *, pattern_of: Mapping[str, Card] | None = None) -> Card:
    """Return the card that a TOML text says.

    Parameters
    ----------
    toml
        The card's text (`moldplan.cards.lines.read_toml`).
    pattern_of
        moldplan's own card of each kind: it says which keys there are, in which unit and range, and gives
        what this card leaves out. None for moldplan's own cards, which say everything themselves.

    Raises
    ------
    SettingError
        When a name is unknown or a value is not allowed; the message says file, line and range.
    """
    head = _head(toml)
    own = None if pattern_of is None else pattern_of[head["kind"]]
    entries = {}
    for key, table in toml.data.items():
        if key != "card":
            entries[key] = _entry(toml, key, table, own)
    return Card(
        kind=head["kind"],
        name=head["name"],
        title=head.get("title", head["name"]),
        note=head.get("note", ""),
        label=toml.label,
        entries=entries,
    )


def checked_value(given: object, entry: Entry, *, where: str, bare_unit: str | None = None) -> float | str:
    """Return `given` as a value of `entry`, in the entry's unit and range.

    Parameters
    ----------
    given
        What the person wrote: a number, or text with a unit.
    entry
        What is allowed.
    where
        File and line, or option, for the message.
    bare_unit
        The unit a number without one is in; None makes such a number an error where a unit is needed.

    Raises
    ------
    SettingError
        When the value is of the wrong type, carries no or a wrong unit, or is out of range.
    """
    if entry.choices:
        return _choice(given, entry, where)
    number = _number(given, entry, where, bare_unit)
    shown = f"{entry.low:g} to {entry.high:g} {entry.unit}".strip()
    if not entry.low <= number <= entry.high:
        raise SettingError(
            f"{where}: {entry.key} is {number:g} {entry.unit}".rstrip()
            + f", allowed is {shown}: write a value in that range"
        )
    if entry.whole and number != round(number):
        raise SettingError(f"{where}: {entry.key} is {number:g}, allowed is a whole number from {shown}")
    return number


def _head(toml: TomlText) -> dict[str, str]:
    """Return the [card] table, checked."""
    head = toml.data.get("card")
    if not isinstance(head, dict):
        raise SettingError(f"{toml.label}: there is no [card] table: begin with [card], kind and name")
    for key, value in head.items():
        where = toml.where(("card", key))
        if key not in _CARD_KEYS:
            raise SettingError(f"{where}: unknown key {key!r} in [card]: {nearest(key, _CARD_KEYS)}")
        if not isinstance(value, str):
            raise SettingError(f"{where}: {key} in [card] is not text: put it in quotes")
    for key in ("kind", "name"):
        if not head.get(key, "").strip():
            raise SettingError(f"{toml.where(('card',))}: [card] has no {key}: add {key} = ...")
    if head["kind"] not in KINDS:
        where = toml.where(("card", "kind"))
        raise SettingError(f"{where}: unknown kind {head['kind']!r}: {nearest(head['kind'], KINDS)}")
    if len(head["name"]) > _LONGEST_NAME or not head["name"].isprintable():
        raise SettingError(
            f"{toml.where(('card', 'name'))}: the card's name is longer than 60 characters or odd"
        )
    return cast("dict[str, str]", head)


def _entry(toml: TomlText, key: str, table: object, own: Card | None) -> Entry:
    """Return one key's table as an entry, with what it leaves out taken from moldplan's own card."""
    where = toml.where((key,))
    base = None
    if own is not None:
        if key not in own.entries:
            advice = nearest(key, tuple(own.entries))
            raise SettingError(f"{where}: a {own.kind} card has no key {key!r}: {advice}")
        base = own.entries[key]
    if not isinstance(table, dict):
        raise SettingError(f"{where}: {key} is no table: write [{key}] and under it value = ...")
    for name in table:
        if name not in _ENTRY_KEYS:
            place = toml.where((key, name))
            raise SettingError(f"{place}: unknown key {name!r} in [{key}]: {nearest(name, _ENTRY_KEYS)}")
    if "value" not in table:
        raise SettingError(f"{where}: [{key}] has no value: add value = ...")
    frame = _frame(toml, key, table, base)
    place = toml.where((key, "value"))
    bare_unit = _bare_unit(toml, key, table, frame)
    value = checked_value(table["value"], frame, where=place, bare_unit=bare_unit)
    return _with_value(frame, value, place)


def _frame(toml: TomlText, key: str, table: Mapping[str, Any], base: Entry | None) -> Entry:
    """Return what the entry may hold, before its value is read."""
    tag = table.get("tag", "practice" if base is None else base.tag)
    if tag not in _TAGS:
        raise SettingError(f"{toml.where((key, 'tag'))}: tag is {tag!r}, allowed are {', '.join(_TAGS)}")
    note = table.get("note", "" if base is None else base.note)
    if not isinstance(note, str):
        raise SettingError(f"{toml.where((key, 'note'))}: the note of {key} is not text: put it in quotes")
    choices = tuple(table.get("choices", ())) if base is None else base.choices
    low, high = _range(toml, key, table, base, choices)
    return Entry(
        key=key,
        value="" if choices else low,
        unit=str(table.get("unit", "")) if base is None else base.unit,
        low=low,
        high=high,
        choices=choices,
        whole=bool(table.get("whole", False)) if base is None else base.whole,
        tag=cast("Tag", tag),
        note=note,
        where=toml.where((key,)),
    )


def _with_value(frame: Entry, value: float | str, where: str) -> Entry:
    """Return the frame with its value in place."""
    return Entry(
        key=frame.key, value=value, unit=frame.unit, low=frame.low, high=frame.high, choices=frame.choices,
        whole=frame.whole, tag=frame.tag, note=frame.note, where=where,
    )  # fmt: skip


def _range(
    toml: TomlText, key: str, table: Mapping[str, Any], base: Entry | None, choices: Sequence[str]
) -> tuple[float, float]:
    """Return the allowed range.

    A shop's card may make moldplan's own range narrower, never wider: outside it the formulas no longer hold.
    """
    if choices:
        return 0.0, 0.0
    if "range" not in table and base is not None:
        return base.low, base.high
    where = toml.where((key, "range"))
    pair = table.get("range")
    if not (isinstance(pair, list) and len(pair) == 2 and all(_is_number(end) for end in pair)):
        raise SettingError(f"{where}: the range of {key} is not two numbers: write range = [lowest, highest]")
    low, high = float(pair[0]), float(pair[1])
    if not low < high:
        raise SettingError(
            f"{where}: the range of {key} runs from {low:g} to {high:g}: put the lower one first"
        )
    if base is not None and not base.low <= low < high <= base.high:
        raise SettingError(
            f"{where}: the range of {key} is {low:g} to {high:g}, allowed is within {base.low:g} to "
            f"{base.high:g} {base.unit}".rstrip()
            + ": make it narrower"
        )
    return low, high


def _bare_unit(toml: TomlText, key: str, table: Mapping[str, Any], frame: Entry) -> str:
    """Return the unit that stands beside a card's value."""
    unit = table.get("unit", frame.unit)
    if not isinstance(unit, str) or not same_kind(frame.unit, unit):
        allowed = ", ".join(writable_units(frame.unit)) or "none"
        raise SettingError(f"{toml.where((key, 'unit'))}: the unit of {key} is {unit!r}, allowed: {allowed}")
    return unit


def _choice(given: object, entry: Entry, where: str) -> str:
    """Return a word out of the entry's choices."""
    if not isinstance(given, str) or given not in entry.choices:
        allowed = ", ".join(entry.choices)
        raise SettingError(f"{where}: {entry.key} is {given!r}, allowed are: {allowed}")
    return given


def _number(given: object, entry: Entry, where: str, bare_unit: str | None) -> float:
    """Return what was written as a number in the entry's unit."""
    if not (_is_number(given) or isinstance(given, str)):
        raise SettingError(f"{where}: {entry.key} is {given!r}, which is no finite number: check it")
    text = given if isinstance(given, str) else f"{given!r} {bare_unit or ''}"
    try:
        return parse_quantity(text, entry.unit, what=entry.key)
    except UnitError as error:
        raise SettingError(f"{where}: {error}") from error


def _is_number(given: object) -> bool:
    """Tell a finite number from everything else TOML can hold (true and false are no numbers here)."""
    return isinstance(given, int | float) and not isinstance(given, bool) and math.isfinite(given)
