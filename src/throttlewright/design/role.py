"""What a role is: how it is designed, what it asks of the intent, and by what it is judged."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.pack import Car
from throttlewright.design.rows import Rows

__all__ = ["Role", "Shown", "Typical", "without", "without_rows"]


_USES = ("road", "track", "competition")


@dataclass(frozen=True)
class Typical:
    """A typical value of one key of an intent section.

    ``source`` says where it comes from: a published figure, "common practice, no source", or
    "from memory".
    """

    key: str
    value: str
    source: str


@dataclass(frozen=True)
class Shown:
    """A run that shows what a role does: driven with it and without it, judged by one figure.

    ``scenario`` names a scenario; ``figure`` a judging figure of ``prove.role_figures``.
    """

    scenario: str
    figure: str


@dataclass(frozen=True)
class Role:
    """One role of the plate.

    ``section`` is its section of the intent, empty where it needs none. ``design`` gives its rows,
    each named as the role or beginning with its name and ``_``. ``only`` is the use it is confined
    to: "competition", "track" (and competition), or empty.
    """

    name: str
    title: str
    text: str
    design: Callable[[Car, Intent], Rows]
    section: str = ""
    typical: tuple[Typical, ...] = ()
    shown: tuple[Shown, ...] = ()
    caution: str = ""
    only: str = ""

    def rows(self, car: Car, intent: Intent) -> Rows:
        """Design the rows, unless the use of the build forbids the role.

        Parameters
        ----------
        car : Car
            The car.
        intent : Intent
            What is wanted.

        Returns
        -------
        Rows
            Those of ``design``; none, with the reason, where the role was asked for and is kept
            for another use.
        """
        asked = bool(self.section) and getattr(intent, self.section) is not None
        if self.only and asked and _USES.index(car.build.use) < _USES.index(self.only):
            return Rows(
                refused=f"{self.title.lower()} is for {self.only} only, and this car is built for "
                f"the {car.build.use}: it is not designed"
            )
        return self.design(car, intent)


def without_rows(calibration: Calibration, names: Collection[str]) -> Calibration:
    """Calibration that lacks some limits, and the numbers that are named after them.

    Parameters
    ----------
    calibration : Calibration
        With the limits.
    names : collection of str
        Names of limits.

    Returns
    -------
    Calibration
        A copy; its tables stay.
    """
    # a number is named after its row, and one that no row reads is refused
    return replace(
        calibration,
        limits=tuple(row for row in calibration.limits if row.name not in names),
        numbers={
            name: number
            for name, number in calibration.numbers.items()
            if name.partition(".")[0] not in names
        },
    )


def without(calibration: Calibration, rows: Rows) -> Calibration:
    """Calibration that lacks what a role adds.

    Parameters
    ----------
    calibration : Calibration
        With the role.
    rows : Rows
        What the role adds; what the calibration lacks already is passed over.

    Returns
    -------
    Calibration
        A copy without its limits, tables, reactions and numbers; numbers of the strategy fall
        back to their typical values.
    """
    limits = {limit.name for limit in rows.limits}
    tables = {table.name for table in rows.tables}
    faults = {reaction.fault for reaction in rows.reactions}
    return replace(
        calibration,
        tables={n: t for n, t in calibration.tables.items() if n not in tables},
        numbers={n: v for n, v in calibration.numbers.items() if n not in rows.numbers},
        limits=tuple(row for row in calibration.limits if row.name not in limits),
        reactions=tuple(row for row in calibration.reactions if row.fault not in faults),
    )
