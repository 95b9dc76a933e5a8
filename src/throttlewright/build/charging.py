"""Schema of charging: none, turbo, positive-displacement or gear-driven centrifugal."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import model_validator

from throttlewright.build.fields import (
    ASSUMED,
    RPM,
    AscendingRpm,
    Frozen,
    Numbers,
    Quantity,
    check_ascending,
    check_beside,
    check_lengths,
    fault,
)
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.units import to_unit

__all__ = ["Boost", "Centrifugal", "ChargingKind", "Supercharger", "Turbo"]

ChargingKind = Literal["none", "turbo", "supercharger", "centrifugal"]


class Boost(Frozen):
    """Gauge boost over engine speed: ``{ rpm = [...], gauge = "bar", value = [...] }``."""

    rpm: AscendingRpm
    gauge: str = "bar"
    """Unit of the values."""
    value: Numbers

    @model_validator(mode="after")
    def _check(self) -> Boost:
        check_ascending(self.rpm, key="rpm")
        check_lengths("rpm", self.rpm, value=self.value)
        from throttlewright.foundation.units import parse_quantity

        try:
            parse_quantity(f"1 {self.gauge}", "pressure")
        except InputError:
            raise fault(
                "is not a unit of pressure",
                key="gauge",
                value=self.gauge,
                advice='write it as "bar", "kPa" or "psi"',
            ) from None
        if not all(0.0 <= p <= 5e5 for p in self.gauge_pressure):
            raise fault(
                "is outside the allowed range",
                key="value",
                value=list(self.value),
                allowed="0 to 5 bar gauge",
            )
        return self

    @property
    def speed(self) -> tuple[float, ...]:
        """Engine speed [rad/s]."""
        return tuple(n * RPM for n in self.rpm)

    @property
    def gauge_pressure(self) -> tuple[float, ...]:
        """Boost above ambient [Pa]."""
        one_pascal = to_unit(1.0, "pressure", self.gauge)
        return tuple(p / one_pascal for p in self.value)


class Turbo(Frozen):
    """A turbocharger known by its boost curve."""

    boost: Boost
    wastegate_spring: Annotated[float, Quantity("pressure", "bar", 0.0, 4.0)] = ASSUMED
    """Boost at which the spring alone opens the wastegate, gauge [Pa]."""
    time_to_boost: Annotated[float, Quantity("time", "s", 0.05, 10.0)] = ASSUMED
    """From released to 90 % of the target at 3500 rpm [s]."""
    relief_valve: bool = ASSUMED
    controllable: bool = ASSUMED
    """Whether the controller can command the boost electronically."""
    compressor_map: str | None = None
    """Table of speed lines beside the build: speed, flow_kg_s, pressure_ratio, efficiency."""
    map_pressure: Annotated[float, Quantity("pressure", "bar", 0.5, 1.5)] = ASSUMED
    """Reference pressure of the map's corrected flow [Pa]."""
    map_temperature: Annotated[float, Quantity("temperature", "degC", -20, 60)] = ASSUMED
    """Reference temperature of the map's corrected flow and speed [K]."""
    turbine_map: str | None = None
    relief_area: Annotated[float, Quantity("area", "cm^2", 0.1, 100.0)] = ASSUMED
    """Effective area of the open relief valve [m^2]."""
    relief_lag: Annotated[float, Quantity("time", "s", 0.005, 1.0)] = ASSUMED
    """First-order lag of the relief valve [s]."""
    wastegate_lag: Annotated[float, Quantity("time", "s", 0.005, 2.0)] = ASSUMED
    """First-order lag of the wastegate and its actuator [s]."""

    @model_validator(mode="after")
    def _check(self) -> Turbo:
        check_beside(self.compressor_map, key="compressor_map")
        check_beside(self.turbine_map, key="turbine_map")
        spring: float | None = self.wastegate_spring
        most = max(self.boost.gauge_pressure)
        if spring is not None and spring > most + 1.0:
            raise fault(
                "the wastegate spring is above the largest boost measured",
                key="wastegate_spring",
                value=f"{spring / 1e5:g} bar",
                allowed=f"at most {most / 1e5:g} bar",
                advice="a wastegate cannot regulate below its spring: correct one of the two",
                contradiction=True,
            )
        return self


class Supercharger(Frozen):
    """A positive-displacement supercharger."""

    displacement: Annotated[float, Quantity("volume", "L", 0.05, 10.0)]
    """Swept volume for one turn of the supercharger [m^3]."""
    drive_ratio: Annotated[float, Quantity("ratio", "", 0.3, 10.0)]
    """Supercharger turns for one engine turn [-]."""
    boost: Boost
    bypass: bool = ASSUMED


class Centrifugal(Frozen):
    """A gear-driven centrifugal compressor: boost grows with engine speed."""

    boost: Boost
    drive_ratio: Annotated[float, Quantity("ratio", "", 1.0, 50.0)] | None = None
    relief_valve: bool = ASSUMED
