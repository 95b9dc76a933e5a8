"""Each role against its absence: the same scenario driven with it and without it, both judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from throttlewright.build.intent import Intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.pack import pack_calibration
from throttlewright.car.pack import Car
from throttlewright.design.role import Role, Shown, without
from throttlewright.design.rows import Rows
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
from throttlewright.prove.campaign import applicable_faults, applies_to
from throttlewright.prove.role_figure import Judged
from throttlewright.prove.role_figures import role_figure
from throttlewright.prove.run import NotProvenError
from throttlewright.recording.recording import Channel, Recording

__all__ = ["Pair", "empty_reason", "in_charge_seconds", "with_without"]

_CHARGES = (
    "in_charge_plate_1",
    "in_charge_retard_1",
    "in_charge_fuel_1",
    "in_charge_wastegate_1",
)
_NEEDS = {"turbo": "a turbo", "charged": "a charged engine", "gears": "gears"}


@dataclass(frozen=True, eq=False)
class Pair:
    """One scenario with a role and without it.

    Parameters
    ----------
    role, figure : str
        Names of the role and of the figure that judges it.
    scenario : Scenario
        The variant that was driven.
    skipped : str
        Why it was not driven, one sentence; empty where it was.
    with_, without : Judged, optional
        The figure of both runs; its value is not a number where it cannot be found.
    recording_with, recording_without : Recording, optional
        Both runs.
    in_charge_s : float [s]
        How long rows or reactions of the role set any output in the run with it.
    channels : tuple of str
        Channels that the figure reads, in the order in which it asks for them.
    """

    role: str
    figure: str
    scenario: Scenario
    skipped: str = ""
    with_: Judged | None = None
    without: Judged | None = None
    recording_with: Recording | None = None
    recording_without: Recording | None = None
    in_charge_s: float = 0.0
    channels: tuple[str, ...] = field(default=())


class _Asked(dict[str, Channel]):
    """Channels that remember the order in which they were first asked for."""

    def __init__(self, channels: dict[str, Channel]) -> None:
        super().__init__(channels)
        self.order: dict[str, None] = {}

    def __getitem__(self, name: str) -> Channel:
        found = super().__getitem__(name)
        self.order.setdefault(name, None)
        return found


def _watched(recording: Recording) -> tuple[Recording, _Asked]:
    """A copy of a recording, and the memory of which of its channels were asked for."""
    copy = Recording({}, recording.events, recording.meta)
    asked = _Asked(recording.channels)
    object.__setattr__(copy, "channels", asked)
    return copy, asked


def empty_reason(role: Role, rows: Rows, intent: Intent) -> str:
    """Return in one sentence why a role adds nothing, empty where it adds something.

    Parameters
    ----------
    role : Role
        The role.
    rows : Rows
        What it adds to the car.
    intent : Intent
        What is wanted.

    Returns
    -------
    str
        Its refusal, or that the intent does not ask for it, or that this car has no use for it.
    """
    if rows.refused:
        return rows.refused
    if rows.limits or rows.tables or rows.numbers or rows.reactions:
        return ""
    if role.section and getattr(intent, role.section) is None:
        return f"not asked for: the intent has no section [{role.section}]"
    return "this car has no use for it"


def in_charge_seconds(recording: Recording, calibration: Calibration, rows: Rows) -> float:
    """Return how long rows or reactions of a role set any output.

    Parameters
    ----------
    recording : Recording
        A trace of the calibration.
    calibration : Calibration
        What was driven.
    rows : Rows
        What the role adds.

    Returns
    -------
    float [s]
        A time in which it set two outputs counts once.
    """
    limits = {limit.name for limit in rows.limits}
    faults = {reaction.fault for reaction in rows.reactions}
    codes = [float(n) for n, row in enumerate(calibration.limits, 1) if row.name in limits]
    codes += [-float(n) for n, row in enumerate(calibration.reactions, 1) if row.fault in faults]
    t = recording.channel(_CHARGES[0]).t_s
    on = np.zeros(t.size, dtype=bool)
    for name in _CHARGES:
        on |= np.isin(recording.channel(name).values, codes)
    return float(np.sum(np.diff(t)[on[:-1]]))


def with_without(
    car: Car,
    calibration: Calibration,
    intent: Intent,
    role: Role,
    *,
    seed: int = 0,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> tuple[Pair, ...]:
    """Drive each scenario that shows a role, with the role and without it, and judge both runs.

    Parameters
    ----------
    car : Car
        A car in motion.
    calibration : Calibration
        With what the role adds.
    intent : Intent
        That the calibration was designed from.
    role : Role
        The role to take away.
    seed : int [-]
        Seed of the sensors' noise, the same in both runs.
    on_event : callable
        Told after each pair.
    cancelled : callable
        Asked between runs.

    Returns
    -------
    tuple of Pair
        In the order of ``role.shown``, one for each variant of a scenario that varies; empty where
        the role adds nothing (``empty_reason`` says why). A scenario that the car cannot drive is
        there with its reason.

    Raises
    ------
    InputError
        If a scenario or a figure that the role names is unknown.
    """
    rows = role.rows(car, intent)
    if empty_reason(role, rows, intent):
        return ()
    planned = [(shown, scenario) for shown in role.shown for scenario in _variants(shown.scenario)]
    pairs = []
    bare = without(calibration, rows)
    # two figures of one scenario are of the same two runs
    driven: dict[str, list[Recording]] = {}
    for number, (shown, scenario) in enumerate(planned):
        check_cancelled(cancelled)
        reason = _cannot(scenario, car)
        if reason:
            pairs.append(Pair(role.name, shown.figure, scenario, reason))
            continue
        if scenario.name not in driven:
            for held in (calibration, bare):
                check_cancelled(cancelled)
                run = simulate(car, pack_calibration(held), scenario, seed=seed)
                driven.setdefault(scenario.name, []).append(run)
        runs = driven[scenario.name]
        watched, asked = _watched(runs[0])
        pairs.append(
            Pair(
                role.name,
                shown.figure,
                scenario,
                "",
                _judged(shown, watched, car, intent),
                _judged(shown, runs[1], car, intent),
                runs[0],
                runs[1],
                in_charge_seconds(runs[0], calibration, rows),
                tuple(asked.order),
            )
        )
        on_event(Event("pairs", number + 1, len(planned), f"{role.name}: {scenario.name}"))
    return tuple(pairs)


def _judged(shown: Shown, recording: Recording, car: Car, intent: Intent) -> Judged:
    try:
        return role_figure(shown.figure)(recording, car, intent)
    except NotProvenError as error:
        return Judged(math.nan, "", None, None, f"could not be found: {error}")


def _variants(name: str) -> tuple[Scenario, ...]:
    base, _, label = name.partition("@")
    variants = expand(load_scenario(base))
    if not label:
        return variants
    found = tuple(v for v in variants if v.name == name)
    if not found:
        raise InputError(
            "is no variant of this scenario",
            key="scenario",
            value=name,
            allowed=", ".join(v.name for v in variants),
        )
    return found


def _cannot(scenario: Scenario, car: Car) -> str:
    """Why a car cannot drive a scenario; empty where it can."""
    if not applies_to(scenario, car):
        needs = " and ".join(_NEEDS[n] for n in scenario.applies if n != "any")
        return f"not driven: the scenario needs {needs}"
    possible = {kind.name for kind in applicable_faults(car)}
    for injected in scenario.fault:
        if injected.kind not in possible:
            return f"not driven: this car cannot have the fault {injected.kind}"
    return ""
