"""What a role adds to a calibration: rows, tables and numbers, all of them data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import Table
from throttlewright.car.pack import Car
from throttlewright.foundation.errors import InputError

__all__ = ["PLATE_PCT", "Rows", "Same", "merged"]

_Item = TypeVar("_Item")

PLATE_PCT = (
    "plate 0 % is the learned closed stop, 100 % the learned open stop, linear in plate angle"
)
"""What 0 and 100 % of a plate mean, for the tables of the roles."""


@dataclass(frozen=True)
class Rows:
    """Contribution of one role.

    ``limits`` in order of rank, ``tables`` that they read, ``numbers`` named
    ``<row>.<quantity>`` or with their unit as suffix, ``notes`` for the reader, ``reactions`` that
    follow those of every calibration. ``refused`` says in one sentence why a role that was asked
    for gives nothing on this car; empty where it gives its rows or was not asked for.
    """

    limits: tuple[Limit, ...] = ()
    tables: tuple[Table, ...] = ()
    numbers: dict[str, Number] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    reactions: tuple[Reaction, ...] = ()
    refused: str = ""


class Same:
    """A car as a key: the same object, whatever it holds."""

    def __init__(self, car: Car) -> None:
        self.car = car

    def __hash__(self) -> int:
        return id(self.car)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and other.car is self.car


def merged(parts: Iterable[Rows]) -> Rows:
    """Join what several roles contribute, in their order.

    Parameters
    ----------
    parts : iterable of Rows
        Contributions.

    Returns
    -------
    Rows
        All rows together.

    Raises
    ------
    InputError
        If two roles use one name.
    """
    limits: dict[str, Limit] = {}
    tables: dict[str, Table] = {}
    numbers: dict[str, Number] = {}
    notes: list[str] = []
    reactions: dict[str, Reaction] = {}
    for part in parts:
        for limit in part.limits:
            _put(limits, limit.name, limit, "limit")
        for table in part.tables:
            _put(tables, table.name, table, "table")
        for name, number in part.numbers.items():
            _put(numbers, name, number, "number")
        notes.extend((*part.notes, part.refused) if part.refused else part.notes)
        for reaction in part.reactions:
            _put(reactions, reaction.fault, reaction, "reaction")
    return Rows(
        tuple(limits.values()),
        tuple(tables.values()),
        numbers,
        tuple(notes),
        tuple(reactions.values()),
    )


def _put(where: dict[str, _Item], name: str, item: _Item, kind: str) -> None:
    if name in where:
        raise InputError("the name is used by two roles", key=f"{kind} {name}")
    where[name] = item
