"""The Prove page: prove a kept car, keep the verdicts, and drive one run again to look at it."""

from __future__ import annotations

import json
import math
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field

from throttlewright.calibration.pack import pack_calibration
from throttlewright.car.motion import in_motion
from throttlewright.drive.faults import FAULTS, InjectedFault, fault_named
from throttlewright.drive.scenario import expand, list_scenarios, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, check_cancelled, ignore, never
from throttlewright.garage.contents import verdicts_to_json
from throttlewright.garage.store import MAIN, Garage
from throttlewright.prove.campaign import FAULT_CRITERIA, applicable_faults, applies_to, unarmed
from throttlewright.prove.criteria import CRITERIA, criterion
from throttlewright.prove.rulebook import list_books
from throttlewright.prove.run import Run
from throttlewright.prove.verdict import Verdict
from throttlewright.recording.recording import Recording
from throttlewright.workshop.common import Model
from throttlewright.workshop.drive import charge_names
from throttlewright.workshop.garage_requests import person
from throttlewright.workshop.held import held_calibration, held_car, held_intent, lay_out
from throttlewright.workshop.prove import (
    ProveRequest,
    ProveResult,
    VerdictLine,
    car_facts,
    prove,
    verdict_line,
)

__all__ = [
    "LAST",
    "HeldProof",
    "HeldProveRequest",
    "Trace",
    "TraceLimit",
    "choices",
    "last_proof",
    "prove_held",
    "trace_held",
]

LAST = "last proof"
"""Name under which the garage keeps the newest proof of a branch for the page."""
_VERDICTS = "proof"


class HeldProveRequest(Model):
    """Which car, and what of the proof is wanted; all of it where left out."""

    garage: str
    car: str
    branch: str = MAIN
    calibration: str | None = None
    scenarios: tuple[str, ...] | None = None
    faults: tuple[str, ...] | None = None
    books: tuple[str, ...] | None = None
    """Rule books in place of the intent's own."""
    variations: int = Field(1, ge=1, le=20)
    who: str = Field(default_factory=person)


class HeldProof(Model):
    """A proof and what it is of."""

    build_revision: int
    intent_revision: int
    calibration_revision: int
    calibration: str
    books: tuple[str, ...] | None
    result: ProveResult
    current: bool = True
    """False when build, intent or calibration were saved anew since."""


class TraceLimit(Model):
    """A limit to draw into a trace, or to write beside it."""

    criterion: str
    title: str
    status: str
    channel: str | None
    """Channel it is drawn with; None where it is only written."""
    axis: str
    """``value``: a level; ``time``: an instant; ``figure``: not drawn."""
    at: float | None
    """Where it is drawn, in the unit of the channel or in s."""
    value: float | None
    limit: float | None
    unit: str
    side: str
    source: str
    edition: str
    text: str


class Trace(Model):
    """A run as the page draws it, without its columns."""

    scenario: str
    title: str
    caution: str | None
    fault: str | None
    fault_at_s: float | None
    reactions: bool
    bench_only: bool
    in_charge: dict[int, str]
    """Names of what may be in charge, by the code in the channel of that name."""
    events: tuple[dict[str, Any], ...]
    limits: tuple[TraceLimit, ...]


def choices(garage: Garage, car: str | int, *, branch: str = MAIN) -> dict[str, Any]:
    """Return what can be proved on a car: its scenarios, its faults, the rule books.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    branch : str
        Line of work.

    Returns
    -------
    dict
        What JSON can hold.
    """
    packed = held_car(garage, car, branch=branch).car
    possible = {kind.name for kind in applicable_faults(packed)}
    chosen: tuple[str, ...] = ()
    with suppress(InputError):
        chosen = held_intent(garage, car, branch=branch)[1].intent.rules.books
    scenarios = [load_scenario(name) for name in list_scenarios()]
    return {
        "scenarios": [
            {"name": s.name, "title": s.title, "applies": applies_to(s, packed)} for s in scenarios
        ],
        "faults": [
            {
                "name": f.name,
                "text": f.text,
                "goes_wrong": f.goes_wrong,
                "proved_in": f.proved_in,
                "hidden_first": f.hidden_first or None,
                "applies": f.name in possible,
            }
            for f in FAULTS
        ],
        "books": [
            {"name": b.name, "title": b.title, "edition": b.edition, "chosen": b.name in chosen}
            for b in list_books()
        ],
    }


def _verdict(line: VerdictLine) -> Verdict:
    data = line.model_dump(exclude={"reactions"})
    for key in ("value", "limit"):
        data[key] = math.nan if data[key] is None else data[key]
    return Verdict(**data)


def prove_held(
    request: HeldProveRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> HeldProof:
    """Prove a kept car and keep the verdicts.

    Parameters
    ----------
    request : HeldProveRequest
        Car, and what of the proof is wanted.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    HeldProof
        The proof; nothing is kept of one that was cancelled.
    """
    with Garage.open(request.garage) as garage:
        with tempfile.TemporaryDirectory() as name:
            files = lay_out(
                garage,
                request.car,
                Path(name),
                calibration=request.calibration,
                books=request.books,
                branch=request.branch,
            )
            result = prove(
                ProveRequest(
                    build=str(files.build),
                    calibration=str(files.calibration),
                    intent=str(files.intent),
                    scenarios=request.scenarios,
                    faults=request.faults,
                    variations=request.variations,
                    seed=0,
                ),
                on_event=on_event,
                cancelled=cancelled,
            )
        check_cancelled(cancelled)
        if request.books is not None:
            # The calibration names its own intent by hash; other books are no other design.
            notes = (*result.notes, f"Rule books chosen for this proof: {_listed(request.books)}.")
            result = result.model_copy(update={"notes": notes})
        proof = HeldProof(
            build_revision=files.build_revision,
            intent_revision=files.intent_revision,
            calibration_revision=files.calibration_revision,
            calibration=files.calibration_name,
            books=request.books,
            result=result,
        )
        armed = [line for line in result.fault_verdicts if line.reactions]
        lines = (*result.healthy, *armed, *result.books)
        named = "" if files.calibration_name == "calibration" else f" {files.calibration_name}"
        why = f"proof of calibration{named}, revision {proof.calibration_revision}"
        items = garage.items(request.car, branch=request.branch)
        heads = {(str(i.kind), i.name): i.id for i in items}
        for kind, name, text in (
            ("verdicts", _VERDICTS, verdicts_to_json([_verdict(line) for line in lines])),
            ("layout", LAST, proof.model_dump_json()),
        ):
            garage.save(
                request.car,
                kind,
                name,
                text,
                base_revision=heads.get((kind, name)),
                who=request.who,
                why=why,
                branch=request.branch,
            )
        return proof


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(names) or "none"


def last_proof(garage: Garage, car: str | int, *, branch: str = MAIN) -> HeldProof | None:
    """Return the newest proof that was kept, and whether it is of the car as it stands.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    branch : str
        Line of work.

    Returns
    -------
    HeldProof or None
        None when the car was not proved yet.
    """
    items = {(i.kind, i.name): i.id for i in garage.items(car, branch=branch)}
    number = next((n for (k, name), n in items.items() if (k, name) == ("layout", LAST)), None)
    if number is None:
        return None
    try:
        proof = HeldProof.model_validate(json.loads(garage.content(number)))
    except ValueError:
        return None
    now = {n for (k, _), n in items.items() if k in ("build", "intent", "calibration")}
    of = {proof.build_revision, proof.intent_revision, proof.calibration_revision}
    return proof.model_copy(update={"current": of <= now})


def _released_s(recording: Recording) -> float | None:
    channel = recording.channels.get("pedal_pct")
    if channel is None:
        return None
    down = channel.values > 1.0
    falls = np.flatnonzero(down[:-1] & ~down[1:])
    return float(channel.t_s[falls[-1] + 1]) if falls.size else None


_RELEASE = "pedal_release"


def _at(kind: str, time_s: float) -> InjectedFault:
    return InjectedFault.model_validate({"kind": kind, "at": f"{time_s:g} s"})


_LEVELS = {
    "released_speed": "speed_m_s",
    "unpowered_speed": "engine_rpm",
    "released_engine_speed": "engine_rpm",
    "no_stall": "engine_rpm",
    "exhaust_temperature": "exhaust_degC",
    "brake_vacuum": "brake_vacuum_kPa",
}
"""Criteria whose limit is a level of a channel, in the channel's own unit."""


def _limit(line: VerdictLine, run: Run) -> TraceLimit:
    kind = criterion(line.criterion)
    channel: str | None = _LEVELS.get(line.criterion)
    axis, at = ("figure", None) if channel is None else ("value", line.limit)
    if line.criterion in ("overboost_peak", "overboost_time"):
        channel, axis, at = str(kind.settings["channel"]), "value", run.car.boost_limit_kPa
        if line.criterion == "overboost_peak":
            # Its limit counts from the pressure limit.
            at = at + (line.limit or 0.0)
    released = _released_s(run.recording)
    if line.criterion == "return_to_idle" and released is not None and line.limit is not None:
        channel, axis, at = "plate_pct", "time", max(released, run.fault_at_s) + line.limit
    if channel not in run.recording.channels or at is None or not math.isfinite(at):
        channel, axis, at = None, "figure", None
    return TraceLimit(
        criterion=line.criterion,
        title=kind.title,
        status=line.status,
        channel=channel,
        axis=axis,
        at=at,
        value=line.value,
        limit=line.limit,
        unit=line.unit,
        side=kind.side,
        source=line.source,
        edition=line.edition,
        text=line.text,
    )


def trace_held(
    garage: Garage,
    car: str | int,
    *,
    scenario: str,
    fault: str | None = None,
    reactions: bool = True,
    hidden: bool = False,
    calibration: str | None = None,
    branch: str = MAIN,
) -> tuple[Trace, Recording]:
    """Drive one run of a proof again.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    scenario : str
        Name of a shipped scenario or of one of its variants.
    fault : str, optional
        Kind of fault, injected when the proof injects it.
    reactions : bool
        False drives without what answers the fault.
    hidden : bool
        True lets the fault meet one that went unnoticed before, where the list of faults has one.
    calibration : str, optional
        Its name; the one saved last when left out.
    branch : str
        Line of work.

    Returns
    -------
    tuple of Trace and Recording
        What to write beside the columns, and the columns.

    Raises
    ------
    InputError
        If a name is unknown or does not fit the car.
    """
    name = scenario.partition("@")[0]
    if name not in list_scenarios():
        raise InputError(
            "is no shipped scenario",
            key="scenario",
            value=scenario,
            allowed=", ".join(list_scenarios()),
        )
    held = held_car(garage, car, branch=branch)
    moving = in_motion(held.car)
    _, tables = held_calibration(garage, car, calibration, branch=branch)
    whole = load_scenario(name)
    if not applies_to(whole, held.car):
        raise InputError(
            "is no scenario for this car",
            key="scenario",
            value=scenario,
            allowed=f"needs {', '.join(whole.applies)}",
        )
    variants = {v.name: v for v in expand(whole)}
    chosen = variants.get(scenario) or next(iter(variants.values()))
    if "@" in scenario and scenario not in variants:
        raise InputError(
            "is no variant of this scenario",
            key="scenario",
            value=scenario,
            allowed=", ".join(variants),
        )
    brought = tuple(chosen.fault)
    kinds = [fault_named(f.kind) for f in brought]
    injected: list[InjectedFault] = []
    if fault is not None and fault not in {f.kind for f in brought}:
        kind = fault_named(fault)
        if kind not in applicable_faults(held.car):
            raise InputError(
                "is no fault of this car", key="fault", value=fault, allowed=f"needs {kind.applies}"
            )
        when = kind.proved_at_s
        if chosen.name == _RELEASE and kind.proved_in != _RELEASE:
            # So do the clauses of rule books that ask for this fault in this scenario.
            when = fault_named("bus_loss").proved_at_s
        if hidden and kind.hidden_first:
            kinds.append(fault_named(kind.hidden_first))
            injected.append(_at(kind.hidden_first, 0.5 * when))
        injected.append(_at(kind.name, when))
        kinds.append(kind)
    healthy = chosen.model_copy(update={"fault": ()})
    is_healthy = fault is None
    try:
        intent = held_intent(garage, car, branch=branch)[1]
    except InputError:
        intent = None
    facts = car_facts(moving, tables, intent)
    packed = pack_calibration(tables)
    control = packed if reactions else pack_calibration(unarmed(tables, kinds))
    driven = healthy if is_healthy else chosen
    recording = simulate(moving, control, driven, faults=tuple(injected))
    if is_healthy:
        run = Run(recording, chosen.name, facts)
        names = [c.name for c in CRITERIA.values() if c.applies(run)]
        at_s = None
    else:
        twin = simulate(moving, packed, healthy)
        at_s = max((f.at for f in (*brought, *injected) if f.kind == fault), default=0.0)
        run = Run(recording, chosen.name, facts, twin, fault or "", at_s)
        names = list(FAULT_CRITERIA)
    lines = [verdict_line(criterion(n).judge(run), reactions=reactions) for n in names]
    trace = Trace(
        scenario=chosen.name,
        title=chosen.title,
        caution=chosen.caution,
        fault=fault,
        fault_at_s=at_s,
        reactions=reactions,
        bench_only=tables.bench_only,
        in_charge=charge_names(tables),
        events=tuple({"t_s": e.t_s, "name": e.name, "text": e.text} for e in recording.events),
        limits=tuple(_limit(x, run) for x in lines if x.status != "not_applicable"),
    )
    return trace, recording
