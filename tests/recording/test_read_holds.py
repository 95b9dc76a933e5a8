"""Reading steady holds: units, optional columns, refusals."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from throttlewright.foundation.errors import InputError
from throttlewright.recording.holds import read_holds

HEAD = "rpm,plate [%],torque [N m]"


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "holds.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_arrive_in_si_with_plate_in_percent(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        f"{HEAD},map [kPa],lambda,ignition [deg]\n"
        "3000,12.5,61,48,0.99,31\n5000,100,141,99,.87,27\n",
    )
    table = read_holds(path)
    assert sorted(table) == ["ignition", "lambda", "map", "plate_pct", "rpm", "torque"]
    assert list(table["rpm"]) == [3000.0, 5000.0]
    assert table["plate_pct"] == pytest.approx([12.5, 100.0], rel=1e-12)
    assert table["map"] == pytest.approx([48e3, 99e3], rel=1e-12)
    assert table["ignition"] == pytest.approx([math.radians(31.0), math.radians(27.0)], rel=1e-12)
    assert list(table["lambda"]) == [0.99, 0.87]


def test_optional_columns_may_be_left_out(tmp_path: Path) -> None:
    table = read_holds(write(tmp_path, "rpm\tplate [%]\ttorque [lb ft]\n2000\t5\t10\n"))
    assert sorted(table) == ["plate_pct", "rpm", "torque"]
    # 1 lbf ft = 0.3048 m x 4.4482216152605 N, exact by definition of foot and pound-force
    assert table["torque"][0] == pytest.approx(10.0 * 0.3048 * 4.4482216152605, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rpm,plate [%]\n3000,20\n", "torque: the column is missing"),
        (f"{HEAD}\n3000,120,80\n", "hold 1, plate: is out of range"),
        ("rpm,plate,torque [N m]\n3000,20,80\n", "plate \\[%\\]"),
        (f"{HEAD}\n3000,20,80\n30,20,80\n", "hold 2, rpm: is out of range"),
        (f"{HEAD},lambda\n3000,20,80,14.7\n", "hold 1, lambda: is out of range"),
        (f"{HEAD},map [kPa]\n3000,20,80,-40\n", "hold 1, map: is out of range"),
        ("rpm,plate [%],torque\n3000,20,80\n", "torque"),
        (f"{HEAD}\n3000,20,-\n", "is not a number"),
        (f"{HEAD},colour\n3000,20,80,1\n", "not a column that is used here"),
    ],
)
def test_errors_name_file_and_place(tmp_path: Path, text: str, said: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(InputError, match=said) as caught:
        read_holds(path)
    assert str(caught.value).startswith(str(path))
