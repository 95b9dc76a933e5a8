"""What a controller does on a fault: rows with the bounds and times of public rule books."""

from __future__ import annotations

import math

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Number, Reaction
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.car.surface import compute_surface, plate_axis
from throttlewright.design.brake_override import override_reactions
from throttlewright.design.overboost import pressure_limits
from throttlewright.design.role import Role
from throttlewright.design.rows import PLATE_PCT, Rows

__all__ = ["ROLE", "supervision", "typical_reactions"]

_FS = "Formula Student rules, UK-style edition, year not shown"
_FSAE = "Formula SAE rules 2026"
_OE = "one road car's service manual"
_MEMORY = "from memory, unverified"
_RAIL_SHARE = 0.5
"""Share of the distance between a track's end and the rail that is still allowed [-]."""
_RAIL_MOST = 0.5
"""Formula SAE 2026 IC.4.4.8 gives below 0.5 V and above 4.5 V as an example [V]."""
_LIMP_RPM = 2500.0
_RELEASED_OVER = 500.0
"""Over idle speed, engine speed at which a released and fired engine is too fast [rpm]: above the
speed from which the fuel cut of the overrun acts, so that a healthy engine is there but briefly."""
_RUNAWAY_KPA = 60.0
"""Over the limit that the plate holds, pressure before the plate at which less exhaust must drive
the turbo [kPa]. Tool default."""
_MAP_POINTS = (0.0, 1.5, 3.0, 5.0, 8.0, 12.0, 18.0, 26.0, 40.0, 60.0, 100.0)


def _rail(first: float, second: float) -> float:
    nearest_rail = min(first, second, 5.0 - first, 5.0 - second)
    return round(min(_RAIL_MOST, max(_RAIL_SHARE * nearest_rail, 0.05)), 3)


def _limp_rpm(car: Car) -> float:
    return max(_LIMP_RPM, math.ceil((car.idle * 30.0 / math.pi + 1200.0) / 50.0) * 50.0)


def _cut(
    fault: str, detection: str, limit: float, time_s: float, source: str, text: str
) -> tuple[Reaction, Reaction]:
    """Air off and fuel limited: a large plate at rest lets an engine run far above idle."""
    return (
        Reaction(fault, detection, limit, time_s, "cut", "key", source, text),
        Reaction(
            f"{fault}, engine speed",
            detection,
            limit,
            time_s,
            "fuel_speed",
            "key",
            source,
            "second way to take power off, independent of the plate",
        ),
    )


def typical_reactions(car: Car, intent: Intent) -> tuple[Reaction, ...]:
    """Reactions that a calibration starts with.

    Parameters
    ----------
    car : Car
        The car: its tracks, motor and boost set the bounds that no rule book gives.
    intent : Intent
        Its overboost limits.

    Returns
    -------
    tuple of Reaction
        In order of rank.

    Notes
    -----
    Rule books change every year and differ: compare them with the edition that applies. A service
    figure is one vehicle's practice, not a rule.
    """
    rec = car.record
    rows: list[Reaction] = []
    for k in (0, 1):
        rows.append(
            Reaction(
                f"pedal track {k + 1} out of range",
                f"pedal_{k + 1}_range",
                _rail(float(rec["pedal_released"][k]), float(rec["pedal_full"][k])),
                0.1,
                "other_track",
                "key",
                f"{_OE} (0.1 s); {_FSAE} T.4.2.10",
                "the other track, limited and rising slowly; none left counts as released",
            )
        )
    rows.append(
        Reaction(
            "pedal tracks disagree",
            "pedal_disagree",
            10.0,
            0.1,
            "release_pedal",
            "key",
            f"{_FSAE} T.4.2.4-5; {_FS}, T11.8.8-9",
            "drift, or tracks shorted together",
        )
    )
    rails = [
        _rail(float(rec["plate_at_closed"][k]), float(rec["plate_at_open"][k])) for k in (0, 1)
    ]
    student = any("formula s" in book.lower() for book in intent.rules.books)
    for k in (0, 1):
        fault, detection = f"plate track {k + 1} out of range", f"plate_{k + 1}_range"
        if student:
            source = f"{_FSAE} IC.4.4.4; {_FS}, CV1.6.6"
            rows += _cut(fault, detection, rails[k], 0.1, source, "one track alone is not allowed")
            continue
        rows.append(
            Reaction(
                fault,
                detection,
                rails[k],
                0.1,
                "limit_pedal",
                "key",
                f"{_MEMORY}; 0.1 s as {_FSAE} IC.4.4",
                "the other track carries on, at less power",
            )
        )
    rows += _cut(
        "plate tracks disagree", "plate_disagree", 10.0, 0.1,
        f"{_FS}, CV1.6.6; {_FSAE} IC.4.4.2-4", "the position of the plate is not known",
    )  # fmt: skip
    rows += _cut(
        "both plate tracks out of range", "plate_both_range", min(rails), 0.05,
        f"at once, at most 0.1 s: {_MEMORY}", "no feedback is left",
    )  # fmt: skip
    rows += _cut(
        "sensor supply off", "reference_supply", 0.25, 0.1,
        f"50 to 200 ms, {_MEMORY}", "moves all tracks together, so that they still agree",
    )  # fmt: skip
    rows += _cut(
        "plate does not follow", "tracking", 5.0, 0.3,
        f"tighter than {_FS}, CV1.6.9 (10 %, 0.5 s) and {_FSAE} IC.4.7.2 (1 s): a plate at rest is "
        "6 to 10 % from an idling one", "stuck, weak or wrongly wired",
    )  # fmt: skip
    stall = float(rec["battery"]) / float(rec["motor_resistance"] + rec["loom_resistance"])
    rows += _cut(
        "motor current high", "current_high", round(max(8.0, 1.15 * stall), 1), 0.3,
        f"0.1 to 0.6 s and 8 to 10 A, {_OE}; not under the stall current of the build",
        "winding or loom shorted",
    )  # fmt: skip
    rows += _cut(
        "motor held against something", "current_high", round(0.5 * stall, 1), 1.5,
        f"a stalled motor overheats in 0.5 to 1 s of full current: {_MEMORY}",
        "plate on a stop, or a stop learned wrongly",
    )  # fmt: skip
    rows += _cut(
        "motor current missing", "current_missing", 0.3, 0.5,
        f"0.5 to 2 s, {_OE}", "motor or loom open",
    )  # fmt: skip
    rows += _cut(
        "duty at its end", "duty_high", 95.0, 2.0,
        f"95 % for 2 s, {_OE}", "the plate takes all the motor has",
    )  # fmt: skip
    rows += [
        Reaction(
            "plate not back at rest",
            "not_at_rest",
            5.0,
            1.0,
            "fuel_off",
            "key",
            f"{_FS}, CV1.6.5; {_FSAE} IC.4.7.1b",
            "a spring is broken or the plate is stuck: fuel is the last way",
        ),
        Reaction(
            "more air than the plate lets in",
            "airflow",
            15.0,
            1.0,
            "fuel_speed",
            "key",
            f"0.2 to 1 s, {_MEMORY}; an idling manifold takes half a second to empty",
            "plate off its shaft, or a leak behind it",
        ),
        Reaction(
            "engine fast with released pedal",
            "overspeed_released",
            math.ceil((car.idle * 30.0 / math.pi + _RELEASED_OVER) / 50.0) * 50.0,
            0.2,
            "fuel_speed",
            "self",
            "tool default",
            "more air than the plate should pass, the foot off and no fuel cut of the overrun",
        ),
        Reaction(
            "pedal against brake",
            "brake_with_pedal",
            25.0,
            0.5,
            "release_pedal",
            "release",
            f"{_FS}, T11.6 (25 %, 0.5 s); brake priority of road cars",
            "a pedal held by a mat or by mistake",
        ),
        Reaction(
            "supply low",
            "supply_low",
            9.0,
            0.5,
            "note",
            "self",
            f"6 to 9 V, {_MEMORY}",
            "the plate is slow; its tracking is not judged",
        ),
    ]
    limits = pressure_limits(car, intent)
    if limits is not None:
        hold, cut = limits[0] / 1e3, limits[1] / 1e3
        # a plate that holds raises the pressure before it: that alone is no second fault
        pipe = cut if float(rec["individual"]) > 0.5 else hold + _RUNAWAY_KPA
        rows += [
            Reaction(
                "pressure before the plate too high",
                "overboost",
                round(pipe, 3),
                0.3,
                "limit_pedal",
                "release",
                f"0.1 to 0.5 s, {_MEMORY}",
                f"the turbo runs away from the {hold:.0f} kPa that the plate holds",
            ),
            Reaction(
                "manifold pressure too high",
                "map_high",
                round(cut + 10.0, 3),
                0.2,
                "cut",
                "release",
                "tool default",
                "the fuel cut has not ended it",
            ),
            Reaction(
                "manifold pressure too high, engine speed",
                "map_high",
                round(cut + 10.0, 3),
                0.2,
                "fuel_speed",
                "release",
                "tool default",
                "second way to take power off, independent of the plate",
            ),
        ]
    else:
        rows.append(
            Reaction(
                "manifold pressure above ambient",
                "map_high",
                round(float(rec["p_ambient"]) / 1e3 + 15.0, 3),
                0.5,
                "note",
                "self",
                "tool default",
                "nothing charges this engine: the sensor or its scale is wrong",
            )
        )
    rows += [
        Reaction(
            "pedal message late",
            "bus_timeout",
            0.05,
            0.05,
            "release_pedal",
            "release",
            f"0.1 s in all, {_MEMORY}; {_FS}, T11.9.4 allows 0.5 s",
            "only where the pedal arrives by bus",
        ),
        Reaction(
            "raise of the demand asked for",
            "request_refused",
            0.0,
            0.0,
            "note",
            "self",
            f"electronics may only lower torque: {_FS}, T11.8.12-14",
            "never followed",
        ),
        Reaction(
            "controller restarted",
            "watchdog",
            0.0,
            0.0,
            "release_pedal",
            "release",
            f"controlled recovery without a jump, {_MEMORY}",
            "the pedal must be let go before it is followed again",
        ),
    ]
    return override_reactions(car, rows)


def supervision(car: Car, intent: Intent) -> Rows:
    """Numbers of the sensors' tracks and of the limited states, and the air a plate may let in.

    Parameters
    ----------
    car : Car
        The car.
    intent : Intent
        Not used.

    Returns
    -------
    Rows
        Numbers, and the table that the air-flow check reads.
    """
    rec = car.record
    numbers: dict[str, Number] = {}
    for k in (0, 1):
        for name in ("released", "full"):
            numbers[f"pedal_{k + 1}_{name}_V"] = Number(
                float(rec[f"pedal_{name}"][k]), "V", "build"
            )
    numbers |= {
        "supervision_ticks": Number(
            10.0, "", "E-Gas concept: functions are watched every 10 to 40 ms; from memory"
        ),
        "rev_hysteresis_rpm": Number(
            60.0, "rpm", "tool default: short bursts of fuel where a fault keeps the plate open"
        ),
        "limp_rpm": Number(_limp_rpm(car), "rpm", "1200 to 2000 above idle, from memory"),
        "other_track_most_pct": Number(50.0, "%", "one road car's service manual"),
        "limp_pedal_pct": Number(30.0, "%", "tool default"),
        "limited_rise_pct_s": Number(150.0, "%/s", "100 to 200 when limited, from memory"),
        "tracking_least_V": Number(9.0, "V", "9 to 10 V, from the servo model"),
        "self_recovery_s": Number(2.0, "s", "tool default: not on and off within one hunt"),
    }
    if float(rec["individual"]) > 0.5:
        note = "behind individual plates manifold pressure does not show the air: no air-flow check"
        return Rows(numbers=numbers, notes=(note,))
    return Rows(tables=(_map_over_plate(car),), numbers=numbers, notes=_pedal_notes(car))


def _most_pipe(car: Car) -> float | None:
    """Return the boost target of a wastegate that is stuck shut: not the plate's fault [Pa]."""
    if not car.turbo:
        return None
    return float(np.max(car.record["boost"])) + 1e3 * _RUNAWAY_KPA


def _map_over_plate(car: Car) -> Table:
    rpm = np.unique(
        np.round(np.linspace(0.8 * car.idle, car.limit, 10) * 30.0 / math.pi / 50.0) * 50.0
    )
    surface = compute_surface(
        car, speeds=rpm * math.pi / 30.0, psi=plate_axis(car, count=80), pressure=_most_pipe(car)
    ).require_solved()
    plate = np.array(_MAP_POINTS)
    pressure = np.array([np.interp(plate, surface.plate_pct, row) for row in surface.values["map"]])
    # below idle an engine is being started or stalls, and its manifold is full whatever the plate
    slow = np.full((1, plate.size), max(float(pressure.max()), float(car.record["p_ambient"])))
    rpm = np.concatenate(([0.9 * rpm[0]], rpm))
    pressure = np.concatenate((slow, pressure))
    return Table(
        "map_over_plate",
        "manifold pressure, absolute",
        "kPa",
        (Axis("engine_rpm", "rpm", rpm), Axis("plate_target_pct", "%", plate)),
        np.round(pressure / 1e3, 3),
        note="boost settled, even with a wastegate that is stuck shut: the most a plate lets in",
        percent_meaning=PLATE_PCT,
    )


def _pedal_notes(car: Car) -> tuple[str, ...]:
    rec = car.record
    same = np.allclose(rec["pedal_released"][0], rec["pedal_released"][1]) and np.allclose(
        rec["pedal_full"][0], rec["pedal_full"][1]
    )
    if same:
        return (
            "both pedal tracks have the same voltages: shorted together they still agree, and no "
            "check can see it",
        )
    return ()


ROLE = Role(
    name="supervision",
    title="Watch over faults",
    text="Finds faults and takes power away.",
    design=supervision,
)
"""The role, for the registry."""
