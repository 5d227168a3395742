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
    """One plane the search came to: a direction, refined, at its best allowed offset.

    Volumes are sums over the whole mesh on a grid of columns; the plan measures the chosen one exactly.
    """

    plane: Plane
    undercut_mm3: float
    locked_mm3: float
    share_above: float
    """Share of the volume in half A."""
    light_undercut_mm3: float
    """What the lighter copy, seen on fewer cells, made of the same direction while it was searched."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """Every direction the first scan looked along, for a map of the globe; arrays are read-only.

    `directions` (k, 3) are unit normals in the file's axes, each the one its plane goes by (front, left or
    top); `undercut_mm3`, `locked_mm3` and `offset_mm` (k,) are what the lighter copy locks along each at
    its best allowed offset.
    """

    directions: NDArray[np.float64]
    undercut_mm3: NDArray[np.float64]
    locked_mm3: NDArray[np.float64]
    offset_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        """Make the arrays read-only."""
        for array in self._arrays():
            array.flags.writeable = False

    def __eq__(self, other: object) -> bool:
        """Return whether every number is the same."""
        return isinstance(other, Seen) and all(
            np.array_equal(one, two) for one, two in zip(self._arrays(), other._arrays(), strict=True)
        )

    __hash__ = None  # type: ignore[assignment] # values that hold arrays are no keys

    def _arrays(self) -> tuple[NDArray[np.float64], ...]:
        return self.directions, self.undercut_mm3, self.locked_mm3, self.offset_mm


@dataclass(frozen=True, kw_only=True)
class Known:
    """A plane that was looked at for the same figure, and what it locks in both halves together."""

    plane: Plane
    undercut_mm3: float


@dataclass(frozen=True, kw_only=True)
class Splits:
    """Result of a search.

    `candidates` best first, how many directions were seen, how far (deg) any direction may be from the
    nearest one seen by the first scan, and, when the figure is a relief, the plane of its flat back (`normal`
    points from the back into the figure) for a one-part open mould.
    """

    candidates: tuple[Candidate, ...]
    directions_tried: int
    cover_deg: float
    open_back: Plane | None
    seen: Seen
