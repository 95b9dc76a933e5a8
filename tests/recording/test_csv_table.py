"""Text tables with a header, read into SI."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.recording.csv_table import read_table

KINDS = {"speed": "angular speed", "torque": "torque"}


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "dyno.csv"
    path.write_bytes(text.encode())
    return path


@pytest.mark.parametrize(
    "text",
    [
        "speed [rpm],torque [lb ft]\n3000,100.5\n6000,90\n",
        "\ufeffspeed [rpm];torque [lb ft]\r\n3000;100,5\r\n6000;90\r\n",
        "# a pull\n\ntorque [lb ft]\tspeed [rpm]\n100.5\t3000\n90\t6000",
    ],
)
def test_reads_into_si(tmp_path: Path, text: str) -> None:
    found = read_table(write(tmp_path, text), required=KINDS)
    # 2 pi / 60 by definition; 1 lbf ft = 4.4482216152605 N * 0.3048 m, exact (NIST SP 811, B.8).
    assert found["speed"] == pytest.approx([100 * math.pi, 200 * math.pi], rel=1e-14)
    lbf_ft = 4.4482216152605 * 0.3048
    assert found["torque"] == pytest.approx([100.5 * lbf_ft, 90 * lbf_ft], rel=1e-14)


def test_offset_units_percent_and_bare_ratio(tmp_path: Path) -> None:
    path = write(tmp_path, "t [degC],s [%],r\n20,46,0.5\n-40,0,1\n")
    found = read_table(path, required={"t": "temperature", "s": "ratio", "r": "ratio"})
    assert found["t"] == pytest.approx([293.15, 233.15], rel=1e-14)
    assert found["s"] == pytest.approx([0.46, 0.0], rel=1e-14)
    assert list(found["r"]) == [0.5, 1.0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the table is empty"),
        ("speed [rpm],torque [N m]\n", "no row of numbers"),
        ("speed [rpm],torqe [N m]\n1,2\n", "column 2.*did you mean 'torque'"),
        ("speed [rpm]\n1\n", "torque: the column is missing"),
        ("speed [rpm],torque\n1,2\n", r"column 2 \(torque\).*has no unit"),
        ("speed [rpm],torque [kPa]\n1,2\n", "not a unit of torque"),
        ("speed [rpm],torque [N m],torque [N m]\n1,2,3\n", "occurs twice"),
        ("speed [rpm],torque [N m]\n1,2\n3\n", "row 3: has 1 cells"),
        ("speed [rpm],torque [N m]\n1,2\n3,x\n", r"row 3, column 2 \(torque\): is not a number"),
        ("speed [rpm],torque [N m]\n1,\n", "row 2, column 2.*empty"),
        ("speed [rpm],torque [N m]\n1,nan\n", "not a number"),
        ("speed [rpm],torque [N m]\n1,1e999\n", "not a number"),
        ("speed [rpm];torque [N m]\n1;1.234,5\n", "not a number"),
        ("speed [rpm];torque [N m]\n1,5;2.5\n", "decimal mark here is ','"),
        ("speed ][,torque [N m]\n1,2\n", "cannot be read as a column name"),
    ],
)
def test_errors_name_file_row_and_column(tmp_path: Path, text: str, said: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(InputError, match=said) as caught:
        read_table(path, required=KINDS)
    assert str(caught.value).startswith(str(path))


def test_a_comma_in_a_column_that_is_not_used_does_not_count(tmp_path: Path) -> None:
    path = write(tmp_path, "s\tremark\n1.5\twarm, dry\n")
    assert list(read_table(path, required={"s": "ratio"}, ignore_others=True)["s"]) == [1.5]


def test_optional_and_other_columns(tmp_path: Path) -> None:
    path = write(tmp_path, "speed [rpm],note\n60,5\n")
    one = {"speed": "angular speed"}
    assert list(read_table(path, required=one, ignore_others=True)) == ["speed"]
    assert list(read_table(path, required=one, optional={"note": "ratio"})) == ["speed", "note"]
    with pytest.raises(InputError, match="not a column that is used here"):
        read_table(path, required=one)


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz") / "a.csv"


ROW = st.lists(
    st.sampled_from(["speed [rpm]", "torque", "[", "1", "2,5", "-", '"', "\t", "#", "1e400", "\r"])
    | st.text(max_size=4)
)


@given(rows=st.lists(ROW, max_size=4), mark=st.sampled_from([",", ";", "\t", "\x00"]))
@settings(deadline=None, derandomize=True, max_examples=60, database=None)
def test_garbage_gives_only_input_errors(scratch: Path, rows: list[list[str]], mark: str) -> None:
    text = "\n".join(mark.join(row) for row in rows)
    scratch.write_bytes(text.encode("utf-8", "surrogatepass"))
    told = str(scratch)
    try:
        read_table(scratch, required={"speed": "angular speed"}, ignore_others=True)
    except InputError as error:
        told = str(error)
    assert told.startswith(str(scratch))
