"""Parquet files of recordings: bit for bit, versions, broken files, nothing half-written."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.recording.parquet import read_parquet, write_parquet
from throttlewright.recording.recording import Channel, Event, Recording

DATA = Path(__file__).parent.parent / "data"
# A NaN with a payload: bits, not only NaN-ness, must survive.
ODD_NAN = struct.unpack("<d", bytes.fromhex("010000000000f87f"))[0]


def sample() -> Recording:
    return Recording.of(
        [
            Channel("map", "kPa", [0.0, 0.01, 0.01], [98.5, ODD_NAN, -0.0], [0, 3, 255]),
            Channel("empty", "", [], [], []),
            Channel("pedal_pct", "%", [0.1, 1.0 / 3.0], [np.inf, 5e-324]),
        ],
        [Event(1.0 / 3.0, "shift", "second to third, größer")],
        {"scenario": "rolling start", "seed": 7},
    )


def same_bits(one: Recording, two: Recording) -> bool:
    return one == two and all(
        a.values.tobytes() == b.values.tobytes() and a.t_s.tobytes() == b.t_s.tobytes()
        for a, b in zip(one.channels.values(), two.channels.values(), strict=True)
    )


def test_round_trip_bit_for_bit(tmp_path: Path) -> None:
    write_parquet(sample(), tmp_path / "a.parquet")
    back = read_parquet(tmp_path / "a.parquet")
    assert same_bits(sample(), back)
    assert list(back.channels) == ["map", "empty", "pedal_pct"]
    assert back.channels["empty"].status is not None
    assert back.channels["pedal_pct"].status is None
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]


def test_recording_without_channels(tmp_path: Path) -> None:
    write_parquet(Recording({}), tmp_path / "a.parquet")
    assert read_parquet(tmp_path / "a.parquet") == Recording({})


def test_first_version_stays_readable() -> None:
    assert same_bits(read_parquet(DATA / "recording_v1.parquet"), sample())


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("format_version", "2", "newer version"),
        ("format_version", "0", "not a version number"),
        ("format_version", "x", "not a version number"),
        ("format", "something", "not a recording"),
        ("events", "[[1]]", "not a complete recording"),
        ("events", "{", "not a complete recording"),
        ("meta", "3", "not a group of facts"),
    ],
)
def test_wrong_metadata_is_refused(tmp_path: Path, key: str, value: str, said: str) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(sample(), path)
    table = pq.read_table(path)
    changed = {**table.schema.metadata, key.encode(): value}
    pq.write_table(table.replace_schema_metadata(changed), path)
    with pytest.raises(InputError, match=said) as caught:
        read_parquet(path)
    assert str(path) in str(caught.value)


def test_missing_column_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(sample(), path)
    pq.write_table(pq.read_table(path).drop_columns(["values"]), path)
    with pytest.raises(InputError, match="not a complete recording"):
        read_parquet(path)


def test_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.parquet"
    write_parquet(sample(), path)
    before = path.read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pq, "write_table", full)
    with pytest.raises(InputError, match="No space left"):
        write_parquet(Recording({}), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]
    with pytest.raises(InputError, match="cannot be written"):
        write_parquet(sample(), tmp_path / "no" / "a.parquet")


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("broken") / "a.parquet"


@given(cut=st.integers(0, 2000), at=st.integers(0, 5000), byte=st.integers(0, 255))
@settings(deadline=None, derandomize=True, max_examples=60, database=None)
def test_broken_file_gives_an_input_error_or_a_recording(
    broken: Path, cut: int, at: int, byte: int
) -> None:
    raw = bytearray((DATA / "recording_v1.parquet").read_bytes())
    raw[at % len(raw)] = byte
    broken.write_bytes(bytes(raw[: len(raw) - cut if cut % 2 else len(raw)]))
    told = str(broken)
    try:
        read_parquet(broken)
    except InputError as error:
        told = str(error)
    assert told.startswith(str(broken))


def test_missing_file_and_other_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_parquet(tmp_path / "a.parquet")
    shutil.copy(__file__, tmp_path / "b.parquet")
    with pytest.raises(InputError, match="not a readable Parquet"):
        read_parquet(tmp_path / "b.parquet")
