"""Drive a car of the garage by hand, keep what was driven, and compare two drives."""

from __future__ import annotations

import math
import secrets
import threading
from collections import deque
from collections.abc import Callable
from typing import Annotated

import numpy as np
from pydantic import Field

from throttlewright.build.load import IntentFile
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import MOST_MODES, mode_names
from throttlewright.calibration.reactions import ACTIONS
from throttlewright.car.motion import in_motion
from throttlewright.drive.live import LIVE, Live
from throttlewright.drive.live_parts import ONE_TO_ONE, with_one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.prove.campaign import applicable_faults
from throttlewright.recording.recording import Recording
from throttlewright.workshop.calibration import calibration_of
from throttlewright.workshop.common import Model
from throttlewright.workshop.drive import charge_names
from throttlewright.workshop.garage import Revision
from throttlewright.workshop.held import (
    MAIN,
    Garage,
    HeldCar,
    held_calibration,
    held_car,
    held_intent,
)
from throttlewright.workshop.live_figures import DriveFigure, drive_figures, side_by_side
from throttlewright.workshop.modes import ModeDesign, design_mode, surfaces_of

__all__ = [
    "HEADER",
    "LIVE",
    "Drive",
    "DriveKept",
    "FaultLine",
    "LiveAbout",
    "LiveInput",
    "ModeLine",
    "Pace",
    "open_drive",
]

HEADER = (
    "number",
    "t_whole_s",
    "t_part_s",
    "echo",
    "late_ms",
    "lost_s",
    "rows",
    "channels",
)
"""Numbers at the beginning of each frame; rows of channels follow, the newest last."""

Share = Annotated[float, Field(ge=0.0, le=100.0)]


class ModeLine(Model):
    """A map that can be chosen while driving."""

    name: str
    text: str


class FaultLine(Model):
    """A fault that this car can have."""

    kind: str
    text: str
    expected: str
    unit: str
    severity: float


class LiveAbout(Model):
    """What a page must know to show a drive."""

    session: str
    name: str
    build_revision: int
    calibration: str
    calibration_revision: int | None
    """None where the calibration was designed for this drive and is not kept."""
    bench_only: bool
    modes: tuple[ModeLine, ...]
    gears: int
    charged: bool
    idle_rpm: float
    limit_rpm: float
    ambient_kPa: float
    most_kPa: float
    most_Nm: float
    channels: tuple[str, ...]
    header: tuple[str, ...]
    in_charge: dict[int, str]
    actions: tuple[str, ...]
    faults: tuple[FaultLine, ...]
    notes: tuple[str, ...]


class LiveInput(Model):
    """What the person does; all parts may be left out, each holds until it comes again."""

    stamp: int | None = Field(default=None, ge=0, lt=1 << 24)
    """Comes back in the next frame."""
    pedal_pct: Share | None = None
    brake_pct: Share | None = None
    clutch_pct: Share | None = None
    auto_clutch: bool | None = None
    gear: int | None = Field(default=None, ge=0, le=10)
    up: bool | None = None
    """True one gear up, False one down."""
    grip_1: float | None = Field(default=None, ge=0.01, le=2.0)
    mode: int | None = Field(default=None, ge=0, le=15)
    key: bool | None = None
    start: bool = False
    inject: str | None = Field(default=None, max_length=80)
    severity: float | None = None
    clear: str | None = Field(default=None, max_length=80)
    """Kind of fault to mend, or ``all``."""
    record: bool | None = None
    reset: bool = False


class DriveKept(Model):
    """A drive that was saved."""

    revision: Revision
    figures: tuple[DriveFigure, ...]
    step_ms: float


class Pace:
    """How many ticks are due by a wall clock, without drift.

    Ticks done are always those of the time gone by. After a pause of more than ``most_s`` (a
    sleeping computer) the car does not race through what it missed: that time is counted as lost.

    Parameters
    ----------
    now : float
        The clock's reading at the start [s].
    most_s : float
        Longest time made up for [s].
    """

    def __init__(self, now: float, *, most_s: float = 2.0) -> None:
        self._start = now
        self._most = most_s
        self.done = 0
        self.lost_s = 0.0

    def due(self, now: float) -> int:
        """Return the ticks to do now, and count them as done."""
        behind = now - self._start - self.lost_s - 1e-3 * self.done
        if behind > self._most:
            self.lost_s += behind
        ticks = max(math.floor((now - self._start - self.lost_s) * 1e3 + 1e-6) - self.done, 0)
        self.done += ticks
        return ticks


class Drive:
    """A running drive: inputs go in from one thread while another steps it.

    Made by ``open_drive``.
    """

    def __init__(self, live: Live, about: LiveAbout, car: int) -> None:
        self._live = live
        self.about = about
        self.car = car
        self._waiting: deque[LiveInput] = deque()
        self._problems: deque[str] = deque(maxlen=20)
        self._lock = threading.Lock()
        self._number = 0
        self._echo = 0
        self._first = 0
        self._last: int | None = None

    def give(self, message: LiveInput) -> None:
        """Take an input; it acts from the next tick on."""
        if len(self._waiting) > 1000:
            raise InputError("more inputs came than can be taken")
        self._waiting.append(message)

    def problems(self) -> list[str]:
        """Return sentences on inputs that could not be taken, each once."""
        found = []
        while self._problems:
            found.append(self._problems.popleft())
        return found

    def broken(self) -> tuple[str, ...]:
        """Return the kinds of fault that act."""
        with self._lock:
            return self._live.broken

    def step(self, ticks: int, *, late_ms: float = 0.0, lost_s: float = 0.0) -> bytes:
        """Go on by a number of ticks.

        Parameters
        ----------
        ticks : int
            From 0.
        late_ms, lost_s : float
            How far behind the wall clock this step begins, and time given up [ms, s].

        Returns
        -------
        bytes
            A frame: Float32, ``HEADER`` and then rows of ``LIVE``.
        """
        with self._lock:
            while self._waiting:
                message = self._waiting.popleft()
                try:
                    self._take(message)
                except InputError as error:
                    self._problems.append(str(error))
            rows = self._live.step(ticks)
            whole, part = divmod(self._live.ticks, 1000)
            head = (self._number, whole, 1e-3 * part, self._echo, late_ms, lost_s, *rows.shape)
            self._number = (self._number + 1) % (1 << 24)
            return np.array(head, "<f4").tobytes() + rows.astype("<f4").tobytes()

    def _take(self, message: LiveInput) -> None:
        live = self._live
        if message.stamp is not None:
            self._echo = message.stamp
        if message.reset:
            live.reset()
            self._first, self._last = 0, None
        if message.auto_clutch is not None:
            live.auto_clutch = message.auto_clutch
        for channel, value in (
            ("pedal_pct", message.pedal_pct),
            ("brake_pct", message.brake_pct),
            ("clutch_pct", None if live.auto_clutch else message.clutch_pct),
            ("grip_1", message.grip_1),
            ("mode_1", message.mode),
            ("key_1", None if message.key is None else float(message.key)),
        ):
            if value is not None:
                live.set(channel, float(value))
        if message.gear is not None:
            live.shift(message.gear)
        if message.up is not None:
            # A press at the end of the box is no mistake worth a sentence.
            live.shift(min(max(live.gear + (1 if message.up else -1), 0), live.gears))
        if message.start:
            live.start_engine()
        if message.clear is not None:
            live.clear(None if message.clear == "all" else message.clear)
        if message.inject is not None:
            self._check_fault(message.inject)
            live.inject(message.inject, message.severity)
        if message.record is True:
            self._first, self._last = live.ticks, None
        elif message.record is False:
            self._last = live.ticks

    def _check_fault(self, kind: str) -> None:
        known = [f.kind for f in self.about.faults]
        if kind not in known:
            raise InputError(
                "is no fault that this car can have", value=kind, allowed=", ".join(known)
            )

    def recording(self) -> Recording:
        """Return what was recorded: since the record button, up to now or to its second press."""
        with self._lock:
            last = self._live.ticks if self._last is None else self._last
            return self._live.recording(self._first, last)

    def keep(self, garage: Garage, *, name: str, who: str, why: str = "") -> DriveKept:
        """Save what was recorded.

        Parameters
        ----------
        garage : Garage
            Where the car is.
        name : str
            Name of the recording.
        who, why : str
            For the history.

        Returns
        -------
        DriveKept
            Revision and figures.

        Raises
        ------
        InputError
            If the name is taken or nothing was driven.
        """
        recording = self.recording()
        saved = garage.save(
            self.car, "recording", name, recording, base_revision=None, who=who, why=why
        )
        t_s = recording.channel("speed_m_s").t_s
        info = Revision.model_validate(saved.revision, from_attributes=True)
        return DriveKept(
            revision=info,
            figures=side_by_side(drive_figures(recording), None),
            step_ms=round(1e3 * float(t_s[1] - t_s[0]), 3),
        )


def open_drive(
    garage: Garage,
    car: str | int,
    *,
    held: HeldCar | None = None,
    branch: str = MAIN,
    on_step: Callable[[str], None] = lambda text: None,
) -> Drive:
    """Make a car of the garage ready to drive.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    held : HeldCar, optional
        The car where it is at hand already.
    branch : str
        Line of work.
    on_step : callable
        Told what is being done, in words.

    Returns
    -------
    Drive
        Idling in neutral.

    Raises
    ------
    InputError
        If build, intent or calibration cannot be used.
    """
    ready = held if held is not None else held_car(garage, car, branch=branch)
    number = garage.car(car).id
    have = [i for i in garage.items(number, branch=branch) if i.kind == "calibration"]
    notes: list[str] = []
    revision: Revision | None = None
    if have:
        revision, calibration = held_calibration(garage, number, branch=branch)
    else:
        on_step("no calibration is kept yet: designing one from the intent")
        _, intent = held_intent(garage, number, branch=branch)
        calibration = designed(ready, intent)
        notes.append(
            "This map was designed from the intent just now and is not kept; "
            "the Pedal page keeps one."
        )
    names = mode_names(calibration)
    if len(names) < MOST_MODES and ONE_TO_ONE not in names:
        calibration = with_one_to_one(calibration)
    on_step("warming up the engine")
    live = Live(in_motion(ready.car), calibration)
    about = _about(live, ready, revision, tuple(notes))
    return Drive(live, about, number)


def designed(held: HeldCar, intent: IntentFile) -> Calibration:
    """Design the calibration of a car without the figures of a report."""
    surfaces = surfaces_of(held.car, None, [])
    designs = []
    for name, mode in intent.intent.mode.items():
        made, state, surface = design_mode(held.car, name, mode, surfaces, pedals=17, speeds=17)
        designs.append(ModeDesign(name, mode, made, state, surface, ()))
    return calibration_of(held.file, intent, held.car, designs)


def _about(
    live: Live, held: HeldCar, revision: Revision | None, notes: tuple[str, ...]
) -> LiveAbout:
    car, calibration = live.car, live.calibration
    own = live.modes[0]
    modes = []
    for name in live.modes:
        if name == ONE_TO_ONE:
            text = "the plate follows the pedal as a cable would have it"
            if f"boost_target_{own}" in calibration.tables:
                text += f"; boost as in {own}"
        else:
            text = calibration.tables[f"plate_over_pedal_{name}"].note
        modes.append(ModeLine(name=name.replace("_", " "), text=text))
    ambient = float(car.record["p_ambient"]) / 1e3
    grid = np.linspace(car.idle, car.limit, 20)
    most = float(np.max(car.full_boost(grid))) / 1e3
    litres = 1e3 * car.build.engine.displacement
    return LiveAbout(
        session=secrets.token_urlsafe(9),
        name=car.build.name,
        build_revision=held.revision.id,
        calibration="designed now" if revision is None else revision.name,
        calibration_revision=None if revision is None else revision.id,
        bench_only=calibration.bench_only,
        modes=tuple(modes),
        gears=live.gears,
        charged=car.charged,
        idle_rpm=round(car.idle * 30.0 / math.pi, 1),
        limit_rpm=round(car.limit * 30.0 / math.pi, 1),
        ambient_kPa=round(ambient, 2),
        most_kPa=round(max(most, ambient), 1),
        # Room on the axis of a strip, no claim: 75 N m a litre at ambient pressure.
        most_Nm=round(75.0 * litres * max(most / ambient, 1.0), 0),
        channels=LIVE,
        header=HEADER,
        in_charge={k: v.replace("_", " ") for k, v in charge_names(calibration).items()},
        actions=tuple(name.replace("_", " ") for name in ACTIONS),
        faults=tuple(
            FaultLine(
                kind=kind.name,
                text=kind.text,
                expected=kind.expected_reaction,
                unit="" if kind.unit == "1" else kind.unit,
                severity=kind.default,
            )
            for kind in applicable_faults(car)
        ),
        notes=notes,
    )
