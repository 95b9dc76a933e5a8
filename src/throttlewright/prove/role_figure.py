"""What a judging figure of a role says about one run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from throttlewright.build.intent import Intent
from throttlewright.car.pack import Car
from throttlewright.recording.recording import Recording

__all__ = ["Judged", "RoleFigure"]


@dataclass(frozen=True)
class Judged:
    """One figure of one run.

    ``good`` tells whether it keeps to its ``limit``; None where there is no limit to keep to.
    ``text`` is one sentence with the figure in it.
    """

    value: float
    unit: str
    limit: float | None
    good: bool | None
    text: str


RoleFigure: TypeAlias = Callable[[Recording, Car, Intent], Judged]
"""From a recording, the car that was driven and what was wanted to a figure."""
