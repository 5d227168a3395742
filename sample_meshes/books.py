"""Closed books as crisp solids: boards, a page block with lines, a round spine with raised bands."""

from dataclasses import dataclass

import manifold3d
import numpy as np
from clay import Matrix, Vector, turned

BOARD_MM = 15.0
OVERHANG_MM = 12.0
BAND_MM = 7.0
SPINE_STEPS = 24


@dataclass(frozen=True)
class Book:
    """A book lying on its side: spine along x, mm; turned about its middle and set down at `place`."""

    length_mm: float
    depth_mm: float
    thick_mm: float
    place: Vector
    yaw_deg: float = 0.0
    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    pages: int = 7
    bands: tuple[float, ...] = ()

    @property
    def turn(self) -> Matrix:
        """The rotation (3, 3) from the book's own frame, spine to the front (-y), to the stack's."""
        return turned(roll_deg=self.roll_deg, pitch_deg=self.pitch_deg, yaw_deg=self.yaw_deg)


def book(of: Book) -> manifold3d.Manifold:
    """Build a book with its underside's middle at `place`."""
    parts = [_boards(of), _page_block(of), _spine(of)]
    parts += [_band(of, x) for x in of.bands]
    whole = manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)
    return whole.transform(np.column_stack([of.turn, of.place]))


def _block(low: Vector, high: Vector) -> manifold3d.Manifold:
    return manifold3d.Manifold.cube(tuple(np.subtract(high, low))).translate(low)


def _boards(of: Book) -> manifold3d.Manifold:
    x, y = of.length_mm / 2.0, of.depth_mm / 2.0
    lower = _block((-x, -y, 0.0), (x, y, BOARD_MM))
    return lower + lower.translate((0.0, 0.0, of.thick_mm - BOARD_MM))


def _page_block(of: Book) -> manifold3d.Manifold:
    """Stack the page lines: gatherings with a bevelled edge each, so that every line is a shallow V."""
    low, high = BOARD_MM, of.thick_mm - BOARD_MM
    step = (high - low) / of.pages
    inset = OVERHANG_MM
    parts = [_block(*_page_box(of, inset + 4.0, low - 2.0, high + 2.0))]
    for page in range(of.pages):
        bottom = low + page * step
        wobble = 1.5 * ((page * 5) % 3)
        slab = _block(*_page_box(of, inset + 4.0, bottom, bottom + step))
        middle = _block(*_page_box(of, inset + wobble - 1.5, bottom + 0.4 * step, bottom + 0.6 * step))
        parts.append(manifold3d.Manifold.batch_hull([slab, middle]))
    return manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)


def _page_box(of: Book, inset: float, low: float, high: float) -> tuple[Vector, Vector]:
    x, y = of.length_mm / 2.0 - inset, of.depth_mm / 2.0
    return (-x, -y + 5.0, low), (x, y - inset, high)


def _spine(of: Book) -> manifold3d.Manifold:
    return _spine_roll(of, of.length_mm, 0.0)


def _band(of: Book, x: float) -> manifold3d.Manifold:
    """Raise a band across the spine at `x` (mm from the middle)."""
    return _spine_roll(of, 20.0, BAND_MM).translate((x, 0.0, 0.0))


def _spine_roll(of: Book, length_mm: float, raised_mm: float) -> manifold3d.Manifold:
    """Extrude the spine's section, a flat arc that stands out from the boards' edge, along x."""
    half = of.thick_mm / 2.0
    out = 0.42 * half + raised_mm
    angles = np.linspace(-np.pi / 2.0, np.pi / 2.0, SPINE_STEPS + 1)
    arc = np.column_stack([-of.depth_mm / 2.0 - out * np.cos(angles), half + half * np.sin(angles)])
    inner = np.array([(30.0, 2.0 * half), (30.0, 0.0)]) - (of.depth_mm / 2.0, 0.0)
    outline = np.concatenate([arc, inner])
    section = manifold3d.CrossSection([outline[::-1]])
    bar = manifold3d.Manifold.extrude(section, length_mm).translate((0.0, 0.0, -length_mm / 2.0))
    # Extruded along z: carry (y, z, x) to (x, y, z).
    return bar.transform(np.array([[0.0, 0.0, 1.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0]]))
