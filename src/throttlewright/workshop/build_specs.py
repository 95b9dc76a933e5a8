"""What the schema of the build says of each key that a page can set."""

from __future__ import annotations

import ast
import inspect
import re
import textwrap
import types
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from throttlewright.build.fields import Quantity
from throttlewright.build.schema import Build

__all__ = ["FieldKind", "FieldSpec", "all_keys", "all_specs", "spec_of"]

FieldKind = Literal["number", "count", "flag", "choice", "text", "list", "rows", "curve", "group"]

_HIDDEN = {"format", "format_version", "charging"}
"""Not for a person to set: the format, and what follows from the sections that are there."""
_WORDS = {
    "map_range": "MAP sensor range",
    "map_noise": "MAP noise",
    "map_lag": "MAP lag",
    "map_pressure": "compressor map pressure",
    "map_temperature": "compressor map temperature",
    "volumetric_efficiency": "volumetric efficiency (VE)",
    "ve": "VE",
    "lambda": "lambda on the dyno",
    "lambda_full": "lambda at full load",
    "lambda_part": "lambda at part load",
    "closed": "closed stop",
    "open": "open stop",
    "count": "number of plates",
    "charge_model": "charge in the manifold",
    "plate": "plate sensor tracks",
    "tracks": "pedal sensor tracks",
    "dyno": "dyno curve",
    "stoichiometric": "stoichiometric air-fuel ratio",
    "friction_constant": "friction, constant part",
    "friction_linear": "friction, linear part",
    "friction_quadratic": "friction, quadratic part",
    "exhaust_rise": "back pressure, constant part",
    "default_opening": "unpowered rest opening",
    "gap": "gap at the closed stop",
    "discharge": "discharge coefficient",
    "viscous": "viscous friction",
    "coulomb": "sliding friction",
    "breakaway": "sticking friction",
    "spring_above": "closing spring",
    "preload_above": "closing spring preload",
    "spring_below": "opening spring",
    "preload_below": "opening spring preload",
    "battery": "supply voltage",
    "noise": "sensor noise",
    "travel": "pedal travel",
    "ratios": "gear ratios",
    "driven": "driven axle",
    "grip": "tyre grip",
    "rolling": "rolling resistance",
    "tyre_relaxation": "tyre relaxation length",
    "humidity": "relative humidity",
    "bypass": "bypass valve",
}
"""Where the key alone says too little; the trade's own words."""


@dataclass(frozen=True)
class FieldSpec:
    """What the schema says of one key."""

    key: str
    way: tuple[str, ...]
    """Attributes that lead to it; an attribute may differ from the key as written."""
    kind: FieldKind
    required: bool
    about: str
    quantity: Quantity | None = None
    low: int | None = None
    high: int | None = None
    choices: tuple[str, ...] = ()
    columns: tuple[tuple[str, Quantity | None, bool], ...] = ()
    """Key, quantity and whether it is required, of each column."""

    @property
    def words(self) -> str:
        """Words for the key, as within a sentence."""
        name = self.key.rpartition(".")[2]
        return _WORDS.get(name, name.replace("_", " "))

    @property
    def label(self) -> str:
        """The same as a heading."""
        return self.words[:1].upper() + self.words[1:]

    @property
    def allowed(self) -> str:
        """Allowed range or choices, in the unit of the schema."""
        if self.kind == "flag":
            return "true or false"
        if self.choices:
            return ", ".join(self.choices)
        if self.low is not None and self.high is not None:
            return f"{self.low} to {self.high}"
        if self.quantity is None or abs(self.quantity.high) >= 1e12:
            return "a number" if self.quantity else ""
        return self.quantity.allowed


def _plain(annotation: Any, metadata: Any = ()) -> tuple[Any, list[Any]]:
    """The annotation without None, and every mark on it."""
    marks = list(metadata)
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation, *more = get_args(annotation)
            marks += more
        elif origin in (Union, types.UnionType):
            annotation = next(p for p in get_args(annotation) if p is not types.NoneType)
        else:
            return annotation, marks


def _quantity(marks: list[Any]) -> Quantity | None:
    return next((m for m in marks if isinstance(m, Quantity)), None)


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


@cache
def _abouts(model: type[BaseModel]) -> dict[str, str]:
    """The sentence under each field of a schema, without its SI unit: the page shows others."""
    try:
        body = ast.parse(textwrap.dedent(inspect.getsource(model))).body[0]
    except (OSError, SyntaxError):
        return {}
    found: dict[str, str] = {}
    name = ""
    for node in body.body if isinstance(body, ast.ClassDef) else []:
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            name = node.target.id
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and name:
            text = " ".join(str(node.value.value).split())
            found[name] = re.sub(r"\s*\[[^]]*\](?=[.;,]|$| )", "", text).replace("``", "")
            name = ""
        else:
            name = ""
    return found


def _columns(model: type[BaseModel]) -> tuple[tuple[str, Quantity | None, bool], ...]:
    rows = []
    for name, field in model.model_fields.items():
        kind, marks = _plain(field.annotation, field.metadata)
        if get_origin(kind) is tuple:
            _, marks = _plain(get_args(kind)[0])
        elif _has_tuples(model):
            continue
        rows.append((field.alias or name, _quantity(marks), field.is_required()))
    return tuple(rows)


def _has_tuples(model: type[BaseModel]) -> bool:
    kinds = (_plain(f.annotation)[0] for f in model.model_fields.values())
    return any(get_origin(kind) is tuple for kind in kinds)


def _specs(model: type[BaseModel], prefix: str, way: tuple[str, ...]) -> list[FieldSpec]:
    found: list[FieldSpec] = []
    for name, field in model.model_fields.items():
        written = field.alias or name
        kind, marks = _plain(field.annotation, field.metadata)
        if not prefix and (written in _HIDDEN or _is_model(kind)):
            continue
        key = prefix + written
        here = (*way, name)
        about = _abouts(model).get(name, "")
        common: dict[str, Any] = {
            "key": key,
            "way": here,
            "required": field.is_required(),
            "about": about,
        }
        if _is_model(kind):
            curve = _has_tuples(kind)
            shape: FieldKind = "curve" if curve else "group"
            found.append(FieldSpec(kind=shape, columns=_columns(kind), **common))
            if curve:
                inner = _specs(kind, f"{key}.", here)
                found += [s for s in inner if s.kind not in ("list", "rows", "curve", "group")]
        elif get_origin(kind) is tuple:
            inside, inner_marks = _plain(get_args(kind)[0])
            if _is_model(inside):
                found.append(FieldSpec(kind="rows", columns=_columns(inside), **common))
            else:
                one = (written, _quantity(inner_marks), True)
                found.append(FieldSpec(kind="list", columns=(one,), **common))
        elif get_origin(kind) is Literal:
            choices = tuple(str(c) for c in get_args(kind))
            found.append(FieldSpec(kind="choice", choices=choices, **common))
        elif kind is bool:
            found.append(FieldSpec(kind="flag", **common))
        elif kind is int:
            low, high = (
                next((int(v) for m in marks if (v := getattr(m, end, None)) is not None), None)
                for end in ("ge", "le")
            )
            found.append(FieldSpec(kind="count", low=low, high=high, **common))
        elif kind is float:
            found.append(FieldSpec(kind="number", quantity=_quantity(marks), **common))
        else:
            found.append(FieldSpec(kind="text", **common))
    return found


@cache
def all_specs() -> dict[str, tuple[FieldSpec, ...]]:
    """Specs by section; the head of the file is the section ``car``."""
    sections = {"car": tuple(_specs(Build, "", ()))}
    for name, field in Build.model_fields.items():
        kind, _ = _plain(field.annotation)
        if _is_model(kind):
            sections[name] = tuple(_specs(kind, f"{name}.", (name,)))
    return sections


@cache
def spec_of(key: str) -> FieldSpec | None:
    """Return what the schema says of a dotted key, None where a page cannot set it."""
    for specs in all_specs().values():
        for spec in specs:
            if spec.key == key:
                return spec
    return None


def all_keys() -> list[str]:
    """Return every dotted key that a page can set."""
    return [spec.key for specs in all_specs().values() for spec in specs]
