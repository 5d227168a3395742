"""Rows that are equal made one, by a table of hashes: no sorting, in the order of first appearance.

Rows are given as 32-bit words, so that one kernel serves single and double precision. The table holds the
number of a kept row plus one; it is found by open addressing, and rows that share a hash are told apart by
comparing their words, so the result is exact. A file made to put all rows into one place of the table would
take for ever: after too many steps the kernel gives up and says so.
"""

from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

Words = NDArray[np.int32]
Labels = NDArray[np.int64]

#: Odd multipliers under 2^31 without short patterns (from the square roots of 2 and 3): a product with a
#: 32-bit number stays under 2^63, so that nothing overflows, compiled or not.
MIX: Final = 0x6A09E667
LAST_MIX: Final = 0x3B67AE85
#: Slots of the table for every kept row, at least.
ROOM: Final = 2
#: Mean steps along the table for each row over which the kernel gives up; a fair table takes under three.
PATIENCE: Final = 64

_LEAST_SLOTS: Final = 1 << 10


@njit(cache=True, nogil=True)
def _slot_of(rows: Words, row: int, mask: int) -> int:
    """Return the first place of the table to look at for a row."""
    mixed = np.int64(0)
    for column in range(rows.shape[1]):
        mixed = (mixed ^ (np.int64(rows[row, column]) & 0xFFFFFFFF)) * MIX
        mixed = (mixed ^ (mixed >> 29)) & 0x7FFFFFFF
    mixed = mixed * LAST_MIX
    return int((mixed ^ (mixed >> 31)) & mask)


@njit(cache=True, nogil=True)
def enter_rows(
    rows: Words, begin: int, table: Words, kept: Words, count: int, label: Labels
) -> tuple[int, int]:
    """Give every row from `begin` on the number of its equal in `kept`, or make it a new one.

    Parameters
    ----------
    rows
        (m, c) words.
    begin
        The first row to look at.
    table
        Slots, their number a power of two; 0 is empty.
    kept
        (k, c); the first `count` are filled.
    label
        (m,), written.

    Returns
    -------
    tuple
        The first row that was not looked at (m when all were; then `kept` or `table` is too full; -1 when
        the rows crowd in one place of the table), and how many rows are kept now.
    """
    mask = len(table) - 1
    most = min(len(kept), len(table) // ROOM)
    left = PATIENCE * (len(rows) - begin) + len(table)
    for row in range(begin, len(rows)):
        slot = _slot_of(rows, row, mask)
        found = -1
        while table[slot] != 0:
            other = table[slot] - 1
            same = True
            for column in range(rows.shape[1]):
                if kept[other, column] != rows[row, column]:
                    same = False
            if same:
                found = other
                break
            slot = (slot + 1) & mask
            left -= 1
            if left < 0:
                return -1, count
        if found < 0:
            if count >= most:
                return row, count
            found = count
            for column in range(rows.shape[1]):
                kept[found, column] = rows[row, column]
            table[slot] = found + 1
            count += 1
        label[row] = found
    return len(rows), count


@njit(cache=True, nogil=True)
def _enter_again(table: Words, kept: Words, count: int) -> bool:
    """Put the first `count` kept rows, all different, into an empty table; return whether it went well."""
    mask = len(table) - 1
    left = PATIENCE * count + len(table)
    for row in range(count):
        slot = _slot_of(kept, row, mask)
        while table[slot] != 0:
            slot = (slot + 1) & mask
            left -= 1
            if left < 0:
                return False
        table[slot] = row + 1
    return True


class Merger:
    """Rows so far, each once; more can be added piece by piece.

    Parameters
    ----------
    columns
        Words in a row.
    expected
        About how many different rows there will be; it grows by itself.
    """

    def __init__(self, columns: int, expected: int = 1) -> None:
        slots = _LEAST_SLOTS
        while slots < ROOM * expected:
            slots *= 2
        self._table = np.zeros(slots, dtype=np.int32)
        self._kept = np.empty((slots // ROOM, columns), dtype=np.int32)
        self._count = 0

    @property
    def kept(self) -> Words:
        """The rows (k, c) that differ, in the order they first appeared."""
        return self._kept[: self._count]

    def add(self, rows: Words, label: Labels) -> bool:
        """Write the number of every row's equal into `label` (m,); False when the rows crowd in one place."""
        begin = 0
        while True:
            begin, self._count = enter_rows(rows, begin, self._table, self._kept, self._count, label)
            if begin == len(rows):
                return True
            if begin < 0 or not self._grow():
                return False

    def _grow(self) -> bool:
        """Double the table and the room for rows."""
        kept = np.empty((2 * len(self._kept), self._kept.shape[1]), dtype=np.int32)
        kept[: self._count] = self.kept
        self._kept = kept
        self._table = np.zeros(2 * len(self._table), dtype=np.int32)
        return bool(_enter_again(self._table, self._kept, self._count))
