"""The rubber over one half: its four parts, its mass, its coats.

Goal: the least rubber that covers the half by the skin everywhere, fills its undercuts down to the board, and
lets a rigid jacket lift off at the draft.

1. The outer face (`moldplan.mould.outer`), in the steps grown, leaned, edged.
2. Four parts, each from its own step: skin = half grown by the skin, above the board, less the half
   (distance grid); fill = the grown half's shadow filled to the board less the grown half; draft = leaned
   less filled; edge = what the flange adds. A sealed pocket gets no rubber and counts in none of them.
3. The whole once more by a second way: the finished outer face as triangles between the middles of the cells,
   less the half's exact volume (`measured_mm3`).
4. Coats (`moldplan.mould.coats`) from the film that stays of the detail coat (`moldplan.mould.film`); mass;
   what to order: all that is brushed, run-off as well, and a reserve on top.
5. How thick the rubber stands (`moldplan.mould.thickness`), and what one more degree of draft takes: the
   whole at half a degree more and less, on a coarse grid, whose error the difference loses.

Error: the heights are exact, their integrals good to about 1e-4, the skin second order in the distance cell.
Whole and measured agree within 1 %.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.columns.distance import DistanceGrid, distance_cell_mm, distance_grid, volumes_within
from moldplan.columns.offset import height_map
from moldplan.half.model import Half
from moldplan.mould.buttons import place_buttons
from moldplan.mould.coats import (
    Base,
    base_distances_mm,
    crumb_from_mm,
    list_coats,
    pocket_volumes,
    sealed_mm3,
    thick_coat_mm,
)
from moldplan.mould.film import detail_film
from moldplan.mould.keys import key_form
from moldplan.mould.model import BriefRubber, Coat, Rubber
from moldplan.mould.outer import Build, Outer, measure_outer, outer_face, triangulated_mm3
from moldplan.mould.surface import surface_of
from moldplan.mould.thickness import thickness_of
from moldplan.pattern import mesh_area_mm2
from moldplan.progress import QUIET, Progress
from moldplan.tolerances import DEFAULT_CELLS

Floats = NDArray[np.float64]

_MM3_PER_L = 1e6
#: Cells along the longest side where only a difference of two rubbers is wanted.
_COARSE_CELLS: Final = 128
#: Degrees of draft to either side of the built one, and the least that is tried.
_DRAFT_STEP_DEG: Final = 0.5
_LEAST_DRAFT_DEG: Final = 0.05


@dataclass(frozen=True, kw_only=True)
class _Parts:
    """Volumes (mm3): within each base coat's distance, and the four parts; what sealed pockets hold."""

    depths_mm: Floats
    within: Floats
    fill: float
    draft: float
    edge: float
    sealed: float

    @property
    def skin(self) -> float:
        """The skin, which is what lies within the last base coat's distance."""
        return float(self.within[-1])

    @property
    def whole(self) -> float:
        """All rubber."""
        return self.skin + self.fill + self.draft + self.edge


def build_for(half: Half, settings: Settings) -> Build:
    """Read how to build the rubber of `half`: a shallow half needs less draft than a deep one."""
    shallow = half.height_mm <= settings.number("mould.shallow_depth_mm")
    draft_deg = settings.number("mould.draft_shallow_deg" if shallow else "mould.draft_deep_deg")
    return Build(
        skin_mm=settings.number("mould.skin_mm"),
        draft_deg=draft_deg,
        edge_width_mm=settings.number("mould.edge_width_mm"),
        edge_thickness_mm=settings.number("mould.edge_thickness_mm"),
        flange_width_mm=settings.number("jacket.flange_width_mm"),
        inner_opening_mm=settings.number("mould.inner_opening_mm"),
        inner_wall_mm=_inner_wall_mm(settings),
        keys=key_form(settings, draft_deg=draft_deg),
    )


def _inner_wall_mm(settings: Settings) -> float:
    """Return what moat and clay wall take off an opening all round."""
    by_height = settings.number("clay.wall_least_height_mm") / settings.number("clay.wall_slenderness")
    thickness = max(settings.number("clay.wall_least_thickness_mm"), by_height)
    return settings.number("clay.moat_width_mm") + thickness


def plan_rubber(half: Half, settings: Settings, *, progress: Progress = QUIET) -> Rubber:
    """Plan the rubber over one half.

    Parameters
    ----------
    half
        The half on its board.
    settings
        Reads ``mould.*`` (skin, drafts, edge) and ``rubber.*`` (density, coats, times).
    progress
        Told of each step.

    Returns
    -------
    Rubber
        Volumes in mm3; the four parts add up to ``volume_mm3``, and so do the coats.

    Raises
    ------
    StoppedError
        When `progress` was told to stop.

    Notes
    -----
    Cells are the half's longest side / 512. About 3 s for 100 000 triangles.
    """
    build = build_for(half, settings)
    progress.step("measuring distances round the half", 0.05)
    near = _distances(half, build, settings)
    progress.step("leaning the rubber's outside to the draft", 0.4)
    outer = outer_face(half, build)
    progress.step("counting coats", 0.85)
    surface = surface_of(half)
    film, thick = detail_film(half, surface, settings), thick_coat_mm(settings, surface=surface)
    depths = base_distances_mm(build.skin_mm, detail_mm=film.mean_mm, thick_mm=thick)
    parts = _parts(half, near, outer, depths)
    base = Base(
        depths_mm=depths, within_mm3=parts.within, thick_mm=thick, detail_least_mm=film.least_mm,
        run_off_mm3=film.run_off_mm3, drawn_mm3=parts.fill + parts.draft,
        drawn_depth_mm=half.height_mm * np.sin(build.draft_rad), edge_mm3=parts.edge - outer.keys_mm3,
        edge_depth_mm=build.edge_thickness_mm, keys_mm3=outer.keys_mm3,
        keys_depth_mm=build.keys.height_mm if build.keys is not None else 0.0,
    )  # fmt: skip
    coats = list_coats(half, near, base, settings)
    rubber = _assembled(half, build, outer, parts, coats, settings)
    progress.step("measuring how thick the rubber stands", 0.95)
    return replace(
        rubber,
        run_off_mm3=film.run_off_mm3,
        thickness=thickness_of(half, rubber.outer_mm, rubber.grid, top_mm=rubber.top_mm, surface=surface),
        draft_kg_per_deg=draft_kg_per_deg(half, build, settings),
    )


def _distances(half: Half, build: Build, settings: Settings) -> DistanceGrid:
    """Return the distances round the half, as far as the skin, and as far as crumb may begin in undercuts."""
    size = half.vertices.max(axis=0) - half.vertices.min(axis=0)
    reach = crumb_from_mm(build.skin_mm, settings) if half.undercut.regions else build.skin_mm
    return distance_grid(
        half.vertices, half.faces, normals=half.creases.normals, reach_mm=reach,
        cell_mm=distance_cell_mm(size, reach_mm=build.skin_mm),
    )  # fmt: skip


def draft_kg_per_deg(half: Half, build: Build, settings: Settings) -> float:
    """Return how much more rubber (kg) one more degree of draft takes, about the draft of `build`.

    The difference of the whole rubber, edge and all but its keys, at half a degree more and half a degree
    less, at 128 cells; good to a few percent. About 0.4 s for 50 000 triangles.
    """
    low = max(build.draft_deg - _DRAFT_STEP_DEG, _LEAST_DRAFT_DEG)
    high = build.draft_deg + _DRAFT_STEP_DEG
    less, more = (
        measure_outer(half, replace(build, draft_deg=draft, keys=None), cells=_COARSE_CELLS).edged_mm3
        for draft in (low, high)
    )
    return (more - less) / (high - low) / _MM3_PER_L * settings.number("rubber.density_kg_l")


def brief_rubber(half: Half, settings: Settings, *, cells: int = DEFAULT_CELLS) -> BriefRubber:
    """Return how much rubber goes over one half, without planning its coats.

    Parameters
    ----------
    half
        The half on its board.
    settings
        Reads ``mould.*`` (skin, drafts, edge) and ``rubber.density_kg_l``.
    cells
        Cells along the half's longest side.

    Returns
    -------
    BriefRubber
        `plan_rubber` gives the same volume and areas at the same cells. At 192 cells the volume is some
        0.1 % off, up to 0.4 % where other places carry keys.

    Notes
    -----
    Under 0.2 s for a half of 50 000 triangles at 192 cells.
    """
    covered = measure_outer(half, build_for(half, settings), cells=cells)
    volume = covered.whole_mm3 - half.volume_mm3 - sealed_mm3(half)
    return BriefRubber(
        edge_line=covered.line,
        volume_mm3=volume,
        mass_kg=volume / _MM3_PER_L * settings.number("rubber.density_kg_l"),
        outer_area_mm2=covered.area_mm2,
        inner_area_mm2=_inner_area_mm2(half),
    )


def _parts(half: Half, near: DistanceGrid, outer: Outer, depths_mm: Floats) -> _Parts:
    """Return the volumes of the rubber's parts."""
    pockets, sealed = pocket_volumes(half, near, depths_mm)
    room = outer.grown_mm3 - half.volume_mm3 - sealed
    # the grown half lies within its own shadow: rounding of the cubes must not make the fill negative
    within = np.minimum(volumes_within(near, depths_mm) - half.volume_mm3 - pockets, room)
    within[depths_mm == 0.0] = 0.0  # no skin is exactly none
    return _Parts(
        depths_mm=depths_mm,
        within=within,
        fill=room - float(within[-1]),
        draft=outer.leaned_mm3 - outer.grown_mm3,
        edge=outer.edged_mm3 - outer.leaned_mm3 + outer.keys_mm3 + outer.raised_mm3,
        sealed=sealed,
    )


def _assembled(  # noqa: PLR0913, PLR0917 - it only fills the value
    half: Half, build: Build, outer: Outer, parts: _Parts, coats: tuple[Coat, ...], settings: Settings
) -> Rubber:
    """Put the rubber together, with its masses."""
    grid = outer.grid
    mass = parts.whole / _MM3_PER_L * settings.number("rubber.density_kg_l")
    used = math.fsum(coat.brushed_kg for coat in coats)
    reserve = settings.number("rubber.order_extra_percent") / 100.0
    unsure = settings.number("rubber.order_uncertain_percent") / 100.0
    return Rubber(
        skin_mm=build.skin_mm,
        draft_deg=build.draft_deg,
        grid=grid,
        outer_mm=outer.heights_mm,
        top_mm=height_map(
            half.vertices, half.faces, radius_mm=0.0, draft_rad=0.0, grid=grid, creases=half.creases
        ),
        edge_line=outer.line,
        volume_mm3=parts.whole,
        skin_mm3=parts.skin,
        fill_mm3=parts.fill,
        draft_mm3=parts.draft,
        edge_mm3=parts.edge,
        measured_mm3=triangulated_mm3(outer.heights_mm, grid.cell_mm) - half.volume_mm3 - parts.sealed,
        mass_kg=mass,
        order_kg=used * (1.0 + reserve),
        order_low_kg=used * (1.0 - unsure),
        order_high_kg=used * (1.0 + unsure),
        outer_area_mm2=outer.area_mm2,
        inner_area_mm2=_inner_area_mm2(half),
        coats=coats,
        region_coats={coat.region: coat.passes for coat in coats if coat.region is not None},
        keys=outer.keys,
        buttons=place_buttons(outer.heights_mm, grid, settings),
        keys_mm3=outer.keys_mm3,
    )


def _inner_area_mm2(half: Half) -> float:
    """Return the area of the half that rubber lies on: all of it but the face on the board."""
    above = half.vertices[half.faces][:, :, 2].max(axis=1) > 0.0
    return mesh_area_mm2(half.vertices, half.faces[above])
