"""How a servo looks in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from throttlewright.workshop.servo import ServoResult

__all__ = ["servo"]

_WORDS = {
    "pass": "pass",
    "fail": "FAIL: a step is outside its limits",
    "not_proven": "NOT PROVEN: every step is within its limits, but for the servo as the build "
    "has it, not as recorded",
}


def _table(title: str, *columns: str, left: int = 1) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for n, column in enumerate(columns):
        table.add_column(column, justify="left" if n < left else "right", no_wrap=True)
    return table


def servo(result: ServoResult, console: Console) -> None:
    """Fit, steps, margins and the record to take."""
    console.print(result.caution, markup=False)
    if result.estimates:
        table = _table(f"\n{result.name}: learned", "number", "value", "95 % from", "to", "unit")
        for e in result.estimates:
            cells = [f"{v:.4g}" for v in (e.value, e.low, e.high)] if e.told else ["not told"] * 3
            table.add_row(e.name, *cells, e.unit)
        console.print(table)
        for e in result.estimates:
            if not e.told:
                console.print(f"- {e.name}: {e.reason}", markup=False)
    table = _table(
        f"\n{result.name}: steps",
        "condition", "step / deg", "90 % / ms", "limit", "settled / ms", "limit", "over / deg",
        "static / deg", "",
    )  # fmt: skip
    for m in result.moves:
        table.add_row(
            m.condition,
            f"{m.start_deg:.1f} to {m.end_deg:.1f}",
            "never" if m.rise_s is None else f"{1e3 * m.rise_s:.0f}",
            "none" if m.limit_rise_s is None else f"{1e3 * m.limit_rise_s:.0f}",
            f"{1e3 * m.settle_s:.0f}",
            "none" if m.limit_settle_s is None else f"{1e3 * m.limit_settle_s:.0f}",
            f"{m.overshoot_deg:.2f}",
            f"{m.static_deg:.2f}",
            "" if m.ok else "FAIL",
        )
    console.print(table)
    console.print(
        f"\nGain margin {result.gain_margin:.1f}, phase margin {result.phase_margin_deg:.0f} deg. "
        f"Stick-slip on a ramp at most {result.worst_stick_slip_deg:.2f} deg, lag at 2 Hz at most "
        f"{1e3 * result.worst_lag_s:.0f} ms. Holding open takes {100 * result.hold_duty:.0f} % "
        f"duty; the winding reaches {result.hottest_winding_degC:.0f} degC. The least target of "
        f"{result.least_opening_deg:.2f} deg costs {result.landing_air_g_s:.2f} g/s of idle air.",
        markup=False,
    )
    console.print("\nThe record to take:")
    for n, step in enumerate(result.plan, 1):
        console.print(f"{n}. {step}", markup=False)
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    console.print(f"\n{_WORDS[result.status]}")
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)
