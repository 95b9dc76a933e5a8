"""Schema of the controller: what it can drive, read and shut off."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from throttlewright.build.fields import ASSUMED, Frozen, Quantity, fault

__all__ = ["BrakeSignal", "BridgeOff", "Controller", "ShutOff", "TrackPair"]

TrackPair = Literal["half", "offset", "mirror", "identical"]
ShutOff = Literal["bridge", "relay", "fuel", "ignition"]
BrakeSignal = Literal["none", "one switch", "two switches", "pressure"]
BridgeOff = Literal["open", "brake"]

_Ampere = Annotated[float, Quantity("current", "A", 0.5, 100.0)]


class Controller(Frozen):
    """What the controller can drive, read and shut off."""

    bridge_current: _Ampere = ASSUMED
    """Most that the bridge of the plate motor delivers before it protects itself [A]."""
    fuse: _Ampere = ASSUMED
    """Fuse of the plate motor's supply [A]."""
    bridge_off: BridgeOff = ASSUMED
    """What the bridge does when it is switched off: leave the winding open, or short it."""
    track_pairs: Annotated[tuple[TrackPair, ...], Field(min_length=1, max_length=4)] = ASSUMED
    """Relations between the two tracks of a sensor that the controller can check."""
    sensor_supplies: Annotated[int, Field(ge=1, le=8)] = ASSUMED
    """Separate 5 V supplies for sensors."""
    shut_off: Annotated[tuple[ShutOff, ...], Field(min_length=1, max_length=4)] = ASSUMED
    """Ways to take power away that work without each other."""
    brake_signal: BrakeSignal = ASSUMED

    @model_validator(mode="after")
    def _check(self) -> Controller:
        for key in ("track_pairs", "shut_off"):
            words: tuple[str, ...] | None = getattr(self, key)
            if words is not None and len(set(words)) != len(words):
                raise fault("names something twice", key=key, value=list(words))
        return self
