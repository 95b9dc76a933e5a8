"""The numbers that the strategy reads, their places when packed, and typical values.

A calibration that lacks one of them runs on the value here, so files made before a number existed
stay usable. None of these values fits a certain car: they are shown as typical until replaced.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["DEFAULTS", "Number"]


class Number(NamedTuple):
    """One number that is not a table: value, unit, and where it comes from."""

    value: float
    unit: str
    source: str


_PRACTICE = "typical; common practice, no source"
_MEMORY = "typical; from memory, unverified"
_CHOICE = "choice of this program"
_LAB = "typical; from one body identified in a laboratory, over 84 deg of travel at 12 V"

NO_LIMIT = 1e9
"""Stands for 'no rate limit' in a file that cannot hold infinity."""

DEFAULTS: dict[str, Number] = {
    # sensors
    "pedal_1_released_V": Number(0.75, "V", _MEMORY),
    "pedal_1_full_V": Number(4.5, "V", _MEMORY),
    "pedal_2_released_V": Number(0.375, "V", _MEMORY),
    "pedal_2_full_V": Number(2.25, "V", _MEMORY),
    "plate_1_closed_V": Number(0.6, "V", _MEMORY),
    "plate_1_open_V": Number(4.4, "V", _MEMORY),
    "plate_2_closed_V": Number(4.4, "V", _MEMORY),
    "plate_2_open_V": Number(0.6, "V", _MEMORY),
    "pedal_released_pct": Number(2.0, "%", _MEMORY),
    "slope_filter_s": Number(0.01, "s", _CHOICE),
    "slip_least_m_s": Number(2.0, "m/s", _CHOICE),
    # plate servo
    "servo_kp": Number(0.06, "1/%", _LAB),
    "servo_ki": Number(0.3, "1/(% s)", _LAB),
    "servo_kd": Number(0.0012, "s/%", _LAB),
    "servo_kd_filter_s": Number(0.003, "s", _MEMORY),
    "servo_friction_duty": Number(0.06, "", _LAB),
    "servo_friction_band_pct": Number(0.3, "%", _CHOICE),
    "servo_spring_duty_above": Number(0.13, "", _LAB),
    "servo_spring_slope_duty_per_pct": Number(0.0004, "1/%", _LAB),
    "servo_spring_duty_below": Number(0.13, "", _LAB),
    "servo_slope_below": Number(0.0004, "1/%", _LAB),
    "servo_default_pct": Number(7.0, "%", _LAB),
    "servo_rest_band_pct": Number(0.5, "%", _CHOICE),
    "servo_battery_V": Number(12.0, "V", _LAB),
    "servo_integral_band_pct": Number(5.0, "%", _CHOICE),
    "servo_most_duty": Number(1.0, "", _CHOICE),
    "plate_rise_pct_s": Number(1000.0, "%/s", _MEMORY),
    "plate_fall_pct_s": Number(NO_LIMIT, "%/s", "closing is not limited; common practice"),
    "least_target_pct": Number(0.4, "%", _MEMORY),
    # pedal to plate
    "mode_blend_s": Number(0.5, "s", _CHOICE),
    # fuel
    "rev_limit_rpm": Number(6500.0, "rpm", _PRACTICE),
    "rev_hysteresis_rpm": Number(100.0, "rpm", _PRACTICE),
    "overrun_fuel_cut_above_rpm": Number(0.0, "rpm", "0: no fuel cut on the overrun"),
    "resume_rpm": Number(1200.0, "rpm", _MEMORY),
    "overrun_delay_s": Number(0.3, "s", _PRACTICE),
    "limp_rpm": Number(2500.0, "rpm", _MEMORY),
    # boost
    "boost_spring_kPa": Number(50.0, "kPa", "typical, over ambient; common practice, no source"),
    "boost_ambient_kPa": Number(101.325, "kPa", "standard atmosphere at sea level"),
    "boost.kp": Number(0.5, "%/kPa", _CHOICE),
    "boost.ki": Number(1.0, "%/(kPa s)", _CHOICE),
    "boost_integral_band_kPa": Number(20.0, "kPa", _CHOICE),
    # supervision
    "supervision_ticks": Number(1.0, "", _CHOICE),
    "tracking_least_V": Number(9.0, "V", _MEMORY),
    "brake_override_above_m_s": Number(2.0, "m/s", _MEMORY),
    "other_track_most_pct": Number(50.0, "%", "one road car's service manual"),
    "limp_pedal_pct": Number(30.0, "%", _PRACTICE),
    "limited_rise_pct_s": Number(150.0, "%/s", _MEMORY),
    "self_recovery_s": Number(0.5, "s", _CHOICE),
    "boost.lead_s": Number(0.0, "s", _CHOICE),
    # plate servo, by side of the rest position and by temperature
    "servo_kp_below_share": Number(1.0, "", _CHOICE),
    "servo_warm_per_K": Number(0.0, "1/K", _CHOICE),
    # brake over pedal
    "brake_override_order": Number(0.0, "", "0 whichever came first, 1 brake after pedal only"),
    "brake_override_least_pct": Number(0.0, "%", "0: any braking; of the full brake signal"),
    # pedal
    "mode_change_released": Number(0.0, "", "0 at any pedal, blended; 1 only at a released one"),
    # torque monitor, where its tables are
    "monitor_lag_s": Number(0.3, "s", "typical; filling and plate on a release, from memory"),
}
"""Every number the strategy reads by name, with a typical value. Order is the order when packed."""
