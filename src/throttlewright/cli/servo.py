"""The servo command."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["HELP", "command"]

HELP = "Learn the plate servo from records, design its controller and try it in its corners."


def command(
    build: Annotated[str, typer.Argument(help="Build file, or the name of a shipped build.")],
    record: Annotated[
        list[str] | None, typer.Option(help="Servo record, Parquet or CSV; repeatable.")
    ] = None,
    picture: Annotated[str | None, typer.Option(help="SVG file for the picture.")] = None,
    current_limit: Annotated[
        float | None, typer.Option(help="Most current of bridge, fuse and loom [A].")
    ] = None,
    no_closed_stop: Annotated[
        bool, typer.Option("--no-closed-stop", help="No stop keeps the plate out of the bore.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Identify and design the plate servo."""
    from throttlewright.cli import show, show_drive, show_servo
    from throttlewright.workshop.servo import ServoRequest
    from throttlewright.workshop.servo import servo as work

    request = show_drive.request(
        ServoRequest,
        build=build,
        records=tuple(record or ()),
        picture=picture,
        closed_stop=not no_closed_stop,
        current_limit_A=current_limit,
    )
    result = show.run(work, request, show_servo.servo, json=json)
    raise typer.Exit(result.exit_code)
