"""Cut a pattern into two halves, or lay it whole on its flat back."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.errors import SettingError
from moldplan.half.model import Half, HalfName
from moldplan.half.outlines import projection_outline, section_outline
from moldplan.half.solids import (
    Solid,
    direction_on_board,
    frame,
    laid,
    sawn,
    topology,
    transform,
    unit_normal,
)
from moldplan.half.undercut import measure_undercut
from moldplan.pattern.arrays import frozen, mesh_volume_mm3
from moldplan.pattern.model import Pattern, axis_vector
from moldplan.progress import QUIET, Progress
from moldplan.split.model import Plane
from moldplan.tolerances import DEFAULT_CELLS

#: Fewer cells than this along the longest side show no shape, more need too much memory.
LEAST_CELLS: Final = 16
MOST_CELLS: Final = 4096


def cut(
    pattern: Pattern,
    plane: Plane,
    *,
    called: tuple[str, str] = ("FRONT", "BACK"),
    cells: int = DEFAULT_CELLS,
    progress: Progress = QUIET,
) -> tuple[Half, Half]:
    """Cut a pattern at a plane and lay both halves on their boards.

    Parameters
    ----------
    pattern
        The solid to cut.
    plane
        Where to cut. Half A lies on the side its normal points to.
    called
        What people call half A and half B.
    cells
        Cells along the longest side of each half, 16 to 4096: the resolution of places and lengths.
        Volumes do not depend on it.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    tuple of Half
        Half A and half B. Their volumes add up to the pattern's to rounding.

    Raises
    ------
    PatternError
        When the plane misses the pattern, or the mesh is no closed solid.
    SettingError
        When the plane's normal has no length, a number is not finite, or `cells` is out of range.
    StoppedError
        When `progress` was told to stop.
    """
    _check_cells(cells)
    normal = unit_normal(plane)
    progress.step("sawing the pattern", 0.0)
    above, below = sawn(pattern, normal, plane.offset_mm)
    progress.step(f"looking for undercuts in {called[0]} and {called[1]}", 0.2)
    side_a = _Laying(pattern=pattern, pull=normal, origin=normal * plane.offset_mm)
    side_b = replace(side_a, pull=-normal)
    # the halves share nothing, and the kernels let go of the interpreter's lock
    with ThreadPoolExecutor(max_workers=2) as pool:
        waiting = pool.submit(_half, "B", called[1], below, laying=side_b, cells=cells)
        half_a = _half("A", called[0], above, laying=side_a, cells=cells)
        return half_a, waiting.result()


def lay_whole(
    pattern: Pattern, back: Plane, *, cells: int = DEFAULT_CELLS, progress: Progress = QUIET
) -> Half:
    """Lay a whole pattern on its flat back, for a one-part open mould.

    Parameters
    ----------
    pattern
        The relief.
    back
        The plane of its flat back, normal pointing into the figure. What lies behind it is planed off.
    cells
        Cells along the longest side, 16 to 4096.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    Half
        Named A, called WHOLE.

    Raises
    ------
    PatternError
        When the pattern does not touch the plane, or the mesh is no closed solid.
    SettingError
        When the plane's normal has no length, a number is not finite, or `cells` is out of range.
    StoppedError
        When `progress` was told to stop.
    """
    _check_cells(cells)
    normal = unit_normal(back)
    progress.step("laying the pattern on its back", 0.0)
    solid = laid(pattern, normal, back.offset_mm)
    progress.step("looking for undercuts", 0.4)
    laying = _Laying(pattern=pattern, pull=normal, origin=normal * back.offset_mm)
    return _half("A", "WHOLE", solid, laying=laying, cells=cells)


def _check_cells(cells: int) -> None:
    """Refuse a resolution out of range."""
    if not LEAST_CELLS <= cells <= MOST_CELLS:
        raise SettingError(
            f"cells: got {cells}, allowed {LEAST_CELLS} to {MOST_CELLS} along the longest side of a half; "
            f"{DEFAULT_CELLS} is usual"
        )


@dataclass(frozen=True, kw_only=True)
class _Laying:
    """How a half came to its board: the pattern, the unit pull and the frame's origin (file axes)."""

    pattern: Pattern
    pull: NDArray[np.float64]
    origin: NDArray[np.float64]


def _half(name: HalfName, called: str, solid: Solid, *, laying: _Laying, cells: int) -> Half:
    """Measure one half and freeze it."""
    pattern, rotation = laying.pattern, frame(laying.pull, laying.pattern)
    volume = mesh_volume_mm3(solid.vertices, solid.faces)
    shape = topology(solid)
    to_half = transform(rotation, laying.origin)
    undercut = measure_undercut(solid, volume_mm3=volume, links=shape.links, cells=cells)
    for array in (to_half, solid.vertices, solid.faces):
        frozen(array)
    return Half(
        name=name,
        called=called,
        to_half=to_half,
        vertices=solid.vertices,
        faces=solid.faces,
        volume_mm3=volume,
        height_mm=float(solid.vertices[:, 2].max()),
        section=section_outline(solid),
        projection=projection_outline(solid),
        genus=shape.genus,
        up_xy=direction_on_board(axis_vector(pattern.up), rotation),
        front_xy=direction_on_board(axis_vector(pattern.front), rotation),
        undercut=undercut,
    )
