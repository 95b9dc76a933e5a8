"""The servo model as a fit sees it: parameters in a row, records cut where the plate rests."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from throttlewright.car.pack import Car
from throttlewright.car.record import copied
from throttlewright.drive.servo_run import replay_servo
from throttlewright.logs.servo_records import Record
from throttlewright.physics.servo import BRIDGE_DRIVEN

__all__ = ["BELOW", "FIELDS", "LOGARITHMIC", "ServoModel", "smooth", "still_until"]

_Array = NDArray[np.float64]

LOGARITHMIC = (
    "resistance",
    "motor_constant",
    "spring_above",
    "preload_above",
    "spring_below",
    "preload_below",
    "coulomb",
    "inertia",
    "viscous",
    "winding_capacity",
)
"""Fitted by their logarithm, so that they stay above zero."""
FIELDS = {
    "resistance": "motor_resistance",
    "coulomb": "servo_coulomb",
    "inertia": "servo_inertia",
    "viscous": "servo_viscous",
}
"""Names in the packed car where they differ."""
BELOW = ("spring_below", "preload_below")
"""Only a body that rests above its closed stop has them."""
_PRIOR = {"winding_capacity": 0.7, "breakaway_share": 0.5, "default_opening": 0.05}
_START = 0.02
_WEAK = 1.0
"""Spread of what is believed before the record: a factor e either way. It keeps the fit regular
where a record is silent and does not move what the record tells."""
_STILL_TIME = 60
_STILL = math.radians(0.12)
_ON_STOP = math.radians(0.6)
_LEAST_PIECE = 40


def smooth(values: _Array, half: int) -> _Array:
    """Return the running mean over ``2 half + 1`` values, shorter at the ends."""
    wide = np.ones(2 * half + 1)
    return np.asarray(
        np.convolve(values, wide, "same") / np.convolve(np.ones(len(values)), wide, "same")
    )


def still_until(record: Record) -> int:
    """Return how many readings come before the first voltage, at least one."""
    moved = np.nonzero(record.volts != 0.0)[0]
    end = float(moved[0]) if len(moved) else 100.0
    return max(int(np.searchsorted(record.at, end)), 1)


@dataclass(frozen=True)
class _Piece:
    """Part of a record that begins with the plate at rest."""

    whole: int
    first: int
    volts: _Array
    bridge: _Array
    at: _Array
    read: _Array
    start: float
    on_stop: bool
    T_body: float

    @cached_property
    def on_ticks(self) -> bool:
        """Whether there is one reading on every tick, so that nothing is interpolated."""
        return bool(
            len(self.at) <= len(self.volts)
            and np.allclose(self.at, np.arange(len(self.at)), rtol=0.0, atol=1e-6)
        )


def _cuts(record: Record, travel: float) -> list[tuple[int, float, bool]]:
    """Ticks at which the plate rests, with where it rests and whether that is a stop."""
    n = len(record.volts)
    ticks = np.arange(n)
    theta = np.interp(ticks, record.at, record.plate)
    calm = smooth(theta, 10)
    wide = _STILL_TIME // 2
    still = np.zeros(n, bool)
    still[wide : n - wide] = np.abs(calm[2 * wide :] - calm[: n - 2 * wide]) < _STILL
    found = [(0, float(np.mean(record.plate[: still_until(record)])), False)]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin < _STILL_TIME:
            continue
        # late within the rest: what came before has died away, and little time is lost
        at = int(end - min(_STILL_TIME // 2, (end - begin) // 3))
        # the voltage must be smooth there, so that the current is its steady one
        at = next((t for t in range(at, begin, -1) if _quiet(record, t)), -1)
        if at - found[-1][0] < _LEAST_PIECE or n - at < _LEAST_PIECE:
            continue
        where = float(np.mean(theta[max(begin, at - 200) : at]))
        stop = min((0.0, travel), key=lambda s: abs(s - where))
        on_stop = abs(stop - where) < _ON_STOP
        if not on_stop and not _steady(record, at):
            # it may creep through the step between the springs, slower than one can see
            continue
        found.append((at, stop if on_stop else where, on_stop))
    return found


def _quiet(record: Record, tick: int) -> bool:
    before = slice(max(tick - 20, 0), tick + 1)
    return bool(np.ptp(record.volts[before]) < 0.3 and np.ptp(record.bridge[before]) == 0.0)


def _steady(record: Record, tick: int) -> bool:
    around = slice(max(tick - 100, 0), tick + 1)
    return bool(np.ptp(record.volts[around]) < 0.02 and np.ptp(record.bridge[around]) == 0.0)


class ServoModel:
    """Parameters in the order of the fit, and the residuals they leave.

    Parameters
    ----------
    car : Car
        Gives what is not fitted.
    records : sequence of Record
        Cut where the plate stands still, so that an error does not travel through a record.
    """

    def __init__(self, car: Car, records: Sequence[Record]) -> None:
        self.rec = copied(car.record)
        self.below = float(self.rec["default_opening"]) > 0.0
        self.names = [n for n in LOGARITHMIC if self.below or n not in BELOW]
        self.names += ["breakaway_share"]
        if self.below:
            self.names += ["default_opening"]
        self.starts = len(self.names)
        self.loom = float(self.rec["loom_resistance"])
        self.records = records
        travel = float(self.rec["servo_travel"])
        self.pieces: list[_Piece] = []
        for whole, record in enumerate(records):
            cuts = _cuts(record, travel)
            ends = [c[0] for c in cuts[1:]] + [len(record.volts)]
            for (begin, start, on_stop), end in zip(cuts, ends, strict=True):
                here = (record.at >= begin) & (record.at <= end - 1)
                self.pieces.append(
                    _Piece(
                        whole,
                        begin,
                        record.volts[begin:end].copy(),
                        record.bridge[begin:end].copy(),
                        record.at[here] - begin,
                        np.column_stack([record.plate, record.current])[here],
                        start,
                        on_stop,
                        record.T_body,
                    )
                )
        self.free = [k for k, piece in enumerate(self.pieces) if not piece.on_stop]
        self._place = {k: self.starts + j for j, k in enumerate(self.free)}
        self._squares = [
            np.interp(np.arange(len(r.volts)), r.at, smooth(r.current, 3)) ** 2 for r in records
        ]

    def pack(self, values: dict[str, float]) -> _Array:
        """Return the row of parameters that stands for these values."""
        head = [math.log(values[n]) if n in LOGARITHMIC else values[n] for n in self.names]
        rest = values["default_opening"] if self.below else 0.0
        # from the rest position: the spring does not change when that is moved
        return np.array([*head, *[self.pieces[k].start - rest for k in self.free]])

    def unpack(self, q: _Array) -> dict[str, float]:
        """Return the values that a row of parameters stands for; ``pack`` the other way."""
        return {
            n: math.exp(v) if n in LOGARITHMIC else float(v)
            for n, v in zip(self.names, q[: self.starts], strict=True)
        }

    def prior(self) -> _Array:
        """Return the spread believed of each parameter before the record."""
        head = [_PRIOR.get(n, _WEAK) for n in self.names]
        return np.array([*head, *[_START] * len(self.free)])

    def run(self, q: _Array, only: int | None = None) -> list[_Array]:
        """Return plate, current and winding of each piece over its ticks, or of one of them."""
        v, rec = self.unpack(q), self.rec
        for name, value in v.items():
            if name not in ("breakaway_share", "resistance"):
                rec[FIELDS.get(name, name)] = value
        rec["servo_breakaway"] = v["coulomb"] * (1.0 + max(v["breakaway_share"], 0.0))
        # the loom cannot be told from the winding: the sum is fitted
        rec["motor_resistance"] = max(v["resistance"] - self.loom, 1e-2)
        share = 1e-3 / v["winding_capacity"]
        decay = math.exp(-share / float(rec["winding_heat_resistance"]))
        winding = float(rec["motor_resistance"])
        rises = [lfilter([winding * share], [1.0, -decay], sq) for sq in self._squares]
        rest = v["default_opening"] if self.below else 0.0
        found = []
        for k, piece in enumerate(self.pieces):
            if only is not None and k != only:
                continue
            T = piece.T_body + (float(rises[piece.whole][piece.first - 1]) if piece.first else 0.0)
            total = winding * (1.0 + 0.00393 * (T - 293.15)) + self.loom
            driven = piece.bridge[0] == BRIDGE_DRIVEN
            out = np.empty((len(piece.volts), 3))
            replay_servo(
                piece.volts,
                piece.bridge,
                car=rec,
                theta=rest + float(q[self._place[k]]) if k in self._place else piece.start,
                current=float(piece.volts[0]) / total if driven else 0.0,
                T_body=piece.T_body,
                T_winding=T,
                out=out,
            )
            found.append(out)
        return found

    def residual(self, q: _Array, only: int | None = None) -> list[_Array]:
        """Return plate and current read less modelled, (n, 2) for each piece."""
        chosen = self.pieces if only is None else [self.pieces[only]]
        result = []
        for piece, out in zip(chosen, self.run(q, only), strict=True):
            if piece.on_ticks:
                result.append(piece.read - out[: len(piece.at), :2])
                continue
            low = np.minimum(piece.at.astype(int), len(out) - 2)
            share = (piece.at - low)[:, None]
            model = out[low, :2] * (1.0 - share) + out[low + 1, :2] * share
            result.append(piece.read - model)
        return result

    def traces(self, q: _Array) -> tuple[_Array, ...]:
        """Return plate, current and winding of each record, its pieces put together."""
        runs = self.run(q)
        return tuple(
            np.concatenate([o for p, o in zip(self.pieces, runs, strict=True) if p.whole == k])
            for k in range(len(self.records))
        )
