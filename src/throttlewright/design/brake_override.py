"""Brake over pedal: speed, pedal and pressure gates, order, delay and release."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.reactions import Reaction
from throttlewright.car.pack import Car
from throttlewright.design.role import Role
from throttlewright.design.rows import Rows

__all__ = ["ROLE", "brake_override", "override_reactions"]

_ABOVE = 2.0
"""Car speed from which the brake rules [m/s]: road cars use about 5 mph, read at second hand; less
covers a car that begins to creep away."""
_LEFT_FOOT = 35.0
"""Brake signal up to which a racing foot may steady a car under power [% of the full signal]; tool
default, to be set from a log of the driver."""


def _student(intent: Intent) -> bool:
    return any("formula s" in book.lower() for book in intent.rules.books)


def brake_override(car: Car, intent: Intent) -> Rows:
    """Numbers of brake over pedal.

    Parameters
    ----------
    car : Car
        Its use and its brake signal.
    intent : Intent
        Its rule books.

    Returns
    -------
    Rows
        Numbers and notes; none where there is no brake signal.

    Notes
    -----
    Student books know no order: the brake wins whichever pedal came first. Elsewhere a pedal that
    comes to a pressed brake is meant: a hill start, a stab for a lower gear, a launch. A pressure
    gate leaves light braking under power to the driver where the car is not on the road and the
    signal is a pressure; with a switch there is no such gate.
    """
    signal = car.build.controller.brake_signal
    if signal == "none":
        return Rows(notes=("no brake signal: brake over pedal cannot work",))
    student = _student(intent)
    light = signal == "pressure" and car.build.use != "road" and not student
    numbers = {
        "brake_override_above_m_s": Number(
            0.0 if student else _ABOVE, "m/s",
            "student books name no speed" if student else "about 5 mph in road cars, or less",
        ),
        "brake_override_order": Number(
            0.0 if student else 1.0, "",
            "student books know no order" if student
            else "the brake after the pedal: practice of road cars, read at second hand",
        ),
        "brake_override_least_pct": Number(
            _LEFT_FOOT if light else 0.0, "%",
            "tool default: lighter braking under power is meant" if light
            else "any braking: on the road, under student books, or with a switch",
        ),
    }  # fmt: skip
    notes = []
    if signal == "one switch":
        notes.append(
            "one brake switch: a broken wire loses brake over pedal unnoticed; fit a second "
            "contact or a pressure sensor"
        )
    if not student and car.build.use != "road" and signal != "pressure":
        notes.append(
            "braking with the left foot under power for longer than the delay counts as a stuck "
            "pedal; a brake pressure sensor can tell them apart"
        )
    return Rows(numbers=numbers, notes=tuple(notes))


def override_reactions(car: Car, reactions: Sequence[Reaction]) -> tuple[Reaction, ...]:
    """Reactions with those on the brake left out where there is no brake signal.

    Parameters
    ----------
    car : Car
        Its brake signal.
    reactions : sequence of Reaction
        Of a calibration.

    Returns
    -------
    tuple of Reaction
        A row that can never be found is kept for the reader, as a note that nothing looks for.
    """
    if car.build.controller.brake_signal != "none":
        return tuple(reactions)
    return tuple(
        replace(row, detection="none", limit=0.0, time_s=0.0, reaction="note")
        if row.detection == "brake_with_pedal"
        else row
        for row in reactions
    )


ROLE = Role(
    name="brake_override",
    title="Brake over pedal",
    text="Lets the brake win over a pedal that is stuck.",
    design=brake_override,
)
"""The role, for the registry."""
