"""The Garage page: all cars at a glance, each with its last change and its last proof."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict

from throttlewright.foundation.errors import InputError
from throttlewright.garage.store import Garage
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage_requests import CarLine, Revision
from throttlewright.workshop.prove import ProveResult, Status
from throttlewright.workshop.prove_page import LAST, last_proof

__all__ = ["CarView", "Overview", "ProofLine", "bring_back", "look_over"]


class ProofLine(Model):
    """How the last proof of a car ended."""

    revision: int
    status: Status
    counts: dict[str, int]
    """Number of verdicts with the reactions in force, by status."""
    calibration: str
    calibration_revision: int
    current: bool
    """False when build, intent or calibration were saved anew since."""
    bench_only: bool
    when: str


class CarView(Model):
    """A car in the list."""

    car: CarLine
    branches: list[str]
    revisions: dict[str, int]
    """Newest revision of build, intent and calibration that the car has."""
    last: Revision | None
    """Last thing a person saved, on any branch."""
    proof: ProofLine | None


class Overview(Model):
    """The garage at a glance."""

    folder: str
    cars: list[CarView]
    removed: list[CarLine]


def _counts(result: ProveResult) -> dict[str, int]:
    armed = [line for line in result.fault_verdicts if line.reactions]
    return dict(Counter(line.status for line in (*result.healthy, *armed, *result.books)))


def _view(garage: Garage, number: int) -> CarView:
    items = garage.items(number)
    branches = [branch.name for branch in garage.branches(number)]
    heads = {item.id: item for name in branches for item in garage.items(number, branch=name)}
    # What the pages keep for themselves is no work of a person.
    saved = [i for i in heads.values() if i.kind != "layout"]
    last = max(saved, key=lambda item: item.id, default=None)
    main: dict[str, int] = {}
    for item in items:
        if item.kind in ("build", "intent", "calibration"):
            main[item.kind] = max(main.get(item.kind, 0), item.id)
    proof = None
    kept = next((i for i in items if (i.kind, i.name) == ("layout", LAST)), None)
    found = last_proof(garage, number) if kept is not None else None
    if kept is not None and found is not None:
        proof = ProofLine(
            revision=kept.id,
            status=found.result.status,
            counts=_counts(found.result),
            calibration=found.calibration,
            calibration_revision=found.calibration_revision,
            current=found.current,
            bench_only=found.result.bench_only,
            when=kept.when,
        )
    return CarView(
        car=CarLine(**asdict(garage.car(number))),
        branches=branches,
        revisions=main,
        last=None if last is None else Revision(**asdict(last)),
        proof=proof,
    )


def look_over(garage: Garage) -> Overview:
    """Return all cars with their last change and their last proof.

    Parameters
    ----------
    garage : Garage
        Where they are.

    Returns
    -------
    Overview
        Cars by name, and the ones that were removed, newest first.
    """
    return Overview(
        folder=str(garage.folder),
        cars=[_view(garage, car.id) for car in garage.cars()],
        removed=[CarLine(**asdict(car)) for car in garage.removed_cars()],
    )


def bring_back(garage: Garage, number: int) -> CarLine:
    """Put a removed car back into the list.

    Parameters
    ----------
    garage : Garage
        Where it is.
    number : int
        Number of the car.

    Returns
    -------
    CarLine
        The car.

    Raises
    ------
    InputError
        If no removed car has this number, or its name is taken by now.
    """
    if number not in {car.id for car in garage.removed_cars()}:
        raise InputError("no removed car has this number", value=number)
    return CarLine(**asdict(garage.bring_back(number)))
