"""How large a pattern file may be."""

from dataclasses import dataclass

GIB = 1024**3


@dataclass(frozen=True, kw_only=True)
class Limits:
    """How large a file may be before it is refused unread.

    `bytes` counts the file, and for packed formats what it unpacks to; `triangles` counts what
    it holds, every copy of a repeated part included.
    """

    bytes: int = 2 * GIB
    triangles: int = 12_000_000
