"""Breakpoints: exact against every possible choice, and better than equal spacing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.design.breakpoints import best_breakpoints, interpolation_error


def random_rows(seed: int, n: int, m: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.2, 2.0, m))
    return x, np.cumsum(rng.normal(0.0, 1.0, (n, m)), axis=1), rng.uniform(0.1, 3.0, (n, m))


@settings(deadline=None, derandomize=True, max_examples=50)
@given(seed=st.integers(0, 10_000), m=st.integers(4, 9), n=st.integers(1, 3), data=st.data())
def test_no_other_choice_is_better(seed: int, m: int, n: int, data: st.DataObject) -> None:
    count = data.draw(st.integers(2, m - 1))
    x, rows, weight = random_rows(seed, n, m)
    axis = best_breakpoints(x, rows, weight=weight, count=count)
    assert axis.size == count
    assert (axis[0], axis[-1]) == (x[0], x[-1])
    assert (np.diff(axis) > 0.0).all()
    best = min(
        interpolation_error(x[[0, *inner, m - 1]], x, rows, weight=weight)
        for inner in itertools.combinations(range(1, m - 1), count - 2)
    )
    assert interpolation_error(axis, x, rows, weight=weight) == pytest.approx(best, rel=1e-12)


def test_equal_spacing_is_worse_on_a_bent_curve() -> None:
    x = np.linspace(0.0, 100.0, 51)
    rows = 100.0 * (x / 100.0)[None] ** np.array([[2.5], [4.0]])
    weight = np.ones_like(rows)
    axis = best_breakpoints(x, rows, weight=weight, count=11)
    even = interpolation_error(x[::5], x, rows, weight=weight)
    assert interpolation_error(axis, x, rows, weight=weight) < 0.7 * even


def test_straight_rows_cost_nothing() -> None:
    x = np.linspace(0.0, 10.0, 21)
    rows = np.array([3.0 * x - 1.0, -x])
    axis = best_breakpoints(x, rows, weight=np.ones_like(rows), count=2)
    assert axis.tolist() == [0.0, 10.0]
    assert interpolation_error(axis, x, rows, weight=np.ones_like(rows)) < 1e-12


def test_points_go_where_error_costs() -> None:
    x = np.linspace(0.0, 1.0, 41)
    rows = np.sin(8.0 * np.pi * x)[None]
    weight = np.where(x < 0.5, 10.0, 0.1)[None]
    axis = best_breakpoints(x, rows, weight=weight, count=13)
    assert (axis < 0.5).sum() > (axis > 0.5).sum() + 3


def test_error_of_a_known_chord() -> None:
    x = np.linspace(0.0, 1.0, 11)
    # x^2 against its chord from 0 to 1 is off by 0.25 in the middle
    got = interpolation_error(np.array([0.0, 1.0]), x, (x**2)[None], weight=np.full((1, 11), 4.0))
    assert got == pytest.approx(1.0, rel=1e-12)


def test_all_candidates_when_enough_points() -> None:
    x, rows, weight = random_rows(1, 2, 5)
    assert best_breakpoints(x, rows, weight=weight, count=9).tolist() == x.tolist()
