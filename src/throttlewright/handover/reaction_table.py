"""The fault-reaction table of a calibration as a section of a page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from throttlewright.calibration.reactions import (
    ACTION_TEXT,
    DETECTION_TEXT,
    DETECTION_UNIT,
    Reaction,
)

__all__ = ["RECOVERY_TEXT", "reaction_section"]

RECOVERY_TEXT = {
    "self": "by itself, once the fault has gone",
    "release": "released pedal, once the fault has gone; then by degrees",
    "key": "key off and on",
}
_HEAD = ("fault", "detection", "limit", "time", "reaction", "recovery", "source")


def _row(reaction: Reaction) -> str:
    limit = f"{reaction.limit:g} {DETECTION_UNIT[reaction.detection]}".strip()
    cells = (
        f"<b>{escape(reaction.fault)}</b><br>{escape(reaction.text)}",
        escape(DETECTION_TEXT[reaction.detection]),
        escape(limit if DETECTION_UNIT[reaction.detection] else ""),
        escape(f"{reaction.time_s:g} s"),
        escape(ACTION_TEXT[reaction.reaction]),
        escape(RECOVERY_TEXT[reaction.recovery]),
        escape(reaction.source),
    )
    return "<tr>" + "".join(f'<td class="t">{cell}</td>' for cell in cells) + "</tr>"


def reaction_section(reactions: Sequence[Reaction]) -> str:
    """Render fault, detection, limit, time, reaction, recovery and source of each row.

    Parameters
    ----------
    reactions : sequence of Reaction
        Of a calibration, in order of rank.

    Returns
    -------
    str
        A section of a page; empty without reactions.
    """
    if not reactions:
        return ""
    heads = "".join(f'<th class="t">{head}</th>' for head in _HEAD)
    rows = "\n".join(_row(reaction) for reaction in reactions)
    return (
        "<section><h2>What does the controller do about a fault?</h2>"
        '<p class="sub">In order of rank. A counter goes up while a fault shows and down at half '
        "the speed. Never widen a limit or stretch a time to make a fault go away; write down who "
        "changed what.</p>\n"
        f'<div class="wide"><table><thead><tr>{heads}</tr></thead>\n<tbody>{rows}</tbody></table>'
        "</div></section>"
    )
