"""Batches: drawing, running, measuring and summing up many runs."""

from __future__ import annotations

import itertools
import math
import multiprocessing
import pickle
import tracemalloc
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.calibration.calibration import Calibration, Number
from throttlewright.calibration.pack import pack_calibration
from throttlewright.calibration.table import Axis, Table
from throttlewright.car.motion import in_motion
from throttlewright.car.pack import Car, with_variation
from throttlewright.drive.batch import Job, run_batch, run_chunk
from throttlewright.drive.batch_cases import (
    VARIED,
    Case,
    case_at,
    variations,
    varied_car,
    varied_scenario,
)
from throttlewright.drive.batch_measures import column, peaks, plate_return
from throttlewright.drive.batch_summary import ACCURACY, Figure, summarise
from throttlewright.drive.faults import InjectedFault
from throttlewright.drive.kernel import ROW_WIDTH
from throttlewright.drive.scenario import Input, Scenario, Start, load_scenario
from throttlewright.drive.simulate import simulate
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.common import open_car

MEANING = "plate 0 closed stop, 100 open stop; pedal 0 released, 100 full"
OF_TURBO = {"turbo_inertia", "wastegate", "surge"}


@pytest.fixture(scope="module")
def still() -> Car:
    return open_car("hillclimb_20t")[1]


@pytest.fixture(scope="module")
def car(still: Car) -> Car:
    return in_motion(still)


@pytest.fixture(scope="module")
def packed():
    axes = (
        Axis("engine_rpm", "rpm", [1000.0, 7000.0]),
        Axis("pedal_pct", "%", [0.0, 100.0]),
    )
    even = Table(
        "plate_over_pedal_road",
        "invented",
        "%",
        axes,
        np.array([[2.0, 90.0]] * 2),
        percent_meaning=MEANING,
    )
    numbers = {"plate_rise_pct_s": Number(2000.0, "%/s", "test")}
    return pack_calibration(Calibration({even.name: even}, numbers))


@pytest.fixture(scope="module")
def press() -> Scenario:
    return Scenario(
        name="press",
        title="Press and release",
        text="Half a second with a short press of the pedal.",
        duration="0.6 s",
        start=Start(engine="speed", speed="3000 rpm", gear=3, pedal_pct=5, settle="0.1 s"),
        input=(Input(channel="pedal_pct", t_s=[0, 0.1, 0.12, 0.3, 0.32], value=[5, 5, 60, 60, 0]),),
    )


@pytest.fixture(scope="module")
def job(car: Car, packed, press: Scenario) -> Job:
    return Job(car, packed, press, measures=("peaks", "return"))


def numbers(rows) -> list[tuple]:
    return [(row.case.index, *row.measures.items()) for row in rows]


# generator


def test_a_case_hangs_on_neither_n_nor_order(car: Car) -> None:
    few, many = list(variations(car, 5, 7)), list(variations(car, 40, 7))
    assert few == many[:5]
    assert case_at(car, 31, 7) == many[31]
    assert case_at(car, 31, 8) != many[31]


def test_no_two_cases_share_a_number(car: Car) -> None:
    # the counter of a case must not run into that of the next one
    scale = {v.name: (1.0 if v.how == "factor" else 0.0, v.half) for v in VARIED}
    drawn = [
        round((value - scale[name][0]) / scale[name][1], 9)
        for case in variations(car, 50, 3)
        for name, value in case.moved.items()
    ]
    assert len(set(drawn)) == len(drawn) == 50 * len(VARIED)


def test_variations_are_drawn_lazily(car: Car) -> None:
    endless = variations(car, 10**12, 1)
    assert [case.index for case in itertools.islice(endless, 3)] == [0, 1, 2]


def test_a_narrower_spread_moves_nothing_else(car: Car) -> None:
    every, one = case_at(car, 4, 2), case_at(car, 4, 2, spread={"mass": 0.05})
    assert dict(one.moved) == {"mass": every.moved["mass"]}


@settings(deadline=None, derandomize=True, max_examples=30)
@given(index=st.integers(0, 2**40), seed=st.integers(0, 2**20))
def test_draws_stay_within_their_width(index: int, seed: int) -> None:
    car = open_car("hillclimb_20t")[1]
    case = case_at(car, index, seed)
    assert set(case.moved) == {v.name for v in VARIED}
    for v in VARIED:
        middle = 1.0 if v.how == "factor" else 0.0
        assert abs(case.moved[v.name] - middle) <= v.half


def test_draws_fill_their_width(car: Car) -> None:
    # 400 even draws: mean within 5 standard errors of 0, spread half / sqrt(3)
    for v in VARIED:
        middle = 1.0 if v.how == "factor" else 0.0
        drawn = np.array([c.moved[v.name] - middle for c in variations(car, 400, 5)]) / v.half
        assert abs(drawn.mean()) < 5.0 / math.sqrt(3.0 * 400.0)
        assert drawn.std() == pytest.approx(1.0 / math.sqrt(3.0), rel=0.1)


def test_a_car_without_turbo_varies_nothing_of_one() -> None:
    plain = open_car("trackday_16")[1]
    assert set(case_at(plain, 0, 1).moved) == {v.name for v in VARIED} - OF_TURBO


def test_unknown_name_and_width_are_refused(car: Car) -> None:
    with pytest.raises(InputError, match="not a number that varies"):
        case_at(car, 0, 1, spread={"gripp": 0.1})
    with pytest.raises(InputError, match="half-width"):
        case_at(car, 0, 1, spread={"grip": 1.5})


def test_faults_are_late_by_whole_ticks(car: Car) -> None:
    fault = InjectedFault(kind="plate_stuck", at="0.1 s", until="0.3 s")
    late = [case_at(car, i, 1, faults=[fault], jitter=0.05).faults[0] for i in range(30)]
    shift = np.array([f.at - 0.1 for f in late])
    assert shift == pytest.approx(np.round(shift, 3), abs=1e-12)
    assert 0.0 <= shift.min() < 0.02
    assert 0.03 < shift.max() <= 0.05
    assert [f.until - f.at for f in late] == pytest.approx([0.2] * 30)


# cars


def test_moved_numbers_are_those_of_with_variation() -> None:
    # a car without turbo: nothing is fitted anew when it is set in motion
    still = open_car("trackday_16")[1]
    moved = {"ve": 1.03, "cd": 0.96, "closed": 0.004, "friction": 1.1}
    direct = varied_car(in_motion(still), Case(0, 0, moved)).record
    slow = in_motion(with_variation(still, **moved)).record
    for name in slow.dtype.names:
        assert np.array_equal(direct[name], slow[name]), name
    assert not np.array_equal(direct["area_table"], in_motion(still).record["area_table"])


def test_the_turbo_stays_the_one_it_is(car: Car) -> None:
    moved = varied_car(car, Case(0, 0, {"ve": 0.9})).record
    for name in ("compressor_diameter", "wastegate_ratio", "turbo_inertia"):
        assert moved[name] == car.record[name]


def test_the_given_car_is_unchanged(car: Car) -> None:
    before = car.record.tobytes()
    varied_car(car, case_at(car, 3, 1))
    assert car.record.tobytes() == before


def test_each_number_moves_what_it_names(car: Car, press: Scenario) -> None:
    for v in VARIED:
        value = 1.01 if v.how == "factor" else 0.01
        case = Case(0, 0, {v.name: value})
        moved = varied_car(car, case).record
        changed = {n for n in moved.dtype.names if not np.array_equal(moved[n], car.record[n])}
        assert changed - {"area_table"} == set(v.fields), v.name
    start = varied_scenario(press, Case(0, 0, {"coolant": 4.0})).start
    assert start.coolant == press.start.coolant + 4.0


# runner


def test_a_case_is_the_run_of_simulate(job: Job) -> None:
    case = case_at(job.car, 5, 11)
    (row,) = run_chunk(Job(job.car, job.packed, job.scenario, traces=True), [case])
    same = simulate(
        varied_car(job.car, case),
        job.packed,
        varied_scenario(job.scenario, case),
        seed=11,
        variation=5,
    )
    for name, channel in same.channels.items():
        assert np.array_equal(channel.values, row.trace.channels[name].values), name
    assert row.measures["map_peak_kPa"] == same.channel("map_kPa").values.max()
    assert row.measures["surge_margin_least_1"] == same.channel("surge_margin_1").values.min()


def test_results_hang_on_neither_threads_nor_chunks(job: Job) -> None:
    def run(**how) -> list[tuple]:
        return numbers(run_batch(job, variations(job.car, 24, 9), **how))

    alone = run(workers=1, chunk=1, in_flight=1)
    assert len({case[1] for case in alone}) == 24  # cases differ at all
    assert run(workers=2, chunk=8) == alone
    assert run(workers=3, chunk=5, in_flight=7) == alone
    with ThreadPoolExecutor(2) as pool:
        assert run(executor=pool, chunk=24) == alone
        assert pool.submit(int, 1).result() == 1  # the given executor stays open


def test_other_processes_give_the_same(job: Job) -> None:
    here = numbers(run_batch(job, variations(job.car, 4, 9), workers=1))
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        there = numbers(run_batch(job, variations(job.car, 4, 9), executor=pool, chunk=2))
    assert there == here


def test_job_and_case_survive_pickling(job: Job) -> None:
    case = case_at(job.car, 2, 9)
    again, same = pickle.loads(pickle.dumps((job, case)))
    assert same == case
    assert numbers(run_chunk(again, [same])) == numbers(run_chunk(job, [case]))


def test_cases_are_drawn_only_as_far_as_tasks_wait(job: Job) -> None:
    drawn = []

    def watched():
        for case in variations(job.car, 1000, 1):
            drawn.append(case.index)
            yield case

    rows = run_batch(job, watched(), workers=2, chunk=2, in_flight=3)
    next(rows)
    rows.close()
    assert len(drawn) <= 8


def test_an_error_in_a_case_reaches_the_reader(job: Job) -> None:
    broken = Job(job.car, job.packed, job.scenario, measures=(raises,))
    with pytest.raises(ZeroDivisionError):
        list(run_batch(broken, variations(job.car, 4, 1)))


def raises(car: Car, rows: np.ndarray, step_s: float) -> dict[str, float]:
    raise ZeroDivisionError


def test_sizes_below_one_are_refused(job: Job) -> None:
    with pytest.raises(ValueError, match="at least 1"):
        run_batch(job, [], chunk=0)


def test_memory_does_not_grow_with_the_cases(job: Job) -> None:
    start = job.scenario.start.model_copy(update={"settle": 0.0})
    tiny = job.scenario.model_copy(update={"duration": 0.01, "input": (), "start": start})

    def peak(n: int, *, keep: bool = False, traces: bool = False) -> int:
        short = Job(job.car, job.packed, tiny, traces=traces)
        kept = []
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        for row in run_batch(short, variations(job.car, n, 1), workers=1):
            if keep:
                kept.append(row)
        return tracemalloc.get_traced_memory()[1] - before

    tracemalloc.start()
    try:
        # the interpreter keeps freed objects for use again: let it fill that store first
        peak(400)
        few, many = peak(50), peak(400)
        kept_few, kept_many = peak(50, keep=True), peak(400, keep=True)
        traced = peak(50, keep=True, traces=True)
    finally:
        tracemalloc.stop()
    # a store of freed objects still moves by a hundred bytes a case; a row is over a thousand
    assert many - few < 0.25 * (kept_many - kept_few)
    # the same measurement sees rows and traces that are kept
    assert kept_many > 3.0 * kept_few
    assert traced > 3.0 * kept_few


# measures


def fake(car: Car, pedal: list[float], plate_pct: list[float]) -> np.ndarray:
    from throttlewright.drive.recorder import TRACE

    place = {c.name: c.column for c in TRACE}
    rows = np.zeros((len(pedal), ROW_WIDTH))
    rows[:, place["pedal_pct"]] = pedal
    rows[:, place["plate_pct"]] = np.array(plate_pct) * float(car.record["servo_travel"]) / 100.0
    return rows


def test_time_of_return_by_hand(car: Car) -> None:
    rest = 100.0 * float(car.record["default_opening"] / car.record["servo_travel"])
    pedal = [50.0] * 3 + [0.0] * 5
    plate = [50.0] * 5 + [rest + 2.9, rest, rest]
    found = plate_return(car, fake(car, pedal, plate), 1e-3)
    assert found["return_s"] == pytest.approx(2e-3)
    assert found["plate_peak_pct"] == pytest.approx(50.0)
    away = plate_return(car, fake(car, pedal, [50.0] * 8), 1e-3)
    assert away["return_s"] == math.inf
    assert math.isnan(plate_return(car, fake(car, [50.0] * 8, plate), 1e-3)["return_s"])


def test_a_run_that_is_lost_is_not_hidden_by_a_peak(car: Car) -> None:
    rows = fake(car, [0.0] * 6, [0.0] * 6)
    from throttlewright.car.state import P_MANIFOLD

    rows[:, P_MANIFOLD] = [1e5, 2e5, math.nan, 3e5, 1e5, 1e5]
    assert math.isnan(peaks(car, rows, 1e-3)["map_peak_kPa"])


def test_a_channel_is_that_of_the_recording(job: Job) -> None:
    from throttlewright.drive.simulate import prepare, run_rows

    rows = run_rows(job.car, job.packed, prepare(job.car, job.packed, job.scenario))
    same = simulate(job.car, job.packed, job.scenario)
    for name in ("pedal_pct", "plate_pct", "map_kPa", "exhaust_degC", "speed_m_s"):
        assert np.array_equal(column(job.car, rows, name), same.channel(name).values), name


def test_unknown_measure_is_refused_at_once(job: Job) -> None:
    with pytest.raises(InputError, match="not a measure"):
        Job(job.car, job.packed, job.scenario, measures=("peak",))


# reader


@settings(deadline=None, derandomize=True, max_examples=50)
@given(
    values=st.lists(
        st.floats(-1e6, 1e6).filter(lambda v: v == 0.0 or abs(v) > 1e-6), min_size=1, max_size=200
    ),
    share=st.floats(0.0, 1.0),
)
def test_quantiles_against_sorting(values: list[float], share: float) -> None:
    figure = Figure()
    for index, value in enumerate(values):
        figure.add(value, index)
    ordered = sorted(values)
    rank = share * (len(values) - 1)
    exact = ordered[math.floor(rank)]
    assert figure.quantile(share) == pytest.approx(exact, rel=1.01 * ACCURACY, abs=1e-12)
    assert figure.quantile(0.0) == ordered[0]
    assert figure.quantile(1.0) == ordered[-1]
    assert values[figure.most_at] == ordered[-1]
    assert values[figure.least_at] == ordered[0]
    assert figure.mean == pytest.approx(np.mean(values), rel=1e-9, abs=1e-9)
    if len(values) > 1:
        assert figure.deviation == pytest.approx(np.std(values, ddof=1), rel=1e-7, abs=1e-7)


def test_what_is_not_finite_is_counted_apart() -> None:
    summary = summarise([(0, {"a": 1.0}), (1, {"a": math.nan}), (2, {"a": math.inf})])
    assert (summary.cases, summary.figures["a"].count, summary.figures["a"].not_finite) == (3, 1, 2)


def test_bins_hang_on_the_range_and_not_on_the_count() -> None:
    figure = Figure()
    for index, value in enumerate(np.random.default_rng(1).uniform(100.0, 200.0, 20000)):
        figure.add(float(value), index)
    # ln 2 over the logarithm of the ratio, and one at each end
    assert figure.bins <= math.log(2.0) / (2.0 * ACCURACY) + 2


def test_names_of_shipped_scenarios_run(car: Car, packed) -> None:
    job = Job(car, packed, load_scenario("pedal_release"), measures=("return",))
    rows = run_batch(job, variations(car, 2, 1))
    summary = summarise((row.case.index, row.measures) for row in rows)
    assert summary.figures["return_s"].count == 2
