"""Slip that traction control seeks: somewhat under the peak of the tyre, more at walking pace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.physics.tyre import peak_slip, shape_peak_slip, tyre_share

__all__ = ["FORCE_SHARE", "SlipTarget", "share_of_peak", "slip_for_share", "slip_target"]

FORCE_SHARE = 0.95
"""Share of the tyre's greatest force that is sought [-]. The peak is flat: the last 5 % of force
cost half the peak's slip again, and the side force with it. On the published road tyre a slip of
0.10 gives 96 % of the peak at 0.147 (table A3.1, computed); the share is a tool default."""
PACE = 6.0
"""Road speed below which the wheels may slide by a fixed speed instead of a share [m/s]: the
definition of slip divides by little there, and the car needs time rather than grip. Tool
default."""
LEAST_SPEED = 2.0
"""The strategy divides by no less than this [m/s], its number ``slip_least_m_s``."""
_SPEEDS = (0.0, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 80.0)
_HALVINGS = 50


@dataclass(frozen=True)
class SlipTarget:
    """Slip that is sought.

    ``slip`` [-] at speed, ``peak`` [-] the slip of the tyre's greatest force on its own grip,
    ``share`` [-] the share of that force at ``slip``, ``slide`` [m/s] how much faster than the road
    the wheels may turn at walking pace, ``source`` in words.
    """

    slip: float
    peak: float
    share: float
    slide: float
    source: str

    def at(self, speed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Slip sought over road speed.

        Parameters
        ----------
        speed : ndarray [m/s]
            Speed of the wheels that are not driven, not below 0.

        Returns
        -------
        ndarray [-]
            As the strategy defines slip: sliding speed over max(speed, 2 m/s).
        """
        v = np.asarray(speed, dtype=np.float64)
        return np.maximum(self.slip, self.slide / np.maximum(v, LEAST_SPEED))

    @property
    def points(self) -> NDArray[np.float64]:
        """Speeds at which the target is tabled [m/s]."""
        return np.array(_SPEEDS)


def slip_for_share(force: Callable[[float, float], float], load: float, share: float) -> float:
    """Slip below the peak at which a tyre gives a share of its greatest force.

    Parameters
    ----------
    force : callable [N]
        Force over slip [-] and load [N], rising up to one peak.
    load : float [N]
        Load on the tyre, above 0.
    share : float [-]
        Share of the peak force, above 0 and below 1.

    Returns
    -------
    float [-]
        Slip.

    Notes
    -----
    Bisection between 0 and the peak slip of ``physics.tyre.peak_slip``.
    """
    high, top = peak_slip(force, load)
    low = 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if force(middle, load) < share * top:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def share_of_peak(car: Car, slip: float, *, grip: float = 1.0) -> float:
    """Share of the greatest force that the car's tyres give at a slip.

    Parameters
    ----------
    car : Car
        The car.
    slip : float [-]
        Slip, not below 0.
    grip : float [-]
        Factor on the grip of the build, above 0.

    Returns
    -------
    float [-]
        Share; below 1 on both sides of the peak.
    """
    rec = car.record
    most = float(rec["grip"]) * grip
    return float(tyre_share(slip, grip=most, stiffness=float(rec["tyre_stiffness"]))) / most


def slip_target(car: Car, intent: Intent) -> SlipTarget:
    """Slip that traction control seeks on a car.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Its ``traction.slip`` wins; "auto" or none takes it from the tyre.

    Returns
    -------
    SlipTarget
        The target and where it stands on the tyre's curve.

    Notes
    -----
    Curve of the car's own tyre: shape of table A3.1 (Pacejka, Tire and Vehicle Dynamics), grip and
    slip stiffness of the build.
    """
    rec = car.record
    grip, stiffness = float(rec["grip"]), float(rec["tyre_stiffness"])
    peak = float(shape_peak_slip(grip, stiffness))
    wanted = "auto" if intent.traction is None else intent.traction.slip
    if wanted == "auto":
        slip = slip_for_share(
            lambda s, _: float(tyre_share(s, grip=grip, stiffness=stiffness)), 1.0, FORCE_SHARE
        )
        source = f"{100 * FORCE_SHARE:.0f} % of the peak force of the car's tyre curve"
    else:
        slip, source = float(wanted), "intent, traction"
    slip = round(slip, 4)
    return SlipTarget(slip, peak, share_of_peak(car, slip), round(PACE * slip, 4), source)
