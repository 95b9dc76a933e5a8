"""Status codes of solved points, with advice: a point without a solution is never a number."""

from __future__ import annotations

from enum import IntEnum

__all__ = ["ADVICE", "PointStatus"]


class PointStatus(IntEnum):
    """How the solution of one operating point ended."""

    OK = 0
    NO_BRACKET = 1
    NOT_CONVERGED = 2
    OUTSIDE_MODEL = 3
    NEEDS_MAP = 4


ADVICE: dict[PointStatus, str] = {
    PointStatus.OK: "solved",
    PointStatus.NO_BRACKET: (
        "no balance of plate and engine flow exists here; check the volumetric efficiency and the "
        "held pipe pressure"
    ),
    PointStatus.NOT_CONVERGED: "the solver did not settle; report this build",
    PointStatus.OUTSIDE_MODEL: "outside the range the model is valid for; measure this point",
    PointStatus.NEEDS_MAP: "needs a map: give a compressor map in the build",
}
