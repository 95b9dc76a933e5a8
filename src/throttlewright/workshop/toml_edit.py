"""Change one key of a TOML text and leave all else, comments and order included, as it was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from throttlewright.foundation.errors import InputError

__all__ = ["TomlValue", "with_key", "without_key"]

TomlValue = str | int | float | bool | list[Any] | dict[str, Any]


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as error:
        said = str(error) or "nested too deeply"
        raise InputError(
            f"is not valid TOML: {said[:1].lower()}{said[1:]}",
            file="build",
            advice="mend it in the text below",
        ) from None


def _item(value: TomlValue) -> Any:
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for name, inner in value.items():
            table[name] = _item(inner)
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        rows = any(isinstance(inner, dict) for inner in value)
        for inner in value:
            array.append(_item(inner))
        return array.multiline(rows)
    return tomlkit.item(value)


def _put(table: Any, name: str, value: TomlValue) -> None:
    old = table.get(name)
    if isinstance(value, dict) and isinstance(old, Mapping):
        # Column by column: a unit or a comment that stands beside the columns stays.
        for inner in list(old):
            if isinstance(old[inner], list) and inner not in value:
                del table[name][inner]
        for inner, part in value.items():
            _put(table[name], inner, part)
        return
    table[name] = _item(value)


def with_key(text: str, key: str, value: TomlValue) -> str:
    """Return the text with a value at a dotted key.

    Parameters
    ----------
    text : str
        TOML.
    key : str
        Dotted key such as ``engine.inertia``; sections on the way are made where they lack.
    value : str, number, bool, list or dict
        A dict is put column by column into a table that is there.

    Returns
    -------
    str
        All else as it was.

    Raises
    ------
    InputError
        If the text is no TOML, or something on the way is no section.
    """
    document = _document(text)
    table: Any = document
    *way, name = key.split(".")
    for depth, part in enumerate(way):
        if part not in table:
            # A section of the file has a heading; a curve within it stands on one line.
            table[part] = tomlkit.table() if depth == 0 else tomlkit.inline_table()
        table = table[part]
        if not isinstance(table, Mapping):
            raise InputError("must be a section with keys of its own", key=part)
    _put(table, name, value)
    return tomlkit.dumps(document)


def without_key(text: str, key: str) -> str:
    """Return the text without a dotted key; the same text where it is not there.

    Parameters
    ----------
    text : str
        TOML.
    key : str
        Dotted key of a value or a section.

    Returns
    -------
    str
        All else as it was.

    Raises
    ------
    InputError
        If the text is no TOML.
    """
    document = _document(text)
    table: Any = document
    *way, name = key.split(".")
    for part in way:
        table = table.get(part) if isinstance(table, Mapping) else None
    if not isinstance(table, Mapping) or name not in table:
        return text
    del table[name]  # type: ignore[attr-defined]
    return tomlkit.dumps(document)
