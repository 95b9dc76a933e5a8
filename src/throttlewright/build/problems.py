"""One clear sentence out of what a schema reports."""

from __future__ import annotations

import types
from pathlib import Path
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from throttlewright.foundation.errors import InputError, nearest

__all__ = ["as_input_error", "checked", "known_keys", "schema_of"]

M = TypeVar("M", bound=BaseModel)

_ORDER = {"extra_forbidden": 0, "missing": 2}
"""An unknown key is told first: it is usually the reason why another one is missing."""


def schema_of(annotation: Any) -> type[BaseModel] | None:
    """Return the schema inside an annotation such as ``Lever | None`` or ``dict[str, Mode]``.

    Parameters
    ----------
    annotation : type
        Annotation of a field.

    Returns
    -------
    type or None
        The first schema found.
    """
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    origin = get_origin(annotation)
    if origin in (Union, types.UnionType, tuple, dict, list, Annotated):
        for part in get_args(annotation):
            found = schema_of(part)
            if found is not None:
                return found
    return None


def known_keys(schema: type[BaseModel]) -> dict[str, Any]:
    """Return the annotation of every key a person may write in a section.

    Parameters
    ----------
    schema : type
        Schema of the section.

    Returns
    -------
    dict of str to annotation
        By key as written.
    """
    return {field.alias or name: field.annotation for name, field in schema.model_fields.items()}


def _section(schema: type[BaseModel], path: list[str]) -> type[BaseModel] | None:
    current: type[BaseModel] | None = schema
    for part in path:
        if current is None:
            return None
        keys = known_keys(current)
        if part in keys:
            current = schema_of(keys[part])
        # A name chosen by the person (a mode) or a place in a list keeps the schema.
    return current


def _written(loc: tuple[int | str, ...]) -> list[str]:
    # pydantic names the branch of a union in brackets; the person never wrote that part.
    return [str(part) for part in loc if not (isinstance(part, str) and "[" in part)]


def as_input_error(
    error: ValidationError, schema: type[BaseModel], file: str | Path | None = None
) -> InputError:
    """Turn what the schema reports into one error with file, key, value and allowed range.

    Parameters
    ----------
    error : ValidationError
        From pydantic.
    schema : type
        Schema that was applied.
    file : path, optional
        File that was read.

    Returns
    -------
    InputError
        The most telling error; the number of the others is mentioned.
    """
    found = sorted(error.errors(include_url=False), key=lambda e: _ORDER.get(e["type"], 1))
    first = found[0]
    path = _written(first["loc"])
    others = len(found) - 1
    rest = f"{others} more {'error' if others == 1 else 'errors'} in this file" if others else ""
    context = first.get("ctx") or {}
    inner = context.get("error")
    kind: type[InputError] = InputError
    value: object = first["input"] if isinstance(first["input"], str | int | float) else None
    allowed: str | None = None
    advice = ""
    if isinstance(inner, InputError):
        kind, message, allowed = type(inner), inner.message, inner.allowed
        value, advice = inner.value, inner.advice or ""
        if inner.key:
            path += inner.key.split(".")
    elif first["type"] == "extra_forbidden":
        section = _section(schema, path[:-1])
        keys = sorted(known_keys(section)) if section else []
        close = nearest(path[-1], keys)
        message = "is not a known key"
        value = None
        place = f"in [{'.'.join(path[:-1])}]" if path[:-1] else "at the top level"
        allowed = f"{', '.join(keys)} {place}" if keys else None
        advice = f'the nearest known key is "{close}"' if close else ""
    elif first["type"] == "missing":
        message, value = "is required", None
    elif first["type"] == "literal_error":
        message = "is not one of the choices"
        allowed = str(context.get("expected", "")).replace("'", '"')
    elif first["type"] in ("model_type", "model_attributes_type", "dict_type"):
        message = "must be a section with keys of its own"
    else:
        message = str(first["msg"])
        message = message[:1].lower() + message[1:]
    return kind(
        message,
        file=file,
        key=".".join(path) or None,
        value=value,
        allowed=allowed,
        advice="; ".join(text for text in (advice, rest) if text) or None,
    )


def checked(model: M) -> M:
    """Return the same object after all rules ran again on its SI numbers.

    Parameters
    ----------
    model : BaseModel
        Perhaps changed by ``model_copy``, which runs no rule.

    Returns
    -------
    BaseModel
        Equal to ``model``.

    Raises
    ------
    InputError
        If a rule is broken.
    """
    written = model.model_dump(by_alias=True, exclude_none=True)
    try:
        return type(model).model_validate(written, context={"si": True})
    except ValidationError as error:
        raise as_input_error(error, type(model)) from None
