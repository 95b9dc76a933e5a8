"""What a drive says of one run: figures, who set the plate, and the order of command."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.limits import OUTPUT_UNIT
from throttlewright.design.roles import role_of_row
from throttlewright.drive.command import Command
from throttlewright.handover.trace_picture import charges
from throttlewright.recording.recording import Recording
from throttlewright.workshop.common import Model

__all__ = [
    "ChargeShare",
    "Figure",
    "OrderLine",
    "charge_names",
    "figures_of",
    "in_charge_of",
    "order_lines",
]


class Figure(Model):
    """One figure of a run."""

    name: str
    value: float
    unit: str


class ChargeShare(Model):
    """How much of the time a row set the plate."""

    name: str
    share_pct: float


class OrderLine(Model):
    """One floor or ceiling that bounded something in a run."""

    row: str
    role: str
    """Title of its role; the row's name where no role is known."""
    output: str
    side: str
    tightest: float
    """Least of a ceiling, most of a floor, while it bounded something."""
    unit: str
    active_pct: float
    """Share of the time in which it bounded something."""
    in_charge_pct: float
    """Share of the time in which it decided."""


def charge_names(calibration: Calibration) -> dict[int, str]:
    """Return the names of what may be in charge, by the code that a trace records."""
    names = {0: "demand"}
    names |= {n: row.name for n, row in enumerate(calibration.limits, 1)}
    return names | {-n: row.fault for n, row in enumerate(calibration.reactions, 1)}


def figures_of(recording: Recording) -> tuple[Figure, ...]:
    """Return the figures that every run shows."""
    found = []
    for name, channel, of, scale, unit in (
        ("most acceleration", "acceleration_m_s2", np.max, 1.0, "m/s2"),
        ("least acceleration", "acceleration_m_s2", np.min, 1.0, "m/s2"),
        ("most torque", "torque_Nm", np.max, 1.0, "N m"),
        ("most manifold pressure", "map_kPa", np.max, 1.0, "kPa"),
        ("most engine speed", "engine_rpm", np.max, 1.0, "rpm"),
        ("least engine speed", "engine_rpm", np.min, 1.0, "rpm"),
        ("road speed at the end", "speed_m_s", lambda x: x[-1], 3.6, "km/h"),
        ("most slip", "slip_1", np.max, 100.0, "%"),
        ("hottest exhaust", "exhaust_degC", np.max, 1.0, "degC"),
    ):
        value = float(scale * of(recording.channel(channel).values))
        found.append(Figure(name=name, value=float(f"{value:.6g}"), unit=unit))
    t, plate = recording.channel("plate_pct").t_s, recording.channel("plate_pct").values
    open_at = np.flatnonzero(plate >= 90.0)
    if open_at.size and plate[0] < 90.0:
        found.append(Figure(name="plate first at 90 %", value=float(t[open_at[0]]), unit="s"))
    return tuple(found)


def in_charge_of(recording: Recording, names: dict[int, str]) -> tuple[ChargeShare, ...]:
    """Return how much of the time each row set the plate, the longest first."""
    spans = charges(recording)
    whole = sum(s.end_s - s.start_s for s in spans) or 1.0
    total: dict[str, float] = {}
    for span in spans:
        name = names.get(span.code, f"row {span.code}")
        total[name] = total.get(name, 0.0) + span.end_s - span.start_s
    ranked: Sequence[tuple[str, float]] = sorted(total.items(), key=lambda item: -item[1])
    return tuple(ChargeShare(name=n, share_pct=round(100.0 * s / whole, 2)) for n, s in ranked)


def order_lines(command: Command) -> tuple[OrderLine, ...]:
    """Return the floors and ceilings that bounded something, in order of rank."""
    found = []
    for row in command.rows:
        active = row.active
        if not active.any():
            continue
        bound = row.bound[active]
        role = role_of_row(row.name)
        tightest = float(bound.min() if row.side == "ceiling" else bound.max())
        found.append(
            OrderLine(
                row=row.name,
                role=row.name if role is None else role.title,
                output=row.output,
                side=row.side,
                tightest=float(f"{tightest:.6g}"),
                unit=OUTPUT_UNIT[row.output],
                active_pct=round(100.0 * float(np.mean(active)), 2),
                in_charge_pct=round(
                    100.0 * float(np.mean(command.in_charge[row.output] == row.code)), 2
                ),
            )
        )
    return tuple(found)
