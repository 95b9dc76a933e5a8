"""Filling of an engine with one plate for each cylinder, from the table packed for its car."""

from __future__ import annotations

import math

from throttlewright.car.record import RUNNER_AREAS, RUNNER_SPEEDS, CarRecord
from throttlewright.foundation.compiled import kernel

__all__ = ["runner_filling"]


@kernel
def runner_filling(omega: float, area: float, car: CarRecord) -> tuple[float, float]:
    """Share of the wide-open charge and mean runner pressure at a plate area.

    Parameters
    ----------
    omega : float [rad/s]
        Engine speed.
    area : float [m2]
        Effective plate area for one cylinder, from 0.
    car : record [-]
        Packed car with individual plates.

    Returns
    -------
    tuple of float [-, -]
        Share of the charge that the wide-open plate gives, and mean runner pressure over the
        pressure before the plate.
    """
    u = omega / car.runner_omega_step
    i = min(max(int(u), 0), RUNNER_SPEEDS - 2)
    a = min(max(u - i, 0.0), 1.0)
    v = (math.log(max(area, 1e-12)) - car.runner_log_first) / car.runner_log_step
    j = min(max(math.floor(v), 0), RUNNER_AREAS - 2)
    b = min(max(v - j, 0.0), 1.0)
    share = (1.0 - a) * (
        (1.0 - b) * car.runner_share[i, j] + b * car.runner_share[i, j + 1]
    ) + a * ((1.0 - b) * car.runner_share[i + 1, j] + b * car.runner_share[i + 1, j + 1])
    pressure = (1.0 - a) * (
        (1.0 - b) * car.runner_pressure[i, j] + b * car.runner_pressure[i, j + 1]
    ) + a * ((1.0 - b) * car.runner_pressure[i + 1, j] + b * car.runner_pressure[i + 1, j + 1])
    # below the first tabled area the plate is choked at any moment: flow is proportional to area
    if v < 0.0:
        share *= math.exp(v * car.runner_log_step)
    return share, pressure
