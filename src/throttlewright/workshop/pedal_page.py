"""The Pedal page: see a mode, try a change, save it, edit cells, judge a pasted table."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from throttlewright.build.load import parse_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.record import BoostState
from throttlewright.design.figures import map_figures
from throttlewright.design.old_plate import old_plate_share
from throttlewright.design.pedal import PedalMap, design_pedal_map, one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.common import rpm
from throttlewright.workshop.held import (
    Garage,
    HeldCar,
    held_calibration,
    redo,
    undo,
)
from throttlewright.workshop.modes import map_speeds, pasted_map
from throttlewright.workshop.pedal_models import (
    CellsRequest,
    CellsResult,
    DesignAnewRequest,
    Edited,
    IntentRequest,
    JudgeRequest,
    JudgeResult,
    PedalResult,
    PedalView,
    PreviewRequest,
    PreviewResult,
    State,
    StepRequest,
)
from throttlewright.workshop.pedal_parts import (
    changed_mode,
    designed_calibration,
    edited_tables,
    intent_with,
    kept_intent,
    map_in,
    promised,
    surfaces,
    with_cells,
)
from throttlewright.workshop.pedal_picture import (
    boost_view,
    compared,
    fan_view,
    handles,
    map_cautions,
    uneven,
)
from throttlewright.workshop.pedal_state import (
    CALIBRATION,
    Opened,
    check_calibration,
    map_of,
    mode_name,
    open_mode,
    shown_state,
    tables_of,
    view_of,
)

__all__ = [
    "design_anew",
    "edit_cells",
    "judge_table",
    "pedal_step",
    "pedal_view",
    "preview",
    "save_intent",
]

_PREVIEW_SPEEDS, _PREVIEW_PEDALS = 12, 30
_PREVIEW_POINTS = 51


def pedal_view(
    garage: Garage,
    held: HeldCar,
    *,
    mode: str | None = None,
    state: State | None = None,
    branch: str = "main",
) -> PedalView:
    """Return all that the page shows of a mode; nothing is saved.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car, ready to compute.
    mode : str, optional
        Name of the mode; the first when left out.
    state : {"instant", "settled"}, optional
        Boost state of the picture; the one the feel is promised for when left out.
    branch : str
        Line of work.

    Returns
    -------
    PedalView
        Of the saved calibration, or of a design that is not saved yet.
    """
    return view_of(garage, open_mode(garage, held, mode, branch), state, branch)


def preview(garage: Garage, held: HeldCar, request: PreviewRequest) -> PreviewResult:
    """Return the picture of a change that is being tried; nothing is saved.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : PreviewRequest
        The mode and its change.

    Returns
    -------
    PreviewResult
        On 12 speeds and 30 pedal positions: only the inversion of a kept surface is worked out.
    """
    _, intent = kept_intent(
        garage, held.revision.car, branch=request.branch, seen=request.intent_revision
    )
    name = mode_name(intent, request.mode)
    mode = changed_mode(name, intent.intent.mode[name], request.change)
    car = held.car
    state = promised(held, mode)
    shown = state
    if request.state is not None and car.turbo:
        shown = BoostState[request.state.upper()]
    omega = map_speeds(car, _PREVIEW_SPEEDS)
    pedal = np.linspace(0.0, 100.0, _PREVIEW_PEDALS)
    # the knee at the last part of travel must be a point of the axis, or the curve rounds it off
    near = int(np.argmin(np.abs(pedal - 100.0 * mode.opens_to_stop_from)))
    if 0 < near < pedal.size - 1:
        pedal[near] = 100.0 * mode.opens_to_stop_from
    share = old_plate_share(car, omega, pedal) if mode.feel == "old plate" else None
    made = design_pedal_map(
        surfaces(held)[state],
        mode,
        pedal_pct=pedal,
        omega=omega,
        car=car,
        name=name,
        old_share=share,
    )
    return PreviewResult(
        seq=request.seq,
        fan=fan_view(held, made, shown, points=_PREVIEW_POINTS),
        boost=boost_view(held, made, intent.intent),
        handles=handles(held, mode),
        figures=compared(held, None, made, mode, shown),
    )


# --- saves ----------------------------------------------------------------------------------------


def _asks(opened: Opened, modes: set[str]) -> str:
    if opened.revision is None or opened.calibration is None:
        return ""
    found = [m for m in opened.intent.intent.mode if m in modes]
    names = [m for m in found if edited_tables(opened.calibration, m)]
    if not names:
        return ""
    return (
        f"Tables of mode {', '.join(names)} were edited by hand. Designing anew replaces them; "
        f"the edited ones stay in the history as revision {opened.revision.id}, and undo brings "
        "them back."
    )


def _save(
    garage: Garage, opened: Opened, calibration: Calibration, who: str, why: str, branch: str
) -> int:
    saved = garage.save(
        opened.held.revision.car,
        "calibration",
        CALIBRATION if opened.revision is None else opened.revision.name,
        calibration.to_json(),
        base_revision=None if opened.revision is None else opened.revision.id,
        who=who,
        why=why,
        branch=branch,
    )
    return saved.revision.id


def save_intent(garage: Garage, held: HeldCar, request: IntentRequest) -> PedalResult:
    """Save a change of a mode, design its map anew and save that too.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : IntentRequest
        The change and the revisions it was made from.

    Returns
    -------
    PedalResult
        The page afterwards, or a question when tables edited by hand would be replaced.

    Raises
    ------
    StaleWriteError
        If intent or calibration were saved by somebody else meanwhile.
    InputError
        If the change cannot be used.
    """
    branch = request.branch
    opened = open_mode(garage, held, request.mode, branch)
    mode = changed_mode(opened.name, opened.mode, request.change)
    intent = opened.intent.intent
    text = garage.content(opened.intent_revision.id)
    new = intent_with(str(text), intent, opened.name, mode)
    if opened.intent_revision.id == request.base_revision:
        check_calibration(opened, request.calibration_revision)
        if not request.replace_edited and (asks := _asks(opened, {opened.name})):
            return PedalResult(asks=asks)
    wanted = parse_intent(new, file=f"{held.revision.car}, intent")
    made = designed_calibration(held, wanted, old=_whole(opened), anew={opened.name})
    what = "curve" if request.change.points is not None else "feel"
    garage.save(
        held.revision.car,
        "intent",
        "intent",
        new,
        base_revision=request.base_revision,
        who=request.who,
        why=f"{what} of mode {opened.name}",
        branch=branch,
    )
    _save(garage, opened, made, request.who, f"designed, {what} of mode {opened.name}", branch)
    return PedalResult(
        view=pedal_view(garage, held, mode=opened.name, state=request.state, branch=branch)
    )


def _whole(opened: Opened) -> Calibration | None:
    """Return the calibration before, if it was made for this build: else no edit fits any more."""
    old = opened.calibration
    return old if old is not None and old.build_sha256 == opened.held.file.sha256 else None


def design_anew(garage: Garage, held: HeldCar, request: DesignAnewRequest) -> PedalResult:
    """Design the maps of all modes from the newest build and intent, and save them.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : DesignAnewRequest
        The calibration that the person saw.

    Returns
    -------
    PedalResult
        The page afterwards, or a question when tables edited by hand would be replaced.
    """
    opened = open_mode(garage, held, request.mode, request.branch)
    check_calibration(opened, request.calibration_revision)
    modes = set(opened.intent.intent.mode)
    if not request.replace_edited and (asks := _asks(opened, modes)):
        return PedalResult(asks=asks)
    made = designed_calibration(held, opened.intent, old=None, anew=modes)
    _save(garage, opened, made, request.who, "designed", request.branch)
    return PedalResult(
        view=pedal_view(garage, held, mode=opened.name, state=request.state, branch=request.branch)
    )


def edit_cells(garage: Garage, held: HeldCar, request: CellsRequest) -> CellsResult:
    """Save cells of a table, all or none, and show what they do to torque.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : CellsRequest
        Cells and the revision they were typed into.

    Returns
    -------
    CellsResult
        New revision, the table, the fan without its band, figures and cautions.

    Raises
    ------
    StaleWriteError
        If somebody saved meanwhile; this edit is kept beside the line.
    InputError
        If a cell cannot be used; then nothing is changed.
    """
    opened = open_mode(garage, held, request.mode, request.branch)
    calibration = opened.calibration
    if calibration is None:
        check_calibration(opened, request.base_revision)
        calibration = designed_calibration(held, opened.intent, old=None, anew=set())
        number = _save(garage, opened, calibration, request.who, "designed", request.branch)
        opened = open_mode(garage, held, request.mode, request.branch)
        request = request.model_copy(update={"base_revision": number})
    newest = opened.revision
    if newest is not None and newest.id != request.base_revision and request.base_revision:
        # The edit belongs to what the person saw; the garage then keeps it beside the line.
        seen = Calibration.from_json(str(garage.content(request.base_revision)))
        calibration = seen
    surface = surfaces(held)[opened.state]
    new = with_cells(calibration, opened.name, request.table, list(request.cells), surface)
    name = CALIBRATION if newest is None else newest.name
    count = len(request.cells)
    cells = f"{count} cell{'' if count == 1 else 's'}"
    saved = garage.save(
        held.revision.car,
        "calibration",
        name,
        new.to_json(),
        base_revision=request.base_revision,
        who=request.who,
        why=request.why or f"{cells} of {request.table}, mode {opened.name}",
        branch=request.branch,
    )
    made = map_in(new, opened.name, opened.mode, opened.state)
    if made is None:
        raise InputError("the calibration has no pedal map for this mode", value=opened.name)
    plate, boost = tables_of(opened, new)
    table = plate if request.table == "plate" or boost is None else boost
    shown = shown_state(opened, request.state)
    return CellsResult(
        edited=Edited(
            table=table, calibration_revision=saved.revision.id, can_undo=True, can_redo=False
        ),
        fan=fan_view(held, made, shown),
        boost=boost_view(held, made, opened.intent.intent),
        figures=compared(held, None, made, opened.mode, shown),
        cautions=map_cautions(made, opened.intent.intent),
    )


def pedal_step(garage: Garage, held: HeldCar, request: StepRequest, *, back: bool) -> PedalResult:
    """Undo or redo the last change of the map, and of the intent that it was designed from.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : StepRequest
        The calibration that the person saw.
    back : bool
        True to undo.

    Returns
    -------
    PedalResult
        The page afterwards.
    """
    car, branch = held.revision.car, request.branch
    before = open_mode(garage, held, request.mode, branch)
    if before.revision is None:
        raise InputError("nothing was saved yet, so there is nothing to undo", file=car)
    one = undo if back else redo
    word = "undo" if back else "redo"
    one(
        garage,
        car,
        "calibration",
        before.revision.name,
        base_revision=request.base_revision,
        who=request.who,
        branch=branch,
    )
    _, now = held_calibration(garage, car, before.revision.name, branch=branch)
    was = before.calibration
    # An intent that went further by other hands than this page's is left as it is.
    follows = was is not None and was.intent_sha256 == before.intent.sha256
    if follows and now.intent_sha256 != before.intent.sha256:
        for row in garage.history(car, "intent", "intent", branch=branch):
            if row.sha256 == now.intent_sha256 and not row.draft:
                garage.restore(row.id, who=request.who, why=f"{word} with the map", branch=branch)
                break
    return PedalResult(
        view=pedal_view(garage, held, mode=request.mode, state=request.state, branch=branch)
    )


# --- a pasted table -------------------------------------------------------------------------------


def _pasted(text: str) -> PedalMap:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pasted.csv"
        path.write_text(text, encoding="utf-8", newline="")
        try:
            return pasted_map(str(path))
        except InputError as error:
            raise InputError(
                error.message,
                file="the pasted table",
                key=error.key,
                value=error.value,
                allowed=error.allowed,
                advice=error.advice or "give rpm down, pedal % across and plate % in the cells",
            ) from None


def judge_table(garage: Garage, held: HeldCar, request: JudgeRequest) -> JudgeResult:
    """Judge a pasted table on this car by the figures that ours is judged by.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : JudgeRequest
        The text.

    Returns
    -------
    JudgeResult
        Its fan, its figures beside those of the mode's map, and sentences.
    """
    pasted = _pasted(request.text)
    opened = open_mode(garage, held, request.mode, request.branch)
    shown = shown_state(opened, request.state)
    states = [shown]
    if held.car.turbo:
        states = [shown, *(s for s in (BoostState.INSTANT, BoostState.SETTLED) if s is not shown)]
    stop = opened.mode.opens_to_stop_from
    verdict = [uneven(map_figures(held.car, pasted, state=s, stop_from=stop)) for s in states]
    own = map_of(opened)
    low, high = held.car.idle * rpm, held.car.limit * rpm
    if pasted.rpm[-1] < high - 1.0 or pasted.rpm[0] > low + 1.0:
        verdict.append(
            f"The table covers {pasted.rpm[0]:.0f} to {pasted.rpm[-1]:.0f} rpm; beyond it the end "
            "values hold."
        )
    return JudgeResult(
        fan=fan_view(held, pasted, shown, before=one_to_one(own.omega)),
        figures=compared(held, pasted, own, opened.mode, shown),
        verdict=[*verdict, *map_cautions(pasted, opened.intent.intent)],
        rows=int(pasted.plate_pct.shape[0]),
        columns=int(pasted.plate_pct.shape[1]),
    )
