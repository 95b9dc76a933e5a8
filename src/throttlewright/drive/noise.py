"""Noise that depends on nothing but seed, variation, tick and channel."""

from __future__ import annotations

import numpy as np

from throttlewright.foundation.compiled import kernel

__all__ = ["noise"]

_ODD_1 = np.uint64(0x9E3779B97F4A7C15)
_ODD_2 = np.uint64(0xBF58476D1CE4E5B9)
_ODD_3 = np.uint64(0x94D049BB133111EB)
_LOW = np.uint64(0xFFFF)
_16 = np.uint64(16)
_27 = np.uint64(27)
_30 = np.uint64(30)
_31 = np.uint64(31)
_32 = np.uint64(32)
_48 = np.uint64(48)
_CENTRE = 2.0 * 65535.0
_SCALE = 1.0 / 37837.2  # standard deviation of a sum of four even 16-bit numbers


@kernel
def noise(key: float, tick: float, channel: float) -> float:
    """Random number of mean 0 and standard deviation 1 for a place in a run.

    Parameters
    ----------
    key : float [-]
        Whole number from 0 to 2^53 that stands for seed and variation.
    tick : float [-]
        Tick of the run, from 0.
    channel : float [-]
        Channel, 0 to 255.

    Returns
    -------
    float [-]
        Sum of four even numbers, close to normal, within 3.5.

    Notes
    -----
    A counter put through a mixing function (finaliser after Steele, Lea and Flood 2014), not a
    sequence: results do not depend on order, thread or how a run is cut into pieces.
    """
    z = np.uint64(key) * _ODD_1 + (np.uint64(tick) * np.uint64(256) + np.uint64(channel))
    z = (z + _ODD_1) * _ODD_3
    z = (z ^ (z >> _30)) * _ODD_2
    z = (z ^ (z >> _27)) * _ODD_3
    z = z ^ (z >> _31)
    total = (
        float(z & _LOW)
        + float((z >> _16) & _LOW)
        + float((z >> _32) & _LOW)
        + float((z >> _48) & _LOW)
    )
    return (total - _CENTRE) * _SCALE
