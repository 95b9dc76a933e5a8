"""Kills, crowds, full disks and locked folders: what was saved stays."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from garage_things import made_up_recording

import throttlewright
from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import recording_bytes
from throttlewright.garage.store import Garage

SAVER = Path(__file__).with_name("saver.py")
SOURCE = Path(throttlewright.__file__).resolve().parent.parent
KILLS = 300 if os.environ.get("THROTTLEWRIGHT_EFFORT") == "full" else 20

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs fork and POSIX limits")


def start(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(SAVER), *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(SOURCE)},
    )


def answer(process: subprocess.Popen[str]):
    out, err = process.communicate(timeout=50 + 2 * KILLS)
    assert process.returncode == 0, err
    return json.loads(out)


@pytest.fixture
def folder(tmp_path) -> Path:
    with Garage.open(tmp_path / "garage") as garage:
        garage.new_car("Kestrel", who="Ada")
        garage.save("Kestrel", "note", "shared", "start\n", base_revision=None, who="Ada")
    return tmp_path / "garage"


@pytest.fixture
def recording(tmp_path) -> Path:
    path = tmp_path / "pull.parquet"
    path.write_bytes(recording_bytes(made_up_recording()))
    return path


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that people without rights can reach."""
    path = Path(tempfile.mkdtemp())
    path.chmod(0o755)
    yield path
    for inner in path.rglob("*"):
        inner.chmod(0o755)
    shutil.rmtree(path)


def test_no_acknowledged_save_is_lost_to_a_kill(folder, recording) -> None:
    found = answer(start("kill", folder, KILLS, recording))
    assert found.get("rounds") == KILLS, found
    assert found["saves"] > 3 * KILLS
    assert found["longest"] > 5


def test_two_programs_lose_no_line(folder) -> None:
    both = [start("race", folder, name, 25) for name in ("left", "right")]
    conflicts = sum(answer(process)["conflicts"] for process in both)
    with Garage.open(folder) as garage:
        head = garage.head("Kestrel", "note", "shared")
        lines = str(garage.content(head.id)).splitlines()
        rows = garage.history("Kestrel", "note", "shared")
    expected = {f"{name} {n}" for name in ("left", "right") for n in range(25)}
    assert sorted(lines) == sorted({"start", *expected})
    assert sum(not row.stale for row in rows) == 51
    assert sum(row.stale for row in rows) == conflicts


def test_two_programs_open_a_new_garage_at_once(tmp_path) -> None:
    code = (
        "import sys; from throttlewright.garage.store import Garage\n"
        "with Garage.open(sys.argv[1]) as g: g.new_car(sys.argv[2], who='x')\n"
    )
    started = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path / "g"), f"car {n}"],
            env={**os.environ, "PYTHONPATH": str(SOURCE)},
            stderr=subprocess.PIPE,
            text=True,
        )
        for n in range(2)
    ]
    for process in started:
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
    with Garage.open(tmp_path / "g") as garage:
        assert [car.name for car in garage.cars()] == ["car 0", "car 1"]


def test_a_full_disk_is_one_sentence_and_the_old_state_stays(folder, recording) -> None:
    note, pull, again = answer(start("full", folder, recording))
    for said in (note, pull, again):
        assert said != "saved"
        assert "\n" not in said
        assert said.count("Traceback") == 0
    for said in (note, again):
        assert "the disk" in said
        assert "what was saved before is still there" in said
    assert "File too large" in pull
    with Garage.open(folder) as garage:
        head = garage.head("Kestrel", "note", "shared")
        assert garage.content(head.id) == "start\n"
        assert not list((folder / "blobs").rglob(".part-*"))
        garage.save("Kestrel", "note", "shared", "room", base_revision=head.id, who="Ada")


def test_a_locked_folder_is_one_sentence_and_the_old_state_stays(open_place) -> None:
    place = open_place / "garage"
    with Garage.open(place) as garage:
        garage.new_car("Kestrel", who="Ada")
    (open_place / "warm").mkdir()
    before = {p: p.read_bytes() for p in place.rglob("*") if p.is_file()}
    for path in [*before, place]:
        path.chmod(0o444 if path.is_file() else 0o555)
    save, begin = answer(start("locked", place))
    assert "allow writing in the folder" in save
    assert "Permission denied" in begin
    assert "\n" not in save + begin
    assert {p: p.read_bytes() for p in place.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"no database at all, only text" * 40, "is not a garage"), (b"", "")],
)
def test_a_file_that_is_no_garage_is_left_alone(tmp_path, content, words) -> None:
    (tmp_path / "garage.sqlite").write_bytes(content)
    if not words:
        # An empty file is what a program killed at its first step leaves.
        Garage.open(tmp_path).close()
        return
    with pytest.raises(InputError, match=words):
        Garage.open(tmp_path)
    assert (tmp_path / "garage.sqlite").read_bytes() == content


def test_a_damaged_garage_is_one_sentence(folder) -> None:
    file = folder / "garage.sqlite"
    data = bytearray(file.read_bytes())
    data[4096:] = b"\x55" * (len(data) - 4096)
    file.write_bytes(bytes(data))
    with (
        pytest.raises(InputError, match=r"is damaged|is not a garage"),
        Garage.open(folder) as garage,
    ):
        garage.items("Kestrel")
