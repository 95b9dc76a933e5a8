"""Steady dyno holds: where to take them, and how they correct a computed torque surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from throttlewright.car.surface import TorqueSurface
from throttlewright.foundation.errors import InputError

__all__ = [
    "HOLD_CAUTIONS",
    "BlendedSurface",
    "Hold",
    "PlannedHold",
    "blend_holds",
    "plan_holds",
]

_ROUNDING = 1e-7
"""Share of the torque range below which a fall with opening plate is the solver's last digit."""

LENGTH_RPM = 2500.0
LENGTH_SHARE = 0.40
"""Distances over which a correction stays alike; chosen here for smooth breathing curves."""
PRIOR = 0.20
"""How far a model built from catalogue figures is off, as a share of torque above closed;
common practice, no source."""
NOISE = 0.01
"""Repeatability of a steady brake reading; common practice, no source."""
WILD = 0.40
"""A hold further from the model than this is a mistake of reading or of the build."""
LOWEST_RPM = 1500.0
_OFFSET = 0.10
_LONGEST = 30.0
_SHORTEST = 5.0
_COOL_BAND = 150.0
_LONGEST_FULL = 10.0
_FULL_EVERY = 5

HOLD_CAUTIONS = (
    "Strap the car as the maker of the dyno says, front and rear, check the straps after the first "
    "hold, and keep everyone out of the line of the wheels, rollers and straps.",
    "Take the tyres, rollers and brake inside their own speed, torque and heat ratings; local law, "
    "event rules and the dyno operator's training come before this plan.",
    "Exhaust and turbine housing can glow and light what is near: shields on, cooling fan on the "
    "car, extraction running, extinguisher in reach, nobody touching the plate or the belts.",
    "Exhaust temperature here is computed at the cylinder outlet; a probe reads lower and late. "
    "Agree a stop temperature for the probe in the car first, and end the hold there at once, "
    "however many seconds are left.",
    "End a hold at once on knock, falling oil pressure, rising coolant or a mixture leaner than "
    "planned, and let the engine run light until it is cool before the next.",
    "Have a kill switch in hand that cuts fuel or ignition without the plate: a plate that sticks "
    "open does not shut because the pedal is released.",
)
"""What to say before anybody runs a plan of holds."""


@dataclass(frozen=True)
class Hold:
    """One steady reading on a brake.

    ``rpm`` [rpm], ``plate_pct`` [%] from closed to open stop, ``torque`` [N m] at the crank,
    ``manifold_pressure`` [Pa absolute], ``lam`` lambda [-], ``ignition`` [rad before top dead
    centre]; the last three may be unknown.
    """

    rpm: float
    plate_pct: float
    torque: float
    manifold_pressure: float | None = None
    lam: float | None = None
    ignition: float | None = None


@dataclass(frozen=True)
class BlendedSurface:
    """A torque surface moved towards holds, with how far they reach.

    ``coverage`` (speeds, plates) is 1 where holds fix the torque and 0 where the model alone
    speaks. ``residual_before`` and ``residual_after`` [N m] belong to the holds that were used, in
    their order; ``refused`` says which were not and why; ``notes`` what else was done.
    """

    surface: TorqueSurface
    coverage: np.ndarray
    residual_before: np.ndarray
    residual_after: np.ndarray
    refused: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class PlannedHold:
    """One reading to take.

    ``rpm`` [rpm], ``plate_pct`` [%], ``expected_torque`` [N m], ``expected_map`` [Pa absolute],
    ``exhaust_temperature`` [K at the cylinder outlet], ``seconds`` [s] at most.
    """

    rpm: float
    plate_pct: float
    expected_torque: float
    expected_map: float
    exhaust_temperature: float
    seconds: float
    reason: str


def _alike(a: np.ndarray, b: np.ndarray, *, length_rpm: float, length_share: float) -> np.ndarray:
    """Squared-exponential likeness of points given as rows (rpm, torque share)."""
    x = (a[:, None, 0] - b[None, :, 0]) / length_rpm
    y = (a[:, None, 1] - b[None, :, 1]) / length_share
    return np.asarray(np.exp(-0.5 * (x * x + y * y)))


def _check_lengths(length_rpm: float, length_share: float) -> None:
    for key, value in (("length_rpm", length_rpm), ("length_share", length_share)):
        if not value > 0.0:
            raise InputError("must be positive", key=key, value=value, allowed="above 0")


def _refusal(hold: Hold, surface: TorqueSurface, model: float, base: float) -> str | None:
    rpm = surface.rpm
    numbers = (hold.rpm, hold.plate_pct, hold.torque)
    if not all(np.isfinite(numbers)):
        return "a number is missing"
    if not rpm[0] <= hold.rpm <= rpm[-1]:
        return f"the speed lies outside the surface, {rpm[0]:.0f} to {rpm[-1]:.0f} rpm"
    if not 0.0 <= hold.plate_pct <= 100.0:
        return "the plate lies outside its stops, 0 to 100 %"
    if hold.lam is not None and not 0.65 <= hold.lam <= 1.20:
        return (
            f"lambda {hold.lam:.2f} lies outside 0.65 to 1.20, so torque tells of the mixture "
            "rather than of the air"
        )
    off = (hold.torque - model) / (model - base)
    if not abs(off) <= WILD:
        return (
            f"{hold.torque:.1f} N m is {100.0 * off:+.0f} % from the model's {model:.1f} N m "
            f"counted above closed plate, more than {100.0 * WILD:.0f} %: check plate reading, "
            "brake zero, boost state and build first"
        )
    return None


def _model_at(
    surface: TorqueSurface, holds: Sequence[Hold]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Model torque, closed-plate base and torque share at holds."""
    omega = np.array([h.rpm for h in holds]) * np.pi / 30.0
    pct = np.array([h.plate_pct for h in holds])
    psi = surface.psi[0] + pct / 100.0 * (surface.psi[-1] - surface.psi[0])
    torque = surface.torque_at(omega, psi[:, None])[:, 0]
    closed = np.interp(omega, surface.omega, surface.closed)
    span = np.interp(omega, surface.omega, surface.full) - closed
    return torque, closed - _OFFSET * span, (torque - closed) / span


def blend_holds(
    surface: TorqueSurface,
    holds: Sequence[Hold],
    *,
    length_rpm: float = LENGTH_RPM,
    length_share: float = LENGTH_SHARE,
    prior: float = PRIOR,
    noise: float = NOISE,
) -> BlendedSurface:
    r"""Correct a torque surface by steady holds and return to the model away from them.

    .. math:: T' = T_b + (T - T_b)(1 + c), \quad
              c = k^T (K + N)^{-1} r, \quad T_b = T_{closed} - 0.1 (T_{full} - T_{closed})

    with r the relative deviation of each hold, K and k the likeness of points over engine speed
    and the model's torque share, N the noise of the readings.

    Parameters
    ----------
    surface : TorqueSurface
        The model's surface in the boost state the holds were taken in, every point solved.
    holds : sequence of Hold
        Readings; none is allowed.
    length_rpm : float [rpm]
        Distance over which a correction stays alike, above 0.
    length_share : float [-]
        The same over torque share, above 0.
    prior : float [-]
        Expected relative error of the model, above 0.
    noise : float [-]
        Relative repeatability of a reading, above 0.

    Returns
    -------
    BlendedSurface
        Only torque moves; pressures, flows and temperatures stay the model's. With no usable hold
        the surface is the given one.

    Raises
    ------
    NoSolutionError
        If a point of the surface has no solution.
    InputError
        If a length, the prior or the noise is not positive.

    Notes
    -----
    Regression with a zero-mean Gaussian prior, textbook method. The ratio counts from a base below
    closed-plate torque, because brake torque itself passes through zero.
    """
    _check_lengths(length_rpm, length_share)
    for key, value in (("prior", prior), ("noise", noise)):
        if not value > 0.0:
            raise InputError("must be positive", key=key, value=value, allowed="above 0")
    surface.require_solved()
    used: list[int] = []
    refused: list[str] = []
    if holds:
        model, base, share = _model_at(surface, holds)
    for k, hold in enumerate(holds):
        reason = _refusal(hold, surface, float(model[k]), float(base[k]))
        if reason is None:
            used.append(k)
        else:
            refused.append(
                f"hold {k + 1} ({hold.rpm:.0f} rpm, {hold.plate_pct:.1f} % plate): {reason}"
            )
    if not used:
        nothing = np.zeros(0)
        none = np.zeros_like(surface.torque)
        return BlendedSurface(surface, none, nothing, nothing, tuple(refused), ())
    kept = [holds[k] for k in used]
    model, base, share = model[used], base[used], share[used]
    measured = np.array([h.torque for h in kept])
    at = np.column_stack(([h.rpm for h in kept], share))
    above = model - base
    deviation = (measured - model) / above
    # a brake reads a share of its torque and never better than a little of full torque
    reading = noise * np.maximum(np.abs(measured), 0.1 * float(np.max(surface.full))) / above
    gram = prior**2 * _alike(at, at, length_rpm=length_rpm, length_share=length_share)
    factor = np.linalg.cholesky(gram + np.diag(reading**2))
    weights = np.linalg.solve(factor.T, np.linalg.solve(factor, deviation))

    grid = np.column_stack((np.repeat(surface.rpm, surface.psi.size), surface.share.reshape(-1)))
    likeness = prior**2 * _alike(grid, at, length_rpm=length_rpm, length_share=length_share)
    correction = (likeness @ weights).reshape(surface.torque.shape)
    known = np.sum(np.linalg.solve(factor, likeness.T) ** 2, axis=0) / prior**2
    coverage = np.clip(known, 0.0, 1.0).reshape(surface.torque.shape)

    grid_base = surface.closed - _OFFSET * (surface.full - surface.closed)
    torque = surface.torque + (surface.torque - grid_base[:, None]) * correction
    rising = np.maximum.accumulate(torque, axis=1)
    lifted = rising - torque
    notes: list[str] = []
    felt = lifted > _ROUNDING * np.ptp(surface.torque)
    if np.any(felt):
        notes.append(
            f"torque fell with opening plate at {int(np.sum(felt))} of {torque.size} "
            f"points after blending and was held level there, by at most {lifted.max():.2f} N m"
        )
    values = dict(surface.values)
    if "torque" in values:
        values["torque"] = rising
    better = replace(surface, torque=rising, values=values)
    after, _, _ = _model_at(better, kept)
    return BlendedSurface(
        surface=better,
        coverage=coverage,
        residual_before=measured - model,
        residual_after=measured - after,
        refused=tuple(refused),
        notes=tuple(notes),
    )


def _candidates(
    surface: TorqueSurface, lowest_rpm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rows (rpm, share), plate percent, slope over plate and whether the plate is fully open."""
    low = max(lowest_rpm, float(surface.rpm[0]))
    rpm = np.linspace(low, 0.97 * float(surface.rpm[-1]), 12)
    omega = rpm * np.pi / 30.0
    wanted = np.array([0.03, 0.08, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.93])
    rows = replace(
        surface,
        omega=omega,
        torque=surface.torque_at(omega, np.broadcast_to(surface.psi, (12, surface.psi.size))),
    )
    psi = rows.psi_at_share(np.broadcast_to(wanted, (12, wanted.size)))
    psi = np.column_stack((psi, np.full(12, surface.psi[-1])))
    steps = np.gradient(rows.torque, surface.psi, axis=1)
    slope = np.array([np.interp(p, surface.psi, s) for p, s in zip(psi, steps, strict=True)])
    share = np.broadcast_to(np.append(wanted, 1.0), psi.shape)
    at = np.column_stack((np.repeat(rpm, psi.shape[1]), share.reshape(-1)))
    pct = 100.0 * (psi - surface.psi[0]) / (surface.psi[-1] - surface.psi[0])
    pct[:, -1] = 100.0
    return at, pct.reshape(-1), slope.reshape(-1), at[:, 1] >= 1.0


def _pick(
    at: np.ndarray,
    worth: np.ndarray,
    chosen: list[int],
    allowed: np.ndarray,
    *,
    length_rpm: float,
    length_share: float,
) -> int:
    """Index of the allowed point with the most worth times what the chosen ones leave unknown."""
    left = np.ones(at.shape[0])
    if chosen:
        near = _alike(at, at[chosen], length_rpm=length_rpm, length_share=length_share)
        gram = near[chosen] + 1e-3 * np.eye(len(chosen))
        left = 1.0 - np.sum(near.T * np.linalg.solve(gram, near.T), axis=0)
    score = np.where(allowed, worth * np.sqrt(np.clip(left, 1e-12, 1.0)), -1.0)
    score[chosen] = -1.0
    return int(np.argmax(score))


def plan_holds(
    surface: TorqueSurface,
    *,
    count: int,
    heat_limit_K: float = 1223.0,
    lowest_rpm: float = LOWEST_RPM,
    length_rpm: float = LENGTH_RPM,
    length_share: float = LENGTH_SHARE,
) -> tuple[PlannedHold, ...]:
    """Choose the holds that teach most about a surface, in the order to take them.

    Parameters
    ----------
    surface : TorqueSurface
        The model's surface, every point solved, with MAP and exhaust temperature.
    count : int [-]
        Number of holds, 1 to 100; about every fifth with the plate fully open.
    heat_limit_K : float [K]
        Computed cylinder-outlet temperature above which no hold is planned, 900 to 1500.
    lowest_rpm : float [rpm]
        Least engine speed the brake holds steadily under load; 1500 is common practice, no source.
    length_rpm : float [rpm]
        As in ``blend_holds``.
    length_share : float [-]
        As in ``blend_holds``.

    Returns
    -------
    tuple of PlannedHold
        Part load from cool to hot, then fully open from cool to hot. Fewer than ``count`` when the
        heat limit leaves fewer.

    Raises
    ------
    InputError
        If the count or limit is out of range, the surface lacks pressures or temperatures, or
        nothing is cool enough.
    NoSolutionError
        If a point of the surface has no solution.

    Notes
    -----
    Each pick is the candidate with the largest torque slope over plate times what the picks before
    it leave unknown. What the heat limit keeps out stays the model's: see the coverage. A limit of
    1223 K (950 degC) is common practice for turbine housings, no source. Show
    ``HOLD_CAUTIONS`` with every plan.
    """
    _check_lengths(length_rpm, length_share)
    if not 1 <= count <= 100:
        raise InputError("cannot be planned", key="count", value=count, allowed="1 to 100")
    if not 900.0 <= heat_limit_K <= 1500.0:
        raise InputError(
            "is no sensible limit", key="heat_limit_K", value=heat_limit_K, allowed="900 to 1500 K"
        )
    if not lowest_rpm < 0.97 * surface.rpm[-1]:
        raise InputError(
            "lies above the surface",
            key="lowest_rpm",
            value=lowest_rpm,
            allowed=f"below {0.97 * surface.rpm[-1]:.0f} rpm",
        )
    for name in ("map", "exhaust_temperature"):
        if name not in surface.values:
            raise InputError(
                f"the surface has no {name.replace('_', ' ')}", advice="compute it from a build"
            )
    surface.require_solved()
    at, pct, slope, full = _candidates(surface, lowest_rpm)
    omega = at[:, 0] * np.pi / 30.0
    psi = surface.psi[0] + pct / 100.0 * (surface.psi[-1] - surface.psi[0])
    hot = surface.value_at("exhaust_temperature", omega, psi[:, None])[:, 0]
    cool_enough = hot <= heat_limit_K
    if not cool_enough.any():
        raise InputError(
            f"every point is hotter than the limit, the coolest {hot.min():.0f} K",
            key="heat_limit_K",
            value=heat_limit_K,
            advice="check mixture and ignition retard in the build before raising the limit",
        )
    # torque slope spans decades between a closed and an open plate: its root keeps the rest in play
    worth = np.sqrt(np.clip(slope, 0.0, None) / np.max(slope)) + 0.2
    chosen: list[int] = []
    for n in range(count):
        turn = full if n % _FULL_EVERY == _FULL_EVERY - 1 else ~full
        allowed = cool_enough & turn
        allowed[chosen] = False
        if not allowed.any():
            allowed = cool_enough.copy()
            allowed[chosen] = False
        if not allowed.any():
            break
        chosen.append(
            _pick(
                at,
                worth,
                chosen,
                allowed,
                length_rpm=length_rpm,
                length_share=length_share,
            )
        )
    chosen.sort(key=lambda k: (bool(full[k]), float(hot[k])))
    torque = surface.torque_at(omega, psi[:, None])[:, 0]
    pressure = surface.value_at("map", omega, psi[:, None])[:, 0]
    return tuple(
        PlannedHold(
            rpm=float(at[k, 0]),
            plate_pct=float(pct[k]),
            expected_torque=float(torque[k]),
            expected_map=float(pressure[k]),
            exhaust_temperature=float(hot[k]),
            seconds=_seconds(float(hot[k]), heat_limit_K, bool(full[k])),
            reason=_reason(bool(full[k]), float(at[k, 1]), float(slope[k]), surface),
        )
        for k in chosen
    )


def _seconds(hot: float, limit: float, full: bool) -> float:
    longest = _LONGEST_FULL if full else _LONGEST
    room = min(max((limit - hot) / _COOL_BAND, 0.0), 1.0)
    return float(np.floor(_SHORTEST + (longest - _SHORTEST) * room))


def _reason(full: bool, share: float, slope: float, surface: TorqueSurface) -> str:
    if full:
        return "fully open: fixes the top of this speed; last, because it is hottest and loads most"
    per_percent = slope * (surface.psi[-1] - surface.psi[0]) / 100.0
    return (
        f"{100.0 * share:.0f} % of the torque span, {per_percent:.1f} N m per per cent of plate, "
        "far from the other holds"
    )
