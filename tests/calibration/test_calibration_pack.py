"""Packing: what is refused, defaults, order of modes, places that agree with their lists."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from strategy_bench import COOLANT, MEANING, PEDAL, RPM, Bench, even, reaction, row, table

from throttlewright.calibration import places, reactions, signals
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.limits import LAWS, conditions
from throttlewright.calibration.pack import (
    MOST_LIMITS,
    MOST_POINTS,
    mode_names,
    pack_calibration,
)
from throttlewright.calibration.table import Axis, Table
from throttlewright.foundation.errors import InputError

CAP = table("cap", "%", (COOLANT,), [30.0, 80.0])


def test_places_agree_with_their_lists() -> None:
    for place, name in enumerate(DEFAULTS):
        assert getattr(places, f"N_{name.upper().replace('.', '_')}") == place
    assert len(DEFAULTS) == places.N_NAMED
    for prefix, words in (
        ("D_", reactions.DETECTIONS), ("A_", reactions.ACTIONS), ("RECOVER_", reactions.RECOVERIES),
    ):  # fmt: skip
        for place, name in enumerate(words):
            assert getattr(reactions, prefix + name.upper()) == place
    assert len(reactions.DETECTIONS) == places.N_MEASURES
    assert len(signals.CHANNELS) == signals.N_CHANNELS
    from throttlewright.calibration import laws

    for place, name in enumerate(LAWS):
        assert getattr(laws, f"LAW_{name.upper()}") == place


def test_every_default_says_where_it_comes_from() -> None:
    assert all(number.source for number in DEFAULTS.values())


def test_a_calibration_without_numbers_runs_on_typical_ones() -> None:
    packed = pack_calibration(Calibration({"plate_over_pedal_road": even()}))
    assert packed["numbers"][places.N_LIMP_RPM] == DEFAULTS["limp_rpm"].value
    assert packed["numbers"][places.N_PEDAL_1_GAIN] == pytest.approx(100.0 / 3.75, rel=1e-12)


def test_modes_keep_their_places_through_a_file() -> None:
    tables = {f"plate_over_pedal_{name}": even(name) for name in ("wet", "road", "sport")}
    plain = Calibration(tables)
    assert mode_names(plain) == ("wet", "road", "sport")
    numbers = {f"mode.{name}": Number(float(k), "", "x") for k, name in enumerate(("sport", "wet"))}
    placed = Calibration(tables, numbers)
    assert mode_names(placed) == ("sport", "wet", "road")
    assert mode_names(Calibration.from_json(placed.to_json())) == ("sport", "wet", "road")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"numbers": {"limp_rpm": Number(2500.0, "1/s", "x")}}, "another unit"),
        ({"numbers": {"limp_rpm": Number(0.0, "rpm", "x")}}, "out of range"),
        ({"numbers": {"supervision_ticks": Number(2.5, "", "x")}}, "whole number"),
        ({"numbers": {"pedal_1_full_V": Number(0.8, "V", "x")}}, "at least 0.1 V"),
        ({"numbers": {"cold.kq": Number(1.0, "", "x")}}, "no row reads"),
        ({"limits": (row("a", "plate", "ceiling", "ramp"),)}, "a.to: the law 'ramp' needs"),
        ({"limits": (row("a", "plate", "ceiling", "pi", "map_kPa"),)}, "a.kp"),
        (
            {"limits": (row("a", "plate", "ceiling", "table", "engine_rpm", table="cap"),)},
            "do not match the channels",
        ),
        (
            {"limits": (row("a", "retard", "ceiling", "table", "coolant_degC", table="cap"),)},
            "read for",
        ),
        (
            {"limits": (row("a", "plate", "ceiling", "table", "coolant_degC", y="gear_1",
                            table="cap"),)},
            "do not match the channels",
        ),
    ],
)  # fmt: skip
def test_what_is_refused(given: dict[str, Any], said: str) -> None:
    tables = {"plate_over_pedal_road": even(), "cap": CAP}
    with pytest.raises(InputError, match=said):
        pack_calibration(Calibration(tables, **given))


def test_least_above_most_is_refused() -> None:
    numbers = {"a.setpoint": 1.0, "a.kp": 1.0, "a.ki": 1.0, "a.least": 5.0, "a.most": 4.0}
    with pytest.raises(InputError, match="above the most"):
        Bench((row("a", "plate", "ceiling", "pi", "map_kPa"),), numbers=numbers)


def test_no_demand_and_lonely_boost_are_refused() -> None:
    with pytest.raises(InputError, match="no demand"):
        pack_calibration(Calibration({"cap": CAP}))
    boost = table("boost_target_wet", "kPa", (RPM, PEDAL), [[100.0, 150.0, 200.0]] * 2)
    with pytest.raises(InputError, match="no mode of that name"):
        Bench(tables=(boost,))


def test_room() -> None:
    rows = tuple(row(f"r{k}", "plate", "ceiling", "ramp") for k in range(MOST_LIMITS + 1))
    with pytest.raises(InputError, match="limits: are too many"):
        Bench(rows, numbers={f"{r.name}.to": 50.0 for r in rows})
    side = int(MOST_POINTS**0.5) + 1
    big = Table(
        "plate_over_pedal_big", "plate", "%",
        (Axis("engine_rpm", "rpm", np.arange(side)), Axis("pedal_pct", "%", np.arange(side))),
        np.zeros((side, side)), percent_meaning=MEANING,
    )  # fmt: skip
    with pytest.raises(InputError, match="too many numbers"):
        Bench(tables=(big,))


def test_rows_without_use_are_packed_so_that_they_never_act() -> None:
    bench = Bench(reactions=(reaction("none", 0.0, 0.0, "cut", "key"),))
    bench.run(100)
    assert bench.out[signals.OUT_ACTION] == 0.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("map_kPa > 150 or gear_1 > 2", "is not a condition"),
        ("map_kPa >> 150", "is not a condition"),
        ("map_kPa > high", "is not a condition"),
        ("map_kPA > 150", "did you mean 'map_kPa'"),
        ("gear_1 > 1 and gear_1 > 1 and gear_1 > 1 and gear_1 > 1", "too many conditions"),
        ("gear_1 > 1 and ", "blanks at its ends"),
    ],
)
def test_conditions_that_are_refused(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        row("a", "plate", "ceiling", "ramp", arm=text)


def test_conditions_are_read() -> None:
    read = conditions("map_kPa >= 1.5e2 and slip_1 < -.1", "arm")
    assert [tuple(c) for c in read] == [("map_kPa", ">=", 150.0), ("slip_1", "<", -0.1)]
    assert conditions("", "arm") == ()
