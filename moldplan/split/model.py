"""A split as a value: the plane, and what the first search found out about it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True)
class Plane:
    """A cutting plane; half A lies on the side its normal points to.

    Unit `normal` (3,) in the file's axes; `offset_mm` along it, measured from the middle of the figure's
    bounding box.
    """

    normal: tuple[float, float, float]
    offset_mm: float

    def array(self) -> NDArray[np.float64]:
        """Return the normal as an array, shape (3,)."""
        return np.array(self.normal, dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One direction seen by the search, at its best allowed offset.

    Volumes are sums over the whole mesh on the search's coarse grid; the plan measures the chosen one again.
    """

    plane: Plane
    undercut_mm3: float
    locked_mm3: float
    share_above: float
    """Share of the volume in half A."""


@dataclass(frozen=True, kw_only=True)
class Splits:
    """Result of a search.

    `candidates` best first, how many directions were seen, how far (deg) any direction may be from the
    nearest one seen, and, when the figure is a relief, the plane of its flat back (`normal` points from
    the back into the figure) for a one-part open mould.
    """

    candidates: tuple[Candidate, ...]
    directions_tried: int
    cover_deg: float
    open_back: Plane | None
