"""Judging figures of the roles that take torque away: how much is left, and how soon."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import HotCoolant, HotExhaust, HotIntake, HotOil
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.ethanol import ethanol_share
from throttlewright.design.low_fuel_pressure import LOAD
from throttlewright.design.low_oil_pressure import oil_share
from throttlewright.design.reduction import Fade
from throttlewright.foundation.errors import InputError
from throttlewright.prove.role_figure import Judged, RoleFigure
from throttlewright.recording.recording import Recording

__all__ = ["FIGURES", "allowed_share"]

Floats = NDArray[np.float64]

_SETTLE = 2.0
"""Time from the first cut until plate, filling and turbo have followed [s]: 0.1, 0.3 and about
1.5 s, from memory."""
_STEP = 0.05
"""Time between the points that are judged [s]."""
_MOST = 0.02
"""Torque over the allowed one, as a share of full torque: between the points of a table the plate,
not the torque, runs straight. Tool default."""
_SOON = 1.5
"""Time in which torque must be down where load can end an engine at once [s]; tool default."""
_STARTED = 5.0


@dataclass(frozen=True)
class _Watched:
    """Channels that a role reads, and the share that they allow."""

    channels: tuple[str, ...]
    share: Callable[[Car, Intent, tuple[Floats, ...]], Floats]
    soon: float | None = None


def _hot(section: str) -> Callable[[Car, Intent, tuple[Floats, ...]], Floats]:
    def share(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
        wanted: HotCoolant | HotOil | HotIntake | HotExhaust = _section(intent, section)
        fade = Fade(wanted.starts - 273.15, wanted.ends - 273.15, wanted.least_torque)
        return fade.share(x[0])

    return share


def _section(intent: Intent, name: str):  # type: ignore[no-untyped-def]
    wanted = getattr(intent, name)
    if wanted is None:
        raise InputError("the intent does not ask for this role", key=name)
    return wanted


def _since(armed: np.ndarray, share: Floats) -> Floats:
    # once under load the cut stands until the foot gives way, which these runs do not show
    return np.where(np.maximum.accumulate(armed & (share < 1.0)), share, 1.0)


def _lean(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
    wanted = _section(intent, "lean_mixture")
    share = Fade(wanted.starts, wanted.ends, wanted.least_torque).share(x[0])
    return _since(_load(car, x) > wanted.above / 1e3, share)


def _fuel(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
    wanted = _section(intent, "low_fuel_pressure")
    fade = Fade(100.0 * wanted.starts, 100.0 * wanted.ends, wanted.least_torque)
    return _since(_load(car, x) > LOAD * float(car.record["p_ambient"]) / 1e3, fade.share(x[0]))


def _load(car: Car, x: tuple[Floats, ...]) -> Floats:
    return x[2] if float(car.record["individual"]) > 0.5 else x[1]


def _oil(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
    share = oil_share(_section(intent, "low_oil_pressure"), x[0], np.maximum(x[1], 1.0))
    return np.where((x[1] > 400.0) & (x[2] > _STARTED), share, 1.0)


def _battery(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
    wanted = _section(intent, "low_battery")
    share = Fade(wanted.starts, wanted.ends, wanted.least_torque).share(x[0])
    return np.where(x[1] > _STARTED, share, 1.0)


def _ethanol(car: Car, intent: Intent, x: tuple[Floats, ...]) -> Floats:
    return ethanol_share(_section(intent, "ethanol"), x[0])


_CLOCK = "t_s"
_WATCHED: dict[str, _Watched] = {
    "hot_coolant": _Watched(("coolant_degC",), _hot("hot_coolant")),
    "hot_oil": _Watched(("oil_degC",), _hot("hot_oil")),
    "hot_intake": _Watched(("intake_degC",), _hot("hot_intake")),
    "hot_exhaust": _Watched(("exhaust_degC",), _hot("hot_exhaust")),
    "lean_mixture": _Watched(("mixture_1", "map_kPa", "pipe_kPa"), _lean, _SOON),
    "low_fuel_pressure": _Watched(("fuel_pressure_pct", "map_kPa", "pipe_kPa"), _fuel, _SOON),
    "low_oil_pressure": _Watched(("oil_kPa", "engine_rpm", _CLOCK), _oil, _SOON),
    "low_battery": _Watched(("battery_V", _CLOCK), _battery),
    "ethanol": _Watched(("ethanol_pct",), _ethanol),
}


def allowed_share(role: str, recording: Recording, car: Car, intent: Intent) -> Floats:
    """Torque share that a role allows along a run, from the intent and not from its table.

    Parameters
    ----------
    role : str
        Name of the role.
    recording : Recording
        A run; a role that waits after the start is taken to wait five seconds of it.
    car : Car
        The car.
    intent : Intent
        With the role.

    Returns
    -------
    ndarray [-]
        Share at each sample.

    Raises
    ------
    InputError
        If the intent does not ask for the role.
    """
    watched = _WATCHED[role]
    t = recording.channels["torque_Nm"].t_s
    x = tuple(t if n == _CLOCK else recording.channels[n].values for n in watched.channels)
    return watched.share(car, intent, x)


@dataclass(frozen=True)
class _Cut:
    t_s: Floats
    over: Floats
    """Torque over the allowed one, as a share of full torque at the speed."""
    first: float | None
    """When less than full torque was allowed first."""


def _cut(role: str, recording: Recording, car: Car, intent: Intent) -> _Cut:
    share = allowed_share(role, recording, car, intent)
    torque = recording.channels["torque_Nm"]
    rpm = recording.channels["engine_rpm"].values
    step = max(1, round(_STEP / max(float(np.median(np.diff(torque.t_s))), 1e-6)))
    t, share = torque.t_s[::step], share[::step]
    omega = np.clip(rpm[::step] * math.pi / 30.0, 0.8 * car.idle, car.limit)
    ends = np.broadcast_to([car.psi_closed, car.psi_open], (omega.size, 2))
    found = evaluate(car, omega, ends)[0]["torque"]
    allowed = found[:, 0] + share * (found[:, 1] - found[:, 0])
    over = (torque.values[::step] - allowed) / found[:, 1]
    less = np.flatnonzero(share < 0.999)
    return _Cut(t, over, float(t[less[0]]) if less.size else None)


def _torque_figure(role: str) -> RoleFigure:
    def figure(recording: Recording, car: Car, intent: Intent) -> Judged:
        """Largest torque over the allowed one once settled, of full torque at the speed."""
        cut = _cut(role, recording, car, intent)
        judged = cut.t_s >= (math.inf if cut.first is None else cut.first + _SETTLE)
        if not judged.any():
            return Judged(
                math.nan, "%", 100.0 * _MOST, None, "The run never allows less than full torque."
            )
        worst = 100.0 * float(np.max(cut.over[judged]))
        good = worst <= 100.0 * _MOST
        where = "over" if worst > 0.0 else "under"
        return Judged(
            worst,
            "%",
            100.0 * _MOST,
            good,
            f"Once settled the torque is at most {abs(worst):.1f} % of full torque {where} what "
            f"{role} allows.",
        )

    return figure


def _time_figure(role: str) -> RoleFigure:
    limit = _WATCHED[role].soon

    def figure(recording: Recording, car: Car, intent: Intent) -> Judged:
        """Time from the first cut until torque stays within what is allowed."""
        cut = _cut(role, recording, car, intent)
        if cut.first is None:
            return Judged(math.nan, "s", limit, None, "The run never allows less than full torque.")
        above = cut.t_s[(cut.t_s >= cut.first) & (cut.over > _MOST)]
        if above.size and above[-1] >= cut.t_s[-1]:
            text = f"The torque is still over what {role} allows when the run ends."
            return Judged(math.inf, "s", limit, None if limit is None else False, text)
        took = float(above[-1]) + _STEP - cut.first if above.size else 0.0
        return Judged(
            took,
            "s",
            limit,
            None if limit is None else took <= limit,
            f"It takes {took:.2f} s until the torque stays within what {role} allows.",
        )

    return figure


FIGURES: dict[str, RoleFigure] = {
    **{f"{role}_torque": _torque_figure(role) for role in _WATCHED},
    **{f"{role}_time": _time_figure(role) for role in _WATCHED},
}
"""By name: ``<role>_torque`` and ``<role>_time``."""
