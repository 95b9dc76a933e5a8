"""What the server holds: the open garage, the jobs, and results that are dear to compute."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Query
from fastapi import Path as PathPart
from starlette.requests import HTTPConnection

from throttlewright.web.errors import needed
from throttlewright.web.jobs import Jobs
from throttlewright.workshop.held import MAIN, Garage, HeldCar, held_car

__all__ = ["Bench", "Branch", "CarName", "CarTitle", "Held", "bench"]

T = TypeVar("T")


class Bench:
    """One server's garage, jobs and memory.

    Parameters
    ----------
    folder : Path, optional
        Folder of the garage; the person's own when left out.
    """

    def __init__(self, folder: Path | None) -> None:
        self.garage = Garage.open(folder)
        self.jobs = Jobs()
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._locks: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    @property
    def folder(self) -> str:
        """Folder of the garage, as requests of the workshop name it."""
        return str(self.garage.folder)

    def keep(self, key: Hashable, make: Callable[[], T], *, most: int = 24) -> T:
        """Return what was made under a key before, else make it, once.

        Parameters
        ----------
        key : Hashable
            All that the result depends on, revisions included.
        make : callable
            Makes it.
        most : int
            How many results are kept.

        Returns
        -------
        object
            The result; not to be changed by who gets it.
        """
        with self._lock:
            lock = self._locks.setdefault(key, threading.Lock())
        try:
            with lock:
                with self._lock:
                    if key in self._kept:
                        self._kept.move_to_end(key)
                        found: T = self._kept[key]
                        return found
                made = make()
                with self._lock:
                    self._kept[key] = made
                    while len(self._kept) > most:
                        self._kept.popitem(last=False)
                return made
        finally:
            with self._lock:
                self._locks.pop(key, None)

    def number(self, car: str) -> int:
        """Return the number of a car that an address names by number or name."""
        with needed():
            if car.isascii() and car.isdigit():
                # The pages name a car by its number; another car may be called like that number.
                for one in self.garage.cars():
                    if one.id == int(car):
                        return one.id
            return self.garage.car(car).id

    def car(self, car: str, branch: str = MAIN) -> HeldCar:
        """Return a car ready to compute, made once for each state of its build."""
        number = self.number(car)
        with needed():
            items = self.garage.items(number, branch=branch)
        state = tuple(i.id for i in items if i.kind in ("build", "beside"))
        make = lambda: held_car(self.garage, number, branch=branch)  # noqa: E731
        return self.keep(("car", number, branch, state), make)

    def close(self) -> None:
        """Stop the jobs, then let go of the garage."""
        self.jobs.close()
        self.garage.close()


def bench(connection: HTTPConnection) -> Bench:
    """Return the bench of the server that answers."""
    found: Bench = connection.app.state.bench
    return found


def _known_car(car: Annotated[str, PathPart(max_length=80)], held: Held) -> str:
    return str(held.number(car))


def _known_name(car: Annotated[str, PathPart(max_length=80)], held: Held) -> str:
    with needed():
        return held.garage.car(held.number(car)).name


Held = Annotated[Bench, Depends(bench)]
"""The bench, as a parameter of a route."""
CarName = Annotated[str, Depends(_known_car)]
"""``{car}`` of an address, as the number of a car that is there; else the answer is 404."""
CarTitle = Annotated[str, Depends(_known_name)]
"""The same, as the car's name."""
Branch = Annotated[str, Query(max_length=80)]
"""Line of work, as a parameter of a route; give it the default ``MAIN``."""
