"""The closed registry of criteria: limits from data, figures from the functions beside."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from importlib.resources import files
from typing import Any

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.prove import judges_feel as feel
from throttlewright.prove import judges_safety as safety
from throttlewright.prove.criterion import Criterion, Found, Settings
from throttlewright.prove.run import Run

__all__ = ["CRITERIA", "criterion", "parse_criteria"]

_FINDERS: dict[str, Callable[[Run, Settings], Found]] = {
    "return_to_idle": safety.return_to_idle,
    "return_unpowered": safety.return_unpowered,
    "unasked_acceleration": safety.find_unasked_acceleration,
    "released_speed": safety.released_speed,
    "unpowered_speed": safety.unpowered_speed,
    "released_engine_speed": safety.released_engine_speed,
    "motor_current": safety.motor_current,
    "kept_power": safety.kept_power,
    "overboost_peak": safety.find_overboost_peak,
    "overboost_time": safety.find_overboost_time,
    "surge": safety.find_surge,
    "tip_in_delay": feel.tip_in_delay,
    "tip_in_rise": feel.tip_in_rise,
    "tip_in_overshoot": feel.tip_in_overshoot,
    "tip_in_jerk": feel.tip_in_jerk,
    "shuffle": feel.find_shuffle,
    "slip": feel.find_slip,
    "idle_dip": feel.find_idle_dip,
    "idle_flare": feel.find_idle_flare,
    "idle_settling": feel.find_idle_settling,
    "idle_speed_error": feel.idle_speed_error,
    "no_stall": safety.no_stall,
    "exhaust_temperature": safety.exhaust_temperature,
    "brake_vacuum": safety.brake_vacuum,
    "servo_rise": feel.servo_rise,
    "servo_settling": feel.servo_settling,
    "servo_overshoot": feel.servo_overshoot,
    "cold_ceiling": safety.cold_ceiling,
}


def parse_criteria(text: str, *, file: str) -> dict[str, Criterion]:
    """Return the criteria in a text of limits.

    Parameters
    ----------
    text : str
        TOML: one table for each criterion of the registry.
    file : str
        Name for errors.

    Returns
    -------
    dict of str to Criterion
        In the order of the registry.

    Raises
    ------
    InputError
        If a criterion is missing, unknown, or lacks a limit or a source.
    """
    try:
        data: dict[str, dict[str, Any]] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"cannot be read ({error})", file=file) from None
    for name in data:
        if name not in _FINDERS:
            raise InputError("there is no such criterion", file=file, key=name)
    found: dict[str, Criterion] = {}
    for name, finder in _FINDERS.items():
        if name not in data:
            raise InputError("the criterion is missing", file=file, key=name)
        row = data[name]
        try:
            found[name] = Criterion(
                name=name,
                title=str(row["title"]),
                unit=str(row["unit"]),
                side=row["side"],
                limit=float(row["limit"]),
                source=str(row["source"]),
                edition=str(row["edition"]),
                scenarios=tuple(row["scenarios"]),
                find=finder,
                settings=row,
            )
        except KeyError as error:
            raise InputError(f"the key {error} is missing", file=file, key=name) from None
        except InputError as error:
            raise error.in_file(file) from None
    return found


def _shipped() -> dict[str, Criterion]:
    name = "criteria.toml"
    resource = files("throttlewright.prove").joinpath("rules").joinpath(name)
    return parse_criteria(resource.read_text(encoding="utf-8"), file=name)


CRITERIA: dict[str, Criterion] = _shipped()
"""Every criterion by name."""


def criterion(name: str) -> Criterion:
    """Return a criterion by name; the error of an unknown name says which is nearest."""
    try:
        return CRITERIA[name]
    except KeyError:
        close = nearest(name, list(CRITERIA))
        raise InputError(
            "there is no such criterion",
            value=name,
            allowed=", ".join(CRITERIA),
            advice=f"did you mean {close!r}?" if close else None,
        ) from None
