"""Text files of numbers in rows, read a block at a time: no Python object per row, memory bounded.

A *row* is a line that holds at least one word; a *word* is a run of bytes between blanks. Comments run from
``#`` to the end of the line.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import PatternError
from moldplan.pattern.topology import Floats, Ints

Bytes = NDArray[np.uint8]

_BLOCK_BYTES = 1 << 22
#: Room for a face of 10 000 corners with texture and normal numbers; no mesh has longer lines.
LONGEST_LINE_BYTES = 1 << 20
_BLANK, _HASH, _SLASH = (ord(letter) for letter in " #/")
_ENDS = np.zeros(256, dtype=bool)
_ENDS[[ord("\n"), ord("\r")]] = True
_GAPS = _ENDS.copy()
_GAPS[[ord(" "), ord("\t"), ord("\v"), ord("\f")]] = True


@dataclass(frozen=True)
class Rows:
    """The rows of one block.

    Word k is ``data[start[k] : stop[k]]``; row r has the words from ``first[r]`` up to ``first[r + 1]`` and
    stands in line ``line[r]`` of the file (from 1).
    """

    name: str
    data: Bytes
    start: Ints
    stop: Ints
    first: Ints
    line: Ints

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.line)

    @property
    def words(self) -> Ints:
        """The number of words (r,) in every row."""
        return np.diff(self.first)

    def part(self, begin: int, end: int) -> "Rows":
        """Return the rows from `begin` up to `end`."""
        return Rows(self.name, self.data, self.start, self.stop, self.first[begin : end + 1],
                    self.line[begin:end])  # fmt: skip

    def text(self, row: int) -> str:
        """Return one row as text, at most 60 letters of it."""
        begin, end = self.start[self.first[row]], self.stop[self.first[row + 1] - 1]
        return self.data[begin : min(end, begin + 60)].tobytes().decode("latin-1")

    def numbers(self, words: Ints) -> Floats:
        """Return the numbers that `words` (k,), in rising order, are.

        Raises
        ------
        PatternError
            When one of them is no number; the message names the line.
        """
        return np.asarray(self._parsed(words, self.stop[words], np.float64))

    def corners(self, words: Ints) -> Ints:
        """Return the whole numbers that `words` (k,) are, or begin with before a slash.

        Raises
        ------
        PatternError
            When one of them is no whole number; the message names the line.
        """
        stop = self.stop[words]
        slashes = np.flatnonzero(self.data == _SLASH)
        if len(slashes):
            following = np.append(slashes, len(self.data))[np.searchsorted(slashes, self.start[words])]
            stop = np.minimum(stop, following)
        return np.asarray(self._parsed(words, stop, np.int64))

    def table(self, columns: Ints | list[int]) -> Floats:
        """Return the words at places `columns` (c,) of every row as numbers (r, c).

        Raises
        ------
        PatternError
            When a row is too short, or one of the words is no number; the message names the line.
        """
        columns = np.asarray(columns, dtype=np.int64)
        short = np.flatnonzero(self.words <= columns.max())
        if len(short):
            raise self.refused(int(short[0]), f"a row of {int(self.words[short[0]])} where more are needed")
        return self.numbers((self.first[:-1, None] + columns).ravel()).reshape(-1, len(columns))

    def refused(self, row: int, why: str) -> PatternError:
        """Return the refusal of a row."""
        return PatternError(f"{self.name}, line {int(self.line[row])}: {why}; export it again")

    def _parsed(self, words: Ints, stop: Ints, kind: Any) -> NDArray[Any]:  # noqa: ANN401 - a numpy type
        """Return the bytes from the start of each word up to `stop` as numbers."""
        if len(words) == 0:
            return np.zeros(0, dtype=kind)
        mark = np.zeros(len(self.data) + 1, dtype=np.int8)
        mark[self.start[words]] += 1
        mark[stop] -= 1
        low, high = int(self.start[words[0]]), int(stop[-1])
        kept = np.cumsum(mark[low:high], dtype=np.int8) > 0
        plain = np.where(kept, self.data[low:high], np.uint8(_BLANK)).tobytes()
        try:
            found = np.fromstring(plain, dtype=kind, sep=" ")
        except ValueError as error:
            raise self._not_a_number(words, stop, kind) from error
        if len(found) != len(words):  # older numpy only warns, and "1-2" counts for two
            raise self._not_a_number(words, stop, kind)
        return np.asarray(found)

    def _not_a_number(self, words: Ints, stop: Ints, kind: Any) -> PatternError:  # noqa: ANN401
        """Return the refusal of the first word that is no number."""
        read = float if kind is np.float64 else int
        for word, end in zip(words.tolist(), stop.tolist(), strict=True):
            text = self.data[self.start[word] : end].tobytes().decode("latin-1")
            try:
                read(text)
            except ValueError:
                row = int(np.searchsorted(self.first, word, side="right")) - 1
                return self.refused(row, f"{text[:20]!r} is no {'whole ' * (read is int)}number")
        return self.refused(0, "its numbers cannot be told apart")


def row_blocks(
    file: BinaryIO,
    name: str,
    *,
    first_line: int = 1,
    continued: bool = False,
    block_bytes: int = _BLOCK_BYTES,
) -> Iterator[Rows]:
    """Walk over the rest of a file in blocks of whole lines.

    Parameters
    ----------
    file
        Standing at the start of a line.
    name
        The file, for messages.
    first_line
        Which line of the file that is.
    continued
        Whether a backslash at the end of a line carries it on in the next.
    block_bytes
        How much is read at a time.

    Raises
    ------
    PatternError
        When a line is longer than 1 MiB.
    """
    rest, line = b"", first_line
    while True:
        fresh = file.read(block_bytes)
        block = rest + fresh
        cut = len(block) if not fresh else _last_end(block, continued=continued)
        if len(block) - cut > LONGEST_LINE_BYTES:
            after = line - 1 + block.count(b"\n", 0, cut)
            raise PatternError(
                f"{name}: the line after line {after} is longer than "
                f"{LONGEST_LINE_BYTES // 1024} KiB, which no mesh has; export it again"
            )
        whole, rest = block[:cut], block[cut:]
        if whole:
            rows = _rows(whole, name, line, continued=continued)
            if len(rows):
                yield rows
        line += whole.count(b"\n")
        if not fresh:
            return


def spread(begin: Ints, counts: Ints) -> Ints:
    """Return ``begin[i], begin[i] + 1, ...``, ``counts[i]`` numbers for every i, in one row."""
    total = np.cumsum(counts)
    whole = int(total[-1]) if len(total) else 0
    return np.repeat(begin - total + counts, counts) + np.arange(whole)


def _last_end(block: bytes, *, continued: bool) -> int:
    """Return how much of a block is whole lines."""
    end = block.rfind(b"\n")
    if end < 0:
        end = block.rfind(b"\r", 0, len(block) - 1)  # the last one may be half of CR LF
    while continued and end > 0 and block[max(0, end - 2) : end].endswith((b"\\", b"\\\r")):
        end = block.rfind(b"\n", 0, end)
    return end + 1


def _rows(block: bytes, name: str, line: int, *, continued: bool) -> Rows:
    """Return the rows of whole lines, the first of which is line `line`."""
    data = np.frombuffer(b"\n" + block + b"\n", dtype=np.uint8)
    feeds = np.flatnonzero(data == ord("\n"))
    if continued and b"\\" in block:
        joined = b"\n" + block.replace(b"\\\r\n", b"   ").replace(b"\\\n", b"  ") + b"\n"
        data = np.frombuffer(joined, dtype=np.uint8)
    ends = np.flatnonzero(_ENDS[data])
    if b"#" in block:
        data = _without_comments(data, ends)
    gap = _GAPS[data]
    start = np.flatnonzero(gap[:-1] & ~gap[1:]) + 1
    stop = np.flatnonzero(~gap[:-1] & gap[1:]) + 1
    number = np.searchsorted(ends, start)
    fresh = np.ones(len(start), dtype=bool)
    fresh[1:] = number[1:] != number[:-1]
    first = np.flatnonzero(fresh)
    at = line - 1 + np.searchsorted(feeds, start[first])
    return Rows(name, data, start, stop, np.append(first, len(start)), at)


def _without_comments(data: Bytes, ends: Ints) -> Bytes:
    """Return the bytes with everything from ``#`` to the end of its line blanked."""
    hashes = np.flatnonzero(data == _HASH)
    until = ends[np.searchsorted(ends, hashes)]
    mark = np.zeros(len(data) + 1, dtype=np.int32)
    np.add.at(mark, hashes, 1)
    np.add.at(mark, until, -1)
    return np.where(np.cumsum(mark[:-1]) > 0, np.uint8(_BLANK), data)
