"""Write a build or an intent as TOML, numbers with their units."""

from __future__ import annotations

import json
import os
import re
import tempfile
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from throttlewright.build.fields import Quantity
from throttlewright.build.intent import Intent
from throttlewright.build.schema import Build
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.units import to_unit

__all__ = ["save", "to_toml"]


def _quantity(annotation: Any, metadata: tuple[Any, ...] | list[Any] = ()) -> Quantity | None:
    for mark in metadata:
        if isinstance(mark, Quantity):
            return mark
    for part in get_args(annotation):
        if isinstance(part, Quantity):
            return part
        found = _quantity(part)
        if found is not None:
            return found
    return None


def _written(value: Any, quantity: Quantity | None) -> Any:
    if isinstance(value, BaseModel):
        return _section(value)
    if isinstance(value, dict):
        return {key: _written(item, quantity) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_written(item, quantity) for item in value]
    if quantity is None or isinstance(value, bool | str | int) or not quantity.unit:
        return value
    # Twelve digits: what a person wrote comes back as written, not as the rounding of SI.
    return f"{to_unit(value, quantity.kind, quantity.unit):.12g} {quantity.unit}"


def _section(model: BaseModel) -> dict[str, Any]:
    section: dict[str, Any] = {}
    for name, field in type(model).model_fields.items():
        value = getattr(model, name)
        if value is None or value == ():
            continue
        section[field.alias or name] = _written(value, _quantity(field.annotation, field.metadata))
    # A curve that came from a file is written inline, an area that came from a gap not at all.
    if "file" in section and "rpm" in section:
        del section["file"]
    if "gap" in section:
        section.pop("leak_area", None)
    return section


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    return repr(value)


def _table(title: str, section: dict[str, Any]) -> list[str]:
    return ["", f"[{title}]", *(f"{_key(name)} = {_value(v)}" for name, v in section.items())]


def to_toml(model: Build | Intent) -> str:
    """Return the text of a build or an intent, the same text for the same object.

    Parameters
    ----------
    model : Build or Intent
        As read or completed.

    Returns
    -------
    str
        TOML that ``load_build`` or ``load_intent`` reads back.
    """
    data = _section(model)
    lines = [f"{name} = {_value(v)}" for name, v in data.items() if not isinstance(v, dict)]
    for name, section in data.items():
        if not isinstance(section, dict) or not section:
            continue
        if name == "mode":
            for mode, keys in section.items():
                lines += _table(f"mode.{_key(mode)}", keys)
        else:
            lines += _table(name, section)
    return "\n".join(lines) + "\n"


def save(text: str, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a text file whole or not at all.

    Parameters
    ----------
    text : str
        Content.
    path : path
        File to write.
    overwrite : bool
        Whether a file of this name may be replaced.

    Raises
    ------
    InputError
        If the file exists and may not be replaced, or the folder cannot be written.
    """
    place = Path(path)
    if place.exists() and not overwrite:
        raise InputError("the file exists already", file=place, advice="choose another name")
    try:
        handle, name = tempfile.mkstemp(dir=place.parent, prefix=".", suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
            os.replace(name, place)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", file=place) from None
