"""One kind of object for what a simulation traced and what a car logged."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from throttlewright.foundation.errors import InputError, nearest

__all__ = ["Channel", "Event", "Method", "Recording"]

Method = Literal["previous", "linear"]


def _frozen_floats(values: ArrayLike, channel: str, what: str) -> NDArray[np.float64]:
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise InputError(f"{what} of a channel must be numbers", key=channel) from None
    if array.ndim != 1:
        raise InputError(
            f"{what} of a channel must be one row of numbers", key=channel, value=array.shape
        )
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Channel:
    """One signal on its own clock.

    Parameters
    ----------
    name : str
        Name, not empty.
    unit : str
        Unit of the values, empty for a pure number.
    t_s : ndarray of shape (n,) [s]
        Times, finite, never falling; two samples may share a time (a step).
    values : ndarray of shape (n,) [unit of the channel]
        Values; NaN means that nothing was recorded there.
    status : ndarray of shape (n,) of uint8 [-], optional
        Status code per sample, 0 is fine.

    Raises
    ------
    InputError
        If lengths differ, or a time is not finite or runs back.
    """

    name: str
    unit: str
    t_s: NDArray[np.float64]
    values: NDArray[np.float64]
    status: NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise InputError("a channel needs a name", value=self.name)
        if not isinstance(self.unit, str):
            raise InputError("the unit of a channel must be text", key=self.name, value=self.unit)
        t_s = _frozen_floats(self.t_s, self.name, "the times")
        values = _frozen_floats(self.values, self.name, "the values")
        if len(t_s) != len(values):
            raise InputError(
                f"times and values differ in number ({len(t_s)} and {len(values)})", key=self.name
            )
        bad = np.flatnonzero(~np.isfinite(t_s))
        if len(bad):
            raise InputError(
                f"the time of sample {bad[0] + 1} is not a finite number", key=self.name
            )
        back = np.flatnonzero(t_s[1:] < t_s[:-1])
        if len(back):
            first = int(back[0])
            raise InputError(
                f"time runs back at sample {first + 2} "
                f"(from {t_s[first]:.6g} s to {t_s[first + 1]:.6g} s)",
                key=self.name,
                advice="sort the samples or split the recording there",
            )
        object.__setattr__(self, "t_s", t_s)
        object.__setattr__(self, "values", values)
        if self.status is not None:
            object.__setattr__(self, "status", self._checked_status(len(t_s)))

    def _checked_status(self, length: int) -> NDArray[np.uint8]:
        raw = np.asarray(self.status)
        if raw.shape != (length,):
            raise InputError(
                f"status and times differ in number ({raw.shape} and {length})", key=self.name
            )
        # An empty list arrives as float64; it holds no code that could be lost.
        if length and (raw.dtype.kind not in "iu" or raw.min() < 0 or raw.max() > 255):
            raise InputError(
                "status codes must be whole numbers", key=self.name, allowed="0 to 255"
            )
        status = raw.astype(np.uint8)
        status.flags.writeable = False
        return status

    def __len__(self) -> int:
        return len(self.t_s)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Channel):
            return NotImplemented
        if (self.status is None) != (other.status is None):
            return False
        same_status = (
            self.status is None or other.status is None or np.array_equal(self.status, other.status)
        )
        return (
            self.name == other.name
            and self.unit == other.unit
            and same_status
            and np.array_equal(self.t_s, other.t_s)
            and np.array_equal(self.values, other.values, equal_nan=True)
        )

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True)
class Event:
    """Something that happened at one time.

    Parameters
    ----------
    t_s : float [s]
        Time, finite.
    name : str
        Short name, not empty.
    text : str
        One sentence, may be empty.
    """

    t_s: float
    name: str
    text: str = ""

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise InputError("an event needs a name", value=self.name)
        if not isinstance(self.text, str):
            raise InputError("the text of an event must be text", key=self.name, value=self.text)
        try:
            t_s = float(self.t_s)
        except (TypeError, ValueError):
            raise InputError("the time of an event must be a number", key=self.name) from None
        if not np.isfinite(t_s):
            raise InputError("the time of an event must be finite", key=self.name, value=t_s)
        object.__setattr__(self, "t_s", t_s)


@dataclass(frozen=True, eq=True)
class Recording:
    """Channels, events and facts about them.

    Parameters
    ----------
    channels : dict of str to Channel
        Channels; each key is the name of its channel.
    events : tuple of Event
        Events, any order.
    meta : dict of str
        Facts such as the scenario or the date; values that JSON can hold.

    Raises
    ------
    InputError
        If a key differs from its channel's name, or a fact cannot be kept.
    """

    channels: dict[str, Channel]
    events: tuple[Event, ...] = ()
    meta: dict[str, object] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key, channel in self.channels.items():
            if not isinstance(channel, Channel):
                raise InputError("is not a channel", key=str(key))
            if key != channel.name:
                raise InputError(
                    f"holds a channel that calls itself {channel.name!r}", key=str(key)
                )
        object.__setattr__(self, "channels", dict(self.channels))
        object.__setattr__(self, "events", tuple(self.events))
        for event in self.events:
            if not isinstance(event, Event):
                raise InputError("an event of a recording is not an event", value=event)
        if not all(isinstance(key, str) for key in self.meta):
            raise InputError("the facts of a recording need text as keys", key="meta")
        try:
            # Through text and back, so that what is in memory is what a file would give.
            meta = json.loads(json.dumps(dict(self.meta), allow_nan=False))
        except (TypeError, ValueError, RecursionError) as error:
            raise InputError(f"a fact cannot be kept ({error})", key="meta") from None
        object.__setattr__(self, "meta", meta)

    __hash__ = None  # type: ignore[assignment]

    @classmethod
    def of(
        cls,
        channels: Iterable[Channel],
        events: Iterable[Event] = (),
        meta: Mapping[str, object] | None = None,
    ) -> Recording:
        """Return a recording of these channels; a name that occurs twice is an error."""
        found: dict[str, Channel] = {}
        for channel in channels:
            if channel.name in found:
                raise InputError("the name is used by two channels", key=channel.name)
            found[channel.name] = channel
        return cls(found, tuple(events), dict(meta or {}))

    def channel(self, name: str) -> Channel:
        """Return a channel by name; the error of an unknown name says which is nearest."""
        try:
            return self.channels[name]
        except KeyError:
            close = nearest(name, list(self.channels))
            raise InputError(
                "there is no such channel",
                key=name,
                allowed=", ".join(sorted(self.channels)) or "none, the recording is empty",
                advice=f"did you mean {close!r}?" if close else None,
            ) from None

    def resample(
        self, name: str, t_s: ArrayLike, method: Method = "previous"
    ) -> NDArray[np.float64]:
        """Return the values of one channel at other times.

        Parameters
        ----------
        name : str
            Name of the channel.
        t_s : ndarray of shape (m,) [s]
            Times asked for, any order.
        method : {"previous", "linear"}
            ``previous`` holds each sample until the next and the last one for ever; ``linear``
            joins the samples by straight lines and has no value after the last.

        Returns
        -------
        ndarray of shape (m,) [unit of the channel]
            Values; NaN before the first sample and where the channel has no value. Where two
            samples share a time, the later one counts.

        Raises
        ------
        InputError
            If the channel or the method is unknown.
        """
        channel = self.channel(name)
        asked = np.asarray(t_s, dtype=np.float64)
        if method not in ("previous", "linear"):
            raise InputError(
                "there is no such way to resample", value=method, allowed="previous, linear"
            )
        if not len(channel):
            return np.full(asked.shape, np.nan)
        if method == "linear":
            result = np.interp(asked, channel.t_s, channel.values, left=np.nan, right=np.nan)
        else:
            index = np.searchsorted(channel.t_s, asked, side="right") - 1
            result = np.where(index >= 0, channel.values[np.maximum(index, 0)], np.nan)
        return np.where(np.isnan(asked), np.nan, result)

    def span(self) -> tuple[float, float]:
        """Return the first and the last time of any sample or event, in seconds.

        Raises
        ------
        InputError
            If the recording holds neither a sample nor an event.
        """
        times = [t for c in self.channels.values() if len(c) for t in (c.t_s[0], c.t_s[-1])]
        times += [event.t_s for event in self.events]
        if not times:
            raise InputError("the recording holds neither a sample nor an event")
        return float(min(times)), float(max(times))
