"""Schema of the whole build."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from throttlewright.build.charging import Boost, Centrifugal, ChargingKind, Supercharger, Turbo
from throttlewright.build.controller import Controller
from throttlewright.build.engine import Engine
from throttlewright.build.fields import ASSUMED, Frozen, fault
from throttlewright.build.plate import AirPath, Plate, PreviousPlate
from throttlewright.build.servo import Sensors, Servo
from throttlewright.build.vehicle import Driveline, Pedal, Site, Vehicle

__all__ = ["BUILD_FORMAT", "BUILD_VERSION", "Build"]

BUILD_FORMAT = "throttlewright.build"
BUILD_VERSION = 1


class Build(Frozen):
    """What the car is. Every number is in SI; a field left out is None until it is completed."""

    format: Literal["throttlewright.build"] = "throttlewright.build"
    format_version: Literal[1] = 1
    name: Annotated[str, Field(min_length=1, max_length=120)]
    use: Literal["road", "track", "competition"] = "road"
    source: str = ""
    """Where the numbers come from, for a published set."""
    claims: str = ""
    """What the set does and does not claim."""
    engine: Engine
    plate: Plate
    air_path: AirPath = AirPath()
    charging: ChargingKind = ASSUMED
    """Filled from the section that is present."""
    turbo: Turbo | None = None
    supercharger: Supercharger | None = None
    centrifugal: Centrifugal | None = None
    servo: Servo = Servo()
    sensors: Sensors = Sensors()
    controller: Controller = Controller()
    pedal: Pedal = Pedal()
    driveline: Driveline = Driveline()
    vehicle: Vehicle = Vehicle()
    site: Site = Site()
    previous_plate: PreviousPlate | None = None

    @property
    def charging_kind(self) -> ChargingKind:
        """Kind of charging, from the section that is present."""
        if self.turbo is not None:
            return "turbo"
        if self.supercharger is not None:
            return "supercharger"
        return "none" if self.centrifugal is None else "centrifugal"

    @property
    def boost(self) -> Boost | None:
        """Measured boost, from the section that is present."""
        for section in (self.turbo, self.supercharger, self.centrifugal):
            if section is not None:
                return section.boost
        return None

    @model_validator(mode="after")
    def _check(self) -> Build:
        sections = [
            name
            for name in ("turbo", "supercharger", "centrifugal")
            if getattr(self, name) is not None
        ]
        if len(sections) > 1:
            raise fault(
                f"more than one kind of charging is given ({' and '.join(sections)})",
                key=sections[1],
                allowed="one of turbo, supercharger, centrifugal, or none of them",
                contradiction=True,
            )
        stated: str | None = self.charging
        if stated is not None and stated != self.charging_kind:
            advice = f"add the section [{stated}]" if stated != "none" else f"drop [{sections[0]}]"
            raise fault(
                f"says {stated}, but the sections say {self.charging_kind}",
                key="charging",
                advice=advice,
                contradiction=True,
            )
        if self.plate.upstream_of == "compressor" and self.charging_kind == "none":
            raise fault(
                "the plate is said to be upstream of a compressor, but there is no charging",
                key="plate.upstream_of",
                allowed="manifold",
                contradiction=True,
            )
        arrangement: str | None = self.plate.arrangement
        if arrangement not in (None, "common plenum") and self.plate.count == 1 < (
            self.engine.cylinders
        ):
            raise fault(
                "individual plates need one plate per cylinder or per group",
                key="plate.count",
                value=self.plate.count,
                allowed=f"2 to {self.engine.cylinders}",
                contradiction=True,
            )
        return self
