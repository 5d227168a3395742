"""Where the rows of a packed list of lists begin: each says its own length, so they are walked one by one."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@njit(cache=True, nogil=True)
def list_rows(
    data: Bytes, rows: int, item: Ints, counted: Ints, signed: Bools, little: bool, wanted: int,  # noqa: FBT001 - kernels take plain values
    start: Ints, length: Ints,
) -> int:  # fmt: skip
    """Walk over `rows` rows of properties and note where one of their lists lies.

    Parameters
    ----------
    data
        The bytes, the first row at 0.
    rows
        How many rows there are.
    item
        (p,) bytes of each property, of a list those of one entry; over 0.
    counted
        (p,) bytes of the number that goes before a list; 0 for a property that is no list.
    signed
        (p,) whether that number has a sign.
    little
        Whether its lowest byte comes first.
    wanted
        The property that is noted, a list; -1 notes none.
    start, length
        (rows,) filled with the first byte and the number of entries of the wanted list; not touched without.

    Returns
    -------
    int
        The byte after the last row, or -(r + 1) when row r runs past the end or has a list of fewer than 0.
    """
    at = 0
    for row in range(rows):
        for place in range(len(item)):
            entries = 1
            width = counted[place]
            if width > 0:
                if at + width > len(data):
                    return -(row + 1)
                entries = 0
                for step in range(width):
                    byte = at + width - 1 - step if little else at + step
                    entries = entries * 256 + int(data[byte])
                if signed[place] and entries >= 1 << (8 * width - 1):
                    return -(row + 1)
                at += width
                if place == wanted:
                    start[row] = at
                    length[row] = entries
            if entries > (len(data) - at) // item[place]:
                return -(row + 1)
            at += entries * item[place]
    return at
