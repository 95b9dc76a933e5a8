"""Pedal map from a surface against inverting the surface one table cell at a time.

The peer finds, for each cell of the map, the plate angle at which the interpolated surface gives
the wished torque, with ``scipy.optimize.brentq``.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.optimize import brentq

from throttlewright.build.catalogue import load_example_intent
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface
from throttlewright.design.pedal import design_pedal_map
from throttlewright.workshop.modes import map_speeds

CASES = [
    ("without a car: plate map alone", False, BoostState.INSTANT),
    ("even at first, boost target beside", True, BoostState.INSTANT),
    ("plate and boost as a pair", True, BoostState.SETTLED),
]


def peer_plate(surface, wish) -> np.ndarray:
    """Plate percent at which each speed and pedal gives the wished torque."""
    out = np.empty(wish.torque.shape)
    first, last = float(surface.psi[0]), float(surface.psi[-1])
    for i, w in enumerate(wish.omega):
        speed = np.array([w])
        row = np.maximum.accumulate(surface.torque_at(speed, np.array(surface.psi)[None, :])[0])
        for j, torque in enumerate(wish.torque[i]):
            if torque <= row[0]:
                psi = first
            elif torque >= row[-1]:
                psi = last
            else:
                psi = brentq(
                    lambda x, t=torque, r=row: float(np.interp(x, surface.psi, r)) - t,
                    first,
                    last,
                    xtol=1e-12,
                )
            out[i, j] = 100.0 * (psi - first) / (last - first)
    return out


@pytest.mark.benchmark(group="pedal map")
@pytest.mark.parametrize(("name", "with_car", "state"), CASES, ids=lambda v: str(v))
def test_map_17_by_17(benchmark, turbo_car, name, with_car, state) -> None:
    surface = compute_surface(turbo_car, state=state).require_solved()
    mode = load_example_intent("hillclimb_20t").intent.mode["dry"]
    pedal, omega = np.linspace(0.0, 100.0, 17), map_speeds(turbo_car, 17)
    car = turbo_car if with_car else None

    def made():
        return design_pedal_map(surface, mode, pedal_pct=pedal, omega=omega, car=car)

    made()
    found = benchmark(made)
    median = benchmark.stats.stats.median
    benchmark.extra_info["median ms"] = round(1e3 * median, 2)
    if not with_car:
        start = time.perf_counter()
        peer = peer_plate(surface, found.asked)
        spent = time.perf_counter() - start
        # the last part of travel opens to the stop by rule, not by torque
        kept = slice(1, int(np.sum(pedal <= 100.0 * mode.opens_to_stop_from)))
        assert peer[:, kept] == pytest.approx(found.plate_pct[:, kept], abs=2e-3)
        benchmark.extra_info["peer ms"] = round(1e3 * spent, 2)
        benchmark.extra_info["times faster than the peer"] = round(spent / median, 1)
    print(name, dict(benchmark.extra_info))
