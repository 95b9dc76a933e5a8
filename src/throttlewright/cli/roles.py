"""The roles command."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["HELP", "command"]

HELP = "Say what each role of the plate adds to a car, and drive it with each and without."


def command(
    build: Annotated[str, typer.Argument(help="Build file, or the name of a shipped build.")],
    intent: Annotated[str, typer.Argument(help="Intent file, or the name of a shipped car.")],
    role: Annotated[str | None, typer.Option(help="One role only, such as overboost.")] = None,
    out: Annotated[str | None, typer.Option(help="Folder for page and pictures.")] = None,
    no_drive: Annotated[
        bool, typer.Option("--no-drive", help="Drive nothing: what the roles add, alone.")
    ] = False,
    seed: Annotated[int, typer.Option(help="Seed of the sensors' noise.")] = 0,
    json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Show the roles of the plate."""
    from throttlewright.cli import show, show_drive, show_roles
    from throttlewright.workshop.roles import roles as work
    from throttlewright.workshop.roles_models import RolesRequest

    request = show_drive.request(
        RolesRequest,
        build=build,
        intent=intent,
        role=role,
        out=out,
        drive=not no_drive,
        seed=seed,
    )
    result = show.run(work, request, show_roles.roles, json=json)
    raise typer.Exit(result.exit_code)
