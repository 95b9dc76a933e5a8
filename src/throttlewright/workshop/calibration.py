"""From designed modes to the calibration that a controller holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from throttlewright.build.load import BuildFile, IntentFile
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.pack import Car
from throttlewright.design.pedal import demand_form
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.workshop.common import rpm
from throttlewright.workshop.modes import ModeDesign, gears_note

__all__ = ["PLATE_MEANING", "calibration_of"]

PLATE_MEANING = (
    "plate 0 % is the learned closed stop, 100 % the learned open stop, linear in plate angle; "
    "pedal 0 % is released, 100 % full"
)
_SHARE_MEANING = (
    "torque share 0 % is the closed plate, 100 % the open plate at the same speed; "
    "pedal 0 % is released, 100 % full"
)


def _key(mode: str) -> str:
    kept = "".join(c if c.isalnum() and c.isascii() else "_" for c in mode)
    return kept.strip("_") or "mode"


def calibration_of(
    file: BuildFile, intent: IntentFile, car: Car, designs: Sequence[ModeDesign]
) -> Calibration:
    """Collect the tables of all designed modes, and what the roles and reactions add."""
    tables: dict[str, Table] = {}

    def add(table: Table) -> None:
        tables[table.name] = table

    numbers: dict[str, Number] = {}
    for place, d in enumerate(designs):
        key = _key(d.name)
        numbers[f"mode.{key}"] = Number(float(place), "", "order of the modes in the intent")
        gears = gears_note(d.mode)
        only = f"; {gears}" if gears else ""
        pedal = Axis("pedal_pct", "%", d.map.pedal_pct)
        speed = Axis("engine_rpm", "rpm", np.round(d.map.rpm, 3))
        add(
            Table(
                f"plate_over_pedal_{key}",
                "plate opening",
                "%",
                (speed, pedal),
                np.round(d.map.plate_pct, 3),
                note=d.map.claim + only,
                percent_meaning=PLATE_MEANING,
            )
        )
        if d.map.boost_target is not None:
            add(
                Table(
                    f"boost_target_{key}",
                    "pressure before the plate, absolute",
                    "kPa",
                    (speed, pedal),
                    np.round(d.map.boost_target / 1e3, 2),
                    note="belongs to the plate table of the same mode; never under the spring"
                    + only,
                    percent_meaning="pedal 0 % is released, 100 % full",
                )
            )
        form = demand_form(d.map, d.surface)
        add(
            Table(
                f"torque_share_over_pedal_{key}",
                "torque share",
                "%",
                (speed, pedal),
                np.round(100.0 * form.share, 3),
                note="first step of the demand form" + only,
                percent_meaning=_SHARE_MEANING,
            )
        )
        add(
            Table(
                f"plate_over_torque_share_{key}",
                "plate opening",
                "%",
                (speed, Axis("torque_share_pct", "%", 100.0 * form.share_axis)),
                np.round(form.plate_pct, 3),
                note="second step of the demand form" + only,
                percent_meaning=f"{PLATE_MEANING}; {_SHARE_MEANING}",
            )
        )
    plate = car.build.plate
    if plate.lever is not None:
        add(
            Table(
                "motor_over_plate",
                "motor angle",
                "deg",
                (Axis("plate_deg", "deg", np.array(plate.lever.plate_deg)),),
                np.array(plate.lever.motor_deg),
                note="the motor turns the shaft through a linkage",
            )
        )
    numbers |= {
        "closed_stop_deg": Number(round(math.degrees(plate.closed), 3), "deg", "build"),
        "open_stop_deg": Number(round(math.degrees(plate.open), 3), "deg", "build"),
        "idle_speed_rpm": Number(round(car.idle * rpm, 1), "rpm", "build"),
        "rev_limit_rpm": Number(round(car.limit * rpm, 1), "rpm", "build"),
    }
    rows = all_rows(car, intent.intent)
    for table in rows.tables:
        add(table)
    return Calibration(
        tables=tables,
        numbers=rows.numbers | numbers,
        limits=rows.limits,
        reactions=(*typical_reactions(car, intent.intent), *rows.reactions),
        build_sha256=file.sha256,
        intent_sha256=intent.sha256,
    )
