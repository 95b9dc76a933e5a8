"""The Roles page: what each role adds to a kept car, what is asked of it, and who is in charge."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.load import parse_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.motion import in_motion
from throttlewright.design.role import Role
from throttlewright.design.roles import ROLES, role_of_row
from throttlewright.drive.command import Command, CommandRow, command_of
from throttlewright.drive.scenario import Scenario, expand, list_scenarios, load_scenario
from throttlewright.foundation.errors import InputError, nearest
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.garage.store import MAIN, Garage
from throttlewright.prove.campaign import applies_to
from throttlewright.workshop.drive import charge_names
from throttlewright.workshop.held import HeldCar, held_car, steps
from throttlewright.workshop.intent_fields import edited_section, key_lines
from throttlewright.workshop.pedal_models import StepRequest
from throttlewright.workshop.pedal_page import pedal_step
from throttlewright.workshop.pedal_parts import designed_calibration
from throttlewright.workshop.pedal_state import CALIBRATION, Opened, check_calibration, open_mode
from throttlewright.workshop.roles import roles_of_car
from throttlewright.workshop.roles_models import RoleCard, RolesRequest
from throttlewright.workshop.roles_page_models import (
    BoundLine,
    ChargeLane,
    ChargeSpan,
    CommandView,
    HeldPairs,
    HeldPairsRequest,
    Place,
    RolesView,
    RoleView,
    ScenarioLine,
    SectionRequest,
    ShownLine,
    StepBack,
)

__all__ = ["command_view", "pairs_held", "roles_view", "save_section", "step"]

_MOST_SHOWN = 2500
"""Values of a line that the page gets; a screen has no more columns."""


# --- the cards ------------------------------------------------------------------------------------


def _cards(
    opened: Opened,
    *,
    role: str | None = None,
    drive: bool = False,
    on_event: OnEvent = ignore,
    cancelled: Cancelled = never,
) -> tuple[RoleCard, ...]:
    held = opened.held
    request = RolesRequest(
        build=held.file.path, intent=opened.intent.path, role=role, drive=drive, seed=0
    )
    return roles_of_car(
        request, held.file, held.car, opened.intent, on_event=on_event, cancelled=cancelled
    ).roles


def _places(card: RoleCard) -> tuple[Place, ...]:
    found: list[Place] = []
    for row in card.rows:
        if row.output != "plate":
            place: Place = row.output  # type: ignore[assignment]
        else:
            place = "floor" if row.side == "floor" else "ceiling"
        if place not in found:
            found.append(place)
    if card.reactions:
        found.append("reaction")
    if not found and (card.tables or card.numbers):
        found.append("strategy")
    return tuple(found)


def _scenarios(role: Role) -> tuple[ShownLine, ...]:
    lines = []
    for shown in role.shown:
        scenario = load_scenario(shown.scenario)
        lines.append(
            ShownLine(scenario=scenario.name, title=scenario.title, caution=scenario.caution or "")
        )
    return tuple(lines)


def _whole(opened: Opened) -> Calibration | None:
    """The kept calibration, if it was made for this build: else no edit fits any more."""
    old = opened.calibration
    return old if old is not None and old.build_sha256 == opened.held.file.sha256 else None


def _behind(opened: Opened) -> str:
    made = opened.calibration
    if opened.revision is None or made is None:
        return "no calibration is kept yet: asking for a role designs one"
    old = []
    if made.build_sha256 != opened.held.file.sha256:
        old.append("build")
    if made.intent_sha256 != opened.intent.sha256:
        old.append("intent")
    if not old:
        return ""
    return (
        f"the kept calibration, revision {opened.revision.id}, was designed from another "
        f"{' and another '.join(old)}: the cards show what they give now"
    )


def roles_view(garage: Garage, held: HeldCar, *, branch: str = MAIN) -> RolesView:
    """Return every role of a kept car, whether it acts or not; nothing is driven or saved.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    branch : str
        Line of work.

    Returns
    -------
    RolesView
        In order of rank; a role appears by its registration alone.
    """
    car = held.revision.car
    opened = open_mode(garage, held, None, branch)
    intent = opened.intent.intent
    cards = {card.name: card for card in _cards(opened)}
    lines = []
    for role in ROLES:
        card = cards[role.name]
        typical = {t.key: (t.value, t.source) for t in role.typical}
        keys = key_lines(role.section, intent, typical) if role.section else ()
        lines.append(RoleView(card=card, keys=keys, places=_places(card), shown=_scenarios(role)))
    made = opened.calibration
    line = None
    if opened.revision is not None:
        line = steps(garage, car, "calibration", opened.revision.name, branch=branch)
    drivable = [s for s in map(load_scenario, list_scenarios()) if applies_to(s, held.car)]
    return RolesView(
        name=car,
        build_revision=held.revision.id,
        intent_revision=opened.intent_revision.id,
        calibration_revision=None if opened.revision is None else opened.revision.id,
        behind=_behind(opened),
        can_undo=bool(line and line.past),
        can_redo=bool(line and line.future),
        roles=tuple(lines),
        foreign=tuple(row.name for row in made.limits if role_of_row(row.name) is None)
        if made
        else (),
        scenarios=tuple(ScenarioLine(name=s.name, title=s.title) for s in drivable),
    )


# --- what is asked of a role ----------------------------------------------------------------------


def _role(name: str) -> Role:
    for role in ROLES:
        if role.name == name:
            return role
    names = [role.name for role in ROLES]
    close = nearest(name, names)
    raise InputError(
        "there is no such role",
        key="role",
        value=name,
        allowed=", ".join(names),
        advice=f"did you mean {close!r}?" if close else None,
    )


def save_section(garage: Garage, held: HeldCar, request: SectionRequest) -> RolesView:
    """Save what is asked of a role, and the calibration that is designed from it.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : SectionRequest
        The change and the revisions it was made from.

    Returns
    -------
    RolesView
        The page afterwards.

    Raises
    ------
    InputError
        In the loader's words, when a value cannot be used; then nothing is saved.
    StaleWriteError
        If somebody else saved meanwhile.
    """
    car, branch = held.revision.car, request.branch
    role = _role(request.role)
    if not role.section:
        raise InputError("needs nothing of the intent", key="role", value=role.name)
    if not request.values and not request.remove:
        raise InputError("give values by key", key=role.section)
    seen = garage.revision(request.base_revision)
    if seen.kind != "intent" or seen.car != car:
        raise InputError(
            "is no revision of an intent of this car",
            key="base_revision",
            value=request.base_revision,
        )
    opened = open_mode(garage, held, None, branch)
    values = {} if request.remove else request.values
    new = edited_section(str(garage.content(seen.id)), role.section, values)
    wanted = parse_intent(new, file="intent")
    if opened.intent_revision.id == seen.id:
        check_calibration(opened, request.calibration_revision)
    made = designed_calibration(held, wanted, old=_whole(opened), anew=set())
    before = getattr(opened.intent.intent, role.section) is not None
    word = "no longer asked for" if request.remove else "changed" if before else "asked for"
    why = f"role {role.name} {word}"
    garage.save(
        car, "intent", "intent", new,
        base_revision=seen.id, who=request.who, why=why, branch=branch,
    )  # fmt: skip
    garage.save(
        car,
        "calibration",
        CALIBRATION if opened.revision is None else opened.revision.name,
        made.to_json(),
        base_revision=None if opened.revision is None else opened.revision.id,
        who=request.who,
        why=f"designed, {why}",
        branch=branch,
    )
    return roles_view(garage, held, branch=branch)


def step(garage: Garage, held: HeldCar, request: StepBack, *, back: bool) -> RolesView:
    """Undo or redo the last change of the calibration, and of the intent it was designed from.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    request : StepBack
        The calibration that the person saw.
    back : bool
        True to undo.

    Returns
    -------
    RolesView
        The page afterwards.
    """
    asked = StepRequest(base_revision=request.base_revision, who=request.who, branch=request.branch)
    pedal_step(garage, held, asked, back=back)
    return roles_view(garage, held, branch=request.branch)


# --- with it and without it -----------------------------------------------------------------------


def pairs_held(
    request: HeldPairsRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> HeldPairs:
    """Drive the scenarios that show a role, with it and without it.

    Parameters
    ----------
    request : HeldPairsRequest
        Car and role.
    on_event : callable
        Told of progress.
    cancelled : callable
        Asked between drives.

    Returns
    -------
    HeldPairs
        Both traces and the judging figure of each.
    """
    role = _role(request.role)
    with Garage.open(request.garage) as garage:
        held = held_car(garage, request.car, branch=request.branch)
        opened = open_mode(garage, held, None, request.branch)
    cards = _cards(opened, role=role.name, drive=True, on_event=on_event, cancelled=cancelled)
    pairs = next(card.pairs for card in cards if card.name == role.name)
    return HeldPairs(
        role=role.name,
        build_revision=held.revision.id,
        intent_revision=opened.intent_revision.id,
        calibration_revision=None if opened.revision is None else opened.revision.id,
        # The page draws the curves itself, in its own colours.
        pairs=tuple(pair.model_copy(update={"picture": None}) for pair in pairs),
    )


# --- who is in charge -----------------------------------------------------------------------------


def _titles(calibration: Calibration) -> dict[int, tuple[str, str, str]]:
    """Name, title and kind of what may be in charge, by code."""
    found = {}
    for code, name in charge_names(calibration).items():
        role = role_of_row(name) if code > 0 else None
        title = role.title if role else name.replace("_", " ")
        kind = "demand" if code == 0 else "row" if code > 0 else "reaction"
        found[code] = (name, "pedal" if code == 0 else title, kind)
    return found


def _runs(values: NDArray[np.int64]) -> Iterator[tuple[int, int, int]]:
    """Code, first and last place of each stretch of one code."""
    ends = np.flatnonzero(np.diff(values)) + 1
    for start, stop in zip([0, *ends], [*ends, values.size], strict=True):
        yield int(values[start]), int(start), int(stop)


def _lanes(
    run: Command, titles: Mapping[int, tuple[str, str, str]], end_s: float
) -> tuple[ChargeLane, ...]:
    lanes = []
    for output, codes in run.in_charge.items():
        if output != "plate" and not np.any(codes):
            continue
        spans = []
        for code, start, stop in _runs(codes):
            name, title, kind = titles[code]
            if code == 0 and output != "plate":
                continue
            spans.append(
                ChargeSpan.model_validate(
                    {
                        "from_s": float(run.t_s[start]),
                        "to_s": float(run.t_s[stop]) if stop < codes.size else end_s,
                        "name": name,
                        "title": title,
                        "kind": kind,
                    }
                )
            )
        lanes.append(ChargeLane(output=output, spans=tuple(spans)))
    return tuple(lanes)


def _numbers(values: NDArray[np.float64]) -> list[float]:
    return [round(float(v), 3) for v in values]


def _bound(row: CommandRow, run: Command, keep: slice, tick_s: float) -> BoundLine:
    active = row.active
    role = role_of_row(row.name)
    shown = [
        round(float(v), 3) if acts else None
        for v, acts in zip(row.bound[keep], active[keep], strict=True)
    ]
    return BoundLine.model_validate(
        {
            "row": row.name,
            "title": role.title if role else row.name.replace("_", " "),
            "side": row.side,
            "reason": row.reason,
            "values": shown,
            "acts_s": round(tick_s * int(np.count_nonzero(active)), 3),
            "in_charge_s": round(
                tick_s * int(np.count_nonzero(run.in_charge["plate"] == row.code)), 3
            ),
        }
    )


def _chosen(name: str, held: HeldCar) -> Scenario:
    if name not in list_scenarios():
        raise InputError(
            "is no shipped scenario",
            key="scenario",
            value=name,
            allowed=", ".join(list_scenarios()),
        )
    whole = load_scenario(name)
    if not applies_to(whole, held.car):
        raise InputError(
            "is no scenario for this car",
            key="scenario",
            value=name,
            allowed=f"needs {', '.join(whole.applies)}",
        )
    return expand(whole)[0]


def command_view(
    garage: Garage, held: HeldCar, *, scenario: str, branch: str = MAIN
) -> CommandView:
    """Drive a scenario and return demand, floors and ceilings over it, and who was in charge.

    Parameters
    ----------
    garage : Garage
        Where the car is.
    held : HeldCar
        The car.
    scenario : str
        Name of a shipped scenario; the first of its variants is driven.
    branch : str
        Line of work.

    Returns
    -------
    CommandView
        Of the kept calibration where it is of this build and intent, else of what they give now.

    Raises
    ------
    InputError
        If the scenario is unknown or does not fit the car.
    """
    chosen = _chosen(scenario, held)
    opened = open_mode(garage, held, None, branch)
    kept = _whole(opened)
    saved = kept is not None and kept.intent_sha256 == opened.intent.sha256
    if kept is not None and saved:
        calibration = kept
    else:
        calibration = designed_calibration(held, opened.intent, old=kept, anew=set())
    run = command_of(in_motion(held.car), calibration, chosen)
    tick_s = float(run.t_s[1] - run.t_s[0]) if run.t_s.size > 1 else 0.001
    every = max(1, -(-run.t_s.size // _MOST_SHOWN))
    keep = slice(None, None, every)
    rows = [row for row in run.rows if row.output == "plate" and bool(np.any(row.active))]
    titles = _titles(calibration)
    return CommandView(
        scenario=chosen.name,
        title=chosen.title,
        text=chosen.text,
        caution=chosen.caution or "",
        saved=saved,
        calibration_revision=opened.revision.id if saved and opened.revision else None,
        step_s=round(every * tick_s, 6),
        t_s=_numbers(run.t_s[keep]),
        demand_pct=_numbers(np.nan_to_num(run.demand[keep])),
        target_pct=_numbers(run.target[keep]),
        plate_pct=_numbers(run.plate[keep]),
        bounds=tuple(_bound(row, run, keep, tick_s) for row in rows),
        lanes=_lanes(run, titles, float(run.t_s[-1]) + tick_s),
    )
