"""The list of faults: what each does, how it is noticed, and where it shows if nobody reacts.

``row`` is the row of the failure mode and effects list of an electronic throttle that the kinds
come from, compiled from service data, rule books and common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["FAULTS", "Applies", "FaultKind"]

Applies = Literal["any", "turbo", "several plates"]


@dataclass(frozen=True)
class FaultKind:
    """One kind of fault.

    Parameters
    ----------
    name : str
         As written in a scenario file.
    code : int
         Place in the array F; the constants ``drive.faults.F_*`` name it.
    unit : str
         Unit of the severity; ``"1"`` with a range that ends at 1 is a share or just "present".
    default : float
         Severity where none is given.
    low, high : float
         Allowed severity, ends included; 0 is refused, for it is the healthy car.
    row : int
         Row of the failure mode and effects list; 0 where the kind is not on it.
    text : str
         What happens.
    detection_hint : str
         By what a controller can tell.
    expected_reaction : str
         What it should do.
    proved_in : str
         Scenario, expanded name, in which the car without the reaction goes wrong.
    proved_at_s : float
         Time of injection there [s].
    goes_wrong : str
         What is then seen without the reaction, judged or not, as the shipped cars show it.
    applies : str
         Cars that can have it.
    limits : tuple of str
         Beginnings of the names of limit rows that belong to the reaction.
    hidden_first : str
         Fault that may have lain hidden before and without which this one stays hidden as well;
         the proof is given with it.
    """

    name: str
    code: int
    unit: str
    default: float
    low: float
    high: float
    row: int
    text: str
    detection_hint: str
    expected_reaction: str
    proved_in: str
    proved_at_s: float
    goes_wrong: str
    applies: Applies = "any"
    limits: tuple[str, ...] = ()
    hidden_first: str = ""


_K = FaultKind
_CRUISE = "steady_cruise"
_RELEASE = "pedal_release"
_NEUTRAL = "pedal_release_neutral"
_PULL = "full_load_pull"
_SLOW = "low_speed_release"

FAULTS: tuple[FaultKind, ...] = (
    _K("pedal_1_low", 0, "1", 1.0, 0.0, 1.0, 1,
       "pedal track 1 reads below its range",
       "track 1 outside its range",
       "other track, limited rise and limited opening",
       _CRUISE, 2.0,
       "the smaller of two tracks is believed: power falls away at a steady foot"),
    _K("pedal_1_high", 1, "1", 1.0, 0.0, 1.0, 1,
       "pedal track 1 reads the supply voltage",
       "track 1 outside its range; tracks disagree",
       "other track, limited rise and limited opening",
       _RELEASE, 0.9,
       "where track 1 is believed, the engine pulls with a released pedal; where the smaller "
       "is, the fault stays hidden until track 2 reads high as well", hidden_first="pedal_2_high"),
    _K("pedal_1_open", 2, "1", 1.0, 0.0, 1.0, 1,
       "the wire of pedal track 1 is broken and its pull-down takes it to 0 V",
       "track 1 outside its range",
       "other track, limited rise and limited opening",
       _CRUISE, 2.0,
       "the smaller of two tracks is believed: power falls away at a steady foot"),
    _K("pedal_2_low", 3, "1", 1.0, 0.0, 1.0, 1,
       "pedal track 2 reads below its range",
       "track 2 outside its range",
       "other track, limited rise and limited opening",
       _CRUISE, 2.0,
       "the smaller of two tracks is believed: power falls away at a steady foot"),
    _K("pedal_2_high", 4, "1", 1.0, 0.0, 1.0, 1,
       "pedal track 2 reads the supply voltage",
       "track 2 outside its range; tracks disagree",
       "other track, limited rise and limited opening",
       _RELEASE, 0.9,
       "where track 2 is believed, the engine pulls with a released pedal; where the smaller "
       "is, the fault stays hidden until track 1 reads high as well", hidden_first="pedal_1_high"),
    _K("pedal_2_open", 5, "1", 1.0, 0.0, 1.0, 1,
       "the wire of pedal track 2 is broken and its pull-down takes it to 0 V",
       "track 2 outside its range",
       "other track, limited rise and limited opening",
       _CRUISE, 2.0,
       "the smaller of two tracks is believed: power falls away at a steady foot"),
    _K("pedal_shorted_together", 6, "1", 1.0, 0.0, 1.0, 2,
       "both pedal tracks show their mean voltage",
       "tracks of different slope disagree",
       "take the pedal as released",
       _CRUISE, 2.0,
       "the demand is not what the foot asks: where one track has half the slope of the other it "
       "is about half, and the car slows at a steady foot"),
    _K("pedal_1_drift", 7, "V", -0.5, -5.0, 5.0, 3,
       "pedal track 1 reads this much beside the truth",
       "tracks disagree",
       "take the pedal as released, or limited power",
       _CRUISE, 2.0,
       "power falls away at a steady foot; a drift upwards stays hidden where the smaller "
       "track is believed"),
    _K("pedal_stuck", 8, "1", 0.5, 0.01, 1.0, 4,
       "the pad stays at this share of its travel while the foot lets go",
       "brake and pedal pressed together",
       "take the pedal as released",
       "lift_and_brake", 0.9,
       "the engine pulls against the brakes"),
    _K("reference_shift", 9, "V", 0.5, -2.0, 2.0, 5,
       "the 5 V supply of all sensors is this much off",
       "supply measured; mirrored plate tracks disagree",
       "bridge and relay off, engine speed limited by fuel",
       _NEUTRAL, 0.9,
       "the plate reads too far shut and is held open: idle hangs high"),
    _K("plate_1_low", 10, "1", 1.0, 0.0, 1.0, 6,
       "plate track 1 reads 0 V",
       "track 1 outside its range",
       "other track, limited",
       _CRUISE, 2.0,
       "the plate reads too far shut and is driven open: the car accelerates unasked"),
    _K("plate_1_high", 11, "1", 1.0, 0.0, 1.0, 6,
       "plate track 1 reads the supply voltage",
       "track 1 outside its range",
       "other track, limited",
       _CRUISE, 2.0,
       "the plate reads too far open and is driven shut: power falls away at a steady foot"),
    _K("plate_1_open", 12, "1", 1.0, 0.0, 1.0, 6,
       "the wire of plate track 1 is broken and its pull-down takes it to 0 V",
       "track 1 outside its range",
       "other track, limited",
       _CRUISE, 2.0,
       "the plate reads too far shut and is driven open: the car accelerates unasked"),
    _K("plate_2_low", 13, "1", 1.0, 0.0, 1.0, 6,
       "plate track 2 reads 0 V",
       "track 2 outside its range",
       "other track, limited",
       _CRUISE, 2.0,
       "a mirrored track then reads open and the plate is driven shut: power falls away; a "
       "rising one drives it open"),
    _K("plate_2_open", 14, "1", 1.0, 0.0, 1.0, 6,
       "the wire of plate track 2 is broken and its pull-down takes it to 0 V",
       "track 2 outside its range",
       "other track, limited",
       _CRUISE, 2.0,
       "a mirrored track then reads open and the plate is driven shut: power falls away; a "
       "rising one drives it open"),
    _K("plate_1_drift", 15, "V", -0.9, -5.0, 5.0, 7,
       "plate track 1 reads this much beside the truth",
       "tracks disagree",
       "bridge and relay off",
       _CRUISE, 2.0,
       "the plate reads too far shut and is driven open: the car accelerates unasked"),
    _K("plate_both_lost", 16, "1", 1.0, 0.0, 1.0, 8,
       "both plate tracks are lost",
       "both outside their range",
       "bridge and relay off at once, engine speed limited by fuel",
       _CRUISE, 2.0,
       "the plate is driven without knowing where it is: the shipped cars press it onto its "
       "closed stop with the stall current"),
    _K("plate_stuck", 17, "1", 1.0, 0.0, 1.0, 9,
       "the plate does not move any more",
       "target and plate apart, with high current",
       "bridge and relay off, then fuel off when the plate is not at rest",
       _RELEASE, 0.9,
       "the engine pulls at full load with a released pedal"),
    _K("plate_friction", 18, "1", 1.0, 0.0, 100.0, 9,
       "friction at the plate is 1 plus this times the healthy one",
       "not at rest after the bridge is off; high duty",
       "fuel off when the plate is not at rest",
       "power_lost_full_open", 0.5,
       "the spring alone cannot close the plate: full load with a released pedal"),
    _K("closing_spring_broken", 19, "1", 1.0, 0.0, 1.0, 11,
       "this share of the closing spring is gone",
       "not at rest after the bridge is off",
       "fuel off when the plate is not at rest",
       "power_lost_full_open", 0.5,
       "nothing closes the plate: full load with a released pedal"),
    _K("opening_spring_broken", 20, "1", 1.0, 0.0, 1.0, 12,
       "this share of the opening spring is gone",
       "rest position not reached with the bridge off",
       "warn, refuse to arm at the next start",
       "unpowered_default", 0.5,
       "without power the plate stays nearly shut in place of opening to its rest position: a warm "
       "engine idles on, but there is no limp position to drive home with"),
    _K("linkage_lost", 21, "1", 1.0, 0.0, 1.0, 13,
       "the plate has let go of its shaft and stays where it is",
       "manifold pressure and plate reading disagree; engine speeds up with a released pedal",
       "limit by fuel, fuel off with a released pedal",
       _SLOW, 0.9,
       "the sensor follows the target, the air does not: full load with a released pedal"),
    _K("motor_open", 22, "1", 1.0, 0.0, 1.0, 14,
       "the motor winding is broken",
       "no current at high duty",
       "bridge and relay off and latched",
       _PULL, 3.0,
       "power falls away with a flat foot, the plate goes to its rest position and the controller "
       "pushes on at full duty"),
    _K("motor_short", 23, "1", 1.0, 0.0, 1.0, 15,
       "the winding is shorted inside",
       "current too high",
       "bridge and relay off, no retry without the key",
       _PULL, 3.0,
       "the plate still follows, but motor and bridge carry several times the healthy current "
       "for as long as it lasts"),
    _K("polarity_swapped", 24, "1", 1.0, 0.0, 1.0, 16,
       "the motor turns against its command",
       "plate runs away from its target; direction test at the first arming",
       "bridge and relay off; refuse to arm",
       _RELEASE, 1.02,
       "a plate on its way shut is driven open: full load with a released pedal"),
    _K("plate_sensor_inverted", 25, "1", 1.0, 0.0, 1.0, 17,
       "both plate tracks run backwards",
       "plate runs away from its target; direction test at the first arming",
       "bridge and relay off; refuse to arm",
       _CRUISE, 2.0,
       "the plate is driven away from its target, here onto its closed stop with the stall "
       "current: power falls away at a steady foot"),
    _K("bridge_shorted", 26, "1", 1.0, 0.0, 1.0, 18,
       "a switch of the bridge has welded and drives the plate open with full battery voltage",
       "target and plate apart; current with the bridge off",
       "the separate relay off, fuel off when the plate is not at rest",
       _CRUISE, 2.0,
       "the car accelerates at full load unasked"),
    _K("relay_welded", 27, "1", 1.0, 0.0, 1.0, 19,
       "the relay of the bridge cannot switch off",
       "relay test at each key; plate not at rest after the relay is off",
       "fuel off when the plate is not at rest",
       "second_shut_off", 0.5,
       "with a welded bridge as well, nothing but fuel stops the engine"),
    _K("bridge_brakes", 28, "1", 1.0, 0.0, 1.0, 18,
       "the off state of the bridge shorts the winding instead of opening it",
       "time to the rest position after the bridge is off",
       "refuse to arm: the return is too slow when cold",
       "key_off_full_open", 0.5,
       "the plate closes several times more slowly"),
    _K("low_battery", 29, "V", 6.0, 1.0, 16.0, 20,
       "the supply falls to this voltage",
       "supply measured",
       "no learning, tracking watched with wider limits, limited demand",
       "tip_in@2500rpm", 0.5,
       "the motor needs twice the duty for the same movement; at 6 V a sound plate still follows"),
    _K("controller_reset", 30, "s", 0.3, 0.001, 10.0, 21,
       "the controller is away for this long and then starts afresh",
       "own start seen while the engine turns",
       "start with the plate at rest and give authority back slowly",
       _PULL, 3.0,
       "full torque comes back in one jump"),
    _K("bus_loss", 31, "1", 1.0, 0.0, 1.0, 22,
       "the pedal comes by bus and its messages stop",
       "age of the last message",
       "take the pedal as released",
       _RELEASE, 0.9,
       "the old demand is kept: full load with a released pedal"),
    _K("wrong_raise_request", 32, "%", 30.0, 0.0, 100.0, 23,
       "another controller asks for this much more plate",
       "sender asks for more than the pedal",
       "ignore it: only lowering is accepted",
       _CRUISE, 2.0,
       "nothing: a request that raises is never followed, with a reaction or without"),
    _K("brake_switch_lost", 33, "1", 1.0, 0.0, 1.0, 24,
       "the brake switch shows no braking any more",
       "two contacts disagree; pressure without switch",
       "no function that needs the brake; limited demand",
       "lift_and_brake", 0.5,
       "nothing by itself: it stays hidden until a pedal sticks, and then that pulls against the "
       "brakes"),
    _K("leak_after_plate", 34, "mm2", 60.0, 0.0, 2000.0, 25,
       "air enters behind the plate through this area",
       "engine speeds up with a released pedal",
       "limit engine speed by fuel",
       _NEUTRAL, 0.9,
       "idle hangs high with a shut plate"),
    _K("wastegate_stuck_shut", 35, "1", 1.0, 0.0, 1.0, 26,
       "the wastegate stays shut",
       "pressure above its limit",
       "close the plate, fuel off above the next limit",
       _PULL, 2.0,
       "boost rises beyond what the engine stands", "turbo", ("overboost",)),
    _K("wastegate_stuck_open", 36, "1", 1.0, 0.0, 1.0, 26,
       "the wastegate stays open",
       "pressure far below its target",
       "note it; no more boost asked",
       _PULL, 2.0,
       "no boost, and the boost control winds up", "turbo"),
    _K("one_plate_differs", 37, "1", 0.5, 0.01, 0.99, 29,
       "this share of the plates stays shut",
       "plates of the two banks disagree",
       "close all plates alike",
       _PULL, 3.0,
       "a part of the plates gives no air: power falls off at high engine speed, and in this "
       "model, where all cylinders share what the others let in, only there", "several plates"),
    _K("wrong_closed_stop", 38, "deg", 2.0, -10.0, 10.0, 27,
       "the learned closed stop is this far below the true reading",
       "rest position outside its window at key-on",
       "refuse what was learned",
       _NEUTRAL, 0.9,
       "the plate reads too far open and is pressed onto its closed stop: the motor carries its "
       "stall current and engine speed sags"),
    _K("sensor_intermittent", 39, "1", 1.0, 0.0, 1.0, 28,
       "pedal track 1 drops out for 20 ms of every 100 ms",
       "up and down counter over the range",
       "other track, limited",
       "wet_patch", 1.0,
       "the plate swings ten times a second: power is lost at a steady foot"),
    _K("map_sensor_lost", 40, "1", 1.0, 0.0, 1.0, 26,
       "the manifold pressure sensor reads nothing",
       "pressure below what can be",
       "take boost off, limit the plate",
       _PULL, 1.0,
       "nothing by itself while the wastegate works: the limit on pressure is blind", "turbo"),
    _K("gear_signal_wrong", 41, "1", 1.0, 0.0, 10.0, 0,
       "the gear signal shows this gear, whatever is engaged",
       "gear does not fit engine and road speed",
       "nothing: the gear sets only how fast the plate follows",
       _CRUISE, 2.0,
       "nothing: where the plate goes hangs on no gear, only how fast it gets there"),
    _K("coolant_sensor_lost", 42, "1", 1.0, 0.0, 1.0, 0,
       "the coolant sensor is open and reads -40 degC",
       "coolant out of its range, or falling faster than it can",
       "the ceiling of the coldest engine",
       _CRUISE, 2.0,
       "nothing: a reading that is too cold allows less, and is shown"),
    _K("ethanol_sensor_lost", 43, "1", 1.0, 0.0, 1.0, 0,
       "the ethanol sensor gives nothing and reads below 0 %",
       "ethanol outside 0 to 100 %",
       "take the fuel for petrol without ethanol",
       _CRUISE, 2.0,
       "nothing: what is not known counts as petrol, and is shown"),
    _K("wheel_speed_lost", 44, "1", 1.0, 0.0, 1.0, 0,
       "the speed of the wheels that are not driven reads zero",
       "driven wheels turn, the others do not, and the engine does not speed up",
       "no function that needs the road speed",
       _CRUISE, 2.0,
       "slip reads far too high where traction control is fitted: power is taken at a steady foot"),
)  # fmt: skip
"""All kinds, in the order of F; default severities are common practice, no source."""
