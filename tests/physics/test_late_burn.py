"""Late ignition: the closed cycle against its own balance and against the law of small retards."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.physics.combustion import IGNITION_CURVATURE, ignition_efficiency
from throttlewright.physics.late_burn import (
    LATEST_PREDICTED,
    USUAL_IGNITION,
    closed_cycle,
    late_burn,
)

CYLINDER = (0.086, 0.086, 9.5)
POINTS = [(p, n * math.pi / 30.0) for p in (40e3, 100e3, 200e3) for n in (2000.0, 4000.0, 7000.0)]


def burn(ignition: float, p: float, omega: float) -> np.ndarray:
    out = np.empty(6)
    closed_cycle(ignition, p, omega, *CYLINDER, out)
    return out


@pytest.mark.parametrize(("p", "omega"), POINTS)
@pytest.mark.parametrize("ignition_deg", [-32.0, 0.0, 40.0])
def test_heat_is_work_and_walls_and_internal_energy(
    p: float, omega: float, ignition_deg: float
) -> None:
    work, released, wall, rise, unburnt, _ = burn(math.radians(ignition_deg), p, omega)
    assert work + wall + rise == pytest.approx(released, rel=2e-4)
    assert unburnt >= 0.0


def test_best_ignition_is_the_best_of_the_cycle() -> None:
    work = [burn(math.radians(at), 100e3, 400.0)[0] for at in range(-45, -15)]
    assert abs(math.radians(-45 + int(np.argmax(work))) - USUAL_IGNITION) <= math.radians(2.0)


@pytest.mark.parametrize("retard_deg", [5.0, 10.0, 15.0, 20.0])
def test_small_retards_follow_the_quadratic_law_within_three_hundredths(retard_deg: float) -> None:
    share, _ = late_burn(math.radians(retard_deg), 100e3, 400.0, *CYLINDER)
    law = ignition_efficiency(math.radians(retard_deg), IGNITION_CURVATURE)
    assert share == pytest.approx(law, abs=0.03)


@pytest.mark.parametrize(("p", "omega"), POINTS)
def test_later_is_weaker_and_hotter_up_to_the_end(p: float, omega: float) -> None:
    steps = np.linspace(0.0, LATEST_PREDICTED - USUAL_IGNITION, 15)
    share, heat = np.array([late_burn(r, p, omega, *CYLINDER) for r in steps]).T
    assert np.all(np.diff(share) < 0.0)
    assert np.all(np.diff(heat) > 0.0)
    assert share[-1] > 0.05
    reference = late_burn(math.radians(50.0), 100e3, 400.0, *CYLINDER)[0]
    assert late_burn(math.radians(50.0), p, omega, *CYLINDER)[0] == pytest.approx(
        reference, abs=0.03
    )
