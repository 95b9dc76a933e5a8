"""Which record of the plate servo to take, how it is read, and what it would look like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.pack import Car
from throttlewright.drive.servo_run import fine_servo
from throttlewright.foundation.errors import InputError
from throttlewright.physics.servo import BRIDGE_DRIVEN, BRIDGE_OPEN
from throttlewright.recording.recording import Channel, Recording

__all__ = ["CAUTION", "Record", "RecordPlan", "prepare", "record_plan", "simulate_record"]

CAUTION = (
    "The plate moves by itself and shuts on fingers: engine off, fuel and ignition disabled, hands "
    "and tools out of the bore, an emergency stop in hand that cuts plate power by wire. Do not "
    "hold the motor stalled for more than half a second. Nothing here is a safety certificate."
)

LEAST_BATTERY = 11.0
"""Below it nothing is learned [V]; workshop practice is 10 to 11.5 V."""
LEAST_RATE = 200.0
"""Of the samples [Hz]; 1 kHz is better. Judgement."""
LEAST_STILL = 0.1
"""Rest at the start of a record [s]."""
GENTLE_DUTY = 0.2
GENTLE_TIME = 0.3
"""Most duty and time against an end that is not a stop [-, s]; what the trade does when it learns
an end, from memory."""
_TICK = 1e-3
_RAMP_STEP = 0.2
"""Change of voltage from sample to sample below which it is one of a ramp [V]."""
_UPWARD = 1.25
"""Margin on the voltages of a plan over what the build's numbers ask for [-]."""


@dataclass(frozen=True)
class RecordPlan:
    """A record to take, tick by tick.

    ``volts`` [V] across the bridge and ``bridge`` (BRIDGE_DRIVEN, BRIDGE_OPEN) hold for ticks of
    1 ms; ``steps`` says the same in sentences.
    """

    volts: NDArray[np.float64]
    bridge: NDArray[np.float64]
    steps: tuple[str, ...]

    @property
    def duration(self) -> float:
        """Length [s]."""
        return _TICK * len(self.volts)


class _Pen:
    def __init__(self) -> None:
        self.volts: list[NDArray[np.float64]] = []
        self.bridge: list[NDArray[np.float64]] = []
        self.steps: list[str] = []
        self.now = 0.0

    def off(self, seconds: float) -> None:
        n = round(seconds / _TICK)
        self.volts.append(np.zeros(n))
        self.bridge.append(np.full(n, BRIDGE_OPEN))
        self.now = 0.0

    def hold(self, volts: float, seconds: float) -> None:
        self.now = volts
        self.ramp(volts, seconds)

    def ramp(self, volts: float, seconds: float) -> None:
        n = max(round(seconds / _TICK), 1)
        self.volts.append(np.linspace(self.now, volts, n))
        self.bridge.append(np.full(n, BRIDGE_DRIVEN))
        self.now = volts


def record_plan(car: Car, *, closed_stop: bool = True) -> RecordPlan:
    """Say which record to take for the servo of a car.

    Parameters
    ----------
    car : Car
        With the numbers that are believed of its servo so far.
    closed_stop : bool
        Whether the body has a stop that keeps the plate out of the bore. Without one the plate is
        never driven towards closed with more than 20 % duty or for longer than 0.3 s.

    Returns
    -------
    RecordPlan
        Two slow ramps through all the travel, steps up and down, bridge-off releases.
    """
    rec = car.record
    K, battery = float(rec["motor_constant"]), float(rec["battery"])
    R = float(rec["motor_resistance"] + rec["loom_resistance"])
    rest, travel = float(rec["default_opening"]), float(rec["servo_travel"])
    above = float(rec["preload_above"]) + float(rec["spring_above"]) * (travel - rest)
    stick = float(rec["servo_breakaway"])
    slide = float(rec["servo_coulomb"])
    full = min(_UPWARD * (above + stick) * R / K, battery)
    start = (float(rec["preload_above"]) + stick) * R / K
    below = (float(rec["preload_below"]) + float(rec["spring_below"]) * rest + stick) * R / K
    shut = -min(_UPWARD * below, battery)
    fall = max((float(rec["preload_above"]) - slide) * R / K, 0.0)
    pen = _Pen()
    pen.off(0.4)
    pen.steps.append("0.4 s bridge off, plate at rest.")
    for seconds in (1.0, 0.6):
        pen.hold(0.6 * start, 0.05)
        pen.ramp(full, seconds)
        pen.hold(full, 0.25)
        pen.ramp(0.3 * fall, seconds)
        pen.ramp(0.0, 0.05)
        pen.steps.append(
            f"Ramp to {full:.1f} V in {seconds:g} s, 0.25 s on the open stop, and back to 0 V."
        )
        if rest > 0.0 and closed_stop:
            pen.hold(0.5 * shut, 0.05)
            pen.ramp(shut, 0.8 * seconds)
            pen.hold(shut, 0.2)
            pen.ramp(0.0, 0.8 * seconds)
            pen.steps.append(f"Ramp to {shut:.1f} V, 0.2 s on the closed stop, and back to 0 V.")
    if rest > 0.0 and not closed_stop:
        gentle = -GENTLE_DUTY * battery
        pen.ramp(gentle, 0.7 * GENTLE_TIME)
        pen.ramp(0.0, 0.3 * GENTLE_TIME)
        pen.steps.append(
            f"No closed stop: once towards closed with at most {-gentle:.1f} V (20 % duty) for "
            "0.3 s, then back off. The plate must never be forced into the bore."
        )
    step = min(2.2 * full, 0.9 * battery)
    pen.hold(step, 0.12)
    pen.off(0.45)
    pen.hold(step, 0.05)
    pen.hold(start, 0.15)
    pen.off(0.4)
    pen.steps.append(
        f"Steps to {step:.1f} V for 0.12 s and 0.05 s, each ended by a bridge-off release."
    )
    if rest > 0.0 and closed_stop:
        pen.hold(-step, 0.06)
        pen.off(0.3)
        pen.hold(-step, 0.02)
        pen.off(0.3)
        pen.steps.append(f"Steps to {-step:.1f} V, each ended by a bridge-off release.")
    return RecordPlan(np.concatenate(pen.volts), np.concatenate(pen.bridge), tuple(pen.steps))


def simulate_record(
    car: Car,
    plan: RecordPlan,
    *,
    seed: int,
    rate: float = 1000.0,
    T_body: float = 293.15,
    current_noise: float = 0.05,
    bits: int = 10,
) -> Recording:
    """Simulate what a logger would write while a plan is carried out, noisy and quantised.

    Parameters
    ----------
    car : Car
        The truth.
    plan : RecordPlan
        What is applied.
    seed : int [-]
        Of the noise.
    rate : float [Hz]
        Samples a second, 1 to 1000.
    T_body : float [K]
        Body and winding at the start.
    current_noise : float [A]
        Standard deviation of the current read, from 0.
    bits : int [-]
        Of the converter, 8 to 16.

    Returns
    -------
    Recording
        Channels as ``prepare`` reads them. The other integrator of the servo is used, in steps of
        50 us, so that a fit does not find its own arithmetic again.
    """
    rec = car.record
    random = np.random.default_rng(seed)
    n = len(plan.volts)
    out = np.zeros((n, 3))
    rest = float(rec["default_opening"])
    battery = float(rec["battery"])
    fine_servo(
        plan.volts,
        plan.bridge,
        car=rec,
        theta=rest + 0.3 * math.radians(0.25) * (2.0 * random.random() - 1.0),
        T_body=T_body,
        steps=20.0,
        out=out,
    )
    every = max(round(1000.0 / rate), 1)
    at = np.arange(0, n, every)
    t: NDArray[np.float64] = (_TICK * at).astype(np.float64)
    levels = 2.0**bits - 1.0

    def read(values: NDArray[np.float64], noise: float, full: float) -> NDArray[np.float64]:
        step = full / levels
        return np.round((values + noise * random.standard_normal(len(values))) / step) * step

    travel = float(rec["servo_travel"])
    channels = [
        Channel("bridge", "", t, plan.bridge[at]),
        Channel("duty", "", t, plan.volts[at] / battery),
        Channel("battery_V", "V", t, read(np.full(len(at), battery), 0.02, 20.0)),
        Channel("current_A", "A", t, read(out[at, 1] + 10.0, current_noise, 20.0) - 10.0),
        Channel("engine_rpm", "rpm", t, np.zeros(len(at))),
        Channel("fuel_off", "", t, np.ones(len(at))),
        Channel("spark_off", "", t, np.ones(len(at))),
    ]
    for track in (0, 1):
        closed = float(rec["plate_at_closed"][track])
        span = float(rec["plate_at_open"][track]) - closed
        volts = read(closed + span * out[at, 0] / travel, float(rec["sensor_noise"]), 5.0)
        channels.append(Channel(f"plate_{track + 1}_V", "V", t, volts))
    return Recording.of(channels, meta={"body_degC": T_body - 273.15})


@dataclass(frozen=True)
class Record:
    """A record ready to fit: commands on ticks of 1 ms, readings at their own places.

    ``volts`` [V], ``bridge``: commands. ``at`` ticks of the readings (fractions allowed),
    ``plate`` [rad above the closed stop], ``current`` [A], ``T_body`` [K].
    """

    volts: NDArray[np.float64]
    bridge: NDArray[np.float64]
    at: NDArray[np.float64]
    plate: NDArray[np.float64]
    current: NDArray[np.float64]
    T_body: float


def _refuse(recording: Recording) -> None:
    """Stop where nothing may be learned: someone could be hurt, or the supply is too weak."""
    names = recording.channels
    for name, what in (("fuel_off", "fuel"), ("spark_off", "ignition")):
        if name not in names:
            raise InputError(
                f"the record does not confirm that {what} was off",
                key=name,
                advice=f"record a channel {name} that is 1 while {what} is disabled",
            )
        if not np.all(names[name].values > 0.5):
            raise InputError(
                f"{what} was not confirmed off all the time", key=name, advice="disable it first"
            )
    if "engine_rpm" not in names:
        raise InputError("the record does not show that the engine stood still", key="engine_rpm")
    rpm = names["engine_rpm"].values
    if len(rpm) == 0 or not np.all(rpm == 0.0):
        raise InputError(
            "the engine turned, or its speed is not known all the time",
            key="engine_rpm",
            value=f"{np.nanmax(rpm):g} rpm" if np.isfinite(rpm).any() else None,
            allowed="0 rpm",
            advice="a plate is identified with the engine off only",
        )
    if "battery_V" not in names:
        raise InputError("the record does not show the supply", key="battery_V")
    supply = names["battery_V"].values
    if len(supply) == 0 or not np.all(supply >= LEAST_BATTERY):
        raise InputError(
            "the supply fell too low or was not recorded",
            key="battery_V",
            value=f"{np.nanmin(supply):.2f} V" if np.isfinite(supply).any() else None,
            allowed=f"at least {LEAST_BATTERY:g} V",
            advice="charge the battery",
        )


def _plate(recording: Recording, car: Car) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rec, names = car.record, recording.channels
    travel = float(rec["servo_travel"])
    found = []
    for track in (0, 1):
        name = f"plate_{track + 1}_V"
        if name in names:
            closed = float(rec["plate_at_closed"][track])
            span = float(rec["plate_at_open"][track]) - closed
            channel = names[name]
            found.append((channel.t_s, (channel.values - closed) / span * travel))
    if len(found) == 2 and np.array_equal(found[0][0], found[1][0]):
        return found[0][0], 0.5 * (found[0][1] + found[1][1])
    if found:
        return found[0]
    if "opening_deg" in names:
        return names["opening_deg"].t_s, np.radians(names["opening_deg"].values)
    raise InputError(
        "the record does not show the plate",
        key="plate_1_V",
        advice="record plate_1_V and plate_2_V, or opening_deg above the closed stop",
    )


def _command(
    recording: Recording, name: str, probe: NDArray[np.float64], scale: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Volts at the ticks: a ramp goes on between samples, a step lasts until the next."""
    channel = recording.channels[name]
    held = recording.resample(name, probe)
    after = np.minimum(np.searchsorted(channel.t_s, probe, side="right"), len(channel) - 1)
    ramp = np.abs((channel.values[after] - held) * scale) < _RAMP_STEP
    return np.where(ramp, np.interp(probe, channel.t_s, channel.values), held) * scale


def prepare(recording: Recording, *, car: Car) -> Record:
    """Check a record and bring it to ticks of 1 ms.

    Parameters
    ----------
    recording : Recording
        ``duty`` (-1 to 1, positive opening) and ``battery_V``, or ``motor_V``; ``bridge`` (0
        driven, 1 off, 2 shorted; driven where missing); ``current_A``; ``plate_1_V`` and
        ``plate_2_V``, or ``opening_deg``; ``engine_rpm``; ``fuel_off`` and ``spark_off``, 1 while
        confirmed. The fact ``body_degC`` gives the temperature at the start, 20 where missing.
    car : Car
        Gives the travel and the voltages of the tracks.

    Returns
    -------
    Record
        Ready to fit.

    Raises
    ------
    InputError
        If the engine turned, fuel or ignition was not confirmed off, the supply was below 11 V,
        a channel is missing, or the samples are too slow.
    """
    _refuse(recording)
    names = recording.channels
    if "current_A" not in names:
        raise InputError(
            "without the motor current neither resistance nor any torque can be told",
            key="current_A",
            advice="record it",
        )
    if "motor_V" not in names and "duty" not in names:
        raise InputError("the record does not show what was applied", key="duty")
    times, plate = _plate(recording, car)
    first, last = float(times[0]), float(times[-1])
    gap = float(np.max(np.diff(times))) if len(times) > 1 else math.inf
    if gap > 1.0 / LEAST_RATE + 1e-9:
        raise InputError(
            "the samples are too far apart for a servo that moves in 0.1 s",
            key="plate",
            value=f"{1e3 * gap:.3g} ms",
            allowed=f"at most {1e3 / LEAST_RATE:g} ms",
        )
    ticks = first + _TICK * np.arange(round((last - first) / _TICK) + 1)
    probe = np.asarray(ticks + 1e-7, dtype=np.float64)
    if "motor_V" in names:
        volts = _command(recording, "motor_V", probe, np.ones(len(ticks)))
    else:
        supply = names["battery_V"]
        # the supply is read with noise that the motor never saw
        wide = max(1, round(0.05 * len(supply) / max(supply.t_s[-1] - supply.t_s[0], 1e-3)))
        kernel = np.ones(2 * wide + 1)
        smooth = np.convolve(supply.values, kernel, "same") / np.convolve(
            np.ones(len(supply)), kernel, "same"
        )
        volts = _command(recording, "duty", probe, np.interp(ticks, supply.t_s, smooth))
    bridge = recording.resample("bridge", probe) if "bridge" in names else np.full(len(ticks), 0.0)
    volts = np.where(bridge == BRIDGE_DRIVEN, volts, 0.0)
    current = recording.resample("current_A", times, "linear")
    good = np.isfinite(plate) & np.isfinite(current)
    if not (np.isfinite(volts).all() and np.isfinite(bridge).all() and good.mean() > 0.98):
        raise InputError("the record has holes", advice="record all channels from start to end")
    still = plate[times <= first + LEAST_STILL]
    if np.ptp(still) > math.radians(2.0) or np.any(volts[: round(LEAST_STILL / _TICK)] != 0.0):
        raise InputError(
            "the record does not begin at rest",
            advice=f"leave the bridge off for {LEAST_STILL:g} s and more before the first move",
        )
    body = recording.meta.get("body_degC", 20.0)
    if not isinstance(body, int | float) or not -50.0 <= body <= 150.0:
        raise InputError("is not a temperature", key="body_degC", value=body)
    return Record(
        volts,
        bridge,
        (times[good] - first) / _TICK,
        plate[good],
        current[good],
        float(body) + 273.15,
    )
