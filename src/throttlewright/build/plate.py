"""Schema of the plate or plates and of the air path."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, model_validator

from throttlewright.build.fields import (
    ASSUMED,
    AscendingRatios,
    Frozen,
    Numbers,
    Quantity,
    check_ascending,
    check_lengths,
    fault,
)

__all__ = ["AirPath", "Arrangement", "Cam", "Discharge", "Lever", "Plate", "PreviousPlate"]

Arrangement = Literal["common plenum", "individual runners", "individual with balance plenum"]

_Degrees = tuple[Annotated[float, Quantity("ratio", "", -10.0, 100.0)], ...]
_Bore = Annotated[float, Quantity("length", "mm", 0.0, 200.0, low_open=True)]
_Shaft = Annotated[float, Quantity("length", "mm", 0.0, 40.0)]
_Resistance = Annotated[float, Quantity("ratio", "", 0.0, 1e12)]
_Stop = Annotated[float, Quantity("angle", "deg", 0.0, 90.0)]


class Discharge(Frozen):
    """Discharge coefficient over plate angle: ``{ plate_deg = [...], value = [...] }``."""

    plate_deg: _Degrees
    value: Numbers

    @model_validator(mode="after")
    def _check(self) -> Discharge:
        check_ascending(self.plate_deg, key="plate_deg")
        check_lengths("plate_deg", self.plate_deg, value=self.value)
        if not all(0.05 <= v <= 1.0 for v in self.value):
            raise fault(
                "is outside the allowed range",
                key="value",
                value=list(self.value),
                allowed="0.05 to 1",
            )
        return self

    @property
    def psi(self) -> tuple[float, ...]:
        """Plate angle from the plane normal to the bore [rad]."""
        return tuple(math.radians(a) for a in self.plate_deg)


class Lever(Frozen):
    """Motor angle against plate angle when the motor turns the shaft through a linkage."""

    motor_deg: _Degrees
    plate_deg: _Degrees

    @model_validator(mode="after")
    def _check(self) -> Lever:
        check_ascending(self.motor_deg, key="motor_deg")
        check_lengths("motor_deg", self.motor_deg, plate_deg=self.plate_deg)
        check_ascending(self.plate_deg, key="plate_deg")
        return self


def _check_stops(
    bore: float, shaft: float | None, closed: float | None, open_: float | None
) -> None:
    if shaft is not None and shaft >= bore:
        raise fault(
            "the shaft is not narrower than the bore",
            key="shaft",
            value=f"{shaft * 1e3:g} mm",
            allowed=f"below the bore of {bore * 1e3:g} mm",
            contradiction=True,
        )
    if closed is not None and open_ is not None and closed >= open_:
        raise fault(
            "the closed stop is not below the open stop",
            key="closed",
            value=f"{math.degrees(closed):g} deg",
            allowed=f"below the open stop of {math.degrees(open_):g} deg",
            contradiction=True,
        )


class Plate(Frozen):
    """The plate or plates. Only the bore must be known."""

    count: Annotated[int, Field(ge=1, le=16, strict=True)] = 1
    bore: _Bore
    """Bore of one plate body [m]."""
    shaft: _Shaft = ASSUMED
    """Shaft diameter seen end-on at full opening [m]; 0 leaves the shaft out."""
    closed: _Stop = ASSUMED
    """Closed stop psi0, from the plane normal to the bore [rad]."""
    open: _Stop = ASSUMED
    """Open stop, from the same plane [rad]."""
    default_opening: Annotated[float, Quantity("angle", "deg", 0.0, 45.0)] = ASSUMED
    """Unpowered rest position above the closed stop [rad]."""
    gap: Annotated[float, Quantity("length", "um", 0.0, 500.0)] | None = None
    """Radial gap between plate and bore at the closed stop [m]."""
    leak_area: Annotated[float, Quantity("area", "mm^2", 0.0, 200.0)] = ASSUMED
    """Open area of one closed plate, before the discharge coefficient [m^2]; filled from the gap
    when that is given."""
    discharge: Discharge = ASSUMED
    critical_ratio: Annotated[float, Quantity("ratio", "", 0.3, 0.6)] = ASSUMED
    """Pressure ratio at which the flow chokes [-]."""
    loss_coefficient: Annotated[float, Quantity("ratio", "", 0.0, 5.0)] = ASSUMED
    """K of dp = K rho v^2 / 2 at full opening [-]."""
    upstream_of: Literal["manifold", "compressor"] = "manifold"
    arrangement: Arrangement = ASSUMED
    runner_volume: Annotated[float, Quantity("volume", "L", 0.01, 5.0)] = ASSUMED
    """Volume between one plate and its valves [m^3]; used for individual plates."""
    lever: Lever | None = None
    sensor_bits: Annotated[int, Field(ge=6, le=24, strict=True)] = ASSUMED
    sensor_span: Annotated[float, Quantity("voltage", "V", 0.5, 5.0)] = ASSUMED
    """Voltage between the stops on the main sensor track [V]."""

    @model_validator(mode="before")
    @classmethod
    def _one_leak(cls, data: Any, info: ValidationInfo) -> Any:
        # A completed build holds the area that follows from the gap beside the gap itself.
        written = isinstance(data, dict) and not (info.context or {}).get("si")
        if written and None not in (data.get("gap"), data.get("leak_area")):
            raise fault(
                "both a gap and a leak area are given",
                key="leak_area",
                allowed="one of plate.gap and plate.leak_area",
                contradiction=True,
            )
        return data

    @model_validator(mode="after")
    def _check(self) -> Plate:
        _check_stops(self.bore, self.shaft, self.closed, self.open)
        default: float | None = self.default_opening
        stops: list[float | None] = [self.closed, self.open]
        if default is not None and None not in stops and default >= self.open - self.closed:
            raise fault(
                "the unpowered position is not between the stops",
                key="default_opening",
                value=f"{math.degrees(default):g} deg",
                allowed=f"0 to {math.degrees(self.open - self.closed):g} deg",
                contradiction=True,
            )
        return self


class Cam(Frozen):
    """Pedal travel against opening of a cable-driven plate, as shares of the whole."""

    pedal: AscendingRatios
    opening: AscendingRatios

    @model_validator(mode="after")
    def _check(self) -> Cam:
        check_ascending(self.pedal, key="pedal")
        check_lengths("pedal", self.pedal, opening=self.opening)
        check_ascending(self.opening, key="opening")
        return self


class PreviousPlate(Frozen):
    """The plate whose feel is to be kept."""

    count: Annotated[int, Field(ge=1, le=16, strict=True)] = 1
    bore: _Bore
    shaft: _Shaft = ASSUMED
    closed: _Stop = ASSUMED
    open: _Stop = ASSUMED
    cam: Cam = ASSUMED

    @model_validator(mode="after")
    def _check(self) -> PreviousPlate:
        _check_stops(self.bore, self.shaft, self.closed, self.open)
        return self


class AirPath(Frozen):
    """Volumes and resistances between the filter and the manifold."""

    manifold_volume: Annotated[float, Quantity("volume", "L", 0.05, 50.0)] = ASSUMED
    """Manifold behind the plate [m^3]."""
    charge_pipe_volume: Annotated[float, Quantity("volume", "L", 0.0, 100.0)] = ASSUMED
    """Charge pipe with intercooler before the plate [m^3]."""
    filter_resistance: _Resistance = ASSUMED
    """H of m = sqrt(p / (H T)) sqrt(dp), a bare number in SI."""
    restrictor: Annotated[float, Quantity("length", "mm", 10.0, 100.0)] | None = None
    """Throat of the intake restrictor that a rule book asks for [m]; none when left out."""
    intercooler_resistance: _Resistance = ASSUMED
    """The same for the intercooler, a bare number in SI."""
    intercooler_effectiveness: Annotated[float, Quantity("ratio", "", 0.0, 1.0)] = ASSUMED
    """Share of the compressor's temperature rise that is taken out [-]."""
    charge_model: Literal["isothermal", "adiabatic"] = ASSUMED
    """Whether the manifold's walls hold its temperature while it fills and empties."""
