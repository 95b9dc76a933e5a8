"""Schema of the plate servo and of the sensors the controller reads."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from throttlewright.build.fields import ASSUMED, Frozen, Quantity, fault

__all__ = ["PlateTrack", "Sensors", "Servo"]

_Volt = Annotated[float, Quantity("voltage", "V", 0.0, 5.5)]
_Stiffness = Annotated[float, Quantity("stiffness", "N*m/rad", 0.0, 20.0)]
_Torque = Annotated[float, Quantity("torque", "N*m", 0.0, 20.0)]


class Servo(Frozen):
    """Motor, gear and springs that move the plate, all referred to the plate shaft."""

    inertia: Annotated[float, Quantity("inertia", "kg*m^2", 1e-5, 0.1)] = ASSUMED
    """Plate, gear and motor seen at the plate shaft [kg m^2]."""
    viscous: Annotated[float, Quantity("ratio", "", 0.0, 1.0)] = ASSUMED
    """Viscous friction [N m s/rad], a bare number."""
    motor_constant: Annotated[float, Quantity("ratio", "", 0.01, 5.0)] = ASSUMED
    """Torque at the plate shaft for one ampere [N m/A], which is volts for one radian per second;
    a bare number."""
    resistance: Annotated[float, Quantity("resistance", "ohm", 0.1, 50.0)] = ASSUMED
    """Winding at 20 degrees C [ohm]."""
    loom_resistance: Annotated[float, Quantity("resistance", "ohm", 0.0, 5.0)] = ASSUMED
    """Loom and the two switches of the bridge [ohm]."""
    inductance: Annotated[float, Quantity("ratio", "", 1e-5, 0.1)] = ASSUMED
    """Winding [H], a bare number."""
    spring_above: _Stiffness = ASSUMED
    """Closing spring, above the rest position [N m/rad]."""
    preload_above: _Torque = ASSUMED
    """Closing spring at the rest position [N m]."""
    spring_below: _Stiffness = ASSUMED
    """Opening spring, below the rest position [N m/rad]."""
    preload_below: _Torque = ASSUMED
    """Opening spring at the rest position [N m]."""
    coulomb: _Torque = ASSUMED
    """Sliding friction [N m]."""
    breakaway: _Torque = ASSUMED
    """Sticking friction, from which the plate breaks away [N m]."""
    battery: Annotated[float, Quantity("voltage", "V", 6.0, 18.0)] = ASSUMED
    """Supply with the engine running [V]."""

    @model_validator(mode="after")
    def _check(self) -> Servo:
        pair: list[float | None] = [self.coulomb, self.breakaway]
        coulomb, breakaway = pair
        if coulomb is not None and breakaway is not None and breakaway < coulomb * (1.0 - 1e-9):
            raise fault(
                "sticking friction is below sliding friction",
                key="breakaway",
                value=f"{breakaway:g} N m",
                allowed=f"at least {coulomb:g} N m",
                contradiction=True,
            )
        return self


class PlateTrack(Frozen):
    """One track of the plate sensor."""

    closed: _Volt
    """Voltage on the closed stop [V]."""
    open: _Volt
    """Voltage on the open stop [V]."""

    @model_validator(mode="after")
    def _check(self) -> PlateTrack:
        if abs(self.open - self.closed) < 0.2:
            raise fault(
                "closed and open are less than 0.2 V apart",
                key="open",
                value=f"{self.open:g} V",
                allowed=f"at least 0.2 V from {self.closed:g} V",
                contradiction=True,
            )
        return self


class Sensors(Frozen):
    """What the controller sees of plate and manifold."""

    plate: Annotated[tuple[PlateTrack, ...], Field(min_length=2, max_length=2)] = ASSUMED
    noise: Annotated[float, Quantity("voltage", "V", 0.0, 0.2)] = ASSUMED
    """Of each voltage read, standard deviation [V]."""
    map_range: Annotated[float, Quantity("pressure", "bar", 0.8, 8.0)] = ASSUMED
    """Largest manifold pressure the sensor can show, absolute [Pa]."""
    map_noise: Annotated[float, Quantity("pressure", "kPa", 0.0, 10.0)] = ASSUMED
    """Of manifold pressure, standard deviation [Pa]."""
    map_lag: Annotated[float, Quantity("time", "s", 0.0, 0.5)] = ASSUMED
    """First-order lag of the manifold pressure reading [s]."""
