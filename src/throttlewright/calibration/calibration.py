"""The calibration and its file: tables, numbers and limits, with what they were made from.

Version 1 : first version; a reaction had a fault, an action and a source, all text.
Version 2 : a reaction is a row that the strategy runs; conditions of limits are checked.
Version 3 : a loop may have its setpoint over two channels, and start from a table.
"""

from __future__ import annotations

import datetime
import json
import math
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from throttlewright.calibration.defaults import Number
from throttlewright.calibration.limits import Limit
from throttlewright.calibration.reactions import Reaction
from throttlewright.calibration.table import (
    Axis,
    Table,
    check_line,
    check_number_name,
    check_unit,
    rounded,
)
from throttlewright.foundation.errors import InputError, nearest

__all__ = ["FORMAT", "FORMAT_VERSION", "Calibration", "Number", "Reaction", "Release"]

FORMAT = "throttlewright.calibration"
FORMAT_VERSION = 3
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Release:
    """Who let a calibration leave the bench, why and when.

    Parameters
    ----------
    name : str
        Name of the person.
    reason : str
        Why, in one line.
    date : str
        Day as year-month-day, such as ``2031-05-09``.
    """

    name: str
    reason: str
    date: str

    def __post_init__(self) -> None:
        for key in ("name", "reason", "date"):
            check_line(getattr(self, key), f"release, {key}", needed=True)
        try:
            same = datetime.date.fromisoformat(self.date).isoformat() == self.date
        except ValueError:
            same = False
        if not same:
            raise InputError(
                "is not a day", key="release, date", value=self.date, allowed="such as 2031-05-09"
            )


@dataclass(frozen=True)
class Calibration:
    """The tables and numbers a controller holds.

    Parameters
    ----------
    tables : dict of str to Table
        Tables; each key is the name of its table.
    numbers : dict of str to (value, unit, source)
        Single numbers.
    limits : tuple of Limit
        Floors and ceilings in order of rank.
    reactions : tuple of Reaction
        What is done on each fault.
    build_sha256, intent_sha256 : str
        Hashes of the build and the intent it was made from; empty when there is none.
    release : Release, optional
        Who released it.
    bench_only : bool
        True until it is released; a calibration without a release stays on the bench.

    Raises
    ------
    InputError
        If the parts do not fit together.
    """

    tables: dict[str, Table]
    numbers: dict[str, Number] = field(default_factory=dict)
    limits: tuple[Limit, ...] = ()
    reactions: tuple[Reaction, ...] = ()
    build_sha256: str = ""
    intent_sha256: str = ""
    release: Release | None = None
    bench_only: bool = True

    def __post_init__(self) -> None:
        lower: dict[str, str] = {}
        for key, table in self.tables.items():
            if not isinstance(table, Table) or key != table.name:
                raise InputError("does not hold the table of that name", key=f"tables, {key}")
            # Each table becomes a file, and many disks do not tell capitals apart.
            if lower.setdefault(key.lower(), key) != key:
                raise InputError("two tables differ only in capitals", key=f"tables, {key}")
        object.__setattr__(self, "tables", dict(self.tables))
        numbers = {name: _number(name, number) for name, number in self.numbers.items()}
        object.__setattr__(self, "numbers", numbers)
        object.__setattr__(self, "limits", tuple(self.limits))
        object.__setattr__(self, "reactions", tuple(self.reactions))
        self._check_limits()
        for name in ("build_sha256", "intent_sha256"):
            text = getattr(self, name)
            if text != "" and not (isinstance(text, str) and _SHA256.fullmatch(text)):
                raise InputError(
                    "is not a sha256", key=name, value=text, allowed="64 digits 0-9 a-f, or empty"
                )
        if not isinstance(self.bench_only, bool):
            raise InputError("must be true or false", key="bench_only", value=self.bench_only)
        if not self.bench_only and self.release is None:
            raise InputError(
                "a calibration leaves the bench only with a release",
                key="release",
                advice="give a name, a reason and a date",
            )

    __hash__ = None  # type: ignore[assignment]

    def _check_limits(self) -> None:
        seen: set[str] = set()
        for limit in self.limits:
            if limit.name in seen:
                raise InputError("the name is used by two limits", key=f"limit {limit.name}")
            seen.add(limit.name)
            for key in ("table", "base"):
                name = getattr(limit, key)
                if name and name not in self.tables:
                    close = nearest(name, list(self.tables))
                    raise InputError(
                        "there is no such table",
                        key=f"limit {limit.name}, {key}",
                        value=name,
                        advice=f"did you mean {close!r}?" if close else None,
                    )

    def table(self, name: str) -> Table:
        """Return a table by name; the error of an unknown name says which is nearest."""
        try:
            return self.tables[name]
        except KeyError:
            close = nearest(name, list(self.tables))
            raise InputError(
                "there is no such table",
                key=name,
                allowed=", ".join(sorted(self.tables)) or "none",
                advice=f"did you mean {close!r}?" if close else None,
            ) from None

    def to_json(self) -> str:
        """Return the text of the calibration file; equal calibrations give equal bytes."""
        return _render(_to_data(self)) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Calibration:
        """Return the calibration in a text that ``to_json`` made, of this or an older version.

        Raises
        ------
        InputError
            If the text is broken, has an unknown or missing key, or is of a newer version.
        """
        try:
            return _from_data(_load(text))
        except RecursionError:
            raise InputError("is nested too deeply for a calibration") from None

    def write(self, path: str | Path) -> None:
        """Write the file; on failure the file that was there stays as it was."""
        target = Path(path)
        scratch: Path | None = None
        try:
            handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
            scratch = Path(name)
            with os.fdopen(handle, "wb") as opened:
                opened.write(self.to_json().encode())
            scratch.replace(target)
        except OSError as error:
            raise InputError(f"cannot be written ({error.strerror or error})", file=path) from None
        finally:
            if scratch is not None:
                scratch.unlink(missing_ok=True)

    @classmethod
    def read(cls, path: str | Path) -> Calibration:
        """Read a calibration file; every error names the file."""
        try:
            text = Path(path).read_bytes().decode("utf-8-sig")
        except FileNotFoundError:
            raise InputError("there is no such file", file=path) from None
        except OSError as error:
            raise InputError(f"cannot be read ({error.strerror or error})", file=path) from None
        except UnicodeDecodeError:
            raise InputError("is not UTF-8 text", file=path) from None
        try:
            return cls.from_json(text)
        except InputError as error:
            raise error.in_file(path) from None


def _number(name: str, number: object) -> Number:
    key = f"numbers, {name}"
    check_number_name(name)
    if not isinstance(number, tuple) or len(number) != 3:
        raise InputError("must be a value, a unit and a source", key=key)
    value, unit, source = number
    return Number(_finite(value, key), _checked_unit(unit, key), _checked_source(source, key))


def _finite(value: object, key: str) -> float:
    if isinstance(value, bool):
        raise InputError("must be a finite number", key=key, value=value)
    try:
        result = float(rounded(float(value)))  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        result = math.nan
    if not math.isfinite(result):
        raise InputError("must be a finite number", key=key, value=str(value)[:40])
    return result


def _checked_unit(unit: object, key: str) -> str:
    check_unit(unit, key)
    return str(unit)


def _checked_source(source: object, key: str) -> str:
    check_line(source, f"{key}, source", needed=True)
    return str(source)


def _to_data(calibration: Calibration) -> dict[str, Any]:
    release = calibration.release
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "bench_only": calibration.bench_only,
        "release": None if release is None else _plain(release),
        "build_sha256": calibration.build_sha256,
        "intent_sha256": calibration.intent_sha256,
        "numbers": {
            name: calibration.numbers[name]._asdict() for name in sorted(calibration.numbers)
        },
        "limits": [_plain(limit) for limit in calibration.limits],
        "reactions": [_plain(reaction) for reaction in calibration.reactions],
        "tables": {
            name: _table_data(calibration.tables[name]) for name in sorted(calibration.tables)
        },
    }


def _plain(item: Release | Limit | Reaction) -> dict[str, Any]:
    data = {part.name: getattr(item, part.name) for part in fields(item)}
    # JSON has no infinity: a rate without bound is written as null.
    return {key: None if value == math.inf else value for key, value in data.items()}


def _table_data(table: Table) -> dict[str, Any]:
    return {
        "quantity": table.quantity,
        "unit": table.unit,
        "percent_meaning": table.percent_meaning,
        "note": table.note,
        "interpolation": table.interpolation,
        "outside": table.outside,
        "axes": [
            {"name": axis.name, "unit": axis.unit, "values": axis.values.tolist()}
            for axis in table.axes
        ],
        "values": table.values.tolist(),
    }


def _render(data: Any, indent: str = "") -> str:
    """Return JSON with one row of numbers per line, so that a change shows as one line."""
    if isinstance(data, dict) and data:
        inner = [f"{indent} {json.dumps(k)}: {_render(v, indent + ' ')}" for k, v in data.items()]
        return "{\n" + ",\n".join(inner) + f"\n{indent}}}"
    if isinstance(data, list) and any(isinstance(item, dict | list) for item in data):
        inner = [f"{indent} {_render(item, indent + ' ')}" for item in data]
        return "[\n" + ",\n".join(inner) + f"\n{indent}]"
    return json.dumps(data, ensure_ascii=False, allow_nan=False)


def _load(text: str) -> Any:
    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in items:
            if key in found:
                raise InputError("the key occurs twice", key=key)
            found[key] = value
        return found

    def constant(word: str) -> Any:
        raise InputError("is not a number that a calibration may hold", value=word)

    try:
        return json.loads(text, object_pairs_hook=pairs, parse_constant=constant)
    except (ValueError, RecursionError) as error:
        raise InputError(f"is not readable JSON ({str(error)[:120]})") from None


def _record(data: object, where: str, known: tuple[str, ...]) -> dict[str, Any]:
    if not isinstance(data, dict):
        raise InputError("must be a group of keys", key=where or None)
    for key in data:
        if key not in known:
            close = nearest(key, list(known))
            raise InputError(
                "the key is not known",
                key=f"{where}, {key}" if where else key,
                allowed=", ".join(known),
                advice=f"did you mean {close!r}?" if close else None,
            )
    for key in known:
        if key not in data:
            raise InputError("the key is missing", key=f"{where}, {key}" if where else key)
    return data


def _group(data: object, where: str) -> Mapping[str, Any]:
    if not isinstance(data, dict):
        raise InputError("must be a group of keys", key=where)
    return data


def _rows(data: object, where: str) -> list[Any]:
    if not isinstance(data, list):
        raise InputError("must be a list", key=where)
    return data


def _numbers_only(data: Any, where: str) -> list[Any]:
    """Return the list, refusing texts and truth values that NumPy would take for numbers."""
    for item in _rows(data, where):
        if isinstance(item, list):
            _numbers_only(item, where)
        elif isinstance(item, bool) or not isinstance(item, int | float):
            raise InputError("must hold numbers only", key=where, value=str(item)[:40])
    return list(data)


def _check_version(data: object) -> None:
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise InputError("is not a calibration file", key="format", allowed=FORMAT)
    version = data.get("format_version")
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise InputError("is not a version number", key="format_version", value=version)
    if version > FORMAT_VERSION:
        raise InputError(
            "the calibration was written by a newer version of this program",
            key="format_version",
            value=version,
            allowed=f"1 to {FORMAT_VERSION}",
            advice="update the program to read it",
        )


def _from_data(data: object) -> Calibration:
    _check_version(data)
    top = _record(
        data, "", ("format", "format_version", *(part.name for part in fields(Calibration)))
    )
    numbers: dict[str, Number] = {}
    for name, item in _group(top["numbers"], "numbers").items():
        row = _record(item, f"numbers, {name}", Number._fields)
        _numbers_only([row["value"]], f"numbers, {name}, value")
        numbers[name] = Number(row["value"], row["unit"], row["source"])
    release = top["release"]
    return Calibration(
        tables={
            name: _table_from(name, item) for name, item in _group(top["tables"], "tables").items()
        },
        numbers=numbers,
        limits=tuple(
            _limit_from(item, top["format_version"]) for item in _rows(top["limits"], "limits")
        ),
        reactions=tuple(
            _reaction_from(item, top["format_version"])
            for item in _rows(top["reactions"], "reactions")
        ),
        build_sha256=top["build_sha256"],
        intent_sha256=top["intent_sha256"],
        release=(
            None
            if release is None
            else Release(**_record(release, "release", ("name", "reason", "date")))
        ),
        bench_only=top["bench_only"],
    )


def _reaction_from(item: object, version: int) -> Reaction:
    if version == 1:
        row = _record(item, "reactions", ("fault", "action", "source"))
        return Reaction(row["fault"], source=row["source"], text=row["action"])
    return Reaction(**_record(item, "reactions", tuple(part.name for part in fields(Reaction))))


def _limit_from(item: object, version: int) -> Limit:
    later = ("z", "base") if version < 3 else ()
    keys = tuple(part.name for part in fields(Limit) if part.name not in later)
    row = dict(_record(item, "limits", keys))
    for key in ("rise_rate", "fall_rate"):
        if row[key] is None:
            row[key] = math.inf
    return Limit(**row)


def _table_from(name: str, item: object) -> Table:
    where = f"tables, {name}"
    keys = (
        "quantity", "unit", "percent_meaning", "note", "interpolation", "outside", "axes", "values",
    )  # fmt: skip
    row = dict(_record(item, where, keys))
    axes = []
    for axis in _rows(row.pop("axes"), f"{where}, axes"):
        parts = _record(axis, f"{where}, axes", ("name", "unit", "values"))
        points = _numbers_only(parts["values"], f"{where}, axes, values")
        axes.append(Axis(parts["name"], parts["unit"], points))  # type: ignore[arg-type]
    values: Any = _numbers_only(row.pop("values"), f"{where}, values")
    return Table(name=name, axes=tuple(axes), values=values, **row)
