"""The driver: delay, steps of the foot, and that the law does not hang on the map."""

from __future__ import annotations

import numpy as np
import pytest
from drive_bench import calibrated

from throttlewright.car.state import N_STATE, OMEGA, SLIP, SPEED
from throttlewright.drive.channels import CHANNELS, IN_PEDAL
from throttlewright.drive.driver import (
    D_FOOT,
    D_WANTED,
    DRIVER_WIDTH,
    P_ACTIVE,
    P_DELAY,
    P_FROM,
    P_GAIN,
    P_SLIP,
    P_STEP,
    drive_on,
    driver_memory,
)

SOUGHT, GAIN = 0.08, 4.0


class Seat:
    """A driver in a car whose slip is set by hand."""

    def __init__(self, *, delay: float = 0.0, step: float = 0.0, start: float = 0.0) -> None:
        self.driver = np.zeros(DRIVER_WIDTH)
        self.driver[P_ACTIVE], self.driver[P_SLIP], self.driver[P_GAIN] = 1.0, SOUGHT, GAIN
        self.driver[P_DELAY], self.driver[P_STEP], self.driver[P_FROM] = delay, step, start
        self.memory = driver_memory()
        self.x = np.zeros(N_STATE)
        self.x[OMEGA], self.x[SPEED] = 300.0, 15.0

    def tick(self, slip: float, pedal: float = 0.0) -> float:
        self.x[SLIP] = slip
        row = np.array([channel.default for channel in CHANNELS])
        row[IN_PEDAL] = pedal
        drive_on(self.x, row, driver=self.driver, cal=calibrated(), memory=self.memory)
        return float(row[IN_PEDAL])


def test_without_slip_the_opening_grows_at_the_gain() -> None:
    seat = Seat()
    first = seat.memory[D_WANTED]
    for _ in range(250):
        seat.tick(0.0)
    # d ln(wanted) / dt = gain, one second is a factor e^4
    assert seat.memory[D_WANTED] / first == pytest.approx(np.exp(GAIN * 0.25), rel=3e-3)


def test_the_pedal_found_gives_the_plate_that_is_wanted() -> None:
    seat = Seat()
    for _ in range(600):
        pedal = seat.tick(0.0)
    # the map of the bench is 1 % at rest, 50 % at 50, straight between
    wanted = seat.memory[D_WANTED]
    assert 1.0 < wanted < 50.0
    assert pedal == pytest.approx((wanted - 1.0) / 49.0 * 50.0, abs=0.01)


def test_at_the_slip_that_is_sought_the_foot_rests_and_above_it_comes_back() -> None:
    seat = Seat()
    for _ in range(500):
        seat.tick(0.0)
    held = seat.memory[D_WANTED]
    for _ in range(100):
        seat.tick(SOUGHT)
    assert seat.memory[D_WANTED] == pytest.approx(held, rel=1e-9)
    for _ in range(100):
        seat.tick(2.0 * SOUGHT)
    assert seat.memory[D_WANTED] == pytest.approx(held * np.exp(-GAIN * 0.1), rel=3e-3)
    before = seat.memory[D_WANTED]
    seat.tick(50.0)
    # however much it slips, the foot comes back no faster than six times its place a second
    assert seat.memory[D_WANTED] == pytest.approx(before * (1.0 - 6.0e-3), rel=1e-9)


@pytest.mark.parametrize("delay", [0, 1, 150, 350, 1000])
def test_slip_is_felt_after_the_delay_and_not_before(delay: int) -> None:
    seat = Seat(delay=float(delay))
    for _ in range(1100):
        seat.tick(SOUGHT)
    ticks, last = 0, seat.memory[D_WANTED]
    while True:
        seat.tick(3.0 * SOUGHT)
        if seat.memory[D_WANTED] < last:
            break
        last = seat.memory[D_WANTED]
        ticks += 1
        assert ticks <= 1001
    assert ticks == delay


def test_a_coarse_foot_moves_in_whole_steps() -> None:
    seat = Seat(step=4.0)
    pedals = np.array([seat.tick(0.0) for _ in range(700)])
    fine = Seat()
    exact = np.array([fine.tick(0.0) for _ in range(700)])
    assert np.unique(pedals).size > 5
    np.testing.assert_allclose(pedals / 4.0, np.round(pedals / 4.0), atol=1e-12)
    # it moves once it is off by three quarters of a step, and never stays further off
    assert np.abs(pedals - exact).max() <= 0.75 * 4.0 + 1e-9
    assert seat.memory[D_WANTED] == pytest.approx(fine.memory[D_WANTED], rel=1e-12)
    assert seat.memory[D_FOOT] == pedals[-1]


def test_the_scenario_s_pedal_counts_below_the_speed() -> None:
    seat = Seat(start=20.0)
    assert seat.tick(0.0, pedal=33.0) == 33.0
    seat.x[SPEED] = 21.0
    assert seat.tick(0.0, pedal=33.0) != 33.0


def test_the_foot_stays_between_released_and_full() -> None:
    seat = Seat(step=3.0)
    pedals = [seat.tick(0.0) for _ in range(3000)]
    assert max(pedals) == pytest.approx(100.0, abs=1.5)
    assert max(pedals) <= 100.0
    pedals = [seat.tick(1.0) for _ in range(3000)]
    assert 0.0 <= min(pedals) < 3.0
