"""How runs and proofs look in a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError
from rich.console import Console
from rich.table import Table

from throttlewright.foundation.errors import InputError
from throttlewright.workshop.common import Model

if TYPE_CHECKING:
    from throttlewright.workshop.corner import CornerResult
    from throttlewright.workshop.drive import DriveResult
    from throttlewright.workshop.prove import ProveResult, VerdictLine

__all__ = ["corner", "drive", "prove", "request"]

M = TypeVar("M", bound=Model)

_WORDS = {
    "pass": "pass",
    "fail": "FAIL",
    "not_proven": "NOT PROVEN",
    "not_applicable": "not applicable",
}
_BENCH = (
    "BENCH ONLY: a simulation ran, no car was driven. A plate shuts on fingers and an engine can "
    "rev unasked: read the cautions in the report before anyone powers the plate."
)


def request(kind: type[M], **given: Any) -> M:
    """Make a request of options; a number out of range is one line, as in a file."""
    try:
        return kind(**given)
    except ValidationError as error:
        first = error.errors()[0]
        raise InputError(
            "cannot be used",
            key=".".join(str(part) for part in first["loc"]),
            value=str(first["input"]),
            allowed=first["msg"].removeprefix("Input should be "),
        ) from None


def _table(title: str, *columns: str, right: Sequence[int] = ()) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for n, column in enumerate(columns):
        table.add_column(column, justify="right" if n in right else "left")
    return table


def _verdicts(title: str, lines: Sequence[VerdictLine], console: Console) -> None:
    table = _table(title, "verdict", "scenario", "what was found", "source")
    for line in lines:
        table.add_row(_WORDS[line.status], line.scenario, line.text, line.source)
    console.print(table)


def drive(result: DriveResult, console: Console) -> None:
    """Figures, who set the plate, events and verdicts of each run."""
    for run in result.runs:
        broken = f", with {', '.join(run.faults)}" if run.faults else ""
        console.print(f"\n{result.name}: {run.title} ({run.scenario}){broken}", markup=False)
        table = _table("", "figure", "value", "", right=(1,))
        for figure in run.figures:
            table.add_row(figure.name, f"{figure.value:.4g}", figure.unit)
        console.print(table)
        shares = [f"{c.name} {c.share_pct:.1f} %" for c in run.in_charge if c.share_pct >= 0.05]
        console.print(f"The plate was set by: {', '.join(shares)}", markup=False)
        if run.order:
            table = _table("", "bounded by", "", "tightest", "", "bounds / %", "decides / %",
                           right=(2, 4, 5))  # fmt: skip
            for line in run.order:
                table.add_row(line.row, f"{line.side} of {line.output}", f"{line.tightest:.4g}",
                              line.unit, f"{line.active_pct:.1f}",
                              f"{line.in_charge_pct:.1f}")  # fmt: skip
            console.print(table)
        for event in run.events:
            console.print(f"{event.t_s:8.3f} s  {event.name}: {event.text}", markup=False)
        for verdict in run.verdicts:
            console.print(
                f"{_WORDS[verdict.status]}: {verdict.text} [{verdict.source}]", markup=False
            )
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    if result.caution:
        console.print(f"\n{result.caution}", markup=False)
    if result.bench_only:
        console.print(_BENCH)
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)


def prove(result: ProveResult, console: Console) -> None:
    """Verdicts that do not pass, the fault matrix, and the whole."""
    judged = [v for v in result.healthy if v.status != "not_applicable"]
    open_ones = [v for v in judged if v.status != "pass"]
    if open_ones:
        _verdicts("Healthy car: what does not pass", open_ones, console)
    if judged:
        console.print(
            f"Healthy car: {len(judged) - len(open_ones)} of {len(judged)} verdicts pass."
        )
    if result.faults:
        table = _table("\nFaults", "fault", "with reactions", "without", "reaction", "what decides")
        for f in result.faults:
            line = f.worst_with if f.with_reactions != "pass" else f.worst_without
            table.add_row(
                f.fault,
                _WORDS[f.with_reactions],
                _WORDS[f.without_reactions].lower(),
                f.reaction,
                "" if line is None else f"{line.scenario}: {line.text}",
            )
        console.print(table)
        count = Counter(f.reaction for f in result.faults)
        console.print(
            f"{count['needed']} reactions needed, {count['not needed here']} not needed here, "
            f"{count['not shown']} not shown. Failing without its reaction does not count against "
            "the car."
        )
    clauses = [v for v in result.books if v.status != "pass"]
    if clauses:
        _verdicts("\nRule books: clauses that do not pass here", clauses, console)
    if result.books:
        passed = sum(1 for v in result.books if v.status == "pass")
        console.print(f"Rule books: {passed} of {len(result.books)} clauses pass.")
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    console.print(f"\n{_WORDS[result.status]}: {result.name}, {result.runs} runs", markup=False)
    if result.bench_only:
        console.print(_BENCH)
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)


def corner(result: CornerResult, console: Console) -> None:
    """Both maps for each driver."""
    table = _table(
        f"{result.name}: {result.distance_m:g} m from the apex",
        "delay / s",
        "step of the foot / mm",
        "designed / s",
        "one to one / s",
        "lost / s",
        "slip events",
        right=range(6),
    )
    for line in result.lines:
        table.add_row(
            f"{line.delay_s:.2f}",
            f"{line.resolution_mm:g}",
            f"{line.designed_s:.3f}",
            f"{line.one_to_one_s:.3f}",
            f"{line.lost_s:+.3f}",
            f"{line.designed_slips} / {line.one_to_one_slips}",
        )
    console.print(table)
    console.print(f"- {result.claim}", markup=False)
    console.print(f"\n{result.caution}", markup=False)
