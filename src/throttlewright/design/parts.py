"""Parts check: pedal, body and motor against the controller, before money is spent."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from throttlewright.build.schema import Build
from throttlewright.car.pack import Car
from throttlewright.car.plant_servo import aero_torque
from throttlewright.car.record import BoostState
from throttlewright.car.surface import evaluate
from throttlewright.design.track_pair import Line, Topology, classify
from throttlewright.physics.servo import copper_resistance

__all__ = [
    "LEAST_BUDGET",
    "PairKind",
    "PartVerdict",
    "TorqueBudget",
    "check_parts",
    "lever_share",
    "pair_kind",
    "torque_budget",
]

PairKind = Topology
Status = Literal["pass", "fail", "not_proven"]

LEAST_BUDGET = 1.5
"""Least torque of the motor over what holds the plate back [-]. Tool default."""
_LOW_BATTERY = 9.0
"""Supply at which the budget is drawn up [V]: 6 to 9 V while cranking, from memory."""
_HOT = 393.15
"""Winding of the budget [K]: 120 degC."""
_EMPTY_MAP = 30e3
"""Manifold behind a shut plate [Pa], absolute; common practice, no source."""
_FUSE_LOAD = 0.75
"""Largest steady load of a fuse, as a share of its rating [-]; common practice, no source."""
_FUSE_BLOWS = 3.0
"""Least short-circuit current over the rating of a fuse that blows at once [-]; common practice,
no source."""
_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class PartVerdict:
    """One part against what it must do.

    ``blocks`` says whether the part should not be bought or fitted as it is; a failed verdict that
    does not block is a weakness to know of. ``fix`` names the part that ends it.
    """

    name: str
    status: Status
    value: str
    limit: str
    text: str
    source: str
    fix: str = ""
    blocks: bool = True


@dataclass(frozen=True)
class TorqueBudget:
    """Torque at the plate shaft with a flat battery and a hot winding, all in N m.

    ``available`` and ``needed`` stand where their ratio is least; ``current`` [A] is what the
    motor draws for ``LEAST_BUDGET`` times ``needed``.
    """

    available: float
    spring: float
    friction: float
    air: float
    opening: float
    """Plate above its closed stop there [rad]."""
    current: float
    snap_ratio: float = math.inf
    """Least ratio with the pipe at full boost and the manifold drawn empty, as for an instant on
    opening from closed [-]; told, not judged."""

    @property
    def needed(self) -> float:
        """Spring, sticking friction and air together [N m]."""
        return self.spring + self.friction + self.air

    @property
    def ratio(self) -> float:
        """Available over needed [-]."""
        return self.available / self.needed if self.needed > 0.0 else math.inf


def pair_kind(first: tuple[float, float], second: tuple[float, float]) -> PairKind:
    """Tell how two tracks of a sensor are related.

    Parameters
    ----------
    first, second : tuple of float [V]
        Voltage at either end of the travel.

    Returns
    -------
    str
        As ``design.track_pair.classify`` names them.

    Notes
    -----
    Shorted together, identical tracks agree at every position: nothing can see it.
    """
    return classify(Line(*first), Line(*second)).topology


def lever_share(build: Build) -> float:
    """Least torque that a linkage passes to the plate, over that of its mean ratio.

    Parameters
    ----------
    build : Build
        Completed.

    Returns
    -------
    float [-]
        1 without a linkage.
    """
    lever = build.plate.lever
    if lever is None:
        return 1.0
    pairs = list(zip(lever.motor_deg, lever.plate_deg, strict=True))
    slopes = [(m1 - m0) / (p1 - p0) for (m0, p0), (m1, p1) in pairwise(pairs)]
    mean = (pairs[-1][0] - pairs[0][0]) / (pairs[-1][1] - pairs[0][1])
    return min(slopes) / mean


def torque_budget(car: Car) -> TorqueBudget:
    """Torque of the motor at 9 V with a winding of 120 degC against all that holds the plate.

    T_motor / (T_spring + T_breakaway + T_air), the worst of the travel

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    TorqueBudget
        At the opening where the motor has least to spare.

    Notes
    -----
    The air is that of steady running with boost settled, at the speed and opening where it weighs
    most. Its coefficient is from memory, unverified.
    """
    rec = car.record
    R = float(copper_resistance(float(rec["motor_resistance"]), _HOT))
    current = _LOW_BATTERY / (R + float(rec["loom_resistance"]))
    share = lever_share(car.build)
    constant = float(rec["motor_constant"]) * share
    travel, rest = float(rec["servo_travel"]), float(rec["default_opening"])
    openings = rest + (travel - rest) * np.linspace(0.0, 1.0, 41)
    speeds = np.array([0.4, 0.6, 0.8, 1.0]) * car.limit
    psi = np.tile(car.psi_closed + openings, (speeds.size, 1))
    found, _ = evaluate(car, speeds, psi, state=BoostState.SETTLED)
    drops = np.nanmax(found["pipe_pressure"] - found["map"], axis=0)
    friction = float(rec["servo_breakaway"])

    def at(opening: float, drop: float) -> TorqueBudget:
        spring = float(rec["preload_above"] + rec["spring_above"] * (opening - rest))
        air = aero_torque(
            opening,
            drop,
            coefficient=float(rec["aero_coefficient"]),
            plates=float(rec["plates"]),
            bore=float(rec["bore"]),
            travel=travel,
        )
        most = LEAST_BUDGET * (spring + friction + air) / constant
        return TorqueBudget(constant * current, spring, friction, air, opening, most)

    steps = zip(openings.tolist(), drops.tolist(), strict=True)
    worst = min((at(opening, drop) for opening, drop in steps), key=lambda one: one.ratio)
    boost = car.build.boost
    full = float(rec["p_ambient"]) - _EMPTY_MAP + (max(boost.gauge_pressure) if boost else 0.0)
    return replace(worst, snap_ratio=min(at(opening, full).ratio for opening in openings.tolist()))


def _pairs(build: Build) -> list[tuple[str, str, PairKind | None]]:
    pedal = build.pedal.tracks
    kind: PairKind | None = None
    if len(pedal) > 1:
        a, b = pedal[0], pedal[1]
        kind = pair_kind((a.released, a.full), (b.released, b.full))
    c, d = build.sensors.plate
    plate = pair_kind((c.closed, c.open), (d.closed, d.open))
    return [("pedal", "pedal.tracks", kind), ("plate", "sensors.plate", plate)]


def _pair_verdict(
    build: Build, name: str, kind: PairKind | None, allowed: str
) -> tuple[Status, str, str, str]:
    if kind is None:
        return "fail", "one track", f"the {name} has one track", f"a {name} sensor with two tracks"
    if kind == "identical":
        text = "identical tracks shorted together still agree: no check can see it"
        return "fail", kind, text, f"a {name} sensor with half, offset or mirrored tracks"
    if kind not in build.controller.track_pairs:
        text = f"the controller cannot check this relation: it takes {allowed}"
        return "fail", kind, text, f"a {name} sensor with {allowed} tracks, or another controller"
    blind = {
        "half": "shorted tracks are found except near 0 V",
        "mirror": "shorted tracks are found except where the two cross",
        "offset": "shorted tracks are found everywhere",
    }
    return "pass", kind, blind.get(kind, "shorted tracks are found where they lie apart"), ""


def check_parts(
    car: Car, *, bits_needed: int | None = None, assumed: Collection[str] = ()
) -> tuple[PartVerdict, ...]:
    """Judge pedal, throttle body and motor against the controller.

    Parameters
    ----------
    car : Car
        The car.
    bits_needed : int [-], optional
        Converter bits that the plate study asks for; None leaves that row not proven.
    assumed : collection of str
        Keys of the build that nobody gave: what passes on one of them is not proven.

    Returns
    -------
    tuple of PartVerdict
        In the order in which the parts are bought.
    """
    build, rec = car.build, car.record
    box, servo = build.controller, build.servo
    rows: list[PartVerdict] = []

    def add(
        name: str, good: bool, keys: tuple[str, ...], value: str, limit: str, text: str,
        source: str, fix: str, blocks: bool = True,
    ) -> None:  # fmt: skip
        open_keys = [key for key in keys if key in assumed]
        status: Status = "fail" if not good else ("not_proven" if open_keys else "pass")
        if open_keys:
            text = f"{text}; rests on assumed {', '.join(open_keys)}"
        rows.append(
            PartVerdict(name, status, value, limit, text, source, "" if good else fix, blocks)
        )

    allowed = ", ".join(kind for kind in box.track_pairs if kind != "identical") or "nothing else"
    for name, key, kind in _pairs(build):
        state, value, text, fix = _pair_verdict(build, name, kind, allowed)
        add(
            f"{name} tracks", state == "pass", (key, "controller.track_pairs"), value, allowed,
            text, "2:1, offset and mirrored tracks: road cars' service manuals", fix,
        )  # fmt: skip
    budget = torque_budget(car)
    motor_keys = ("servo.motor_constant", "servo.resistance", "servo.preload_above",
                  "servo.spring_above", "servo.coulomb")  # fmt: skip
    add(
        "motor torque, 9 V and hot", budget.ratio >= LEAST_BUDGET, motor_keys,
        f"{budget.ratio:.2f} times", f"at least {LEAST_BUDGET:g} times",
        f"{budget.available:.2f} N m against spring {budget.spring:.2f}, friction "
        f"{budget.friction:.2f} and air {budget.air:.2f} N m at "
        f"{math.degrees(budget.opening):.0f} deg above the stop; for the instant of a snap "
        f"opening against all the air there is {budget.snap_ratio:.2f} times",
        "tool default", "a body with a stronger motor or weaker springs, or a smaller plate",
    )  # fmt: skip
    stall = servo.battery / (servo.resistance + servo.loom_resistance)
    limits = "it limits the stalled motor" if box.bridge_current < stall else "it carries a stall"
    add(
        "bridge current", box.bridge_current >= budget.current,
        ("controller.bridge_current", "servo.resistance"), f"{box.bridge_current:g} A",
        f"at least {budget.current:.1f} A",
        f"needed for {LEAST_BUDGET:g} times the torque; stall draws {stall:.1f} A, {limits}",
        "tool default", "a controller with a stronger bridge",
    )  # fmt: skip
    hold = _hold_current(car)
    short = servo.battery / max(servo.loom_resistance, 1e-3)
    low, high = hold / _FUSE_LOAD, short / _FUSE_BLOWS
    add(
        "fuse", low <= box.fuse <= high, ("controller.fuse", "servo.loom_resistance"),
        f"{box.fuse:g} A", f"{low:.1f} to {high:.1f} A",
        f"carries {hold:.1f} A at full hold and must blow on a short of {short:.0f} A; it does not "
        "protect a stalled motor: the controller's current limit does",
        _PRACTICE, "another fuse, or a loom of thicker wire",
    )  # fmt: skip
    drop = stall * servo.loom_resistance
    add(
        "loom", drop <= 0.2 * servo.battery, ("servo.loom_resistance",), f"{drop:.1f} V lost",
        f"at most {0.2 * servo.battery:.1f} V", f"{servo.loom_resistance:g} ohm at {stall:.1f} A",
        _PRACTICE, "a loom of thicker or shorter wire",
    )  # fmt: skip
    spring = float(rec["preload_above"])
    add(
        "return spring", spring > float(rec["servo_breakaway"]),
        ("servo.preload_above", "servo.coulomb"), f"{spring:.3f} N m",
        f"above {float(rec['servo_breakaway']):.3f} N m",
        "the spring at rest against sticking friction: it must close the plate on its own",
        "two sources of return: 49 CFR 571.124 S5.1", "a body with a return spring on the shaft",
    )  # fmt: skip
    if bits_needed is not None:
        add(
            "converter", build.plate.sensor_bits >= bits_needed, ("plate.sensor_bits",),
            f"{build.plate.sensor_bits} bit", f"at least {bits_needed} bit",
            "steps of the plate against the steps of air that idle needs",
            "plate study", "a controller with a finer converter, or a smaller plate", blocks=False,
        )  # fmt: skip
    add(
        "5 V supplies", box.sensor_supplies >= 2, ("controller.sensor_supplies",),
        f"{box.sensor_supplies}", "at least 2",
        "one supply moves all tracks together: they still agree when it is wrong",
        "Formula Student rules, UK-style edition, T11.8: separate supply and signal",
        "a controller with a second 5 V supply, or its own watch of the supply", blocks=False,
    )  # fmt: skip
    ways = ", ".join(box.shut_off)
    both = bool({"bridge", "relay"} & set(box.shut_off)) and bool(
        {"fuel", "ignition"} & set(box.shut_off)
    )
    add(
        "shut-off routes", both, ("controller.shut_off",), ways,
        "one of air (bridge, relay) and one of fuel (fuel, ignition)",
        "each must take power away without the other", "E-Gas concept, from memory; "
        "Formula Student CV1.6.5",
        "a relay in the motor's supply" if {"fuel", "ignition"} & set(box.shut_off)
        else "a fuel or ignition cut that the throttle driver cannot hold on",
    )  # fmt: skip
    add(
        "brake signal", box.brake_signal != "none", ("controller.brake_signal",), box.brake_signal,
        "a switch or a pressure",
        "one switch: a broken wire loses brake over pedal unnoticed"
        if box.brake_signal == "one switch" else "brake over pedal reads it",
        "brake priority of road cars", "a brake switch or a brake pressure sensor",
    )  # fmt: skip
    return tuple(rows)


def _hold_current(car: Car) -> float:
    rec = car.record
    span = float(rec["servo_travel"] - rec["default_opening"])
    torque = float(rec["preload_above"] + rec["spring_above"] * span)
    return torque / float(rec["motor_constant"])
