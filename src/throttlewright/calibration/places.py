"""Where each thing stands in the packed arrays of a calibration and in the strategy's memory."""

from __future__ import annotations

from throttlewright.calibration.signals import N_CHANNELS

# Numbers, in the order of defaults.DEFAULTS.
N_PEDAL_1_RELEASED_V = 0
N_PEDAL_1_FULL_V = 1
N_PEDAL_2_RELEASED_V = 2
N_PEDAL_2_FULL_V = 3
N_PLATE_1_CLOSED_V = 4
N_PLATE_1_OPEN_V = 5
N_PLATE_2_CLOSED_V = 6
N_PLATE_2_OPEN_V = 7
N_PEDAL_RELEASED_PCT = 8
N_SLOPE_FILTER_S = 9
N_SLIP_LEAST_M_S = 10
N_SERVO_KP = 11
N_SERVO_KI = 12
N_SERVO_KD = 13
N_SERVO_KD_FILTER_S = 14
N_SERVO_FRICTION_DUTY = 15
N_SERVO_FRICTION_BAND_PCT = 16
N_SERVO_SPRING_DUTY_ABOVE = 17
N_SERVO_SPRING_SLOPE_DUTY_PER_PCT = 18
N_SERVO_SPRING_DUTY_BELOW = 19
N_SERVO_SLOPE_BELOW = 20
N_SERVO_DEFAULT_PCT = 21
N_SERVO_REST_BAND_PCT = 22
N_SERVO_BATTERY_V = 23
N_SERVO_INTEGRAL_BAND_PCT = 24
N_SERVO_MOST_DUTY = 25
N_PLATE_RISE_PCT_S = 26
N_PLATE_FALL_PCT_S = 27
N_LEAST_TARGET_PCT = 28
N_MODE_BLEND_S = 29
N_REV_LIMIT_RPM = 30
N_REV_HYSTERESIS_RPM = 31
N_OVERRUN_FUEL_CUT_ABOVE_RPM = 32
N_RESUME_RPM = 33
N_OVERRUN_DELAY_S = 34
N_LIMP_RPM = 35
N_BOOST_SPRING_KPA = 36
N_BOOST_AMBIENT_KPA = 37
N_BOOST_KP = 38
N_BOOST_KI = 39
N_BOOST_INTEGRAL_BAND_KPA = 40
N_SUPERVISION_TICKS = 41
N_TRACKING_LEAST_V = 42
N_BRAKE_OVERRIDE_ABOVE_M_S = 43
N_OTHER_TRACK_MOST_PCT = 44
N_LIMP_PEDAL_PCT = 45
N_LIMITED_RISE_PCT_S = 46
N_SELF_RECOVERY_S = 47
N_BOOST_LEAD_S = 48
N_SERVO_KP_BELOW_SHARE = 49
N_SERVO_WARM_PER_K = 50
N_BRAKE_OVERRIDE_ORDER = 51
N_BRAKE_OVERRIDE_LEAST_PCT = 52
N_MODE_CHANGE_RELEASED = 53
N_MONITOR_LAG_S = 54
N_NAMED = 55

# Numbers that packing works out, so that no tick has to.
N_PEDAL_1_GAIN = 55
N_PEDAL_2_GAIN = 56
N_PLATE_1_GAIN = 57
N_PLATE_2_GAIN = 58
N_SLOPE_SHARE = 59
N_RATE_SHARE = 60
N_BLEND_STEP = 61
N_PLATE_1_BAD_V = 62
N_PLATE_2_BAD_V = 63
N_PEDAL_1_BAD_V = 64
N_PEDAL_2_BAD_V = 65
N_AIRFLOW_TABLE = 66
N_SELF_TICKS = 67
N_MONITOR_SHARE = 68
# rows of tables that are read by name, -1 where there is none
N_OPENING_TABLE = 69
N_CLOSING_TABLE = 70
N_LASH_RATE_TABLE = 71
N_LASH_LOW_TABLE = 72
N_LASH_HIGH_TABLE = 73
N_MONITOR_PRESSURE_TABLE = 74
N_MONITOR_PEDAL_TABLE = 75
N_MONITOR_PLATE_TABLE = 76
N_RATE_FACTOR_TABLE = 77
N_NUMBERS = 78

# Columns of the whole numbers of a table.
T_X = 0  # first point of the first axis in the flat array
T_NX = 1
T_Y = 2
T_NY = 3  # 0: one axis
T_V = 4  # first value
T_WIDTH = 5

# Columns of the whole numbers of a limit.
C_OUTPUT = 0  # place in limits.OUTPUTS
C_CEILING = 1  # 1 ceiling, 0 floor
C_LAW = 2  # place in limits.LAWS
C_X = 3  # channel, -1 none
C_Y = 4  # channel, -1 none
C_TABLE = 5  # row of the tables, -1 none
C_ARMS = 6  # number of conditions
C_ARM_CHANNEL = 7  # three of them
C_ARM_CHANNEL_2 = 8
C_ARM_CHANNEL_3 = 9
C_ARM_EQUAL = 10  # 1: equality is enough; three
C_ARM_EQUAL_2 = 11
C_ARM_EQUAL_3 = 12
C_Z = 13  # channel on the second axis of a setpoint, -1 none
C_BASE = 14  # row of the tables, -1 the number
C_BASE_X = 15  # channels on its axes, -1 none
C_BASE_Y = 16
C_WIDTH = 17

# Columns of the values of a limit.
L_ARM_SIGN = 0  # 1 for >, -1 for <; three
L_ARM_SIGN_2 = 1
L_ARM_SIGN_3 = 2
L_ARM_AT = 3  # three thresholds times their sign
L_ARM_AT_2 = 4
L_ARM_AT_3 = 5
L_HYSTERESIS = 6
L_RISE = 7  # per tick
L_FALL = 8  # per tick
L_KP = 9
L_KI = 10  # times the tick
L_BASE = 11
L_LEAST = 12
L_MOST = 13
L_SETPOINT = 14
L_LEAD_S = 15
L_TO = 16
L_HOLD_TICKS = 17
L_FREE = 18  # the bound that bounds nothing
L_AFTER_TICKS = 19  # the arm must have held for so long
L_UNTIL_RELEASED = 20  # 1: stays armed until the pedal is released
L_WITHIN_TICKS = 21  # acts no longer than this each time, 0 for ever
L_WIDTH = 22

# Columns of a reaction.
R_DETECTION = 0  # place in reactions.DETECTIONS
R_ACTION = 1  # place in reactions.ACTIONS
R_RECOVERY = 2  # place in reactions.RECOVERIES
R_LIMIT = 3  # bad when the measure is above
R_TICKS = 4  # count that confirms
R_WIDTH = 5

# Columns of the whole numbers of a mode.
MODE_DEMAND = 0  # table of the demand
MODE_BOOST = 1  # table of the boost target, -1 none
MODE_WIDTH = 2

# Memory: one number each.
M_FRESH = 0  # 1 until the first tick has run
M_RESTARTED = 1  # 1 when a restart, not the key, began this memory
M_WAIT = 2  # ticks to the next look at the faults
M_PLATE = 3
M_PLATE_RATE = 4
M_PEDAL_USED = 5
M_PEDAL_CAP = 6  # most pedal that reactions leave, %
M_TARGET = 7
M_INTEGRAL = 8
M_DUTY = 9
M_CUT = 10  # 1: bridge and relay off
M_FUEL_ACTION = 11  # 0 none, 1 above limp_rpm, 2 all
M_PEDAL_ROW = 12  # reaction row in charge, 0 none
M_CUT_ROW = 13
M_FUEL_ROW = 14
M_ACTIONS = 15
M_DETECTED = 16
M_PEDAL_1_LOST = 17
M_PEDAL_2_LOST = 18
M_PLATE_1_LOST = 19
M_PLATE_2_LOST = 20
M_PEDAL_LIMIT = 21  # where that cap is heading, %
M_MODE = 22
M_MODE_FROM = 23
M_MODE_SHARE = 24  # share of the new mode in the blend
M_RELEASED_S = 25
M_SINCE_START_S = 26
M_MAP = 27
M_PIPE = 28
M_RPM = 29
M_MAP_SLOPE = 30
M_PIPE_SLOPE = 31
M_RPM_SLOPE = 32
M_BOOST_INTEGRAL = 33
M_REV_CUT = 34
M_OVERRUN_CUT = 35
M_FUEL_CUT_SPEED = 36
M_RETARD = 37
M_FUEL = 38
M_BLEED = 39
M_AIRFLOW_I = 40
M_AIRFLOW_J = 41
M_DEMAND_I = 42
M_DEMAND_J = 43
M_DEMAND_FROM_I = 44
M_DEMAND_FROM_J = 45
M_BOOST_I = 46
M_BOOST_J = 47
M_BOOST_FROM_I = 48
M_BOOST_FROM_J = 49
M_FLOOR = 50  # highest floor of each output
M_FLOOR_2 = 51
M_FLOOR_3 = 52
M_FLOOR_4 = 53
M_FLOOR_ROW = 54
M_FLOOR_ROW_2 = 55
M_FLOOR_ROW_3 = 56
M_FLOOR_ROW_4 = 57
M_CEILING = 58  # lowest ceiling of each output
M_CEILING_2 = 59
M_CEILING_3 = 60
M_CEILING_4 = 61
M_CEILING_ROW = 62
M_CEILING_ROW_2 = 63
M_CEILING_ROW_3 = 64
M_CEILING_ROW_4 = 65
M_PEDAL_ASKED = 66  # pedal before reactions, %
M_BRAKED = 67  # 1: the brake was pressed at the last look
M_BRAKE_CAME_LAST = 68  # 1: the brake was pressed while the pedal was down
M_PEDAL_UP = 69  # 1: the pedal is released, with a hysteresis
M_SHAPED = 70  # plate asked for, as it was let through, %
M_SHAPE_I = 71
M_SHAPE_J = 72
M_LASH_I = 73
M_LASH_J = 74
M_LASH_GEAR_I = 75
M_LASH_GEAR_J = 76
M_PERMITTED = 77  # torque that pedal and floors permit, falling behind a lag, N m
M_MONITOR_I = 78  # three remembered places
M_MONITOR_J = 79
M_MONITOR_I_2 = 80
M_MONITOR_J_2 = 81
M_MONITOR_I_3 = 82
M_MONITOR_J_3 = 83
M_FACTOR_I = 84
M_FACTOR_J = 85
M_SHIFT_TICKS = 86  # for which a lower gear has been asked for with the clutch open
M_MEASURES = 87

# Memory: rewritten each tick, kept here to spare an allocation; then the rows.
N_MEASURES = 24
M_CHANNELS = M_MEASURES + N_MEASURES
M_ROWS = M_CHANNELS + N_CHANNELS

# Memory of a limit.
K_BOUND = 0
K_ARMED = 1
K_INTEGRAL = 2
K_HOLD = 3  # ticks left
K_I = 4  # remembered place in the table
K_J = 5
K_X_BEFORE = 6
K_SLOPE = 7
K_LASTED = 8  # ticks for which the arm has held
K_BASE_I = 9
K_BASE_J = 10
K_ACTED = 11  # ticks for which the row has acted
K_WIDTH = 12

# Memory of a reaction.
K_REACTION_COUNT = 0
K_REACTION_ACTIVE = 1
K_REACTION_GONE = 2  # ticks since the fault was last seen
K_REACTION_WIDTH = 3
