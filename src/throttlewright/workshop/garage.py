"""The garage: list, start, show, save, look back, compare, restore, branch, hand out, take in."""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path

from throttlewright.build.catalogue import list_sets, set_text
from throttlewright.build.load import parse_build
from throttlewright.build.templates import build_template, intent_template
from throttlewright.foundation.errors import InputError
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.garage.compare import compare as compare_revisions
from throttlewright.garage.contents import check_kind, verdicts_from_json
from throttlewright.garage.folder import export, import_folder, read_file, thing_of
from throttlewright.garage.records import CarInfo, RevisionInfo
from throttlewright.garage.store import Garage
from throttlewright.workshop.garage_requests import (
    BranchRequest,
    BranchResult,
    CarLine,
    CompareRequest,
    CompareResult,
    ExportRequest,
    ExportResult,
    GarageRequest,
    HistoryRequest,
    HistoryResult,
    ImportRequest,
    ImportResult,
    ListResult,
    NewCarRequest,
    NewCarResult,
    RemoveRequest,
    RemoveResult,
    RenameRequest,
    RestoreRequest,
    Revision,
    SaveRequest,
    SaveResult,
    ShowRequest,
    ShowResult,
)

__all__ = [
    "BranchRequest",
    "BranchResult",
    "CarLine",
    "CompareRequest",
    "CompareResult",
    "ExportRequest",
    "ExportResult",
    "GarageRequest",
    "HistoryRequest",
    "HistoryResult",
    "ImportRequest",
    "ImportResult",
    "ListResult",
    "NewCarRequest",
    "NewCarResult",
    "RemoveRequest",
    "RemoveResult",
    "RenameRequest",
    "RestoreRequest",
    "Revision",
    "SaveRequest",
    "SaveResult",
    "ShowRequest",
    "ShowResult",
    "branch",
    "compare",
    "export_car",
    "history",
    "import_car",
    "list_cars",
    "new_car",
    "remove_car",
    "rename_car",
    "restore",
    "save_item",
    "show_car",
]


def _line(car: CarInfo) -> CarLine:
    return CarLine(**asdict(car))


def _revision(info: RevisionInfo) -> Revision:
    return Revision(**asdict(info))


def list_cars(
    request: GarageRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ListResult:
    """List the cars."""
    with Garage.open(request.garage) as garage:
        return ListResult(folder=str(garage.folder), cars=[_line(car) for car in garage.cars()])


_FROM = "answered when the car was added"


def _answered(request: NewCarRequest) -> str:
    """Return the blank build with the answers in it."""
    text = build_template(request.name)
    answers: list[tuple[str, str | int | None]] = [
        ("displacement", request.displacement),
        ("cylinders", request.cylinders),
        ("rev_limit", request.revs),
        ("bore", request.bore),
        ("count", request.plates),
        ("use", request.use),
    ]
    for key, answer in answers:
        if answer is None:
            continue
        written = json.dumps(answer, ensure_ascii=False)
        # The first line of that key: further down the same word may belong to another section.
        where = re.compile(rf"^(# )?{key} = .*$", re.MULTILINE)
        start = 0 if key != "bore" and key != "count" else text.index("[plate]")
        found = where.search(text, start)
        if found is None:
            raise InputError("has no place in the first build", key=key)
        text = f"{text[: found.start()]}{key} = {written}{text[found.end() :]}"
    return text + _charging(request) + _gears(request)


_WITH = {
    "turbo": ([2500, 3500, 6500], (0.3, 1.0, 0.9)),
    # Geared to the crank: near its peak from low speed on.
    "supercharger": ([2000, 4000, 6500], (0.7, 0.9, 1.0)),
    # Rises with the square of the engine speed.
    "centrifugal": ([2000, 4000, 6500], (0.1, 0.4, 1.0)),
}


def _charging(request: NewCarRequest) -> str:
    """Return the section of what charges the engine, with a boost curve around its peak."""
    geared = {"displacement": request.blower, "drive_ratio": request.blower_ratio}
    kind = request.charging or "turbo"
    if kind != "supercharger" and any(answer is not None for answer in geared.values()):
        raise InputError(
            "is asked of a supercharger only",
            key="blower" if request.blower is not None else "blower_ratio",
            advice="leave it out, or say that a supercharger charges the engine",
        )
    if request.boost is None:
        if request.charging is not None:
            raise InputError("is needed", key="boost", allowed=_A_BOOST)
        return ""
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(bar|psi|kPa)\s*", request.boost)
    peak = 0.0 if match is None else float(match.group(1).replace(",", "."))
    if match is None or peak <= 0.0:
        raise InputError("is no boost", key="boost", value=request.boost, allowed=_A_BOOST)
    lines = []
    if kind == "supercharger":
        for key, answer in geared.items():
            if answer is None:
                asked = "blower" if key == "displacement" else "blower_ratio"
                raise InputError("is needed with a supercharger", key=asked)
            lines.append(f"{key} = {json.dumps(answer, ensure_ascii=False)}\n")
    speeds, shares = _WITH[kind]
    values = [float(f"{share * peak:.4g}") for share in shares]
    return (
        "\n# The peak was given; the speeds and the shape around it are assumed (common practice,\n"
        "# no source): write what the car does.\n"
        f"[{kind}]\n{''.join(lines)}"
        f'boost = {{ rpm = {speeds}, gauge = "{match.group(2)}", value = {values} }}\n'
    )


_A_BOOST = 'a gauge pressure such as "0.9 bar"'


def _gears(request: NewCarRequest) -> str:
    lines = []
    if request.ratios is not None:
        lines.append(f"ratios = {json.dumps(list(request.ratios))}\n")
    if request.final_drive is not None:
        lines.append(f"final_drive = {json.dumps(request.final_drive)}\n")
    return f"\n[driveline]\n{''.join(lines)}" if lines else ""


def _first_files(request: NewCarRequest) -> list[tuple[str, str, str]]:
    answers = (
        request.displacement,
        request.cylinders,
        request.revs,
        request.bore,
        request.plates,
        request.boost,
        request.charging,
        request.blower,
        request.blower_ratio,
        request.ratios,
        request.final_drive,
        request.use,
    )
    if request.example is None:
        build = _answered(request)
        parse_build(build, file=request.name, beside=lambda name: "")
        return [("build", "build", build), ("intent", "intent", intent_template())]
    if any(answer is not None for answer in answers):
        raise InputError(
            "a shipped car comes with its own numbers",
            key="example",
            value=request.example,
            advice="leave the answers out, or the example",
        )
    text = set_text(request.example)
    info = {i.name: i for i in list_sets()}[request.example]
    files = []
    dyno = f"{request.example}_dyno.csv"
    if dyno in text:
        files.append(("beside", dyno, set_text(request.example, "_dyno.csv")))
    files.append(("build", "build", text))
    intent = set_text(request.example, "_intent.toml") if info.has_intent else intent_template()
    files.append(("intent", "intent", intent))
    return files


def new_car(
    request: NewCarRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> NewCarResult:
    """Add a car with a first build and intent."""
    # Checked before the car is added, so that a wrong answer leaves no empty car behind.
    files = _first_files(request)
    with Garage.open(request.garage) as garage:
        car = garage.new_car(request.name, who=request.who)
        why = f"from {request.example}" if request.example else _FROM
        saved = [
            garage.save(car.id, kind, name, text, base_revision=None, who=request.who, why=why)
            for kind, name, text in files
        ]
        return NewCarResult(car=_line(car), revisions=[_revision(s.revision) for s in saved])


def show_car(
    request: ShowRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ShowResult:
    """Show what a car has."""
    with Garage.open(request.garage) as garage:
        car = garage.car(request.car)
        items = garage.items(car.id, branch=request.branch)
        verdicts: dict[str, dict[str, int]] = {}
        for item in items:
            if item.kind == "verdicts":
                counts = verdicts.setdefault(item.name, {})
                for verdict in verdicts_from_json(str(garage.content(item.id))):
                    counts[verdict.status] = counts.get(verdict.status, 0) + 1
        return ShowResult(
            car=_line(car),
            branch=request.branch,
            branches=[b.name for b in garage.branches(car.id)],
            items=[_revision(item) for item in items],
            verdicts=verdicts,
        )


def save_item(
    request: SaveRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> SaveResult:
    """Save one thing of a car."""
    if (request.file is None) == (request.text is None):
        raise InputError("give either a file or a text", key="file")
    guess = thing_of(Path(request.file).name) if request.file else None
    if request.kind is None and guess is None:
        raise InputError(
            "the name of the file does not say what it is", file=request.file, advice="give --kind"
        )
    kind = check_kind(request.kind) if request.kind or guess is None else guess[0]
    name = request.name
    if name is None:
        if guess is not None and guess[0] == kind:
            name = guess[1]
        else:
            name = Path(request.file).stem if request.file else kind
        if kind in ("build", "intent") and request.kind is not None:
            name = kind
    content = read_file(kind, Path(request.file)) if request.file else request.text or ""
    with Garage.open(request.garage) as garage:
        base = request.base_revision
        if base is None and request.newest:
            heads = {
                (i.kind, i.name): i.id for i in garage.items(request.car, branch=request.branch)
            }
            base = heads.get((kind, name))
        saved = garage.save(
            request.car,
            kind,
            name,
            content,
            base_revision=base,
            who=request.who,
            why=request.why,
            branch=request.branch,
            draft=request.draft,
        )
        return SaveResult(revision=_revision(saved.revision), changed=saved.changed)


def history(
    request: HistoryRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> HistoryResult:
    """List revisions, newest first."""
    with Garage.open(request.garage) as garage:
        items = garage.items(request.car, branch=request.branch)
        if request.kind is None:
            things = [(item.kind, item.name) for item in items]
        else:
            kind = check_kind(request.kind)
            if request.name is not None:
                things = [(kind, request.name)]
            else:
                things = [(i.kind, i.name) for i in items if i.kind == kind] or [(kind, kind)]
        found = [
            revision
            for kind, name in things
            for revision in garage.history(request.car, kind, name, branch=request.branch)
        ]
        found.sort(key=lambda revision: -revision.id)
        return HistoryResult(revisions=[_revision(revision) for revision in found])


def compare(
    request: CompareRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> CompareResult:
    """Say what differs between two revisions."""
    with Garage.open(request.garage) as garage:
        found = compare_revisions(garage, request.old, request.new)
        return CompareResult.model_validate(asdict(found))


def restore(
    request: RestoreRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> SaveResult:
    """Make an old revision the newest again."""
    with Garage.open(request.garage) as garage:
        saved = garage.restore(
            request.revision, who=request.who, why=request.why, branch=request.branch
        )
        return SaveResult(revision=_revision(saved.revision), changed=saved.changed)


def branch(
    request: BranchRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> BranchResult:
    """Start a branch."""
    with Garage.open(request.garage) as garage:
        car = garage.car(request.car)
        made = garage.branch(car.id, request.start, request.name, who=request.who)
        return BranchResult(car=car.name, name=made.name, started_from=made.started_from)


def export_car(
    request: ExportRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ExportResult:
    """Write a branch of a car as files."""
    with Garage.open(request.garage) as garage:
        files = export(garage, request.car, request.folder, branch=request.branch)
        return ExportResult(folder=request.folder, files=files)


def import_car(
    request: ImportRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> ImportResult:
    """Save the files of a folder."""
    with Garage.open(request.garage) as garage:
        known = {car.name.casefold(): car for car in garage.cars()}
        car = known.get(request.car.casefold())
        added = car is None
        if car is None:
            car = garage.new_car(request.car, who=request.who)
        try:
            saved = import_folder(
                garage,
                car.id,
                request.folder,
                who=request.who,
                why=request.why,
                branch=request.branch,
            )
        except InputError:
            if added and not garage.items(car.id):
                garage.remove(car.id)
            raise
        return ImportResult(
            car=_line(car),
            saved=[SaveResult(revision=_revision(s.revision), changed=s.changed) for s in saved],
        )


def rename_car(
    request: RenameRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> CarLine:
    """Give a car another name."""
    with Garage.open(request.garage) as garage:
        return _line(garage.rename(request.car, request.name))


def remove_car(
    request: RemoveRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> RemoveResult:
    """Take a car out of the list, or put the one removed last under that name back."""
    with Garage.open(request.garage) as garage:
        if not request.undo:
            car = garage.car(request.car)
            garage.remove(car.id)
            return RemoveResult(car=_line(car), removed=True)
        for gone in garage.removed_cars():
            if request.car.casefold() in (gone.name.casefold(), str(gone.id)):
                return RemoveResult(car=_line(garage.bring_back(gone.id)), removed=False)
        raise InputError("no removed car has this name or number", value=request.car)
