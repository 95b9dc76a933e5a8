"""Ceilings that take torque away as a channel leaves its sound range, for the roles that do."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.calibration.limits import Limit
from throttlewright.calibration.signals import CHANNELS
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.hardware_boost import hardware_pressure
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.idle import idle_opening, idle_setpoint
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.torque_share import angle_for_torque, torque_of_share
from throttlewright.physics.friction import friction_over_warm

__all__ = [
    "COLDEST",
    "FAST",
    "HOT",
    "Fade",
    "ceiling",
    "plate_at_hardware",
    "reduction",
    "speed_points",
]

FAST = 150.0
"""Fall of the ceiling [%/s] where a second of full load can end the engine; about what a plate
itself can do, so that torque goes in some tenths of a second and not in one blow. Tool default."""
_SLOW = 50.0
"""Fall of the ceiling [%/s] for temperatures, which never jump unless a sensor does. Tool
default."""
_RELEASE = 10.0
"""Rise of the ceiling [%/s]: torque comes back slowly, and what recovers only because the plate
has closed does not make the engine surge. Tool default."""
_BLEED_FALL, _BLEED_RISE = 100.0, 20.0
"""Rates of the ceiling on the wastegate's bleed [%/s]. Tool default."""
COLDEST = -20.0
"""Coolant for whose idle air room is left where the engine may be cold [degC]: the coldest point of
the idle floor."""
HOT = 100.0
_ALONG = np.array([0.0, 0.1, 0.28, 0.46, 0.64, 0.82, 1.0])
"""Where a fade is tabled. Near its beginning the plate shuts fast and the torque hardly: the first
step is short, so that the steps after it are not given away."""
_SPEEDS, _CHARGED_SPEEDS = 8, 10
"""Points of engine speed; where boost sets in the plate bends, and more are needed."""
_TELL = 0.02
"""Difference of torque share from which the cost of the hardware's pressure is told."""


@dataclass(frozen=True)
class Fade:
    """Torque share over a channel: all on the sound side of ``starts``, ``least`` at ``ends``.

    ``starts`` and ``ends`` are in the unit of the channel; ``ends`` may lie on either side.
    """

    starts: float
    ends: float
    least: float

    @property
    def at(self) -> np.ndarray:
        """Points of the channel, ascending [unit of the channel]."""
        return np.sort(self.starts + _ALONG * (self.ends - self.starts))

    def share(self, x: np.ndarray) -> np.ndarray:
        """Torque share that is allowed at values of the channel.

        Parameters
        ----------
        x : ndarray [unit of the channel]
            Values.

        Returns
        -------
        ndarray [-]
            Shares, ``least`` to 1.
        """
        along = (np.asarray(x, dtype=float) - self.starts) / (self.ends - self.starts)
        return np.asarray(1.0 - (1.0 - self.least) * np.clip(along, 0.0, 1.0))


def speed_points(car: Car) -> np.ndarray:
    """Engine speeds of a ceiling's table, from under idle to the limit.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    ndarray [rpm]
        Ascending, in whole fifties.
    """
    count = _CHARGED_SPEEDS if car.charged else _SPEEDS
    rpm = np.linspace(0.8 * car.idle, car.limit, count) * 30.0 / math.pi
    return np.unique(np.round(rpm / 50.0) * 50.0)


def plate_at_hardware(car: Car, omega: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Plate that gives no more than a torque share, whatever pressure stands before it.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    share : ndarray [-]
        Shares of the torque at the wanted boost, shape (m,) or (n, m).

    Returns
    -------
    ndarray [%]
        Plate opening, shape (n, m); 100 where the share is 1.

    Notes
    -----
    Wanted is closed + share (full - closed) on the surface with boost settled; it is given at the
    highest pressure that the hardware reaches at the speed (``car.hardware_boost``). Torque rises
    with that pressure, so at any lower one the plate gives less.
    """
    share = np.broadcast_to(share, (omega.size, share.shape[-1]))
    pipe = hardware_pressure(car, omega)[:, None]

    def given(psi: np.ndarray) -> np.ndarray:
        found, _ = evaluate(car, omega, psi, state=BoostState.HELD, pressure=pipe)
        return found["torque"]

    wanted = torque_of_share(car, omega, share)
    plate = car.plate_pct(angle_for_torque(given, wanted, low=car.psi_closed, high=car.psi_open))
    return np.where(share >= 1.0, 100.0, plate)


def _tabled(car: Car, rpm: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Plate at the points, lowered where a straight line between two speeds would give more."""
    plate = plate_at_hardware(car, rpm * math.pi / 30.0, share)
    if share.ndim > 1:
        return plate
    between = plate_at_hardware(car, 0.5 * (rpm[1:] + rpm[:-1]) * math.pi / 30.0, share)
    over = np.maximum(0.5 * (plate[1:] + plate[:-1]) - between, 0.0)
    none = np.zeros((1, plate.shape[1]))
    lowered = np.maximum(np.concatenate((over, none)), np.concatenate((none, over)))
    return np.asarray(plate - lowered)


def _idle_room(car: Car, coolant_degC: float) -> float:
    """Plate that a ceiling must always leave, a tenth over the air of idling [%]."""
    speed = float(idle_setpoint(car, np.array([coolant_degC]))[0]) * math.pi / 30.0
    psi, _ = idle_opening(car, omega=speed, cold=friction_over_warm(coolant_degC + 273.15))
    return 1.1 * car.plate_pct(psi) + 0.2


def _cost(car: Car, rpm: np.ndarray, plate: np.ndarray, share: np.ndarray) -> tuple[str, ...]:
    """What the smallest plate leaves at the wanted boost, where the torque is largest."""
    if not car.charged:
        return ()
    omega = rpm * math.pi / 30.0
    psi = np.stack(
        (
            np.full(rpm.size, car.psi_closed),
            car.psi_closed + plate.min(axis=0) / 100.0 * (car.psi_open - car.psi_closed),
            np.full(rpm.size, car.psi_open),
        ),
        axis=1,
    )
    torque = evaluate(car, omega, psi)[0]["torque"]
    i = int(np.argmax(torque[:, 2]))
    left = float((torque[i, 1] - torque[i, 0]) / (torque[i, 2] - torque[i, 0]))
    least = float(share.min())
    if least - left < _TELL:
        return ()
    pipe = float(hardware_pressure(car, omega[i : i + 1])[0]) / 1e3
    return (
        f"computed for the {pipe:.0f} kPa that the hardware can reach: at the wanted boost it "
        f"leaves {100 * left:.0f} % of torque instead of {100 * least:.0f} % (at {rpm[i]:.0f} rpm)",
    )


def _load_arm(car: Car, rpm: np.ndarray, plate: np.ndarray, above: float) -> tuple[str, float]:
    """Arm that lets go when the foot takes the load away, and not when the row itself does."""
    ambient = float(car.record["p_ambient"])
    if float(car.record["individual"]) > 0.5:
        # behind individual plates manifold pressure is no measure of load: what stands before them
        return f"pipe_kPa > {above / 1e3:.6g}", (above - min(0.5 * ambient, above)) / 1e3
    psi = car.psi_closed + plate.min(axis=0) / 100.0 * (car.psi_open - car.psi_closed)
    omega = rpm * math.pi / 30.0
    found, _ = evaluate(car, omega, psi[:, None], state=BoostState.INSTANT)
    least = 0.9 * min(float(found["map"].min()), above)
    return f"map_kPa > {above / 1e3:.6g}", round((above - least) / 1e3, 3)


def ceiling(
    car: Car,
    name: str,
    *,
    channel: str,
    at: np.ndarray,
    rpm: np.ndarray,
    share: np.ndarray,
    reason: str,
    source: str,
    arm: str = "",
    above: float | None = None,
    fall_rate: float = _SLOW,
    rise_rate: float = _RELEASE,
    idle_coolant: float = HOT,
    note: str = "",
) -> Rows:
    """Rows that allow a torque share over a channel and engine speed.

    Parameters
    ----------
    car : Car
        The car.
    name : str
        Name of the role, and of its row.
    channel : str
        What the share hangs on.
    at : ndarray [unit of the channel]
        Points of the channel, ascending, shape (m,).
    rpm : ndarray [rpm]
        Engine speeds, ascending, shape (n,).
    share : ndarray [-]
        Allowed share of the torque at the wanted boost, shape (m,) or (n, m).
    reason : str
        Why, in one line.
    source : str
        Where the numbers come from.
    arm : str
        When it acts; always when empty.
    above : float [Pa]
        Manifold pressure, absolute, from which it acts, in place of ``arm``.
    fall_rate : float [%/s]
        Fastest fall of the ceiling.
    rise_rate : float [%/s]
        Fastest rise.
    idle_coolant : float [degC]
        Coolant at which the idle air must be left.
    note : str
        One more line for the reader of the table.

    Returns
    -------
    Rows
        A ceiling of the plate, and where boost can be commanded one of the wastegate's bleed: half
        way to the least share boost is down to the spring.
    """
    plate = _tabled(car, rpm, share).T
    share = np.broadcast_to(share, (rpm.size, at.size)).T
    room = _idle_room(car, idle_coolant)
    notes = tuple(f"{name}: {text}" for text in _cost(car, rpm, plate, share))
    if plate.min() < room:
        notes += (
            f"{name}: {100 * float(share.min()):.0f} % of torque would not leave the air to idle "
            f"on at {idle_coolant:.0f} degC: the ceiling is raised to {room:.1f} %",
        )
    plate = np.maximum(plate, room)
    hysteresis = 0.0
    if above is not None:
        arm, hysteresis = _load_arm(car, rpm, plate, above)
    unit = next(c.unit for c in CHANNELS if c.name == channel)
    axes = (Axis(channel, unit, np.round(at, 6)), Axis("engine_rpm", "rpm", rpm))

    def table(what: str, quantity: str, values: np.ndarray, text: str, meaning: str) -> Table:
        return Table(
            f"{name}_{what}",
            quantity,
            "%",
            axes,
            np.round(values, 3),
            note=text,
            percent_meaning=meaning,
        )

    def limit(row: str, output: str, what: str, fall: float, rise: float) -> Limit:
        return Limit(
            row,
            output,
            "ceiling",
            "table",
            x=channel,
            y="engine_rpm",
            table=f"{name}_{what}",
            arm=arm,
            hysteresis=hysteresis,
            fall_rate=fall,
            rise_rate=rise,
            reason=reason,
            source=source,
        )

    text = "; ".join(filter(None, (note, *notes)))
    tables = [table("plate", "largest plate opening", plate, text, PLATE_PCT)]
    limits = [limit(name, "plate", "plate", fall_rate, rise_rate)]
    if car.controllable and float(share.min()) < 1.0:
        middle = 0.5 * (1.0 + float(share.min()))
        bleed = 100.0 * np.clip((share - middle) / (1.0 - middle), 0.0, 1.0)
        meaning = "0 % leaves the wastegate its spring, 100 % keeps the whole signal from it"
        tables.append(table("bleed", "largest bleed of the wastegate", bleed, "", meaning))
        limits.append(limit(f"{name}_boost", "wastegate", "bleed", _BLEED_FALL, _BLEED_RISE))
    return Rows(tuple(limits), tuple(tables), notes=notes)


def reduction(
    car: Car,
    name: str,
    *,
    channel: str,
    fade: Fade,
    reason: str,
    source: str,
    arm: str = "",
    above: float | None = None,
    fall_rate: float = _SLOW,
    rise_rate: float = _RELEASE,
    idle_coolant: float = HOT,
) -> Rows:
    """Rows of a role that takes torque away as one channel leaves its sound range.

    Parameters
    ----------
    car : Car
        The car.
    name : str
        Name of the role, and of its row.
    channel : str
        What is watched.
    fade : Fade
        Torque share over it.
    reason : str
        Why, in one line.
    source : str
        Where the numbers come from.
    arm : str
        When it acts; always when empty.
    above : float [Pa]
        Manifold pressure, absolute, from which it acts, in place of ``arm``.
    fall_rate : float [%/s]
        Fastest fall of the ceiling.
    rise_rate : float [%/s]
        Fastest rise.
    idle_coolant : float [degC]
        Coolant at which the idle air must be left.

    Returns
    -------
    Rows
        As of ``ceiling``.
    """
    return ceiling(
        car,
        name,
        channel=channel,
        at=fade.at,
        rpm=speed_points(car),
        share=fade.share(np.round(fade.at, 6)),
        reason=reason,
        source=source,
        arm=arm,
        above=above,
        fall_rate=fall_rate,
        rise_rate=rise_rate,
        idle_coolant=idle_coolant,
    )
