"""Numbered marks on a drawing: each at its place or as near to it as there is room, never on another.

Steps
    1. Places are tried in order: at the anchor itself (`ringed` marks only), then on rings round it, each
       in sixteen directions, nearest first.
    2. The first place is taken where the mark keeps clear of every earlier mark and its leader, of all
       anchors and of what else is `taken`.
    3. Lines drawn afterwards leave the marks out (`Marks.clear`), so that a number is never crossed.

A mark for which there is no place within reach is left out and counted (`Marks.left_out`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.views.paper import (
    FINE,
    INK,
    PAPER,
    SMALL_MM,
    THIN,
    Box,
    Lettering,
    Pen,
    Point,
    Sheet,
    areal,
    text_width,
)

#: Clear width round the letters inside a ring, and between a mark and anything else.
_PAD_MM, _CLEAR_MM = 1.0, 0.7
_DOT_MM = 0.55
_DIRECTIONS = 16
#: How far off a mark may stand, in its own radii.
_RINGS = (1.7, 2.2, 2.8, 3.5, 4.5, 6.0, 8.0)


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A short text that belongs to the point `anchor` on the paper."""

    text: str
    anchor: Point
    tag: str


@dataclass(frozen=True, kw_only=True)
class PlacedMark:
    """A mark in its place: the middle of its text, and how much room it takes round it."""

    mark: Mark
    at: Point
    radius_mm: float
    ringed: bool

    @property
    def disc(self) -> shapely.Polygon:
        """What the mark covers."""
        return shapely.Point(self.at).buffer(self.radius_mm, quad_segs=16)

    @property
    def leader(self) -> shapely.LineString | None:
        """Line from the mark to its anchor, None when it stands on it."""
        away = np.array(self.mark.anchor) - self.at
        length = float(np.hypot(*away))
        if length <= self.radius_mm:
            return None
        start = np.array(self.at) + away * (self.radius_mm / length)
        return shapely.LineString([tuple(start), self.mark.anchor])


@dataclass(frozen=True, kw_only=True)
class Marks:
    """All marks of one sheet that found a place."""

    placed: tuple[PlacedMark, ...]
    left_out: int

    def clear(self, shape: BaseGeometry) -> BaseGeometry:
        """Return lines (of an area: its outlines) without what the marks and their leaders cover."""
        lines = shape.boundary if isinstance(shape, shapely.Polygon | shapely.MultiPolygon) else shape
        return lines if lines.is_empty else lines.difference(self.covered)

    def open(self, shape: BaseGeometry) -> shapely.MultiPolygon:
        """Return an area without what the marks cover."""
        return areal(shape.difference(self.covered))

    @cached_property
    def covered(self) -> BaseGeometry:
        """What all marks cover together, a little wider than they are."""
        return shapely.union_all([mark.disc.buffer(0.3) for mark in self.placed])


def place_marks(
    marks: Sequence[Mark],
    *,
    room: Box,
    taken: Sequence[BaseGeometry] = (),
    crossable: Sequence[BaseGeometry] = (),
    ringed: bool = True,
) -> Marks:
    """Give every mark a place inside `room` (paper mm).

    Parameters
    ----------
    marks
        In the order in which they choose.
    room
        What no mark may leave.
    taken
        Lines and areas that marks and their leaders keep clear of.
    crossable
        Lines and areas that only the marks themselves keep clear of.
    ringed
        Whether the texts stand in rings and may cover their anchors; else each stands beside a dot.
    """
    kept = [shape.buffer(_CLEAR_MM) for shape in taken]
    dots = [shapely.Point(mark.anchor).buffer(_DOT_MM + 0.2) for mark in marks]
    frame = shapely.box(*room)
    under = shapely.STRtree([shape.buffer(0.3) for shape in crossable])
    placed: list[PlacedMark] = []
    for number, mark in enumerate(marks):
        others = shapely.STRtree([*kept, *dots[:number], *dots[number + 1 :]])
        places = (place for place in _tries(mark, ringed=ringed) if frame.covers(place.disc))
        found = next((place for place in places if _fits(place, others, under)), None)
        if found is not None:
            placed.append(found)
            kept.append(found.disc.buffer(_CLEAR_MM))
            if found.leader is not None:
                kept.append(found.leader.buffer(0.3))
    return Marks(placed=tuple(placed), left_out=len(marks) - len(placed))


def _tries(mark: Mark, *, ringed: bool) -> Iterator[PlacedMark]:
    """Walk over the places of a mark, best first."""
    width = text_width(mark.text)
    radius = 0.5 * float(np.hypot(width, SMALL_MM)) + (_PAD_MM if ringed else 0.3)
    if ringed:
        yield PlacedMark(mark=mark, at=mark.anchor, radius_mm=radius, ringed=True)
    for ring in _RINGS:
        for turn in range(_DIRECTIONS):
            angle = 2.0 * np.pi * turn / _DIRECTIONS
            x = mark.anchor[0] + ring * radius * np.cos(angle)
            y = mark.anchor[1] + ring * radius * np.sin(angle)
            yield PlacedMark(mark=mark, at=(float(x), float(y)), radius_mm=radius, ringed=ringed)


def _fits(place: PlacedMark, others: shapely.STRtree, under: shapely.STRtree) -> bool:
    shape: BaseGeometry = place.disc
    if len(under.query(shape, predicate="intersects")):
        return False
    if place.leader is not None:
        shape = shape.union(place.leader)
    return len(others.query(shape, predicate="intersects")) == 0


def draw_marks(sheet: Sheet, marks: Marks, *, pen: Pen = THIN) -> None:
    """Draw rings, leaders, dots and texts; `pen` is that of the rings."""
    for placed in marks.placed:
        tag = placed.mark.tag
        if placed.leader is not None:
            sheet.stroke(placed.leader, Pen(0.8, colour=PAPER), tag=tag)
            sheet.stroke(placed.leader, FINE, tag=tag)
            sheet.area(shapely.Point(placed.mark.anchor).buffer(_DOT_MM), INK, tag=tag)
        elif not placed.ringed:
            sheet.area(shapely.Point(placed.mark.anchor).buffer(_DOT_MM), INK, tag=tag)
        if placed.ringed:
            sheet.area(placed.disc, PAPER, tag=tag)
            sheet.stroke(placed.disc, pen, tag=tag)
        sheet.text(Lettering(text=placed.mark.text, at=placed.at, across="centre", along="middle", owner=tag))
