"""Made-up recordings with answers known beforehand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from throttlewright.prove.run import CarFacts, Run
from throttlewright.recording.recording import Channel, Recording

CAR = CarFacts(
    gross_mass_kg=1600.0,
    ambient_degC=20.0,
    ambient_kPa=100.0,
    boosted=True,
    idle_rpm=900.0,
    idle_plate_pct=3.0,
    rest_plate_pct=7.0,
    limp_rpm=2500.0,
    boost_limit_kPa=200.0,
)


def clock(seconds: float) -> np.ndarray:
    return 1e-3 * np.arange(round(seconds / 1e-3) + 1)


def record(t: np.ndarray, **channels: Any) -> Recording:
    return Recording.of(
        Channel(name, "", t, np.broadcast_to(np.asarray(x, dtype=float), t.shape))
        for name, x in channels.items()
    )


def make(scenario: str, t: np.ndarray, *, car: CarFacts = CAR, **rest: Any) -> Run:
    own = {key: rest.pop(key) for key in ("healthy", "fault", "fault_at_s") if key in rest}
    return Run(record(t, **rest), scenario, car, **own)


def falling_plate(t: np.ndarray, *, at: float, tau: float) -> np.ndarray:
    return np.where(t < at, 80.0, 3.0 + 77.0 * np.exp(-np.maximum(t - at, 0.0) / tau))


def rise(t: np.ndarray, *, tau: float, swing: float = 0.0, dead: float = 0.0) -> np.ndarray:
    late = np.maximum(t - 1.0 - dead, 0.0)
    wave = 1.0 + swing * np.sin(2.0 * math.pi * 4.0 * late) * np.exp(-late)
    return 3.0 * (1.0 - np.exp(-late / tau)) * wave
