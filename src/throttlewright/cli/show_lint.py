"""How findings look in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from throttlewright.workshop.lint import LintResult

__all__ = ["lint"]

_WORDS = {"error": "ERROR", "warning": "warning", "note": "note"}


def lint(result: LintResult, console: Console) -> None:
    """Findings with place, figure and remedy, and how many there are."""
    for f in result.findings:
        place = f", {f.at}" if f.at else ""
        console.print(f"{_WORDS[f.severity]} [{f.rule}] {f.where}{place}", markup=False)
        console.print(f"    {f.text}", markup=False)
        console.print(f"    do: {f.advice}", markup=False)
    for text in result.remarks:
        console.print(f"- {text}", markup=False)
    looked = (
        f"{result.tables} tables, {result.rows} rows, {result.reactions} reactions, "
        f"{result.rules} rules"
    )
    engine = f", with the engine of {result.car}" if result.car else ", without a build"
    console.print(
        f"{result.name}: {result.errors} errors, {result.warnings} warnings, {result.notes} notes "
        f"({looked}{engine})",
        markup=False,
    )
    if not result.findings:
        console.print("Nothing was found; a lint proves nothing about how the car drives.")
