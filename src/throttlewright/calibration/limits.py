"""Rows by which a role bounds an output: data from closed lists, never code."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.calibration.table import check_line, check_name, rounded
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["LAWS", "OUTPUTS", "SIDES", "Limit"]

OUTPUTS = ("plate", "retard", "fuel_cut", "wastegate")
SIDES = ("floor", "ceiling")
LAWS = ("table", "pi", "ramp", "timed", "model")


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
    arm : str
        Condition under which the row acts; empty for always.
    hysteresis : float [unit of x]
        Band between acting and letting go, >= 0.
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
        for key in ("x", "y", "table", "arm"):
            check_line(getattr(self, key), f"{where}, {key}")
        for key in ("reason", "source"):
            check_line(getattr(self, key), f"{where}, {key}", needed=True)
        if self.law == "table" and not (self.table and self.x):
            raise InputError("the law 'table' needs a table and the channel x", key=where)
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
