"""The Sensors page: two tracks and their sweep, the plate servo and its record, the reactions."""

from __future__ import annotations

import math
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.intent import Intent
from throttlewright.calibration.reactions import ACTION_TEXT, DETECTION_UNIT
from throttlewright.car.pack import Car
from throttlewright.design.servo import servo as servo_rows
from throttlewright.design.servo_check import Move, check_servo
from throttlewright.drive.servo_run import fine_servo
from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import recording_of
from throttlewright.garage.store import MAIN, Garage
from throttlewright.logs.servo_fit import Estimate, ServoFit, with_fit
from throttlewright.logs.servo_records import prepare
from throttlewright.logs.tracks import side_by_side
from throttlewright.recording.recording import Recording
from throttlewright.workshop.commission import ReactionLine
from throttlewright.workshop.common import Model
from throttlewright.workshop.garage import Revision, SaveResult
from throttlewright.workshop.held import held_build, held_calibration, held_car
from throttlewright.workshop.record_intake import intake
from throttlewright.workshop.sensor_models import SensorsResult
from throttlewright.workshop.sensors import SensorsRequest, sensors
from throttlewright.workshop.servo import ServoRequest, ServoResult, servo

__all__ = [
    "ChannelName",
    "DifferencePicture",
    "HeldRecording",
    "ReactionsView",
    "SensorsView",
    "ServoView",
    "Trace",
    "TrackPicture",
    "held_recording",
    "held_recordings",
    "reactions_view",
    "sensors_view",
    "servo_view",
    "take_in",
]

_CELLS = 100
_SHOWN_S = 0.3


class ChannelName(Model):
    """A channel of a recording."""

    name: str
    unit: str
    samples: int


class HeldRecording(Model):
    """A recording of the garage, as the page offers it."""

    name: str
    revision: int
    channels: tuple[ChannelName, ...]
    seconds: float
    servo: bool
    """Whether it has what a record of the servo needs."""


class TrackPicture(Model):
    """One track of a sweep over travel, cell by cell; no sample lies outside least and most."""

    track: int
    travel_pct: tuple[float, ...]
    mean_V: tuple[float, ...]
    low_V: tuple[float, ...]
    high_V: tuple[float, ...]


class DifferencePicture(Model):
    """Track 1 less track 2 over travel [points]."""

    travel_pct: tuple[float, ...]
    mean_pct: tuple[float, ...]
    low_pct: tuple[float, ...]
    high_pct: tuple[float, ...]


class SensorsView(Model):
    """The tracks of pedal or plate."""

    build_revision: int
    result: SensorsResult
    recorded: tuple[TrackPicture, ...]
    difference: DifferencePicture | None


class Trace(Model):
    """A line over time."""

    name: str
    nominal: bool
    t_s: tuple[float, ...]
    opening_deg: tuple[float, ...]


class ServoView(Model):
    """The plate servo: figures, the largest step both ways, and a record with its fit."""

    build_revision: int
    result: ServoResult
    up: tuple[Trace, ...]
    down: tuple[Trace, ...]
    record: tuple[Trace, ...]
    """What was read, then what the fitted servo does with the same commands."""


class ReactionsView(Model):
    """What the calibration does about a sensor or servo that fails."""

    calibration: str
    calibration_revision: int
    bench_only: bool
    reactions: tuple[ReactionLine, ...]


# --- recordings -----------------------------------------------------------------------------------


def take_in(
    garage: Garage,
    car: str | int,
    name: str,
    path: Path,
    *,
    base_revision: int | None,
    who: str,
    branch: str = MAIN,
) -> SaveResult:
    """Keep a logged file, text or Parquet, as a recording of a car.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    name : str
        Of the recording.
    path : Path
        The file.
    base_revision : int, optional
        Newest revision of that recording that the person saw.
    who : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    SaveResult
        Its revision.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        content = intake(path)
    except InputError as error:
        # The person knows the file by the name it was given, not by where it was put meanwhile.
        raise error.in_file(name) from None
    saved = garage.save(
        car, "recording", name, content, base_revision=base_revision, who=who,
        why="taken in on the Sensors page", branch=branch,
    )  # fmt: skip
    return SaveResult(revision=Revision(**asdict(saved.revision)), changed=saved.changed)


def _recording(garage: Garage, car: str | int, name: str, branch: str) -> Recording:
    content = garage.content(garage.head(car, "recording", name, branch=branch).id)
    if not isinstance(content, bytes):
        raise InputError("is no recording", file=name)
    return recording_of(content)


def held_recording(garage: Garage, revision: int) -> HeldRecording:
    """Return what a page needs to offer a recording by its revision."""
    content = garage.content(revision)
    if not isinstance(content, bytes):
        raise InputError("is no recording", value=revision)
    recording = recording_of(content)
    names = recording.channels
    start, end = recording.span()
    return HeldRecording(
        name=garage.revision(revision).name,
        revision=revision,
        channels=tuple(
            ChannelName(name=c.name, unit=c.unit, samples=len(c)) for c in names.values()
        ),
        seconds=round(end - start, 3),
        servo="current_A" in names and ("duty" in names or "motor_V" in names),
    )


def held_recordings(garage: Garage, car: str | int, *, branch: str = MAIN) -> list[int]:
    """Return the newest revision of each recording of a car, newest first."""
    items = garage.items(car, branch=branch)
    return sorted((i.id for i in items if i.kind == "recording"), reverse=True)


def _lay_build(garage: Garage, car: str | int, folder: Path, branch: str) -> tuple[int, str]:
    revision, _ = held_build(garage, car, branch=branch)
    for item in garage.items(car, branch=branch):
        if item.kind == "beside":
            place = folder / item.name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(str(garage.content(item.id)), encoding="utf-8", newline="\n")
    path = folder / "build.toml"
    path.write_text(str(garage.content(revision.id)), encoding="utf-8", newline="\n")
    return revision.id, str(path)


def _lay_recording(
    garage: Garage, car: str | int, name: str, number: int, folder: Path, branch: str
) -> str:
    content = garage.content(garage.head(car, "recording", name, branch=branch).id)
    if not isinstance(content, bytes):
        raise InputError("is no recording", file=name)
    # The result names the file: it has the recording's own name where a folder can hold it.
    plain = "".join(c if c.isalnum() or c in " -_." else "_" for c in name).strip(". ")
    own = folder / f"{number}"
    own.mkdir()
    path = own / f"{plain or 'recording'}.parquet"
    path.write_bytes(content)
    return str(path)


# --- tracks ---------------------------------------------------------------------------------------


def _cells(
    place: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    cell = np.clip(np.round(place * _CELLS / 100.0).astype(int), -5, _CELLS + 5)
    at, mean, low, high = [], [], [], []
    for one in np.unique(cell):
        held = values[cell == one]
        at.append(100.0 * float(one) / _CELLS)
        mean.append(round(float(np.mean(held)), 5))
        low.append(round(float(np.min(held)), 5))
        high.append(round(float(np.max(held)), 5))
    return tuple(at), tuple(mean), tuple(low), tuple(high)


def _pictures(
    recording: Recording, request: SensorsRequest, result: SensorsResult
) -> tuple[tuple[TrackPicture, ...], DifferencePicture]:
    both = side_by_side(recording, str(request.track1), str(request.track2))
    travel = [
        100.0 * (volts - track.released_V) / (track.seen_V - track.released_V)
        for volts, track in zip(both.volts, result.tracks, strict=True)
    ]
    place = 0.5 * (travel[0] + travel[1])
    tracks = []
    for number, volts in enumerate(both.volts, 1):
        at, mean, low, high = _cells(place, volts)
        tracks.append(
            TrackPicture(track=number, travel_pct=at, mean_V=mean, low_V=low, high_V=high)
        )
    at, mean, low, high = _cells(place, travel[0] - travel[1])
    return tuple(tracks), DifferencePicture(
        travel_pct=at, mean_pct=mean, low_pct=low, high_pct=high
    )


def sensors_view(
    garage: Garage,
    car: str | int,
    *,
    of: Literal["pedal", "plate"],
    recording: str | None = None,
    track1: str | None = None,
    track2: str | None = None,
    period_ms: float = 10.0,
    skew_ms: float = 1.0,
    found_ms: float = 100.0,
    false_per_1000_h: float = 0.1,
    pull_kohm: float = 100.0,
    branch: str = MAIN,
) -> SensorsView:
    """Set up the tracks of a kept car, from its build or from a kept sweep.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    of : {"pedal", "plate"}
        Whose tracks.
    recording : str, optional
        Name of a kept sweep; the voltages of the build when left out.
    track1, track2 : str, optional
        Its channels.
    period_ms, skew_ms, found_ms : float
        Time between comparisons, between the readings of both tracks, and within which a fault is
        to be found [ms].
    false_per_1000_h : float
        False alarms allowed.
    pull_kohm : float
        Resistor that holds an open wire.
    branch : str
        Line of work.

    Returns
    -------
    SensorsView
        Figures, and what the picture is drawn from.

    Raises
    ------
    InputError
        If build or sweep cannot be used.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        number, build = _lay_build(garage, car, folder, branch)
        sweep = None
        if recording is not None:
            sweep = _lay_recording(garage, car, recording, 0, folder, branch)
        request = SensorsRequest(
            build=build, sweep=sweep, track1=track1, track2=track2, of=of, period_ms=period_ms,
            skew_ms=skew_ms, found_ms=found_ms, false_per_1000_h=false_per_1000_h,
            pull_kohm=pull_kohm, rate_pct_s=None, error_pct=None,
        )  # fmt: skip
        try:
            result = sensors(request)
        except InputError as error:
            if sweep is None or error.file != sweep:
                raise
            raise error.in_file(str(recording)) from None
    recorded: tuple[TrackPicture, ...] = ()
    difference = None
    if recording is not None:
        held = _recording(garage, car, recording, branch)
        recorded, difference = _pictures(held, request, result)
        result = result.model_copy(update={"origin": f"recording {recording}"})
    return SensorsView(
        build_revision=number, result=result, recorded=recorded, difference=difference
    )


# --- servo ----------------------------------------------------------------------------------------


def _steps(moves: tuple[Move, ...], best: Move) -> tuple[Trace, ...]:
    same = [m for m in moves if m.start == best.start and m.end == best.end]
    lines = []
    for move in same:
        t = 1e-3 * (1.0 + np.arange(len(move.trace)))
        shown = t <= _SHOWN_S
        lines.append(
            Trace(
                name=move.condition.text,
                nominal=bool(move.condition.nominal),
                t_s=tuple(np.round(t[shown], 4).tolist()),
                opening_deg=tuple(np.round(move.trace[shown], 3).tolist()),
            )
        )
    return tuple(lines)


def _fitted(car: Car, result: ServoResult) -> Car:
    estimates = {e.name: Estimate(**e.model_dump()) for e in result.estimates}
    return with_fit(car, ServoFit(estimates, math.nan, math.nan, ()))


def _against(recording: Recording, believed: Car, fitted: Car) -> tuple[Trace, Trace]:
    record = prepare(recording, car=believed)
    out = np.zeros((len(record.volts), 3))
    fine_servo(
        record.volts, record.bridge, car=fitted.record, theta=float(record.plate[0]),
        T_body=record.T_body, steps=20.0, out=out,
    )  # fmt: skip
    good = np.isfinite(record.plate)
    every = max(1, int(np.count_nonzero(good)) // 4000)
    at = np.arange(0, len(out), max(1, len(out) // 4000))
    return (
        Trace(
            name="read",
            nominal=False,
            t_s=tuple(np.round(1e-3 * record.at[good][::every], 4).tolist()),
            opening_deg=tuple(np.round(np.degrees(record.plate[good][::every]), 3).tolist()),
        ),
        Trace(
            name="fitted",
            nominal=True,
            t_s=tuple(np.round(1e-3 * at, 4).tolist()),
            opening_deg=tuple(np.round(np.degrees(out[at, 0]), 3).tolist()),
        ),
    )


def servo_view(
    garage: Garage,
    car: str | int,
    *,
    recordings: tuple[str, ...] = (),
    closed_stop: bool = True,
    branch: str = MAIN,
) -> ServoView:
    """Design and try the servo of a kept car, learned from kept records where there are any.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    recordings : tuple of str
        Names of kept records.
    closed_stop : bool
        Whether a stop keeps the plate out of the bore.
    branch : str
        Line of work.

    Returns
    -------
    ServoView
        Figures, and what the pictures are drawn from.

    Raises
    ------
    InputError
        If build or record cannot be used.
    """
    held = held_car(garage, car, branch=branch)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        number, build = _lay_build(garage, car, folder, branch)
        records = tuple(
            _lay_recording(garage, car, one, k, folder, branch) for k, one in enumerate(recordings)
        )
        try:
            result = servo(ServoRequest(build=build, records=records, closed_stop=closed_stop))
        except InputError as error:
            if error.file is None or Path(error.file).suffix != ".parquet":
                raise
            raise error.in_file(Path(error.file).stem) from None
    real = _fitted(held.car, result) if result.estimates else held.car
    numbers = servo_rows(real, Intent.model_construct(), most_current=None).numbers
    moves = tuple(check_servo(real, dict(numbers)).moves)
    drawn: tuple[Trace, ...] = ()
    if recordings:
        drawn = _against(_recording(garage, car, recordings[0], branch), held.car, real)
    return ServoView(
        build_revision=number,
        result=result,
        up=_steps(moves, max(moves, key=lambda m: m.end - m.start)),
        down=_steps(moves, min(moves, key=lambda m: m.end - m.start)),
        record=drawn,
    )


# --- reactions ------------------------------------------------------------------------------------


def reactions_view(garage: Garage, car: str | int, *, branch: str = MAIN) -> ReactionsView:
    """Return the fault reactions of the calibration that was saved last, each with its source.

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
    ReactionsView
        Row by row.

    Raises
    ------
    InputError
        If the car has no calibration yet.
    """
    revision, tables = held_calibration(garage, car, branch=branch)
    return ReactionsView(
        calibration=revision.name,
        calibration_revision=revision.id,
        bench_only=tables.bench_only,
        reactions=tuple(
            ReactionLine(
                fault=r.fault, detection=r.detection, limit=r.limit,
                unit=DETECTION_UNIT[r.detection], time_s=r.time_s, reaction=r.reaction,
                text=ACTION_TEXT[r.reaction], recovery=r.recovery, source=r.source,
            )
            for r in tables.reactions
        ),
    )  # fmt: skip
