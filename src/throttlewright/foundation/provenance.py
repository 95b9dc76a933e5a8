"""Where a number comes from: given, assumed, fitted or derived."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Origin", "Provenance"]


class Origin(StrEnum):
    """Origin of a number."""

    GIVEN = "given"
    ASSUMED = "assumed"
    FITTED = "fitted"
    DERIVED = "derived"


@dataclass(frozen=True)
class Provenance:
    """Origin of one number, with its source and how far it may be off.

    ``spread`` is the half-width that the number may be off, in the unit of the number itself or,
    when ``relative``, as a share of it.
    """

    origin: Origin
    source: str
    spread: float = 0.0
    relative: bool = True
    measure: str = ""
