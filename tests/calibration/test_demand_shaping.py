"""How fast the plate follows the pedal: rates, the slow zone, modes and a wrong gear."""

from __future__ import annotations

import numpy as np
import pytest
from strategy_bench import PEDAL, RPM, Bench, even, table

from throttlewright.calibration import signals as s
from throttlewright.calibration.table import Axis, Table

GEAR = Axis("gear_1", "", [0.0, 1.0, 2.0])
PLATE = Axis("plate_pct", "%", [0.0, 49.9, 50.0, 100.0])


def rates(name: str, values: list[float]) -> Table:
    return table(name, "%/s", (GEAR, RPM), np.array([[v, v] for v in values]))


OPENING = rates("opening_rate", [1000.0, 100.0, 200.0])
CLOSING = rates("closing_rate", [1000.0, 400.0, 500.0])
LASH = (
    table("lash_rate", "%/s", (GEAR,), np.array([1000.0, 10.0, 20.0])),
    table("lash_low", "%", (RPM,), np.array([2.0, 2.0])),
    table("lash_high", "%", (RPM,), np.array([3.0, 3.0])),
)


def bench(*tables: Table, gear: float = 1.0, **more) -> Bench:
    made = Bench(tables=tables, **more)
    made.set(s.SIG_GEAR, gear)
    made.run(20, follow=True)
    return made


def trace(made: Bench, ticks: int) -> np.ndarray:
    found = []
    for _ in range(ticks):
        made.run(1, follow=True)
        found.append(made.target)
    return np.array(found)


def _free(found: np.ndarray) -> np.ndarray:
    """Targets above the least one that the strategy lets the servo have."""
    assert np.count_nonzero(found > found[0] + 1e-9) > 0.7 * found.size
    return found[found > found[0] + 1e-9]


@pytest.mark.parametrize(("gear", "step"), [(1.0, 0.1), (2.0, 0.2), (0.0, 1.0)])
def test_opening_keeps_to_the_rate_of_the_gear(gear, step) -> None:
    made = bench(OPENING, gear=gear)
    made.pedal(50.0)
    assert np.diff(_free(trace(made, 20))) == pytest.approx(step, abs=1e-9)


def test_without_a_table_the_plate_follows_at_once() -> None:
    made = bench(LASH[0], *LASH[1:], gear=0.0)
    made.pedal(50.0)
    assert made.run(1)[s.OUT_TARGET_PCT] == pytest.approx(50.0, abs=0.1)


def test_closing_keeps_to_its_own_rate() -> None:
    made = bench(OPENING, CLOSING)
    made.pedal(80.0)
    trace(made, 900)
    made.pedal(10.0)
    assert np.diff(trace(made, 20)) == pytest.approx(-0.4, abs=1e-9)


def test_an_open_plate_moves_faster_by_the_factor() -> None:
    factor = table("rate_factor", "", (RPM, PLATE), np.array([[1.0, 1.0, 5.0, 5.0]] * 2))
    made = bench(OPENING, factor)
    made.pedal(90.0)
    found = _free(trace(made, 540))
    steps = np.diff(found)
    assert steps[found[:-1] < 49.0] == pytest.approx(0.1, abs=1e-9)
    assert steps[(found[:-1] > 50.5) & (found[:-1] < 89.0)] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(("gear", "ticks"), [(1.0, 100), (2.0, 50)])
@pytest.mark.parametrize("opens", [True, False])
def test_the_band_takes_its_time_both_ways(gear, ticks, opens) -> None:
    made = bench(*LASH, gear=gear)
    if not opens:
        made.pedal(60.0)
        trace(made, 300)
    made.pedal(60.0 if opens else 0.0)
    found = trace(made, 300)
    inside = np.count_nonzero((found > 2.0 + 1e-9) & (found < 3.0 - 1e-9))
    assert inside == pytest.approx(ticks, abs=2)
    # outside of it nothing is held back
    assert np.count_nonzero(found <= 2.0 if opens else found >= 3.0) <= 2


def test_an_open_clutch_is_not_slowed() -> None:
    made = bench(*LASH, OPENING)
    made.set(s.SIG_CLUTCH, 0.0)
    made.pedal(60.0)
    assert np.diff(trace(made, 10)) == pytest.approx(1.0, abs=1e-9)


def test_a_wrong_gear_moves_no_standing_plate_and_steps_no_moving_one() -> None:
    made = bench(*LASH, OPENING)
    made.pedal(30.0)
    trace(made, 500)
    before = made.target
    for gear in (2.0, 0.0, 1.0, 7.0):
        made.set(s.SIG_GEAR, gear)
        assert trace(made, 20) == pytest.approx(before, abs=1e-12)
    made.set(s.SIG_GEAR, 1.0)
    made.pedal(90.0)
    moving = trace(made, 100)
    made.set(s.SIG_GEAR, 2.0)
    moving = np.concatenate((moving, trace(made, 50)))
    assert np.max(np.diff(moving)) <= 0.2 + 1e-9


def _modes(**numbers: float) -> Bench:
    second = table("plate_over_pedal_wet", "%", (RPM, PEDAL), np.array([[0.0, 20.0, 40.0]] * 2))
    made = Bench(
        tables=(even("dry"), second),
        numbers={"mode.road": 0.0, "mode.dry": 1.0, "mode.wet": 2.0, **numbers},
    )
    made.pedal(50.0)
    made.run(50, follow=True)
    return made


def test_a_new_mode_is_blended_in() -> None:
    made = _modes()
    made.set(s.SIG_MODE, 2.0)
    found = trace(made, 700)
    assert found[-1] == pytest.approx(20.0, abs=0.2)
    assert np.max(np.abs(np.diff(found))) < 0.1


def test_a_new_mode_waits_for_the_released_pedal() -> None:
    made = _modes(mode_change_released=1.0)
    made.set(s.SIG_MODE, 2.0)
    assert trace(made, 700) == pytest.approx(50.0, abs=0.2)
    made.pedal(0.0)
    trace(made, 700)
    made.pedal(50.0)
    assert trace(made, 50)[-1] == pytest.approx(20.0, abs=0.2)


def test_nothing_is_looked_up_while_the_demand_stands() -> None:
    made = bench(*LASH, OPENING)
    made.pedal(30.0)
    trace(made, 600)
    kept = made.memory.copy()
    # another gear would move the remembered places of the tables at the first look
    made.set(s.SIG_GEAR, 2.0)
    trace(made, 5)
    from throttlewright.calibration import places as p

    assert made.memory[p.M_SHAPE_I] == kept[p.M_SHAPE_I]
