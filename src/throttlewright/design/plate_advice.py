"""What a plate-size study says in words: whether a plate can idle, which one to take and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from throttlewright.car.pack import Car

__all__ = [
    "IDLE_LEAK_LIMIT",
    "IDLE_STEP_LIMIT",
    "IDLE_STEP_WISH",
    "PlateRow",
    "Recommendation",
    "idle_verdict",
    "recommend",
    "study_notes",
]

IDLE_LEAK_LIMIT = 0.80
"""Largest leak, as a share of warm idle air, at which the plate still has air to take away.

The last fifth is for thinner air, deposits and a lower idle target; common practice, no source."""
IDLE_STEP_LIMIT = 0.10
"""Largest share of idle air that one step of the sensor may move.

Ignition must be able to trim what the plate cannot place: from a base of 15 deg retard the
quadratic of ``physics.combustion`` leaves 12 % of torque in reserve; 10 % keeps a little of it."""
IDLE_STEP_WISH = 0.02
"""Share of idle air for which the needed sensor resolution is worked out.

Behind a choked plate idle speed follows air about in proportion: 2 % is about 20 rpm at 1000 rpm,
inside the +-25 rpm to which idle is commonly held; common practice, no source."""

_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class PlateRow:
    """What one bore and count does on this engine; SI. Tuples run low, mid, rated speed."""

    bore: float
    """Bore of one plate [m]."""
    count: int
    """Number of plates [-]."""
    torque_loss_rated: float
    """Torque lost to the plate at rated speed, wide open and settled [N m]."""
    power_loss_rated: float
    """Power lost there [W]."""
    loss_share: float
    """The same as a share of what a plate so wide that it does nothing gives [-]."""
    mean_velocity: float
    """Mean air speed in the bore at the largest wide-open flow [m/s]."""
    psi_at_90: tuple[float, float, float]
    """Plate angle with 90 % of this plate's torque, ambient pressure before it [rad]."""
    pct_at_90: tuple[float, float, float]
    """The same as plate percent between the stops [%]."""
    air_per_tenth: float
    """Air that 0.1 degree adds at idle [kg/s]."""
    air_per_tenth_share: float
    """The same as a share of warm idle air [-]."""
    leak_flow: float
    """Air past the closed plate at idle speed [kg/s]."""
    leak_share: float
    """The same as a share of warm idle air [-]."""
    psi_idle: float
    """Plate angle of warm unloaded idle, the closed stop where leakage alone is more [rad]."""
    can_idle: bool
    """Whether this plate can hold the idle speed with the build's sensor."""
    why: str
    """One or two sentences on ``can_idle`` with what would mend it."""
    sensor_step: float
    """Plate angle of one step of the build's sensor [rad]."""
    resolution_needed: float
    """Plate angle that moves 2 % of idle air [rad]."""
    bits_needed: int
    """Bits that resolve it over the build's sensor span [-]."""
    default_speed: float
    """Unloaded engine speed at the unpowered rest position [rad/s]; 0 where the engine stalls."""
    default_held_by_limit: bool
    """Whether only the rev limit ends that speed."""
    default_car_speed: tuple[float, ...]
    """Level-road speed at the unpowered position, first gear upward [m/s]; 0 where it cannot hold
    the car in that gear."""
    closing_time_scale: float
    """Spring closing time over that of the build's own plate, same drive; estimate, unverified."""
    air_torque_scale: float
    """Torque of the air on the plate over that of the build's own; estimate, unverified."""


@dataclass(frozen=True)
class Recommendation:
    """A bore and count, why, and what it costs."""

    bore: float
    count: int
    reasons: tuple[str, ...]
    trade: tuple[str, ...]


def idle_verdict(
    *,
    leak: float,
    leak_share: float,
    step_share: float,
    bits: int,
    count: int,
    idle_opening: float,
    gap: float | None,
    idles: np.ndarray,
    air: np.ndarray,
) -> tuple[bool, str]:
    """Judge whether a plate can hold idle, and say what would mend it.

    Parameters
    ----------
    leak : float [kg/s]
        Air past the closed plate.
    leak_share : float [-]
        The same over the idle air.
    step_share : float [-]
        Share of the idle air that one step of the sensor moves.
    bits : int [-]
        Bits that would bring the step within its limit.
    count : int [-]
        Number of plates.
    idle_opening : float [rad]
        Plate angle of idle above the closed stop.
    gap : float or None [m]
        Radial gap of the build, where it is known.
    idles : ndarray [rad/s]
        Idle speeds, ascending.
    air : ndarray [kg/s]
        Idle air at those speeds.

    Returns
    -------
    tuple of bool and str
        The judgement and its sentences.
    """
    parts = []
    if leak_share > IDLE_LEAK_LIMIT:
        cure = IDLE_LEAK_LIMIT / leak_share
        seal = (
            f"a gap of at most {gap * cure * 1e6:.0f} um"
            if gap
            else f"a closed plate that leaks {100.0 * (1.0 - cure):.0f} % less"
        )
        faster = np.flatnonzero(air * IDLE_LEAK_LIMIT >= leak)
        speed = (
            f"an idle of about {idles[faster[0]] * _RPM:.0f} rpm"
            if faster.size
            else f"an idle above {idles[-1] * _RPM:.0f} rpm"
        )
        fewer = "idle air through fewer plates, " if count > 1 else ""
        parts.append(
            f"The closed plate leaks {100.0 * leak_share:.0f} % of the idle air and at most "
            f"{100.0 * IDLE_LEAK_LIMIT:.0f} % leaves room to regulate: {seal}, a smaller plate, "
            f"{fewer}or {speed} would mend it."
        )
    if step_share > IDLE_STEP_LIMIT:
        parts.append(
            f"One step of the sensor moves {100.0 * step_share:.1f} % of the idle air and ignition "
            f"can trim about {100.0 * IDLE_STEP_LIMIT:.0f} %: {bits} bits over the same voltage, "
            "an amplified track near the closed stop or a smaller plate would mend it."
        )
    if parts:
        return False, " ".join(parts)
    return True, (
        f"Leakage is {100.0 * leak_share:.0f} % of the idle air and one step of the sensor moves "
        f"{100.0 * step_share:.1f} %; idle lies {math.degrees(idle_opening):.2f} degrees above the "
        "closed stop."
    )


def _name(row: PlateRow) -> str:
    plates = "one plate" if row.count == 1 else f"{row.count} plates"
    return f"{plates} of {row.bore * 1e3:.1f} mm"


def recommend(rows: Sequence[PlateRow], *, car_row: PlateRow, limit: float) -> Recommendation:
    """Pick the least plate area that breathes and idles, or say which of the two gives way.

    Parameters
    ----------
    rows : sequence of PlateRow
        Rows of the study, at least one.
    car_row : PlateRow
        The car's own plate.
    limit : float [-]
        Largest share of power lost at rated speed.

    Returns
    -------
    Recommendation
        Where no row satisfies both, the idling row of least loss; where none idles, the least area
        within the limit, or the row of least loss.
    """
    ordered = sorted(rows, key=lambda r: (r.count * r.bore**2, r.count))
    breathing = [r for r in ordered if r.loss_share <= limit]
    idling = [r for r in ordered if r.can_idle]
    both = [r for r in breathing if r.can_idle]
    if both:
        pick = both[0]
    elif idling:
        pick = min(idling, key=lambda r: r.loss_share)
    else:
        pick = breathing[0] if breathing else min(ordered, key=lambda r: r.loss_share)
    kW = pick.power_loss_rated / 1e3
    loss = f"{kW:.1f} kW or {100.0 * pick.loss_share:.1f} % at rated speed"
    reasons = []
    trade = []
    if both:
        reasons.append(
            f"The least studied area that gives up no more than {100.0 * limit:g} % of power and "
            f"can idle is {_name(pick)}: {loss}."
        )
    else:
        reasons.append(f"No plate studied both loses at most {100.0 * limit:g} % and can idle.")
        if idling:
            reasons.append(f"The least loss with idle: {_name(pick)}, {loss}.")
            trade.append(f"Power gives way: {loss}.")
        else:
            reasons.append(f"None can idle; {_name(pick)} would lose {loss}.")
            trade.append(f"Idle gives way: {pick.why}")
    if pick.can_idle:
        reasons.append(pick.why)
    larger = next((r for r in ordered if r.count == pick.count and r.bore > pick.bore), None)
    if larger is not None:
        trade.append(
            f"The next larger, {larger.bore * 1e3:.1f} mm, would win back "
            f"{(pick.power_loss_rated - larger.power_loss_rated) / 1e3:.2f} kW and move "
            f"{100.0 * larger.air_per_tenth_share:.1f} % instead of "
            f"{100.0 * pick.air_per_tenth_share:.1f} % of the idle air for each 0.1 degree."
        )
    trade.append(
        f"90 % of the low-speed torque comes in {pick.pct_at_90[0]:.0f} % of plate travel; the "
        "pedal map must spread it."
    )
    if pick.default_speed > 0.0:
        trade.append(
            "Unpowered, the plate rests open enough for about "
            f"{pick.default_speed * _RPM:.0f} rpm in neutral"
            + (" with nothing but the rev limit to end it" if pick.default_held_by_limit else "")
            + f" and {max(pick.default_car_speed) * 3.6:.0f} km/h in gear on the level; a fuel cut "
            "above a set speed that does not depend on the plate must cover it."
        )
    else:
        trade.append("Unpowered, the plate rests too far closed to keep the engine running.")
    if (pick.bore, pick.count) != (car_row.bore, car_row.count):
        idles = "can" if car_row.can_idle else "cannot"
        trade.append(
            f"The car has {_name(car_row)}: {100.0 * car_row.loss_share:.1f} % lost at rated "
            f"speed, and it {idles} idle by plate."
        )
    return Recommendation(pick.bore, pick.count, tuple(reasons), tuple(trade))


def study_notes(car: Car, *, counts: Sequence[int]) -> tuple[str, ...]:
    """Say what a study rests on and where a step can hurt.

    Parameters
    ----------
    car : Car
        The car.
    counts : sequence of int [-]
        Numbers of plates studied.

    Returns
    -------
    tuple of str
        Full sentences.
    """
    notes = [
        "Every plate has the stops, the gap and the discharge curve of the car's own; a real body "
        "differs, so flow it and measure its gap.",
        "Loss is counted wide open with boost settled, against a plate so wide that it does "
        "nothing; boost is not raised to make up for it.",
        "Angles, idle and the unpowered position are worked out warm, unloaded and with ambient "
        "pressure before the plate; cold or electrical load needs more idle air.",
        "Closing time and air torque are estimates, unverified: time goes with the root of the "
        "inertia of drive and disc under the same spring, air torque with the cube of the bore.",
        "Plates shut hard enough to hurt fingers and an unpowered plate can rev an engine unasked: "
        "keep hands out, be ready to cut fuel, and let the rules and law that apply decide.",
    ]
    if car.record["individual"] > 0.5:
        notes.append(
            "The volumetric efficiency of this build was measured with its own plates; gains of "
            "wider ones come from the crank-resolved runner model, without waves, and losses are "
            "good to about one point of percent."
        )
        if 1 in counts:
            notes.append("One plate is taken to feed all cylinders through a common plenum.")
    if car.turbo:
        notes.append(
            "A turbo that comes in at the unpowered position would raise the speeds given here."
        )
    return tuple(notes)
