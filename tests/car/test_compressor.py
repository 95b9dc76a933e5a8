"""Surge and choke margins on a turbo surface, and the crank work of a driven compressor."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.load import load_build
from throttlewright.car.compressor import blower_boost, surge_margins
from throttlewright.car.pack import pack
from throttlewright.car.record import BoostState
from throttlewright.car.surface import compute_surface, evaluate
from throttlewright.physics.compressor_map import CompressorMap

MAP = """speed,flow_kg_s,pressure_ratio
9000,0.03,1.45
9000,0.12,1.25
13000,0.055,2.0
13000,0.18,1.5
17000,0.09,2.75
17000,0.22,1.9
"""

SUPERCHARGED = """format = "throttlewright.build"
format_version = 1
name = "Blown two litre"
[engine]
displacement = "2.0 L"
cylinders = 4
rev_limit = "7000 rpm"
[plate]
bore = "70 mm"
[supercharger]
displacement = "1.0 L"
drive_ratio = 2.0
bypass = true
boost = { rpm = [1500, 7000], gauge = "bar", value = [0.5, 0.6] }
"""


@pytest.fixture
def compressor(tmp_path: Path) -> CompressorMap:
    path = tmp_path / "map.csv"
    path.write_text(MAP, encoding="utf-8")
    return CompressorMap.from_csv(path, p_ref=101.3e3, T_ref=298.0)


def test_margins_by_hand(compressor: CompressorMap) -> None:
    car = pack(load_example("hillclimb_20t").build)
    surface = compute_surface(car)
    surge, choke = surge_margins(car, surface, compressor)
    flow, pipe = surface.values["air_flow"], surface.values["pipe_pressure"]
    p, T = float(car.record["p_ambient"]), float(car.record["T_ambient"])
    i, j = 30, -1
    inlet = p - float(car.record["filter_resistance"]) * T * flow[i, j] ** 2 / p
    ratio = pipe[i, j] / inlet
    corrected = flow[i, j] * math.sqrt(T / 298.0) / (inlet / 101.3e3)
    # surge line of the map above: straight between (0.055, 2.0) and (0.09, 2.75)
    line = np.interp(ratio, [1.45, 2.0, 2.75], [0.03, 0.055, 0.09])
    assert surge[i, j] == pytest.approx((corrected - line) / corrected, rel=1e-9)
    assert choke[i, j] == pytest.approx((0.22 - corrected) / corrected, rel=1e-9)


def test_an_idle_compressor_has_no_margin(compressor: CompressorMap) -> None:
    car = pack(load_example("hillclimb_20t").build)
    surface = compute_surface(car, state=BoostState.INSTANT)
    surge, choke = surge_margins(car, surface, compressor)
    assert np.isnan(surge).all()
    assert np.isnan(choke).all()


def test_supercharger_boosts_wide_open_and_is_unloaded_by_its_bypass(tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text(SUPERCHARGED, encoding="utf-8")
    car = pack(load_build(path).build)
    omega = np.array([4000.0 * math.pi / 30.0])
    psi = np.array([[car.psi_closed + 0.02, car.psi_open]])
    values, status = evaluate(car, omega, psi)
    assert (status == 0).all()
    p = float(car.record["p_ambient"])
    assert values["pipe_pressure"][0, 1] == pytest.approx(car.full_boost(omega)[0], rel=2e-3)
    assert values["pipe_pressure"][0, 0] == pytest.approx(p, rel=2e-3)
    # the crank pays for the compression: m cp (T2 - T1) / omega, isentropic over efficiency
    ratio = values["pipe_pressure"][0, 1] / p
    work = values["air_flow"][0, 1] * 1004.7 * float(car.record["T_ambient"])
    work *= (ratio**0.285714 - 1.0) / float(car.record["compressor_efficiency"])
    free = np.array(car.record).reshape(1)[0]
    free["charging"] = 1.0  # the same pressures with nothing taken off the crank
    free["spring_pressure"] = p
    from dataclasses import replace

    turbo = replace(car, record=free)
    same, _ = evaluate(
        turbo, omega, psi[:, 1:], state=BoostState.HELD, pressure=values["pipe_pressure"][0, 1]
    )
    assert same["torque"][0, 0] - values["torque"][0, 1] == pytest.approx(work / omega[0], rel=0.02)


def test_blower_and_engine_pass_the_same_flow(tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text(SUPERCHARGED, encoding="utf-8")
    car = pack(load_build(path).build)
    omega, flow, pipe = 600.0, 0.2, 160e3
    gauge = blower_boost(car, omega, flow=flow, pipe=pipe)
    assert gauge is not None
    p, T = float(car.record["p_ambient"]), float(car.record["T_ambient"])
    inlet = p - float(car.record["filter_resistance"]) * T * flow**2 / p
    ratio = (gauge + p) / inlet
    # 1.0 L at twice engine speed, 0.95 of it less 0.12 per unit of pressure ratio (from memory)
    displaced = inlet / (287.053 * T) * 1.0e-3 * 2.0 * omega / (2.0 * math.pi)
    blown = displaced * (0.95 - 0.12 * (ratio - 1.0))
    assert blown == pytest.approx(flow * ratio * inlet / pipe, rel=1e-12)
    assert (
        blower_boost(pack(load_example("trackday_16").build), omega, flow=flow, pipe=pipe) is None
    )
