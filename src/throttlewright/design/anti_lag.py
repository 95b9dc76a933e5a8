"""Anti-lag: air and late ignition off the pedal that keep the turbine turning; competition only.

It breaks the rule that a released pedal means idle. What bounds its torque is the air that it lets
in, not the ignition: without the retard the engine must still pull no more than a stated share.
"""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.build.intent_roles import AntiLag
from throttlewright.calibration.calibration import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.surface import evaluate
from throttlewright.design.late_ignition import (
    COLDEST,
    NOT_KNOWN,
    Floats,
    known_late,
    plate_of,
    point_of_flow,
    point_of_torque,
)
from throttlewright.design.role import Role, Shown, Typical
from throttlewright.design.rows import PLATE_PCT, Rows
from throttlewright.design.speed_limits import least_plate

__all__ = [
    "LEAST_VACUUM",
    "MOST_TORQUE",
    "PRESSES",
    "PRESS_EVERY",
    "ROLE",
    "anti_lag",
    "full_torque",
    "let_in",
    "vacuum_left",
]

_RPM = 30.0 / math.pi
MOST_TORQUE = 0.10
"""Torque that the air alone may give with ignition at its best, of the full one at that speed [-]:
what is left where the retard is ignored. Tool default."""
LEAST_VACUUM = 40e3
"""Vacuum that the brake booster has again 2 s after each of three presses [Pa]."""
PRESSES = 3
PRESS_EVERY = 2.0
_PRESS_USES = 0.25
"""Share of the vacuum that a full press uses up, as the car in motion; from memory."""
_HYSTERESIS = 300.0
_HOT_BAND = 50.0
_ROLLS = 5.0
"""Road speed under which it never acts [m/s]. Tool default."""
_SPEEDS = 7
_PIPES = 5
_OFF_RISE = 200.0
_BOOSTER_LAG = 0.15


def full_torque(car: Car, omega: Floats) -> tuple[Floats, Floats]:
    """Torque and air at full load, boost settled.

    Parameters
    ----------
    car : Car
        The car.
    omega : ndarray of shape (n,) [rad/s]
        Engine speeds.

    Returns
    -------
    tuple of ndarray of shape (n,) [N m, kg/s]
        Torque and air flow.
    """
    found, _ = evaluate(car, omega, np.full((omega.size, 1), car.psi_open))
    return np.asarray(found["torque"][:, 0]), np.asarray(found["air_flow"][:, 0])


def let_in(
    car: Car, wanted: AntiLag, *, omega: Floats, pipe: Floats
) -> tuple[Floats, Floats, Floats]:
    """Plate, air and torque without retard, over pipe pressure and engine speed.

    Parameters
    ----------
    car : Car
        The car, one manifold behind its plates.
    wanted : AntiLag
        Share of the full air.
    omega : ndarray of shape (n,) [rad/s]
        Engine speeds.
    pipe : ndarray of shape (m,) [Pa]
        Pressures before the plate.

    Returns
    -------
    tuple of ndarray of shape (m, n) [%, Pa, N m]
        Plate, manifold pressure, and brake torque were the ignition at its best.

    Notes
    -----
    The air is the smaller of the wanted share and of that which gives ``MOST_TORQUE`` at best
    ignition.
    """
    torque, flow = full_torque(car, omega)
    shape = (pipe.size, omega.size)
    plate, manifold, pull = np.empty(shape), np.empty(shape), np.empty(shape)
    for i, p in enumerate(pipe):
        for j, w in enumerate(omega):
            state = {"pipe": float(p), "omega": float(w)}
            point = point_of_flow(car, wanted.air_share * float(flow[j]), **state)
            bound = MOST_TORQUE * float(torque[j])
            if point.torque > bound:
                point = point_of_torque(car, bound, **state)
            plate[i, j] = plate_of(car, point, **state)
            manifold[i, j] = point.p_manifold
            pull[i, j] = point.torque
    return plate, manifold, pull


def vacuum_left(car: Car, p_manifold: float) -> Floats:
    """Vacuum of the brake booster 2 s after each of three full presses.

    Parameters
    ----------
    car : Car
        In motion or not.
    p_manifold : float [Pa]
        Manifold pressure while anti-lag acts, absolute.

    Returns
    -------
    ndarray of shape (3,) [Pa]
        Under ambient.

    Notes
    -----
    Each press uses a quarter of the vacuum; the booster follows a manifold that is lower than its
    own pressure with a lag of 0.15 s. Both from memory, as in the car in motion. It begins with the
    vacuum that the same manifold gives.
    """
    ambient = float(car.record["p_ambient"])
    held = min(p_manifold, ambient)
    booster = held
    found = []
    for _ in range(PRESSES):
        booster += _PRESS_USES * (ambient - booster)
        booster = held + (booster - held) * math.exp(-PRESS_EVERY / _BOOSTER_LAG)
        found.append(ambient - booster)
    return np.array(found)


def _axes(car: Car, wanted: AntiLag) -> tuple[Floats, Floats]:
    low, high = wanted.from_speed * _RPM - _HYSTERESIS, car.limit * _RPM
    rpm = np.unique(np.round(np.linspace(low, high, _SPEEDS) / 50.0) * 50.0)
    ambient = float(car.record["p_ambient"])
    pipe = np.linspace(0.97 * ambient, float(np.max(car.record["boost"])) + 20e3, _PIPES)
    return rpm, pipe


def _refused(car: Car, wanted: AntiLag) -> str:
    if car.build.use != "competition":
        return (
            "anti-lag breaks the rule that a released pedal means idle: competition only, and the "
            f"use of this build is {car.build.use}"
        )
    if not car.turbo:
        return "anti-lag needs a turbo: there is no turbine to keep turning"
    if float(car.record["individual"]) > 0.5:
        return (
            "anti-lag: behind individual plates the air at a small opening is not known well "
            "enough to bound its torque"
        )
    if wanted.from_speed > 0.9 * car.limit:
        return f"anti-lag from {wanted.from_speed * _RPM:.0f} rpm has no range below the rev limit"
    return ""


def anti_lag(car: Car, intent: Intent) -> Rows:
    """Rows that let air in and ignite late with a released pedal, and all that ends it.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        With or without anti-lag.

    Returns
    -------
    Rows
        Nothing where it is not asked for; refused outside competition, without a turbo, and where
        the brake booster would lose its vacuum.

    Notes
    -----
    The floor of the plate is armed by the switch, the released pedal and the engine speed. A cold
    engine, a hot exhaust and a slow car end it by ceilings, which beat any floor. Retard and fuel
    follow the plate: they act while its target is open on a released pedal, so that whatever
    closes the plate ends them too. That ceiling of the fuel cut acts on a released pedal
    only; the rev limit and every reaction to a fault still cut fuel.
    """
    wanted = intent.anti_lag
    if wanted is None:
        return Rows()
    refused = _refused(car, wanted)
    if refused:
        return Rows(refused=refused)
    rpm, pipe = _axes(car, wanted)
    plate, manifold, pull = let_in(car, wanted, omega=rpm / _RPM, pipe=pipe)
    vacuum = float(vacuum_left(car, float(manifold.max())).min())
    if vacuum < LEAST_VACUUM:
        return Rows(
            refused=(
                f"anti-lag with {100 * wanted.air_share:.0f} % of the air leaves the brake booster "
                f"{vacuum / 1e3:.0f} kPa of vacuum 2 s after a press, less than "
                f"{LEAST_VACUUM / 1e3:.0f} kPa: less air, or a vacuum pump"
            )
        )
    idle = round(max(least_plate(car), 1.0), 3)
    least = float(plate[0].min())
    if least < idle + 0.3:
        return Rows(
            refused=(
                "anti-lag: the air asked for is no more than the engine idles on; a larger share, "
                "or a smaller plate, is needed"
            )
        )
    opens = round(0.5 * (idle + least), 3)
    table = Table(
        "anti_lag_plate",
        "plate opening with a released pedal",
        "%",
        (Axis("pipe_kPa", "kPa", np.round(pipe / 1e3, 2)), Axis("engine_rpm", "rpm", rpm)),
        np.round(plate, 3),
        note="bounded by the air: the torque without retard stays under a tenth of the full one",
        percent_meaning=PLATE_PCT,
    )
    late = known_late(car, wanted.retard)
    most = known_late(car, wanted.retard + float(car.record["retard_full"]))
    full, _ = full_torque(car, rpm / _RPM)
    notes = [
        f"anti-lag: without its retard the engine gives {100 * (pull / full).min():+.0f} to "
        f"{100 * (pull / full).max():+.0f} % of the full torque",
        f"anti-lag: {late.text}"
        if late.known
        else f"anti-lag: {late.text}; plate, timers and cancels hold regardless",
        f"anti-lag: the booster keeps {vacuum / 1e3:.0f} kPa of vacuum over {PRESSES} presses",
    ]
    if late.known and not most.known:
        notes.append(f"anti-lag: in boost, where knock takes more: {NOT_KNOWN}")
    if np.any(pull >= 0.999 * MOST_TORQUE * full[None, :]):
        notes.append("anti-lag: the air is held under the wanted share by the torque it could give")
    return Rows(
        _limits(wanted, table.name, opens), (table,), _numbers(car, wanted, idle), tuple(notes)
    )


def _limits(wanted: AntiLag, table: str, opens: float) -> tuple[Limit, ...]:
    off = "released_s > 0 and arm_1 > 0.5"
    follows = f"plate_target_pct > {opens:g} and {off}"
    hot = wanted.exhaust_limit - 273.15
    source = "intent, anti_lag"
    return (
        Limit(
            "anti_lag_plate", "plate", "floor", "table",
            x="pipe_kPa", y="engine_rpm", table=table,
            arm=f"engine_rpm > {wanted.from_speed * _RPM:.6g} and {off}", hysteresis=_HYSTERESIS,
            reason="lets air through to the turbine with the foot off", source=source,
        ),
        Limit(
            "anti_lag_hot", "plate", "ceiling", "ramp",
            arm=f"exhaust_degC > {hot:.6g} and {off}", hysteresis=_HOT_BAND,
            rise_rate=_OFF_RISE,
            reason="exhaust too hot: back to idle", source=source,
        ),
        Limit(
            "anti_lag_cold", "plate", "ceiling", "ramp",
            arm=f"coolant_degC < {COLDEST:g} and {off}", hysteresis=2.0, rise_rate=_OFF_RISE,
            reason="not with a cold engine", source="common practice, no source",
        ),
        Limit(
            "anti_lag_slow", "plate", "ceiling", "ramp",
            arm=f"speed_m_s < {_ROLLS:g} and {off}", hysteresis=1.0, rise_rate=_OFF_RISE,
            reason="a car that stands or creeps idles when the pedal is released",
            source="tool default",
        ),
        Limit(
            "anti_lag_retard", "retard", "floor", "ramp", arm=follows,
            reason="burns late, so that heat goes to the turbine and not to the crank",
            source=source,
        ),
        Limit(
            "anti_lag_fuel", "fuel_cut", "ceiling", "ramp",
            arm=follows,
            reason="fuel stays on while the plate is open on a released pedal", source=source,
        ),
    )  # fmt: skip


def _numbers(car: Car, wanted: AntiLag, idle: float) -> dict[str, Number]:
    back = Number(idle, "%", "air to idle on and a tenth")
    degrees = round(math.degrees(wanted.retard), 2)
    return {
        "anti_lag_plate.within_s": Number(wanted.time_limit, "s", "intent, anti_lag"),
        "anti_lag_hot.to": back,
        "anti_lag_cold.to": back,
        "anti_lag_slow.to": back,
        "anti_lag_retard.to": Number(degrees, "deg", "intent, anti_lag"),
        "anti_lag_fuel.to": Number(0.0, "", "every cylinder has fuel"),
    }


ROLE = Role(
    name="anti_lag",
    title="Anti-lag",
    text=(
        "Lets air in and ignites late with a released pedal, so that the turbine keeps turning. "
        "Competition only: a released pedal no longer means idle."
    ),
    design=anti_lag,
    section="anti_lag",
    typical=(
        Typical("air_share", "12 %", "plate held 12 to 20 deg open, an encyclopedia; the air of "
                "it computed"),
        Typical("retard", "50 deg", "20 to 40 deg, or ignition 35 to 45 deg after top dead centre; "
                "from memory and an encyclopedia, they differ"),
        Typical("time_limit", "5 s", "3 to 10 s, from memory"),
        Typical("exhaust_limit", "950 degC", "900 to 1000 degC, from memory"),
        Typical("from_speed", "3000 rpm", "tool default"),
    ),
    shown=(
        Shown("anti_lag_lift", "anti_lag_shaft"),
        Shown("anti_lag_lift", "anti_lag_exhaust"),
        Shown("anti_lag_brakes", "anti_lag_vacuum"),
        Shown("anti_lag_shut_off", "anti_lag_torque_left"),
    ),
    caution=(
        "Competition only, where local law and the event's rules allow it. Turbine, manifold and "
        "valves live for hours, not years; exhausts explode from unburnt fuel, glow, burn skin and "
        "set fire to grass and garages. Set the temperatures at which you stop beforehand. Try it "
        "on a restrained car or a closed course; nobody in line with tyres or charge pipe. The "
        "engine pushes with the foot off: prove the shut-off first, and the brakes with it on."
    ),
    only="competition",
)  # fmt: skip
"""The role, for the registry."""
