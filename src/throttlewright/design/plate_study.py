"""Plate-size study: what each bore and number of plates costs, gives and demands on one engine."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import CAR_DTYPE, RUNNER_AREAS, BoostState
from throttlewright.car.surface import evaluate, plate_axis
from throttlewright.design.plate_advice import (
    IDLE_STEP_LIMIT,
    IDLE_STEP_WISH,
    PlateRow,
    Recommendation,
    idle_verdict,
    recommend,
    study_notes,
)
from throttlewright.foundation.errors import InputError, NoSolutionError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.physics.driveline import road_load_force, wheel_force
from throttlewright.physics.gas import R_AIR

__all__ = [
    "PlateRow",
    "PlateStudy",
    "Recommendation",
    "plate_study",
    "with_plate",
]

_ANGLES = 40
_SMALL = math.radians(0.1)
_LEAST_LEAK = 1e-9
"""A plate without any leak has no balance at its stop [m2]; a thousandth of a mm2 stands for it."""
_LEAST_SHAFT = 5e-3
"""Thinnest shaft that a smaller body is drawn with [m]; common practice, no source."""
_SHARE = 0.90
_LOW_SPEED = 2000.0 * math.pi / 30.0
_SOUND = 340.0
_FELT = 2.0
"""Effective area in units of displacement * speed / sound speed from which wider individual plates
add nothing; the crank-resolved runner model levels off at about 1."""
_SUPPLY = 5.0
"""Full scale of the sensor's converter [V]; common practice, no source."""
_DRIVE_INERTIA = 2.1e-3
"""Motor, gears and shaft seen from the plate [kg m2]: one published identification of an electronic
plate body, read at second hand."""
_DISC_DENSITY = 2700.0
_DISC_SHARE = 1.0 / 30.0
_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class PlateStudy:
    """Rows of a study, the car's own plate among them as ``car_row``."""

    rows: tuple[PlateRow, ...]
    recommendation: Recommendation
    car_row: PlateRow
    speeds: tuple[float, float, float]
    """Low, mid and rated speed [rad/s]; rated is where a plate that does nothing gives most."""
    idle: float
    """Idle speed [rad/s]."""
    idle_air: float
    """Air of warm unloaded idle [kg/s]."""
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Frame:
    """What does not depend on the plate."""

    car: Car
    speeds: np.ndarray
    wide_speeds: np.ndarray
    free_torque: float
    idle_air: float
    air_by_idle: tuple[np.ndarray, np.ndarray]
    default_grid: np.ndarray
    drive_gain: np.ndarray
    drag_gain: np.ndarray
    road: np.ndarray
    wheel: np.ndarray


def with_plate(car: Car, *, bore: float, count: int) -> Car:
    """Return the car on another plate: same stops, same gap, shaft in proportion.

    Parameters
    ----------
    car : Car
        Car with its own plate.
    bore : float [m]
        Bore of one plate, above 0.
    count : int [-]
        Number of plates, at least 1; one plate on an engine with individual plates means that it
        breathes through a common plenum.

    Returns
    -------
    Car
        A copy; leak area grows with the bore as a ring of constant gap does. ``build`` still
        describes the own plate.
    """
    rec = np.array(car.record, dtype=CAR_DTYPE).reshape(1)[0]
    ratio = bore / float(rec["bore"])
    shaft = float(rec["shaft"])
    rec["shaft"] = max(shaft * ratio, min(shaft, _LEAST_SHAFT, 0.3 * bore))
    rec["bore"] = bore
    rec["plates"] = float(count)
    rec["leak_area"] = max(float(rec["leak_area"]) * ratio, _LEAST_LEAK)
    if count == 1:
        rec["individual"] = 0.0
    return replace(car, record=rec)


def _shares(rec: np.void, log_area: float) -> np.ndarray:
    """Share of a full charge at one area, for each speed of the runner tables."""
    logs = rec["runner_log_first"] + rec["runner_log_step"] * np.arange(RUNNER_AREAS)
    return np.array([np.interp(log_area, logs, row) for row in rec["runner_share"]])


def _with_wide_runners(car: Car, area: float) -> Car:
    """Carry the runner tables on to an effective area that the own plates do not reach.

    The build's volumetric efficiency was measured with its own plates, so the shares are counted
    from those wide open as ``pack`` counts them: a wider plate may pass more than 1.
    """
    rec = car.record
    if rec["individual"] < 0.5:
        return car
    own = car.build.plate
    widest = plate_area_of(car.psi_open, car=rec)
    # a wider table than the engine can feel would only be a coarser one
    felt = _FELT * float(rec["displacement"]) * car.limit / _SOUND
    grow = max(math.sqrt(1.1 * min(area, max(felt, widest)) / widest), 1.0)
    plate = own.model_copy(update={"bore": own.bore * grow, "shaft": own.shaft * grow})
    wide = pack(car.build.model_copy(update={"plate": plate})).record
    at = math.log(widest / float(rec["cylinders"]))
    level = _shares(wide, at) / _shares(rec, at)
    rec = np.array(rec, dtype=CAR_DTYPE).reshape(1)[0]
    rec["runner_share"] = wide["runner_share"] / level[:, None]
    for name in ("runner_omega_step", "runner_log_first", "runner_log_step", "runner_pressure"):
        rec[name] = wide[name]
    return replace(car, record=rec)


def _solved(
    car: Car, omega: np.ndarray, psi: np.ndarray, state: BoostState
) -> dict[str, np.ndarray]:
    values, status = evaluate(car, omega, psi, state=state)
    if status.any():
        bore = float(car.record["bore"]) * 1e3
        raise NoSolutionError(
            f"{int(np.count_nonzero(status))} operating points of the {bore:.1f} mm plate have no "
            "solution; leave this bore out or check the boost curve"
        )
    return values


def _wide_open(car: Car, omega: np.ndarray) -> dict[str, np.ndarray]:
    psi = np.full((omega.size, 1), car.psi_open)
    return {k: v[:, 0] for k, v in _solved(car, omega, psi, BoostState.SETTLED).items()}


def _idle_air(car: Car, omega: np.ndarray) -> np.ndarray:
    """Air at which the warm unloaded engine holds each speed; no property of the plate."""
    rec = np.array(car.record, dtype=CAR_DTYPE).reshape(1)[0]
    rec["leak_area"] = _LEAST_LEAK
    tight = replace(car, record=rec)
    psi = np.tile(plate_axis(car, count=160)[1:], (omega.size, 1))
    values = _solved(tight, omega, psi, BoostState.INSTANT)
    out = np.empty(omega.size)
    for i in range(omega.size):
        torque = np.maximum.accumulate(values["torque"][i])
        if torque[0] > 0.0 or torque[-1] < 0.0:
            raise NoSolutionError(
                f"no plate angle holds the engine at {omega[i] * _RPM:.0f} rpm; check friction, "
                "efficiency and idle speed"
            )
        out[i] = np.interp(0.0, torque, values["air_flow"][i])
    return out


def _frame(car: Car, wide: Car) -> _Frame:
    build = car.build
    rec = car.record
    search = np.linspace(0.4 * car.limit, car.limit, 25)
    rated = float(search[np.argmax(_wide_open(wide, search)["torque"] * search)])
    low = min(max(_LOW_SPEED, 1.2 * car.idle), 0.5 * rated)
    wide_speeds = np.append(np.linspace(0.5 * rated, car.limit, 9), rated)
    grid = np.linspace(0.4 * car.idle, car.limit, 48)
    idles = car.idle * np.array([1.0, 1.15, 1.3, 1.5, 1.75, 2.0])
    air = _idle_air(car, idles)
    radius = build.vehicle.tyre_radius
    totals = np.array(build.driveline.ratios) * build.driveline.final_drive
    density = float(rec["p_ambient"] / (R_AIR * rec["T_ambient"]))
    gain, drag = (
        np.array(
            [
                wheel_force(
                    sign,
                    float(i),
                    radius=radius,
                    efficiency=build.driveline.efficiency,
                )
                for i in totals
            ]
        )
        for sign in (1.0, -1.0)
    )
    wheel = grid * radius / totals[:, None]
    road = [
        road_load_force(
            float(v),
            build.vehicle.mass,
            drag_area=build.vehicle.drag_area,
            rolling=build.vehicle.rolling,
            density=density,
            slope=0.0,
        )
        for v in wheel.ravel()
    ]
    return _Frame(
        car=car,
        speeds=np.array([low, 0.5 * (low + rated), rated]),
        wide_speeds=wide_speeds,
        free_torque=float(_wide_open(wide, np.array([rated]))["torque"][0]),
        idle_air=float(air[0]),
        air_by_idle=(idles, air),
        default_grid=grid,
        drive_gain=gain,
        drag_gain=-drag,
        road=np.array(road).reshape(wheel.shape),
        wheel=wheel,
    )


def _balance(x: np.ndarray, surplus: np.ndarray) -> float:
    """Highest x at which a surplus falls through zero: the end of x if it never does, 0 if none."""
    if surplus[-1] > 0.0:
        return float(x[-1])
    falls = np.flatnonzero((surplus[:-1] > 0.0) & (surplus[1:] <= 0.0))
    if falls.size == 0:
        return 0.0
    i = int(falls[-1])
    return float(x[i] + (x[i + 1] - x[i]) * surplus[i] / (surplus[i] - surplus[i + 1]))


def _bits(travel: float, step: float, span: float) -> int:
    return math.ceil(math.log2(travel / step * _SUPPLY / span))


def _disc_inertia(bore: float, count: int) -> float:
    # round disc about its diameter, m D^2 / 16, thickness in proportion to the bore: D^5
    mass = _DISC_DENSITY * 0.25 * math.pi * bore**2 * _DISC_SHARE * bore
    return count * mass * bore**2 / 16.0


def _row(frame: _Frame, car: Car, *, bore: float, count: int) -> PlateRow:
    own = frame.car
    plate = own.build.plate
    travel = car.psi_open - car.psi_closed
    full = _wide_open(car, frame.wide_speeds)
    loss = frame.free_torque - float(full["torque"][-1])
    top = int(np.argmax(full["air_flow"]))
    pipe_T = full["manifold_temperature"][top] - car.record["charge_temperature_rise"]
    density = full["pipe_pressure"][top] / (R_AIR * pipe_T)
    area = count * 0.25 * math.pi * bore**2

    axis = plate_axis(car, count=_ANGLES)
    rows = np.tile(axis, (4, 1))
    omega = np.append(frame.speeds, own.idle)
    values = _solved(car, omega, rows, BoostState.INSTANT)
    psi90 = []
    for torque in values["torque"][:3]:
        rising = np.maximum.accumulate(torque)
        rising = rising + np.arange(_ANGLES) * 1e-9 * np.ptp(rising)
        want = rising[0] + _SHARE * (rising[-1] - rising[0])
        psi90.append(float(np.interp(want, rising, axis)))
    leak = float(values["air_flow"][3, 0])
    leak_share = leak / frame.idle_air
    # a second, fine look at the coarse cell in which idle lies
    cell = int(np.searchsorted(np.maximum.accumulate(values["air_flow"][3]), frame.idle_air))
    first = axis[max(cell - 1, 0)]
    last = axis[min(max(cell, 1), _ANGLES - 1)]
    fine = np.linspace(first, last, 21)
    idle = _solved(car, np.array([own.idle]), fine[None], BoostState.INSTANT)["air_flow"][0]
    psi_idle = float(np.interp(frame.idle_air, np.maximum.accumulate(idle), fine))
    around = np.array([[max(psi_idle - 0.5 * _SMALL, car.psi_closed), 0.0]])
    around[0, 1] = around[0, 0] + _SMALL
    pair = _solved(car, np.array([own.idle]), around, BoostState.INSTANT)["air_flow"][0]
    tenth = float(pair[1] - pair[0])
    slope_share = tenth / _SMALL / frame.idle_air
    sensor_step = travel / (2.0**plate.sensor_bits * plate.sensor_span / _SUPPLY)
    wish = IDLE_STEP_WISH / slope_share
    can_idle, why = idle_verdict(
        leak=leak,
        leak_share=leak_share,
        step_share=sensor_step * slope_share,
        bits=_bits(travel, IDLE_STEP_LIMIT / slope_share, plate.sensor_span),
        count=count,
        idle_opening=psi_idle - car.psi_closed,
        gap=plate.gap,
        idles=frame.air_by_idle[0],
        air=frame.air_by_idle[1],
    )
    psi = np.full((frame.default_grid.size, 1), car.psi_closed + plate.default_opening)
    rest = _solved(car, frame.default_grid, psi, BoostState.INSTANT)["torque"][:, 0]
    force = np.where(rest >= 0.0, rest * frame.drive_gain[:, None], rest * frame.drag_gain[:, None])
    drive = _DRIVE_INERTIA + _disc_inertia(plate.bore, plate.count)
    return PlateRow(
        bore=bore,
        count=count,
        torque_loss_rated=loss,
        power_loss_rated=loss * float(frame.speeds[2]),
        loss_share=loss / frame.free_torque,
        mean_velocity=float(full["air_flow"][top] / (density * area)),
        psi_at_90=(psi90[0], psi90[1], psi90[2]),
        pct_at_90=(
            100.0 * (psi90[0] - car.psi_closed) / travel,
            100.0 * (psi90[1] - car.psi_closed) / travel,
            100.0 * (psi90[2] - car.psi_closed) / travel,
        ),
        air_per_tenth=tenth,
        air_per_tenth_share=tenth / frame.idle_air,
        leak_flow=leak,
        leak_share=leak_share,
        psi_idle=psi_idle,
        can_idle=can_idle,
        why=why,
        sensor_step=sensor_step,
        resolution_needed=wish,
        bits_needed=_bits(travel, wish, plate.sensor_span),
        default_speed=_balance(frame.default_grid, rest),
        default_held_by_limit=bool(rest[-1] > 0.0),
        default_car_speed=tuple(
            _balance(v, f) for v, f in zip(frame.wheel, force - frame.road, strict=True)
        ),
        closing_time_scale=math.sqrt((_DRIVE_INERTIA + _disc_inertia(bore, count)) / drive),
        air_torque_scale=count * bore**3 / (plate.count * plate.bore**3),
    )


def plate_study(
    car: Car,
    *,
    bores: np.ndarray | None = None,
    counts: Sequence[int] | None = None,
    loss_limit: float = 0.01,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> PlateStudy:
    """Compare plate sizes and numbers on one engine and recommend one.

    Parameters
    ----------
    car : Car
        The car with its own plate.
    bores : ndarray [m]
        Bores above 0 and up to 0.2; 40 from 0.030 to 0.110 when left out.
    counts : sequence of int [-]
        Numbers of plates, 1 to 16; the build's own when left out.
    loss_limit : float [-]
        Largest loss of power at rated speed that the recommendation accepts, above 0, below 1.
    on_event : callable
        Receives one event for each plate.
    cancelled : callable
        Asked before each plate.

    Returns
    -------
    PlateStudy
        Rows by count, then bore.

    Raises
    ------
    InputError
        If a bore, a count or the limit is outside its range.
    NoSolutionError
        If an operating point has no balance.
    CancelledError
        If the person stopped it.

    Notes
    -----
    The shaft shrinks and grows with the bore, not below 5 mm; leak area grows with the bore, as a
    ring of constant gap does.
    """
    plate = car.build.plate
    sizes = np.linspace(0.030, 0.110, 40) if bores is None else np.asarray(bores, dtype=float)
    numbers = (plate.count,) if counts is None else tuple(counts)
    if sizes.ndim != 1 or not sizes.size or not np.all((sizes > 0.0) & (sizes <= 0.2)):
        raise InputError("is not a list of bores", key="bores", allowed="above 0 up to 200 mm")
    if not numbers or not all(1 <= n <= 16 for n in numbers):
        raise InputError("is not a list of plate counts", key="counts", allowed="1 to 16")
    if not 0.0 < loss_limit < 1.0:
        raise InputError(
            "is not a share", key="loss_limit", value=loss_limit, allowed="above 0, below 1"
        )
    check_cancelled(cancelled)
    most = max(float(np.max(sizes)) * math.sqrt(max(numbers)), plate.bore * math.sqrt(plate.count))
    huge = 3.0 * most / math.sqrt(plate.count)
    wide = with_plate(car, bore=huge, count=plate.count)
    base = _with_wide_runners(car, plate_area_of(wide.psi_open, car=wide.record))
    frame = _frame(base, with_plate(base, bore=huge, count=plate.count))
    total = sizes.size * len(numbers)
    rows: list[PlateRow] = []
    for count in numbers:
        for bore in (float(b) for b in sizes):
            check_cancelled(cancelled)
            other = with_plate(base, bore=bore, count=count)
            rows.append(_row(frame, other, bore=bore, count=count))
            on_event(Event("plate study", len(rows), total, f"{count} x {bore * 1e3:.1f} mm"))
    own = with_plate(base, bore=plate.bore, count=plate.count)
    car_row = _row(frame, own, bore=plate.bore, count=plate.count)
    return PlateStudy(
        rows=tuple(rows),
        recommendation=recommend(rows, car_row=car_row, limit=loss_limit),
        car_row=car_row,
        speeds=(float(frame.speeds[0]), float(frame.speeds[1]), float(frame.speeds[2])),
        idle=car.idle,
        idle_air=frame.idle_air,
        notes=study_notes(car, counts=numbers),
    )
