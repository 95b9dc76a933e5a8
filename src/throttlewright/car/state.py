"""Where each quantity of the car in motion stands in its state and input arrays."""

from __future__ import annotations

# plate servo
PLATE = 0  # rad above the closed stop, at the shaft
PLATE_SPEED = 1  # rad/s
CURRENT = 2  # A, positive opening
WINDING = 3  # K
# air
P_PIPE = 4  # Pa
P_MANIFOLD = 5
P_EXHAUST = 6
T_PIPE = 7  # K
T_MANIFOLD = 8
TURBO_SPEED = 9  # rad/s
WASTEGATE = 10  # 0 shut, 1 open
RELIEF = 11  # 0 shut, 1 open
# engine
OMEGA = 12  # rad/s
COOLANT = 13  # K
T_EXHAUST = 14  # K, at its sensor
# driveline and vehicle
OMEGA_GEARBOX = 15  # rad/s, gearbox input
TWIST = 16  # rad at the wheels, engine side ahead positive, lash included
OMEGA_DRIVEN = 17  # rad/s, driven wheels
TYRE = 18  # m, deflection of the tyre's contact
SPEED = 19  # m/s
DISTANCE = 20  # m
OMEGA_FREE = 21  # rad/s, wheels that are not driven
BOOSTER = 22  # Pa, absolute, in the brake booster
# what the last tick came to: read by sensors and recorder, and by the next tick as a first guess
ACCELERATION = 23  # m/s2
TORQUE = 24  # N m, brake torque of the engine
SHAFT_TORQUE = 25  # N m at the wheels
SLIP = 26  # driven tyre
FLOW_COMPRESSOR = 27  # kg/s, mean over the tick
FLOW_PLATE = 28
FLOW_CYLINDERS = 29
FLOW_RELIEF = 30
FLOW_EXHAUST = 31
SURGE_MARGIN = 32  # (flow - surge flow) / flow; 1 where the compressor does no work
TURBO_POWER = 33  # W, turbine less compressor, at the end of the tick
AIR_PLATE = 34  # rad above the closed stop: the plate itself, should its shaft have let go
T_PORT = 35  # K, exhaust gas at the port
TURBINE_HEAT = 36  # exhaust temperature over that of the same flow, fired at the usual ignition
INDICATED = 37  # N m, held over the tick
BRAKE_WAS = 38  # brake of the last tick, to know how much booster vacuum was used
FLOW_LEAK = 39  # kg/s, past the plate into the manifold
LOST = 40  # N m, pumping and friction at the start of the last step
RATIO_WAS = 41  # gear times final drive of the last tick
OIL = 42  # K, engine oil
DELAY_AT = 43  # next place in the ring below
DELAY_RING = 44  # kg/rad, charge of each of the last DELAY_LENGTH ticks

DELAY_LENGTH = 160
"""Ticks kept for the delay from filling to torque: 540 degrees of crank at 560 rpm."""

N_STATE = DELAY_RING + DELAY_LENGTH

# inputs, held over a tick: from the strategy, the driver, the road, and from faults
U_VOLTAGE = 0  # V across winding and loom while the bridge drives
U_BRIDGE = 1  # BRIDGE_DRIVEN, BRIDGE_OPEN, BRIDGE_SHORTED
U_RETARD = 2  # rad behind best torque, on top of what knock asks
U_FUEL = 3  # share of cylinders that fire, 0 to 1
U_BLEED = 4  # share of the pressure signal kept from the wastegate, 0 to 1
U_RATIO = 5  # gear times final drive; 0 in neutral
U_CLUTCH = 6  # share of clutch capacity, 0 open, 1 engaged
U_BRAKE = 7  # 0 to 1
U_LOAD = 8  # N m on the crankshaft: alternator, pumps
U_GRIP = 9  # factor on the tyre's grip
U_GRADE = 10  # rad, climbing positive
U_HELD_SPEED = 11  # 1: a dyno holds engine and vehicle speed, to settle everything else
U_LEAK = 12  # m2 into the manifold behind the plate, from ambient
U_STUCK = 13  # 1: the plate does not move
U_FRICTION = 14  # factor on plate friction
U_CLOSING_SPRING = 15  # factor on the spring above the rest position
U_OPENING_SPRING = 16  # factor on the spring below it
U_MOTOR = 17  # factor on motor constant: 0 lost, -1 polarity swapped
U_WINDING = 18  # factor on winding resistance: large when broken, small when shorted
U_WASTEGATE_STUCK = 19  # position it is stuck at; negative when it moves
U_LINK = 20  # 1: the plate has let go of its shaft and stays where AIR_PLATE is
U_PAIR = 21  # share of the plates that stays at the closed stop
U_INTAKE_RISE = 22  # K that the charge gets hotter on its way to the plate

N_INPUT = 23
