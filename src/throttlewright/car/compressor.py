"""Surge and choke margins of a torque surface's operating points, from a compressor map."""

from __future__ import annotations

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.car.surface import TorqueSurface
from throttlewright.physics.compressor_map import CompressorMap
from throttlewright.physics.gas import restriction_drop
from throttlewright.physics.turbo import corrected_flow

__all__ = ["surge_margins"]

_BOOSTED = 1.03
"""Pressure ratio below which a compressor only windmills: it has no margin to speak of."""


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
