"""Ten seconds of the turbo car, its parts, many of it at once, and the same by a library solver.

The peer is what one writes with a library: the compiled rates of the same car integrated by
SciPy's LSODA, started anew at each millisecond because the controller's output steps there and is
held in between. Sensors, controller and sampled combustion run once a tick, as in the kernel. LSODA
gets the loosest tolerance at which it is no further from a tight solution than the kernel is.
"""

from __future__ import annotations

import os
import time

import numpy as np
import pytest
from scipy.integrate import odeint, solve_ivp

from throttlewright.car import state as c
from throttlewright.car.flows import over_speed
from throttlewright.car.plant import TICK, car_rates, car_sample
from throttlewright.car.plant_flows import all_flows, plate_area_at
from throttlewright.car.record import copied
from throttlewright.drive.batch import Job, run_batch, run_chunk
from throttlewright.drive.batch_cases import Case, variations, varied_car
from throttlewright.drive.batch_summary import summarise
from throttlewright.drive.kernel import CAR, ROW_WIDTH, Plant, advance, copied_state
from throttlewright.drive.scenario import load_scenario
from throttlewright.drive.simulate import prepare, run_rows
from throttlewright.foundation.compiled import kernel

TEN = 10.0
N_RATES = c.BOOSTER + 1
PEER_FROM, PEER_TICKS = 0.5, 180
"""The foot goes down; the plate crosses its travel and is short of the stop, which rates lack."""
SCALE = np.ones(N_RATES)
for _place, _range in (
    (c.PLATE, 1.5),
    (c.PLATE_SPEED, 20.0),
    (c.CURRENT, 5.0),
    (c.WINDING, 400.0),
    (c.P_PIPE, 1e5),
    (c.P_MANIFOLD, 1e5),
    (c.P_EXHAUST, 1e5),
    (c.T_PIPE, 300.0),
    (c.T_MANIFOLD, 300.0),
    (c.TURBO_SPEED, 1e4),
    (c.OMEGA, 500.0),
    (c.COOLANT, 400.0),
    (c.OMEGA_GEARBOX, 500.0),
    (c.TWIST, 0.1),
    (c.OMEGA_DRIVEN, 100.0),
    (c.TYRE, 0.05),
    (c.SPEED, 30.0),
    (c.DISTANCE, 100.0),
    (c.OMEGA_FREE, 100.0),
    (c.BOOSTER, 1e5),
):
    SCALE[_place] = _range
"""Range of each state, that one relative tolerance stands for the same share of all of them."""
WATCHED = {
    "plate": (c.PLATE, 1.5),
    "MAP": (c.P_MANIFOLD, 1.5e5),
    "pipe": (c.P_PIPE, 1.5e5),
    "exhaust": (c.P_EXHAUST, 2e5),
    "turbo": (c.TURBO_SPEED, 1.5e4),
    "engine": (c.OMEGA, 750.0),
}


@pytest.fixture(scope="module")
def moving(turbo_car):
    from throttlewright.car.motion import in_motion

    return in_motion(turbo_car)


@pytest.fixture(scope="module")
def calibration_file(tmp_path_factory):
    from throttlewright.workshop.demo import DemoRequest, demo

    out = tmp_path_factory.mktemp("demo") / "out"
    made = demo(DemoRequest(out=str(out), example="hillclimb_20t"))
    (file,) = [name for name in made.written if name.endswith("calibration.json")]
    return file


@pytest.fixture(scope="module")
def packed(calibration_file):
    from pathlib import Path

    from throttlewright.calibration.calibration import Calibration
    from throttlewright.calibration.pack import pack_calibration

    return pack_calibration(Calibration.from_json(Path(calibration_file).read_text("utf-8")))


@pytest.fixture(scope="module")
def pull():
    """Ten seconds at full load, all of it stepped: the two seconds of settling are within."""
    full = load_scenario("full_load_pull")
    return full.model_copy(update={"duration": TEN - full.start.settle})


def best(function, *arguments, rounds: int = 7, **named) -> float:
    spent = []
    for _ in range(rounds):
        start = time.perf_counter()
        function(*arguments, **named)
        spent.append(time.perf_counter() - start)
    return min(spent)


@pytest.mark.benchmark(group="ten seconds")
@pytest.mark.parametrize("recorded", [True, False], ids=["recorded", "not recorded"])
def test_ten_seconds(benchmark, moving, packed, pull, recorded) -> None:
    ready = prepare(moving, packed, pull)
    assert ready.settle + ready.ticks == round(TEN / TICK)
    rows = np.empty((ready.ticks if recorded else 0, ROW_WIDTH))
    run_rows(moving, packed, ready, rows=rows)
    benchmark.pedantic(
        run_rows, (moving, packed, ready), {"rows": rows}, rounds=20, warmup_rounds=2
    )
    if recorded:
        assert np.isfinite(rows[:, : c.DELAY_AT]).all()
    stats = benchmark.stats.stats
    benchmark.extra_info["median ms"] = round(1e3 * stats.median, 2)
    benchmark.extra_info["least ms"] = round(1e3 * stats.min, 2)
    benchmark.extra_info["times real time"] = round(TEN / stats.median)
    print(dict(benchmark.extra_info))


# parts of a tick


@pytest.mark.benchmark(group="parts")
def test_parts_of_a_tick(benchmark, moving, packed, pull) -> None:
    """Cost of each part, on a state in the middle of the pull, many times over."""
    from throttlewright.calibration.strategy_kernel import control
    from throttlewright.car.plant import lost_now
    from throttlewright.car.plant_air import air_step
    from throttlewright.car.plant_driveline import driveline_tick
    from throttlewright.car.plant_servo import servo_tick
    from throttlewright.drive.sensors import sense

    @kernel
    def servo(n, x, u, car):
        for _ in range(int(n)):
            servo_tick(x, u, car, 1e-3, x[c.P_PIPE] - x[c.P_MANIFOLD])

    @kernel
    def lost(n, x, u, car):
        total = 0.0
        for i in range(int(n)):
            x[c.P_MANIFOLD] += 1e-6 * i
            total += lost_now(x, car)
        x[c.LOST] = total / n

    @kernel
    def driveline(n, x, u, car):
        for _ in range(int(n)):
            driveline_tick(x, u, car, 1e-3, x[c.TORQUE])

    @kernel
    def air(n, x, u, car):
        omega = x[c.OMEGA]
        for _ in range(int(n)):
            air_step(x, u, x[c.AIR_PLATE], x[c.AIR_PLATE], omega, car, 1e-3)

    @kernel
    def sample(n, x, u, car):
        for _ in range(int(n)):
            car_sample(x, u, car)

    @kernel
    def senses(n, x, row, faults, memory, car, signals):
        for i in range(int(n)):
            sense(x, row, faults, 1.0, i * 1.0, memory, car, signals)

    @kernel
    def controls(n, signals, cal, memory, out):
        for _ in range(int(n)):
            control(signals, cal, memory, out)

    ready = prepare(moving, packed, pull)
    state = reached(moving, packed, ready, 4000)
    x, u, row = state["x"], state["u"], state["row"]
    faults, signals, out = state["faults"], state["signals"], state["out"]
    car, n = moving.record, 500.0
    parts = {
        "servo": lambda: servo(n, x.copy(), u, car),
        "losses": lambda: lost(n, x.copy(), u, car),
        "driveline": lambda: driveline(n, x.copy(), u, car),
        "air": lambda: air(n, x.copy(), u, car),
        "sample": lambda: sample(n, x.copy(), u, car),
        "sense": lambda: senses(n, x, row, faults, state["sensors"].copy(), car, signals),
        "control": lambda: controls(n, signals, packed, state["strategy"].copy(), out),
    }
    parts["sense"]()
    for part in parts.values():
        part()
    cost = {name: 1e9 * best(part, rounds=41) / n for name, part in parts.items()}
    none = np.empty((0, ROW_WIDTH))
    whole = best(run_rows, moving, packed, ready, rows=none)
    cost["whole tick"] = 1e9 * whole * TICK / TEN
    benchmark.pedantic(parts["air"], rounds=3)
    for name, spent in cost.items():
        benchmark.extra_info[f"{name}, ns"] = round(spent)
    print(dict(benchmark.extra_info))


# the peer


@kernel
def still_step(x, u, car, h):
    """Leave the car where it is."""


STILL = Plant("still", car_sample, still_step)
"""Senses, controls and samples as the car does, and leaves the step to somebody else."""


def reached(car, packed, ready, ticks: int):
    """State after some ticks of the kernel."""
    state = copied_state(ready.state)
    advance(CAR, car.record, packed, state, ready.inputs, ticks, np.empty((0, ROW_WIDTH)))
    return state


@kernel
def scaled_rates(y, x, u, car, scale, dx, dy):
    for j in range(dy.shape[0]):
        x[j] = y[j] * scale[j]
    x[c.AIR_PLATE] = x[c.PLATE]
    car_rates(x, u, car, dx)
    for j in range(dy.shape[0]):
        dy[j] = dx[j] / scale[j]


@kernel
def flows_of(x, u, car, flows):
    area = plate_area_at(x[c.PLATE], car)
    omega = x[c.OMEGA]
    ve = over_speed(car.ve_speed, omega, car.omega_step)
    found = all_flows(
        x[c.P_PIPE],
        x[c.P_MANIFOLD],
        x[c.P_EXHAUST],
        area,
        x[c.RELIEF],
        u[c.U_LEAK],
        x[c.T_PIPE],
        x[c.T_MANIFOLD],
        x[c.TURBO_SPEED],
        omega,
        ve,
        car,
    )
    flows[0] = found[0]
    flows[1] = found[5]
    flows[2] = found[11]
    flows[3] = found[3]
    flows[4] = found[15]


def peer_run(car, packed, state, inputs, *, ticks: int, rtol: float, door: str) -> np.ndarray:
    """Advance by LSODA, tick by tick; return the states after each tick."""
    record, none = car.record, np.empty((0, ROW_WIDTH))
    state = copied_state(state)
    x, u = state["x"], state["u"]
    work, dx = x.copy(), np.zeros(x.size)
    dy, out = np.zeros(N_RATES), np.empty((ticks, N_RATES))
    before, after = np.zeros(5), np.zeros(5)

    def rates(t, y):
        scaled_rates(y, work, u, record, SCALE, dx, dy)
        return dy

    for tick in range(ticks):
        advance(STILL, record, packed, state, inputs, 1, none)
        work[:] = x
        flows_of(x, u, record, before)
        start = x[:N_RATES] / SCALE
        if door == "solve_ivp":
            found = solve_ivp(rates, (0.0, TICK), start, method="LSODA", rtol=rtol, atol=rtol)
            assert found.success
            end = found.y[:, -1]
        else:
            end = start
            if door == "odeint":
                end = odeint(rates, start, [0.0, TICK], tfirst=True, rtol=rtol, atol=rtol)[-1]
        x[:N_RATES] = end * SCALE
        x[c.AIR_PLATE] = x[c.PLATE]
        flows_of(x, u, record, after)
        x[list(FLOWS)] = 0.5 * (before + after)
        out[tick] = x[:N_RATES]
    return out


FLOWS = (c.FLOW_COMPRESSOR, c.FLOW_PLATE, c.FLOW_CYLINDERS, c.FLOW_RELIEF, c.FLOW_EXHAUST)


def kernel_run(car, packed, state, inputs, *, ticks: int) -> np.ndarray:
    record = car.record
    state, out = copied_state(state), np.empty((ticks, N_RATES))
    none = np.empty((0, ROW_WIDTH))
    for tick in range(ticks):
        advance(CAR, record, packed, state, inputs, 1, none)
        out[tick] = state["x"][:N_RATES]
    return out


def error(found: np.ndarray, exact: np.ndarray) -> dict[str, float]:
    """99th percentile of the difference over the range of each watched state."""
    return {
        name: float(np.quantile(np.abs(found[:, j] - exact[:, j]) / span, 0.99))
        for name, (j, span) in WATCHED.items()
    }


@pytest.mark.benchmark(group="peer")
def test_against_lsoda(benchmark, moving, packed, pull) -> None:
    """Same car, same accuracy, while plate, pressures and shaft all move."""
    from dataclasses import replace

    rec = copied(moving.record)
    # dry friction is the one thing that the rates smooth and the kernel does not
    rec["servo_coulomb"] = rec["servo_breakaway"] = 0.0
    car = replace(moving, record=rec)
    ready = prepare(car, packed, pull)
    state = reached(car, packed, ready, ready.settle + round(PEER_FROM / TICK))
    case = (car, packed, state, ready.inputs)
    exact = peer_run(*case, ticks=PEER_TICKS, rtol=1e-9, door="solve_ivp")
    own = error(kernel_run(*case, ticks=PEER_TICKS), exact)
    print("kernel, p99 of range", {k: f"{v:.1e}" for k, v in own.items()})
    chosen = None
    for rtol in (1e-2, 1e-3, 1e-4, 1e-5, 1e-6):
        theirs = error(peer_run(*case, ticks=PEER_TICKS, rtol=rtol, door="solve_ivp"), exact)
        print(f"LSODA {rtol:g}", {k: f"{v:.1e}" for k, v in theirs.items()})
        if max(theirs.values()) <= max(own.values()):
            chosen = rtol
            break
    assert chosen is not None
    none = np.empty((0, ROW_WIDTH))
    benchmark.pedantic(run_rows, (car, packed, ready), {"rows": none}, rounds=20, warmup_rounds=2)
    median = benchmark.stats.stats.median
    benchmark.extra_info["LSODA's tolerance"] = chosen
    benchmark.extra_info["kernel's error, share of range"] = float(f"{max(own.values()):.1e}")
    # "no solver" is what the peer spends around it: sensors, controller, flows, in Python's loop
    for door in ("solve_ivp", "odeint", "no solver"):
        start = time.perf_counter()
        peer_run(*case, ticks=PEER_TICKS, rtol=chosen, door=door)
        scaled = (time.perf_counter() - start) * TEN / (PEER_TICKS * TICK)
        benchmark.extra_info[f"{door}, s, scaled from 0.18 s"] = round(scaled, 2)
        benchmark.extra_info[f"times faster than {door}"] = round(scaled / median)
    print(dict(benchmark.extra_info))


# batches


@pytest.mark.benchmark(group="batch")
def test_thousand_variations(benchmark, moving, packed, pull) -> None:
    job = Job(moving, packed, pull)
    run_chunk(job, [Case(0, 0)])
    ready = prepare(moving, packed, pull)
    rows = run_rows(moving, packed, ready)
    single = best(run_rows, moving, packed, ready, rows=rows)

    used = []

    def batch():
        start, cpu = time.perf_counter(), time.process_time()
        rows = run_batch(job, variations(moving, 1000, 1), workers=2)
        summary = summarise((row.case.index, row.measures) for row in rows)
        used.append((time.process_time() - cpu) / (time.perf_counter() - start))
        return summary

    summary = benchmark.pedantic(batch, rounds=1)
    assert summary.cases == 1000
    assert all(figure.not_finite == 0 for figure in summary.figures.values())
    spent = benchmark.stats.stats.min
    case = next(variations(moving, 1, 1))
    benchmark.extra_info["single run, ms"] = round(1e3 * single, 2)
    benchmark.extra_info["1000 runs, s"] = round(spent, 3)
    benchmark.extra_info["share of 1000 single runs"] = round(spent / (1000.0 * single), 3)
    benchmark.extra_info["cores there"] = os.cpu_count()
    # below two when other programs run at the same time
    benchmark.extra_info["cores got"] = round(used[0], 2)
    benchmark.extra_info["draw a case, ms"] = round(
        1e3 * best(lambda: list(variations(moving, 20, 1))) / 20.0, 3
    )
    benchmark.extra_info["vary the car, ms"] = round(1e3 * best(varied_car, moving, case), 3)
    benchmark.extra_info["prepare, ms"] = round(1e3 * best(prepare, moving, packed, pull), 3)
    print(dict(benchmark.extra_info))


@pytest.mark.benchmark(group="batch")
def test_fault_matrix(benchmark, calibration_file) -> None:
    from throttlewright.workshop.prove import ProveRequest, prove

    request = ProveRequest(build="hillclimb_20t", calibration=calibration_file)
    prove(request)
    result = benchmark.pedantic(prove, (request,), rounds=3)
    assert result.faults
    benchmark.extra_info["median s"] = round(benchmark.stats.stats.median, 2)
    benchmark.extra_info["kinds of fault"] = len(result.faults)
    print(dict(benchmark.extra_info))
