"""Roles that can act at the same time: who wins, and why."""

from __future__ import annotations

from dataclasses import dataclass

from throttlewright.calibration.limits import Limit
from throttlewright.design.rows import Rows

__all__ = ["CONFLICTS", "Conflict", "decided", "derived", "outputs_shared"]


@dataclass(frozen=True)
class Conflict:
    """Two roles that can ask for different things at once.

    ``output`` is where they meet; ``wins`` is the name of the role that gets its way there.
    """

    one: str
    other: str
    output: str
    wins: str
    why: str


CONFLICTS: tuple[Conflict, ...] = (
    Conflict("launch", "idle", "plate", "launch", "a ceiling beats a floor; it lies above idle"),
    Conflict("launch", "traction", "plate", "traction", "the lower of two ceilings counts"),
    Conflict("launch", "overboost", "plate", "overboost", "its ceiling falls as boost rises"),
    Conflict("cold", "launch", "plate", "cold", "the lower of two ceilings counts"),
    Conflict("anti_lag", "idle", "plate", "anti_lag", "the higher of two floors counts"),
    Conflict("anti_lag", "overboost", "plate", "overboost", "a ceiling beats a floor"),
    Conflict("blip", "idle", "plate", "blip", "the higher of two floors counts"),
    Conflict("blip", "pit_limit", "plate", "pit_limit", "a ceiling beats a floor"),
    Conflict("blip", "soft_rev_limit", "plate", "soft_rev_limit", "a ceiling beats a floor"),
    Conflict("blip", "cold", "plate", "cold", "a ceiling beats a floor"),
    Conflict("blip", "overboost", "fuel_cut", "blip", "a ceiling beats a floor"),
    Conflict("blip", "upshift", "fuel_cut", "blip", "one switch never asks for both at once"),
    Conflict("traction", "pit_limit", "plate", "traction", "the lower of two ceilings counts"),
)
"""Pairs that meet at one output; where both are ceilings, the one that is stricter in the moment
wins, and ``wins`` names the usual one."""


def outputs_shared(one: Rows, other: Rows) -> tuple[str, ...]:
    """Return the outputs that rows of both roles bound.

    Parameters
    ----------
    one, other : Rows
        What two roles add.

    Returns
    -------
    tuple of str
        Outputs, in alphabetic order.
    """
    return tuple(sorted({r.output for r in one.limits} & {r.output for r in other.limits}))


def derived(one: Limit, other: Limit) -> str:
    """Return by which rule two rows of one output are settled.

    Parameters
    ----------
    one, other : Limit
        Rows of the same output.

    Returns
    -------
    str
        ``"ceiling"`` where one is a ceiling and the other a floor, ``"lower"`` of two ceilings,
        ``"higher"`` of two floors.
    """
    if one.side != other.side:
        return "ceiling"
    return "lower" if one.side == "ceiling" else "higher"


def decided(one: Limit, bound: float, other: Limit, other_bound: float) -> Limit:
    """Return the row in charge of an output that two rows bound.

    Parameters
    ----------
    one : Limit
        A row.
    bound : float [unit of the output]
        Where it stands.
    other : Limit
        Another row of the same output.
    other_bound : float [unit of the output]
        Where that one stands.

    Returns
    -------
    Limit
        The ceiling where it lies below the floor, else the floor; the stricter of two alike.
    """
    rule = derived(one, other)
    if rule == "higher":
        return one if bound >= other_bound else other
    if rule == "lower":
        return one if bound <= other_bound else other
    ceiling, top, floor, bottom = (
        (one, bound, other, other_bound)
        if one.side == "ceiling"
        else (other, other_bound, one, bound)
    )
    return ceiling if top < bottom else floor
