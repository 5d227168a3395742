"""A closed surface made anew from one that no mending made a solid."""

from dataclasses import dataclass

from moldplan.pattern.topology import Surface


@dataclass(frozen=True, kw_only=True)
class Resurfaced:
    """A surface made anew on a grid of cubes of edge `cell`, in the mesh's own numbers.

    `problem` says why it cannot be trusted, with a place; None when it can.
    """

    surface: Surface
    cell: float
    problem: str | None = None


def resurface(surface: Surface, *, cells: int) -> Resurfaced:  # noqa: ARG001 - not built yet
    """Return a closed surface round what `surface` encloses, `cells` cubes along its longest side."""
    return Resurfaced(surface=surface, cell=0.0, problem="not built yet")
