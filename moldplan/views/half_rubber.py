"""The rubber of one half: how thick it stands, seen from above, and its coats in an undercut."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import contourpy
import numpy as np
import shapely
from numpy.typing import NDArray

from moldplan.half.model import Half
from moldplan.mould.model import Coat, Mould, Rubber
from moldplan.units import kg, litres
from moldplan.views import furniture as fit
from moldplan.views.coat_section import coat_cut, coat_section, draw_coat_section
from moldplan.views.half_plan import figure_directions
from moldplan.views.labels import Column
from moldplan.views.marks import Mark, Marks, draw_marks, place_marks
from moldplan.views.paper import (
    CHAIN,
    DASHED,
    FINE,
    FRAME,
    INK,
    PAPER,
    THIN,
    Box,
    Lettering,
    Pen,
    Picture,
    Point,
    Sheet,
)
from moldplan.views.relief import grid_box, relief_picture
from moldplan.views.scale import Scale, drawn, fitting_scale
from moldplan.views.tables import Field, Table, draw_table_at
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan
    from moldplan.views.cutting import Cut

ROOM: Box = (FRAME[0] + 6.0, FRAME[1] + 96.0, FRAME[0] + 126.0, FRAME[3] - 15.0)
SECTION: Box = (FRAME[0] + 134.0, FRAME[1] + 100.0, FRAME[0] + 226.0, FRAME[3] - 25.0)
LABELS = Column(
    left_mm=FRAME[0] + 234.0, right_mm=fit.COLUMN_LEFT - 1.0, low_mm=FRAME[1] + 96.0, high_mm=FRAME[3] - 18.0
)
_TABLE_TOP, _TABLE_LOW = FRAME[1] + 91.0, FRAME[1] + 16.0
#: Rows of coats that there is room for under the table's head.
_ROWS = 10
#: Round thicknesses that part the bands.
_ROUND = (1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9)
#: Thicknesses that differ from the middle one by less than this share of it are alike.
_ALIKE = 0.06
#: Shares of the area that lie under the edges of the bands: the thin ones rounded down, the others up.
_LOW_SHARES, _HIGH_SHARES = (0.0, 0.02), (0.5, 0.8, 0.93, 0.98, 1.0)
#: One hue from light to dark, not that of the undercuts: evenly darker, so that a grey copy reads the same.
_LIGHT, _DARK = np.array([245.0, 234.0, 220.0]), np.array([150.0, 100.0, 55.0])

FIELDS = (
    Field(head="no.", width_mm=11.0),
    Field(head="coat", width_mm=66.0),
    Field(head="passes", width_mm=26.0, figures=True),
    Field(head="mm", width_mm=23.0, figures=True),
    Field(head="mass", width_mm=29.0, figures=True),
    Field(head="tint", width_mm=32.0),
    Field(head="pots", width_mm=40.0),
    Field(head="next coat after", width_mm=48.0),
)


def rubber_sheet(plan: "Plan", half: Half, mould: Mould, cut: "Cut", *, number: str) -> Sheet:  # noqa: ARG001 - all sheets of a half are made alike
    """Return the sheet of the rubber of `half`: thickness from above, coats in an undercut, table of coats.

    Parameters
    ----------
    plan
        The whole plan, for titles, settings and the figure's directions.
    half, mould
        The half and its mould.
    cut
        Where the other section is taken; this sheet takes its own.
    number
        "3 of 13", for the title block.
    """
    sheet = Sheet(f"half-{half.name.lower()}-rubber")
    rubber = mould.rubber
    scale = fitting_scale(_extent(half, rubber), ROOM)
    fit.draw_frame(sheet, titles(plan, half, drawing="rubber and its coats", scale=scale.text, number=number))
    fit.draw_heading(sheet, "THICKNESS OF RUBBER")
    bands = thickness_bands(rubber)
    marks = place_marks(_marks(rubber, scale), room=(ROOM[0] - 2, ROOM[1] - 2, ROOM[2] + 2, ROOM[3] + 2))
    _draw_map(sheet, half, rubber, marks, scale)
    own = coat_cut(half, mould)
    _draw_trace(sheet, own, rubber, marks, scale)
    draw_marks(sheet, marks)
    flange = mould.jacket.thickness_mm * plan.settings.number("jacket.flange_times")
    section = coat_section(half, mould, own, flange_mm=flange)
    section_scale, every = draw_coat_section(sheet, section, SECTION, LABELS)
    _section_title(sheet, own, section_scale, every)
    rows = coat_rows(rubber.coats, most=_ROWS)
    table = Table(title="COATS, IN THE ORDER THEY GO ON", fields=FIELDS, rows=rows)
    draw_table_at(sheet, table, at=(FRAME[0] + 6.0, _TABLE_TOP), low=_TABLE_LOW)
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    _draw_column(sheet, plan, half, mould, bands)
    return sheet


def _extent(half: Half, rubber: Rubber) -> Box:
    left, low, right, high = shapely.GeometryCollection([half.projection, rubber.edge_line]).bounds
    return left, low, right, high


def _section_title(sheet: Sheet, cut: "Cut", scale: Scale, every: int) -> None:
    """Write over the section where it is taken, how large it is drawn, and what its blue lines are."""
    where = "" if cut.region is None else f" through U{cut.region}"
    lines = (
        f"SECTION {cut.letter}-{cut.letter}{where}",
        f"at {cut.axis} = {cut.at_mm:+.0f} mm, scale {scale.text}",
        ("", "blue lines: passes of rubber")[every > 0] + (f", {every} a line" if every > 1 else ""),
    )
    for rank, line in enumerate(lines):
        at = (SECTION[0], FRAME[3] - 4.0 - 6.5 * rank)
        sheet.text(Lettering(text=line, at=at, along="top", bold=rank == 0, owner="heading"))


@dataclass(frozen=True, kw_only=True)
class Bands:
    """The thickness map in bands: their edges in mm, least first, and their colours."""

    edges_mm: tuple[float, ...]

    @property
    def colours(self) -> tuple[str, ...]:
        """One colour a band, thin first, as "#rrggbb"."""
        return tuple("#" + "".join(f"{int(part):02x}" for part in row) for row in self.shades())

    def shades(self) -> NDArray[np.float64]:
        """Return one colour a band (n, 3), 0 to 255."""
        count = len(self.edges_mm) - 1
        shares = np.linspace(0.0, 1.0, count)[:, None] if count > 1 else np.array([[0.3]])
        return np.asarray(np.rint(_LIGHT + shares * (_DARK - _LIGHT)), dtype=np.float64)

    def picture(self, map_mm: NDArray[np.float64]) -> NDArray[np.uint8]:
        """Return the map in its bands, first row at the top; white where there is no rubber to measure."""
        known = np.isfinite(map_mm)
        band = np.digitize(np.where(known, map_mm, 0.0), self.edges_mm[1:-1])
        shades = self.shades().astype(np.uint8)[band]
        shades[~known] = 255
        return shades[::-1]


def thickness_bands(rubber: Rubber) -> Bands | None:
    """Return round bands that cover the map of thickness, None when there is no map."""
    if rubber.thickness is None or not np.isfinite(rubber.thickness.map_mm).any():
        return None
    known = rubber.thickness.map_mm[np.isfinite(rubber.thickness.map_mm)]
    return Bands(edges_mm=band_edges(known))


def band_edges(values_mm: NDArray[np.float64]) -> tuple[float, ...]:
    """Return round values that part `values_mm` into bands, the least at or under, the most at or over them.

    Most of a half has about the skin's thickness, and a few places ten times that: the bands part the area,
    not the range. No edge lies so near the middle value that it would only draw the noise about it.
    """
    powers = 10.0 ** np.arange(-2, 6)
    every = np.unique(np.round((powers[:, None] * np.array(_ROUND)).ravel(), 6))
    low = np.searchsorted(every, np.quantile(values_mm, _LOW_SHARES) + 1e-9, side="right") - 1
    high = np.searchsorted(every, np.quantile(values_mm, _HIGH_SHARES) - 1e-9)
    high = np.maximum(high, low[0] + 1)
    edges = every[np.unique([*np.clip(low, 0, None), *high])]
    usual = float(np.median(values_mm))
    inner = edges[1:-1][np.abs(edges[1:-1] - usual) > _ALIKE * usual]
    return float(edges[0]), *(float(edge) for edge in inner), float(edges[-1])


def _marks(rubber: Rubber, scale: Scale) -> list[Mark]:
    """Return the numbers of keys and buttons, and where the rubber is thinnest and thickest."""
    marks = [
        Mark(text=f"K{n}", anchor=scale.point(*key.centre_mm[:2]), tag="key")
        for n, key in enumerate(rubber.keys, start=1)
    ]
    marks.extend(
        Mark(text=f"B{n}", anchor=scale.point(*button.place_mm[:2]), tag="button")
        for n, button in enumerate(rubber.buttons, start=1)
    )
    return marks


def _draw_map(sheet: Sheet, half: Half, rubber: Rubber, marks: Marks, scale: Scale) -> None:
    """Draw the map (or the half's relief when there is none), contours and outlines."""
    bands = thickness_bands(rubber)
    bounds, clip = scale.box(grid_box(rubber.grid)), drawn(half.projection, scale)
    if bands is None or rubber.thickness is None:
        rgb = relief_picture(rubber.top_mm, rubber.grid)
        sheet.picture(Picture(rgb=rgb, bounds=bounds, clip=clip, tag="relief", smooth=True))
    else:
        map_mm = rubber.thickness.map_mm
        sheet.picture(Picture(rgb=bands.picture(map_mm), bounds=bounds, clip=clip, tag="thickness"))
        for edge in bands.edges_mm[1:-1]:
            lines = drawn(_contour(rubber, map_mm, edge), scale).intersection(clip)
            sheet.stroke(marks.clear(lines), Pen(0.13), tag="contour")
    sheet.stroke(marks.clear(clip), THIN, tag="projection")
    sheet.stroke(marks.clear(drawn(rubber.edge_line, scale)), DASHED, tag="rubber-edge")
    for key in rubber.keys:
        ring = shapely.Point(scale.point(*key.centre_mm[:2])).buffer(0.5 * key.base_mm / scale.ratio)
        sheet.stroke(marks.clear(ring), FINE, tag="key-foot")


def _contour(rubber: Rubber, map_mm: NDArray[np.float64], level: float) -> shapely.MultiLineString:
    grid = rubber.grid
    generator = contourpy.contour_generator(
        grid.x_mm(), grid.y_mm(), np.ma.masked_invalid(map_mm), line_type=contourpy.LineType.Separate
    )
    lines = [np.asarray(line, dtype=np.float64) for line in generator.lines(level)]
    return shapely.MultiLineString([line for line in lines if len(line) > 1])


def _draw_trace(sheet: Sheet, cut: "Cut", rubber: Rubber, marks: Marks, scale: Scale) -> None:
    """Draw where the section is taken, as a chain line across the map."""
    left, low, right, high = scale.shape(rubber.edge_line).bounds
    x, y = scale.point(cut.at_mm, cut.at_mm)
    ends = [(x, low), (x, high)] if cut.axis == "x" else [(left, y), (right, y)]
    sheet.stroke(marks.clear(shapely.LineString(ends)), Pen(0.25, CHAIN.dashes_mm), tag="trace")


def coat_rows(coats: Sequence[Coat], *, most: int) -> list[tuple[str, ...]]:
    """Return the table of coats; extra passes in undercuts are gathered when there are over `most` rows.

    The largest undercuts keep rows of their own as far as there is room.
    """
    extra = [coat for coat in coats if coat.region is not None]
    room = most - (len(coats) - len(extra))
    gathered = extra if len(extra) <= room else sorted(extra, key=lambda c: -c.mass_kg)[: max(room - 1, 0)]
    rest = [coat for coat in extra if not any(coat is kept for kept in gathered)]
    rows: list[tuple[str, ...]] = []
    for number, coat in enumerate(coats, start=1):
        if any(coat is other for other in rest):
            if coat is rest[-1]:
                rows.append(_gathered_row(rest))
        else:
            rows.append(_coat_row(str(number), coat))
    return rows


def _coat_row(number: str, coat: Coat) -> tuple[str, ...]:
    name = coat.name if coat.region is None else f"extra in U{coat.region}"
    pots = "" if coat.mixes is None else f"{coat.mixes.count} x {kg(coat.mixes.each_kg)}"
    thick, tint = fit.about_text(coat.thickness_mm), coat.tint
    return number, name, str(coat.passes), thick, kg(coat.mass_kg), tint, pots, _wait(coat)


def _gathered_row(coats: Sequence[Coat]) -> tuple[str, ...]:
    passes, mass = sum(coat.passes for coat in coats), sum(coat.mass_kg for coat in coats)
    pots = sum(coat.mixes.count for coat in coats if coat.mixes is not None)
    thin, thick = min(c.thickness_mm for c in coats), max(c.thickness_mm for c in coats)
    between = fit.about_text(thin) if thick - thin < 0.05 else f"{thin:.1f}-{thick:.1f}"
    name = f"extra in {len(coats)} others"
    return "", name, str(passes), between, kg(mass), "", f"{pots} pots" if pots else "", _wait(coats[0])


def _wait(coat: Coat) -> str:
    """Say when the next coat may go on, at the earliest and at the latest."""
    return f"{_clock(coat.next_after_min)} to {_clock(coat.next_before_min)}"


def _clock(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 119.5 else f"{minutes / 60.0:.1f}".removesuffix(".0") + " h"


def _draw_column(sheet: Sheet, plan: "Plan", half: Half, mould: Mould, bands: Bands | None) -> None:
    """Draw directions, key, scale of thickness and the rubber in numbers."""
    rubber = mould.rubber
    arrows, words = figure_directions(plan, half)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, _key_rows(rubber), top=y)
    if bands is not None:
        y = fit.draw_ramp(sheet, bands.edges_mm, bands.colours, title="THICKNESS OF RUBBER, mm", top=y)
    fit.draw_table(sheet, "RUBBER", _rows(rubber), top=y)


def _key_rows(rubber: Rubber) -> list[tuple[fit.Sample, str]]:
    rows: list[tuple[fit.Sample, str]] = [
        (fit.line_sample(THIN), "shadow of the half"),
        (fit.line_sample(DASHED), "edge of the rubber"),
        (fit.line_sample(Pen(0.25, CHAIN.dashes_mm)), "where the section is"),
    ]
    if rubber.keys:
        rows.append((ring_sample("K1"), "cone key on the outside"))
    if rubber.buttons:
        rows.append((ring_sample("B1"), "button through the jacket"))
    return rows


def ring_sample(text: str, *, pen: Pen = THIN) -> fit.Sample:
    """Return a sample of a numbered mark."""

    def draw(sheet: Sheet, box: Box) -> None:
        middle: Point = (0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3]))
        ring = shapely.box(middle[0] - 6.0, box[1] - 0.4, middle[0] + 6.0, box[3] + 0.4)
        sheet.area(ring, PAPER, tag="key-sample")
        sheet.stroke(ring.buffer(-2.5).buffer(2.5), pen, tag="key-sample")
        sheet.text(
            Lettering(text=text, at=middle, across="centre", along="middle", colour=INK, owner="key-sample")
        )

    return draw


def _rows(rubber: Rubber) -> list[tuple[str, str]]:
    """Return the rubber in numbers."""
    rows: list[tuple[str, str]] = []
    if rubber.thickness is not None and len(rubber.thickness.thickness_mm):
        thick = rubber.thickness
        most = float(thick.thickness_mm.max())
        three = "  ".join(fit.about_text(value) for value in (thick.least_mm, thick.mean_mm, most))
        rows.append(("least  mean  most, mm", three))
    rows.append(("in the mould", kg(rubber.mass_kg)))
    low, high = rubber.order_low_kg, rubber.order_high_kg
    rows.append(("used, may be", f"{low:.0f} to {high:.0f} kg") if high > 0.0 else ("", ""))
    rows.append(("order", f"{rubber.order_kg:.0f} kg" if rubber.order_kg >= 9.5 else kg(rubber.order_kg)))
    rows.append(
        ("runs off into the moat", litres(rubber.run_off_mm3)) if rubber.run_off_mm3 > 0.0 else ("", "")
    )
    if rubber.keys:
        key = rubber.keys[0]
        rows.append((f"keys, {len(rubber.keys)}", f"{key.base_mm:.0f} wide, {key.height_mm:.0f} high"))
    if rubber.buttons:
        rows.append((f"buttons, {len(rubber.buttons)}", f"{rubber.buttons[0].diameter_mm:.0f} mm thick"))
    return [row for row in rows if row[0]]
