"""Parts of the Pedal page: kept surfaces and designs, maps in calibrations, edits, intents."""

from __future__ import annotations

import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from pydantic import ValidationError

from throttlewright.build.intent import INTENT_FORMAT, INTENT_VERSION, Intent, Mode
from throttlewright.build.load import IntentFile, parse_intent
from throttlewright.build.problems import as_input_error
from throttlewright.build.write import to_toml
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Table
from throttlewright.car.record import BoostState
from throttlewright.car.surface import TorqueSurface
from throttlewright.design.figures import MapFigures, judged_claim, map_figures
from throttlewright.design.pedal import PedalMap, demand_form, one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.calibration import calibration_of
from throttlewright.workshop.common import rpm
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.held import Garage, HeldCar, held_intent
from throttlewright.workshop.modes import ModeDesign, check_gears, design_mode, surfaces_of
from throttlewright.workshop.pedal_models import ModeChange

__all__ = [
    "EDITED",
    "changed_mode",
    "designed",
    "designed_calibration",
    "edited_tables",
    "intent_with",
    "kept_intent",
    "map_in",
    "plain_figures",
    "promised",
    "surfaces",
    "table_key",
    "with_cells",
    "without_edit_mark",
]

T = TypeVar("T")

EDITED = "edited by hand"
"""Begins the note of a table that a person changed after the design."""

_PEDALS = _SPEEDS = 17
_LARGEST_BOOST_KPA = 600.0


class _Kept:
    """Results kept by what they depend on; the least used one goes first."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._items: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()

    def look(self, key: Hashable) -> Any | None:
        with self._lock:
            return self._items.get(key)

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        with self._lock:
            if key in self._items:
                self._items.move_to_end(key)
                found: T = self._items[key]
                return found
        made = make()
        with self._lock:
            self._items[key] = made
            while len(self._items) > self._most:
                self._items.popitem(last=False)
        return made


_surfaces = _Kept(16)
_designs = _Kept(96)
_plain = _Kept(32)
_intents = _Kept(32)


def kept_intent(
    garage: Garage, car: str, *, branch: str, seen: int | None = None
) -> tuple[Revision, IntentFile]:
    """Return the newest checked intent of a car, read once for each revision.

    With ``seen``, the revision that a page already shows, it is not even looked up: a drag asks
    many times a second.
    """
    place = (str(garage.folder), car, branch)
    if seen is not None and (found := _intents.look((*place, seen))) is not None:
        return found[0], found[1]
    head = garage.head(car, "intent", "intent", branch=branch, drafts=False)
    return _intents.get((*place, head.id), lambda: held_intent(garage, car, branch=branch))


def plain_figures(held: HeldCar, state: BoostState, stop_from: float) -> MapFigures:
    """Return the figures of the one-to-one map, worked out once for each build and state."""
    key = (held.file.sha256, state, stop_from)
    plain = one_to_one(np.array([held.car.idle, held.car.limit]))
    return _plain.get(key, lambda: map_figures(held.car, plain, state=state, stop_from=stop_from))


def surfaces(held: HeldCar) -> dict[BoostState, TorqueSurface]:
    """Return the torque surfaces of a car, computed once for each state of its build."""
    return _surfaces.get(held.file.sha256, lambda: surfaces_of(held.car, None, []))


def promised(held: HeldCar, mode: Mode) -> BoostState:
    """Return the boost state that a mode's feel is promised for on this car."""
    if held.car.turbo and mode.boost_state == "instant":
        return BoostState.INSTANT
    return BoostState.SETTLED


def table_key(mode: str) -> str:
    """Return a mode's name as the tables of a calibration carry it."""
    kept = "".join(c if c.isalnum() and c.isascii() else "_" for c in mode)
    return kept.strip("_") or "mode"


def designed(held: HeldCar, name: str, mode: Mode) -> ModeDesign:
    """Return the design of a mode, worked out once for each build and mode."""
    key = (held.file.sha256, name, mode.model_dump_json())
    return _designs.get(key, lambda: _design(held, name, mode))


def _design(held: HeldCar, name: str, mode: Mode) -> ModeDesign:
    car = held.car
    made, state, surface = design_mode(
        car, name, mode, surfaces(held), pedals=_PEDALS, speeds=_SPEEDS
    )
    states = (state,) if not car.turbo else (state, BoostState(1 - int(state)))
    figures: tuple[MapFigures, ...] = tuple(
        map_figures(car, made, state=s, stop_from=mode.opens_to_stop_from) for s in states
    )
    made = replace(made, claim=judged_claim(made.claim, mode, figures))
    return ModeDesign(name, mode, made, state, surface, figures)


# --- maps in calibrations -------------------------------------------------------------------------


def map_in(calibration: Calibration, name: str, mode: Mode, state: BoostState) -> PedalMap | None:
    """Return the pedal map that a calibration holds for a mode; None when it has none."""
    key = table_key(name)
    plate = calibration.tables.get(f"plate_over_pedal_{key}")
    if plate is None or len(plate.axes) != 2 or min(plate.values.shape) < 2:
        return None
    boost = calibration.tables.get(f"boost_target_{key}")
    if boost is not None and boost.values.shape != plate.values.shape:
        boost = None
    return PedalMap(
        name=name,
        pedal_pct=plate.axes[1].values,
        omega=plate.axes[0].values / rpm,
        plate_pct=plate.values,
        boost_target=None if boost is None else 1e3 * boost.values,
        boost_state=state.name.lower(),
        claim=plate.note,
    )


def edited_tables(calibration: Calibration, mode: str) -> list[str]:
    """Return the names of a mode's tables that carry the mark of a hand edit."""
    key = table_key(mode)
    names = (f"plate_over_pedal_{key}", f"boost_target_{key}")
    return [
        n
        for n in names
        if n in calibration.tables and calibration.tables[n].note.startswith(EDITED)
    ]


def without_edit_mark(note: str) -> str:
    """Return what the design said of a table that was edited since."""
    return note.removeprefix(f"{EDITED}; was designed as: ")


def with_cells(
    calibration: Calibration,
    mode: str,
    kind: str,
    cells: list[tuple[int, int, float]],
    surface: TorqueSurface,
) -> Calibration:
    """Return a calibration with cells of a table changed, and the demand form that follows.

    Parameters
    ----------
    calibration : Calibration
        The one before.
    mode : str
        Name of the mode.
    kind : {"plate", "boost"}
        Which table of the mode.
    cells : list of (row, column, value)
        Plate in per cent, boost in kPa absolute.
    surface : TorqueSurface
        Surface that the feel is promised on.

    Returns
    -------
    Calibration
        Marked as edited; on the bench again if it was released.

    Raises
    ------
    InputError
        If a cell is outside the table or its value outside the allowed range; then none counts.
    """
    key = table_key(mode)
    name = f"plate_over_pedal_{key}" if kind == "plate" else f"boost_target_{key}"
    table = calibration.table(name)
    low, high = (0.0, 100.0) if kind == "plate" else (50.0, _LARGEST_BOOST_KPA)
    values = table.values.copy()
    for row, column, value in cells:
        if not (0 <= row < values.shape[0] and 0 <= column < values.shape[1]):
            raise InputError(
                "there is no such cell",
                key=name,
                value=f"row {row + 1}, column {column + 1}",
                allowed=f"{values.shape[0]} rows and {values.shape[1]} columns",
                advice="nothing was changed",
            )
        if not low <= value <= high:
            at = f"{table.axes[0].values[row]:g} rpm, {table.axes[1].values[column]:g} % pedal"
            raise InputError(
                f"the value at {at} is outside the allowed range",
                key=name,
                value=value,
                allowed=f"{low:g} to {high:g} {table.unit}",
                advice="nothing was changed",
            )
        values[row, column] = value
    note = f"{EDITED}; was designed as: {without_edit_mark(table.note)}"
    tables = dict(calibration.tables)
    tables[name] = replace(table, values=values, note=note)
    if kind == "plate":
        tables |= _demand_tables(tables, key, tables[name], surface)
    return replace(calibration, tables=tables, release=None, bench_only=True)


def _demand_tables(
    tables: dict[str, Table], key: str, plate: Table, surface: TorqueSurface
) -> dict[str, Table]:
    """Return the demand form of an edited plate table, so that both forms say the same."""
    first, second = f"torque_share_over_pedal_{key}", f"plate_over_torque_share_{key}"
    if first not in tables or second not in tables:
        return {}
    # The least rising table that is nowhere below: the two steps cannot express a falling plate.
    rising = np.maximum.accumulate(plate.values, axis=1)
    edited = PedalMap(key, plate.axes[1].values, plate.axes[0].values / rpm, rising)
    form = demand_form(edited, surface, share_points=tables[second].axes[1].values.size)
    return {
        first: replace(tables[first], values=np.round(100.0 * form.share, 3)),
        second: replace(tables[second], values=np.round(form.plate_pct, 3)),
    }


def designed_calibration(
    held: HeldCar, intent: IntentFile, *, old: Calibration | None, anew: set[str]
) -> Calibration:
    """Design all modes of an intent.

    Parameters
    ----------
    held : HeldCar
        The car.
    intent : IntentFile
        What is wanted.
    old : Calibration, optional
        The one before; hand-edited tables of modes that are not in ``anew`` stay.
    anew : set of str
        Modes whose tables are replaced in any case.

    Returns
    -------
    Calibration
        All tables, limits and reactions.
    """
    check_gears(held.car, intent)
    designs = [designed(held, name, mode) for name, mode in intent.intent.mode.items()]
    made = calibration_of(held.file, intent, held.car, designs)
    if old is None:
        return made
    tables = dict(made.tables)
    for name in intent.intent.mode:
        if name in anew or not edited_tables(old, name):
            continue
        key = table_key(name)
        kept = [
            f"{part}_{key}"
            for part in (
                "plate_over_pedal",
                "boost_target",
                "torque_share_over_pedal",
                "plate_over_torque_share",
            )
        ]
        tables |= {n: old.tables[n] for n in kept if n in old.tables and n in tables}
    return replace(made, tables=tables)


# --- intents --------------------------------------------------------------------------------------


def changed_mode(name: str, mode: Mode, change: ModeChange) -> Mode:
    """Return a mode with a change, checked as if it were read from a file.

    Parameters
    ----------
    name : str
        Of the mode, for errors.
    mode : Mode
        As it is.
    change : ModeChange
        What is to be different.

    Returns
    -------
    Mode
        The new one.

    Raises
    ------
    InputError
        The schema's own sentence.
    """
    data = {key: value for key, value in mode.model_dump(mode="json").items() if value is not None}
    asked = change.model_dump(exclude_none=True)
    points = asked.pop("points", None)
    for key in ("opens_to_stop_from", "most_torque"):
        if f"{key}_pct" in asked:
            asked[key] = asked.pop(f"{key}_pct") / 100.0
    data |= asked
    if points is not None:
        data["feel"] = "points"
        data["points"] = {
            "pedal": [round(v / 100.0, 6) for v in points["pedal_pct"]],
            "share": [round(v / 100.0, 6) for v in points["share_pct"]],
        }
    elif data["feel"] != "points":
        data.pop("points", None)
    whole = {"format": INTENT_FORMAT, "format_version": INTENT_VERSION, "mode": {name: data}}
    try:
        return Intent.model_validate(whole).mode[name]
    except ValidationError as error:
        raise as_input_error(error, Intent) from None


@dataclass(frozen=True)
class _Section:
    start: int
    end: int


_HEADER = re.compile(r"^\[", re.MULTILINE)


def _section(text: str, header: str) -> _Section | None:
    """Return where a section stands, without the comments that lead to the next one."""
    start = re.search(rf"^{re.escape(header)}[ \t]*(#.*)?$", text, re.MULTILINE)
    if start is None:
        return None
    following = _HEADER.search(text, start.end())
    end = len(text) if following is None else following.start()
    body = text[start.start() : end]
    lines = body.splitlines(keepends=True)
    while len(lines) > 1 and (not lines[-1].strip() or lines[-1].lstrip().startswith("#")):
        lines.pop()
    return _Section(start.start(), start.start() + len("".join(lines)))


def intent_with(text: str, intent: Intent, name: str, mode: Mode) -> str:
    """Return the text of an intent with one mode changed; what stands around it stays as written.

    Parameters
    ----------
    text : str
        As it is kept.
    intent : Intent
        What it says.
    name : str
        The mode.
    mode : Mode
        Its new state.

    Returns
    -------
    str
        Text that reads back as the changed intent.
    """
    wanted = intent.model_copy(update={"mode": {**intent.mode, name: mode}})
    whole = to_toml(wanted)
    only = to_toml(Intent(mode={name: mode}))
    header = next(line for line in only.splitlines() if line.startswith("[mode."))
    new, old = _section(only, header), _section(text, header)
    if new is None or old is None:
        return whole
    merged = text[: old.start] + only[new.start : new.end].rstrip("\n") + "\n" + text[old.end :]
    try:
        same = parse_intent(merged, file="intent").intent == parse_intent(whole, file="i").intent
    except InputError:
        same = False
    return merged if same else whole
