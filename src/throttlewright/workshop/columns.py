"""A recording as binary columns for a page."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from throttlewright.recording.recording import Recording

__all__ = ["columns", "thinned"]

_MOST_SAMPLES = 1_000_000


def columns(head: dict[str, Any], recording: Recording) -> bytes:
    """Return a recording as binary columns that a page reads without parsing.

    Parameters
    ----------
    head : dict
        What JSON can hold; ``channels`` is added.
    recording : Recording
        Channels; a uniform clock is sent as start and step, another as a column of its own.

    Returns
    -------
    bytes
        Length of the head as little-endian uint32, the head as JSON filled up with blanks to a
        multiple of 8 bytes with those 4, then the columns, each at its ``offset`` from their start:
        values as float32, times as float64.
    """
    parts: list[bytes] = []
    rows: list[dict[str, Any]] = []
    size = 0

    def put(array: np.ndarray) -> int:
        nonlocal size
        start, raw = size, array.tobytes()
        raw += b"\0" * (-len(raw) % 8)
        parts.append(raw)
        size += len(raw)
        return start

    for channel in recording.channels.values():
        t, values = thinned(channel.t_s, channel.values)
        row: dict[str, Any] = {"name": channel.name, "unit": channel.unit, "count": int(t.size)}
        step = float(t[-1] - t[0]) / (t.size - 1) if t.size > 1 else 0.0
        even = t.size > 1 and step > 0.0
        if even:
            even = bool(np.max(np.abs(t - (t[0] + step * np.arange(t.size)))) < 1e-6 * step * 100)
        if even:
            row |= {"t0_s": float(t[0]), "dt_s": step}
        else:
            row["t_offset"] = put(t.astype("<f8"))
        row["offset"] = put(values.astype("<f4"))
        rows.append(row)
    text = json.dumps({**head, "channels": rows}, ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-(len(text) + 4) % 8)
    return len(text).to_bytes(4, "little") + text + b"".join(parts)


def thinned(t: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the least and largest of each stretch of a channel too long to send.

    Parameters
    ----------
    t : ndarray of shape (n,) [s]
        Times.
    values : ndarray of shape (n,)
        Values.

    Returns
    -------
    tuple of ndarray
        Times and values of samples that were recorded, at most a million; no spike is lost.
    """
    if t.size <= _MOST_SAMPLES:
        return t, values
    stretch = -(-t.size // (_MOST_SAMPLES // 2))
    keep: list[np.ndarray] = []
    starts = np.arange(0, t.size, stretch)
    padded = np.full(starts.size * stretch, np.nan)
    padded[: t.size] = values
    block = padded.reshape(-1, stretch)
    for fill, pick in ((np.inf, np.argmin), (-np.inf, np.argmax)):
        keep.append(starts + pick(np.where(np.isnan(block), fill, block), axis=1))
    index = np.unique(np.minimum(np.concatenate(keep), t.size - 1))
    return t[index], values[index]
