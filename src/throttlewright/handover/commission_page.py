"""The commissioning sheet: parts, gate, reactions, and the numbered list to fill in by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from throttlewright.calibration.reactions import Reaction
from throttlewright.design.commission import PHASES, Judged
from throttlewright.design.failsafe import USES, Closing, Gate, RestSpeed
from throttlewright.design.limp import LimpRow
from throttlewright.design.parts import PartVerdict
from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.reaction_table import RECOVERY_TEXT, reaction_section
from throttlewright.handover.report import _STYLE, _section, _sentences
from throttlewright.handover.tables import BENCH_ONLY

__all__ = ["CommissionData", "commission_page"]

_MARKS = """
.s{font-weight:650;white-space:nowrap}
.s-pass{color:var(--after)}.s-fail{color:var(--bad)}.s-open{color:var(--warn)}
.s-off{color:var(--mute);font-weight:400}
:root{--bad:#a1282c}
@media screen and (prefers-color-scheme:dark){:root{--bad:#ee7f80}}
table.sheet td,table.sheet th{text-align:left;white-space:normal;vertical-align:top}
table.sheet td.n{text-align:right;white-space:nowrap}
table.sheet td.b{min-width:7em;border-bottom:1.5px solid var(--ink);white-space:nowrap}
table.sheet{width:100%}
.small{color:var(--mute);font-size:12px}
.key{font:11px ui-monospace,monospace;color:var(--mute)}
"""
_WORDS = {
    "pass": ("s s-pass", "✓ pass"),
    "fail": ("s s-fail", "✗ fail"),
    "not_proven": ("s s-open", "? not proven"),
    "open": ("s s-open", "to fill"),
    "locked": ("s s-off", "– waits"),
}


@dataclass(frozen=True)
class CommissionData:
    """What the sheet shows.

    Parameters
    ----------
    car_name, use : str
        Car, and what it is used for.
    parts : sequence of PartVerdict
        Parts check.
    closing : sequence of Closing
        Closing times on loss of power.
    rest : RestSpeed
        Speeds at the unpowered position.
    gate : Gate
        Uses that are open.
    limp : sequence of LimpRow
        Fault by fault.
    reactions : sequence of Reaction
        Of the calibration.
    steps : sequence of Judged
        The list.
    notes : sequence of str
        Sentences for the reader.
    bench_only : bool
        Whether the calibration may not leave the bench.
    """

    car_name: str
    use: str
    parts: Sequence[PartVerdict]
    closing: Sequence[Closing]
    rest: RestSpeed
    gate: Gate
    limp: Sequence[LimpRow]
    reactions: Sequence[Reaction]
    steps: Sequence[Judged]
    notes: Sequence[str] = ()
    bench_only: bool = True


def _status(word: str) -> str:
    style, text = _WORDS[word]
    return f'<span class="{style}">{escape(text)}</span>'


def _table(head: Sequence[str], rows: Sequence[str]) -> str:
    heads = "".join(f"<th>{escape(h)}</th>" for h in head)
    return (
        f'<div class="wide"><table class="sheet"><thead><tr>{heads}</tr></thead>\n<tbody>'
        + "\n".join(rows)
        + "</tbody></table></div>"
    )


def _row(*cells: str) -> str:
    return "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def _small(text: str) -> str:
    return f'<span class="small">{escape(text)}</span>'


def _figure(value: float, unit: str = "") -> str:
    text = "–" if not math.isfinite(value) else f"{value:.5g}"
    return f"{text} {unit}".strip()


def _gate(data: CommissionData) -> str:
    rest, gate = data.rest, data.gate
    rows = []
    for use in USES:
        reasons = [r for r in gate.refusals if r.use == use]
        why = "<br>".join(f"{escape(r.why)}<br>{_small('fix: ' + r.fix)}" for r in reasons)
        rows.append(_row(escape(use), _status("fail" if reasons else "pass"), why or "open"))
    limited = ", held by nothing but the rev limit" if rest.limited else ""
    cap = f"{gate.cap_rpm:.0f} rpm" if math.isfinite(gate.cap_rpm) else "none that works"
    told = [
        f"Without power the plate lets the engine run at {rest.rpm:.0f} rpm unloaded{limited}, and "
        f"the car at up to {rest.most_km_h:.0f} km/h in gear on the level. Fuel-cut speed cap: "
        f"{cap}.",
        *gate.notes,
    ]
    closing = [
        _row(
            escape(c.bridge_off) + (" (this controller)" if c.own else ""),
            escape(c.case),
            escape(f"{c.seconds:.2f} s" if math.isfinite(c.seconds) else "over 6 s"),
            _status("pass" if c.good else "fail"),
        )
        for c in data.closing
    ]
    return _section(
        "May this car be used so?",
        "A gate, not an approval: what is open here is still for local law, the event's rules and "
        "a competent person to allow.",
        _table(("use", "gate", "why"), rows)
        + _sentences(told)
        + "<h3>Springs alone, from full open to rest</h3>"
        + _table(("bridge when off", "body", "time", "at most 1 s"), closing),
    )


def _parts(data: CommissionData) -> str:
    rows = [
        _row(
            _status(p.status),
            f"<b>{escape(p.name)}</b>" + ("" if p.blocks else "<br>" + _small("does not block")),
            escape(p.value),
            escape(p.limit),
            escape(p.text) + (f"<br><b>fix: {escape(p.fix)}</b>" if p.fix else ""),
            _small(p.source),
        )
        for p in data.parts
    ]
    head = ("verdict", "part", "is", "must be", "why", "source")
    return _section(
        "Do the parts fit together?", "Before money is spent on them.", _table(head, rows)
    )


def _limp(data: CommissionData) -> str:
    rows = [
        _row(
            f"<b>{escape(r.fault)}</b><br>{_small(r.text)}",
            escape(", ".join(x.fault for x in r.reactions) or "nothing"),
            escape(r.limp),
            escape(RECOVERY_TEXT.get(r.recovery, "")),
            escape(", ".join(r.routes)) if r.safe else _status("fail") + " none",
        )
        for r in data.limp
    ]
    head = ("fault", "found by", "limp behaviour", "recovery", "shut-off routes left")
    return _section(
        "How does it limp, and what can still stop it?",
        "What can find a fault first depends on the moment; the strongest of the reactions named "
        "comes last.",
        _table(head, rows),
    )


def _expected(one: Judged) -> str:
    step = one.step
    if step.expected is None:
        return "done"
    good = f"at least {step.low:g}" if math.isinf(step.high) else f"{step.low:g} to {step.high:g}"
    return f"{step.expected:g} {step.unit}<br>{_small(f'good: {good} {step.unit}')}"


def _measured(one: Judged) -> str:
    if one.measured is None:
        return f"&#9744; {escape(one.step.unit)}"
    if isinstance(one.measured, bool):
        return "yes" if one.measured else "no"
    return f"{escape(_figure(float(one.measured), one.step.unit))}<br>{_small('given')}"


def _steps(data: CommissionData) -> str:
    body = ""
    for phase, title in PHASES.items():
        rows = []
        for one in data.steps:
            step = one.step
            if step.phase != phase:
                continue
            rows.append(
                f"<tr><td>{one.number}</td><td>{escape(step.do)}<br>"
                f'<span class="key">{escape(step.key)}</span></td>'
                f'<td>{_expected(one)}</td><td class="b">{_measured(one)}</td>'
                f"<td>{_status(one.status)}<br>{_small(one.text)}</td>"
                f"<td>{escape(step.stop)}</td><td>{escape(step.then)}</td></tr>"
            )
        head = ("", "do", "expected", "measured", "verdict", "stop when", "next")
        body += f"<h3>{escape(title)}</h3>" + _table(head, rows)
    done = sum(1 for one in data.steps if one.status == "pass")
    how = (
        f"{done} of {len(data.steps)} steps pass. In this order: fingers, then air, then fuel. "
        "Nothing is judged before every step above it is filled and passes. A failed step stops "
        "the work: mend, and begin that phase again."
    )
    signed = _sentences(["Filled in by: ____________________   Date: ____________"])
    return _section("The list", how, body + signed, name="list")


def commission_page(data: CommissionData) -> str:
    """Render the sheet as one HTML page that prints.

    Parameters
    ----------
    data : CommissionData
        What to show.

    Returns
    -------
    str
        The page: nothing to fetch, no scripts. The same data give the same text.
    """
    title = f"{data.car_name}: commissioning sheet"
    bench = f'<p class="bench">{escape(BENCH_ONLY)}</p>' if data.bench_only else ""
    hurt = "\n".join(
        f'<p class="note"><b>{escape(c.topic)}.</b> {escape(c.text)}</p>' for c in CAUTIONS
    )
    body = "\n".join(
        part
        for part in (
            _section(
                "What can hurt, and what to do first?",
                "Engine off, fuel and spark disabled, emergency stop in hand. Read these before "
                "anyone powers the plate.",
                hurt,
                name="hurt",
            ),
            _gate(data),
            _parts(data),
            _steps(data),
            reaction_section(data.reactions),
            _limp(data),
            _section("Notes", "", _sentences(data.notes)) if data.notes else "",
        )
        if part
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title>\n<style>\n{_STYLE}{_MARKS}\n</style></head>\n"
        f"<body><header><h1>{escape(title)}</h1>{bench}"
        f'<p class="sub">Use: {escape(data.use)}</p></header>\n<main>\n{body}\n</main>\n'
        f"<footer>Throttlewright. {escape(NO_CERTIFICATE)}"
        f"{' ' + escape(BENCH_ONLY) + '.' if data.bench_only else ''}</footer></body></html>\n"
    )
