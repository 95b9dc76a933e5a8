"""What the designed servo does in its corners, and how far it is from hunting."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.drive.servo_run import closed_loop, replay_servo
from throttlewright.physics.servo import BRIDGE_DRIVEN, copper_resistance

__all__ = [
    "CORNERS",
    "Condition",
    "Hold",
    "Margins",
    "Move",
    "Ramp",
    "ServoCheck",
    "check_servo",
    "loop_transfer",
    "margins",
]

_Array = NDArray[np.float64]

RISE, SETTLE, STATIC, SHARE, LEAST = 0.100, 0.150, 0.3, 0.02, 0.3
"""Limits at 12 to 14 V, 20 degC and usual friction: 90 % [s], settled [s], static error [deg],
overshoot as a share of the step and at least [deg]; judgement from published servo figures."""
CORNER_SHARE = 1.35
"""Times the time that full voltage alone would take in the same corner; judgement."""
CORNER_OVER = (0.05, 0.6)
"""Overshoot in a corner as a share of the step, and at least [deg]; judgement."""
_BEFORE, _AFTER = 300, 1000
_WINDING_LIMIT = 453.15
"""Of enamelled wire of a common class [K], 180 degC; from memory, unverified."""


@dataclass(frozen=True)
class Condition:
    """Supply [V], body temperature [K], and factor on friction [-]."""

    battery: float
    T_body: float
    friction: float

    @property
    def nominal(self) -> bool:
        """Whether the plain limits hold here."""
        return (
            12.0 <= self.battery <= 14.0
            and abs(self.T_body - 293.15) < 1.0
            and abs(self.friction - 1.0) < 1e-9
        )

    @property
    def text(self) -> str:
        """In words."""
        share = 100.0 * self.friction
        return f"{self.battery:g} V, {self.T_body - 273.15:.0f} degC, friction {share:.0f} %"


CORNERS: tuple[Condition, ...] = (
    Condition(12.0, 293.15, 1.0),
    Condition(13.0, 293.15, 1.0),
    Condition(14.0, 293.15, 1.0),
    *(Condition(*c) for c in itertools.product((9.0, 15.0), (253.15, 393.15), (0.7, 1.5))),
)


@dataclass(frozen=True)
class Move:
    """One step: from and to [deg above the closed stop], figures and limits.

    ``rise``, ``settle`` [s]; ``overshoot``, ``static`` [deg]; ``effort`` [s], the integral of the
    duty squared over the move; ``landing`` [rad/s], speed at a stop if one was touched; ``limit_*``
    what each may be; ``ok``.
    """

    condition: Condition
    start: float
    end: float
    rise: float
    settle: float
    overshoot: float
    static: float
    effort: float
    landing: float
    limit_rise: float
    limit_settle: float
    limit_overshoot: float
    limit_static: float
    trace: _Array

    @property
    def ok(self) -> bool:
        """Whether every figure is within its limit."""
        return (
            self.rise <= self.limit_rise
            and self.settle <= self.limit_settle
            and self.overshoot <= self.limit_overshoot
            and self.static <= self.limit_static
        )


@dataclass(frozen=True)
class Ramp:
    """Stick-slip on a ramp of 10 %/s, peak to peak [deg], and lag behind a 2 Hz sine [s]."""

    condition: Condition
    stick_slip: float
    lag: float


@dataclass(frozen=True)
class Hold:
    """Holding open: current [A], duty [-], winding after ten minutes [K] and its limit."""

    condition: Condition
    current: float
    duty: float
    T_winding: float
    limit: float


@dataclass(frozen=True)
class Margins:
    """Gain margin [-], phase margin [deg] and the speeds at which they are read [rad/s]."""

    gain: float
    phase: float
    omega_gain: float
    omega_phase: float


@dataclass(frozen=True)
class ServoCheck:
    """All of it; ``landing_cost`` is what the least target leaves open, as opening [%]."""

    moves: tuple[Move, ...]
    ramps: tuple[Ramp, ...]
    holds: tuple[Hold, ...]
    margins: Margins
    landing_pct: float

    @property
    def ok(self) -> bool:
        """Whether every move is within its limits."""
        return all(m.ok for m in self.moves)


def _pack(numbers: dict[str, Number]) -> Packed:
    demand = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (
            Axis("engine_rpm", "rpm", np.array([800.0, 7000.0])),
            Axis("pedal_pct", "%", np.array([0.0, 100.0])),
        ),
        np.array([[0.0, 100.0], [0.0, 100.0]]),
        percent_meaning="plate from stop to stop, pedal from released to full",
    )
    return pack_calibration(Calibration(tables={demand.name: demand}, numbers=numbers))


def _noise_pct(car: Car) -> float:
    rec = car.record
    span = np.abs(np.asarray(rec["plate_at_open"]) - np.asarray(rec["plate_at_closed"]))
    return 100.0 * float(rec["sensor_noise"]) / max(float(span.min()), 0.1) / math.sqrt(2.0)


def _run(car: Car, cal: Packed, targets: _Array, at: Condition, noise_pct: float = 0.0) -> _Array:
    out = np.empty((len(targets), 4))
    closed_loop(
        targets,
        np.full(len(targets), at.battery),
        cal=cal,
        car=car.record,
        friction=at.friction,
        T_body=at.T_body,
        p_drop=0.0,
        noise_pct=noise_pct,
        key=1.0,
        out=out,
    )
    return out


def _full_voltage(car: Car, start: float, end: float, at: Condition) -> tuple[float, float]:
    """Time to 90 % and to the settling band when nothing but full voltage is applied [s]."""
    rec = car.record.copy()
    rec["servo_coulomb"] *= at.friction
    rec["servo_breakaway"] *= at.friction
    out = np.empty((1500, 3))
    volts = np.full(1500, math.copysign(at.battery, end - start))
    replay_servo(
        volts,
        np.full(1500, BRIDGE_DRIVEN),
        car=rec,
        theta=math.radians(start),
        current=0.0,
        T_body=at.T_body,
        T_winding=at.T_body,
        out=out,
    )
    share = (np.degrees(out[:, 0]) - start) / (end - start)
    near = 1.0 - max(SHARE, LEAST / abs(end - start))
    times = [np.nonzero(share >= level)[0] for level in (0.9, max(near, 0.9))]
    return tuple(1e-3 * t[0] if len(t) else math.inf for t in times)  # type: ignore[return-value]


def _move(car: Car, cal: Packed, start: float, end: float, at: Condition) -> Move:
    travel = float(car.record["servo_travel"])
    pct = 100.0 / math.degrees(travel)
    targets = np.full(_BEFORE + _AFTER, start * pct)
    targets[_BEFORE:] = end * pct
    out = _run(car, cal, targets, at)
    y = np.degrees(out[_BEFORE:, 0])
    first = float(np.degrees(out[_BEFORE - 1, 0]))
    share = (y - first) / (end - first)
    size = abs(end - start)
    reached = np.nonzero(share >= 0.9)[0]
    outside = np.nonzero(np.abs(y - end) > max(SHARE * size, LEAST))[0]
    over = max(float(np.max((y - end) * math.copysign(1.0, end - start))), 0.0)
    theta, speed = out[_BEFORE:, 0], out[_BEFORE:, 3]
    hit = np.nonzero((theta[1:] <= 0.0) | (theta[1:] >= travel))[0]
    bang, bang_near = _full_voltage(car, start, end, at)
    nominal = at.nominal
    return Move(
        condition=at,
        start=start,
        end=end,
        rise=1e-3 * (float(reached[0]) + 1.0) if len(reached) else math.inf,
        settle=1e-3 * (float(outside[-1]) + 1.0) if len(outside) else 0.0,
        overshoot=over,
        static=float(abs(np.mean(y[-200:]) - end)),
        effort=float(np.sum(out[_BEFORE:, 2] ** 2) * 1e-3),
        landing=float(abs(speed[hit[0]])) if len(hit) else 0.0,
        limit_rise=RISE if nominal else CORNER_SHARE * max(RISE, bang),
        limit_settle=SETTLE if nominal else CORNER_SHARE * max(SETTLE, bang_near),
        limit_overshoot=max(SHARE * size, LEAST)
        if nominal
        else max(CORNER_OVER[0] * size, CORNER_OVER[1]),
        limit_static=STATIC,
        trace=y,
    )


def _ramp(car: Car, cal: Packed, at: Condition, middle: float) -> Ramp:
    travel = float(car.record["servo_travel"])
    deg = math.degrees(travel) / 100.0
    t = 1e-3 * np.arange(3000)
    targets = middle + 10.0 * np.maximum(t - 0.5, 0.0)
    out = _run(car, cal, targets, at, _noise_pct(car))
    late = slice(1500, None)
    error = np.degrees(out[late, 0]) - deg * targets[late]
    t = 1e-3 * np.arange(2500)
    sine = middle + 15.0 + 5.0 * np.sin(4.0 * math.pi * t)
    y = np.degrees(_run(car, cal, sine, at, _noise_pct(car))[:, 0]) / deg
    last = slice(1500, 2500)
    angle = 4.0 * math.pi * t[last]
    parts = [float(np.mean(y[last] * f(angle))) for f in (np.sin, np.cos)]
    lag = -math.atan2(parts[1], parts[0]) / (4.0 * math.pi)
    return Ramp(at, float(np.ptp(error)), lag)


def _hold(car: Car, at: Condition) -> Hold:
    """Balance of holding the plate open, friction holding nothing."""
    rec = car.record
    torque = float(rec["preload_above"])
    torque += float(rec["spring_above"]) * float(rec["servo_travel"] - rec["default_opening"])
    current = torque / float(rec["motor_constant"])
    C, H = float(rec["winding_capacity"]), float(rec["winding_heat_resistance"])
    T = at.T_body
    for _ in range(600):
        heat = current**2 * float(copper_resistance(float(rec["motor_resistance"]), T))
        T += (heat - (T - at.T_body) / H) / C
    total = float(copper_resistance(float(rec["motor_resistance"]), T)) + float(
        rec["loom_resistance"]
    )
    return Hold(at, current, current * total / at.battery, T, _WINDING_LIMIT)


def loop_transfer(
    car: Car, numbers: dict[str, Number], *, below: bool = False, delay: float = 1.5e-3
) -> tuple[_Array, _Array]:
    """Open loop of the servo about a sliding plate, as polynomials, highest power first.

    L(s) = (kp + ki / s + kd s / (tau s + 1)) V (100 / travel) K e^(-delay s) /
    ((J s^2 + B s + c) (L s + R) + K^2 s), the delay as its second Pade form

    Parameters
    ----------
    car : Car
        The car.
    numbers : dict of str to Number
        Of the servo.
    below : bool
        With spring and gain below the rest position.
    delay : float [s]
        Half a tick of hold and one of reckoning, 0 to 0.01.

    Returns
    -------
    tuple of ndarray [-]
        Numerator and denominator.
    """
    rec = car.record

    def number(name: str) -> float:
        return float(numbers.get(name, DEFAULTS[name]).value)

    kp, ki, kd = (number(f"servo_{n}") for n in ("kp", "ki", "kd"))
    kp *= number("servo_kp_below_share") if below else 1.0
    tau = number("servo_kd_filter_s")
    K, J, B = (float(rec[n]) for n in ("motor_constant", "servo_inertia", "servo_viscous"))
    R = float(rec["motor_resistance"] + rec["loom_resistance"])
    c = float(rec["spring_below" if below else "spring_above"])
    pid = np.array([kp * tau + kd, kp + ki * tau, ki])
    scale = number("servo_battery_V") * 100.0 / float(rec["servo_travel"]) * K
    plant = np.polymul([J, B, c], [float(rec["motor_inductance"]), R])
    plant = np.polyadd(plant, [K * K, 0.0])
    pade = np.array([delay**2 / 12.0, -delay / 2.0, 1.0])
    back = pade * np.array([1.0, -1.0, 1.0])
    if delay == 0.0:
        pade = back = np.array([1.0])
    num = np.polymul(scale * pid, pade)
    den = np.polymul(np.polymul([tau, 1.0, 0.0], plant), back)
    return np.asarray(num), np.asarray(den)


def margins(num: _Array, den: _Array) -> Margins:
    """Gain and phase margin of an open loop, from the real roots of polynomials in frequency.

    Parameters
    ----------
    num : ndarray [-]
        Numerator, highest power first.
    den : ndarray [-]
        Denominator.

    Returns
    -------
    Margins
        The least of each; infinite where the loop never crosses.
    """

    def split(p: _Array) -> tuple[_Array, _Array]:
        powers = np.arange(len(p) - 1, -1, -1)
        turned = p * (1j) ** powers
        return turned.real, turned.imag

    a, b = split(np.asarray(num, float))
    c, d = split(np.asarray(den, float))
    # L = (a + i b)(c - i d) / |den|^2
    real = np.polyadd(np.polymul(a, c), np.polymul(b, d))
    imag = np.polysub(np.polymul(b, c), np.polymul(a, d))
    size = np.polyadd(np.polymul(c, c), np.polymul(d, d))
    unit: np.ndarray = np.polysub(np.polyadd(np.polymul(a, a), np.polymul(b, b)), size)
    gain, at_gain = math.inf, math.nan
    for w in _positive(imag):
        value = float(np.polyval(real, w) / np.polyval(size, w))
        if value < 0.0 and abs(math.log(-1.0 / value)) < abs(math.log(gain)):
            gain, at_gain = -1.0 / value, w
    phase, at_phase = math.inf, math.nan
    for w in _positive(unit):
        turn = math.degrees(math.atan2(float(np.polyval(imag, w)), float(np.polyval(real, w))))
        margin = (turn + 180.0 + 180.0) % 360.0 - 180.0
        if abs(margin) < abs(phase):
            phase, at_phase = margin, w
    return Margins(gain, phase, at_gain, at_phase)


def _positive(polynomial: _Array) -> Iterable[float]:
    # powers of ten between the coefficients: the roots are found in units of 100 rad/s
    powers = np.arange(len(polynomial) - 1, -1, -1)
    roots = np.roots(polynomial * 100.0**powers)
    return sorted(
        100.0 * float(r.real) for r in roots if r.real > 1e-6 and abs(r.imag) < 1e-6 * abs(r)
    )


def check_servo(
    car: Car, numbers: dict[str, Number], *, corners: Sequence[Condition] = CORNERS
) -> ServoCheck:
    """Run the strategy's own servo controller on the servo model in every corner.

    Parameters
    ----------
    car : Car
        The car.
    numbers : dict of str to Number
        Of the servo, from ``design.servo.servo``.
    corners : sequence of Condition
        Where to look.

    Returns
    -------
    ServoCheck
        Steps small and large, both ways and on both sides of rest, ramps, sines and holds.

    Notes
    -----
    In a corner a move may take 1.35 times what full voltage alone takes there, or 1.35 times the
    plain limit where that is more. No air flows. Noise acts on ramps and sines.
    """
    rec = car.record
    travel = math.degrees(float(rec["servo_travel"]))
    rest = math.degrees(float(rec["default_opening"]))
    cal = _pack(numbers)
    steps = [
        (rest + 10.0, rest + 20.0),
        (rest + 2.0, travel - 2.0),
        (travel - 2.0, rest + 2.0),
        (rest + 20.0, rest + 21.0),
    ]
    if rest > 2.0:
        steps += [(rest + 4.0, 0.35 * rest), (0.35 * rest, rest + 4.0)]
    moves = [_move(car, cal, a, b, at) for at in corners for a, b in steps]
    middle = 100.0 * (rest + 5.0) / travel
    num, den = loop_transfer(car, numbers)
    found = [margins(num, den)]
    if rest > 0.0:
        found.append(margins(*loop_transfer(car, numbers, below=True)))
    least = numbers.get("least_target_pct", DEFAULTS["least_target_pct"]).value
    return ServoCheck(
        tuple(moves),
        tuple(_ramp(car, cal, at, middle) for at in corners),
        tuple(_hold(car, at) for at in corners if at.friction <= 1.0),
        min(found, key=lambda m: m.phase),
        float(least),
    )
