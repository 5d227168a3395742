"""The one other file a mesh may bring along: plainly named, ordinary, and in the mesh's own folder.

A mesh comes by mail. What it names is somebody else's choice, so it must not reach anything that was not
sent with it: no way up or out of the folder, no link that leads out, no address, no device.
"""

import os
import stat
from pathlib import Path
from urllib.parse import unquote

from moldplan.errors import PatternError
from moldplan.pattern.limits import GIB

_LONGEST_NAME = 255


def read_neighbour(mesh: Path, uri: str, *, most_bytes: int) -> bytes:
    """Return the bytes of the file that `uri` names, seen from the folder of `mesh`.

    Parameters
    ----------
    mesh
        The mesh's file; its folder, links in it followed, is all that may be read from.
    uri
        As the mesh has it: a relative path, perhaps with %20 for a space (RFC 3986).
    most_bytes
        Over so many it is refused unread.

    Raises
    ------
    PatternError
        When the name leads elsewhere, the file is not there, no ordinary file, or too large.
    """
    path = _inside(mesh, uri)
    shown = f"{mesh.name}: its points are in {uri[:60]!r}, which"
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with open(handle, "rb") as file:  # noqa: PTH123 - opened so that a pipe cannot make us wait
            about = os.fstat(handle)
            if not stat.S_ISREG(about.st_mode):
                raise PatternError(f"{shown} is no ordinary file; export it as .glb, which is one file")
            if about.st_size > most_bytes:
                raise PatternError(
                    f"{shown} has {about.st_size / GIB:.2f} GiB, at most {most_bytes / GIB:.2f} GiB are "
                    "read; thin the mesh out in the program that made it"
                )
            return file.read(most_bytes)
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise PatternError(
            f"{shown} cannot be opened ({reason}); put it beside the mesh, or export it as .glb"
        ) from error


def _inside(mesh: Path, uri: str) -> Path:
    """Return the file that `uri` names when it lies in the mesh's folder."""
    name = unquote(uri, errors="strict") if len(uri) <= 3 * _LONGEST_NAME else ""
    parts = name.split("/")
    plain = name.isprintable() and not any(letter in name for letter in '\\:?#*|<>"')
    if not plain or any(part in ("", ".", "..") or len(part) > _LONGEST_NAME for part in parts):
        raise PatternError(
            f"{mesh.name}: its points are in {uri[:60]!r}, which is no plain file name in its own folder; "
            "export it as .glb, which is one file"
        )
    folder = mesh.parent.resolve()
    try:
        path = folder.joinpath(*parts).resolve()
    except (OSError, RuntimeError) as error:  # links that lead round in a ring
        raise PatternError(
            f"{mesh.name}: its points are in {uri[:60]!r}, which leads nowhere; "
            "export it as .glb, which is one file"
        ) from error
    if not path.is_relative_to(folder):
        raise PatternError(
            f"{mesh.name}: its points are in {uri[:60]!r}, a link that leads out of its own folder; "
            "export it as .glb, which is one file"
        )
    return path
