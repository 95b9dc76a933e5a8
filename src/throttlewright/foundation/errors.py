"""Typed errors, each one line that says where, what, what is allowed and what to do.

ThrottlewrightError
├── InputError            a value, key or file that a person wrote is wrong (exit code 2)
│   ├── UnitError         a unit is missing, unknown or of the wrong dimension
│   └── ContradictionError two values cannot both be true
├── NoSolutionError       the physics has no answer for this request
└── CancelledError        the person stopped a long job
"""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path

__all__ = [
    "CancelledError",
    "ContradictionError",
    "InputError",
    "NoSolutionError",
    "ThrottlewrightError",
    "UnitError",
    "nearest",
]


class ThrottlewrightError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(ThrottlewrightError):
    """A value that a person wrote cannot be used; its text is one complete sentence.

    Parameters
    ----------
    message : str
        What is wrong, without a final full stop.
    file, key, value : optional
        Where it stands.
    allowed : str, optional
        The allowed range or choices.
    advice : str, optional
        What to do.
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | Path | None = None,
        key: str | None = None,
        value: object = None,
        allowed: str | None = None,
        advice: str | None = None,
    ) -> None:
        self.message = message
        self.file = file
        self.key = key
        self.value = value
        self.allowed = allowed
        self.advice = advice
        super().__init__(message)

    def in_file(self, file: str | Path) -> InputError:
        """Return the same error with the file name filled in."""
        return type(self)(
            self.message,
            file=file,
            key=self.key,
            value=self.value,
            allowed=self.allowed,
            advice=self.advice,
        )

    def __str__(self) -> str:
        place = ": ".join(str(part) for part in (self.file, self.key) if part)
        text = f"{place}: {self.message}" if place else self.message
        if self.value is not None:
            text += f", got {self.value!r}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.advice:
            text += f"; {self.advice}"
        return " ".join(text.split()) + "."


class UnitError(InputError):
    """A unit is missing, unknown or has the wrong dimension."""


class ContradictionError(InputError):
    """Two values that a person wrote cannot both be true."""


class NoSolutionError(ThrottlewrightError):
    """The physics has no answer for this request; the text says why and what to change."""


class CancelledError(ThrottlewrightError):
    """The person stopped the job; nothing half-written is left."""


def nearest(word: str, known: list[str]) -> str | None:
    """Return the known word closest to ``word``, or None when nothing is close."""
    found = get_close_matches(word, known, n=1, cutoff=0.55)
    return found[0] if found else None
