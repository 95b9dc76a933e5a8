"""Rows that act at most so long, and loops that start from a table."""

from __future__ import annotations

import numpy as np
import pytest
from strategy_bench import Bench, row, table

from throttlewright.calibration import signals as s
from throttlewright.calibration.table import Axis
from throttlewright.foundation.errors import InputError


def floor(**more: float) -> Bench:
    """A floor of 30 % while an upshift is asked for, with the numbers given."""
    limit = row("push", "plate", "floor", "ramp", arm="shift_1 > 0.5")
    bench = Bench(
        (limit,), (), {"push.to": 30.0, **{f"push.{name}": v for name, v in more.items()}}
    )
    bench.run(5)
    return bench


def held_ms(bench: Bench, most: int = 2000) -> int:
    """Ask, and count the ticks with the floor in force."""
    bench.set(s.SIG_SHIFT, 1.0)
    count = 0
    for _ in range(most):
        bench.run(1)
        count += bench.target > 29.0
    return count


@pytest.mark.parametrize(("within", "ticks"), [(0.05, 50), (0.5, 500), (0.0, 2000)])
def test_a_row_acts_at_most_so_long(within: float, ticks: int) -> None:
    assert held_ms(floor(within_s=within)) == ticks


def test_it_must_let_go_before_it_acts_again() -> None:
    bench = floor(within_s=0.1)
    assert held_ms(bench) == 100
    assert held_ms(bench, 500) == 0
    bench.set(s.SIG_SHIFT, 0.0)
    bench.run(1)
    assert held_ms(bench) == 100


def test_a_short_request_ends_it_before_its_time() -> None:
    bench = floor(within_s=0.5)
    bench.set(s.SIG_SHIFT, 1.0)
    bench.run(50)
    assert bench.target == pytest.approx(30.0)
    bench.set(s.SIG_SHIFT, 0.0)
    bench.run(5)
    assert bench.target < 1.0


def test_the_hysteresis_of_its_arm_still_counts_and_does_not_restart_the_time() -> None:
    limit = row("push", "plate", "floor", "ramp", arm="map_kPa > 150", hysteresis=10.0)
    bench = Bench((limit,), (), {"push.to": 30.0, "push.within_s": 0.1})
    bench.run(5)
    count = 0
    for k in range(400):
        # swings inside the hysteresis: one request, not many
        bench.set(s.SIG_MAP_KPA, 155.0 if k % 20 < 10 else 145.0)
        bench.run(1)
        count += bench.target > 29.0
    assert count == 100


PIPE = Axis("pipe_kPa", "kPa", [100.0, 200.0])
SPEED = Axis("engine_rpm", "rpm", [1000.0, 3000.0])


def loop(side: str, axes: tuple[Axis, ...], values, **more: float) -> Bench:
    """A proportional loop on manifold pressure towards 160 kPa, from a table."""
    limit = row("hold", "plate", side, "pi", "map_kPa", base="base", arm="map_kPa > 100")
    numbers = {"hold.setpoint": 160.0, "hold.kp": 0.5, "hold.ki": 0.0, **more}
    return Bench((limit,), (), numbers, (table("base", "%", axes, values),))


def test_a_ceiling_with_a_base_starts_at_the_base_and_not_at_the_output() -> None:
    bench = loop("ceiling", (PIPE, SPEED), np.array([[80.0, 60.0], [40.0, 20.0]]))
    bench.pedal(90.0)
    bench.run(5)
    assert bench.target == pytest.approx(90.0)
    bench.set(s.SIG_PIPE_KPA, 150.0)
    bench.set(s.SIG_ENGINE_RPM, 2000.0)
    bench.set(s.SIG_MAP_KPA, 170.0)
    bench.run(1)
    # base 50 in the middle of the table, and 0.5 %/kPa times 10 kPa too much
    assert bench.target == pytest.approx(45.0)


def test_a_ceiling_without_a_base_takes_over_from_the_output() -> None:
    limit = row("hold", "plate", "ceiling", "pi", "map_kPa", arm="map_kPa > 100")
    numbers = {"hold.setpoint": 160.0, "hold.kp": 0.5, "hold.ki": 0.0}
    bench = Bench((limit,), (), numbers)
    bench.pedal(90.0)
    bench.run(5)
    bench.set(s.SIG_MAP_KPA, 170.0)
    bench.run(1)
    assert bench.target == pytest.approx(90.0)


def test_the_base_is_followed_while_the_loop_acts() -> None:
    bench = loop("floor", (PIPE,), np.array([10.0, 30.0]))
    bench.set(s.SIG_MAP_KPA, 160.0)
    for pipe, wanted in ((100.0, 10.0), (150.0, 20.0), (200.0, 30.0)):
        bench.set(s.SIG_PIPE_KPA, pipe)
        bench.run(2)
        assert bench.target == pytest.approx(wanted)


def test_axes_of_a_base_must_be_channels() -> None:
    with pytest.raises(InputError, match="there is no such channel"):
        loop("floor", (Axis("pipe_pressure", "kPa", [100.0, 200.0]),), np.array([10.0, 30.0]))


def test_only_a_loop_has_a_base() -> None:
    with pytest.raises(InputError, match="only a 'pi' starts from a table"):
        row("push", "plate", "floor", "ramp", base="base")
