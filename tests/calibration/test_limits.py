"""Limits: closed lists and ranges."""

from __future__ import annotations

import math

import pytest

from throttlewright.calibration.limits import Limit
from throttlewright.foundation.errors import InputError

GOOD: dict[str, object] = {
    "name": "cold", "output": "plate", "side": "ceiling", "law": "table", "x": "coolant_degC",
    "table": "cold_limit", "reason": "cold oil", "source": "common practice, no source",
}  # fmt: skip


def test_good() -> None:
    assert Limit(**GOOD).rise_rate == math.inf  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"output": "plat"}, "did you mean 'plate'"),
        ({"side": "left"}, "allowed: floor, ceiling"),
        ({"law": "code"}, "allowed: table, pi, ramp, timed, model"),
        ({"law": []}, "is not known"),
        ({"table": ""}, "needs a table"),
        ({"x": ""}, "needs a table"),
        ({"reason": ""}, "must not be empty"),
        ({"source": ""}, "must not be empty"),
        ({"hysteresis": -1.0}, "out of range"),
        ({"hysteresis": math.inf}, "out of range"),
        ({"rise_rate": 0.0}, "out of range"),
        ({"fall_rate": math.nan}, "out of range"),
        ({"fall_rate": "3"}, "must be a number"),
        ({"name": "a b"}, "cannot be used"),
    ],
)
def test_bad(change: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Limit(**{**GOOD, **change})  # type: ignore[arg-type]
