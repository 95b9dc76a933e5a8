"""The command that prints and judges a commissioning sheet."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["HELP", "command"]

HELP = "Check the parts, judge the fail-safe behaviour and write the commissioning sheet."


def command(
    build: Annotated[str, typer.Argument(help="Build file, or the name of a shipped build.")],
    calibration: Annotated[str, typer.Argument(metavar="CALIBRATION", help="Calibration file.")],
    filled: Annotated[
        str | None, typer.Option(help="Measured values to judge (TOML or JSON).")
    ] = None,
    out: Annotated[str | None, typer.Option(help="HTML file for the sheet.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Commission a throttle."""
    from throttlewright.cli import show, show_commission
    from throttlewright.workshop.commission import CommissionRequest
    from throttlewright.workshop.commission import commission as work

    request = CommissionRequest(build=build, calibration=calibration, filled=filled, out=out)
    result = show.run(work, request, show_commission.commission, json=json)
    raise typer.Exit(result.exit_code)
