"""What a disk does and says: onto it for good, changing names in one step, its refusals in words."""

import ctypes
import errno
import os
import shutil
import sys
from pathlib import Path
from typing import Final

from moldplan.errors import OutputError

#: What a disk says that has no room, or that can no longer be written.
_FULL: Final = frozenset({errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)})
_GONE: Final = frozenset({errno.EROFS, errno.EIO})
_ROOM_BYTES: Final = 1_000_000  # with less, a write that failed without a reason failed for want of room


def onto_disk(path: Path) -> None:
    """Bring a file, or a folder's list of names, onto the disk, so that a power cut does not lose it.

    Raises
    ------
    OSError
        When the disk has no room, or fails.
    """
    if os.name == "nt":  # it wants files opened for writing and knows no folders
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno in _FULL | _GONE:
            raise
    finally:
        os.close(handle)


def exchange(one: Path, other: Path) -> bool:
    """Let two folders change names in one step; False where the system or the drive has no such step.

    Raises
    ------
    OSError
        When the disk refuses.

    References
    ----------
    Linux renameat2(2), RENAME_EXCHANGE; macOS renamex_np(2), RENAME_SWAP.
    """
    names = os.fsencode(one), os.fsencode(other)
    here, exchange, swap = -100, 2, 2  # AT_FDCWD and the two flags
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            failed = library.renamex_np(*names, ctypes.c_uint(swap))
        else:
            failed = library.renameat2(here, names[0], here, names[1], ctypes.c_uint(exchange))
    except (AttributeError, OSError, TypeError):  # no such function here
        return False
    number = ctypes.get_errno()
    if not failed or number in {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}:
        return not failed
    raise OSError(number, os.strerror(number), str(other))


def is_disk_trouble(error: OSError, target: Path) -> bool:
    """Return whether a block failed for the disk's sake; some writers do not say why they failed."""
    if error.errno is None:
        return _free_bytes(target) < _ROOM_BYTES
    return error.errno in _FULL | _GONE


def cannot_write(folder: Path, parent: Path, error: OSError) -> OutputError:
    """Return the error for a place where nothing can be written.

    Parameters
    ----------
    folder
        What was to be made or changed.
    parent
        Where that failed.
    error
        What the system said.
    """
    if error.errno in _FULL:
        return OutputError(disk_message(folder, error))
    text = f"{parent}: cannot write here: {error.strerror or error}"
    if parent != folder and folder.is_dir() and os.access(folder, os.W_OK):
        text += f": new results are put together beside {folder.name}, not in it"
    return OutputError(f"{text}: make it writable, or choose another --out")


def disk_message(target: Path, error: OSError) -> str:
    """Return what the disk refused, how much room it has and what to do."""
    if error.errno not in _FULL and error.errno is not None:
        return f"{target}: cannot be written: {error.strerror}"
    limit = {
        errno.EFBIG: "a file would be larger than is allowed here",
        getattr(errno, "EDQUOT", -1): "your share of the disk is used up",
    }.get(error.errno or errno.ENOSPC, "the disk is full")
    return (
        f"{target}: cannot be written: {limit} ({_free_bytes(target) / 1e6:.1f} MB free): make room, or "
        "choose another --out; what was there before is unchanged"
    )


def _free_bytes(target: Path) -> int:
    """Return the room on the disk of a folder that may not be there yet."""
    return shutil.disk_usage(next(one for one in (target, *target.absolute().parents) if one.exists())).free
