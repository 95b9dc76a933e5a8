"""Sensors: range, lag, converter steps, noise, and what each fault makes of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from drive_bench import moving

from throttlewright.calibration import signals as s
from throttlewright.car import state as c
from throttlewright.car.record import copied
from throttlewright.drive import channels as i
from throttlewright.drive import faults as f
from throttlewright.drive.sensors import (
    M_PEDAL,
    N_SENSOR_MEMORY,
    battery_now,
    pedal_now,
    sense,
)


class Loom:
    """A car at rest whose sensors are read by hand; no noise unless asked."""

    def __init__(self, *, noisy: bool = False) -> None:
        self.car = copied(moving().record)
        if not noisy:
            self.car["sensor_noise"] = self.car["pressure_noise"] = 0.0
        self.x = np.zeros(c.N_STATE)
        self.x[c.P_MANIFOLD], self.x[c.P_PIPE] = 4e4, 1.2e5
        self.x[c.OMEGA], self.x[c.COOLANT] = 300.0, 350.0
        self.x[c.PLATE] = 0.4 * float(self.car["servo_travel"])
        self.row = np.array([channel.default for channel in i.CHANNELS])
        self.row[i.IN_PEDAL] = 30.0
        self.faults = np.zeros(f.N_FAULTS)
        self.memory = np.zeros(N_SENSOR_MEMORY)
        self.memory[0], self.memory[1] = 4e4, 1.2e5
        self.signals = np.zeros(s.N_SIGNALS)
        self.tick = 50.0

    def read(self, key: float = 1.0) -> np.ndarray:
        sense(
            self.x,
            self.row,
            faults=self.faults,
            key=key,
            tick=self.tick,
            memory=self.memory,
            car=self.car,
            signals=self.signals,
        )
        self.tick += 1.0
        return self.signals.copy()

    def track(self, which: int, share: float) -> float:
        low, high = self.car["pedal_released"][which], self.car["pedal_full"][which]
        return float(low + (high - low) * share)

    def plate(self, which: int, share: float) -> float:
        low, high = self.car["plate_at_closed"][which], self.car["plate_at_open"][which]
        return float(low + (high - low) * share)


@pytest.fixture
def loom() -> Loom:
    return Loom()


@pytest.fixture
def step(loom: Loom) -> float:
    return 0.51 * float(loom.car["sensor_step"])


def with_fault(kind: int, severity: float = 1.0) -> tuple[Loom, np.ndarray]:
    loom = Loom()
    loom.faults[kind] = severity
    return loom, loom.read()


def test_a_healthy_car_is_read_within_one_converter_step(loom: Loom, step: float) -> None:
    read = loom.read()
    for which, signal in ((0, s.SIG_PEDAL_1_V), (1, s.SIG_PEDAL_2_V)):
        assert read[signal] == pytest.approx(loom.track(which, 0.3), abs=step)
        places = read[signal] / float(loom.car["sensor_step"])
        assert places == pytest.approx(round(places), abs=1e-9)
    for which, signal in ((0, s.SIG_PLATE_1_V), (1, s.SIG_PLATE_2_V)):
        assert read[signal] == pytest.approx(loom.plate(which, 0.4), abs=step)
    assert read[s.SIG_REFERENCE_V] == 5.0
    assert read[s.SIG_MAP_KPA] == pytest.approx(40.0)
    assert read[s.SIG_PIPE_KPA] == pytest.approx(120.0)
    assert read[s.SIG_ENGINE_RPM] == pytest.approx(300.0 * 30.0 / math.pi)
    assert read[s.SIG_COOLANT_DEGC] == pytest.approx(76.85)
    assert read[s.SIG_BATTERY_V] == float(loom.car["battery"])
    assert read[s.SIG_CLUTCH] == read[s.SIG_KEY] == 1.0
    assert read[s.SIG_BRAKE] == read[s.SIG_GEAR] == read[s.SIG_BUS_AGE_S] == 0.0
    assert loom.memory[M_PEDAL] == 0.3


def test_the_steps_of_the_converter_are_those_of_its_bits(loom: Loom) -> None:
    bits = moving().build.plate.sensor_bits
    assert loom.car["sensor_step"] == 5.0 / 2**bits


def test_wheel_speeds_are_at_the_tread(loom: Loom) -> None:
    loom.x[c.OMEGA_DRIVEN], loom.x[c.OMEGA_FREE] = 100.0, 80.0
    read = loom.read()
    radius = float(loom.car["tyre_radius"])
    assert read[s.SIG_DRIVEN_M_S] == pytest.approx(100.0 * radius)
    assert read[s.SIG_FREE_M_S] == pytest.approx(80.0 * radius)


def test_pressure_lags_as_a_first_order_sensor(loom: Loom) -> None:
    loom.car["pressure_lag"] = 5e-3
    loom.x[c.P_MANIFOLD] = 9e4
    for _ in range(5):
        read = loom.read()
    # implicit Euler of the lag at 1 ms: (5 / 6)^5 of the step is left
    assert read[s.SIG_MAP_KPA] == pytest.approx(90.0 - 50.0 * (5.0 / 6.0) ** 5, rel=1e-9)


def test_pressure_ends_at_the_range_of_the_sensor(loom: Loom) -> None:
    loom.memory[0] = loom.x[c.P_MANIFOLD] = 9e5
    assert loom.read()[s.SIG_MAP_KPA] == pytest.approx(float(loom.car["map_range"]) * 1e-3)


def test_noise_has_the_spread_of_the_build() -> None:
    loom = Loom(noisy=True)
    loom.car["sensor_noise"], loom.car["pressure_noise"] = 0.02, 300.0
    loom.car["sensor_step"] = 1e-6
    read = np.array([loom.read() for _ in range(4000)])
    for signal, spread in (
        (s.SIG_PEDAL_1_V, 0.02),
        (s.SIG_PEDAL_2_V, 0.02),
        (s.SIG_PLATE_1_V, 0.02),
        (s.SIG_PLATE_2_V, 0.02),
        (s.SIG_MAP_KPA, 0.3),
        (s.SIG_PIPE_KPA, 0.3),
    ):
        assert read[:, signal].std() == pytest.approx(spread, rel=0.06)
    r = np.corrcoef(read[:, [0, 1, 2, 3, s.SIG_MAP_KPA, s.SIG_PIPE_KPA]].T)
    assert np.abs(r - np.eye(6)).max() < 0.08


@pytest.mark.parametrize(
    ("kind", "signal", "volts"),
    [
        (f.F_PEDAL_1_LOW, s.SIG_PEDAL_1_V, 0.0),
        (f.F_PEDAL_1_OPEN, s.SIG_PEDAL_1_V, 0.0),
        (f.F_PEDAL_1_HIGH, s.SIG_PEDAL_1_V, 5.0),
        (f.F_PEDAL_2_LOW, s.SIG_PEDAL_2_V, 0.0),
        (f.F_PEDAL_2_OPEN, s.SIG_PEDAL_2_V, 0.0),
        (f.F_PEDAL_2_HIGH, s.SIG_PEDAL_2_V, 5.0),
        (f.F_PLATE_1_LOW, s.SIG_PLATE_1_V, 0.0),
        (f.F_PLATE_1_OPEN, s.SIG_PLATE_1_V, 0.0),
        (f.F_PLATE_1_HIGH, s.SIG_PLATE_1_V, 5.0),
        (f.F_PLATE_2_LOW, s.SIG_PLATE_2_V, 0.0),
        (f.F_PLATE_2_OPEN, s.SIG_PLATE_2_V, 0.0),
    ],
)
def test_a_broken_wire_moves_its_own_track_alone(kind: int, signal: int, volts: float) -> None:
    healthy = Loom().read()
    _, read = with_fault(kind)
    assert read[signal] == volts
    others = [k for k in range(s.N_SIGNALS) if k != signal]
    assert np.array_equal(read[others], healthy[others])


def test_both_plate_tracks_lost() -> None:
    _, read = with_fault(f.F_PLATE_BOTH_LOST)
    assert read[s.SIG_PLATE_1_V] == read[s.SIG_PLATE_2_V] == 0.0


def test_shorted_tracks_show_their_mean(step: float) -> None:
    loom, read = with_fault(f.F_PEDAL_SHORTED_TOGETHER)
    assert read[s.SIG_PEDAL_1_V] == read[s.SIG_PEDAL_2_V]
    mean = 0.5 * (loom.track(0, 0.3) + loom.track(1, 0.3))
    assert read[s.SIG_PEDAL_1_V] == pytest.approx(mean, abs=step)


def test_drifts_add_their_voltage(step: float) -> None:
    loom, read = with_fault(f.F_PEDAL_1_DRIFT, -0.4)
    assert read[s.SIG_PEDAL_1_V] == pytest.approx(loom.track(0, 0.3) - 0.4, abs=step)
    assert read[s.SIG_PEDAL_2_V] == pytest.approx(loom.track(1, 0.3), abs=step)
    loom, read = with_fault(f.F_PLATE_1_DRIFT, 0.3)
    assert read[s.SIG_PLATE_1_V] == pytest.approx(loom.plate(0, 0.4) + 0.3, abs=step)


def test_a_shifted_supply_scales_every_track(step: float) -> None:
    loom, read = with_fault(f.F_REFERENCE_SHIFT, -0.5)
    assert read[s.SIG_REFERENCE_V] == 4.5
    assert read[s.SIG_PEDAL_1_V] == pytest.approx(0.9 * loom.track(0, 0.3), abs=step)
    assert read[s.SIG_PLATE_2_V] == pytest.approx(0.9 * loom.plate(1, 0.4), abs=step)


def test_a_stuck_pedal_holds_the_pad_but_the_foot_may_press_further(step: float) -> None:
    loom, read = with_fault(f.F_PEDAL_STUCK, 0.6)
    assert read[s.SIG_PEDAL_1_V] == pytest.approx(loom.track(0, 0.6), abs=step)
    loom.row[i.IN_PEDAL] = 80.0
    assert pedal_now(loom.row, loom.faults) == 0.8
    loom.row[i.IN_PEDAL] = 140.0
    assert pedal_now(loom.row, loom.faults) == 1.0


def test_an_intermittent_contact_is_gone_a_fifth_of_the_time() -> None:
    loom = Loom()
    loom.faults[f.F_SENSOR_INTERMITTENT] = 1.0
    loom.tick = 0.0
    lost = np.array([loom.read()[s.SIG_PEDAL_1_V] == 0.0 for _ in range(300)])
    assert lost.sum() == 60
    assert lost[:20].all()
    assert not lost[20:100].any()


def test_a_lost_bus_holds_the_last_pedal_and_ages() -> None:
    loom = Loom()
    before = loom.read()
    loom.faults[f.F_BUS_LOSS] = 1.0
    loom.row[i.IN_PEDAL] = 90.0
    for _ in range(30):
        read = loom.read()
    assert read[s.SIG_PEDAL_1_V] == before[s.SIG_PEDAL_1_V]
    assert read[s.SIG_BUS_AGE_S] == pytest.approx(0.030)
    loom.faults[f.F_BUS_LOSS] = 0.0
    read = loom.read()
    assert read[s.SIG_BUS_AGE_S] == 0.0
    assert read[s.SIG_PEDAL_1_V] > before[s.SIG_PEDAL_1_V]


def test_plate_sensor_faults_of_position(step: float) -> None:
    loom, read = with_fault(f.F_PLATE_SENSOR_INVERTED)
    assert read[s.SIG_PLATE_1_V] == pytest.approx(loom.plate(0, 0.6), abs=step)
    loom, read = with_fault(f.F_WRONG_CLOSED_STOP, 2.0)
    share = 0.4 + math.radians(2.0) / float(loom.car["servo_travel"])
    assert read[s.SIG_PLATE_1_V] == pytest.approx(loom.plate(0, share), abs=step)


def test_the_rest_of_the_faults_that_a_sensor_shows() -> None:
    _, read = with_fault(f.F_MAP_SENSOR_LOST)
    assert read[s.SIG_MAP_KPA] == 10.0
    _, read = with_fault(f.F_WRONG_RAISE_REQUEST, 25.0)
    assert read[s.SIG_REQUEST_PCT] == 25.0
    loom = Loom()
    loom.row[i.IN_BRAKE] = 50.0
    assert loom.read()[s.SIG_BRAKE] == 1.0
    loom.faults[f.F_BRAKE_SWITCH_LOST] = 1.0
    assert loom.read()[s.SIG_BRAKE] == 0.0
    loom.row[i.IN_CLUTCH] = 20.0
    assert loom.read()[s.SIG_CLUTCH] == 0.0


def test_battery_is_the_build_s_unless_road_or_fault_says_otherwise(loom: Loom) -> None:
    assert battery_now(loom.row, loom.faults, car=loom.car) == float(loom.car["battery"])
    loom.row[i.IN_BATTERY] = 11.0
    assert battery_now(loom.row, loom.faults, car=loom.car) == 11.0
    loom.faults[f.F_LOW_BATTERY] = 7.5
    assert battery_now(loom.row, loom.faults, car=loom.car) == 7.5
    assert loom.read()[s.SIG_BATTERY_V] == 7.5
