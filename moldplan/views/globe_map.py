"""All directions the search looked along, as a map of half the globe: where little locks, and where much.

A direction and its opposite are one plane, so half a globe is enough: the half that faces the figure's front,
in Lambert's equal-area projection (equal areas on the map are equal shares of all directions).
"""

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from moldplan.choice.model import Ranking
from moldplan.split.frame import figure_axes
from moldplan.units import litres
from moldplan.views import furniture as fit
from moldplan.views.furniture import COLUMN_LEFT
from moldplan.views.paper import FINE, FRAME, INK, MEDIUM, PAPER, Box, Lettering, Pen, Picture, Point, Sheet
from moldplan.views.relief import DepthMap
from moldplan.views.scale import round_steps
from moldplan.views.titles import ranking_titles

Floats = NDArray[np.float64]

#: Middle and radius of the map on the sheet, mm.
_MIDDLE: Final[Point] = (0.5 * (FRAME[0] + COLUMN_LEFT), 0.5 * (FRAME[1] + FRAME[3]) - 6.0)
_RADIUS: Final = 112.0
#: Cells of the map along its width.
_CELLS: Final = 900
#: Rings of the net, deg from the front.
_RINGS: Final = (30.0, 60.0)
#: Directions a place takes its shade from.
_NEAREST: Final = 4
#: The scale's steps reach over this share of all directions; what locks more has the darkest shade.
_MOST_SHADED: Final = 0.6
_BANDS: Final = 7
_NUMBER_MM: Final = 3.5
_MARK_MM: Final = 3.4
#: Marks that would lie on each other are moved apart so far, mm.
_APART_MM: Final = 8.0


def to_map(directions: Floats) -> Floats:
    """Return map points (k, 2), rim at radius 1, of unit directions (k, 3) in the figure's frame.

    Front in the middle, the figure's own left to the right as one faces it, up upwards. Directions behind the
    rim are shown by their opposites. Lambert's azimuthal equal-area projection: the radius of an angle a from
    the middle is sqrt(2) sin(a / 2) (derived, area of a cap).
    """
    facing = np.where(directions[:, :1] < 0.0, -directions, directions)
    flat = facing[:, 1:]
    length = np.linalg.norm(flat, axis=1)
    away = np.arctan2(length, facing[:, 0])  # exact near the middle too, where an arc cosine is not
    radius = np.sqrt(2.0) * np.sin(0.5 * away)
    return np.asarray(flat / np.where(length > 0.0, length, 1.0)[:, None] * radius[:, None])


def from_map(points: Floats) -> Floats:
    """Return the unit directions (k, 3), figure's frame, of map points (k, 2) with radius up to 1."""
    radius = np.linalg.norm(points, axis=1)
    away = 2.0 * np.arcsin(np.clip(radius / np.sqrt(2.0), 0.0, 1.0))
    flat = points / np.where(radius > 0.0, radius, 1.0)[:, None]
    return np.concatenate([np.cos(away)[:, None], flat * np.sin(away)[:, None]], axis=1)


def globe_sheet(ranking: Ranking) -> Sheet:
    """Return the map: each place has the least undercut of the direction looked along nearest to it."""
    sheet = Sheet("globe")
    fit.draw_frame(sheet, ranking_titles(ranking, part="SPLIT", drawing="all directions", number="3 of 3"))
    fit.draw_heading(sheet, "WHAT EACH DIRECTION OF PULL LOCKS AT ITS BEST")
    edges, colours = _draw_map(sheet, ranking)
    _draw_net(sheet)
    _draw_answers(sheet, ranking)
    top = fit.draw_ramp(sheet, edges, colours, title="LEAST UNDERCUT, LITRES", top=FRAME[3])
    _draw_words(sheet, ranking, top)
    return sheet


def _draw_map(sheet: Sheet, ranking: Ranking) -> tuple[list[float], tuple[str, ...]]:
    """Shade the half globe; return the steps of the scale and their colours."""
    seen, pattern = ranking.splits.seen, ranking.pattern
    directions = seen.directions @ figure_axes(pattern.up, pattern.front).T
    volumes_l = seen.undercut_mm3 * 1e-6
    both = np.concatenate([directions, -directions])
    side = (np.arange(_CELLS) + 0.5) / _CELLS * 2.0 - 1.0
    x, y = np.meshgrid(side, side)
    inside = x**2 + y**2 <= 1.02
    places = from_map(np.stack([x[inside], y[inside]], axis=1))
    value = np.zeros((_CELLS, _CELLS))
    value[inside] = _between(places, both, np.concatenate([volumes_l, volumes_l]))
    edges = round_steps(float(np.quantile(volumes_l, _MOST_SHADED)), at_most=_BANDS)
    box: Box = (_MIDDLE[0] - _RADIUS, _MIDDLE[1] - _RADIUS, _MIDDLE[0] + _RADIUS, _MIDDLE[1] + _RADIUS)
    shades = DepthMap(grid=None, depth_mm=value, edges_mm=tuple(edges))  # type: ignore[arg-type] # only shades
    rim = shapely.Point(_MIDDLE).buffer(_RADIUS, quad_segs=64)
    sheet.picture(Picture(rgb=shades.picture(), bounds=box, clip=rim, tag="globe"))
    sheet.stroke(rim, MEDIUM, tag="rim")
    return edges, shades.colours


def _between(places: Floats, directions: Floats, values: Floats) -> Floats:
    """Return values at places from the nearest directions, the nearer the more."""
    away, nearest = cKDTree(directions).query(places, k=_NEAREST)
    weight = 1.0 / np.maximum(away, 1e-6) ** 2
    return np.asarray((weight * values[nearest]).sum(axis=1) / weight.sum(axis=1))


def _place(point: Floats) -> Point:
    return float(_MIDDLE[0] + _RADIUS * point[0]), float(_MIDDLE[1] + _RADIUS * point[1])


def _draw_net(sheet: Sheet) -> None:
    """Draw rings round the front, a cross, and the names of the sides."""
    pen = Pen(0.15, (1.5, 1.5), colour="#555555")
    for ring in _RINGS:
        radius = _RADIUS * np.sqrt(2.0) * np.sin(np.radians(0.5 * ring))
        sheet.stroke(shapely.Point(_MIDDLE).buffer(radius, quad_segs=48).boundary, pen, tag="net")
    x, y = _MIDDLE
    sheet.line([(x - _RADIUS, y), (x + _RADIUS, y)], pen, tag="net")
    sheet.line([(x, y - _RADIUS), (x, y + _RADIUS)], pen, tag="net")
    for text, at, across, along in (
        ("LEFT", (x + _RADIUS + 5.0, y), "left", "middle"),
        ("RIGHT", (x - _RADIUS - 5.0, y), "right", "middle"),
        ("TOP", (x, y + _RADIUS + 5.0), "centre", "base"),
        ("BOTTOM", (x, y - _RADIUS - 5.0), "centre", "top"),
    ):
        sheet.text(Lettering(text=text, at=at, across=across, along=along, bold=True, owner="net"))  # type: ignore[arg-type] # literals


def _draw_answers(sheet: Sheet, ranking: Ranking) -> None:
    """Mark the shown answers by their numbers, with a line to the place where they would hide each other."""
    pattern = ranking.pattern
    axes = figure_axes(pattern.up, pattern.front)
    true = [_place(point) for point in to_map(np.array([a.plane.array() for a in ranking.shown]) @ axes.T)]
    taken: list[Point] = []
    for answer, point in zip(ranking.shown, true, strict=True):
        at = _free(point, taken)
        taken.append(at)
        if at != point:
            sheet.line([point, at], FINE, tag=f"answer-{answer.number}")
            sheet.area(shapely.Point(point).buffer(0.8), INK, tag=f"answer-{answer.number}")
    front = _free((_MIDDLE[0], _MIDDLE[1] - 2.0 * _APART_MM), [*taken, *((x + 6.0, y) for x, y in taken)])
    sheet.line([_MIDDLE, front], FINE, tag="front")
    for answer, at in zip(ranking.shown, taken, strict=True):
        _draw_mark(sheet, answer.number, at)
    sheet.text(Lettering(text="FRONT", at=front, across="centre", along="top", bold=True, owner="front"))


def _draw_mark(sheet: Sheet, number: int, at: Point) -> None:
    """Draw one answer's number in a ring."""
    tag = f"answer-{number}"
    disc = shapely.Point(at).buffer(_MARK_MM)
    sheet.area(disc, PAPER, tag=tag)
    sheet.stroke(disc, MEDIUM, tag=tag)
    sheet.text(
        Lettering(
            text=str(number),
            at=at,
            height_mm=_NUMBER_MM,
            across="centre",
            along="middle",
            bold=True,
            owner=tag,
        )
    )


def _free(true: Point, taken: list[Point]) -> Point:
    """Return a place for a mark near its own that keeps off the others and inside the map."""
    ways = [(0.0, 0.0)] + [
        (radius * np.cos(turn), radius * np.sin(turn))
        for radius in (_APART_MM, 2.0 * _APART_MM, 3.0 * _APART_MM)
        for turn in np.radians(np.arange(45.0, 405.0, 45.0))
    ]
    for dx, dy in ways:
        at = (float(true[0] + dx), float(true[1] + dy))
        off = np.hypot(at[0] - _MIDDLE[0], at[1] - _MIDDLE[1])
        room = off <= _RADIUS - 4.0 or (dx, dy) == (0.0, 0.0)
        if room and all(np.hypot(at[0] - x, at[1] - y) >= _APART_MM for x, y in taken):
            return at
    return true


def _draw_words(sheet: Sheet, ranking: Ranking, top: float) -> None:
    """Say how to read the map, and how dense it is."""
    splits = ranking.splits
    least = int(np.argmin(splits.seen.undercut_mm3))
    lowest, refined = splits.seen.undercut_mm3[least], splits.candidates[0].undercut_mm3
    words = [
        "A place is a direction to pull in, a plane's normal; the opposite direction is the same plane.",
        "The middle is straight towards the figure's front.",
        "Shade: what a flat split square to it locks, at its best offset, on the lighter copy.",
        "The darkest shade is that much and more.",
        "Numbers: the answers of the comparing sheet.",
        f"{splits.directions_tried} directions seen; any other is within {splits.cover_deg:.1f} deg of one.",
        f"Least of them {litres(float(lowest))}, refined {litres(refined)}.",
    ]
    fit.draw_words(sheet, "HOW TO READ IT", words, top=top)
