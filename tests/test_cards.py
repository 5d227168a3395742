"""Shop cards: what is built in, how the layers stand over each other, and what is said about mistakes."""

import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop import shop_settings

from moldplan.cards import (
    DEFAULT_CARDS,
    KINDS,
    CardChoice,
    Override,
    built_in_cards,
    card_text,
    copy_card,
    known_keys,
    list_cards,
    resolve_settings,
)
from moldplan.cards.cardfile import read_card
from moldplan.cards.lines import parse_toml, read_toml
from moldplan.errors import OutputError, SettingError
from moldplan.units import writable_units


@dataclass(frozen=True)
class SomeJob:
    """What the settings need to know of a job."""

    cards_folder: Path | None = None
    card_choices: tuple[CardChoice, ...] = ()
    overrides: tuple[Override, ...] = ()


RUBBER = """\
[card]
kind = "rubber"
name = "blue"

[thick_coat_mm]
value = 2.5
"""


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes cards into one folder and returns the folder."""

    def _write(text: str = RUBBER, name: str = "blue.toml") -> Path:
        folder = tmp_path / "Karten für alle"
        folder.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
        return folder

    return _write


# Values a workshop expects: common practice, no source, except where the card names one; those of INVENTED
# are nobody's practice.
EXPECTED: Mapping[str, float | str] = {
    "rubber.density_kg_l": 1.15, "rubber.detail_coat_mm": 0.7, "rubber.thick_coat_mm": 3.0,
    "rubber.yield_stress_pa": 50.0, "rubber.run_off_percent": 15.0, "rubber.order_extra_percent": 15.0,
    "rubber.recoat_after_min": 60.0, "rubber.recoat_before_min": 240.0, "rubber.jacket_after_min": 1440.0,
    "rubber.cure": "addition", "rubber.elongation_percent": 300.0, "rubber.shore_a": 20.0,
    "rubber.cost_per_kg": 24.0,
    "mould.skin_mm": 8.0, "mould.draft_shallow_deg": 1.5, "mould.draft_deep_deg": 2.5,
    "mould.shallow_depth_mm": 200.0, "mould.edge_width_mm": 40.0, "mould.edge_thickness_mm": 10.0,
    "mould.deep_fill_mm": 30.0, "mould.deep_half_mm": 500.0,
    "clay.density_kg_l": 1.75, "clay.wall_least_height_mm": 40.0, "clay.wall_least_thickness_mm": 15.0,
    "clay.wall_slenderness": 3.0, "clay.moat_width_mm": 20.0, "clay.freeboard_mm": 10.0,
    "clay.round_mm": 25.0,
    "board.stock_long_mm": 2440.0, "board.stock_short_mm": 1220.0, "board.hands_mm": 90.0,
    "board.round_up_mm": 10.0,
    "jacket.mat_g_m2": 450.0, "jacket.glass_share": 1.0 / 3.5, "jacket.glass_density_kg_l": 2.56,
    "jacket.resin_density_kg_l": 1.2, "jacket.plies_small": 3.0, "jacket.plies_large": 4.0,
    "jacket.small_area_m2": 0.7, "jacket.large_area_m2": 3.0, "jacket.flange_width_mm": 60.0,
    "jacket.flange_times": 2.0, "jacket.extra_percent": 10.0,
    "crew.people": 2.0, "crew.lift_one_kg": 16.0, "crew.team_two_share": 2.0 / 3.0,
    "crew.team_three_share": 0.5, "crew.aid_over_kg": 50.0,
    "shop.temperature_c": 20.0, "pattern.foam_density_kg_m3": 20.0,
    "pattern.repair_mm": 1.0, "pattern.repair_percent": 0.5, "pattern.resurface_cells": 384.0,
    "cast.mat_g_m2": 450.0, "cast.plies": 3.0, "cast.gelcoat_kg_m2": 0.625,
    "split.saw_angle_deg": 1.0, "split.saw_offset_mm": 5.0, "split.clean_margin_mm": 25.0,
    "split.soften_mm": 5.0, "split.approval_mm": 15.0,
    "split.weigh_rubber": 1.0, "split.weigh_undercut": 0.5, "split.weigh_peel": 0.5,
    "split.weigh_seam": 0.5, "split.weigh_pieces": 1.0, "split.weigh_depth": 0.5,
    "split.weigh_handling": 0.5,
    "rubber.part_b_percent": 100.0, "rubber.part_b_density_kg_l": 1.15, "rubber.viscosity_pa_s": 30.0,
    "rubber.gel_min": 45.0, "rubber.thixotrope_percent": 2.0, "rubber.thixotrope_density_kg_l": 1.0,
    "rubber.pot_life_min": 25.0, "rubber.times_at_c": 23.0, "rubber.crown_percent": 65.0,
    "rubber.crumb_clear_mm": 5.0, "rubber.crumb_percent": 50.0, "rubber.order_uncertain_percent": 20.0,
    "mould.key_base_mm": 35.0, "mould.key_height_mm": 12.0, "mould.key_side_deg": 17.5,
    "mould.key_spacing_mm": 250.0, "mould.key_slope_deg": 40.0, "mould.button_over_mm": 300.0,
    "mould.button_spacing_mm": 300.0, "mould.button_mm": 20.0, "mould.peel_share_percent": 25.0,
    "mould.peel_most_percent": 100.0, "mould.inner_opening_mm": 120.0, "mould.piece_h": 4.0,
    "mould.plug_h": 2.0, "mould.plug_cost_per_l": 4.0, "mould.web_h": 1.0, "mould.soften_h_per_l": 1.5,
    "mould.filler_cost_per_l": 12.0, "mould.solid_least_mm": 25.0,
    "clay.buttress_mm": 125.0, "clay.yield_kpa": 30.0,
    "board.kerf_mm": 3.0, "board.batten_mm": 400.0, "board.dowel_off_mm": 30.0,
    "board.sheet_kg_m2": 11.0,
    "jacket.rib_span_mm": 450.0, "jacket.rib_kg_m": 0.7, "jacket.working_height_mm": 850.0,
    "jacket.foot_kg_m": 1.2, "jacket.handle_kg": 0.5, "jacket.handle_span_mm": 600.0,
    "jacket.bolt_mm": 150.0, "jacket.whole_mm": 2400.0, "jacket.whole_kg": 50.0, "jacket.cost_per_kg": 6.0,
    "crew.hand_mm": 90.0, "crew.arm_mm": 600.0, "crew.roller_mm": 30.0, "crew.roller_reach_mm": 120.0,
    "crew.brushes": 2.0, "crew.brush_kg_h": 4.0,
    "shop.pot_l": 2.0, "shop.pot_fill_percent": 50.0, "shop.cost_per_h": 25.0,
    "cast.fillet_radius_mm": 8.0, "cast.paste_width_mm": 20.0,
}  # fmt: skip

#: Starting points of moldplan's own, which a shop is to put its own value in the place of.
INVENTED = {
    "rubber.cost_per_kg", "split.approval_mm", "split.weigh_rubber", "split.weigh_undercut",
    "split.weigh_peel", "split.weigh_seam", "split.weigh_pieces", "split.weigh_depth",
    "split.weigh_handling", "rubber.gel_min", "rubber.crumb_percent",
    "pattern.repair_mm", "pattern.repair_percent", "pattern.resurface_cells",
}  # fmt: skip


def test_built_in_values_are_the_trades() -> None:
    settings = resolve_settings()
    assert set(settings) == set(EXPECTED)
    for name, expected in EXPECTED.items():
        value = settings[name].value
        assert value == (expected if isinstance(expected, str) else pytest.approx(expected, rel=1e-12)), name


def test_invented_values_say_so() -> None:
    tagged = {name for name, setting in resolve_settings().items() if setting.tag == "invented"}
    assert tagged >= INVENTED
    assert {name for name in tagged if name.startswith(("split.", "rubber."))} <= INVENTED


def test_every_setting_says_how_far_it_may_be_trusted_and_where_it_stands() -> None:
    for name, setting in resolve_settings().items():
        kind = name.partition(".")[0]
        label, _, line = setting.origin.removeprefix("built-in card ").partition(", line ")
        assert label == f"{DEFAULT_CARDS[kind]}.toml"
        text = card_text(DEFAULT_CARDS[kind]).splitlines()[int(line) - 1]
        shown = f'"{setting.value}"' if isinstance(setting.value, str) else repr(setting.value)
        assert text == f"value = {shown}"
        assert setting.note
        assert setting.tag in {"source", "practice", "memory", "derived", "invented"}


def test_what_has_a_source_names_it() -> None:
    for setting in resolve_settings().values():
        if setting.tag == "source":
            assert ":" in setting.note
        assert setting.tag != "memory" or "source" not in setting.note


# The unit is the end of the key: the same suffix always means the same unit.
SUFFIXES = {
    "_mm": "mm", "_deg": "deg", "_min": "min", "_kg": "kg", "_kg_l": "kg/l", "_kg_m2": "kg/m2",
    "_kg_m3": "kg/m3", "_g_m2": "g/m2", "_m2": "m2", "_pa": "Pa", "_percent": "%", "_c": "degC",
    "_pa_s": "Pa s", "_kpa": "kPa", "_kg_m": "kg/m", "_kg_h": "kg/h", "_h": "h", "_l": "l",
}  # fmt: skip


def test_the_unit_is_the_end_of_the_name() -> None:
    for name, setting in resolve_settings().items():
        ends = [suffix for suffix in SUFFIXES if name.endswith(suffix)]
        unit = SUFFIXES[max(ends, key=len)] if ends and "_per_" not in name else ""  # money has no unit
        assert setting.unit == unit, name
        assert not unit or unit in writable_units(unit)


def test_every_built_in_card_of_a_kind_has_the_same_keys_units_and_ranges() -> None:
    for card in built_in_cards().values():
        own = known_keys(card.kind)
        assert set(card.entries) == set(own)
        for key, entry in card.entries.items():
            assert (entry.unit, entry.low, entry.high) == (own[key].unit, own[key].low, own[key].high)
    assert set(DEFAULT_CARDS) == set(KINDS)


def test_the_tests_own_settings() -> None:
    assert shop_settings(mould__skin_mm=0).number("mould.skin_mm") == 0.0
    assert shop_settings().text("rubber.cure") == "addition"
    with pytest.raises(KeyError, match=r"mould\.sking_mm"):
        shop_settings(mould__sking_mm=1.0)


def test_a_shops_card_stands_over_the_built_in_one(write: Callable[..., Path]) -> None:
    settings = resolve_settings(cards_dir=write())
    thick = settings["rubber.thick_coat_mm"]
    assert (thick.value, thick.unit, thick.origin) == (2.5, "mm", "shop card blue.toml, line 6")
    assert settings["rubber.density_kg_l"].origin.startswith("built-in card silicone-addition.toml")


def test_each_layer_stands_over_the_one_before(write: Callable[..., Path]) -> None:
    job = SomeJob(
        cards_folder=write(),
        overrides=(
            Override(name="rubber.thick_coat_mm", value="2 mm", where="job file job.toml, line 9"),
            Override(name="mould.skin_mm", value="9 mm", where="job file job.toml, line 12"),
        ),
    )
    settings = resolve_settings(job=job, overrides=["mould.skin_mm=1 cm"])
    assert settings["rubber.thick_coat_mm"].value == 2.0
    assert settings["rubber.thick_coat_mm"].origin == "job file job.toml, line 9"
    assert settings["mould.skin_mm"].value == 10.0
    assert settings["mould.skin_mm"].origin == "option --set mould.skin_mm"
    assert settings["clay.round_mm"].origin.startswith("built-in card")


def test_the_folder_given_stands_in_for_the_jobs_own(write: Callable[..., Path], tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    job = SomeJob(cards_folder=write())
    assert resolve_settings(job=job).number("rubber.thick_coat_mm") == 2.5
    assert resolve_settings(job=job, cards_dir=other).number("rubber.thick_coat_mm") == 3.0


def test_a_job_chooses_a_card(write: Callable[..., Path]) -> None:
    choose = SomeJob(card_choices=(CardChoice(kind="rubber", name="silicone-condensation", where="job"),))
    assert resolve_settings(job=choose).text("rubber.cure") == "condensation"
    mine = SomeJob(cards_folder=write(), card_choices=(CardChoice(kind="rubber", name="blue", where="job"),))
    assert resolve_settings(job=mine).number("rubber.thick_coat_mm") == 2.5
    both = SomeJob(cards_folder=mine.cards_folder, card_choices=choose.card_choices)
    assert resolve_settings(job=both).number("rubber.thick_coat_mm") == 3.0


def test_a_card_nobody_has_is_told_with_the_nearest(write: Callable[..., Path]) -> None:
    choice = CardChoice(kind="rubber", name="bleu", where="job.toml, line 3")
    with pytest.raises(
        SettingError, match=r"^job\.toml, line 3: there is no rubber card 'bleu': did you mean blue\?"
    ):
        resolve_settings(job=SomeJob(cards_folder=write(), card_choices=(choice,)))


def test_two_cards_of_one_kind_have_to_be_chosen_from(write: Callable[..., Path]) -> None:
    write()
    folder = write(RUBBER.replace("blue", "red"), "red.toml")
    with pytest.raises(
        SettingError, match=r"2 rubber cards \(blue, red\): choose one .* like rubber = \"blue\""
    ):
        resolve_settings(cards_dir=folder)
    changed = write(RUBBER.replace("blue", "silicone-addition"), "third.toml")
    assert resolve_settings(cards_dir=changed)["rubber.thick_coat_mm"].origin.startswith(
        "shop card third.toml"
    )


def test_two_cards_of_one_name_are_refused(write: Callable[..., Path]) -> None:
    write()
    with pytest.raises(SettingError, match=r"blue\.toml and copy\.toml are both called 'blue': rename one"):
        resolve_settings(cards_dir=write(name="copy.toml"))


WRITTEN = [
    ("value = 2.5", 2.5),
    ('value = 0.25\nunit = "cm"', 2.5),
    ('value = "0.25 cm"', 2.5),
    ('value = "2,5 mm"', 2.5),
    ("value = 2", 2.0),
    ("value = 1.0", 1.0),
    ("value = 6", 6.0),
]


@pytest.mark.parametrize(("line", "value"), WRITTEN)
def test_ways_to_write_a_value(line: str, value: float, write: Callable[..., Path]) -> None:
    settings = resolve_settings(cards_dir=write(RUBBER.replace("value = 2.5", line)))
    assert settings.number("rubber.thick_coat_mm") == pytest.approx(value, rel=1e-12)


MISTAKES = [
    ("value = 2.5", "value = 9", r"^blue\.toml, line 6: thick_coat_mm is 9 mm, allowed is 1 to 6 mm: write"),
    ("value = 2.5", "value = -2", r"line 6: thick_coat_mm is -2 mm, allowed is 1 to 6 mm"),
    ("value = 2.5", "value = 0", r"line 6: thick_coat_mm is 0 mm, allowed is 1 to 6 mm"),
    ("value = 2.5", "value = nan", r"line 6: thick_coat_mm is nan, which is no finite number"),
    ("value = 2.5", "value = -inf", r"line 6: thick_coat_mm is -inf, which is no finite number"),
    ("value = 2.5", "value = true", r"line 6: thick_coat_mm is True, which is no finite number"),
    ("value = 2.5", "value = [2, 3]", r"line 6: thick_coat_mm is \[2, 3\], which is no finite number"),
    ("value = 2.5", 'value = "thick"', r"line 6: thick_coat_mm 'thick' does not begin with a number"),
    ("value = 2.5", 'value = "2 kg"', r"line 6: thick_coat_mm '2 kg' is of another kind: its unit must be"),
    ("value = 2.5", 'value = "2"', r"line 6: thick_coat_mm 2 carries no unit"),
    ("value = 2.5", 'value = 2\nunit = "kg"', r"line 7: the unit of thick_coat_mm is 'kg', allowed: mm, cm"),
    ("value = 2.5", "value = 2\nunit = 7", r"line 7: the unit of thick_coat_mm is 7, allowed"),
    ("value = 2.5", "valu = 2.5", r"line 6: unknown key 'valu' in \[thick_coat_mm\]: did you mean value\?"),
    ("value = 2.5", 'note = "x"', r"line 5: \[thick_coat_mm\] has no value: add value = "),
    ("value = 2.5", "value = 2\nnote = 3", r"line 7: the note of thick_coat_mm is not text"),
    ("value = 2.5", 'value = 2\ntag = "guess"', r"line 7: tag is 'guess', allowed are source, practice"),
    ("value = 2.5", "value = 2\nrange = [0, 9]", r"line 7: the range .* is 0 to 9, allowed is within 1 to 6"),
    ("value = 2.5", "value = 2\nrange = [3, 2]", r"line 7: the range .* runs from 3 to 2: put the lower"),
    ("value = 2.5", "value = 2\nrange = [3]", r"line 7: the range of thick_coat_mm is not two numbers"),
    ("value = 2.5", "value = 2\nrange = [3, 5]", r"line 6: thick_coat_mm is 2 mm, allowed is 3 to 5 mm"),
    ("[thick_coat_mm]", "[thik_coat_mm]", r"line 5: a rubber card has no key 'thik_coat_mm': did you mean t"),
    ("[thick_coat_mm]", "[zzz]", r"line 5: a rubber card has no key 'zzz': known are: density_kg_l, "),
    ("[thick_coat_mm]\nvalue = 2.5", "[cure]\nvalue = 3", r"line 6: cure is 3, allowed are: addition, cond"),
    ("[thick_coat_mm]\nvalue = 2.5", '[cure]\nvalue = "none"', r"line 6: cure is 'none', allowed are: addit"),
    ('kind = "rubber"', 'kind = "ruber"', r"line 2: unknown kind 'ruber': did you mean rubber\?"),
    ('kind = "rubber"', "kind = 3", r"line 2: kind in \[card\] is not text"),
    ('kind = "rubber"\n', "", r"line 1: \[card\] has no kind"),
    ('name = "blue"', 'nam = "blue"', r"line 3: unknown key 'nam' in \[card\]: did you mean name\?"),
    ('name = "blue"', 'name = " "', r"line 1: \[card\] has no name"),
    ('name = "blue"', 'name = "a\\u001bb"', r"line 3: the card's name is longer than 60 characters or odd"),
    (RUBBER, "thick_coat_mm = 3\n", r"^blue\.toml: there is no \[card\] table: begin with \[card\]"),
    (RUBBER, "", r"^blue\.toml: there is no \[card\] table"),
    ("[thick_coat_mm]\nvalue = 2.5", "[[thick_coat_mm]]\nvalue = 2.5", r"line 5: thick_coat_mm is no table"),
    ("[card]", "thick_coat_mm = 4\n[card]", r"^blue\.toml, line 6: not valid TOML"),
    ("value = 2.5", "value = 2.5 mm", r"^blue\.toml, line 6: not valid TOML: .*: check quotes"),
    ("value = 2.5", "value = 2,5", r"^blue\.toml, line 6: not valid TOML"),
    ("value = 2.5", "value = 2.5\nvalue = 3", r"^blue\.toml, line 7: not valid TOML"),
    ("value = 2.5", 'value = "2', r"^blue\.toml, line 6: not valid TOML"),
    ("value = 2.5", 'note = """2', r"^blue\.toml, line 7: not valid TOML"),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
def test_a_mistake_on_a_card_is_told_with_its_line(
    old: str, new: str, message: str, write: Callable[..., Path]
) -> None:
    folder = write(RUBBER.replace(old, new))
    with pytest.raises(SettingError, match=message) as raised:
        resolve_settings(cards_dir=folder)
    assert "\n" not in str(raised.value)


def test_whole_numbers_stay_whole() -> None:
    with pytest.raises(SettingError, match=r"plies_small is 2\.5, allowed is a whole number from 1 to 12"):
        resolve_settings(overrides=["jacket.plies_small=2.5"])
    assert resolve_settings(overrides=["jacket.plies_small=2"]).number("jacket.plies_small") == 2.0


OPTIONS = [
    ("mould.skin_mm=9", r"^option --set mould\.skin_mm: skin_mm 9 carries no unit: write 9 mm"),
    ("mould.skin_mm=90 mm", r"^option --set mould\.skin_mm: skin_mm is 90 mm, allowed is 3 to 25 mm"),
    ("mould.skim_mm=9 mm", r"unknown setting 'mould\.skim_mm': did you mean mould\.skin_mm\?"),
    ("mold.skin_mm=9 mm", r"unknown setting 'mold\.skin_mm': there is no kind 'mold': did you mean mould\?"),
    ("skin_mm=9 mm", r"unknown setting 'skin_mm': write kind\.key, like mould\.skin_mm"),
    ("mould.skin_mm", r"option --set 'mould\.skin_mm': write it as kind\.key=VALUE"),
    ("mould.skin_mm=", r"option --set 'mould\.skin_mm=': write it as kind\.key=VALUE"),
    ("=9 mm", r"option --set '=9 mm': write it as kind\.key=VALUE"),
    ("rubber.cure=slow", r"cure is 'slow', allowed are: addition, condensation"),
    ("crew.people=2 kg", r"people '2 kg' takes no unit: write 2"),
]


@pytest.mark.parametrize(("text", "message"), OPTIONS)
def test_a_mistake_in_an_option_is_told(text: str, message: str) -> None:
    with pytest.raises(SettingError, match=message):
        resolve_settings(overrides=[text])


def test_options_are_read_with_and_without_quotes() -> None:
    overrides = ['mould.skin_mm="9 mm"', "rubber.cure=condensation", "board.hands_mm = 7,5cm"]
    settings = resolve_settings(overrides=overrides)
    assert settings.number("mould.skin_mm") == 9.0
    assert settings.text("rubber.cure") == "condensation"
    assert settings.number("board.hands_mm") == 75.0


def test_the_last_option_wins() -> None:
    overrides = ["mould.skin_mm=9 mm", "mould.skin_mm=7 mm"]
    assert resolve_settings(overrides=overrides).number("mould.skin_mm") == 7.0


CONTRADICTIONS = [
    (
        ["rubber.recoat_after_min=5 h"],
        r"recoat_after_min is 300\.0 min \(option .*\), above rubber\.recoat_b",
    ),
    (["mould.draft_shallow_deg=3 deg"], r"mould\.draft_shallow_deg is 3\.0 deg .*, above mould\.draft_deep"),
    (["jacket.plies_small=5"], r"jacket\.plies_small is 5\.0 \(option .*, above jacket\.plies_large 4\.0 \("),
    (
        ["board.stock_short_mm=3 m"],
        r"above board\.stock_long_mm 2440\.0 mm \(built-in card board\.toml, line",
    ),
]


@pytest.mark.parametrize(("overrides", "message"), CONTRADICTIONS)
def test_settings_that_contradict_each_other_are_refused(overrides: list[str], message: str) -> None:
    with pytest.raises(SettingError, match=message):
        resolve_settings(overrides=overrides)


def test_every_value_at_the_ends_of_its_range_is_taken_alone() -> None:
    """Both ends of every range are allowed values, where no other setting forbids them."""
    for kind in KINDS:
        for key, entry in known_keys(kind).items():
            for end in () if entry.choices else (entry.low, entry.high):
                text = f"{kind}.{key}={end!r} {entry.unit}"
                try:
                    settings = resolve_settings(overrides=[text])
                except SettingError as error:
                    assert "change one of them" in str(error)  # noqa: PT017 - the only refusal allowed
                else:
                    assert settings.number(f"{kind}.{key}") == end


def test_a_copied_card_changes_nothing_until_it_is_edited(tmp_path: Path) -> None:
    before = {name: setting.value for name, setting in resolve_settings().items()}
    for name in DEFAULT_CARDS.values():
        copy_card(name, tmp_path / "cards")
    after = resolve_settings(cards_dir=tmp_path / "cards")
    assert {name: setting.value for name, setting in after.items()} == before
    assert all(setting.origin.startswith("shop card ") for setting in after.values())


def test_a_card_is_copied_whole_and_never_over_another(tmp_path: Path) -> None:
    written = copy_card("clay-wall.toml", tmp_path / "new folder")
    assert written == tmp_path / "new folder" / "clay-wall.toml"
    assert written.read_text(encoding="utf-8") == card_text("clay-wall")
    written.write_text("mine")
    with pytest.raises(OutputError, match=r"clay-wall\.toml: is already there and is not overwritten"):
        copy_card("clay-wall", tmp_path / "new folder")
    assert written.read_text() == "mine"


def test_a_folder_that_is_a_file_takes_no_card(tmp_path: Path) -> None:
    (tmp_path / "cards").write_text("a file")
    with pytest.raises(OutputError, match=r"cards: no such folder can be made: is a file: choose another"):
        copy_card("board", tmp_path / "cards")


def test_an_unknown_card_is_told_with_the_nearest() -> None:
    with pytest.raises(SettingError, match=r"no built-in card 'clay-wal': did you mean clay-wall\?"):
        card_text("clay-wal")
    with pytest.raises(SettingError, match=r"no built-in card '\.\./secret'"):
        card_text("../secret")


def test_the_list_names_every_card_and_kind() -> None:
    lines = list_cards()
    assert [line.split()[0] for line in lines if "silicone" in line] == [
        "silicone-addition",
        "silicone-condensation",
    ]
    assert {line.split()[1] for line in lines} == set(KINDS)
    assert len(lines) == len(built_in_cards())


def test_files_that_are_no_cards(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"cards folder .*nowhere: .*: give a folder of \.toml cards"):
        resolve_settings(cards_dir=tmp_path / "nowhere")
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    with pytest.raises(SettingError, match=r"large\.toml: larger than 1 MB"):
        resolve_settings(cards_dir=tmp_path)
    large.write_bytes(b"# ok\n\xff\xfe")
    with pytest.raises(SettingError, match=r"large\.toml, line 2: the text is not UTF-8"):
        resolve_settings(cards_dir=tmp_path)
    with pytest.raises(SettingError, match=r"none\.toml: .*: check the name"):
        read_toml(tmp_path / "none.toml")


def test_brackets_too_deep_are_refused() -> None:
    with pytest.raises(SettingError, match=r"x\.toml.*(nested too deep|not valid TOML)"):
        parse_toml(b"a = " + b"[" * 100_000, label="x.toml")


def test_numbers_too_large_to_show_are_refused() -> None:
    with pytest.raises(SettingError, match=r"x\.toml, line 3: a number is too large to be used"):
        parse_toml(f"[a]\nc = 1\nb = [1, 0x{'f' * 5000}]".encode(), label="x.toml")
    with pytest.raises(SettingError, match=r"x\.toml, line 1: not valid TOML: Exceeds the limit"):
        parse_toml(b"a = " + b"9" * 5000, label="x.toml")


PIECES = [
    "[card]", 'kind = "rubber"', 'name = "blue"', "[thick_coat_mm]", "[[thick_coat_mm]]", "[thick_coat_mm.a]",
    "[cure]", "value = 5", "value = 1e400", "value = 1979-05-27", 'value = "2 mm"', 'value = """',
    "value = {}",
    "value = 99999999999999999999999", 'unit = "mm"', 'unit = "h"', "range = [1, 1]", "range = [1, inf]",
    'range = ["a", 2]', "choices = 3", "whole = 7", 'tag = ["x"]', "tag = {}", 'note = "n"', "", "# x", "]",
    "thick_coat_mm.value = 2", 'card.kind = "clay"', '"" = 3', "value = true",
]  # fmt: skip


@given(st.sampled_from(["", RUBBER, RUBBER.replace("value = 2.5\n", "")]), st.lists(st.sampled_from(PIECES)))
def test_no_card_does_more_than_be_refused_in_one_line(start: str, pieces: list[str]) -> None:
    own = {kind: built_in_cards()[name] for kind, name in DEFAULT_CARDS.items()}
    message = ""
    try:
        card = read_card(parse_toml((start + "\n".join(pieces)).encode(), label="x.toml"), pattern_of=own)
    except SettingError as error:
        message = str(error)
    else:
        assert all(isinstance(entry.value, float | str) for entry in card.entries.values())
    assert "\n" not in message
    assert message == "" or message.startswith("x.toml")


LINES = """\
top = 1
[ a ] # first
one = '''
two = 5
'''
two = 1
"three" = 2
b.four = 3
[a.c]
five = { six = 1 }
seven = \"\"\"one line\"\"\"
eight = 1
"""


def test_lines_are_found_past_texts_that_run_over_several() -> None:
    toml = parse_toml(LINES.encode(), label="x.toml")
    found = [
        toml.line_of(path)
        for path in (
            ("top",), ("a",), ("a", "one"), ("a", "two"), ("a", "three"), ("a", "b", "four"), ("a", "c"),
            ("a", "c", "five", "six"), ("a", "c", "seven"), ("a", "c", "eight"), ("a", "none"), ("none",),
        )
    ]  # fmt: skip
    assert found == [1, 2, 3, 6, 7, 8, 9, 10, 11, 12, 2, None]
    assert toml.where(("none",)) == "x.toml"


def test_line_ends_and_marks_of_other_systems_are_read(tmp_path: Path) -> None:
    card = tmp_path / "blue.toml"
    card.write_bytes(b"\xef\xbb\xbf" + RUBBER.replace("\n", "\r\n").encode())
    assert resolve_settings(cards_dir=tmp_path)["rubber.thick_coat_mm"].origin.endswith("line 6")


def test_no_two_setting_names_are_mistaken_for_each_other() -> None:
    """The nearest known name of every known name is that name itself, so hints are never misleading."""
    names = list(resolve_settings())
    assert len(set(names)) == len(names)
    assert all(get_close_matches(name, names, n=1)[0] == name for name in names)


def test_settings_go_to_another_process() -> None:
    settings = resolve_settings()
    back = pickle.loads(pickle.dumps(settings))  # noqa: S301 - our own bytes
    assert back == settings
    with pytest.raises(TypeError, match="does not support item assignment"):
        back.by_name["crew.people"] = None
