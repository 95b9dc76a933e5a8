"""What is judged: a recording, what was driven and broken, and the facts of the car."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from throttlewright.foundation.errors import InputError
from throttlewright.recording.recording import Recording

__all__ = ["CarFacts", "ColdCeiling", "NotApplicableError", "NotProvenError", "Run", "series"]

Floats = NDArray[np.float64]


class NotApplicableError(Exception):
    """The criterion does not apply to this run; the text says why."""


class NotProvenError(Exception):
    """The data cannot tell; the text says why, and the figure that was reached may be kept."""

    def __init__(self, text: str, value: float = math.nan) -> None:
        self.value = value
        super().__init__(text)


@dataclass(frozen=True, eq=False)
class ColdCeiling:
    """Most plate over coolant temperature and engine speed.

    Parameters
    ----------
    coolant_degC : ndarray of shape (n,) [degC]
        Rising, n >= 2.
    engine_rpm : ndarray of shape (m,) [rpm]
        Rising, m >= 2.
    plate_pct : ndarray of shape (n, m) [%]
        Most opening.
    map_kPa : ndarray of shape (n, m) [kPa], optional
        Manifold pressure that a loop on it aims at; the ceiling then moves by ``gain`` [%/kPa]
        with what is missing to it.
    gain : float [%/kPa]
        0 where the ceiling is the table alone.
    least : float [%]
        Where a loop ends: the air to idle on.
    """

    coolant_degC: Floats
    engine_rpm: Floats
    plate_pct: Floats
    map_kPa: Floats | None = None
    gain: float = 0.0
    least: float = 0.0

    def __post_init__(self) -> None:
        for key in ("coolant_degC", "engine_rpm", "plate_pct"):
            object.__setattr__(self, key, np.asarray(getattr(self, key), dtype=np.float64))
        for key in ("coolant_degC", "engine_rpm"):
            axis = getattr(self, key)
            if axis.ndim != 1 or axis.size < 2 or not np.all(np.diff(axis) > 0.0):
                raise InputError("must be a rising row of numbers", key=f"cold ceiling, {key}")
        if self.plate_pct.shape != (self.coolant_degC.size, self.engine_rpm.size):
            raise InputError("does not fit its axes", key="cold ceiling, plate_pct")

    def at(self, coolant_degC: Floats, engine_rpm: Floats, map_kPa: Floats | None = None) -> Floats:
        """Return the ceiling, held at the ends of its axes.

        Parameters
        ----------
        coolant_degC : ndarray of shape (k,) [degC]
            Coolant temperatures.
        engine_rpm : ndarray of shape (k,) [rpm]
            Engine speeds.
        map_kPa : ndarray of shape (k,) [kPa], optional
            Manifold pressures, for a ceiling with a loop.

        Returns
        -------
        ndarray of shape (k,) [%]
            Most opening.
        """
        axes = (self.coolant_degC, self.engine_rpm)
        asked = [
            np.clip(x, axis[0], axis[-1])
            for x, axis in zip((coolant_degC, engine_rpm), axes, strict=True)
        ]
        points = np.stack(asked, axis=-1)
        found = RegularGridInterpolator(axes, self.plate_pct)(points)
        if self.map_kPa is not None and map_kPa is not None:
            aimed = RegularGridInterpolator(axes, self.map_kPa)(points)
            found = np.clip(found + self.gain * (aimed - map_kPa), self.least, 100.0)
        return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True)
class CarFacts:
    """Facts of the car that criteria need; NaN where nobody knows.

    Parameters
    ----------
    gross_mass_kg : float [kg]
        Largest mass the car may have, loaded.
    ambient_degC, ambient_kPa : float [degC, kPa]
        Of the run.
    boosted : bool
        A turbo or a blower.
    idle_rpm : float [rpm]
        Warm idle speed asked for.
    idle_plate_pct : float [%]
        Opening of the plate at warm idle.
    rest_plate_pct : float [%]
        Opening at which the springs hold the plate without power.
    limp_rpm : float [rpm]
        Engine speed above which fuel is cut after a fault; NaN when the calibration has none.
    boost_limit_kPa : float [kPa]
        Manifold pressure not to be passed, absolute.
    exhaust_limit_degC : float [degC]
        What turbine and valves are known to stand; NaN for the usual limit.
    slip_limit_1 : float [-]
        Slip of the driven tyres above which they are said to slip; NaN for the usual limit.
    stall_A : float [A]
        Current of the plate's motor at a standstill with the full supply.
    cold_ceiling : ColdCeiling, optional
        Most plate while the engine is cold.
    """

    gross_mass_kg: float = math.nan
    ambient_degC: float = math.nan
    ambient_kPa: float = math.nan
    boosted: bool = False
    idle_rpm: float = math.nan
    idle_plate_pct: float = math.nan
    rest_plate_pct: float = math.nan
    limp_rpm: float = math.nan
    boost_limit_kPa: float = math.nan
    exhaust_limit_degC: float = math.nan
    slip_limit_1: float = math.nan
    stall_A: float = math.nan
    cold_ceiling: ColdCeiling | None = None

    def need(self, name: str) -> float:
        """Return a fact; NotProvenError when nobody knows it."""
        value = float(getattr(self, name))
        if not math.isfinite(value):
            raise NotProvenError(f"the fact {name} of the car is not known")
        return value


@dataclass(frozen=True, eq=False)
class Run:
    """One recording to be judged.

    Parameters
    ----------
    recording : Recording
        What happened.
    scenario : str
        Name of what was driven; a part after ``@`` names a variant.
    car : CarFacts
        Facts of the car.
    healthy : Recording, optional
        The same scenario with nothing broken.
    fault : str
        Kind of what is broken; empty for nothing.
    fault_at_s : float [s]
        When it breaks.
    """

    recording: Recording
    scenario: str
    car: CarFacts = field(default_factory=CarFacts)
    healthy: Recording | None = None
    fault: str = ""
    fault_at_s: float = 0.0

    @property
    def kind(self) -> str:
        """Name of the scenario without its variant."""
        return self.scenario.partition("@")[0]

    def series(self, *names: str) -> tuple[Floats, ...]:
        """Return the clock of the first channel and the named channels on it.

        Raises
        ------
        NotProvenError
            If a channel is missing, empty, or not a number somewhere: a run that the solver lost
            must not pass for want of samples.
        """
        return series(self.recording, *names)


def series(recording: Recording, *names: str) -> tuple[Floats, ...]:
    """Return the clock of the first channel and the named channels on it.

    Raises
    ------
    NotProvenError
        If a channel is missing, has fewer than two samples, or is not a number somewhere.
    """
    missing = [name for name in names if name not in recording.channels]
    if missing:
        raise NotProvenError(f"the recording has no channel {', '.join(missing)}")
    t_s = recording.channel(names[0]).t_s
    if len(t_s) < 2:
        raise NotProvenError(f"the channel {names[0]} has fewer than two samples")
    found = [t_s]
    for name in names:
        channel = recording.channel(name)
        same = np.array_equal(channel.t_s, t_s)
        values = channel.values if same else recording.resample(name, t_s)
        bad = int(np.count_nonzero(~np.isfinite(values)))
        if bad:
            raise NotProvenError(f"the channel {name} has {bad} samples that are no number")
        found.append(values)
    return tuple(found)
