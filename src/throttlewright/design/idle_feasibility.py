"""Can this plate idle this engine: leakage, resolution, and what would fix it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.car.flows import plate_area_of
from throttlewright.car.pack import Car
from throttlewright.design.idle_air import (
    LEAK_SPREAD,
    gap_of,
    has_authority,
    idle_point,
    point_at,
    soft_area,
)
from throttlewright.design.idle_loop import IdlePlant, air_plants, idle_plant
from throttlewright.design.margins import Plant
from throttlewright.design.servo import least_target

__all__ = ["MOST_RIPPLE", "Feasibility", "closed_speed", "feasibility"]

MOST_RIPPLE = 25.0
"""Speed ripple from one step of the converter that may be [rpm]: the band in which idle is to stay.
25 to 50 rpm, from memory."""
_RPM = 30.0 / math.pi
_LEAST_GAP = 10e-6
"""Gap below which a plate would bind as it warms [m]; from memory."""
_RETARDS = (10.0, 15.0, 20.0, 25.0, 30.0)


@dataclass(frozen=True)
class Feasibility:
    """Whether the plate can idle the engine, and why.

    ``can`` is False where the shut plate passes too much, or one step of the converter moves the
    speed too far; ``leak`` [-] is the share of the idle air that passes the shut plate, ``ripple``
    [rpm] the speed that one converter step makes with ignition against it and ``ripple_alone`` by
    air alone, ``bits`` [-] those of the converter,
    ``closed_rpm`` the speed on the shut plate, ``gap`` [m] the largest gap that leaves the plate
    its authority, ``answer`` one sentence, ``fixes`` what would help, ``notes`` those for a reader
    of the calibration: none where all is well.
    """

    can: bool
    leak: float
    ripple: float
    ripple_alone: float
    bits: float
    closed_rpm: float
    gap: float
    answer: str
    fixes: tuple[str, ...]
    notes: tuple[str, ...]


def closed_speed(car: Car, *, retard_deg: float = 0.0, opening_pct: float = 0.0) -> float:
    """Speed at which the warm engine turns on a plate at its least opening.

    Parameters
    ----------
    car : Car
        The car.
    retard_deg : float [deg]
        Ignition behind best torque.
    opening_pct : float [%]
        Opening of the plate, 0 for shut.

    Returns
    -------
    float [rpm]
        Speed without load, between 200 rpm and the rev limit.
    """
    psi = car.psi_closed + 0.01 * opening_pct * (car.psi_open - car.psi_closed)
    low, high = 200.0 / _RPM, car.limit
    point = idle_point(car, omega=car.idle, retard_deg=retard_deg)
    for _ in range(30):
        middle = 0.5 * (low + high)
        torque, indicated, _ = point_at(car, omega=middle, psi=psi)
        if torque - (1.0 - point.share) * indicated > 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high) * _RPM


def _ripple(car: Car, retard_deg: float, spark_gain: float) -> tuple[float, float, float]:
    """Speed for one converter step, by air alone and with ignition [rpm]; converter bits [-]."""
    rec = car.record
    step = float(rec["sensor_step"])
    volts = max(
        abs(float(rec["plate_at_open"][k]) - float(rec["plate_at_closed"][k])) for k in (0, 1)
    )
    point = idle_point(car, omega=car.idle, retard_deg=retard_deg)
    plant = idle_plant(car, point, retard_deg=retard_deg)
    alone, helped = (p.gain * 100.0 * step / volts for p in _both(plant, spark_gain))
    return alone, helped, math.log2(5.0 / step)


def _both(plant: IdlePlant, spark_gain: float) -> tuple[Plant, ...]:
    return air_plants((plant,), spark_gain=spark_gain)


def feasibility(car: Car, *, retard_deg: float = 0.0, spark_gain: float = 0.0) -> Feasibility:
    """Tell whether a plate can idle an engine, and what would fix it.

    Parameters
    ----------
    car : Car
        The car.
    retard_deg : float [deg]
        Ignition behind best torque at idle: late ignition needs more air and gives the plate room.
    spark_gain : float [deg/rpm]
        Gain of ignition on speed, which hides most of a step of the plate; 0 for air alone.

    Returns
    -------
    Feasibility
        The answer with its figures.

    Notes
    -----
    The plate keeps authority where 30 % more leakage than computed is still less than the need, and
    where the need is above the least opening at which the plate stays off its stop.
    """
    rec, rpm = car.record, car.idle * _RPM
    point = idle_point(car, omega=car.idle, retard_deg=retard_deg)
    closed = float(plate_area_of(car.psi_closed, rec))
    least, soft = least_target(car), soft_area(car)
    # choked: the area that the engine needs is that share of the shut plate's
    torque, indicated, flow = point_at(car, omega=car.idle, psi=car.psi_closed, cold=point.cold)
    if point.end == "closed":
        over = torque - (1.0 - point.share) * indicated
        per_flow = indicated * point.share / flow
        need = closed * max(1.0 - over / (per_flow * flow), 0.05)
    else:
        need = float(plate_area_of(point.psi, rec))
    leak = closed / need
    shut_rpm = closed_speed(car, retard_deg=retard_deg, opening_pct=least)
    alone, ripple, bits = _ripple(car, retard_deg, spark_gain)
    gap = gap_of(car) * max(need - soft, 0.0) / ((1.0 + LEAK_SPREAD) * closed)
    hold = point.end == "" and soft + (1.0 + LEAK_SPREAD) * closed <= need
    fixes: list[str] = []
    if not hold:
        fixes.append(
            f"a gap of {1e6 * gap:.0f} um or less"
            if gap > _LEAST_GAP
            else "no gap that can be made is small enough"
        )
        fixes.append(
            "the stop does not help: what passes is the gap around a shut plate; a seal or a plate "
            "lapped in its bore does"
        )
        # a tight plate still passes a fifth; a hole's flow coefficient of 0.62 is from memory
        bypass = 0.8 * need
        wide = 1e3 * math.sqrt(4.0 * bypass / (0.62 * math.pi))
        fixes.append(
            "a tight main plate on its stop and a second plate or bypass valve of "
            f"{1e6 * bypass:.0f} mm2, {wide:.0f} mm wide"
        )
        enough = [
            late
            for late in _RETARDS
            if late > retard_deg
            and has_authority(car, idle_point(car, omega=car.idle, retard_deg=late))
        ]
        fixes.append(
            f"ignition {enough[0]:.0f} deg behind best torque eats the rest, with a hotter exhaust"
            if enough
            else "30 deg of retard do not eat it: fuel for fewer cylinders, or a faster idle of "
            f"{shut_rpm:.0f} rpm"
        )
    if ripple > MOST_RIPPLE:
        more = math.ceil(math.log2(ripple / MOST_RIPPLE))
        fixes.append(
            f"{more:.0f} more bits for the plate sensor ({bits + more:.0f} in all), "
            "or a smaller plate"
        )
    can = hold and ripple <= MOST_RIPPLE
    answer = (
        f"{'yes' if can else 'no'}: the shut plate passes {100 * leak:.0f} % of the air for "
        f"{rpm:.0f} rpm with ignition {retard_deg:.0f} deg behind best torque, and one step of a "
        f"{bits:.0f} bit converter moves the speed by {alone:.0f} rpm, {ripple:.0f} rpm with "
        "ignition against it"
    )
    notes: list[str] = []
    if leak >= 1.0:
        notes.append(
            f"the closed plate already passes more air than idle at {rpm:.0f} rpm needs and turns "
            f"the engine at {shut_rpm:.0f} rpm: {'; or '.join(fixes)}"
        )
    elif not can:
        notes.append(
            f"can this plate idle this engine: {answer}. What would fix it: " + "; or ".join(fixes)
        )
    if not leak >= 1.0 and point.plate_pct < least:
        notes.append(
            f"the warm engine needs {point.plate_pct:.2f} % of plate, less than the {least:.2f} % "
            f"that keep the plate off its stop, and idles at {shut_rpm:.0f} rpm without ignition "
            "against it"
        )
    return Feasibility(
        can, leak, ripple, alone, bits, shut_rpm, gap, answer, tuple(fixes), tuple(notes)
    )
