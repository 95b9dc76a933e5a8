"""What the compressor says to the operating points: surge, choke, and the size of a blower."""

from __future__ import annotations

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.car.surface import TorqueSurface
from throttlewright.physics.compressor_map import CompressorMap
from throttlewright.physics.gas import restriction_drop
from throttlewright.physics.supercharger import positive_displacement_flow
from throttlewright.physics.turbo import corrected_flow

__all__ = ["blower_boost", "surge_margins"]

_BOOSTED = 1.03
"""Pressure ratio below which a compressor only windmills: it has no margin to speak of."""

_BLOWER_EFFICIENCY = 0.95
"""Volumetric efficiency of a blower without back pressure; from memory, unverified."""
_BLOWER_LEAKAGE = 0.12
"""Loss of it per unit of pressure ratio; from memory, 0.05 to 0.2, unverified."""


def blower_boost(car: Car, omega: float, flow: float, pipe: float) -> float | None:
    """Boost at which a blower of the build's size and the engine pass the same flow.

    PI = (eta_free + leak) / (leak + m p_in / (p_pipe m_ideal)): the blower loses ``leak`` of its
    efficiency per unit of pressure ratio, the engine takes flow in proportion to pressure

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above 0.
    flow : float [kg/s]
        Air that the engine takes wide open at the pressure ``pipe``, above 0.
    pipe : float [Pa]
        That pressure before the plate, absolute.

    Returns
    -------
    float or None [Pa]
        Gauge pressure behind the blower; None where the car has no blower. Good to about
        +-20 %: the leakage of the rotors is assumed.
    """
    blower = car.build.supercharger
    if blower is None:
        return None
    p, T = float(car.record["p_ambient"]), float(car.record["T_ambient"])
    resistance = float(car.record["filter_resistance"])
    inlet = p - restriction_drop(flow, p, T_up=T, resistance=resistance)
    ideal = positive_displacement_flow(
        blower.displacement,
        blower.drive_ratio,
        omega=omega,
        p_in=inlet,
        T_in=T,
        volumetric_efficiency=1.0,
    )
    wanted = flow * inlet / (pipe * ideal)
    ratio = (_BLOWER_EFFICIENCY + _BLOWER_LEAKAGE) / (_BLOWER_LEAKAGE + wanted)
    return float(ratio * inlet - p)


def surge_margins(
    car: Car, surface: TorqueSurface, compressor: CompressorMap
) -> tuple[np.ndarray, np.ndarray]:
    """Distance of every point of a surface from surge and from choke.

    surge: (flow - surge flow) / flow; choke: (choke flow - flow) / flow, both in corrected flow

    Parameters
    ----------
    car : Car
        The car.
    surface : TorqueSurface
        With air flow and pipe pressure.
    compressor : CompressorMap
        Speed lines with their reference state.

    Returns
    -------
    tuple of ndarray [-]
        Margins, shape (speeds, plates), negative beyond the line; NaN where the compressor does
        not work. A point above the map has a surge margin of minus infinity.

    Notes
    -----
    The whole charge passes the compressor: an open relief or recirculation valve would add flow
    and margin. The pressure behind the compressor is taken as that before the plate.
    """
    flow = surface.values["air_flow"]
    pipe = surface.values["pipe_pressure"]
    surge = np.full(flow.shape, np.nan)
    choke = np.full(flow.shape, np.nan)
    p, T = float(car.record["p_ambient"]), float(car.record["T_ambient"])
    resistance = float(car.record["filter_resistance"])
    for index in np.ndindex(flow.shape):
        m = float(flow[index])
        inlet = p - restriction_drop(m, p, T_up=T, resistance=resistance)
        ratio = float(pipe[index]) / inlet
        if not ratio > _BOOSTED:
            continue
        corrected = corrected_flow(m, inlet, T_in=T, p_ref=compressor.p_ref, T_ref=compressor.T_ref)
        surge[index] = compressor.surge_margin(corrected, ratio)
        choke[index] = (compressor.choke_flow - corrected) / corrected
    return surge, choke
