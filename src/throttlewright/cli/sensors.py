"""The command that sets up the sensors."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["HELP", "command"]

HELP = "Set up pedal or plate sensors from a recorded sweep or from data-sheet voltages."


def command(
    build: Annotated[str, typer.Argument(help="Build file, or the name of a shipped build.")],
    sweep: Annotated[
        str | None, typer.Option(help="Recording of a slow press and release (Parquet or CSV).")
    ] = None,
    track1: Annotated[str | None, typer.Option(help="Channel of track 1, in V.")] = None,
    track2: Annotated[str | None, typer.Option(help="Channel of track 2, in V.")] = None,
    time: Annotated[str, typer.Option(help="Time column of a CSV file.")] = "time",
    of: Annotated[str, typer.Option(help="pedal or plate.")] = "pedal",
    book: Annotated[
        list[str] | None, typer.Option(help="Rule book to judge against; repeatable.")
    ] = None,
    period: Annotated[float, typer.Option(help="Time between comparisons [ms].")] = 10.0,
    skew: Annotated[float, typer.Option(help="Time between reading the two tracks [ms].")] = 1.0,
    found: Annotated[float, typer.Option(help="Time to find a fault of 10 points [ms].")] = 100.0,
    false_alarms: Annotated[float, typer.Option(help="Most false alarms in 1000 h.")] = 0.1,
    rate: Annotated[
        float | None, typer.Option(help="Fastest movement [% of travel per s].")
    ] = None,
    pull: Annotated[float, typer.Option(help="Pull resistor of the input [kohm].")] = 100.0,
    error: Annotated[
        float | None, typer.Option(help="Difference of healthy tracks [points].")
    ] = None,
    picture: Annotated[str | None, typer.Option(help="SVG file for the picture.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Set up sensors."""
    from throttlewright.cli import show, show_drive, show_sensors
    from throttlewright.workshop.sensors import SensorsRequest
    from throttlewright.workshop.sensors import sensors as work

    request = show_drive.request(
        SensorsRequest,
        build=build,
        sweep=sweep,
        track1=track1,
        track2=track2,
        time=time,
        of=of,
        books=tuple(book or ()),
        picture=picture,
        period_ms=period,
        skew_ms=skew,
        found_ms=found,
        false_per_1000_h=false_alarms,
        rate_pct_s=rate,
        pull_kohm=pull,
        error_pct=error,
    )
    result = show.run(work, request, show_sensors.sensors, json=json)
    raise typer.Exit(result.exit_code)
