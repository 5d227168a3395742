"""Release as a table of pairs, and what undercuts, loops and release have to say."""

from dataclasses import replace

import numpy as np
import pytest
import zoo
from lying import lying, undercut
from shop import shop_settings

from moldplan.half.model import Half, Region
from moldplan.mould.model import RegionAdvice, Remedy, RemedyKind, Web
from moldplan.mould.parting import NEVER, contacts, plan_release
from moldplan.mould.places import place_words, towards
from moldplan.mould.rubber import plan_rubber
from moldplan.mould.undercut_remarks import loop_findings, region_findings, release_findings

ADDITION = shop_settings()
CONDENSATION = shop_settings(rubber__cure="condensation")


def web(region: int | None = 1, height: float = 50.0) -> Web:
    return Web(
        region=region, place_mm=(30.0, 120.0, 40.0), normal=(1.0, 0.0, 0.0), size_mm=(80.0, height),
        area_mm2=80.0 * height, text=f"web 80 mm wide and {height:.0f} mm high",
    )  # fmt: skip


def advised(kind: RemedyKind, region: int = 1) -> RegionAdvice:
    chosen = Remedy(kind=kind, possible=True, rubber_kg=0.1, cost=5.0, hours=1.0, text=f"do the {kind}")
    return RegionAdvice(region=region, solid_mm=40.0, chosen=chosen, weighed=(chosen,))


def half(links: int = 0, *regions: Region) -> Half:
    return lying(zoo.frustum(50.0, 30.0, 40.0), replace(undercut(regions), links=links))


def region(number: int, mouths: int) -> Region:
    return Region(
        id=number, volume_mm3=1e5, area_mm2=1e3, depth_mm=90.0, reach_mm=30.0, mouth_mm=50.0, mouths=mouths,
        centre_mm=(1.0, 2.0, 3.0),
    )  # fmt: skip


# --- the table --------------------------------------------------------------------------------------------


def test_a_plain_half_has_the_pairs_every_mould_has() -> None:
    """In the order of the work: pattern and board, flange, jacket, cast (common practice, no source)."""
    steps = plan_release(half(), (), (), CONDENSATION)
    assert [(step.surface, step.against) for step in steps] == [
        ("sealed pattern", "rubber"), ("board", "rubber"), ("clay wall", "rubber"),
        ("board", "jacket flange"), ("rubber", "jacket"), ("rubber", "cast"),
    ]  # fmt: skip
    assert not any(step.stop for step in steps)


@pytest.mark.parametrize("settings", [ADDITION, CONDENSATION])
def test_rubber_takes_no_wax_where_polyester_meets_it(settings: object) -> None:
    steps = plan_release(half(), (), [advised("loose piece")], settings)  # type: ignore[arg-type]
    bare = [step for step in steps if step.surface == "rubber" or step.against in {"jacket", "cast"}]
    never = [step for step in steps if step.agent == NEVER]
    assert {(step.surface, step.against) for step in never} >= {
        ("rubber", "jacket"), ("rubber", "cast"), ("loose jacket piece", "rubber"),
    }  # fmt: skip
    assert all((step.coats, step.dry_min) == (0, 0.0) for step in never)
    assert all(step.coats > 0 and step.dry_min > 0.0 for step in steps if step.agent != NEVER)
    assert len(bare) == 3


def test_addition_cure_begins_with_a_test_patch_that_holds_the_work() -> None:
    steps = plan_release(half(), (), (), ADDITION)
    (patch,) = [step for step in steps if step.stop]
    assert steps.index(patch) == 1  # after the pattern is sealed, before anything is coated
    assert "50 x 50 mm" in patch.agent
    assert patch.dry_min == 24.0 * 60.0
    assert any("sulphur-free" in step.text for step in steps if step.surface == "clay wall")
    assert not any("sulphur-free" in step.text for step in plan_release(half(), (), (), CONDENSATION))


def test_rigid_meets_rigid_under_five_coats_of_wax_and_a_film() -> None:
    """Five to seven wax coats, then a film release: Practical Action brief "Fibreglass boat building"."""
    steps = plan_release(half(), (), [advised("loose piece")], CONDENSATION)
    rigid = [
        step for step in steps if step.against in {"jacket flange", "jacket"} and step.surface != "rubber"
    ]
    assert {step.surface for step in rigid} == {"board", "loose jacket piece"}
    assert all(step.coats == 5 and "film" in step.agent for step in rigid)


def test_every_web_is_a_contact_of_rubber_with_cured_rubber_in_two_coats() -> None:
    steps = plan_release(half(2), [web(), web(None)], [advised("fill")], CONDENSATION)
    cured = [step for step in steps if step.surface == "cured rubber"]
    assert len(cured) == 2
    assert all((step.coats, step.stop) == (2, True) for step in cured)
    assert all("at the web" in step.text and "tried on scraps" in step.text for step in cured)


def test_a_plug_is_waxed_and_its_two_parts_meet_in_rubber() -> None:
    steps = plan_release(half(1), [web()], [advised("plug")], CONDENSATION)
    assert ("plug", "rubber") in {(step.surface, step.against) for step in steps}
    (cured,) = [step for step in steps if step.stop]
    assert cured.against == "rubber between the two parts of the plug"


def test_no_contact_where_filler_closes_the_opening_or_clay_stops_it() -> None:
    assert contacts([web()], [advised("soften")]) == ()
    assert contacts([web(1, height=6.0)], ()) == ()
    assert [contact.kind for contact in contacts([web(1), web(2)], [advised("plug")])] == ["plug", "web"]


# --- findings ---------------------------------------------------------------------------------------------


def test_a_loop_stops_and_names_its_webs_and_those_that_were_not_found() -> None:
    assert list(loop_findings(half())) == []
    (one,) = loop_findings(half(1), [web()])
    assert (one.severity, one.code, one.value, one.place_mm) == (
        "stop",
        "rubber-loop",
        1.0,
        (30.0, 120.0, 40.0),
    )
    assert one.advice.endswith(": web 80 mm wide and 50 mm high")
    (many,) = loop_findings(half(6), [web()] * 5)
    assert "; and 2 smaller; the place of 1 was not found" in many.advice
    (none,) = loop_findings(half(2, region(1, 2)))
    assert none.place_mm == (1.0, 2.0, 3.0)
    assert none.advice.endswith("or move the split")


def test_a_loop_without_web_tunnel_or_feet_apart_has_no_place() -> None:
    assert next(loop_findings(half(1))).place_mm is None


def test_deep_rubber_and_tunnels_say_what_the_plan_recommends() -> None:
    settings = ADDITION
    through = half(1, region(1, 2))
    rubber = replace(plan_rubber(half(), settings), region_coats={1: 12})
    general = {item.code: item for item in region_findings(through, region(1, 2), rubber, settings)}
    assert "think of a loose jacket piece" in general["deep-fill"].advice
    assert "web it with a rubber plug" in general["tunnel"].advice
    own = {
        item.code: item
        for item in region_findings(through, region(1, 2), rubber, settings, [advised("loose piece")])
    }
    assert own["deep-fill"].advice.endswith("over 30 mm: do the loose piece")
    assert own["tunnel"].advice.endswith("(2 mouths): do the loose piece")
    filled = region_findings(through, region(1, 1), rubber, settings, [advised("fill")])
    assert next(filled).advice.endswith("no loose piece, plug or softening fits it; do the fill")
    sealed = region_findings(through, region(3, 0), rubber, settings, ())
    assert [item.code for item in sealed] == ["sealed-pocket"]


def test_rubber_on_rubber_stops_at_each_contact_and_only_there() -> None:
    one = half(2)
    webs = [web(1), web(2, height=5.0)]
    release = plan_release(one, webs, (), ADDITION)
    found = list(release_findings(one, release, webs, ()))
    assert [(item.code, item.severity) for item in found] == [
        ("rubber-on-rubber", "stop"), ("test-patch", "check"),
    ]  # fmt: skip
    assert found[0].place_mm == (30.0, 120.0, 40.0)
    assert "stop until two coats of release are on and tried" in found[0].advice
    assert list(release_findings(one, (), webs, ())) == []
    plain = plan_release(half(), (), (), CONDENSATION)
    assert list(release_findings(half(), plain, (), ())) == []


# --- words for places -------------------------------------------------------------------------------------


def seen(called: str, up: tuple[float, float], front: tuple[float, float], rows: list[list[float]]) -> Half:
    """Return a half whose frame has these rows in the file's axes; the figure stands on +z and faces -y."""
    to_half = np.eye(4)
    to_half[:3, :3] = rows
    return replace(half(), called=called, up_xy=up, front_xy=front, to_half=to_half)


FRONT = seen("FRONT", (0.0, 1.0), (0.0, 0.0), [[1, 0, 0], [0, 0, 1], [0, -1, 0]])
BACK = seen("BACK", (0.0, 1.0), (0.0, 0.0), [[-1, 0, 0], [0, 0, 1], [0, 1, 0]])
LEFT = seen("LEFT", (0.0, 1.0), (-1.0, 0.0), [[0, 1, 0], [0, 0, 1], [1, 0, 0]])
TOP = seen("TOP", (0.0, 0.0), (0.0, 1.0), [[-1, 0, 0], [0, -1, 0], [0, 0, 1]])


@pytest.mark.parametrize(
    ("lying_half", "direction", "words"),
    [
        # it looks along -y, so its left is +x: to the right for whoever looks it in the face
        (FRONT, (1.0, 0.0, 0.0), "towards the left, level"),
        (BACK, (1.0, 0.0, 0.0), "towards the right, level"),
        (LEFT, (-1.0, 0.0, 0.0), "towards the front, level"),
        (TOP, (0.0, 1.0, 0.0), "towards the front, level"),
        (TOP, (-1.0, 0.0, 0.0), "towards the left, level"),
        (FRONT, (0.0, 1.0, 0.364), "towards the head end and up 20 deg"),
        (FRONT, (0.0, -1.0, -0.364), "towards the foot end and down 20 deg"),
        (FRONT, (-0.6, 0.8, 0.0), "towards the head end and the right, level"),
        (BACK, (0.0, 0.0, 1.0), "straight up"),
    ],
)
def test_directions_are_the_figures_own(
    lying_half: Half, direction: tuple[float, float, float], words: str
) -> None:
    assert towards(lying_half, direction) == words


def test_places_are_told_from_the_middle() -> None:
    assert place_words(FRONT, (40.0, -120.0, 65.0)) == (
        "120 mm towards the foot end and 40 mm towards the left, 65 mm up"
    )
    assert place_words(TOP, (40.0, 120.0, 65.0)) == (
        "120 mm towards the front and 40 mm towards the right, 65 mm up"
    )
