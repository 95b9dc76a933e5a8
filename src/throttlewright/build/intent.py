"""Schema of the intent: what the customer wants."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from throttlewright.build.fields import (
    AscendingRatios,
    Frozen,
    Quantity,
    check_ascending,
    check_lengths,
    fault,
)

__all__ = [
    "INTENT_FORMAT",
    "INTENT_VERSION",
    "Basis",
    "ColdEngine",
    "Feel",
    "Intent",
    "Launch",
    "Mode",
    "Overboost",
    "Points",
    "Rules",
    "Traction",
]

INTENT_FORMAT = "throttlewright.intent"
INTENT_VERSION = 1

Feel = Literal["even", "gentle", "old plate", "points"]
Basis = Literal["torque", "power", "acceleration", "blend"]

_Pressure = Annotated[float, Quantity("pressure", "bar", 0.0, 7.0)]
_Celsius = Annotated[float, Quantity("temperature", "degC", -50.0, 150.0)]


class Points(Frozen):
    """Torque share over pedal, both from 0 to 100 %.

    Pedal counts over the travel before the opening to the stop, share over the mode's own torque.
    """

    pedal: AscendingRatios
    share: AscendingRatios

    @model_validator(mode="after")
    def _check(self) -> Points:
        check_ascending(self.pedal, key="pedal")
        check_lengths("pedal", self.pedal, share=self.share)
        check_ascending(self.share, key="share")
        for key, column in (("pedal", self.pedal), ("share", self.share)):
            if abs(column[0]) > 1e-9 or abs(column[-1] - 1.0) > 1e-9:
                raise fault(
                    "does not run from 0 to 100 %",
                    key=key,
                    value=list(column),
                    allowed="first 0 %, last 100 %",
                    advice="cap the torque of a mode with most_torque, not with its points",
                )
        return self


class Mode(Frozen):
    """Feel of one driving mode."""

    feel: Feel = "even"
    basis: Basis = "blend"
    boost_state: Literal["instant", "settled"] = "instant"
    """Boost state that the feel is promised for; without a turbo both are the same."""
    start: Annotated[float, Quantity("ratio", "", 1.0, 4.0)] = 1.6
    """Exponent of the gentle start [-]."""
    points: Points | None = None
    opens_to_stop_from: Annotated[float, Quantity("ratio", "", 0.5, 1.0)] = 0.90
    """Share of pedal travel from which the plate goes to its open stop [-]."""
    most_torque: Annotated[float, Quantity("ratio", "", 0.05, 1.0)] = 1.0
    """Largest torque share of the mode [-]."""
    slope_limit: Annotated[float, Quantity("ratio", "", 0.2, 20.0)] | None = None
    """Most plate percent for one pedal percent [-]."""
    gears: tuple[Annotated[int, Field(ge=1, le=12, strict=True)], ...] | None = None
    """Gears the mode applies in; all when left out."""

    @model_validator(mode="after")
    def _check(self) -> Mode:
        if self.gears is not None and (not self.gears or len(set(self.gears)) < len(self.gears)):
            raise fault(
                "is no list of gears",
                key="gears",
                value=list(self.gears),
                allowed="each gear once; leave the key out for all gears",
            )
        if self.feel == "points" and self.points is None:
            raise fault("the feel is points, but no points are given", key="points")
        if self.feel != "points" and self.points is not None:
            raise fault(
                f"points are given, but the feel is {self.feel}",
                key="points",
                allowed='points only with feel = "points"',
                contradiction=True,
            )
        return self


class ColdEngine(Frozen):
    """Torque share over coolant temperature."""

    coolant: tuple[_Celsius, ...]
    """Coolant temperature [K]."""
    torque_share: AscendingRatios
    hold_after_start: Annotated[float, Quantity("time", "s", 0.0, 600.0)] = 0.0

    @model_validator(mode="after")
    def _check(self) -> ColdEngine:
        check_ascending(self.coolant, key="coolant")
        check_lengths("coolant", self.coolant, torque_share=self.torque_share)
        return self


class Overboost(Frozen):
    """Manifold pressure that the plate holds, and that at which fuel is cut, absolute [Pa]."""

    limit: _Pressure
    fuel_cut: _Pressure | None = None

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


class Traction(Frozen):
    """Slip at which traction control holds the driven wheels."""

    slip: Literal["auto"] | Annotated[float, Quantity("ratio", "", 0.01, 0.6)] = "auto"


class Launch(Frozen):
    """Engine speed and boost held at the start line."""

    speed: Annotated[float, Quantity("angular speed", "rpm", 1000.0, 12000.0)]
    """Engine speed [rad/s]."""
    boost: Annotated[float, Quantity("pressure", "bar", 0.0, 4.0)] | None = None
    """Gauge [Pa]."""


class Rules(Frozen):
    """Rule books that apply."""

    books: tuple[str, ...] = ()


class Intent(Frozen):
    """What the customer wants."""

    format: Literal["throttlewright.intent"] = "throttlewright.intent"
    format_version: Literal[1] = 1
    mode: Annotated[dict[str, Mode], Field(min_length=1)]
    """Modes by name, in the order written."""
    cold_engine: ColdEngine | None = None
    overboost: Overboost | None = None
    traction: Traction | None = None
    launch: Launch | None = None
    rules: Rules = Rules()

    @property
    def modes(self) -> dict[str, Mode]:
        """Modes by name."""
        return self.mode
