"""Figures of a pedal map: what the driver will feel, in numbers that can be compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Mode
from throttlewright.car.pack import Car, with_variation
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.pedal import PedalMap
from throttlewright.foundation.events import Cancelled, check_cancelled, never
from throttlewright.physics.atmosphere import moist_density
from throttlewright.physics.driveline import effective_mass, road_load_force, wheel_force
from throttlewright.physics.perception import JND_ACCELERATION
from throttlewright.physics.tyre import grip_limited_acceleration

__all__ = [
    "DEFAULT_RPM",
    "HELD_TIMES",
    "MOST_UNEVEN",
    "SPREADS",
    "Curves",
    "MapFigures",
    "gain_ratio",
    "held_pedal",
    "judged_claim",
    "map_figures",
    "torque_band",
    "torque_curves",
]

DEFAULT_RPM = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0)
HELD_TIMES = (0.0, 0.2, 0.5, 1.0, 2.0)
_GRAVITY = 9.80665
_GEAR_RPM = 4000.0
_DEAD_GAIN = 0.05
"""Pedal counts as dead where torque grows by less than this share of the mean gain."""
_WINDOW = 2
"""Gains are taken over 2 % of pedal, about one millimetre: what a foot can place."""

SPREADS: tuple[dict[str, float], ...] = (
    {"ve": 0.9},
    {"ve": 1.1},
    {"cd": 0.85},
    {"cd": 1.15},
    {"closed": math.radians(-0.5)},
    {"closed": math.radians(0.5)},
)
"""Variations behind the band: VE +-10 %, discharge +-15 %, closed stop +-0.5 degree, one at a time
and combined in ``torque_band``."""


@dataclass(frozen=True)
class Curves:
    """Torque over pedal at some speeds, for one map and boost state.

    ``pedal_pct`` (m,), ``omega`` (n,), ``torque`` (n, m) [N m].
    """

    pedal_pct: np.ndarray
    omega: np.ndarray
    torque: np.ndarray
    boost_state: str


def torque_curves(
    car: Car,
    pedal_map: PedalMap,
    omega: np.ndarray,
    *,
    state: BoostState = BoostState.SETTLED,
    pressure: np.ndarray | None = None,
    pedal_pct: np.ndarray | None = None,
) -> Curves:
    """Torque that a map gives over pedal, by solving every point on the car itself.

    Parameters
    ----------
    car : Car
        The car, nominal or varied; the map's percent counts between its own stops.
    pedal_map : PedalMap
        The map.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    state : BoostState
        Which pressure stands before the plate; SETTLED uses the map's boost target if it has one.
    pressure : ndarray [Pa]
        Pipe pressure for HELD, shape (n, m).
    pedal_pct : ndarray [%]
        Pedal positions; every percent when left out.

    Returns
    -------
    Curves
        Torque over pedal.
    """
    pedal = np.linspace(0.0, 100.0, 101) if pedal_pct is None else pedal_pct
    plate = pedal_map.plate_at(omega, pedal)
    psi = car.psi_closed + plate / 100.0 * (car.psi_open - car.psi_closed)
    target = pressure
    if state is BoostState.SETTLED:
        target = pedal_map.boost_at(omega, pedal)
    values, _ = evaluate(car, omega, psi, state=state, pressure=target)
    return Curves(pedal, omega, values["torque"], state.name.lower())


def held_pedal(
    car: Car,
    pedal_map: PedalMap,
    omega: float,
    *,
    times: Sequence[float] = HELD_TIMES,
    pedal_pct: np.ndarray | None = None,
) -> np.ndarray:
    """Torque at held pedal some time after a step from released, as boost arrives.

    Pipe pressure goes from its instant to its settled value as 1 - exp(-t / tau), tau from the
    build's time to boost.

    Parameters
    ----------
    car : Car
        The car.
    pedal_map : PedalMap
        The map.
    omega : float [rad/s]
        Engine speed, held.
    times : sequence of float [s]
        Times after the step.
    pedal_pct : ndarray [%]
        Pedal positions, shape (m,); every percent when left out.

    Returns
    -------
    ndarray [N m]
        Torque, shape (times, m).

    Notes
    -----
    One time constant for all speeds and loads is a strong simplification: a turbo is slower at low
    flow. The filling of the manifold (tens of milliseconds) is left out.
    """
    pedal = np.linspace(0.0, 100.0, 101) if pedal_pct is None else pedal_pct
    speeds = np.array([omega])
    psi = car.psi_closed + pedal_map.plate_at(speeds, pedal) / 100.0 * (
        car.psi_open - car.psi_closed
    )
    first, _ = evaluate(car, speeds, psi, state=BoostState.INSTANT)
    last, _ = evaluate(
        car,
        speeds,
        psi,
        state=BoostState.SETTLED,
        pressure=pedal_map.boost_at(speeds, pedal),
    )
    tau = max(float(car.record["spool_time"]), 1e-6)
    rows = []
    for t in times:
        x = 1.0 - math.exp(-t / tau)
        pipe = first["pipe_pressure"] + x * (last["pipe_pressure"] - first["pipe_pressure"])
        now, _ = evaluate(car, speeds, psi, state=BoostState.HELD, pressure=pipe)
        rows.append(now["torque"][0])
    return np.array(rows)


def gain_ratio(pedal_pct: np.ndarray, torque: np.ndarray, *, stop_from: float) -> np.ndarray:
    """Largest local torque gain over the mean gain, before the part that opens to the stop.

    Parameters
    ----------
    pedal_pct : ndarray [%]
        Pedal positions, evenly spaced, shape (m,).
    torque : ndarray [N m]
        Torque, shape (n, m).
    stop_from : float [-]
        Share of travel at which the last part begins, 0 to 1.

    Returns
    -------
    ndarray [-]
        One ratio for each speed; 1 is perfectly even.
    """
    keep = pedal_pct <= 100.0 * stop_from + 1e-9
    x, t = pedal_pct[keep], torque[:, keep]
    local = (t[:, _WINDOW:] - t[:, :-_WINDOW]) / (x[_WINDOW:] - x[:-_WINDOW])
    mean = (t[:, -1] - t[:, 0]) / (x[-1] - x[0])
    return np.asarray(local.max(axis=1) / mean)


MOST_UNEVEN = 1.75
"""Largest gain over the mean that may still be called even; tool default."""

_LIGHT_FOOT = 0.85
"""Torque share at 20 % pedal from which a map carries a caution; tool default."""


def judged_claim(claim: str, mode: Mode, figures: Sequence[MapFigures]) -> str:
    """Put the reached evenness behind a claim, and withdraw the claim where it is not met.

    Parameters
    ----------
    claim : str
        What the designer promises.
    mode : Mode
        The mode that was designed.
    figures : sequence of MapFigures
        Of the designed map, the promised boost state first.

    Returns
    -------
    str
        The claim with its figures, and a caution where a light foot gets nearly all torque.
    """
    reached = ", ".join(f"{f.gain_ratio.max():.2f} ({f.boost_state})" for f in figures)
    text = f"{claim}. Steepest place over mean: {reached}"
    if mode.feel == "even" and figures[0].gain_ratio.max() > MOST_UNEVEN:
        text = f"NOT EVEN, the figure is above {MOST_UNEVEN:g}; asked was: {text}"
        if mode.basis in ("power", "acceleration"):
            text += f". By its basis, {mode.basis}, torque comes early where the engine has less"
    for other in figures[1:]:
        if mode.feel == "even" and other.gain_ratio.max() > MOST_UNEVEN:
            text += f". Not even in the state {other.boost_state}: torque moves as boost arrives"
    if max(float(f.share_by_20.max()) for f in figures) > _LIGHT_FOOT:
        text += ". CAUTION: nearly all torque comes under a light foot"
    return text


@dataclass(frozen=True)
class MapFigures:
    """Figures of one map in one boost state; arrays run over ``rpm`` unless said otherwise."""

    name: str
    boost_state: str
    rpm: np.ndarray
    share_by_20: np.ndarray
    """Torque share reached at 20 % of pedal [-]."""
    gain_ratio: np.ndarray
    """Largest over mean torque gain [-]."""
    dead_travel: np.ndarray
    """Share of pedal travel in which torque hardly moves [-]."""
    noticeable_steps: np.ndarray
    """1 % pedal steps that change torque, and so nearly acceleration, by more than the
    just-noticeable 5.4 %; counted above 20 % of full torque."""
    mm_per_tenth_g: dict[int, float]
    """Least pedal travel for 0.1 g, by gear, at ``gear_rpm`` [m]."""
    grip_pedal: dict[int, float | None]
    """Pedal where the driven tyres reach their grip, by gear, at ``gear_rpm`` [%]; None: never."""
    free_rev_pedal: dict[int, float | None]
    """Pedal that holds 1500, 2000, 3000, 4000 rpm in neutral [%], by rpm; None: no pedal does,
    either because torque stays negative or because the closed plate already pulls."""
    zero_torque_pedal: np.ndarray
    """Pedal of zero torque [%]; NaN where there is none."""
    gear_rpm: float
    """Engine speed of the figures by gear [rpm]: 4000, or 60 % of the rev limit if that is less."""

    @property
    def free_rev_span(self) -> float | None:
        """Pedal between 1500 and 4000 rpm in neutral [%]; None where either is not to be held."""
        low, high = self.free_rev_pedal[1500], self.free_rev_pedal[4000]
        return None if low is None or high is None else high - low


def _first_crossing(pedal: np.ndarray, values: np.ndarray, level: float) -> float | None:
    """Pedal at which values first rise through a level; None if never, or already at the start."""
    above = np.nonzero(values >= level)[0]
    if above.size == 0 or above[0] == 0:
        return None
    j = int(above[0])
    a = (level - values[j - 1]) / (values[j] - values[j - 1])
    return float(pedal[j - 1] + a * (pedal[j] - pedal[j - 1]))


def _accelerations(car: Car, torque: np.ndarray, gear: int, omega: float) -> np.ndarray:
    drive, vehicle, site = car.build.driveline, car.build.vehicle, car.build.site
    ratio = drive.ratios[gear - 1] * drive.final_drive
    v = omega / ratio * vehicle.tyre_radius
    density = moist_density(
        float(car.record["p_ambient"]), site.temperature, relative_humidity=site.humidity
    )
    load = road_load_force(
        v,
        vehicle.mass,
        drag_area=vehicle.drag_area,
        rolling=vehicle.rolling,
        density=density,
        slope=0.0,
    )
    mass = effective_mass(
        vehicle.mass,
        drive.wheel_inertia * 4.0,
        engine_inertia=float(car.record["engine_inertia"]),
        total_ratio=ratio,
        radius=vehicle.tyre_radius,
    )
    force = np.array(
        [
            wheel_force(float(t), ratio, radius=vehicle.tyre_radius, efficiency=drive.efficiency)
            for t in torque
        ]
    )
    return np.asarray((force - load) / mass)


def map_figures(
    car: Car,
    pedal_map: PedalMap,
    *,
    state: BoostState = BoostState.SETTLED,
    rpm: Sequence[float] | None = None,
    stop_from: float = 0.9,
) -> MapFigures:
    """Work out the figures of a map on a car.

    Parameters
    ----------
    car : Car
        The car.
    pedal_map : PedalMap
        Designed, one-to-one or pasted.
    state : BoostState
        INSTANT or SETTLED.
    rpm : sequence of float [rpm]
        Engine speeds, those outside idle and rev limit left out; the usual ones and the rev limit
        when not given.
    stop_from : float [-]
        Share of travel at which the last part begins; gains are counted before it.

    Returns
    -------
    MapFigures
        To be set side by side with those of another map.
    """
    limit, idle = car.limit * 30.0 / math.pi, car.idle * 30.0 / math.pi
    asked = (*DEFAULT_RPM, limit) if rpm is None else rpm
    kept = np.array(sorted({n for n in asked if idle <= n <= limit} or {limit}))
    omega = kept * math.pi / 30.0
    curves = torque_curves(car, pedal_map, omega, state=state)
    pedal, torque = curves.pedal_pct, curves.torque
    closed, full = torque[:, :1], torque[:, -1:]
    share = (torque - closed) / (full - closed)
    slope = np.diff(torque, axis=1)
    mean = (full - closed) / (pedal[-1] - pedal[0])
    zero = np.array(
        [np.nan if (x := _first_crossing(pedal, row, 0.0)) is None else x for row in torque]
    )
    above = torque[:, :-1] > 0.2 * full
    steps = np.sum(above & (slope > JND_ACCELERATION * np.abs(torque[:, :-1])), axis=1)

    gear_rpm = min(_GEAR_RPM, 0.6 * limit)
    held_rpm = np.array([1500.0, 2000.0, 3000.0, 4000.0, gear_rpm])
    held = torque_curves(car, pedal_map, held_rpm * math.pi / 30.0, state=state)
    free = {
        int(n): _first_crossing(pedal, row, 0.0) if idle <= n <= limit else None
        for n, row in zip(held_rpm[:-1], held.torque[:-1], strict=True)
    }
    w = gear_rpm * math.pi / 30.0
    row = held.torque[-1]
    per_tenth: dict[int, float] = {}
    at_grip: dict[int, float | None] = {}
    travel = car.build.pedal.travel
    vehicle = car.build.vehicle
    axle = {"front": 0.0, "rear": 1.0, "all": 2.0}[car.build.driveline.driven]
    limit_g = grip_limited_acceleration(
        vehicle.grip,
        axle,
        front_share=vehicle.front_weight,
        cg_height=vehicle.centre_of_gravity_height,
        wheelbase=vehicle.wheelbase,
    )
    for gear in range(1, len(car.build.driveline.ratios) + 1):
        accel = _accelerations(car, row, gear, w)
        most = float(np.max(accel[_WINDOW:] - accel[:-_WINDOW])) / _WINDOW
        per_tenth[gear] = 0.1 * _GRAVITY / most * travel / 100.0
        at_grip[gear] = _first_crossing(pedal, accel, limit_g)
    return MapFigures(
        name=pedal_map.name,
        boost_state=curves.boost_state,
        rpm=kept,
        share_by_20=share[:, 20],
        gain_ratio=gain_ratio(pedal, torque, stop_from=stop_from),
        dead_travel=np.mean(slope < _DEAD_GAIN * mean, axis=1),
        noticeable_steps=steps,
        mm_per_tenth_g=per_tenth,
        grip_pedal=at_grip,
        free_rev_pedal=free,
        zero_torque_pedal=zero,
        gear_rpm=gear_rpm,
    )


def torque_band(
    car: Car,
    pedal_map: PedalMap,
    omega: np.ndarray,
    *,
    state: BoostState = BoostState.SETTLED,
    spreads: Sequence[dict[str, float]] = SPREADS,
    cancelled: Cancelled = never,
) -> tuple[np.ndarray, np.ndarray, list[Curves]]:
    """Band of torque over pedal that uncertain numbers leave.

    Parameters
    ----------
    car : Car
        Nominal car.
    pedal_map : PedalMap
        The map, held fixed while the car varies.
    omega : ndarray [rad/s]
        Engine speeds, shape (n,).
    state : BoostState
        Which pressure stands before the plate.
    spreads : sequence of dict
        Arguments of ``with_variation``, one variation each.
    cancelled : callable
        Asked between variations.

    Returns
    -------
    tuple of ndarray, ndarray and list [N m]
        Lower and upper torque, shape (n, m), and the curves of each variation.

    Notes
    -----
    Deviations of the single variations are added as independent ones are: root of the sum of
    squares, separately upward and downward.
    """
    nominal = torque_curves(car, pedal_map, omega, state=state)
    up = np.zeros_like(nominal.torque)
    down = np.zeros_like(nominal.torque)
    curves = []
    for spread in spreads:
        check_cancelled(cancelled)
        varied = torque_curves(with_variation(car, **spread), pedal_map, omega, state=state)
        delta = varied.torque - nominal.torque
        up += np.maximum(delta, 0.0) ** 2
        down += np.minimum(delta, 0.0) ** 2
        curves.append(varied)
    return nominal.torque - np.sqrt(down), nominal.torque + np.sqrt(up), curves
