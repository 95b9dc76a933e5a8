"""A judgement with its figure, its limit and where the limit comes from."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal, get_args

from throttlewright.foundation.errors import InputError

__all__ = ["STATUSES", "Status", "Verdict", "worst_status"]

Status = Literal["pass", "fail", "not_applicable", "not_proven"]
STATUSES: tuple[str, ...] = get_args(Status)


@dataclass(frozen=True)
class Verdict:
    """One judgement.

    Parameters
    ----------
    criterion : str
        Name of the criterion or of the rule.
    status : {"pass", "fail", "not_applicable", "not_proven"}
        ``not_proven`` when the data or the solver could not tell.
    value : float [unit]
        What was found; NaN only when nothing could be judged.
    limit : float [unit]
        Limit it was held against; NaN only when nothing could be judged.
    unit : str
        Unit of both, empty for a pure number.
    source, edition : str
        Where the limit comes from; the source is never empty.
    text : str
        One sentence.
    scenario, fault : str
        What was driven and what was broken; empty when it does not matter.

    Raises
    ------
    InputError
        If a part is missing, or a pass or fail has no figure.
    """

    criterion: str
    status: Status
    value: float
    limit: float
    unit: str
    source: str
    edition: str
    text: str
    scenario: str = ""
    fault: str = ""

    def __post_init__(self) -> None:
        if self.status not in STATUSES:
            raise InputError(
                "is no status of a verdict",
                key=self.criterion,
                value=self.status,
                allowed=", ".join(STATUSES),
            )
        for key in ("criterion", "source", "text"):
            if not str(getattr(self, key)).strip():
                raise InputError("must not be empty", key=f"verdict {self.criterion}, {key}")
        for key in ("value", "limit"):
            number = float(getattr(self, key))
            object.__setattr__(self, key, number)
            if self.status in ("pass", "fail") and not math.isfinite(number):
                raise InputError(
                    "a verdict of pass or fail needs a finite figure",
                    key=f"verdict {self.criterion}, {key}",
                    value=number,
                )

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as JSON can hold it; a figure that is missing is None."""
        return {
            "criterion": self.criterion,
            "status": self.status,
            "value": self.value if math.isfinite(self.value) else None,
            "limit": self.limit if math.isfinite(self.limit) else None,
            "unit": self.unit,
            "source": self.source,
            "edition": self.edition,
            "text": self.text,
            "scenario": self.scenario,
            "fault": self.fault,
        }


def worst_status(verdicts: Iterable[Verdict]) -> Status:
    """Return the status of a whole: fail, else not_proven, else pass.

    Where nothing was judged at all (no verdict, or none that applies) nothing is proven.
    """
    found = {verdict.status for verdict in verdicts}
    if "fail" in found:
        return "fail"
    if "not_proven" in found or "pass" not in found:
        return "not_proven"
    return "pass"
