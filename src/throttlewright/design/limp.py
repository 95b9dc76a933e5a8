"""Fault by fault: what finds it, what follows, how the car limps, and which shut-off is left."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from throttlewright.build.controller import ShutOff
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.reactions import ACTION_TEXT, Reaction
from throttlewright.car.pack import Car
from throttlewright.drive.fault_list import FAULTS, FaultKind

__all__ = ["FOUND_BY", "LimpRow", "fault_reactions", "in_numbers", "limp_table"]

_PEDAL_1, _PEDAL_2 = ("pedal_1_range", "pedal_disagree"), ("pedal_2_range", "pedal_disagree")
_PLATE_1, _PLATE_2 = ("plate_1_range", "plate_disagree"), ("plate_2_range", "plate_disagree")

FOUND_BY: dict[str, tuple[str, ...]] = {
    "gear_signal_wrong": (),
    "coolant_sensor_lost": (),
    "ethanol_sensor_lost": (),
    "wheel_speed_lost": (),
    "pedal_1_low": _PEDAL_1,
    "pedal_1_high": _PEDAL_1,
    "pedal_1_open": _PEDAL_1,
    "pedal_2_low": _PEDAL_2,
    "pedal_2_high": _PEDAL_2,
    "pedal_2_open": _PEDAL_2,
    "pedal_shorted_together": ("pedal_disagree",),
    "pedal_1_drift": ("pedal_disagree",),
    "pedal_stuck": ("brake_with_pedal",),
    "reference_shift": ("reference_supply",),
    "plate_1_low": _PLATE_1,
    "plate_1_high": _PLATE_1,
    "plate_1_open": _PLATE_1,
    "plate_2_low": _PLATE_2,
    "plate_2_open": _PLATE_2,
    "plate_1_drift": ("plate_disagree",),
    "plate_both_lost": ("plate_both_range",),
    "plate_stuck": ("tracking", "current_high", "not_at_rest"),
    "plate_friction": ("tracking", "current_high"),
    "closing_spring_broken": ("tracking", "not_at_rest"),
    "opening_spring_broken": ("tracking",),
    "linkage_lost": ("airflow", "overspeed_released"),
    "motor_open": ("current_missing", "tracking"),
    "motor_short": ("current_high", "tracking"),
    "polarity_swapped": ("tracking", "current_high"),
    "plate_sensor_inverted": ("tracking", "current_high"),
    "bridge_shorted": ("tracking", "current_high", "not_at_rest"),
    "relay_welded": (),
    "bridge_brakes": ("not_at_rest",),
    "low_battery": ("supply_low",),
    "controller_reset": ("watchdog",),
    "bus_loss": ("bus_timeout",),
    "wrong_raise_request": ("request_refused",),
    "brake_switch_lost": (),
    "leak_after_plate": ("airflow", "overspeed_released"),
    "wastegate_stuck_shut": ("overboost", "map_high"),
    "wastegate_stuck_open": (),
    "one_plate_differs": ("airflow",),
    "wrong_closed_stop": ("tracking", "current_high"),
    "sensor_intermittent": ("pedal_1_range", "pedal_2_range", "pedal_disagree"),
    "map_sensor_lost": ("map_high",),
}
"""Detections that can find each fault; empty where nothing the strategy runs can see it."""

_AIR: tuple[ShutOff, ...] = ("bridge", "relay")
_TAKES: dict[str, tuple[ShutOff, ...]] = {
    "plate_stuck": _AIR,
    "plate_friction": _AIR,
    "closing_spring_broken": _AIR,
    "linkage_lost": _AIR,
    "leak_after_plate": _AIR,
    "bridge_shorted": ("bridge",),
    "bridge_brakes": ("bridge",),
    "relay_welded": ("relay",),
}
"""Shut-off routes that the fault itself takes away: air goes where the plate or its spring does."""

_STRENGTH = (
    "note", "other_track", "limit_pedal", "release_pedal", "cut", "fuel_speed", "fuel_off",
)  # fmt: skip


@dataclass(frozen=True)
class LimpRow:
    """One fault: what finds it, how the car limps, and which routes are left.

    ``recovery`` is that of the strongest reaction; ``routes`` are the shut-off routes of the
    controller that the fault leaves; ``safe`` is False where none is left.
    """

    fault: str
    text: str
    reactions: tuple[Reaction, ...]
    limp: str
    recovery: str
    routes: tuple[str, ...]

    @property
    def found(self) -> bool:
        """Whether a reaction of the calibration looks for it."""
        return bool(self.reactions)

    @property
    def safe(self) -> bool:
        """Whether a shut-off route is left."""
        return bool(self.routes)


def fault_reactions(fault: str, reactions: Sequence[Reaction]) -> tuple[Reaction, ...]:
    """Rows of a calibration that can find a fault.

    Parameters
    ----------
    fault : str
        Kind, as in the list of faults.
    reactions : sequence of Reaction
        Of the calibration.

    Returns
    -------
    tuple of Reaction
        In order of rank.
    """
    return tuple(row for row in reactions if row.detection in FOUND_BY[fault])


def in_numbers(action: str, calibration: Calibration) -> str:
    """Say what an action does, with the numbers of the calibration in place of their names.

    Parameters
    ----------
    action : str
        One of ``calibration.reactions.ACTIONS``.
    calibration : Calibration
        Whose numbers are put in.

    Returns
    -------
    str
        One line.
    """
    text = ACTION_TEXT[action]
    for name in ("limp_rpm", "other_track_most_pct", "limp_pedal_pct"):
        number = calibration.numbers.get(name)
        if number is not None:
            text = text.replace(name, f"{number.value:g} {number.unit}".strip())
    return text


def _limp(kind: FaultKind, rows: Sequence[Reaction], calibration: Calibration) -> tuple[str, str]:
    if not rows:
        return "nothing: no reaction looks for it", ""
    first = max(rows, key=lambda row: _STRENGTH.index(row.reaction))
    actions = sorted({row.reaction for row in rows}, key=_STRENGTH.index)
    texts = [in_numbers(action, calibration) for action in actions]
    return "; then ".join(texts), first.recovery


def limp_table(car: Car, calibration: Calibration) -> tuple[LimpRow, ...]:
    """Limp behaviour and shut-off routes for each fault of the list.

    Parameters
    ----------
    car : Car
        Its controller says which routes there are.
    calibration : Calibration
        Its reactions.

    Returns
    -------
    tuple of LimpRow
        In the order of the list, without faults that the car cannot have.
    """
    box = car.build.controller
    found = []
    for kind in FAULTS:
        if kind.applies == "turbo" and not car.turbo:
            continue
        if kind.applies == "several plates" and car.build.plate.count < 2:
            continue
        rows = fault_reactions(kind.name, calibration.reactions)
        limp, recovery = _limp(kind, rows, calibration)
        routes = tuple(way for way in box.shut_off if way not in _TAKES.get(kind.name, ()))
        found.append(LimpRow(kind.name, kind.text, rows, limp, recovery, routes))
    return tuple(found)
