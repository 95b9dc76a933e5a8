"""Rows of the kernel to a recording with names and units."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import moving

from throttlewright.calibration import signals as s
from throttlewright.calibration.reactions import ACTIONS
from throttlewright.car import state as c
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.kernel import ROW_INPUT, ROW_OUT, ROW_SIGNAL, ROW_WIDTH
from throttlewright.drive.recorder import TRACE, to_recording


def rows(count: int = 5) -> np.ndarray:
    made = np.zeros((count, ROW_WIDTH))
    made[:, c.BOOSTER] = 60e3
    return made


def test_names_are_unique_and_end_in_their_unit() -> None:
    names = [channel.name for channel in TRACE]
    assert len(set(names)) == len(names)
    suffix = {
        "%": "_pct", "A": "_A", "degC": "_degC", "kPa": "_kPa", "g/s": "_g_s", "rpm": "_rpm",
        "N*m": "_Nm", "m/s": "_m_s", "m/s^2": "_m_s2", "m": "_m", "deg": "_deg", "V": "_V",
        "": "_1",
    }  # fmt: skip
    for channel in TRACE:
        assert channel.name.endswith(suffix[channel.unit]), channel.name
        assert 0 <= channel.column < ROW_WIDTH
        assert channel.text


@pytest.mark.parametrize(
    ("name", "column", "raw", "shown"),
    [
        ("map_kPa", c.P_MANIFOLD, 45e3, 45.0),
        ("engine_rpm", c.OMEGA, 100.0 * math.pi, 3000.0),
        ("coolant_degC", c.COOLANT, 363.15, 90.0),
        ("wastegate_pct", c.WASTEGATE, 0.25, 25.0),
        ("air_flow_g_s", c.FLOW_CYLINDERS, 0.05, 50.0),
        ("torque_Nm", c.TORQUE, 180.0, 180.0),
        ("slip_1", c.SLIP, 0.07, 0.07),
        ("duty_pct", ROW_OUT + s.OUT_PWM, -0.4, -40.0),
        ("plate_target_pct", ROW_OUT + s.OUT_TARGET_PCT, 33.0, 33.0),
        ("in_charge_plate_1", ROW_OUT + s.OUT_CHARGE_PLATE, -2.0, -2.0),
        ("map_measured_kPa", ROW_SIGNAL + s.SIG_MAP_KPA, 44.0, 44.0),
        ("battery_V", ROW_SIGNAL + s.SIG_BATTERY_V, 12.5, 12.5),
        ("pedal_pct", ROW_INPUT, 42.0, 42.0),
    ],
)
def test_each_channel_reads_its_own_column(
    name: str, column: int, raw: float, shown: float
) -> None:
    made = rows()
    made[3, column] = raw
    rec = to_recording(moving(), made, step_s=1e-3)
    assert rec.channels[name].values[3] == pytest.approx(shown)
    base = to_recording(moving(), rows(), step_s=1e-3)
    moved = [
        n
        for n in rec.channels
        if not np.array_equal(rec.channels[n].values, base.channels[n].values)
    ]
    assert moved == [name]


def test_channels_that_need_the_car() -> None:
    car, made = moving(), rows()
    made[2, c.AIR_PLATE] = 0.5 * float(car.record["servo_travel"])
    made[2, c.OMEGA_DRIVEN] = 50.0
    rec = to_recording(car, made, step_s=1e-3)
    assert rec.channels["plate_pct"].values[2] == pytest.approx(50.0)
    assert rec.channels["driven_speed_m_s"].values[2] == pytest.approx(
        50.0 * float(car.record["tyre_radius"])
    )
    vacuum = (float(car.record["p_ambient"]) - 60e3) * 1e-3
    assert rec.channels["brake_vacuum_kPa"].values[2] == pytest.approx(vacuum)


def test_one_clock_from_zero_that_prints_as_written() -> None:
    rec = to_recording(moving(), rows(400), step_s=1e-3)
    assert list(rec.channels) == [channel.name for channel in TRACE]
    for channel in rec.channels.values():
        assert channel.t_s[0] == 0.0
        assert repr(float(channel.t_s[301])) == "0.301"


def test_events_tell_faults_and_reactions() -> None:
    made = rows(100)
    made[30:60, ROW_OUT + s.OUT_ACTION] = 1.0
    made[50:60, ROW_OUT + s.OUT_ACTION] = 5.0
    faults = [InjectedFault(kind="plate_stuck", at="20 ms", until="70 ms")]
    rec = to_recording(moving(), made, step_s=1e-3, faults=faults, meta={"kind": "trace"})
    told = [(round(e.t_s, 6), e.name, e.text) for e in rec.events]
    assert told == [
        (0.02, "fault", "plate_stuck sets in"),
        (0.03, "reaction", f"{ACTIONS[0]} begins"),
        (0.05, "reaction", f"{ACTIONS[2]} begins"),
        (0.06, "reaction", f"{ACTIONS[0]} ends"),
        (0.06, "reaction", f"{ACTIONS[2]} ends"),
        (0.07, "fault", "plate_stuck is gone"),
    ]
    assert rec.meta["kind"] == "trace"
