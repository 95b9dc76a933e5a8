"""Tables on real axes: what a controller looks up."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from throttlewright.foundation.errors import InputError

__all__ = [
    "DIGITS",
    "Axis",
    "Table",
    "check_line",
    "check_name",
    "check_number_name",
    "check_unit",
    "rounded",
]

DIGITS = 12
"""Significant digits that a calibration keeps. Rounding happens when a table is made, not when it
is written, so that the numbers simulated are the numbers handed over."""

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,79}")
_NUMBER_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,79}(\.[A-Za-z][A-Za-z0-9_]{0,79})?")


def rounded(values: ArrayLike) -> NDArray[np.float64]:
    """Return values rounded to ``DIGITS`` significant digits, without a negative zero.

    Parameters
    ----------
    values : ndarray of any shape [any unit]
        Numbers.

    Returns
    -------
    ndarray of the same shape [same unit]
        The rounded numbers.
    """
    array = np.asarray(values, dtype=np.float64)
    flat = [float(f"{value:.{DIGITS}g}") + 0.0 for value in array.ravel().tolist()]
    return np.array(flat, dtype=np.float64).reshape(array.shape)


def check_name(name: object, what: str) -> None:
    """Raise InputError unless the name is a word that is also safe as a file name."""
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise InputError(
            f"the name of {what} cannot be used",
            value=name,
            allowed="a letter, then letters, digits and _, at most 80",
        )


def check_number_name(name: object) -> None:
    """Raise InputError unless the name is a word, or a word, a point and a word."""
    if not isinstance(name, str) or not _NUMBER_NAME.fullmatch(name):
        raise InputError(
            "the name of a number cannot be used",
            value=name,
            allowed="a letter, then letters, digits and _; one point for a number of a row",
        )


def check_line(text: object, key: str, *, needed: bool = False) -> None:
    """Raise InputError unless the text is one printable line without blanks at its ends."""
    if not isinstance(text, str) or text != text.strip() or not text.isprintable():
        raise InputError("must be one line of text without blanks at its ends", key=key, value=text)
    if needed and not text:
        raise InputError("must not be empty", key=key)


def _numbers(values: ArrayLike, key: str) -> NDArray[np.float64]:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise InputError("must be numbers, each row of the same length", key=key) from None
    bad = np.argwhere(~np.isfinite(array))
    if len(bad):
        place = ", ".join(str(index + 1) for index in bad[0])
        raise InputError(f"number {place} is not finite", key=key)
    array = rounded(array)
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Axis:
    """One axis of a table.

    Parameters
    ----------
    name : str
        Name of what runs along the axis, such as ``pedal_pct``.
    unit : str
        Unit, empty for a pure number.
    values : ndarray of shape (n,) [unit of the axis]
        Points, each greater than the one before, at least one.

    Raises
    ------
    InputError
        If a point is not finite or not greater than the one before.
    """

    name: str
    unit: str
    values: NDArray[np.float64]

    def __post_init__(self) -> None:
        check_name(self.name, "an axis")
        check_unit(self.unit, f"axis {self.name}")
        key = f"axis {self.name}"
        values = _numbers(self.values, key)
        if values.ndim != 1 or len(values) == 0:
            raise InputError("must be one row of at least one number", key=key)
        fall = np.flatnonzero(values[1:] <= values[:-1])
        if len(fall):
            first = int(fall[0])
            raise InputError(
                f"must rise from point to point; point {first + 2} "
                f"({values[first + 1]:.12g}) does not exceed {values[first]:.12g}",
                key=key,
            )
        object.__setattr__(self, "values", values)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Axis):
            return NotImplemented
        return (self.name, self.unit) == (other.name, other.unit) and np.array_equal(
            self.values, other.values
        )

    __hash__ = None  # type: ignore[assignment]


def check_unit(unit: object, key: str) -> None:
    """Raise InputError unless the unit is one line of text without square brackets."""
    check_line(unit, f"{key}, unit")
    if "[" in str(unit) or "]" in str(unit):
        raise InputError("must not hold square brackets", key=f"{key}, unit", value=unit)


@dataclass(frozen=True, eq=False)
class Table:
    """A quantity on one or two axes.

    Parameters
    ----------
    name : str
        Name, unique in its calibration.
    quantity : str
        What the values are, in words of the trade.
    unit : str
        Unit of the values, empty for a pure number.
    axes : tuple of one or two Axis
        First axis runs down the rows of ``values``, the second across.
    values : ndarray of shape (n,) or (n, m) [unit of the table]
        Finite values.
    interpolation : {"linear"}
        Between points.
    outside : {"hold"}
        Beyond the ends of an axis the end value holds.
    note : str
        One line for the reader.
    percent_meaning : str
        What 0 and 100 % mean; needed when the table or an axis is in ``%``.

    Raises
    ------
    InputError
        If the parts do not fit together.
    """

    name: str
    quantity: str
    unit: str
    axes: tuple[Axis, ...]
    values: NDArray[np.float64]
    interpolation: Literal["linear"] = "linear"
    outside: Literal["hold"] = "hold"
    note: str = ""
    percent_meaning: str = ""

    def __post_init__(self) -> None:
        check_name(self.name, "a table")
        key = f"table {self.name}"
        check_line(self.quantity, f"{key}, quantity", needed=True)
        check_unit(self.unit, key)
        check_line(self.note, f"{key}, note")
        check_line(self.percent_meaning, f"{key}, percent_meaning")
        if self.interpolation != "linear":
            raise InputError(
                "is not known",
                key=f"{key}, interpolation",
                value=self.interpolation,
                allowed="linear",
            )
        if self.outside != "hold":
            raise InputError(
                "is not known", key=f"{key}, outside", value=self.outside, allowed="hold"
            )
        axes = tuple(self.axes)
        if len(axes) not in (1, 2) or not all(isinstance(axis, Axis) for axis in axes):
            raise InputError("a table has one or two axes", key=key, value=len(axes))
        if len(axes) == 2 and axes[0].name == axes[1].name:
            raise InputError("both axes have the same name", key=key, value=axes[0].name)
        values = _numbers(self.values, f"{key}, values")
        shape = tuple(len(axis.values) for axis in axes)
        if values.shape != shape:
            raise InputError(
                f"the axes ask for values of shape {shape}", key=key, value=values.shape
            )
        if "%" in (self.unit, *(axis.unit for axis in axes)) and not self.percent_meaning:
            raise InputError(
                "a table with % must say what 0 and 100 % mean", key=f"{key}, percent_meaning"
            )
        object.__setattr__(self, "axes", axes)
        object.__setattr__(self, "values", values)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Table):
            return NotImplemented
        texts = ("name", "quantity", "unit", "interpolation", "outside", "note", "percent_meaning")
        return (
            all(getattr(self, text) == getattr(other, text) for text in texts)
            and self.axes == other.axes
            and np.array_equal(self.values, other.values)
        )

    __hash__ = None  # type: ignore[assignment]

    def lookup(self, x: ArrayLike, y: ArrayLike | None = None) -> NDArray[np.float64]:
        """Return the value at a place, linear between points, held beyond the ends.

        Parameters
        ----------
        x : float or ndarray [unit of the first axis]
            Place on the first axis.
        y : float or ndarray [unit of the second axis], optional
            Place on the second axis; needed exactly when there is one.

        Returns
        -------
        ndarray of the broadcast shape of x and y [unit of the table]
            Values; NaN where x or y is NaN.

        Raises
        ------
        InputError
            If ``y`` is given for one axis or missing for two.
        """
        if (y is None) != (len(self.axes) == 1):
            raise InputError(
                f"the table has {len(self.axes)} axes; give as many places",
                key=f"table {self.name}",
            )
        i, u = _place(self.axes[0].values, x)
        if y is None:
            above = np.minimum(i + 1, len(self.values) - 1)
            line = (1.0 - u) * self.values[i] + u * self.values[above]
            return np.asarray(line, dtype=np.float64)
        j, v = _place(self.axes[1].values, y)
        i2 = np.minimum(i + 1, self.values.shape[0] - 1)
        j2 = np.minimum(j + 1, self.values.shape[1] - 1)
        low = (1.0 - v) * self.values[i, j] + v * self.values[i, j2]
        high = (1.0 - v) * self.values[i2, j] + v * self.values[i2, j2]
        return np.asarray((1.0 - u) * low + u * high, dtype=np.float64)


def _place(
    points: NDArray[np.float64], at: ArrayLike
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    place = np.clip(np.asarray(at, dtype=np.float64), points[0], points[-1])
    if len(points) == 1:
        return np.zeros(place.shape, dtype=np.intp), place * 0.0
    index = np.clip(np.searchsorted(points, place, side="right") - 1, 0, len(points) - 2)
    share = (place - points[index]) / (points[index + 1] - points[index])
    return np.asarray(index, dtype=np.intp), np.asarray(share, dtype=np.float64)
