"""Terminal commands. Heavy modules are imported inside a command, so that help stays light."""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType
from typing import Annotated

import typer

from throttlewright.cli.commission import HELP as COMMISSION_HELP
from throttlewright.cli.commission import command as commission
from throttlewright.cli.garage import garage as garage_app
from throttlewright.cli.lint import HELP as LINT_HELP
from throttlewright.cli.lint import command as lint
from throttlewright.cli.roles import HELP as ROLES_HELP
from throttlewright.cli.roles import command as roles
from throttlewright.cli.sensors import HELP as SENSORS_HELP
from throttlewright.cli.sensors import command as sensors
from throttlewright.cli.serve import HELP as SERVE_HELP
from throttlewright.cli.serve import serve
from throttlewright.cli.servo import HELP as SERVO_HELP
from throttlewright.cli.servo import command as servo

__all__ = ["COMMANDS", "app", "main"]

COMMANDS: dict[str, str] = {
    "demo": "Design the pedal map of a shipped car and write report, tables and calibration.",
    "new": "Write an annotated build.toml and intent.toml to start from.",
    "check": "Read a build, and rank its assumed numbers by what hangs on them.",
    "plate": "Compare plate sizes on this engine and recommend one.",
    "surface": "Compute torque over engine speed and plate opening.",
    "design": "Design the pedal maps of an intent and hand them over.",
    "drive": "Drive one scenario with a calibration, healthy or with faults.",
    "prove": "Drive all scenarios and all faults, and judge every run.",
    "corner": "Time a corner exit on the designed map and on a plate that follows the pedal.",
    "lint": LINT_HELP,
    "roles": ROLES_HELP,
    "sensors": SENSORS_HELP,
    "servo": SERVO_HELP,
    "commission": COMMISSION_HELP,
    "garage": "Keep cars with their files and their history.",
    "serve": SERVE_HELP,
}
"""Commands with their one-line help."""

app = typer.Typer(
    name="throttlewright",
    help="Drive-by-wire throttle calibrations from the physics of the car.",
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
app.add_typer(garage_app, name="garage", help=COMMANDS["garage"])
app.command("lint", help=LINT_HELP)(lint)
app.command("roles", help=ROLES_HELP)(roles)
app.command("sensors", help=SENSORS_HELP)(sensors)
app.command("commission", help=COMMISSION_HELP)(commission)
app.command("servo", help=SERVO_HELP)(servo)
app.command("serve", help=SERVE_HELP)(serve)

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Build = Annotated[str, typer.Argument(help="Build file, or the name of a shipped build.")]
Held = Annotated[str, typer.Argument(metavar="CALIBRATION", help="Calibration file.")]
Seed = Annotated[int, typer.Option(help="Seed of the sensors' noise.")]


@app.command(help=COMMANDS["demo"])
def demo(
    out: Annotated[str, typer.Option(help="Folder to write.")] = "throttlewright-demo",
    example: Annotated[str, typer.Option(help="Name of a shipped example.")] = "hillclimb_20t",
    json: Json = False,
) -> None:
    """Run the main job on a shipped car."""
    from throttlewright.cli import show
    from throttlewright.workshop.demo import DemoRequest
    from throttlewright.workshop.demo import demo as work

    show.run(work, DemoRequest(out=out, example=example), show.design, json=json)


@app.command(help=COMMANDS["new"])
def new(
    folder: Annotated[str, typer.Argument(help="Folder to write into.")] = ".",
    example: Annotated[str | None, typer.Option(help="Shipped build to start from.")] = None,
    name: Annotated[str, typer.Option(help="Name of the car.")] = "New car",
    force: Annotated[bool, typer.Option("--force", help="Replace files that are there.")] = False,
    json: Json = False,
) -> None:
    """Write a first build and intent."""
    from throttlewright.cli import show
    from throttlewright.workshop.new import NewRequest
    from throttlewright.workshop.new import new as work

    request = NewRequest(folder=folder, example=example, name=name, force=force)
    show.run(work, request, show.new, json=json)


@app.command(help=COMMANDS["check"])
def check(
    build: Build,
    intent: Annotated[str | None, typer.Option(help="Intent file to check as well.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Show every number.")] = False,
    json: Json = False,
) -> None:
    """Check a build and print its ledger."""
    from throttlewright.cli import show
    from throttlewright.workshop.check import CheckRequest
    from throttlewright.workshop.check import check as work

    request = CheckRequest(build=build, intent=intent)
    show.run(work, request, show.check_all if every else show.check, json=json)


@app.command(help=COMMANDS["plate"])
def plate(
    build: Build,
    smallest: Annotated[float, typer.Option(help="Smallest bore [mm].")] = 30.0,
    largest: Annotated[float, typer.Option(help="Largest bore [mm].")] = 110.0,
    bores: Annotated[int, typer.Option(help="Number of bores.")] = 41,
    count: Annotated[list[int] | None, typer.Option(help="Number of plates; repeatable.")] = None,
    json: Json = False,
) -> None:
    """Study plate sizes."""
    from throttlewright.cli import show
    from throttlewright.workshop.plate import PlateRequest
    from throttlewright.workshop.plate import plate as work

    request = PlateRequest(
        build=build,
        smallest_mm=smallest,
        largest_mm=largest,
        bores=bores,
        counts=tuple(count or ()),
    )
    show.run(work, request, show.plate, json=json)


@app.command(help=COMMANDS["surface"])
def surface(
    build: Build,
    state: Annotated[str, typer.Option(help="instant, settled or held.")] = "settled",
    pipe: Annotated[str | None, typer.Option(help='Held pipe pressure, as "1.8 bar".')] = None,
    holds: Annotated[str | None, typer.Option(help="Dyno holds to blend in (CSV).")] = None,
    plan: Annotated[int, typer.Option(help="Number of dyno holds to plan.")] = 0,
    coolant: Annotated[
        str | None, typer.Option(help='Coolant of a cold engine, as "20 degC".')
    ] = None,
    json: Json = False,
) -> None:
    """Compute a torque surface."""
    from throttlewright.cli import show
    from throttlewright.workshop.surface import surface as work

    request = show.surface_request(build, state, pipe, holds, plan, coolant)
    show.run(work, request, show.surface, json=json)


@app.command(help=COMMANDS["design"])
def design(
    build: Build,
    intent: Annotated[str, typer.Argument(help="Intent file.")],
    out: Annotated[str, typer.Option(help="Folder to write.")] = "hand-over",
    mode: Annotated[str | None, typer.Option(help="One mode only.")] = None,
    compare: Annotated[str | None, typer.Option(help="Pasted table to judge beside.")] = None,
    old: Annotated[
        str | None, typer.Option(help='Pasted table whose feel "old plate" keeps.')
    ] = None,
    holds: Annotated[str | None, typer.Option(help="Dyno holds to blend in (CSV).")] = None,
    pedals: Annotated[int, typer.Option(help="Pedal points of the tables.")] = 17,
    speeds: Annotated[int, typer.Option(help="Speed points of the tables.")] = 17,
    json: Json = False,
) -> None:
    """Design pedal maps and hand them over."""
    from throttlewright.cli import show
    from throttlewright.workshop.design import DesignRequest
    from throttlewright.workshop.design import design as work

    request = DesignRequest(
        build=build,
        intent=intent,
        out=out,
        mode=mode,
        compare=compare,
        old=old,
        holds=holds,
        pedals=pedals,
        speeds=speeds,
    )
    show.run(work, request, show.design, json=json)


@app.command(help=COMMANDS["drive"])
def drive(
    build: Build,
    calibration: Held,
    scenario: Annotated[str, typer.Argument(help="Name of a scenario, or a scenario file.")],
    fault: Annotated[
        list[str] | None, typer.Option(help="kind@2s or kind@2s=severity; repeatable.")
    ] = None,
    variant: Annotated[str | None, typer.Option(help="One variant only, such as 2500rpm.")] = None,
    intent: Annotated[str | None, typer.Option(help="Intent whose limits are judged.")] = None,
    out: Annotated[str | None, typer.Option(help="Parquet file for the trace.")] = None,
    picture: Annotated[str | None, typer.Option(help="SVG file for the picture.")] = None,
    command: Annotated[str | None, typer.Option(help="SVG file for the order of command.")] = None,
    seed: Seed = 0,
    json: Json = False,
) -> None:
    """Drive one scenario."""
    from throttlewright.cli import show, show_drive
    from throttlewright.workshop.drive import DriveRequest
    from throttlewright.workshop.drive import drive as work

    request = show_drive.request(
        DriveRequest,
        build=build,
        calibration=calibration,
        scenario=scenario,
        variant=variant,
        faults=tuple(fault or ()),
        intent=intent,
        out=out,
        picture=picture,
        command=command,
        seed=seed,
    )
    result = show.run(work, request, show_drive.drive, json=json)
    raise typer.Exit(result.exit_code)


@app.command(help=COMMANDS["prove"])
def prove(
    build: Build,
    calibration: Held,
    intent: Annotated[
        str | None, typer.Option(help="Intent whose rule books and cold limit are judged.")
    ] = None,
    scenario: Annotated[
        list[str] | None,
        typer.Option(help="Healthy scenario to drive; repeatable; all if left out."),
    ] = None,
    fault: Annotated[
        list[str] | None, typer.Option(help="Fault to inject; repeatable; all if left out.")
    ] = None,
    out: Annotated[str | None, typer.Option(help="Folder for page and verdicts.")] = None,
    variations: Annotated[int, typer.Option(help="Times each run is driven, noise differs.")] = 1,
    seed: Seed = 0,
    json: Json = False,
) -> None:
    """Prove a calibration."""
    from throttlewright.cli import show, show_drive
    from throttlewright.workshop.prove import ProveRequest
    from throttlewright.workshop.prove import prove as work

    request = show_drive.request(
        ProveRequest,
        build=build,
        calibration=calibration,
        intent=intent,
        scenarios=tuple(scenario) if scenario else None,
        faults=tuple(fault) if fault else None,
        out=out,
        variations=variations,
        seed=seed,
    )
    result = show.run(work, request, show_drive.prove, json=json)
    raise typer.Exit(result.exit_code)


@app.command(help=COMMANDS["corner"])
def corner(
    build: Build,
    calibration: Held,
    distance: Annotated[float, typer.Option(help="Length of the exit [m].")] = 40.0,
    delay: Annotated[
        list[float] | None, typer.Option(help="Reaction delay [s]; repeatable.")
    ] = None,
    resolution: Annotated[
        list[float] | None, typer.Option(help="Finest step of the foot [mm]; repeatable.")
    ] = None,
    json: Json = False,
) -> None:
    """Compare two maps at a corner exit."""
    from throttlewright.cli import show, show_drive
    from throttlewright.workshop.corner import CornerRequest
    from throttlewright.workshop.corner import corner as work

    given = {"delays_s": tuple(delay or ()), "resolutions_mm": tuple(resolution or ())}
    request = show_drive.request(
        CornerRequest,
        build=build,
        calibration=calibration,
        distance_m=distance,
        **{key: value for key, value in given.items() if value},
    )
    show.run(work, request, show_drive.corner, json=json)


def _stop_at_once(number: int, frame: FrameType | None) -> None:
    # outside a workshop function nothing is being written, and an interrupt raised within an
    # import ends the process in ways that depend on where it struck
    os.write(2, b"stopped; nothing half-written is left\n")
    os._exit(130)


def main(arguments: list[str] | None = None) -> None:
    """Run the terminal program.

    Exit codes: 0 fine, 1 a verdict or check failed, 2 bad input, 130 stopped by the person.

    Parameters
    ----------
    arguments : list of str, optional
        Command line without the program's name; the process's own when left out.
    """
    from throttlewright.foundation.errors import CancelledError, InputError, ThrottlewrightError

    previous = signal.signal(signal.SIGINT, _stop_at_once)
    try:
        app(args=arguments, standalone_mode=True)
    except InputError as error:
        print(error, file=sys.stderr)
        raise SystemExit(2) from None
    except CancelledError:
        print("stopped; nothing half-written is left", file=sys.stderr)
        raise SystemExit(130) from None
    except ThrottlewrightError as error:
        print(error, file=sys.stderr)
        raise SystemExit(1) from None
    except BrokenPipeError:
        raise SystemExit(0) from None
    finally:
        signal.signal(signal.SIGINT, previous)
