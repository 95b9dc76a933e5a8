"""How the commissioning sheet looks in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from throttlewright.workshop.commission import CommissionResult

__all__ = ["commission"]

_WORDS = {
    "pass": "pass",
    "fail": "FAIL",
    "not_proven": "NOT PROVEN",
    "open": "to fill",
    "locked": "waits",
}


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for column in columns:
        table.add_column(column)
    return table


def _expected(value: float | None, low: float | None, high: float | None, unit: str) -> str:
    if value is None:
        return "done"
    top = "" if high is None else f" to {high:g}"
    return f"{value:g} {unit} ({0.0 if low is None else low:g}{top})"


def commission(result: CommissionResult, console: Console) -> None:
    """Parts that do not pass, the gate, closing times, and the steps that come next."""
    console.print(
        "Engine off, fuel and spark disabled, fingers out of the bore, emergency stop in hand. "
        "This is no certificate: local law, event rules and licensed practice come first."
    )
    table = _table("\nParts", "verdict", "part", "is", "must be", "why")
    for part in result.parts:
        fix = f"; fix: {part.fix}" if part.fix else ""
        table.add_row(_WORDS[part.status], part.name, part.value, part.limit, part.text + fix)
    console.print(table)
    cap = "none that works" if result.cap_rpm is None else f"{result.cap_rpm:.0f} rpm"
    console.print(
        f"\nUnpowered plate: {result.rest_rpm:.0f} rpm in neutral, up to "
        f"{max(result.rest_km_h, default=0.0):.0f} km/h in gear; fuel-cut speed cap {cap}"
    )
    for use in result.uses:
        word = "open" if use.is_open else "REFUSED"
        console.print(f"{use.use}: {word}", markup=False)
        for why, fix in zip(use.reasons, use.fixes, strict=True):
            console.print(f"  {why}; fix: {fix}", markup=False)
    table = _table("\nSprings alone, full open to rest", "bridge when off", "body", "time", "")
    for c in result.closing:
        own = " (this controller)" if c.own else ""
        time = "over 6 s" if c.seconds is None else f"{c.seconds:.2f} s"
        table.add_row(c.bridge_off + own, c.case, time, "" if c.good else "over 1 s")
    console.print(table)
    table = _table("\nSteps", "", "phase", "step", "expected", "measured", "verdict")
    for s in result.steps:
        measured = "" if s.measured is None else f"{s.measured}"
        table.add_row(
            str(s.number), s.phase, s.key, _expected(s.expected, s.low, s.high, s.unit), measured,
            _WORDS[s.status],
        )  # fmt: skip
    console.print(table)
    failed = [s for s in result.steps if s.status == "fail"]
    for s in failed:
        console.print(f"step {s.number} failed: {s.stop}", markup=False)
    following = next((s for s in result.steps if s.status == "open"), None)
    if following is not None and not failed:
        console.print(f"\nnext: step {following.number}: {following.do}", markup=False)
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)
