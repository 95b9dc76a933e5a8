"""How the roles of a car look in a terminal."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from throttlewright.workshop.roles_models import JudgedLine, PairCard, RolesResult

__all__ = ["roles"]

_BENCH = (
    "BENCH ONLY: a simulation ran, no car was driven. A plate shuts on fingers and an engine can "
    "rev unasked: read the cautions in the report before anyone powers the plate."
)


def _mark(line: JudgedLine) -> str:
    if line.value is None:
        return "NOT FOUND"
    return "" if line.good is None else "keeps its limit" if line.good else "MISSES its limit"


def _pair(pair: PairCard, console: Console) -> None:
    console.print(f"  {pair.title} ({pair.scenario})", markup=False)
    if pair.skipped:
        console.print(f"    {pair.skipped}", markup=False)
        return
    for name, line in (("with", pair.with_role), ("without", pair.without_role)):
        if line is None:
            continue
        mark = _mark(line)
        # what the run without the role misses is what the role is for
        said = f" [{mark if name == 'with' else mark.lower()}]" if mark else ""
        console.print(f"    {name:8}{line.text}{said}", markup=False)
    if pair.in_charge_s > 0.0:
        console.print(
            f"    in charge {pair.in_charge_s:.2f} s of {pair.duration_s:g} s", markup=False
        )


def roles(result: RolesResult, console: Console) -> None:
    """One short block for each role: what it adds, and its figure with it and without it."""
    for card in result.roles:
        console.print(f"\n{card.title} ({card.name})", markup=False)
        if card.reason:
            console.print(f"  {card.reason}", markup=False)
        if card.rows:
            console.print(f"  limits: {', '.join(row.name for row in card.rows)}", markup=False)
        if card.tables:
            console.print(f"  tables: {', '.join(t.name for t in card.tables)}", markup=False)
        if card.reactions:
            console.print(f"  reactions: {len(card.reactions)}", markup=False)
        for pair in card.pairs:
            _pair(pair, console)
        for finding in card.findings:
            if finding.level == "error":
                console.print(f"  error: {finding.subject}: {finding.text}", markup=False)
        rest = Counter(f.level for f in card.findings if f.level != "error")
        if rest:
            count = ", ".join(f"{n} {level}{'s' if n > 1 else ''}" for level, n in rest.items())
            console.print(f"  {count} of the check of the calibration: see lint", markup=False)
        if card.caution and card.state == "gives":
            console.print(f"  {card.caution}", markup=False)
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    if result.bench_only:
        console.print(_BENCH)
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)
