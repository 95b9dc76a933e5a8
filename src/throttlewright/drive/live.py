"""A car driven by hand: inputs that change, faults at any tick, the last minutes kept.

Nothing here knows a wall clock: ``step`` does as many ticks as it is told.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import mode_names, pack_calibration
from throttlewright.car.motion import start_state
from throttlewright.car.pack import Car
from throttlewright.car.state import OMEGA, OMEGA_GEARBOX, P_MANIFOLD, P_PIPE
from throttlewright.drive.channels import (
    CHANNELS,
    IN_CLUTCH,
    IN_GEAR,
    IN_HELD_SPEED,
    IN_PEDAL,
    N_CHANNELS,
    channel_named,
)
from throttlewright.drive.driver import DRIVER_WIDTH
from throttlewright.drive.faults import FAULTS, N_FAULTS, TICK, InjectedFault, fault_named
from throttlewright.drive.kernel import (
    CAR,
    ROW_WIDTH,
    T_KEY,
    T_STARTER,
    Inputs,
    advance,
    new_state,
)
from throttlewright.drive.live_parts import Ring
from throttlewright.drive.recorder import TRACE, to_recording
from throttlewright.drive.sensors import M_MAP, M_PIPE
from throttlewright.foundation.errors import InputError
from throttlewright.recording.recording import Recording

__all__ = ["COARSE", "FINE_ROWS", "LIVE", "Live"]

LIVE: tuple[str, ...] = (
    "pedal_pct",
    "plate_pct",
    "plate_target_pct",
    "demand_pct",
    "map_kPa",
    "pipe_kPa",
    "torque_Nm",
    "slip_1",
    "speed_m_s",
    "engine_rpm",
    "acceleration_m_s2",
    "coolant_degC",
    "exhaust_degC",
    "in_charge_plate_1",
    "action_1",
    "detected_1",
    "gear_1",
    "clutch_pct",
    "brake_pct",
    "mode_1",
    "fuel_cut_1",
    "bridge_1",
    "grip_1",
    "key_1",
)
"""Channels of ``drive.recorder.TRACE`` that a picture of the running car shows."""

FINE_ROWS = 60_000
"""Rows kept at every tick: one minute."""
COARSE = 10
"""Ticks from one row to the next of what is kept for longer: ten minutes at 100 Hz."""
_COARSE_ROWS = 60_000

_SETTLE = 2000
"""Ticks at held speed before the clock starts, so that pressures and temperatures are steady."""
_WARM = 363.15

# The clutch that works by itself; common practice, no source. Ticks are counted from the shift.
_PART = 5
"""Ticks between two looks of the clutch."""
_SELECT = 80
_ENGAGE = 160
_OPENING = 100.0 / 80.0
_CLOSING = 100.0 / 300.0
"""Most % of capacity a tick."""
_STALL = 0.9
_BITE = 1.05
_FULL = 2.3
"""Engine speed over idle speed below which the clutch opens, from which it bites, at which it is
home."""
_TOGETHER = 0.03
_HOME = 1.15
"""It goes home as well where both sides differ by less than this share, or the gearbox turns this
much faster than the engine idles."""


@dataclass
class _Broken:
    kind: str
    first: int
    severity: float
    last: float = math.inf


class Live:
    """A car that is driven by hand, idling in neutral at first.

    Parameters
    ----------
    car : Car
        A car in motion.
    calibration : Calibration
        What its controller holds.
    seed : int [-]
        Seed of the sensors' noise.

    Notes
    -----
    Ticks n and then m give bit for bit what n + m give, as long as the inputs stay as they are.
    """

    def __init__(self, car: Car, calibration: Calibration, *, seed: int = 0) -> None:
        self.car = car
        self.calibration = calibration
        self.modes = mode_names(calibration)
        self.gears = int(car.record["gears"])
        self._packed = pack_calibration(calibration)
        self._seed = seed
        self._columns = np.array(sorted({c.column for c in TRACE}))
        # Scale and offset of each channel of this car, from two rows whose values are known.
        probe = np.zeros((2, ROW_WIDTH))
        probe[1] = 1.0
        known = to_recording(car, probe, step_s=TICK)
        place = {c.name: c.column for c in TRACE}
        ends = np.array([known.channel(name).values for name in LIVE])
        self._live = np.array([place[name] for name in LIVE])
        self._offset, self._scale = ends[:, 0], ends[:, 1] - ends[:, 0]
        self._table = np.zeros((1, N_CHANNELS))
        self._schedule = np.zeros((N_FAULTS, 4))
        self._scratch = np.zeros((_PART, ROW_WIDTH))
        self._inputs = Inputs(
            self._table, self._schedule, np.zeros(DRIVER_WIDTH), np.array([0.0, 1.0])
        )
        self.reset()

    def reset(self) -> None:
        """Start anew: idling in neutral, nothing broken, nothing kept."""
        rec = self.car.record
        x = start_state(
            self.car,
            omega=self.car.idle,
            speed=0.0,
            ratio=0.0,
            opening=float(rec["default_opening"]),
            coolant=_WARM,
        )
        self._state = new_state(self._packed)
        self._state["x"] = x
        self._state["sensors"][M_MAP], self._state["sensors"][M_PIPE] = x[P_MANIFOLD], x[P_PIPE]
        self._state["clock"][T_KEY] = float(self._seed)
        self._table[0] = [channel.default for channel in CHANNELS]
        self._schedule[:, 0] = np.arange(N_FAULTS)
        self._schedule[:, 1:] = (0.0, -1.0, 0.0)
        self._foot = 0.0
        self._wanted = 0
        self._shift_at: int | None = None
        self._lift = False
        self.auto_clutch = True
        self._broken: deque[_Broken] = deque(maxlen=256)
        self._fine = Ring(FINE_ROWS, len(self._columns))
        self._coarse = Ring(_COARSE_ROWS, len(self._columns))
        self._done = -_SETTLE
        self._table[0, IN_HELD_SPEED] = 1.0
        self._run(_SETTLE, None)
        self._table[0, IN_HELD_SPEED] = 0.0

    # --- what the person does -----------------------------------------------------------------

    @property
    def ticks(self) -> int:
        """Ticks since the start."""
        return self._done

    @property
    def gear(self) -> int:
        """Gear that is asked for, 0 neutral."""
        return self._wanted

    @property
    def running(self) -> bool:
        """Whether the engine turns by itself."""
        return bool(self._state["x"][OMEGA] > 0.4 * self.car.idle)

    def set(self, channel: str, value: float) -> None:
        """Hold an input from the next tick on.

        Parameters
        ----------
        channel : str
            Name of an input channel; the gear goes through ``shift``.
        value : float
            In the unit of the channel.

        Raises
        ------
        InputError
            If there is no such channel, or the value is out of its range.
        """
        place = channel_named(channel)
        known = CHANNELS[place]
        if place in (IN_GEAR, IN_HELD_SPEED):
            raise InputError("is not set by hand", value=channel)
        if not known.low <= value <= known.high:
            raise InputError(
                "is out of range",
                key=channel,
                value=value,
                allowed=f"{known.low:g} to {known.high:g} {known.unit}",
            )
        if channel == "mode_1" and value >= len(self.modes):
            raise InputError(
                "there is no such mode", key=channel, value=value, allowed=", ".join(self.modes)
            )
        if place == IN_PEDAL:
            self._foot = float(value)
            if self._lift:
                return
        self._table[0, place] = round(value) if known.whole else value

    def shift(self, gear: int) -> None:
        """Ask for a gear, 0 for neutral.

        Raises
        ------
        InputError
            If the box has no such gear.
        """
        if not 0 <= gear <= self.gears:
            raise InputError("is no gear of this box", value=gear, allowed=f"0 to {self.gears}")
        self._lift = self.auto_clutch and gear > self._wanted > 0
        self._wanted = gear
        self._shift_at = self._done
        if not self.auto_clutch:
            self._table[0, IN_GEAR] = gear
            self._shift_at = None

    def start_engine(self) -> None:
        """Turn the starter until the engine runs; the key must be on."""
        self._state["clock"][T_STARTER] = 1.0

    def inject(self, kind: str, severity: float | None = None) -> None:
        """Break something from the next tick on.

        Parameters
        ----------
        kind : str
            Name of a kind of fault.
        severity : float, optional
            In the unit of the kind; its usual one when left out.

        Raises
        ------
        InputError
            If the kind is unknown or the severity out of range.
        """
        known = fault_named(kind)
        value = known.default if severity is None else float(severity)
        if not (known.low <= value <= known.high and value != 0.0):
            raise InputError(
                "is outside the allowed range",
                key=f"fault {kind}, severity",
                value=severity,
                allowed=f"{known.low:g} to {known.high:g} {known.unit}, not 0",
            )
        self.clear(kind)
        last = math.inf
        if known.unit == "s":
            last = float(self._clock() + round(value / TICK) - 1)
        self._schedule[known.code, 1:] = (self._clock(), last, value)
        self._broken.append(_Broken(kind, self._done, value, last - _SETTLE))

    def clear(self, kind: str | None = None) -> None:
        """Mend one kind of fault, or all, from the next tick on."""
        codes = [f.code for f in FAULTS] if kind is None else [fault_named(kind).code]
        # The row stays, for the kernel sets a severity back to 0 only where a row says so.
        self._schedule[codes, 2] = np.minimum(self._schedule[codes, 2], self._clock() - 1.0)
        for broken in self._broken:
            if kind is None or broken.kind == kind:
                broken.last = min(broken.last, self._done - 1)

    @property
    def broken(self) -> tuple[str, ...]:
        """Kinds of fault that act now."""
        return tuple(b.kind for b in self._broken if b.first <= self._done <= b.last)

    # --- time ---------------------------------------------------------------------------------

    def step(self, n_ticks: int) -> NDArray[np.float32]:
        """Go on by a number of ticks.

        Parameters
        ----------
        n_ticks : int [-]
            From 0.

        Returns
        -------
        ndarray of shape (n_ticks, len(LIVE))
            What the car did, channels as ``LIVE``.
        """
        shown = np.empty((n_ticks, len(LIVE)), np.float32)
        self._run(n_ticks, shown)
        return shown

    def _clock(self) -> int:
        return self._done + _SETTLE

    def _run(self, n_ticks: int, shown: NDArray[np.float32] | None) -> None:
        done = 0
        car, state, scratch = self.car.record, self._state, self._scratch
        while done < n_ticks:
            # Looks of the clutch stand on the clock, not on how the caller cuts the time.
            past = self._clock() % _PART
            if past == 0:
                self._work_clutch()
            part = min(_PART - past, n_ticks - done)
            self._inputs.window[0] = float(self._clock())
            advance(CAR, car, self._packed, state, self._inputs, part, scratch)
            if shown is not None:
                rows = scratch[:part]
                shown[done : done + part] = rows[:, self._live] * self._scale + self._offset
                kept = rows[:, self._columns]
                self._fine.add(kept)
                if self._done % COARSE == 0:
                    self._coarse.add(kept[:1])
                elif (over := -self._done % COARSE) < part:
                    self._coarse.add(kept[over : over + 1])
            self._done += part
            done += part

    def _work_clutch(self) -> None:
        row = self._table[0]
        if not self.auto_clutch:
            return
        x = self._state["x"]
        if self._shift_at is not None:
            since = self._done - self._shift_at
            if since >= _SELECT:
                row[IN_GEAR] = float(self._wanted)
            if since >= _ENGAGE:
                self._shift_at, self._lift = None, False
        row[IN_PEDAL] = 0.0 if self._lift else self._foot
        speed, idle = float(x[OMEGA]), self.car.idle
        box = abs(float(x[OMEGA_GEARBOX]))
        if self._shift_at is not None or speed < _STALL * idle:
            target = 0.0
        elif row[IN_GEAR] == 0.0 or (
            speed > _BITE * idle
            and (abs(speed - box) < _TOGETHER * speed or box > _BITE * _STALL * 1.2 * idle)
        ):
            target = 100.0
        else:
            share = (speed - _BITE * idle) / ((_FULL - _BITE) * idle)
            target = 100.0 * min(max(share, 0.0), 1.0)
        now = row[IN_CLUTCH]
        low, high = now - _OPENING * _PART, now + _CLOSING * _PART
        row[IN_CLUTCH] = min(max(target, low), high)

    def _together(self, speed: float, box: float) -> bool:
        return abs(speed - box) < _TOGETHER * speed or box > _HOME * self.car.idle

    # --- what is kept -------------------------------------------------------------------------

    @property
    def kept_from(self) -> int:
        """First tick that a recording can begin at."""
        return self._coarse.first * COARSE

    def recording(self, first: int, last: int) -> Recording:
        """Return what was driven between two ticks.

        Parameters
        ----------
        first, last : int [-]
            From the start of the session; ``last`` is not part of it.

        Returns
        -------
        Recording
            At every tick where all of it is within the last minute, else at 100 Hz; its time
            begins at 0.

        Raises
        ------
        InputError
            If nothing of it is kept.
        """
        last = min(last, self._done)
        first = max(first, self.kept_from, 0)
        if last - first < 2 * COARSE:
            raise InputError(
                "there is nothing to keep yet", value=f"{max(last - first, 0)} ms driven"
            )
        if first >= self._fine.first:
            stride, part = 1, self._fine.part(first, last)
        else:
            stride = COARSE
            first = -(-first // COARSE) * COARSE
            part = self._coarse.part(first // COARSE, -(-last // COARSE))
        rows = np.zeros((len(part), ROW_WIDTH))
        rows[:, self._columns] = part
        faults = []
        for b in self._broken:
            if b.first < last and b.last >= first and b.last >= b.first:
                faults.append(self._injected(b, first, last))
        return to_recording(
            self.car,
            rows,
            step_s=stride * TICK,
            faults=faults,
            meta={
                "kind": "live",
                "car": self.car.build.name,
                "modes": list(self.modes),
                "faults": [f.kind for f in faults],
                "seed": self._seed,
            },
        )

    @staticmethod
    def _injected(broken: _Broken, first: int, last: int) -> InjectedFault:
        at = max(broken.first - first, 0)
        data: dict[str, object] = {"kind": broken.kind, "at": f"{at} ms"}
        if fault_named(broken.kind).unit == "s":
            return InjectedFault.model_validate(data | {"severity": broken.severity})
        if broken.last < last:
            data["until"] = f"{max(int(broken.last) + 1 - first, at + 1)} ms"
        return InjectedFault.model_validate(data | {"severity": broken.severity})
