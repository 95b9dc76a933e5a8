"""Tables and axes: what is refused, rounding."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from throttlewright.calibration.table import Axis, Table, rounded
from throttlewright.foundation.errors import InputError

RPM = Axis("rpm", "rpm", [1000.0, 2000.0])
PEDAL = Axis("pedal_pct", "%", [0.0, 50.0, 100.0])
MEANING = "0 = released, 100 = full"


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([1.0, 1.0], "point 2"),
        ([1.0, 3.0, 2.0], "point 3"),
        ([1.0, 1.0 + 1e-14], "must rise"),
        ([], "at least one"),
        ([[1.0]], "one row"),
        ([1.0, np.nan], "number 2 is not finite"),
        (["a"], "must be numbers"),
    ],
)
def test_bad_axis_is_refused(values: object, said: str) -> None:
    with pytest.raises(InputError, match=said):
        Axis("rpm", "rpm", values)


@pytest.mark.parametrize("name", ["", "1a", "a b", "a/b", "..", 3])
def test_bad_names_are_refused(name: object) -> None:
    with pytest.raises(InputError, match="cannot be used"):
        Axis(name, "", [1.0])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"values": [[1.0, 2.0, 3.0]]}, "shape"),
        ({"values": [[1.0, 2.0, 3.0], [1.0, np.inf, 3.0]]}, "number 2, 2 is not finite"),
        ({"values": [[1.0], [1.0, 2.0]]}, "same length"),
        ({"axes": ()}, "one or two axes"),
        ({"axes": (RPM, RPM)}, "same name"),
        ({"percent_meaning": ""}, "what 0 and 100 % mean"),
        ({"interpolation": "cubic"}, "allowed: linear"),
        ({"outside": "extend"}, "allowed: hold"),
        ({"quantity": ""}, "must not be empty"),
        ({"note": "two\nlines"}, "one line"),
        ({"unit": "[%]"}, "square brackets"),
    ],
)
def test_bad_table_is_refused(change: dict[str, object], said: str) -> None:
    good: dict[str, object] = {
        "name": "pedal_map", "quantity": "plate opening", "unit": "%", "axes": (RPM, PEDAL),
        "values": np.zeros((2, 3)), "percent_meaning": MEANING,
    }  # fmt: skip
    Table(**good)  # type: ignore[arg-type]
    with pytest.raises(InputError, match=said):
        Table(**{**good, **change})  # type: ignore[arg-type]


def test_percent_on_an_axis_also_needs_its_meaning() -> None:
    with pytest.raises(InputError, match="what 0 and 100 % mean"):
        Table("t", "torque", "N m", (PEDAL,), [0.0, 1.0, 2.0])


def test_rounding() -> None:
    assert list(rounded([0.1 + 0.2, -0.0, 1234.5678901234567])) == [0.3, 0.0, 1234.56789012]
    assert not np.signbit(rounded([-0.0]))[0]
    once = rounded(np.geomspace(1e-9, 1e9, 100))
    assert np.array_equal(rounded(once), once)


def test_equality_pickle_and_read_only() -> None:
    table = Table("t", "torque", "N m", (RPM,), [0.0, 1.0])
    assert pickle.loads(pickle.dumps(table)) == table
    assert table != Table("t", "torque", "N m", (RPM,), [0.0, 1.1])
    with pytest.raises(ValueError, match="read-only"):
        table.values[0] = 1.0


def test_lookup_wants_as_many_places_as_axes() -> None:
    table = Table("t", "torque", "N m", (RPM,), [0.0, 1.0])
    with pytest.raises(InputError, match="1 axes"):
        table.lookup(1.0, 2.0)
