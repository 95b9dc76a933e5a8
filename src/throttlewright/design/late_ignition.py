"""Late ignition at the start line and off the pedal: what is known of it, and where that ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.flows import engine_flow, pipe_state, plate_for_flow
from throttlewright.car.pack import Car
from throttlewright.car.record import LATE_STEP, BoostState
from throttlewright.car.torque import LATEST_IGNITION, combustion, lost_torque
from throttlewright.physics.combustion import IGNITION_CURVATURE, RETARD_LIMIT, ignition_efficiency
from throttlewright.physics.late_burn import (
    EXHAUST_BAND,
    LATEST_PREDICTED,
    TORQUE_BAND,
    USUAL_IGNITION,
)

__all__ = [
    "COLDEST",
    "NOT_KNOWN",
    "Band",
    "LateBurn",
    "LatePoint",
    "known_late",
    "late_point",
    "latest_known",
    "plate_of",
    "point_of_flow",
    "point_of_torque",
]

Floats = NDArray[np.float64]

NOT_KNOWN = "not predictable, measure"
"""What is said where a retard lies beyond what any model here knows."""
COLDEST = 60.0
"""Coolant under which neither launch nor anti-lag acts [degC]; common practice, no source."""
_QUADRATIC_BAND = 0.10
"""Two published sets of the quadratic differ by so much at 25 deg: 0.70 and 0.78 of the torque."""
_HALVINGS = 48
_LEAST_MAP = 8e3


@dataclass(frozen=True)
class Band:
    """A figure with the lowest and highest that it may be."""

    low: float
    value: float
    high: float


@dataclass(frozen=True)
class LateBurn:
    """What is known of one retard: share of the indicated torque left [-] and exhaust heat [K].

    ``share`` and ``exhaust`` are None where nothing is known; ``text`` says it in one sentence.
    """

    retard: float
    share: Band | None
    exhaust: Band | None
    text: str

    @property
    def known(self) -> bool:
        """Whether torque and exhaust can be predicted at all."""
        return self.share is not None


@dataclass(frozen=True)
class LatePoint:
    """Engine at one speed and manifold pressure with late ignition, SI."""

    p_manifold: float
    flow: float
    torque: float
    T_port: float


def latest_known() -> float:
    """Return the largest retard of which anything is predicted.

    Returns
    -------
    float [rad]
        Behind ignition for best torque: 40 deg after top dead centre or the end of the car's
        table, whichever comes first.
    """
    return min(float(LATEST_IGNITION), LATEST_PREDICTED - USUAL_IGNITION)


def known_late(car: Car, retard: float) -> LateBurn:
    """What is known of torque and exhaust heat at a retard.

    Parameters
    ----------
    car : Car
        The car.
    retard : float [rad]
        Behind ignition for best torque, from 0; with what knock takes anyway.

    Returns
    -------
    LateBurn
        With bands of 10 % to 25 deg, then of 30 % of torque and 100 K; nothing beyond
        ``latest_known``, where no curve goes on.

    Notes
    -----
    Quadratic to 25 deg, from there the one-zone closed cycle of ``physics.late_burn``.
    """
    degrees = math.degrees(retard)
    if retard > latest_known() + 1e-9:
        return LateBurn(
            retard,
            None,
            None,
            f"torque and exhaust heat {degrees:.0f} deg behind best ignition: {NOT_KNOWN}",
        )
    rec = car.record
    at = LATE_STEP * np.arange(len(rec["late_torque"]))
    share = float(ignition_efficiency(min(retard, RETARD_LIMIT), IGNITION_CURVATURE))
    band = _QUADRATIC_BAND
    if retard > RETARD_LIMIT:
        late = np.interp([retard, RETARD_LIMIT], at, rec["late_torque"])
        share *= float(late[0] / late[1])
        band = TORQUE_BAND
    heat = float(np.interp(retard, at, rec["late_heat"]))
    left = Band((1.0 - band) * share, share, min((1.0 + band) * share, 1.0))
    hotter = Band(max(heat - EXHAUST_BAND, 0.0), heat, heat + EXHAUST_BAND)
    text = (
        f"{degrees:.0f} deg behind best ignition leave {100 * left.value:.0f} % of the indicated "
        f"torque ({100 * left.low:.0f} to {100 * left.high:.0f} %) and heat the exhaust by "
        f"{hotter.value:.0f} K ({hotter.low:.0f} to {hotter.high:.0f} K)"
    )
    return LateBurn(retard, left, hotter, text)


def late_point(
    car: Car,
    p_manifold: float,
    *,
    pipe: float,
    omega: float,
    retard: float = 0.0,
    cut: float = 0.0,
) -> LatePoint:
    """Air, brake torque and port temperature at a manifold pressure.

    Parameters
    ----------
    car : Car
        The car, warm, one manifold behind its plates.
    p_manifold : float [Pa]
        Manifold pressure, absolute.
    pipe : float [Pa]
        Pressure before the plate, absolute.
    omega : float [rad/s]
        Engine speed.
    retard : float [rad]
        Behind ignition for best torque.
    cut : float [-]
        Share of the cylinders without fuel.

    Returns
    -------
    LatePoint
        Steady; the port temperature is that of the cylinders that fire.
    """
    rec = car.record
    _, T_pipe = _pipe(car, p_manifold, pipe=pipe, omega=omega)
    flow, p_exhaust = engine_flow(
        p_manifold,
        T_pipe + float(rec["charge_temperature_rise"]),
        pipe=pipe,
        omega=omega,
        car=rec,
    )
    torque, T_port = combustion(flow, p_manifold, omega=omega, retard_asked=retard, car=rec)
    lost = lost_torque(
        flow, p_manifold, p_exhaust=p_exhaust, pipe=pipe, omega=omega, cold=1.0, car=rec
    )
    return LatePoint(p_manifold, float(flow), float((1.0 - cut) * torque - lost), float(T_port))


def _pipe(car: Car, p_manifold: float, *, pipe: float, omega: float) -> tuple[float, float]:
    return pipe_state(
        0.0,
        p_manifold,
        omega=omega,
        boost_code=float(BoostState.HELD),
        boost_pressure=pipe,
        car=car.record,
    )


def point_of_torque(
    car: Car,
    torque: float,
    *,
    pipe: float,
    omega: float,
    retard: float = 0.0,
    cut: float = 0.0,
) -> LatePoint:
    """Point at which the engine gives a brake torque.

    Parameters
    ----------
    car : Car
        The car.
    torque : float [N m]
        Brake torque.
    pipe : float [Pa]
        Pressure before the plate.
    omega : float [rad/s]
        Engine speed.
    retard : float [rad]
        Behind ignition for best torque.
    cut : float [-]
        Share of the cylinders without fuel.

    Returns
    -------
    LatePoint
        The one with the open plate where even that gives less.
    """
    low, high = _LEAST_MAP, pipe

    def at(p_manifold: float) -> LatePoint:
        return late_point(car, p_manifold, pipe=pipe, omega=omega, retard=retard, cut=cut)

    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if at(middle).torque < torque else (low, middle)
    return at(0.5 * (low + high))


def point_of_flow(
    car: Car, flow: float, *, pipe: float, omega: float, retard: float = 0.0
) -> LatePoint:
    """Point at which the engine takes an air flow.

    Parameters
    ----------
    car : Car
        The car.
    flow : float [kg/s]
        Air.
    pipe : float [Pa]
        Pressure before the plate.
    omega : float [rad/s]
        Engine speed.
    retard : float [rad]
        Behind ignition for best torque.

    Returns
    -------
    LatePoint
        The one with the open plate where even that takes less.
    """
    low, high = _LEAST_MAP, pipe
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if late_point(car, middle, pipe=pipe, omega=omega, retard=retard).flow < flow:
            low = middle
        else:
            high = middle
    return late_point(car, 0.5 * (low + high), pipe=pipe, omega=omega, retard=retard)


def plate_of(car: Car, point: LatePoint, *, pipe: float, omega: float) -> float:
    """Plate that passes the air of a point.

    Parameters
    ----------
    car : Car
        The car.
    point : LatePoint
        Air and manifold pressure.
    pipe : float [Pa]
        Pressure before the plate.
    omega : float [rad/s]
        Engine speed.

    Returns
    -------
    float [%]
        Opening.
    """
    held = min(point.p_manifold, 0.999 * pipe)
    _, T_pipe = _pipe(car, held, pipe=pipe, omega=omega)
    psi = plate_for_flow(point.flow, pipe, p_manifold=held, T_pipe=T_pipe, car=car.record)
    return car.plate_pct(float(psi))
