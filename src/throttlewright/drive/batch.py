"""Many runs: cases in chunks through an executor, and a row of numbers from each, in order."""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice

import numpy as np

from throttlewright.calibration.pack import Packed
from throttlewright.car.pack import Car
from throttlewright.drive.batch_cases import Case, varied_car, varied_scenario
from throttlewright.drive.batch_measures import Measure, all_of, measure_named
from throttlewright.drive.faults import TICK
from throttlewright.drive.kernel import ROW_WIDTH
from throttlewright.drive.recorder import to_recording
from throttlewright.drive.scenario import Scenario
from throttlewright.drive.simulate import prepare, run_rows
from throttlewright.recording.recording import Recording

__all__ = ["CHUNK", "Job", "Row", "run_batch", "run_chunk"]

CHUNK = 8
"""Cases that one task takes."""


@dataclass(frozen=True, eq=False)
class Job:
    """What all cases of a batch have in common.

    Parameters
    ----------
    car : Car
        The nominal car, in motion.
    packed : Packed
        The calibration.
    scenario : Scenario
        One variant, without anything left to vary.
    measures : sequence of str or function
        What is kept of each run: names of ``MEASURES``, or functions of a module.
    traces : bool
        Keep the whole recording of each run as well; then memory grows with the cases.
    stride : int
        Ticks from one row to the next, from 1; with more than 1, peaks between rows go unseen.
    """

    car: Car
    packed: Packed
    scenario: Scenario
    measures: Sequence[str | Measure] = ("peaks",)
    traces: bool = False
    stride: int = 1

    def __post_init__(self) -> None:
        for measure in self.measures:
            measure_named(measure)


@dataclass(frozen=True, eq=False)
class Row:
    """What is left of one run."""

    case: Case
    measures: dict[str, float]
    trace: Recording | None = None


class _Buffer(threading.local):
    """Rows of the kernel, one set a thread, used again from run to run."""

    rows: np.ndarray = np.empty((0, ROW_WIDTH))

    def of(self, length: int) -> np.ndarray:
        if self.rows.shape[0] < length:
            self.rows = np.empty((length, ROW_WIDTH))
        return self.rows[:length]


_BUFFER = _Buffer()


def run_chunk(job: Job, cases: Sequence[Case]) -> list[Row]:
    """Run some cases one after the other.

    Parameters
    ----------
    job : Job
        What they have in common.
    cases : sequence of Case
        What tells them apart.

    Returns
    -------
    list of Row
        In the order of the cases.
    """
    return [_run_case(job, case) for case in cases]


def _run_case(job: Job, case: Case) -> Row:
    car = varied_car(job.car, case)
    scenario = varied_scenario(job.scenario, case)
    prepared = prepare(
        car,
        job.packed,
        scenario,
        faults=case.faults,
        seed=case.seed,
        variation=case.index,
        stride=job.stride,
    )
    rows = run_rows(car, job.packed, prepared, rows=_BUFFER.of(-(-prepared.ticks // job.stride)))
    step = TICK * job.stride
    trace = None
    if job.traces:
        meta = {
            "kind": "trace",
            "car": car.build.name,
            "scenario": scenario.name,
            "faults": [f.kind for f in prepared.faults],
            "seed": case.seed,
            "variation": case.index,
        }
        trace = to_recording(car, rows, step_s=step, faults=prepared.faults, meta=meta)
    return Row(case, all_of(job.measures, car, rows, step), trace)


def run_batch(
    job: Job,
    cases: Iterable[Case],
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    chunk: int = CHUNK,
    in_flight: int | None = None,
) -> Iterator[Row]:
    """Run cases and yield their rows in the order of the cases.

    Parameters
    ----------
    job : Job
        What they have in common.
    cases : iterable of Case
        Drawn as the batch goes on, so it may be endless.
    executor : Executor, optional
        Any executor of ``concurrent.futures``, of threads, processes or machines; it stays open.
        Without one, threads: the kernels let other threads run.
    workers : int, optional [-]
        Threads, when no executor is given; the processor's cores by default.
    chunk : int [-]
        Cases in one task, from 1. Results do not hang on it.
    in_flight : int, optional [-]
        Tasks handed out and not yet read, at most; twice the workers by default.

    Yields
    ------
    Row
        One for each case. Who stops reading stops the batch.

    Raises
    ------
    ValueError
        If chunk, workers or in_flight is below 1.
    """
    threads = (os.cpu_count() or 1) if workers is None else workers
    ahead = 2 * threads if in_flight is None else in_flight
    if min(chunk, threads, ahead) < 1:
        raise ValueError("chunk, workers and in_flight must be at least 1")
    return _in_order(job, iter(cases), executor, threads, chunk, ahead)


def _in_order(
    job: Job,
    cases: Iterator[Case],
    executor: Executor | None,
    threads: int,
    chunk: int,
    ahead: int,
) -> Iterator[Row]:
    own = ThreadPoolExecutor(threads) if executor is None else None
    pool = own if executor is None else executor
    if pool is None:
        raise ValueError("there is no executor")
    waiting: deque[Future[list[Row]]] = deque()
    try:
        while True:
            while len(waiting) < ahead:
                taken = list(islice(cases, chunk))
                if not taken:
                    break
                waiting.append(pool.submit(run_chunk, job, taken))
            if not waiting:
                return
            yield from waiting.popleft().result()
    finally:
        for future in waiting:
            future.cancel()
        if own is not None:
            own.shutdown(cancel_futures=True)
