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
from throttlewright.build.intent_roles import (
    AntiLag,
    Blip,
    BoostByThrottle,
    ColdEngine,
    Ethanol,
    HotCoolant,
    HotExhaust,
    HotIntake,
    HotOil,
    Idle,
    Launch,
    LeanMixture,
    LowBattery,
    LowFuelPressure,
    LowOilPressure,
    Overboost,
    PedalShaping,
    PitLimit,
    SoftRevLimit,
    SpeedCap,
    TorqueMonitor,
    Traction,
    Upshift,
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
    anti_lag: AntiLag | None = None
    blip: Blip | None = None
    upshift: Upshift | None = None
    idle: Idle | None = None
    hot_coolant: HotCoolant | None = None
    hot_oil: HotOil | None = None
    hot_intake: HotIntake | None = None
    hot_exhaust: HotExhaust | None = None
    lean_mixture: LeanMixture | None = None
    low_fuel_pressure: LowFuelPressure | None = None
    low_oil_pressure: LowOilPressure | None = None
    low_battery: LowBattery | None = None
    ethanol: Ethanol | None = None
    boost_by_throttle: BoostByThrottle | None = None
    pit_limit: PitLimit | None = None
    speed_cap: SpeedCap | None = None
    soft_rev_limit: SoftRevLimit | None = None
    pedal_shaping: PedalShaping | None = None
    torque_monitor: TorqueMonitor | None = None
    rules: Rules = Rules()

    @property
    def modes(self) -> dict[str, Mode]:
        """Modes by name."""
        return self.mode
