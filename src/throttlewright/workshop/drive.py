"""Drive: one scenario with one calibration, healthy or with faults, to recordings and pictures."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field, ValidationError

from throttlewright.build.problems import as_input_error
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import Packed, pack_calibration
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
from throttlewright.drive.channels import IN_GEAR
from throttlewright.drive.command import command_of
from throttlewright.drive.faults import InjectedFault, fault_named
from throttlewright.drive.scenario import Scenario, expand, load_scenario
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
from throttlewright.handover.command_picture import command_picture
from throttlewright.handover.trace_picture import trace_picture
from throttlewright.prove.campaign import (
    FAULT_CRITERIA,
    applies_to,
    check_criteria,
    check_faults,
)
from throttlewright.prove.criteria import CRITERIA, criterion
from throttlewright.prove.run import CarFacts, Run
from throttlewright.recording.parquet import write_parquet
from throttlewright.workshop.common import Model, open_car, rpm
from throttlewright.workshop.driven import (
    ChargeShare,
    Figure,
    OrderLine,
    charge_names,
    figures_of,
    in_charge_of,
    order_lines,
)
from throttlewright.workshop.prove import (
    VerdictLine,
    car_facts,
    open_intent,
    other_car_notes,
    verdict_line,
)

__all__ = [
    "ChargeShare",
    "DriveRequest",
    "DriveResult",
    "DrivenRun",
    "EventLine",
    "Figure",
    "OrderLine",
    "charge_names",
    "drive",
    "parse_fault",
]


class DriveRequest(Model):
    """What to drive."""

    build: str
    calibration: str
    scenario: str
    """Name of a shipped scenario, one of its variants, or a scenario file."""
    variant: str | None = None
    faults: tuple[str, ...] = ()
    """``kind@2s`` or ``kind@2s=severity``."""
    intent: str | None = None
    out: str | None = None
    """Parquet file of the trace; with several variants each gets its name added."""
    picture: str | None = None
    """SVG file, named alike."""
    command: str | None = None
    """SVG file of the order of command, named alike."""
    seed: int = Field(0, ge=0, le=1_000_000)


class EventLine(Model):
    """Something that happened."""

    t_s: float
    name: str
    text: str


class DrivenRun(Model):
    """One run."""

    scenario: str
    title: str
    faults: tuple[str, ...]
    figures: tuple[Figure, ...]
    in_charge: tuple[ChargeShare, ...]
    events: tuple[EventLine, ...]
    verdicts: tuple[VerdictLine, ...]
    order: tuple[OrderLine, ...] = ()
    """Floors and ceilings that bounded something; when the order of command was asked for."""


class DriveResult(Model):
    """What was driven."""

    name: str
    bench_only: bool
    caution: str | None
    runs: tuple[DrivenRun, ...]
    notes: tuple[str, ...] = ()
    written: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """1 when a verdict failed or could not be proven, else 0."""
        judged = (verdict.status for run in self.runs for verdict in run.verdicts)
        return 1 if any(status in ("fail", "not_proven") for status in judged) else 0


_NUMBER = r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
_FAULT = re.compile(rf"([a-z0-9_]+)@{_NUMBER} ?(s|ms)(?:={_NUMBER})?")


def parse_fault(text: str) -> InjectedFault:
    """Read a fault such as ``plate_stuck@2s`` or ``plate_1_drift@500ms=-0.4``.

    Parameters
    ----------
    text : str
        Kind, time with its unit, and severity in the unit of the kind.

    Returns
    -------
    InjectedFault
        Checked.

    Raises
    ------
    InputError
        If it is written otherwise, or the kind is unknown, or time or severity out of range.
    """
    match = _FAULT.fullmatch(text.strip())
    if match is None:
        raise InputError(
            "is not a fault with its time",
            key="fault",
            value=text,
            allowed="kind@2s or kind@2s=0.5",
        )
    kind = fault_named(match[1])
    severity = None if match[4] is None else float(match[4])
    if severity is not None and not (kind.low <= severity <= kind.high and severity != 0.0):
        unit = "" if kind.unit == "1" else f" {kind.unit}"
        raise InputError(
            "is outside the allowed range",
            key=f"fault {kind.name}, severity",
            value=match[4],
            allowed=f"{kind.low:g} to {kind.high:g}{unit}, not 0",
        )
    data = {"kind": kind.name, "at": f"{float(match[2])!r} {match[3]}", "severity": severity}
    try:
        return InjectedFault.model_validate(data)
    except ValidationError as error:
        found = as_input_error(error, InjectedFault)
        raise InputError(
            found.message,
            key=f"fault {kind.name}, {found.key}",
            value=found.value,
            allowed=found.allowed,
            advice=found.advice,
        ) from None


_OVER_LIMIT = 1.05
"""Share of the speed limit up to which a start is taken: the overshoot of a limiter; common
practice, no source."""


def _check_start(scenario: Scenario, car: Car) -> None:
    """Raise where one variant starts in a gear or at a speed that the car does not have."""
    gears = int(car.record["gears"])
    asked = [float(scenario.start.gear)]
    asked += [gear for entry in scenario.input if entry.column == IN_GEAR for gear in entry.value]
    if max(asked) > gears:
        raise InputError(
            "asks for a gear that the car does not have",
            key=f"scenario {scenario.name}, gear",
            value=int(max(asked)),
            allowed=f"0 to {gears}",
        )
    if scenario.start.speed is None:
        return
    omega = scenario.start.speed.speed(idle_speed=car.idle, limit_speed=car.limit)
    if omega > _OVER_LIMIT * car.limit:
        raise InputError(
            "starts above the speed limit of the engine",
            key=f"scenario {scenario.name}, start.speed",
            value=f"{omega * rpm:.0f} rpm",
            allowed=f"up to {_OVER_LIMIT * car.limit * rpm:.0f} rpm",
        )


def _variants(request: DriveRequest, car: Car) -> tuple[Scenario, ...]:
    variants = _chosen(request, car)
    for variant in variants:
        _check_start(variant, car)
    return variants


def _chosen(request: DriveRequest, car: Car) -> tuple[Scenario, ...]:
    scenario = load_scenario(request.scenario)
    check_criteria(scenario)
    check_faults((fault.kind for fault in scenario.fault), car)
    if not applies_to(scenario, car):
        raise InputError(
            "is no scenario for this car",
            key="scenario",
            value=request.scenario,
            allowed=f"needs {', '.join(scenario.applies)}",
        )
    variants = expand(scenario)
    if request.variant is None:
        return variants
    labels = {v.name.partition("@")[2] or v.name: v for v in variants}
    wanted = request.variant.partition("@")[2] or request.variant
    if wanted not in labels:
        raise InputError(
            "is no variant of this scenario",
            key="variant",
            value=request.variant,
            allowed=", ".join(labels),
        )
    return (labels[wanted],)


def _target(path: str, scenario: Scenario, several: bool) -> Path:
    target = Path(path)
    if not several:
        return target
    label = re.sub(r"[^A-Za-z0-9.+_-]", "_", scenario.name.partition("@")[2] or scenario.name)
    return target.with_name(f"{target.stem}-{label}{target.suffix}")


def _check_folder(path: str | None, suffix: str, option: str) -> None:
    if path is None:
        return
    if Path(path).suffix != suffix:
        raise InputError("has another ending", key=option, value=path, allowed=f"NAME{suffix}")
    if not Path(path).resolve().parent.is_dir():
        raise InputError("the folder does not exist", key=option, value=path)


class _Outputs:
    """Files that wait beside their places until all runs are done, so that all appear or none."""

    def __init__(self) -> None:
        self._waiting: list[tuple[Path, Path]] = []

    def add(self, target: Path, write: Callable[[Path], None]) -> None:
        """Write a file beside its place."""
        try:
            handle, name = tempfile.mkstemp(
                dir=target.resolve().parent, prefix=".drive", suffix=".part"
            )
            os.close(handle)
            self._waiting.append((Path(name), target))
            write(Path(name))
            os.chmod(name, 0o644)
        except OSError as error:
            raise _unwritable(target, error) from None

    def keep(self) -> tuple[str, ...]:
        """Give all files their names; return the names."""
        for place, target in self._waiting:
            try:
                os.replace(place, target)
            except OSError as error:
                raise _unwritable(target, error) from None
        return tuple(str(target) for _, target in self._waiting)

    def drop(self) -> None:
        """Remove what still waits."""
        for place, _ in self._waiting:
            place.unlink(missing_ok=True)


def _unwritable(target: Path, error: OSError) -> InputError:
    return InputError(f"cannot be written ({error.strerror or error})", file=target)


def _verdicts(run: Run, scenario: Scenario) -> tuple[VerdictLine, ...]:
    names: Sequence[str] = [c.name for c in CRITERIA.values() if c.applies(run)]
    names = [*dict.fromkeys([*scenario.criteria, *names])]
    if run.fault:
        # as in a proof: a broken car must hurt nobody, how it feels is no matter
        names = FAULT_CRITERIA
    verdicts = [criterion(name).judge(run) for name in names]
    return tuple(verdict_line(v) for v in verdicts if v.status != "not_applicable")


@dataclass(frozen=True)
class _Drive:
    """What all variants of one request share."""

    request: DriveRequest
    build_name: str
    car: Car
    calibration: Calibration
    packed: Packed
    faults: tuple[InjectedFault, ...]
    facts: CarFacts
    names: dict[int, str]
    several: bool


def _one(work: _Drive, scenario: Scenario, outputs: _Outputs) -> DrivenRun:
    """Drive one variant and write its files; its recordings are gone before the next begins."""
    request, seed = work.request, work.request.seed
    recording = simulate(work.car, work.packed, scenario, faults=work.faults, seed=seed)
    broken = (*scenario.fault, *work.faults)
    twin = None
    if broken:
        healthy = scenario.model_copy(update={"fault": ()})
        twin = simulate(work.car, work.packed, healthy, seed=seed)
    kind = broken[-1] if broken else None
    run = Run(
        recording,
        scenario.name,
        work.facts,
        twin,
        "" if kind is None else kind.kind,
        0.0 if kind is None else kind.at,
    )
    if request.out is not None:
        target = _target(request.out, scenario, work.several)
        outputs.add(target, lambda place: write_parquet(recording, place))
    title = f"{work.build_name}: {scenario.title} ({scenario.name})"
    bench, caution = work.calibration.bench_only, scenario.caution
    if request.picture is not None:
        svg = trace_picture(
            recording, title=title, names=work.names, bench_only=bench, caution=caution
        )
        target = _target(request.picture, scenario, work.several)
        outputs.add(target, lambda place: _write_picture(place, svg))
    order: tuple[OrderLine, ...] = ()
    if request.command is not None:
        command = command_of(work.car, work.calibration, scenario, faults=work.faults, seed=seed)
        order = order_lines(command)
        drawn = command_picture(
            command,
            title=title,
            names=work.names,
            events=recording.events,
            bench_only=bench,
            caution=caution,
        )
        target = _target(request.command, scenario, work.several)
        outputs.add(target, lambda place: _write_picture(place, drawn))
    return DrivenRun(
        scenario=scenario.name,
        title=scenario.title,
        faults=tuple(f.kind for f in broken),
        figures=figures_of(recording),
        in_charge=in_charge_of(recording, work.names),
        events=tuple(EventLine(t_s=e.t_s, name=e.name, text=e.text) for e in recording.events),
        verdicts=_verdicts(run, scenario),
        order=order,
    )


def _write_picture(place: Path, svg: str) -> None:
    text = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1) + "\n"
    place.write_text(text, encoding="utf-8", newline="\n")


def drive(
    request: DriveRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> DriveResult:
    """Drive a scenario, all its variants, and say what happened.

    Parameters
    ----------
    request : DriveRequest
        Build, calibration, scenario, faults, and what to write.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    DriveResult
        Figures, who was in charge, verdicts, and the files written.

    Raises
    ------
    InputError
        If something that was given cannot be used.
    """
    _check_folder(request.out, ".parquet", "out")
    _check_folder(request.picture, ".svg", "picture")
    _check_folder(request.command, ".svg", "command")
    file, packed_car = open_car(request.build)
    car = in_motion(packed_car)
    calibration = Calibration.read(request.calibration)
    intent = None if request.intent is None else open_intent(request.intent)
    faults = tuple(parse_fault(text) for text in request.faults)
    variants = _variants(request, car)
    check_faults((fault.kind for fault in faults), car)
    for fault in faults:
        if fault.at >= variants[0].duration:
            raise InputError(
                "sets in after the end",
                key=f"fault {fault.kind}",
                value=f"{fault.at:g} s",
                allowed=f"before {variants[0].duration:g} s",
            )
    work = _Drive(
        request=request,
        build_name=file.build.name,
        car=car,
        calibration=calibration,
        packed=pack_calibration(calibration),
        faults=faults,
        facts=car_facts(car, calibration, intent),
        names=charge_names(calibration),
        several=len(variants) > 1,
    )
    runs: list[DrivenRun] = []
    outputs = _Outputs()
    try:
        for number, scenario in enumerate(variants):
            check_cancelled(cancelled)
            runs.append(_one(work, scenario, outputs))
            on_event(Event("runs", number + 1, len(variants), scenario.name))
        check_cancelled(cancelled)
        written = outputs.keep()
    finally:
        outputs.drop()
    return DriveResult(
        name=file.build.name,
        bench_only=calibration.bench_only,
        caution=variants[0].caution,
        runs=tuple(runs),
        notes=tuple(other_car_notes(file, calibration)),
        written=written,
    )
