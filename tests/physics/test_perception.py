from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.physics import perception

quick = settings(deadline=None, derandomize=True, max_examples=50)
rows = st.lists(st.floats(-10.0, 10.0), min_size=1, max_size=30)


def test_dose_of_a_sine() -> None:
    # Analytic: VDV = A (3 T / 8)^(1/4) over whole periods; A 1 m/s2, T 2 s gives .9306.
    n = 4000
    time = np.arange(n) * (2.0 / n)
    dose = perception.vdv(np.sin(2.0 * np.pi * 3.0 * time), 2.0 / n)
    assert dose == pytest.approx((3.0 * 2.0 / 8.0) ** 0.25, rel=1e-12)
    assert dose == pytest.approx(0.9306, rel=1e-4)


@quick
@given(rows, st.floats(0.1, 5.0))
def test_dose_scales_with_amplitude(values: list[float], factor: float) -> None:
    row = np.array(values)
    assert perception.vdv(factor * row, 0.01) == pytest.approx(
        factor * perception.vdv(row, 0.01), rel=1e-12, abs=1e-300
    )


def test_difference_that_is_just_noticed() -> None:
    # 5.4 %: mean just noticeable difference on a moving-base simulator, arXiv 2606.28055.
    assert perception.noticeable_steps([4.0, 4.0 * (1.0 - 0.053)]) == 0
    assert perception.noticeable_steps([4.0, 4.0 * (1.0 - 0.055)]) == 1
    assert perception.noticeable_steps([-4.0, -4.0 * (1.0 - 0.055)]) == 1


def test_small_steps_near_rest_are_not_felt() -> None:
    # 0.05 m/s2: absolute threshold, from memory.
    assert perception.noticeable_steps([0.0, 0.049, 0.0]) == 0
    assert perception.noticeable_steps([0.0, 0.051, 0.0]) == 2


def test_thresholds_can_be_given() -> None:
    ramp = np.linspace(1.0, 2.0, 11)
    assert perception.noticeable_steps(ramp, jnd=0.0, smallest=0.099) == 10
    assert perception.noticeable_steps(ramp, jnd=0.0, smallest=0.101) == 0


@quick
@given(rows)
def test_count_does_not_depend_on_direction(values: list[float]) -> None:
    count = perception.noticeable_steps(values)
    assert count == perception.noticeable_steps(values[::-1])
    assert count == perception.noticeable_steps([-value for value in values])
    assert 0 <= count <= len(values) - 1
