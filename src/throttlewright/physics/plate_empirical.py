"""An empirical law of plate flow in two factors, to compare the geometric law with."""

from __future__ import annotations

import math

from throttlewright.foundation.compiled import kernel

__all__ = ["plate_beta_angle", "plate_beta_pressure"]


@kernel
def plate_beta_angle(alpha: float) -> float:
    """Return the share of full flow that a published fit gives a plate at an angle.

    ``beta1 = 1 - 1.4073 cos(alpha) + 0.4087 cos(alpha)**2``

    Parameters
    ----------
    alpha : float [rad]
        Plate angle from the plane normal to the bore, 0 to pi/2.

    Returns
    -------
    float [-]
        Share of the flow at 90 degrees.

    Notes
    -----
    Hendricks and Sorenson, SAE 900616 (1990), from memory; holds for their engine only.
    """
    c = math.cos(alpha)
    return 1.0 - 1.4073 * c + 0.4087 * c * c


@kernel
def plate_beta_pressure(pressure_ratio: float) -> float:
    """Return the share of choked flow that a published fit gives a plate at a pressure ratio.

    ``beta2 = sqrt(PR**0.4404 - PR**2.3143) / 0.7404`` from 0.4125 up, else 1.

    Parameters
    ----------
    pressure_ratio : float [-]
        Manifold pressure over pressure before the plate; at 1 and above the result is 0.

    Returns
    -------
    float [-]
        Share of the choked flow.

    Notes
    -----
    Hendricks and Sorenson, SAE 900616 (1990), from memory; the two branches meet within 1e-4.
    """
    if pressure_ratio >= 1.0:
        return 0.0
    if pressure_ratio < 0.4125:
        return 1.0
    return math.sqrt(math.pow(pressure_ratio, 0.4404) - math.pow(pressure_ratio, 2.3143)) / 0.7404
