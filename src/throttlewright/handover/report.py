"""The report: one self-contained page that reads and prints without scripts or a network."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from throttlewright.handover import pictures
from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.reaction_table import reaction_section
from throttlewright.handover.report_data import (
    FigureRow,
    LedgerRow,
    PlateStudyData,
    ReportData,
    ReportTable,
)
from throttlewright.handover.tables import BENCH_ONLY

__all__ = ["render_report"]

_STYLE = (
    """
:root{color-scheme:light dark;--paper:#fbfaf7;--ink:#1d2125;--mute:#5d6268;--line:#dedbd2;
--after:#0b6670;--before:#a84e24;--warn:#8a5a00}
@media screen and (prefers-color-scheme:dark){:root{--paper:#15181b;--ink:#e8e6e1;--mute:#a3a8ad;
--line:#34393e;--after:#58b7c0;--before:#e08a5c;--warn:#d9a441}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:1180px;padding:0 28px 40px;background:var(--paper);color:var(--ink);
font:15px/1.5 "Inter",system-ui,sans-serif;font-variant-numeric:tabular-nums}
header{padding:26px 0 12px;border-bottom:1px solid var(--line)}
h1{font-size:24px;font-weight:650;margin:0}
h2{font-size:18px;font-weight:650;margin:36px 0 2px;break-after:avoid}
h3{font-size:15px;font-weight:650;margin:20px 0 4px;break-after:avoid}
p{margin:4px 0;max-width:76ch}
.sub{color:var(--mute);margin:0 0 10px;break-after:avoid;break-inside:avoid}
.bench{border:2px solid var(--warn);color:var(--warn);font-weight:650;padding:6px 12px;
margin:14px 0 0;max-width:none}
.note{border-left:3px solid var(--warn);padding:1px 12px;margin:8px 0;max-width:80ch;
break-inside:avoid}
.pair{display:grid;grid-template-columns:minmax(0,1fr) auto;gap:24px;align-items:start}
.picture{background:#fbfaf7;margin:0 0 8px;max-width:820px;break-inside:avoid}
svg{display:block;width:100%;height:auto}
svg *{stroke-linejoin:round;stroke-linecap:butt}
.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:13px}
caption{text-align:left;color:var(--mute);padding-bottom:4px}
th{font-weight:550;color:var(--mute);text-align:right;vertical-align:bottom}
td,th{padding:3px 8px;white-space:nowrap}
table.open th{white-space:normal}
td{text-align:right;vertical-align:top}
tr{break-inside:avoid}
th.t,td.t{text-align:left;white-space:normal;min-width:7em}
th.k,td.k{text-align:left}
tbody tr{border-top:1px solid var(--line)}
table.heat tbody tr{border-top:0}
table.heat td{color:#1d2125;border:1px solid #fbfaf7;
-webkit-print-color-adjust:exact;print-color-adjust:exact}
.before{color:var(--before)}.after{color:var(--after);font-weight:650}
tr.car td{font-weight:650}
a{color:inherit}
footer{margin-top:40px;border-top:1px solid var(--line);padding-top:10px;color:var(--mute)}
@media (max-width:900px){.pair{grid-template-columns:minmax(0,1fr)}}
@page{size:A4;margin:14mm 12mm}
@media print{:root{--paper:#fff}body{max-width:none;padding:0;font-size:10.5pt}
.pair{display:block}.wide{overflow:visible}table{font-size:8pt}td,th{padding:1.5px 4px}
.pair table,table.heat,table.short{break-inside:avoid}.picture{background:none}h2{margin-top:22px}}
"""
).strip()

_SHOWN_FIRST = 4
_HURT = "What can hurt, and what to do first?"


def _number(value: float | None, decimals: int) -> str:
    """Number as text with a true minus sign; an en dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def _class(style: str) -> str:
    return f' class="{style}"' if style else ""


def _cells(cells: Iterable[tuple[str, str]], tag: str = "td") -> str:
    """Cells from (class, text) pairs; text is escaped."""
    return "".join(f"<{tag}{_class(style)}>{escape(text)}</{tag}>" for style, text in cells)


def _table(head: Iterable[tuple[str, str]], rows: Iterable[str], style: str = "") -> str:
    return (
        f'<div class="wide"><table{_class(style)}>'
        f"<thead><tr>{_cells(head, 'th')}</tr></thead>\n<tbody>"
        + "\n".join(rows)
        + "</tbody></table></div>"
    )


def _section(title: str, how: str, body: str, *, name: str = "") -> str:
    mark = f' id="{name}"' if name else ""
    line = f'<p class="sub">{escape(how)}</p>' if how else ""
    return f"<section{mark}><h2>{escape(title)}</h2>{line}\n{body}</section>"


def _sentences(texts: Iterable[str], style: str = "") -> str:
    return "\n".join(f"<p{_class(style)}>{escape(text)}</p>" for text in texts)


def _picture(svg: str) -> str:
    return f'<figure class="picture">{svg}</figure>'


def _cautions(data: ReportData) -> str:
    always = "\n".join(
        f'<p class="note"><b>{escape(item.topic)}.</b> {escape(item.text)}</p>' for item in CAUTIONS
    )
    return _section(
        _HURT,
        "Read these before anyone powers the plate.",
        _sentences(data.cautions, "note")
        + always
        + f'\n<p class="note"><b>{escape(NO_CERTIFICATE)}</b></p>',
        name="hurt",
    )


def _fan(data: ReportData) -> str:
    fan = data.fan
    banded = fan.low is not None
    how = (
        f"Solid: {fan.name_after}"
        + (", with the band that the assumed numbers leave" if banded else "")
        + f". Dashed: {fan.name_before}. Boost state: {fan.boost_state}. "
        "The nearer to straight, the more evenly the engine answers."
    )
    body = _picture(pictures.fan_picture(fan))
    if data.figures:
        body = f'<div class="pair">{body}<div>{_figures(data)}</div></div>'
    return _section("How does torque follow the pedal?", how, body)


def _other_fan(data: ReportData) -> str:
    fan = data.other_fan
    if fan is None:
        return ""
    title = (
        "And once boost has settled?"
        if fan.boost_state == "settled"
        else "And before any boost has come?"
    )
    return _section(
        title,
        f"The same maps. Solid: {fan.name_after}. Dashed: {fan.name_before}. Boost state: "
        f"{fan.boost_state}. No plate map is even in two boost states at once.",
        _picture(pictures.fan_picture(fan, name=f"fan-{fan.boost_state}")),
    )


def _free_rev(data: ReportData) -> str:
    if not data.free_rev:
        return ""
    head = [
        ("", "asked span / % of pedal"),
        ("", "reached span / % of pedal"),
        ("", "largest gain over mean, 1500 to 4000 rpm"),
        ("", "the same, all speeds"),
        ("", "worst at / rpm"),
    ]
    lines = (
        "<tr>"
        + _cells(
            [
                ("", _number(row.asked_pct, 1)),
                ("", _number(row.reached_pct, 1)),
                ("", _number(row.worst_gain_to_4000, 2)),
                ("", _number(row.worst_gain, 2)),
                ("", _number(row.worst_rpm, 0)),
            ]
        )
        + "</tr>"
        for row in data.free_rev
    )
    return _section(
        "What does more free-rev span cost?",
        "Span: pedal between 1500 and 4000 rpm in neutral. Speeds from 1500 rpm up, boost state "
        f"{data.fan.boost_state}, pedal in steps of 1 %. A gain of 1 is perfectly even.",
        _table(head, lines, "open short"),
    )


def _figures(data: ReportData) -> str:
    names = list(dict.fromkeys(name for row in data.figures for name in row.values))
    styles = {data.fan.name_before: "before", data.fan.name_after: "after"}

    def line(row: FigureRow) -> str:
        cells = [("k", row.name)]
        for name in names:
            text = _number(row.values.get(name), row.decimals)
            text += f" {row.unit}" if row.unit and text != "–" else ""
            cells.append((styles.get(name, ""), text))
        return f"<tr>{_cells(cells)}</tr>"

    head = [("k", "figure"), *((styles.get(name, ""), name) for name in names)]
    return _table(head, (line(row) for row in data.figures))


def _heat(table: ReportTable) -> str:
    values = np.atleast_2d(table.values)
    low, span = float(np.nanmin(values)), float(np.ptp(values[np.isfinite(values)]))
    across = [f"{x:g}" for x in table.x.values]
    corner = "" if table.y is None else f"{table.y.name} / {table.y.unit}"
    head = [("", corner), *(("", text) for text in across)]
    lines = []
    for k, row in enumerate(values):
        name = "" if table.y is None else f"{table.y.values[k]:g}"
        cells = []
        for value in row:
            share = (float(value) - low) / span if span > 0.0 and math.isfinite(value) else 0.0
            cells.append(
                f'<td style="background:{pictures.shade(share)}">'
                f"{escape(_number(float(value), table.decimals))}</td>"
            )
        lines.append(f"<tr>{_cells([('', name)], 'th')}{''.join(cells)}</tr>")
    return _table(head, lines, "heat")


def _heat_section(table: ReportTable, index: int) -> str:
    how = f"{table.x.name} / {table.x.unit} across"
    if table.y is not None:
        how += f", {table.y.name} / {table.y.unit} down"
    how += "; darker is more." + (f" {table.note}" if table.note else "")
    body = _heat(table)
    # a target that is the same everywhere needs no picture
    if table.kind == "boost" and table.x.values.size > 1 and np.ptp(table.values) > 0.0:
        svg = pictures.boost_picture(table, name=f"boost{index}")
        title = f"<h3>{escape(table.title)} / {escape(table.unit)}</h3>"
        return _section(
            "How much boost goes with each pedal position?", how, _picture(svg) + title + body
        )
    return _section(f"{table.title} / {table.unit}" if table.unit else table.title, how, body)


def _response(data: ReportData) -> str:
    if data.response is None:
        return ""
    return _section(
        "How long until the torque is there?",
        f"The pedal moves at 0 s and is held; engine speed {data.response.rpm:.0f} rpm. One curve "
        "for each pedal position, points where it was computed.",
        _picture(pictures.response_picture(data.response)),
    )


def _plates(study: PlateStudyData) -> str:
    head = [
        ("", "bore / mm"),
        ("", "plates"),
        ("", "power lost / %"),
        ("", "air speed / m/s"),
        ("", "90 % torque, low / %"),
        ("", "middle / %"),
        ("", "rated / %"),
        ("", "idle per 0.1° / %"),
        ("", "leak of idle / %"),
        ("k", "idles"),
        ("", "unpowered / rpm"),
        ("", "unpowered / km/h"),
    ]
    lines = []
    for row in study.rows:
        numbers = [
            (row.power_loss_pct, 2),
            (row.velocity_m_s, 0),
            (row.pct_for_90_low, 0),
            (row.pct_for_90_mid, 0),
            (row.pct_for_90_rated, 0),
            (row.idle_step_pct, 1),
            (row.leak_pct, 0),
        ]
        cells = [("", f"{row.bore_mm:g}"), ("", f"{row.count}")]
        cells += [("", _number(value, decimals)) for value, decimals in numbers]
        cells += [
            ("k", "yes" if row.can_idle else "no"),
            ("", _number(row.default_rpm, 0)),
            ("", _number(row.default_km_h, 0)),
        ]
        lines.append(f"<tr{_class('car' if row.is_car else '')}>{_cells(cells)}</tr>")
    return _section(
        "Which plate size suits this engine?",
        "A larger bore loses less power but gives more air for each tenth of a degree at idle. "
        "Cross: cannot idle on the plate. Ring and bold row: this car.",
        _sentences(study.recommendation)
        + _picture(pictures.plate_picture(study))
        + _table(head, lines, "open"),
    )


def _surface(data: ReportData) -> str:
    if data.surface is None:
        return ""
    return _section(
        "Where does the plate still have a say?",
        "Lines of equal torque / N m; darker is more. Above the dashed line the plate moves less "
        f"than the last 3 % of torque. Boost state: {data.surface.boost_state}.",
        _picture(pictures.surface_picture(data.surface)),
    )


def _knock_on(data: ReportData) -> str:
    if not data.knock_on:
        return ""
    rows = (
        f"<tr>{_cells([('t', row.what), ('t', row.why), ('t', row.do)])}</tr>"
        for row in data.knock_on
    )
    return _section(
        "What else does this change?",
        "Go through these before the engine runs on the new map.",
        _table([("t", "what"), ("t", "why"), ("t", "what to do")], rows),
    )


def _weight(row: LedgerRow) -> float:
    effects = [*row.effects_pct, row.idle_effect_pct]
    return max((abs(e) for e in effects if e is not None and math.isfinite(e)), default=0.0)


def _surer(rows: Sequence[LedgerRow]) -> str:
    """The assumed numbers that matter most, each with its measurement."""
    open_rows = [row for row in rows if row.origin == "assumed" and row.measure and _weight(row)]
    ranked = sorted(open_rows, key=lambda row: (-_weight(row), row.key))[:_SHOWN_FIRST]
    if not ranked:
        return ""
    items = []
    for row in ranked:
        places = [*zip(("10 % pedal", "20 % pedal", "50 % pedal"), row.effects_pct, strict=True)]
        known = [(name, e) for name, e in places if e is not None and math.isfinite(e)]
        known += [("idle", row.idle_effect_pct)] if row.idle_effect_pct is not None else []
        place, effect = max(known, key=lambda pair: abs(pair[1]))
        items.append(
            f"{row.key} ({row.value}) is assumed and moves "
            f"{'idle air' if place == 'idle' else f'torque at {place}'} by "
            f"{_number(abs(effect), 1)} %. To fix it: {row.measure}"
            + ("" if row.measure.endswith(".") else ".")
        )
    return "<h3>What would make this surer?</h3>\n" + _sentences(items)


def _ledger(data: ReportData) -> str:
    if not data.ledger:
        return ""
    head = [
        ("t", "number"),
        ("k", "value"),
        ("k", "origin"),
        ("t", "source"),
        ("", "10 % pedal"),
        ("", "20 %"),
        ("", "50 %"),
        ("", "idle"),
        ("t", "measure"),
    ]
    lines = []
    for row in data.ledger:
        cells = [("t", row.key), ("k", row.value), ("k", row.origin), ("t", row.source)]
        cells += [("", _number(effect, 1)) for effect in (*row.effects_pct, row.idle_effect_pct)]
        lines.append(f"<tr>{_cells([*cells, ('t', row.measure)])}</tr>")
    how = "Effect / % of each number's own uncertainty on torque at 10, 20, 50 % pedal and on idle."
    return _section(
        "What do these figures rest on?",
        data.ledger_note or how,
        _surer(data.ledger) + "<h3>Every number</h3>" + _table(head, lines),
    )


def render_report(data: ReportData) -> str:
    """Render a report as one HTML page.

    Parameters
    ----------
    data : ReportData
        What to show.

    Returns
    -------
    str
        The page: styles and pictures inside it, nothing to fetch, no scripts. The same data give
        the same text.
    """
    who = " · ".join(part for part in (data.car_name, f"use: {data.use}", data.date) if part)
    bench = f'<p class="bench">{escape(BENCH_ONLY)}</p>' if data.bench_only else ""
    parts = [
        _section("What was asked, and what came of it?", "", _sentences(data.summary))
        if data.summary
        else "",
        _fan(data),
        _other_fan(data),
        _free_rev(data),
        *(_heat_section(table, index) for index, table in enumerate(data.tables)),
        _response(data),
        _cautions(data),
        _knock_on(data),
        reaction_section(data.reactions),
        _plates(data.plate_study) if data.plate_study is not None else "",
        _surface(data),
        _ledger(data),
        _section("What do these figures promise?", "", _sentences([data.claim]))
        if data.claim
        else "",
        _section(
            "Sources",
            "",
            "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in data.sources) + "</ul>",
        )
        if data.sources
        else "",
    ]
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(data.title)}</title>\n<style>\n{_STYLE}\n</style></head>\n"
        f'<body><header><h1>{escape(data.title)}</h1><p class="sub">{escape(who)}</p>{bench}'
        f'<p class="note">Before anyone powers the plate, read '
        f'<a href="#hurt">{escape(_HURT)}</a></p>'
        f"</header>\n<main>\n{body}\n</main>\n"
        f"<footer>Throttlewright. {escape(NO_CERTIFICATE)}"
        f"{' ' + escape(BENCH_ONLY) + '.' if data.bench_only else ''}</footer></body></html>\n"
    )
