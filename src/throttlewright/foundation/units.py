"""Units at the edges: text with a unit in, SI inside, text with a unit out."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from throttlewright.foundation.errors import UnitError

if TYPE_CHECKING:
    import pint

__all__ = ["SI_UNITS", "parse_quantity", "to_unit"]

SI_UNITS: dict[str, str] = {
    "length": "m",
    "area": "m^2",
    "volume": "m^3",
    "mass": "kg",
    "time": "s",
    "angle": "rad",
    "angular speed": "rad/s",
    "pressure": "Pa",
    "temperature": "K",
    "torque": "N*m",
    "force": "N",
    "inertia": "kg*m^2",
    "stiffness": "N*m/rad",
    "voltage": "V",
    "current": "A",
    "resistance": "ohm",
    "flow": "kg/s",
    "power": "W",
    "speed": "m/s",
    "ratio": "",
    "acceleration": "m/s^2",
    "heating value": "J/kg",
}
"""Quantity kinds and the SI unit that the package computes in."""

_EXAMPLES: dict[str, str] = {
    "length": "90 mm",
    "area": "5.3 mm^2",
    "volume": "1998 cc",
    "mass": "980 kg",
    "time": "0.9 s",
    "angle": "6 deg",
    "angular speed": "1050 rpm",
    "pressure": "1.4 bar",
    "temperature": "18 degC",
    "torque": "180 lb ft",
    "inertia": "0.15 kg m^2",
    "stiffness": "8000 N m/rad",
    "voltage": "4.2 V",
    "flow": "12 g/s",
    "power": "90 kW",
    "speed": "60 km/h",
    "heating value": "42.8 MJ/kg",
    "ratio": "46 %",
}


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("lbf_ft = force_pound * foot")
    return registry


_SPELLINGS = (
    ("lb ft", "lbf_ft"),
    ("lbft", "lbf_ft"),
    ("lb-ft", "lbf_ft"),
    ("ft lb", "lbf_ft"),
    ("lbf ft", "lbf_ft"),
    ("kg m^2", "kg*m^2"),
    ("kg m2", "kg*m^2"),
    ("N m", "N*m"),
    ("Nm", "N*m"),
    ("°C", "degC"),
    ("°", "deg"),
    ("%", "percent"),
    ("l/100km", "l/(100 km)"),
)


def _split(text: str) -> tuple[float, str]:
    stripped = text.strip()
    for end in range(len(stripped), 0, -1):
        try:
            return float(stripped[:end].replace(" ", "")), stripped[end:].strip()
        except ValueError:
            continue
    raise ValueError(text)


def parse_quantity(text: str | float | int, kind: str, *, key: str | None = None) -> float:
    """Read a number with its unit and return it in SI.

    Parameters
    ----------
    text : str or number
        Such as ``"90 mm"``. A bare number is accepted for a ratio only.
    kind : str
        A key of ``SI_UNITS``.
    key : str, optional
        Name of the key, for the error.

    Returns
    -------
    float
        Value in the SI unit of ``kind``.

    Raises
    ------
    UnitError
        If the unit is missing, unknown, or of another dimension.
    """
    example = _EXAMPLES.get(kind, "")
    advice = f'write it as "{example}"' if example else None

    def bad(message: str) -> UnitError:
        return UnitError(message, key=key, value=text, allowed=f"a {kind}", advice=advice)

    if isinstance(text, bool):
        raise bad("is not a quantity")
    if isinstance(text, int | float):
        if kind == "ratio":
            return float(text)
        raise bad("has no unit")
    try:
        number, unit = _split(text)
    except ValueError:
        raise bad("does not start with a number") from None
    if not unit:
        if kind == "ratio":
            return number
        raise bad("has no unit")
    for written, meant in _SPELLINGS:
        if unit == written or written in ("%", "°", "°C"):
            unit = unit.replace(written, meant)
    import pint

    registry = _registry()
    try:
        quantity = registry.Quantity(number, unit)
    except (pint.UndefinedUnitError, pint.errors.DefinitionSyntaxError, AttributeError):
        raise bad(f"has the unknown unit {unit!r}") from None
    except Exception as error:
        raise bad(f"has a unit that cannot be read ({type(error).__name__})") from None
    try:
        return float(quantity.to(SI_UNITS[kind] or "dimensionless").magnitude)
    except pint.DimensionalityError:
        raise bad(f"has the unit {unit!r}, which is not a unit of {kind}") from None


def to_unit(value: float, kind: str, unit: str) -> float:
    """Convert an SI value to another unit.

    Parameters
    ----------
    value : float
        Value in the SI unit of ``kind``.
    kind : str
        A key of ``SI_UNITS``.
    unit : str
        Unit to convert to, such as ``"bar"``.

    Returns
    -------
    float
        Value in ``unit``.
    """
    return float(_registry().Quantity(value, SI_UNITS[kind]).to(unit).magnitude)
