"""How results look in a terminal, and how a command runs: progress, cancel, JSON."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table

from throttlewright.foundation.errors import CancelledError, InputError
from throttlewright.foundation.events import Cancelled, Event, OnEvent
from throttlewright.workshop.common import Model

if TYPE_CHECKING:
    from throttlewright.workshop.check import CheckResult
    from throttlewright.workshop.design import DesignResult
    from throttlewright.workshop.new import NewResult
    from throttlewright.workshop.plate import PlateResult
    from throttlewright.workshop.surface import SurfaceRequest, SurfaceResult

__all__ = [
    "check",
    "check_all",
    "design",
    "new",
    "plate",
    "run",
    "surface",
    "surface_request",
]

_PATIENCE = 0.5
"""Seconds before a progress bar appears."""

Q = TypeVar("Q", bound=Model, contravariant=True)
R = TypeVar("R", bound=Model, covariant=True)


class Work(Protocol[Q, R]):
    """A workshop function."""

    def __call__(self, request: Q, /, *, on_event: OnEvent, cancelled: Cancelled) -> R:
        """Do the work."""
        ...


class _Bar:
    """A progress bar that appears only when the work takes long enough to wonder."""

    def __init__(self, quiet: bool) -> None:
        self._start = time.monotonic()
        self._quiet = quiet or not sys.stderr.isatty()
        self._progress: Progress | None = None
        self._tasks: dict[str, Any] = {}

    def __call__(self, event: Event) -> None:
        if self._quiet or time.monotonic() - self._start < _PATIENCE:
            return
        if self._progress is None:
            self._progress = Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                TextColumn("{task.fields[text]}"),
                console=Console(stderr=True),
                transient=True,
            )
            self._progress.start()
        if event.name not in self._tasks:
            self._tasks[event.name] = self._progress.add_task(event.name, text="")
        self._progress.update(
            self._tasks[event.name], total=event.total, completed=event.done, text=event.text
        )

    def close(self) -> None:
        if self._progress is not None:
            self._progress.stop()


def run(work: Work[Q, R], request: Q, show: Callable[[Any, Console], None], *, json: bool) -> R:
    """Call a workshop function, print its result and return it.

    Ctrl-C once asks the work to stop at its next safe place; twice stops at once.
    """
    asked = False

    def on_interrupt(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True

    previous = signal.signal(signal.SIGINT, on_interrupt)
    bar = _Bar(quiet=json)
    try:
        result = work(request, on_event=bar, cancelled=lambda: asked)
    except KeyboardInterrupt:
        raise CancelledError("stopped") from None
    finally:
        bar.close()
        signal.signal(signal.SIGINT, previous)
    if json:
        print(result.model_dump_json(indent=1))
        return result
    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else 110
    show(result, Console(width=width, highlight=False))
    return result


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left", box=None, header_style="bold", pad_edge=False)
    for n, column in enumerate(columns):
        table.add_column(column, justify="left" if n == 0 else "right")
    return table


def new(result: NewResult, console: Console) -> None:
    """Files written."""
    for path in result.written:
        console.print(f"wrote {path}", soft_wrap=True, markup=False)
    console.print(result.next, soft_wrap=True, markup=False)


def _check(result: CheckResult, console: Console, rows: int | None) -> None:
    console.print(
        f"{result.name}: {result.peak_torque_Nm:.0f} N m at {result.peak_torque_rpm:.0f} rpm, "
        f"{result.peak_power_kW:.0f} kW at {result.peak_power_rpm:.0f} rpm, use {result.use}",
        markup=False,
    )
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    if result.modes:
        console.print(f"intent: {', '.join(result.modes)}", markup=False)
    table = _table(
        "\nWhat hangs on what (torque effect / % of full torque at 10, 20, 50 % pedal)",
        "number",
        "value",
        "origin",
        "10 %",
        "20 %",
        "50 %",
        "idle air / %",
    )
    for line in result.ledger[:rows]:
        effect = line.torque_effect_pct
        cells = ["", "", ""] if effect is None else [f"{v:.1f}" for v in effect]
        idle = "" if line.idle_effect_pct is None else f"{line.idle_effect_pct:.1f}"
        table.add_row(line.key, line.value[:28], line.origin, *cells, idle)
    console.print(table)
    if rows is not None and len(result.ledger) > rows:
        console.print(f"{len(result.ledger) - rows} more with --all")
    if result.surest_next:
        console.print("\nWhat would make this surer, most first:")
        for number, text in enumerate(result.surest_next, 1):
            console.print(f"{number}. {text}", markup=False)


def check(result: CheckResult, console: Console) -> None:
    """Ledger, the numbers that matter."""
    _check(result, console, 12)


def check_all(result: CheckResult, console: Console) -> None:
    """Ledger, every number."""
    _check(result, console, None)


def plate(result: PlateResult, console: Console) -> None:
    """Plate study."""
    low, mid, rated = (f"{n:.0f}" for n in result.low_mid_rated_rpm)
    table = _table(
        f"Plates for {result.name}",
        "bore / mm",
        "plates",
        "power lost / %",
        "air / m/s",
        f"90 % torque at {low} / %",
        f"{mid} / %",
        f"{rated} / %",
        "0.1° of idle air / %",
        "leak / %",
        "idles",
        "no power / rpm",
        "km/h",
    )
    step = max(1, len(result.rows) // 16)
    own = (result.car.bore_mm, result.car.count)
    others = [r for r in result.rows[::step] if (r.bore_mm, r.count) != own]
    for row in [*others, result.car]:
        table.add_row(
            f"{row.bore_mm:.1f}" + (" *" if row == result.car else ""),
            str(row.count),
            f"{row.loss_pct:.2f}",
            f"{row.mean_velocity_m_s:.0f}",
            *(f"{v:.0f}" for v in row.pct_at_90),
            f"{row.air_per_tenth_pct_of_idle:.1f}",
            f"{row.leak_pct_of_idle:.0f}",
            "yes" if row.can_idle else "no",
            f"{row.default_rpm:.0f}" + ("+" if row.default_held_by_limit else ""),
            f"{max(row.default_km_h):.0f}",
        )
    console.print(table)
    console.print("* this car; + held only by the rev limit")
    for text in [*result.reasons, *result.trade, *result.notes]:
        console.print(f"- {text}", markup=False)


def surface_request(
    build: str,
    state: str,
    pipe: str | None,
    holds: str | None,
    plan: int,
    coolant: str | None = None,
) -> SurfaceRequest:
    """Read the options of the surface command."""
    from throttlewright.workshop.surface import SurfaceRequest

    for known in ("instant", "settled", "held"):
        if state == known:
            return SurfaceRequest(
                build=build, state=known, pipe=pipe, holds=holds, plan=plan, coolant=coolant
            )
    raise InputError(
        "is no boost state", key="state", value=state, allowed="instant, settled, held"
    )


def surface(result: SurfaceResult, console: Console) -> None:
    """Torque surface, thinned to fit."""
    columns = range(0, len(result.plate_pct), max(1, len(result.plate_pct) // 11))
    table = _table(
        f"{result.name}, {result.boost_state}: torque / N m over plate / %",
        "rpm",
        *(f"{result.plate_pct[j]:.0f}" for j in columns),
        "authority end / %",
    )
    for i in range(0, len(result.rpm), max(1, len(result.rpm) // 14)):
        row = result.torque_Nm[i]
        # + 0.0 turns a negative zero into a plain one
        cells = ["–" if (v := row[j]) is None else f"{round(v) + 0.0:.0f}" for j in columns]
        table.add_row(f"{result.rpm[i]:.0f}", *cells, f"{result.authority_end_pct[i]:.0f}")
    console.print(table)
    if result.plan:
        plan = _table(
            "Dyno holds to take, in this order", "rpm", "plate / %", "N m", "°C", "s", "why"
        )
        for p in result.plan:
            plan.add_row(
                f"{p.rpm:.0f}",
                f"{p.plate_pct:.1f}",
                f"{p.expected_torque_Nm:.0f}",
                f"{p.exhaust_degC:.0f}",
                f"{p.seconds:.0f}",
                p.reason,
            )
        console.print(plan)
    for text in result.notes:
        console.print(f"- {text}", markup=False)


def design(result: DesignResult, console: Console) -> None:
    """Figures of the designed modes and what was written."""
    for mode in result.modes:
        console.print(f"\nMode {mode.mode}: {mode.claim}", markup=False)
        table = _table(
            "",
            "map",
            "boost state",
            "worst gain / mean",
            "torque by 20 % pedal, 2000 rpm / %",
            "dead travel / %",
            "1500-4000 rpm in neutral / % pedal",
        )
        for f in mode.figures:
            at = min(range(len(f.rpm)), key=lambda i: abs(f.rpm[i] - 2000.0))
            table.add_row(
                f.map,
                f.boost_state,
                f"{max(f.gain_largest_to_mean):.2f}",
                f"{f.torque_share_by_20_pct_pedal[at]:.0f}",
                f"{max(f.dead_travel_pct):.0f}",
                "–" if f.free_rev_span_pct is None else f"{f.free_rev_span_pct:.1f}",
            )
        console.print(table)
    for text in result.notes:
        console.print(f"- {text}", markup=False)
    console.print(f"\n{len(result.knock_on)} other tables change meaning: see the report.")
    if result.bench_only:
        console.print(
            "BENCH ONLY: no safety verdict has run on this calibration. A plate shuts on fingers "
            "and an engine can rev unasked: read the cautions in the report first."
        )
    for path in result.written:
        if path.endswith(("report.html", ".json")):
            console.print(f"wrote {path}", soft_wrap=True, markup=False)
