"""Judging figures of all roles, by name: the lists of the area files joined."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from throttlewright.foundation.errors import InputError, nearest
from throttlewright.prove import (
    figures_anti_lag,
    figures_boost,
    figures_cold,
    figures_idle,
    figures_launch,
    figures_monitor,
    figures_overboost,
    figures_reduction,
    figures_shaping,
    figures_shift,
    figures_speed,
    figures_traction,
)
from throttlewright.prove.role_figure import RoleFigure

__all__ = ["ROLE_FIGURES", "joined", "role_figure"]


def joined(lists: Iterable[Mapping[str, RoleFigure]]) -> dict[str, RoleFigure]:
    """Join lists of figures.

    Parameters
    ----------
    lists : iterable of mapping of str to RoleFigure
        One for each area.

    Returns
    -------
    dict of str to RoleFigure
        All of them.

    Raises
    ------
    InputError
        If two areas use one name.
    """
    found: dict[str, RoleFigure] = {}
    for figures in lists:
        for name, figure in figures.items():
            if name in found:
                raise InputError("the name is used by two figures", key=f"figure {name}")
            found[name] = figure
    return found


ROLE_FIGURES: dict[str, RoleFigure] = joined(
    (
        figures_cold.FIGURES,
        figures_idle.FIGURES,
        figures_reduction.FIGURES,
        figures_overboost.FIGURES,
        figures_boost.FIGURES,
        figures_shift.FIGURES,
        figures_speed.FIGURES,
        figures_traction.FIGURES,
        figures_shaping.FIGURES,
        figures_monitor.FIGURES,
        figures_launch.FIGURES,
        figures_anti_lag.FIGURES,
    )
)
"""Every figure by which a role is judged."""


def role_figure(name: str) -> RoleFigure:
    """Return a judging figure by its name.

    Parameters
    ----------
    name : str
        As a role's ``shown`` names it.

    Returns
    -------
    RoleFigure
        From a recording, the car and the intent to a figure.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    if name not in ROLE_FIGURES:
        close = nearest(name, list(ROLE_FIGURES))
        raise InputError(
            "there is no such judging figure",
            key="figure",
            value=name,
            allowed=", ".join(sorted(ROLE_FIGURES)),
            advice=f"did you mean {close!r}?" if close else None,
        )
    return ROLE_FIGURES[name]
