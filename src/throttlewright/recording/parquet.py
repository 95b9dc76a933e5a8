"""One Parquet file per recording: one row per channel, so that each keeps its own clock.

Columns ``name``, ``unit``, ``t_s``, ``values`` and ``status`` (the last three are lists; no list
of status codes means that the channel has none). The file metadata holds ``format``,
``format_version``, ``events`` and ``meta``, the last two as JSON.

Version 1 : first version.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from throttlewright.foundation.errors import InputError
from throttlewright.recording.recording import Channel, Event, Recording

__all__ = ["FORMAT", "FORMAT_VERSION", "read_parquet", "write_parquet"]

FORMAT = "throttlewright.recording"
FORMAT_VERSION = 1


def _list_column(pa: Any, arrays: list[Any], kind: Any) -> Any:
    lengths = [0 if array is None else len(array) for array in arrays]
    offsets = np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)
    present = [array for array in arrays if array is not None]
    flat = np.concatenate(present) if present else np.empty(0)
    missing = pa.array([array is None for array in arrays], type=pa.bool_())
    return pa.LargeListArray.from_arrays(
        pa.array(offsets, type=pa.int64()),
        # from_pandas=False keeps NaN a value; it must not turn into "missing".
        pa.array(flat, type=kind, from_pandas=False),
        mask=missing,
    )


def write_parquet(recording: Recording, path: str | Path) -> None:
    """Write a recording to one file; on failure the file that was there stays as it was.

    Parameters
    ----------
    recording : Recording
        What to write.
    path : str or Path
        File to write; its folder must exist.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    channels = list(recording.channels.values())
    events = [[event.t_s, event.name, event.text] for event in recording.events]
    metadata = {
        "format": FORMAT,
        "format_version": str(FORMAT_VERSION),
        "events": json.dumps(events),
        "meta": json.dumps(recording.meta, sort_keys=True),
    }
    columns = {
        "name": pa.array([c.name for c in channels], type=pa.string()),
        "unit": pa.array([c.unit for c in channels], type=pa.string()),
        "t_s": _list_column(pa, [c.t_s for c in channels], pa.float64()),
        "values": _list_column(pa, [c.values for c in channels], pa.float64()),
        "status": _list_column(pa, [c.status for c in channels], pa.uint8()),
    }
    table = pa.table(columns).replace_schema_metadata(metadata)
    target = Path(path)
    scratch: Path | None = None
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        scratch = Path(name)
        os.close(handle)
        pq.write_table(table, scratch, compression="zstd", write_statistics=False)
        scratch.replace(target)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror or error})", file=path) from None
    finally:
        if scratch is not None:
            scratch.unlink(missing_ok=True)


def read_parquet(path: str | Path) -> Recording:
    """Read a recording from a file.

    Parameters
    ----------
    path : str or Path
        File that ``write_parquet`` wrote, of this or an older version.

    Returns
    -------
    Recording
        The same recording, bit for bit.

    Raises
    ------
    InputError
        If the file is missing, broken, of another kind or of a newer version.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    if not Path(path).is_file():
        raise InputError("there is no such file", file=path)
    try:
        with pq.ParquetFile(path) as opened:
            table = opened.read()
        metadata = {k.decode(): v.decode() for k, v in (table.schema.metadata or {}).items()}
    except (pa.ArrowException, OSError, ValueError) as error:
        reason = str(error).partition("\n")[0]
        raise InputError(f"is not a readable Parquet file ({reason})", file=path) from None
    _check_version(metadata, path)
    try:
        events = tuple(Event(*event) for event in json.loads(metadata["events"]))
        meta = json.loads(metadata["meta"])
        if not isinstance(meta, dict):
            raise InputError("is not a group of facts", key="meta", value=meta)
        channels = [_channel(table, row) for row in range(table.num_rows)]
        return Recording.of(channels, events, meta)
    except InputError as error:
        raise error.in_file(path) from None
    except (pa.ArrowException, AttributeError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"is not a complete recording ({type(error).__name__}: {error})", file=path
        ) from None


def _check_version(metadata: dict[str, str], path: str | Path) -> None:
    if metadata.get("format") != FORMAT:
        raise InputError(
            "is a Parquet file, but not a recording",
            file=path,
            key="format",
            value=metadata.get("format", ""),
            allowed=FORMAT,
        )
    written = metadata.get("format_version", "")
    if not (written.isascii() and written.isdigit() and 0 < len(written) < 10 and int(written) > 0):
        raise InputError("is not a version number", file=path, key="format_version", value=written)
    if int(written) > FORMAT_VERSION:
        raise InputError(
            "the recording was written by a newer version of this program",
            file=path,
            key="format_version",
            value=int(written),
            allowed=f"1 to {FORMAT_VERSION}",
            advice="update the program to read it",
        )


def _channel(table: Any, row: int) -> Channel:
    def numbers(column: str) -> Any:
        cell = table.column(column)[row]
        return cell.values.to_numpy(zero_copy_only=False) if cell.is_valid else None

    t_s, values, status = numbers("t_s"), numbers("values"), numbers("status")
    name = table.column("name")[row].as_py()
    if t_s is None or values is None:
        raise InputError("the channel has no list of times or values", key=str(name))
    return Channel(name, table.column("unit")[row].as_py(), t_s, values, status)
