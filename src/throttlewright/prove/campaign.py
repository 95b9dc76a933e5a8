"""A proof campaign: the healthy car through its scenarios, then every fault, each run judged."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.car.pack import Car
from throttlewright.design.role import without_rows
from throttlewright.drive.faults import FAULTS, FaultKind, InjectedFault, fault_named
from throttlewright.drive.scenario import Scenario, expand, list_scenarios, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import (
    Cancelled,
    Event,
    OnEvent,
    check_cancelled,
    ignore,
    never,
)
from throttlewright.prove.criteria import CRITERIA, criterion
from throttlewright.prove.matrix import FaultMatrix, MatrixRow
from throttlewright.prove.rulebook import RuleBook, judge_book
from throttlewright.prove.run import CarFacts, Run
from throttlewright.prove.verdict import Status, Verdict, worst_status
from throttlewright.recording.recording import Recording

__all__ = [
    "FAULT_CRITERIA",
    "Campaign",
    "applicable_faults",
    "applies_to",
    "check_criteria",
    "check_faults",
    "plan_campaign",
    "run_campaign",
    "unarmed",
]

FAULT_CRITERIA: tuple[str, ...] = (
    "return_to_idle",
    "return_unpowered",
    "unasked_acceleration",
    "released_speed",
    "released_engine_speed",
    "unpowered_speed",
    "overboost_peak",
    "overboost_time",
    "motor_current",
    "kept_power",
    "no_stall",
)
"""What a faulty car is judged by: that nobody is hurt and nothing breaks, not how it feels."""

_KEPT = ("plate_pct", "pedal_pct", "key_1", "bridge_1", "fuel_cut_1")
"""Channels that the clauses of rule books read; the rest of a run is dropped once judged."""


@dataclass(frozen=True)
class Task:
    """One scenario, and what is broken in it: several runs that share one healthy twin.

    Parameters
    ----------
    scenario : Scenario
        One variant, with the faults that it brings along.
    faults : tuple of FaultKind
        What is injected besides, each in a run of its own.
    healthy : bool
        Whether the healthy run itself is judged.
    own : bool
        Whether the scenario with its own faults is judged.
    books_only : tuple of FaultKind
        Faults that only a clause of a rule book asks for in this scenario.
    """

    scenario: Scenario
    faults: tuple[FaultKind, ...] = ()
    healthy: bool = True
    own: bool = True
    books_only: tuple[FaultKind, ...] = ()

    @property
    def runs(self) -> int:
        """Number of runs."""
        own = bool(self.own and self.scenario.fault)
        hidden = sum(1 for kind in self.faults if kind.hidden_first)
        return 1 + 2 * (own + len(self.faults) + hidden) + len(self.books_only)


@dataclass(frozen=True)
class Campaign:
    """What came of a campaign.

    Parameters
    ----------
    healthy : tuple of Verdict
        On the car with nothing broken.
    matrix : FaultMatrix
        On every fault, with its reactions and without.
    books : tuple of Verdict
        One for each clause of the rule books.
    runs : int
        Runs simulated.
    """

    healthy: tuple[Verdict, ...]
    matrix: FaultMatrix
    books: tuple[Verdict, ...] = ()
    runs: int = 0

    @property
    def status(self) -> Status:
        """fail, else not_proven, else pass, of all that was judged; clauses for the car apart.

        A clause that a person must show on the car is not applicable here and decides nothing.
        """
        parts: list[Status] = []
        judged = [v for v in self.healthy if v.status != "not_applicable"]
        parts += [worst_status(judged)] if judged else []
        parts += [self.matrix.status] if self.matrix.rows else []
        clauses = [v for v in self.books if v.status != "not_applicable"]
        parts += [worst_status(clauses)] if clauses else []
        if "fail" in parts:
            return "fail"
        return "not_proven" if "not_proven" in parts or not parts else "pass"


def applies_to(scenario: Scenario, car: Car) -> bool:
    """Return whether a car can drive a scenario."""
    have = {"any": True, "gears": int(car.record["gears"]) > 0}
    have |= {"turbo": car.turbo, "charged": car.charged}
    return all(have[need] for need in scenario.applies)


def judged(scenario: Scenario) -> bool:
    """Return whether a scenario is judged by criteria; others show a role, by its own figure."""
    return bool(scenario.criteria)


def applicable_faults(car: Car) -> tuple[FaultKind, ...]:
    """Return the faults that a car can have, in the order of the list."""
    several = car.build.plate.count > 1
    have = {"any": True, "turbo": car.turbo, "several plates": several}
    return tuple(kind for kind in FAULTS if have[kind.applies])


def check_criteria(scenario: Scenario) -> None:
    """Raise InputError where a scenario names a criterion that there is not."""
    for name in scenario.criteria:
        try:
            criterion(name)
        except InputError as error:
            raise InputError(
                error.message,
                key=f"scenario {scenario.name}, criteria",
                value=error.value,
                allowed=error.allowed,
                advice=error.advice,
            ) from None


def check_faults(kinds: Iterable[str], car: Car) -> None:
    """Raise InputError where a car cannot have one of these faults."""
    possible = applicable_faults(car)
    for name in kinds:
        kind = fault_named(name)
        if kind not in possible:
            raise InputError(
                "is no fault of this car",
                key="fault",
                value=name,
                allowed=f"needs {_NEEDS[kind.applies]}",
            )


_NEEDS = {"any": "nothing", "turbo": "a turbo", "several plates": "several plates"}


def unarmed(calibration: Calibration, kinds: Iterable[FaultKind]) -> Calibration:
    """Return the calibration without what answers some faults.

    Parameters
    ----------
    calibration : Calibration
        Unchanged.
    kinds : iterable of FaultKind
        Faults; the limit rows that are their reaction go as well.

    Returns
    -------
    Calibration
        Without any reaction row, and without those limit rows.
    """
    starts = tuple(name for kind in kinds for name in kind.limits)
    gone = {row.name for row in calibration.limits if starts and row.name.startswith(starts)}
    return replace(without_rows(calibration, gone), reactions=())


def plan_campaign(
    car: Car,
    *,
    scenarios: Sequence[str] | None = None,
    faults: Sequence[str] | None = None,
    books: Sequence[RuleBook] = (),
) -> tuple[Task, ...]:
    """Return what a campaign has to run.

    Parameters
    ----------
    car : Car
        A car; what it cannot drive or have is left out.
    scenarios : sequence of str, optional
        Names or files of the scenarios of the healthy car; all shipped ones when left out.
    faults : sequence of str, optional
        Kinds of faults; all that the car can have when left out.
    books : sequence of RuleBook
        Their clauses may ask for further runs.

    Returns
    -------
    tuple of Task
        One for each variant of a scenario.

    Raises
    ------
    InputError
        If a name is unknown, or the car cannot drive or have what was asked for by name.
    """
    tasks: dict[str, Task] = {}
    for name in list_scenarios() if scenarios is None else scenarios:
        whole = load_scenario(name)
        check_criteria(whole)
        if scenarios is None and not judged(whole):
            continue
        if not applies_to(whole, car):
            if scenarios is None:
                continue
            raise InputError(
                "is no scenario for this car",
                key="scenario",
                value=name,
                allowed=f"needs {', '.join(whole.applies)}",
            )
        check_faults((f.kind for f in whole.fault), car)
        for variant in expand(whole):
            tasks[variant.name] = Task(variant, own=faults is None)
    possible = applicable_faults(car)
    check_faults(faults or (), car)
    for kind in possible:
        if faults is not None and kind.name not in faults:
            continue
        task = _task_for(tasks, kind.proved_in, car)
        if task is not None and kind.name not in {f.kind for f in task.scenario.fault}:
            tasks[task.scenario.name] = replace(task, faults=(*task.faults, kind))
        elif task is not None:
            tasks[task.scenario.name] = replace(task, own=True)
    asked = {fault for book in books for rule in book.rules for fault in rule.faults if fault}
    for kind in possible:
        if kind.name not in asked or kind.proved_in == "pedal_release":
            continue
        task = _task_for(tasks, "pedal_release", car)
        if task is not None:
            more = (*task.books_only, kind)
            tasks[task.scenario.name] = replace(task, books_only=more)
    return tuple(tasks.values())


def _task_for(tasks: dict[str, Task], name: str, car: Car) -> Task | None:
    if name in tasks:
        return tasks[name]
    found = load_scenario(name)
    return Task(found, healthy=False, own=False) if applies_to(found, car) else None


def _at(kind: FaultKind, time_s: float) -> InjectedFault:
    return InjectedFault.model_validate({"kind": kind.name, "at": f"{time_s:g} s"})


def _judged(run: Run, names: Iterable[str], with_reaction: bool) -> list[MatrixRow]:
    verdicts = (criterion(name).judge(run) for name in names)
    return [MatrixRow(run.fault, run.scenario, with_reaction, v) for v in verdicts]


def _slim(run: Run) -> Run:
    channels = [run.recording.channels[name] for name in _KEPT if name in run.recording.channels]
    return replace(run, recording=Recording.of(channels, (), run.recording.meta), healthy=None)


@dataclass(frozen=True)
class _Done:
    healthy: tuple[Verdict, ...]
    rows: tuple[MatrixRow, ...]
    runs: tuple[Run, ...]
    count: int


class _Stopped(Exception):
    """The person asked to stop."""


def _run_task(
    task: Task,
    car: Car,
    calibration: Calibration,
    packed: Packed,
    facts: CarFacts,
    seed: int,
    variation: int,
    keep: bool,
    stop: Cancelled,
) -> _Done:
    scenario = task.scenario
    kept: list[Run] = []
    rows: list[MatrixRow] = []
    count = 0

    def drive(
        with_what: Any, broken: Sequence[InjectedFault], injected: Sequence[InjectedFault]
    ) -> Recording:
        nonlocal count
        if stop():
            raise _Stopped
        count += 1
        what = scenario.model_copy(update={"fault": tuple(broken)})
        return simulate(car, with_what, what, faults=injected, seed=seed, variation=variation)

    twin = drive(packed, (), ())
    run = Run(twin, scenario.name, facts)
    healthy: tuple[Verdict, ...] = ()
    if task.healthy:
        names = [c.name for c in CRITERIA.values() if c.applies(run)]
        healthy = tuple(criterion(name).judge(run) for name in names)
        kept += [_slim(run)] if keep else []

    def pair(kinds: tuple[FaultKind, ...], injected: tuple[InjectedFault, ...], off: bool) -> None:
        last = kinds[-1]
        at = max(f.at for f in (*injected, *scenario.fault) if f.kind == last.name)
        for on in (True, False) if off else (True,):
            control = packed if on else pack_calibration(unarmed(calibration, kinds))
            recording = drive(control, scenario.fault, injected)
            faulty = Run(recording, scenario.name, facts, twin, last.name, at)
            rows.extend(_judged(faulty, FAULT_CRITERIA, on))
            if on and keep:
                kept.append(_slim(faulty))

    brought = tuple(fault_named(f.kind) for f in scenario.fault)
    if task.own and brought:
        pair(brought, (), True)
    for kind in task.faults:
        pair((*brought, kind), (_at(kind, kind.proved_at_s),), True)
        if kind.hidden_first:
            before = fault_named(kind.hidden_first)
            hidden = (_at(before, 0.5 * kind.proved_at_s), _at(kind, kind.proved_at_s))
            pair((*brought, before, kind), hidden, True)
    for kind in task.books_only:
        at = fault_named("bus_loss").proved_at_s
        pair((*brought, kind), (_at(kind, at),), False)
    return _Done(healthy, tuple(rows), tuple(kept), count)


def run_campaign(
    car: Car,
    calibration: Calibration,
    *,
    facts: CarFacts,
    tasks: Sequence[Task],
    books: Sequence[RuleBook] = (),
    variations: int = 1,
    seed: int = 0,
    executor: Executor | None = None,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> Campaign:
    """Run a plan and judge it.

    Parameters
    ----------
    car : Car
        A car in motion.
    calibration : Calibration
        What it is driven with.
    facts : CarFacts
        What criteria need to know of the car.
    tasks : sequence of Task
        The plan.
    books : sequence of RuleBook
        Clauses to judge.
    variations : int [-]
        How often each run is repeated with other noise, at least 1; the worst verdict stands.
    seed : int [-]
        Seed of the noise, at least 0.
    executor : Executor, optional
        Where to run; two threads when left out, for compiled code lets go of the lock.
    on_event : callable
        Told after each task.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    Campaign
        All verdicts, in the order of the plan whatever order the runs ended in.

    Raises
    ------
    CancelledError
        If the person asked to stop.
    """
    packed = pack_calibration(calibration)
    work = [(task, n) for task in tasks for n in range(variations)]
    total = sum(task.runs for task, _ in work)
    own = executor is None
    pool = executor or ThreadPoolExecutor(2)
    done: list[_Done] = []
    count = 0
    try:
        pending: list[Future[_Done]] = [
            pool.submit(
                _run_task, task, car, calibration, packed, facts, seed, n, bool(books), cancelled
            )
            for task, n in work
        ]
        for (task, _), future in zip(work, pending, strict=True):
            check_cancelled(cancelled)
            try:
                done.append(future.result())
            except _Stopped:
                check_cancelled(cancelled)
                raise
            count += task.runs
            on_event(Event("runs", count, total, task.scenario.name))
    finally:
        if own:
            pool.shutdown(wait=True, cancel_futures=True)
    check_cancelled(cancelled)
    healthy = _worst([v for one in done for v in one.healthy], lambda v: (v.scenario, v.criterion))
    rows: dict[tuple[str, str, bool, str], MatrixRow] = {}
    for row in (row for one in done for row in one.rows):
        key = (row.fault, row.scenario, row.with_reaction, row.verdict.criterion)
        rows[key] = row if key not in rows else max(rows[key], row, key=lambda r: _rank(r.verdict))
    order = {kind.name: n for n, kind in enumerate(FAULTS)}
    matrix = FaultMatrix(tuple(sorted(rows.values(), key=lambda row: order[row.fault])))
    runs = [run for one in done for run in one.runs]
    judged = tuple(
        v for book in books for v in judge_book(book, reactions=calibration.reactions, runs=runs)
    )
    return Campaign(tuple(healthy), matrix, judged, sum(one.count for one in done))


_ORDER = ("not_applicable", "pass", "not_proven", "fail")


def _rank(verdict: Verdict) -> tuple[int, float]:
    sign = -1.0 if CRITERIA[verdict.criterion].side == "least" else 1.0
    excess = sign * (verdict.value - verdict.limit)
    return _ORDER.index(verdict.status), excess if excess == excess else 0.0


def _worst(verdicts: list[Verdict], key: Callable[[Verdict], object]) -> list[Verdict]:
    found: dict[object, Verdict] = {}
    for verdict in verdicts:
        name = key(verdict)
        found[name] = verdict if name not in found else max(found[name], verdict, key=_rank)
    return list(found.values())
