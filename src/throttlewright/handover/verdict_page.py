"""The page of a proof: what was judged, with the figure, the limit and the limit's source."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.report import _STYLE, _number, _section, _sentences
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.prove.verdict import Verdict

__all__ = ["FaultLine", "VerdictData", "verdict_page"]

_MARKS = """
.s{font-weight:650;white-space:nowrap}
.s-pass{color:var(--after)}.s-fail{color:var(--bad)}.s-open{color:var(--warn)}
.s-off{color:var(--mute);font-weight:400}
:root{--bad:#a1282c}
@media screen and (prefers-color-scheme:dark){:root{--bad:#ee7f80}}
table.verdicts td{text-align:left;white-space:normal;vertical-align:top}
table.verdicts td.n{text-align:right;white-space:nowrap}
table.verdicts th{text-align:left}table.verdicts th.n{text-align:right}
.small{color:var(--mute);font-size:12px}
summary{cursor:pointer;color:var(--mute);margin:6px 0}
"""

_WORDS = {
    "pass": ("s s-pass", "✓ pass"),
    "fail": ("s s-fail", "✗ fail"),
    "not_proven": ("s s-open", "? not proven"),
    "not_applicable": ("s s-off", "– not applicable"),
}
_NEEDS = {
    "needed": ("s s-pass", "✓ reaction needed"),
    "not needed here": ("s s-off", "– not needed here"),
    "not shown": ("s s-open", "? not shown"),
}
_FIRST = {"fail": 0, "not_proven": 1, "pass": 2, "not_applicable": 3}


@dataclass(frozen=True)
class FaultLine:
    """One fault: what happens, what came of it, and whether the reaction was what saved it.

    Parameters
    ----------
    fault, text, scenario : str
        Kind, what happens, what was driven.
    with_reactions, without_reactions : str
        Status of the whole.
    need : str
        ``needed``, ``not needed here`` or ``not shown``.
    worst_with, worst_without : str
        Sentence of the verdict that decides.
    goes_wrong : str
        What is expected without the reaction.
    """

    fault: str
    text: str
    scenario: str
    with_reactions: str
    without_reactions: str
    need: str
    worst_with: str
    worst_without: str
    goes_wrong: str


@dataclass(frozen=True)
class VerdictData:
    """What the page shows.

    Parameters
    ----------
    car_name, status : str
        Car, and status of the whole.
    runs : int
        Runs simulated.
    healthy, books : tuple of Verdict
        Verdicts on the healthy car and on the clauses of rule books.
    faults : tuple of FaultLine
        One for each fault.
    notes : tuple of str
        Sentences for the reader.
    bench_only : bool
        Whether the calibration may not leave the bench.
    """

    car_name: str
    status: str
    runs: int
    healthy: tuple[Verdict, ...] = ()
    faults: tuple[FaultLine, ...] = ()
    books: tuple[Verdict, ...] = ()
    notes: tuple[str, ...] = field(default=())
    bench_only: bool = True


def _status(word: str) -> str:
    style, text = _WORDS[word]
    return f'<span class="{style}">{escape(text)}</span>'


def _figure(value: float, unit: str) -> str:
    text = _number(value, 3 if abs(value) < 10.0 else 1)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text if text == "–" or not unit else f"{text} {unit}"


def _source(verdict: Verdict) -> str:
    edition = f" ({verdict.edition})" if verdict.edition else ""
    return f'<span class="small">{escape(verdict.source + edition)}</span>'


def _verdicts(verdicts: Sequence[Verdict], *, where: bool = True) -> str:
    rows = []
    for v in sorted(verdicts, key=lambda one: _FIRST[one.status]):
        place = f"<td>{escape(v.scenario)}</td>" if where else ""
        rows.append(
            f"<tr><td>{_status(v.status)}</td>{place}<td>{escape(v.text)}</td>"
            f'<td class="n">{escape(_figure(v.value, v.unit))}</td>'
            f'<td class="n">{escape(_figure(v.limit, v.unit))}</td><td>{_source(v)}</td></tr>'
        )
    place = "<th>scenario</th>" if where else ""
    return (
        f'<div class="wide"><table class="verdicts"><thead><tr><th>verdict</th>{place}'
        '<th>what was found</th><th class="n">figure</th><th class="n">limit</th>'
        "<th>where the limit comes from</th></tr></thead>\n<tbody>"
        + "\n".join(rows)
        + "</tbody></table></div>"
    )


def _counts(words: Sequence[str]) -> str:
    count = Counter(words)
    names = {"not_proven": "not proven", "not_applicable": "not applicable"}
    return ", ".join(f"{count[w]} {names.get(w, w)}" for w in _FIRST if count[w])


def _healthy(data: VerdictData) -> str:
    if not data.healthy:
        return ""
    judged = [v for v in data.healthy if v.status != "not_applicable"]
    bad = [v for v in judged if v.status != "pass"]
    good = [v for v in judged if v.status == "pass"]
    body = _verdicts(bad) if bad else ""
    if good:
        body += (
            f"<details{'' if bad else ' open'}><summary>{len(good)} that pass</summary>"
            f"{_verdicts(good)}</details>"
        )
    left = len(data.healthy) - len(judged)
    how = f"Nothing is broken: {_counts([v.status for v in judged])}."
    how += f" {left} more do not apply to their run." if left else ""
    return _section("Does the healthy car do what it should?", how, body, name="healthy")


def _matrix(data: VerdictData) -> str:
    if not data.faults:
        return ""
    rows = []
    order = {"needed": 1, "not shown": 0, "not needed here": 2}
    lines = sorted(data.faults, key=lambda f: (_FIRST[f.with_reactions], order[f.need]))
    for line in lines:
        style, text = _NEEDS[line.need]
        rows.append(
            f"<tr><td><b>{escape(line.fault)}</b><br>"
            f'<span class="small">{escape(line.text)}; in {escape(line.scenario)}</span></td>'
            f"<td>{_status(line.with_reactions)}<br>"
            f'<span class="small">{escape(line.worst_with)}</span></td>'
            f"<td>{_status(line.without_reactions)}<br>"
            f'<span class="small">{escape(line.worst_without)}</span></td>'
            f'<td><span class="{style}">{escape(text)}</span><br>'
            f'<span class="small">{escape(line.goes_wrong)}</span></td></tr>'
        )
    table = (
        '<div class="wide"><table class="verdicts"><thead><tr><th>fault</th>'
        "<th>with its reactions</th><th>all reactions switched off</th>"
        "<th>was the reaction needed?</th></tr></thead>\n<tbody>"
        + "\n".join(rows)
        + "</tbody></table></div>"
    )
    count = Counter(line.need for line in data.faults)
    how = (
        f"{len(data.faults)} faults, one after another: {count['needed']} would hurt without "
        f"their reaction, {count['not needed here']} stay harmless in what was driven even without "
        f"it, {count['not shown']} are open. The second column must fail to show that the first "
        "passes because of the reaction; it does not count against the car."
    )
    return _section("What happens when something breaks?", how, table, name="faults")


def _books(data: VerdictData) -> str:
    if not data.books:
        return ""
    how = f"{_counts([v.status for v in data.books])}. Read the book of your event and its year."
    return _section("What do the rule books say?", how, _verdicts(data.books, where=False))


def verdict_page(data: VerdictData) -> str:
    """Render a proof as one HTML page.

    Parameters
    ----------
    data : VerdictData
        What to show.

    Returns
    -------
    str
        The page: nothing to fetch, no scripts. The same data give the same text.
    """
    title = f"{data.car_name}: proof of the calibration"
    bench = f'<p class="bench">{escape(BENCH_ONLY)}</p>' if data.bench_only else ""
    said = {
        "pass": "Everything that was judged passes.",
        "fail": "At least one verdict fails: it stands first in its table.",
        "not_proven": "Nothing fails, but not everything could be told.",
    }[data.status]
    summary = f'<p style="font-size:17px">{_status(data.status)} · {escape(said)}</p>' + _sentences(
        [f"{data.runs} simulated runs, no car was driven.", *data.notes]
    )
    hurt = "\n".join(
        f'<p class="note"><b>{escape(c.topic)}.</b> {escape(c.text)}</p>' for c in CAUTIONS
    )
    body = "\n".join(
        part
        for part in (
            _section("What came of it?", "", summary),
            _matrix(data),
            _healthy(data),
            _books(data),
            _section(
                "What can hurt, and what to do first?",
                "A simulation has passed or failed here, not a car. Read these before anyone "
                "powers the plate.",
                hurt,
                name="hurt",
            ),
        )
        if part
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
