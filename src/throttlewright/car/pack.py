"""From a completed build to the packed record that compiled code reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from throttlewright.build.schema import Build
from throttlewright.car.charging import boost_curve, pack_charging, smooth_curve
from throttlewright.car.dyno import efficiency_curve, ve_from_dyno
from throttlewright.car.flows import engine_flow, over_speed, plate_area_of
from throttlewright.car.plant_pack import pack_motion
from throttlewright.car.record import (
    CAR_DTYPE,
    CD_POINTS,
    LATE_POINTS,
    LATE_STEP,
    RUNNER_AREAS,
    RUNNER_SPEEDS,
    SPEED_POINTS,
    Charging,
    copied,
)
from throttlewright.foundation.compiled import kernel
from throttlewright.foundation.errors import InputError
from throttlewright.physics.atmosphere import dry_pressure, isa_pressure
from throttlewright.physics.combustion import fuel_blend
from throttlewright.physics.cylinders import runner_charge
from throttlewright.physics.friction import fmep_polynomial
from throttlewright.physics.gas import (
    GAMMA_AIR,
    R_AIR,
    choked_flow_function,
    shape_gamma_for_critical_ratio,
)
from throttlewright.physics.late_burn import late_burn

_LATE_PRESSURE = 100e3
_LATE_OMEGA = 400.0
"""Charge and engine speed of the closed cycle behind late ignition [Pa, rad/s]: from 40 to 200 kPa
and 2000 to 7000 rpm its share changes by 0.03 at most."""

__all__ = ["Car", "pack", "with_site", "with_variation"]

_KINDS = {
    "none": Charging.NONE,
    "turbo": Charging.TURBO,
    "supercharger": Charging.SUPERCHARGER,
    "centrifugal": Charging.CENTRIFUGAL,
}
_RUNNER_STEPS = 720.0
_BACK_PRESSURE_SHARE = 1.2
"""Turbine back pressure per boost, matched road turbo; from memory, 0.8 to 1.8."""
_COMPRESSOR_EFFICIENCY = 0.70
"""Total-to-total near the middle of a compressor map; common practice, no source."""
_OVERLAP_EXPONENT = {"short": 1.35, "medium": 1.30, "long": 1.22}
"""Residual gas grows with cam overlap; the exponent carries it. From memory, unverified."""


@dataclass(frozen=True)
class Car:
    """A build made ready to compute.

    ``record`` holds SI numbers for compiled code, ``build`` what the person wrote, completed.
    """

    build: Build
    record: np.void

    @property
    def idle(self) -> float:
        """Idle speed [rad/s]."""
        return float(self.record["idle_omega"])

    @property
    def limit(self) -> float:
        """Rev limit [rad/s]."""
        return float(self.record["limit_omega"])

    @property
    def charged(self) -> bool:
        """Whether anything raises the pressure before the plate."""
        return bool(self.record["charging"] > 0.5)

    @property
    def turbo(self) -> bool:
        """Whether boost lags behind the pedal (a turbo, not a driven compressor)."""
        return int(self.record["charging"]) == Charging.TURBO

    @property
    def controllable(self) -> bool:
        """Whether a controller can ask for a boost between spring and full."""
        return bool(self.build.turbo is not None and self.build.turbo.controllable)

    @property
    def psi_closed(self) -> float:
        """Closed stop [rad]."""
        return float(self.record["psi_closed"])

    @property
    def psi_open(self) -> float:
        """Open stop [rad]."""
        return float(self.record["psi_open"])

    @overload
    def plate_pct(self, psi: float) -> float: ...

    @overload
    def plate_pct(self, psi: NDArray[np.float64]) -> NDArray[np.float64]: ...

    def plate_pct(self, psi: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
        """Opening of a plate angle.

        100 (psi - psi_closed) / (psi_open - psi_closed)

        Parameters
        ----------
        psi : float or ndarray [rad]
            Plate angle, of any shape.

        Returns
        -------
        float or ndarray [%]
            0 at the closed stop, 100 at the open one.
        """
        return 100.0 * (psi - self.psi_closed) / (self.psi_open - self.psi_closed)

    def full_boost(self, omega: np.ndarray) -> np.ndarray:
        """Pressure before the plate wide open and settled.

        Parameters
        ----------
        omega : ndarray [rad/s]
            Engine speeds.

        Returns
        -------
        ndarray [Pa]
            Absolute pressure; ambient where there is no charging.
        """
        grid = self.record["omega_step"] * np.arange(SPEED_POINTS)
        return np.asarray(np.interp(omega, grid, self.record["boost"]))

    def over_speed(self, name: str, omega: np.ndarray) -> np.ndarray:
        """Read one of the record's curves over engine speed.

        Parameters
        ----------
        name : str
            Field of the record, such as ``"ve_speed"``.
        omega : ndarray [rad/s]
            Engine speeds.

        Returns
        -------
        ndarray [-]
            Values in the unit of the curve.
        """
        grid = self.record["omega_step"] * np.arange(SPEED_POINTS)
        return np.asarray(np.interp(omega, grid, self.record[name]))


@kernel
def _fill_runners(
    omegas: np.ndarray,
    areas: np.ndarray,
    ves: np.ndarray,
    volume: float,
    runner_volume: float,
    compression_ratio: float,
    p_upstream: float,
    T_upstream: float,
    p_exhaust: float,
    shape_gamma: float,
    steps: float,
    share: np.ndarray,
    pressure: np.ndarray,
) -> None:
    for i in range(omegas.shape[0]):
        for j in range(areas.shape[0]):
            s, p = runner_charge(
                omegas[i],
                areas[j],
                volume,
                runner_volume,
                compression_ratio,
                p_upstream,
                T_upstream,
                p_exhaust,
                shape_gamma,
                ves[i],
                steps,
            )
            share[i, j] = s
            pressure[i, j] = p / p_upstream


def pack(build: Build) -> Car:
    """Turn a completed build into a car.

    Parameters
    ----------
    build : Build
        A build with every field filled (``build.assumptions.complete``).

    Returns
    -------
    Car
        Ready to compute.

    Raises
    ------
    InputError
        If the build describes an arrangement that is not modelled.
    """
    if build.plate.upstream_of == "compressor":
        raise InputError(
            "a plate before the compressor is not modelled",
            key="plate.upstream_of",
            value="compressor",
            allowed="manifold",
            advice="move the plate behind the compressor or treat the car as unboosted",
        )
    rec = np.zeros(1, CAR_DTYPE)[0]
    _pack_engine(rec, build)
    _pack_plate(rec, build)
    _pack_site_and_air(rec, build)
    _pack_breathing(rec, build)
    pack_charging(rec, build)
    _pack_runners(rec, build)
    pack_motion(rec, build)
    return Car(build=build, record=rec)


def _pack_engine(rec: np.void, build: Build) -> None:
    engine = build.engine
    rec["displacement"] = engine.displacement
    rec["cylinders"] = float(engine.cylinders)
    rec["compression_ratio"] = engine.compression_ratio
    rec["engine_inertia"] = engine.inertia
    rec["idle_omega"] = engine.idle_speed
    rec["limit_omega"] = engine.rev_limit
    step = 1.12 * engine.rev_limit / (SPEED_POINTS - 1)
    rec["omega_step"] = step
    omega = step * np.arange(SPEED_POINTS)
    if engine.friction_torque is not None:
        friction = engine.friction_torque.constant + engine.friction_torque.quadratic * omega**2
    else:
        piston = omega * engine.stroke / math.pi
        fmep = np.array(
            [
                fmep_polynomial(
                    float(s),
                    c0=engine.friction_constant,
                    c1=engine.friction_linear,
                    c2=engine.friction_quadratic,
                )
                for s in piston
            ]
        )
        friction = fmep * engine.displacement / (4.0 * math.pi)
    rec["friction"] = friction
    rec["efficiency"] = efficiency_curve(engine, omega)
    rec["residual_exponent"] = _OVERLAP_EXPONENT[engine.cam_overlap]
    fuel = fuel_blend(engine.ethanol)
    rec["lhv"] = engine.heating_value if engine.heating_value is not None else fuel.lhv
    rec["afr_stoich"] = (
        engine.stoichiometric if engine.stoichiometric is not None else fuel.afr_stoich
    )
    rec["lambda_part"] = engine.lambda_part
    rec["lambda_full"] = engine.lambda_full
    rec["retard_full"] = engine.ignition_retard_full
    for i in range(LATE_POINTS):
        rec["late_torque"][i], rec["late_heat"][i] = late_burn(
            i * LATE_STEP,
            _LATE_PRESSURE,
            omega=_LATE_OMEGA,
            bore=engine.bore,
            stroke=engine.stroke,
            compression_ratio=engine.compression_ratio,
        )


def _pack_plate(rec: np.void, build: Build) -> None:
    plate = build.plate
    rec["plates"] = float(plate.count)
    rec["bore"] = plate.bore
    rec["shaft"] = plate.shaft
    rec["psi_closed"] = plate.closed
    rec["psi_open"] = plate.open
    first = plate.closed
    step = (math.pi / 2.0 - first) / (CD_POINTS - 1)
    grid = first + step * np.arange(CD_POINTS)
    rec["cd_first"] = first
    rec["cd_step"] = step
    rec["cd"] = smooth_curve(np.array(plate.discharge.psi), np.array(plate.discharge.value), grid)
    rec["leak_area"] = plate.leak_area * rec["cd"][0]
    rec["gamma"] = GAMMA_AIR
    rec["shape_gamma"] = shape_gamma_for_critical_ratio(plate.critical_ratio)
    rec["loss_coefficient"] = plate.loss_coefficient


def _pack_site_and_air(rec: np.void, build: Build) -> None:
    site = build.site
    p = isa_pressure(site.altitude)
    rec["p_ambient"] = p
    rec["T_ambient"] = site.temperature
    rec["dry_share"] = dry_pressure(p, site.temperature, relative_humidity=site.humidity) / p
    air, engine = build.air_path, build.engine
    rec["filter_resistance"] = air.filter_resistance
    if air.restrictor is not None:
        throat = 0.25 * math.pi * air.restrictor**2
        rec["restrictor_flow"] = (
            throat * p / math.sqrt(R_AIR * site.temperature) * choked_flow_function(GAMMA_AIR)
        )
    rec["intercooler_resistance"] = air.intercooler_resistance
    rec["intercooler_effectiveness"] = air.intercooler_effectiveness
    rec["compressor_efficiency"] = _COMPRESSOR_EFFICIENCY
    rec["manifold_volume"] = air.manifold_volume
    rec["pipe_volume"] = air.charge_pipe_volume
    rec["exhaust_resistance"] = engine.exhaust_resistance
    rec["exhaust_rise"] = engine.exhaust_rise
    rec["charge_temperature_rise"] = engine.charge_temperature_rise


def _pack_breathing(rec: np.void, build: Build) -> None:
    engine = build.engine
    omega = float(rec["omega_step"]) * np.arange(SPEED_POINTS)
    rec["boost"] = boost_curve(rec, build)
    if build.turbo is not None:
        rec["turbine_pressure_share"] = _BACK_PRESSURE_SHARE
    rec["charging"] = float(_KINDS[build.charging_kind])
    if engine.dyno is not None:
        speed, ve = ve_from_dyno(build, rec)
    elif engine.volumetric_efficiency is not None:
        speed = np.array(engine.volumetric_efficiency.speed)
        ve = np.array(engine.volumetric_efficiency.value)
    else:
        raise InputError("has neither a dyno curve nor a volumetric efficiency", key="engine")
    rec["ve_speed"] = smooth_curve(speed, ve, omega)
    rec["rated_flow"] = _rated_flow(rec)


def _rated_flow(rec: np.void) -> float:
    top = float(np.max(rec["boost"]))
    flow, _ = engine_flow(
        top,
        float(rec["T_ambient"] + rec["charge_temperature_rise"]),
        pipe=top,
        omega=float(rec["limit_omega"]),
        car=rec,
    )
    return float(flow)


def _pack_runners(rec: np.void, build: Build) -> None:
    plate = build.plate
    if plate.arrangement != "individual runners":
        return
    rec["individual"] = 1.0
    cylinders = float(rec["cylinders"])
    limit = float(rec["limit_omega"])
    step = 1.05 * limit / (RUNNER_SPEEDS - 1)
    omegas = step * np.arange(RUNNER_SPEEDS)
    omegas[0] = 0.3 * step  # a standing engine has no cycle; lookups below idle are not used
    widest = plate_area_of(float(rec["psi_open"]), car=rec) / cylinders
    logs = np.linspace(math.log(2e-6), math.log(1.02 * widest), RUNNER_AREAS)
    share = np.empty((RUNNER_SPEEDS, RUNNER_AREAS))
    pressure = np.empty((RUNNER_SPEEDS, RUNNER_AREAS))
    ves = np.array(
        [over_speed(rec["ve_speed"], float(w), omega_step=float(rec["omega_step"])) for w in omegas]
    )
    _fill_runners(
        omegas,
        np.exp(logs),
        ves=ves,
        volume=float(rec["displacement"]) / cylinders,
        runner_volume=plate.runner_volume * plate.count / cylinders,
        compression_ratio=float(rec["compression_ratio"]),
        p_upstream=float(rec["p_ambient"]),
        T_upstream=float(rec["T_ambient"] + rec["charge_temperature_rise"]),
        p_exhaust=float(rec["p_ambient"]) * 1.05,
        shape_gamma=float(rec["shape_gamma"]),
        steps=_RUNNER_STEPS,
        share=share,
        pressure=pressure,
    )
    rec["runner_omega_step"] = step
    rec["runner_log_first"] = logs[0]
    rec["runner_log_step"] = logs[1] - logs[0]
    # the build's volumetric efficiency is measured wide open, so what late closing adds there is
    # already in it: shares are counted from wide open and never fall with area
    rec["runner_share"] = np.maximum.accumulate(share, axis=1) / np.max(share, axis=1)[:, None]
    rec["runner_pressure"] = pressure


def with_variation(
    car: Car, *, ve: float = 1.0, cd: float = 1.0, closed: float = 0.0, friction: float = 1.0
) -> Car:
    """Return the car with some of its less certain numbers moved.

    Parameters
    ----------
    car : Car
        Nominal car.
    ve : float [-]
        Factor on volumetric efficiency, 0.5 to 1.5.
    cd : float [-]
        Factor on the discharge coefficient, 0.5 to 1.5.
    closed : float [rad]
        Added to the closed stop; the opening counts from the moved stop, as a learned stop does.
    friction : float [-]
        Factor on friction torque, 0.2 to 3.

    Returns
    -------
    Car
        A copy; the given car is unchanged.
    """
    rec = copied(car.record)
    rec["ve_speed"] *= ve
    rec["cd"] *= cd
    rec["leak_area"] *= cd
    rec["psi_closed"] = max(float(rec["psi_closed"]) + closed, 0.0)
    rec["friction"] *= friction
    return replace(car, record=rec)


def with_site(car: Car, *, altitude: float, temperature: float, humidity: float) -> Car:
    """Return the same car at another place, with its engine and parts unchanged.

    Parameters
    ----------
    car : Car
        Car at its own site.
    altitude : float [m]
        Geopotential altitude, -430 to 6000.
    temperature : float [K]
        Air temperature.
    humidity : float [-]
        Relative humidity, 0 to 1.

    Returns
    -------
    Car
        Repacked car; a dyno curve is still read at the site it was measured at.
    """
    rec = copied(car.record)
    site = car.build.site.model_copy(
        update={"altitude": altitude, "temperature": temperature, "humidity": humidity}
    )
    build = car.build.model_copy(update={"site": site})
    ve = np.array(rec["ve_speed"])
    _pack_site_and_air(rec, build)
    rec["boost"] = boost_curve(rec, build)
    rec["ve_speed"] = ve
    pack_charging(rec, build, fit_spool=False)
    rec["rated_flow"] = _rated_flow(rec)
    if rec["individual"] > 0.5:
        _pack_runners(rec, build)
    return Car(build=build, record=rec)
