"""A mode of a kept car with all that stands behind it, and what the page shows of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from throttlewright.build.intent import Mode
from throttlewright.build.load import IntentFile
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.table import Table
from throttlewright.car.record import BoostState
from throttlewright.design.figures import map_figures
from throttlewright.design.knock_on import knock_on
from throttlewright.design.pedal import PedalMap, one_to_one
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.workshop.design import KnockOnLine
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.held import Garage, HeldCar, StaleWriteError, held_calibration, steps
from throttlewright.workshop.pedal_models import ModeLine, PedalView, State, TableView
from throttlewright.workshop.pedal_parts import (
    designed,
    designed_calibration,
    edited_tables,
    kept_intent,
    map_in,
    promised,
    surfaces,
    table_key,
)
from throttlewright.workshop.pedal_picture import (
    boost_view,
    compared,
    fan_view,
    handles,
    map_cautions,
    uneven,
)
from throttlewright.workshop.report import threshold_unit

__all__ = [
    "CALIBRATION",
    "Opened",
    "check_calibration",
    "map_of",
    "mode_name",
    "open_mode",
    "shown_state",
    "tables_of",
    "view_of",
]

CALIBRATION = "calibration"
"""Name of the calibration that the page saves when the car has none."""


@dataclass(frozen=True)
class Opened:
    """A mode of a car with all that stands behind it."""

    held: HeldCar
    intent_revision: Revision
    intent: IntentFile
    revision: Revision | None
    calibration: Calibration | None
    name: str
    mode: Mode

    @property
    def state(self) -> BoostState:
        return promised(self.held, self.mode)


def mode_name(intent: IntentFile, asked: str | None) -> str:
    names = list(intent.intent.mode)
    if asked is None:
        return names[0]
    if asked not in names:
        close = nearest(asked, names)
        raise InputError(
            "the intent has no such mode",
            key="mode",
            value=asked,
            allowed=", ".join(names),
            advice=f"did you mean {close!r}?" if close else None,
        )
    return asked


def _calibration(garage: Garage, car: str, branch: str) -> tuple[Revision, Calibration] | None:
    have = [i for i in garage.items(car, branch=branch) if i.kind == "calibration" and not i.draft]
    if not have:
        return None
    names = [i.name for i in have]
    name = CALIBRATION if CALIBRATION in names else max(have, key=lambda i: i.id).name
    return held_calibration(garage, car, name, branch=branch)


def open_mode(garage: Garage, held: HeldCar, mode: str | None, branch: str) -> Opened:
    car = held.revision.car
    revision, intent = kept_intent(garage, car, branch=branch)
    name = mode_name(intent, mode)
    found = _calibration(garage, car, branch)
    made = None if found is None else found[1]
    one = intent.intent.mode[name]
    if made is not None and map_in(made, name, one, promised(held, one)) is None:
        made = None
    return Opened(held, revision, intent, found and found[0], made, name, one)


def shown_state(opened: Opened, asked: State | None) -> BoostState:
    if asked is None or not opened.held.car.turbo:
        return opened.state
    return BoostState[asked.upper()]


def map_of(opened: Opened) -> PedalMap:
    kept = opened.calibration
    if kept is not None:
        found = map_in(kept, opened.name, opened.mode, opened.state)
        if found is not None:
            return found
    return designed(opened.held, opened.name, opened.mode).map


def _mode_line(name: str, mode: Mode) -> ModeLine:
    return ModeLine(
        name=name,
        feel=mode.feel,
        basis=mode.basis,
        boost_state=mode.boost_state,
        start=mode.start,
        opens_to_stop_from_pct=round(100.0 * mode.opens_to_stop_from, 4),
        most_torque_pct=round(100.0 * mode.most_torque, 4),
        slope_limit=mode.slope_limit,
        gears=None if mode.gears is None else sorted(mode.gears),
    )


def _table_view(
    table: Table, design: np.ndarray | None, *, edited: bool, decimals: int, most: float
) -> TableView:
    cells: list[tuple[int, int]] = []
    if edited and design is not None and design.shape == table.values.shape:
        found = np.argwhere(np.abs(table.values - design) > 0.5 * 10.0**-decimals * 1e-2)
        cells = [(int(i), int(j)) for i, j in found]
    return TableView(
        name=table.name,
        quantity=table.quantity,
        unit=table.unit,
        rpm=table.axes[0].values.tolist(),
        pedal_pct=table.axes[1].values.tolist(),
        values=table.values.tolist(),
        decimals=decimals,
        least=0.0 if table.unit == "%" else 50.0,
        most=most,
        note=table.note,
        edited=edited,
        edited_cells=cells,
        meaning=table.percent_meaning,
    )


def tables_of(opened: Opened, calibration: Calibration) -> tuple[TableView, TableView | None]:
    """Return the plate table of a mode and its boost table, if it has one."""
    key, edited = table_key(opened.name), edited_tables(calibration, opened.name)
    plate = calibration.table(f"plate_over_pedal_{key}")
    boost = calibration.tables.get(f"boost_target_{key}")
    own: PedalMap | None = None
    if edited and calibration.build_sha256 == opened.held.file.sha256:
        own = designed(opened.held, opened.name, opened.mode).map
        if not np.allclose(own.pedal_pct, plate.axes[1].values):
            own = None
    plate_design = None if own is None else np.round(own.plate_pct, 3)
    boost_design = None
    if own is not None and own.boost_target is not None:
        boost_design = np.round(own.boost_target / 1e3, 2)
    first = _table_view(plate, plate_design, edited=plate.name in edited, decimals=1, most=100.0)
    if boost is None:
        return first, None
    return first, _table_view(
        boost, boost_design, edited=boost.name in edited, decimals=0, most=600.0
    )


def _behind(opened: Opened) -> str:
    made = opened.calibration
    if made is None:
        return ""
    parts = []
    if made.build_sha256 != opened.held.file.sha256:
        parts.append("the build")
    if made.intent_sha256 != opened.intent.sha256:
        parts.append("the intent")
    if not parts:
        return ""
    return f"{' and '.join(parts).capitalize()} changed since this map was designed."


def _knock_on_lines(opened: Opened, made: PedalMap) -> list[KnockOnLine]:
    surface = surfaces(opened.held)[opened.state]
    rows = knock_on(one_to_one(made.omega), made, surface, opened.held.car)
    return [
        KnockOnLine(
            table=row.table,
            use=row.use,
            threshold=row.threshold_name,
            unit=threshold_unit(row),
            old=round(row.old_pct, 2),
            new=round(row.new_pct, 2),
            low=round(row.low_pct, 2),
            high=round(row.high_pct, 2),
            reached=row.reached,
            note=row.note,
        )
        for row in rows
    ]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."


def _claim(opened: Opened, made: PedalMap, edited: bool) -> str:
    """Return what may be said of a map; an edit takes the promise of the design away."""
    if not edited:
        return _sentence(made.claim)
    held, stop = opened.held, opened.mode.opens_to_stop_from
    states = [opened.state]
    if held.car.turbo:
        states += [s for s in (BoostState.INSTANT, BoostState.SETTLED) if s is not opened.state]
    now = [uneven(map_figures(held.car, made, state=s, stop_from=stop)) for s in states]
    return f"Edited by hand, so what the design promised no longer holds. {' '.join(now)}"


def _notes(opened: Opened) -> list[str]:
    notes = []
    mode, car = opened.mode, opened.held.car
    if mode.gears is not None:
        gears = ", ".join(str(g) for g in sorted(mode.gears))
        notes.append(f"This mode applies in gear {gears} only.")
    if mode.slope_limit is not None:
        notes.append(
            f"The plate rises at most {mode.slope_limit:g} % for 1 % of pedal in this mode: torque "
            "may stay below what the handles ask."
        )
    assumed = sum(1 for p in opened.held.file.provenance.values() if p.origin == "assumed")
    if assumed:
        notes.append(
            f"{assumed} numbers of the build are assumed; the band shows what volumetric "
            "efficiency, discharge and the closed stop leave open."
        )
    if car.turbo and not car.controllable:
        notes.append("No boost target: the wastegate of this car is not electronic.")
    return notes


def view_of(garage: Garage, opened: Opened, asked: State | None, branch: str) -> PedalView:
    held, intent = opened.held, opened.intent.intent
    calibration = opened.calibration
    if calibration is None:
        calibration = designed_calibration(held, opened.intent, old=None, anew=set())
    made = map_of(opened)
    shown = shown_state(opened, asked)
    plate, boost = tables_of(opened, calibration)
    revision = opened.revision
    past = future = False
    if revision is not None:
        found = steps(garage, held.revision.car, "calibration", revision.name, branch=branch)
        past, future = bool(found.past), bool(found.future)
    states: list[State] = ["instant", "settled"] if held.car.turbo else ["settled"]
    return PedalView(
        car=held.revision.car,
        gear_count=len(held.car.build.driveline.ratios),
        mode=opened.name,
        modes=[_mode_line(name, one) for name, one in intent.mode.items()],
        build_revision=held.revision.id,
        intent_revision=opened.intent_revision.id,
        calibration_revision=None if revision is None else revision.id,
        calibration_name=CALIBRATION if revision is None else revision.name,
        behind=_behind(opened),
        edited=plate.edited or (boost is not None and boost.edited),
        can_undo=past,
        can_redo=future,
        states=states,
        fan=fan_view(held, made, shown, before=one_to_one(made.omega), band=True),
        boost=boost_view(held, made, intent),
        handles=handles(held, opened.mode),
        figures=compared(held, None, made, opened.mode, shown),
        plate_table=plate,
        boost_table=boost,
        claim=_claim(opened, made, plate.edited or (boost is not None and boost.edited)),
        cautions=map_cautions(made, intent),
        notes=_notes(opened),
        knock_on=_knock_on_lines(opened, made),
    )


def check_calibration(opened: Opened, base: int | None) -> None:
    """Raise StaleWriteError where another calibration than the one seen is the newest."""
    newest = None if opened.revision is None else opened.revision.id
    if newest != base:
        raise StaleWriteError(
            f"the calibration was changed meanwhile: revision {newest or 'none'} is the newest, "
            f"the page showed {base or 'none'}",
            newest=newest or 0,
            file=opened.held.revision.car,
            advice="look at it, then try again; nothing of yours was saved yet",
        )
