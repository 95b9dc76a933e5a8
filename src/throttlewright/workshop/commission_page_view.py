"""The Commission page: the sheet of a kept car, filled in step by step, in its order."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from throttlewright.foundation.errors import InputError
from throttlewright.garage.store import MAIN, Garage
from throttlewright.workshop.commission import (
    FILLED_FORMAT,
    CommissionRequest,
    CommissionResult,
    commission,
)
from throttlewright.workshop.common import Model
from throttlewright.workshop.held import LaidOut, lay_out, steps

__all__ = ["SHEET", "SheetView", "fill_step", "sheet_view", "start_anew"]

SHEET = "commissioning"
"""Name under which the garage keeps what was measured, in the form of a filled sheet."""
_VERSION = 1


class SheetView(Model):
    """The sheet as it stands."""

    build_revision: int
    calibration_revision: int
    calibration: str
    base_revision: int | None
    """Newest revision of what was measured; None where nothing was."""
    undo: int | None
    redo: int | None
    older: tuple[str, ...]
    """What was saved after the last measured value: build, calibration."""
    set_aside: tuple[str, ...]
    """Measured values that are no step of this sheet any more; they are kept, not judged."""
    next: str | None
    """Key of the step to do now."""
    result: CommissionResult


def _measured(garage: Garage, car: str | int, branch: str) -> tuple[int | None, dict[str, Any]]:
    items = garage.items(car, branch=branch)
    found = next((i.id for i in items if (str(i.kind), i.name) == ("layout", SHEET)), None)
    if found is None:
        return None, {}
    data = json.loads(str(garage.content(found)))
    if not isinstance(data, dict) or data.get("format") != FILLED_FORMAT:
        raise InputError("is another kind of file", file=SHEET, key="format",
                         allowed=f'"{FILLED_FORMAT}"')  # fmt: skip
    measured = data.get("measured", {})
    if not isinstance(measured, dict):
        raise InputError("is not a group of values", file=SHEET, key="measured")
    return found, measured


def _text(measured: dict[str, Any]) -> str:
    data = {"format": FILLED_FORMAT, "format_version": _VERSION, "measured": measured}
    return json.dumps(data, indent=2, sort_keys=True) + "\n"


def _fits(value: Any, is_check: bool) -> bool:
    if is_check or isinstance(value, bool):
        return is_check and isinstance(value, bool)
    return isinstance(value, int | float)


def _judge(
    garage: Garage, car: str | int, measured: dict[str, Any], branch: str
) -> tuple[LaidOut, CommissionResult, dict[str, Any]]:
    """Return the sheet judged, and the values that are steps of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = lay_out(garage, car, folder, branch=branch)
        request = CommissionRequest(build=str(files.build), calibration=str(files.calibration))
        filled = folder / "filled.json"

        def judged(values: dict[str, Any]) -> CommissionResult:
            filled.write_text(_text(values), encoding="utf-8")
            return commission(request.model_copy(update={"filled": str(filled)}))

        try:
            return files, judged(measured), measured
        except InputError as error:
            if not (error.key or "").startswith("measured."):
                raise
        # Another build may have other steps: what is none any more must not shut the sheet.
        checks = {step.key: step.expected is None for step in commission(request).steps}
        used = {k: v for k, v in measured.items() if k in checks and _fits(v, checks[k])}
        return files, judged(used), used


def _view(
    garage: Garage,
    car: str | int,
    number: int | None,
    measured: dict[str, Any],
    judged: tuple[LaidOut, CommissionResult, dict[str, Any]],
    branch: str,
) -> SheetView:
    files, result, used = judged
    older: tuple[str, ...] = ()
    past: tuple[int, ...] = ()
    future: tuple[int, ...] = ()
    if number is not None:
        saved = (("build", files.build_revision), ("calibration", files.calibration_revision))
        older = tuple(what for what, revision in saved if revision > number)
        found = steps(garage, car, "layout", SHEET, branch=branch)
        past, future = tuple(i.id for i in found.past), tuple(i.id for i in found.future)
    return SheetView(
        build_revision=files.build_revision,
        calibration_revision=files.calibration_revision,
        calibration=files.calibration_name,
        base_revision=number,
        undo=past[-1] if past else None,
        redo=future[-1] if future else None,
        older=older,
        set_aside=tuple(sorted(set(measured) - set(used))),
        next=next((s.key for s in result.steps if s.status in ("open", "fail")), None),
        result=result,
    )


def sheet_view(garage: Garage, car: str | int, *, branch: str = MAIN) -> SheetView:
    """Return the sheet of a kept car with what was measured, judged anew.

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
    SheetView
        Gate, steps, and which step is next.

    Raises
    ------
    InputError
        If the car has no calibration yet.
    """
    number, measured = _measured(garage, car, branch)
    judged = _judge(garage, car, measured, branch)
    return _view(garage, car, number, measured, judged, branch)


def fill_step(
    garage: Garage,
    car: str | int,
    *,
    key: str,
    value: float | bool | None,
    base_revision: int | None,
    who: str,
    branch: str = MAIN,
) -> SheetView:
    """Fill in one step, or clear it, and judge the sheet anew.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    car : str or int
        Name or number.
    key : str
        Step.
    value : float, bool or None
        What was measured, in the unit of the step, or done or not; None clears the step.
    base_revision : int, optional
        Newest revision of the sheet that the person saw.
    who : str
        For the history.
    branch : str
        Line of work.

    Returns
    -------
    SheetView
        As it stands now.

    Raises
    ------
    InputError
        If the step waits for one before it, or the value does not fit it.
    ConflictError
        If somebody else filled in a step meanwhile.
    """
    _, measured = _measured(garage, car, branch)
    if value is None:
        measured.pop(key, None)
    else:
        measured[key] = value
    judged = _judge(garage, car, measured, branch)
    result, used = judged[1], judged[2]
    step = next((s for s in result.steps if s.key == key), None)
    if step is None:
        raise InputError("is not a step of this sheet", key=key)
    if value is None:
        return _save(garage, car, measured, judged, base_revision, who,
                     f"step {step.number} {key} cleared", branch)  # fmt: skip
    if key not in used:
        raise InputError(
            "does not fit the step",
            key=key,
            value=value,
            allowed="done or not done" if step.expected is None else f"a number, {step.unit}",
        )
    if step.status == "locked":
        first = next(s for s in result.steps if s.status in ("open", "fail"))
        raise InputError(
            f"waits for step {first.number}",
            key=key,
            advice="the order is fingers, then air, then fuel: do that step first",
        )
    word = ("done" if value else "not done") if isinstance(value, bool) else f"{value:g}"
    why = f"step {step.number} {key}: {word} {step.unit}".strip()
    return _save(garage, car, measured, judged, base_revision, who, why, branch)


def start_anew(
    garage: Garage, car: str | int, *, base_revision: int | None, who: str, branch: str = MAIN
) -> SheetView:
    """Clear all steps; what was measured stays in the history. Arguments as of ``fill_step``."""
    judged = _judge(garage, car, {}, branch)
    return _save(garage, car, {}, judged, base_revision, who, "sheet begun anew", branch)


def _save(
    garage: Garage,
    car: str | int,
    measured: dict[str, Any],
    judged: tuple[LaidOut, CommissionResult, dict[str, Any]],
    base_revision: int | None,
    who: str,
    why: str,
    branch: str,
) -> SheetView:
    saved = garage.save(
        car, "layout", SHEET, _text(measured), base_revision=base_revision, who=who, why=why,
        branch=branch,
    )  # fmt: skip
    return _view(garage, car, saved.revision.id, measured, judged, branch)
