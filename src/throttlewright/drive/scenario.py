"""Scenarios: operating sequences written as TOML, read into tables the kernel steps through."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, ValidationError, model_validator

from throttlewright.build.fields import Frozen, Quantity, fault
from throttlewright.build.problems import as_input_error
from throttlewright.drive.channels import CHANNELS, IN_GEAR, IN_PEDAL
from throttlewright.drive.faults import TICK, InjectedFault, tick_at
from throttlewright.drive.scenario_parts import Driver, EngineSpeed, Input, Start, Vary
from throttlewright.foundation.errors import InputError, nearest

__all__ = [
    "SCENARIO_FORMAT",
    "SCENARIO_VERSION",
    "Driver",
    "EngineSpeed",
    "Input",
    "Scenario",
    "Start",
    "Vary",
    "expand",
    "input_table",
    "list_scenarios",
    "load_scenario",
    "parse_scenario",
    "tick_count",
]

SCENARIO_FORMAT = "throttlewright.scenario"
SCENARIO_VERSION = 1


class Scenario(Frozen):
    """An operating sequence as data."""

    format: Literal["throttlewright.scenario"] = "throttlewright.scenario"
    format_version: int = SCENARIO_VERSION
    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*(@[A-Za-z0-9_.+]+)?$", max_length=80)]
    title: Annotated[str, Field(min_length=1, max_length=120)]
    text: Annotated[str, Field(min_length=1)]
    """One sentence: what happens and what to look at."""
    duration: Annotated[float, Quantity("time", "s", 0.01, 3600.0)]
    """Length of what is recorded [s]."""
    applies: tuple[Literal["turbo", "charged", "gears", "any"], ...] = ("any",)
    """What the car must have, all of them."""
    criteria: tuple[str, ...] = ()
    """Names of what the run is judged by."""
    caution: str | None = None
    """What can hurt when this is done on a real car."""
    start: Start = Start()
    input: tuple[Input, ...] = ()
    fault: tuple[InjectedFault, ...] = ()
    vary: Vary | None = None
    driver: Driver | None = None

    @model_validator(mode="after")
    def _check(self) -> Scenario:
        seen: set[str] = set()
        for place, entry in enumerate(self.input):
            if entry.channel in seen:
                raise fault("is given twice", key=f"input.{place}.channel", value=entry.channel)
            seen.add(entry.channel)
            if entry.t_s[-1] > self.duration:
                raise fault(
                    "is after the end",
                    key=f"input.{place}.t_s",
                    value=entry.t_s[-1],
                    allowed=f"0 to {self.duration:g} s",
                    contradiction=True,
                )
        for place, injected in enumerate(self.fault):
            if injected.at >= self.duration:
                raise fault(
                    "is after the end",
                    key=f"fault.{place}.at",
                    value=f"{injected.at:g} s",
                    allowed=f"before {self.duration:g} s",
                    contradiction=True,
                )
        if self.driver is not None and "pedal_pct" in seen and self.driver.start_speed == 0.0:
            raise fault(
                "leaves nothing for the written pedal",
                key="driver",
                advice="give driver.start_speed, or leave the input pedal_pct away",
                contradiction=True,
            )
        gears = [entry for entry in self.input if entry.channel == "gear_1"]
        if gears and (gears[0].value[0] != self.start.gear or (self.vary and self.vary.gear)):
            raise fault(
                "does not begin with the gear of the start",
                key="input.gear_1",
                value=gears[0].value[0],
                allowed=f"{self.start.gear} first, and no vary.gear",
                contradiction=True,
            )
        if self.vary is not None and self.vary.speed and self.start.engine != "speed":
            raise fault(
                "varies the speed of an engine that does not start from one",
                key="vary.speed",
                allowed='start.engine = "speed"',
                contradiction=True,
            )
        return self


def tick_count(scenario: Scenario) -> int:
    """Return the number of ticks that are recorded.

    Parameters
    ----------
    scenario : Scenario
        Perhaps a variant.

    Returns
    -------
    int
        Duration over the length of a tick.
    """
    return max(round(scenario.duration / TICK), 1)


def expand(scenario: Scenario) -> tuple[Scenario, ...]:
    """Return one scenario for each start that ``vary`` lists.

    Parameters
    ----------
    scenario : Scenario
        As read.

    Returns
    -------
    tuple of Scenario
        Named such as ``tip_in@2500rpm``; the scenario itself when nothing varies.
    """
    vary = scenario.vary
    if vary is None:
        return (scenario,)
    variants = []
    for speed in vary.speed or (None,):
        for gear in vary.gear or (None,):
            labels = []
            update: dict[str, Any] = {}
            if speed is not None:
                labels.append(speed.label)
                update["speed"] = speed
            if gear is not None:
                labels.append(f"gear{gear}")
                update["gear"] = gear
            variants.append(
                scenario.model_copy(
                    update={
                        "name": f"{scenario.name}@{'+'.join(labels)}",
                        "start": scenario.start.model_copy(update=update),
                        "vary": None,
                    }
                )
            )
    return tuple(variants)


def input_table(scenario: Scenario, n_ticks: int) -> NDArray[np.float64]:
    """Return the input channels at the start of each tick.

    Before its first point a channel has the value of that point, after its last one the value of
    the last. A step holds from the tick its time falls on: the value of ``t_s = 1`` is there in
    row 1000 and not in row 999.

    Parameters
    ----------
    scenario : Scenario
        Perhaps a variant.
    n_ticks : int [-]
        Rows wanted, at least 1; more than the duration goes on with the last values.

    Returns
    -------
    ndarray of shape (n_ticks, N_CHANNELS)
        Units of ``CHANNELS``; nan in ``battery_V`` stands for the build's figure. A channel the
        scenario does not give has its default; pedal and gear have those of the start.
    """
    table = np.tile(np.array([c.default for c in CHANNELS]), (n_ticks, 1))
    table[:, IN_PEDAL] = scenario.start.pedal_pct
    table[:, IN_GEAR] = float(scenario.start.gear)
    t_s = np.arange(n_ticks) * TICK
    for entry in scenario.input:
        column = entry.column
        if (entry.shape or CHANNELS[column].shape) == "linear":
            table[:, column] = np.interp(t_s, entry.t_s, entry.value)
            continue
        table[:, column] = entry.value[0]
        for time, value in zip(entry.t_s[1:], entry.value[1:], strict=True):
            table[tick_at(time) :, column] = value
    return table


def parse_scenario(text: str, file: str) -> Scenario:
    """Read a scenario from text.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name for errors.

    Returns
    -------
    Scenario
        Checked.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        message = str(error) or "nested too deeply"
        raise InputError(
            f"is not valid TOML: {message[:1].lower()}{message[1:]}", file=file
        ) from None
    _check_format(data, file)
    try:
        return Scenario.model_validate(data)
    except ValidationError as error:
        raise as_input_error(error, Scenario, file) from None


def _check_format(data: dict[str, Any], file: str) -> None:
    found = data.get("format")
    if found != SCENARIO_FORMAT:
        raise InputError(
            "is missing" if found is None else "is another kind of file",
            file=file,
            key="format",
            value=found,
            allowed=f'"{SCENARIO_FORMAT}"',
        )
    number = data.get("format_version")
    allowed = f"1 to {SCENARIO_VERSION}"
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise InputError(
            "is missing" if number is None else "is not a version",
            file=file,
            key="format_version",
            value=number,
            allowed=allowed,
        )
    if number > SCENARIO_VERSION:
        raise InputError(
            "was written by a newer version of this program",
            file=file,
            key="format_version",
            value=number,
            allowed=allowed,
            advice="update throttlewright",
        )


@cache
def list_scenarios() -> tuple[str, ...]:
    """Return the names of the shipped scenarios.

    Returns
    -------
    tuple of str
        In alphabetical order, before variants are made.
    """
    return tuple(
        sorted(f.name.removesuffix(".toml") for f in _folder().iterdir() if f.name[-5:] == ".toml")
    )


def _folder() -> Any:
    return resources.files("throttlewright.drive") / "scenarios"


@cache
def _shipped(name: str) -> Scenario:
    return parse_scenario((_folder() / f"{name}.toml").read_text("utf-8"), f"{name}.toml")


def load_scenario(path_or_name: str | Path) -> Scenario:
    """Read a shipped scenario by its name, one of its variants, or a scenario file.

    Parameters
    ----------
    path_or_name : path or str
        Such as ``tip_in``, ``tip_in@2500rpm`` or ``my/scenario.toml``.

    Returns
    -------
    Scenario
        Checked.

    Raises
    ------
    InputError
        One sentence with file, key, value and allowed range.
    """
    name = str(path_or_name)
    path = Path(path_or_name)
    if path.suffix == ".toml" or path.is_file():
        try:
            return parse_scenario(path.read_bytes().decode("utf-8-sig"), name)
        except FileNotFoundError:
            raise InputError("the file does not exist", file=name) from None
        except UnicodeDecodeError:
            raise InputError("is not UTF-8 text", file=name) from None
        except OSError as error:
            raise InputError(f"cannot be read ({error.strerror})", file=name) from None
    plain = name.partition("@")[0]
    if plain not in list_scenarios():
        close = nearest(plain, list(list_scenarios()))
        raise InputError(
            "is not a shipped scenario",
            value=name,
            allowed=f"{', '.join(list_scenarios())}, or a file that ends in .toml",
            advice=f'the nearest is "{close}"' if close else None,
        )
    scenario = _shipped(plain)
    if name == plain:
        return scenario
    variants = {variant.name: variant for variant in expand(scenario)}
    if name not in variants:
        raise InputError(
            "is not a variant of this scenario", value=name, allowed=", ".join(variants)
        )
    return variants[name]
