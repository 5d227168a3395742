"""From a sheet to files: PNG at 200 dpi and SVG with real vectors, the same bytes every time.

Figures are made directly, never through the drawing library's global state, and its settings file on this
computer is not asked: two computers with the same fonts (they ship with the library) draw alike.
"""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib import transforms
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from PIL import Image
from shapely.geometry.base import BaseGeometry

from moldplan.views.paper import HEIGHT_MM, WIDTH_MM, Area, Lettering, Picture, Sheet, Stroke, letter_path

DPI = 200
MM_PER_INCH = 25.4
POINT_PER_MM = 72.0 / MM_PER_INCH
#: A3 in whole pixels; the drawing is laid out in true mm, so a part of a pixel is lost at the edge only.
PIXELS = (round(WIDTH_MM / MM_PER_INCH * DPI), round(HEIGHT_MM / MM_PER_INCH * DPI))


@contextmanager
def fixed_settings() -> Iterator[None]:
    """Draw with the library's own defaults and a fixed seed for the ids in SVG files.

    These settings are global to the process: open this once round a whole set of drawings.
    """
    own: dict[Any, Any] = {"svg.hashsalt": "moldplan", "svg.fonttype": "path", "text.parse_math": False}
    with mpl.rc_context({**mpl.rcParamsDefault, **own}):
        yield


def write_png(sheet: Sheet, path: Path) -> None:
    """Write `sheet` as PNG, A3 at 200 dpi. Call within `fixed_settings`."""
    figure = _figure(sheet)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call] # the library's own gap
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call] # the same
    Image.fromarray(np.ascontiguousarray(pixels[:, :, :3])).save(path, dpi=(DPI, DPI), compress_level=3)


def write_svg(sheet: Sheet, path: Path) -> None:
    """Write `sheet` as SVG, one unit a point (1/72 inch), without a date. Call within `fixed_settings`."""
    figure = _figure(sheet)
    FigureCanvasSVG(figure)
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": "moldplan", "Title": sheet.name})
    path.write_text(stream.getvalue(), encoding="utf-8", newline="\n")


def _figure(sheet: Sheet) -> Figure:
    """Return a figure of the sheet's size with every mark on it."""
    width, height = (count / DPI for count in PIXELS)
    figure = Figure(figsize=(width, height), dpi=DPI, facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0.0, width * MM_PER_INCH)
    axes.set_ylim(0.0, height * MM_PER_INCH)
    for order, mark in enumerate(sheet.marks):
        _draw(axes, mark, order)
    return figure


def _draw(axes: Axes, mark: Stroke | Area | Picture | Lettering, order: int) -> None:
    """Put one mark on the axes, above all earlier ones."""
    if isinstance(mark, Picture):
        _draw_picture(axes, mark, order)
    elif isinstance(mark, Stroke):
        _draw_stroke(axes, mark, order)
    elif isinstance(mark, Area):
        shape = outline(shapely.orient_polygons(mark.shape))
        _add(axes, PathPatch(shape, facecolor=mark.colour, linewidth=0.0), mark.tag, order)
    else:
        _draw_lettering(axes, mark, order)


def _add(axes: Axes, patch: PathPatch, tag: str, order: int) -> None:
    patch.set_gid(f"{tag}-{order}")
    patch.set_zorder(order)
    axes.add_artist(patch)


def _draw_stroke(axes: Axes, mark: Stroke, order: int) -> None:
    pen = mark.pen
    patch = PathPatch(outline(mark.shape), fill=False, edgecolor=pen.colour)
    patch.set_linewidth(pen.width_mm * POINT_PER_MM)
    patch.set_capstyle("butt")
    patch.set_joinstyle("round")
    if pen.dashes_mm:  # the library counts dashes in line widths
        patch.set_linestyle((0.0, tuple(length / pen.width_mm for length in pen.dashes_mm)))
    _add(axes, patch, mark.tag, order)


def _draw_lettering(axes: Axes, mark: Lettering, order: int) -> None:
    points, codes = letter_path(mark.text, bold=mark.bold)
    placed = points * mark.height_mm + np.array(mark.start())
    turn = transforms.Affine2D().rotate_deg_around(*mark.at, mark.turn_deg)
    patch = PathPatch(Outline(turn.transform(placed), codes), facecolor=mark.colour, linewidth=0.0)
    _add(axes, patch, "text", order)


def _draw_picture(axes: Axes, mark: Picture, order: int) -> None:
    left, low, right, high = mark.bounds
    image = AxesImage(
        axes,
        extent=(left, right, low, high),
        origin="upper",
        interpolation="bilinear" if mark.smooth else "nearest",
    )
    image.set_data(mark.rgb)
    image.set_zorder(order)
    image.set_gid(f"{mark.tag}-{order}")
    axes.add_artist(image)
    if mark.clip is not None:
        image.set_clip_path(outline(shapely.orient_polygons(mark.clip)), axes.transData)


def outline(shape: BaseGeometry) -> Outline:
    """Return any lines or areas as one path; areas must be oriented (shells against holes)."""
    pieces = [piece for part in shapely.get_parts(shape) for piece in _rings(part)]
    if not pieces:
        return Outline(np.zeros((0, 2)))
    return Outline.make_compound_path(*pieces)


def _rings(part: BaseGeometry) -> Iterator[Outline]:
    """Walk over the closed rings of an area, or the line itself."""
    if isinstance(part, shapely.Polygon):
        for ring in (part.exterior, *part.interiors):
            yield Outline(np.array(ring.coords)[:, :2], closed=True)
    elif isinstance(part, shapely.LineString) and len(part.coords) > 1:
        yield Outline(np.array(part.coords)[:, :2], closed=part.is_ring)
