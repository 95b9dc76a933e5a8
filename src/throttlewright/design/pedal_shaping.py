"""Pedal shaping: how fast the plate follows the foot, so that the driveline does not shuffle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import PedalShaping
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.shuffle import shuffle

__all__ = ["MOST_CLOSING", "ROLE", "closing_time", "pedal_shaping", "ramp_time"]

FREE = 1000.0
"""Rate that holds nothing back [%/s]: the strategy's own bound on a rising plate."""
MOST_CLOSING = 0.25
"""Longest time of the plate from open to shut [s]. Torque that was not asked for may last 0.5 s
(criterion ``unasked_acceleration``), the plate may take 1 s to idle (``return_to_idle``); servo and
manifold need the other half of the shorter one. Engineering judgement, no source."""
_RAMP_PERIODS = 2.0
"""Periods of shuffle in which torque rises from none to all, opening. A ramp of one period leaves
no swing (from memory), and about half of all torque is what most tip-ins ask for: it then takes one
period. Checked by simulation of the example cars."""
_LEAST_RAMP = 0.4
"""Shortest time of the same rise [s]. In high gears the period is shorter than what the servo can
stop at without running past; what it runs past by is felt. Found by simulation of the example with
individual plates, which have the smallest manifold to smooth it."""
_LASH_PERIODS = 0.25
"""Periods of shuffle that the plate takes through the band, while the gap closes; as above."""
_BAND = 0.04
"""Torque at the upper end of the band, over the torque of the open plate, at a middle engine speed
[-]; as above."""
_MOST_FACTOR = 200.0
_BELOW = 10.0
"""Factor of the rate below the band [-]; as above."""
_SPEEDS = 9
_PLATES = np.array(
    [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 18.0, 22.0, 27.0, 33.0, 40.0, 50.0,
     65.0, 80.0, 100.0]
)  # fmt: skip
"""Plate openings of the factor [%]: close where torque is steep."""
_REASON = "two-inertia model of the driveline, on the torque surface with the pipe at ambient"


@dataclass(frozen=True)
class _Shape:
    # over engine speed: lower end of the band [%], its width [%], whole travel if all of the plate
    # were as steep as the band [%]; factor over plate
    rpm: np.ndarray
    low: np.ndarray
    width: float
    travel: np.ndarray
    factor: np.ndarray


def _shape(car: Car) -> _Shape:
    rpm = np.unique(
        np.round(np.linspace(1.1 * car.idle, car.limit, _SPEEDS) * 30.0 / math.pi / 50.0) * 50.0
    )
    fine = np.unique(np.concatenate((np.linspace(0.0, 10.0, 41), np.linspace(10.0, 100.0, 61))))
    psi = car.psi_closed + fine / 100.0 * (car.psi_open - car.psi_closed)
    surface = compute_surface(
        car, state=BoostState.INSTANT, speeds=rpm * math.pi / 30.0, psi=psi
    ).require_solved()
    # a large plate gives all its torque early: rising on a little keeps the inverse defined
    rising = np.maximum.accumulate(surface.torque, axis=1) + 1e-6 * fine
    full = rising[:, -1]
    ends = np.array([np.interp([0.0, _BAND * t[-1]], t, fine) for t in rising])
    low = ends[:, 0]
    # one width at all speeds, so that one rate for a gear makes one time through the band
    width = float(np.median(ends[:, 1] - low))
    travel, factor = np.empty(rpm.size), np.empty((rpm.size, _PLATES.size))
    for i, torque in enumerate(rising):
        steep = float(np.interp(low[i] + width, fine, torque)) / width
        travel[i] = full[i] / steep
        # the chord before each point: between points the plate is then rather too slow
        chord = np.diff(np.interp(_PLATES, fine, torque)) / np.diff(_PLATES)
        per = np.clip(steep / np.append(chord[0], chord), 1.0, _MOST_FACTOR)
        # Without torque to the wheels nothing is wound up: fast up to the band. Between points the
        # factor is a line, so the fast ones end where no neighbour's line reaches into a band.
        least = float(np.min(low[max(i - 1, 0) : i + 2]))
        below = np.append(_PLATES[1:] <= least, False)
        factor[i] = np.where(below, _BELOW, per)
    return _Shape(rpm, low, width, travel, factor)


def ramp_time(car: Car, wanted: PedalShaping, gear: int) -> float:
    """Time in which torque may rise from none to all.

    Parameters
    ----------
    car : Car
        The car.
    wanted : PedalShaping
        Its opening time holds in the lowest gear, and in the others as the period of shuffle.
    gear : int [-]
        From 1.

    Returns
    -------
    float [s]
        With lash on "auto" at least two periods of shuffle and 0.4 s; 0 where opening is not
        bounded.
    """
    if wanted.opening_time == 0.0:
        return 0.0
    period = shuffle(car, gear).period_s
    asked = wanted.opening_time * period / shuffle(car, 1).period_s
    return max(asked, _RAMP_PERIODS * period, _LEAST_RAMP) if wanted.lash == "auto" else asked


def closing_time(car: Car, wanted: PedalShaping) -> float:
    """Longest time of the plate from open to shut, in the gear in which it takes longest.

    Parameters
    ----------
    car : Car
        The car.
    wanted : PedalShaping
        Its closing time and lash.

    Returns
    -------
    float [s]
        Without servo and manifold.
    """
    through = _LASH_PERIODS * shuffle(car, 1).period_s if wanted.lash == "auto" else 0.0
    return wanted.closing_time + through


def pedal_shaping(car: Car, intent: Intent) -> Rows:
    """Rates at which the plate follows the pedal, and a slow zone where torque turns over.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without shaping.

    Returns
    -------
    Rows
        Nothing without the section; refused where closing would take too long.

    Notes
    -----
    Opening: torque, not the plate, rises evenly, in two periods of the shuffle of the gear for all
    of it, so that half of it takes one period, and never faster than the servo can stop;
    ``rate_factor`` says how much less torque a percent of plate carries further open. Before that
    the plate goes fast to where the engine begins to pull, and takes a quarter of a period for the
    next 4 % of torque, while the gap closes. Closing: as asked, bounded by the criteria
    ``unasked_acceleration`` and ``return_to_idle``. In neutral and with the clutch open nothing is
    bounded. Ramp over one period: input shaping (from memory); the numbers of periods were found by
    simulation of the example cars.
    """
    wanted = intent.pedal_shaping
    if wanted is None:
        return Rows()
    if closing_time(car, wanted) > MOST_CLOSING:
        return Rows(
            refused=f"pedal shaping is left out: closing would take {closing_time(car, wanted):.2f}"
            f" s, and a released pedal must have the plate shut in {MOST_CLOSING:g} s before servo "
            "and manifold add theirs"
        )
    shape = _shape(car)
    gears = np.arange(int(car.record["gears"]) + 1, dtype=np.float64)
    rpm, gear = Axis("engine_rpm", "rpm", shape.rpm), Axis("gear_1", "", gears)
    tables: list[Table] = []

    def add(
        name: str, quantity: str, unit: str, axes: tuple[Axis, ...], values: np.ndarray
    ) -> None:
        tables.append(
            Table(name, quantity, unit, axes, np.round(values, 3), note=_REASON,
                  percent_meaning=PLATE_PCT)
        )  # fmt: skip

    def rates(times: list[float]) -> np.ndarray:
        found = np.full((gears.size, shape.rpm.size), FREE)
        found[1:] = shape.travel / np.array(times)[:, None]
        return np.asarray(np.minimum(found, FREE))

    each = range(1, gears.size)
    if wanted.opening_time > 0.0:
        values = rates([ramp_time(car, wanted, g) for g in each])
        add("opening_rate", "largest rate of the opening plate", "%/s", (gear, rpm), values)
    if wanted.closing_time > 0.0:
        values = rates([wanted.closing_time for _ in each])
        add("closing_rate", "largest rate of the closing plate", "%/s", (gear, rpm), values)
    if tables:
        plate = Axis("plate_pct", "%", _PLATES)
        add(
            "rate_factor", "rate over that of the nearly shut plate", "", (rpm, plate), shape.factor
        )
    if wanted.lash == "auto":
        slow = [shape.width / (_LASH_PERIODS * shuffle(car, g).period_s) for g in each]
        add("lash_rate", "rate while the gap closes", "%/s", (gear,), np.array([FREE, *slow]))
        add("lash_low", "plate from which the engine pulls", "%", (rpm,), shape.low)
        add("lash_high", "plate at which the gap has closed", "%", (rpm,), shape.low + shape.width)
    numbers = {}
    if wanted.mode_change == "released":
        numbers["mode_change_released"] = Number(1.0, "", "intent, pedal_shaping")
    return Rows(tables=tuple(tables), numbers=numbers, notes=_notes(intent))


def _notes(intent: Intent) -> tuple[str, ...]:
    if not any(mode.gears for mode in intent.mode.values()):
        return ()
    return (
        "modes for some gears only are a remark for the calibrator: the strategy changes modes by "
        "the switch alone, so no gear change moves the plate",
    )


ROLE = Role(
    name="pedal_shaping",
    title="Pedal shaping",
    text="Lets torque rise over the driveline's own period and lash close softly.",
    design=pedal_shaping,
    section="pedal_shaping",
    typical=(
        Typical(
            "opening_time",
            "0.12 s, not below two periods of shuffle and 0.4 s; 0 s holds nothing back",
            "from memory; computed",
        ),
        Typical(
            "closing_time", "0 s: at once; at most 0.25 s with lash", "common practice, no source"
        ),
        Typical("lash", "auto", "input shaping over about one period, from memory"),
        Typical("mode_change", "blended", "common practice, no source"),
    ),
    shown=(Shown("tip_in", "shuffle_amplitude"), Shown("tip_in", "torque_delay")),
    caution="The car answers later than the foot: a driver who balances the car on the pedal must "
    "learn it on closed ground. Closing is never held back longer than the safety criteria allow.",
)
"""The role, for the registry."""
