"""The lines a run ends with: what a shop asks first, with a number in each."""

from collections import Counter
from collections.abc import Callable
from typing import Final

from moldplan.errors import one_line
from moldplan.findings import gravest_text
from moldplan.half.model import Half
from moldplan.mould.bands import strain_text
from moldplan.mould.model import Coat, Mould
from moldplan.pattern.model import Pattern
from moldplan.plan import Plan
from moldplan.request import Made, Prepared
from moldplan.tolerances import UNDERCUT_NOTHING
from moldplan.units import kg, litres, m2, mm

#: Less rubber saved than this is not worth a word.
_LEAST_KG: Final = 0.1


def answers(made: Made) -> list[str]:
    """Return the closing lines of a run, and a line for each thing that could not be made."""
    plan = made.plan
    rows = [
        *_mended(plan),
        ("Split", _split(plan)),
        ("Locks", _locks(plan)),
        ("Do", _each(plan, _to_do)),
        ("Coats", _each(plan, _coats)),
        ("Rubber", _rubber(plan)),
        ("Peel", _each(plan, _peel)),
        ("Wall", _each(plan, _wall)),
        ("Board", _each(plan, _board)),
        ("Weighs", _each(plan, _weighs)),
        ("Turning", f"{_each(plan, _turning)}; a qualified person decides, local codes apply"),
        ("Hand", _each(plan, _hand)),
        ("Files", f"{len(made.files)} in {one_line(str(made.folder))}"),
        ("Look first", _look_first(plan)),
    ]
    rows += [("Not made", note) for note in made.notes]
    rows += [("Not kept", note) for note in made.cache_notes]
    return [f"{name:<11}{text}" for name, text in rows]


def _mended(plan: Plan) -> list[tuple[str, str]]:
    """Return the line on what was mended, when something was that moved the surface."""
    survey = plan.pattern.survey
    moved = [repair for repair in survey.repairs if repair.moved_mm > 0.0]
    if not moved:
        return []
    what = ", ".join(f"{repair.count} x {repair.what}" for repair in moved)
    accepted = f"; accepted: {'; '.join(survey.accepting)}" if survey.accepting else ""
    return [("Mended", f"{what}; {survey.deviation_mm:.2g} mm off at most{accepted}")]


def dry_answers(prepared: Prepared) -> list[str]:
    """Return what a run would make, in a few lines."""
    pattern = prepared.pattern
    where = "look for the plane of least undercut" if prepared.plane is None else "cut at the plane given"
    changed = [
        f"{setting.name} = {setting.value} {setting.unit}".rstrip() + f" ({setting.origin})"
        for setting in prepared.settings.values()
        if not setting.origin.startswith("built-in")
    ]
    parts = ", ".join(("plan.json", *(f"{part}/" for part in prepared.parts)))
    return [
        f"{'Pattern':<11}{pattern.name}: {_size(pattern)}",
        f"{'Would':<11}{where}, and plan each half's mould",
        f"{'Settings':<11}{'; '.join(changed) or 'all from the built-in cards'}",
        f"{'Would make':<11}{parts} in {prepared.out}",
        f"{'Written':<11}nothing (dry run)",
    ]


def _size(pattern: Pattern) -> str:
    x, y, z = pattern.size_mm
    solid = f"{litres(pattern.volume_mm3)}, {pattern.survey.triangles} triangles"
    return f"{x:.0f} x {y:.0f} x {z:.0f} mm, {solid}"


def _each(plan: Plan, say: Callable[[Half, Mould], str]) -> str:
    return "; ".join(f"{half.name} ({half.called}) {say(half, mould)}" for half, mould in plan.pairs())


def _split(plan: Plan) -> str:
    if plan.chosen_by == "open":
        return f"none: a one-part open mould, the figure on its flat back; rim {mm(plan.seam_mm)}"
    normal = ",".join(f"{round(value, 3) + 0.0:.3f}" for value in plan.plane.normal)
    how = _how_chosen(plan)
    halves = " / ".join(half.called for half in plan.halves)
    offset = f"{round(plan.plane.offset_mm, 1) + 0.0:.1f} mm"
    return f"{halves}, square to {normal}, {offset} from the middle ({how}); seam {mm(plan.seam_mm)}"


def _how_chosen(plan: Plan) -> str:
    """Return where the plane came from."""
    if plan.chosen_by == "answer":
        return "an answer of moldplan split"
    if plan.splits is None:
        return "as given"
    return f"least undercut of {plan.splits.directions_tried} directions"


def _locks(plan: Plan) -> str:
    if plan.undercut_mm3 <= UNDERCUT_NOTHING * plan.pattern.volume_mm3:
        return "nothing: every half draws straight off its board"
    share = plan.undercut_mm3 / plan.pattern.volume_mm3
    return (
        f"{litres(plan.undercut_mm3)} ({share:.1%} of the figure): {_each(plan, _undercut)}; "
        f"{litres(plan.locked_mm3)} would lock however the divide line runs"
    )


def _undercut(half: Half, _mould: Mould) -> str:
    undercut = half.undercut
    if not undercut.regions:
        return litres(undercut.volume_mm3)
    deepest = max(undercut.regions, key=lambda region: region.depth_mm)
    places = _many(len(undercut.regions), "place", "places")
    return f"{litres(undercut.volume_mm3)} in {places}, deepest {mm(deepest.depth_mm)} at no. {deepest.id}"


def _to_do(half: Half, mould: Mould) -> str:
    """Count what is to be done about the undercuts, and name the weightiest that is not filled."""
    if not mould.advice:
        return "nothing to fill" if not half.undercut.regions else "fill until the outside draws"
    kinds = Counter(advice.chosen.kind for advice in mould.advice)
    text = ", ".join(f"{_WAYS[kind]} {count}" for kind, count in kinds.items())
    webs = f", {_many(len(mould.webs), 'web', 'webs')}" if mould.webs else ""
    worst = max(mould.advice, key=lambda advice: advice.solid_mm)
    first = f" (no. {worst.region}: {worst.chosen.text})" if worst.chosen.kind != "fill" else ""
    return f"{text}{webs}{first}"


_WAYS = {
    "fill": "fill", "loose piece": "loose jacket pieces", "plug": "plugs", "soften": "soften",
    "another split": "another split for",
}  # fmt: skip


def _rubber(plan: Plan) -> str:
    rubbers = [mould.rubber for mould in plan.moulds]
    order = sum(rubber.order_kg for rubber in rubbers)
    low = sum(rubber.order_low_kg for rubber in rubbers)
    high = sum(rubber.order_high_kg for rubber in rubbers)
    parts = _each(
        plan, lambda _half, mould: f"{kg(mould.rubber.mass_kg)} ({litres(mould.rubber.volume_mm3)})"
    )
    saved = sum(rubber.mass_kg - rubber.advised_kg for rubber in rubbers if rubber.advised_kg > 0.0)
    less = f"; with pieces, plugs and softening as advised {kg(saved)} less" if saved >= _LEAST_KG else ""
    return f"order {kg(order)}: {parts}; in use {kg(low)} to {kg(high)}{less}"


def _coats(_half: Half, mould: Mould) -> str:
    rubber = mould.rubber
    base = [coat for coat in rubber.coats if _is_base(coat)]
    extra = sum(rubber.region_coats.values())
    text = f"{len(base)} all over to {mm(rubber.skin_mm)}"
    if not extra:
        return text
    most = max(rubber.region_coats.values())
    where = _many(len(rubber.region_coats), "undercut", "undercuts")
    return (
        f"{text} + {_many(extra, 'extra pass', 'extra passes')} in {where}, if all are filled (most {most})"
    )


def _is_base(coat: Coat) -> bool:
    """Whether a coat goes over everything (not the passes of one undercut, the draw-out or the edge)."""
    return coat.region is None and coat.name.startswith(("detail", "thick"))


def _peel(_half: Half, mould: Mould) -> str:
    peel = mould.peel
    if peel is None or peel.place_mm is None:
        return "nothing has to stretch"
    too_far = ", too far" if peel.strain > peel.allowed else ""
    return f"stretches {strain_text(peel.strain)}, {strain_text(peel.allowed)} allowed{too_far}"


def _wall(_half: Half, mould: Mould) -> str:
    wall = mould.wall
    clay = f"{kg(wall.clay_kg)} of clay and {kg(wall.buttress_kg)} for buttresses"
    return f"{mm(wall.height_mm)} high, {mm(wall.thickness_mm)} thick, {clay}"


def _board(_half: Half, mould: Mould) -> str:
    width, height = mould.board.size_mm
    sheets = "1 sheet" if mould.board.sheets == 1 else f"{mould.board.sheets} sheets, jointed"
    return f"{width:.0f} x {height:.0f} mm from {sheets}"


def _weighs(_half: Half, mould: Mould) -> str:
    jacket = mould.jacket
    parts = dict(jacket.turns_kg) or {"jacket": jacket.mass_kg, "rubber": mould.rubber.mass_kg}
    return ", ".join(f"{part} {kg(mass)}" for part, mass in parts.items())  # each by itself, as it is carried


def _turning(_half: Half, mould: Mould) -> str:
    jacket = mould.jacket
    who = (
        "turning frame or hoist"
        if jacket.turning_people is None
        else _many(jacket.turning_people, "person", "people")
    )
    return f"{kg(jacket.turning_kg)} together: {who}"


def _hand(_half: Half, mould: Mould) -> str:
    reach = mould.reach
    if reach is None or reach.unreached_mm2 <= 0.0:
        return "reaches all of the inside"
    share = reach.unreached_mm2 / reach.surface_mm2
    if not reach.places:
        return f"misses {m2(reach.unreached_mm2)} ({share:.0%}), in crumbs"
    places = _many(len(reach.places), "place", "places")
    return f"misses {m2(reach.unreached_mm2)} ({share:.0%}) in {places}: {reach.places[0].text}"


def _many(count: int, one: str, more: str) -> str:
    """Return a count with its noun."""
    return f"{count} {one if count == 1 else more}"


def _look_first(plan: Plan) -> str:
    """Name the gravest finding, else the drawing of the half with the most undercut."""
    gravest = gravest_text(plan.findings, more_in="plan.json")
    if gravest is not None:
        return gravest
    worst = max(plan.halves, key=lambda half: half.undercut.volume_mm3)
    return f"the drawing of half {worst.name} ({worst.called}) from above"
