"""What a driver feels: the smallest difference of acceleration, and the dose of a shock."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from throttlewright.foundation.compiled import kernel

__all__ = [
    "JND_ACCELERATION",
    "SMALLEST_ACCELERATION",
    "count_noticeable_steps",
    "noticeable_steps",
    "vdv",
]

JND_ACCELERATION = 0.054
"""Just noticeable difference of longitudinal acceleration, share of the acceleration [-].

Mean 5.4 % for launch and tip-in on a moving-base simulator, arXiv 2606.28055. The same study found
a bias of -1.9 % (the second stimulus feels stronger), which is not applied here.
"""

SMALLEST_ACCELERATION = 0.05
"""Step of acceleration below which nothing is felt whatever the level [m/s^2].

From memory: absolute thresholds are quoted as 0.05 to 0.1 m/s^2; the lower one is the careful one.
"""


@kernel
def vdv(acceleration: npt.NDArray[np.float64], dt: float) -> float:
    """Return the vibration dose value of an evenly sampled acceleration.

    VDV = (integral of a^4 dt)^(1/4)

    Parameters
    ----------
    acceleration : ndarray of shape (n,) [m/s^2]
        Acceleration, already weighted or band-passed as the caller wants, n >= 1; each sample
        stands for one interval dt.
    dt : float [s]
        Interval between samples, > 0.

    Returns
    -------
    float
        Vibration dose value [m/s^1.75].

    Notes
    -----
    ISO 2631-1:1997, 6.3.2. The standard's x-axis weighting is not applied: it weakens 4 to 8 Hz,
    where shuffle lives.
    """
    total = 0.0
    for i in range(acceleration.size):
        square = acceleration[i] * acceleration[i]
        total += square * square
    return float((total * dt) ** 0.25)


@kernel
def count_noticeable_steps(values: npt.NDArray[np.float64], jnd: float, smallest: float) -> int:
    """Count the neighbours in a row of accelerations whose difference a driver feels.

    felt when |a2 - a1| > max(jnd max(|a1|, |a2|), smallest)

    Parameters
    ----------
    values : ndarray of shape (n,) [m/s^2]
        Accelerations in the order in which they are felt.
    jnd : float [-]
        Just noticeable share of the acceleration, >= 0.
    smallest : float [m/s^2]
        Step that is never felt, >= 0.

    Returns
    -------
    int
        Number of steps that are felt, 0 to n - 1.

    Notes
    -----
    The larger of the two accelerations is the base, so that the count does not depend on the
    direction.
    """
    count = 0
    for i in range(1, values.size):
        base = max(abs(values[i - 1]), abs(values[i]))
        if abs(values[i] - values[i - 1]) > max(jnd * base, smallest):
            count += 1
    return count


def noticeable_steps(
    values: npt.ArrayLike,
    *,
    jnd: float = JND_ACCELERATION,
    smallest: float = SMALLEST_ACCELERATION,
) -> int:
    """Count the steps in a row of accelerations that a driver feels, with the house thresholds.

    Parameters
    ----------
    values : array-like of shape (n,) [m/s^2]
        Accelerations in the order in which they are felt.
    jnd : float [-]
        Just noticeable share of the acceleration, >= 0.
    smallest : float [m/s^2]
        Step that is never felt, >= 0.

    Returns
    -------
    int
        Number of steps that are felt, 0 to n - 1.

    Notes
    -----
    See ``JND_ACCELERATION`` and ``SMALLEST_ACCELERATION`` for the sources.
    """
    row = np.ascontiguousarray(values, dtype=np.float64)
    return int(count_noticeable_steps(row, float(jnd), smallest=float(smallest)))
