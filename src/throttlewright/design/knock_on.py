"""Knock-on list: which other tables change meaning when pedal and plate part ways."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from throttlewright.car.pack import Car
from throttlewright.car.surface import AUTHORITY_SHARE, TorqueSurface
from throttlewright.design.pedal import PedalMap
from throttlewright.foundation.errors import InputError

__all__ = ["KnockOn", "Signal", "knock_on"]

Signal = Literal["pedal", "plate", "MAP"]

# Typical thresholds on a car whose plate hangs on a cable: common practice, no source.
_HALF = 50.0
_RATE = 400.0
_BOOST_FULL = 80.0
_RELEASED = 2.5
_OVERRUN = 1.5
_LAUNCH = 50.0
_SHIFT = 70.0
_KICKDOWN = 95.0
_COMPRESSOR_OFF = 80.0

_FINE = np.linspace(0.0, 100.0, 401)
_SHARE_SLACK = 0.005
"""Torque share below which two torques feel alike; keeps a flat top from asking for all of it."""


@dataclass(frozen=True)
class KnockOn:
    """One table or enable and what becomes of it.

    ``old_pct`` is the number written against plate opening under the old relation; ``new_pct`` the
    number that means the same on the signal ``use``, median over engine speed, with the least and
    greatest in ``low_pct`` and ``high_pct``. Per cent of pedal travel, of plate opening, or of
    ambient pressure for MAP; per cent per second where the threshold's name says so. ``reached`` is
    False where the new map does not get there at some speed, even with the pedal full.
    """

    table: str
    meaning_before: str
    use: Signal
    why: str
    threshold_name: str
    old_pct: float
    new_pct: float
    low_pct: float
    high_pct: float
    reached: bool
    note: str


@dataclass(frozen=True)
class _Range:
    middle: float
    low: float
    high: float
    reached: bool = True

    @property
    def text(self) -> str:
        if self.high - self.low < 0.5:
            return f"{self.middle:.1f} %"
        return f"{self.low:.1f} to {self.high:.1f} %"


def _spread(values: np.ndarray, *, cap: float | None = None) -> _Range:
    """Middle and ends of values over speed; NaN marks a speed where the threshold is not met."""
    missing = bool(np.any(np.isnan(values)))
    filled = values if cap is None else np.where(np.isnan(values), cap, values)
    return _Range(
        float(np.median(filled)), float(np.min(filled)), float(np.max(filled)), not missing
    )


def _first_pedal(rows: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Least pedal [%] at which each row over ``_FINE`` meets a value; NaN where it never does."""
    out = np.full(rows.shape[0], np.nan)
    for i, row in enumerate(rows):
        rising = np.maximum.accumulate(row)
        if rising[-1] < wanted[i] - 1e-9:
            continue
        k = int(np.argmax(rising >= wanted[i] - 1e-9))
        if k == 0:
            out[i] = 0.0
            continue
        part = (wanted[i] - rising[k - 1]) / (rising[k] - rising[k - 1])
        out[i] = _FINE[k - 1] + min(max(part, 0.0), 1.0) * (_FINE[k] - _FINE[k - 1])
    return out


class _Relations:
    """Old and new relation of pedal and plate on common speeds."""

    def __init__(self, old: PedalMap, new: PedalMap, surface: TorqueSurface, car: Car) -> None:
        inside = (new.omega >= car.idle) & (new.omega <= car.limit)
        inside &= (new.omega >= surface.omega[0]) & (new.omega <= surface.omega[-1])
        if not inside.any():
            raise InputError(
                "the new map has no engine speed between idle and the rev limit",
                key="omega",
                advice="give it a speed axis that covers the working range",
            )
        self.omega = new.omega[inside]
        self.surface = surface
        self.car = car
        self.old_rows = old.plate_at(self.omega, _FINE)
        self.new_rows = new.plate_at(self.omega, _FINE)
        self.closed = self._torque(np.zeros((self.omega.size, 1)))[:, 0]
        self.full = self._torque(np.full((self.omega.size, 1), 100.0))[:, 0]
        self.new_torque = self._torque(self.new_rows)

    def _psi(self, pct: np.ndarray) -> np.ndarray:
        first, last = self.surface.psi[0], self.surface.psi[-1]
        return np.asarray(first + pct / 100.0 * (last - first))

    def _torque(self, pct: np.ndarray) -> np.ndarray:
        return self.surface.torque_at(self.omega, self._psi(pct))

    def _column(self, pct: float) -> np.ndarray:
        return np.full((self.omega.size, 1), pct)

    def old_foot(self, plate_pct: float) -> np.ndarray:
        """Pedal [%] that stood behind an old plate opening; full where the old map stayed below."""
        foot = _first_pedal(self.old_rows, self._column(plate_pct)[:, 0])
        return np.where(np.isnan(foot), 100.0, foot)

    def foot(self, plate_pct: float) -> _Range:
        """Same foot position as an old plate opening, on the pedal."""
        return _spread(self.old_foot(plate_pct))

    def foot_on_plate(self, plate_pct: float) -> _Range:
        """The new plate opening at that foot position."""
        foot = self.old_foot(plate_pct)
        rows = zip(foot, self.new_rows, strict=True)
        return _spread(np.array([np.interp(f, _FINE, row) for f, row in rows]))

    def torque_on_pedal(self, plate_pct: float) -> _Range:
        """The new pedal position with the torque share of an old plate opening."""
        wanted = self._torque(self._column(plate_pct))[:, 0]
        wanted = wanted - _SHARE_SLACK * (self.full - self.closed)
        return _spread(_first_pedal(self.new_torque, wanted), cap=100.0)

    def share_at(self, plate_pct: float) -> _Range:
        """Torque share [%] at a plate opening."""
        torque = self._torque(self._column(plate_pct))[:, 0]
        return _spread(100.0 * (torque - self.closed) / (self.full - self.closed))

    def map_at(self, plate_pct: float) -> _Range:
        """MAP over ambient pressure [%] at a plate opening."""
        if "map" not in self.surface.values:
            raise InputError("the surface has no map", advice="compute it from a build")
        pressure = self.surface.value_at("map", self.omega, self._psi(self._column(plate_pct)))
        return _spread(100.0 * pressure[:, 0] / float(self.car.record["p_ambient"]))

    def pedal_for_plate(self, plate_pct: float) -> _Range:
        """New pedal position at which the plate reaches an opening."""
        return _spread(_first_pedal(self.new_rows, self._column(plate_pct)[:, 0]), cap=100.0)

    def authority_end(self) -> _Range:
        """Plate opening [%] from which more does nothing."""
        return _spread(self._ends())

    def _ends(self) -> np.ndarray:
        ends = np.interp(self.omega, self.surface.omega, self.surface.authority_end)
        first, last = self.surface.psi[0], self.surface.psi[-1]
        return np.asarray(100.0 * (ends - first) / (last - first))

    def rate_ratio(self, *, with_authority: bool = False) -> _Range:
        """Greatest plate speed for one foot speed, new over old; to the authority end if asked."""

        def steepest(rows: np.ndarray) -> np.ndarray:
            steps = np.diff(rows, axis=1)
            if with_authority:
                steps = np.where(rows[:, :-1] < self._ends()[:, None], steps, 0.0)
            return np.asarray(np.max(steps, axis=1))

        old, new = steepest(self.old_rows), steepest(self.new_rows)
        if np.any(old <= 0.0):
            raise InputError("the old map does not move the plate at some speed", key="plate_pct")
        return _spread(new / old)


def knock_on(old: PedalMap, new: PedalMap, surface: TorqueSurface, car: Car) -> tuple[KnockOn, ...]:
    """List the other tables that change meaning with a new pedal map, with thresholds rescaled.

    Parameters
    ----------
    old : PedalMap
        Relation before; ``pedal.one_to_one`` for a cable.
    new : PedalMap
        Relation after.
    surface : TorqueSurface
        Torque and MAP of this engine and plate.
    car : Car
        The car.

    Returns
    -------
    tuple of KnockOn
        Thresholds that meant the foot keep the foot position; thresholds that meant torque keep the
        torque share at each engine speed between idle and rev limit.

    Raises
    ------
    InputError
        If the new map has no speed in the working range, the old map never moves the plate, or the
        surface lacks MAP.

    Notes
    -----
    The thresholds rescaled are typical ones (common practice, no source): read your own table's
    number in the same way.
    """
    surface.require_solved()
    both = _Relations(old, new, surface, car)
    return (
        *_load_tables(both, car),
        _transient(both),
        *_boost(both, new, car),
        *_closed_end(both),
        *_foot_enables(both),
        _compressor_off(both),
    )


def _entry(
    table: str,
    meaning_before: str,
    use: Signal,
    why: str,
    threshold: tuple[str, float],
    to: _Range,
    note: str,
) -> KnockOn:
    if not to.reached:
        note += (
            " At some engine speeds the new map stays below this even with the pedal full: decide "
            "whether the function may then stay off."
        )
    return KnockOn(
        table=table,
        meaning_before=meaning_before,
        use=use,
        why=why,
        threshold_name=threshold[0],
        old_pct=threshold[1],
        new_pct=to.middle,
        low_pct=to.low,
        high_pct=to.high,
        reached=to.reached,
        note=note,
    )


def _load_tables(both: _Relations, car: Car) -> tuple[KnockOn, KnockOn]:
    individual = bool(car.record["individual"] > 0.5)
    end = both.authority_end()
    pedal = both.pedal_for_plate(_HALF)
    use: Signal = "plate" if individual else "MAP"
    if individual:
        why = (
            "with a plate for each cylinder the pressure swings with every stroke and is near "
            "ambient from small openings on, so MAP tells little of the load; plate and engine "
            "speed do"
        )
        if car.charged:
            why += ", corrected by the pressure before the plates"
        to = _Range(_HALF, _HALF, _HALF)
    else:
        why = (
            "a plenum's MAP follows the air in the cylinders whatever moves the plate; an opening "
            "at which the pedal no longer stands says nothing of what the engine got"
        )
        to = both.map_at(_HALF)
    note = (
        f"The new map passes {_HALF:.0f} % plate at {pedal.text} pedal. Torque hardly changes "
        f"above {end.text} plate (torque share {AUTHORITY_SHARE:.2f}), so columns above that are "
        "nearly alike: move them to small openings. "
    )
    fuel = note + "Never let an axis read the pedal: idle, limits and a slow plate would lean it."
    spark = note + "A column read by pedal gives advance for a load the plate has not made yet."
    before = "the column was the foot, the plate and, at one engine speed, the load all at once"
    threshold = ("column in the middle of the load axis", _HALF)
    return (
        _entry("load-by-angle fuelling", before, use, why, threshold, to, fuel),
        _entry("load-by-angle ignition", before, use, why, threshold, to, spark),
    )


def _transient(both: _Relations) -> KnockOn:
    ratio = both.rate_ratio()
    useful = both.rate_ratio(with_authority=True)
    to = _Range(ratio.middle * _RATE, ratio.low * _RATE, ratio.high * _RATE)
    return _entry(
        "transient fuel by opening rate",
        "how fast the foot went down was how fast the plate opened",
        "plate",
        "the film in the port answers the air, and the air answers the plate; a pedal rate adds "
        "fuel for an opening that a limit or a slow plate may not let happen",
        ("top of the opening-rate axis [%/s]", _RATE),
        to,
        f"At one foot speed the plate now moves up to {ratio.low:.2f} to {ratio.high:.2f} times as "
        f"fast as before at its quickest place, and up to {useful.low:.2f} to {useful.high:.2f} "
        "times where it still changes torque. Stretch the rate axis by the first, keep the fuel at "
        "each plate rate, and judge the result by the second at small openings first; the plate "
        "motor's own speed is the upper end.",
    )


def _boost(both: _Relations, new: PedalMap, car: Car) -> tuple[KnockOn, ...]:
    if not car.charged:
        return ()
    to = both.torque_on_pedal(_BOOST_FULL)
    if new.boost_target is not None:
        note = (
            "The new map brings its own boost target on the same pedal and speed axes: use the "
            "pair together, or plate and wastegate answer the same pedal twice."
        )
    elif car.controllable:
        note = (
            "Move the target's axis to the pedal and keep it rising to the end of the travel; an "
            "axis left on the plate asks for full boost wherever the plate stands open early."
        )
    else:
        note = (
            "Boost here follows from spring or drive ratio and no target can be commanded: nothing "
            "to move, but a relief or bypass valve switched by opening needs this figure."
        )
    return (
        _entry(
            "boost target",
            "an opening near full asked for full boost, because the foot was near full",
            "pedal",
            "boost is what the driver asks beyond the open plate; above the authority end the "
            "plate no longer tells how much that is",
            ("full boost asked from", _BOOST_FULL),
            to,
            note,
        ),
    )


def _closed_end(both: _Relations) -> tuple[KnockOn, KnockOn]:
    idle, overrun = both.foot(_RELEASED), both.foot(_OVERRUN)
    return (
        _entry(
            "idle enable",
            "plate on its stop meant that the foot was off",
            "pedal",
            "the idle control moves the plate itself: an enable that reads the plate switches the "
            "control off as soon as it opens to catch the engine, and the idle hunts",
            ("released below", _RELEASED),
            idle,
            f"At that foot position the new plate stands at {both.foot_on_plate(_RELEASED).text}. "
            "Keep the threshold above the pedal sensor's noise and its released scatter.",
        ),
        _entry(
            "overrun fuel cut",
            "a shut plate above some engine speed meant that no torque was wanted",
            "pedal",
            "a dashpot, cold idle or anti-stall opening holds the plate off its stop while the "
            "foot is off; by plate the cut would come late or never",
            ("cut below", _OVERRUN),
            overrun,
            f"At that foot position the new plate stands at {both.foot_on_plate(_OVERRUN).text}. "
            "Cut only when plate demand and torque have run down too, and give fuel back by engine "
            "speed, not by plate.",
        ),
    )


def _foot_enables(both: _Relations) -> tuple[KnockOn, ...]:
    rows: tuple[tuple[str, str, str, str, float, str], ...] = (
        (
            "launch enable",
            "an opening above the threshold meant that the driver stood on the pedal to start",
            "launch control itself closes the plate; by plate it would arm, close and disarm",
            "armed above",
            _LAUNCH,
            "Keep clutch, speed and brake conditions as they are. Try it first at standstill out "
            "of gear with nobody near the car: the engine revs unasked and the exhaust gets hot.",
        ),
        (
            "shift enable",
            "an opening above the threshold meant that the foot stayed down over the shift",
            "the plate may be closed for the shift while the foot stays down",
            "torque cut allowed above",
            _SHIFT,
            "A shift below it is then driven with the foot lifted, as before.",
        ),
        (
            "kickdown",
            "the last of the travel asked for the lower gear",
            "kickdown is the driver's wish; a plate opened early by the map or held by a limit "
            "would shift unasked or never",
            "asked above",
            _KICKDOWN,
            "If the gearbox only reads a plate signal, send it the pedal in that signal's place "
            "and check its shift lines at part pedal.",
        ),
    )
    return tuple(
        _entry(
            table,
            before,
            "pedal",
            why,
            (name, old),
            both.foot(old),
            f"At that foot position the new plate stands at {both.foot_on_plate(old).text}. {note}",
        )
        for table, before, why, name, old, note in rows
    )


def _compressor_off(both: _Relations) -> KnockOn:
    share = both.share_at(_COMPRESSOR_OFF)
    to = both.torque_on_pedal(_COMPRESSOR_OFF)
    spread = ""
    if to.high - to.low > 5.0:
        spread = (
            " The equal-torque pedal differs that much with engine speed; one number for all "
            "speeds is then a compromise, the greatest is the one that never cuts early."
        )
    if not math.isfinite(share.middle):
        raise InputError("the surface has no torque span at some speed", key="surface")
    return _entry(
        "air-conditioning cut",
        "a wide-open plate meant that nearly all torque was wanted",
        "pedal",
        "the cut should come when the driver asks for nearly all torque; a large plate is wide "
        "open in everyday driving, and the compressor would drop out there",
        ("compressor off above", _COMPRESSOR_OFF),
        to,
        f"{_COMPRESSOR_OFF:.0f} % plate gives {share.text} of the torque span here; the new pedal "
        f"position gives the same.{spread}",
    )
