"""How the set-up of sensors looks in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from throttlewright.workshop.sensor_models import CheckLine, SensorsResult

__all__ = ["sensors"]

_WORDS = {
    "pass": "pass",
    "fail": "FAIL",
    "not_proven": "NOT PROVEN",
    "not_applicable": "not applicable",
}


def _table(title: str, *columns: str, right: Sequence[int] = ()) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for n, column in enumerate(columns):
        table.add_column(column, justify="right" if n in right else "left")
    return table


def _volts(value: float | None) -> str:
    return "not recorded" if value is None else f"{value:.3f}"


def _checks(title: str, lines: Sequence[CheckLine], console: Console) -> None:
    table = _table(title, "verdict", "of", "what was found")
    for line in lines:
        text = f"{line.text} ({line.source})" if line.source else line.text
        table.add_row(_WORDS[line.status], line.name, text)
    console.print(table)


def sensors(result: SensorsResult, console: Console) -> None:
    """Tracks, checks, blind places and numbers."""
    console.print(f"{result.name}: {result.of} tracks from {result.origin}", markup=False)
    table = _table(
        f"\nTracks ({result.topology})",
        "track", "released / V", "full / V", "direction", "noise / mV", "in range / V",
        "open wire / V", "pull",
        right=range(7),
    )  # fmt: skip
    for track in result.tracks:
        inside = (
            "no limit fits"
            if track.low_V is None or track.high_V is None
            else f"{track.low_V:.3f} to {track.high_V:.3f}"
        )
        table.add_row(
            str(track.track), _volts(track.released_V), _volts(track.full_V), track.direction,
            f"{track.noise_mV:.2f}", inside, f"{track.open_wire_V:.3f}", track.pull,
        )  # fmt: skip
    console.print(table)
    _checks("\nChecks", result.checks, console)
    if result.books:
        _checks("\nRule books", result.books, console)
    table = _table(
        f"\nWhat comparing the tracks sees, beyond {result.judged_at_pct:g} points",
        "fault", "seen in / % of travel", "blind from to / %", "reads high by / points",
        right=(1, 3),
    )  # fmt: skip
    for fault in result.faults:
        blind = ", ".join(f"{a:g} to {b:g}" for a, b in fault.blind) or "nowhere"
        table.add_row(fault.fault, f"{fault.found_pct:.0f}", blind, f"{fault.rises_pct:.0f}")
    console.print(table)
    if result.plausibility.false_per_1000_h is not None:
        plan = result.plausibility
        console.print(
            f"\nPlausibility: {plan.tolerance_pct:g} points for {plan.time_s:g} s; false alarms "
            f"{plan.false_per_1000_h:.1g} in 1000 h or less; 10 points found in "
            f"{plan.found_s:g} s; tracks may be read up to {plan.most_skew_ms:g} ms apart",
            markup=False,
        )
    if result.numbers:
        table = _table("\nFor the calibration", "name", "value", "", "source", right=(1,))
        for number in result.numbers:
            table.add_row(number.name, f"{number.value:g}", number.unit, number.source)
        console.print(table)
    if result.toml:
        console.print("\nFor the build:\n")
        console.print(result.toml, markup=False)
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    console.print(f"\n{_WORDS[result.status]}: {result.name}", markup=False)
    for text in result.cautions:
        console.print(text, markup=False)
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)
