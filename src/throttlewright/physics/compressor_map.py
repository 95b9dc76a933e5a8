"""A measured compressor map: speed lines, surge side, choke side."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt

from throttlewright.foundation.errors import InputError

__all__ = ["CompressorMap", "SpeedLine"]

_REQUIRED = ("speed", "flow_kg_s", "pressure_ratio")
_KNOWN = (*_REQUIRED, "efficiency")

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SpeedLine:
    """One line of constant corrected speed, points in order of rising flow.

    ``speed`` in the unit of the map, ``flow`` corrected [kg/s], ``pressure_ratio`` [-],
    ``efficiency`` [-] or None.
    """

    speed: float
    flow: Array
    pressure_ratio: Array
    efficiency: Array | None = None

    @cached_property
    def surge_index(self) -> int:
        """Index of the greatest pressure ratio, where the line is level; the first of equals."""
        return int(np.argmax(self.pressure_ratio))


@dataclass(frozen=True, eq=False)
class CompressorMap:
    """Speed lines of a compressor with the reference state of its corrected quantities.

    Parameters
    ----------
    lines : tuple of SpeedLine [-]
        Lines in order of rising speed, at least one.
    p_ref : float [Pa]
        Reference pressure of the corrected flow, > 0.
    T_ref : float [K]
        Reference temperature of the corrected flow and speed, > 0.

    Notes
    -----
    Surge is taken where a line is level (its greatest pressure ratio), the usual default when the
    map does not state a surge line; a line measured only right of it gives its first point.
    """

    lines: tuple[SpeedLine, ...]
    p_ref: float
    T_ref: float

    @classmethod
    def from_csv(cls, path: str | Path, *, p_ref: float, T_ref: float) -> CompressorMap:
        """Read a map from a table with the columns speed, flow_kg_s, pressure_ratio, efficiency.

        Parameters
        ----------
        path : str or Path [-]
            File with one header row; efficiency is optional; rows in any order.
        p_ref : float [Pa]
            Reference pressure of the corrected flow, > 0.
        T_ref : float [K]
            Reference temperature, > 0.

        Returns
        -------
        CompressorMap
            The map.

        Raises
        ------
        InputError
            If the file, a column or a value cannot be used; names the file and the row.
        """
        file = Path(path)
        rows = _read_rows(file)
        lines = []
        for speed in sorted({row[0] for row in rows}):
            part = sorted((row for row in rows if row[0] == speed), key=lambda row: row[1])
            if len(part) < 2:
                raise InputError(
                    "has a speed line with one point only",
                    file=file,
                    key="speed",
                    value=speed,
                    allowed="at least 2 points per speed",
                )
            table = np.array(part, dtype=np.float64)
            flow = np.ascontiguousarray(table[:, 1])
            if np.any(np.diff(flow) <= 0.0):
                raise InputError(
                    "has two points with the same flow on one speed line",
                    file=file,
                    key="speed",
                    value=speed,
                )
            efficiency = table[:, 3].copy() if table.shape[1] == 4 else None
            lines.append(SpeedLine(speed, flow, table[:, 2].copy(), efficiency))
        return cls(tuple(lines), p_ref, T_ref)

    @cached_property
    def surge_line(self) -> tuple[Array, Array]:
        """Pressure ratios [-], rising, and corrected flows [kg/s] of the surge side."""
        points = sorted(
            (float(line.pressure_ratio[line.surge_index]), float(line.flow[line.surge_index]))
            for line in self.lines
        )
        return np.array([p for p, _ in points]), np.array([f for _, f in points])

    @cached_property
    def max_pressure_ratio(self) -> float:
        """Greatest pressure ratio of the map [-]."""
        return max(float(line.pressure_ratio.max()) for line in self.lines)

    @cached_property
    def choke_flow(self) -> float:
        """Greatest corrected flow of the map [kg/s]."""
        return max(float(line.flow[-1]) for line in self.lines)

    def surge_flow(self, pressure_ratio: float) -> float:
        """Return the corrected flow below which the compressor surges.

        Parameters
        ----------
        pressure_ratio : float [-]
            Outlet over inlet stagnation pressure, >= 1.

        Returns
        -------
        float
            Corrected flow [kg/s]: straight between the lines, straight to 0 at a ratio of 1 below
            the slowest line, infinite above the greatest ratio of the map, where no flow is stable.
        """
        ratios, flows = self.surge_line
        if pressure_ratio > ratios[-1]:
            return math.inf
        if pressure_ratio <= 1.0:
            return 0.0
        if ratios[0] > 1.0:
            ratios, flows = np.concatenate(([1.0], ratios)), np.concatenate(([0.0], flows))
        return float(np.interp(pressure_ratio, ratios, flows))

    def surge_margin(self, corrected_flow: float, pressure_ratio: float) -> float:
        """Return how far an operating point is from surge, as a share of its flow.

        margin = (flow - surge flow) / flow

        Parameters
        ----------
        corrected_flow : float [kg/s]
            Corrected flow, > 0; 0 or less counts as infinitely deep in surge.
        pressure_ratio : float [-]
            Outlet over inlet stagnation pressure, >= 1.

        Returns
        -------
        float
            Margin [-]; negative in surge, minus infinity above the map.
        """
        if corrected_flow <= 0.0:
            return -math.inf
        return (corrected_flow - self.surge_flow(pressure_ratio)) / corrected_flow

    def right_edge_flow(self, pressure_ratio: float) -> float:
        """Return the greatest corrected flow of the map at a pressure ratio.

        Parameters
        ----------
        pressure_ratio : float [-]
            Outlet over inlet stagnation pressure, >= 1.

        Returns
        -------
        float
            Corrected flow [kg/s] on the outermost line that reaches this ratio, its last point
            when the line ends above the ratio; not a number above the map.
        """
        best = math.nan
        for line in self.lines:
            flow = line.flow[line.surge_index :]
            falling = line.pressure_ratio[line.surge_index :]
            if pressure_ratio > falling[0]:
                continue
            found = float(flow[-1])
            for i in range(1, flow.size):
                if falling[i] <= pressure_ratio:
                    span = falling[i - 1] - falling[i]
                    share = (falling[i - 1] - pressure_ratio) / span if span > 0.0 else 0.0
                    found = float(flow[i - 1] + share * (flow[i] - flow[i - 1]))
                    break
            best = found if math.isnan(best) else max(best, found)
        return best


def _read_rows(file: Path) -> list[list[float]]:
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"cannot be read as text ({type(error).__name__})",
            file=file,
            advice="give the path of a CSV file",
        ) from None
    table = [
        (number, [cell.strip() for cell in row])
        for number, row in enumerate(csv.reader(text.splitlines()), start=1)
        if any(cell.strip() for cell in row)
    ]
    if not table:
        raise InputError("is empty", file=file, allowed=f"columns {', '.join(_KNOWN)}")
    header = table[0][1]
    missing = [name for name in _REQUIRED if name not in header]
    unknown = [name for name in header if name not in _KNOWN]
    if missing or unknown or len(set(header)) != len(header):
        raise InputError(
            "has a header row that cannot be used",
            file=file,
            key=f"row {table[0][0]}",
            value=",".join(header),
            allowed="speed, flow_kg_s, pressure_ratio and optionally efficiency, each once",
        )
    names = [name for name in _KNOWN if name in header]
    rows: list[list[float]] = []
    for number, cells in table[1:]:
        if len(cells) != len(header):
            raise InputError(
                f"has {len(cells)} cells under {len(header)} columns",
                file=file,
                key=f"row {number}",
            )
        named = dict(zip(header, cells, strict=True))
        rows.append([_cell(named[name], name=name, file=file, row=number) for name in names])
    if not rows:
        raise InputError("has a header and no points", file=file)
    return rows


def _cell(text: str, *, name: str, file: Path, row: int) -> float:
    allowed = {
        "speed": "a number above 0",
        "flow_kg_s": "a number of at least 0",
        "pressure_ratio": "a number of at least 1",
        "efficiency": "a number above 0, at most 1",
    }[name]
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    good = {
        "speed": value > 0.0,
        "flow_kg_s": value >= 0.0,
        "pressure_ratio": value >= 1.0,
        "efficiency": 0.0 < value <= 1.0,
    }[name]
    if not (good and math.isfinite(value)):
        raise InputError(
            f"{name} cannot be used", file=file, key=f"row {row}", value=text, allowed=allowed
        )
    return value
