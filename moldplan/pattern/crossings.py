"""Faces of a surface that cut through other faces of it."""

import numpy as np

from moldplan.pattern.topology import Ints, Surface


def crossing_faces(surface: Surface, *, most: int = 1000) -> Ints:  # noqa: ARG001 - not built yet
    """Return the numbers of the faces that cut through others, the lowest `most` of them, sorted."""
    return np.empty(0, dtype=np.int64)
