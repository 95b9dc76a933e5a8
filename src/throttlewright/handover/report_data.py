"""What a report holds: plain objects only, made elsewhere and drawn by ``report``.

Nothing here computes. Text is already worded, numbers carry the unit that their field names, and
arrays are ordinary float arrays. Optional parts are left out by ``None`` or an empty tuple; the
report then leaves out their section.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from throttlewright.calibration.reactions import Reaction
from throttlewright.foundation.errors import InputError

__all__ = [
    "FanData",
    "FigureRow",
    "KnockOnRow",
    "LedgerRow",
    "PlateRow",
    "PlateStudyData",
    "ReportAxis",
    "ReportData",
    "ReportTable",
    "ResponseData",
    "SpanRow",
    "SurfaceData",
]


def _need(right: bool, key: str, what: str) -> None:
    if not right:
        raise InputError(what, key=key)


def _shape(values: np.ndarray, shape: tuple[int, ...], key: str) -> None:
    _need(
        values.shape == shape,
        key,
        f"has the shape {values.shape}, but its axes ask for {shape}",
    )


@dataclass(frozen=True)
class LedgerRow:
    """One number of the car: where it came from and what hangs on it.

    ``effects_pct`` is the change of torque at 10, 20 and 50 % pedal [% of full torque] and
    ``idle_effect_pct`` the change of idle air [%] over the number's own interval; None where not
    computed. ``measure`` is the cheapest measurement that would fix it, "" if none is needed.
    """

    key: str
    value: str
    origin: str
    source: str = ""
    effects_pct: tuple[float | None, float | None, float | None] = (None, None, None)
    idle_effect_pct: float | None = None
    measure: str = ""


@dataclass(frozen=True)
class PlateRow:
    """One plate size of the study.

    ``power_loss_pct`` [% of rated power], ``velocity_m_s`` at rated power [m/s],
    ``pct_for_90_*`` plate opening that gives 90 % of full torque at low, middle and rated speed
    [%], ``idle_step_pct`` idle air per 0.1 degree of plate [% of idle air], ``leak_pct`` air past
    the closed plate [% of idle air], ``default_rpm`` and ``default_km_h`` what the unpowered plate
    gives [rpm], [km/h]. None where not computed.
    """

    bore_mm: float
    count: int
    power_loss_pct: float
    velocity_m_s: float
    pct_for_90_low: float | None
    pct_for_90_mid: float | None
    pct_for_90_rated: float | None
    idle_step_pct: float | None
    leak_pct: float | None
    can_idle: bool
    default_rpm: float | None = None
    default_km_h: float | None = None
    is_car: bool = False


@dataclass(frozen=True)
class PlateStudyData:
    """Plate sizes side by side, the car's own marked by ``is_car``, and what to choose."""

    rows: tuple[PlateRow, ...]
    recommendation: tuple[str, ...] = ()


@dataclass(frozen=True)
class FanData:
    """Torque against pedal at several engine speeds, before and after.

    ``pedal_pct`` (m,) [%], ``rpm`` (n,) [rpm]; ``before``, ``after``, ``low``, ``high`` (n, m)
    [N m]; ``low`` and ``high`` bound what the assumed numbers leave open around ``after``.
    """

    pedal_pct: np.ndarray
    rpm: np.ndarray
    before: np.ndarray
    after: np.ndarray
    low: np.ndarray | None = None
    high: np.ndarray | None = None
    boost_state: str = "settled"
    name_before: str = "one to one"
    name_after: str = "this map"

    def __post_init__(self) -> None:
        """Check that the arrays fit together."""
        shape = (self.rpm.size, self.pedal_pct.size)
        for key in ("before", "after", "low", "high"):
            values = getattr(self, key)
            if values is not None:
                _shape(values, shape, f"fan.{key}")
        _need((self.low is None) == (self.high is None), "fan.low", "needs fan.high as well")


@dataclass(frozen=True)
class SurfaceData:
    """Torque (n, m) [N m] over ``rpm`` (n,) [rpm] and ``plate_pct`` (m,) [%].

    ``authority_end_pct`` (n,) [%] is the opening beyond which the plate gives less than the last
    3 % of torque.
    """

    rpm: np.ndarray
    plate_pct: np.ndarray
    torque: np.ndarray
    authority_end_pct: np.ndarray
    boost_state: str = "settled"

    def __post_init__(self) -> None:
        """Check that the arrays fit together."""
        _shape(self.torque, (self.rpm.size, self.plate_pct.size), "surface.torque")
        _shape(self.authority_end_pct, (self.rpm.size,), "surface.authority_end_pct")


@dataclass(frozen=True)
class ReportAxis:
    """Axis of a table: name, unit and points (k,)."""

    name: str
    unit: str
    values: np.ndarray


@dataclass(frozen=True)
class ReportTable:
    """One table: ``x`` runs across, ``y`` down; ``y`` is None for a single row.

    ``values`` is (len(y), len(x)), or (len(x),) without ``y``. ``decimals`` is how many digits
    are printed after the point. ``kind`` "boost" also draws the table as curves over ``x``, one
    for each ``y``.
    """

    title: str
    note: str
    x: ReportAxis
    y: ReportAxis | None
    values: np.ndarray
    unit: str
    decimals: int = 1
    kind: str = "table"

    def __post_init__(self) -> None:
        """Check that the array fits its axes."""
        across = self.x.values.size
        shape = (across,) if self.y is None else (self.y.values.size, across)
        _shape(self.values, shape, f"table {self.title}")
        _need(self.kind in ("table", "boost"), f"table {self.title}", "kind: table or boost")


@dataclass(frozen=True)
class FigureRow:
    """One figure of merit, one number (or None) for each named column.

    Columns run in the order they are first met: usually the plain linkage, this map and, when one
    was given, a pasted map.
    """

    name: str
    unit: str
    values: Mapping[str, float | None]
    decimals: int = 1


@dataclass(frozen=True)
class ResponseData:
    """Torque (t, m) [N m] after the pedal is held at ``pedal_pct`` (m,) [%] for ``times_s`` (t,)
    [s], at one engine speed [rpm]."""

    pedal_pct: np.ndarray
    times_s: np.ndarray
    torque: np.ndarray
    rpm: float

    def __post_init__(self) -> None:
        """Check that the arrays fit together."""
        _shape(self.torque, (self.times_s.size, self.pedal_pct.size), "response.torque")


@dataclass(frozen=True)
class SpanRow:
    """What a wish for free-rev span costs: asked and reached span [% of pedal travel] between
    1500 and 4000 rpm in neutral; the largest gain over the mean at the worst of all speeds, which
    speed that is, and the same for the speeds up to 4000 rpm."""

    asked_pct: float
    reached_pct: float | None
    worst_gain: float
    worst_rpm: float
    worst_gain_to_4000: float


@dataclass(frozen=True)
class KnockOnRow:
    """Another table or function that the new map disturbs, why, and what to do."""

    what: str
    why: str
    do: str


@dataclass(frozen=True)
class ReportData:
    """Everything a report shows.

    ``other_fan`` is the same map in the other boost state, where there are two. ``date`` None
    prints no date, so that the same data give the same bytes. ``cautions`` adds
    sentences for this car to those that are always shown. ``claim`` says what the figures do and
    do not promise; ``ledger_note`` how the effects of the ledger were worked out.
    """

    title: str
    car_name: str
    use: str
    fan: FanData
    other_fan: FanData | None = None
    date: str | None = None
    bench_only: bool = True
    summary: tuple[str, ...] = ()
    ledger: tuple[LedgerRow, ...] = ()
    plate_study: PlateStudyData | None = None
    surface: SurfaceData | None = None
    tables: tuple[ReportTable, ...] = ()
    figures: tuple[FigureRow, ...] = ()
    free_rev: tuple[SpanRow, ...] = ()
    response: ResponseData | None = None
    knock_on: tuple[KnockOnRow, ...] = ()
    reactions: tuple[Reaction, ...] = ()
    cautions: tuple[str, ...] = ()
    claim: str = ""
    ledger_note: str = ""
    sources: tuple[str, ...] = ()
