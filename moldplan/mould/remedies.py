"""What to do about each undercut: fill it with rubber, or something better.

Goal
    For every named undercut: what each remedy takes in rubber, money and hours, which of them the shape
    allows, and the one that the plan recommends.

Remedies
    fill            The extra passes of `moldplan.mould.coats`: rubber and the hours to lay it.
    loose piece     Rigid pieces take the place of what lies beyond the skin (`moldplan.mould.loose`).
                    Laminate over the sides of their boxes, and hours each. What does not leave with them
                    stays rubber.
    plug            A rigid core in a pocket that goes in at least `POCKET` of its mouth's width, or in a
                    tunnel. In a tunnel it stands in two parts, one to each side. In a pocket it has to come
                    out by the mouth, which must not be narrower than the pocket is on average.
    soften          Filler or carving on the pattern (`moldplan.mould.soften`).
    another split   A plane that frees this very undercut, and locks less in all by a good part of it: one
                    that only locks as much elsewhere is no remedy.

Choice
    Shallow rubber (`mould.solid_least_mm`) is filled. From there on the cheapest remedy is taken, and over
    `mould.deep_fill_mm` filling only when nothing else is possible. What the client has to be asked about is
    not taken by itself while another is possible. A tunnel that stays a tunnel gets its webs' hours on top.

Common practice, no source: the limits, and what is weighed against what. Costs are the shop's own cards.

Not modelled
    The skin's own rubber that filler saves, and waiting for coats to cure. Several undercuts that share one
    piece.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from moldplan.cards.model import Settings
from moldplan.columns.leave import Cubes
from moldplan.half.model import Half, Region
from moldplan.mould.laminate import jacket_laminate
from moldplan.mould.loose import Piece, loose_pieces, surroundings
from moldplan.mould.model import OtherSplit, RegionAdvice, Remedy, Rubber, Softening
from moldplan.mould.places import towards
from moldplan.mould.soften import soften
from moldplan.units import kg, litres, mm

#: Share of the filling that has to leave with loose pieces; it is known to two or three hundredths.
CLEARED: Final = 0.9
#: With this much no further piece is looked for.
ENOUGH: Final = 0.95
#: A loose piece smaller than this is no piece: shortest side in mm, volume in mm3.
LEAST_SIDE_MM: Final = 15.0
LEAST_PIECE_MM3: Final = 1e5
#: An undercut that goes in at least this share of its mouth's width is a pocket, and no ledge.
POCKET: Final = 1.0 / 3.0
#: A plug is at least this thick, and takes this share of the filling: it tapers, so that it slides out.
LEAST_PLUG_MM: Final = 15.0
PLUG_SHARE: Final = 0.8
#: Another split frees an undercut when no more than this share of it is left ...
STILL: Final = 0.05
#: ... and at least this share of it is gone in all, and not only locked elsewhere.
REALLY_GONE: Final = 0.5

_MM3_PER_L = 1e6


@dataclass(frozen=True, kw_only=True)
class _Case:
    """One undercut, and what it takes when it is filled."""

    half: Half
    region: Region
    solid_mm: float
    skin_mm: float
    fill_kg: float
    passes: int
    settings: Settings

    @property
    def webs(self) -> int:
        """Webs that the undercut needs as long as it is a tunnel."""
        return max(self.region.mouths - 1, 0)

    def number(self, name: str) -> float:
        """Return a setting."""
        return self.settings.number(name)

    def money(self, rubber_kg: float, hours: float, stuff: float = 0.0) -> float:
        """Return what rubber, hours and other stuff cost together."""
        rubber = rubber_kg * self.number("rubber.cost_per_kg")
        return rubber + hours * self.number("shop.cost_per_h") + stuff

    def laying_h(self, rubber_kg: float) -> float:
        """Return the hours of one person to lay so much rubber."""
        return rubber_kg / self.number("crew.brush_kg_h")


def advise(
    half: Half, rubber: Rubber, settings: Settings, *, others: Sequence[OtherSplit] = ()
) -> tuple[RegionAdvice, ...]:
    """Return what to do about each undercut of a half, in the order of their ids.

    Parameters
    ----------
    half, rubber
        The half on its board and its rubber, whose extra coats are what filling takes.
    settings
        Reads ``mould.*``, ``rubber.*``, ``crew.brush_kg_h``, ``shop.cost_per_h``, ``jacket.*`` (laminate and
        its cost), ``split.soften_mm`` and ``split.approval_mm``.
    others
        Other planes of the search (`moldplan.mould.other_split.judge_other`).

    Returns
    -------
    tuple of RegionAdvice
        One for each named undercut that rubber gets into. ``hours`` are those of one person.

    Notes
    -----
    Pieces, plugs, softening and other splits are weighed from ``mould.solid_least_mm`` of solid rubber on,
    and in tunnels. Some 50 ms for each such undercut.
    """
    cases = [_case(half, region, rubber, settings) for region in half.undercut.regions if region.mouths > 0]
    weighed = {case.region.id for case in cases if _is_weighed(case)}
    soft = [case.region.id for case in cases if case.region.id in weighed and _may_soften(case)]
    softer = {item.region: item for item in soften(half, settings, only=soft)} if soft else {}
    far = surroundings(half) if weighed else None
    advice = []
    for case in cases:
        remedies = [_fill(case)]
        if far is not None and case.region.id in weighed:
            remedies += [_loose(case, far), _plug(case), _softened(case, softer.get(case.region.id))]
            remedies += [_other(case, other) for other in _best_other(case, others)]
        remedies.sort(key=lambda item: (not item.possible, item.cost))
        advice.append(
            RegionAdvice(
                region=case.region.id,
                solid_mm=case.solid_mm,
                chosen=_chosen(case, remedies, softer.get(case.region.id)),
                weighed=tuple(remedies),
            )
        )
    return tuple(advice)


def advised_rubber_kg(rubber: Rubber, advice: Sequence[RegionAdvice]) -> float:
    """Return the rubber's mass when every undercut is dealt with as advised."""
    saved = 0.0
    for one in advice:
        fill_kg = next(item.rubber_kg for item in one.weighed if item.kind == "fill")
        saved += fill_kg - one.chosen.rubber_kg
    return rubber.mass_kg - saved


def solid_rubber_mm(region: Region, rubber: Rubber, settings: Settings) -> float:
    """Return how thick the rubber stands on the pattern in one undercut, mm: skin and extra passes.

    Accurate to one thick coat, because passes are whole.
    """
    passes = rubber.region_coats.get(region.id, 0)
    return rubber.skin_mm + passes * settings.number("rubber.thick_coat_mm")


def _case(half: Half, region: Region, rubber: Rubber, settings: Settings) -> _Case:
    return _Case(
        half=half,
        region=region,
        solid_mm=solid_rubber_mm(region, rubber, settings),
        skin_mm=rubber.skin_mm,
        fill_kg=sum(coat.mass_kg for coat in rubber.coats if coat.region == region.id),
        passes=rubber.region_coats.get(region.id, 0),
        settings=settings,
    )


def _is_weighed(case: _Case) -> bool:
    """Tell whether more than filling is looked at."""
    return case.fill_kg > 0.0 and (case.webs > 0 or case.solid_mm >= case.number("mould.solid_least_mm"))


def _may_soften(case: _Case) -> bool:
    """Tell, quickly, whether filler or carving within the limits may free an undercut.

    Filler is as thick as the undercut's deepest place is far from the pattern, which the passes tell to one
    coat. Carving sets the outline back by what hangs over: the reach, or half the width of a narrow slot.
    """
    limit_mm = max(case.number("split.approval_mm"), case.number("split.soften_mm"))
    slack_mm = 2.0 * case.half.undercut.gaps.grid.cell_mm
    if case.solid_mm - case.number("rubber.thick_coat_mm") <= limit_mm + slack_mm:
        return True
    return min(case.region.reach_mm, 0.5 * case.region.mouth_mm) <= limit_mm + slack_mm


def _fill(case: _Case) -> Remedy:
    hours = case.laying_h(case.fill_kg) + case.webs * case.number("mould.web_h")
    if case.passes == 0:
        text = "the base coats fill it"
    else:
        text = f"fill with {kg(case.fill_kg)} of rubber in {_count(case.passes, 'extra pass', 'es')}"
    return Remedy(
        kind="fill", possible=True, rubber_kg=case.fill_kg, cost=case.money(case.fill_kg, hours), hours=hours,
        text=text + _with_webs(case),
    )  # fmt: skip


def _with_webs(case: _Case) -> str:
    """Return what is said of a tunnel that stays one."""
    return f", with {_count(case.webs, 'web', 's')} across the opening" if case.webs else ""


def _count(number: int, word: str, plural: str) -> str:
    return f"{number} {word}{'' if number == 1 else plural}"


def _loose(case: _Case, far: Cubes) -> Remedy:
    """Return loose jacket pieces as a remedy."""
    filling_mm3 = _filling_mm3(case)
    small = filling_mm3 < LEAST_PIECE_MM3
    found = () if small else loose_pieces(case.half, case.region, far, skin_mm=case.skin_mm, enough=ENOUGH)
    pieces = [
        piece
        for piece in found
        if piece.size_mm[2] >= LEAST_SIDE_MM and piece.share * filling_mm3 >= LEAST_PIECE_MM3
    ]
    cleared = sum(piece.share for piece in pieces)
    left_kg = case.fill_kg * (1.0 - cleared)
    laminate_kg = sum(_laminate_kg(piece, case.settings) for piece in pieces)
    hours = len(pieces) * case.number("mould.piece_h") + case.laying_h(left_kg)
    hours += case.webs * case.number("mould.web_h")
    return Remedy(
        kind="loose piece",
        possible=bool(pieces) and cleared >= CLEARED - 1e-9,
        rubber_kg=left_kg,
        cost=case.money(left_kg, hours, laminate_kg * case.number("jacket.cost_per_kg")),
        hours=hours,
        text="loose jacket piece: too small to make" if small else _loose_text(case, found, pieces, left_kg),
        pull=pieces[0].pull if pieces else None,
        cleared=cleared,
        size_mm=pieces[0].size_mm if pieces else None,
        pulls=tuple(piece.pull for piece in pieces),
        volume_mm3=cleared * filling_mm3,
    )


def _loose_text(case: _Case, found: Sequence[Piece], pieces: Sequence[Piece], left_kg: float) -> str:
    """Return loose pieces in words: their size, which way they leave, and the rubber they save."""
    if not pieces:
        return "loose jacket piece: " + (
            f"too small to make, {_box(found[0])}" if found else "none gets out past the pattern"
        )
    cleared = sum(piece.share for piece in pieces)
    ways = "; ".join(f"{_box(piece)}, leaves {towards(case.half, piece.pull)}" for piece in pieces)
    name = "loose jacket piece" if len(pieces) == 1 else f"{len(pieces)} loose jacket pieces"
    held = "" if cleared >= CLEARED - 1e-9 else ": the rest stays locked"
    return (
        f"{name} {ways}; clears {100.0 * cleared:.0f} %{held}; "
        f"{_some(left_kg)} instead of {kg(case.fill_kg)}{_with_webs(case)}"
    )


def _some(rubber_kg: float) -> str:
    """Return a mass of rubber for people."""
    return f"{kg(rubber_kg)} of rubber" if rubber_kg >= 0.005 else "no rubber"


def _box(piece: Piece) -> str:
    return " x ".join(f"{side:.0f}" for side in piece.size_mm) + " mm"


def _filling_mm3(case: _Case) -> float:
    """Return the volume of what the extra passes fill."""
    return case.fill_kg / case.number("rubber.density_kg_l") * _MM3_PER_L


def _laminate_kg(piece: Piece, settings: Settings) -> float:
    """Return the laminate of a hollow piece: its box's six sides, as many plies as a small jacket."""
    a, b, c = piece.size_mm
    plies = settings.number("jacket.plies_small")
    return 2.0 * (a * b + b * c + c * a) * 1e-6 * plies * jacket_laminate(settings).ply_kg_m2


def _plug(case: _Case) -> Remedy:
    """Return a plug as a remedy: its core is the mean gap less the skin on both sides."""
    region = case.region
    core_mm = region.volume_mm3 / region.area_mm2 - 2.0 * case.skin_mm
    width_mm = region.area_mm2 / region.reach_mm if region.reach_mm > 0.0 else math.inf
    why_not = _no_plug(case, core_mm, width_mm)
    left_kg = case.fill_kg * (1.0 - PLUG_SHARE)
    volume_mm3 = PLUG_SHARE * _filling_mm3(case)
    hours = case.number("mould.plug_h") + case.laying_h(left_kg)
    stuff = volume_mm3 / _MM3_PER_L * case.number("mould.plug_cost_per_l")
    parts = "plug in two parts, one from either side" if case.webs else "plug that comes out by the mouth"
    words = (
        f"{parts}, about {mm(core_mm)} thick and {mm(region.reach_mm)} deep, {litres(volume_mm3)}; "
        f"{_some(left_kg)} instead of {kg(case.fill_kg)}"
    )
    return Remedy(
        kind="plug",
        possible=not why_not,
        rubber_kg=left_kg,
        cost=case.money(left_kg, hours, stuff),
        hours=hours,
        text=f"plug: {why_not}" if why_not else words,
        size_mm=None if why_not else (region.reach_mm, min(width_mm, region.mouth_mm), core_mm),
        volume_mm3=0.0 if why_not else volume_mm3,
    )


def _no_plug(case: _Case, core_mm: float, width_mm: float) -> str:
    """Return why a plug is no use in an undercut, or nothing."""
    region = case.region
    if core_mm < LEAST_PLUG_MM:
        return f"{mm(max(core_mm, 0.0))} between the skins, too thin"
    if case.webs:
        return ""
    if region.reach_mm < POCKET * region.mouth_mm:
        return f"a ledge {mm(region.reach_mm)} deep and {mm(region.mouth_mm)} wide holds none"
    slack_mm = 2.0 * case.half.undercut.gaps.grid.cell_mm  # mouth and reach are known to a cell each
    if region.mouth_mm + slack_mm < width_mm:
        return f"the mouth is {mm(region.mouth_mm)} wide, the pocket {mm(width_mm)}: it would not come out"
    return ""


def _softened(case: _Case, item: Softening | None) -> Remedy:
    """Return filler or carving as a remedy."""
    if item is None:
        limit = max(case.number("split.approval_mm"), case.number("split.soften_mm"))
        text = f"softening: more than {mm(limit)} of filler or carving"
        return Remedy(
            kind="soften", possible=False, rubber_kg=case.fill_kg, cost=math.inf, hours=math.inf, text=text
        )
    amount_l = item.amount_mm3 / _MM3_PER_L
    filled = item.way == "fill"
    stuff = amount_l * case.number("mould.filler_cost_per_l") if filled else 0.0
    hours = amount_l * case.number("mould.soften_h_per_l")
    text = f"up to {mm(item.thickest_mm)} of {'filler' if filled else 'carving'}, {litres(item.amount_mm3)}"
    if case.webs:
        text += ", closing the tunnel" if filled else ", opening the tunnel"
    text += "; no rubber beyond the skin" + ("; ask the client first" if item.needs_approval else "")
    return Remedy(
        kind="soften", possible=True, rubber_kg=0.0, cost=case.money(0.0, hours, stuff), hours=hours,
        text=text, volume_mm3=item.amount_mm3,
    )  # fmt: skip


def _best_other(case: _Case, others: Sequence[OtherSplit]) -> list[OtherSplit]:
    """Return the other split that leaves least of an undercut, of those that are fair; at most one."""
    fair = [other for other in others if _is_fair(case, other)]
    return sorted(fair or others[:1], key=lambda other: _still(case, other))[:1]


def _still(case: _Case, other: OtherSplit) -> float:
    """Return the share of the undercut that is one under another split too."""
    return other.still.get((case.half.name, case.region.id), 1.0)


def _is_fair(case: _Case, other: OtherSplit) -> bool:
    """Tell whether another split does not lock elsewhere what it frees here."""
    return other.now_mm3 - other.undercut_mm3 >= REALLY_GONE * case.region.volume_mm3


def _other(case: _Case, other: OtherSplit) -> Remedy:
    """Return another split as a remedy; its cost counts what it locks more, or less, in all."""
    still = _still(case, other)
    possible = still <= STILL and _is_fair(case, other)
    density = case.number("rubber.density_kg_l")
    more_kg = (other.undercut_mm3 - other.now_mm3) / _MM3_PER_L * density
    all_kg = max(case.fill_kg + more_kg, 0.0)
    hours = case.laying_h(all_kg)
    left = f"leaves {100.0 * still:.0f} % of this undercut; {other.text}"
    return Remedy(
        kind="another split", possible=possible, rubber_kg=case.fill_kg * still,
        cost=case.money(all_kg, hours), hours=hours,
        text=f"another split {left}" if possible else f"another split is no better: it {left}",
    )  # fmt: skip


def _chosen(case: _Case, remedies: Sequence[Remedy], item: Softening | None) -> Remedy:
    """Return the remedy the plan recommends; `remedies` are in order, the cheapest possible first."""
    fill = next(remedy for remedy in remedies if remedy.kind == "fill")
    if case.solid_mm < case.number("mould.solid_least_mm"):
        return fill
    asks = item is not None and item.needs_approval
    own = [remedy for remedy in remedies if remedy.possible and not (asks and remedy.kind == "soften")]
    if case.solid_mm <= case.number("mould.deep_fill_mm"):
        return own[0]
    better = [remedy for remedy in own if remedy.kind != "fill"]
    asked = [remedy for remedy in remedies if remedy.possible and remedy.kind == "soften"]
    return next(iter(better or asked), fill)
