"""Torque surface: what the engine gives over speed and plate angle in one boost state."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.car.operating import POINT_FIELDS, solve_surface
from throttlewright.car.pack import Car
from throttlewright.car.record import BoostState
from throttlewright.foundation.errors import NoSolutionError
from throttlewright.foundation.status import ADVICE, PointStatus

__all__ = [
    "AUTHORITY_SHARE",
    "TorqueSurface",
    "compute_surface",
    "default_speeds",
    "evaluate",
    "plate_axis",
]

AUTHORITY_SHARE = 0.97
"""Torque share from which more plate angle does nothing: the authority end."""


@dataclass(frozen=True)
class TorqueSurface:
    """Torque over engine speed and plate angle, with the other quantities of each point.

    Any source may fill it: the model of this package, measured holds, a published engine.
    Arrays have shape (speeds, plates); ``values`` adds the names of ``POINT_FIELDS``.
    """

    omega: np.ndarray
    psi: np.ndarray
    torque: np.ndarray
    values: dict[str, np.ndarray]
    status: np.ndarray
    boost_state: str
    name: str = ""

    @property
    def rpm(self) -> np.ndarray:
        """Engine speed [rpm]."""
        return np.asarray(self.omega * 30.0 / math.pi)

    @property
    def plate_pct(self) -> np.ndarray:
        """100 * (psi - closed stop) / (open stop - closed stop)."""
        return 100.0 * (self.psi - self.psi[0]) / (self.psi[-1] - self.psi[0])

    @property
    def full(self) -> np.ndarray:
        """Torque at the open stop for each speed [N m]."""
        return self.torque[:, -1]

    @property
    def closed(self) -> np.ndarray:
        """Torque at the closed stop for each speed [N m]."""
        return self.torque[:, 0]

    @property
    def share(self) -> np.ndarray:
        """Torque share s = (T - T_closed) / (T_full - T_closed) at the same speed [-]."""
        span = (self.full - self.closed)[:, None]
        return (self.torque - self.closed[:, None]) / span

    @property
    def authority(self) -> np.ndarray:
        """What is left to gain by opening further, 1 - s [-]."""
        return 1.0 - self.share

    @property
    def authority_end(self) -> np.ndarray:
        """Least plate angle with a torque share of 0.97, for each speed [rad]."""
        return self.psi_at_share(np.full(self.omega.shape, AUTHORITY_SHARE))

    def psi_at_share(self, share: np.ndarray) -> np.ndarray:
        """Plate angle at which each speed gives a torque share.

        Parameters
        ----------
        share : ndarray [-]
            One share (or a row of shares) for each speed, 0 to 1.

        Returns
        -------
        ndarray [rad]
            Plate angles, shape of ``share``.
        """
        return self.psi_at_torque(
            self.closed.reshape((-1,) + (1,) * (share.ndim - 1))
            + share * (self.full - self.closed).reshape((-1,) + (1,) * (share.ndim - 1))
        )

    def psi_at_torque(self, torque: np.ndarray) -> np.ndarray:
        """Plate angle at which each speed gives a torque; the nearest stop outside the range.

        Parameters
        ----------
        torque : ndarray [N m]
            One torque (or a row of torques) for each speed.

        Returns
        -------
        ndarray [rad]
            Plate angles, shape of ``torque``.
        """
        rows = np.maximum.accumulate(self.torque, axis=1)
        # a saturated row is flat: a strictly rising copy makes the least angle the answer
        rows = rows + np.arange(rows.shape[1]) * 1e-9 * np.ptp(rows, axis=1)[:, None]
        out = np.empty(torque.shape)
        for i in range(self.omega.size):
            out[i] = np.interp(torque[i], rows[i], self.psi)
        return out

    def torque_at(self, omega: np.ndarray, psi: np.ndarray) -> np.ndarray:
        """Torque between grid points, bilinear.

        Parameters
        ----------
        omega : ndarray [rad/s]
            Engine speeds, shape (n,).
        psi : ndarray [rad]
            Plate angles, shape (n, m).

        Returns
        -------
        ndarray [N m]
            Torque, shape (n, m).
        """
        return self._at(self.torque, omega, psi)

    def value_at(self, name: str, omega: np.ndarray, psi: np.ndarray) -> np.ndarray:
        """Another quantity between grid points, bilinear.

        Parameters
        ----------
        name : str
            One of ``POINT_FIELDS``.
        omega : ndarray [rad/s]
            Engine speeds, shape (n,).
        psi : ndarray [rad]
            Plate angles, shape (n, m).

        Returns
        -------
        ndarray [SI]
            Values, shape (n, m).
        """
        return self._at(self.values[name], omega, psi)

    def _at(self, grid: np.ndarray, omega: np.ndarray, psi: np.ndarray) -> np.ndarray:
        x = np.clip(omega, self.omega[0], self.omega[-1])
        i = np.clip(np.searchsorted(self.omega, x) - 1, 0, self.omega.size - 2)
        a = ((x - self.omega[i]) / (self.omega[i + 1] - self.omega[i]))[:, None]
        y = np.clip(psi, self.psi[0], self.psi[-1])
        j = np.clip(np.searchsorted(self.psi, y) - 1, 0, self.psi.size - 2)
        b = (y - self.psi[j]) / (self.psi[j + 1] - self.psi[j])
        rows = i[:, None]
        low = (1.0 - b) * grid[rows, j] + b * grid[rows, j + 1]
        high = (1.0 - b) * grid[rows + 1, j] + b * grid[rows + 1, j + 1]
        return (1.0 - a) * low + a * high

    def require_solved(self) -> TorqueSurface:
        """Return this surface, or raise when any of its points has no solution."""
        bad = np.argwhere(self.status != PointStatus.OK)
        if bad.size:
            i, j = (int(k) for k in bad[0])
            raise NoSolutionError(
                f"{len(bad)} of {self.status.size} operating points have no solution, the first at "
                f"{self.rpm[i]:.0f} rpm and {self.plate_pct[j]:.1f} % plate: "
                f"{ADVICE[PointStatus(int(self.status[i, j]))]}"
            )
        return self


def default_speeds(car: Car, *, count: int) -> np.ndarray:
    """Engine speeds from 80 % of idle to the rev limit.

    Parameters
    ----------
    car : Car
        The car.
    count : int [-]
        Number of speeds, at least 2.

    Returns
    -------
    ndarray [rad/s]
        Shape (count,).
    """
    return np.linspace(0.8 * car.idle, car.limit, count)


def plate_axis(car: Car, *, count: int) -> np.ndarray:
    """Plate angles between the stops, dense where a large plate does its work.

    Parameters
    ----------
    car : Car
        The car.
    count : int [-]
        Number of angles, at least 3.

    Returns
    -------
    ndarray [rad]
        Shape (count,), from the closed to the open stop.
    """
    x = np.linspace(0.0, 1.0, count)
    return car.psi_closed + (car.psi_open - car.psi_closed) * (0.25 * x + 0.75 * x**2.2)


def _code_and_pressure(
    car: Car,
    omega: np.ndarray,
    state: BoostState,
    pressure: np.ndarray | float | None,
    shape: tuple[int, int],
) -> tuple[float, np.ndarray]:
    if pressure is not None:
        target = np.broadcast_to(np.asarray(pressure, dtype=float), shape)
    else:
        target = np.broadcast_to(car.full_boost(omega)[:, None], shape)
    return float(state), np.ascontiguousarray(target)


def evaluate(
    car: Car,
    omega: np.ndarray,
    psi: np.ndarray,
    *,
    state: BoostState = BoostState.SETTLED,
    pressure: np.ndarray | float | None = None,
    cold: float = 1.0,
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Solve operating points at given speeds and plate angles.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    psi : ndarray [rad]
        Plate angles, shape (n, m).
    state : BoostState
        Which pressure stands before the plate.
    pressure : ndarray or float [Pa]
        Target (SETTLED) or held (HELD) pipe pressure, absolute; full boost when left out.
    cold : float [-]
        Friction over hot friction, at least 0.1.

    Returns
    -------
    tuple of dict and ndarray [SI]
        Arrays of shape (n, m) named by ``POINT_FIELDS``, and the status of each point.
    """
    omega = np.ascontiguousarray(omega, dtype=float)
    psi = np.ascontiguousarray(psi, dtype=float)
    code, target = _code_and_pressure(car, omega, state, pressure, psi.shape)
    out = np.empty((*psi.shape, len(POINT_FIELDS)))
    status = np.empty(psi.shape)
    solve_surface(
        omega,
        psi,
        boost_code=code,
        boost_pressure=target,
        cold=float(cold),
        car=car.record,
        out=out,
        status=status,
    )
    return {name: out[..., k] for k, name in enumerate(POINT_FIELDS)}, status.astype(np.int64)


def compute_surface(
    car: Car,
    *,
    state: BoostState = BoostState.SETTLED,
    speeds: np.ndarray | None = None,
    psi: np.ndarray | None = None,
    pressure: np.ndarray | float | None = None,
    cold: float = 1.0,
) -> TorqueSurface:
    """Torque surface of a car.

    Parameters
    ----------
    car : Car
        The car.
    state : BoostState
        Which pressure stands before the plate.
    speeds : ndarray [rad/s]
        Engine speeds, ascending; 40 from below idle to the rev limit when left out.
    psi : ndarray [rad]
        Plate angles, ascending from the closed to the open stop; 60 when left out.
    pressure : ndarray or float [Pa]
        As in ``evaluate``.
    cold : float [-]
        Friction over hot friction.

    Returns
    -------
    TorqueSurface
        Points without a solution carry NaN and their status.
    """
    omega = default_speeds(car, count=40) if speeds is None else np.asarray(speeds, dtype=float)
    angles = plate_axis(car, count=60) if psi is None else np.asarray(psi, dtype=float)
    grid = np.broadcast_to(angles, (omega.size, angles.size))
    values, status = evaluate(car, omega, grid, state=state, pressure=pressure, cold=cold)
    return TorqueSurface(
        omega=omega,
        psi=angles,
        torque=values["torque"],
        values=values,
        status=status,
        boost_state=state.name.lower(),
        name=car.build.name,
    )
