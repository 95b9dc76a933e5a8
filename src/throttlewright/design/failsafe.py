"""What a car does when its plate loses power, and whether it may be used so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.defaults import DEFAULTS
from throttlewright.calibration.reactions import Reaction
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.car.plant_servo import servo_tick
from throttlewright.car.state import (
    AIR_PLATE,
    COOLANT,
    N_INPUT,
    N_STATE,
    PLATE,
    T_PIPE,
    U_BRIDGE,
    U_CLOSING_SPRING,
    U_FRICTION,
    U_MOTOR,
    U_OPENING_SPRING,
    U_WINDING,
    WINDING,
)
from throttlewright.design.parts import pair_kind
from throttlewright.design.plate_study import plate_study
from throttlewright.physics.servo import BRIDGE_OPEN, BRIDGE_SHORTED

__all__ = [
    "CLOSING_LIMIT",
    "MOST_KM_H",
    "MOST_RPM",
    "USES",
    "Closing",
    "Gate",
    "RestSpeed",
    "closing_time",
    "closing_times",
    "gate",
    "rest_speed",
    "uncapped_cuts",
]

MOST_RPM = 2500.0
"""Most unloaded engine speed with an unpowered plate that needs no cap [rpm]; tool default."""
MOST_KM_H = 50.0
"""Most car speed in gear with the pedal released and the plate unpowered [km/h]: 31 mph, the creep
cap proposed for FMVSS 124 in 2012 (77 FR 22638), withdrawn in 2019."""
CLOSING_LIMIT = 1.0
"""Most time from full open to rest [s]: Formula Student CV1.6.5, Formula SAE 2026 IC.4.7.1b."""
_CAP_OVER_IDLE = 2000.0
"""Most that a cap may lie over idle [rpm]: limp speeds are 1200 to 2000 above it, from memory."""
_BAND = 0.05
"""Plate within this share of its travel above rest counts as closed [-]: the books' idle +-5 %."""
_WATCHED = 6.0
"""Longest closing that is waited for [s]."""
_CASES = (
    ("cold, friction 1.25", 1.25, 253.15),
    ("cold, friction 1.4", 1.40, 253.15),
    ("warm", 1.0, 293.15),
    ("hot winding", 1.0, 393.15),
)
"""Name, factor on friction, winding [K]; factors are tool defaults, to be proved on the part."""

BridgeOff = Literal["open", "brake"]
Use = Literal["road", "track", "competition", "launch", "anti-lag"]
USES: tuple[Use, ...] = ("road", "track", "competition", "launch", "anti-lag")


@dataclass(frozen=True)
class Closing:
    """Time from full open to 5 % of the travel above rest, springs alone.

    ``seconds`` is infinite where the plate is not there after 6 s. ``own`` marks the bridge-off
    mode of this controller.
    """

    bridge_off: BridgeOff
    case: str
    seconds: float
    own: bool

    @property
    def good(self) -> bool:
        """Within the time that rule books give."""
        return self.seconds <= CLOSING_LIMIT


@dataclass(frozen=True)
class RestSpeed:
    """Speeds with a warm engine and the plate at its unpowered position, pedal released.

    ``rpm`` in neutral; ``km_h`` by gear on the level; ``limited`` where only the rev limit ends
    it; ``bits_needed`` of the converter, from the same study.
    """

    rpm: float
    km_h: tuple[float, ...]
    limited: bool
    bits_needed: int
    advice: tuple[str, ...] = ()

    @property
    def most_km_h(self) -> float:
        """In the fastest gear [km/h]."""
        return max(self.km_h, default=0.0)

    @property
    def over(self) -> bool:
        """Whether a cap is needed."""
        return self.rpm > MOST_RPM or self.most_km_h > MOST_KM_H


@dataclass(frozen=True)
class Refusal:
    """A use that is not allowed, why, and the part or row that fixes it."""

    use: Use
    why: str
    fix: str


@dataclass(frozen=True)
class Gate:
    """Which uses are open.

    Parameters
    ----------
    refusals : tuple of Refusal
        One for each use and reason.
    cap_rpm : float [rpm]
        Engine speed above which fuel is cut on a fault; NaN without a working cap.
    uncapped : tuple of str
        Faults that switch the plate off and arm no cap of their own.
    notes : tuple of str
        Advice.
    """

    refusals: tuple[Refusal, ...]
    cap_rpm: float
    uncapped: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def is_open(self, use: str) -> bool:
        """Return whether a use is allowed."""
        return all(refusal.use != use for refusal in self.refusals)

    @property
    def open_for(self) -> tuple[Use, ...]:
        """Uses that are allowed."""
        return tuple(use for use in USES if self.is_open(use))


def closing_time(car: Car, *, bridge_off: BridgeOff, friction: float, winding: float) -> float:
    """Time in which the springs bring a wide open plate back to rest.

    Parameters
    ----------
    car : Car
        The car with its servo.
    bridge_off : str
        ``open``: no current; ``brake``: the winding shorted through loom and bridge.
    friction : float [-]
        Factor on sliding and sticking friction, above 0.
    winding : float [K]
        Temperature of the winding.

    Returns
    -------
    float [s]
        Until the plate is within 5 % of its travel above rest; infinite after 6 s.

    Notes
    -----
    Air would help the springs; there is none here, as at key-off.
    """
    rec = in_motion(car).record
    x, u = np.zeros(N_STATE), np.zeros(N_INPUT)
    x[PLATE] = x[AIR_PLATE] = float(rec["servo_travel"])
    x[WINDING] = x[T_PIPE] = x[COOLANT] = winding
    u[U_BRIDGE] = BRIDGE_OPEN if bridge_off == "open" else BRIDGE_SHORTED
    u[U_FRICTION] = friction
    u[U_CLOSING_SPRING] = u[U_OPENING_SPRING] = u[U_MOTOR] = u[U_WINDING] = 1.0
    goal = float(rec["default_opening"] + _BAND * rec["servo_travel"])
    for tick in range(1, round(_WATCHED / 1e-3) + 1):
        before = x[PLATE]
        servo_tick(x, u, car=rec, h=1e-3, p_drop=0.0)
        if x[PLATE] <= goal:
            return float(1e-3 * (tick - 1 + (before - goal) / (before - x[PLATE])))
    return math.inf


def closing_times(car: Car) -> tuple[Closing, ...]:
    """Closing times cold, warm and hot, for both things a bridge can do when it is off.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    tuple of Closing
        Eight of them.
    """
    own = car.build.controller.bridge_off
    modes: tuple[BridgeOff, ...] = ("open", "brake")
    return tuple(
        Closing(
            mode,
            name,
            closing_time(car, bridge_off=mode, friction=friction, winding=winding),
            mode == own,
        )
        for mode in modes
        for name, friction, winding in _CASES
    )


def rest_speed(car: Car) -> RestSpeed:
    """Engine and car speed that an unpowered plate leaves, with the pedal released.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    RestSpeed
        From steady torque at the unpowered opening; accessories and a cold engine take more.

    Notes
    -----
    Friction may leave a plate some tenths of a degree beside its unpowered opening, which moves the
    figures by a few per cent: measure them on the commissioning sheet.
    """
    bore = car.build.plate.bore
    bores = np.unique(np.append(np.linspace(0.4, 0.95, 12) * bore, bore))
    study = plate_study(car, bores=bores)
    row = study.car_row
    good = [
        r.bore
        for r in study.rows
        if r.default_speed * 30.0 / math.pi <= MOST_RPM
        and max(r.default_car_speed, default=0.0) * 3.6 <= MOST_KM_H
    ]
    advice: tuple[str, ...] = ()
    found = RestSpeed(
        row.default_speed * 30.0 / math.pi,
        tuple(3.6 * v for v in row.default_car_speed),
        row.default_held_by_limit,
        row.bits_needed,
    )
    if found.over:
        body = f"at most {1e3 * max(good):.0f} mm" if good else "smaller than any looked at"
        advice = (
            f"a smaller body ({body} at this unpowered opening), or an unpowered opening below "
            f"{math.degrees(car.build.plate.default_opening):.1f} deg",
        )
    return RestSpeed(found.rpm, found.km_h, found.limited, found.bits_needed, advice)


_FUEL = ("fuel_speed", "fuel_off")


def uncapped_cuts(reactions: Sequence[Reaction]) -> tuple[str, ...]:
    """Faults that switch the plate off without a fuel row armed by the same fault.

    Parameters
    ----------
    reactions : sequence of Reaction
        Of the calibration.

    Returns
    -------
    tuple of str
        Names of the rows; a fuel row counts when it has the same detection and comes neither at a
        higher limit nor later.
    """
    fuel = [row for row in reactions if row.reaction in _FUEL]
    return tuple(
        row.fault
        for row in reactions
        if row.reaction == "cut"
        and not any(
            f.detection == row.detection and f.limit <= row.limit and f.time_s <= row.time_s
            for f in fuel
        )
    )


def _structure(car: Car) -> list[tuple[str, str]]:
    build, rec = car.build, car.record
    box = build.controller
    found = []
    tracks = build.pedal.tracks
    if len(tracks) < 2:
        found.append(("the pedal has no second track", "a pedal sensor with two tracks"))
    elif (
        pair_kind((tracks[0].released, tracks[0].full), (tracks[1].released, tracks[1].full))
        == "identical"
    ):
        found.append(("both pedal tracks are identical", "a pedal with half or offset tracks"))
    a, b = build.sensors.plate
    if pair_kind((a.closed, a.open), (b.closed, b.open)) == "identical":
        found.append(("both plate tracks are identical", "a body with mirrored or offset tracks"))
    if not float(rec["preload_above"]) > float(rec["servo_breakaway"]):
        found.append(
            ("no return spring overcomes the friction of the shaft", "a return spring on the shaft")
        )
    ways = set(box.shut_off)
    if not ways & {"bridge", "relay"}:
        found.append(("a single shut-off route: nothing takes the plate's power", "a relay in the "
                      "motor's supply"))  # fmt: skip
    if not ways & {"fuel", "ignition"}:
        found.append(("a single shut-off route: air only", "a fuel or ignition cut that works "
                      "without the throttle driver"))  # fmt: skip
    if box.brake_signal == "none":
        found.append(("no brake signal", "a brake switch with two contacts or a pressure sensor"))
    return found


def gate(car: Car, calibration: Calibration, *, rest: RestSpeed | None = None) -> Gate:
    """Tell which uses the fail-safe behaviour of a car allows.

    Parameters
    ----------
    car : Car
        The car.
    calibration : Calibration
        Its reactions arm the cap, its ``limp_rpm`` is the cap.
    rest : RestSpeed, optional
        From ``rest_speed``; computed when left out.

    Returns
    -------
    Gate
        Refusals name the part or the row that fixes them.

    Notes
    -----
    Above the limits of the unpowered position the road is refused whatever the cap: a cap is a
    second thing that must work. Any other use needs the cap, armed by every fault that switches
    the plate off.
    """
    rest = rest_speed(car) if rest is None else rest
    refusals = [
        Refusal(use, why, fix)
        for why, fix in _structure(car)
        for use in ("road", "launch", "anti-lag")
    ]
    number = calibration.numbers.get("limp_rpm")
    cap = DEFAULTS["limp_rpm"].value if number is None else number.value
    allowed = max(MOST_RPM, car.idle * 30.0 / math.pi + _CAP_OVER_IDLE)
    uncapped = uncapped_cuts(calibration.reactions)
    cuts = [row for row in calibration.reactions if row.reaction == "cut"]
    can = {"fuel", "ignition"} & set(car.build.controller.shut_off)
    works = bool(cuts) and not uncapped and bool(can) and cap <= allowed
    notes: list[str] = []
    if rest.over:
        what = (
            f"without power the engine runs at {rest.rpm:.0f} rpm unloaded (limit "
            f"{MOST_RPM:.0f}) and the car at {rest.most_km_h:.0f} km/h in gear (limit "
            f"{MOST_KM_H:.0f})"
        )
        fix = rest.advice[0] if rest.advice else "a smaller body"
        refusals.append(Refusal("road", what, fix))
        notes += rest.advice
        if not works:
            if not can:
                row = "a fuel or ignition cut independent of the throttle driver"
            elif not cuts:
                row = "reactions that switch the plate off, each with its fuel_speed twin"
            elif uncapped:
                row = f"a fuel_speed row armed by: {', '.join(uncapped)}"
            else:
                row = f"limp_rpm at most {allowed:.0f} rpm, not {cap:.0f}"
            refusals += [
                Refusal(use, f"{what}, and no fuel-cut speed cap is armed by the same fault", row)
                for use in USES
                if use != "road"
            ]
        else:
            notes.append(
                f"open only with the fuel-cut speed cap of {cap:.0f} rpm: try it on the car, with "
                "the throttle driver unplugged, before the car moves"
            )
    return Gate(tuple(refusals), cap if works else math.nan, uncapped, tuple(notes))
