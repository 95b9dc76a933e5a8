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
from throttlewright.workshop.held import lay_out, steps

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
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = lay_out(garage, car, folder, branch=branch)
        request = CommissionRequest(build=str(files.build), calibration=str(files.calibration))
        result = commission(request)
        checks = {step.key: step.expected is None for step in result.steps}
        used = {k: v for k, v in measured.items() if k in checks and _fits(v, checks[k])}
        if used:
            filled = folder / "filled.json"
            filled.write_text(_text(used), encoding="utf-8")
            result = commission(request.model_copy(update={"filled": str(filled)}))
    older: tuple[str, ...] = ()
    if number is not None:
        older = tuple(
            what
            for what, saved in (
                ("build", files.build_revision),
                ("calibration", files.calibration_revision),
            )
            if saved > number
        )
    found = None
    if number is not None:
        found = steps(garage, car, "layout", SHEET, branch=branch)
    return SheetView(
        build_revision=files.build_revision,
        calibration_revision=files.calibration_revision,
        calibration=files.calibration_name,
        base_revision=number,
        undo=found.past[-1].id if found and found.past else None,
        redo=found.future[-1].id if found and found.future else None,
        older=older,
        set_aside=tuple(sorted(set(measured) - set(used))),
        next=next((s.key for s in result.steps if s.status in ("open", "fail")), None),
        result=result,
    )


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
    now = sheet_view(garage, car, branch=branch)
    _, measured = _measured(garage, car, branch)
    step = next((s for s in now.result.steps if s.key == key), None)
    if step is None:
        raise InputError("is not a step of this sheet", key=key)
    if value is None:
        measured.pop(key, None)
        why = f"step {step.number} {key} cleared"
    else:
        if step.status == "locked":
            waits = next(s for s in now.result.steps if s.key == now.next)
            raise InputError(
                f"waits for step {waits.number}",
                key=key,
                advice="the order is fingers, then air, then fuel: do that step first",
            )
        if not _fits(value, step.expected is None):
            raise InputError(
                "does not fit the step",
                key=key,
                value=value,
                allowed="done or not done" if step.expected is None else f"a number, {step.unit}",
            )
        measured[key] = value
        word = ("done" if value else "not done") if isinstance(value, bool) else f"{value:g}"
        why = f"step {step.number} {key}: {word} {step.unit}".strip()
    return _save(garage, car, measured, base_revision, who, why, branch)


def start_anew(
    garage: Garage, car: str | int, *, base_revision: int | None, who: str, branch: str = MAIN
) -> SheetView:
    """Clear all steps; what was measured stays in the history. Arguments as of ``fill_step``."""
    return _save(garage, car, {}, base_revision, who, "sheet begun anew", branch)


def _save(
    garage: Garage,
    car: str | int,
    measured: dict[str, Any],
    base_revision: int | None,
    who: str,
    why: str,
    branch: str,
) -> SheetView:
    garage.save(
        car, "layout", SHEET, _text(measured), base_revision=base_revision, who=who, why=why,
        branch=branch,
    )  # fmt: skip
    return sheet_view(garage, car, branch=branch)
