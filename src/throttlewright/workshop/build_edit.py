"""From what a page sends for a field to what stands in the build's text."""

from __future__ import annotations

import re

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.workshop.build_specs import FieldSpec, all_keys, spec_of
from throttlewright.workshop.toml_edit import TomlValue, with_key, without_key

__all__ = ["FieldValue", "edited"]

FieldValue = str | bool | int | float | list[str | float] | dict[str, list[str | float]] | None
"""What a page sends for a field: text with a unit, columns by key, null to leave it to assume."""

_SECTIONS = ("turbo", "supercharger", "centrifugal", "previous_plate")
"""Sections that a car may lack, and that can be taken off again."""
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


def _bare(text: str) -> TomlValue:
    number = float(text)
    whole = re.fullmatch(r"[+-]?\d+", text) is not None
    return int(text) if whole and abs(number) < 1e15 else number


def _one(value: str | float, *, bare: bool, unit: str) -> TomlValue:
    """A number as the file has it: bare, or text with its unit."""
    if not isinstance(value, str):
        return value if bare else f"{value:.12g} {unit}"
    text = value.strip()
    if not _NUMBER.fullmatch(text):
        return text
    return _bare(text) if bare else f"{text} {unit}"


def _cells(value: object, key: str) -> list[str | float]:
    if not isinstance(value, list) or not all(
        isinstance(cell, str | int | float) and not isinstance(cell, bool) for cell in value
    ):
        raise InputError("must be a list of numbers", key=key)
    return value


def _columns(spec: FieldSpec, value: object) -> TomlValue | None:
    if spec.kind == "list" and isinstance(value, list):
        value = {spec.columns[0][0]: value}
    if not isinstance(value, dict):
        raise InputError("must be given by column", key=spec.key)
    known = {key: quantity for key, quantity, _ in spec.columns}
    for name in value:
        if name not in known:
            raise InputError("is not a known column", key=f"{spec.key}.{name}")
    found: dict[str, list[TomlValue]] = {}
    for name, cells in value.items():
        quantity = known[name]
        unit = quantity.unit if quantity else ""
        row = [_one(c, bare=not unit, unit=unit) for c in _cells(cells, f"{spec.key}.{name}")]
        if row:
            found[name] = row
    if not found:
        return None
    if spec.kind == "list":
        return next(iter(found.values()))
    if spec.kind == "rows":
        if len({len(row) for row in found.values()}) > 1:
            raise InputError("has columns of unequal length", key=spec.key)
        return [dict(zip(found, row, strict=True)) for row in zip(*found.values(), strict=True)]
    if spec.kind == "group":
        if any(len(row) > 1 for row in found.values()):
            raise InputError("has one value for each key", key=spec.key)
        return {name: row[0] for name, row in found.items()}
    return dict(found)


def _to_file(spec: FieldSpec, value: FieldValue) -> TomlValue | None:
    if spec.columns:
        return _columns(spec, value)
    if isinstance(value, list | dict):
        raise InputError("takes one value", key=spec.key)
    if isinstance(value, str):
        text = value.strip()
        if not text:
            return None
        if spec.kind == "flag" and text in ("true", "false"):
            return text == "true"
        if spec.kind == "count" and re.fullmatch(r"[+-]?\d{1,9}", text):
            return int(text)
        if spec.kind == "number" and spec.quantity and _NUMBER.fullmatch(text):
            # A bare number has no unit to add: the loader asks for one where one is needed.
            return _bare(text) if spec.quantity.kind == "ratio" else text
        return text
    return value


def edited(text: str, key: str, value: FieldValue) -> str:
    """Return the text of a build with a value put at a key.

    Parameters
    ----------
    text : str
        TOML; comments and order stay.
    key : str
        Dotted key of a field, or an optional section to take off with None.
    value : FieldValue
        None leaves the field out.

    Returns
    -------
    str
        Not yet checked by the loader.

    Raises
    ------
    InputError
        If the key is no field, or the value has another shape than the field.
    """
    if key in _SECTIONS and value is None:
        return without_key(text, key)
    spec = spec_of(key)
    if spec is None:
        raise InputError("is not a field of the build", key=key, advice=_advice(key))
    put = None if value is None else _to_file(spec, value)
    return without_key(text, key) if put is None else with_key(text, key, put)


def _advice(key: str) -> str | None:
    close = nearest(key, all_keys())
    return f'the nearest is "{close}"' if close else None
