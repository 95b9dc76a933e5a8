"""Schema of what the customer wants of each role of the plate: one section for each.

Every key has a typical value, so that a section may be empty; ``design`` names the source of each.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import model_validator

from throttlewright.build.fields import (
    AscendingRatios,
    Frozen,
    Quantity,
    check_ascending,
    check_lengths,
    fault,
)

__all__ = [
    "AntiLag",
    "Blip",
    "BoostByThrottle",
    "ColdEngine",
    "Ethanol",
    "HotCoolant",
    "HotExhaust",
    "HotIntake",
    "HotOil",
    "Idle",
    "Launch",
    "LeanMixture",
    "LowBattery",
    "LowFuelPressure",
    "LowOilPressure",
    "Overboost",
    "PedalShaping",
    "PitLimit",
    "SoftRevLimit",
    "SpeedCap",
    "TorqueMonitor",
    "Traction",
    "Upshift",
]

_Pressure = Annotated[float, Quantity("pressure", "bar", 0.0, 7.0)]
_Celsius = Annotated[float, Quantity("temperature", "degC", -50.0, 150.0)]
_Hot = Annotated[float, Quantity("temperature", "degC", 40.0, 200.0)]
_Exhaust = Annotated[float, Quantity("temperature", "degC", 600.0, 1200.0)]
_Least = Annotated[float, Quantity("ratio", "", 0.05, 0.95)]


class ColdEngine(Frozen):
    """Torque share over coolant temperature, and over oil temperature where it is measured."""

    coolant: tuple[_Celsius, ...]
    """Coolant temperature [K]."""
    torque_share: AscendingRatios
    hold_after_start: Annotated[float, Quantity("time", "s", 0.0, 600.0)] = 0.0
    oil: tuple[_Celsius, ...] | None = None
    """Oil temperature [K]."""
    oil_torque_share: AscendingRatios | None = None

    @model_validator(mode="after")
    def _check(self) -> ColdEngine:
        check_ascending(self.coolant, key="coolant")
        check_lengths("coolant", self.coolant, torque_share=self.torque_share)
        if (self.oil is None) != (self.oil_torque_share is None):
            raise fault(
                "is given without its shares" if self.oil else "is given without its temperatures",
                key="oil" if self.oil else "oil_torque_share",
                allowed="oil and oil_torque_share together, or neither",
                contradiction=True,
            )
        if self.oil is not None and self.oil_torque_share is not None:
            check_ascending(self.oil, key="oil")
            check_lengths("oil", self.oil, oil_torque_share=self.oil_torque_share)
        return self


class Overboost(Frozen):
    """Manifold pressure that the plate holds, and that at which fuel is cut, absolute [Pa]."""

    limit: _Pressure
    fuel_cut: _Pressure | None = None
    latch_after: Annotated[float, Quantity("time", "s", 0.1, 10.0)] = 1.0
    """Time above the limit after which boost stays off until the pedal is released [s]."""

    @model_validator(mode="after")
    def _check(self) -> Overboost:
        if self.fuel_cut is not None and self.fuel_cut <= self.limit:
            raise fault(
                "the fuel cut is not above the limit",
                key="fuel_cut",
                value=f"{self.fuel_cut / 1e5:g} bar",
                allowed=f"above {self.limit / 1e5:g} bar",
                contradiction=True,
            )
        return self


class Idle(Frozen):
    """How the engine idles."""

    after_start: Annotated[float, Quantity("time", "s", 0.0, 120.0)] = 20.0
    """Time after the start for which the speed is raised [s]."""
    raise_after_start: Annotated[float, Quantity("angular speed", "rpm", 0.0, 1000.0)] = (
        15.707963267948966
    )
    """Raise of the speed just after the start [rad/s]."""
    load: Annotated[float, Quantity("torque", "N*m", 0.0, 60.0)] = 15.0
    """Largest load that comes at once: fan, alternator, pump [N m]."""
    dip: Annotated[float, Quantity("angular speed", "rpm", 20.0, 400.0)] = 12.566370614359172
    """Largest dip of the speed when that load comes [rad/s]."""
    dashpot: Annotated[float, Quantity("time", "s", 0.0, 3.0)] = 0.5
    """Time over which the last opening above idle is given up on a released pedal [s]."""
    engine_braking: Annotated[float, Quantity("ratio", "", 0.0, 1.0)] = 1.0
    """Share of the drag of the shut engine that is left with a released pedal in gear [-]."""


class Traction(Frozen):
    """Slip at which traction control holds the driven wheels, and by what."""

    slip: Literal["auto"] | Annotated[float, Quantity("ratio", "", 0.01, 0.6)] = "auto"
    fast: Literal["auto", "ignition", "ignition and fuel", "none"] = "auto"
    """Fast path beside the plate; "auto" takes fuel where no catalyst suffers from it."""


class Launch(Frozen):
    """Engine speed and boost held at the start line."""

    speed: Annotated[float, Quantity("angular speed", "rpm", 1000.0, 12000.0)]
    """Engine speed [rad/s]."""
    boost: Annotated[float, Quantity("pressure", "bar", 0.0, 4.0)] | None = None
    """Gauge [Pa]."""
    time_limit: Annotated[float, Quantity("time", "s", 1.0, 30.0)] = 10.0
    """Longest hold [s]."""
    exhaust_limit: _Exhaust = 1223.15
    """Exhaust temperature at which the hold ends [K]."""
    release: Annotated[float, Quantity("time", "s", 0.05, 3.0)] = 0.6
    """Time over which the whole torque comes back once the car moves [s]."""


class AntiLag(Frozen):
    """How a turbine is kept turning with a released pedal; competition only."""

    air_share: Annotated[float, Quantity("ratio", "", 0.02, 0.4)] = 0.12
    """Air that is let in with a released pedal, of the flow at full load [-]."""
    retard: Annotated[float, Quantity("angle", "deg", 20.0, 70.0)] = 0.8726646259971648
    """Ignition behind best torque [rad]."""
    time_limit: Annotated[float, Quantity("time", "s", 0.5, 15.0)] = 5.0
    exhaust_limit: _Exhaust = 1223.15
    """Exhaust temperature at which it ends [K]."""
    from_speed: Annotated[float, Quantity("angular speed", "rpm", 1500.0, 12000.0)] = (
        314.1592653589793
    )
    """Engine speed above which it acts [rad/s]."""


class Blip(Frozen):
    """Opening on a downshift that raises engine speed to that of the lower gear."""

    time: Annotated[float, Quantity("time", "s", 0.08, 0.5)] = 0.25
    """Time in which the engine has to get there [s]."""


class Upshift(Frozen):
    """Torque taken away while the next gear goes in."""

    time: Annotated[float, Quantity("time", "s", 0.02, 0.5)] = 0.08
    by: Literal["auto", "ignition", "fuel"] = "auto"
    """What takes it; "auto" takes fuel where no catalyst suffers from it."""


class _Rising(Frozen):
    """A quantity that takes torque away as it rises from ``starts`` to ``ends``."""

    starts: float
    ends: float
    least_torque: _Least

    @model_validator(mode="after")
    def _check(self) -> _Rising:
        if not self.ends > self.starts:
            raise fault("is not above starts", key="ends", allowed="above starts")
        return self


class HotCoolant(_Rising):
    """Torque share that is left while the coolant is too hot."""

    starts: _Hot = 385.15
    ends: _Hot = 395.15
    least_torque: _Least = 0.5


class HotOil(_Rising):
    """Torque share that is left while the oil is too hot."""

    starts: _Hot = 413.15
    ends: _Hot = 423.15
    least_torque: _Least = 0.5


class HotIntake(_Rising):
    """Torque share that is left while the charge is too hot."""

    starts: _Hot = 333.15
    ends: _Hot = 353.15
    least_torque: _Least = 0.6


class HotExhaust(_Rising):
    """Torque share that is left while the exhaust gas is too hot."""

    starts: _Exhaust = 1223.15
    ends: _Exhaust = 1273.15
    least_torque: _Least = 0.6


class LeanMixture(_Rising):
    """Torque share that is left while the mixture is leaner than wanted, under load."""

    starts: Annotated[float, Quantity("ratio", "", 1.0, 1.5)] = 1.05
    """Measured air per fuel over the wanted one [-]."""
    ends: Annotated[float, Quantity("ratio", "", 1.0, 1.5)] = 1.12
    least_torque: _Least = 0.3
    above: _Pressure = 1.1e5
    """Manifold pressure above which a lean mixture harms, absolute [Pa]."""


class _Falling(Frozen):
    """A quantity that takes torque away as it falls from ``starts`` to ``ends``."""

    starts: float
    ends: float
    least_torque: _Least

    @model_validator(mode="after")
    def _check(self) -> _Falling:
        if not self.ends < self.starts:
            raise fault("is not below starts", key="ends", allowed="below starts")
        return self


class LowFuelPressure(_Falling):
    """Torque share that is left while the fuel pressure is too low, under load."""

    starts: Annotated[float, Quantity("ratio", "", 0.1, 1.0)] = 0.9
    """Fuel pressure over the manifold, over the wanted one [-]."""
    ends: Annotated[float, Quantity("ratio", "", 0.1, 1.0)] = 0.75
    least_torque: _Least = 0.3


class LowOilPressure(Frozen):
    """Least oil pressure for 1000 rpm, and the torque share that is left below it."""

    per_1000_rpm: Annotated[float, Quantity("pressure", "bar", 0.1, 2.0)] = 0.7e5
    """Oil pressure over ambient [Pa]."""
    least_torque: _Least = 0.2


class LowBattery(_Falling):
    """Torque share that is left while the supply is too low to move the plate safely."""

    starts: Annotated[float, Quantity("voltage", "V", 6.0, 32.0)] = 11.0
    ends: Annotated[float, Quantity("voltage", "V", 6.0, 32.0)] = 9.0
    least_torque: _Least = 0.5


class Ethanol(Frozen):
    """Torque share that the fuel allows over its ethanol content; petrol where it is not known."""

    content: AscendingRatios = (0.0, 0.5, 0.85)
    """Ethanol in the fuel [-]."""
    torque_share: AscendingRatios = (0.75, 0.9, 1.0)

    @model_validator(mode="after")
    def _check(self) -> Ethanol:
        check_ascending(self.content, key="content")
        check_lengths("content", self.content, torque_share=self.torque_share)
        return self


class BoostByThrottle(Frozen):
    """Manifold pressure that plate and wastegate hold together."""

    target: _Pressure
    """Manifold pressure, absolute [Pa]."""
    drop: Annotated[float, Quantity("pressure", "kPa", 2.0, 60.0)] = 10e3
    """Pressure that the wastegate keeps in hand across the plate [Pa]."""


class PitLimit(Frozen):
    """Road speed in the pit lane, while its switch is on."""

    speed: Annotated[float, Quantity("speed", "km/h", 20.0, 150.0)] = 60.0 / 3.6


class SpeedCap(Frozen):
    """Largest road speed."""

    speed: Annotated[float, Quantity("speed", "km/h", 30.0, 400.0)]


class SoftRevLimit(Frozen):
    """Engine speed below the hard limit at which the plate begins to take torque away."""

    band: Annotated[float, Quantity("angular speed", "rpm", 50.0, 1500.0)] = 26.179938779914945


class PedalShaping(Frozen):
    """How fast the plate may follow the foot."""

    opening_time: Annotated[float, Quantity("time", "s", 0.0, 2.0)] = 0.12
    """Time for the whole travel, opening, in the lowest gear [s]."""
    closing_time: Annotated[float, Quantity("time", "s", 0.0, 0.5)] = 0.0
    """Time for the whole travel, closing [s]."""
    lash: Literal["auto", "off"] = "auto"
    """Whether torque passes through zero slowly, by the driveline's own period."""
    mode_change: Literal["blended", "released"] = "blended"
    """Whether a new mode waits for a released pedal."""


class TorqueMonitor(Frozen):
    """An independent look at torque; for the simulation only."""

    tolerance: Annotated[float, Quantity("ratio", "", 0.02, 0.5)] = 0.15
    """Torque above the permitted one, over the largest torque [-]."""
    confirm: Annotated[float, Quantity("time", "s", 0.02, 2.0)] = 0.3
