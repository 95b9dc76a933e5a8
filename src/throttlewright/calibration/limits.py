"""Rows by which a role bounds an output: data from closed lists, never code."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import NamedTuple

from throttlewright.calibration.signals import CHANNEL_NAMES
from throttlewright.calibration.table import check_line, check_name, rounded
from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "LAWS",
    "OUTPUTS",
    "OUTPUT_TOP",
    "OUTPUT_UNIT",
    "SIDES",
    "Condition",
    "Limit",
    "conditions",
]

OUTPUTS = ("plate", "retard", "fuel_cut", "wastegate")
SIDES = ("floor", "ceiling")
LAWS = ("table", "pi", "ramp", "timed", "model")
OUTPUT_UNIT = {"plate": "%", "retard": "deg", "fuel_cut": "", "wastegate": "%"}
OUTPUT_TOP = {"plate": 100.0, "retard": 70.0, "fuel_cut": 1.0, "wastegate": 100.0}
"""Where a ceiling stands that does not act."""

MOST_CONDITIONS = 3
_CONDITION = re.compile(r"([A-Za-z]\w*) (>=|<=|>|<) ([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)")


class Condition(NamedTuple):
    """A channel compared with a number."""

    channel: str
    op: str
    number: float


def conditions(text: str, where: str) -> tuple[Condition, ...]:
    """Return the conditions of a text such as ``map_kPa > 150 and gear_1 >= 2``.

    Parameters
    ----------
    text : str
        Up to three conditions joined by ``and``; empty for none.
    where : str
        Key for the error.

    Returns
    -------
    tuple of Condition
        The conditions, in order.

    Raises
    ------
    InputError
        If a part is not ``<channel> <op> <number>`` or the channel is not known.
    """
    if not text:
        return ()
    parts = text.split(" and ")
    if len(parts) > MOST_CONDITIONS:
        raise InputError("has too many conditions", key=where, value=text, allowed="at most 3")
    found = []
    for part in parts:
        match = _CONDITION.fullmatch(part.strip())
        number = float(match[3]) if match else math.nan
        if match is None or not math.isfinite(number):
            raise InputError(
                "is not a condition",
                key=where,
                value=part,
                allowed="<channel> <op> <number> with op >, <, >= or <=, joined by and",
            )
        check_channel(match[1], where)
        found.append(Condition(match[1], match[2], number))
    return tuple(found)


def check_channel(name: str, where: str) -> None:
    """Raise InputError unless the name is a channel."""
    if name not in CHANNEL_NAMES:
        close = nearest(name, list(CHANNEL_NAMES))
        raise InputError(
            "there is no such channel",
            key=where,
            value=name,
            allowed=", ".join(CHANNEL_NAMES),
            advice=f"did you mean {close!r}?" if close else None,
        )


@dataclass(frozen=True)
class Limit:
    """One floor or ceiling on one output.

    Parameters
    ----------
    name : str
        Name of the row, unique in its calibration.
    output : {"plate", "retard", "fuel_cut", "wastegate"}
        What is bounded.
    side : {"floor", "ceiling"}
        Which way; a ceiling always beats a floor.
    law : {"table", "pi", "ramp", "timed", "model"}
        How the bound is computed.
    x : str
        Channel on the first axis.
    y : str
        Channel on the second axis; empty when there is none.
    table : str
        Name of the table the law reads; empty when it reads none.
    z : str
        Channel on the second axis of the setpoint of a ``pi``; empty when there is none.
    base : str
        Name of the table that a ``pi`` starts from, over the channels that its axes are named
        after; empty for the number ``<row>.base``.
    arm : str
        Condition under which the row acts, such as ``map_kPa > 150 and gear_1 >= 2``; empty for
        always.
    hysteresis : float [unit of the channel of the first condition]
        Band between acting and letting go of the first condition, >= 0.
    rise_rate : float [unit of the output per s]
        Fastest rise of the bound, > 0; infinite when unbounded.
    fall_rate : float [unit of the output per s]
        Fastest fall of the bound, > 0; infinite when unbounded.
    reason : str
        Why the row exists, in one line.
    source : str
        Where its numbers come from.

    Raises
    ------
    InputError
        If a word is not in its closed list or a number is out of range.
    """

    name: str
    output: str
    side: str
    law: str
    x: str = ""
    y: str = ""
    table: str = ""
    z: str = ""
    base: str = ""
    arm: str = ""
    hysteresis: float = 0.0
    rise_rate: float = math.inf
    fall_rate: float = math.inf
    reason: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        check_name(self.name, "a limit")
        where = f"limit {self.name}"
        for key, known in (("output", OUTPUTS), ("side", SIDES), ("law", LAWS)):
            word = getattr(self, key)
            if word not in known:
                close = nearest(str(word), list(known))
                raise InputError(
                    "is not known",
                    key=f"{where}, {key}",
                    value=word,
                    allowed=", ".join(known),
                    advice=f"did you mean {close!r}?" if close else None,
                )
        for key in ("x", "y", "z", "table", "base", "arm"):
            check_line(getattr(self, key), f"{where}, {key}")
        for key in ("x", "y", "z"):
            if getattr(self, key):
                check_channel(getattr(self, key), f"{where}, {key}")
        conditions(self.arm, f"{where}, arm")
        for key in ("reason", "source"):
            check_line(getattr(self, key), f"{where}, {key}", needed=True)
        if self.law == "table" and not (self.table and self.x):
            raise InputError("the law 'table' needs a table and the channel x", key=where)
        if self.law == "model" and not (self.table and self.x):
            raise InputError("the law 'model' needs a table and the channel x", key=where)
        if self.law == "pi" and not self.x:
            raise InputError("the law 'pi' needs the channel x", key=where)
        if self.law == "pi" and bool(self.table) != bool(self.y):
            raise InputError(
                "the law 'pi' takes its setpoint from a table over the channel y, or from a number",
                key=where,
            )
        if self.z and (self.law != "pi" or not self.table):
            raise InputError(
                "only the setpoint table of a 'pi' has a second channel z", key=f"{where}, z"
            )
        if self.base and self.law != "pi":
            raise InputError("only a 'pi' starts from a table base", key=f"{where}, base")
        for key, lowest in (("hysteresis", 0.0), ("rise_rate", None), ("fall_rate", None)):
            self._check_number(key, where, lowest)

    def _check_number(self, key: str, where: str, lowest: float | None) -> None:
        raw = getattr(self, key)
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            raise InputError("must be a number", key=f"{where}, {key}", value=raw)
        try:
            value = float(rounded(raw))
        except OverflowError:
            value = math.nan
        if lowest is None:
            fine, allowed = value > 0.0, "> 0"
        else:
            fine, allowed = lowest <= value < math.inf, f">= {lowest:g} and finite"
        if not fine:
            raise InputError("is out of range", key=f"{where}, {key}", value=raw, allowed=allowed)
        object.__setattr__(self, key, value)
