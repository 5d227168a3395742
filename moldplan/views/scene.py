"""What a section shows, and how it is drawn at any scale: the whole of it, or a detail."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.half.model import Half
from moldplan.mould.board import BOARD_MM
from moldplan.mould.model import Mould
from moldplan.views import furniture as fit
from moldplan.views.cutting import Cut, Profile, cut_profile, distance_field
from moldplan.views.paper import BLUE, DASHED, FINE, MEDIUM, SOFT, THIN, Box, Pen, Sheet, areal
from moldplan.views.scale import Scale, drawn, fitting_scale

if TYPE_CHECKING:
    from moldplan.plan import Plan

SKIN_TONE, FILL_TONE, GAP_TONE, JACKET_TONE, BOARD_TONE = (
    "#c6c6c6",
    "#e9e9e9",
    "#c3d6e8",
    "#4a4a4a",
    "#f3f3f3",
)
#: A jacket is drawn no thinner than this on paper.
_LEAST_JACKET_MM = 0.8
#: How much of a broken-off board is drawn beside the outermost thing on it, as a share of their length.
_BROKEN_SHARE = 0.03
_FINE_BLUE = Pen(0.18, colour=BLUE)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One half's section with all its shapes, in mm."""

    half: Half
    mould: Mould
    cut: Cut
    profile: Profile
    skin: shapely.MultiPolygon
    """Rubber no further from the half, in space, than the skin is thick."""
    broken: bool = False
    """Whether the board is drawn without its ends, to make room for a larger scale."""

    def jacket_mm(self, scale: Scale) -> float:
        """Return how thick the jacket is drawn: true, or just thick enough to be seen."""
        return max(self.mould.jacket.thickness_mm, _LEAST_JACKET_MM * scale.ratio)


def make_scene(plan: "Plan", half: Half, mould: Mould, cut: Cut) -> Scene:
    """Return the section's shapes."""
    flange = mould.jacket.thickness_mm * plan.settings.number("jacket.flange_times")
    profile = cut_profile(half, mould, cut, flange_mm=flange)
    return Scene(half=half, mould=mould, cut=cut, profile=profile, skin=_skin(half, mould, cut, profile))


def _skin(half: Half, mould: Mould, cut: Cut, profile: Profile) -> shapely.MultiPolygon:
    """Return the skin, from distances on a grid a quarter of it wide (wider on figures over 1.4 m)."""
    if profile.rubber.is_empty:
        return shapely.MultiPolygon()
    thick = mould.rubber.skin_mm
    left, low, right, high = profile.rubber.bounds
    cell = max(thick / 4.0, (right - left) / 700.0)
    window = (left - 2.0 * cell, low - 2.0 * cell, right + 2.0 * cell, high + 2.0 * cell)
    field = distance_field(half, cut, window, cell_mm=cell, reach_mm=thick + 2.0 * cell)
    return areal(field.between(-1.0, thick).intersection(profile.rubber))


def extent(scene: Scene) -> Box:
    """Return the box round everything in the section, in mm."""
    profile = scene.profile
    shapes = [profile.half, profile.covered, profile.wall, profile.flange, profile.board]
    bounds = np.array([shape.bounds for shape in shapes if not shape.is_empty])
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def fitted_scene(scene: Scene, room: Box) -> tuple[Scene, Scale]:
    """Return the scene and its scale in `room`; the board broken off where that gives a larger scale."""
    whole = fitting_scale(extent(scene), room, upright="low")
    profile = scene.profile
    things = shapely.union_all([profile.half, profile.covered, profile.wall, profile.flange])
    if things.is_empty:
        return scene, whole
    left, _, right, _ = things.bounds
    beside = _BROKEN_SHARE * (right - left)
    ends = profile.board.bounds
    piece = shapely.box(max(left - beside, ends[0]), -BOARD_MM, min(right + beside, ends[2]), 0.0)
    short = replace(scene, profile=replace(profile, board=piece), broken=True)
    scale = fitting_scale(extent(short), room, upright="low")
    return (short, scale) if scale.ratio < whole.ratio else (scene, whole)


Placing = Callable[[BaseGeometry], BaseGeometry]


def placing(scale: Scale, window: BaseGeometry | None) -> Placing:
    """Return what takes areas in mm to paper and cuts them to `window` (paper mm)."""

    def place(shape: BaseGeometry) -> BaseGeometry:
        on_paper = drawn(shape, scale)
        if not on_paper.is_valid:  # parts thinned apart from each other may touch
            on_paper = shapely.make_valid(on_paper)
        return on_paper if window is None else areal(on_paper.intersection(window))

    return place


def draw_scene(sheet: Sheet, scene: Scene, scale: Scale, *, window: BaseGeometry | None = None) -> None:
    """Draw everything the cut goes through, or the part of it inside `window` (paper mm)."""
    place, profile = placing(scale, window), scene.profile
    board = place(profile.board)
    sheet.area(board, BOARD_TONE, tag="board")
    sheet.stroke(_without_ends(board) if scene.broken else board, MEDIUM, tag="board")
    _draw_rubber(sheet, scene, place)
    paint_half(sheet, place(profile.half))
    jacket = place(profile.jacket(scene.jacket_mm(scale)))
    sheet.area(jacket, JACKET_TONE, tag="jacket")
    sheet.stroke(jacket, FINE, tag="jacket")
    paint_wall(sheet, place(profile.wall))


def _without_ends(board: BaseGeometry) -> BaseGeometry:
    """Return the upper and lower edge of a broken-off board."""
    left, low, right, high = board.bounds
    return shapely.MultiLineString([[(left, low), (right, low)], [(left, high), (right, high)]])


def _draw_rubber(sheet: Sheet, scene: Scene, place: Placing) -> None:
    rubber = place(scene.profile.rubber)
    sheet.area(rubber, FILL_TONE, tag="rubber")
    for number, gap in scene.profile.gaps.items():
        paint_undercut(sheet, areal(place(gap).intersection(rubber)), tag=f"undercut-{number}")
    skin = place(scene.skin)
    sheet.area(skin, SKIN_TONE, tag="skin")
    sheet.stroke(skin, Pen(0.18), tag="skin")
    sheet.stroke(rubber, THIN, tag="rubber")


def paint_half(sheet: Sheet, shape: BaseGeometry) -> None:
    """Fill, hatch and outline an area as the sawn half."""
    sheet.area(shape, "#ffffff", tag="half")
    sheet.hatch(shape, Pen(0.25), gap_mm=2.6, turn_deg=45.0, tag="half-hatch")
    sheet.stroke(shape, MEDIUM, tag="half")


def paint_wall(sheet: Sheet, shape: BaseGeometry) -> None:
    """Hatch and outline an area as the clay wall, which is gone when the jacket is made."""
    sheet.hatch(shape, Pen(0.2, colour=SOFT), gap_mm=1.6, turn_deg=-45.0, tag="wall-hatch")
    sheet.stroke(shape, DASHED, tag="wall")


def paint_undercut(sheet: Sheet, shape: BaseGeometry, *, tag: str) -> None:
    """Fill and hatch an area as rubber in an undercut."""
    sheet.area(shape, GAP_TONE, tag=tag)
    sheet.hatch(shape, _FINE_BLUE, gap_mm=1.8, turn_deg=-45.0, tag="undercut-hatch")


def scene_samples(scene: Scene) -> list[tuple[fit.Sample, str]]:
    """Return the key of a section."""
    undercut = fit.area_sample(lambda sheet, box: paint_undercut(sheet, box, tag="key-sample"))
    return [
        (fit.area_sample(paint_half), "figure, sawn"),
        (fit.area_sample(_tone(SKIN_TONE)), "rubber skin"),
        (fit.area_sample(_tone(FILL_TONE)), "rubber beyond the skin"),
        *([(undercut, "rubber in an undercut")] if scene.profile.gaps else []),
        (fit.area_sample(_tone(JACKET_TONE)), "jacket and its flange"),
        (fit.area_sample(paint_wall), "clay wall, gone by then"),
        (fit.area_sample(_tone(BOARD_TONE)), f"board, drawn {BOARD_MM:.0f} mm"),
    ]


def _tone(colour: str) -> Callable[[Sheet, shapely.Polygon], None]:
    def paint(sheet: Sheet, box: shapely.Polygon) -> None:
        sheet.area(box, colour, tag="key-sample")
        sheet.stroke(box, THIN, tag="key-sample")

    return paint
