"""The solids of one half's mould as values, and what was written of them."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final, Literal

import manifold3d
import numpy as np
from numpy.typing import NDArray

from moldplan.half.model import HalfName
from moldplan.half.solids import solid_of
from moldplan.pattern.arrays import mesh_volume_mm3

PartName = Literal["pattern", "rubber", "jacket", "wall", "board", "buttons"]
State = Literal["coating", "jacketing", "coating and jacketing"]

#: The state of the board each part stands on it in: the wall is stripped before the jacket is laid up.
STATES: Final[dict[PartName, State]] = {
    "pattern": "coating and jacketing",
    "rubber": "coating and jacketing",
    "jacket": "jacketing",
    "wall": "coating",
    "board": "coating and jacketing",
    "buttons": "jacketing",
}


@dataclass(frozen=True, kw_only=True)
class Part:
    """One part as a closed mesh in its half's own frame: board at z = 0, pull +z, mm.

    `vertices` (n, 3) and `faces` (m, 3), wound outwards, every edge with two faces; both read-only.
    """

    name: PartName
    half: HalfName
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]

    @property
    def state(self) -> State:
        """The state of the board it belongs to."""
        return STATES[self.name]

    @property
    def title(self) -> str:
        """What it is called in files that name their parts, such as "jacket A (jacketing)"."""
        return f"{self.name} {self.half} ({self.state})"

    @cached_property
    def volume_mm3(self) -> float:
        """Volume of the solid."""
        return mesh_volume_mm3(self.vertices, self.faces)

    @cached_property
    def solid(self) -> manifold3d.Manifold:
        """The part as an exact solid, for cutting and joining; made when first asked for.

        Raises
        ------
        PatternError
            When the mesh is no closed solid.
        """
        return solid_of(self.vertices, self.faces, self.title)


@dataclass(frozen=True, kw_only=True)
class MouldSolids:
    """The parts of one half's mould as solids, all in the half's own frame.

    `jacket` is None when the plan holds no outside of the jacket, `buttons` (all studs together) when
    there are none. Jacket and rubber share the triangles of the rubber's outer face.
    """

    pattern: Part
    rubber: Part
    jacket: Part | None
    wall: Part
    board: Part
    buttons: Part | None

    def parts(self) -> Iterator[Part]:
        """Walk over the parts there are, in the order they come to the board."""
        every = (self.board, self.pattern, self.wall, self.rubber, self.jacket, self.buttons)
        return (part for part in every if part is not None)


@dataclass(frozen=True, kw_only=True)
class SolidFile:
    """One file that was written: which part it holds, in which state, and its volume.

    `part` is "all parts" for the file that holds every part of a half by name.
    """

    path: Path
    half: HalfName
    part: str
    state: State
    volume_l: float
    triangles: int
