from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import throttlewright
from throttlewright.foundation.compiled import COMPILED_FLOORS, cache_folder, kernel, sources_hash

PACKAGE = Path(throttlewright.__file__).resolve().parent

# car/flows.py calls physics/plate.py: caller and callee in two files, on two floors
SCRIPT = """
import numpy as np
from throttlewright.car.flows import plate_area_of
from throttlewright.car.record import CAR_DTYPE
car = np.zeros(1, dtype=CAR_DTYPE)[0]
for name, value in (("plates", 1.0), ("bore", 0.06), ("shaft", 0.008), ("psi_closed", 0.1),
                    ("cd_step", 0.1)):
    car[name] = value
car["cd"] = 1.0
print(repr(float(plate_area_of(0.8, car=car))))
"""
AREA = "bore_area = 0.25 * math.pi * bore * bore"


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    shutil.copytree(
        PACKAGE, tmp_path / "throttlewright", ignore=shutil.ignore_patterns("__pycache__")
    )
    return tmp_path


def run(folder: Path) -> float:
    environment = {
        **os.environ,
        "PYTHONPATH": str(folder),
        "THROTTLEWRIGHT_CACHE": str(folder / "cache"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    environment.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env=environment,
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def stored(folder: Path) -> dict[str, int]:
    return {
        str(p.relative_to(folder)): p.stat().st_mtime_ns
        for p in (folder / "cache").rglob("*.nb[ic]")
    }


def test_edit_in_a_callee_reaches_the_caller_and_unchanged_sources_reuse_the_cache(copied) -> None:
    first = run(copied)
    assert first > 1e-4
    before = stored(copied)
    assert any("plate_area_of" in name for name in before)

    assert run(copied) == first
    assert stored(copied) == before, "unchanged sources must not compile again"

    source = copied / "throttlewright" / "physics" / "plate.py"
    text = source.read_text(encoding="utf-8")
    assert AREA in text
    source.write_text(text.replace(AREA, AREA.replace("0.25", "0.125")), encoding="utf-8")
    # geometric area halves everywhere; no leak, no loss and cd 1 leave the result proportional
    assert run(copied) == pytest.approx(0.5 * first, rel=1e-12)
    after = stored(copied)
    assert set(before) < set(after), "edited sources compile into a folder of their own"
    assert {name: after[name] for name in before} == before


def test_hash_follows_each_compiled_floor_and_nothing_above(copied) -> None:
    package = copied / "throttlewright"
    seen = {sources_hash(package)}
    assert seen == {sources_hash(PACKAGE)}
    for floor in COMPILED_FLOORS:
        files = sorted((package / floor).rglob("*.py"))
        if not files:
            continue
        files[-1].write_bytes(files[-1].read_bytes() + b"\n")
        assert sources_hash(package) not in seen, floor
        seen.add(sources_hash(package))
    extra = package / "physics" / "new_topic.py"
    extra.write_text("", encoding="utf-8")
    assert sources_hash(package) not in seen
    seen.add(sources_hash(package))
    page = package / "handover" / "report.py"
    page.write_bytes(page.read_bytes() + b"\n")
    assert sources_hash(package) in seen


@pytest.fixture
def fresh_folder(monkeypatch):
    cache_folder.cache_clear()
    yield monkeypatch
    monkeypatch.undo()
    cache_folder.cache_clear()


def test_cache_folder_is_where_asked_and_keeps_few_old_ones(fresh_folder, tmp_path) -> None:
    fresh_folder.setenv("THROTTLEWRIGHT_CACHE", str(tmp_path))
    fresh_folder.delenv("NUMBA_BOUNDSCHECK", raising=False)
    kernels = tmp_path / "throttlewright" / "kernels"
    for n in range(7):
        (kernels / f"old{n}").mkdir(parents=True)
        os.utime(kernels / f"old{n}", (1000.0 + n, 1000.0 + n))
    folder = cache_folder()
    assert folder == kernels / sources_hash(PACKAGE)
    assert sorted(p.name for p in kernels.iterdir() if p != folder) == [
        "old3",
        "old4",
        "old5",
        "old6",
    ]


def test_checked_runs_have_a_folder_of_their_own(fresh_folder, tmp_path) -> None:
    fresh_folder.setenv("THROTTLEWRIGHT_CACHE", str(tmp_path))
    fresh_folder.setenv("NUMBA_BOUNDSCHECK", "1")
    assert cache_folder().name == sources_hash(PACKAGE) + "-checked"


def test_unusable_cache_folder_falls_back_to_another(fresh_folder, tmp_path) -> None:
    taken = tmp_path / "file"
    taken.write_text("", encoding="utf-8")
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    fresh_folder.setenv("THROTTLEWRIGHT_CACHE", str(taken))
    fresh_folder.setattr("tempfile.tempdir", str(temporary))
    folder = cache_folder()
    assert folder.is_relative_to(temporary)
    assert os.access(folder, os.W_OK)


def test_kernel_divides_as_numpy_does() -> None:
    @kernel
    def inverse(x: float) -> float:
        return 1.0 / x

    assert inverse(0.0) == float("inf")
    assert inverse(4.0) == 0.25
