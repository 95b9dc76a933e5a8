"""Commands of the garage: ``throttlewright garage ...``; each loads what it needs when it runs."""

from __future__ import annotations

from typing import Annotated, Any

import typer

__all__ = ["garage"]

garage = typer.Typer(
    name="garage",
    help="Keep cars with their files and their history.",
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Place = Annotated[
    str | None, typer.Option("--garage", help="Folder of the garage; your own when left out.")
]
Car = Annotated[str, typer.Argument(help="Name or number of the car.")]
Line = Annotated[str, typer.Option("--branch", help="Line of work.")]
Who = Annotated[str | None, typer.Option(help="Who does it; your login when left out.")]
Why = Annotated[str, typer.Option(help="Why, in one line.")]


def _who(who: str | None) -> dict[str, Any]:
    return {} if who is None else {"who": who}


@garage.command(name="list", help="List the cars.")
def list_(garage: Place = None, json: Json = False) -> None:
    """List the cars."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import GarageRequest, list_cars

    show.run(list_cars, GarageRequest(garage=garage), show_garage.cars, json=json)


@garage.command(help="Add a car with a first build and intent.")
def new(
    name: Annotated[str, typer.Argument(help="Name of the car.")],
    example: Annotated[str | None, typer.Option(help="Shipped car to start from.")] = None,
    displacement: Annotated[str | None, typer.Option(help='Such as "2.0 L".')] = None,
    cylinders: Annotated[int | None, typer.Option(help="Number of cylinders.")] = None,
    revs: Annotated[str | None, typer.Option(help='Rev limit, such as "7000 rpm".')] = None,
    bore: Annotated[str | None, typer.Option(help='Bore of a plate, such as "65 mm".')] = None,
    plates: Annotated[int | None, typer.Option(help="Number of plates.")] = None,
    boost: Annotated[
        str | None, typer.Option(help='Peak boost of a turbo, gauge, such as "0.9 bar".')
    ] = None,
    use: Annotated[str | None, typer.Option(help="road, track or competition.")] = None,
    who: Who = None,
    garage: Place = None,
    json: Json = False,
) -> None:
    """Add a car."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import NewCarRequest, new_car

    request = NewCarRequest(
        garage=garage,
        name=name,
        example=example,
        displacement=displacement,
        cylinders=cylinders,
        revs=revs,
        bore=bore,
        plates=plates,
        boost=boost,
        use=use,
        **_who(who),
    )
    show.run(new_car, request, show_garage.new, json=json)


@garage.command(name="show", help="Show what a car has.")
def show_(car: Car, branch: Line = "main", garage: Place = None, json: Json = False) -> None:
    """Show a car."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import ShowRequest, show_car

    request = ShowRequest(garage=garage, car=car, branch=branch)
    show.run(show_car, request, show_garage.car, json=json)


@garage.command(help="Save a file as the newest revision of a thing.")
def save(
    car: Car,
    file: Annotated[str, typer.Argument(help="File to save.")],
    kind: Annotated[str | None, typer.Option(help="What it is; from the file's name.")] = None,
    name: Annotated[str | None, typer.Option(help="Name; from the file's name.")] = None,
    base: Annotated[
        int | None, typer.Option(help="Revision it was made from; the newest when left out.")
    ] = None,
    draft: Annotated[bool, typer.Option("--draft", help="Keep it without a check.")] = False,
    who: Who = None,
    why: Why = "",
    branch: Line = "main",
    garage: Place = None,
    json: Json = False,
) -> None:
    """Save a file."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import SaveRequest, save_item

    request = SaveRequest(
        garage=garage,
        car=car,
        file=file,
        kind=kind,
        name=name,
        base_revision=base,
        newest=base is None,
        why=why,
        branch=branch,
        draft=draft,
        **_who(who),
    )
    show.run(save_item, request, show_garage.saved, json=json)


@garage.command(help="List the revisions of a car or of one of its things.")
def history(
    car: Car,
    kind: Annotated[str | None, typer.Argument(help="build, calibration, ...")] = None,
    name: Annotated[str | None, typer.Option(help="Name of the thing.")] = None,
    branch: Line = "main",
    garage: Place = None,
    json: Json = False,
) -> None:
    """List revisions."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import HistoryRequest
    from throttlewright.workshop.garage import history as work

    request = HistoryRequest(garage=garage, car=car, kind=kind, name=name, branch=branch)
    show.run(work, request, show_garage.history, json=json)


@garage.command(help="Say what differs between two revisions.")
def compare(
    old: Annotated[int, typer.Argument(help="Number of a revision.")],
    new: Annotated[int, typer.Argument(help="Number of another one.")],
    garage: Place = None,
    json: Json = False,
) -> None:
    """Compare revisions."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import CompareRequest
    from throttlewright.workshop.garage import compare as work

    request = CompareRequest(garage=garage, old=old, new=new)
    show.run(work, request, show_garage.compare, json=json)


@garage.command(help="Make an old revision the newest again.")
def restore(
    revision: Annotated[int, typer.Argument(help="Number of the revision.")],
    branch: Annotated[
        str | None, typer.Option(help="Line to put it on; its own when left out.")
    ] = None,
    who: Who = None,
    why: Why = "",
    garage: Place = None,
    json: Json = False,
) -> None:
    """Restore a revision."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import RestoreRequest
    from throttlewright.workshop.garage import restore as work

    request = RestoreRequest(garage=garage, revision=revision, branch=branch, why=why, **_who(who))
    show.run(work, request, show_garage.saved, json=json)


@garage.command(help="Start a line of work of its own.")
def branch(
    car: Car,
    name: Annotated[str, typer.Argument(help="Name of the new branch.")],
    start: Annotated[str, typer.Option(help="Branch to start from.")] = "main",
    who: Who = None,
    garage: Place = None,
    json: Json = False,
) -> None:
    """Start a branch."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import BranchRequest
    from throttlewright.workshop.garage import branch as work

    request = BranchRequest(garage=garage, car=car, name=name, start=start, **_who(who))
    show.run(work, request, show_garage.branch, json=json)


@garage.command(help="Write the newest of everything on a branch as files.")
def export(
    car: Car,
    folder: Annotated[str, typer.Argument(help="Folder to write; empty or not there.")],
    branch: Line = "main",
    garage: Place = None,
    json: Json = False,
) -> None:
    """Export a car."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import ExportRequest, export_car

    request = ExportRequest(garage=garage, car=car, folder=folder, branch=branch)
    show.run(export_car, request, show_garage.export, json=json)


@garage.command(name="import", help="Save the files of a folder; adds the car if it is new.")
def import_(
    car: Car,
    folder: Annotated[str, typer.Argument(help="Folder to read.")],
    branch: Line = "main",
    who: Who = None,
    why: Why = "",
    garage: Place = None,
    json: Json = False,
) -> None:
    """Import a folder."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import ImportRequest, import_car

    request = ImportRequest(
        garage=garage, car=car, folder=folder, branch=branch, why=why, **_who(who)
    )
    show.run(import_car, request, show_garage.imported, json=json)


@garage.command(help="Give a car another name.")
def rename(
    car: Car,
    name: Annotated[str, typer.Argument(help="New name.")],
    garage: Place = None,
    json: Json = False,
) -> None:
    """Rename a car."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import RenameRequest, rename_car

    request = RenameRequest(garage=garage, car=car, name=name)
    show.run(rename_car, request, show_garage.renamed, json=json)


@garage.command(help="Take a car out of the list; nothing is deleted.")
def remove(
    car: Car,
    undo: Annotated[bool, typer.Option("--undo", help="Put it back.")] = False,
    garage: Place = None,
    json: Json = False,
) -> None:
    """Remove a car."""
    from throttlewright.cli import show, show_garage
    from throttlewright.workshop.garage import RemoveRequest, remove_car

    request = RemoveRequest(garage=garage, car=car, undo=undo)
    show.run(remove_car, request, show_garage.removed, json=json)
