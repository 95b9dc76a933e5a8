"""Reactions: what the controller does when it finds a fault, as rows from closed lists."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.calibration.table import check_line, rounded
from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "ACTIONS",
    "ACTION_TEXT",
    "DETECTIONS",
    "DETECTION_TEXT",
    "DETECTION_UNIT",
    "RECOVERIES",
    "Reaction",
]

_DETECTIONS = (
    ("none", "", "nothing is looked for: a row kept for the reader"),
    ("pedal_1_range", "V", "pedal track 1 is nearer than the limit to 0 V or to 5 V"),
    ("pedal_2_range", "V", "pedal track 2 is nearer than the limit to 0 V or to 5 V"),
    ("pedal_disagree", "%", "pedal tracks differ by more; not judged while one is out of range"),
    ("plate_1_range", "V", "plate track 1 is nearer than the limit to 0 V or to 5 V"),
    ("plate_2_range", "V", "plate track 2 is nearer than the limit to 0 V or to 5 V"),
    ("plate_disagree", "%", "plate tracks differ by more; not judged while one is out of range"),
    ("plate_both_range", "V", "both plate tracks are nearer than the limit to 0 V or to 5 V"),
    ("reference_supply", "V", "the sensor supply is off 5 V by more"),
    ("tracking", "%", "plate is off its target by more; not judged under tracking_least_V"),
    ("current_high", "A", "motor current is above"),
    ("current_missing", "A", "motor current is below while the duty is above 20 %"),
    ("duty_high", "%", "size of the duty is at or above"),
    ("not_at_rest", "%", "the bridge is off and the plate is above rest by more"),
    ("airflow", "kPa", "MAP is above table map_over_plate at the target by more"),
    ("overspeed_released", "rpm", "engine speed is above while the pedal is released"),
    ("brake_with_pedal", "%", "pedal is above while the brake is pressed and the car moves"),
    ("supply_low", "V", "battery is below"),
    ("overboost", "kPa", "pressure before the plate, absolute, is above"),
    ("map_high", "kPa", "manifold pressure, absolute, is above"),
    ("bus_timeout", "s", "the last pedal message is older"),
    ("request_refused", "%", "an external request to raise the demand is above; never followed"),
    ("watchdog", "", "the controller has just restarted while in use; time_s is not waited for"),
    ("torque", "N*m", "torque seen in the pressure is above what pedal and floors permit by more"),
)

DETECTIONS: tuple[str, ...] = tuple(row[0] for row in _DETECTIONS)
"""What can be looked for; a reaction names one."""

DETECTION_UNIT: dict[str, str] = {row[0]: row[1] for row in _DETECTIONS}
"""Unit of ``limit`` for each detection."""

DETECTION_TEXT: dict[str, str] = {row[0]: row[2] for row in _DETECTIONS}

ACTION_TEXT: dict[str, str] = {
    "note": "nothing but the record",
    "other_track": "use the other track; pedal at most other_track_most_pct, rising slowly",
    "limit_pedal": "pedal at most limp_pedal_pct, rising slowly",
    "release_pedal": "pedal counts as released",
    "cut": "bridge and relay off: the plate goes to its rest position",
    "fuel_speed": "no fuel above limp_rpm",
    "fuel_off": "no fuel",
}
ACTIONS: tuple[str, ...] = tuple(ACTION_TEXT)
"""What can follow; the place in this list is the bit in ``OUT_ACTION``."""

RECOVERIES = ("self", "release", "key")
"""How a reaction ends: by itself 0.5 s after the fault has gone; once the fault has gone and the
pedal is released; only with the key."""


@dataclass(frozen=True)
class Reaction:
    """What the controller does when a fault is found.

    Parameters
    ----------
    fault : str
        Short name of the fault, one line.
    detection : str
        How it is found, one of ``DETECTIONS``.
    limit : float [DETECTION_UNIT of the detection]
        Bound of the detection, >= 0.
    time_s : float [s]
        How long it must hold, >= 0. A counter goes up while the fault shows and down at half the
        speed while it does not, so that a contact that comes and goes is found too.
    reaction : str
        What follows, one of ``ACTIONS``.
    recovery : str
        How it ends, one of ``RECOVERIES``.
    source : str
        Where the rule comes from.
    text : str
        One line for the reader, may be empty.

    Raises
    ------
    InputError
        If a word is not in its closed list or a number is out of range.
    """

    fault: str
    detection: str = "none"
    limit: float = 0.0
    time_s: float = 0.0
    reaction: str = "note"
    recovery: str = "self"
    source: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        check_line(self.fault, "reaction, fault", needed=True)
        where = f"reaction {self.fault}"
        for key, known in (
            ("detection", DETECTIONS),
            ("reaction", ACTIONS),
            ("recovery", RECOVERIES),
        ):
            word = getattr(self, key)
            if word not in known:
                close = nearest(str(word), list(known))
                raise InputError(
                    "is not known",
                    key=f"{where}, {key}",
                    value=word,
                    allowed=", ".join(known),
                    advice=f"did you mean {close!r}?" if close else None,
                )
        check_line(self.source, f"{where}, source", needed=True)
        check_line(self.text, f"{where}, text")
        for key in ("limit", "time_s"):
            raw = getattr(self, key)
            if isinstance(raw, bool) or not isinstance(raw, int | float):
                raise InputError("must be a number", key=f"{where}, {key}", value=raw)
            try:
                value = float(rounded(raw))
            except OverflowError:
                value = math.nan
            if not 0.0 <= value < math.inf:
                raise InputError(
                    "is out of range", key=f"{where}, {key}", value=raw, allowed=">= 0 and finite"
                )
            object.__setattr__(self, key, value)


# Places in the lists above, for compiled code.
D_NONE = 0
D_PEDAL_1_RANGE = 1
D_PEDAL_2_RANGE = 2
D_PEDAL_DISAGREE = 3
D_PLATE_1_RANGE = 4
D_PLATE_2_RANGE = 5
D_PLATE_DISAGREE = 6
D_PLATE_BOTH_RANGE = 7
D_REFERENCE_SUPPLY = 8
D_TRACKING = 9
D_CURRENT_HIGH = 10
D_CURRENT_MISSING = 11
D_DUTY_HIGH = 12
D_NOT_AT_REST = 13
D_AIRFLOW = 14
D_OVERSPEED_RELEASED = 15
D_BRAKE_WITH_PEDAL = 16
D_SUPPLY_LOW = 17
D_OVERBOOST = 18
D_MAP_HIGH = 19
D_BUS_TIMEOUT = 20
D_REQUEST_REFUSED = 21
D_WATCHDOG = 22
D_TORQUE = 23
A_NOTE = 0
A_OTHER_TRACK = 1
A_LIMIT_PEDAL = 2
A_RELEASE_PEDAL = 3
A_CUT = 4
A_FUEL_SPEED = 5
A_FUEL_OFF = 6
RECOVER_SELF = 0
RECOVER_RELEASE = 1
RECOVER_KEY = 2
