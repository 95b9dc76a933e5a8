"""Rule books as data, judged from runs and from what a calibration says it does."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any, Protocol

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.prove.criteria import CRITERIA
from throttlewright.prove.run import Run
from throttlewright.prove.verdict import Status, Verdict, worst_status

__all__ = [
    "BookInfo",
    "ReactionRow",
    "Rule",
    "RuleBook",
    "judge_book",
    "list_books",
    "load_book",
    "parse_book",
]

_JUDGES = ("run", "reaction", "reaction_if_present", "present", "car")
_NEEDED = (
    "id", "clause", "title", "judge", "quantity", "limit", "unit", "time_s", "source_mark",
)  # fmt: skip
_OPTIONAL = ("actions", "faults")


class ReactionRow(Protocol):
    """What a rule reads of a reaction of a calibration."""

    @property
    def detection(self) -> str:
        """Name of what is watched."""

    @property
    def limit(self) -> float:
        """Where it begins, in the unit of the detection."""

    @property
    def time_s(self) -> float:
        """How long until it is believed."""

    @property
    def reaction(self) -> str:
        """Name of what follows."""


@dataclass(frozen=True)
class Rule:
    """One clause of a rule book.

    Parameters
    ----------
    id, clause, title : str
        Name, number in the book, one line.
    judge : {"run", "reaction", "reaction_if_present", "present", "car"}
        From runs (``quantity`` names a criterion), from the calibration's reactions (``quantity``
        names a detection), or to be shown on the car.
    quantity : str
        See ``judge``.
    limit : float [unit]
        Most that is allowed.
    unit : str
        Unit of the limit.
    time_s : float [s]
        Most time until the reaction, or most time of a run's figure.
    source_mark : str
        How the clause is known.
    actions : tuple of str
        Reactions that satisfy the clause.
    faults : tuple of str
        Faults that the clause speaks of, ``""`` for none; empty for all.
    """

    id: str
    clause: str
    title: str
    judge: str
    quantity: str
    limit: float
    unit: str
    time_s: float
    source_mark: str
    actions: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
class BookInfo:
    """A shipped rule book: its name, title and edition."""

    name: str
    title: str
    edition: str


@dataclass(frozen=True)
class RuleBook:
    """A rule book with its edition.

    Parameters
    ----------
    name, title, edition, note : str
        As shipped.
    rules : tuple of Rule
        Clauses.
    """

    name: str
    title: str
    edition: str
    note: str
    rules: tuple[Rule, ...]


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


@cache
def _books() -> dict[str, RuleBook]:
    folder = files("throttlewright.prove").joinpath("rules")
    names = sorted(
        item.name
        for item in folder.iterdir()
        if item.name.endswith(".toml") and item.name != "criteria.toml"
    )
    found = [
        parse_book(folder.joinpath(name).read_text(encoding="utf-8"), file=name) for name in names
    ]
    return {_plain(book.name): book for book in found}


def parse_book(text: str, *, file: str) -> RuleBook:
    """Return the rule book in a text.

    Raises
    ------
    InputError
        If a key is missing, unknown or empty, or a rule names a criterion that is not there.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"cannot be read ({error})", file=file) from None
    book, rows = data.get("book", {}), data.get("rule", [])
    for key in ("name", "title", "edition", "note"):
        if not str(book.get(key, "")).strip():
            raise InputError("must not be missing or empty", file=file, key=f"book, {key}")
    rules: list[Rule] = []
    for number, row in enumerate(rows, start=1):
        where = f"rule {number} {row.get('id', '')}".strip()
        for key in row:
            if key not in (*_NEEDED, *_OPTIONAL):
                raise InputError("is not a key of a rule", file=file, key=where, value=key)
        for key in _NEEDED:
            if key not in row or (key != "unit" and str(row[key]).strip() == ""):
                raise InputError("must not be missing or empty", file=file, key=f"{where}, {key}")
        if row["judge"] not in _JUDGES:
            raise InputError(
                "is no way to judge",
                file=file,
                key=where,
                value=row["judge"],
                allowed=", ".join(_JUDGES),
            )
        if row["judge"] == "run" and row["quantity"] not in CRITERIA:
            raise InputError("names no criterion", file=file, key=where, value=row["quantity"])
        fixed = {**row, "limit": float(row["limit"]), "time_s": float(row["time_s"])}
        for key in _OPTIONAL:
            fixed[key] = tuple(row.get(key, ()))
        rules.append(Rule(**fixed))
    if not rules or len({rule.id for rule in rules}) < len(rules):
        raise InputError("needs rules, each with its own id", file=file)
    return RuleBook(book["name"], book["title"], book["edition"], book["note"], tuple(rules))


def list_books() -> tuple[BookInfo, ...]:
    """Return the shipped rule books by name."""
    return tuple(BookInfo(b.name, b.title, b.edition) for b in _books().values())


def load_book(name: str) -> RuleBook:
    """Return a rule book by its name; capitals, blanks and signs do not matter.

    Raises
    ------
    InputError
        If there is no such book.
    """
    books = _books()
    if _plain(name) not in books:
        known = [book.name for book in books.values()]
        close = nearest(name, known)
        raise InputError(
            "there is no such rule book",
            key="rules, books",
            value=name,
            allowed=", ".join(known),
            advice=f"did you mean {close!r}?" if close else None,
        )
    return books[_plain(name)]


def judge_book(
    book: RuleBook, *, reactions: Sequence[ReactionRow], runs: Iterable[Run]
) -> tuple[Verdict, ...]:
    """Return one verdict for each clause of a rule book.

    Parameters
    ----------
    book : RuleBook
        Clauses.
    reactions : sequence of ReactionRow
        Reactions of the calibration.
    runs : iterable of Run
        What was driven.

    Returns
    -------
    tuple of Verdict
        In the order of the book. A clause that is judged from runs takes the worst of them and is
        not proven when none shows it; one to be shown on the car is not applicable.
    """
    driven = tuple(runs)
    return tuple(_judge(book, rule, reactions, driven) for rule in book.rules)


def _verdict(
    book: RuleBook, rule: Rule, status: Status, value: float, text: str, limit: float | None = None
) -> Verdict:
    return Verdict(
        criterion=f"{_plain(book.name)}.{rule.id}",
        status=status,
        value=value,
        limit=rule.limit if limit is None else limit,
        unit=rule.unit,
        source=f"{book.name} {rule.clause}, {rule.source_mark}",
        edition=book.edition,
        text=f"{rule.title}: {text}",
    )


def _judge(
    book: RuleBook, rule: Rule, reactions: Sequence[ReactionRow], runs: tuple[Run, ...]
) -> Verdict:
    if rule.judge == "car":
        return _verdict(book, rule, "not_applicable", math.nan, "to be shown on the car itself")
    if rule.judge == "run":
        return _judge_runs(book, rule, runs)
    rows = [row for row in reactions if row.detection == rule.quantity]
    fitting = [row for row in rows if row.reaction in rule.actions]
    if not fitting:
        if not rows and rule.judge == "reaction_if_present":
            return _verdict(
                book, rule, "not_applicable", math.nan, f"no row watches {rule.quantity}"
            )
        did = ", ".join(sorted({row.reaction for row in rows}))
        text = f"its rows only do {did}" if rows else f"no row watches {rule.quantity}"
        return replace(_verdict(book, rule, "fail", 0.0, text, 1.0), unit="rows")
    return min((_judge_row(book, rule, row) for row in fitting), key=lambda v: v.status != "pass")


def _judge_row(book: RuleBook, rule: Rule, row: ReactionRow) -> Verdict:
    # A present rule asks for a detection in time; where it begins is the sensor's own matter.
    if rule.judge != "present" and row.limit > rule.limit:
        text = f"{row.reaction} begins at {row.limit:g} {rule.unit}, at most {rule.limit:g}"
        return _verdict(book, rule, "fail", row.limit, text)
    # A silence is first waited for and then believed: both times pass before anything happens.
    after = row.time_s + (row.limit if rule.unit == "s" else 0.0)
    if after > rule.time_s:
        text = f"{row.reaction} after {after:g} s, at most {rule.time_s:g} s"
        late = _verdict(book, rule, "fail", after, text, rule.time_s)
        return replace(late, unit="s")
    if rule.judge == "present":
        text = f"{row.reaction} after {row.time_s:g} s"
        return replace(_verdict(book, rule, "pass", row.time_s, text, rule.time_s), unit="s")
    text = f"{row.reaction} at {row.limit:g} {rule.unit} after {row.time_s:g} s"
    return _verdict(book, rule, "pass", row.limit, text)


def _judge_runs(book: RuleBook, rule: Rule, runs: tuple[Run, ...]) -> Verdict:
    judge = CRITERIA[rule.quantity]
    meant = [run for run in runs if not rule.faults or run.fault in rule.faults]
    found = [v for v in (judge.judge(run) for run in meant) if v.status != "not_applicable"]
    if not found:
        return _verdict(book, rule, "not_proven", math.nan, "no run shows it")
    missing = [fault for fault in rule.faults if fault not in {v.fault for v in found}]
    if missing and worst_status(found) == "pass":
        text = f"no run shows it with {', '.join(missing)}"
        return _verdict(book, rule, "not_proven", math.nan, text)
    status = worst_status(found)
    # Of those that decide, the one furthest on the wrong side stands for the rest.
    of_status = [v for v in found if v.status == status]
    worst = max(of_status, key=lambda v: v.value - v.limit if math.isfinite(v.value) else -math.inf)
    text = f"{worst.text} ({len(found)} runs)"
    verdict = _verdict(book, rule, status, worst.value, text, worst.limit)
    return replace(verdict, scenario=worst.scenario, fault=worst.fault)
