"""The up/down counter in closed form against the strategy's own, and the design it gives."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.calibration import places as p
from throttlewright.calibration import reactions as r
from throttlewright.calibration.calibration import Calibration, Number, Reaction
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.strategy_kernel import start_memory
from throttlewright.calibration.supervision import judge_faults
from throttlewright.calibration.table import Axis, Table
from throttlewright.design.plausibility import (
    UP,
    Demand,
    Quality,
    alarm_per_sample,
    bad_share,
    design_plausibility,
    found_within,
    pair_noise,
    states,
    stroke_alarm,
)
from throttlewright.foundation.errors import InputError


def count_alarms(bad: np.ndarray, count: int, *, once: bool = False) -> list[int]:
    """Samples at which a counter of so many states gives alarm; it then begins again."""
    found, level = [], 0
    for n, is_bad in enumerate(bad.tolist()):
        level = level + UP if is_bad else max(level - 1, 0)
        if level >= count:
            found.append(n)
            if once:
                break
            level = 0
    return found


def strategy_alarms(bad: np.ndarray, time_s: float, ticks: int) -> list[int]:
    """The same by the strategy's compiled counter."""
    rpm = Axis("engine_rpm", "rpm", [1000.0, 5000.0])
    pedal = Axis("pedal_pct", "%", [0.0, 100.0])
    table = Table("plate_over_pedal_road", "invented", "%", (rpm, pedal),
                  np.array([[0.0, 100.0]] * 2), percent_meaning="0 closed, 100 open; 0 released, "
                  "100 full")  # fmt: skip
    row = Reaction("x", "pedal_disagree", 5.0, time_s, "release_pedal", "key", "test")
    numbers = {"supervision_ticks": Number(float(ticks), "", "test")}
    cal = pack_calibration(Calibration({table.name: table}, numbers, (), (row,)))
    memory = start_memory(cal)
    first = p.M_ROWS + p.K_WIDTH * int(cal["limits"])
    found = []
    for n, is_bad in enumerate(bad.tolist()):
        memory[p.M_MEASURES + r.D_PEDAL_DISAGREE] = 9.0 if is_bad else 1.0
        judge_faults(cal, False, first=first, memory=memory)
        if memory[p.M_DETECTED] > 0.5:
            found.append(n)
            memory[first + p.K_REACTION_ACTIVE] = 0.0
            memory[first + p.K_REACTION_COUNT] = 0.0
    return found


@pytest.mark.parametrize(("time_s", "ticks"), [(0.1, 10), (0.05, 10), (0.077, 1), (0.033, 5)])
def test_the_counter_is_the_strategys(time_s: float, ticks: int) -> None:
    bad = np.random.default_rng(3).random(6000) < 0.5
    ours = count_alarms(bad, states(time_s, ticks * 1e-3))
    assert len(ours) > 15
    assert strategy_alarms(bad, time_s, ticks) == ours


@pytest.mark.parametrize(
    ("bad", "count"),
    [(0.02, 2 * UP), (0.08, 4 * UP), (0.11, 10 * UP), (0.3, 10 * UP), (0.1, 5 * UP + 3)],
)
def test_alarm_rate_against_counting(bad: float, count: int) -> None:
    flags = np.random.default_rng(1).random(300_000) < bad
    found = len(count_alarms(flags, count))
    expected = alarm_per_sample(bad, count) * flags.size
    assert expected > 30
    # four standard deviations of a count
    assert found == pytest.approx(expected, abs=4.0 * math.sqrt(expected))


def test_alarm_rate_in_the_ends() -> None:
    # one sample is enough: by hand the chance itself; ten in a row of certain ones: one in ten
    assert alarm_per_sample(1e-7, UP) == pytest.approx(1e-7, rel=1e-12)
    assert alarm_per_sample(1.0, 10 * UP) == pytest.approx(0.1, rel=1e-12)
    # two bad ones are needed, the second while the first still counts, which is for UP samples:
    # to first order UP p^2
    assert alarm_per_sample(1e-6, UP + 1) == pytest.approx(UP * 1e-12, rel=1e-4)
    assert alarm_per_sample(1e-6, 10 * UP) > 0.0


@given(st.floats(0.02, 0.9), st.integers(2, 60))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_rate_is_that_of_the_matrix(bad: float, count: int) -> None:
    """Mean time to absorption from the fundamental matrix (textbook), an independent way."""
    q = np.zeros((count, count))
    for n in range(count):
        if n + UP < count:
            q[n, n + UP] += bad
        q[n, max(n - 1, 0)] += 1.0 - bad
    # with chances from 2 % and few states the plain matrix keeps its digits
    time = np.linalg.solve(np.eye(count) - q, np.ones(count))[0]
    assert alarm_per_sample(bad, count) == pytest.approx(1.0 / time, rel=1e-6)


def test_found_and_stroke_against_counting() -> None:
    rng = np.random.default_rng(5)
    bad, count, samples = 0.8, 10 * UP, 13
    hits = sum(bool(count_alarms(rng.random(samples) < bad, count, once=True)) for _ in range(3000))
    chance = found_within(bad, count, samples=samples)
    assert hits / 3000 == pytest.approx(chance, abs=4.0 * math.sqrt(chance * (1 - chance) / 3000))
    shares = np.concatenate((np.full(14, 0.7), np.full(count, 0.05)))
    hits = sum(bool(count_alarms(rng.random(shares.size) < shares, count)) for _ in range(3000))
    chance = float(stroke_alarm(np.array([0.7]), 0.05, count, samples=np.array([14.0]))[0])
    assert 0.05 < chance < 0.97
    assert hits / 3000 == pytest.approx(chance, abs=4.0 * math.sqrt(chance * (1 - chance) / 3000))


def test_noise_of_a_pair() -> None:
    # by hand: 3 mV on 3.45 V is 0.0870 points, on 1.725 V 0.1739; together 0.1944
    assert pair_noise((3.45, 1.725), (3e-3, 3e-3), step_V=0.0) == pytest.approx(0.19444, rel=1e-4)
    # a step of 4.88 mV alone: 0.0817 and 0.0408 ... root of squares over 12
    assert pair_noise((3.45, -3.45), (0.0, 0.0), step_V=4.88e-3) == pytest.approx(
        100.0 * 4.88e-3 / 3.45 * math.sqrt(2.0 / 12.0), rel=1e-9
    )


def test_share_of_bad_samples() -> None:
    # normal table: 2.5 % beyond 1.96 on one side
    assert bad_share(0.0, 1.96, noise_pct=1.0) == pytest.approx(0.05, rel=2e-3)
    assert bad_share(1.96, 1.96, noise_pct=1.0) == pytest.approx(0.5, rel=1e-3)
    assert bad_share(3.0, 2.0, noise_pct=0.0) == 1.0


CASES = [(10, 0.0, 667.0), (10, 0.010, 500.0), (5, 0.005, 667.0), (1, 0.0, 667.0),
         (1, 0.010, 500.0)]  # fmt: skip


@pytest.mark.parametrize(("ticks", "skew", "rate"), CASES)
def test_simulated_tracks_keep_quiet_and_find_the_fault(
    ticks: int, skew: float, rate: float
) -> None:
    """Tracks with noise, error and skew at 100 Hz to 1 kHz, strokes of many speeds."""
    period = ticks * 1e-3
    quality, demand = Quality(0.3, 1.2, skew, rate), Demand(period_s=period)
    plan = design_plausibility(quality, demand)
    assert plan.possible, plan.reason
    assert plan.false_per_1000_h <= demand.false_per_1000_h
    rng = np.random.default_rng(7)
    times, places = [0.0], [0.0]
    for _ in range(80):
        speed = rate * rng.uniform(0.25, 1.0)
        for wait, place in ((rng.uniform(0.1, 0.4), places[-1]), (100.0 / speed, 100.0 -
                                                                  places[-1])):  # fmt: skip
            times.append(times[-1] + wait)
            places.append(place)
    t = np.arange(0.0, times[-1], period)
    one = np.interp(t, times, places)
    two = np.interp(t - skew, times, places)
    worst = np.sign(one - two + 1e-12) * quality.error_pct
    apart = one - two + worst + quality.noise_pct * rng.standard_normal(t.size)
    count = states(plan.time_s, period)
    assert count_alarms(np.abs(apart) > plan.tolerance_pct, count) == []
    if skew:
        # the same strokes do give alarms at half of the least tolerance: the test can fail
        assert count_alarms(np.abs(apart) > 0.5 * plan.least_pct, count)
    allowed = math.floor(demand.found_s / period + 1e-9)
    shift = demand.fault_pct - quality.error_pct
    faults = shift + quality.noise_pct * rng.standard_normal((1000, allowed))

    def late(tolerance: float) -> int:
        return sum(not count_alarms(row > tolerance, count) for row in faults)

    # 999 of 1000 are promised; 6 late ones would be five deviations off
    assert late(plan.tolerance_pct) <= 5
    assert late(plan.most_pct) <= 5
    # and a little more than the largest tolerance does miss faults
    assert late(plan.most_pct + 2.0 * quality.noise_pct) > 20


def test_slow_sampling_and_wide_skew_are_refused_with_the_reason() -> None:
    good = Quality(0.3, 1.2, 0.0, 667.0)
    slow = design_plausibility(good, Demand(period_s=0.02))
    assert not slow.possible
    assert "sampling too slow for this check" in slow.reason
    skewed = design_plausibility(Quality(0.3, 1.2, 0.010, 1430.0), Demand())
    assert not skewed.possible
    assert "ms apart" in skewed.reason
    assert 0.002 < skewed.most_skew_s < 0.010
    noisy = design_plausibility(Quality(4.0, 3.0, 0.0, 667.0), Demand())
    assert not noisy.possible
    assert "too large" in noisy.reason
    with pytest.raises(InputError, match="error_pct"):
        design_plausibility(Quality(0.3, -1.0, 0.0, 667.0), Demand())


def test_most_skew_is_the_edge() -> None:
    base = design_plausibility(Quality(0.3, 1.2, 0.0, 667.0), Demand())
    for factor, possible in ((0.97, True), (1.03, False)):
        skewed = Quality(0.3, 1.2, factor * base.most_skew_s, 667.0)
        assert design_plausibility(skewed, Demand()).possible is possible


def test_more_noise_never_widens_the_choice() -> None:
    widths = []
    for noise, error in product((0.1, 0.4, 0.8), (0.5,)):
        plan = design_plausibility(Quality(noise, error, 0.001, 667.0), Demand())
        widths.append(plan.most_pct - plan.least_pct)
    assert widths == sorted(widths, reverse=True)
