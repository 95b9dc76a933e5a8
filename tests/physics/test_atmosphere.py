from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.physics import atmosphere as air

PROPERTY = settings(deadline=None, derandomize=True, max_examples=50)

# ISO 2533, from memory, evaluated: geopotential m, Pa, kg/m3.
ISO_2533 = [
    (0.0, 101325.0, 1.2250),
    (500.0, 95460.8, 1.16727),
    (1000.0, 89874.6, 1.11164),
    (1500.0, 84556.0, 1.05807),
    (2000.0, 79495.2, 1.00649),
    (3000.0, 70108.5, 0.90912),
    (4000.0, 61640.2, 0.81913),
    (5000.0, 54019.9, 0.73612),
]


@pytest.mark.parametrize(("altitude", "pressure", "density"), ISO_2533)
def test_standard_atmosphere(altitude, pressure, density):
    T = air.isa_temperature(altitude)
    assert air.isa_pressure(altitude) == pytest.approx(pressure, abs=0.1)
    assert air.moist_density(pressure, T, relative_humidity=0.0) == pytest.approx(density, rel=1e-5)


def test_standard_atmosphere_ends():
    # ISO 2533, from memory: 216.65 K and 22632 Pa at 11 km.
    assert air.isa_temperature(11000.0) == pytest.approx(216.65, rel=1e-12)
    assert air.isa_pressure(11000.0) == pytest.approx(22632.0, rel=1e-4)
    assert math.isnan(air.isa_pressure(11001.0))
    assert math.isnan(air.isa_temperature(-2001.0))


def test_standard_atmosphere_against_fluids():
    # That library takes geometric altitude; converted here with the Earth radius of ISO 2533.
    fluids = pytest.importorskip("fluids")
    for altitude in (0.0, 1500.0, 4000.0):
        geopotential = 6356766.0 * altitude / (6356766.0 + altitude)
        reference = fluids.ATMOSPHERE_1976(altitude)
        assert air.isa_pressure(geopotential) == pytest.approx(reference.P, rel=2e-6)
        assert air.isa_temperature(geopotential) == pytest.approx(reference.T, rel=1e-8)


def test_standard_atmosphere_against_ambiance():
    ambiance = pytest.importorskip("ambiance")
    geopotential = 6356766.0 * 1500.0 / (6356766.0 + 1500.0)
    reference = float(ambiance.Atmosphere(1500.0).pressure[0])
    assert air.isa_pressure(geopotential) == pytest.approx(reference, rel=1e-6)


@pytest.mark.parametrize(
    ("celsius", "hPa"),
    # WMO-No. 8 Magnus form, from memory, evaluated.
    [(0.0, 6.112), (20.0, 23.326), (25.0, 31.601), (30.0, 42.337), (40.0, 73.675)],
)
def test_saturation_pressure(celsius, hPa):
    assert air.saturation_pressure(celsius + 273.15) / 100.0 == pytest.approx(hPa, abs=6e-4)


def test_saturation_pressure_against_coolprop():
    pytest.importorskip("CoolProp")
    from CoolProp.CoolProp import PropsSI

    for T in (278.15, 298.15, 313.15):
        steam = PropsSI("P", "T", T, "Q", 1.0, "Water")
        assert air.saturation_pressure(T) == pytest.approx(steam, rel=4e-3)


def test_moist_density():
    # 25 degC, 101325 Pa: 1.17695 at half humidity, 1.18393 dry, evaluated with R 287.05.
    got = air.moist_density(101325.0, 298.15, relative_humidity=0.5)
    assert got == pytest.approx(1.17695, rel=2e-5)
    dry = air.moist_density(101325.0, 298.15, relative_humidity=0.0)
    assert dry == pytest.approx(1.18393, rel=2e-5)


def test_moist_density_against_coolprop():
    pytest.importorskip("CoolProp")
    from CoolProp.HumidAirProp import HAPropsSI

    volume = HAPropsSI("Vha", "T", 303.15, "P", 98000.0, "R", 0.6)
    got = air.moist_density(98000.0, 303.15, relative_humidity=0.6)
    assert got == pytest.approx(1.0 / volume, rel=1e-3)


@PROPERTY
@given(T=st.floats(240.0, 325.0), humidity=st.floats(0.01, 1.0))
def test_humidity_takes_from_dry_air_and_density(T, humidity):
    p = 98000.0
    dry = air.dry_pressure(p, T, relative_humidity=humidity)
    assert dry + air.vapour_pressure(T, humidity) == pytest.approx(p, rel=1e-14)
    assert dry < p
    lighter = air.moist_density(p, T, relative_humidity=humidity)
    assert lighter < air.moist_density(p, T, relative_humidity=0.0)


@pytest.mark.parametrize(
    ("kPa", "celsius", "j1349", "iso1585"),
    # Evaluated: SAE J1349 (1990) as quoted in public, ISO 1585 from memory.
    [
        (99.0, 25.0, 1.0, 1.0),
        (100.0, 25.0, 0.9882, 0.98801),
        (97.0, 25.0, 1.02433, 1.02479),
        (95.0, 30.0, 1.05996, 1.06128),
        (101.3, 15.0, 0.95369, 0.95310),
    ],
)
def test_corrections(kPa, celsius, j1349, iso1585):
    p, T = kPa * 1e3, celsius + 273.15
    first, second = air.correction_j1349(p, T), air.correction_iso1585(p, T)
    assert first.factor == pytest.approx(j1349, abs=6e-6)
    assert second.factor == pytest.approx(iso1585, abs=6e-6)
    assert first.inside_validity
    assert second.inside_validity
    assert "do not quote" not in first.note


def test_correction_outside_says_so():
    # 90 kPa, 35 degC: 1.1396 and 1.1436, evaluated; beyond 1.07.
    first, second = air.correction_j1349(9e4, 308.15), air.correction_iso1585(9e4, 308.15)
    assert first.factor == pytest.approx(1.1396, abs=6e-5)
    assert second.factor == pytest.approx(1.1436, abs=6e-5)
    for outside in (first, second, air.correction_j1349(99e3, 285.15)):
        assert not outside.inside_validity
        assert "do not quote" in outside.note


def test_correction_chain_from_humid_air():
    # 98.0 kPa, 30 degC, 60 %: vapour 2.540 kPa, dry 95.460 kPa, then 1.0540 and 1.0551, evaluated.
    dry = air.dry_pressure(98000.0, 303.15, relative_humidity=0.6)
    assert dry == pytest.approx(95460.0, abs=0.5)
    assert air.correction_j1349(dry, 303.15).factor == pytest.approx(1.0540, abs=5e-5)
    assert air.correction_iso1585(dry, 303.15).factor == pytest.approx(1.0551, abs=5e-5)


def test_din_70020():
    # DIN 70020, from memory: reference 1013 mbar and 20 degC; 95 kPa, 30 degC by hand 1.08436.
    assert air.correction_din70020(101300.0, 293.15).factor == pytest.approx(1.0, rel=1e-12)
    assert air.correction_din70020(95000.0, 303.15).factor == pytest.approx(1.08436, abs=5e-6)


@pytest.mark.parametrize(
    "function", [air.correction_j1349, air.correction_iso1585, air.correction_din70020]
)
@pytest.mark.parametrize(("p", "T"), [(0.0, 300.0), (-1.0, 300.0), (1e5, 0.0), (math.nan, 300.0)])
def test_corrections_refuse(function, p, T):
    with pytest.raises(InputError, match="above zero"):
        function(p, T)
