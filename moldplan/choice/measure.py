"""One plane measured as a mould: cut, rubber under its real outer face, boards, jackets, seam, stretch.

Everything is worked out on the whole mesh by the stages that plan the mould, at coarser cells than a plan's
and without the coats.

Error budget
    Undercuts, volumes, the seam's length and how steady a half lies are exact for the mesh. The deepest
    undercut is that over the middle of a cell: off by a few cells where a gap ends at a steep wall (up to
    23 mm seen on figures of 1.2 m). Against planned moulds at 512 cells, on twelve planes of three figures of
    23 000 to 100 000 triangles: skin within 0.2 %, fill 0.7 %, rubber 0.3 %, jackets 0.8 %, boards one step
    of rounding (10 mm) larger or smaller.

    Skin: rubber within the skin's thickness t of the figure, measured once for the whole pattern, because a
    plane only decides which half it belongs to. Two things are left out. Where the surface leans by an angle
    phi off square to the plane, the halves have ``t^2 (tan(phi) - phi) / 2`` less a unit of seam, phi in
    radians (derived, first principles: what lies above the plane over the surface below it, less the round
    that is left within t of the cut edge); 0.11 t^2 at 45 deg. And a sealed pocket gets no rubber at all.
    Fill takes up both, so that skin and fill still make the rubber.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from moldplan.cards.model import Settings
from moldplan.choice.model import HalfMeasures, Measures, Patch
from moldplan.choice.seam import seam_of
from moldplan.choice.standing import tips_deg
from moldplan.columns.distance import distance_cell_mm, distance_grid, volumes_within
from moldplan.columns.offset import unit_normals
from moldplan.half import cut
from moldplan.half.model import Half
from moldplan.half.pieces import pieces
from moldplan.mould.bands import band_strain
from moldplan.mould.board import plan_board
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.rubber import brief_rubber
from moldplan.mould.wall import plan_wall
from moldplan.pattern.model import Pattern
from moldplan.progress import QUIET, Progress
from moldplan.split import Plane, called, locked_volume

#: Cells along a half's longest side when it is cut: how true the places and depths of undercuts are.
CUT_CELLS: Final = 256
#: Cells along a half's longest side when its rubber is measured.
RUBBER_CELLS: Final = 192
#: Cubes across the skin when it is measured over the whole pattern.
SKIN_CUBES: Final = 2.0

_MM3_PER_L = 1e6


def measure(  # noqa: PLR0913 - the plane of a pattern, its settings, and four things a person may leave out
    pattern: Pattern,
    plane: Plane,
    settings: Settings,
    *,
    patches: Sequence[Patch] = (),
    skin_mm3: float,
    cells: int = RUBBER_CELLS,
    progress: Progress = QUIET,
) -> tuple[Measures, tuple[Half, Half]]:
    """Return what one plane measures as a mould, and the two halves it was measured on.

    Parameters
    ----------
    pattern
        A closed solid in mm.
    plane
        Where to part it, unit normal; half A lies on the side its normal points to.
    settings
        Every value the mould's stages use, ``rubber.cost_per_kg`` and ``split.clean_margin_mm``.
    patches
        What the seam is to keep off.
    skin_mm3
        The skin over the whole pattern (`skin_volume`), the same for every plane.
    cells
        Cells along the longest side of each half when its rubber is measured.
    progress
        Told of each step; its `stop` event ends the work.

    Returns
    -------
    tuple
        The `Measures`, and half A and half B at `CUT_CELLS`.

    Raises
    ------
    PatternError
        When the plane misses the pattern.
    SettingError
        When the plane's normal has no length, or a number is not finite.
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Accuracy: see the module. Works on one thread and shares nothing, so that planes can be measured side by
    side; about 2 s for 100 000 triangles.
    """
    names = called(plane.normal, pattern.up, pattern.front)
    halves = cut(pattern, plane, called=names, cells=CUT_CELLS, progress=progress.part(0.0, 0.5))
    progress.step("measuring the rubber of both halves", 0.5)
    measured = (_half(halves[0], settings, cells), _half(halves[1], settings, cells))
    progress.step("following the seam", 0.95)
    undercut = sum(half.undercut_mm3 for half in measured)
    kg = settings.number("rubber.density_kg_l") / _MM3_PER_L
    rubber = sum(half.rubber_mm3 for half in measured)
    skin = min(skin_mm3, rubber)
    cost = kg * settings.number("rubber.cost_per_kg")
    return Measures(
        undercut_mm3=undercut,
        locked_mm3=min(locked_volume(pattern, plane.array()), undercut),
        rubber_kg=kg * rubber,
        skin_kg=kg * skin,
        fill_kg=kg * (rubber - skin),
        rubber_cost=cost * rubber,
        fill_cost=cost * (rubber - skin),
        seam=seam_of(pattern, plane, patches, margin_mm=settings.number("split.clean_margin_mm")),
        halves=measured,
    ), halves


def measure_off(pattern: Pattern, plane: Plane, settings: Settings) -> tuple[float, float]:
    """Return the undercut in mm3 and the rubber in kg of one plane, both halves, and nothing else.

    The same numbers as `measure` gives, in half the time: for a plane that the saw might make by mistake.

    Raises
    ------
    PatternError
        When the plane misses the pattern.
    """
    names = called(plane.normal, pattern.up, pattern.front)
    halves = cut(pattern, plane, called=names, cells=CUT_CELLS)
    rubber = sum(brief_rubber(half, settings, cells=RUBBER_CELLS).mass_kg for half in halves)
    return sum(half.undercut.volume_mm3 for half in halves), rubber


def skin_volume(pattern: Pattern, settings: Settings) -> float:
    """Return the volume within the skin's thickness outside the whole pattern, mm3.

    Parameters
    ----------
    pattern
        A closed solid in mm.
    settings
        Reads ``mould.skin_mm``.

    Notes
    -----
    Good to about 0.1 % (`moldplan.columns.distance` with `SKIN_CUBES` cubes across the skin). About 1 s for
    100 000 triangles at 8 mm of skin.
    """
    reach = settings.number("mould.skin_mm")
    if reach <= 0.0:
        return 0.0
    cell = max(distance_cell_mm(np.array(pattern.size_mm), reach_mm=reach), reach / SKIN_CUBES)
    # high over the board, so that none of it is cut away
    points = pattern.vertices - pattern.vertices.min(axis=0) + 2.0 * reach
    normals = unit_normals(points, pattern.faces)
    near = distance_grid(points, pattern.faces, normals=normals, reach_mm=reach, cell_mm=cell)
    return float(volumes_within(near, np.array([reach]))[0]) - pattern.volume_mm3


def _half(half: Half, settings: Settings, cells: int) -> HalfMeasures:
    """Measure one half and its mould."""
    rubber = brief_rubber(half, settings, cells=cells)
    board = plan_board(rubber, plan_wall(rubber, settings), settings)
    jacket = plan_jacket(half, rubber, settings)
    regions = half.undercut.regions
    return HalfMeasures(
        name=half.name,
        called=half.called,
        volume_mm3=half.volume_mm3,
        height_mm=half.height_mm,
        undercut_mm3=half.undercut.volume_mm3,
        deepest_undercut_mm=max((region.depth_mm for region in regions), default=0.0),
        loops=half.undercut.links,
        pieces=len(pieces(half)),
        tunnels=sum(region.mouths >= 2 for region in regions),
        rubber_mm3=rubber.volume_mm3,
        rubber_kg=rubber.mass_kg,
        peel=band_strain(half),
        coating_mm=board.coating_mm,
        jacketing_mm=board.jacketing_mm,
        sheets=board.sheets,
        jacket_kg=jacket.mass_kg,
        turning_kg=jacket.turning_kg,
        tips_deg=tips_deg(half),
    )
