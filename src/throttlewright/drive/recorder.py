"""From rows of the stepping kernel to a recording with names and units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from throttlewright.calibration import signals as s
from throttlewright.calibration.reactions import ACTIONS
from throttlewright.car import state as c
from throttlewright.car.pack import Car
from throttlewright.drive import channels as i
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.kernel import ROW_INPUT, ROW_OUT, ROW_SIGNAL
from throttlewright.recording.recording import Channel, Event, Recording

__all__ = ["TRACE", "TraceChannel", "to_recording"]

_RPM = 30.0 / math.pi


@dataclass(frozen=True)
class TraceChannel:
    """One channel of a trace: value = scale * row[column] + offset.

    Parameters
    ----------
    name : str
        With its unit suffix.
    unit : str
        Unit, empty for a pure number.
    column : int
        Place in a row of the kernel.
    scale, offset : float
        From the row's unit to the channel's.
    text : str
        What it is.
    """

    name: str
    unit: str
    column: int
    scale: float
    offset: float
    text: str


def _t(
    name: str, unit: str, column: int, text: str, scale: float = 1.0, offset: float = 0.0
) -> TraceChannel:
    return TraceChannel(name, unit, column, scale, offset, text)


def _o(name: str, unit: str, column: int, text: str, scale: float = 1.0) -> TraceChannel:
    return TraceChannel(name, unit, ROW_OUT + column, scale, 0.0, text)


def _i(name: str, unit: str, column: int, text: str) -> TraceChannel:
    return TraceChannel(name, unit, ROW_INPUT + column, 1.0, 0.0, text)


TRACE: tuple[TraceChannel, ...] = (
    _i("pedal_pct", "%", i.IN_PEDAL, "where the foot wants the pedal"),
    _o("pedal_used_pct", "%", s.OUT_PEDAL_PCT, "pedal after validation and reactions"),
    _t("plate_pct", "%", c.AIR_PLATE, "plate itself, of its travel"),
    _o("plate_measured_pct", "%", s.OUT_PLATE_PCT, "plate as the controller sees it"),
    _o("plate_target_pct", "%", s.OUT_TARGET_PCT, "plate that the controller wants"),
    _o("demand_pct", "%", s.OUT_DEMAND_PCT, "plate that the pedal asks for"),
    _o("duty_pct", "%", s.OUT_PWM, "drive of the motor, positive opens", 100.0),
    _o("bridge_1", "", s.OUT_BRIDGE, "0 driven, 1 off"),
    _t("current_A", "A", c.CURRENT, "motor current"),
    _t("winding_degC", "degC", c.WINDING, "motor winding", 1.0, -273.15),
    _t("map_kPa", "kPa", c.P_MANIFOLD, "manifold pressure, absolute", 1e-3),
    _t("pipe_kPa", "kPa", c.P_PIPE, "pressure before the plate, absolute", 1e-3),
    _t("exhaust_kPa", "kPa", c.P_EXHAUST, "pressure in the exhaust manifold, absolute", 1e-3),
    _t("charge_degC", "degC", c.T_MANIFOLD, "charge in the manifold", 1.0, -273.15),
    _t("air_flow_g_s", "g/s", c.FLOW_CYLINDERS, "air into the cylinders", 1e3),
    _t("turbo_rpm", "rpm", c.TURBO_SPEED, "shaft of the turbo", _RPM),
    _t("wastegate_pct", "%", c.WASTEGATE, "wastegate, 0 shut", 100.0),
    _t("relief_pct", "%", c.RELIEF, "relief valve, 0 shut", 100.0),
    _t("surge_margin_1", "", c.SURGE_MARGIN, "distance from surge over flow, 1 without boost"),
    _t("engine_rpm", "rpm", c.OMEGA, "engine speed", _RPM),
    _t("torque_Nm", "N*m", c.TORQUE, "brake torque of the engine"),
    _t("shaft_torque_Nm", "N*m", c.SHAFT_TORQUE, "torque at the driven wheels"),
    _t("coolant_degC", "degC", c.COOLANT, "coolant", 1.0, -273.15),
    _t("oil_degC", "degC", c.OIL, "engine oil", 1.0, -273.15),
    _t("intake_degC", "degC", c.T_PIPE, "charge before the plate", 1.0, -273.15),
    _t("exhaust_degC", "degC", c.T_EXHAUST, "exhaust gas at its sensor", 1.0, -273.15),
    _t("exhaust_port_degC", "degC", c.T_PORT, "exhaust gas at the port", 1.0, -273.15),
    _t("brake_vacuum_kPa", "kPa", c.BOOSTER, "vacuum of the brake booster", -1e-3),
    _t("speed_m_s", "m/s", c.SPEED, "road speed"),
    _t("acceleration_m_s2", "m/s^2", c.ACCELERATION, "acceleration of the car"),
    _t("distance_m", "m", c.DISTANCE, "distance"),
    _t("slip_1", "", c.SLIP, "slip of the driven tyres"),
    _t("driven_speed_m_s", "m/s", c.OMEGA_DRIVEN, "speed of the driven wheels"),
    _t("free_speed_m_s", "m/s", c.OMEGA_FREE, "speed of the wheels that are not driven"),
    _o("retard_deg", "deg", s.OUT_RETARD, "ignition later than usual"),
    _o("fuel_cut_1", "", s.OUT_FUEL_CUT, "share of cylinders without fuel"),
    _o("bleed_pct", "%", s.OUT_BLEED, "share of the pressure signal kept from the wastegate"),
    _o(
        "in_charge_plate_1", "", s.OUT_CHARGE_PLATE, "who sets the plate: 0 demand, n row, -k fault"
    ),
    _o("in_charge_retard_1", "", s.OUT_CHARGE_RETARD, "who sets the retard"),
    _o("in_charge_fuel_1", "", s.OUT_CHARGE_FUEL, "who cuts the fuel"),
    _o("in_charge_wastegate_1", "", s.OUT_CHARGE_WASTEGATE, "who sets the bleed"),
    _o("action_1", "", s.OUT_ACTION, "active actions, one bit each"),
    _o("detected_1", "", s.OUT_DETECTED, "confirmed faults"),
    TraceChannel(
        "map_measured_kPa", "kPa", ROW_SIGNAL + s.SIG_MAP_KPA, 1.0, 0.0, "manifold sensor"
    ),
    TraceChannel("oil_kPa", "kPa", ROW_SIGNAL + s.SIG_OIL_KPA, 1.0, 0.0, "oil pressure"),
    TraceChannel(
        "mixture_1", "", ROW_SIGNAL + s.SIG_MIXTURE, 1.0, 0.0, "air per fuel over the wanted one"
    ),
    TraceChannel("battery_V", "V", ROW_SIGNAL + s.SIG_BATTERY_V, 1.0, 0.0, "supply"),
    _i("brake_pct", "%", i.IN_BRAKE, "brake pedal"),
    _i("clutch_pct", "%", i.IN_CLUTCH, "clutch, 100 engaged"),
    _i("gear_1", "", i.IN_GEAR, "gear, 0 neutral"),
    _i("load_Nm", "N*m", i.IN_LOAD, "load of the auxiliaries"),
    _i("grip_1", "", i.IN_GRIP, "factor on the grip of the tyres"),
    _i("mode_1", "", i.IN_MODE, "mode, 0 the first"),
    _i("fuel_pressure_pct", "%", i.IN_FUEL_PRESSURE, "fuel pressure, of the wanted one"),
    _i("ethanol_pct", "%", i.IN_ETHANOL, "ethanol in the fuel"),
    _i("pit_1", "", i.IN_PIT, "pit-lane switch, 1 on"),
    _i("arm_1", "", i.IN_ARM, "switch that arms launch or anti-lag"),
    _i("shift_1", "", i.IN_SHIFT, "1 an upshift, -1 a downshift asked for"),
    _i("key_1", "", i.IN_KEY, "key, 1 on"),
)
"""Channels of a trace, in the order in which they are kept."""


def _events(t: np.ndarray, rows: np.ndarray, faults: Sequence[InjectedFault]) -> list[Event]:
    found = [Event(f.at, "fault", f"{f.kind} sets in") for f in faults]
    found += [Event(f.until, "fault", f"{f.kind} is gone") for f in faults if f.until is not None]
    actions = rows[:, ROW_OUT + s.OUT_ACTION].astype(np.int64)
    for place in np.flatnonzero(np.diff(actions)):
        new = actions[place + 1] & ~actions[place]
        gone = actions[place] & ~actions[place + 1]
        for bit, name in enumerate(ACTIONS):
            if new >> bit & 1:
                found.append(Event(float(t[place + 1]), "reaction", f"{name} begins"))
            if gone >> bit & 1:
                found.append(Event(float(t[place + 1]), "reaction", f"{name} ends"))
    return sorted(found, key=lambda event: event.t_s)


def to_recording(
    car: Car,
    rows: np.ndarray,
    *,
    step_s: float,
    faults: Sequence[InjectedFault] = (),
    meta: Mapping[str, object] | None = None,
) -> Recording:
    """Turn rows of the kernel into a recording.

    Parameters
    ----------
    car : Car
        The car that was driven.
    rows : ndarray [SI]
        Rows of the kernel, shape (n, ROW_WIDTH).
    step_s : float [s]
        Time between rows.
    faults : sequence of InjectedFault
        What was injected, for the events.
    meta : mapping
        Facts to keep with it.

    Returns
    -------
    Recording
        Channels of ``TRACE`` on one clock from 0.
    """
    rec = car.record
    # ten decimals: a clock of thousandths that prints as written
    t = np.round(step_s * np.arange(rows.shape[0]), 10)
    own = {
        "plate_pct": (100.0 / float(rec["servo_travel"]), 0.0),
        "brake_vacuum_kPa": (-1e-3, float(rec["p_ambient"]) * 1e-3),
        "driven_speed_m_s": (float(rec["tyre_radius"]), 0.0),
        "free_speed_m_s": (float(rec["tyre_radius"]), 0.0),
    }
    channels = []
    for channel in TRACE:
        scale, offset = own.get(channel.name, (channel.scale, channel.offset))
        values = rows[:, channel.column] * scale + offset
        channels.append(Channel(channel.name, channel.unit, t, values))
    return Recording.of(channels, _events(t, rows, faults), meta)
