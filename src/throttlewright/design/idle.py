"""Idle: the air that keeps the engine turning, cold and warm, and the loop that trims it."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import Idle
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.design.idle_air import (
    MOST_SHARE,
    IdlePoint,
    floor_share,
    has_authority,
    idle_opening,
    idle_point,
    psi_with_share,
)
from throttlewright.design.idle_drag import braking_rows
from throttlewright.design.idle_feasibility import feasibility
from throttlewright.design.idle_loop import (
    IdlePlant,
    Step,
    air_gains,
    idle_plant,
    load_step,
    spark_gain,
)
from throttlewright.design.margins import Controller
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows, Same, merged
from throttlewright.design.servo import least_target

__all__ = [
    "BASE_SHARE",
    "ROLE",
    "IdleDesign",
    "after_start_target",
    "idle",
    "idle_design",
    "idle_opening",
    "idle_setpoint",
]

BASE_SHARE = MOST_SHARE

_COOLANT = np.array([-20.0, 0.0, 20.0, 40.0, 60.0, 80.0])
_RAISE_AT = (-20.0, 0.0, 20.0, 40.0, 70.0)
_RAISE = (300.0, 250.0, 200.0, 150.0, 0.0)
"""Raise of the idle speed over coolant [rpm]. One road car's service manual asks for 1100 to
1300 rpm under 40 degC; the rest is from memory."""
_MOST_RAISE = 300.0
"""Largest raise, cold and just started [rpm]: above it a healthy cold engine would look like one
with a leak. Tool default."""
_AFTER_FADE = (40.0, 80.0)
"""Coolant over which the raise after the start ends [degC]: the same manual raises below 40 and a
little up to 70 degC, and not the warm engine."""
_LEAST_RETARD, _MOST_RETARD = 6.0, 30.0
"""Ignition behind best torque at idle [deg]: 5 to 12 are common, from memory; 25 is where the
quadratic law ends, and 5 more cost heat but still burn before the exhaust opens."""
_ROOM_RETARD = 24.0
"""Retard up to which ignition is kept late only to give the plate room above its stop [deg]: the
exhaust is about 100 K hotter there. Tool default."""
_SPARK_ROOM = 10.0
_SPARK_RATE = 200.0
_AIM = 0.8
"""Share of the wanted dip that the design aims at [-]: the rest is for what the car is not."""
_LEAD_S = 0.022
"""Lead on a known load [s]: with the slope filter of 10 ms the table is read at three times the
load at first, which fills the manifold. Tool default."""
_MARGIN_RPM = 500.0
_CUT_ABOVE, _RESUME, _LEAK_ABOVE = 400.0, 200.0, 350.0
"""Over warm idle: fuel cut of the overrun, its end, and a leak [rpm]. Cut above 1500 to 2000 rpm
and back 200 to 400 above idle, from memory. The end is low, because a fault with a released pedal
leaves no more speed than it; a cold engine comes back through it."""
_LEAK_S = 2.0
_START_SHARE = 1.3
"""Air at the start over that of the idling engine [-]; from memory."""
_DASHPOT_SHARE = 1.5
"""Air with which a dashpot begins over that of idle [-]; 1 to 4 % of a small plate, from memory."""
_SOURCE = "car model, torque 0 at idle speed"
_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class IdleDesign:
    """What the role is made of, with what it promises.

    ``needs[i][j]`` is the idling point at coolant i and known load j; ``corners`` are all plants
    that the gains are made for; ``step`` is the design's own load step; ``share`` is that of the
    air in the floor; ``lead`` [%, %/s] is the opening ahead of a known load and its fall;
    ``air_price`` is what the retard costs in air, as a share.
    """

    setpoint: np.ndarray
    loads: np.ndarray
    needs: tuple[tuple[IdlePoint, ...], ...]
    retard_deg: float
    spark_gain: float
    gains: Controller
    corners: tuple[IdlePlant, ...]
    step: Step
    share: float
    lead: tuple[float, float]
    air_price: float


def idle_setpoint(car: Car, coolant_degC: np.ndarray) -> np.ndarray:
    """Idle speed wanted at a coolant temperature.

    Parameters
    ----------
    car : Car
        The car, with the idle speed of the warm engine.
    coolant_degC : ndarray [degC]
        Coolant temperatures.

    Returns
    -------
    ndarray [rpm]
        Idle speed, long after the start.
    """
    return np.asarray(car.idle * _RPM + np.interp(coolant_degC, _RAISE_AT, _RAISE))


def _raised(car: Car, wanted: Idle, coolant_degC: np.ndarray) -> np.ndarray:
    """Idle speed just after the start [rpm]."""
    setpoint = idle_setpoint(car, coolant_degC)
    if wanted.after_start <= 0.0:
        return setpoint
    fade = np.interp(coolant_degC, _AFTER_FADE, (1.0, 0.0))
    most = np.maximum(car.idle * _RPM + _MOST_RAISE, setpoint)
    return np.asarray(np.minimum(setpoint + fade * wanted.raise_after_start * _RPM, most))


def after_start_target(
    car: Car, wanted: Idle, coolant_degC: np.ndarray, since_s: np.ndarray
) -> np.ndarray:
    """Idle speed wanted at a coolant temperature and a time since the start.

    Parameters
    ----------
    car : Car
        The car.
    wanted : Idle
        Raise after the start and its time.
    coolant_degC : ndarray [degC]
        Coolant temperatures.
    since_s : ndarray [s]
        Times since the engine ran.

    Returns
    -------
    ndarray [rpm]
        Idle speed, between the points of the table as the table gives it.
    """
    share = 1.0 - np.clip(since_s / max(wanted.after_start, 1.0), 0.0, 1.0)
    later = np.interp(coolant_degC, _COOLANT, idle_setpoint(car, _COOLANT))
    first = np.interp(coolant_degC, _COOLANT, _raised(car, wanted, _COOLANT))
    return np.asarray(later + share * (first - later))


def _lead(
    car: Car, share: float, filling: float, points: tuple[IdlePoint, ...]
) -> tuple[float, float]:
    """Opening ahead of the load [%] and its fall [%/s], so that its area fills the manifold."""
    none, loaded, top = points
    ahead = car.plate_pct(psi_with_share(car, top.psi, share)) - loaded.plate_pct
    change = loaded.plate_pct - none.plate_pct
    if ahead <= 0.0 or change <= 0.0 or top.end or loaded.end:
        return 0.0, 20.0
    return ahead, ahead * ahead / (2.0 * filling * change)


def idle_design(car: Car, wanted: Idle) -> IdleDesign:
    """Choose ignition reserve and gains of the idling engine.

    Parameters
    ----------
    car : Car
        The car.
    wanted : Idle
        Load, dip and the rest.

    Returns
    -------
    IdleDesign
        The least retard that keeps the dip, and all that follows from it.
    """
    omega, aim = car.idle, _AIM * wanted.dip * _RPM
    feed = Controller(1e-9, 0.0)
    retard, low = _LEAST_RETARD, None
    while True:
        warm = [
            idle_point(car, omega=omega, load=factor * wanted.load, retard_deg=retard)
            for factor in (0.0, 1.0, 3.0)
        ]
        low = low or warm[0]
        plant = idle_plant(car, warm[0], retard_deg=retard)
        steep = idle_plant(car, warm[0], retard_deg=min(retard + _SPARK_ROOM, _MOST_RETARD))
        spark = spark_gain(car, (plant, steep))
        share = floor_share(car, warm[0])
        lead = _lead(car, share, plant.filling, (warm[0], warm[1], warm[2]))
        step = load_step(
            car, plant, warm[1], retard_deg=retard, spark_gain=spark, gains=feed, lead=lead
        )
        roomy = retard >= _ROOM_RETARD or has_authority(car, warm[0])
        if (step.dip <= aim and roomy) or retard >= _MOST_RETARD:
            break
        retard = min(retard + 2.0, _MOST_RETARD)
    setpoint = idle_setpoint(car, _COOLANT)
    loads = np.array([0.0, 0.5, 1.0, 3.0]) * max(wanted.load, 1.0)
    needs = tuple(
        tuple(
            idle_point(
                car,
                omega=float(rpm) / _RPM,
                coolant_degC=float(coolant),
                load=float(load),
                retard_deg=retard,
            )
            for load in loads
        )
        for rpm, coolant in zip(setpoint, _COOLANT, strict=True)
    )
    points = [row[0] for row in needs] + [needs[-1][2]]
    points += [idle_point(car, omega=f * omega, retard_deg=retard) for f in (0.85, 1.2)]
    corners = tuple(idle_plant(car, point, retard_deg=retard) for point in points)
    spark = min(spark, spark_gain(car, corners))
    gains = air_gains(corners, spark_gain=spark)
    step = load_step(
        car, plant, warm[1], retard_deg=retard, spark_gain=spark, gains=gains, lead=lead
    )
    return IdleDesign(
        setpoint=setpoint,
        loads=loads,
        needs=needs,
        retard_deg=retard,
        spark_gain=spark,
        gains=gains,
        corners=corners,
        step=step,
        share=share,
        lead=lead,
        air_price=warm[0].air_flow / idle_point(car, omega=omega).air_flow - 1.0,
    )


def _tables(car: Car, wanted: Idle, made: IdleDesign, notes: list[str]) -> tuple[Table, ...]:
    need = np.array([[point.plate_pct for point in row] for row in made.needs])
    least = least_target(car)

    def with_air(share: float) -> np.ndarray:
        return np.array(
            [[car.plate_pct(psi_with_share(car, p.psi, share)) for p in row] for row in made.needs]
        )

    coolant = Axis("coolant_degC", "degC", _COOLANT)
    load = Axis("known_load_Nm", "N*m", made.loads)
    after = max(wanted.after_start, 1.0)
    speed = np.stack([_raised(car, wanted, _COOLANT), made.setpoint], axis=1)
    start = np.array(
        [car.plate_pct(_with_more(car, row[0].psi, _START_SHARE)) for row in made.needs]
    )
    return (
        Table(
            "idle_air",
            "plate opening",
            "%",
            (load, coolant),
            np.maximum(with_air(made.share).T, 0.0),
            note=notes[-1]
            if notes
            else f"{100 * made.share:.0f} % of the air for torque 0; the loop adds the rest",
            percent_meaning=PLATE_PCT,
        ),
        Table(
            "idle_plate",
            "plate opening",
            "%",
            (load, coolant),
            np.maximum(need.T, least),
            note="all of the air for torque 0, and never on the stop",
            percent_meaning=PLATE_PCT,
        ),
        Table(
            "idle_speed",
            "engine speed",
            "rpm",
            (coolant, Axis("since_start_s", "s", np.array([0.0, after]))),
            np.round(speed, 1),
        ),
        Table(
            "idle_start_air",
            "plate opening",
            "%",
            (coolant,),
            np.maximum(start, least),
            note=f"{_START_SHARE:g} times the air of idle until the engine runs; from memory",
            percent_meaning=PLATE_PCT,
        ),
    )


def _with_more(car: Car, psi: float, share: float) -> float:
    """Plate angle with more of the air; up to twice."""
    low, high = psi, car.psi_open
    for _ in range(50):
        middle = 0.5 * (low + high)
        if psi_with_share(car, middle, 1.0 / share) < psi:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _dashpot(car: Car, wanted: Idle, made: IdleDesign) -> Rows:
    if wanted.dashpot <= 0.0:
        return Rows()
    warm = made.needs[-1][0]
    least = least_target(car)
    full = max(car.plate_pct(_with_more(car, warm.psi, _DASHPOT_SHARE)), least)
    end = max(car.plate_pct(psi_with_share(car, warm.psi, made.share)), least)
    idle_rpm = car.idle * _RPM
    return Rows(
        limits=(
            Limit(
                "idle_dashpot",
                "plate",
                "floor",
                "table",
                x="released_s",
                y="engine_rpm",
                table="idle_dashpot_air",
                arm="pedal_pct < 2 and brake_1 < 0.5",
                hysteresis=1.0,
                reason="lets the last opening go slowly, not while the driver brakes",
                source="0.3 to 1.5 s, from memory",
            ),
        ),
        tables=(
            Table(
                "idle_dashpot_air",
                "plate opening",
                "%",
                (
                    Axis("released_s", "s", np.array([0.0, wanted.dashpot])),
                    Axis("engine_rpm", "rpm", np.round(idle_rpm + np.array([200.0, 600.0]))),
                ),
                np.array([[0.0, full], [0.0, end]]),
                note=f"{_DASHPOT_SHARE:g} times the air of idle at first; from memory",
                percent_meaning=PLATE_PCT,
            ),
        ),
    )


def idle(car: Car, intent: Intent) -> Rows:
    """Floors of the plate at idle, the loop that holds the speed, and the reserve of ignition.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Its section ``idle``; typical values where it is left out, because every engine idles.

    Returns
    -------
    Rows
        Floors, loops, their tables and gains, the leak reaction, and what the plate cannot do.
    """
    return _rows(Same(car), intent.idle or Idle())


@functools.lru_cache(maxsize=4)
def _rows(same: Same, wanted: Idle) -> Rows:
    # kept: the cold engine's limit asks again
    car = same.car
    made = idle_design(car, wanted)
    found = feasibility(car, retard_deg=made.retard_deg, spark_gain=made.spark_gain)
    notes = list(found.notes)
    setpoint, dip = made.setpoint, wanted.dip * _RPM
    for i, row in enumerate(made.needs):
        if row[0].end == "open":
            notes.append(
                f"at {_COOLANT[i]:g} degC the open plate does not carry {setpoint[i]:.0f} rpm: "
                "check the friction of the build"
            )
    told = (
        f"a known load of {wanted.load:g} N*m costs {made.step.dip:.0f} rpm by the design's own "
        f"equations, {dip:.0f} are allowed; {made.retard_deg:.0f} deg of retard for it cost "
        f"{100 * made.air_price:.0f} % more air"
    )
    if made.step.dip > dip:
        notes.insert(0, told + ": announce the load earlier, raise the idle speed, or add inertia")
    warm = made.needs[-1][0]
    least = least_target(car)
    floor = max(car.plate_pct(psi_with_share(car, warm.psi, made.share)), least)
    tables = _tables(car, wanted, made, notes)
    most = float(np.clip(1.5 * tables[1].values.max(), 10.0, 15.0))
    idle_rpm = car.idle * _RPM
    above = float(setpoint.max()) + _MARGIN_RPM
    arm = f"pedal_pct < 2 and engine_rpm < {above:.0f} and since_start_s > 0"
    by_margins = "at least 45 deg and 6 dB over all speeds and temperatures"
    fall = max(made.lead[1], 1.0)
    give_up = max(4.0 * warm.plate_pct, 2.0)
    limits = (
        Limit(
            "idle_base", "plate", "floor", "model", x="known_load_Nm", y="coolant_degC",
            table="idle_air", fall_rate=round(fall, 3),
            reason="air that keeps the engine turning, ahead of a load that says it comes",
            source=_SOURCE,
        ),
        Limit(
            "idle_start", "plate", "floor", "table", x="coolant_degC", table="idle_start_air",
            arm="since_start_s < 0.01", fall_rate=round(give_up, 3),
            reason="fills the manifold while the starter turns", source="from memory",
        ),
        Limit(
            "idle_loop", "plate", "floor", "pi", x="engine_rpm", y="coolant_degC",
            z="since_start_s", table="idle_speed", base="idle_plate", arm=arm, hysteresis=1.0,
            # what the loop has added is given up slowly: no step as the pedal takes over
            fall_rate=round(give_up, 3),
            reason="holds the idle speed", source=by_margins,
        ),
        Limit(
            "idle_spark", "retard", "floor", "pi", x="engine_rpm", y="coolant_degC",
            z="since_start_s", table="idle_speed", arm=arm, hysteresis=1.0,
            rise_rate=_SPARK_RATE, fall_rate=2.0 * _SPARK_RATE,
            reason="a reserve of torque that ignition gives back at once when speed dips",
            source=told,
        ),
    )  # fmt: skip
    spark = "least retard that keeps the dip; 60 deg of phase margin for its gain"
    most_retard = min(made.retard_deg + _SPARK_ROOM, _MOST_RETARD)
    practice = "from memory; above a healthy cold idle"
    numbers = {
        "idle_base.lead_s": Number(_LEAD_S, "s", "twice the filter of slopes: tool default"),
        "idle_spark.kp": Number(-made.spark_gain, "deg/rpm", spark),
        "idle_spark.ki": Number(0.0, "deg/(rpm s)", spark),
        "idle_spark.base": Number(made.retard_deg, "deg", spark),
        "idle_spark.least": Number(0.0, "deg", spark),
        "idle_spark.most": Number(most_retard, "deg", spark),
        "idle_loop.kp": Number(made.gains.kp, "%/rpm", by_margins),
        "idle_loop.ki": Number(made.gains.ki, "%/(rpm s)", by_margins),
        "idle_loop.base": Number(round(max(warm.plate_pct, least), 4), "%", _SOURCE),
        # under the lowest floor the loop would wind up unseen
        "idle_loop.least": Number(round(floor, 4), "%", "as the floor when warm"),
        "idle_loop.most": Number(most, "%", "10 to 15 % of the plate, from memory"),
        "overrun_fuel_cut_above_rpm": Number(round(idle_rpm + _CUT_ABOVE), "rpm", practice),
        "overrun_delay_s": Number(0.15, "s", "common practice, no source"),
        "resume_rpm": Number(round(idle_rpm + _RESUME), "rpm", practice),
    }
    leak = Reaction(
        "leak behind the plate or a dirty stop",
        "overspeed_released",
        round(idle_rpm + _LEAK_ABOVE),
        _LEAK_S,
        "note",
        "self",
        "tool default: above the fastest cold idle, long enough for every return to idle",
        "the engine idles too fast on a shut plate",
    )
    own = Rows(limits, tables, numbers, tuple(notes), (leak,))
    return merged((own, _dashpot(car, wanted, made), braking_rows(car, wanted.engine_braking)))


ROLE = Role(
    name="idle",
    title="Idle",
    text="Gives the air that keeps the engine turning, trims it, and keeps torque in hand.",
    design=idle,
    section="idle",
    typical=(
        Typical("after_start", "20 s", "one road car's service manual, under 40 degC"),
        Typical("raise_after_start", "150 rpm", "50 to 200 rpm, from memory"),
        Typical("load", "15 N m", "1.5 kW at 1000 rpm; common practice, no source"),
        Typical("dip", "120 rpm", "less than 100 to 150 rpm, from memory"),
        Typical("dashpot", "0.5 s", "0.3 to 1.5 s, from memory"),
        Typical("engine_braking", "1", "no opening; common practice, no source"),
    ),
    shown=(
        Shown("idle_known_load", "idle_load_dip"),
        Shown("idle_after_start", "idle_band"),
        Shown("overrun_return", "idle_return"),
    ),
    caution="In neutral nothing holds the engine back: stay at a switch that takes the ignition "
    "away, keep fingers out of the plate and clothes off belts and fans. Ignition kept late heats "
    "the exhaust.",
)
"""The role, for the registry."""
