"""The fields of a build as a page shows them: kind, units of choice, value, origin, range."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Literal

from throttlewright.build.fields import Quantity
from throttlewright.build.load import BuildFile
from throttlewright.build.schema import Build
from throttlewright.foundation.provenance import Provenance
from throttlewright.foundation.units import parse_quantity, to_unit
from throttlewright.workshop.build_specs import FieldKind, FieldSpec, all_specs
from throttlewright.workshop.common import Model

__all__ = [
    "ColumnLine",
    "FieldLine",
    "SectionLine",
    "UnitLine",
    "field_lines",
    "title_of",
]

System = Literal["metric", "imperial"]


class UnitLine(Model):
    """A unit that a number may be shown and typed in."""

    unit: str
    """As written in the file; empty for a bare number."""
    system: System
    value: float | None
    allowed: str
    spread: str
    """How far the number may be off; empty where it counts as exact."""


class ColumnLine(Model):
    """A column of a curve or a list; ``unit`` is added to what is typed without one."""

    key: str
    label: str
    unit: str
    cells: list[str]


class FieldLine(Model):
    """One field of the build."""

    key: str
    label: str
    about: str
    kind: FieldKind
    required: bool
    value: float | int | bool | str | None
    """In ``unit``."""
    text: str
    """The value in words, with its unit."""
    unit: str
    units: list[UnitLine]
    written: str | None
    """What the person wrote; null where nothing is written."""
    origin: Literal["given", "assumed", "fitted", "derived", "left out"]
    source: str
    spread: str
    """How far it may be off; empty where it counts as exact."""
    measure: str
    allowed: str
    choices: list[str]
    columns: list[ColumnLine]


class SectionLine(Model):
    """A section of the build file."""

    id: str
    title: str
    fields: list[FieldLine]


# --- units ----------------------------------------------------------------------------------------

_CHOICES: dict[str, tuple[tuple[str, System], ...]] = {
    "mm": (("mm", "metric"), ("in", "imperial")),
    "um": (("um", "metric"), ("thou", "imperial")),
    "m": (("m", "metric"), ("ft", "imperial")),
    "mm^2": (("mm^2", "metric"), ("in^2", "imperial")),
    "cm^2": (("cm^2", "metric"), ("in^2", "imperial")),
    "m^2": (("m^2", "metric"), ("ft^2", "imperial")),
    "L": (("L", "metric"), ("cc", "metric"), ("in^3", "imperial")),
    "kg": (("kg", "metric"), ("lb", "imperial")),
    "bar": (("bar", "metric"), ("kPa", "metric"), ("psi", "imperial")),
    "kPa": (("kPa", "metric"), ("bar", "metric"), ("psi", "imperial")),
    "degC": (("degC", "metric"), ("K", "metric"), ("degF", "imperial")),
    "N*m": (("N m", "metric"), ("lb ft", "imperial")),
    "kg*m^2": (("kg m^2", "metric"), ("lb ft^2", "imperial")),
    "N*m/rad": (("N m/rad", "metric"),),
    "m/s^2": (("m/s^2", "metric"), ("ft/s^2", "imperial")),
    "MJ/kg": (("MJ/kg", "metric"), ("BTU/lb", "imperial")),
    "s": (("s", "metric"), ("ms", "metric")),
    "V": (("V", "metric"), ("mV", "metric")),
}
"""Units on offer by the unit that the schema states its range in."""
_PINT = {"N m": "N*m", "lb ft": "lbf_ft", "kg m^2": "kg*m^2", "N m/rad": "N*m/rad"}


def _si(number: float, quantity: Quantity) -> float:
    return parse_quantity(f"{number!r} {quantity.unit}", quantity.kind)


def _in(value: float, kind: str, unit: str) -> float:
    if unit == "":
        return value
    if unit == "%":
        return 100.0 * value
    # Twelve digits: what a person wrote comes back as written, not as the rounding of SI.
    return float(f"{to_unit(value, kind, _PINT.get(unit, unit)):.12g}")


def _choices(quantity: Quantity) -> tuple[tuple[str, System], ...]:
    if quantity.kind == "ratio":
        share = quantity.high <= 1.0
        return (("", "metric"), ("%", "metric")) if share else (("", "metric"),)
    return _CHOICES.get(quantity.unit, ((quantity.unit, "metric"),))


@cache
def _allowed(quantity: Quantity, unit: str) -> str:
    if abs(quantity.high) >= 1e12:
        return "a number"
    ends = []
    for end in (quantity.low, quantity.high):
        si = end if quantity.kind == "ratio" else _si(end, quantity)
        ends.append(f"{_in(si, quantity.kind, unit):.4g}")
    start = "above " if quantity.low_open else ""
    return f"{start}{ends[0]} to {ends[1]} {unit}".strip()


def _print(unit: str) -> str:
    return unit.replace("^2", "²").replace("^3", "³").replace("deg", "°") if unit else ""


def _spread(
    value: Any, entry: Provenance, quantity: Quantity | None, unit: str | None = None
) -> str:
    if not entry.spread:
        return ""
    if entry.relative:
        return f"± {100.0 * entry.spread:.3g} %"
    if quantity is None or not isinstance(value, float):
        return f"± {entry.spread:.3g}"
    unit = quantity.unit if unit is None else unit
    moved, here = (_in(v, quantity.kind, unit) for v in (value + entry.spread, value))
    gap = "" if unit == "deg" else " "
    return f"± {abs(moved - here):.3g}{gap}{_print(unit)}".strip()


_COLUMN_WORDS = {
    "rpm": "engine",
    "map": "MAP",
    "value": "value",
    "plate_deg": "plate",
    "motor_deg": "motor",
}
_COLUMN_UNITS = {
    "rpm": "rpm",
    "torque": "N m",
    "map": "kPa",
    "plate_deg": "deg",
    "motor_deg": "deg",
}
"""Units that columns of bare numbers carry in their name or by the format of the build file."""

# --- lines ----------------------------------------------------------------------------------------


def _found(data: Mapping[str, Any], key: str) -> Any:
    at: Any = data
    for part in key.split("."):
        at = at.get(part) if isinstance(at, Mapping) else None
    return at


def _at(build: Build, way: tuple[str, ...]) -> Any:
    at: Any = build
    for part in way:
        at = getattr(at, part, None)
    return at


def _cell(value: Any, quantity: Quantity | None) -> str:
    if isinstance(value, str):
        unit = quantity.unit if quantity else ""
        number, _, rest = value.strip().partition(" ")
        return number if unit and rest.strip() == unit else value
    if quantity is not None and quantity.unit:
        value = _in(float(value), quantity.kind, quantity.unit)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _column_lines(spec: FieldSpec, value: Any, written: Any) -> list[ColumnLine]:
    lines = []
    for key, quantity, _ in spec.columns:
        unit = (quantity.unit if quantity else "") or _COLUMN_UNITS.get(key, "")
        attribute = f"{key}_" if key == "lambda" else key
        cells: list[Any] = []
        # As typed where it was typed: "25 %" stays "25 %".
        source = value if written is None else written
        if source is None:
            cells = []
        elif spec.kind == "list":
            cells = list(source)
        elif spec.kind == "rows":
            cells = [r[key] if isinstance(r, Mapping) else getattr(r, attribute) for r in source]
        else:
            part = source.get(key) if isinstance(source, Mapping) else None
            if part is None:
                part = getattr(value, attribute, None)
            if part is not None:
                cells = list(part) if isinstance(part, list | tuple) else [part]
        label = _COLUMN_WORDS.get(key, key.replace("_", " "))
        if spec.kind == "list":
            label = spec.words
        shown = [_cell(c, quantity) for c in cells]
        lines.append(ColumnLine(key=key, label=label, unit=unit, cells=shown))
    return lines


def _text(spec: FieldSpec, value: Any, columns: list[ColumnLine]) -> str:
    if value is None:
        return "left out"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if spec.kind == "number" and spec.quantity is not None:
        shown = f"{_in(value, spec.quantity.kind, spec.quantity.unit):.4g}"
        return f"{shown} {_print(spec.quantity.unit)}".strip()
    if not columns:
        return str(value)
    if spec.kind == "curve":
        count = max(len(c.cells) for c in columns)
        return f"curve of {count} points"
    return "; ".join(
        " ".join(part for part in (", ".join(c.cells), _print(c.unit)) if part) for c in columns
    )


def _written(value: Any) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, str | int):
        return str(value)
    return "in the file"


def _line(spec: FieldSpec, file: BuildFile, data: Mapping[str, Any]) -> FieldLine:
    value = _at(file.build, spec.way)
    raw = _found(data, spec.key)
    entry = file.provenance.get(spec.key)
    quantity = spec.quantity
    origin: Any = "left out"
    source = spread = measure = ""
    if entry is not None and value is not None:
        origin, source, measure = str(entry.origin), entry.source, entry.measure
        spread = _spread(value, entry, quantity)
    elif raw is not None:
        origin, source = "given", "build file"
    elif value not in (None, "", ()):
        origin, source = "assumed", "what the format of the file takes"
    columns = _column_lines(spec, value, raw) if spec.columns else []
    units = []
    shown: Any = value
    unit = ""
    if spec.kind == "number" and quantity is not None:
        number = None if value is None else float(value)
        units = [
            UnitLine(
                unit=u,
                system=system,
                value=None if number is None else _in(number, quantity.kind, u),
                allowed=_allowed(quantity, u),
                spread="" if entry is None else _spread(number, entry, quantity, u),
            )
            for u, system in _choices(quantity)
        ]
        unit = units[0].unit
        shown = units[0].value
    elif columns:
        shown = None
    return FieldLine(
        key=spec.key,
        label=spec.label,
        about=spec.about,
        kind=spec.kind,
        required=spec.required,
        value=shown,
        text=_text(spec, value, columns),
        unit=unit,
        units=units,
        written=_written(raw),
        origin=origin,
        source=source,
        spread=spread,
        measure=measure,
        allowed=spec.allowed,
        choices=list(spec.choices),
        columns=columns,
    )


_TITLES = {"car": "The car", "servo": "Plate servo", "site": "Site"}


def title_of(section: str) -> str:
    """Return a section's name as a heading."""
    return _TITLES.get(section) or section[:1].upper() + section[1:].replace("_", " ")


def field_lines(
    file: BuildFile, data: Mapping[str, Any]
) -> tuple[list[SectionLine], list[SectionLine]]:
    """Return the sections of a build with their fields, and those that the car does not have.

    Parameters
    ----------
    file : BuildFile
        Completed build with where each number comes from.
    data : mapping
        The same file as plain TOML tables: what was written.

    Returns
    -------
    tuple of list and list of SectionLine
        Sections that are there; absent ones, without fields.
    """
    there, absent = [], []
    for section, specs in all_specs().items():
        if section != "car" and getattr(file.build, section) is None:
            absent.append(SectionLine(id=section, title=title_of(section), fields=[]))
            continue
        lines = []
        for spec in specs:
            parent = spec.way[:-1]
            # The scalars beside a curve make sense only once the curve is there.
            if len(parent) > 1 and _at(file.build, parent) is None:
                continue
            lines.append(_line(spec, file, data))
        there.append(SectionLine(id=section, title=title_of(section), fields=lines))
    return there, absent
