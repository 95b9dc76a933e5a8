"""Stability margins of a control loop, and PI gains that keep to stated margins.

The open loop is a controller times lags, second-order parts, an integrator or none, and a pure
delay, so its phase is known without any wrap and no approximation of the delay is needed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from throttlewright.foundation.errors import InputError

__all__ = [
    "Controller",
    "Margins",
    "Plant",
    "largest_gain",
    "margins",
    "open_loop",
    "pi_for_margins",
    "smallest",
    "worst",
]

Floats = NDArray[np.float64]

_PER_DECADE = 250
_HALVINGS = 30
_DECADES_BELOW = 3.0
_DECADES_ABOVE = 2.5
_SEARCH = 24
"""Integral times tried where the plant integrates."""
_STEPS = 80
_COARSE, _FINE = 200, 20
"""Factors tried over the whole range, and between two of them."""
_KEEP = 0.999
"""Share of the largest gain that is used, so that rounding does not end below a margin."""


@dataclass(frozen=True)
class Plant:
    """What a controller acts on, linear about one operating point.

    ``gain`` [measured unit per unit of the actuator; per s where it integrates] is above 0;
    ``lags`` [s] are time constants of first-order parts; ``seconds`` are natural frequency [rad/s]
    and damping ratio [-] of second-order parts, ``zeros`` those of second-order parts in the
    numerator; ``delay`` [s] is pure dead time.
    """

    gain: float
    lags: tuple[float, ...] = ()
    seconds: tuple[tuple[float, float], ...] = ()
    zeros: tuple[tuple[float, float], ...] = ()
    integrates: bool = False
    delay: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Controller:
    """k_p (1 + lead s / (1 + lead_lag s)) + k_i / s; ``lead`` and ``lead_lag`` [s]."""

    kp: float
    ki: float = 0.0
    lead: float = 0.0
    lead_lag: float = 0.0


@dataclass(frozen=True)
class Margins:
    """How far a loop is from its edge.

    ``gain`` [-] and ``phase_deg`` are the nearest to the edge, ``delay_s`` is the dead time that
    may be added, ``crossover`` [rad/s] the largest frequency at which the loop's gain is 1,
    ``peak`` [-] the largest sensitivity, ``stable`` whether the closed loop is stable. Infinite
    (0 for the crossover) where there is no crossing.
    """

    gain: float
    phase_deg: float
    delay_s: float
    crossover: float
    peak: float
    stable: bool

    @property
    def gain_dB(self) -> float:
        """Gain margin [dB]."""
        return 20.0 * math.log10(self.gain) if math.isfinite(self.gain) else math.inf


def _check(plant: Plant, controller: Controller | None = None) -> None:
    if not (math.isfinite(plant.gain) and plant.gain > 0.0):
        raise InputError("must be above 0", key="plant.gain", value=plant.gain)
    if any(t < 0.0 for t in plant.lags) or plant.delay < 0.0:
        raise InputError("a time is below 0", key="plant", value=(*plant.lags, plant.delay))
    if any(not (w > 0.0 and z > 0.0) for w, z in (*plant.seconds, *plant.zeros)):
        raise InputError(
            "frequency and damping must be above 0", key="plant.seconds", value=plant.seconds
        )
    if controller is not None and (
        controller.kp < 0.0 or controller.ki < 0.0 or controller.kp + controller.ki <= 0.0
    ):
        raise InputError(
            "gains must not be below 0, nor both 0",
            key="controller",
            value=(controller.kp, controller.ki),
        )


def open_loop(plant: Plant, controller: Controller, omega: ArrayLike) -> tuple[Floats, Floats]:
    """Return gain and unwrapped phase of the open loop.

    Parameters
    ----------
    plant : Plant
        What is controlled.
    controller : Controller
        Its gains, not below 0 and not both 0.
    omega : ndarray of shape (n,) [rad/s]
        Frequencies, above 0.

    Returns
    -------
    tuple of ndarray [-, rad]
        Absolute value and phase; the phase is continuous from frequency 0 on, without wrap.

    Raises
    ------
    InputError
        If a time or gain is out of range.
    """
    _check(plant, controller)
    w = np.asarray(omega, dtype=np.float64)
    jw = 1j * w
    if controller.ki == 0.0:
        c = controller.kp * (1.0 + controller.lead * jw / (1.0 + controller.lead_lag * jw))
        size, phase = np.abs(c), np.angle(c)
    else:
        # times s, so that the numerator starts at phase 0 and stays in the right half plane or
        # turns less than a half circle
        lead = 1.0 + controller.lead * jw / (1.0 + controller.lead_lag * jw)
        c = controller.kp * lead * jw + controller.ki
        size, phase = np.abs(c) / w, np.angle(c) - 0.5 * math.pi
    size = size * plant.gain
    phase = phase - plant.delay * w
    if plant.integrates:
        size = size / w
        phase = phase - 0.5 * math.pi
    for lag in plant.lags:
        size = size / np.hypot(1.0, lag * w)
        phase = phase - np.arctan(lag * w)
    for natural, damping in plant.seconds:
        u = w / natural
        real, imaginary = 1.0 - u * u, 2.0 * damping * u
        size = size / np.hypot(real, imaginary)
        phase = phase - np.arctan2(imaginary, real)
    for natural, damping in plant.zeros:
        u = w / natural
        real, imaginary = 1.0 - u * u, 2.0 * damping * u
        size = size * np.hypot(real, imaginary)
        phase = phase + np.arctan2(imaginary, real)
    return size, phase


def _grid(plant: Plant, controller: Controller) -> Floats:
    times = [t for t in (*plant.lags, plant.delay, controller.lead, controller.lead_lag) if t > 0.0]
    sharp = (*plant.seconds, *plant.zeros)
    times += [1.0 / natural for natural, _ in sharp]
    if controller.ki > 0.0 and controller.kp > 0.0:
        times.append(controller.kp / controller.ki)
    scale = controller.kp * plant.gain
    if plant.integrates and scale > 0.0:
        times.append(1.0 / scale)
    if controller.ki > 0.0:
        times.append(1.0 / (controller.ki * plant.gain))
    times = times or [1.0]
    low = math.log10(1.0 / max(times)) - _DECADES_BELOW
    high = math.log10(1.0 / min(times)) + _DECADES_ABOVE
    grid = np.logspace(low, high, math.ceil((high - low) * _PER_DECADE))
    # a lightly damped part is narrow: points close about it
    for natural, damping in sharp:
        about = natural * (1.0 + damping * np.linspace(-3.0, 3.0, 121))
        grid = np.append(grid, about[about > 0.0])
    return np.unique(grid)


def _roots(plant: Plant, controller: Controller, grid: Floats, values: Floats, of: int) -> Floats:
    """Frequencies at which log gain (of = 0) or phase plus a half turn, wrapped, goes through 0."""
    place = np.flatnonzero(np.sign(values[1:]) * np.sign(values[:-1]) < 0.0)
    if of == 1:
        # an odd half turn, not the jump of the wrap
        place = place[np.abs(values[place + 1] - values[place]) < math.pi]
    low, high = grid[place].copy(), grid[place + 1].copy()
    rising = values[place + 1] > values[place]
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        size, phase = open_loop(plant, controller, middle)
        value = np.log(size) if of == 0 else _from_edge(phase)
        above = (value > 0.0) == rising
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(np.append(0.5 * (low + high), grid[values == 0.0]))


def _from_edge(phase: Floats) -> Floats:
    return np.asarray((phase + 2.0 * math.pi) % (2.0 * math.pi) - math.pi)


def margins(plant: Plant, controller: Controller) -> Margins:
    """Return the margins of a loop.

    Parameters
    ----------
    plant : Plant
        What is controlled.
    controller : Controller
        Its gains.

    Returns
    -------
    Margins
        Gain, phase and delay margin, crossover, sensitivity peak and stability.

    Raises
    ------
    InputError
        If a time or gain is out of range.

    Notes
    -----
    Astrom and Murray, Feedback Systems (from memory). Of several crossings the one nearest to the
    edge counts. Stability by counting how often the locus crosses the negative real axis beyond
    -1: the plant has no unstable part.
    """
    grid = _grid(plant, controller)
    size, phase = open_loop(plant, controller, grid)
    ones = _roots(plant, controller, grid, np.log(size), 0)
    edge = _from_edge(phase)
    turns = _roots(plant, controller, grid, edge, 1)
    # far below -360 deg with the delay the gain is nil: nothing there comes near the edge
    gain, beyond = math.inf, 0
    if turns.size:
        there, _ = open_loop(plant, controller, turns)
        gain = float(1.0 / there[np.argmin(np.abs(np.log(there)))])
        step = 1e-6
        _, before = open_loop(plant, controller, turns * (1.0 - step))
        _, after = open_loop(plant, controller, turns * (1.0 + step))
        beyond = int(np.sum(np.sign(after - before)[there > 1.0]))
    if phase[0] < -math.pi:
        # two integrators and more lag than lead: the locus starts beyond the axis
        beyond -= 1
    stable = beyond == 0
    phase_deg, delay, crossover = math.inf, math.inf, 0.0
    if ones.size:
        _, there = open_loop(plant, controller, ones)
        own = _from_edge(there)
        phase_deg = math.degrees(float(own[np.argmin(np.abs(own))]))
        # an added delay turns clockwise only: from a lead it has to go the whole way round
        delay = float(np.min(np.where(own > 0.0, own, own + 2.0 * math.pi) / ones))
        crossover = float(ones.max())
    return Margins(
        gain=gain,
        phase_deg=phase_deg,
        delay_s=delay if stable else 0.0,
        crossover=crossover,
        peak=_peak(plant, controller, grid),
        stable=stable,
    )


def _peak(plant: Plant, controller: Controller, grid: Floats) -> float:
    def sensitivity(w: Floats) -> Floats:
        size, phase = open_loop(plant, controller, w)
        return np.asarray(1.0 / np.abs(1.0 + size * np.exp(1j * phase)))

    at = int(np.argmax(sensitivity(grid)))
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, grid.size - 1)]
    for _ in range(8):
        fine = np.linspace(low, high, 21)
        at = int(np.argmax(sensitivity(fine)))
        low, high = fine[max(at - 1, 0)], fine[min(at + 1, 20)]
    return float(sensitivity(np.array([0.5 * (low + high)]))[0])


def _most_gain(
    plants: Sequence[Plant], integral_time: float, phase_deg: float, gain: float
) -> float:
    """Largest proportional gain with which every plant keeps the margins, 0 when there is none."""
    unit = Controller(1.0, 1.0 / integral_time if math.isfinite(integral_time) else 0.0)
    curves = [open_loop(plant, unit, _grid(plant, unit)) for plant in plants]
    most = math.inf
    for size, phase in curves:
        fits = phase + math.pi >= math.radians(phase_deg)
        if not np.any(fits):
            return 0.0
        # the highest crossover with enough phase, and no more gain than at any later place
        last = int(np.flatnonzero(fits)[-1])
        most = min(most, 1.0 / float(np.max(size[last:])))
    kp = _KEEP * most
    for _ in range(_STEPS):
        if all(_keeps(kp * size, phase, phase_deg, gain) for size, phase in curves):
            return kp
        kp *= 0.95
    return 0.0


def _keeps(size: Floats, phase: Floats, phase_deg: float, gain: float) -> bool:
    """Whether a loop keeps both margins, by its curve on the grid: the phase is not wrapped."""
    above = size >= 1.0
    cross = np.flatnonzero(above[1:] != above[:-1])
    ends = np.minimum(phase[cross], phase[cross + 1]) + math.pi
    if cross.size and float(ends.min()) < math.radians(phase_deg):
        return False
    beyond = phase <= -math.pi
    first = int(np.argmax(beyond)) if np.any(beyond) else size.size
    return first == size.size or float(np.max(size[first:])) * gain <= 1.0


def largest_gain(
    plant: Plant, controller: Controller, least_phase_margin_deg: float, least_gain_margin: float
) -> float:
    """Return the largest factor on a controller with which a loop keeps two margins.

    Parameters
    ----------
    plant : Plant
        What is controlled.
    controller : Controller
        Shape of the controller.
    least_phase_margin_deg : float [deg]
        Least phase margin.
    least_gain_margin : float [-]
        Least gain margin, above 1.

    Returns
    -------
    float [-]
        Factor, within 2 %; 0 where none is found.
    """
    size, phase = open_loop(plant, controller, _grid(plant, controller))
    seen = size[np.isfinite(size) & (size > 1e-12)]
    coarse = np.geomspace(1.0 / float(seen.min()), 1.0 / float(seen.max()), _COARSE)
    for above, below in pairwise((coarse[0], *coarse)):
        if _keeps(below * size, phase, least_phase_margin_deg, least_gain_margin):
            for factor in np.geomspace(above, below, _FINE):
                if _keeps(factor * size, phase, least_phase_margin_deg, least_gain_margin):
                    return float(factor)
    return 0.0


def pi_for_margins(
    plants: Plant | Sequence[Plant],
    least_phase_margin_deg: float = 45.0,
    least_gain_margin: float = 2.0,
    *,
    integral_time: float | Sequence[float] | None = None,
) -> Controller:
    """Return the fastest PI gains that keep to two margins on every plant.

    Parameters
    ----------
    plants : Plant or sequence of Plant
        One or more operating points that share the gains.
    least_phase_margin_deg : float [deg]
        Least phase margin, 20 to 80.
    least_gain_margin : float [-]
        Least gain margin, above 1; 2 is 6 dB.
    integral_time : float or sequence of float [s], optional
        k_p / k_i, above 0, infinite for none; of several that which gives the most integral gain.
        Without it the largest lag of the plants; where a plant integrates, a range is tried.

    Returns
    -------
    Controller
        Gains of ``kp + ki / s``.

    Raises
    ------
    InputError
        If no gain keeps to the margins, or a value is out of range.

    Notes
    -----
    An integral time as long as the slowest lag answers it with a zero (Astrom and Hagglund,
    Advanced PID Control, from memory).
    """
    chosen = (plants,) if isinstance(plants, Plant) else tuple(plants)
    if not chosen:
        raise InputError("needs at least one plant", key="plants")
    if not 20.0 <= least_phase_margin_deg <= 80.0:
        raise InputError(
            "is out of range",
            key="least_phase_margin_deg",
            value=least_phase_margin_deg,
            allowed="20 to 80",
        )
    if not least_gain_margin > 1.0:
        raise InputError(
            "is out of range", key="least_gain_margin", value=least_gain_margin, allowed="above 1"
        )
    for plant in chosen:
        _check(plant)
    if integral_time is not None:
        times = [float(t) for t in np.atleast_1d(np.asarray(integral_time, dtype=np.float64))]
        if not times or not min(times) > 0.0:
            raise InputError("must be above 0", key="integral_time", value=integral_time)
    elif any(plant.integrates for plant in chosen):
        small = max(sum(p.lags) + p.delay + sum(2.0 * z / w for w, z in p.seconds) for p in chosen)
        times = [float(t) for t in max(small, 1e-3) * np.geomspace(2.0, 60.0, _SEARCH)]
    else:
        times = [max((max(p.lags, default=0.0) for p in chosen), default=0.0)]
        if times[0] <= 0.0:
            times = [max(max(p.delay, sum(2.0 * z / w for w, z in p.seconds)) for p in chosen)]
    best = Controller(0.0)
    for time in times:
        kp = _most_gain(chosen, max(time, 1e-6), least_phase_margin_deg, least_gain_margin)
        found = Controller(kp, kp / max(time, 1e-6))
        if kp > 0.0 and (math.isinf(time) or found.ki > best.ki):
            best = found
    if best.kp <= 0.0:
        raise InputError(
            "no gain keeps to the margins",
            key="least_phase_margin_deg",
            value=least_phase_margin_deg,
            advice="ask for less, or give a longer integral_time",
        )
    return best


def smallest(found: Sequence[Margins]) -> Margins:
    """Return the smallest of several margins.

    Parameters
    ----------
    found : sequence of Margins
        Of loops at several operating points, at least one.

    Returns
    -------
    Margins
        Smallest gain, phase and delay margin, lowest crossover, largest peak; stable if all are.
    """
    return Margins(
        gain=min(m.gain for m in found),
        phase_deg=min(m.phase_deg for m in found),
        delay_s=min(m.delay_s for m in found),
        crossover=min(m.crossover for m in found),
        peak=max(m.peak for m in found),
        stable=all(m.stable for m in found),
    )


def worst(plants: Sequence[Plant], controller: Controller) -> Margins:
    """Return the smallest margins of one controller over several operating points.

    Parameters
    ----------
    plants : sequence of Plant
        Operating points, at least one.
    controller : Controller
        The gains they share.

    Returns
    -------
    Margins
        As ``smallest``.
    """
    return smallest([margins(plant, controller) for plant in plants])
