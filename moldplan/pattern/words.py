"""Counts and places in words, the same in messages and in the survey."""

from moldplan.pattern.topology import Floats


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return "1 hole", "3 holes"; `many` is given where an s is not enough."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def place(point: Floats) -> str:
    """Return a place in the file's own numbers, to be found again in another program."""
    return "(" + ", ".join(f"{value:.6g}" for value in point) + ")"
