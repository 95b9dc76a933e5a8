"""The keys of a role's section of the intent as a page shows and takes them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from throttlewright.build.fields import Quantity
from throttlewright.build.intent import Intent
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.foundation.units import to_unit
from throttlewright.workshop.common import Model
from throttlewright.workshop.toml_edit import TomlValue, with_key, without_key

__all__ = [
    "KeyLine",
    "KeyValue",
    "edited_section",
    "key_lines",
    "typical_values",
]

KeyValue = float | str | list[float] | None
"""What a page sends for a key: a number or a list in the unit of its line, a word, or None."""


class KeyLine(Model):
    """One key of a section."""

    key: str
    label: str
    kind: Literal["number", "list", "word"]
    required: bool
    unit: str
    """In which ``value`` and ``allowed`` are; as written in the file."""
    low: float | None
    high: float | None
    allowed: str
    choices: tuple[str, ...]
    value: float | str | list[float] | None
    """What is in force; in a section that is not asked for, what it would begin with."""
    written: bool
    """Whether the intent says it; else it is the value that the schema takes."""
    typical: str
    source: str
    """Of the typical value."""


@dataclass(frozen=True)
class _Spec:
    kind: Literal["number", "list", "word"]
    quantity: Quantity | None
    choices: tuple[str, ...]


def _walk(annotation: Any) -> tuple[list[Quantity], list[str], bool]:
    """Quantities and words anywhere in an annotation, and whether it is a list."""
    found = [m for m in getattr(annotation, "__metadata__", ()) if isinstance(m, Quantity)]
    if get_origin(annotation) is Literal:
        return found, [str(word) for word in get_args(annotation)], False
    words: list[str] = []
    many = get_origin(annotation) is tuple
    for part in get_args(annotation):
        quantities, more, inner = _walk(part)
        found += quantities
        words += more
        many = many or inner
    return found, words, many


def _spec(field: FieldInfo) -> _Spec:
    found, words, many = _walk(field.annotation)
    found = [m for m in field.metadata if isinstance(m, Quantity)] + found
    quantity = found[0] if found else None
    if words:
        # A word or a number: typed as a word, with the range beside it.
        return _Spec("word", quantity, () if quantity else tuple(words))
    if quantity is None:
        return _Spec("word", None, ())
    return _Spec("list" if many else "number", quantity, ())


@cache
def _model(section: str) -> type[BaseModel]:
    field = Intent.model_fields.get(section)
    parts = () if field is None else get_args(field.annotation)
    kinds = [p for p in parts if isinstance(p, type) and issubclass(p, BaseModel)]
    if not kinds:
        close = nearest(section, list(Intent.model_fields))
        raise InputError(
            "is no section of the intent that can be left out",
            key=section,
            advice=f"did you mean {close!r}?" if close else None,
        )
    return kinds[0]


def _percent(quantity: Quantity) -> bool:
    return quantity.kind == "ratio" and quantity.high <= 1.0


def _unit(quantity: Quantity | None) -> str:
    return "" if quantity is None else "%" if _percent(quantity) else quantity.unit


def _end(quantity: Quantity | None, end: Literal["low", "high"]) -> float | None:
    if quantity is None:
        return None
    value = float(getattr(quantity, end))
    return 100.0 * value if _percent(quantity) else value


def _shown(value: float, quantity: Quantity) -> float:
    if _percent(quantity):
        value = 100.0 * value
    elif quantity.unit:
        value = to_unit(value, quantity.kind, quantity.unit)
    # Twelve digits: what a person wrote comes back as written, not as the rounding of SI.
    return float(f"{value:.12g}")


def _allowed(field: FieldInfo, spec: _Spec) -> str:
    if spec.quantity is None:
        return ", ".join(spec.choices)
    low, high = _end(spec.quantity, "low"), _end(spec.quantity, "high")
    span = f"{low:g} to {high:g} {_unit(spec.quantity)}".strip()
    if spec.kind == "word":
        return f"{', '.join(_walk(field.annotation)[1])}, or {span}"
    return span


def _value(value: Any, spec: _Spec) -> float | str | list[float] | None:
    if value is None or isinstance(value, str):
        return value
    if spec.quantity is None:
        return str(value)
    if isinstance(value, Sequence):
        return [_shown(float(v), spec.quantity) for v in value]
    shown = _shown(float(value), spec.quantity)
    # Where a word may stand, a number is a text with its unit.
    return f"{shown:.12g} {_unit(spec.quantity)}".strip() if spec.kind == "word" else shown


def _plain(text: str, spec: _Spec) -> Any:
    """A typical value as it would stand in the file."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        pass
    if spec.kind != "list":
        return text
    parts = [part.strip() for part in text.split(",")]
    unit = parts[-1].partition(" ")[2]
    return [p if " " in p or not unit else f"{p} {unit}" for p in parts]


def typical_values(section: str, typical: Mapping[str, str]) -> dict[str, Any]:
    """Return what a section would hold when it is asked for with typical values.

    Parameters
    ----------
    section : str
        Of the intent.
    typical : mapping
        Typical value by key, as written in the file.

    Returns
    -------
    dict
        SI values by key; keys without one are absent, the schema's own defaults count.
    """
    model = _model(section)
    given: dict[str, Any] = {}
    for key, text in typical.items():
        if key in model.model_fields:
            given[key] = _plain(text, _spec(model.model_fields[key]))
    found: dict[str, Any] = {}
    try:
        whole = model.model_validate(given)
    except ValidationError:
        whole = None
    for key, field in model.model_fields.items():
        if whole is not None:
            value = getattr(whole, key)
        else:
            value = None if field.is_required() else field.get_default(call_default_factory=True)
        if value is not None:
            found[key] = value
    return found


def key_lines(
    section: str, intent: Intent, typical: Mapping[str, tuple[str, str]]
) -> tuple[KeyLine, ...]:
    """Return the keys of a section of the intent.

    Parameters
    ----------
    section : str
        Its name.
    intent : Intent
        What is wanted; its value counts where it has the section.
    typical : mapping
        Typical value and its source, by key.

    Returns
    -------
    tuple of KeyLine
        In the order of the schema.

    Raises
    ------
    InputError
        If there is no such section.
    """
    model = _model(section)
    held = getattr(intent, section)
    begin = typical_values(section, {key: text for key, (text, _) in typical.items()})
    lines = []
    for key, field in model.model_fields.items():
        spec = _spec(field)
        quantity = spec.quantity
        value = begin.get(key) if held is None else getattr(held, key)
        text, source = typical.get(key, ("", ""))
        lines.append(
            KeyLine(
                key=key,
                label=(key[:1].upper() + key[1:]).replace("_", " "),
                kind=spec.kind,
                required=field.is_required(),
                unit=_unit(quantity),
                low=_end(quantity, "low"),
                high=_end(quantity, "high"),
                allowed=_allowed(field, spec),
                choices=spec.choices,
                value=_value(value, spec),
                written=held is not None and key in held.model_fields_set,
                typical=text,
                source=source,
            )
        )
    return tuple(lines)


def _written(value: KeyValue, spec: _Spec) -> TomlValue | None:
    if value is None or isinstance(value, str):
        text = (value or "").strip()
        return text or None
    if isinstance(value, list):
        return [part for v in value if (part := _written(v, spec)) is not None] or None
    unit = _unit(spec.quantity)
    return f"{value:.12g} {unit}" if unit else float(f"{value:.12g}")


def edited_section(text: str, section: str, values: Mapping[str, KeyValue]) -> str:
    """Return the text of an intent with keys of a section changed; comments and order stay.

    Parameters
    ----------
    text : str
        TOML.
    section : str
        A section of the intent; it is added where it is not there.
    values : mapping
        By key; None takes a key out. Without any the whole section is taken out.

    Returns
    -------
    str
        Not yet checked by the loader.

    Raises
    ------
    InputError
        If section or key is not known.
    """
    model = _model(section)
    if not values:
        return without_key(text, section)
    for key, value in values.items():
        field = model.model_fields.get(key)
        if field is None:
            close = nearest(key, list(model.model_fields))
            raise InputError(
                "is no key of this section",
                key=f"{section}.{key}",
                advice=f"did you mean {close!r}?" if close else None,
            )
        put = _written(value, _spec(field))
        where = f"{section}.{key}"
        text = without_key(text, where) if put is None else with_key(text, where, put)
    return text
