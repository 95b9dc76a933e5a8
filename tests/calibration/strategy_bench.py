"""A small calibration and a controller on the table, for tests of the strategy."""

from __future__ import annotations

from typing import Any

import numpy as np

from throttlewright.calibration import signals as s
from throttlewright.calibration.calibration import Calibration, Number, Reaction
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.strategy_kernel import control, restart_memory, start_memory
from throttlewright.calibration.table import Axis, Table

MEANING = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
RPM = Axis("engine_rpm", "rpm", [1000.0, 5000.0])
PEDAL = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
COOLANT = Axis("coolant_degC", "degC", [0.0, 50.0])


def table(name: str, unit: str, axes: tuple[Axis, ...], values: Any) -> Table:
    return Table(name, "invented", unit, axes, values, percent_meaning=MEANING)


def even(name: str = "road", factor: float = 1.0) -> Table:
    """A demand of plate = factor times pedal at any speed."""
    return table(
        f"plate_over_pedal_{name}", "%", (RPM, PEDAL), factor * np.array([[0.0, 50.0, 100.0]] * 2)
    )


def row(name: str, output: str, side: str, law: str, x: str = "", **more: Any) -> Limit:
    return Limit(name, output, side, law, x, reason="test", source="test", **more)


def reaction(
    detection: str, limit: float, time_s: float, action: str, recovery: str = "self"
) -> Reaction:
    return Reaction(detection, detection, limit, time_s, action, recovery, "test")


class Bench:
    """A controller whose signals are set by hand; the plate follows nothing unless told."""

    def __init__(
        self,
        limits: tuple[Limit, ...] = (),
        reactions: tuple[Reaction, ...] = (),
        numbers: dict[str, float] | None = None,
        tables: tuple[Table, ...] = (),
        units: dict[str, str] | None = None,
    ) -> None:
        from throttlewright.calibration.defaults import DEFAULTS

        every = {t.name: t for t in (even(), *tables)}
        given = {
            name: Number(value, DEFAULTS[name].unit if name in DEFAULTS else "", "test")
            for name, value in {"plate_rise_pct_s": 1e6, **(numbers or {})}.items()
        }
        self.calibration = Calibration(every, given, limits, reactions)
        self.cal = pack_calibration(self.calibration)
        self.memory = start_memory(self.cal)
        self.out = np.zeros(s.N_OUT)
        self.signals = np.zeros(s.N_SIGNALS)
        self.signals[s.SIG_REFERENCE_V] = 5.0
        self.signals[s.SIG_BATTERY_V] = 12.0
        self.signals[s.SIG_MAP_KPA] = 60.0
        self.signals[s.SIG_PIPE_KPA] = 100.0
        self.signals[s.SIG_ENGINE_RPM] = 2000.0
        self.signals[s.SIG_COOLANT_DEGC] = 90.0
        self.signals[s.SIG_KEY] = 1.0
        self.signals[s.SIG_CLUTCH] = 1.0
        self.pedal(0.0)
        self.plate(0.0)

    def pedal(self, percent: float) -> None:
        # The typical tracks: 0.75..4.5 V and half of it.
        self.signals[s.SIG_PEDAL_1_V] = 0.75 + 0.0375 * percent
        self.signals[s.SIG_PEDAL_2_V] = 0.375 + 0.01875 * percent

    def plate(self, percent: float) -> None:
        # The typical tracks: 0.6..4.4 V and its mirror.
        self.signals[s.SIG_PLATE_1_V] = 0.6 + 0.038 * percent
        self.signals[s.SIG_PLATE_2_V] = 4.4 - 0.038 * percent

    def set(self, signal: int, value: float) -> None:
        self.signals[signal] = value

    def run(self, ticks: int = 1, follow: bool = False) -> np.ndarray:
        for _ in range(ticks):
            control(self.signals, self.cal, memory=self.memory, out=self.out)
            if follow:
                self.plate(self.out[s.OUT_TARGET_PCT])
        return self.out

    def restart(self) -> None:
        restart_memory(self.memory)

    @property
    def target(self) -> float:
        return float(self.out[s.OUT_TARGET_PCT])
