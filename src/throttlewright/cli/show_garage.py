"""How the answers of the garage look in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table

if TYPE_CHECKING:
    from throttlewright.workshop.garage import (
        BranchResult,
        CarLine,
        CompareResult,
        ExportResult,
        HistoryResult,
        ImportResult,
        ListResult,
        NewCarResult,
        RemoveResult,
        Revision,
        SaveResult,
        ShowResult,
    )

__all__ = [
    "branch",
    "car",
    "cars",
    "compare",
    "export",
    "history",
    "imported",
    "new",
    "removed",
    "renamed",
    "saved",
]


def _say(console: Console, text: str) -> None:
    console.print(text, soft_wrap=True, markup=False)


def _minute(when: str) -> str:
    return f"{when[:10]} {when[11:16]} UTC"


def _marks(row: Revision) -> str:
    marks = [word for word in ("stale", "draft", "removed") if getattr(row, word)]
    return ", ".join(marks)


def _revisions(console: Console, rows: list[Revision]) -> None:
    table = Table(box=None, header_style="bold", pad_edge=False)
    for column in ("revision", "kind", "name", "branch", "when", "who", "why", ""):
        table.add_column(column, justify="right" if column == "revision" else "left")
    for row in rows:
        cells = [str(row.id), row.kind, row.name, row.branch, _minute(row.when), row.who, row.why]
        # What people typed must not be read as markup.
        table.add_row(*(cell.replace("[", "\\[") for cell in cells), _marks(row))
    console.print(table)


def cars(result: ListResult, console: Console) -> None:
    """Cars."""
    if not result.cars:
        _say(console, f"no cars yet in {result.folder}")
        _say(console, 'add one: throttlewright garage new "NAME"')
    for row in result.cars:
        _say(console, f"{row.id:>4}  {row.name}  (since {row.created[:10]})")


def new(result: NewCarResult, console: Console) -> None:
    """A new car."""
    _say(console, f"added {result.car.name} as number {result.car.id}")
    _revisions(console, result.revisions)


def car(result: ShowResult, console: Console) -> None:
    """What a car has."""
    others = [name for name in result.branches if name != result.branch]
    _say(console, f"{result.car.name}, branch {result.branch}")
    if others:
        _say(console, f"other branches: {', '.join(others)}")
    _revisions(console, result.items)
    for name, counts in result.verdicts.items():
        said = ", ".join(f"{n} {status}" for status, n in sorted(counts.items()))
        _say(console, f"verdicts {name}: {said or 'none'}")


def saved(result: SaveResult, console: Console) -> None:
    """One save."""
    row = result.revision
    if result.changed:
        _say(console, f"{row.kind} {row.name} of {row.car} is revision {row.id}")
    else:
        _say(console, f"nothing new: revision {row.id} holds the same")


def history(result: HistoryResult, console: Console) -> None:
    """Revisions."""
    _revisions(console, result.revisions)


def branch(result: BranchResult, console: Console) -> None:
    """A new branch."""
    _say(console, f"{result.car}: branch {result.name} started from {result.started_from}")


def export(result: ExportResult, console: Console) -> None:
    """Files written."""
    for name in result.files:
        _say(console, f"wrote {result.folder}/{name}")


def imported(result: ImportResult, console: Console) -> None:
    """Files read."""
    for one in result.saved:
        saved(one, console)


def renamed(result: CarLine, console: Console) -> None:
    """A car with another name."""
    _say(console, f"number {result.id} is now {result.name}")


def removed(result: RemoveResult, console: Console) -> None:
    """A car taken out or put back."""
    if result.removed:
        _say(console, f"{result.car.name} is out of the list; nothing was deleted")
        _say(console, f"to put it back: throttlewright garage remove {result.car.id} --undo")
    else:
        _say(console, f"{result.car.name} is back")


def _number(value: float | None, unit: str = "") -> str:
    return "–" if value is None else f"{value:.6g} {unit}".strip()


def compare(result: CompareResult, console: Console) -> None:
    """What differs."""
    a, b = result.old, result.new
    _say(console, f"{a.kind} {a.name}: revision {a.id} ({a.who}) to {b.id} ({b.who})")
    if result.same:
        _say(console, "the same")
    for line in result.lines:
        _say(console, line)
    for t in result.tables:
        text = f"table {t.name}: {t.change}"
        if t.largest is not None:
            place = ", ".join(f"{name} {_number(value, unit)}" for name, value, unit in t.at)
            text += f", {t.cells_changed} of {t.cells} cells"
            if t.cells_changed:
                text += f", largest {t.largest:+.6g} {t.unit} at {place}"
        _say(console, text)
    for n in result.numbers:
        _say(console, f"number {n.name}: {_number(n.old, n.unit)} to {_number(n.new, n.unit)}")
    for r in result.rows:
        _say(console, f"{r.part} {r.name}: {r.change}".replace(" :", ":"))
    for v in result.verdicts:
        place = ", ".join(part for part in (v.criterion, v.scenario, v.fault) if part)
        _say(
            console,
            f"verdict {place}: {v.old or 'none'} ({_number(v.old_value, v.unit)}) to "
            f"{v.new or 'none'} ({_number(v.new_value, v.unit)})",
        )
    for c in result.channels:
        _say(
            console,
            f"channel {c.name}: {c.change}, {c.old_samples} to {c.new_samples} samples",
        )
