"""The judgements of the sensors' set-up: of the sweep, and of the rule books."""

from __future__ import annotations

import math
from collections.abc import Sequence

from throttlewright.calibration.reactions import Reaction
from throttlewright.design.plausibility import Plausibility
from throttlewright.design.track_pair import Pair, RangeLimit, pair_clauses
from throttlewright.logs.sweep import Sweep
from throttlewright.prove.rulebook import RuleBook, judge_book, load_book
from throttlewright.workshop.sensor_models import CheckLine, Status

__all__ = ["TOPOLOGY_TEXT", "book_checks", "sweep_checks", "sweep_notes"]

TOPOLOGY_TEXT = {
    "half": "one track is a fixed share of the other; a lost supply moves both alike",
    "offset": "parallel with a step between; a lifted ground moves both alike",
    "mirror": "their sum is constant; shorted together they may settle at half travel and agree",
    "opposite": "they run opposite ways, and their sum is not constant",
    "unlike": "same direction, neither parallel nor a fixed share",
    "identical": "alike",
}


def sweep_checks(sweep: Sweep, found_s: float) -> list[CheckLine]:
    """Return the judgements of a sweep; what it is too slow for is not proven."""

    def line(name: str, status: Status, text: str) -> CheckLine:
        return CheckLine(name=name, status=status, text=text)

    slow = sweep.too_slow(found_s)
    checks = [line("full travel", "pass" if sweep.full_recorded else "not_proven", sweep.full_text)]
    if slow:
        checks.append(line("agreement of the tracks", "not_proven", slow))
        checks.append(line("dead spots", "not_proven", slow))
    else:
        checks.append(
            line(
                "agreement of the tracks",
                "pass" if sweep.error_pct < 5.0 else "fail",
                f"they differ by {sweep.error_pct:.2f} points at most, hysteresis "
                + (
                    f"{sweep.hysteresis_pct:.2f}"
                    if math.isfinite(sweep.hysteresis_pct)
                    else "not recorded: press and release"
                )
                + f", noise {sweep.noise_pct:.2f}; more than 5 points at rest leaves no room for a "
                "tolerance (tool default)",
            )
        )
        places = ", ".join(
            f"track {d.track} from {d.start_pct:.0f} to {d.end_pct:.0f} %" for d in sweep.dead_spots
        )
        checks.append(
            line(
                "dead spots",
                "fail" if sweep.dead_spots else "pass",
                places or "none; a spot dead on both tracks at once cannot be seen",
            )
        )
    if math.isnan(sweep.jump_limit_pct):
        checks.append(
            line("jumps", "not_proven", "sampling too slow for this check: 10 points in 5 ms is "
                 f"not physical, samples are {1e3 * sweep.dt_s:.0f} ms apart")
        )  # fmt: skip
    else:
        where = ", ".join(f"track {j.track} at {j.t_s:.3f} s" for j in sweep.jumps[:6])
        checks.append(
            line(
                "jumps",
                "fail" if sweep.jumps else "pass",
                f"{len(sweep.jumps)} faster than anything moves: {where}"
                if sweep.jumps
                else f"no step of more than {sweep.jump_limit_pct:.0f} points between samples",
            )
        )
    return checks


def sweep_notes(sweep: Sweep) -> list[str]:
    """Return what a sweep tells beside its judgements."""
    notes = [f"{sweep.presses} presses recorded, one sample in {1e3 * sweep.dt_s:.3g} ms"]
    if math.isfinite(sweep.skew_s):
        notes.append(
            f"in the recording track 2 was read {1e3 * sweep.skew_s:.2f} "
            f"+- {2e3 * sweep.skew_error_s:.2f} ms from track 1; that of the controller counts"
        )
    else:
        notes.append("the pedal moved too evenly to tell how far apart the tracks were read")
    return notes


def book_checks(
    books: Sequence[str], *, of: str, pair: Pair, ranges: Sequence[RangeLimit], plan: Plausibility
) -> list[CheckLine]:
    """Return what each rule book says of the comparison, its ranges and the pair itself."""
    action = {"pedal": "release_pedal", "plate": "cut"}[of]
    rows: list[Reaction] = []
    if plan.possible:
        name = f"{of}_disagree"
        rows.append(Reaction(name, name, plan.tolerance_pct, plan.time_s, action, "key", "sensors"))
    for k, limit in enumerate(ranges, 1):
        if math.isfinite(limit.margin_V):
            name = f"{of}_{k}_range"
            rows.append(Reaction(name, name, limit.margin_V, 0.1, action, "key", "sensors"))
    lines: list[CheckLine] = []
    judged = {f"{of}_disagree", f"{of}_1_range", f"{of}_2_range"}
    for name in books:
        book = load_book(name)
        rules = tuple(rule for rule in book.rules if rule.quantity in judged)
        part = RuleBook(book.name, book.title, book.edition, book.note, rules)
        for verdict in judge_book(part, reactions=rows, runs=()):
            status: Status = verdict.status
            if status == "fail" and not plan.possible and verdict.criterion.endswith("disagree"):
                status = "not_proven"
            lines.append(
                CheckLine(
                    name=verdict.criterion, status=status, text=verdict.text,
                    source=f"{verdict.source}; {verdict.edition}",
                )
            )  # fmt: skip
        for clause in pair_clauses(pair, (book.name,), pedal=of == "pedal"):
            lines.append(
                CheckLine(
                    name=f"{clause.book} {clause.clause}",
                    status="pass" if clause.passed else "fail",
                    text=f"{clause.title}: {clause.value:.3g} {clause.unit}, "
                    f"limit {clause.limit:g}",
                    source=f"{clause.source_mark}; {book.edition}",
                )
            )
        if not rules:
            lines.append(
                CheckLine(name=book.name, status="not_applicable",
                          text="asks nothing of the comparison of tracks", source=book.edition)
            )  # fmt: skip
    return lines
