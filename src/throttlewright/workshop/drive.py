"""Drive: one scenario with one calibration, healthy or with faults, to recordings and pictures."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from pydantic import Field

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car
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
from throttlewright.handover.trace_picture import charges, trace_picture
from throttlewright.prove.campaign import applies_to
from throttlewright.prove.criteria import CRITERIA, criterion
from throttlewright.prove.run import Run
from throttlewright.recording.parquet import write_parquet
from throttlewright.recording.recording import Recording
from throttlewright.workshop.common import Model, open_car, write_text
from throttlewright.workshop.prove import VerdictLine, car_facts, open_intent, verdict_line

__all__ = [
    "ChargeShare",
    "DriveRequest",
    "DriveResult",
    "DrivenRun",
    "EventLine",
    "Figure",
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
    seed: int = Field(0, ge=0, le=1_000_000)


class Figure(Model):
    """One figure of a run."""

    name: str
    value: float
    unit: str


class ChargeShare(Model):
    """How much of the time a row set the plate."""

    name: str
    share_pct: float


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


class DriveResult(Model):
    """What was driven."""

    name: str
    bench_only: bool
    caution: str | None
    runs: tuple[DrivenRun, ...]
    written: tuple[str, ...] = ()


_FAULT = re.compile(r"([a-z0-9_]+)@(\d+(?:\.\d+)?) ?(s|ms)(?:=(-?\d+(?:\.\d+)?))?")


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
        If it is written otherwise, or the kind is unknown, or the severity out of range.
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
    data = {"kind": kind.name, "at": f"{match[2]} {match[3]}", "severity": severity}
    return InjectedFault.model_validate(data)


def charge_names(calibration: Calibration) -> dict[int, str]:
    """Return the names of what may be in charge, by the code that a trace records."""
    names = {0: "demand"}
    names |= {n: row.name for n, row in enumerate(calibration.limits, 1)}
    return names | {-n: row.fault for n, row in enumerate(calibration.reactions, 1)}


def _figures(recording: Recording) -> tuple[Figure, ...]:
    found = []
    for name, channel, of, scale, unit in (
        ("most acceleration", "acceleration_m_s2", np.max, 1.0, "m/s2"),
        ("least acceleration", "acceleration_m_s2", np.min, 1.0, "m/s2"),
        ("most torque", "torque_Nm", np.max, 1.0, "N m"),
        ("most manifold pressure", "map_kPa", np.max, 1.0, "kPa"),
        ("most engine speed", "engine_rpm", np.max, 1.0, "rpm"),
        ("least engine speed", "engine_rpm", np.min, 1.0, "rpm"),
        ("road speed at the end", "speed_m_s", lambda x: x[-1], 3.6, "km/h"),
        ("most slip", "slip_1", np.max, 100.0, "%"),
        ("hottest exhaust", "exhaust_degC", np.max, 1.0, "degC"),
    ):
        value = float(scale * of(recording.channel(channel).values))
        found.append(Figure(name=name, value=float(f"{value:.6g}"), unit=unit))
    t, plate = recording.channel("plate_pct").t_s, recording.channel("plate_pct").values
    open_at = np.flatnonzero(plate >= 90.0)
    if open_at.size and plate[0] < 90.0:
        found.append(Figure(name="plate first at 90 %", value=float(t[open_at[0]]), unit="s"))
    return tuple(found)


def _in_charge(recording: Recording, names: dict[int, str]) -> tuple[ChargeShare, ...]:
    spans = charges(recording)
    whole = sum(s.end_s - s.start_s for s in spans) or 1.0
    total: dict[str, float] = {}
    for span in spans:
        name = names.get(span.code, f"row {span.code}")
        total[name] = total.get(name, 0.0) + span.end_s - span.start_s
    ranked = sorted(total.items(), key=lambda item: -item[1])
    return tuple(ChargeShare(name=n, share_pct=round(100.0 * s / whole, 2)) for n, s in ranked)


def _variants(request: DriveRequest, car: Car) -> tuple[Scenario, ...]:
    scenario = load_scenario(request.scenario)
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


def _write_trace(recording: Recording, target: Path) -> None:
    handle, name = tempfile.mkstemp(dir=target.resolve().parent, prefix=".trace", suffix=".part")
    os.close(handle)
    try:
        write_parquet(recording, name)
        os.chmod(name, 0o644)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _verdicts(run: Run, scenario: Scenario) -> tuple[VerdictLine, ...]:
    names: Sequence[str] = [c.name for c in CRITERIA.values() if c.applies(run)]
    names = [*dict.fromkeys([*scenario.criteria, *names])]
    verdicts = [criterion(name).judge(run) for name in names]
    return tuple(verdict_line(v) for v in verdicts if v.status != "not_applicable")


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
    file, packed_car = open_car(request.build)
    car = in_motion(packed_car)
    calibration = Calibration.read(request.calibration)
    intent = None if request.intent is None else open_intent(request.intent)
    faults = tuple(parse_fault(text) for text in request.faults)
    variants = _variants(request, car)
    for fault in faults:
        if fault.at >= variants[0].duration:
            raise InputError(
                "sets in after the end",
                key=f"fault {fault.kind}",
                value=f"{fault.at:g} s",
                allowed=f"before {variants[0].duration:g} s",
            )
    packed = pack_calibration(calibration)
    facts = car_facts(car, calibration, intent)
    names = charge_names(calibration)
    runs: list[DrivenRun] = []
    todo: list[tuple[Path, Recording | str]] = []
    for number, scenario in enumerate(variants):
        check_cancelled(cancelled)
        recording = simulate(car, packed, scenario, faults=faults, seed=request.seed)
        broken = (*scenario.fault, *faults)
        twin = None
        if broken:
            healthy = scenario.model_copy(update={"fault": ()})
            twin = simulate(car, packed, healthy, seed=request.seed)
        kind = broken[-1] if broken else None
        run = Run(
            recording,
            scenario.name,
            facts,
            twin,
            "" if kind is None else kind.kind,
            0.0 if kind is None else kind.at,
        )
        runs.append(
            DrivenRun(
                scenario=scenario.name,
                title=scenario.title,
                faults=tuple(f.kind for f in broken),
                figures=_figures(recording),
                in_charge=_in_charge(recording, names),
                events=tuple(
                    EventLine(t_s=e.t_s, name=e.name, text=e.text) for e in recording.events
                ),
                verdicts=_verdicts(run, scenario),
            )
        )
        if request.out is not None:
            todo.append((_target(request.out, scenario, len(variants) > 1), recording))
        if request.picture is not None:
            svg = trace_picture(
                recording,
                title=f"{file.build.name}: {scenario.title} ({scenario.name})",
                names=names,
                bench_only=calibration.bench_only,
                caution=scenario.caution,
            )
            text = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
            todo.append((_target(request.picture, scenario, len(variants) > 1), text + "\n"))
        on_event(Event("runs", number + 1, len(variants), scenario.name))
    check_cancelled(cancelled)
    for target, what in todo:
        try:
            if isinstance(what, str):
                write_text(target, what)
            else:
                _write_trace(what, target)
        except OSError as error:
            raise InputError(
                f"cannot be written ({error.strerror or error})", file=target
            ) from None
    return DriveResult(
        name=file.build.name,
        bench_only=calibration.bench_only,
        caution=variants[0].caution,
        runs=tuple(runs),
        written=tuple(str(target) for target, _ in todo),
    )
