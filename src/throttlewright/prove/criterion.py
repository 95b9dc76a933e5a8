"""One criterion: what it applies to, what it finds in a run, what it holds that against."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from throttlewright.foundation.errors import InputError
from throttlewright.prove.run import NotApplicableError, NotProvenError, Run
from throttlewright.prove.verdict import Status, Verdict

__all__ = ["Criterion", "Found", "Settings"]

Settings = Mapping[str, object]


@dataclass(frozen=True)
class Found:
    """What was found in a run.

    Parameters
    ----------
    value : float [unit of the criterion]
        The figure.
    text : str
        What to add to the sentence; may be empty.
    limit : float [unit of the criterion], optional
        Limit of this car or run, instead of the criterion's own.
    """

    value: float
    text: str = ""
    limit: float | None = None


@dataclass(frozen=True)
class Criterion:
    """A limit with its source, and how a run is held against it.

    Parameters
    ----------
    name, title, unit : str
        Name in the registry, one line for people, unit of value and limit.
    side : {"most", "least"}
        Whether the limit is the most or the least that passes; equal passes.
    limit : float [unit]
        Limit.
    source, edition : str
        Where the limit comes from; the source is never empty.
    scenarios : tuple of str
        Scenarios it is judged in; empty for all.
    find : callable
        Takes the run and the settings and returns what it found; raises NotApplicableError or
        NotProvenError.
    settings : dict
        Further numbers of the criterion, from its data.

    Raises
    ------
    InputError
        If the limit or the source is missing.
    """

    name: str
    title: str
    unit: str
    side: Literal["most", "least"]
    limit: float
    source: str
    edition: str
    scenarios: tuple[str, ...]
    find: Callable[[Run, Settings], Found]
    settings: Settings = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.side not in ("most", "least"):
            raise InputError("must be most or least", key=self.name, value=self.side)
        if not self.source.strip():
            raise InputError("a limit needs a source", key=self.name)
        if not math.isfinite(self.limit):
            raise InputError("a limit must be a finite number", key=self.name, value=self.limit)

    def applies(self, run: Run) -> bool:
        """Return whether the criterion is judged in this scenario."""
        return not self.scenarios or run.kind in self.scenarios

    def judge(self, run: Run) -> Verdict:
        """Return the verdict on a run."""
        if not self.applies(run):
            allowed = ", ".join(self.scenarios)
            return self._verdict(run, "not_applicable", math.nan, f"judged in {allowed} only")
        try:
            found = self.find(run, self.settings)
        except NotApplicableError as reason:
            return self._verdict(run, "not_applicable", math.nan, str(reason))
        except NotProvenError as reason:
            return self._verdict(run, "not_proven", reason.value, str(reason))
        limit = self.limit if found.limit is None else found.limit
        if not (math.isfinite(found.value) and math.isfinite(limit)):
            return self._verdict(run, "not_proven", found.value, "no figure could be read off")
        good = found.value <= limit if self.side == "most" else found.value >= limit
        said = f"{self.title}: {found.value:.4g} {self.unit}".rstrip()
        text = f"{said}, at {self.side} {limit:.4g}" + (f"; {found.text}" if found.text else "")
        return self._verdict(run, "pass" if good else "fail", found.value, text, limit)

    def _verdict(
        self, run: Run, status: Status, value: float, text: str, limit: float | None = None
    ) -> Verdict:
        return Verdict(
            criterion=self.name,
            status=status,
            value=value,
            limit=self.limit if limit is None else limit,
            unit=self.unit,
            source=self.source,
            edition=self.edition,
            text=text,
            scenario=run.scenario,
            fault=run.fault,
        )
