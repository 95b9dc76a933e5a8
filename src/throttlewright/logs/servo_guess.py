"""Where the search for a servo's numbers begins: linear regressions on filtered readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d
from scipy.optimize import lsq_linear

from throttlewright.car.pack import Car
from throttlewright.logs.servo_model import FIELDS, LOGARITHMIC, smooth, still_until
from throttlewright.logs.servo_records import Record
from throttlewright.physics.servo import BRIDGE_DRIVEN

__all__ = ["first_guess"]

_Array = NDArray[np.float64]

_HALF = 6
"""Ticks to either side in each of three running means of the first guess."""
_GUESS_TORQUE = 0.02
"""Spread of one torque of the first guess [N m]."""


def _filtered(values: _Array) -> _Array:
    return smooth(smooth(smooth(values, _HALF), _HALF), _HALF)


def _throughout(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the mask holds over all that the filter sees."""
    return np.asarray(minimum_filter1d(mask, 6 * _HALF + 3, mode="nearest"))


def _electrical(guess: dict[str, float], rows: list[dict[str, _Array]]) -> None:
    inside = [
        _throughout((r["bridge"] == BRIDGE_DRIVEN) & (np.abs(r["current"]) > 0.2)) for r in rows
    ]
    i, w, u = (
        np.concatenate([r[n][k] for r, k in zip(rows, inside, strict=True)])
        for n in ("current", "omega", "volts")
    )
    if len(u) > 100:
        found, *_ = np.linalg.lstsq(np.column_stack([i, w]), u, rcond=None)
        if 0.05 < found[0] < 50.0:
            guess["resistance"] = float(found[0])
        if 0.01 < found[1] < 5.0:
            guess["motor_constant"] = float(found[1])


def _mechanical(
    guess: dict[str, float], rows: list[dict[str, _Array]], rest: float, travel: float
) -> None:
    inside = [
        _throughout(
            (r["theta"] > 0.01) & (r["theta"] < travel - 0.02) & (np.abs(r["omega"]) > 0.05)
        )
        & (_throughout(r["theta"] > rest + 0.015) | _throughout(r["theta"] < rest - 0.015))
        for r in rows
    ]
    theta, i, w, alpha = (
        np.concatenate([r[n][k] for r, k in zip(rows, inside, strict=True)])
        for n in ("theta", "current", "omega", "alpha")
    )
    if len(theta) < 200:
        return
    x = theta - rest
    up = x > 0.0
    table = np.column_stack([up, ~up * -1.0, x * up, x * ~up, np.sign(w), w, alpha])
    # a few degrees below rest hardly tell slope from step: there the belief counts as one reading
    believed = np.array([0.0, 0.0, 0.0, _GUESS_TORQUE / guess["spring_below"], 0.0, 0.0, 0.0])
    found = lsq_linear(
        np.vstack([table.astype(float), believed]),
        np.append(guess["motor_constant"] * i, _GUESS_TORQUE),
        bounds=(0.0, np.inf),
    ).x
    names = (
        "preload_above", "preload_below", "spring_above", "spring_below", "coulomb", "viscous",
        "inertia",
    )  # fmt: skip
    for name, value in zip(names, found, strict=True):
        if value > 0.05 * max(guess[name], 1e-9):
            guess[name] = float(value)


def first_guess(car: Car, records: Sequence[Record]) -> dict[str, float]:
    """Guess a servo from linear regressions of voltage and torque on its records.

    R i + K w = u - L di/dt,  K i = T_spring + T_c sign(w) + B w + J dw/dt

    Parameters
    ----------
    car : Car
        What is believed; stays where the records are silent.
    records : sequence of Record
        All of one servo.

    Returns
    -------
    dict of float
        Starting values by the names of the fit, SI.

    Notes
    -----
    Every term passes the same filter, so that filtering does not bend what it finds.
    """
    rec = car.record
    rest = float(rec["default_opening"])
    guess = {n: float(rec[FIELDS.get(n, n)]) for n in LOGARITHMIC}
    guess["resistance"] += float(rec["loom_resistance"])
    guess["breakaway_share"] = max(
        float(rec["servo_breakaway"]) / max(float(rec["servo_coulomb"]), 1e-6) - 1.0, 0.05
    )
    guess["default_opening"] = rest
    if rest > 0.0:
        begin = [float(np.median(r.plate[: still_until(r)])) for r in records]
        rest = guess["default_opening"] = float(np.median(begin))
    rows: list[dict[str, _Array]] = []
    for record in records:
        ticks = np.arange(len(record.volts))
        theta = _filtered(np.interp(ticks, record.at, record.plate))
        current = _filtered(np.interp(ticks, record.at, record.current))
        omega = np.gradient(theta, 1e-3)
        driving = _filtered(record.volts) - float(rec["motor_inductance"]) * np.gradient(
            current, 1e-3
        )
        rows.append(
            {
                "theta": theta, "omega": omega, "alpha": np.gradient(omega, 1e-3),
                "current": current, "volts": driving, "bridge": record.bridge,
            }
        )  # fmt: skip
    _electrical(guess, rows)
    _mechanical(guess, rows, rest, float(rec["servo_travel"]))
    for name in LOGARITHMIC:
        guess[name] = max(guess[name], 1e-6)
    return guess
