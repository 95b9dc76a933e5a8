"""Opening on the overrun: how much of the drag of the shut engine is left with a released pedal."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.car.torque import combustion
from throttlewright.design.rows import PLATE_PCT, Rows

__all__ = ["braking_rows", "overrun_opening"]

_RPM = 30.0 / math.pi
_SPEEDS = 9
_OPENINGS = 40
_FROM = 500.0
"""Over idle, speed from which the plate opens on the overrun [rpm]: above the fuel cut."""
_RATE = 40.0
"""How fast it opens and shuts [%/s]; tool default."""


def overrun_opening(car: Car, omega: float, share: float) -> tuple[float, float]:
    """Plate that leaves a share of the drag of the unfuelled engine.

    Parameters
    ----------
    car : Car
        The car.
    omega : float [rad/s]
        Engine speed, above idle.
    share : float [-]
        Share of the drag with the plate shut that is to be left, from 0 to 1.

    Returns
    -------
    tuple of float [%, -]
        Opening, and the share that it leaves.

    Notes
    -----
    Never more than the plate with which the fired engine gives no torque: should fuel come back,
    the released pedal still does not drive the car.
    """
    rise = np.concatenate([[0.0], np.geomspace(0.002, 1.0, _OPENINGS - 1)])
    psi = car.psi_closed + rise * (car.psi_open - car.psi_closed)
    found, _ = evaluate(car, np.array([omega]), psi[None, :], state=BoostState.INSTANT)
    torque, flow, pressure = (found[k][0] for k in ("torque", "air_flow", "map"))
    fired = np.array(
        [
            combustion(float(m), float(p), omega=omega, retard_asked=0.0, car=car.record)[0]
            for m, p in zip(flow, pressure, strict=True)
        ]
    )
    drag = fired - torque
    safe = torque <= 0.0
    last = int(np.flatnonzero(safe)[-1]) if safe.any() else 0
    left = np.minimum.accumulate(drag[: last + 1]) / drag[0]
    if left[-1] > share:
        return 100.0 * float(rise[last]), float(left[-1])
    opening = float(np.interp(-share, -left, rise[: last + 1]))
    return 100.0 * opening, share


def braking_rows(car: Car, share: float) -> Rows:
    """Floor of the plate over engine speed and gear on the overrun.

    Parameters
    ----------
    car : Car
        The car.
    share : float [-]
        Share of the drag left in first gear; 1 for no opening at all.

    Returns
    -------
    Rows
        One floor and its table; a note where air alone does not do it.

    Notes
    -----
    In the gears above first the drag at the wheels is smaller by their ratio, and so is what is
    taken off it. Air takes only the pumping away, never the friction.
    """
    gears = round(float(car.record["gears"]))
    if share >= 1.0 or gears < 1:
        return Rows()
    first = car.idle * _RPM + _FROM
    rpm = np.round(np.append(first, np.linspace(first + 300.0, car.limit * _RPM, _SPEEDS - 1)))
    ratios = np.array(car.record["ratios"])[:gears]
    table = np.zeros((rpm.size, gears))
    reached = 0.0
    for i, speed in enumerate(rpm[1:], start=1):
        for gear in range(gears):
            wanted = 1.0 - (1.0 - share) * float(ratios[gear] / ratios[0])
            table[i, gear], left = overrun_opening(car, float(speed) / _RPM, wanted)
            if gear == 0:
                reached = max(reached, left)
    notes: tuple[str, ...] = ()
    if reached > share + 0.005:
        notes = (
            f"engine braking: {100 * share:.0f} % of the drag are wanted, air alone leaves up to "
            f"{100 * reached:.0f} % without driving the car: the rest is friction",
        )
    return Rows(
        limits=(
            Limit(
                "idle_braking",
                "plate",
                "floor",
                "table",
                x="engine_rpm",
                y="gear_1",
                table="idle_braking_air",
                arm="released_s > 0.15 and gear_1 >= 1 and brake_1 < 0.5",
                rise_rate=_RATE,
                fall_rate=_RATE,
                reason="takes pumping off the engine braking, and off again when the driver brakes",
                source="car model; never more than a fired engine needs for no torque",
            ),
        ),
        tables=(
            Table(
                "idle_braking_air",
                "plate opening",
                "%",
                (
                    Axis("engine_rpm", "rpm", rpm),
                    Axis("gear_1", "", np.arange(1.0, gears + 1.0)),
                ),
                table,
                note="at most the plate with which the fired engine gives no torque",
                percent_meaning=PLATE_PCT,
            ),
        ),
        notes=notes,
    )
