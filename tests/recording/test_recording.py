"""Recording: what is refused, resampling, span."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from throttlewright.foundation.errors import InputError
from throttlewright.recording.recording import Channel, Event, Recording

STEP = Channel("plate_pct", "%", [0.0, 1.0, 1.0, 3.0], [10.0, 20.0, 40.0, 60.0])


@pytest.mark.parametrize(
    ("t_s", "values", "said"),
    [
        ([0.0, 1.0], [1.0], "differ in number"),
        ([0.0, np.nan], [1.0, 2.0], "sample 2 is not a finite"),
        ([0.0, np.inf], [1.0, 2.0], "sample 2 is not a finite"),
        ([0.0, 2.0, 1.0], [1.0, 2.0, 3.0], "runs back at sample 3"),
        ([[0.0]], [[1.0]], "one row"),
        (["a"], [1.0], "must be numbers"),
    ],
)
def test_bad_channel_is_refused(t_s: object, values: object, said: str) -> None:
    with pytest.raises(InputError, match=said):
        Channel("map", "kPa", t_s, values)


@pytest.mark.parametrize("status", [[0], [0, 256], [0, -1], [0.5, 1.0]])
def test_bad_status_is_refused(status: object) -> None:
    with pytest.raises(InputError, match="status"):
        Channel("map", "kPa", [0.0, 1.0], [1.0, 2.0], status)


def test_names_are_checked() -> None:
    with pytest.raises(InputError, match="used by two"):
        Recording.of([STEP, STEP])
    with pytest.raises(InputError, match="calls itself"):
        Recording({"other": STEP})
    with pytest.raises(InputError, match="needs a name"):
        Channel(" ", "", [], [])
    with pytest.raises(InputError, match="finite"):
        Event(np.nan, "shift")
    with pytest.raises(InputError, match="cannot be kept"):
        Recording({}, (), {"a": np.inf})


def test_unknown_channel_names_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean 'plate_pct'"):
        Recording.of([STEP]).channel("plate_pc")
    assert Recording.of([STEP]).channel("plate_pct") is STEP


def test_arrays_cannot_be_changed_and_are_copies() -> None:
    values = np.array([1.0, 2.0])
    channel = Channel("map", "kPa", [0.0, 1.0], values)
    values[0] = 9.0
    assert channel.values[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        channel.values[0] = 3.0


def test_resample() -> None:
    recording = Recording.of([STEP, Channel("none", "", [], [])])
    asked = [-1.0, 0.0, 0.5, 1.0, 2.0, 3.0, 4.0]
    # By hand; at 1 s the later of the two samples counts.
    held = recording.resample("plate_pct", asked)
    assert np.array_equal(held, [np.nan, 10, 10, 40, 40, 60, 60], equal_nan=True)
    lines = recording.resample("plate_pct", asked, "linear")
    assert np.array_equal(lines, [np.nan, 10, 15, 40, 50, 60, np.nan], equal_nan=True)
    assert np.isnan(recording.resample("none", asked)).all()
    assert np.isnan(recording.resample("plate_pct", [np.nan], "previous")).all()
    with pytest.raises(InputError, match="previous, linear"):
        recording.resample("plate_pct", asked, "cubic")  # type: ignore[arg-type]


def test_span() -> None:
    assert Recording.of([STEP], [Event(-2.0, "key on")]).span() == (-2.0, 3.0)
    with pytest.raises(InputError, match="neither"):
        Recording.of([Channel("none", "", [], [])]).span()


def test_equality_and_pickle() -> None:
    one = Recording.of([Channel("a", "", [0.0], [np.nan], [3])], [Event(0, "x")], {"k": (1, 2)})
    assert pickle.loads(pickle.dumps(one)) == one
    assert one != Recording.of([Channel("a", "", [0.0], [np.nan])], [Event(0, "x")], {"k": [1, 2]})
    assert one != Recording.of([Channel("a", "", [0.0], [1.0], [3])], [Event(0, "x")], one.meta)
