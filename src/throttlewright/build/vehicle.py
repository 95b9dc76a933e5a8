"""Schema of pedal, driveline, vehicle and site."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, model_validator

from throttlewright.build.fields import ASSUMED, Frozen, Quantity, fault

__all__ = ["Driveline", "Driven", "Pedal", "Site", "Track", "Vehicle"]

Driven = Literal["front", "rear", "all"]

_Volt = Annotated[float, Quantity("voltage", "V", 0.0, 5.5)]
_Share = Annotated[float, Quantity("ratio", "", 0.0, 1.0)]


class Track(Frozen):
    """One track of the pedal sensor."""

    released: _Volt
    """Voltage with the pedal released [V]."""
    full: _Volt
    """Voltage with the pedal on its stop [V]."""

    @model_validator(mode="after")
    def _check(self) -> Track:
        if abs(self.full - self.released) < 0.2:
            raise fault(
                "released and full are less than 0.2 V apart",
                key="full",
                value=f"{self.full:g} V",
                allowed=f"at least 0.2 V from {self.released:g} V",
                contradiction=True,
            )
        return self


class Pedal(Frozen):
    """The pedal."""

    travel: Annotated[float, Quantity("length", "mm", 10.0, 150.0)] = ASSUMED
    """Travel at the pad [m]."""
    tracks: Annotated[tuple[Track, ...], Field(min_length=1, max_length=4)] = ASSUMED


class Driveline(Frozen):
    """Gears, final drive and what they turn."""

    ratios: Annotated[
        tuple[Annotated[float, Quantity("ratio", "", 0.2, 8.0)], ...],
        Field(min_length=1, max_length=12),
    ] = ASSUMED
    """Gear ratios from first upward [-]."""
    final_drive: Annotated[float, Quantity("ratio", "", 1.0, 12.0)] = ASSUMED
    driven: Driven = ASSUMED
    efficiency: Annotated[float, Quantity("ratio", "", 0.5, 1.0)] = ASSUMED
    wheel_inertia: Annotated[float, Quantity("inertia", "kg*m^2", 0.05, 20.0)] = ASSUMED
    """One wheel with tyre and brake disc [kg m^2]."""
    shaft_stiffness: Annotated[float, Quantity("stiffness", "N*m/rad", 100.0, 1e6)] = ASSUMED
    """Both drive shafts together, at the wheels [N m/rad]."""
    shaft_damping: Annotated[float, Quantity("ratio", "", 0.0, 5000.0)] = ASSUMED
    """Of the drive shafts, at the wheels [N m s/rad], a bare number."""
    lash: Annotated[float, Quantity("angle", "deg", 0.0, 15.0)] = ASSUMED
    """Whole gap of the driveline in gear, at the wheels [rad]."""
    gearbox_inertia: Annotated[float, Quantity("inertia", "kg*m^2", 1e-4, 1.0)] = ASSUMED
    """Gearbox input with the clutch disc [kg m^2]."""
    clutch_capacity: Annotated[float, Quantity("torque", "N*m", 5.0, 20000.0)] = ASSUMED
    """Largest torque of the engaged clutch [N m]."""

    @model_validator(mode="after")
    def _check(self) -> Driveline:
        ratios: tuple[float, ...] | None = self.ratios
        if ratios is not None and any(high >= low for low, high in pairwise(ratios)):
            raise fault("must descend from first gear upward", key="ratios", value=list(ratios))
        return self


class Vehicle(Frozen):
    """The vehicle and its tyres."""

    mass: Annotated[float, Quantity("mass", "kg", 50.0, 10000.0)] = ASSUMED
    """Ready to drive, with driver [kg]."""
    wheelbase: Annotated[float, Quantity("length", "m", 1.0, 6.0)] = ASSUMED
    centre_of_gravity_height: Annotated[float, Quantity("length", "m", 0.1, 1.5)] = ASSUMED
    front_weight: Annotated[float, Quantity("ratio", "", 0.1, 0.9)] = ASSUMED
    """Share of the weight on the front axle at rest [-]."""
    tyre_radius: Annotated[float, Quantity("length", "mm", 100.0, 600.0)] = ASSUMED
    """Rolling radius [m]."""
    grip: Annotated[float, Quantity("ratio", "", 0.05, 4.0)] = ASSUMED
    """Peak coefficient of friction along the car [-]."""
    drag_area: Annotated[float, Quantity("area", "m^2", 0.05, 5.0)] = ASSUMED
    """Drag coefficient times frontal area [m^2]."""
    rolling: Annotated[float, Quantity("ratio", "", 0.0, 0.2)] = ASSUMED
    """Rolling resistance as a share of the weight [-]."""
    tyre_slip_stiffness: Annotated[float, Quantity("ratio", "", 2.0, 100.0)] = ASSUMED
    """Slope of longitudinal force over slip at no slip, as a share of the load [-]."""
    tyre_relaxation: Annotated[float, Quantity("length", "m", 0.01, 1.0)] = ASSUMED
    """Way the tyre rolls until its force follows [m]."""
    brake_deceleration: Annotated[float, Quantity("acceleration", "m/s^2", 1.0, 40.0)] = ASSUMED
    """What the brakes alone could do fully applied, before grip limits it [m/s^2]."""
    brake_front: Annotated[float, Quantity("ratio", "", 0.0, 1.0)] = ASSUMED
    """Share of brake force at the front axle [-]."""


class Site(Frozen):
    """Where the car runs."""

    altitude: Annotated[float, Quantity("length", "m", -430.0, 6000.0)] = ASSUMED
    temperature: Annotated[float, Quantity("temperature", "degC", -40.0, 55.0)] = ASSUMED
    """Air [K]."""
    humidity: _Share = ASSUMED
    """Relative humidity [-]."""
