"""Old plate: its own torque share, kept by the map on the new plate."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.intent import Mode
from throttlewright.car.pack import Car, pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface, evaluate
from throttlewright.design.figures import torque_curves
from throttlewright.design.old_plate import old_plate_share
from throttlewright.design.pedal import design_pedal_map
from throttlewright.foundation.errors import InputError

RPM = math.pi / 30.0
OMEGA = np.arange(1500.0, 7001.0, 1100.0) * RPM


@cache
def car() -> Car:
    return pack(load_example("hillclimb_20t").build)


def test_share_is_that_of_a_car_with_the_old_plate() -> None:
    """The same engine packed with the old plate in place of the new one."""
    build = car().build
    old = build.previous_plate
    assert old is not None
    pedal = np.array([0.0, 12.5, 25.0, 60.0, 100.0])
    got = old_plate_share(car(), OMEGA, pedal)
    assert got[:, 0] == pytest.approx(0.0, abs=1e-12)
    assert got[:, -1] == pytest.approx(1.0, rel=1e-12)
    assert (np.diff(got, axis=1) > 0.0).all()
    plate = build.plate.model_copy(
        update={"bore": old.bore, "shaft": old.shaft, "closed": old.closed, "open": old.open}
    )
    packed = pack(build.model_copy(update={"plate": plate}))
    # the cam of the example: 25 % pedal opens 17 %, 100 % opens all
    psi = old.closed + np.array([0.0, 0.17, 1.0]) * (old.open - old.closed)
    values, _ = evaluate(
        packed, OMEGA, np.broadcast_to(psi, (OMEGA.size, 3)), state=BoostState.INSTANT
    )
    torque = values["torque"]
    share = (torque[:, 1] - torque[:, 0]) / (torque[:, 2] - torque[:, 0])
    assert got[:, 2] == pytest.approx(share, abs=0.02)


def test_map_keeps_the_old_share() -> None:
    pedal = np.linspace(0.0, 100.0, 21)
    old = old_plate_share(car(), OMEGA, pedal)
    surface = compute_surface(car(), state=BoostState.INSTANT)
    mode = Mode(feel="old plate")
    made = design_pedal_map(surface, mode, pedal_pct=pedal, omega=OMEGA, car=car(), old_share=old)
    torque = torque_curves(car(), made, OMEGA, state=BoostState.INSTANT, pedal_pct=pedal).torque
    share = (torque - torque[:, :1]) / (torque[:, -1:] - torque[:, :1])
    counted = np.broadcast_to(pedal <= 90.0, old.shape) & (old < 0.97)
    assert counted.sum() > 60
    assert np.abs(share - old)[counted].max() < 0.01
    # plate following pedal on the new plate is nothing like it
    assert np.abs(share - made.pedal_pct / 100.0)[counted].max() > 0.1


def test_no_old_plate_is_an_error() -> None:
    bare = pack(car().build.model_copy(update={"previous_plate": None}))
    with pytest.raises(InputError, match="old plate"):
        old_plate_share(bare, OMEGA, np.array([0.0, 100.0]))
