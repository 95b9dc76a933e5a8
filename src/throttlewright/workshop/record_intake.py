"""A logged file, text or Parquet, as the recording that the garage keeps."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.errors import InputError
from throttlewright.foundation.units import parse_quantity
from throttlewright.garage.contents import recording_bytes
from throttlewright.recording.csv_table import (
    parse_number,
    read_text,
    separator_of,
    split_cells,
)
from throttlewright.recording.recording import Channel, Recording

__all__ = ["intake", "text_recording"]

_CELL = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\]\s*)?")
_TIMES = ("time", "time_s", "t", "t_s")
_BODY = "body_degC"
_PARQUET = b"PAR1"


def _numbers(cells: list[str], decimal: str, key: str, rows: list[int]) -> NDArray[np.float64]:
    try:
        if decimal == ".":
            values = np.array([float(cell) if cell else np.nan for cell in cells])
            if not np.isinf(values).any():
                return values
    except ValueError:
        pass
    return np.array(
        [
            parse_number(cell, decimal=decimal, key=f"row {row}, column {key}") if cell else np.nan
            for row, cell in zip(rows, cells, strict=True)
        ]
    )


def _seconds(unit: str, name: str) -> float:
    if not unit and name.casefold().endswith("_s"):
        return 1.0
    return parse_quantity(f"1 {unit}", "time", key=name)


def _electric(unit: str) -> tuple[float, str]:
    """Factor and unit of a channel: volts and amperes are kept as such, the rest as written."""
    for kind, si in (("voltage", "V"), ("current", "A")):
        try:
            return parse_quantity(f"1 {unit}", kind), si
        except InputError:
            continue
    return 1.0, unit


def text_recording(path: str) -> Recording:
    """Read a logged text table whose header names its columns ``name [unit]``.

    Parameters
    ----------
    path : str
        UTF-8 text; cells separated by tabs, semicolons or commas, decimal point, or a comma where
        commas do not separate cells. A column ``time [s]`` or ``time_s`` is needed. Columns whose
        first cell is text are left out, and empty cells are no samples.

    Returns
    -------
    Recording
        Voltages in V, currents in A, other channels as written; the cell ``body_degC`` becomes the
        fact of that name.

    Raises
    ------
    InputError
        If it cannot be read; names row and column.
    """
    lines = [
        (number, line)
        for number, line in enumerate(read_text(path).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(lines) < 3:
        raise InputError("holds no record", file=path, advice="a header and rows of numbers")
    mark = separator_of([line for _, line in lines])
    header = split_cells(lines[0][1], mark)
    rows = [(number, split_cells(line, mark)) for number, line in lines[1:]]
    for number, cells in rows:
        if len(cells) != len(header):
            raise InputError(
                f"has {len(cells)} cells, but the header names {len(header)} columns",
                file=path, key=f"row {number}",
            )  # fmt: skip
    numbers = [number for number, _ in rows]
    decimal = "." if mark == "," or not any("," in c for c in rows[0][1]) else ","
    names: list[tuple[str, str]] = []
    for cell in header:
        found = _CELL.fullmatch(cell)
        if found is None or not found["name"]:
            raise InputError(
                "cannot be read as a column name", file=path, value=cell, allowed="name [unit]"
            )
        names.append((found["name"], (found["unit"] or "").strip()))
    clock = next((k for k, (n, _) in enumerate(names) if n.casefold() in _TIMES), None)
    if clock is None:
        raise InputError(
            "the column is missing", file=path, key="time",
            advice="name the clock time_s, or time with its unit: time [ms]",
        )  # fmt: skip
    try:
        factor = _seconds(names[clock][1], names[clock][0])
        t = factor * _numbers([c[clock] for _, c in rows], decimal, names[clock][0], numbers)
        if not np.isfinite(t).all():
            raise InputError("a row without a time", key=names[clock][0])
        channels, meta = [], {}
        for k, (name, unit) in enumerate(names):
            cells = [c[k] for _, c in rows]
            first = next((c for c in cells if c), "")
            if k == clock or not re.match(r"[-+\u2212]?[.,]?\d", first):
                continue
            scale, kept = _electric(unit) if unit else (1.0, "")
            values = scale * _numbers(cells, decimal, name, numbers)
            if name == _BODY:
                meta[_BODY] = float(values[np.isfinite(values)][0])
                continue
            good = np.isfinite(values)
            channels.append(Channel(name, kept, t[good], values[good]))
        if not channels:
            raise InputError("holds no column of numbers beside the time")
        return Recording.of(channels, meta=meta)
    except InputError as error:
        raise error.in_file(path) from None


def intake(path: Path) -> bytes:
    """Return the bytes of the Parquet file that the garage keeps of a logged file.

    Parameters
    ----------
    path : Path
        Text table or Parquet file; told apart by how it begins.

    Returns
    -------
    bytes
        A Parquet file is handed on as it is.

    Raises
    ------
    InputError
        If a text table cannot be read.
    """
    with path.open("rb") as stream:
        begins = stream.read(len(_PARQUET))
    if begins == _PARQUET:
        return path.read_bytes()
    return recording_bytes(text_recording(str(path)))
