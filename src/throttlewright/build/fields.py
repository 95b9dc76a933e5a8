"""Field types of the schemas: numbers written with a unit, held in SI."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePath
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from throttlewright.foundation.errors import ContradictionError, InputError
from throttlewright.foundation.units import SI_UNITS, parse_quantity, to_unit

__all__ = [
    "ASSUMED",
    "RPM",
    "AscendingRatios",
    "AscendingRpm",
    "CurveOverRpm",
    "Frozen",
    "Number",
    "Numbers",
    "Quantity",
    "check_ascending",
    "check_beside",
    "check_lengths",
    "fault",
]

ASSUMED: Any = None
"""Default of a field that ``assumptions.complete`` fills; typed as the number it becomes, because
every reader below the edge works on a completed build."""

RPM = math.pi / 30.0
"""One revolution per minute in rad/s."""


class Frozen(BaseModel):
    """Base of every schema: immutable, and a key it does not know is an error."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, protected_namespaces=()
    )


def fault(
    message: str,
    *,
    key: str | None = None,
    value: object = None,
    allowed: str | None = None,
    advice: str | None = None,
    contradiction: bool = False,
) -> PydanticCustomError:
    """Return an error that a validator raises and the loader turns into one sentence.

    Parameters
    ----------
    message : str
        What is wrong, without a final full stop.
    key : str, optional
        Key below the section that is checked; without it the place the schema reports is used.
    value : object, optional
        What the person wrote.
    allowed : str, optional
        Allowed range or choices.
    advice : str, optional
        What to do.
    contradiction : bool
        Whether two values contradict each other.

    Returns
    -------
    PydanticCustomError
        To be raised.
    """
    kind = ContradictionError if contradiction else InputError
    error = kind(message, key=key, value=value, allowed=allowed, advice=advice)
    return PydanticCustomError("input_error", "{text}", {"text": str(error), "error": error})


def _shown(number: float) -> str:
    return f"{number:.6g}"


@dataclass(frozen=True)
class Quantity:
    """Marks a float field that is written with a unit and held in SI.

    Parameters
    ----------
    kind : str
        A key of ``foundation.units.SI_UNITS``.
    unit : str
        Unit in which the allowed range is stated.
    low, high : float
        Allowed range in ``unit``, ends included.
    low_open : bool
        Whether ``low`` itself is refused.
    """

    kind: str
    unit: str
    low: float
    high: float
    low_open: bool = False

    @property
    def allowed(self) -> str:
        """Allowed range as text."""
        start = "above " if self.low_open else ""
        unit = f" {self.unit}" if self.unit else ""
        return f"{start}{_shown(self.low)} to {_shown(self.high)}{unit}"

    def read(self, value: Any, info: core_schema.ValidationInfo) -> float:
        """Return the SI number of what was written, or raise with the allowed range."""
        if (info.context or {}).get("si") and isinstance(value, int | float):
            number = float(value)
        elif isinstance(value, str | int | float):
            try:
                number = parse_quantity(value, self.kind)
            except InputError as error:
                raise PydanticCustomError(
                    "input_error", "{text}", {"text": str(error), "error": error}
                ) from None
        else:
            raise fault("is not a quantity", value=value, allowed=self.allowed)
        if not math.isfinite(number):
            raise fault("is not a finite number", value=value, allowed=self.allowed)
        shown = number if not self.unit else to_unit(number, self.kind, self.unit)
        # A value on the edge must not fall outside by the rounding of the unit conversion.
        slack = 1e-9 * max(abs(self.low), abs(self.high), 1e-300)
        below = shown <= self.low if self.low_open else shown < self.low - slack
        if below or shown > self.high + slack:
            raise fault("is outside the allowed range", value=value, allowed=self.allowed)
        return number

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Validate with ``read`` in place of the plain float rule."""
        return core_schema.with_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Describe the field to editors as text with a unit."""
        described = f"{self.kind} with its unit, {self.allowed}"
        if self.kind == "ratio":
            described = f"number or percent, {self.allowed}"
            return {
                "type": ["number", "string"],
                "description": described,
            }
        return {"type": "string", "description": described, "x-si-unit": SI_UNITS[self.kind]}


def check_ascending(values: Sequence[float], *, key: str) -> None:
    """Raise unless the values are at least two and strictly ascending.

    Parameters
    ----------
    values : sequence of float
        Axis of a table.
    key : str
        Name of the axis, for the error.

    Raises
    ------
    PydanticCustomError
        With the first offending pair.
    """
    if len(values) < 2:
        raise fault("needs at least two points", key=key, value=list(values))
    for left, right in pairwise(values):
        if not right > left:
            raise fault(
                f"must ascend, but {_shown(right)} follows {_shown(left)}",
                key=key,
                value=list(values),
            )


def check_beside(name: str | None, *, key: str) -> None:
    """Raise unless a named file lies in the folder of the build or below it.

    Parameters
    ----------
    name : str or None
        File name as written; None is passed over.
    key : str
        Name of the key, for the error.

    Raises
    ------
    PydanticCustomError
        If the name leads elsewhere: a build from somebody else must not read what it likes.
    """
    if name is None:
        return
    path = PurePath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or not name.strip() or ":" in name:
        raise fault(
            "is not a file beside the build",
            key=key,
            value=name,
            allowed="a file name in the folder of the build",
            advice="copy the file there",
        )


def check_lengths(key: str, axis: Sequence[float], **columns: Sequence[float] | None) -> None:
    """Raise unless every column has as many values as the axis.

    Parameters
    ----------
    key : str
        Name of the axis, for the error.
    axis : sequence of float
        Axis of a table.
    **columns : sequence of float or None
        Columns by key; an absent one is passed over.

    Raises
    ------
    PydanticCustomError
        Naming the column and both lengths.
    """
    for name, column in columns.items():
        if column is not None and len(column) != len(axis):
            raise fault(
                f"has {len(column)} values where {key} has {len(axis)}",
                key=name,
                allowed=f"{len(axis)} values",
                contradiction=True,
            )


Number = Annotated[float, Quantity("ratio", "", -1e12, 1e12)]
"""A bare finite number."""
Numbers = tuple[Number, ...]
"""Finite numbers as written."""
AscendingRpm = tuple[Annotated[float, Quantity("ratio", "", 0.0, 25000.0)], ...]
"""Speeds in revolutions per minute, as written."""
AscendingRatios = tuple[Annotated[float, Quantity("ratio", "", 0.0, 1.0)], ...]
"""Shares from 0 to 1, or text such as ``"35 %"``."""


class CurveOverRpm(Frozen):
    """A ratio over engine speed: ``{ rpm = [...], value = [...] }``."""

    rpm: AscendingRpm
    value: Numbers

    def model_post_init(self, context: Any, /) -> None:
        """Check the axis and the lengths."""
        check_ascending(self.rpm, key="rpm")
        check_lengths("rpm", self.rpm, value=self.value)

    @property
    def speed(self) -> tuple[float, ...]:
        """Engine speed [rad/s]."""
        return tuple(n * RPM for n in self.rpm)
