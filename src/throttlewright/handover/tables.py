"""Tables as text files, one per table, and tables read back from files and pasted text."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.recording.csv_table import (
    parse_number,
    read_text,
    separator_of,
    split_cells,
)

__all__ = ["BENCH_ONLY", "parse_csv_table", "read_csv_table", "table_text", "write_csv"]

BENCH_ONLY = "BENCH ONLY: not released; not for use in a car that drives"
CAUTION = (
    "Plates shut on fingers and an engine can rev unasked: keep hands away from a powered plate "
    "and keep a way to cut ignition and fuel within reach. Local law, event rules and licensed "
    "practice come first. This file certifies nothing"
)
_FIRST = "# Throttlewright table, version 1"
_ANY_VERSION = re.compile(r"# Throttlewright table, version (\d{1,9})")
_KEYS = (
    "name", "quantity", "unit", "0 and 100 % mean", "first axis, down", "second axis, across",
    "between points", "beyond the ends", "note", "state", "released by", "caution",
    "build sha256", "intent sha256",
)  # fmt: skip
_NEEDED = ("name", "quantity", "unit", "first axis, down", "between points", "beyond the ends")
_AXIS = re.compile(r"(?P<name>\S+) \[(?P<unit>[^\[\]]*)\]")
_WORDS = {"between points": "linear", "beyond the ends": "hold"}


def _label(axis: Axis) -> str:
    return f"{axis.name} [{axis.unit}]"


def table_text(table: Table, calibration: Calibration) -> str:
    """Return the text of one table file, with its head lines.

    Parameters
    ----------
    table : Table
        Table to write.
    calibration : Calibration
        Calibration it belongs to; says whether the table may leave the bench.

    Returns
    -------
    str
        Head lines that begin with ``#``, then the axes in the first column and, for two axes, in
        the first row.
    """
    head = [
        ("name", table.name),
        ("quantity", table.quantity),
        ("unit", table.unit),
        ("0 and 100 % mean", table.percent_meaning),
        ("first axis, down", _label(table.axes[0])),
    ]
    if len(table.axes) == 2:
        head.append(("second axis, across", _label(table.axes[1])))
    head += [
        ("between points", table.interpolation),
        ("beyond the ends", table.outside),
        ("note", table.note),
    ]
    release = calibration.release
    if calibration.bench_only or release is None:
        head.append(("state", BENCH_ONLY))
    else:
        head.append(("state", "released"))
        head.append(("released by", f"{release.name}, {release.date}: {release.reason}"))
    head += [
        ("caution", CAUTION),
        ("build sha256", calibration.build_sha256),
        ("intent sha256", calibration.intent_sha256),
    ]
    lines = [_FIRST, *(f"# {key}: {value}".rstrip() for key, value in head)]
    first = table.axes[0]
    if len(table.axes) == 1:
        lines.append(f"{first.name},{table.name}")
        rows = table.values[:, np.newaxis]
    else:
        across = [repr(point) for point in table.axes[1].values.tolist()]
        lines.append(",".join([f"{first.name} down {table.axes[1].name} across", *across]))
        rows = table.values
    for point, row in zip(first.values.tolist(), rows.tolist(), strict=True):
        lines.append(",".join(repr(number) for number in (point, *row)))
    return "\n".join(lines) + "\n"


def write_csv(
    calibration: Calibration, folder: str | Path, *, overwrite: bool = False
) -> list[Path]:
    """Write one text file per table into a folder: all of them or none.

    Parameters
    ----------
    calibration : Calibration
        What to write.
    folder : str or Path
        Folder to make. One that exists must be empty unless ``overwrite``.
    overwrite : bool
        Replace a folder that holds nothing but files this function wrote.

    Returns
    -------
    list of Path
        The files, by name.

    Raises
    ------
    InputError
        If the folder holds other files or cannot be written.
    """
    target = Path(folder)
    names = sorted(calibration.tables)
    try:
        _check_free(target, overwrite)
        target.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}."))
        try:
            fresh, old = scratch / "new", scratch / "old"
            fresh.mkdir()
            for name in names:
                text = table_text(calibration.tables[name], calibration)
                (fresh / f"{name}.csv").write_text(text, encoding="utf-8", newline="\n")
            if target.exists():
                target.rename(old)
            try:
                fresh.rename(target)
            except OSError:
                if old.exists():
                    old.rename(target)
                raise
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror or error})", file=folder) from None
    return [target / f"{name}.csv" for name in names]


def _check_free(target: Path, overwrite: bool) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise InputError("is a file, not a folder", file=target)
    for inside in sorted(target.iterdir()):
        if not overwrite:
            raise InputError(
                "the folder already holds files", file=target, advice="give a new folder"
            )
        if not (inside.is_file() and inside.read_bytes().startswith(_FIRST[:20].encode())):
            raise InputError(
                f"the folder holds {inside.name}, which is not a table written here",
                file=target,
                advice="give a new folder",
            )


def read_csv_table(
    path: str | Path,
    *,
    name: str | None = None,
    quantity: str = "as pasted",
    unit: str = "",
    axes: Sequence[tuple[str, str]] = (("x", ""), ("y", "")),
    percent_meaning: str = "",
) -> Table:
    """Read a table file that ``write_csv`` wrote, or any text with axes in first row and column.

    The other parameters describe a foreign text, which does not say what it holds; a file written
    here speaks for itself and they are not used.

    Parameters
    ----------
    path : str or Path
        UTF-8 text, cells separated by tabs, semicolons or commas.
    name : str, optional
        Name of a foreign table; the file's name otherwise.
    quantity, unit, percent_meaning : str
        As in ``Table``.
    axes : sequence of (name, unit)
        The first axis (down) and the second (across) of a foreign table.

    Returns
    -------
    Table
        The table.

    Raises
    ------
    InputError
        If the text is not such a table; names file, row (line of the file) and column.
    """
    try:
        return parse_csv_table(
            read_text(path),
            name=name or re.sub(r"\W+", "_", "t_" + Path(path).stem, flags=re.ASCII)[:80],
            quantity=quantity,
            unit=unit,
            axes=axes,
            percent_meaning=percent_meaning,
        )
    except InputError as error:
        raise error.in_file(path) from None


def parse_csv_table(
    text: str,
    *,
    name: str = "pasted",
    quantity: str = "as pasted",
    unit: str = "",
    axes: Sequence[tuple[str, str]] = (("x", ""), ("y", "")),
    percent_meaning: str = "",
) -> Table:
    """Return the table in a text; parameters and errors as ``read_csv_table``."""
    head: list[tuple[int, str]] = []
    body: list[tuple[int, str]] = []
    for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        if not line.strip(" \t,;\"'"):
            continue
        if line.lstrip().startswith(("#", '"#')):
            head.append((number, line.strip()))
        else:
            body.append((number, line))
    if not body:
        raise InputError("holds no table", advice="give the axes in the first row and column")
    if head and not _ANY_VERSION.fullmatch(head[0][1]):
        # A spreadsheet that saved the file again put quotes and empty cells around these lines.
        head = [(number, _unquoted(line)) for number, line in head]
    if head and (version := _ANY_VERSION.fullmatch(head[0][1])):
        return _own(head, body, int(version[1]))
    down, across, values = _grid(body, None)
    used = [*axes]
    if len(used) < (1 if across is None else 2):
        raise InputError("the table has two axes, but only one is described", key="axes")
    found = [Axis(*used[0], values=np.array(down))]
    if across is not None:
        found.append(Axis(*used[1], values=np.array(across)))
    return Table(name, quantity, unit, tuple(found), values, percent_meaning=percent_meaning)


def _unquoted(line: str) -> str:
    """Return a head line as it was before a spreadsheet put it in quotes and added cells."""
    padded = line.rstrip(",;\t ")
    if padded.startswith('"'):
        padded = padded.removeprefix('"').removesuffix('"').replace('""', '"')
    return padded


def _own(head: list[tuple[int, str]], body: list[tuple[int, str]], version: int) -> Table:
    if version != 1:
        raise InputError(
            "the table was written by a newer version of this program",
            value=version,
            allowed="1",
            advice="update the program to read it",
        )
    said: dict[str, str] = {}
    for number, line in head[1:]:
        key, _, value = line.removeprefix("#").strip().partition(":")
        if key not in _KEYS or key in said:
            close = nearest(key, list(_KEYS))
            raise InputError(
                "the head line occurs twice" if key in said else "the head line is not known",
                key=f"row {number}",
                value=key[:40],
                advice=f"did you mean {close!r}?" if close and key not in said else None,
            )
        said[key] = value.strip()
    for key in _NEEDED:
        if key not in said:
            raise InputError("the head line is missing", key=key)
    for key, word in _WORDS.items():
        if said[key] != word:
            raise InputError("is not known", key=key, value=said[key], allowed=word)
    labels = [said[key] for key in ("first axis, down", "second axis, across") if key in said]
    down, across, values = _grid(body, len(labels))
    axes = []
    for label, points in zip(labels, (down, across), strict=False):
        match = _AXIS.fullmatch(label)
        if match is None:
            raise InputError("is not an axis", value=label[:40], allowed="name [unit]")
        axes.append(Axis(match["name"], match["unit"], np.array(points)))
    return Table(
        said["name"],
        said["quantity"],
        said["unit"],
        tuple(axes),
        values,
        note=said.get("note", ""),
        percent_meaning=said.get("0 and 100 % mean", ""),
    )


Grid = tuple[list[float], list[float] | None, "np.ndarray[tuple[int, ...], np.dtype[np.float64]]"]


def _grid(body: list[tuple[int, str]], n_axes: int | None) -> Grid:
    """Return the first column, the first row (None for one axis) and the values between."""
    separator = separator_of([line for _, line in body])
    rows = [(number, split_cells(line, separator)) for number, line in body]
    width = len(rows[0][1])
    for number, cells in rows:
        if len(cells) != width:
            raise InputError(
                f"has {len(cells)} cells, the first row has {width}", key=f"row {number}"
            )
    if width < 2:
        raise InputError(
            "has only one column",
            key=f"row {rows[0][0]}",
            advice="separate the cells by tabs, semicolons or commas",
        )
    decimal = _decimal(rows, separator)

    def numbers(number: int, cells: list[str], start: int = 0) -> list[float]:
        return [
            parse_number(cell, decimal=decimal, key=f"row {number}, column {column}")
            for column, cell in enumerate(cells[start:], start=start + 1)
        ]

    one_axis = width == 2 if n_axes is None else n_axes == 1
    first_number, first_cells = rows[0]
    corner_is_number = _looks_numeric(first_cells[0])
    if one_axis:
        if width != 2:
            raise InputError(f"a table with one axis has two columns, not {width}")
        # A row of names above the numbers is welcome but not needed.
        rows = rows if corner_is_number else rows[1:]
        pairs = [numbers(number, cells) for number, cells in rows]
        if not pairs:
            raise InputError("has no row of numbers", key=f"row {first_number}")
        return [pair[0] for pair in pairs], None, np.array([pair[1] for pair in pairs])
    if corner_is_number:
        raise InputError(
            "the corner cell holds a number, so the first row and column may not be the axes",
            key=f"row {first_number}, column 1",
            value=first_cells[0][:40],
            advice="leave the corner empty and give both axes",
        )
    across = numbers(first_number, first_cells, start=1)
    lines = [numbers(number, cells) for number, cells in rows[1:]]
    if not lines:
        raise InputError("has a first row but no row of values", key=f"row {first_number}")
    return [line[0] for line in lines], across, np.array([line[1:] for line in lines])


def _looks_numeric(cell: str) -> bool:
    return bool(re.fullmatch(r"[+\-\u2212]?[\d.,]*\d[\d.,]*([eE][+-]?\d+)?", cell))


def _decimal(rows: list[tuple[int, list[str]]], separator: str) -> str:
    """Return the decimal mark; a text that uses both marks cannot be read safely."""
    if separator == ",":
        return "."
    numeric = [cell for _, cells in rows for cell in cells if _looks_numeric(cell)]
    commas = any("," in cell for cell in numeric)
    if commas and any("." in cell for cell in numeric):
        raise InputError(
            "the numbers hold both points and commas",
            advice="use one decimal mark and no mark between thousands",
        )
    return "," if commas else "."
