"""Every fault in its scenarios, with its reaction and without: what was proven and what was not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from throttlewright.foundation.errors import InputError
from throttlewright.prove.verdict import Status, Verdict, worst_status

__all__ = ["FaultMatrix", "FaultSummary", "MatrixRow"]


@dataclass(frozen=True)
class MatrixRow:
    """One verdict on one fault.

    Parameters
    ----------
    fault, scenario : str
        What was broken in what; neither is empty.
    with_reaction : bool
        Whether the calibration's reactions were switched on.
    verdict : Verdict
        What came of it, for the same fault and scenario.

    Raises
    ------
    InputError
        If the verdict is of another fault or scenario.
    """

    fault: str
    scenario: str
    with_reaction: bool
    verdict: Verdict

    def __post_init__(self) -> None:
        for key in ("fault", "scenario"):
            own = getattr(self, key)
            if not own:
                raise InputError("must not be empty", key=f"fault matrix, {key}")
            if getattr(self.verdict, key) != own:
                raise InputError(
                    "the verdict is of another one",
                    key=f"fault matrix, {key}",
                    value=getattr(self.verdict, key),
                    allowed=own,
                )


@dataclass(frozen=True)
class FaultSummary:
    """What came of one fault.

    Parameters
    ----------
    fault : str
        Fault.
    with_reaction : {"pass", "fail", "not_proven"}
        Of all its verdicts with reactions.
    without_reaction : {"pass", "fail", "not_proven"}
        Of all its verdicts without.
    reaction_needed : bool
        It fails without and passes with: the reactions are what makes it pass.
    """

    fault: str
    with_reaction: Status
    without_reaction: Status
    reaction_needed: bool


@dataclass(frozen=True)
class FaultMatrix:
    """All verdicts on faults.

    Parameters
    ----------
    rows : tuple of MatrixRow
        In any order.
    """

    rows: tuple[MatrixRow, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", tuple(self.rows))

    @classmethod
    def of(cls, verdicts: Iterable[tuple[Verdict, bool]]) -> FaultMatrix:
        """Return the matrix of verdicts, each with whether reactions were switched on."""
        return cls(tuple(MatrixRow(v.fault, v.scenario, on, v) for v, on in verdicts))

    @property
    def faults(self) -> tuple[str, ...]:
        """Faults in order of first appearance."""
        return tuple(dict.fromkeys(row.fault for row in self.rows))

    def verdicts(self, fault: str, *, with_reaction: bool) -> tuple[Verdict, ...]:
        """Return the verdicts on one fault."""
        return tuple(
            row.verdict
            for row in self.rows
            if row.fault == fault and row.with_reaction == with_reaction
        )

    def summary(self) -> tuple[FaultSummary, ...]:
        """Return what came of each fault."""
        found = []
        for fault in self.faults:
            on = worst_status(self.verdicts(fault, with_reaction=True))
            off = worst_status(self.verdicts(fault, with_reaction=False))
            found.append(FaultSummary(fault, on, off, on == "pass" and off == "fail"))
        return tuple(found)

    @property
    def status(self) -> Status:
        """Status of the whole, from the verdicts with reactions.

        fail if any failed; else not_proven if any is, if a fault has none that applies, or if
        there is nothing at all; else pass. Verdicts without reactions do not count: they show what
        the reactions are for.
        """
        of_faults = [worst_status(self.verdicts(f, with_reaction=True)) for f in self.faults]
        if "fail" in of_faults:
            return "fail"
        return "pass" if of_faults and set(of_faults) == {"pass"} else "not_proven"

    @property
    def exit_code(self) -> int:
        """0 when everything passed, else 1."""
        return 0 if self.status == "pass" else 1

    def to_dict(self) -> dict[str, Any]:
        """Return the matrix as JSON can hold it."""
        return {
            "status": self.status,
            "faults": [
                {
                    "fault": s.fault,
                    "with_reaction": s.with_reaction,
                    "without_reaction": s.without_reaction,
                    "reaction_needed": s.reaction_needed,
                }
                for s in self.summary()
            ],
            "rows": [
                {"with_reaction": row.with_reaction, **row.verdict.to_dict()} for row in self.rows
            ],
        }
