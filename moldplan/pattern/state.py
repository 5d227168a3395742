"""What is known of a mesh while it climbs the ladder of mending, and how a rung notes what it did."""

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from moldplan.pattern.model import Marks, Repair, Rung
from moldplan.pattern.topology import Floats, Ints, Surface


@dataclass(frozen=True, kw_only=True)
class Found:
    """What was counted on the way, of the file as it came (points with equal coordinates taken as one)."""

    points: int
    triangles: int
    degenerate: int = 0
    doubled: int = 0
    flipped: int = 0
    open_edges: int = 0
    open_loops: int = 0
    nonmanifold: int = 0


@dataclass(frozen=True, kw_only=True)
class Mended:
    """A mesh with its history. `problems` is empty when the surface is one closed outward-wound solid."""

    surface: Surface
    found: Found
    repairs: tuple[Repair, ...] = ()
    problems: tuple[str, ...] = ()
    bodies: int = 0
    genus: int = 0
    flat: bool = False
    """Whether nothing solid can come of it, whatever is tried, so that the rest is not looked at."""
    marks: Marks | None = None
    """Where the mended surface differs from the one in the file; None when it does nowhere."""
    unsure: Floats = field(default_factory=lambda: np.zeros((0, 4)))
    """(k, 4): the middles of faces that fill what was open, and how far off each may be."""
    turned_inside_out: bool = False
    crossing_faces: int = 0


class Shift(NamedTuple):
    """How far a rung moved the surface, in the mesh's own numbers; see `moldplan.pattern.model.Repair`."""

    most: float = 0.0
    mean: float = 0.0
    p99: float = 0.0
    place: tuple[float, float, float] | None = None
    volume: float = 0.0


NOWHERE = Shift()


def noted(  # noqa: PLR0913 - what a repair is told by
    state: Mended, what: str, count: int, *, rung: Rung, shift: Shift = NOWHERE, cell: float | None = None
) -> Mended:
    """Note a repair that happened `count` times; nothing when it never did.

    What a later round does again is added to what the first did. `cell` is that of a surface made anew.
    """
    if count == 0:
        return state
    repair = Repair(
        what=what, count=count, rung=rung, moved_mm=shift.most, mean_mm=shift.mean, p99_mm=shift.p99,
        place_mm=shift.place, volume_mm3=shift.volume, cell_mm=cell,
    )  # fmt: skip
    kinds = [(other.rung, other.what) for other in state.repairs]
    if (rung, what) not in kinds:
        return replace(state, repairs=(*state.repairs, repair))
    at = kinds.index((rung, what))
    both = _added(state.repairs[at], repair)
    return replace(state, repairs=(*state.repairs[:at], both, *state.repairs[at + 1 :]))


def _added(first: Repair, second: Repair) -> Repair:
    """Return two repairs of one kind as one."""
    worst = max(first, second, key=lambda repair: repair.moved_mm)
    return replace(
        worst,
        count=first.count + second.count,
        mean_mm=first.mean_mm + second.mean_mm,
        p99_mm=max(first.p99_mm, second.p99_mm),
        volume_mm3=first.volume_mm3 + second.volume_mm3,
    )


def shift_of(away: Floats, area: Floats, places: Floats, *, whole: float) -> Shift:
    """Return how far a surface moved, from samples of it.

    Parameters
    ----------
    away
        (k,), how far the surface lies off at every sample.
    area
        (k,), the area each stands for.
    places
        (k, 3).
    whole
        Area of the whole surface; what no sample stands for moved nowhere.
    """
    if len(away) == 0 or float(away.max()) == 0.0:
        return NOWHERE
    worst = int(away.argmax())
    x, y, z = places[worst].tolist()
    order = np.argsort(away)[::-1]
    above = np.cumsum(area[order])
    at = int(np.searchsorted(above, 0.01 * whole))
    volume = float((away * area).sum())
    return Shift(
        most=float(away[worst]), mean=volume / max(whole, 1e-300),
        p99=float(away[order[at]]) if at < len(order) else 0.0, place=(x, y, z), volume=volume,
    )  # fmt: skip


def proper_faces(faces: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which faces have three different corners."""
    a, b, c = faces.T
    return np.asarray((a != b) & (b != c) & (c != a))


def compact(surface: Surface) -> Surface:
    """Return the surface without points that no face uses: they would spoil the size."""
    used = np.zeros(len(surface.points), dtype=bool)
    used[surface.faces] = True
    if bool(used.all()):
        return surface
    number = np.cumsum(used) - 1
    return Surface(surface.points[used], number[surface.faces])
