"""What a controller sees and gives: places in the arrays of the strategy, and named channels.

Signals are in the units a controller works in (V, kPa, rpm, degC, m/s, A, %), not in SI.
"""

from __future__ import annotations

from typing import NamedTuple

TICK_S = 0.001
"""Length of one tick of the strategy, s."""

# Signals: what the controller measures in a tick.
SIG_PEDAL_1_V = 0
SIG_PEDAL_2_V = 1
SIG_PLATE_1_V = 2
SIG_PLATE_2_V = 3
SIG_REFERENCE_V = 4  # supply of the sensors, 5 V
SIG_BATTERY_V = 5
SIG_MAP_KPA = 6
SIG_PIPE_KPA = 7
SIG_ENGINE_RPM = 8
SIG_DRIVEN_M_S = 9  # driven wheels
SIG_FREE_M_S = 10  # wheels that are not driven
SIG_COOLANT_DEGC = 11
SIG_BRAKE = 12  # 0 or 1
SIG_CLUTCH = 13  # 1 engaged
SIG_GEAR = 14  # 0 neutral
SIG_CURRENT_A = 15  # motor of the plate
SIG_MODE = 16  # 0 the first mode
SIG_KEY = 17  # 1 on
SIG_BUS_AGE_S = 18  # age of the last message that brings the pedal
SIG_REQUEST_PCT = 19  # an external request to raise the demand
SIG_BRAKE_PCT = 20  # brake pressure or force, share of the full signal; 0 from a switch
SIG_OIL_DEGC = 21
SIG_OIL_KPA = 22  # oil pressure, gauge
SIG_INTAKE_DEGC = 23  # charge before the plate
SIG_EXHAUST_DEGC = 24
SIG_MIXTURE = 25  # measured air per fuel over the wanted one; above 1 lean
SIG_FUEL_PRESSURE_PCT = 26  # of the wanted one, over the manifold
SIG_ETHANOL_PCT = 27  # of the fuel; below 0 or above 100 from a sensor that is lost
SIG_PIT = 28  # 1 pit-lane switch on
SIG_ARM = 29  # 1 switch that arms launch or anti-lag
SIG_SHIFT = 30  # 1 an upshift, -1 a downshift is asked for
SIG_KNOWN_LOAD_NM = 31  # of auxiliaries that say when they switch on
N_SIGNALS = 32

# Outputs: what the controller gives, and what it says about itself.
OUT_PWM = 0  # -1 to 1, positive opens
OUT_BRIDGE = 1  # 0 driven, 1 off (open circuit)
OUT_RELAY = 2  # 1 closed
OUT_RETARD = 3  # deg behind best torque
OUT_FUEL_CUT = 4  # share of the cylinders that get no fuel
OUT_BLEED = 5  # % of the pressure signal kept from the wastegate
OUT_DEMAND_PCT = 6  # plate the pedal asks for
OUT_TARGET_PCT = 7  # plate after arbitration and rate limits
OUT_PLATE_PCT = 8  # measured, as used
OUT_PEDAL_PCT = 9  # validated
OUT_CHARGE_PLATE = 10  # 0 demand or nobody, n row n of the limits from 1, -k reaction row k
OUT_CHARGE_RETARD = 11
OUT_CHARGE_FUEL = 12
OUT_CHARGE_WASTEGATE = 13
OUT_ACTION = 14  # sum of 2**k over the active actions k of reactions.ACTIONS
OUT_DETECTED = 15  # confirmed faults
N_OUT = 16

BRIDGE_DRIVEN = 0.0
BRIDGE_OFF = 1.0


class ChannelName(NamedTuple):
    """A channel that a row may read: its name, unit and meaning."""

    name: str
    unit: str
    text: str


CH_PEDAL_PCT = 0
CH_PLATE_PCT = 1
CH_PLATE_TARGET_PCT = 2
CH_ENGINE_RPM = 3
CH_MAP_KPA = 4
CH_MAP_SLOPE = 5
CH_PIPE_KPA = 6
CH_PIPE_SLOPE = 7
CH_COOLANT_DEGC = 8
CH_SPEED_M_S = 9
CH_SLIP = 10
CH_GEAR = 11
CH_MODE = 12
CH_SINCE_START_S = 13
CH_BRAKE = 14
CH_CLUTCH = 15
CH_BATTERY_V = 16
CH_RELEASED_S = 17
CH_ENGINE_SLOPE = 18
CH_OIL_DEGC = 19
CH_OIL_KPA = 20
CH_INTAKE_DEGC = 21
CH_EXHAUST_DEGC = 22
CH_MIXTURE = 23
CH_FUEL_PRESSURE_PCT = 24
CH_ETHANOL_PCT = 25
CH_PIT = 26
CH_ARM = 27
CH_SHIFT = 28
CH_DRIVEN_M_S = 29
CH_KNOWN_LOAD_NM = 30
N_CHANNELS = 31

CHANNELS: tuple[ChannelName, ...] = (
    ChannelName("pedal_pct", "%", "pedal after validation and reactions"),
    ChannelName("plate_pct", "%", "plate, measured"),
    ChannelName("plate_target_pct", "%", "plate target of the tick before"),
    ChannelName("engine_rpm", "rpm", "engine speed"),
    ChannelName("map_kPa", "kPa", "manifold pressure, absolute"),
    ChannelName("map_slope_kPa_s", "kPa/s", "its filtered slope"),
    ChannelName("pipe_kPa", "kPa", "pressure before the plate, absolute"),
    ChannelName("pipe_slope_kPa_s", "kPa/s", "its filtered slope"),
    ChannelName("coolant_degC", "degC", "coolant"),
    ChannelName("speed_m_s", "m/s", "speed of the wheels that are not driven"),
    ChannelName("slip_1", "", "driven over free wheel speed, less 1"),
    ChannelName("gear_1", "", "gear, 0 neutral"),
    ChannelName("mode_1", "", "mode asked for, 0 the first"),
    ChannelName("since_start_s", "s", "time since the engine first ran above 400 rpm"),
    ChannelName("brake_1", "", "1 brake pressed"),
    ChannelName("clutch_1", "", "1 clutch engaged"),
    ChannelName("battery_V", "V", "battery"),
    ChannelName("released_s", "s", "time the pedal has been released"),
    ChannelName("engine_slope_rpm_s", "rpm/s", "filtered slope of engine speed"),
    ChannelName("oil_degC", "degC", "engine oil"),
    ChannelName("oil_kPa", "kPa", "oil pressure, over ambient"),
    ChannelName("intake_degC", "degC", "charge before the plate"),
    ChannelName("exhaust_degC", "degC", "exhaust gas"),
    ChannelName("mixture_1", "", "measured air per fuel over the wanted one, above 1 lean"),
    ChannelName("fuel_pressure_pct", "%", "fuel pressure over the manifold, of the wanted one"),
    ChannelName("ethanol_pct", "%", "ethanol in the fuel; outside 0 to 100 the sensor is lost"),
    ChannelName("pit_1", "", "1 pit-lane switch on"),
    ChannelName("arm_1", "", "1 switch that arms launch or anti-lag is on"),
    ChannelName("shift_1", "", "1 an upshift, -1 a downshift is asked for"),
    ChannelName("driven_m_s", "m/s", "speed of the driven wheels"),
    ChannelName("known_load_Nm", "N*m", "load of the auxiliaries that say when they switch on"),
)
"""The channels that ``x``, ``y`` and ``arm`` of a limit may name, in the order of ``CH_*``."""

CHANNEL_NAMES = tuple(channel.name for channel in CHANNELS)
