"""Small text tables with a header line, read into SI numbers, and the text helpers for them."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.foundation.units import parse_quantity

__all__ = ["parse_number", "read_table", "read_text", "separator_of", "split_cells"]

_HEADER = re.compile(r"\s*(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\]\s*)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def read_text(path: str | Path) -> str:
    """Return the text of a UTF-8 file, without a byte order mark; InputError if it is none."""
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError("there is no such file", file=path) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error})", file=path) from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8 text", file=path, advice="save it as UTF-8 text") from None
    if "\x00" in text:
        raise InputError("is not a text file", file=path)
    return text


def separator_of(lines: Sequence[str]) -> str:
    """Return what separates the cells: a tab, else a semicolon, else a comma."""
    for mark in ("\t", ";"):
        if any(mark in line for line in lines):
            return mark
    return ","


def split_cells(line: str, separator: str) -> list[str]:
    """Return the cells of one line, without quotes and surrounding blanks."""
    try:
        rows = list(csv.reader(io.StringIO(line), delimiter=separator))
    except csv.Error as error:
        raise InputError(f"a line cannot be split into cells ({error})") from None
    return [cell.strip() for cell in rows[0]] if rows else []


def parse_number(cell: str, *, decimal: str, key: str) -> float:
    """Return the finite number in a cell.

    Parameters
    ----------
    cell : str
        Text of the cell.
    decimal : {".", ","}
        Decimal mark of the file. A mark between thousands is refused, because it cannot be told
        from a decimal mark.
    key : str
        Place for the error.

    Returns
    -------
    float
        The number.

    Raises
    ------
    InputError
        If the cell is empty or not one finite number.
    """
    if not cell:
        raise InputError("the cell is empty", key=key, advice="write a number")
    text = cell.replace("\u2212", "-")
    if decimal == ",":
        # A point beside a decimal comma is not translated: the number is then refused.
        text = text.replace(".", "?").replace(",", ".")
    number = float(text) if _NUMBER.fullmatch(text) else math.nan
    if not math.isfinite(number):
        other = "," if decimal == "." else "."
        advice = f"the decimal mark here is {decimal!r}" if other in cell else None
        raise InputError("is not a number", key=key, value=cell[:40], advice=advice)
    return number


def read_table(
    path: str | Path,
    *,
    required: Mapping[str, str],
    optional: Mapping[str, str] | None = None,
    ignore_others: bool = False,
) -> dict[str, NDArray[np.float64]]:
    """Read a text table whose header names its columns ``name [unit]`` into SI.

    Cells are separated by tabs, semicolons or commas. Empty lines and lines that begin with ``#``
    are skipped. Where commas do not separate cells they may be decimal marks.

    Parameters
    ----------
    path : str or Path
        UTF-8 text file.
    required : dict of str to str
        Columns that must be there: name to kind of quantity (a key of ``SI_UNITS``). A header
        without a unit is allowed for a ratio only.
    optional : dict of str to str, optional
        Columns that may be there.
    ignore_others : bool
        Skip columns of other names instead of refusing them.

    Returns
    -------
    dict of str to ndarray of shape (n,) [SI unit of the kind]
        The columns found, at least one row.

    Raises
    ------
    InputError
        If the file cannot be read as such a table; names file, row (line of the file) and column.
    """
    try:
        return _read_table(read_text(path), {**required}, {**(optional or {})}, ignore_others)
    except InputError as error:
        raise error.in_file(path) from None


def _read_table(
    text: str, required: dict[str, str], optional: dict[str, str], ignore_others: bool
) -> dict[str, NDArray[np.float64]]:
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError("the table is empty", advice="begin with a line of column names")
    separator = separator_of([line for _, line in lines])
    kinds = {**required, **optional}
    header = split_cells(lines[0][1], separator)
    places = _columns(header, kinds, ignore_others, lines[0][0])
    for name in required:
        if name not in places:
            close = nearest(name, [_HEADER.sub(r"\g<name>", cell, count=1) for cell in header])
            raise InputError(
                "the column is missing",
                key=name,
                advice=f"is {close!r} meant as {name!r}?" if close else "add the column",
            )
    if len(lines) == 1:
        raise InputError("the table has a header but no row of numbers")
    rows = [(number, split_cells(line, separator)) for number, line in lines[1:]]
    for number, cells in rows:
        if len(cells) != len(header):
            raise InputError(
                f"has {len(cells)} cells, but the header names {len(header)} columns",
                key=f"row {number}",
            )
    used = [cells[index] for _, cells in rows for index, _ in places.values()]
    decimal = "," if separator != "," and any("," in cell for cell in used) else "."
    columns: dict[str, list[float]] = {name: [] for name in places}
    for number, cells in rows:
        for name, (index, _) in places.items():
            key = f"row {number}, column {index + 1} ({name})"
            columns[name].append(parse_number(cells[index], decimal=decimal, key=key))
    return {
        name: _to_si(np.array(columns[name]), kinds[name], unit, f"column {index + 1} ({name})")
        for name, (index, unit) in places.items()
    }


def _columns(
    header: Sequence[str], kinds: Mapping[str, str], ignore_others: bool, row: int
) -> dict[str, tuple[int, str]]:
    places: dict[str, tuple[int, str]] = {}
    for index, cell in enumerate(header):
        key = f"row {row}, column {index + 1}"
        match = _HEADER.fullmatch(cell)
        if match is None:
            if ignore_others:
                continue
            raise InputError(
                "cannot be read as a column name", key=key, value=cell, allowed="name [unit]"
            )
        name = match["name"]
        if name not in kinds:
            if ignore_others:
                continue
            close = nearest(name, list(kinds))
            raise InputError(
                "is not a column that is used here",
                key=key,
                value=name,
                allowed=", ".join(kinds),
                advice=f"did you mean {close!r}?" if close else None,
            )
        if name in places:
            raise InputError("the column name occurs twice", key=key, value=name)
        places[name] = (index, (match["unit"] or "").strip())
    return places


def _to_si(values: NDArray[np.float64], kind: str, unit: str, key: str) -> NDArray[np.float64]:
    # Each unit in use is a factor and perhaps an offset (degrees Celsius): three conversions tell
    # both, where converting cell by cell would take pint a second per thousand cells.
    zero = parse_quantity(f"0 {unit}", kind, key=key)
    if zero == 0.0:
        return values * parse_quantity(f"1 {unit}", kind, key=key)
    slope = (parse_quantity(f"1000 {unit}", kind, key=key) - zero) / 1000.0
    return values * slope + zero
