"""What a scenario file is made of: start, inputs, driver and variants."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from throttlewright.build.fields import RPM, Frozen, Number, Quantity, fault
from throttlewright.drive.channels import CHANNELS, channel_named
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.units import parse_quantity

__all__ = ["Driver", "EngineSpeed", "Input", "Start", "Vary"]

_Pct = Annotated[float, Quantity("ratio", "", 0.0, 100.0)]
_Gear = Annotated[int, Field(ge=0, le=10)]
_LOW_RPM, _HIGH_RPM = 300.0, 20000.0


class EngineSpeed(Frozen):
    """An engine speed: a figure, or a share of the range from idle speed to the limit."""

    rpm: float | None = None
    """Engine speed [rev/min], where a figure is written."""
    share: float | None = None
    """Share of the range from idle speed to the limit [-], where a percent is written."""
    written: str = ""
    """As in the file."""

    def speed(self, *, idle_speed: float, limit_speed: float) -> float:
        """Return the engine speed on a car.

        Parameters
        ----------
        idle_speed : float [rad/s]
            Of the warm engine.
        limit_speed : float [rad/s]
            Where the engine is limited.

        Returns
        -------
        float [rad/s]
            The figure itself, or idle speed + share (limit - idle speed).
        """
        if self.share is not None:
            return idle_speed + self.share * (limit_speed - idle_speed)
        return (self.rpm or 0.0) * RPM

    @property
    def label(self) -> str:
        """Short text without blanks, for the name of a variant."""
        return "".join(self.written.split()).replace("%", "pct")


def _read_speed(value: Any) -> EngineSpeed | Any:
    if not isinstance(value, str):
        if isinstance(value, int | float):
            raise fault(
                "needs a unit", value=value, allowed='such as "2500 rpm", or a share such as "40 %"'
            )
        return value
    if value.strip().endswith("%"):
        kind, low, high, unit = "ratio", 0.0, 1.0, ""
        allowed = "0 % to 100 % of the range from idle speed to the limit"
    else:
        kind, low, high, unit = "angular speed", _LOW_RPM * RPM, _HIGH_RPM * RPM, "rpm"
        allowed = f"{_LOW_RPM:g} to {_HIGH_RPM:g} rpm"
    try:
        number = parse_quantity(value, kind)
    except InputError as error:
        raise fault(
            error.message, value=error.value, allowed=error.allowed, advice=error.advice
        ) from None
    if not low * (1.0 - 1e-9) <= number <= high * (1.0 + 1e-9):
        raise fault("is outside the allowed range", value=value, allowed=allowed)
    if unit:
        return EngineSpeed(rpm=number / RPM, written=value)
    return EngineSpeed(share=number, written=value)


class Start(Frozen):
    """The state the car is brought to before the scenario starts."""

    engine: Literal["idle", "speed", "off"] = "idle"
    speed: EngineSpeed | None = None
    """Engine speed; with ``engine = "speed"`` only."""
    gear: _Gear = 0
    coolant: Annotated[float, Quantity("temperature", "degC", -40.0, 130.0)] = 363.15
    """Coolant [K]."""
    oil: Annotated[float, Quantity("temperature", "degC", -40.0, 170.0)] | None = None
    """Oil [K]; as the coolant when left out."""
    pedal_pct: _Pct = 0.0
    """Pedal while the car settles [%]."""
    settle: Annotated[float, Quantity("time", "s", 0.0, 60.0)] = 2.0
    """Time the speed is held before the scenario starts [s]; not recorded."""
    rolling: bool = True
    """Whether the car rolls at the road speed of the gear; otherwise it stands."""

    @field_validator("speed", mode="before")
    @classmethod
    def _speed(cls, value: Any) -> Any:
        return _read_speed(value)

    @model_validator(mode="after")
    def _check(self) -> Start:
        if self.engine == "speed" and self.speed is None:
            raise fault('is required with engine = "speed"', key="speed", contradiction=True)
        if self.engine != "speed" and self.speed is not None:
            raise fault(
                f'is given, but engine is "{self.engine}"',
                key="speed",
                value=self.speed.written,
                allowed='engine = "speed"',
                contradiction=True,
            )
        return self


class Input(Frozen):
    """One input channel over time."""

    channel: str
    t_s: tuple[Number, ...]
    """Times from the start of the scenario [s]."""
    value: tuple[Number, ...]
    """Values in the unit of the channel."""
    shape: Literal["linear", "step"] | None = None
    """How values run from point to point; without it, the way of the channel."""

    @property
    def column(self) -> int:
        """Column of the channel in the input table."""
        return channel_named(self.channel)

    @model_validator(mode="after")
    def _check(self) -> Input:
        try:
            channel = CHANNELS[channel_named(self.channel)]
        except InputError as error:
            raise fault(
                error.message,
                key="channel",
                value=error.value,
                allowed=error.allowed,
                advice=error.advice,
            ) from None
        if not self.t_s or len(self.t_s) != len(self.value):
            raise fault(
                f"has {len(self.value)} values where t_s has {len(self.t_s)}",
                key="value",
                allowed="as many values as times, at least one",
                contradiction=True,
            )
        if self.t_s[0] < 0.0:
            raise fault("is before the start", key="t_s", value=self.t_s[0], allowed="0 or later")
        linear = (self.shape or channel.shape) == "linear"
        for left, right in pairwise(self.t_s):
            if not right > left:
                raise fault(
                    f"must ascend, but {right:g} follows {left:g}",
                    key="t_s",
                    advice='use shape = "step" for a jump' if linear else None,
                )
        unit = "" if channel.unit == "1" else f" {channel.unit}"
        for number in self.value:
            if not channel.low <= number <= channel.high:
                raise fault(
                    "is outside the allowed range",
                    key="value",
                    value=number,
                    allowed=f"{channel.low:g} to {channel.high:g}{unit}",
                )
            if channel.whole and number != round(number):
                raise fault("is not a whole number", key="value", value=number)
        if channel.whole and self.shape == "linear":
            raise fault(
                "is not for a channel of whole numbers",
                key="shape",
                value="linear",
                allowed='"step"',
                contradiction=True,
            )
        return self


class Driver(Frozen):
    """A driver who acts on what the car does, in place of a written pedal."""

    kind: Literal["grip_seeking"]
    """Opens up until the driven tyres slip as much as wanted."""
    reaction_delay: Annotated[float, Quantity("time", "s", 0.0, 1.0)] = 0.25
    """From what is felt to what the foot does [s]."""
    pedal_resolution: Annotated[float, Quantity("length", "mm", 0.0, 20.0)] = 1e-3
    """Smallest step of the foot at the pad [m]."""
    slip_target: Annotated[float, Quantity("ratio", "", 0.005, 0.5)] = 0.08
    """Slip of the driven tyres that is sought [-]."""
    gain: Annotated[float, Quantity("ratio", "", 0.0, 100.0)] = 4.0
    """Relative rate at which the plate is opened while nothing slips [1/s]."""
    start_speed: Annotated[float, Quantity("speed", "m/s", 0.0, 100.0)] = 0.0
    """Road speed below which the driver does nothing [m/s]."""
    perfect: bool = False
    """Whether delay and resolution are left away: the upper bound of what a foot can do."""

    @property
    def delay_s(self) -> float:
        """Delay that acts [s]."""
        return 0.0 if self.perfect else self.reaction_delay

    @property
    def resolution_mm(self) -> float:
        """Resolution that acts [mm]."""
        return 0.0 if self.perfect else self.pedal_resolution * 1e3


class Vary(Frozen):
    """Starts that the scenario is run from, each with each."""

    speed: tuple[EngineSpeed, ...] = ()
    """In place of ``start.speed``."""
    gear: tuple[_Gear, ...] = ()
    """In place of ``start.gear``."""

    @field_validator("speed", mode="before")
    @classmethod
    def _speed(cls, value: Any) -> Any:
        return tuple(_read_speed(v) for v in value) if isinstance(value, list | tuple) else value

    @model_validator(mode="after")
    def _check(self) -> Vary:
        labels = [speed.label for speed in self.speed]
        if len(set(labels)) < len(labels) or len(set(self.gear)) < len(self.gear):
            raise fault("names the same start twice", key="speed" if self.speed else "gear")
        if not self.speed and not self.gear:
            raise fault("varies nothing", allowed="speed, gear or both")
        return self
