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
#: How far off its anchor a mark's edge may stand.
_RINGS = (1.5, 3.0, 5.0, 8.0, 12.0, 17.0, 23.0)


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A short text that belongs to the point `anchor` on the paper."""

    text: str
    anchor: Point
    tag: str


@dataclass(frozen=True, kw_only=True)
class PlacedMark:
    """A mark in its place: the middle of its text, and half the width and height that it takes."""

    mark: Mark
    at: Point
    half_mm: Point
    ringed: bool

    @property
    def ground(self) -> shapely.Polygon:
        """What the mark covers, as a plain box."""
        (x, y), (wide, tall) = self.at, self.half_mm
        return shapely.box(x - wide, y - tall, x + wide, y + tall)

    @property
    def ring(self) -> shapely.Polygon:
        """Its outline: the box with round ends."""
        round_mm = min(self.half_mm) * 0.95
        return self.ground.buffer(-round_mm).buffer(round_mm, quad_segs=12)

    @property
    def leader(self) -> shapely.LineString | None:
        """Line from the mark to its anchor, None when it stands on it."""
        away = np.array(self.mark.anchor) - self.at
        reach = np.abs(away) / self.half_mm
        if reach.max() <= 1.0:
            return None
        start = np.array(self.at) + away / reach.max()
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
        return shapely.union_all([mark.ground.buffer(0.3) for mark in self.placed])


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
        places = (place for place in _tries(mark, ringed=ringed) if frame.covers(place.ground))
        found = next((place for place in places if _fits(place, others, under)), None)
        if found is not None:
            placed.append(found)
            kept.append(found.ground.buffer(_CLEAR_MM))
            if found.leader is not None:
                kept.append(found.leader.buffer(0.3))
    return Marks(placed=tuple(placed), left_out=len(marks) - len(placed))


def _tries(mark: Mark, *, ringed: bool) -> Iterator[PlacedMark]:
    """Walk over the places of a mark, best first."""
    pad = _PAD_MM if ringed else 0.3
    wide, tall = 0.5 * text_width(mark.text) + pad, 0.5 * SMALL_MM + pad
    half = (max(wide, tall), tall)
    if ringed:
        yield PlacedMark(mark=mark, at=mark.anchor, half_mm=half, ringed=True)
    for ring in _RINGS:
        for turn in range(_DIRECTIONS):
            angle = 2.0 * np.pi * turn / _DIRECTIONS
            x = mark.anchor[0] + (half[0] + ring) * np.cos(angle)
            y = mark.anchor[1] + (half[1] + ring) * np.sin(angle)
            yield PlacedMark(mark=mark, at=(float(x), float(y)), half_mm=half, ringed=ringed)


def _fits(place: PlacedMark, others: shapely.STRtree, under: shapely.STRtree) -> bool:
    shape: BaseGeometry = place.ground
    if len(under.query(shape, predicate="intersects")):
        return False
    if len(others.query(shape, predicate="intersects")):
        return False
    leader = place.leader
    return leader is None or len(others.query(leader, predicate="intersects")) == 0


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
            sheet.area(placed.ring, PAPER, tag=tag)
            sheet.stroke(placed.ring, pen, tag=tag)
        sheet.text(Lettering(text=placed.mark.text, at=placed.at, across="centre", along="middle", owner=tag))
