"""Figures that judge traction control: how far and how long the wheels spin, and the time lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.design.slip_target import slip_target
from throttlewright.physics.tyre import grip_limited_acceleration
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "time_lost", "wheel_slip"]

Floats = NDArray[np.float64]

_OVER = 2.0
"""Slip over its target from which wheels count as spinning [-]; tool default."""


def _values(recording: Recording, name: str) -> Floats:
    return np.asarray(recording.channels[name].values, dtype=np.float64)


def wheel_slip(recording: Recording) -> Floats:
    """Slip by wheel speeds, as the strategy defines it but from true speeds.

    Parameters
    ----------
    recording : Recording
        With ``driven_speed_m_s`` and ``speed_m_s``.

    Returns
    -------
    ndarray [-]
        Sliding speed over max(speed, 2 m/s).
    """
    speed = _values(recording, "speed_m_s")
    return np.asarray((_values(recording, "driven_speed_m_s") - speed) / np.maximum(speed, 2.0))


def _steps(recording: Recording) -> tuple[Floats, Floats]:
    t = np.asarray(recording.channels["speed_m_s"].t_s, dtype=np.float64)
    return t, np.diff(t, append=t[-1])


def spin_time(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the time that the driven wheels slip more than twice the slip sought.

    Parameters
    ----------
    recording : Recording
        With ``driven_speed_m_s`` and ``speed_m_s``.
    car : Car
        The car.
    intent : Intent
        With or without traction control.

    Returns
    -------
    Judged
        [s]; no limit, it is compared with the run without the role.
    """
    target = slip_target(car, intent)
    slip = wheel_slip(recording)
    sought = target.at(_values(recording, "speed_m_s"))
    _, dt = _steps(recording)
    time = float(np.sum(dt[slip > _OVER * sought]))
    peak = float(np.max(slip - sought))
    return Judged(
        time,
        "s",
        None,
        None,
        f"the wheels slipped more than twice the target for {time:.2f} s, at most {peak:.2f} over "
        "it",
    )


def time_lost(recording: Recording, car: Car) -> float:
    """Time that a run took over a car whose tyres always give their peak.

    Parameters
    ----------
    recording : Recording
        With ``speed_m_s``, ``distance_m``, ``acceleration_m_s2`` and ``grip_1``.
    car : Car
        The car.

    Returns
    -------
    float [s]
        Over the distance of all spans in which the wheels spin; 0 where they never do.

    Notes
    -----
    dt = integral of (a_peak / a - 1) would fail at rest; instead both cars cover the distance of
    each span from the same speed, the ideal one with the grip-limited acceleration of the grip
    there. What the exit speed brings afterwards is left out.
    """
    rec = car.record
    t, dt = _steps(recording)
    speed, distance = _values(recording, "speed_m_s"), _values(recording, "distance_m")
    spins = _values(recording, "slip_1") > _peak_slips(recording, car)
    if not np.any(spins):
        return 0.0
    first, last = int(np.argmax(spins)), int(spins.size - 1 - np.argmax(spins[::-1]))
    grips, where = np.unique(_values(recording, "grip_1"), return_inverse=True)
    best = np.array(
        [
            grip_limited_acceleration(
                float(rec["grip"]) * float(g),
                float(rec["driven"]),
                front_share=float(rec["front_weight"]),
                cg_height=float(rec["cg_height"]),
                wheelbase=float(rec["wheelbase"]),
            )
            for g in grips
        ]
    )[where]
    actual = _values(recording, "acceleration_m_s2")
    # only where the wheels spin is grip what limits: elsewhere the ideal car does as the real one
    rate = np.where(spins, np.maximum(best, actual), actual)
    ideal = speed[first] + np.concatenate(([0.0], np.cumsum((rate * dt)[first:last])))
    gone = distance[first] + np.concatenate(([0.0], np.cumsum(ideal[:-1] * dt[first:last])))
    end = float(distance[last])
    reached = float(np.interp(end, gone, t[first : last + 1]))
    return max(float(t[last]) - reached, 0.0)


def _peak_slips(recording: Recording, car: Car) -> Floats:
    rec = car.record
    return np.asarray(
        1.533
        * 1.685
        * float(rec["grip"])
        * _values(recording, "grip_1")
        / float(rec["tyre_stiffness"])
    )


def time_lost_judged(recording: Recording, car: Car, intent: Intent) -> Judged:
    """Return the time lost while the tyres were beyond their peak.

    Parameters
    ----------
    recording : Recording
        With speed, distance, acceleration, slip and grip.
    car : Car
        The car.
    intent : Intent
        Not used.

    Returns
    -------
    Judged
        [s]; no limit, it is compared with the run without the role.
    """
    lost = time_lost(recording, car)
    return Judged(
        lost,
        "s",
        None,
        None,
        f"{lost:.2f} s lost against tyres that always give their peak force, from the first spin "
        "to the last",
    )


FIGURES: dict[str, RoleFigure] = {
    "traction_spin_time": spin_time,
    "traction_time_lost": time_lost_judged,
}
"""Figures by name."""
