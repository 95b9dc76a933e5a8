"""Motor, springs, friction and inertia of a plate servo, from records of its motion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from throttlewright.car.pack import Car
from throttlewright.car.record import copied
from throttlewright.foundation.errors import InputError
from throttlewright.logs.servo_guess import first_guess
from throttlewright.logs.servo_model import (
    BELOW,
    FIELDS,
    LOGARITHMIC,
    ServoModel,
    smooth,
)
from throttlewright.logs.servo_records import Record

__all__ = ["Estimate", "ServoFit", "fit_servo", "with_fit"]

_Array = NDArray[np.float64]

_UNITS = {
    "resistance": "ohm",
    "motor_constant": "N m/A",
    "spring_above": "N m/rad",
    "preload_above": "N m",
    "spring_below": "N m/rad",
    "preload_below": "N m",
    "coulomb": "N m",
    "breakaway": "N m",
    "inertia": "kg m2",
    "viscous": "N m s/rad",
    "default_opening": "rad",
    "stick_band": "V",
}
_ADVICE = {
    "resistance": "hold the motor stalled against the open stop at 1 to 2 A for half a second",
    "motor_constant": "add fast steps of several volts",
    "spring_above": "add slow ramps from rest to the open stop and back",
    "preload_above": "add slow ramps through the rest position",
    "spring_below": "add slow ramps from rest to the closed stop and back",
    "preload_below": "add slow ramps through the rest position towards closed",
    "coulomb": "add slow ramps in both directions",
    "breakaway": "add slow ramps that begin at rest",
    "inertia": "add fast steps",
    "viscous": "add fast steps and bridge-off releases",
    "default_opening": "add bridge-off releases",
    "stick_band": "add slow ramps that begin at rest",
}
WIDEST = 0.5
"""Half-width over value above which a figure counts as not told [-]."""
WIDEST_REST = math.radians(1.0)
WORST_FIT = math.radians(3.0)
"""Spread of the plate about its fit above which the model does not describe the body [rad]."""
GAIN_ERROR = 0.01
"""Of the current reading, standard deviation [-]; typical of shunts, from memory, unverified."""
_Z = 1.96
_STEP = 2e-3
_FLOOR = np.array([math.radians(0.01), 2e-3])
_BLOCK = 0.1
MODEL_ERROR = 0.002
MODEL_ERROR_REST = math.radians(0.01)
"""An allowance chosen on simulated records: standard deviation added to each figure [-] and to the
rest position [rad] for the arithmetic of the model. It says nothing of what a real body does that
the model leaves out."""
SCATTER = 1.7
"""Standard deviation over what the linearised fit says [-]. Chosen on simulated records too: the
search ends a little beside the best fit, where the breakaway of single ticks roughens the slope."""
_ROUNDS = 10
_ENOUGH = 4.0
"""Two steps in a row that gain less end the search, in squared standard deviations [-]; the
breakaway of single ticks roughens the sum of some 20000 squares by more."""
_LONG = 3.0
"""Differences along the axes of the spread, in standard deviations."""
_LEAST_MOTION = math.radians(3.0)


@dataclass(frozen=True)
class Estimate:
    """One fitted number.

    ``value``, ``low``, ``high`` (95 %) in ``unit``; ``told`` is whether the record can tell it,
    ``reason`` what to record where it cannot.
    """

    name: str
    value: float
    low: float
    high: float
    unit: str
    told: bool
    reason: str = ""


@dataclass(frozen=True)
class ServoFit:
    """What records say of a servo.

    ``estimates`` by name; ``plate_rms`` [rad] and ``current_rms`` [A] about the fit; ``traces``
    one array (n, 3) of plate [rad], current [A], winding [K] for each record.
    """

    estimates: dict[str, Estimate]
    plate_rms: float
    current_rms: float
    traces: tuple[_Array, ...] = field(repr=False)
    notes: tuple[str, ...] = ()


def _weighted(parts: list[_Array], sigma: list[_Array]) -> _Array:
    return np.concatenate([(p / s).ravel() for p, s in zip(parts, sigma, strict=True)])


def _spreads(parts: list[_Array]) -> list[_Array]:
    """Spread of the readings for each piece: one that is not yet fitted may not rule the others."""
    each = np.array([np.sqrt(np.mean(part**2, axis=0)) for part in parts])
    usual = np.maximum(np.quantile(each, 0.3, axis=0), _FLOOR)
    return [usual * np.maximum(one / usual / 1.15, 1.0) for one in each]


def _step(name: str) -> float:
    # wide enough to see past the ticks on which the plate breaks away
    if name in LOGARITHMIC:
        return _STEP
    return 5e-3 if name == "breakaway_share" else 3e-5


def _jacobian(model: ServoModel, q: _Array, base: list[_Array], sigma: list[_Array]) -> _Array:
    columns = np.zeros((sum(part.size for part in base), len(q)))
    sizes = np.cumsum([0, *[part.size for part in base]])
    for j in range(len(q)):
        shared = j < model.starts
        step = _step(model.names[j] if shared else "start")
        only = None if shared else model.free[j - model.starts]
        rows = slice(None) if only is None else slice(sizes[only], sizes[only + 1])
        spread = sigma if only is None else [sigma[only]]
        ends = []
        for sign in (1.0, -1.0):
            moved = q.copy()
            moved[j] += sign * step
            ends.append(_weighted(model.residual(moved, only), spread))
        columns[rows, j] = (ends[0] - ends[1]) / (2.0 * step)
    return columns


def _cost(flat: _Array, past: _Array) -> float:
    # far from the fit a reading late by a millisecond is far off: large ones count less
    return float(18.0 * np.sum(np.sqrt(1.0 + flat**2 / 9.0) - 1.0) + past @ past)


def _solve(model: ServoModel, q: _Array) -> tuple[_Array, list[_Array], list[_Array], _Array]:
    """Levenberg-Marquardt with priors; the spread of the readings is taken from what is left.

    Returned are parameters, spreads, residuals and the slope of the residuals.
    """
    first, prior = q.copy(), model.prior()
    weight = 1.0 / prior**2
    base = model.residual(q)
    damping, grow, tries, long, small = 1e-4, 4.0, 0, _LONG, 0
    A: _Array | None = None
    for turn in range(_ROUNDS + 1):
        sigma = _spreads(base)
        flat = _weighted(base, sigma)
        J = (
            _jacobian(model, q, base, sigma)
            if A is None
            else _along(model, q, base, sigma, A, long)
        )
        w = 1.0 / np.sqrt(1.0 + flat**2 / 9.0)
        A = J.T @ (w[:, None] * J) + np.diag(weight)
        g = J.T @ (w * flat) + weight * (q - first)
        # the slope is wanted where the search ends
        if turn == _ROUNDS or small >= 2:
            break
        now = _cost(flat, (q - first) / prior)
        for _try in range(9):
            move = -np.linalg.solve(A + damping * np.diag(np.diag(A)), g)
            move = np.clip(move, -0.7, 0.7)
            parts = model.residual(q + move)
            new = _cost(_weighted(parts, sigma), (q + move - first) / prior)
            hoped = -float(g @ move) * 2.0 - float(move @ A @ move)
            if new < now:
                break
            damping, grow = damping * grow, 2.0 * grow
        else:
            # ticks and stops roughen the slope: look along other lengths before giving up
            tries += 1
            if tries > 3:
                break
            long, damping, grow = (1.0, 8.0, 3.0)[tries - 1], 1e-5, 4.0
            continue
        # as much less damping as the step kept its promise
        kept = (now - new) / max(hoped, 1e-12)
        damping = max(damping * max(0.1, 1.0 - (2.0 * min(kept, 1.0) - 1.0) ** 3), 1e-9)
        grow = 4.0
        small = small + 1 if now - new < _ENOUGH else 0
        q, base = q + move, parts
    return q, sigma, base, J


def _along(
    model: ServoModel,
    q: _Array,
    base: list[_Array],
    sigma: list[_Array],
    A: _Array,
    long: float = _LONG,
) -> _Array:
    """Jacobian by differences along the axes of the believed spread, a few deviations long.

    Resistance, motor constant and preload nearly make up for each other; moved one by one, each
    takes the plate so far that the small difference between them drowns in curvature.
    """
    # where a piece begins comes first: its axis then moves nothing but that piece
    order = np.append(np.arange(model.starts, len(q)), np.arange(model.starts))
    triangle = np.linalg.cholesky(A[np.ix_(order, order)])
    axes = np.empty_like(A)
    axes[order] = long * np.linalg.inv(triangle).T
    columns = np.zeros((sum(part.size for part in base), len(q)))
    sizes = np.cumsum([0, *[part.size for part in base]])
    for j in range(len(q)):
        only = model.free[j] if j < len(model.free) else None
        rows = slice(None) if only is None else slice(sizes[only], sizes[only + 1])
        spread = sigma if only is None else [sigma[only]]
        more = _weighted(model.residual(q + axes[:, j], only), spread)
        less = _weighted(model.residual(q - axes[:, j], only), spread)
        columns[rows, j] = 0.5 * (more - less)
    return np.asarray(columns @ np.linalg.inv(axes))


def _covariance(model: ServoModel, J: _Array, base: list[_Array], sigma: list[_Array]) -> _Array:
    """The larger of two: readings independent, or only blocks of 0.1 s."""
    flat = _weighted(base, sigma)
    weight = np.diag(1.0 / model.prior() ** 2)
    A = np.linalg.inv(J.T @ J + weight)
    plain = A * max(float(np.mean(flat**2)), 1.0)
    scores = J * flat[:, None]
    B = np.zeros_like(A)
    at = 0
    for part, record in zip(base, model.pieces, strict=True):
        span = max(float(record.at[-1] - record.at[0]), 1.0) * 1e-3
        length = max(2 * round(_BLOCK * len(part) / span), 2)
        for begin in range(at, at + part.size, length):
            s = scores[begin : min(begin + length, at + part.size)].sum(axis=0)
            B += np.outer(s, s)
        at += part.size
    blocks = A @ B @ A
    scale = np.sqrt(np.maximum(np.diag(blocks) / np.maximum(np.diag(plain), 1e-300), 1.0))
    return np.asarray(plain * np.outer(scale, scale))


def fit_servo(records: Sequence[Record], *, car: Car, gain_error: float = GAIN_ERROR) -> ServoFit:
    """Identify a servo from records of ramps, steps and bridge-off releases, all fitted at once.

    Parameters
    ----------
    records : sequence of Record
        From ``servo_records.prepare``; at least one.
    car : Car
        Where the search begins, and what is not fitted: travel, loom, inductance, and the width
        of the rounded step at rest.
    gain_error : float [-]
        Standard deviation of the gain of the current reading, 0 to 0.1; every torque and the
        resistance share it.

    Returns
    -------
    ServoFit
        Estimates with 95 % intervals. What the records cannot tell has ``told`` False.

    Raises
    ------
    InputError
        If there is no record, the plate hardly moves, or no servo of this kind moves like it.

    Notes
    -----
    Output error: the model is run on the recorded voltages and compared with the plate and current
    read. Intervals come from the linearised fit, widened where neighbouring readings err alike and
    by allowances chosen on simulated records (``SCATTER``, ``MODEL_ERROR``).
    Resistances are given at 20 degrees C; the winding warms in the model, its heat capacity is
    fitted along.
    """
    if not records:
        raise InputError("there is no record to learn from", key="record")
    if not 0.0 <= gain_error <= 0.1:
        raise InputError("is out of range", key="gain_error", value=gain_error, allowed="0 to 0.1")
    moved = max(float(np.ptp(smooth(r.plate, 3))) for r in records)
    if moved < _LEAST_MOTION:
        raise InputError(
            "the plate hardly moves in the record, so neither springs nor friction can be told",
            key="record",
            value=f"{math.degrees(moved):.1f} deg",
            allowed="ramps from stop to stop",
            advice="take the record that `throttlewright servo` describes",
        )
    model = ServoModel(car, records)
    q, sigma, base, J = _solve(model, model.pack(first_guess(car, records)))
    rms = np.sqrt(np.mean(np.concatenate(base) ** 2, axis=0))
    if rms[0] > WORST_FIT:
        raise InputError(
            "no servo with two springs, dry friction and one motor moves like this",
            key="record",
            value=f"{math.degrees(rms[0]):.1f} deg off on average",
            allowed=f"at most {math.degrees(WORST_FIT):g} deg",
            advice="look for a sticking plate, a wrong sign of duty or current, or wrong track "
            "voltages in the build",
        )
    cov = _covariance(model, J, base, sigma)
    traces = model.traces(q)
    return ServoFit(
        _estimates(model, q, cov, gain_error, car),
        float(rms[0]),
        float(rms[1]),
        traces,
        _notes(model, records),
    )


def _notes(model: ServoModel, records: Sequence[Record]) -> tuple[str, ...]:
    top = max(float(np.max(r.plate)) for r in records)
    low = min(float(np.min(r.plate)) for r in records)
    travel = float(model.rec["servo_travel"])
    return (
        f"The records cover {math.degrees(low):.1f} to {math.degrees(top):.1f} deg of "
        f"{math.degrees(travel):.1f} deg.",
        "Winding and loom are one resistance to a record; the build's loom is taken off.",
    )


def _estimates(
    model: ServoModel, q: _Array, cov: _Array, gain_error: float, car: Car
) -> dict[str, Estimate]:
    v = model.unpack(q)
    place = {n: k for k, n in enumerate(model.names)}
    found: dict[str, Estimate] = {}

    def add(name: str, value: float, gradient: dict[str, float], gain: float) -> None:
        row = np.zeros(len(q))
        for key, slope in gradient.items():
            row[place[key]] = slope
        extra = MODEL_ERROR_REST if name == "default_opening" else MODEL_ERROR * value
        noise = SCATTER**2 * max(float(row @ cov @ row), 0.0)
        sd = math.sqrt(noise + (gain * gain_error * value) ** 2 + extra**2)
        half = _Z * sd
        told = half < (WIDEST_REST if name == "default_opening" else WIDEST * abs(value))
        if name in BELOW or name == "default_opening":
            reach = min(float(np.min(r.plate)) for r in model.records)
            told = told and (name == "default_opening" or reach < v["default_opening"] - 0.02)
        reason = "" if told else f"the record cannot tell it: {_ADVICE[name]}"
        low = max(value - half, 0.0)
        found[name] = Estimate(name, value, low, value + half, _UNITS[name], told, reason)

    for name in _UNITS:
        if name in LOGARITHMIC and name in place:
            add(name, v[name], {name: v[name]}, 0.0 if name == "motor_constant" else 1.0)
    if "default_opening" in place:
        add("default_opening", v["default_opening"], {"default_opening": 1.0}, 0.0)
    share = max(v["breakaway_share"], 0.0)
    stick = v["coulomb"] * (1.0 + share)
    slope = {"coulomb": stick, "breakaway_share": v["coulomb"]}
    add("breakaway", stick, slope, 1.0)
    band = 2.0 * stick * v["resistance"] / v["motor_constant"]
    add(
        "stick_band",
        band,
        {
            "coulomb": band,
            "breakaway_share": band / (1.0 + share),
            "resistance": band,
            "motor_constant": -band,
        },
        0.0,
    )
    loom = float(car.record["loom_resistance"])
    total = found["resistance"]
    found["resistance"] = replace(
        total, value=total.value - loom, low=max(total.low - loom, 0.0), high=total.high - loom
    )
    return found


def with_fit(car: Car, fit: ServoFit) -> Car:
    """Return the car with what a fit could tell in place of what was believed.

    Parameters
    ----------
    car : Car
        The car.
    fit : ServoFit
        Of its servo.

    Returns
    -------
    Car
        A copy; build and record agree.
    """
    told = {n: e.value for n, e in fit.estimates.items() if e.told and n != "stick_band"}
    rec = copied(car.record)
    for name, value in told.items():
        field_name = {**FIELDS, "breakaway": "servo_breakaway"}.get(name, name)
        rec[field_name] = value
    rec["servo_breakaway"] = max(float(rec["servo_breakaway"]), float(rec["servo_coulomb"]))
    servo = {n: v for n, v in told.items() if n != "default_opening"}
    servo["breakaway"] = float(rec["servo_breakaway"])
    build = car.build.model_copy(update={"servo": car.build.servo.model_copy(update=servo)})
    if "default_opening" in told:
        plate = build.plate.model_copy(update={"default_opening": told["default_opening"]})
        build = build.model_copy(update={"plate": plate})
    return Car(build=build, record=rec)
