"""Scenario files: what is read, what is refused, and what the table says at the tick."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.design.roles import ROLES
from throttlewright.drive import channels
from throttlewright.drive.channels import (
    CHANNELS,
    IN_BATTERY,
    IN_BRAKE,
    IN_CLUTCH,
    IN_GEAR,
    IN_GRIP,
    IN_PEDAL,
    IN_SHIFT,
    N_CHANNELS,
)
from throttlewright.drive.faults import TICK
from throttlewright.drive.scenario import (
    Scenario,
    expand,
    input_table,
    list_scenarios,
    load_scenario,
    parse_scenario,
    tick_count,
)
from throttlewright.foundation.errors import InputError

ASKED_FOR = {
    "brake_override", "cold_drive_off", "corner_exit", "downshift", "full_load_pull",
    "idle_load_steps", "key_off_full_open", "mode_switch", "neutral_held_pedal",
    "overboost_stuck_wastegate", "overrun_return", "pedal_release", "pedal_release_neutral",
    "standing_start", "steady_cruise", "tip_in", "tip_out", "unpowered_default", "upshift",
    "wet_patch",
}  # fmt: skip

HEAD = """format = "throttlewright.scenario"
format_version = 1
name = "one"
title = "One"
text = "One thing happens."
duration = "2 s"
"""
START = """
[start]
engine = "speed"
speed = "2500 rpm"
gear = 3
pedal_pct = 5
"""


SHOWN_BY_ROLES = {shown.scenario.partition("@")[0] for role in ROLES for shown in role.shown}
"""Judged by the figures of their role."""


def read(text: str) -> Scenario:
    return parse_scenario(text, "one.toml")


def channel(name: str, t_s: str, value: str, shape: str = "") -> str:
    line = f'shape = "{shape}"\n' if shape else ""
    return f'\n[[input]]\nchannel = "{name}"\nt_s = {t_s}\nvalue = {value}\n{line}'


def test_index_constants_agree_with_the_order_of_channels() -> None:
    constants = {n: v for n, v in vars(channels).items() if n.startswith("IN_")}
    assert sorted(constants.values()) == list(range(N_CHANNELS))
    for name, column in constants.items():
        written = CHANNELS[column].name.rpartition("_")[0]
        assert name == f"IN_{written.upper()}"


def test_defaults_lie_in_their_range() -> None:
    for entry in CHANNELS:
        if not math.isnan(entry.default):
            assert entry.low <= entry.default <= entry.high, entry.name
    assert [c.name for c in CHANNELS if math.isnan(c.default)] == ["battery_V"]


def test_the_scenarios_asked_for_are_shipped() -> None:
    assert set(list_scenarios()) >= ASKED_FOR


@pytest.mark.parametrize("name", list_scenarios())
def test_shipped_scenario_loads_expands_and_makes_a_table(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.name == name
    assert scenario.caution, "each of them moves a car or a plate"
    assert scenario.text.endswith(".")
    assert scenario.criteria or name in SHOWN_BY_ROLES
    for variant in expand(scenario):
        assert load_scenario(variant.name) == variant
        n = tick_count(variant)
        table = input_table(variant, n)
        assert table.shape == (round(variant.duration * 1000), N_CHANNELS)
        assert not np.isnan(np.delete(table, IN_BATTERY, axis=1)).any()
        for column, entry in enumerate(CHANNELS):
            values = table[:, column][~np.isnan(table[:, column])]
            assert ((values >= entry.low) & (values <= entry.high)).all(), entry.name
        assert table[0, IN_GEAR] == variant.start.gear
    # A gear never changes under a closed clutch, the box would not survive it, unless the torque is
    # cut for it.
    gear, clutch = table[:, IN_GEAR], np.where(table[:, IN_SHIFT] > 0.5, 0.0, table[:, IN_CLUTCH])
    moved = np.flatnonzero(np.diff(gear)) + 1
    engaged = moved[clutch[moved] > 0.0]
    assert engaged.size == 0


@pytest.mark.parametrize("name", list_scenarios())
def test_the_foot_is_still_while_the_car_settles(name: str) -> None:
    """The held state and the first row must agree, or the run starts with a jump nobody wrote."""
    scenario = load_scenario(name)
    assert input_table(scenario, 1)[0, IN_PEDAL] == scenario.start.pedal_pct


def test_tip_in_is_what_the_text_says() -> None:
    variants = expand(load_scenario("tip_in"))
    assert [v.name for v in variants] == ["tip_in@1500rpm", "tip_in@2500rpm", "tip_in@4000rpm"]
    pedal = input_table(variants[1], 4500)[:, IN_PEDAL]
    assert pedal[1000] == 5.0
    assert pedal[1050] == pytest.approx(32.5, rel=1e-12)
    assert pedal[1100] == pytest.approx(60.0, rel=1e-12)
    assert (pedal[1101:] == 60.0).all()


def test_release_is_within_one_tick() -> None:
    pedal = input_table(load_scenario("pedal_release"), 5000)[:, IN_PEDAL]
    assert pedal[999] == 100.0
    assert pedal[1000] == 0.0


def test_wet_patch_lasts_one_second() -> None:
    grip = input_table(load_scenario("wet_patch"), 4000)[:, IN_GRIP]
    assert int((grip == 0.35).sum()) == 1000
    assert (grip[999], grip[1000], grip[1999], grip[2000]) == (1.0, 0.35, 0.35, 1.0)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.integers(min_value=1, max_value=1999))
def test_a_step_stands_exactly_at_its_tick(ms: int) -> None:
    scenario = read(HEAD + channel("grip_1", f"[0, {ms / 1000!r}]", "[1, 0.5]"))
    grip = input_table(scenario, 2000)[:, IN_GRIP]
    assert grip[ms - 1] == 1.0
    assert grip[ms] == 0.5


def test_a_step_between_ticks_waits_for_the_next() -> None:
    grip = input_table(read(HEAD + channel("grip_1", "[0, 0.5004]", "[1, 0.5]")), 2000)[:, IN_GRIP]
    assert grip[500] == 1.0
    assert grip[501] == 0.5


def test_shape_of_the_file_beats_that_of_the_channel() -> None:
    stepped = read(HEAD + channel("brake_pct", "[0, 1]", "[0, 60]", "step"))
    linear = read(HEAD + channel("brake_pct", "[0, 1]", "[0, 60]"))
    ramped = read(HEAD + channel("grip_1", "[0, 1]", "[1, 0.5]", "linear"))
    assert input_table(stepped, 1000)[:, IN_BRAKE].max() == 0.0
    assert input_table(linear, 1000)[500, IN_BRAKE] == pytest.approx(30.0, rel=1e-12)
    assert input_table(ramped, 1000)[500, IN_GRIP] == pytest.approx(0.75, rel=1e-12)


def test_values_hold_before_the_first_and_after_the_last_point() -> None:
    table = input_table(read(HEAD + channel("brake_pct", "[0.5, 1]", "[10, 20]")), 2500)
    assert (table[:500, IN_BRAKE] == 10.0).all()
    assert (table[1000:, IN_BRAKE] == 20.0).all()
    late = input_table(read(HEAD + channel("grip_1", "[0.5, 1]", "[0.7, 0.9]")), 2000)
    assert (late[:1000, IN_GRIP] == 0.7).all()


def test_channels_not_given_have_defaults_and_those_of_the_start() -> None:
    row = input_table(read(HEAD + START), 1)[0]
    assert row[IN_PEDAL] == 5.0
    assert row[IN_GEAR] == 3.0
    assert row[IN_CLUTCH] == 100.0
    assert math.isnan(row[IN_BATTERY])


def test_tables_of_different_length_agree() -> None:
    scenario = load_scenario("standing_start")
    long, short = input_table(scenario, 6000), input_table(scenario, 2500)
    np.testing.assert_array_equal(long[:2500], short)


def test_speed_is_a_figure_or_a_share_of_the_range() -> None:
    idle, limit = 100.0, 700.0
    share = read(HEAD + START.replace("2500 rpm", "40 %")).start.speed
    figure = read(HEAD + START).start.speed
    assert share is not None
    assert figure is not None
    assert share.speed(idle_speed=idle, limit_speed=limit) == pytest.approx(340.0, rel=1e-12)
    assert figure.speed(idle_speed=idle, limit_speed=limit) == pytest.approx(
        2500.0 * math.pi / 30.0, rel=1e-12
    )


def test_variants_are_each_with_each() -> None:
    text = HEAD + START + '\n[vary]\nspeed = ["2000 rpm", "40 %"]\ngear = [2, 4]\n'
    variants = expand(read(text))
    assert [v.name for v in variants] == [
        "one@2000rpm+gear2", "one@2000rpm+gear4", "one@40pct+gear2", "one@40pct+gear4",
    ]  # fmt: skip
    assert [v.start.gear for v in variants] == [2, 4, 2, 4]
    assert all(v.vary is None for v in variants)
    # A variant is a scenario that could have been written.
    for v in variants:
        assert Scenario.model_validate(v.model_dump(), context={"si": True}) == v


def test_a_perfect_driver_has_neither_delay_nor_resolution() -> None:
    driver = load_scenario("corner_exit").driver
    assert driver is not None
    assert (driver.delay_s, driver.resolution_mm) == (0.25, 1.0)
    perfect = driver.model_copy(update={"perfect": True})
    assert (perfect.delay_s, perfect.resolution_mm) == (0.0, 0.0)


def test_a_file_is_read_as_text_is(tmp_path: Path) -> None:
    path = tmp_path / "one.toml"
    path.write_text(HEAD + START, encoding="utf-8")
    assert load_scenario(path) == read(HEAD + START)


PEDAL = channel("pedal_pct", "[0, 1]", "[5, 60]")
WRONG = {
    "unknown key": (HEAD + "durations = 1\n", 'durations.*nearest known key is "duration"'),
    "unknown start key": (HEAD + START + "pedal = 3\n", r"start\.pedal: is not a known key"),
    "newer": (HEAD.replace("version = 1", "version = 2"), "newer version.*allowed: 1 to 1"),
    "version": (HEAD.replace("version = 1", 'version = "1"'), "format_version: is not a version"),
    "format": (HEAD.replace(".scenario", ".build"), "format: is another kind of file"),
    "no format": ('name = "x"\n', "format: is missing"),
    "toml": (HEAD + "[start\n", "not valid TOML"),
    "no unit": (HEAD.replace('"2 s"', "2"), "duration: .*unit"),
    "name": (HEAD.replace('"one"', '"One two"'), "name: "),
    "applies": (HEAD + 'applies = ["diesel"]\n', 'applies.*allowed: .*"turbo"'),
    "channel": (HEAD + channel("pedal", "[0]", "[0]"), 'nearest known channel is "pedal_pct"'),
    "lengths": (HEAD + channel("pedal_pct", "[0, 1]", "[0]"), "has 1 values where t_s has 2"),
    "empty": (HEAD + channel("pedal_pct", "[]", "[]"), "at least one"),
    "descending": (HEAD + channel("pedal_pct", "[1, 0]", "[0, 1]"), "must ascend.*step"),
    "before": (HEAD + channel("pedal_pct", "[-1]", "[0]"), "before the start"),
    "after": (HEAD + channel("pedal_pct", "[0, 3]", "[0, 1]"), "after the end.*0 to 2 s"),
    "range": (HEAD + channel("pedal_pct", "[0]", "[120]"), "got 120.0; allowed: 0 to 100 %"),
    "whole": (HEAD + channel("mode_1", "[0, 1]", "[0, 0.5]"), "not a whole number"),
    "linear gear": (HEAD + channel("gear_1", "[0]", "[0]", "linear"), "whole numbers"),
    "twice": (HEAD + PEDAL + PEDAL, r"input\.1\.channel: is given twice"),
    "nan": (HEAD + channel("pedal_pct", "[0]", "[nan]"), "finite"),
    "gear of the start": (HEAD + START + channel("gear_1", "[0]", "[2]"), "gear of the start"),
    "no speed": (HEAD + '[start]\nengine = "speed"\n', "start.speed: is required"),
    "speed at idle": (HEAD + '[start]\nspeed = "2500 rpm"\n', "speed: is given.*idle"),
    "bare speed": (HEAD + START.replace('"2500 rpm"', "2500"), "speed: needs a unit"),
    "share": (HEAD + START.replace("2500 rpm", "140 %"), "0 % to 100 %"),
    "fast": (HEAD + START.replace("2500", "90000"), "300 to 20000 rpm"),
    "speed unit": (HEAD + START.replace("rpm", "bar"), "start.speed"),
    "coolant": (HEAD + '[start]\ncoolant = "400 degC"\n', "start.coolant.*-40 to 130 degC"),
    "fault": (HEAD + '[[fault]]\nkind = "plate_stuk"\nat = "1 s"\n', 'kind is "plate_stuck"'),
    "late fault": (HEAD + '[[fault]]\nkind = "plate_stuck"\nat = "2 s"\n', r"fault\.0\.at"),
    "vary": (HEAD + '[vary]\nspeed = ["2000 rpm"]\n', "vary.speed: varies the speed"),
    "vary nothing": (HEAD + START + "[vary]\n", "varies nothing"),
    "vary twice": (HEAD + START + "[vary]\ngear = [2, 2]\n", "same start twice"),
    "driver": (HEAD + '[driver]\nkind = "brave"\n', "driver.kind: is not one of the choices"),
    "two feet": (HEAD + PEDAL + '[driver]\nkind = "grip_seeking"\n', "nothing for the written"),
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(WRONG))
def test_what_is_wrong_is_one_line_with_its_place(case: str) -> None:
    text, words = WRONG[case]
    with pytest.raises(InputError) as caught:
        read(text)
    message = str(caught.value)
    assert message.startswith("one.toml: ")
    assert "\n" not in message
    assert re.search(words, message), message


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("tip_inn", 'nearest is "tip_in"'),
        ("tip_in@900rpm", "tip_in@1500rpm"),
        ("steady_cruise@2000rpm", "not a variant"),
        ("nowhere.toml", "does not exist"),
    ],
)
def test_a_name_that_is_not_there(name: str, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        load_scenario(name)


def test_a_tick_is_a_millisecond() -> None:
    assert TICK == 1e-3
    assert tick_count(read(HEAD)) == 2000


def test_the_page_names_every_channel_fault_and_key() -> None:
    page = Path(__file__).parents[2] / "docs" / "reference" / "scenario-file.md"
    text = page.read_text(encoding="utf-8")
    from throttlewright.drive.fault_list import FAULTS
    from throttlewright.drive.scenario_parts import Driver, Input, Start, Vary

    for entry in CHANNELS:
        assert re.search(rf"^\| `{entry.name}` \|.*{entry.low:g} to {entry.high:g}", text, re.M)
    for kind in FAULTS:
        found = re.search(rf"^\| `{kind.name}` \| ([^|]*) \|.*`{kind.proved_in}`", text, re.M)
        assert found, kind.name
        assert found.group(1).split()[0] == f"{kind.default:g}", kind.name
    for name in list_scenarios():
        assert f"`{name}`" in text
    for schema in (Scenario, Start, Input, Driver, Vary):
        for key in schema.model_fields:
            assert f"`{key}`" in text, key
