"""The sheet: what lies where on A3 paper, in paper millimetres, y upwards from the lower left corner.

A `Sheet` is a list of marks (areas, strokes, lettering, pictures) drawn in the order they were added.
Nothing here draws: `moldplan.views.ink` turns a sheet into PNG and SVG. Because every mark is plain geometry,
whether labels overlap is a question shapely can answer.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font
from matplotlib.textpath import text_to_path
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry.base import BaseGeometry

Point = tuple[float, float]
Box = tuple[float, float, float, float]
Across = Literal["left", "centre", "right"]
Along = Literal["base", "middle", "top"]

#: A3 landscape (ISO 216), and the frame inside it: 20 mm to file by, 10 mm elsewhere (ISO 5457).
WIDTH_MM = 420.0
HEIGHT_MM = 297.0
FRAME: Box = (20.0, 10.0, 410.0, 287.0)
#: Capital heights of ISO 3098; nothing on a sheet is written smaller than the first.
SMALL_MM = 3.5
LARGE_MM = 5.0
#: From one line of lettering to the next, in capital heights.
LEADING = 1.65
#: Ink, and the greys and one blue that go with it; the blue darkens with depth (readable in grey).
INK = "#161616"
PAPER = "#ffffff"
SOFT = "#8a8a8a"
BLUE = "#1f4e79"


@dataclass(frozen=True)
class Pen:
    """A line type: width and dash pattern (on, off, ...) in paper mm; no dashes is a continuous line."""

    width_mm: float
    dashes_mm: tuple[float, ...] = ()
    colour: str = INK


#: Widths of ISO 128: wide 0.7, narrow 0.35 and what is finer still for hatches and leaders.
HEAVY = Pen(0.7)
HEAVY_HIDDEN = Pen(0.6, (3.0, 1.5))
MEDIUM = Pen(0.5)
THIN = Pen(0.35)
DASHED = Pen(0.35, (3.0, 1.5))
CHAIN = Pen(0.35, (8.0, 1.5, 0.8, 1.5))
DOUBLE_CHAIN = Pen(0.35, (8.0, 1.5, 0.8, 1.5, 0.8, 1.5))
DOTTED = Pen(0.45, (0.7, 1.3))
FINE = Pen(0.2)


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """Lines drawn with one pen. `tag` names what they show, for tests and for the SVG's ids."""

    shape: BaseGeometry
    pen: Pen
    tag: str


@dataclass(frozen=True, kw_only=True)
class Area:
    """A filled area without an outline."""

    shape: BaseGeometry
    colour: str
    tag: str


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A raster, first row at the top, laid over `bounds` and cut to `clip`; its cells stay sharp."""

    rgb: NDArray[np.uint8]
    bounds: Box
    clip: BaseGeometry | None
    tag: str
    smooth: bool = False


@dataclass(frozen=True, kw_only=True)
class Lettering:
    """One line of text. `height_mm` is that of a capital; `at` is the point `across` and `along` speak of.

    `owner` names the thing it belongs to: it may touch strokes of that tag, and no other.
    """

    text: str
    at: Point
    height_mm: float = SMALL_MM
    across: Across = "left"
    along: Along = "base"
    turn_deg: float = 0.0
    bold: bool = False
    colour: str = INK
    owner: str = ""

    @property
    def shape(self) -> shapely.Polygon:
        """The least rectangle round the ink, turned with the text."""
        return affinity.rotate(shapely.box(*self._flat_box()), self.turn_deg, origin=self.at)

    def start(self) -> Point:
        """Return where the pen starts, before turning about `at`."""
        left, _, right, _ = letter_box(self.text, bold=self.bold)
        share = {"left": 0.0, "centre": 0.5, "right": 1.0}[self.across]
        drop = {"base": 0.0, "middle": 0.5, "top": 1.0}[self.along]
        across = (left + share * (right - left)) * self.height_mm
        return self.at[0] - across, self.at[1] - drop * self.height_mm

    def _flat_box(self) -> Box:
        left, low, right, high = (edge * self.height_mm for edge in letter_box(self.text, bold=self.bold))
        x, y = self.start()
        return x + left, y + low, x + right, y + high


Mark = Stroke | Area | Picture | Lettering


@dataclass
class Sheet:
    """One A3 sheet under the pen."""

    name: str
    marks: list[Mark] = field(default_factory=list)

    def stroke(self, shape: BaseGeometry, pen: Pen, *, tag: str) -> None:
        """Draw lines, or the outlines of areas."""
        lines = shape.boundary if isinstance(shape, shapely.Polygon | shapely.MultiPolygon) else shape
        if not lines.is_empty:
            self.marks.append(Stroke(shape=lines, pen=pen, tag=tag))

    def line(self, points: Iterable[Point], pen: Pen, *, tag: str) -> None:
        """Draw one polyline."""
        self.stroke(shapely.LineString(list(points)), pen, tag=tag)

    def area(self, shape: BaseGeometry, colour: str, *, tag: str) -> None:
        """Fill an area."""
        if shape.area > 0.0:
            self.marks.append(Area(shape=areal(shape), colour=colour, tag=tag))

    def hatch(self, shape: BaseGeometry, pen: Pen, *, gap_mm: float, turn_deg: float, tag: str) -> None:
        """Hatch an area with parallel lines `gap_mm` apart; the lines of all areas of a sheet line up."""
        self.stroke(hatch_lines(shape, gap_mm=gap_mm, turn_deg=turn_deg), pen, tag=tag)

    def text(self, lettering: Lettering) -> None:
        """Write one line; empty text leaves no mark."""
        if lettering.text.strip():
            self.marks.append(lettering)

    def picture(self, picture: Picture) -> None:
        """Lay down a raster."""
        self.marks.append(picture)

    def arrow(self, tip: Point, towards: Point, *, tag: str, length_mm: float = 3.0) -> None:
        """Draw a filled arrow head at `tip` that points along `towards` (any length)."""
        self.area(arrow_head(tip, towards, length_mm=length_mm), INK, tag=tag)

    def lettering(self) -> list[Lettering]:
        """Return every line of text."""
        return [mark for mark in self.marks if isinstance(mark, Lettering)]

    def strokes(self, tag: str = "") -> list[Stroke]:
        """Return the strokes, or only those called `tag`."""
        strokes = [mark for mark in self.marks if isinstance(mark, Stroke)]
        return [stroke for stroke in strokes if not tag or stroke.tag == tag]


def areal(shape: BaseGeometry) -> shapely.MultiPolygon:
    """Return the areas of any geometry, without its stray points and lines."""
    parts = shapely.get_parts(shape, return_index=False) if shape.geom_type != "Polygon" else [shape]
    flat: list[shapely.Polygon] = []
    for part in parts:
        if isinstance(part, shapely.Polygon) and not part.is_empty:
            flat.append(part)
        elif isinstance(part, shapely.MultiPolygon | shapely.GeometryCollection):
            flat.extend(areal(part).geoms)
    return shapely.MultiPolygon(flat)


def inner_point(shape: BaseGeometry) -> Point:
    """Return a point well inside the largest part of an area."""
    largest = max(shapely.get_parts(shape), key=lambda part: float(part.area))
    point = largest.representative_point()
    return float(point.x), float(point.y)


def arrow_head(tip: Point, towards: Point, *, length_mm: float = 3.0) -> shapely.Polygon:
    """Return a slim closed arrow head (ISO 129: about 15 degrees each side)."""
    along = np.array(towards) / np.hypot(*towards)
    side = 0.18 * length_mm * np.array([-along[1], along[0]])
    foot = np.array(tip) - length_mm * along
    return shapely.Polygon([tip, tuple(foot + side), tuple(foot - side)])


def hatch_lines(shape: BaseGeometry, *, gap_mm: float, turn_deg: float) -> BaseGeometry:
    """Return the parts of a family of parallel lines that lie inside `shape`."""
    if shape.is_empty:
        return shapely.MultiLineString([])
    direction = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    normal = np.array([-direction[1], direction[0]])
    corners = np.array(shapely.box(*shape.bounds).exterior.coords)
    along, across = corners @ direction, corners @ normal
    steps = np.arange(np.ceil(across.min() / gap_mm), np.floor(across.max() / gap_mm) + 1) * gap_mm
    ends = np.array([along.min() - 1.0, along.max() + 1.0])
    lines = steps[:, None, None] * normal + ends[None, :, None] * direction
    shapely.prepare(shape)
    return shapely.MultiLineString(list(lines)).intersection(shape)


@cache
def font_file(*, bold: bool = False) -> Path:
    """Return the file of the typeface, which ships with the drawing library (DejaVu Sans)."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(mpl.get_data_path()) / "fonts" / "ttf" / name


@cache
def _letters_known() -> frozenset[int]:
    return frozenset(FT2Font(str(font_file())).get_charmap())


def plain(text: str) -> str:
    """Return `text` on one line, with a question mark for each letter the typeface does not have."""
    line = " ".join(text.split())
    return "".join(c if ord(c) in _letters_known() and c.isprintable() else "?" for c in line)


@cache
def letter_path(text: str, *, bold: bool = False) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Return the outlines of `text` (points and path codes) with capitals of height 1, pen at the origin."""
    face = FontProperties(fname=str(font_file(bold=bold)))
    points, codes = text_to_path.get_text_path(face, plain(text), ismath=False)
    scaled = np.asarray(points, dtype=np.float64).reshape(-1, 2) / _capital(bold=bold)
    return scaled, np.asarray(codes, dtype=np.uint8)


@cache
def _capital(*, bold: bool) -> float:
    """Return the height of a capital H in the drawing library's own font units."""
    face = FontProperties(fname=str(font_file(bold=bold)))
    points, _ = text_to_path.get_text_path(face, "H", ismath=False)
    return float(np.asarray(points)[:, 1].max())


def letter_box(text: str, *, bold: bool = False) -> Box:
    """Return the exact extent of the ink of `text` for capitals of height 1: left, low, right, high."""
    points, _ = letter_path(text, bold=bold)
    if len(points) == 0:
        return 0.0, 0.0, 0.0, 0.0
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def text_width(text: str, *, height_mm: float = SMALL_MM, bold: bool = False) -> float:
    """Return how wide the ink of `text` is, in mm."""
    left, _, right, _ = letter_box(text, bold=bold)
    return (right - left) * height_mm


def fitted(text: str, width_mm: float, *, height_mm: float = SMALL_MM, bold: bool = False) -> str:
    """Return `text`, its middle left out when it is wider than `width_mm`."""
    line = plain(text)[:400]  # a longer name is cut anyway; measuring it letter by letter would be slow
    if text_width(line, height_mm=height_mm, bold=bold) <= width_mm:
        return line

    def fits(keep: int) -> bool:
        return text_width(_shortened(line, keep), height_mm=height_mm, bold=bold) <= width_mm

    low, high = 0, len(line)  # `low` letters fit (or nothing does), `high` do not
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return _shortened(line, low)


def _shortened(line: str, keep: int) -> str:
    """Return `keep` letters of a line, its middle left out."""
    return f"{line[: (keep + 1) // 2].rstrip()}…{line[len(line) - keep // 2 :].lstrip()}"
