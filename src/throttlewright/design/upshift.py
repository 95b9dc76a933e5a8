"""Upshift: torque is taken away while the next gear goes in, and given back by degrees."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.car.pack import Car
from throttlewright.car.record import LATE_POINTS, LATE_STEP
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import Rows
from throttlewright.design.speed_limits import shuffle

__all__ = ["ROLE", "has_catalyst", "return_time", "upshift"]

_LIFTED = 10.0
"""Pedal below which a foot counts as lifted for a shift [%]. Tool default."""
_LEFT = 0.3
"""Share of the torque that late ignition leaves [-]; less would need ignition later than the
burn is known for. Tool default."""
_LONGEST_CLUTCH = 0.5
"""Longest time without torque while the clutch is open [s]. Tool default."""
_LONGEST_RETURN = 0.2
"""Longest time in which torque comes back [s]. Tool default."""


def has_catalyst(car: Car) -> bool:
    """Tell whether a catalyst stands in the exhaust.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    bool
        As the build says; where it says nothing, on the road only.
    """
    said = car.build.engine.catalyst
    return car.build.use == "road" if said is None else bool(said)


def return_time(car: Car) -> float:
    """Time over which torque comes back without leaving the driveline swinging.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float [s]
        One period of the shuffle in second gear, at most 0.2 s.

    Notes
    -----
    A ramp as long as one period leaves an undamped swing of two inertias at rest; theory of
    vibration. Higher gears swing faster and are excited less by the same ramp.
    """
    rec = car.record
    ratio = float(rec["ratios"][1] * rec["final_drive"])
    speed = 0.7 * car.limit * float(rec["tyre_radius"]) / ratio
    (natural, _), _ = shuffle(car, ratio, speed)
    return min(2.0 * math.pi / natural, _LONGEST_RETURN)


def _retard(car: Car) -> tuple[float, float]:
    """Return the retard that leaves three tenths of the torque [deg], and the share it leaves."""
    share = np.asarray(car.record["late_torque"], dtype=np.float64)
    retard = np.degrees(LATE_STEP) * np.arange(LATE_POINTS)
    enough = np.flatnonzero(share <= _LEFT)
    k = int(enough[0]) if enough.size else LATE_POINTS - 1
    return float(retard[k]), float(share[k])


def upshift(car: Car, intent: Intent) -> Rows:
    """Cut of fuel, or ignition far too late, while an upshift is asked for.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without an upshift.

    Returns
    -------
    Rows
        Nothing where none is asked for; refused where there is one gear only.

    Notes
    -----
    One row acts for a fixed time from the request, as a gearbox without a clutch pedal needs; the
    other for as long as the clutch is open, so that the engine does not run up. On the road both
    wait for a lifted pedal. With a catalyst all cylinders come back at once: cylinders that come
    back one by one send it air and fuel together.
    """
    wanted = intent.upshift
    if wanted is None:
        return Rows()
    if int(car.record["gears"]) < 2:
        return Rows(refused="upshift: a gearbox with one gear has no shift up")
    catalyst, road = has_catalyst(car), car.build.use == "road"
    by_fuel = wanted.by == "fuel" or (wanted.by == "auto" and not catalyst)
    back = return_time(car)
    if by_fuel:
        output, to, unit, what = "fuel_cut", 1.0, "", "all cylinders"
        rate = math.inf if catalyst else 1.0 / back
    else:
        (to, share), output, unit = _retard(car), "retard", "deg"
        what = f"leaves {100.0 * share:.0f} % of the torque, +-30 %, late burn computed"
        rate = to / back
    lifted = f" and pedal_pct < {_LIFTED:g}" if road else ""
    source = "intent, upshift"
    rows = (
        Limit(
            "upshift",
            output,
            "floor",
            "timed",
            arm=f"shift_1 > 0.5{lifted}",
            fall_rate=rate,
            reason="takes the torque off the gear that goes out",
            source=source,
        ),
        Limit(
            "upshift_clutch",
            output,
            "floor",
            "ramp",
            arm=f"shift_1 > 0.5 and clutch_1 < 0.5{lifted}",
            fall_rate=rate,
            reason="keeps the engine from running up while the clutch is open",
            source=source,
        ),
    )
    numbers = {
        "upshift.to": Number(to, unit, what),
        "upshift.hold_s": Number(wanted.time, "s", source),
        "upshift_clutch.to": Number(to, unit, what),
        "upshift_clutch.within_s": Number(_LONGEST_CLUTCH, "s", "tool default"),
    }
    return Rows(rows, numbers=numbers, notes=_notes(car, by_fuel, catalyst, road, back))


def _notes(car: Car, by_fuel: bool, catalyst: bool, road: bool, back: float) -> tuple[str, ...]:
    notes = []
    if by_fuel and catalyst:
        notes.append(
            "upshift: fuel is cut with a catalyst in the exhaust: all cylinders come back at once, "
            "with a jolt; late ignition is the gentler way here"
        )
    else:
        notes.append(
            f"upshift: torque comes back over {1e3 * back:.0f} ms, one swing of the shafts"
        )
    if not by_fuel:
        notes.append(
            "upshift: late ignition heats exhaust, turbine and catalyst: no more than one shift in "
            "two seconds, from memory"
        )
    if road:
        notes.append(f"upshift: on the road only with the pedal under {_LIFTED:g} %")
    else:
        notes.append(
            "upshift: a flat foot with a closed clutch is for gearboxes made for it, no others"
        )
    return tuple(notes)


ROLE = Role(
    name="upshift",
    title="Cut on an upshift",
    text="Takes torque away with fuel or late ignition while the next gear goes in; on the road "
    "only with the pedal lifted.",
    design=upshift,
    section="upshift",
    typical=(
        Typical("time", "0.05 to 0.1 s with a dog box", "common practice, no source"),
        Typical("by", "fuel without a catalyst, else ignition", "common practice, no source"),
    ),
    shown=(
        Shown("upshift_cut", "upshift_flare"),
        Shown("upshift_cut", "upshift_jolt"),
        Shown("no_lift_upshift", "upshift_jolt"),
    ),
    caution="A shift without clutch or lift breaks a gearbox that is not made for it, and a gear "
    "that does not go in leaves the engine free at full throttle: rev limit first, nobody beside "
    "the driveline, closed road or dyno.",
)
"""The role, for the registry."""
