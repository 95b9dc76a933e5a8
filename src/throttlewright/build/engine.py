"""Schema of the engine: geometry, fuel, breathing and friction."""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from throttlewright.build.fields import (
    ASSUMED,
    RPM,
    AscendingRpm,
    CurveOverRpm,
    Frozen,
    Number,
    Numbers,
    Quantity,
    check_ascending,
    check_lengths,
    fault,
)

__all__ = ["Correction", "Dyno", "Engine", "FrictionTorque", "MeasuredAt", "Overlap"]

MeasuredAt = Literal["crank", "hub", "roller"]
Correction = Literal["none", "SAE J1349", "ISO 1585", "DIN 70020"]
Overlap = Literal["short", "medium", "long"]

_Ratio = Annotated[float, Quantity("ratio", "", 0.0, 1.0)]
_Lambda = Annotated[float, Quantity("ratio", "", 0.6, 1.6)]


def _check_fuel(text: str) -> str:
    if not re.fullmatch(r"(petrol|ethanol blend)( \d{2,3} RON)?", text):
        raise fault(
            "is not a known fuel",
            value=text,
            allowed='petrol or ethanol blend, with an octane number, such as "petrol 98 RON"',
        )
    return text


class Dyno(Frozen):
    """A measured full-load torque curve with its pedigree.

    Either ``file`` (a comma-separated text with the columns rpm, torque [N m] and, if recorded,
    map [kPa absolute]) or the same columns inline. ``torque`` is in N m and ``map`` in kPa as
    written; the properties give SI. Without ``measured_at`` and ``correction`` the curve counts
    as known to 15 % only.
    """

    file: str | None = None
    rpm: AscendingRpm = ()
    torque: Numbers = ()
    map: Numbers | None = None
    measured_at: MeasuredAt | None = None
    correction: Correction | None = None
    lambda_: _Lambda | None = Field(default=None, alias="lambda")
    ambient_pressure: Annotated[float, Quantity("pressure", "bar", 0.5, 1.1)] | None = None
    ambient_temperature: Annotated[float, Quantity("temperature", "degC", -40, 60)] | None = None
    ambient_humidity: _Ratio | None = None
    loss_share: Annotated[float, Quantity("ratio", "", 0.0, 0.4)] | None = None

    @property
    def has_pedigree(self) -> bool:
        """Whether it is known where the curve was measured and how it was corrected."""
        return self.measured_at is not None and self.correction is not None

    @property
    def speed(self) -> tuple[float, ...]:
        """Engine speed [rad/s]."""
        return tuple(n * RPM for n in self.rpm)

    @property
    def map_pressure(self) -> tuple[float, ...] | None:
        """Manifold pressure, absolute [Pa], or None when it was not recorded."""
        return None if self.map is None else tuple(1e3 * p for p in self.map)

    @model_validator(mode="after")
    def _check(self) -> Dyno:
        if self.file is not None and not self.rpm:
            return self
        if not self.rpm or not self.torque:
            raise fault(
                "has no curve", allowed="file, or rpm and torque", advice="give one of the two"
            )
        check_ascending(self.rpm, key="rpm")
        check_lengths("rpm", self.rpm, torque=self.torque, map=self.map)
        if self.map is not None and not all(5.0 < p < 600.0 for p in self.map):
            raise fault("is outside the allowed range", key="map", allowed="5 to 600 kPa absolute")
        return self


class FrictionTorque(Frozen):
    """Friction and auxiliaries as a torque: constant + quadratic * w^2."""

    constant: Annotated[float, Quantity("torque", "N*m", 0, 500)]
    quadratic: Annotated[float, Quantity("ratio", "", 0.0, 0.1)]
    """In N m s^2, a bare number."""


class Engine(Frozen):
    """The engine. Only displacement, cylinders and rev limit must be known."""

    displacement: Annotated[float, Quantity("volume", "L", 0.05, 15)] = ASSUMED
    """Swept volume of all cylinders [m^3]."""
    cylinders: Annotated[int, Field(ge=1, le=16, strict=True)]
    bore: Annotated[float, Quantity("length", "mm", 30, 160)] = ASSUMED
    """Cylinder bore [m]."""
    stroke: Annotated[float, Quantity("length", "mm", 25, 160)] = ASSUMED
    """Stroke [m]."""
    compression_ratio: Annotated[float, Quantity("ratio", "", 5.0, 18.0)] = ASSUMED
    idle_speed: Annotated[float, Quantity("angular speed", "rpm", 300, 3000)] = ASSUMED
    """Idle speed [rad/s]."""
    rev_limit: Annotated[float, Quantity("angular speed", "rpm", 2000, 20000)]
    """Rev limit [rad/s]."""
    fuel: Annotated[str, AfterValidator(_check_fuel)] = ASSUMED
    """``petrol`` or ``ethanol blend``, with the octane number, such as ``petrol 98 RON``."""
    heating_value: Annotated[float, Quantity("heating value", "MJ/kg", 15.0, 50.0)] | None = None
    """Lower heating value [J/kg]; from fuel and ethanol share when left out."""
    stoichiometric: Annotated[float, Quantity("ratio", "", 8.0, 16.0)] | None = None
    """Air for one kilogram of fuel at lambda 1 [-]; likewise."""
    ethanol: _Ratio = ASSUMED
    """Volume share of ethanol [-]."""
    cam_overlap: Overlap = ASSUMED
    inertia: Annotated[float, Quantity("inertia", "kg*m^2", 0.005, 5)] = ASSUMED
    """Crankshaft, flywheel and clutch [kg m^2]."""
    volumetric_efficiency: CurveOverRpm | None = None
    """Air drawn in as a share of manifold air filling the displacement, at equal pressure in
    manifold and exhaust [-]; a typical curve when neither it nor a dyno curve is given."""
    dyno: Dyno | None = None
    lambda_full: _Lambda = ASSUMED
    """Air-fuel ratio at full load over stoichiometric [-]."""
    lambda_part: _Lambda = ASSUMED
    """The same at part load [-]."""
    ignition_retard_full: Annotated[float, Quantity("angle", "deg", 0, 25)] = ASSUMED
    """Ignition behind best torque at full load, for knock [rad]."""
    catalyst: bool | None = None
    """Whether a catalyst stands in the exhaust; when left out, on the road only."""
    friction_constant: Annotated[float, Quantity("pressure", "kPa", 0, 500)] = ASSUMED
    """c0 of friction mean effective pressure c0 + c1 S_p + c2 S_p^2 [Pa]."""
    friction_linear: Number = ASSUMED
    """c1 [Pa/(m/s)], a bare number."""
    friction_quadratic: Number = ASSUMED
    """c2 [Pa/(m/s)^2], a bare number."""
    friction_torque: FrictionTorque | None = None
    """Takes the place of the polynomial when given."""
    efficiency: CurveOverRpm | None = None
    """Indicated efficiency over speed; takes the place of the built-in model when given [-]."""
    exhaust_resistance: Annotated[float, Quantity("ratio", "", 0.0, 1e11)] = ASSUMED
    """H of m = sqrt(p / (H T)) sqrt(dp), a bare number in SI."""
    exhaust_rise: Annotated[float, Quantity("pressure", "bar", 0.0, 5.0)] = ASSUMED
    """Constant part of the back pressure, above ambient [Pa]."""
    charge_temperature_rise: Annotated[float, Quantity("ratio", "", 0.0, 80.0)] = ASSUMED
    """Warming of the charge on its way into the cylinder [K], a bare number of kelvin."""
    induction_delay: Annotated[float, Quantity("angle", "deg", 0.0, 540.0)] = ASSUMED
    """Turn of the crank from filling to torque [rad]."""
    coolant_capacity: Annotated[float, Quantity("ratio", "", 1e3, 5e6)] = ASSUMED
    """Heat capacity of engine metal and coolant [J/K], a bare number."""
    exhaust_volume: Annotated[float, Quantity("volume", "L", 0.05, 50.0)] = ASSUMED
    """Exhaust between the valves and the turbine or the first silencer [m^3]."""

    @model_validator(mode="before")
    @classmethod
    def _one_breathing(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("dyno") and data.get("volumetric_efficiency"):
            raise fault(
                "both a dyno curve and a volumetric efficiency are given",
                key="volumetric_efficiency",
                allowed="one of engine.dyno and engine.volumetric_efficiency",
                advice="keep the one that was measured",
                contradiction=True,
            )
        return data

    @model_validator(mode="after")
    def _check(self) -> Engine:
        curve = self.volumetric_efficiency
        if curve is not None and not all(0.1 <= v <= 1.4 for v in curve.value):
            raise fault(
                "is outside the allowed range",
                key="volumetric_efficiency.value",
                value=list(curve.value),
                allowed="0.1 to 1.4",
            )
        idle: float | None = self.idle_speed
        if idle is not None and idle >= self.rev_limit:
            raise fault(
                "the idle speed is not below the rev limit",
                key="idle_speed",
                value=f"{idle / RPM:.0f} rpm",
                allowed=f"below {self.rev_limit / RPM:.0f} rpm",
                contradiction=True,
            )
        sizes: list[float | None] = [self.displacement, self.bore, self.stroke]
        volume, bore, stroke = sizes
        if volume is None and (bore is None or stroke is None):
            raise fault(
                "is required",
                key="displacement",
                advice="give the displacement, or both bore and stroke",
            )
        if volume is not None and bore is not None and stroke is not None:
            swept = math.pi / 4.0 * bore**2 * stroke * self.cylinders
            if abs(swept / volume - 1.0) > 0.02:
                raise fault(
                    "does not agree with bore, stroke and cylinders, which give "
                    f"{swept * 1e6:.0f} cc",
                    key="displacement",
                    value=f"{volume * 1e6:.0f} cc",
                    allowed="within 2 % of bore, stroke and cylinders",
                    contradiction=True,
                )
        return self
