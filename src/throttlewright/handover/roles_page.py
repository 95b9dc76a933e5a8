"""The page of the roles: what each takes over, what it adds to the car, and what that changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.report import _STYLE, _number, _picture, _section, _sentences
from throttlewright.handover.tables import BENCH_ONLY

__all__ = ["FigureSide", "PairPart", "RolePage", "RolePart", "TablePart", "roles_page"]

_MARKS = """
.s{font-weight:650;white-space:nowrap}
.s-pass{color:var(--after)}.s-fail{color:var(--bad)}.s-open{color:var(--warn)}
.s-off{color:var(--mute);font-weight:400}
:root{--bad:#a1282c}
@media screen and (prefers-color-scheme:dark){:root{--bad:#ee7f80}}
.small{color:var(--mute);font-size:12px}
summary{cursor:pointer;color:var(--mute);margin:6px 0}
.card{border-top:1px solid var(--line);padding-top:2px;margin-top:22px}
.card h2{margin-top:14px}
table.plain td{text-align:left;white-space:normal;vertical-align:top}
table.plain th{text-align:left}
table.plain td.k{white-space:nowrap;font-weight:550}
table.judged td{text-align:left;white-space:normal;vertical-align:top}
table.judged td.n,table.judged th.n{text-align:right;white-space:nowrap}
table.judged th{text-align:left}
nav{columns:3;column-gap:24px;margin:8px 0 0;font-size:14px}
nav a{display:block;padding:1px 0}
@media (max-width:700px){nav{columns:1}}
table.cells td{white-space:nowrap}
"""

_STATES = {
    "gives": ("s s-pass", "acts on this car"),
    "refused": ("s s-open", "asked for, cannot be had"),
    "not asked": ("s s-off", "not asked for"),
    "nothing": ("s s-off", "no use for it here"),
}
_ONLY = {
    "competition": "for competition only, never on a public road",
    "track": "for track and competition, not for the road",
}


@dataclass(frozen=True)
class FigureSide:
    """The judging figure of one run.

    Parameters
    ----------
    value : float or None
        In ``unit``; None where it could not be found.
    unit : str
        Unit.
    limit : float or None
        In ``unit``; None where there is none.
    good : bool or None
        Whether it keeps to the limit.
    text : str
        One sentence.
    """

    value: float | None
    unit: str
    limit: float | None
    good: bool | None
    text: str


@dataclass(frozen=True)
class PairPart:
    """One scenario with the role and without it; ``picture`` is one SVG element."""

    scenario: str
    title: str
    caution: str
    skipped: str
    with_role: FigureSide | None
    without_role: FigureSide | None
    in_charge_s: float
    duration_s: float
    picture: str | None


@dataclass(frozen=True)
class TablePart:
    """One table: names of its axes with units, their points, and the values row by row."""

    name: str
    quantity: str
    unit: str
    axes: tuple[tuple[str, str, tuple[float, ...]], ...]
    values: tuple[tuple[float, ...], ...]
    note: str
    percent_meaning: str


@dataclass(frozen=True)
class RolePart:
    """One role of the plate.

    ``rows`` holds name, sentence, reason and source of each limit; ``typical`` key, value and
    source; ``findings`` level, subject and sentence.
    """

    name: str
    title: str
    text: str
    section: str
    only: str
    state: str
    reason: str
    rows: tuple[tuple[str, str, str, str], ...] = ()
    numbers: tuple[tuple[str, str, str], ...] = ()
    tables: tuple[TablePart, ...] = ()
    reactions: tuple[str, ...] = ()
    typical: tuple[tuple[str, str, str], ...] = ()
    pairs: tuple[PairPart, ...] = ()
    findings: tuple[tuple[str, str, str], ...] = ()
    notes: tuple[str, ...] = ()
    caution: str = ""


@dataclass(frozen=True)
class RolePage:
    """What the page shows: the car, whether it may leave the bench, its roles in order of rank."""

    car_name: str
    bench_only: bool
    roles: tuple[RolePart, ...]
    notes: tuple[str, ...] = field(default=())


def _figure(value: float | None, unit: str) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    size = abs(value)
    text = _number(value, 0 if size >= 1000.0 else 1 if size >= 100.0 else 2 if size >= 1.0 else 4)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {unit}".strip()


def _side(name: str, side: FigureSide, style: str) -> str:
    mark = ""
    if side.good is not None:
        word, cls = ("✓ keeps", "s s-pass") if side.good else ("✗ misses", "s s-fail")
        mark = f'<span class="{cls}">{word}</span>'
    elif side.value is None:
        mark = '<span class="s s-open">? not found</span>'
    return (
        f'<tr><td class="{style}">{escape(name)}</td>'
        f'<td class="n">{escape(_figure(side.value, side.unit))}</td>'
        f'<td class="n">{escape(_figure(side.limit, side.unit))}</td><td>{mark}</td>'
        f"<td>{escape(side.text)}</td></tr>"
    )


def _pair(pair: PairPart) -> str:
    head = f"<h3>{escape(pair.title)} <span class='small'>{escape(pair.scenario)}</span></h3>"
    if pair.skipped:
        return f'{head}<p class="small">{escape(pair.skipped)}</p>'
    lines = []
    if pair.with_role is not None:
        lines.append(_side("with the role", pair.with_role, "after"))
    if pair.without_role is not None:
        lines.append(_side("without it", pair.without_role, "before"))
    table = (
        '<div class="wide"><table class="judged"><thead><tr><th>run</th><th class="n">figure</th>'
        '<th class="n">limit</th><th></th><th>what was found</th></tr></thead>\n<tbody>'
        + "\n".join(lines)
        + "</tbody></table></div>"
    )
    share = 100.0 * pair.in_charge_s / pair.duration_s if pair.duration_s > 0.0 else 0.0
    charge = (
        f"In charge for {_figure(pair.in_charge_s, 's')} of {_figure(pair.duration_s, 's')} "
        f"({_figure(share, '%')})."
        if pair.in_charge_s > 0.0
        else "Never in charge as a row: it shapes what others set."
    )
    drawn = _picture(pair.picture) if pair.picture else ""
    warn = f'<p class="note">{escape(pair.caution)}</p>' if pair.caution else ""
    return f'{head}{table}<p class="small">{escape(charge)}</p>{drawn}{warn}'


def _details(summary: str, body: str) -> str:
    return f"<details><summary>{escape(summary)}</summary>{body}</details>"


def _three(head: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    rows = "\n".join(
        "<tr>"
        + "".join(
            f"<td{' class=k' if n == 0 else ''}>{escape(cell)}</td>" for n, cell in enumerate(line)
        )
        + "</tr>"
        for line in lines
    )
    names = "".join(f"<th>{escape(name)}</th>" for name in head)
    return (
        f'<div class="wide"><table class="plain"><thead><tr>{names}</tr></thead>\n'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _cells(table: TablePart) -> str:
    first = table.axes[0]
    corner = f"{first[0]} / {first[1] or '1'}"
    if len(table.axes) == 1:
        head = f"<th>{escape(corner)}</th><th>{escape(table.unit or '1')}</th>"
        body = "".join(
            f"<tr><th>{_figure(x, '')}</th><td>{_figure(line[0], '')}</td></tr>"
            for x, line in zip(first[2], table.values, strict=True)
        )
    else:
        second = table.axes[1]
        head = f"<th>{escape(corner)} ↓ {escape(second[0])} / {escape(second[1] or '1')} →</th>"
        head += "".join(f"<th>{_figure(y, '')}</th>" for y in second[2])
        body = "".join(
            f"<tr><th>{_figure(x, '')}</th>"
            + "".join(f"<td>{_figure(v, '')}</td>" for v in line)
            + "</tr>"
            for x, line in zip(first[2], table.values, strict=True)
        )
    said = ". ".join(part for part in (table.note, table.percent_meaning) if part)
    note = f'<p class="small">{escape(said)}</p>' if said else ""
    unit = f" / {table.unit}" if table.unit else ""
    return (
        f"<h3>{escape(table.name)} <span class='small'>{escape(table.quantity + unit)}</span></h3>"
        f'<div class="wide"><table class="cells"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>{note}"
    )


def _card(role: RolePart) -> str:
    style, words = _STATES[role.state]
    parts = [
        f'<section class="card" id="role-{escape(role.name)}"><h2>{escape(role.title)}</h2>',
        f'<p class="sub"><span class="{style}">{escape(words)}</span></p>',
        f"<p>{escape(role.text)}</p>",
    ]
    if role.only:
        parts.append(f'<p class="note">{escape(_ONLY.get(role.only, role.only))}</p>')
    if role.reason:
        parts.append(f"<p>{escape(role.reason[0].upper() + role.reason[1:])}.</p>"
                     if not role.reason.endswith(".")
                     else f"<p>{escape(role.reason)}</p>")  # fmt: skip
    if role.caution:
        parts.append(f'<p class="note">{escape(role.caution)}</p>')
    parts += [_pair(pair) for pair in role.pairs]
    if role.findings:
        parts.append("<h3>What the check of the calibration says</h3>")
        parts.append(_three(("", "where", "what"), role.findings))
    if role.rows:
        count = len(role.rows)
        parts.append(
            _details(
                f"{count} {'limit' if count == 1 else 'limits'} that it adds",
                _three(("limit", "what it is", "why", "source"), role.rows),
            )
        )
    if role.tables:
        count = len(role.tables)
        parts.append(
            _details(
                f"{count} {'table' if count == 1 else 'tables'}",
                "".join(_cells(table) for table in role.tables),
            )
        )
    if role.numbers:
        parts.append(
            _details(
                f"{len(role.numbers)} numbers",
                _three(("number", "value", "source"), role.numbers),
            )
        )
    if role.reactions:
        parts.append(
            _details(
                f"{len(role.reactions)} reactions",
                _sentences(role.reactions, "small"),
            )
        )
    if role.typical:
        name = f"typical values of [{role.section}]" if role.section else "typical values"
        parts.append(_details(name, _three(("key", "value", "source"), role.typical)))
    parts += [f'<p class="small">{escape(note)}</p>' for note in role.notes if note != role.reason]
    return "\n".join(parts) + "</section>"


def roles_page(data: RolePage) -> str:
    """Render the roles of a car as one HTML page.

    Parameters
    ----------
    data : RolePage
        What to show.

    Returns
    -------
    str
        The page: nothing to fetch, no scripts. The same data give the same text.
    """
    title = f"{data.car_name}: roles of the plate"
    bench = f'<p class="bench">{escape(BENCH_ONLY)}</p>' if data.bench_only else ""
    # what acts comes first, each part in order of rank
    first = [role for role in data.roles if role.state == "gives"]
    rest = [role for role in data.roles if role.state != "gives"]
    ordered = [*first, *(r for r in rest if r.state == "refused")]
    ordered += [r for r in rest if r.state != "refused"]
    index = "".join(
        f'<a href="#role-{escape(r.name)}">{escape(r.title)} '
        f'<span class="small">{escape(_STATES[r.state][1])}</span></a>'
        for r in ordered
    )
    how = (
        "The foot asks for a plate. A floor keeps it open at least so far, a ceiling at most so "
        "far, and a ceiling always beats a floor. Each role that acts is driven twice, with it and "
        "with it taken out; nothing else differs."
    )
    hurt = "\n".join(
        f'<p class="note"><b>{escape(c.topic)}.</b> {escape(c.text)}</p>' for c in CAUTIONS
    )
    body = "\n".join(
        (
            _section("Who may set the plate?", how, f"<nav>{index}</nav>{_sentences(data.notes)}"),
            *(_card(role) for role in ordered),
            _section(
                "What can hurt, and what to do first?",
                "A simulation ran here, no car was driven. Read these before anyone powers the "
                "plate.",
                hurt,
                name="hurt",
            ),
        )
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title>\n<style>\n{_STYLE}{_MARKS}\n</style></head>\n"
        f"<body><header><h1>{escape(title)}</h1>{bench}"
        '<p class="note">Before anyone powers the plate, read '
        '<a href="#hurt">What can hurt, and what to do first?</a></p>'
        f"</header>\n<main>\n{body}\n</main>\n"
        f"<footer>Throttlewright. {escape(NO_CERTIFICATE)}"
        f"{' ' + escape(BENCH_ONLY) + '.' if data.bench_only else ''}</footer></body></html>\n"
    )
