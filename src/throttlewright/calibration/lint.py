"""Lint of a whole calibration: rules from one registry, each finding with place and remedy."""

from __future__ import annotations

from throttlewright.calibration.calibration import Calibration
from throttlewright.calibration.lint_pairs import PAIR_RULES
from throttlewright.calibration.lint_parts import Finding, Known, Rule
from throttlewright.calibration.lint_rows import ROW_RULES
from throttlewright.calibration.lint_tables import TABLE_RULES

__all__ = ["RULES", "Finding", "Known", "Rule", "lint_calibration"]

RULES: tuple[Rule, ...] = (*TABLE_RULES, *ROW_RULES, *PAIR_RULES)
"""Every rule. A new one is a function and one line in its list."""

_RANK = {"error": 0, "warning": 1, "note": 2}


def lint_calibration(calibration: Calibration, known: Known | None = None) -> tuple[Finding, ...]:
    """Search a calibration by all rules.

    Parameters
    ----------
    calibration : Calibration
        Designed here or pasted; its tables may be all there is.
    known : Known, optional
        What is known of the car.

    Returns
    -------
    tuple of Finding
        Errors first, then warnings, then notes; within these in the order of the rules.

    Notes
    -----
    The bounds of the rules say their source beside them; most are common practice without one.
    """
    car = Known() if known is None else known
    found = [finding for rule in RULES for finding in rule.find(calibration, car)]
    return tuple(sorted(found, key=lambda finding: _RANK[finding.severity]))
