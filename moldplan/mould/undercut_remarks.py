"""What undercuts, loops of rubber and release have to say to a person."""

from collections.abc import Iterator, Sequence
from functools import partial

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half, Region
from moldplan.mould.model import Point3, RegionAdvice, ReleaseStep, Rubber, Web
from moldplan.mould.parting import contacts
from moldplan.mould.places import place_words
from moldplan.mould.remedies import solid_rubber_mm
from moldplan.units import mm

_STAGE = "mould"
#: Most webs that one finding spells out.
_MOST_WEBS = 3


def loop_findings(half: Half, webs: Sequence[Web] = ()) -> Iterator[Finding]:
    """Stop when the rubber would close round the pattern; name the webs that open it."""
    links = half.undercut.links
    if links <= 0:
        return
    loops = "a closed loop" if links == 1 else f"{links} closed loops"
    yield Finding(
        code="rubber-loop",
        severity="stop",
        stage=_STAGE,
        half=half.name,
        place_mm=webs[0].place_mm if webs else _loop_place(half),
        value=float(links),
        limit=0.0,
        unit="loops",
        advice=f"the rubber makes {loops} through the {half.called} half and cannot come off whole: "
        f"cut or web each one, plug the opening, or move the split{_spelled_out(links, webs)}",
    )


def _spelled_out(links: int, webs: Sequence[Web]) -> str:
    """Return the webs in words, largest first, and how many loops have none."""
    if not webs:
        return ""
    said = [web.text for web in webs[:_MOST_WEBS]]
    if len(webs) > _MOST_WEBS:
        said.append(f"and {len(webs) - _MOST_WEBS} smaller")
    if len(webs) < links:
        said.append(f"the place of {links - len(webs)} was not found: look for handles and small openings")
    return ": " + "; ".join(said)


def _loop_place(half: Half) -> Point3 | None:
    """Return where to look for a loop: a tunnel, else the smallest foot that stands apart on the board."""
    tunnel = next((region for region in half.undercut.regions if region.mouths >= 2), None)
    if tunnel is not None:
        return tunnel.centre_mm
    if len(half.section.geoms) < 2:
        return None
    middle = min(half.section.geoms, key=lambda foot: foot.area).centroid
    return (middle.x, middle.y, 0.0)


def region_findings(
    half: Half, region: Region, rubber: Rubber, settings: Settings, advice: Sequence[RegionAdvice] = ()
) -> Iterator[Finding]:
    """Say what is special about one undercut, and what the plan recommends."""
    check = partial(Finding, severity="check", stage=_STAGE, half=half.name, place_mm=region.centre_mm)
    own = next((one for one in advice if one.region == region.id), None)
    if region.mouths >= 2:
        todo = "web it with a rubber plug or cut the rubber there" if own is None else own.chosen.text
        text = f"undercut {region.id} goes right through ({region.mouths} mouths): {todo}"
        yield check(code="tunnel", value=float(region.mouths), limit=1.0, unit="mouths", advice=text)
    if region.mouths == 0:
        text = f"undercut {region.id} is closed all round, no brush gets in: fill or open it on the pattern"
        yield check(code="sealed-pocket", value=0.0, limit=1.0, unit="mouths", advice=text)
    limit_mm = settings.number("mould.deep_fill_mm")
    solid_mm = solid_rubber_mm(region, rubber, settings)
    if solid_mm > limit_mm:
        text = (
            f"undercut {region.id} takes about {mm(solid_mm)} of solid rubber, over {mm(limit_mm)}: "
            f"{_instead(own)}"
        )
        yield check(code="deep-fill", value=solid_mm, limit=limit_mm, unit="mm", advice=text)


def _instead(own: RegionAdvice | None) -> str:
    """Return what to do about deep solid rubber."""
    if own is None:
        return "think of a loose jacket piece, a plug, another split, or filler on the pattern"
    if own.chosen.kind == "fill":
        return f"no loose piece, plug or softening fits it; {own.chosen.text}"
    return own.chosen.text


def release_findings(
    half: Half, release: Sequence[ReleaseStep], webs: Sequence[Web], advice: Sequence[RegionAdvice]
) -> Iterator[Finding]:
    """Stop at every contact of rubber with cured rubber; ask for the test patch under addition cure."""
    if not release:
        return
    for contact in contacts(webs, advice):
        where = "at the web" if contact.kind == "web" else "between the two parts of the plug"
        yield Finding(
            code="rubber-on-rubber", severity="stop", stage=_STAGE, half=half.name,
            place_mm=contact.web.place_mm,
            advice=f"new rubber meets cured rubber {where}, {place_words(half, contact.web.place_mm)}, and "
            "bonds to it: stop until two coats of release are on and tried",
        )  # fmt: skip
    if any(step.stop and step.agent.startswith("test patch") for step in release):
        yield Finding(
            code="test-patch", severity="check", stage=_STAGE, half=half.name, value=24.0, limit=24.0,
            unit="h",
            advice="addition-cure rubber may not cure on this sealer: 50 x 50 mm of it on the real sealed "
            "surface for 24 h before anything is coated",
        )  # fmt: skip
