"""A row whose arm must last, and one that stays until the pedal is released."""

from __future__ import annotations

import pytest
from strategy_bench import Bench, row

from throttlewright.calibration import signals as s
from throttlewright.foundation.errors import InputError


def ceiling(**more) -> Bench:
    """A ceiling of 20 % above 150 kPa, 10 kPa of hysteresis, with the numbers asked for."""
    numbers = {f"off.{name}": value for name, value in more.items()}
    limit = row("off", "plate", "ceiling", "ramp", arm="map_kPa > 150", hysteresis=10.0)
    bench = Bench((limit,), (), {"off.to": 20.0, **numbers})
    bench.pedal(80.0)
    bench.run(5)
    assert bench.target == pytest.approx(80.0)
    return bench


def test_acts_at_once_without_a_delay() -> None:
    bench = ceiling()
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.run(1)
    assert bench.target == pytest.approx(20.0)


def test_waits_until_the_condition_has_lasted() -> None:
    bench = ceiling(after_s=0.1)
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.run(99)
    assert bench.target == pytest.approx(80.0)
    bench.run(1)
    assert bench.target == pytest.approx(20.0)
    bench.set(s.SIG_MAP_KPA, 130.0)
    bench.run(1)
    assert bench.target == pytest.approx(80.0)


def test_a_break_starts_the_wait_anew_and_a_dip_within_the_hysteresis_does_not() -> None:
    bench = ceiling(after_s=0.1)
    for low, expected in ((145.0, 20.0), (135.0, 80.0)):
        bench.set(s.SIG_MAP_KPA, 100.0)
        bench.run(5)
        bench.set(s.SIG_MAP_KPA, 160.0)
        bench.run(60)
        bench.set(s.SIG_MAP_KPA, low)
        bench.run(2)
        bench.set(s.SIG_MAP_KPA, 160.0)
        bench.run(60)
        assert bench.target == pytest.approx(expected)


def test_stays_until_the_pedal_is_released() -> None:
    bench = ceiling(after_s=0.05, until_released=1.0)
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.run(60)
    bench.set(s.SIG_MAP_KPA, 90.0)
    bench.run(500)
    assert bench.target == pytest.approx(20.0)
    bench.pedal(0.0)
    bench.run(5)
    bench.pedal(80.0)
    bench.run(5)
    assert bench.target == pytest.approx(80.0)


def test_a_release_while_the_condition_holds_does_not_let_go() -> None:
    bench = ceiling(until_released=1.0)
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.run(5)
    bench.pedal(0.0)
    bench.run(5)
    bench.pedal(80.0)
    bench.run(5)
    assert bench.target == pytest.approx(20.0)


@pytest.mark.parametrize(("latches", "after_10_ms"), [(1.0, 79.0), (0.0, 80.0)])
def test_a_latching_ceiling_falls_from_where_the_output_is(latches, after_10_ms) -> None:
    limit = row("off", "plate", "ceiling", "ramp", arm="map_kPa > 150", fall_rate=100.0)
    bench = Bench((limit,), (), {"off.to": 20.0, "off.until_released": latches})
    bench.pedal(80.0)
    bench.run(5)
    bench.set(s.SIG_MAP_KPA, 160.0)
    bench.run(10)
    assert bench.target == pytest.approx(after_10_ms)


def test_a_row_without_an_arm_has_no_such_numbers() -> None:
    limit = row("off", "plate", "ceiling", "ramp")
    with pytest.raises(InputError, match=r"no row reads"):
        Bench((limit,), (), {"off.to": 20.0, "off.after_s": 1.0})
