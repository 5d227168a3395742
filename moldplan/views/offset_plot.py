"""What the first answer's direction locks, against where along it the figure is sawn."""

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from moldplan.choice.model import Answer, Ranking
from moldplan.split import locked_volume, undercut_curve
from moldplan.split.sight import square_frame
from moldplan.units import litres
from moldplan.views import furniture as fit
from moldplan.views.furniture import COLUMN_LEFT
from moldplan.views.paper import (
    DASHED,
    FINE,
    FRAME,
    HEAVY,
    MEDIUM,
    Across,
    Along,
    Lettering,
    Pen,
    Point,
    Sheet,
)
from moldplan.views.scale import round_steps
from moldplan.views.titles import ranking_titles

Floats = NDArray[np.float64]

#: Where the plot's axes run, mm.
_LEFT: Final = FRAME[0] + 26.0
_LOW: Final = FRAME[1] + 30.0
_RIGHT: Final = COLUMN_LEFT - 14.0
_HIGH: Final = FRAME[3] - 24.0
#: Offsets in each curve.
_STEPS: Final = 241
#: The neighbourhood: the normal leaned so far to eight sides, deg.
_LEANINGS: Final = (2.0, 5.0)
_SIDES: Final = 8
#: Curves are drawn up to so many times what the middle locks; far out there is nothing to decide.
_ROOF: Final = 5.0
_CELLS: Final = 256
#: The nearer ones are darker.
_NEAR: Final = (Pen(0.25, colour="#5b87b3"), Pen(0.18, colour="#a9c2da"))
#: Steps of the axis of volumes.
_VOLUMES: Final = 8
_BAND: Final = "#e4e4e4"


def offset_sheet(ranking: Ranking) -> Sheet:
    """Return the plot: undercut of both halves against the offset along answer 1's normal."""
    answer = ranking.answers[0]
    sheet = Sheet("undercut-by-offset")
    fit.draw_frame(
        sheet,
        ranking_titles(
            ranking,
            part=f"{answer.number}  {' / '.join(answer.called)}",
            drawing="undercut by offset",
            number="2 of 3",
        ),
    )
    fit.draw_heading(sheet, f"WHERE ALONG ITS NORMAL TO SAW: ANSWER {answer.number}")
    plot = _Plot.of(ranking, answer)
    _draw_axes(sheet, plot, answer)
    _draw_curves(sheet, plot, ranking, answer)
    _draw_words(sheet, ranking, answer, plot)
    return sheet


class _Plot:
    """The axes' ranges, and from values to the sheet."""

    def __init__(self, offsets: Floats, curve: Floats, locked: float) -> None:
        self.offsets, self.curve, self.locked = offsets, curve, locked
        roof = max(_ROOF * float(curve.min()), 0.1 * float(curve.max()), 1e-6)
        self.most = round_steps(min(roof, float(curve.max())), at_most=_VOLUMES)[-1]
        self.low, self.high = float(offsets[0]), float(offsets[-1])

    @classmethod
    def of(cls, ranking: Ranking, answer: Answer) -> "_Plot":
        """Return the plot of one answer."""
        pattern = ranking.pattern
        along = pattern.vertices @ answer.plane.array()
        offsets = np.linspace(float(along.min()), float(along.max()), _STEPS)
        curve = undercut_curve(pattern, answer.plane.normal, offsets, cells=_CELLS) * 1e-6
        locked = locked_volume(pattern, answer.plane.normal, cells=_CELLS) * 1e-6
        return cls(offsets, curve, locked)

    def x(self, offset: float) -> float:
        """Return where an offset stands on the sheet."""
        return float(_LEFT + (offset - self.low) / (self.high - self.low) * (_RIGHT - _LEFT))

    def y(self, volume_l: float) -> float:
        """Return where a volume in litres stands on the sheet."""
        return float(_LOW + volume_l / self.most * (_HIGH - _LOW))

    def line(self, offsets: Floats, volumes_l: Floats) -> BaseGeometry:
        """Return a curve on the sheet, cut off at the roof."""
        points = [(self.x(a), self.y(b)) for a, b in zip(offsets, volumes_l, strict=True)]
        room = shapely.box(_LEFT, _LOW, _RIGHT, _HIGH)
        return shapely.LineString(points).intersection(room)


def _draw_axes(sheet: Sheet, plot: _Plot, answer: Answer) -> None:
    """Draw both axes with round steps, and the names of the ends."""
    sheet.line([(_LEFT, _HIGH), (_LEFT, _LOW), (_RIGHT, _LOW)], MEDIUM, tag="axis")
    for value in round_steps(plot.most, at_most=_VOLUMES):
        y = plot.y(value)
        sheet.line([(_LEFT - 1.5, y), (_RIGHT, y)], Pen(0.1, colour="#c4c4c4"), tag="net")
        _write(sheet, f"{value:g}", (_LEFT - 3.0, y), across="right")
    step = round_steps(plot.high - plot.low, at_most=8)[1]
    for number in range(int(np.ceil(plot.low / step)), int(np.floor(plot.high / step)) + 1):
        x = plot.x(number * step)
        sheet.line([(x, _LOW - 1.5), (x, _LOW)], FINE, tag="axis")
        _write(sheet, f"{number * step:g}", (x, _LOW - 3.0), across="centre", along="top")
    _write(sheet, f"{answer.called[1]} end", (_LEFT, _LOW - 11.0), along="top", bold=True)
    _write(sheet, f"{answer.called[0]} end", (_RIGHT, _LOW - 11.0), across="right", along="top", bold=True)
    middle = 0.5 * (_LEFT + _RIGHT)
    _write(sheet, "mm from the middle of the figure", (middle, _LOW - 11.0), across="centre", along="top")
    _write(sheet, "litres undercut, both halves", (_LEFT - 20.0, _HIGH + 7.0))


def _write(  # noqa: PLR0913 - a text and how it stands
    sheet: Sheet,
    text: str,
    at: Point,
    *,
    across: Across = "left",
    along: Along = "middle",
    bold: bool = False,
) -> None:
    sheet.text(Lettering(text=text, at=at, across=across, along=along, bold=bold, owner="axis"))


def _draw_curves(sheet: Sheet, plot: _Plot, ranking: Ranking, answer: Answer) -> None:
    """Draw the saw's band, the neighbourhood, what is always locked, and the answer."""
    offset = answer.plane.offset_mm
    off = ranking.settings.number("split.saw_offset_mm")
    band = shapely.box(plot.x(offset - off), _LOW, plot.x(offset + off), _HIGH)
    sheet.area(band, _BAND, tag="band")
    for lean, pen in reversed(list(zip(_LEANINGS, _NEAR, strict=True))):
        for normal in _neighbours(answer.plane.array(), lean):
            curve = undercut_curve(ranking.pattern, normal, plot.offsets, cells=_CELLS // 2) * 1e-6
            sheet.stroke(plot.line(plot.offsets, curve), pen, tag="near")
    always = plot.line(plot.offsets[[0, -1]], np.array([plot.locked, plot.locked]))
    sheet.stroke(always, DASHED, tag="locked")
    sheet.stroke(plot.line(plot.offsets, plot.curve), HEAVY, tag="curve")
    x = plot.x(offset)
    sheet.line([(x, _LOW), (x, _HIGH)], FINE, tag="answer")
    place = shapely.Point(x, plot.y(float(np.interp(offset, plot.offsets, plot.curve)))).buffer(1.6)
    sheet.area(place, "#161616", tag="answer")


def _neighbours(normal: Floats, lean_deg: float) -> Floats:
    """Return the normals (8, 3) leaned off one by an angle to eight sides."""
    frame = square_frame(normal)
    turns = 2.0 * np.pi * np.arange(_SIDES) / _SIDES
    aside = np.cos(turns)[:, None] * frame[0] + np.sin(turns)[:, None] * frame[1]
    lean = np.radians(lean_deg)
    return np.asarray(np.cos(lean) * normal + np.sin(lean) * aside)


def _draw_words(sheet: Sheet, ranking: Ranking, answer: Answer, plot: _Plot) -> None:
    """Draw the key, and say how to read the curve."""
    off, angle = (ranking.settings.number(f"split.saw_{key}") for key in ("offset_mm", "angle_deg"))
    rows = [
        (fit.line_sample(HEAVY), "this direction"),
        *(
            (fit.line_sample(pen), f"leaned by {lean:g} deg")
            for lean, pen in zip(_LEANINGS, _NEAR, strict=True)
        ),
        (fit.line_sample(DASHED), "what any divide line locks"),
        (fit.area_sample(lambda on, box: on.area(box, _BAND, tag="key-sample")), f"saw off by {off:g} mm"),
    ]
    y = fit.draw_key(sheet, rows, top=FRAME[3])
    best = int(np.argmin(plot.curve))
    worst = (
        "" if answer.worst is None else f" With the saw off by {angle:g} deg and {off:g} mm it is at worst "
    )
    worst += "" if answer.worst is None else f"{litres(answer.worst.undercut_mm3)}."
    words = [
        (
            f"The dot is answer {answer.number}: {answer.plane.offset_mm:g} mm, "
            f"{litres(answer.measures.undercut_mm3)}.{worst}"
        ),
        f"Lowest of the curve: {litres(plot.curve[best] * 1e6)} at {plot.offsets[best]:.0f} mm.",
        (
            "A flat curve forgives the saw; a steep one does not. Where thin lines run below the heavy one, "
            "leaning the cut would lock less: the search rounds to whole degrees."
        ),
        (
            f"Any divide line locks at least {litres(plot.locked * 1e6)} (dashed): what lies between that "
            "and the heavy line is the most that a divide line following the shape could save."
        ),
    ]
    fit.draw_words(sheet, "HOW TO READ IT", words, top=y)
