"""From a torque curve back to volumetric efficiency, with the pedigree of the curve."""

from __future__ import annotations

import math

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example
from throttlewright.build.engine import Dyno
from throttlewright.build.schema import Build
from throttlewright.car.dyno import efficiency_curve, ve_from_dyno
from throttlewright.car.pack import Car, pack
from throttlewright.car.surface import evaluate
from throttlewright.foundation.errors import InputError

RPM = math.pi / 30.0
SPEEDS = np.arange(1500.0, 4501.0, 500.0)


def wide_open(car: Car, rpm: np.ndarray) -> dict[str, np.ndarray]:
    psi = np.full((rpm.size, 1), car.psi_open)
    values, status = evaluate(car, rpm * RPM, psi)
    assert (status == 0).all()
    return {name: value[:, 0] for name, value in values.items()}


def with_dyno(build: Build, **fields: object) -> Build:
    fields = {key: tuple(v) if isinstance(v, np.ndarray) else v for key, v in fields.items()}
    dyno = Dyno.model_construct(
        **{
            "file": None,
            "map": None,
            "measured_at": "crank",
            "correction": "none",
            "lambda_": None,
            "ambient_pressure": None,
            "ambient_temperature": None,
            "ambient_humidity": None,
            "loss_share": None,
            **fields,
        }
    )
    engine = build.engine.model_copy(update={"dyno": dyno, "volumetric_efficiency": None})
    return build.model_copy(update={"engine": engine})


def recovered(name: str, rpm: np.ndarray, **fields: object) -> np.ndarray:
    car = pack(load_example(name).build)
    values = wide_open(car, rpm)
    torque = values["torque"] * fields.pop("factor", 1.0)  # type: ignore[operator]
    build = with_dyno(car.build, rpm=rpm, torque=torque, map=values["map"] / 1e3, **fields)
    speed, ve = ve_from_dyno(build, car.record)
    assert speed == pytest.approx(rpm * RPM, rel=1e-12)
    return np.asarray(ve / car.over_speed("ve_speed", rpm * RPM))


def test_own_torque_gives_back_the_volumetric_efficiency() -> None:
    assert recovered("guzzella_onder", SPEEDS) == pytest.approx(1.0, abs=5e-3)


def test_own_torque_of_a_turbo_engine() -> None:
    rpm = np.array([2000.0, 3000.0, 4500.0, 6000.0, 7000.0])
    assert recovered("hillclimb_20t", rpm) == pytest.approx(1.0, abs=5e-3)


def test_a_corrected_curve_is_brought_back_to_its_day() -> None:
    # SAE J1349 as of June 1990: cf = 1.18 (990 / p_dry) sqrt((T_c + 273) / 298) - 0.18, mbar, deg C
    car = pack(load_example("guzzella_onder").build)
    p_dry = float(car.record["p_ambient"] * car.record["dry_share"]) / 100.0
    celsius = car.build.site.temperature - 273.15
    cf = 1.18 * (990.0 / p_dry) * math.sqrt((celsius + 273.0) / 298.0) - 0.18
    assert cf > 1.01
    assert recovered("guzzella_onder", SPEEDS, factor=cf, correction="SAE J1349") == pytest.approx(
        1.0, abs=5e-3
    )
    # read as uncorrected it would promise air the engine never took
    assert (recovered("guzzella_onder", SPEEDS, factor=cf) > 1.003).all()


@pytest.mark.parametrize(
    # losses between crank and wheels: common practice, no source
    ("place", "loss"),
    [("hub", 0.07), ("roller", 0.14)],
)
def test_wheel_torque_is_brought_back_to_the_crank(place: str, loss: float) -> None:
    got = recovered("guzzella_onder", SPEEDS, factor=1.0 - loss, measured_at=place)
    assert got == pytest.approx(1.0, abs=5e-3)


def test_given_loss_beats_the_usual_one() -> None:
    got = recovered("guzzella_onder", SPEEDS, factor=0.8, measured_at="roller", loss_share=0.2)
    assert got == pytest.approx(1.0, abs=5e-3)


@pytest.mark.parametrize("factor", [0.15, 3.0])
def test_absurd_torque_is_refused(factor: float) -> None:
    with pytest.raises(InputError, match="volumetric efficiency") as caught:
        recovered("guzzella_onder", SPEEDS, factor=factor)
    assert caught.value.key == "engine.dyno.torque"


def test_without_a_curve() -> None:
    car = pack(load_example("guzzella_onder").build)
    with pytest.raises(InputError, match="no dyno curve"):
        ve_from_dyno(car.build, car.record)


def test_the_day_of_the_measurement_stays_out_of_the_car() -> None:
    car = pack(load_example("guzzella_onder").build)
    before = car.record.tobytes()
    values = wide_open(car, SPEEDS)
    build = with_dyno(
        car.build,
        rpm=SPEEDS,
        torque=values["torque"],
        lambda_=0.9,
        ambient_pressure=95e3,
        ambient_temperature=303.15,
    )
    ve_from_dyno(build, car.record)
    assert car.record.tobytes() == before


def test_default_efficiency_is_the_otto_cycle_times_a_factor() -> None:
    engine = load_example("hillclimb_20t").build.engine
    got = efficiency_curve(engine, np.array([100.0, 500.0]))
    # 1 - r^(1 - gamma) with gamma 1.35; factor 0.677 from one published 2.0 L turbo engine
    assert got == pytest.approx((1.0 - 9.5**-0.35) * 0.677, rel=1e-9)


@pytest.mark.parametrize("name", ["trackday_16", "hillclimb_20t", "v8_48_itb"])
def test_packed_car_gives_the_torque_of_its_curve(name: str) -> None:
    """Without a recorded MAP the model's own filter, plate and exhaust are part of the answer."""
    build = load_example(name).build
    rpm = np.arange(2000.0, 6001.0, 500.0)
    torque = 0.97 * wide_open(pack(build), rpm)["torque"]
    again = pack(with_dyno(build, rpm=rpm, torque=torque))
    assert wide_open(again, rpm)["torque"] == pytest.approx(torque, rel=0.015)
