"""How two tracks of one sensor relate: what their comparison finds, and where it is blind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = [
    "Blindness",
    "Clause",
    "Line",
    "Pair",
    "RangeLimit",
    "Topology",
    "classify",
    "pair_clauses",
    "range_limit",
    "views",
]

Topology = Literal["half", "offset", "mirror", "identical", "opposite", "unlike"]

_SUPPLY = 5.0
_GRID = np.linspace(0.0, 1.0, 201)
_WEIGHTS = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Share of track 1 in the voltage that two shorted tracks settle on: which of the two sources is
the stronger is not known."""
_ALIKE = 0.08
"""Share of a span within which two figures count as the same [-]. Tool default."""
_RAIL_MOST = 0.5
"""Formula SAE 2026 IC.4.4.8 gives below 0.5 V and above 4.5 V as an example [V]."""
_LEAST_GAP = 0.05
"""Least distance of a range limit from the rail [V]: what an input reads on a hard short. Tool
default."""


@dataclass(frozen=True)
class Line:
    """One track as a straight line.

    Parameters
    ----------
    released, full : float [V]
        Voltages at 0 and at 100 % of travel, different from each other.
    """

    released: float
    full: float

    @property
    def span(self) -> float:
        """Change of voltage over the travel, negative for a falling track [V]."""
        return self.full - self.released


@dataclass(frozen=True)
class Pair:
    """Two tracks and how they relate.

    Parameters
    ----------
    first, second : Line
        The tracks.
    topology : str
        ``half`` one is a fixed share of the other, ``offset`` parallel with a step between,
        ``mirror`` the sum is constant, ``identical``, ``opposite`` slopes without a constant sum,
        ``unlike`` same direction and none of these.
    ratio : float [-]
        Smaller span over the larger one.
    offset_V : float [V]
        Track 2 less track 1, released.
    refused : str
        Why the pair may not be used; empty when it may.
    """

    first: Line
    second: Line
    topology: Topology
    ratio: float
    offset_V: float
    refused: str


@dataclass(frozen=True)
class Blindness:
    """What the comparison of two tracks sees of one fault.

    Parameters
    ----------
    fault : str
        Name of the fault.
    found_pct : float [%]
        Share of the travel in which the tracks differ by more than the tolerance.
    blind : tuple of (float, float) [%]
        Stretches of travel in which they do not, from and to.
    least_pct : float [points]
        Least difference of the tracks over the travel.
    rises_pct : float [points]
        Most by which the smaller track reads above the foot where the fault is not seen.
    """

    fault: str
    found_pct: float
    blind: tuple[tuple[float, float], ...]
    least_pct: float
    rises_pct: float


@dataclass(frozen=True)
class RangeLimit:
    """Out-of-range limits of one track.

    Parameters
    ----------
    margin_V : float [V]
        Distance from 0 V and from 5 V below which the track is out of range; NaN where no limit
        tells an open wire from a healthy end.
    low_V, high_V : float [V]
        The limits themselves.
    open_V : float [V]
        What an open wire reads.
    pull : str
        ``down`` or ``up``: where the pull resistor goes, so that an open wire reads as released.
    loading_pct : float [points]
        Most by which the pull resistor bends the track.
    text : str
        One sentence.
    """

    margin_V: float
    low_V: float
    high_V: float
    open_V: float
    pull: str
    loading_pct: float
    text: str


@dataclass(frozen=True)
class Clause:
    """One demand of a rule book on the pair itself, judged.

    Parameters
    ----------
    book, clause, title : str
        Name, number, one line.
    passed : bool
        Whether the pair meets it.
    value, limit : float [unit]
        Figure and limit.
    unit : str
        Unit of both.
    source_mark : str
        How the clause is known.
    """

    book: str
    clause: str
    title: str
    passed: bool
    value: float
    limit: float
    unit: str
    source_mark: str


def _shorted(first: Line, second: Line) -> tuple[np.ndarray, np.ndarray]:
    """Read positions of both tracks [share], rows by which source is how strong."""
    one = first.released + first.span * _GRID
    two = second.released + second.span * _GRID
    both = np.array([w * one + (1.0 - w) * two for w in _WEIGHTS])
    return (both - first.released) / first.span, (both - second.released) / second.span


def classify(first: Line, second: Line, *, tolerance_pct: float = 10.0) -> Pair:
    """Say how two tracks relate, and refuse a pair that no comparison can watch.

    Parameters
    ----------
    first, second : Line
        Tracks.
    tolerance_pct : float [points]
        Difference that counts as found, above 0.

    Returns
    -------
    Pair
        ``identical`` when tracks of one direction that are shorted together never differ by more
        than the tolerance, whichever of them is the stronger.

    Notes
    -----
    Topologies and their weak places: common practice, no source; the figures are computed.
    """
    large, small = sorted((first, second), key=lambda line: -abs(line.span))
    ratio = abs(small.span) / abs(large.span)
    a, b = _shorted(first, second)
    most = 100.0 * float(np.max(np.abs(a - b)))
    same_way = first.span * second.span > 0.0
    refused = ""
    topology: Topology
    if same_way and most <= tolerance_pct:
        topology = "identical"
        refused = (
            f"the tracks are alike: shorted together they differ by {most:.1f} points at most, so "
            "nothing can see it, nor a lost ground or supply; fit a sensor whose tracks differ"
        )
    elif not same_way:
        sums = [first.released + second.released, first.full + second.full]
        level = abs(sums[0] - sums[1]) <= _ALIKE * abs(large.span)
        topology = "mirror" if level else "opposite"
    elif abs(small.released - ratio * large.released) <= _ALIKE * abs(small.span) and (
        ratio < 1.0 - _ALIKE
    ):
        topology = "half"
    elif ratio >= 1.0 - _ALIKE:
        topology = "offset"
    else:
        topology = "unlike"
    offset = second.released - first.released
    return Pair(first, second, topology, ratio, offset, refused)


def _stretches(blind: np.ndarray) -> tuple[tuple[float, float], ...]:
    found: list[tuple[float, float]] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([0], blind.astype(int), [0]))))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        found.append((100.0 * float(_GRID[start]), 100.0 * float(_GRID[end - 1])))
    return tuple(found)


def _view(fault: str, a: np.ndarray, b: np.ndarray, tolerance_pct: float) -> Blindness:
    apart = 100.0 * np.abs(np.atleast_2d(a - b))
    blind = np.any(apart <= tolerance_pct, axis=0)
    above = 100.0 * (np.clip(np.minimum(a, b), 0.0, 1.0) - _GRID)
    unseen = np.atleast_2d(above)[apart <= tolerance_pct]
    return Blindness(
        fault=fault,
        found_pct=100.0 * float(np.mean(~blind)),
        blind=_stretches(blind),
        least_pct=float(np.min(apart)),
        rises_pct=max(0.0, float(np.max(unseen))) if unseen.size else 0.0,
    )


def views(
    pair: Pair,
    *,
    tolerance_pct: float,
    supply_share: float = 0.1,
    ground_V: float = 0.25,
) -> tuple[Blindness, ...]:
    """Return what the comparison sees of faults that touch both tracks, and where it is blind.

    Parameters
    ----------
    pair : Pair
        The tracks.
    tolerance_pct : float [points]
        Difference above which they disagree, above 0.
    supply_share : float [-]
        Loss of sensor supply that a converter with its own reference sees, 0 to 1.
    ground_V : float [V]
        Lift of a shared ground.

    Returns
    -------
    tuple of Blindness
        Tracks shorted together (worst of the strengths of the two sources), supply low, ground
        lifted, one track stuck at released.

    Notes
    -----
    A mirrored pair of equally strong sources settles at the middle of its sum when shorted: both
    tracks then read half travel wherever the foot is, and agree.
    """
    one = pair.first.released + pair.first.span * _GRID
    two = pair.second.released + pair.second.span * _GRID

    def read(v1: np.ndarray, v2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (
            (v1 - pair.first.released) / pair.first.span,
            (v2 - pair.second.released) / pair.second.span,
        )

    keep = 1.0 - supply_share
    shorted = _shorted(pair.first, pair.second)
    low = read(keep * one, keep * two)
    lifted = read(one + ground_V, two + ground_V)
    return (
        _view("tracks shorted together", *shorted, tolerance_pct),
        _view(f"shared supply {100.0 * supply_share:.0f} % low", *low, tolerance_pct),
        _view(f"shared ground lifted by {ground_V:g} V", *lifted, tolerance_pct),
        _view("track 1 stuck at released", np.zeros_like(_GRID), _GRID, tolerance_pct),
    )


def range_limit(
    track: Line,
    *,
    noise_V: float,
    pull_ohm: float,
    source_ohm: float = 500.0,
    leak_A: float = 1e-6,
    drift_V: float = 0.05,
) -> RangeLimit:
    r"""Place the out-of-range limits of a track between an open wire and its healthy ends.

    .. math:: V_{open} = R_{pull} I_{leak}, \qquad
       m = \min(0.5, \tfrac12 (\max(V_{open}, 0.05) + V_{end} - V_{drift}))

    Parameters
    ----------
    track : Line
        The track.
    noise_V : float [V]
        Standard deviation of a reading, >= 0.
    pull_ohm : float [ohm]
        Pull resistor at the controller's input, above 0.
    source_ohm : float [ohm]
        Largest resistance of the sensor's output; a quarter of a 2 kohm track is 500.
    leak_A : float [A]
        Largest leakage of the controller's input, >= 0.
    drift_V : float [V]
        How far the ends may wander with age and heat, >= 0.

    Returns
    -------
    RangeLimit
        Limits half way between what an open wire may read and the nearest healthy end, at most
        0.5 V from the rail.

    Notes
    -----
    0.5 V: Formula SAE rules 2026 IC.4.4.8 as an example. Output resistance, leakage and drift are
    common practice, no source. The resistor pulls towards released, so that an open wire reads as
    no pedal (Formula SAE rules 2026 T.4.2).
    """
    open_V = pull_ohm * leak_A
    near = min(track.released, track.full, _SUPPLY - track.released, _SUPPLY - track.full)
    least = max(open_V, _LEAST_GAP) + 6.0 * noise_V
    most = near - 6.0 * noise_V - drift_V
    pull = "down" if track.span > 0.0 else "up"
    reads = open_V if pull == "down" else _SUPPLY - open_V
    bend = source_ohm / (source_ohm + pull_ohm) * _SUPPLY / abs(track.span)
    if most < least:
        text = (
            f"no limit fits: an open wire may read {least:.3f} V from the rail with its noise, a "
            f"healthy end comes as near as {max(most, 0.0):.3f} V; use a smaller pull resistor or "
            "a sensor whose ends stay further from the rails"
        )
        return RangeLimit(math.nan, math.nan, math.nan, reads, pull, 100.0 * bend, text)
    margin = min(_RAIL_MOST, 0.5 * (least + most))
    text = (
        f"out of range below {margin:.3f} V and above {_SUPPLY - margin:.3f} V; an open wire reads "
        f"{reads:.3f} V through {pull_ohm / 1e3:g} kohm to {'ground' if pull == 'down' else '5 V'}"
    )
    return RangeLimit(margin, margin, _SUPPLY - margin, reads, pull, 100.0 * bend, text)


def pair_clauses(pair: Pair, books: Sequence[str], *, pedal: bool) -> tuple[Clause, ...]:
    """Judge what rule books ask of the two tracks themselves.

    Parameters
    ----------
    pair : Pair
        The tracks.
    books : sequence of str
        Names of rule books.
    pedal : bool
        Whether they belong to the pedal; the clauses speak of pedals only.

    Returns
    -------
    tuple of Clause
        Empty for books that ask nothing of this kind.
    """
    found: list[Clause] = []
    apart = np.abs(
        (pair.second.released + pair.second.span * _GRID)
        - (pair.first.released + pair.first.span * _GRID)
    )
    above = float(np.min(apart[_GRID >= 0.1 - 1e-9])) / _SUPPLY * 100.0
    # Lines that cross between two points of the grid must not slip through.
    ends = (pair.second.released - pair.first.released, pair.second.full - pair.first.full)
    crossing = ends[0] * ends[1] <= 0.0
    mark = "read in a public copy"
    for book in books if pedal else ():
        name = book.lower()
        if "formula sae" in name:
            opposite = pair.first.span * pair.second.span < 0.0
            found += [
                Clause(book, "T.4.2", "pedal tracks that run opposite ways are not permitted",
                       not opposite, float(opposite), 0.0, "opposite tracks", mark),
                Clause(book, "T.4.2", "pedal outputs 10 % of the supply apart above 10 % travel",
                       above >= 10.0, above, 10.0, "%",
                       f"{mark}; that 10 % is meant of the supply is our reading"),
            ]  # fmt: skip
        elif "formula student" in name:
            found.append(
                Clause(book, "T11.8", "curves of the pedal tracks do not intersect",
                       not crossing, float(crossing), 0.0, "crossings", mark)
            )  # fmt: skip
    return tuple(found)
