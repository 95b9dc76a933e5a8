"""The lint command."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["HELP", "command"]

HELP = "Search a calibration, or a pasted table, for what should not be in it."


def command(
    calibration: Annotated[
        str, typer.Argument(help="Calibration file, or a pasted table (.csv, .tsv, .txt).")
    ],
    build: Annotated[
        str | None, typer.Option(help="Build file or shipped build, for rules on the engine.")
    ] = None,
    intent: Annotated[
        str | None, typer.Option(help="Intent whose capped modes are meant; needs --build.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Lint a calibration."""
    from throttlewright.cli import show, show_lint
    from throttlewright.workshop.lint import LintRequest
    from throttlewright.workshop.lint import lint as work

    request = LintRequest(calibration=calibration, build=build, intent=intent)
    result = show.run(work, request, show_lint.lint, json=json)
    raise typer.Exit(result.exit_code)
