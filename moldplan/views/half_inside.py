"""Looking into the emptied half-mould: what the hand does not reach, small shapes, how to peel the rubber."""

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from moldplan.half.model import Half
from moldplan.mould.bands import strain_text
from moldplan.mould.model import Feature, Mould, Peel, Reach
from moldplan.pattern.model import axis_vector
from moldplan.units import m2
from moldplan.views import furniture as fit
from moldplan.views.half_rubber import ring_sample
from moldplan.views.labels import Column, Note, draw_labels, place_labels
from moldplan.views.marks import Mark, Marks, draw_marks, place_marks
from moldplan.views.paper import (
    DASHED,
    FRAME,
    HEAVY,
    THIN,
    Box,
    Pen,
    Picture,
    Point,
    Sheet,
    areal,
)
from moldplan.views.relief import grid_box, relief_picture
from moldplan.views.scale import Scale, drawn, fitting_scale
from moldplan.views.tables import draw_list
from moldplan.views.titles import titles

if TYPE_CHECKING:
    from moldplan.plan import Plan
    from moldplan.views.cutting import Cut

ROOM: Box = (FRAME[0] + 12.0, FRAME[1] + 99.0, FRAME[0] + 166.0, FRAME[3] - 24.0)
LABELS = Column(
    left_mm=FRAME[0] + 180.0, right_mm=fit.COLUMN_LEFT - 2.0, low_mm=FRAME[1] + 94.0, high_mm=FRAME[3] - 16.0
)
PEEL_LIST: Box = (FRAME[0] + 6.0, FRAME[1] + 14.0, FRAME[0] + 146.0, FRAME[1] + 91.0)
FEATURE_LIST: Box = (FRAME[0] + 154.0, FRAME[1] + 4.0, fit.COLUMN_LEFT - 3.0, FRAME[1] + 91.0)
#: Places that are labelled at most, the largest first; more would make the leaders a fan.
_MOST_PLACES = 7
_MOST_ADVICE = 2
#: Hatch of what the hand does not reach: lines both ways, so that it is no other hatch on these sheets.
_HATCH_GAP_MM = 1.5
_HATCH_PEN = Pen(0.2)
_UNDERCUT = re.compile(r"\bundercut (\d+)")
#: Words of the peel's steps that the sheet says shorter.
_SHORTER = (
    ("; it bends by", ", bends"),
    (
        "roll the rubber up evenly all round and over what stands on it; it stretches by",
        "roll up all round, stretches",
    ),
    (
        "work the rubber loose with the fingers from the mouth inwards, a little at a time",
        "work loose from the mouth",
    ),
)
#: Sizes of small shapes that are written for each kind.
_SIZES = 3
#: Least height in which it is worth going on with a list.
_LEAST_LIST_MM = 24.0
#: A corner of less radius is called sharp.
_SHARP_MM = 0.5
#: How far beyond its room the edge of the rubber may be drawn.
_BEYOND_MM = 6.0


def inside_sheet(plan: "Plan", half: Half, mould: Mould, cut: "Cut", *, number: str) -> Sheet:  # noqa: ARG001 - all sheets of a half are made alike
    """Return the view into the half-mould of `half`, turned up and emptied: mirrored against the plan view.

    Parameters
    ----------
    plan
        The whole plan, for titles, settings and the figure's directions.
    half, mould
        The half and its mould.
    cut
        Not used here.
    number
        "4 of 13", for the title block.
    """
    sheet = Sheet(f"half-{half.name.lower()}-inside")
    scale = _scale(half)
    fit.draw_frame(
        sheet, titles(plan, half, drawing="inside of the half-mould", scale=scale.text, number=number)
    )
    fit.draw_heading(
        sheet, "LOOKING INTO THE OPENED HALF", below=("mirrored against the plan view: left is right",)
    )
    labels = place_labels(_notes(mould, scale), LABELS)
    taken = [label.leader for label in labels]
    marks = place_marks(_marks(mould, scale), room=_grown(ROOM, _BEYOND_MM), taken=taken)
    _draw_cavity(sheet, half, mould, marks, scale)
    draw_labels(sheet, labels)
    draw_marks(sheet, marks)
    _draw_lists(sheet, mould)
    fit.draw_scale_bar(sheet, scale, at=(FRAME[0] + 5.0, FRAME[1] + 7.5))
    _draw_column(sheet, plan, half, mould, left_out=marks.left_out)
    return sheet


def _grown(box: Box, by: float) -> Box:
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by


def _scale(half: Half) -> Scale:
    left, low, right, high = half.projection.bounds
    return replace(fitting_scale((left, low, right, high), ROOM), mirrored=True)


def _notes(mould: Mould, scale: Scale) -> list[Note]:
    """Return the labels: where the hand does not get to, and where the rubber stretches most."""
    notes: list[Note] = []
    peel, reach = mould.peel, mould.reach
    if peel is not None and peel.place_mm is not None and peel.strain > 0.0:
        lines = (f"rubber stretches {strain_text(peel.strain)} here", f"allowed {strain_text(peel.allowed)}")
        notes.append(Note(lines=lines, anchor=scale.point(*peel.place_mm[:2]), tag="peel-worst"))
    places = () if reach is None else reach.places[:_MOST_PLACES]
    room = LABELS.room(2) - len(notes)
    for number, place in enumerate(places[:room], start=1):
        why = "too narrow" if place.why == "narrow" else "too deep"
        words = (f"R{number}  {_area(place.area_mm2)}, {why}", _where(place.text))
        notes.append(Note(lines=words, anchor=scale.point(*place.place_mm[:2]), tag=f"reach-{number}"))
    return notes


def _where(text: str) -> str:
    """Return of "so large a place, of such a kind: what to do" the kind."""
    before, colon, _ = text.partition(": ")
    if not colon:
        return text
    return before.split(" cm2 ")[-1].split(" m2 ")[-1].split(", ")[0]


def _advice(text: str) -> str:
    """Return of "what it is: what to do" what to do."""
    return text.partition(": ")[2] or text


def _area(area_mm2: float) -> str:
    return f"{area_mm2 / 100.0:.0f} cm2" if area_mm2 < 1e5 else m2(area_mm2)


def _marks(mould: Mould, scale: Scale) -> list[Mark]:
    """Return the numbers of the peel's steps and of the small shapes."""
    marks = []
    if mould.peel is not None:
        marks = [
            Mark(text=str(step.number), anchor=scale.point(*step.place_mm[:2]), tag="peel-step")
            for step in mould.peel.order
        ]
    marks.extend(
        Mark(text=f"S{n}", anchor=scale.point(*feature.place_mm[:2]), tag="feature")
        for n, feature in enumerate(mould.features, start=1)
    )
    return marks


def _draw_cavity(sheet: Sheet, half: Half, mould: Mould, marks: Marks, scale: Scale) -> None:
    """Draw the hollow, lit as it looks from its open side, its edges, and what is not reached."""
    rubber = mould.rubber
    # looked at from behind, hills are hollows: heights run the other way, and so does x
    depth = np.where(rubber.top_mm > 0.0, rubber.top_mm.max() - rubber.top_mm + 1.0, 0.0)[:, ::-1]
    bounds, clip = scale.box(grid_box(rubber.grid)), drawn(half.projection, scale)
    sheet.picture(
        Picture(rgb=relief_picture(depth, rubber.grid), bounds=bounds, clip=clip, tag="relief", smooth=True)
    )
    shape = areal(scale.shape(unreached_shape(mould.reach)).intersection(clip))
    for turn in (20.0, 110.0):
        lines = Sheet("hatch")
        lines.hatch(shape, _HATCH_PEN, gap_mm=_HATCH_GAP_MM, turn_deg=turn, tag="unreached")
        for stroke in lines.strokes():
            sheet.stroke(marks.clear(stroke.shape), stroke.pen, tag="unreached")
    sheet.stroke(marks.clear(shape), Pen(0.25), tag="unreached")
    sheet.stroke(marks.clear(clip), THIN, tag="projection")
    sheet.stroke(marks.clear(drawn(half.section, scale)), HEAVY, tag="opening")
    edge = drawn(rubber.edge_line, scale).boundary.intersection(shapely.box(*_grown(ROOM, _BEYOND_MM)))
    sheet.stroke(marks.clear(edge), DASHED, tag="rubber-edge")


def unreached_shape(reach: Reach | None) -> BaseGeometry:
    """Return what the hand does not reach as areas seen from above, in mm."""
    if reach is None or len(reach.points_mm) == 0:
        return shapely.MultiPolygon()
    half = 0.55 * reach.cell_mm  # squares that touch their neighbours, whatever the rounding
    cells = np.unique(np.rint(reach.points_mm[:, :2] / (0.5 * reach.cell_mm)), axis=0) * 0.5 * reach.cell_mm
    boxes = shapely.box(cells[:, 0] - half, cells[:, 1] - half, cells[:, 0] + half, cells[:, 1] + half)
    return shapely.union_all(boxes).simplify(0.3 * reach.cell_mm)


def _draw_lists(sheet: Sheet, mould: Mould) -> None:
    """Write the order of peeling under the view, beside it the small shapes, below them what is left."""
    items = _peel_items(mould.peel) if mould.peel is not None else []
    left, low, right, high = FEATURE_LIST
    # the order of peeling comes first: where it does not fit its own box the small shapes take fewer words
    title = "PEEL THE RUBBER IN THIS ORDER"
    tried = draw_list(Sheet("tried"), title, items, box=PEEL_LIST)[1] if items else 0
    if mould.features:
        found = _feature_items(mould.features, brief=tried < len(items))
        high = draw_list(sheet, "SMALL SHAPES", found, box=FEATURE_LIST)[0] - 2.0
    if not items:
        return
    beside = (left, low, right, high)
    room = high - low > _LEAST_LIST_MM and draw_list(Sheet("tried"), title, items[tried:], box=beside)[1] > 0
    more = {"more": "go on at the right"} if room else {}
    shown = draw_list(sheet, title, items, box=PEEL_LIST, **more)[1]
    if shown < len(items) and room:
        draw_list(sheet, "PEEL, GOING ON", items[shown:], box=beside)


def _peel_items(peel: Peel) -> list[tuple[str, str]]:
    """Return the steps; where each is the numbers on the view say, so that the words leave it out."""
    items = []
    for step in peel.order:
        before, colon, after = step.text.partition(": ")
        short = before.partition(",")[0] if " mm " in before else before
        named = _UNDERCUT.sub(r"U\1", short)
        for long, brief in _SHORTER:
            after = after.replace(long, brief)
        items.append((str(step.number), f"{named}{colon}{after}"))
    return items


def _size(feature: Feature) -> str:
    """Return how wide (of a corner: of what radius) and how long a small shape is."""
    extent = fit.about_text(feature.extent_mm)
    if feature.kind != "tight corner":
        return f"{fit.about_text(feature.width_mm)} x {extent}"
    return (
        f"sharp x {extent}"
        if feature.width_mm < _SHARP_MM
        else f"r {fit.about_text(feature.width_mm)} x {extent}"
    )


def _feature_items(features: Sequence[Feature], *, brief: bool) -> list[tuple[str, str]]:
    """Return the small shapes by kind: their numbers, their sizes and, unless `brief`, what to do."""
    kinds: dict[str, list[tuple[int, Feature]]] = {}
    for number, feature in enumerate(features, start=1):
        kinds.setdefault(feature.kind, []).append((number, feature))
    items = []
    for kind, found in kinds.items():
        sizes = [_size(feature) for _, feature in found]
        shown = ", ".join(sizes[:_SIZES]) + (" ..." if len(sizes) > _SIZES else "")
        advice = _advice(found[0][1].text).partition(" (")[0].partition(";")[0]
        words = f"{kind}, {shown} mm" if brief else f"{kind}, {shown} mm: {advice}"
        items.append((_numbers([number for number, _ in found]), words))
    return items


def _numbers(numbers: Sequence[int]) -> str:
    """Return "S3" or "S1-S5"; of numbers with gaps between them the first and how many."""
    first, last = numbers[0], numbers[-1]
    if len(numbers) == 1:
        return f"S{first}"
    return f"S{first}-S{last}" if last - first + 1 == len(numbers) else f"S{first} +{len(numbers) - 1}"


def _draw_column(sheet: Sheet, plan: "Plan", half: Half, mould: Mould, *, left_out: int) -> None:
    """Draw directions, key, numbers and cautions in the right column."""
    arrows, words = inside_directions(plan, half)
    y = fit.draw_directions(sheet, arrows, words, top=FRAME[3])
    y = fit.draw_key(sheet, _key_rows(mould), top=y)
    cautions = _cautions(half, plan.settings.number("mould.deep_half_mm"))
    advice = _reach_words(mould.reach)
    spare = fit.words_height(cautions) + fit.words_height(advice) + 4.5
    rows = _rows(half, mould)
    if left_out:
        rows.append(("numbers without room", str(left_out)))
    y = fit.draw_table(sheet, "INSIDE", rows, top=y, spare=spare)
    y = fit.draw_words(sheet, "WHERE THE HAND DOES NOT REACH", advice, top=y)
    fit.draw_words(sheet, "CAUTION", cautions, top=y)


def _reach_words(reach: Reach | None) -> list[str]:
    """Return what to do where the hand does not reach, each advice said once."""
    if reach is None:
        return []
    return list(dict.fromkeys(_advice(place.text) for place in reach.places[:_MOST_PLACES]))[:_MOST_ADVICE]


def inside_directions(plan: "Plan", half: Half) -> tuple[list[tuple[str, Point]], list[tuple[str, str]]]:
    """Return the arrows to HEAD and FRONT as seen from the open side, and a line for one that has none."""
    arrows: list[tuple[str, Point]] = []
    words: list[tuple[str, str]] = []
    for name, along, axis in (
        ("HEAD", half.up_xy, plan.pattern.up),
        ("FRONT", half.front_xy, plan.pattern.front),
    ):
        if np.hypot(*along) > fit.SEEN_ALONG:
            arrows.append((name, (-along[0], along[1])))
        else:
            up = float((half.to_half[:3, :3] @ axis_vector(axis))[2]) > 0.0
            words.append((name, "faces away, into the mould" if up else "faces you"))
    return arrows, words


def _key_rows(mould: Mould) -> list[tuple[fit.Sample, str]]:
    rows: list[tuple[fit.Sample, str]] = [
        (fit.line_sample(HEAVY), "opening, at the joint"),
        (fit.line_sample(THIN), "widest inside"),
        (fit.line_sample(DASHED), "edge of the rubber"),
    ]
    if mould.reach is not None and len(mould.reach.points_mm):
        rows.append((fit.area_sample(_paint_unreached), "hand does not reach"))
    if mould.peel is not None and mould.peel.order:
        rows.append((ring_sample("1"), "order of peeling"))
    if mould.features:
        rows.append((ring_sample("S1"), "small shape, see the list"))
    return rows


def _paint_unreached(sheet: Sheet, box: shapely.Polygon) -> None:
    for turn in (20.0, 110.0):
        sheet.hatch(box, _HATCH_PEN, gap_mm=_HATCH_GAP_MM, turn_deg=turn, tag="key-sample")
    sheet.stroke(box, Pen(0.25), tag="key-sample")


def _rows(half: Half, mould: Mould) -> list[tuple[str, str]]:
    """Return reach and peel in numbers."""
    rows = [("greatest depth", f"{fit.mm_text(half.height_mm)} mm")]
    reach, peel = mould.reach, mould.peel
    if reach is not None:
        rows.append(("not reached", f"{_area(reach.unreached_mm2)} of {m2(reach.surface_mm2)}"))
    if peel is not None:
        rows.append(("stretch, allowed", f"{strain_text(peel.strain)}, {strain_text(peel.allowed)}"))
        rows.extend(
            (f"may snap: {fit.mm_text(part.thickness_mm)} thick", f"{fit.mm_text(part.length_mm)} long")
            for part in peel.thin[:2]
        )
    return rows


def _cautions(half: Half, deep_mm: float) -> list[str]:
    """Return what can hurt somebody who works in the open half."""
    deep = half.height_mm > deep_mm
    head = f"No head inside a half over {deep_mm:.0f} mm deep."
    if deep:
        head = f"{head[:-1]}, as this one is: supplied air, a second person."
    return [
        f"Styrene lies in an open half: extract at the lip. {head}",
        "Local codes and a qualified person decide.",
    ]
