"""Prove: the car with its calibration through its scenarios and faults, judged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from throttlewright.build.catalogue import list_sets, load_example_intent
from throttlewright.build.load import BuildFile, IntentFile, load_intent
from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.table import Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.design.cold import cold
from throttlewright.design.idle import idle_opening
from throttlewright.drive.faults import fault_named
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.handover.verdict_page import FaultLine, VerdictData, verdict_page
from throttlewright.prove.campaign import Campaign, plan_campaign, run_campaign
from throttlewright.prove.criteria import criterion
from throttlewright.prove.matrix import FaultMatrix
from throttlewright.prove.rulebook import load_book
from throttlewright.prove.run import CarFacts, ColdCeiling
from throttlewright.prove.verdict import Verdict
from throttlewright.workshop.common import Model, open_car, rpm, write_folder

__all__ = [
    "FaultResult",
    "ProveRequest",
    "ProveResult",
    "VerdictLine",
    "car_facts",
    "open_intent",
    "other_car_notes",
    "prove",
    "verdict_line",
]

Status = Literal["pass", "fail", "not_applicable", "not_proven"]
Need = Literal["needed", "not needed here", "not shown"]


class ProveRequest(Model):
    """What to prove."""

    build: str
    calibration: str
    intent: str | None = None
    """Its rule books and its cold limit are judged as well."""
    scenarios: tuple[str, ...] | None = None
    faults: tuple[str, ...] | None = None
    out: str | None = None
    """Folder for the page and the verdicts."""
    variations: int = Field(1, ge=1, le=1000)
    seed: int = Field(0, ge=0, le=1_000_000)


class VerdictLine(Model):
    """One verdict."""

    criterion: str
    status: Status
    value: float | None
    limit: float | None
    unit: str
    source: str
    edition: str
    text: str
    scenario: str
    fault: str
    reactions: bool = True


class FaultResult(Model):
    """What came of one fault."""

    fault: str
    text: str
    with_reactions: Status
    without_reactions: Status
    reaction: Need
    """``needed`` where the car fails without its reactions and passes with them."""
    scenarios: tuple[str, ...]
    worst_with: VerdictLine | None
    worst_without: VerdictLine | None
    goes_wrong: str
    """What is seen without the reaction, where it was needed or not shown."""


class ProveResult(Model):
    """Verdicts of a campaign."""

    name: str
    status: Status
    runs: int
    verdict_count: int
    bench_only: bool
    healthy: tuple[VerdictLine, ...]
    faults: tuple[FaultResult, ...]
    fault_verdicts: tuple[VerdictLine, ...]
    books: tuple[VerdictLine, ...]
    notes: tuple[str, ...]
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 when everything passed, else 1."""
        return 0 if self.status == "pass" else 1


def open_intent(intent: str) -> IntentFile:
    """Read an intent, by path or by the name of a shipped one."""
    shipped = {info.name for info in list_sets() if info.has_intent}
    return load_example_intent(intent) if intent in shipped else load_intent(intent)


def _ceiling(
    table: Table, aimed: Table | None, numbers: Mapping[str, Number]
) -> ColdCeiling | None:
    axes = table.axes
    if [axis.name for axis in axes] != ["coolant_degC", "engine_rpm"]:
        return None
    gain = numbers.get("cold.kp")
    if gain is None or aimed is None or aimed.values.shape != table.values.shape:
        return ColdCeiling(axes[0].values, axes[1].values, table.values)
    least = numbers["cold.least"].value if "cold.least" in numbers else 0.0
    return ColdCeiling(
        axes[0].values, axes[1].values, table.values, aimed.values, gain.value, least
    )


def car_facts(car: Car, calibration: Calibration, intent: IntentFile | None = None) -> CarFacts:
    """Return what criteria need to know of a car.

    Parameters
    ----------
    car : Car
        The car.
    calibration : Calibration
        Its limp speed and its pressure limit; its cold limit where no intent is given.
    intent : IntentFile, optional
        What was asked for: the cold limit that the plate is held against.

    Returns
    -------
    CarFacts
        NaN where nobody knows.
    """
    rec = car.record
    travel = car.psi_open - car.psi_closed

    def held(name: str) -> float:
        number = calibration.numbers.get(name)
        return math.nan if number is None else number.value

    tables, numbers = calibration.tables, calibration.numbers
    if intent is not None:
        rows = cold(car, intent.intent)
        tables, numbers = {table.name: table for table in rows.tables}, rows.numbers
    ceiling = tables.get("cold_plate")
    idle, _ = idle_opening(car, omega=car.idle)
    boost = math.nan
    if intent is not None and intent.intent.overboost is not None:
        boost = intent.intent.overboost.limit / 1e3
    resistance = float(rec["motor_resistance"] + rec["loom_resistance"])
    return CarFacts(
        gross_mass_kg=float(rec["mass"]),
        ambient_degC=float(rec["T_ambient"]) - 273.15,
        ambient_kPa=float(rec["p_ambient"]) / 1e3,
        boosted=car.charged,
        idle_rpm=car.idle * rpm,
        idle_plate_pct=100.0 * (idle - car.psi_closed) / travel,
        rest_plate_pct=100.0 * float(rec["default_opening"]) / travel,
        limp_rpm=held("limp_rpm"),
        boost_limit_kPa=boost if math.isfinite(boost) else held("overboost_hold.setpoint"),
        stall_A=float(rec["battery"]) / resistance,
        cold_ceiling=None
        if ceiling is None
        else _ceiling(ceiling, tables.get("cold_map"), numbers),
    )


def verdict_line(verdict: Verdict, *, reactions: bool = True) -> VerdictLine:
    """Return a verdict as a result holds it."""
    return VerdictLine(**verdict.to_dict(), reactions=reactions)


_ORDER = {"fail": 0, "not_proven": 1, "pass": 2, "not_applicable": 3}


def _worst(verdicts: Sequence[Verdict], *, reactions: bool) -> VerdictLine | None:
    judged = [v for v in verdicts if v.status != "not_applicable"]
    if not judged:
        return None

    def rank(v: Verdict) -> tuple[int, float]:
        if not (v.value and v.limit and math.isfinite(v.value)):
            return _ORDER[v.status], 0.0
        most = criterion(v.criterion).side == "most"
        return _ORDER[v.status], -(v.value / v.limit if most else v.limit / v.value)

    return verdict_line(min(judged, key=rank), reactions=reactions)


def _beside(verdicts: Sequence[Verdict], without: VerdictLine | None) -> VerdictLine | None:
    """The verdict with reactions: the worst, or where all is well the one that fails without."""
    worst = _worst(verdicts, reactions=True)
    if worst is None or worst.status != "pass" or without is None:
        return worst
    same = [
        v
        for v in verdicts
        if (v.criterion, v.scenario) == (without.criterion, without.scenario) and v.status == "pass"
    ]
    return verdict_line(same[0]) if same else worst


_UNSEEN = "without any reaction nothing that is judged went wrong in what was driven"


def _faults(matrix: FaultMatrix) -> tuple[FaultResult, ...]:
    found = []
    for one in matrix.summary():
        on = matrix.verdicts(one.fault, with_reaction=True)
        off = matrix.verdicts(one.fault, with_reaction=False)
        need: Need = "needed" if one.reaction_needed else "not shown"
        if one.with_reaction == "pass" and one.without_reaction == "pass":
            need = "not needed here"
        kind = fault_named(one.fault)
        without = _worst(off, reactions=False)
        found.append(
            FaultResult(
                fault=one.fault,
                text=kind.text,
                with_reactions=one.with_reaction,
                without_reactions=one.without_reaction,
                reaction=need,
                scenarios=tuple(dict.fromkeys(v.scenario for v in on)),
                worst_with=_beside(on, without),
                worst_without=without,
                goes_wrong=kind.goes_wrong if need != "not needed here" else _UNSEEN,
            )
        )
    return tuple(found)


def _sentence(line: VerdictLine | None) -> str:
    return "nothing to judge" if line is None else line.text


def _page(result: ProveResult, campaign: Campaign) -> str:
    lines = tuple(
        FaultLine(
            fault=f.fault,
            text=f.text,
            scenario=", ".join(f.scenarios),
            with_reactions=f.with_reactions,
            without_reactions=f.without_reactions,
            need=f.reaction,
            worst_with=_sentence(f.worst_with),
            worst_without=_sentence(f.worst_without),
            goes_wrong=f.goes_wrong,
        )
        for f in result.faults
    )
    return verdict_page(
        VerdictData(
            car_name=result.name,
            status=result.status,
            runs=result.runs,
            healthy=campaign.healthy,
            faults=lines,
            books=campaign.books,
            notes=result.notes,
            bench_only=result.bench_only,
        )
    )


def other_car_notes(file: BuildFile, calibration: Calibration) -> list[str]:
    """Return the note on a calibration that was designed for another build, or nothing."""
    if calibration.build_sha256 and calibration.build_sha256 != file.sha256:
        return ["The calibration was designed for another state of this build file."]
    return []


def _notes(file: BuildFile, calibration: Calibration, faults: Sequence[FaultResult]) -> list[str]:
    notes = other_car_notes(file, calibration)
    idle = [f.fault for f in faults if f.reaction == "not needed here"]
    if idle:
        notes.append(
            "Not needed here: these faults pass even with all reactions switched off, in the "
            f"scenario they were driven in: {', '.join(idle)}."
        )
    if calibration.bench_only:
        notes.append(f"{BENCH_ONLY}.")
    return notes


def prove(
    request: ProveRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ProveResult:
    """Drive the healthy car and every fault, judge each run, and write page and verdicts.

    Parameters
    ----------
    request : ProveRequest
        Build, calibration, and what of the proof is wanted.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    ProveResult
        Verdicts, and the files written.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    file, packed_car = open_car(request.build)
    car = in_motion(packed_car)
    calibration = Calibration.read(request.calibration)
    intent = None if request.intent is None else open_intent(request.intent)
    books = () if intent is None else tuple(load_book(b) for b in intent.intent.rules.books)
    tasks = plan_campaign(car, scenarios=request.scenarios, faults=request.faults, books=books)
    campaign = run_campaign(
        car,
        calibration,
        facts=car_facts(car, calibration, intent),
        tasks=tasks,
        books=books,
        variations=request.variations,
        seed=request.seed,
        on_event=on_event,
        cancelled=cancelled,
    )
    faults = _faults(campaign.matrix)
    rows = campaign.matrix.rows
    result = ProveResult(
        name=file.build.name,
        status=campaign.status,
        runs=campaign.runs,
        verdict_count=len(campaign.healthy) + len(rows) + len(campaign.books),
        bench_only=calibration.bench_only,
        healthy=tuple(verdict_line(v) for v in campaign.healthy),
        faults=faults,
        fault_verdicts=tuple(
            verdict_line(row.verdict, reactions=row.with_reaction) for row in rows
        ),
        books=tuple(verdict_line(v) for v in campaign.books),
        notes=tuple(_notes(file, calibration, faults)),
    )
    if request.out is None:
        return result
    names = ("proof.html", "verdicts.json")
    written = tuple(str(Path(request.out) / name) for name in names)
    # without the places written to, so that equal runs give equal bytes wherever they are kept
    text = result.model_dump_json(indent=1, exclude={"written"}) + "\n"
    write_folder(request.out, {names[0]: _page(result, campaign), names[1]: text})
    return result.model_copy(update={"written": written})
