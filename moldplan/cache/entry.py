"""One kept value as a file, with a checksum over all of it.

    16 bytes   b"moldplan entry 1"
    32 bytes   SHA-256 of all that follows
     8 bytes   length of the head, little-endian
    head       JSON: stage, key, tree of the value, and a row for each blob
    blobs      each at a multiple of 64 bytes from the start of the file

A blob of many equal bytes (masks, height maps with much empty board) is deflated, at the quickest level; all
others stand as they are, since deflating numbers costs more than it saves.
"""

# ruff: noqa: ANN401 - what is kept is of any kind

import hashlib
import json
import zlib
from pathlib import Path
from typing import Any, Final

import numpy as np

from moldplan.cache.values import Bytes, Packed, packed, unpacked

MAGIC: Final = b"moldplan entry 1"
_HEAD_AT: Final = len(MAGIC) + 32
_ALIGN: Final = 64
#: So much of a blob is deflated to see whether it pays.
_PROBE: Final = 1 << 16
_PAYS: Final = 0.5
#: Blobs under this stand as they are.
_LEAST: Final = 1 << 12


class DamagedError(ValueError):
    """A file is no entry, or not the one that is looked for."""


def entry_parts(stage: str, key: str, value: object) -> list[Bytes]:
    """Return the bytes of an entry, in pieces to be written one after the other.

    Raises
    ------
    UnknownKindError
        When `value` holds anything that is not kept.
    """
    whole: Packed = packed(value)
    rows, pieces, at = [], [], 0
    for blob in whole.blobs:
        stored = _deflated(blob)
        rows.append([at, int(stored.size), int(blob.size)])
        padding = -stored.size % _ALIGN
        pieces += [stored, np.zeros(padding, dtype=np.uint8)]
        at += int(stored.size + padding)
    head = json.dumps({"stage": stage, "key": key, "tree": whole.tree, "blobs": rows}).encode()
    head += b" " * (-(_HEAD_AT + 8 + len(head)) % _ALIGN)
    body = [_bytes(len(head).to_bytes(8, "little") + head), *pieces]
    check = hashlib.sha256()
    for piece in body:
        check.update(piece.data)
    return [_bytes(MAGIC + check.digest()), *body]


def read_entry(path: Path, stage: str, key: str, *, most: int) -> Any:
    """Return the value that was kept under `key`, from a file of at most `most` bytes.

    Raises
    ------
    FileNotFoundError
        When there is none.
    OSError
        When it cannot be read.
    DamagedError
        When the file is no whole entry, or another one.
    """
    if path.stat().st_size > most:
        raise DamagedError(f"{path.name}: is larger than any entry")
    data = np.fromfile(path, dtype=np.uint8)
    raw = data.data
    if bytes(raw[: len(MAGIC)]) != MAGIC:
        raise DamagedError(f"{path.name}: is no entry")
    if hashlib.sha256(raw[_HEAD_AT:]).digest() != bytes(raw[len(MAGIC) : _HEAD_AT]):
        raise DamagedError(f"{path.name}: its bytes are not those that were written")
    try:
        return _value(data, stage, key)
    except DamagedError:
        raise
    # whatever a well-sealed file of somebody else's may hold, it is no entry
    except Exception as error:
        raise DamagedError(f"{path.name}: {type(error).__name__}: {error}") from error


def _value(data: Bytes, stage: str, key: str) -> Any:
    """Return the value of an entry whose checksum is right."""
    start = _HEAD_AT + 8
    length = int.from_bytes(data[_HEAD_AT:start].tobytes(), "little")
    head = json.loads(data[start : start + length].tobytes())
    if head["stage"] != stage or head["key"] != key:
        raise DamagedError(f"holds {head['stage']} {head['key']}")
    rest = data[start + length :]
    return unpacked(head["tree"], [_blob(rest, *row) for row in head["blobs"]])


def _blob(rest: Bytes, at: int, stored: int, size: int) -> Bytes:
    """Return one blob as it was before it was written."""
    piece = rest[at : at + stored]
    if stored == size:
        return piece
    undo = zlib.decompressobj()
    out = _bytes(undo.decompress(piece.tobytes(), size))
    if len(out) != size:
        raise DamagedError("a blob is shorter than it was")
    return out


def _deflated(blob: Bytes) -> Bytes:
    """Return a blob deflated if that makes it much smaller, else as it is."""
    if blob.size < _LEAST:
        return blob
    middle = (blob.size - _PROBE) // 2 if blob.size > _PROBE else 0
    probe = blob[middle : middle + _PROBE]
    if len(zlib.compress(probe.data, 1)) > _PAYS * probe.size:
        return blob
    out = _bytes(zlib.compress(blob.data, 1))
    return out if out.size < blob.size else blob


def _bytes(data: bytes) -> Bytes:
    return np.frombuffer(data, dtype=np.uint8)
