"""Compiled look-ups on real axes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from throttlewright.calibration.places import T_NX, T_NY, T_V, T_X, T_Y
from throttlewright.foundation.compiled import kernel

__all__ = ["bilinear", "linear", "remembered"]


@kernel
def _below(x: float, xs: NDArray[np.float64]) -> int:
    """Return the index of the interval that holds x, for at least two points."""
    low = 0
    high = xs.shape[0] - 1
    while high - low > 1:
        middle = (low + high) // 2
        if xs[middle] <= x:
            low = middle
        else:
            high = middle
    return low


@kernel
def _share(x: float, xs: NDArray[np.float64], index: int) -> float:
    """Return how far x lies into its interval, 0 to 1; NaN stays NaN."""
    share: float = (x - xs[index]) / (xs[index + 1] - xs[index])
    if share < 0.0:
        return 0.0
    if share > 1.0:
        return 1.0
    return share


@kernel
def linear(x: float, xs: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Return the value at x on a line through points, held beyond the ends.

    ``(1 - u) v_i + u v_{i+1}`` with ``u = (x - x_i) / (x_{i+1} - x_i)``.

    Parameters
    ----------
    x : float [as xs]
        Place; any number, NaN gives NaN.
    xs : ndarray of shape (n,) [any unit]
        Axis, rising, n >= 1.
    values : ndarray of shape (n,) [any unit]
        Value at each point.

    Returns
    -------
    float [as values]
        Value at x.

    Notes
    -----
    Definition of linear interpolation; no range of its own.
    """
    i = 0
    above = 0
    u = 0.0 * _sign_or_nan(x)
    if xs.shape[0] > 1:
        i = _below(x, xs)
        above = i + 1
        u = _share(x, xs, i)
    result: float = (1.0 - u) * values[i] + u * values[above]
    return result


@kernel
def _sign_or_nan(x: float) -> float:
    """Return a finite number for any x, infinite ones too, and NaN for NaN."""
    if x > 0.0:
        return 1.0
    if x <= 0.0:
        return -1.0
    return x


@kernel
def bilinear(
    x: float,
    y: float,
    xs: NDArray[np.float64],
    ys: NDArray[np.float64],
    values: NDArray[np.float64],
) -> float:
    """Return the value at (x, y) of a table, linear along both axes, held beyond the ends.

    ``(1 - u) [(1 - v) v_ij + v v_i,j+1] + u [(1 - v) v_i+1,j + v v_i+1,j+1]``.

    Parameters
    ----------
    x : float [as xs]
        Place on the first axis (down the rows); NaN gives NaN.
    y : float [as ys]
        Place on the second axis (across the columns); NaN gives NaN.
    xs : ndarray of shape (n,) [any unit]
        First axis, rising, n >= 1.
    ys : ndarray of shape (m,) [any unit]
        Second axis, rising, m >= 1.
    values : ndarray of shape (n, m) [any unit]
        Value at each pair of points.

    Returns
    -------
    float [as values]
        Value at (x, y).

    Notes
    -----
    Definition of bilinear interpolation; no range of its own.
    """
    i = 0
    i2 = 0
    u = 0.0 * _sign_or_nan(x)
    if xs.shape[0] > 1:
        i = _below(x, xs)
        i2 = i + 1
        u = _share(x, xs, i)
    j = 0
    j2 = 0
    v = 0.0 * _sign_or_nan(y)
    if ys.shape[0] > 1:
        j = _below(y, ys)
        j2 = j + 1
        v = _share(y, ys, j)
    low = (1.0 - v) * values[i, j] + v * values[i, j2]
    high = (1.0 - v) * values[i2, j] + v * values[i2, j2]
    result: float = (1.0 - u) * low + u * high
    return result


@kernel
def remembered(
    x: float,
    y: float,
    table: int,
    cal: Any,
    memory: NDArray[np.float64],
    at: int,
) -> float:
    """Return the value at (x, y) of one of many tables in a flat array, held beyond the ends.

    ``(1 - u) [(1 - v) v_ij + v v_i,j+1] + u [(1 - v) v_i+1,j + v v_i+1,j+1]``.

    Parameters
    ----------
    x : float [as the first axis]
        Place on the first axis; NaN gives NaN.
    y : float [as the second axis]
        Place on the second axis; not read where there is none.
    table : int [-]
        Which of the tables.
    cal : scalar of PACKED_DTYPE
        The packed calibration.
    memory : ndarray of shape (k,) [-]
        Holds the places found last time at ``at`` and ``at + 1``; written.
    at : int [-]
        Place in ``memory``.

    Returns
    -------
    float [as the table]
        Value at (x, y).

    Notes
    -----
    Definition of bilinear interpolation; no range of its own. Walking from the places found last
    time ends at the same interval from any start: they only save time.
    """
    points = cal["tables"]
    rows = cal["table_rows"]
    first = rows[table, T_X]
    count = rows[table, T_NX]
    values = rows[table, T_V]
    i = 0
    up = 0
    u = 0.0
    if count > 1:
        i = int(memory[at])
        while i > 0 and x < points[first + i]:
            i -= 1
        while i < count - 2 and x >= points[first + i + 1]:
            i += 1
        memory[at] = i
        up = 1
        u = (x - points[first + i]) / (points[first + i + 1] - points[first + i])
        if u < 0.0:
            u = 0.0
        elif u > 1.0:
            u = 1.0
    across = rows[table, T_NY]
    if across == 0:
        line: float = (1.0 - u) * points[values + i] + u * points[values + i + up]
        return line
    first = rows[table, T_Y]
    j = 0
    right = 0
    v = 0.0
    if across > 1:
        j = int(memory[at + 1])
        while j > 0 and y < points[first + j]:
            j -= 1
        while j < across - 2 and y >= points[first + j + 1]:
            j += 1
        memory[at + 1] = j
        right = 1
        v = (y - points[first + j]) / (points[first + j + 1] - points[first + j])
        if v < 0.0:
            v = 0.0
        elif v > 1.0:
            v = 1.0
    corner = values + i * across + j
    above = corner + up * across
    low = (1.0 - v) * points[corner] + v * points[corner + right]
    high = (1.0 - v) * points[above] + v * points[above + right]
    result: float = (1.0 - u) * low + u * high
    return result
