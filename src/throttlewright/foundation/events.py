"""Named events by which long work reports, and the question whether to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from throttlewright.foundation.errors import CancelledError

__all__ = ["Cancelled", "Event", "OnEvent", "check_cancelled", "ignore", "never"]


@dataclass(frozen=True)
class Event:
    """One report of a long job: what is being done, how many parts of how many."""

    name: str
    done: int
    total: int
    text: str = ""


OnEvent = Callable[[Event], None]
Cancelled = Callable[[], bool]


def ignore(event: Event) -> None:
    """Drop the event."""


def never() -> bool:
    """Answer that the job goes on."""
    return False


def check_cancelled(cancelled: Cancelled) -> None:
    """Raise CancelledError when the person has asked to stop."""
    if cancelled():
        raise CancelledError("stopped; nothing was written")
