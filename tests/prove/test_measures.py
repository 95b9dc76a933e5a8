"""Measures against closed forms on made-up signals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.prove.feel import (
    band_pass,
    low_pass,
    shuffle_cycles,
    tip_in,
    turning_points,
)
from throttlewright.prove.measures import (
    dip_below,
    flare_above,
    largest,
    least,
    longest_above,
    overboost,
    return_time,
    settling_time,
    slip_events,
    spans_above,
    steady_end,
    step_answer,
    surge_time,
    time_above,
    unasked_acceleration,
)

MS = 1e-3


def clock(seconds: float) -> np.ndarray:
    return MS * np.arange(round(seconds / MS) + 1)


def test_spans_begin_and_end_with_their_samples() -> None:
    t = np.arange(8.0)
    x = np.array([0.0, 2.0, 2.0, 0.0, 2.0, np.nan, 2.0, 2.0])
    assert spans_above(t, x, limit=1.0) == [(1.0, 3.0), (4.0, 5.0), (6.0, 7.0)]
    assert spans_above(t, x, limit=1.0, gap_s=1.5) == [(1.0, 7.0)]
    assert longest_above(t, x, limit=1.0) == 2.0
    assert time_above(t, x, limit=1.0) == 4.0
    assert spans_above(t, x, limit=2.0) == []


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=40), st.floats(-4.0, 4.0))
def test_time_above_and_not_above_make_the_whole(values: list[float], limit: float) -> None:
    t = np.arange(float(len(values)))
    x = np.array(values)
    below = np.where(x > limit, -1.0, 1.0)
    total = time_above(t, x, limit=limit) + time_above(t, below, limit=0.0)
    assert total == pytest.approx(t[-1], abs=1e-12)
    assert longest_above(t, x, limit=limit) <= time_above(t, x, limit=limit) + 1e-12


def test_largest_and_least_skip_what_is_no_number() -> None:
    assert largest([1.0, math.nan, 3.0]) == 3.0
    assert least([1.0, math.nan, 3.0]) == 1.0
    assert math.isnan(largest([math.nan]))


def test_plate_that_falls_off_exponentially_returns_when_the_formula_says() -> None:
    t = clock(3.0)
    plate = np.where(t < 1.0, 80.0, 3.0 + 77.0 * np.exp(-(t - 1.0) / 0.15))
    found = return_time(t, plate, released_at_s=1.0, idle_pct=3.0, band_pct=2.0)
    assert found == pytest.approx(0.15 * math.log(77.0 / 2.0), abs=1.5 * MS)


def test_return_is_for_good() -> None:
    t = clock(2.0)
    plate = np.where(t < 0.2, 50.0, 3.0)
    plate[(t > 1.2) & (t < 1.3)] = 9.0
    found = return_time(t, plate, released_at_s=0.0, idle_pct=3.0, band_pct=2.0)
    assert found == pytest.approx(1.3, abs=1.5 * MS)
    plate[-1] = 9.0
    assert math.isnan(return_time(t, plate, released_at_s=0.0, idle_pct=3.0, band_pct=2.0))
    plate[-1] = math.nan
    assert math.isnan(return_time(t, plate, released_at_s=0.0, idle_pct=3.0, band_pct=2.0))


def test_overboost_of_a_half_sine() -> None:
    t = clock(1.0)
    pressure = 200.0 + 30.0 * np.sin(math.pi * t)
    found = overboost(t, pressure, limit_kPa=200.0, margin_kPa=15.0)
    assert found.peak_kPa == pytest.approx(30.0, rel=1e-6)
    # sin > 1/2 between 1/6 and 5/6 of the half wave
    assert found.longest_s == pytest.approx(2.0 / 3.0, abs=2.0 * MS)
    assert found.total_s == found.longest_s
    assert overboost(t, pressure - 100.0, limit_kPa=200.0, margin_kPa=0.0) == (0.0, 0.0, 0.0)


def test_unasked_acceleration_counts_only_what_was_not_asked() -> None:
    t = clock(3.0)
    asked = np.sin(t)
    actual = asked + np.where((t >= 1.0) & (t < 1.7), 1.5, 0.5)
    speed = np.full(t.size, 10.0)
    found = unasked_acceleration(t, actual, asked, speed, excess_m_s2=1.0)
    assert found == pytest.approx(0.7, abs=1.5 * MS)
    assert unasked_acceleration(t, actual, asked, 0.0 * speed, excess_m_s2=1.0) == 0.0


def test_a_swinging_driveline_hides_no_unasked_acceleration() -> None:
    t = clock(2.0)
    actual = 2.0 + 1.5 * np.sin(2.0 * math.pi * 5.0 * t)
    found = unasked_acceleration(t, actual, 0.0 * t, 0.0 * t + 5.0, excess_m_s2=1.0)
    assert found > 1.8
    bare = unasked_acceleration(t, actual, 0.0 * t, 0.0 * t + 5.0, excess_m_s2=1.0, gap_s=0.0)
    assert bare < 0.2


def test_slip_events() -> None:
    t = clock(4.0)
    slip = np.zeros(t.size)
    slip[(t >= 1.0) & (t < 1.3)] = 0.4
    slip[(t >= 2.0) & (t < 2.1)] = 0.5
    slip[t < 0.5] = 5.0
    speed = 1.0 + 3.0 * t
    found = slip_events(t, slip, speed, limit_1=0.25)
    # The first 0.333 s are below 2 m/s; the rest of the first half second is an event.
    assert found.events == 3
    assert found.longest_s == pytest.approx(0.3, abs=1.5 * MS)
    assert found.most_excess_1 == pytest.approx(4.75)
    assert slip_events(t, 0.0 * t, speed, limit_1=0.25) == (0, 0.0, 0.0)


def test_surge_time_adds_up() -> None:
    t = clock(1.0)
    margin = np.cos(2.0 * math.pi * 4.0 * t)
    assert surge_time(t, margin) == pytest.approx(0.5, abs=8.0 * MS)
    assert surge_time(t, 0.0 * margin) == 0.0


def test_settling_dip_and_flare_of_a_damped_swing() -> None:
    t = clock(5.0)
    tau, amplitude = 0.5, 200.0
    rpm = 900.0 - amplitude * np.exp(-t / tau) * np.cos(2.0 * math.pi * t)
    assert dip_below(rpm, target=900.0) == pytest.approx(200.0)
    # First maximum of -exp(-t/tau) cos(wt): tan(wt) = -1/(w tau)
    w = 2.0 * math.pi
    at = (math.pi - math.atan(1.0 / (w * tau))) / w
    expected = -amplitude * math.exp(-at / tau) * math.cos(w * at)
    assert flare_above(rpm, target=900.0) == pytest.approx(expected, rel=1e-4)
    found = settling_time(t, 900.0 + 200.0 * np.exp(-t / tau), start_s=0.0, target=900.0, band=50.0)
    assert found == pytest.approx(tau * math.log(4.0), abs=1.5 * MS)
    assert math.isnan(settling_time(t, rpm + 100.0, start_s=0.0, target=900.0, band=50.0))
    assert settling_time(t, 0.0 * t, start_s=0.0, target=0.0, band=1.0) == 0.0


def test_steady_end_of_a_ramp() -> None:
    t = clock(10.0)
    found = steady_end(t, 3.0 * t, window_s=2.0)
    assert found.mean == pytest.approx(27.0, rel=1e-9)
    assert found.drift == pytest.approx(3.0, rel=2e-3)
    assert math.isnan(steady_end(t[:1000], t[:1000], window_s=2.0).mean)
    assert steady_end(t[:2001], t[:2001], window_s=2.0).mean == pytest.approx(1.0)


def test_step_answer_of_a_second_order_system() -> None:
    t = clock(3.0)
    zeta, w = 0.5, 20.0
    wd = w * math.sqrt(1.0 - zeta**2)
    swing = np.cos(wd * t) + zeta * w / wd * np.sin(wd * t)
    x = 10.0 + 30.0 * (1.0 - np.exp(-zeta * w * t) * swing)
    found = step_answer(t, x, step_at_s=0.0, before=10.0, after=40.0, band=0.6)
    # exp(-pi zeta / sqrt(1 - zeta^2)), the textbook overshoot
    expected = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))
    assert found.overshoot_1 == pytest.approx(expected, rel=1e-4)
    assert found.rise_s == pytest.approx(t[np.argmax(x >= 37.0)], abs=1e-12)
    down = step_answer(t, 50.0 - x, step_at_s=0.0, before=40.0, after=10.0, band=0.6)
    assert down == pytest.approx(found, rel=1e-9)


def test_tip_in_of_a_first_order_rise() -> None:
    t = clock(4.0)
    amplitude, tau = 3.0, 0.3
    a = np.where(t < 1.0, 0.0, amplitude * (1.0 - np.exp(-np.maximum(t - 1.0, 0.0) / tau)))
    found = tip_in(t, a, step_at_s=1.0)
    assert found.step_m_s2 == pytest.approx(amplitude, rel=1e-3)
    assert found.rise_s == pytest.approx(tau * math.log(9.0), rel=0.02)
    delay = -tau * math.log(1.0 - 0.05 * 9.80665 / amplitude)
    assert found.delay_s == pytest.approx(delay, abs=5.0 * MS)
    assert found.overshoot_1 < 5e-3
    assert found.cycles_1 == 0.0


def test_jerk_of_a_raised_cosine() -> None:
    t = clock(4.0)
    amplitude, rise = 3.0, 0.6
    phase = np.clip((t - 1.0) / rise, 0.0, 1.0)
    found = tip_in(t, amplitude * 0.5 * (1.0 - np.cos(math.pi * phase)), step_at_s=1.0)
    assert found.jerk_m_s3 == pytest.approx(amplitude * math.pi / (2.0 * rise), rel=2e-3)


def test_noise_does_not_make_jerk() -> None:
    t = clock(4.0)
    rng = np.random.default_rng(5)
    phase = np.clip((t - 1.0) / 0.6, 0.0, 1.0)
    clean = 1.5 * (1.0 - np.cos(math.pi * phase))
    noisy = tip_in(t, clean + rng.normal(0.0, 0.05, t.size), step_at_s=1.0)
    assert noisy.jerk_m_s3 < 1.15 * tip_in(t, clean, step_at_s=1.0).jerk_m_s3
    raw = np.gradient(clean + rng.normal(0.0, 0.05, t.size), MS).max()
    assert raw > 5.0 * noisy.jerk_m_s3


@pytest.mark.parametrize(("decay", "amplitude"), [(4.0, 2.5), (8.0, 4.0), (12.0, 3.0), (12.0, 8.0)])
def test_shuffle_of_a_decaying_swing(decay: float, amplitude: float) -> None:
    t = clock(4.0)
    f = 4.0
    late = np.maximum(t - 1.0, 0.0)
    a = np.where(
        t < 1.0, 0.0, amplitude * (1.0 - np.exp(-decay * late) * np.cos(2.0 * math.pi * f * late))
    )
    # exp(-d t) cos(w t) is largest where tan(w t) = -d / w; two passes of first order at 20 Hz take
    # 1/(1 + (f/20)^2). The first swing is the rise that was asked for.
    w = 2.0 * math.pi * f
    gain = 1.0 / (1.0 + (f / 20.0) ** 2)
    times = (math.pi * np.arange(1, 40) - math.atan(decay / w)) / w
    ends = amplitude * np.exp(-decay * times) * w / math.hypot(w, decay)
    swings = gain * (ends[:-1] + ends[1:])
    assert np.abs(swings[:8] - 0.6).min() > 0.06, "the case is too close to the threshold"
    expected = 0.5 * int(np.count_nonzero(swings >= 0.6))
    after = t >= 1.0
    assert shuffle_cycles(t[after], a[after]) == expected
    assert expected > 0.0


def test_clean_steps_and_slow_waves_are_no_shuffle() -> None:
    t = clock(4.0)
    assert shuffle_cycles(t, np.where(t < 1.0, 0.0, 5.0)) == 0.0
    assert shuffle_cycles(t, 2.0 * np.sin(2.0 * math.pi * 0.4 * t)) == 0.0
    assert shuffle_cycles(t, 5.0 - 1.0 * t) == 0.0


def test_filters_pass_and_stop_what_they_should() -> None:
    t = clock(10.0)
    middle = (t > 3.0) & (t < 7.0)
    slow, fast = np.sin(2.0 * math.pi * 1.0 * t), np.sin(2.0 * math.pi * 50.0 * t)
    _, low = low_pass(t, slow + fast, corner_Hz=10.0)
    # Two passes of second order: 1/(1 + (f/fc)^4)
    assert np.abs(low - slow)[middle].max() < 1.0 / (1.0 + 5.0**4) + 1e-3
    _, at_corner = low_pass(t, np.sin(2.0 * math.pi * 10.0 * t), corner_Hz=10.0)
    assert np.abs(at_corner[middle]).max() == pytest.approx(0.5, rel=1e-3)
    drift = 3.0 + np.sin(2.0 * math.pi * 4.0 * t)
    _, band = band_pass(t, drift, low_Hz=1.0, high_Hz=10.0)
    assert abs(band[middle].mean()) < 0.02
    assert band[middle].max() == pytest.approx(1.0, abs=0.06)


def test_dose_of_a_tip_in_with_a_sine() -> None:
    t = clock(6.0)
    a = np.where(t < 1.0, 0.0, 1.0 + np.sin(2.0 * math.pi * 3.0 * np.maximum(t - 1.0, 0.0)))
    found = tip_in(t, a, step_at_s=1.0)
    # VDV of a sine: A (3 T / 8)^(1/4); the clean step adds a little.
    assert found.vdv_m_s175 == pytest.approx((3.0 * 5.0 / 8.0) ** 0.25, rel=0.1)


def test_turning_points_ignore_small_swings() -> None:
    x = np.array([0.0, 1.0, 0.9, 2.0, 1.0, 1.1, 0.0, 3.0])
    assert turning_points(x, swing=0.5).tolist() == [3, 6]
    assert turning_points(x, swing=0.05).tolist() == [1, 2, 3, 4, 5, 6]
    assert turning_points(-x, swing=0.5).tolist() == [3, 6]
    assert turning_points(np.arange(5.0), swing=0.5).size == 0
