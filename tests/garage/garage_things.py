"""Made-up contents for the tests of the garage."""

from __future__ import annotations

import numpy as np

from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Axis, Table
from throttlewright.recording.recording import Channel, Recording


def made_up_calibration(corner: float = 100.0, idle: float = 900.0) -> Calibration:
    table = Table(
        "plate_over_pedal_dry",
        "plate opening",
        "%",
        (
            Axis("engine_rpm", "rpm", np.array([1000.0, 6000.0])),
            Axis("pedal_pct", "%", np.array([0.0, 50.0, 100.0])),
        ),
        np.array([[0.0, 20.0, 90.0], [0.0, 30.0, corner]]),
        percent_meaning="0 % is the closed stop, 100 % the open stop",
    )
    return Calibration({table.name: table}, {"idle_speed": Number(idle, "rpm", "made up")})


def made_up_recording(last: float = 3.0) -> Recording:
    t_s = np.array([0.0, 0.1, 0.2])
    return Recording.of(
        [
            Channel("pedal_pct", "%", t_s, np.array([0.0, np.nan, last])),
            Channel("engine_rpm", "rpm", t_s, np.array([900.0, 1000.0, 1100.0])),
        ]
    )
