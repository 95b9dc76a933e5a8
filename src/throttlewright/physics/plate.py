"""Open area of a round plate on a shaft in a bore, and the effective area for the flow law."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.compiled import kernel

__all__ = [
    "HOLE_DISCHARGE_COEFFICIENT",
    "discharge_coefficient",
    "effective_area",
    "plate_angle_for_area",
    "plate_area",
    "plate_area_simple",
    "plate_area_slope",
    "ring_gap_area",
    "saturation_angle",
    "series_area",
]

HOLE_DISCHARGE_COEFFICIENT = 0.62
"""Discharge coefficient of a hole drilled in a thin plate [-]; 0.60 to 0.65, from memory."""


@kernel
def saturation_angle(bore: float, shaft: float, psi_closed: float) -> float:
    """Return the plate angle at which the plate hides behind its shaft: more opens nothing.

    ``psi_max = acos(shaft / bore * cos(psi_closed))``

    Parameters
    ----------
    bore : float [m]
        Bore diameter, above 0.
    shaft : float [m]
        Shaft diameter, 0 to below the bore.
    psi_closed : float [rad]
        Plate angle when tightly closed, from the plane normal to the bore, 0 to below pi/2.

    Returns
    -------
    float [rad]
        Plate angle from the plane normal to the bore.

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals (1988), chapter 7 (from memory).
    """
    return math.acos(shaft / bore * math.cos(psi_closed))


@kernel
def plate_area(psi: float, bore: float, shaft: float, psi_closed: float) -> float:
    """Return the geometric open area past the plate, with the shaft.

    ``A / (pi D**2 / 4) = 1 - c + 2/pi * (a sqrt(1 - (a/c)**2) + c asin(a/c) - a sqrt(1 - a**2)
    - asin(a))`` with ``a = shaft / bore`` and ``c = cos(psi) / cos(psi_closed)``; 0 below the
    closed angle, constant above the saturation angle.

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    bore : float [m]
        Bore diameter, above 0.
    shaft : float [m]
        Shaft diameter (shaft plus plate seen end-on for a half-cut shaft), 0 to below the bore.
    psi_closed : float [rad]
        Plate angle when tightly closed, 0 to below pi/2.

    Returns
    -------
    float [m^2]
        Open area, without any leak.

    Notes
    -----
    Heywood, Internal Combustion Engine Fundamentals (1988), eq. 7.18 (from memory), with the signs
    of a derivation as circle minus ellipse, both outside the shaft strip. Versions with the two
    asin signs exchanged circulate: they too vanish at the closed angle but miss the limit
    ``pi D**2 / 4 - shaft * D`` at full opening. Thin plate cut as an ellipse.
    """
    if psi <= psi_closed:
        return 0.0
    bore_area = 0.25 * math.pi * bore * bore
    a = shaft / bore
    strip = a * math.sqrt(1.0 - a * a) + math.asin(a)
    c = math.cos(psi) / math.cos(psi_closed)
    if c <= a:
        return bore_area * (1.0 - 2.0 / math.pi * strip)
    k = a / c
    shadow = a * math.sqrt(1.0 - k * k) + c * math.asin(k)
    # At the closed angle rounding may leave a few 1e-17 either side of zero.
    return max(0.0, bore_area * (1.0 - c + 2.0 / math.pi * (shadow - strip)))


@kernel
def plate_area_simple(psi: float, bore: float, psi_closed: float) -> float:
    """Return the geometric open area past a plate without a shaft.

    ``A = pi D**2 / 4 * (1 - cos(psi) / cos(psi_closed))``

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore; clamped to psi_closed..pi/2.
    bore : float [m]
        Bore diameter, above 0.
    psi_closed : float [rad]
        Plate angle when tightly closed, 0 to below pi/2.

    Returns
    -------
    float [m^2]
        Open area, without any leak.

    Notes
    -----
    Guzzella and Onder, Introduction to Modeling and Control of Internal Combustion Engine Systems
    (2010). Within 1 % of ``plate_area`` up to about 65 degrees, a quarter too large at 90.
    """
    if psi <= psi_closed:
        return 0.0
    bore_area = 0.25 * math.pi * bore * bore
    if psi >= 0.5 * math.pi:
        return bore_area
    return bore_area * (1.0 - math.cos(psi) / math.cos(psi_closed))


@kernel
def plate_area_slope(psi: float, bore: float, shaft: float, psi_closed: float) -> float:
    """Return how fast the open area grows with the plate angle.

    ``dA/dpsi = pi D**2 / 4 * (1 - 2/pi * (asin(k) - k sqrt(1 - k**2))) * sin(psi) /
    cos(psi_closed)`` with ``k = shaft / bore * cos(psi_closed) / cos(psi)``.

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    bore : float [m]
        Bore diameter, above 0.
    shaft : float [m]
        Shaft diameter, 0 to below the bore.
    psi_closed : float [rad]
        Plate angle when tightly closed, 0 to below pi/2.

    Returns
    -------
    float [m^2/rad]
        Slope; 0 below the closed angle and from the saturation angle up, opening side at the
        closed angle itself.

    Notes
    -----
    Derived from ``plate_area``; it falls to 0 at the saturation angle, so the area has no kink.
    """
    if psi < psi_closed:
        return 0.0
    a = shaft / bore
    c = math.cos(psi) / math.cos(psi_closed)
    if c <= a:
        return 0.0
    k = a / c
    free = 1.0 - 2.0 / math.pi * (math.asin(k) - k * math.sqrt(1.0 - k * k))
    return 0.25 * math.pi * bore * bore * free * math.sin(psi) / math.cos(psi_closed)


@kernel
def plate_angle_for_area(area: float, bore: float, shaft: float, psi_closed: float) -> float:
    """Return the plate angle that opens a wanted area: the inverse of ``plate_area``.

    Newton steps kept inside a shrinking bracket.

    Parameters
    ----------
    area : float [m^2]
        Wanted geometric open area; at 0 and below the result is the closed angle, at the largest
        area and above it is the saturation angle.
    bore : float [m]
        Bore diameter, above 0.
    shaft : float [m]
        Shaft diameter, 0 to below the bore.
    psi_closed : float [rad]
        Plate angle when tightly closed, 0 to below pi/2.

    Returns
    -------
    float [rad]
        Plate angle from the plane normal to the bore.

    Notes
    -----
    Resolved to 1e-12 rad where the area is; just under the saturation angle the area itself is
    flat, so there only the area is returned exactly.
    """
    if area <= 0.0:
        return psi_closed
    low = psi_closed
    high = saturation_angle(bore, shaft, psi_closed)
    if area >= plate_area(high, bore, shaft, psi_closed):
        return high
    psi = 0.5 * (low + high)
    for _ in range(200):
        excess = plate_area(psi, bore, shaft, psi_closed) - area
        if excess > 0.0:
            high = psi
        else:
            low = psi
        slope = plate_area_slope(psi, bore, shaft, psi_closed)
        step = -excess / slope if slope > 0.0 else math.inf
        following = psi + step
        if not low < following < high:
            following = 0.5 * (low + high)
        if abs(following - psi) < 1e-15 or high - low < 1e-15:
            return following
        psi = following
    return psi


@kernel
def ring_gap_area(bore: float, gap: float) -> float:
    """Return the area of an even gap all round a closed plate.

    ``A = pi * bore * gap``

    Parameters
    ----------
    bore : float [m]
        Bore diameter, above 0.
    gap : float [m]
        Radial gap, 0 or more, much less than the bore.

    Returns
    -------
    float [m^2]
        Geometric area of the gap.

    Notes
    -----
    First order in the gap. Deposits change it over life: identify it on the car.
    """
    return math.pi * bore * gap


@kernel
def series_area(discharge_area: float, bore_area: float, loss_coefficient: float) -> float:
    """Return the effective area of the plate in series with the loss of its open bore.

    ``A_eff = (1 / A**2 + K / A_bore**2) ** -0.5``: pressure drops of an orifice,
    ``m**2 / (2 rho A**2)``, and of a bore loss, ``K * rho * v**2 / 2`` at the bore speed, add up.
    A small opening is left unchanged; near wide open the bore loss bounds the flow, where the
    plain orifice law would let it grow without sense.

    Parameters
    ----------
    discharge_area : float [m^2]
        Discharge coefficient times open area, 0 or more.
    bore_area : float [m^2]
        Area of the bore, above 0.
    loss_coefficient : float [-]
        Loss coefficient K of the wide open body, 0 or more (0.2 to 0.4, from memory).

    Returns
    -------
    float [m^2]
        Effective area, never above ``discharge_area``.

    Notes
    -----
    Incompressible addition of losses, exact only for small pressure drops; that is where it
    matters. Range of K: Idelchik, Handbook of Hydraulic Resistance, from memory.
    """
    share = discharge_area / bore_area
    return discharge_area / math.sqrt(1.0 + loss_coefficient * share * share)


@kernel
def discharge_coefficient(
    psi: float, cd_table: NDArray[np.float64], psi_first: float, psi_step: float
) -> float:
    """Return the discharge coefficient of the plate at an angle.

    Linear between points on an even grid, held constant beyond both ends.

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    cd_table : ndarray of float [-]
        Discharge coefficients, shape (n,), n at least 1, each above 0.
    psi_first : float [rad]
        Plate angle of the first point.
    psi_step : float [rad]
        Distance between points, above 0.

    Returns
    -------
    float [-]
        Discharge coefficient.

    Notes
    -----
    There is no universal curve; the table is measured or assumed in the build.
    """
    last = cd_table.shape[0] - 1
    place = (psi - psi_first) / psi_step
    if place <= 0.0:
        return float(cd_table[0])
    if place >= last:
        return float(cd_table[last])
    index = int(place)
    share = place - index
    return float(cd_table[index] + share * (cd_table[index + 1] - cd_table[index]))


@kernel
def effective_area(
    psi: float,
    bore: float,
    shaft: float,
    psi_closed: float,
    cd_table: NDArray[np.float64],
    psi_first: float,
    psi_step: float,
    leak_area: float,
    loss_coefficient: float,
) -> float:
    """Return the effective area of one plate with everything that leaks past it.

    ``A_eff = series_area(Cd(psi) * A(psi), pi D**2 / 4, K) + leak_area``

    Parameters
    ----------
    psi : float [rad]
        Plate angle from the plane normal to the bore.
    bore : float [m]
        Bore diameter, above 0.
    shaft : float [m]
        Shaft diameter, 0 to below the bore.
    psi_closed : float [rad]
        Plate angle when tightly closed, 0 to below pi/2.
    cd_table : ndarray of float [-]
        Discharge coefficients on an even grid of plate angle, shape (n,).
    psi_first : float [rad]
        Plate angle of the first point of the table.
    psi_step : float [rad]
        Distance between points of the table, above 0.
    leak_area : float [m^2]
        Effective area (discharge coefficient included) of gap, holes and bypasses, 0 or more.
    loss_coefficient : float [-]
        Loss coefficient of the wide open body, 0 or more.

    Returns
    -------
    float [m^2]
        Effective area for ``nozzle_flow``.

    Notes
    -----
    Paths between the same two pressures add their effective areas.
    """
    cd = discharge_coefficient(psi, cd_table, psi_first, psi_step)
    open_area = cd * plate_area(psi, bore, shaft, psi_closed)
    bore_area = 0.25 * math.pi * bore * bore
    return series_area(open_area, bore_area, loss_coefficient) + leak_area
