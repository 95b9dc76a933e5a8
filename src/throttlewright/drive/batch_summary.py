"""What a batch comes to, gathered row by row without keeping the rows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

__all__ = ["ACCURACY", "Figure", "Summary", "summarise"]

ACCURACY = 0.005
"""Relative error of a quantile, at most."""
_RATIO = (1.0 + ACCURACY) / (1.0 - ACCURACY)
_LOG = math.log(_RATIO)
_LEAST, _MOST = 1e-9, 1e12
"""Below the least a value counts as 0; these bound the number of bins at ten thousand."""


@dataclass
class Figure:
    """One measure over all runs so far: extremes and mean exact, quantiles within 0.5 %.

    Notes
    -----
    Bins whose edges grow by a constant ratio bound the relative error of every quantile (Masson,
    Rim and Lee 2019). Their number hangs on the range of the values, not on how many there are.
    """

    count: int = 0
    not_finite: int = 0
    least: float = math.inf
    most: float = -math.inf
    least_at: int = -1
    most_at: int = -1
    mean: float = 0.0
    _squares: float = 0.0
    _bins: dict[int, int] = field(default_factory=dict)
    _low: dict[int, int] = field(default_factory=dict)
    _zeros: int = 0

    def add(self, value: float, index: int) -> None:
        """Take in the value of a case; one that is not finite is counted apart."""
        if not math.isfinite(value):
            self.not_finite += 1
            return
        self.count += 1
        if value < self.least:
            self.least, self.least_at = value, index
        if value > self.most:
            self.most, self.most_at = value, index
        off = value - self.mean
        self.mean += off / self.count
        self._squares += off * (value - self.mean)
        size = abs(value)
        if size < _LEAST:
            self._zeros += 1
            return
        place = math.ceil(math.log(min(size, _MOST)) / _LOG)
        bins = self._bins if value > 0.0 else self._low
        bins[place] = bins.get(place, 0) + 1

    @property
    def deviation(self) -> float:
        """Standard deviation of what came so far; NaN below two values."""
        return math.sqrt(self._squares / (self.count - 1)) if self.count > 1 else math.nan

    def quantile(self, share: float) -> float:
        """Return the value below which a share of the values lies.

        Parameters
        ----------
        share : float [-]
            0 to 1; the ends are the exact extremes.

        Returns
        -------
        float
            Within 0.5 % of the value of that rank; NaN without values.

        Raises
        ------
        ValueError
            If the share is outside 0 to 1.
        """
        if not 0.0 <= share <= 1.0:
            raise ValueError(f"a share of {share:g} is outside 0 to 1")
        if self.count == 0:
            return math.nan
        rank = share * (self.count - 1)
        if rank <= 0.0:
            return self.least
        if rank >= self.count - 1:
            return self.most
        seen = 0
        middle = 2.0 / (1.0 + _RATIO)
        for place in sorted(self._low, reverse=True):
            seen += self._low[place]
            if seen > rank:
                return max(-middle * _RATIO**place, self.least)
        seen += self._zeros
        if seen > rank:
            return 0.0
        for place in sorted(self._bins):
            seen += self._bins[place]
            if seen > rank:
                break
        return min(max(middle * _RATIO**place, self.least), self.most)

    @property
    def bins(self) -> int:
        """Number of bins in use."""
        return len(self._bins) + len(self._low)


@dataclass
class Summary:
    """All measures over all runs so far."""

    cases: int = 0
    figures: dict[str, Figure] = field(default_factory=dict)

    def add(self, index: int, measures: Mapping[str, float]) -> None:
        """Take in the measures of a case."""
        self.cases += 1
        for name, value in measures.items():
            self.figures.setdefault(name, Figure()).add(value, index)


def summarise(rows: Iterable[tuple[int, Mapping[str, float]]]) -> Summary:
    """Gather pairs of number and measures.

    Parameters
    ----------
    rows : iterable of (int, mapping)
        Number of the case and its measures; read once and not kept.

    Returns
    -------
    Summary
        Worst, best, mean and quantiles of each measure.
    """
    summary = Summary()
    for index, measures in rows:
        summary.add(index, measures)
    return summary
