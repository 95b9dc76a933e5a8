"""Compiled look-ups against SciPy, at corners, and against the tables' own look-up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from throttlewright.calibration.lookup import bilinear, linear
from throttlewright.calibration.table import Axis, Table

XS = np.array([500.0, 800.0, 2000.0, 7000.0])
YS = np.array([0.0, 10.0, 100.0])
VALUES = np.array([[0.0, 5.0, 90.0], [1.0, 6.0, 95.0], [2.0, 9.0, 97.0], [2.5, 20.0, 100.0]])
TABLE = Table("t", "plate", "", (Axis("rpm", "rpm", XS), Axis("y", "", YS)), VALUES)
LINE = Table("l", "plate", "", (Axis("rpm", "rpm", XS),), VALUES[:, 1])


@given(x=st.floats(0.0, 9000.0), y=st.floats(-20.0, 130.0))
@settings(deadline=None, derandomize=True, max_examples=50, database=None)
def test_agrees_with_scipy_and_the_table(x: float, y: float) -> None:
    at = (np.clip(x, XS[0], XS[-1]), np.clip(y, YS[0], YS[-1]))
    reference = float(RegularGridInterpolator((XS, YS), VALUES)([at])[0])
    assert bilinear(x, y, XS, YS, VALUES) == pytest.approx(reference, rel=1e-12, abs=1e-12)
    assert float(TABLE.lookup(x, y)) == pytest.approx(reference, rel=1e-12, abs=1e-12)
    along = float(np.interp(x, XS, VALUES[:, 1]))
    assert linear(x, XS, LINE.values) == pytest.approx(along, rel=1e-12)
    assert float(LINE.lookup(x)) == pytest.approx(along, rel=1e-12)


def test_points_are_met_exactly() -> None:
    for i, x in enumerate(XS):
        assert linear(x, XS, VALUES[:, 2].copy()) == VALUES[i, 2]
        for j, y in enumerate(YS):
            assert bilinear(x, y, XS, YS, VALUES) == VALUES[i, j]
    assert np.array_equal(TABLE.lookup(XS[:, None], YS), VALUES)


def test_by_hand() -> None:
    # Middle of the cell 500..800 rpm, 0..10: mean of 0, 5, 1 and 6.
    assert bilinear(650.0, 5.0, XS, YS, VALUES) == pytest.approx(3.0, rel=1e-15)


def test_held_beyond_the_ends_and_nan_stays() -> None:
    assert bilinear(-np.inf, np.inf, XS, YS, VALUES) == 90.0
    assert linear(np.inf, XS, LINE.values) == 20.0
    assert float(TABLE.lookup(np.inf, -np.inf)) == 2.5
    assert np.isnan(bilinear(np.nan, 5.0, XS, YS, VALUES))
    assert np.isnan(bilinear(600.0, np.nan, XS, YS, VALUES))
    assert np.isnan(linear(np.nan, XS, LINE.values))
    assert np.isnan(TABLE.lookup(np.nan, 5.0))


def test_axis_of_one_point() -> None:
    one = np.array([3.0])
    assert linear(np.inf, one, np.array([7.0])) == 7.0
    assert np.isnan(linear(np.nan, one, np.array([7.0])))
    assert bilinear(9.0, 5.0, one, YS, VALUES[:1]) == pytest.approx(2.5, rel=1e-15)
    assert bilinear(650.0, 9.0, XS, one, VALUES[:, :1].copy()) == pytest.approx(0.5, rel=1e-15)
    single = Table("s", "q", "", (Axis("a", "", one),), [7.0])
    assert list(single.lookup([-np.inf, 3.0, 8.0])) == [7.0, 7.0, 7.0]
    assert np.isnan(single.lookup(np.nan))
