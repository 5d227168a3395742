"""Everything moldplan can refuse, in one tree.

MoldplanError            (never raised itself)
├── InputError           a file, an option or a card that cannot be used: exit 1
│   ├── PatternError     the mesh cannot be read or is no solid
│   ├── SettingError     a card, job file or option value is out of range or misspelt
│   ├── UnitError        a length, mass or angle without a unit, or with the wrong one
│   └── OutputError      a folder cannot be written, or is not moldplan's to write
└── StoppedError         the person asked to stop: exit 130

A message is one line: what is wrong, what was found, where, and what to do about it.
"It cannot be moulded" is no error: it is a plan with findings (`moldplan.findings`).
"""

_LONGEST = 600


def one_line(text: str) -> str:
    """Return `text` as one printable line of at most 600 letters, its middle left out when it is longer.

    File names and what stands in files may hold line breaks, control characters and marks that turn the
    direction of writing: a message must not be able to repaint the terminal or to look like two.
    """
    words = "".join(letter if letter.isprintable() else " " for letter in text[: 100 * _LONGEST]).split(" ")
    line = " ".join(filter(None, words))
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 205].rstrip()} ... {line[-200:].lstrip()}"


class MoldplanError(Exception):
    """Root of the tree; catch this to catch all that moldplan refuses on purpose."""

    def __str__(self) -> str:
        """Return the message as one printable line."""
        return one_line(super().__str__())


class InputError(MoldplanError):
    """Something given to moldplan cannot be used."""


class PatternError(InputError):
    """The pattern file cannot be read, or what it holds is no solid."""


class SettingError(InputError):
    """A card, job file or option holds a value outside its range, or an unknown name."""


class UnitError(InputError):
    """A quantity carries no unit, or a unit of another kind."""


class OutputError(InputError):
    """The output folder cannot be written, or was not made by moldplan."""


class StoppedError(MoldplanError):
    """The run was interrupted on request; nothing half-written is left."""
