"""Binary STL: 80 bytes of header, a count, and 50 bytes a triangle."""

from pathlib import Path
from typing import Final

import numpy as np

from moldplan.solids.rounding import RoundedMesh

_HEADER_BYTES: Final = 80
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])


def write_stl(path: Path, mesh: RoundedMesh, header: str) -> None:
    """Write a mesh as binary STL, mm.

    Parameters
    ----------
    path
        Where to.
    mesh
        What.
    header
        One line for the file's head. Letters beyond ASCII become "?", and what is over 80 bytes is cut off.

    Raises
    ------
    OSError
        When the disk refuses.
    """
    records = np.zeros(len(mesh.faces), dtype=_RECORD)
    corners = mesh.corners_mm()
    a, b, c = (corners[mesh.faces[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    records["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0.0)
    records["corners"] = np.stack([a, b, c], axis=1)
    head = header.encode("ascii", "replace")[:_HEADER_BYTES].ljust(_HEADER_BYTES)
    with path.open("wb") as stream:
        stream.write(head)
        stream.write(np.uint32(len(records)).astype("<u4").tobytes())
        stream.write(records.tobytes())
