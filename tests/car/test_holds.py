"""Holds: what a plan contains, and what blending does to a surface whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.build import load
from throttlewright.build.assumptions import complete
from throttlewright.car.holds import (
    HOLD_CAUTIONS,
    Hold,
    blend_holds,
    plan_holds,
)
from throttlewright.car.pack import pack, with_variation
from throttlewright.car.surface import TorqueSurface, compute_surface
from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.foundation.status import PointStatus


@cache
def pair(name: str) -> tuple[TorqueSurface, TorqueSurface]:
    """A model and the engine that stands on the brake: same build, other breathing and plate."""
    path = load.__file__.replace("load.py", f"sets/examples/{name}.toml")
    car = pack(complete(load.load_build(path).build)[0])
    other = with_variation(car, ve=1.12, cd=0.9, closed=math.radians(0.4))
    return compute_surface(car), compute_surface(other)


def read(truth: TorqueSurface, rpm: float, pct: float) -> float:
    psi = truth.psi[0] + pct / 100.0 * (truth.psi[-1] - truth.psi[0])
    return float(truth.torque_at(np.array([rpm * math.pi / 30.0]), np.array([[psi]]))[0, 0])


def on_grid(truth: TorqueSurface, model: TorqueSurface) -> np.ndarray:
    psi = truth.psi[0] + model.plate_pct / 100.0 * (truth.psi[-1] - truth.psi[0])
    return truth.torque_at(model.omega, np.broadcast_to(psi, model.torque.shape))


def measure(
    model: TorqueSurface, truth: TorqueSurface, *, noise: float, limit: float = 1223.0
) -> list[Hold]:
    random = np.random.default_rng(7)
    return [
        Hold(
            p.rpm,
            p.plate_pct,
            read(truth, p.rpm, p.plate_pct) * (1.0 + noise * random.standard_normal()),
        )
        for p in plan_holds(model, count=20, heat_limit_K=limit)
    ]


@pytest.mark.parametrize(("name", "limit"), [("trackday_16", 1223.0), ("v8_48_itb", 1420.0)])
def test_twenty_noisy_holds_mend_the_surface_where_none_was_taken(name: str, limit: float) -> None:
    model, truth = pair(name)
    blended = blend_holds(model, measure(model, truth, noise=0.01, limit=limit))
    assert blended.refused == ()
    want = on_grid(truth, model)
    # grid points are not held points: the plan lies on its own speeds and shares
    area = (model.share > 0.05) & (model.rpm[:, None] >= 1500.0)
    before = (model.torque - want)[area]
    after = (blended.surface.torque - want)[area]
    assert math.sqrt(np.mean(before**2)) > 3.0 * math.sqrt(np.mean(after**2))
    assert np.max(np.abs(before)) > 1.5 * np.max(np.abs(after))


def test_residuals_at_the_holds_shrink_to_the_noise() -> None:
    model, truth = pair("trackday_16")
    holds = measure(model, truth, noise=0.0)
    blended = blend_holds(model, holds)
    expected = [h.torque - read(model, h.rpm, h.plate_pct) for h in holds]
    assert blended.residual_before == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert np.max(np.abs(blended.residual_after)) < 0.01 * model.full.max()
    assert np.max(np.abs(blended.residual_before)) > 0.08 * model.full.max()


def test_a_uniform_error_at_one_hold_is_taken_over_there_and_forgotten_far_away() -> None:
    model, _ = pair("trackday_16")
    rpm, share = 2000.0, 0.3
    row = int(np.argmin(np.abs(model.rpm - rpm)))
    column = int(np.argmin(np.abs(model.share[row] - share)))
    at = (float(model.rpm[row]), float(model.plate_pct[column]))
    torque = float(model.torque[row, column])
    hold = Hold(*at, torque + 5.0)
    blended = blend_holds(model, [hold], length_rpm=300.0, length_share=0.1, noise=1e-4)
    assert blended.surface.torque[row, column] == pytest.approx(torque + 5.0, abs=0.01)
    assert blended.coverage[row, column] > 0.999
    far = (np.abs(model.rpm[:, None] - at[0]) > 1800.0) | (model.share > 0.9)
    assert np.max(blended.coverage[far]) < 1e-4
    assert np.max(np.abs((blended.surface.torque - model.torque)[far])) < 0.01


def test_no_hold_changes_nothing() -> None:
    model, _ = pair("trackday_16")
    blended = blend_holds(model, [])
    assert blended.surface is model
    assert not blended.coverage.any()
    assert blended.residual_before.size == blended.residual_after.size == 0


def test_holds_that_agree_with_the_model_change_nothing() -> None:
    model, _ = pair("trackday_16")
    holds = [Hold(r, p, read(model, r, p)) for r in (2000.0, 5000.0) for p in (4.0, 30.0)]
    blended = blend_holds(model, holds)
    assert np.max(np.abs(blended.surface.torque - model.torque)) < 1e-9
    assert blended.notes == ()


@given(
    st.lists(
        st.tuples(st.floats(800.0, 6900.0), st.floats(0.0, 100.0), st.floats(-0.39, 0.39)),
        min_size=1,
        max_size=12,
    )
)
@settings(deadline=None, derandomize=True, max_examples=50, database=None)
def test_rows_never_fall_with_opening_plate(readings: list[tuple[float, float, float]]) -> None:
    model, _ = pair("trackday_16")
    holds = []
    for rpm, pct, off in readings:
        closed = read(model, rpm, 0.0)
        base = closed - 0.1 * (read(model, rpm, 100.0) - closed)
        torque = read(model, rpm, pct)
        holds.append(Hold(rpm, pct, torque + off * (torque - base)))
    blended = blend_holds(model, holds)
    assert blended.refused == ()
    assert np.all(np.diff(blended.surface.torque, axis=1) >= 0.0)
    assert np.all((blended.coverage >= 0.0) & (blended.coverage <= 1.0))


def test_enforced_rows_are_reported() -> None:
    model, _ = pair("trackday_16")
    holds = [
        Hold(3000.0, 20.0, 1.35 * read(model, 3000.0, 20.0)),
        Hold(3000.0, 100.0, 0.75 * read(model, 3000.0, 100.0)),
    ]
    blended = blend_holds(model, holds, length_share=0.1)
    assert len(blended.notes) == 1
    assert "held level" in blended.notes[0]
    assert blended.surface.values["torque"] is blended.surface.torque
    assert model.values["torque"] is model.torque


def test_bad_holds_are_refused_with_a_reason_and_do_no_harm() -> None:
    model, _ = pair("trackday_16")
    right = read(model, 3000.0, 30.0)
    bad = [
        (Hold(9000.0, 30.0, right), "speed lies outside"),
        (Hold(3000.0, 104.0, right), "plate lies outside"),
        (Hold(3000.0, 30.0, 2.0 * right), "more than 40 %"),
        (Hold(3000.0, 30.0, math.nan), "missing"),
        (Hold(3000.0, 30.0, right, lam=1.4), "mixture"),
    ]
    blended = blend_holds(model, [hold for hold, _ in bad])
    assert blended.surface is model
    assert len(blended.refused) == len(bad)
    for (_, reason), text in zip(bad, blended.refused, strict=True):
        assert reason in text
    good = Hold(3000.0, 30.0, 1.1 * right)
    mixed = blend_holds(model, [bad[0][0], good, bad[2][0]])
    alone = blend_holds(model, [good])
    assert np.array_equal(mixed.surface.torque, alone.surface.torque)
    assert [text.split(" (")[0] for text in mixed.refused] == ["hold 1", "hold 3"]


def test_bad_settings_and_unsolved_surfaces_raise() -> None:
    model, _ = pair("trackday_16")
    with pytest.raises(InputError, match="length_rpm"):
        blend_holds(model, [], length_rpm=0.0)
    with pytest.raises(InputError, match="noise"):
        blend_holds(model, [], noise=-0.01)
    status = model.status.copy()
    status[3, 4] = PointStatus.NO_BRACKET
    with pytest.raises(NoSolutionError):
        blend_holds(replace(model, status=status), [])


@pytest.mark.parametrize("name", ["trackday_16", "hillclimb_20t", "v8_48_itb"])
def test_a_plan_goes_from_cool_to_hot_with_full_load_last(name: str) -> None:
    model, _ = pair(name)
    plan = plan_holds(model, count=20)
    assert len(plan) == 20
    assert len({(p.rpm, p.plate_pct) for p in plan}) == 20
    full = [p.plate_pct >= 100.0 for p in plan]
    assert full == sorted(full)
    assert any(full)
    for part in (False, True):
        hot = [p.exhaust_temperature for p, f in zip(plan, full, strict=True) if f is part]
        assert hot == sorted(hot)
    assert max(p.exhaust_temperature for p in plan) <= 1223.0
    assert min(p.rpm for p in plan) >= 1500.0
    assert all(5.0 <= p.seconds <= (10.0 if f else 30.0) for p, f in zip(plan, full, strict=True))
    for p in plan:
        assert p.expected_torque == pytest.approx(read(model, p.rpm, p.plate_pct), rel=1e-12)


def test_hot_points_are_held_shorter_and_a_lower_limit_keeps_them_out() -> None:
    model, _ = pair("hillclimb_20t")
    plan = [p for p in plan_holds(model, count=30, heat_limit_K=1320.0) if p.plate_pct < 100.0]
    assert plan[-1].seconds < plan[0].seconds
    assert max(p.exhaust_temperature for p in plan) > 1223.0
    lower = plan_holds(model, count=30, heat_limit_K=1180.0)
    assert max(p.exhaust_temperature for p in lower) <= 1180.0


def test_holds_spread_over_the_area() -> None:
    model, _ = pair("trackday_16")
    plan = plan_holds(model, count=20)
    rpm = np.array([p.rpm for p in plan])
    assert rpm.max() - rpm.min() > 0.7 * (model.rpm[-1] - 1500.0)
    blended = blend_holds(model, [Hold(p.rpm, p.plate_pct, p.expected_torque) for p in plan])
    area = (model.share > 0.05) & (model.rpm[:, None] >= 1500.0)
    assert np.min(blended.coverage[area]) > 0.8


def test_plans_that_cannot_be_made_say_why() -> None:
    model, _ = pair("trackday_16")
    with pytest.raises(InputError, match="count"):
        plan_holds(model, count=0)
    with pytest.raises(InputError, match="hotter than the limit"):
        plan_holds(model, count=5, heat_limit_K=1000.0)
    with pytest.raises(InputError, match="lowest_rpm"):
        plan_holds(model, count=5, lowest_rpm=9000.0)
    with pytest.raises(InputError, match="no map"):
        plan_holds(replace(model, values={}), count=5)


def test_cautions_speak_of_straps_heat_and_when_to_stop() -> None:
    text = " ".join(HOLD_CAUTIONS).lower()
    words = ("strap", "exhaust", "stop temperature", "local law", "end the hold", "kill switch")
    for word in words:
        assert word in text
