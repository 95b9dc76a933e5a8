"""Ambient air: standard atmosphere, humidity, and power correction to reference conditions."""

from __future__ import annotations

import math
from dataclasses import dataclass

from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError
from throttlewright.physics.gas import R_AIR

__all__ = [
    "DIN70020_LIMITS",
    "ISO1585_LIMITS",
    "J1349_LIMITS",
    "R_VAPOUR",
    "Correction",
    "CorrectionLimits",
    "correction_din70020",
    "correction_iso1585",
    "correction_j1349",
    "dry_pressure",
    "isa_pressure",
    "isa_temperature",
    "moist_density",
    "saturation_pressure",
    "vapour_pressure",
]

R_VAPOUR = 461.5
"""Specific gas constant of water vapour [J/(kg K)], from memory."""

_ISA_LOWEST = -2000.0
_ISA_HIGHEST = 11000.0
_ISA_EXPONENT = 9.80665 / (0.0065 * 287.05287)
# The power standards print their temperatures as 273 + degrees Celsius, not 273.15.
_WHOLE_KELVIN_SHIFT = 0.15


@kernel
def isa_temperature(altitude: float) -> float:
    """Return the temperature of the standard atmosphere.

    ``T = 288.15 - 0.0065 * altitude``

    Parameters
    ----------
    altitude : float [m]
        Geopotential altitude, -2000 to 11000; not a number outside.

    Returns
    -------
    float [K]
        Temperature.

    Notes
    -----
    ISO 2533 (from memory).
    """
    if altitude < _ISA_LOWEST or altitude > _ISA_HIGHEST:
        return math.nan
    return 288.15 - 0.0065 * altitude


@kernel
def isa_pressure(altitude: float) -> float:
    """Return the pressure of the standard atmosphere.

    ``p = 101325 * (T / 288.15) ** (g0 / (0.0065 * R))``, exponent 5.25588.

    Parameters
    ----------
    altitude : float [m]
        Geopotential altitude, -2000 to 11000; not a number outside.

    Returns
    -------
    float [Pa]
        Pressure.

    Notes
    -----
    ISO 2533 (from memory), g0 = 9.80665 m/s^2, R = 287.05287 J/(kg K).
    """
    return 101325.0 * math.pow(isa_temperature(altitude) / 288.15, _ISA_EXPONENT)


@kernel
def saturation_pressure(T: float) -> float:
    """Return the saturation pressure of water vapour over water.

    ``e_s = 611.2 * exp(17.62 t / (243.12 + t))`` with t in degrees Celsius.

    Parameters
    ----------
    T : float [K]
        Temperature, 228 to 333.

    Returns
    -------
    float [Pa]
        Saturation pressure.

    Notes
    -----
    Magnus form of WMO-No. 8 (from memory); within 0.3 % of the steam tables.
    """
    t = T - 273.15
    return 611.2 * math.exp(17.62 * t / (243.12 + t))


@kernel
def vapour_pressure(T: float, relative_humidity: float) -> float:
    """Return the partial pressure of water vapour.

    ``e = relative_humidity * e_s(T)``

    Parameters
    ----------
    T : float [K]
        Temperature, 228 to 333.
    relative_humidity : float [-]
        Relative humidity, 0 to 1.

    Returns
    -------
    float [Pa]
        Partial pressure.

    Notes
    -----
    WMO-No. 8 (from memory).
    """
    return relative_humidity * saturation_pressure(T)


@kernel
def dry_pressure(p: float, T: float, relative_humidity: float) -> float:
    """Return the partial pressure of the dry air, which is what burns.

    ``p_dry = p - relative_humidity * e_s(T)``

    Parameters
    ----------
    p : float [Pa]
        Total pressure, above the vapour pressure.
    T : float [K]
        Temperature, 228 to 333.
    relative_humidity : float [-]
        Relative humidity, 0 to 1.

    Returns
    -------
    float [Pa]
        Partial pressure of dry air.

    Notes
    -----
    Dalton's law.
    """
    return p - vapour_pressure(T, relative_humidity)


@kernel
def moist_density(p: float, T: float, relative_humidity: float) -> float:
    """Return the density of moist air.

    ``rho = p_dry / (R_air * T) + e / (R_vapour * T)``

    Parameters
    ----------
    p : float [Pa]
        Total pressure, above the vapour pressure.
    T : float [K]
        Temperature, 228 to 333.
    relative_humidity : float [-]
        Relative humidity, 0 to 1.

    Returns
    -------
    float [kg/m^3]
        Density.

    Notes
    -----
    Perfect gases, R_vapour = 461.5 J/(kg K).
    """
    vapour = vapour_pressure(T, relative_humidity)
    return ((p - vapour) / R_AIR + vapour / R_VAPOUR) / T


@dataclass(frozen=True)
class CorrectionLimits:
    """Range in which a power standard allows its correction: factor [-], temperature [K]."""

    factor_low: float
    factor_high: float
    T_low: float
    T_high: float
    source: str

    def hold(self, factor: float, T: float) -> bool:
        """Answer whether a factor at a temperature lies in the range, ends included.

        Parameters
        ----------
        factor : float [-]
            Correction factor.
        T : float [K]
            Ambient temperature.

        Returns
        -------
        bool [-]
            True inside.
        """
        # 1e-9 K, because 15 degC read through a unit conversion may land a rounding below.
        warm = self.T_low - 1e-9 <= T <= self.T_high + 1e-9
        return warm and self.factor_low <= factor <= self.factor_high


J1349_LIMITS = CorrectionLimits(0.93, 1.07, 288.15, 308.15, "SAE J1349, from memory")
"""Range of SAE J1349: 0.93 to 1.07, 15 to 35 degC."""

ISO1585_LIMITS = CorrectionLimits(0.93, 1.07, 288.15, 308.15, "ISO 1585 / UN R85, from memory")
"""Range of ISO 1585: 0.93 to 1.07, 15 to 35 degC."""

DIN70020_LIMITS = CorrectionLimits(0.0, math.inf, 0.0, math.inf, "no range known")
"""DIN 70020: no range is known here, so none is applied."""


@dataclass(frozen=True)
class Correction:
    """Factor that turns measured power into power at reference conditions.

    ``inside_validity`` tells whether the standard allows the correction at all; ``note`` says in
    words what the factor refers to and, outside, that the figure must not be quoted.
    """

    factor: float
    inside_validity: bool
    standard: str
    note: str


def _checked(pressure: float, T: float) -> None:
    if not (math.isfinite(pressure) and pressure > 0.0):
        raise InputError("air pressure must be above zero", value=pressure, allowed="above 0 Pa")
    if not (math.isfinite(T) and T > _WHOLE_KELVIN_SHIFT):
        raise InputError("air temperature must be above zero", value=T, allowed="above 0.15 K")


def _correction(
    factor: float, T: float, limits: CorrectionLimits, standard: str, note: str
) -> Correction:
    inside = limits.hold(factor, T)
    if not inside:
        note = (
            f"{note}; outside the range of the standard ({limits.factor_low:g} to "
            f"{limits.factor_high:g}, {limits.T_low - 273.15:.0f} to {limits.T_high - 273.15:.0f} "
            "degC): do not quote this figure"
        )
    return Correction(factor=factor, inside_validity=inside, standard=standard, note=note)


def correction_j1349(
    p_dry: float, T: float, *, limits: CorrectionLimits = J1349_LIMITS
) -> Correction:
    """Return the power correction of SAE J1349 (June 1990).

    ``factor = 1.18 * (99000 / p_dry) * sqrt((t + 273) / 298) - 0.18``, t in degrees Celsius.

    Parameters
    ----------
    p_dry : float [Pa]
        Partial pressure of dry air, above 0.
    T : float [K]
        Ambient temperature, above 0.15.
    limits : CorrectionLimits [-]
        Range in which the correction is allowed.

    Returns
    -------
    Correction [-]
        Factor, whether it is allowed, and a note.

    Raises
    ------
    InputError
        If the pressure or temperature is not above zero.

    Notes
    -----
    Formula as quoted from the standard in public; its text was not read. The 0.18 supposes a
    mechanical efficiency of 85 %. Naturally aspirated engines at full load.
    """
    _checked(p_dry, T)
    warmth = math.sqrt((T - _WHOLE_KELVIN_SHIFT) / 298.0)
    factor = 1.18 * (99000.0 / p_dry) * warmth - 0.18
    note = "to 99 kPa dry and 25 degC, naturally aspirated, full load"
    return _correction(factor, T, limits, "SAE J1349 (1990)", note)


def correction_iso1585(
    p_dry: float, T: float, *, limits: CorrectionLimits = ISO1585_LIMITS
) -> Correction:
    """Return the power correction of ISO 1585 for spark-ignition engines.

    ``factor = (99000 / p_dry) ** 1.2 * ((t + 273) / 298) ** 0.6``, t in degrees Celsius.

    Parameters
    ----------
    p_dry : float [Pa]
        Partial pressure of dry air, above 0.
    T : float [K]
        Ambient temperature, above 0.15.
    limits : CorrectionLimits [-]
        Range in which the correction is allowed.

    Returns
    -------
    Correction [-]
        Factor, whether it is allowed, and a note.

    Raises
    ------
    InputError
        If the pressure or temperature is not above zero.

    Notes
    -----
    ISO 1585 and UN Regulation No. 85 (from memory).
    """
    _checked(p_dry, T)
    warmth = ((T - _WHOLE_KELVIN_SHIFT) / 298.0) ** 0.6
    factor = (99000.0 / p_dry) ** 1.2 * warmth
    note = "to 99 kPa dry and 25 degC, spark ignition, full load"
    return _correction(factor, T, limits, "ISO 1585", note)


def correction_din70020(
    p_total: float, T: float, *, limits: CorrectionLimits = DIN70020_LIMITS
) -> Correction:
    """Return the power correction of DIN 70020.

    ``factor = (101300 / p_total) * sqrt((t + 273) / 293)``, t in degrees Celsius.

    Parameters
    ----------
    p_total : float [Pa]
        Total ambient pressure, humidity included, above 0.
    T : float [K]
        Ambient temperature, above 0.15.
    limits : CorrectionLimits [-]
        Range in which the correction is allowed; none is known.

    Returns
    -------
    Correction [-]
        Factor, whether it is allowed, and a note.

    Raises
    ------
    InputError
        If the pressure or temperature is not above zero.

    Notes
    -----
    DIN 70020 (from memory). Withdrawn in favour of ISO 1585 (from memory); for old figures only.
    """
    _checked(p_total, T)
    factor = 101300.0 / p_total * math.sqrt((T - _WHOLE_KELVIN_SHIFT) / 293.0)
    note = "to 1013 mbar and 20 degC on total pressure; no range of validity known"
    return _correction(factor, T, limits, "DIN 70020", note)
