"""Torque surface against the same equations solved point by point with a library root finder.

The peer is what one writes without this package's solver: plain Python functions of the same
equations, the lowest sign change found by the same 20-step scan, then ``scipy.optimize.brentq``.
It runs on a 4 x 6 subset of the grid and is scaled by the number of points.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from plain import plain
from scipy.optimize import brentq

from throttlewright.car import operating
from throttlewright.car.flows import over_speed, plate_area_of
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface, default_speeds, plate_axis

PEER = (4, 6)
LOW, SCAN = 500.0, 20


class Fields:
    """Record fields as attributes of plain numbers, so that the peer is not slowed by NumPy."""

    def __init__(self, record: np.void) -> None:
        for name in record.dtype.names or ():
            value = record[name]
            setattr(self, name, value if getattr(value, "ndim", 0) else float(value))


def peer_torque(car, omega: np.ndarray, psi: np.ndarray, *, unpacked: bool) -> np.ndarray:
    """Settled torque of a boosted car, one point after the other.

    ``unpacked`` gives the peer plain numbers; otherwise it reads the packed record field by field.
    """
    imbalance, torque_of = plain(operating._imbalance), plain(operating.point_torque)
    area_of, curve = plain(plate_area_of), plain(over_speed)
    fields = Fields(car.record)
    if not unpacked:
        fields = np.array(car.record).reshape(1).view(np.recarray)[0]
    settled = float(BoostState.SETTLED)
    out = np.empty((omega.size, psi.size))
    for i, w in enumerate(omega.tolist()):
        boost = float(car.full_boost(np.array([w]))[0])
        full = float(curve(fields.boost, w, fields.omega_step))
        top = 1.0005 * max(fields.p_ambient, full, fields.spring_pressure, boost)
        for j, angle in enumerate(psi.tolist()):
            area = float(area_of(angle, fields))

            def surplus(p: float, area=area, w=w, boost=boost) -> float:
                return float(imbalance(p, area, w, settled, boost, fields)[0])

            last = LOW
            for k in range(1, SCAN + 1):
                here = LOW + (top - LOW) * k / SCAN
                if surplus(here) <= 0.0:
                    break
                last = here
            p = brentq(surplus, last, here, xtol=1e-3)
            _, pipe, _, flow, p_exhaust = imbalance(p, area, w, settled, boost, fields)
            out[i, j] = torque_of(flow, p, p_exhaust, pipe, w, 1.0, fields)[0]
    return out


@pytest.mark.benchmark(group="surface")
def test_settled_surface_40_by_60(benchmark, turbo_car) -> None:
    omega, psi = default_speeds(turbo_car, count=40), plate_axis(turbo_car, count=60)
    compute_surface(turbo_car, speeds=omega, psi=psi)
    found = benchmark(compute_surface, turbo_car, speeds=omega, psi=psi)
    rows = np.linspace(0, omega.size - 1, PEER[0]).astype(int)
    columns = np.linspace(0, psi.size - 1, PEER[1]).astype(int)
    median = benchmark.stats.stats.median
    benchmark.extra_info["median ms"] = round(1e3 * median, 2)
    for unpacked, name in ((True, "on plain numbers"), (False, "on the packed record")):
        start = time.perf_counter()
        peer = peer_torque(turbo_car, omega[rows], psi[columns], unpacked=unpacked)
        spent = time.perf_counter() - start
        # both roots stand within 1e-3 Pa
        assert peer == pytest.approx(found.torque[np.ix_(rows, columns)], rel=1e-6, abs=1e-4)
        scaled = spent * (omega.size * psi.size) / peer.size
        benchmark.extra_info[f"peer {name}, s, scaled from 4 x 6 points"] = round(scaled, 2)
        benchmark.extra_info[f"times faster than the peer {name}"] = round(scaled / median, 1)
    print(dict(benchmark.extra_info))


@pytest.mark.benchmark(group="surface")
def test_preview_12_by_30(benchmark, turbo_car) -> None:
    omega, psi = default_speeds(turbo_car, count=12), plate_axis(turbo_car, count=30)
    compute_surface(turbo_car, speeds=omega, psi=psi)
    benchmark(compute_surface, turbo_car, speeds=omega, psi=psi)
    benchmark.extra_info["median ms"] = round(1e3 * benchmark.stats.stats.median, 2)
    print(dict(benchmark.extra_info))
