"""The section through an undercut, large enough to show every coat of rubber.

Steps
    1. The undercut: the one that most coats lie in, one on the other; the deepest along the pull of several.
    2. The plane: through its deepest place, along x or y, whichever shows more of the undercut.
    3. The window: round the undercut in that plane, with the rubber and the jacket over it.
    4. Base coats by true distances in space, exact (`cutting.distance_field`); the extra passes in the
       undercut by distances to points on the half's surface at most a cell apart, which are too long by no
       more than a third of a cell squared over the distance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from moldplan.half.model import Half, Region
from moldplan.mould.board import BOARD_MM
from moldplan.mould.model import Coat, Mould
from moldplan.tolerances import BOARD_EPSILON
from moldplan.views import furniture as fit
from moldplan.views.cutting import Cut, Profile, choose_cut, cut_profile, distance_field
from moldplan.views.details import base_coats, flank_point
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.paper import BLUE, FINE, MEDIUM, THIN, Box, Pen, Sheet, areal, inner_point
from moldplan.views.relief import band_shape
from moldplan.views.scale import DETAIL_SCALES, Scale
from moldplan.views.scene import BOARD_TONE, FILL_TONE, GAP_TONE, JACKET_TONE, Placing, paint_half, placing

Floats = NDArray[np.float64]
_AS_DEEP = 0.9
#: Lines of passes nearer than this on paper run into one: then only every second, fifth ... is drawn.
_LEAST_PITCH_MM = 0.9
_EVERY = (1, 2, 5, 10, 20, 50)
_COAT_TONES = ("#a9a9a9", "#d6d6d6")
_PASS_PEN = Pen(0.25, colour=BLUE)
#: Cells along the window's longer side, for distances.
_CELLS = 260
#: The same for the lines of passes, which lie further off and are smoother.
_FAR_CELLS = 110
#: Points on the surface at most: more would be slow, and finer than the drawing shows.
_MOST_POINTS = 200_000


@dataclass(frozen=True, kw_only=True)
class CoatSection:
    """What the section shows, in mm of its plane: see `moldplan.views.cutting` for the axes."""

    half: Half
    mould: Mould
    cut: Cut
    profile: Profile
    region: Region | None
    window: Box


def deepest_region(half: Half, mould: Mould) -> Region | None:
    """Return the undercut in which most coats lie on each other, None when the half has none."""
    passes = {coat.region: coat.passes for coat in mould.rubber.coats}

    def coats_deep(region: Region) -> tuple[int, float]:
        return passes.get(region.id, 0), region.depth_mm

    return max(half.undercut.regions, key=coats_deep, default=None)


def coat_cut(half: Half, mould: Mould) -> Cut:
    """Return the plane through the deepest place of `deepest_region`, along the axis that shows most."""
    region, gaps = deepest_region(half, mould), half.undercut.gaps
    mine = gaps.region == (0 if region is None else region.id)
    if region is None or not mine.any():
        return replace(choose_cut(half, mould), letter="T", region=None)
    row, col = gaps.row[mine], gaps.col[mine]
    depth = gaps.high_mm[mine] - gaps.low_mm[mine]
    deep = np.flatnonzero(depth >= _AS_DEEP * depth.max())
    centre = np.array([np.median(col[deep]), np.median(row[deep])])
    best = deep[np.hypot(col[deep] - centre[0], row[deep] - centre[1]).argmin()]
    shown_x = float(depth[col == col[best]].sum())
    shown_y = float(depth[row == row[best]].sum())
    if shown_x >= shown_y:
        return Cut(axis="x", at_mm=float(gaps.grid.x_mm()[col[best]]), letter="T", region=region.id)
    return Cut(axis="y", at_mm=float(gaps.grid.y_mm()[row[best]]), letter="T", region=region.id)


def coat_section(half: Half, mould: Mould, cut: Cut, *, flange_mm: float) -> CoatSection:
    """Return what the plane shows, and the window round the undercut in it."""
    profile = cut_profile(half, mould, cut, flange_mm=flange_mm)
    region = next((r for r in half.undercut.regions if r.id == cut.region), None)
    return CoatSection(
        half=half,
        mould=mould,
        cut=cut,
        profile=profile,
        region=region,
        window=_window(profile, mould, region),
    )


def _window(profile: Profile, mould: Mould, region: Region | None) -> Box:
    """Return the box round what is to be shown."""
    skin, shell = mould.rubber.skin_mm, mould.jacket.thickness_mm
    gap = profile.gaps.get(region.id) if region is not None else None
    if gap is None or gap.is_empty:
        middle = flank_point(profile.half) or (0.0, 0.0)
        return middle[0] - 5.0 * skin, middle[1] - 5.0 * skin, middle[0] + 5.0 * skin, middle[1] + 5.0 * skin
    part = max(gap.geoms, key=lambda piece: float(piece.area))
    left, low, right, high = part.bounds
    beside = 3.0 * skin + shell
    over = profile.covered.intersection(shapely.box(left - skin, -1.0, right + skin, 1e9))
    top = float(over.bounds[3]) if not over.is_empty else high
    return left - beside, max(low - beside, -BOARD_MM), right + beside, top + shell + skin


def section_scale(section: CoatSection, room: Box) -> Scale:
    """Return the largest scale at which the window fits into `room`, its middle in the middle of the room."""
    left, low, right, high = section.window
    wide, tall = room[2] - room[0], room[3] - room[1]
    fits = [s for s in DETAIL_SCALES if (right - left) * s <= wide and (high - low) * s <= tall]
    return Scale(
        ratio=1.0 / (fits[-1] if fits else DETAIL_SCALES[0]),
        middle_mm=(0.5 * (left + right), 0.5 * (low + high)),
        at=(0.5 * (room[0] + room[2]), 0.5 * (room[1] + room[3])),
    )


def _widened(section: CoatSection, scale: Scale, room: Box) -> Box:
    """Return the window made as large as the room allows, where there is something to show beside it."""
    (x, z), profile = scale.middle_mm, section.profile
    half_x, half_z = (0.5 * (room[k + 2] - room[k]) * scale.ratio for k in (0, 1))
    things = shapely.union_all([profile.covered, profile.half, profile.board])
    left, low, right, high = things.bounds
    spare = section.mould.jacket.thickness_mm + section.mould.rubber.skin_mm
    window = section.window
    return (
        max(min(window[0], left - spare), x - half_x),
        max(min(window[1], low), z - half_z),
        min(max(window[2], right + spare), x + half_x),
        min(max(window[3], high + spare), z + half_z),
    )


def draw_coat_section(sheet: Sheet, section: CoatSection, room: Box, labels: Column) -> tuple[Scale, int]:
    """Draw the section into `room`, its labels into the column beside it.

    Returns
    -------
    tuple
        Its scale, and for how many passes each line in the undercut stands; 0 when there is no such line.
    """
    scale = section_scale(section, room)
    section = replace(section, window=_widened(section, scale, room))
    paper = scale.box(section.window)
    window = shapely.box(*paper)
    coats = base_coats(section.mould.rubber)
    bands = _bands(section, [coat.thickness_mm for coat in coats])
    place, profile = placing(scale, window), section.profile
    sheet.area(place(profile.board), BOARD_TONE, tag="board")
    sheet.stroke(place(profile.board), MEDIUM, tag="board")
    sheet.area(place(profile.rubber), FILL_TONE, tag="rubber")
    every = _draw_passes(sheet, section, scale, window, sum(coat.thickness_mm for coat in coats))
    for rank, band in enumerate(bands):
        shape = place(band)
        sheet.area(shape, _COAT_TONES[rank % 2], tag=f"coat-{rank}")
        sheet.stroke(shape, Pen(0.15), tag=f"coat-{rank}")
    sheet.stroke(place(profile.rubber), THIN, tag="rubber")
    jacket = place(profile.jacket(section.mould.jacket.thickness_mm))
    sheet.area(jacket, JACKET_TONE, tag="jacket")
    paint_half(sheet, place(profile.half))
    sheet.stroke(window, FINE, tag="window")
    notes = _notes(section, list(zip(coats, bands, strict=True)), place)
    draw_labels(sheet, place_labels(notes[: labels.room(2)], labels))
    return scale, every


def _bands(section: CoatSection, thicknesses: Sequence[float]) -> list[shapely.MultiPolygon]:
    """Return where each base coat lies."""
    left, low, right, high = section.window
    cell = max(right - left, high - low) / _CELLS
    total = float(sum(thicknesses)) + 2.0 * cell
    field = distance_field(
        section.half, section.cut, section.window, cell_mm=min(cell, total / 4.0), reach_mm=total
    )
    levels = np.concatenate([[-1.0], np.cumsum(thicknesses)])
    return [
        areal(field.between(float(near), float(far)).intersection(section.profile.rubber))
        for near, far in pairwise(levels)
    ]


def extra_coat(section: CoatSection) -> Coat | None:
    """Return the extra passes in the undercut that is shown."""
    if section.region is None:
        return None
    return next((c for c in section.mould.rubber.coats if c.region == section.region.id), None)


def _draw_passes(
    sheet: Sheet, section: CoatSection, scale: Scale, window: BaseGeometry, skin_mm: float
) -> int:
    """Draw the undercut, and in it a line for each pass of rubber; return for how many passes a line stands.

    0 when there are no passes to draw.
    """
    place = placing(scale, window)
    for number, part in section.profile.gaps.items():
        shape = areal(place(part).intersection(place(section.profile.rubber)))
        sheet.area(shape, GAP_TONE, tag=f"undercut-{number}")
    coat = extra_coat(section)
    gap = section.profile.gaps.get(section.region.id) if section.region is not None else None
    if coat is None or gap is None or gap.is_empty or coat.thickness_mm <= 0.0:
        return 0
    pitch = coat.thickness_mm / scale.ratio
    every = next((step for step in _EVERY if step * pitch >= _LEAST_PITCH_MM), _EVERY[-1])
    x, y, far = far_field(section, areal(gap).bounds)
    step = every * coat.thickness_mm
    for level in np.arange(skin_mm + step, float(far.max()), step):
        inside = band_shape(x, y, far, -1.0, float(level))
        line = inside.boundary.intersection(areal(gap.intersection(section.profile.rubber)))
        sheet.stroke(scale.shape(line).intersection(window), _PASS_PEN, tag="passes")
    return every


def far_field(section: CoatSection, bounds: Box) -> tuple[Floats, Floats, Floats]:
    """Return distances to the half over a box of the plane, however far: along, up and ``[up, along]``."""
    left, low, right, high = bounds
    cell = max(right - left, high - low) / _FAR_CELLS
    along = np.arange(left - cell, right + 2.0 * cell, cell)
    up = np.arange(low - cell, high + 2.0 * cell, cell)
    points = _surface_points(section, bounds, cell)
    if len(points) == 0:
        return along, up, np.zeros((len(up), len(along)))
    u, z = np.meshgrid(along, up)
    asked = np.empty((u.size, 3))
    asked[:, section.cut.number] = section.cut.at_mm
    asked[:, 1 - section.cut.number], asked[:, 2] = u.ravel(), z.ravel()
    far, _ = cKDTree(points).query(asked)
    return along, up, np.asarray(far, dtype=np.float64).reshape(u.shape)


def _surface_points(section: CoatSection, bounds: Box, cell: float) -> Floats:
    """Return points on the half about a cell apart, those that may be nearest to some place of a box."""
    half, number = section.half, section.cut.number
    corners = half.vertices[half.faces]
    left, low, right, high = bounds
    # every gap has the half on top of it, so no place of it lies further off than the box is high
    reach = high - low
    least, most = np.empty(3), np.empty(3)
    least[number] = most[number] = section.cut.at_mm
    least[1 - number], most[1 - number], least[2], most[2] = left, right, low, high
    near = (corners.max(axis=1) >= least - reach).all(axis=1)
    near &= (corners.min(axis=1) <= most + reach).all(axis=1)
    near &= ~(np.abs(corners[:, :, 2]) <= BOARD_EPSILON * max(half.height_mm, 1.0)).all(axis=1)
    return spread_points(corners[near], cell)


def spread_points(corners: Floats, cell: float) -> Floats:
    """Return points on triangles (m, 3, 3), at most `cell` apart along their sides, corners among them."""
    if len(corners) == 0:
        return np.zeros((0, 3))
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    parts = np.maximum(np.ceil(longest / cell).astype(int), 1)
    while ((parts + 1) * (parts + 2) // 2).sum() > _MOST_POINTS and parts.max() > 1:
        parts = np.maximum(parts // 2, 1)
    found = []
    for count in np.unique(parts):
        i, j = np.meshgrid(np.arange(count + 1), np.arange(count + 1))
        keep = i + j <= count
        share = np.column_stack([i[keep], j[keep], count - i[keep] - j[keep]]) / count
        found.append((share @ corners[parts == count]).reshape(-1, 3))
    return np.concatenate(found)


def _notes(section: CoatSection, layers: Sequence[tuple[Coat, BaseGeometry]], place: Placing) -> list[Note]:
    """Return what is said of every layer, each anchored where it is seen in the window."""
    profile, mould = section.profile, section.mould
    rows: list[tuple[tuple[str, ...], BaseGeometry, str]] = [
        ((coat.name, _coat_words(coat)), band, f"coat-{rank}") for rank, (coat, band) in enumerate(layers)
    ]
    bands = [band for _, band in layers]
    covered = shapely.union_all([*bands, *profile.gaps.values()])
    rows.append(
        (("beyond the skin", _drawn_words(mould)), areal(profile.rubber.difference(covered)), "rubber")
    )
    rows.append(((f"jacket {fit.mm_text(mould.jacket.thickness_mm)} mm", "glass"),
                 profile.jacket(mould.jacket.thickness_mm), "jacket"))  # fmt: skip
    rows.append((("figure", "half on the board"), profile.half, "half"))
    extra = extra_coat(section)
    if section.region is not None and section.region.id in profile.gaps:
        words = f"{extra.passes} x {fit.mm_text(extra.thickness_mm)} mm" if extra else "no extra pass"
        gap = areal(profile.gaps[section.region.id].difference(shapely.union_all(list(bands))))
        line = f"undercut U{section.region.id}"
        rows.insert(0, ((line, words), gap, f"undercut-{section.region.id}"))
    shapes = [(words, areal(place(shape)), tag) for words, shape, tag in rows]
    return [
        Note(lines=words, anchor=inner_point(_right_part(shape)), tag=tag)
        for words, shape, tag in shapes
        if shape.area > 0.2
    ]


def _drawn_words(mould: Mould) -> str:
    """Say in what passes the outside is drawn out to the draft; the edge on the board comes after it."""
    skin = base_coats(mould.rubber)
    rest = [c for c in mould.rubber.coats if c.region is None and not any(c is coat for coat in skin)]
    return f"{rest[0].passes} x {fit.mm_text(rest[0].thickness_mm)} mm, edge" if rest else "drawn out, edge"


def _coat_words(coat: Coat) -> str:
    tint = f", {coat.tint}" if coat.tint else ""
    return f"{fit.mm_text(coat.thickness_mm)} mm{tint}"


def _right_part(shape: shapely.MultiPolygon) -> BaseGeometry:
    """Return the right end of what is seen, where its leader ends."""
    _, low, right, high = shape.bounds
    largest = max(part.area for part in shape.geoms)
    part = max((p for p in shape.geoms if p.area >= 0.2 * largest), key=lambda p: float(p.bounds[2]))
    low_x = part.bounds[2] - max(2.0, 0.15 * (part.bounds[2] - part.bounds[0]))
    cut = areal(part.intersection(shapely.box(low_x, low, right, high)))
    return cut if cut.area > 0.05 else part
