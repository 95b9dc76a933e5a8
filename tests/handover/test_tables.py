"""Table files: round trip, foreign text, all or nothing, garbage."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.calibration.calibration import Calibration, Release
from throttlewright.calibration.table import Axis, Table
from throttlewright.foundation.errors import InputError
from throttlewright.handover.tables import (
    BENCH_ONLY,
    parse_csv_table,
    read_csv_table,
    table_text,
    write_csv,
)

DATA = Path(__file__).parent.parent / "data"
FAST = settings(deadline=None, derandomize=True, max_examples=50, database=None)
LINE = st.text(
    st.characters(exclude_categories=["C", "Z"]) | st.sampled_from(' ,;"#:'), max_size=12
).map(str.strip)
NAME = st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,8}", fullmatch=True)
UNIT = LINE.filter(lambda unit: "[" not in unit and "]" not in unit)
FLOAT = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def tables(draw: st.DrawFn) -> Table:
    names = draw(st.lists(NAME, min_size=1, max_size=2, unique=True))
    axes = []
    for name in names:
        points = draw(st.lists(st.integers(-9999, 9999), min_size=1, max_size=4, unique=True))
        axes.append(Axis(name, draw(UNIT), np.array(sorted(points)) / 7.0))
    shape = tuple(len(axis.values) for axis in axes)
    size = int(np.prod(shape))
    values = np.reshape(draw(st.lists(FLOAT, min_size=size, max_size=size)), shape)
    return Table(
        draw(NAME), draw(LINE.filter(bool)), draw(UNIT), tuple(axes), values,
        note=draw(LINE), percent_meaning=draw(LINE.filter(bool)),
    )  # fmt: skip


@given(table=tables())
@FAST
def test_round_trip(table: Table) -> None:
    text = table_text(table, Calibration({table.name: table}))
    assert parse_csv_table(text) == table


@given(table=tables(), note=st.text("ab ,:#", max_size=12).map(lambda text: text.strip(" ,")))
@FAST
def test_round_trip_through_a_spreadsheet(table: Table, note: str) -> None:
    """A spreadsheet quotes lines that hold its separator and pads them to the full width."""
    table = dataclasses.replace(
        table, unit="kPa", axes=tuple(dataclasses.replace(axis, unit="s") for axis in table.axes),
        note=note, quantity="plate, opened", percent_meaning="0 = shut",
    )  # fmt: skip
    lines = table_text(table, Calibration({table.name: table})).splitlines()
    for mark, decimal in ((",", "."), (";", ",")):
        saved = [
            (f'"{line}"' if mark in line else line) + mark * 2
            if line.startswith("#")
            else line.replace(",", mark).replace(".", decimal)
            for line in lines
        ]
        assert parse_csv_table("\r\n".join(saved)) == table


def sample() -> Table:
    return Table(
        "pedal_map", "plate opening", "%",
        (Axis("rpm", "rpm", [1000.0, 4000.0]), Axis("pedal_pct", "%", [0.0, 50.0, 100.0])),
        [[0.0, 4.5, 30.0], [1.0, 12.5, 100.0]],
        note="invented here", percent_meaning="0 = closed stop, 100 = open stop",
    )  # fmt: skip


def test_first_version_stays_readable() -> None:
    assert read_csv_table(DATA / "pedal_map_v1.csv") == sample()


def test_head_says_what_it_is() -> None:
    text = table_text(sample(), Calibration({"pedal_map": sample()}))
    for said in (
        "# quantity: plate opening", "# unit: %", BENCH_ONLY, "hands away",
        "# 0 and 100 % mean: 0 = closed stop, 100 = open stop",
    ):  # fmt: skip
        assert said in text
    free = Calibration(
        {"pedal_map": sample()}, bench_only=False, release=Release("A. B", "passed", "2031-05-09")
    )
    text = table_text(sample(), free)
    assert "BENCH ONLY" not in text
    assert "# released by: A. B, 2031-05-09: passed" in text
    assert parse_csv_table(text) == sample()


@pytest.mark.parametrize(
    "text",
    [
        "\t0\t50\t100\n1000\t0\t4.5\t30\n4000\t1\t12.5\t100\n",
        "\ufeff;0;50;100\r\n1000;0;4,5;30\r\n4000;1;12,5;100",
        "rpm,0,50,100\n\n1000,0,4.5,30\n4000,1,12.5,100\n",
        "# a comment\nrpm\t0\t50\t100\n1000\t0\t4,5\t30\n4000\t1\t12,5\t100\n",
    ],
)
def test_foreign_text(text: str) -> None:
    table = parse_csv_table(
        text, name="pedal_map", quantity="plate opening", unit="%",
        axes=(("rpm", "rpm"), ("pedal_pct", "%")), percent_meaning="0 shut, 100 open",
    )  # fmt: skip
    assert np.array_equal(table.values, sample().values)
    assert table.axes == sample().axes


def test_foreign_text_with_one_axis() -> None:
    for text in ("0;1,5\n10;2\n", "x\ty\n0\t1.5\n10\t2\n"):
        table = parse_csv_table(text)
        assert list(table.axes[0].values) == [0.0, 10.0]
        assert list(table.values) == [1.5, 2.0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no table"),
        ("1 2 3\n", "only one column"),
        ("\t1\t2\n3\t4\n", "row 2: has 2 cells"),
        ("\t1\t2\n3\t4\tx\n", "row 2, column 3: is not a number"),
        ("\t1\t2\n3\t\t5\n", "row 2, column 2: the cell is empty"),
        ("\t2\t1\n3\t4\t5\n", "axis y: must rise"),
        ("\t1\t2\n3\t4\t5\n3\t4\t5\n", "axis x: must rise"),
        ("0\t1\t2\n3\t4\t5\n", "corner cell holds a number"),
        ("\t1\t2\n", "no row of values"),
        ("x\ty\n", "no row of numbers"),
        ("\t1,5\t2.5\n3\t4\t5\n", "both points and commas"),
        ("\t1.000,5\t2\n3\t4\t5\n", "both points and commas"),
        ("\t1,000,5\t2\n3\t4\t5\n", "column 2: is not a number"),
    ],
)
def test_foreign_text_errors(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "pasted.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=said) as caught:
        read_csv_table(path)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("version 1", "version 2", "newer version"),
        ("# unit:", "# units:", "did you mean 'unit'"),
        ("# unit: %\n", "", "unit: the head line is missing"),
        ("# unit: %\n", "# unit: %\n# unit: %\n", "occurs twice"),
        ("points: linear", "points: cubic", "allowed: linear"),
        ("rpm [rpm]", "rpm", "is not an axis"),
        ("# second axis, across: pedal_pct [%]\n", "", "two columns"),
        ("# 0 and 100 % mean: 0 = closed stop, 100 = open stop\n", "", "what 0 and 100 % mean"),
    ],
)
def test_own_file_errors(old: str, new: str, said: str) -> None:
    text = table_text(sample(), Calibration({"pedal_map": sample()}))
    assert old in text
    with pytest.raises(InputError, match=said):
        parse_csv_table(text.replace(old, new))


def test_write_all_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = dataclasses.replace(sample(), name="other")
    both = Calibration({"pedal_map": sample(), "other": other})
    folder = tmp_path / "tables"
    written = write_csv(both, folder)
    assert [path.name for path in written] == ["other.csv", "pedal_map.csv"]
    assert [read_csv_table(path) for path in written] == [other, sample()]
    before = {path: path.read_bytes() for path in written}
    with pytest.raises(InputError, match="already holds files"):
        write_csv(both, folder)

    real, calls = Path.write_text, []

    def full(self: Path, *args: object, **kwargs: object) -> int:
        calls.append(self)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        return real(self, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(InputError, match="No space left"):
        write_csv(both, folder, overwrite=True)
    monkeypatch.undo()
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["tables"]

    rename = Path.rename

    def stuck(self: Path, target: Path) -> Path:
        if self.name == "new":
            raise OSError(5, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", stuck)
    with pytest.raises(InputError, match="Input/output"):
        write_csv(both, folder, overwrite=True)
    monkeypatch.undo()
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["tables"]

    write_csv(Calibration({"other": other}), folder, overwrite=True)
    assert [path.name for path in folder.iterdir()] == ["other.csv"]
    (folder / "letter.txt").write_text("mine")
    with pytest.raises(InputError, match=r"letter\.txt"):
        write_csv(both, folder, overwrite=True)
    assert (folder / "letter.txt").read_text() == "mine"


CELL = st.sampled_from(["1", "2,5", "3.5", "", "-", '"', "#", "nan", "1e400", "−1", "²", "x"])


@given(
    rows=st.lists(st.lists(CELL | st.text(max_size=3), max_size=4), max_size=4),
    mark=st.sampled_from([",", ";", "\t"]),
)
@FAST
def test_garbage_gives_only_input_errors(rows: list[list[str]], mark: str) -> None:
    told = "read"
    try:
        parse_csv_table("\n".join(mark.join(row) for row in rows))
    except InputError as error:
        told = str(error)
    assert len(told.splitlines()) == 1


@given(at=st.integers(0, 3000), cut=st.integers(0, 40), put=st.text(max_size=3))
@FAST
def test_damaged_own_file_gives_only_input_errors(at: int, cut: int, put: str) -> None:
    text = table_text(sample(), Calibration({"pedal_map": sample()}))
    at %= len(text)
    told = "read"
    try:
        parse_csv_table(text[:at] + put + text[at + cut :])
    except InputError as error:
        told = str(error)
    assert len(told.splitlines()) == 1
