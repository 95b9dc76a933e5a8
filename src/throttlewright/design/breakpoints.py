"""Axis breakpoints that keep the torque error of linear interpolation smallest."""

from __future__ import annotations

import numpy as np

__all__ = ["best_breakpoints", "interpolation_error"]


def _segment_errors(x: np.ndarray, rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Largest weighted error over all rows of a straight line between every pair of candidates."""
    n = x.size
    cost = np.zeros((n, n))
    for i in range(n - 2):
        for j in range(i + 2, n):
            t = (x[i + 1 : j] - x[i]) / (x[j] - x[i])
            line = rows[:, i, None] * (1.0 - t) + rows[:, j, None] * t
            error = np.abs(line - rows[:, i + 1 : j]) * weight[:, i + 1 : j]
            cost[i, j] = float(error.max())
    return cost


def best_breakpoints(
    x: np.ndarray, rows: np.ndarray, *, weight: np.ndarray, count: int
) -> np.ndarray:
    """Choose axis points so that the largest weighted interpolation error is least.

    Exact, by dynamic programming over the candidates: the best axis with k points up to x_j is the
    best axis with k - 1 points up to some x_i, plus the straight line from x_i to x_j.

    Parameters
    ----------
    x : ndarray [any]
        Candidate axis points, ascending, shape (m,).
    rows : ndarray [any]
        Values at the candidates, one row for each speed, shape (n, m).
    weight : ndarray [N m]
        What one unit of error costs at each point (torque gain), shape (n, m).
    count : int [-]
        Points to choose, 2 to m; the ends are always chosen.

    Returns
    -------
    ndarray [any]
        Chosen points, shape (count,), ascending.
    """
    n = x.size
    if count >= n:
        return x.copy()
    cost = _segment_errors(x, rows, weight)
    best = np.full((count, n), np.inf)
    origin = np.zeros((count, n), dtype=np.int64)
    best[0, 0] = 0.0
    for k in range(1, count):
        for j in range(k, n):
            reached = np.maximum(best[k - 1, :j], cost[:j, j])
            origin[k, j] = int(np.argmin(reached))
            best[k, j] = reached[origin[k, j]]
    chosen = [n - 1]
    for k in range(count - 1, 0, -1):
        chosen.append(int(origin[k, chosen[-1]]))
    return np.asarray(x[np.array(chosen[::-1])])


def interpolation_error(
    axis: np.ndarray, x: np.ndarray, rows: np.ndarray, *, weight: np.ndarray
) -> float:
    """Largest weighted error of interpolating rows linearly between axis points.

    Parameters
    ----------
    axis : ndarray [any]
        Axis points, a subset of ``x``.
    x : ndarray [any]
        Fine points, shape (m,).
    rows : ndarray [any]
        Values at ``x``, shape (n, m).
    weight : ndarray [N m]
        What one unit of error costs, shape (n, m).

    Returns
    -------
    float [N m]
        Largest error.
    """
    picked = np.searchsorted(x, axis)
    line = np.array([np.interp(x, axis, row[picked]) for row in rows])
    return float(np.max(np.abs(line - rows) * weight))
