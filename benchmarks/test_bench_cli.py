"""The program as a person meets it: whole processes, from start to exit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import throttlewright

SOURCE = Path(throttlewright.__file__).resolve().parent.parent
PEAK = """
import resource, subprocess, sys
code = subprocess.run(
    [sys.executable, "-m", "throttlewright", *sys.argv[1:]], stdout=subprocess.DEVNULL
).returncode
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
raise SystemExit(code)
"""


def environment(cache: Path | None = None) -> dict[str, str]:
    made = {**os.environ, "PYTHONPATH": str(SOURCE)}
    if cache is not None:
        made["THROTTLEWRIGHT_CACHE"] = str(cache)
    return made


def call(folder: Path, *arguments: str, cache: Path | None = None) -> float:
    """Run the program; return its peak memory [MB]."""
    done = subprocess.run(
        [sys.executable, "-c", PEAK, *arguments],
        cwd=folder,
        env=environment(cache),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    # ru_maxrss counts kilobytes on Linux, bytes on macOS
    return float(done.stdout.split()[-1]) / (1024.0**2 if sys.platform == "darwin" else 1024.0)


def plain_start(folder: Path, *arguments: str) -> None:
    """Run the program with nothing between."""
    subprocess.run(
        [sys.executable, "-m", "throttlewright", *arguments],
        cwd=folder,
        env=environment(),
        stdout=subprocess.DEVNULL,
        check=True,
    )


@pytest.mark.benchmark(group="process")
def test_demo_warm(benchmark, tmp_path) -> None:
    call(tmp_path, "demo")
    peak = benchmark.pedantic(call, (tmp_path, "demo"), rounds=5)
    benchmark.extra_info["median s"] = round(benchmark.stats.stats.median, 2)
    benchmark.extra_info["peak MB"] = round(peak)
    print(dict(benchmark.extra_info))


@pytest.mark.benchmark(group="process")
def test_demo_cold(benchmark, tmp_path) -> None:
    peak = benchmark.pedantic(call, (tmp_path, "demo"), {"cache": tmp_path / "cache"}, rounds=1)
    assert list((tmp_path / "cache").rglob("*.nbc")), "nothing was compiled: not a cold start"
    benchmark.extra_info["s"] = round(benchmark.stats.stats.median, 1)
    benchmark.extra_info["peak MB"] = round(peak)
    print(dict(benchmark.extra_info))


@pytest.mark.benchmark(group="process")
@pytest.mark.parametrize("arguments", [("--help",), ("design", "--help")], ids=" ".join)
def test_help(benchmark, tmp_path, arguments) -> None:
    plain_start(tmp_path, *arguments)
    benchmark.pedantic(plain_start, (tmp_path, *arguments), rounds=9)
    # peer: the interpreter alone
    import time

    spent = []
    for _ in range(9):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        spent.append(time.perf_counter() - start)
    benchmark.extra_info["median s"] = round(benchmark.stats.stats.median, 3)
    benchmark.extra_info["interpreter alone, s"] = round(sorted(spent)[4], 3)
    print(dict(benchmark.extra_info))
