from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest

from throttlewright.foundation.errors import CancelledError
from throttlewright.foundation.events import Event, check_cancelled, ignore, never
from throttlewright.foundation.status import ADVICE, PointStatus


def test_event_is_a_value() -> None:
    event = Event("design", 1, 3)
    assert event == Event("design", 1, 3, "")
    with pytest.raises(FrozenInstanceError):
        event.done = 2  # type: ignore[misc]


def test_defaults_do_nothing_and_go_on() -> None:
    assert ignore(Event("x", 0, 1)) is None
    assert never() is False
    check_cancelled(never)


def test_a_wish_to_stop_raises() -> None:
    with pytest.raises(CancelledError, match="nothing was written"):
        check_cancelled(lambda: True)


def test_each_status_of_a_point_has_advice() -> None:
    assert set(ADVICE) == set(PointStatus)
    assert all(text.strip() for text in ADVICE.values())
