"""Pedal map: plate over pedal and engine speed, with the boost target that belongs to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Mode
from throttlewright.car.pack import Car
from throttlewright.car.pair import PAIR_FIELDS, solve_pairs
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface, evaluate
from throttlewright.design.feel import FREE_REV_SPAN, Wish, torque_wish

__all__ = [
    "BOOST_MARGIN",
    "DemandForm",
    "PedalMap",
    "demand_form",
    "design_pedal_map",
    "one_to_one",
]

BOOST_MARGIN = 15e3
"""Pipe pressure above the manifold pressure needed [Pa]; between 10 and 20 kPa the plate keeps
authority without pumping against itself."""

_CLEARANCE = 5e3
"""Target above the pressure a turbo reaches with its wastegate shut [Pa]; tool default."""


@dataclass(frozen=True)
class PedalMap:
    """Plate opening over pedal and engine speed.

    ``pedal_pct`` (m,) and ``omega`` (n,) are the axes, ``plate_pct`` (n, m) the table:
    0 % is the closed stop, 100 % the open stop. ``boost_target`` (n, m) [Pa absolute] belongs to
    the plate where boost can be commanded. ``asked`` is the torque wish, ``claim`` what may be
    said of the map.
    """

    name: str
    pedal_pct: np.ndarray
    omega: np.ndarray
    plate_pct: np.ndarray
    boost_target: np.ndarray | None = None
    asked: Wish | None = None
    boost_state: str = "settled"
    claim: str = ""

    @property
    def rpm(self) -> np.ndarray:
        """Engine speed axis [rpm]."""
        return self.omega * 30.0 / math.pi

    def plate_at(self, omega: np.ndarray, pedal_pct: np.ndarray) -> np.ndarray:
        """Read the map as a controller does, bilinear and held outside.

        Parameters
        ----------
        omega : ndarray [rad/s]
            Engine speeds, shape (n,).
        pedal_pct : ndarray [%]
            Pedal positions, shape (m,).

        Returns
        -------
        ndarray [%]
            Plate opening, shape (n, m).
        """
        return _bilinear(self.omega, self.pedal_pct, self.plate_pct, omega, pedal_pct)

    def boost_at(self, omega: np.ndarray, pedal_pct: np.ndarray) -> np.ndarray | None:
        """Read the boost target likewise; None where boost is not commanded.

        Parameters
        ----------
        omega : ndarray [rad/s]
            Engine speeds, shape (n,).
        pedal_pct : ndarray [%]
            Pedal positions, shape (m,).

        Returns
        -------
        ndarray or None [Pa]
            Absolute pressure before the plate, shape (n, m).
        """
        if self.boost_target is None:
            return None
        return _bilinear(self.omega, self.pedal_pct, self.boost_target, omega, pedal_pct)


def _bilinear(
    xs: np.ndarray, ys: np.ndarray, grid: np.ndarray, x: np.ndarray, y: np.ndarray
) -> np.ndarray:
    along = np.array([np.interp(y, ys, row) for row in grid])
    x = np.clip(x, xs[0], xs[-1])
    i = np.clip(np.searchsorted(xs, x) - 1, 0, xs.size - 2)
    a = ((x - xs[i]) / (xs[i + 1] - xs[i]))[:, None]
    return np.asarray((1.0 - a) * along[i] + a * along[i + 1])


def one_to_one(omega: np.ndarray, *, name: str = "one to one") -> PedalMap:
    """The map of a cable: plate percent equals pedal percent.

    Parameters
    ----------
    omega : ndarray [rad/s]
        Engine speed axis.
    name : str
        Name in figures and pictures.

    Returns
    -------
    PedalMap
        Without a boost target.
    """
    pedal = np.linspace(0.0, 100.0, 11)
    return PedalMap(
        name=name,
        pedal_pct=pedal,
        omega=omega,
        plate_pct=np.broadcast_to(pedal, (omega.size, pedal.size)).copy(),
        claim="plate follows pedal",
    )


def _limit_slope(plate: np.ndarray, pedal: np.ndarray, limit: float | None) -> np.ndarray:
    """Let the plate rise no faster than the limit, from the bottom up: it may end short of full.

    Never the other way round: opening earlier so as to reach full would put a large opening under
    a light foot.
    """
    if limit is None:
        return plate
    out = plate.copy()
    for j in range(1, pedal.size):
        out[:, j] = np.minimum(out[:, j], out[:, j - 1] + limit * (pedal[j] - pedal[j - 1]))
    return out


def design_pedal_map(
    surface: TorqueSurface,
    mode: Mode,
    *,
    pedal_pct: np.ndarray,
    omega: np.ndarray,
    car: Car | None = None,
    name: str = "this map",
    old_share: np.ndarray | None = None,
    free_rev_span: float = FREE_REV_SPAN,
) -> PedalMap:
    """Compute the plate for every pedal position and speed so that torque follows the wish.

    Parameters
    ----------
    surface : TorqueSurface
        Torque in the boost state that the feel is promised for; may come from any engine.
    mode : Mode
        Feel, basis, cap and last part of travel.
    pedal_pct : ndarray [%]
        Pedal axis, ascending from 0 to 100.
    omega : ndarray [rad/s]
        Speed axis, ascending.
    car : Car, optional
        With a car whose boost can be commanded, plate and boost target are designed as a pair.
    name : str
        Name in figures and pictures.
    old_share : ndarray [-]
        Torque share of a previous plate on the same axes, for the feel "old plate".
    free_rev_span : float [-]
        As in ``feel.torque_wish``.

    Returns
    -------
    PedalMap
        Monotone in pedal, 0 at 0, 100 at 100 unless a cap or a slope limit stops it short.
    """
    pedal = pedal_pct / 100.0
    wish = torque_wish(
        mode, surface, omega, pedal, old_share=old_share, free_rev_span=free_rev_span
    )
    boost: np.ndarray | None = None
    # behind individual plates MAP is no load signal, so a pair cannot be worked out from it
    paired = car is not None and car.controllable and not car.record["individual"] > 0.5
    if car is not None and paired and surface.boost_state == "settled":
        out = np.empty((*wish.torque.shape, len(PAIR_FIELDS)))
        solve_pairs(
            np.ascontiguousarray(omega, dtype=float),
            np.ascontiguousarray(wish.torque),
            margin=BOOST_MARGIN,
            cold=1.0,
            car=car.record,
            out=out,
        )
        psi = out[..., 0]
        boost = out[..., 1].copy()
    else:
        psi = _psi_between(surface, omega, wish.torque)
        if car is not None and car.controllable:
            boost = _boost_beside(car, wish, psi)
    plate = 100.0 * (psi - surface.psi[0]) / (surface.psi[-1] - surface.psi[0])
    plate[:, pedal <= 0.0] = 0.0
    plate = np.maximum.accumulate(np.clip(plate, 0.0, 100.0), axis=1)
    if wish.opens_fully:
        _open_to_stop(plate, pedal, wish.stop_from)
        if boost is not None and car is not None:
            full = np.maximum(car.full_boost(omega), float(car.record["spring_pressure"]))
            last = pedal > wish.stop_from
            start = boost[:, ~last][:, -1]
            x = (pedal[last] - pedal[~last][-1]) / (1.0 - pedal[~last][-1])
            boost[:, last] = start[:, None] + (full - start)[:, None] * x
    plate = _limit_slope(plate, pedal_pct, mode.slope_limit)
    return PedalMap(
        name=name,
        pedal_pct=pedal_pct,
        omega=omega,
        plate_pct=plate,
        boost_target=boost,
        asked=wish,
        boost_state=surface.boost_state,
        claim=_claim(mode, surface, car, boost is not None) + _short_of_full(plate, wish),
    )


def _lower_hull(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Largest convex curve that is nowhere above the points, at the points."""
    hull: list[int] = []
    for j in range(x.size):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (y[b] - y[a]) * (x[j] - x[a]) < (y[j] - y[a]) * (x[b] - x[a]):
                break
            hull.pop()
        hull.append(j)
    return np.asarray(np.interp(x, x[hull], y[hull]))


def _boost_beside(car: Car, wish: Wish, psi: np.ndarray) -> np.ndarray:
    """Boost target beside a plate map that is even in the instant state.

    With the wastegate shut a turbo answers more plate with more flow and so with more pressure: in
    a narrow band of pedal the settled torque runs away. The target takes off just that surplus. It
    asks for the largest convex curve below what the turbo can reach, which is the curve with the
    least steep place of all that still end at full torque. Torque at a fixed plate is nearly
    proportional to pipe pressure, so six held pressures and lines between them are enough.
    """
    omega = wish.omega
    ambient, spring = float(car.record["p_ambient"]), float(car.record["spring_pressure"])
    full = np.maximum(car.full_boost(omega), spring)
    reached, _ = evaluate(car, omega, psi, pressure=full[:, None])
    levels = np.linspace(ambient, full, 6)
    held = np.array(
        [
            evaluate(car, omega, psi, state=BoostState.HELD, pressure=level[:, None])[0]["torque"]
            for level in levels
        ]
    )
    before = wish.pedal <= wish.stop_from
    # where the turbo gives all it can the target only has to stay out of the way
    target = np.minimum(reached["pipe_pressure"] + _CLEARANCE, full[:, None])
    for i in range(omega.size):
        torque = reached["torque"][i, before]
        wanted = _lower_hull(wish.pedal[before], torque)
        for j in np.nonzero(wanted < torque - 1e-3 * np.ptp(torque))[0]:
            target[i, j] = np.interp(wanted[j], held[:, i, j], levels[:, i])
    # with the plate nearly shut more pressure only costs back pressure: never ask for more than
    # the turbo gives there anyway
    target = np.minimum(target, reached["pipe_pressure"] + _CLEARANCE)
    return np.maximum.accumulate(np.maximum(target, spring), axis=1)


def _psi_between(surface: TorqueSurface, omega: np.ndarray, torque: np.ndarray) -> np.ndarray:
    """Least plate angle that gives a torque at speeds between the surface's own rows."""
    rows = TorqueSurface(
        omega=omega,
        psi=surface.psi,
        torque=surface.torque_at(
            omega, np.broadcast_to(surface.psi, (omega.size, surface.psi.size))
        ),
        values={},
        status=np.zeros((omega.size, surface.psi.size)),
        boost_state=surface.boost_state,
    )
    return rows.psi_at_torque(torque)


def _open_to_stop(plate: np.ndarray, pedal: np.ndarray, stop_from: float) -> None:
    last = pedal > stop_from
    before = pedal <= stop_from
    anchor = pedal[before][-1]
    start = plate[:, before][:, -1]
    x = (pedal[last] - anchor) / (1.0 - anchor) if anchor < 1.0 else pedal[last]
    plate[:, last] = start[:, None] + (100.0 - start)[:, None] * x
    plate[:, -1] = 100.0


def _claim(mode: Mode, surface: TorqueSurface, car: Car | None, paired: bool) -> str:
    if car is None or not car.turbo:
        return f"{mode.feel}, {surface.boost_state}"
    if paired and surface.boost_state == "instant":
        return (
            f"{mode.feel} in what the driver feels first (charge pipe at ambient); the boost "
            "target takes off the surplus where the spooling turbo would run away from the foot"
        )
    if paired:
        return f"{mode.feel} when boost has settled, plate and boost target together"
    return (
        f"{mode.feel} only in the state '{surface.boost_state}': this car has no boost target a "
        "controller can command, and no single plate map is even in two boost states; add "
        "electronic boost control, or accept that torque grows at held pedal as boost arrives"
    )


def _short_of_full(plate: np.ndarray, wish: Wish) -> str:
    least = float(plate[:, -1].min())
    if not wish.opens_fully or least > 99.95:
        return ""
    return f"; the slope limit ends full pedal at {least:.0f} % of plate: full torque may be missed"


@dataclass(frozen=True)
class DemandForm:
    """The same intent in two steps: pedal to torque share, torque share to plate.

    ``share`` (n, m) over ``omega`` and ``pedal_pct``; ``plate_pct`` (n, k) over ``omega`` and
    ``share_axis``.
    """

    pedal_pct: np.ndarray
    omega: np.ndarray
    share: np.ndarray
    share_axis: np.ndarray
    plate_pct: np.ndarray


def demand_form(
    pedal_map: PedalMap, surface: TorqueSurface, *, share_points: int = 17
) -> DemandForm:
    """Express a pedal map as pedal to torque share and torque share to plate.

    Parameters
    ----------
    pedal_map : PedalMap
        A designed map.
    surface : TorqueSurface
        The surface it was designed on.
    share_points : int [-]
        Length of the torque-share axis, at least 3.

    Returns
    -------
    DemandForm
        Going through both tables gives the plate of the map at its own axis points.
    """
    omega = pedal_map.omega
    closed = np.interp(omega, surface.omega, surface.closed)[:, None]
    full = np.interp(omega, surface.omega, surface.full)[:, None]
    asked = pedal_map.asked
    if asked is not None:
        share = (asked.torque - closed) / (full - closed)
        last = pedal_map.pedal_pct > 100.0 * asked.stop_from
        if asked.opens_fully and last.any():
            start = share[:, ~last][:, -1:]
            x = (pedal_map.pedal_pct[last] / 100.0 - asked.stop_from) / (1.0 - asked.stop_from)
            share[:, last] = start + (1.0 - start) * x
    else:
        psi = surface.psi[0] + pedal_map.plate_pct / 100.0 * (surface.psi[-1] - surface.psi[0])
        share = (surface.torque_at(omega, psi) - closed) / (full - closed)
    share = np.clip(share, 0.0, 1.0)
    axis = np.linspace(0.0, 1.0, share_points)
    plate = np.array(
        [np.interp(axis, *_unique(share[i], pedal_map.plate_pct[i])) for i in range(omega.size)]
    )
    return DemandForm(pedal_map.pedal_pct, omega, share, axis, plate)


def _unique(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    keep = np.concatenate((np.diff(x) > 1e-12, [True]))
    return x[keep], y[keep]
