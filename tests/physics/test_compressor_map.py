from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.physics.compressor_map import CompressorMap

# Invented map: three lines, the first measured on the right of its top only.
TABLE = """speed,flow_kg_s,pressure_ratio,efficiency
120000,0.06,1.70,0.66
120000,0.04,1.68,0.60
120000,0.11,1.40,0.60
80000,0.02,1.30,0.62
80000,0.05,1.25,0.68
80000,0.08,1.10,0.55
160000,0.08,2.30,0.65
160000,0.10,2.32,0.70
160000,0.15,1.80,0.60
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "map.csv"
    path.write_text(TABLE, encoding="utf-8")
    return path


@pytest.fixture
def compressor(file: Path) -> CompressorMap:
    return CompressorMap.from_csv(file, p_ref=101300.0, T_ref=298.0)


def test_rows_are_sorted_into_lines(compressor: CompressorMap) -> None:
    assert [line.speed for line in compressor.lines] == [80000.0, 120000.0, 160000.0]
    assert list(compressor.lines[1].flow) == [0.04, 0.06, 0.11]
    assert compressor.lines[1].efficiency is not None
    assert list(compressor.lines[1].efficiency) == [0.60, 0.66, 0.60]
    assert (compressor.p_ref, compressor.T_ref) == (101300.0, 298.0)


def test_efficiency_may_be_missing(tmp_path: Path) -> None:
    path = tmp_path / "plain.csv"
    path.write_text("pressure_ratio,speed,flow_kg_s\n1.5,1e5,.05\n1.3,1e5,.08\n", encoding="utf-8")
    found = CompressorMap.from_csv(path, p_ref=1e5, T_ref=293.0)
    assert found.lines[0].efficiency is None
    assert list(found.lines[0].pressure_ratio) == [1.5, 1.3]


def test_surge_side(compressor: CompressorMap) -> None:
    ratios, flows = compressor.surge_line
    assert list(ratios) == [1.30, 1.70, 2.32]
    assert list(flows) == [0.02, 0.06, 0.10]
    assert compressor.surge_flow(1.50) == pytest.approx(0.04, rel=1e-12)
    assert compressor.surge_flow(1.15) == pytest.approx(0.01, rel=1e-12)
    assert compressor.surge_flow(1.0) == 0.0
    assert compressor.surge_flow(2.4) == math.inf


def test_surge_margin(compressor: CompressorMap) -> None:
    assert compressor.surge_margin(0.08, 1.50) == pytest.approx(0.5, rel=1e-12)
    assert compressor.surge_margin(0.04, 1.50) == pytest.approx(0.0, abs=1e-12)
    assert compressor.surge_margin(0.03, 1.50) < 0.0
    assert compressor.surge_margin(0.1, 2.4) == -math.inf
    assert compressor.surge_margin(0.0, 1.2) == -math.inf


def test_choke_side(compressor: CompressorMap) -> None:
    assert compressor.choke_flow == 0.15
    assert compressor.max_pressure_ratio == 2.32
    # Halfway down the outer line from (0.10, 2.32) to (0.15, 1.80).
    assert compressor.right_edge_flow(2.06) == pytest.approx(0.125, rel=1e-12)
    assert compressor.right_edge_flow(1.2) == 0.15
    assert math.isnan(compressor.right_edge_flow(2.5))


def test_edges_of_the_map_keep_their_order(compressor: CompressorMap) -> None:
    @settings(deadline=None, derandomize=True, max_examples=50, database=None)
    @given(st.floats(1.0, 2.32), st.floats(1.0, 2.32))
    def ordered(a: float, b: float) -> None:
        low, high = sorted((a, b))
        assert compressor.surge_flow(low) <= compressor.surge_flow(high)
        assert compressor.right_edge_flow(low) >= compressor.right_edge_flow(high)
        assert compressor.surge_flow(high) <= compressor.right_edge_flow(high) + 1e-12

    ordered()


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.csv: cannot be read"):
        CompressorMap.from_csv(tmp_path / "nowhere.csv", p_ref=1e5, T_ref=293.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("80000,0.02,1.30", "80000,nought,1.30"), ("row 5", "flow_kg_s", "nought")),
        (("80000,0.02,1.30", "80000,0.02,0.90"), ("row 5", "pressure_ratio", "at least 1")),
        (("80000,0.02,1.30,0.62", "80000,0.02,1.30,62"), ("row 5", "efficiency")),
        (("80000,0.02,1.30,0.62", "80000,0.02,1.30"), ("row 5", "3 cells under 4 columns")),
        (("80000,0.02,1.30", "80000,0.05,1.30"), ("speed", "same flow")),
        (("80000,0.02,1.30", "70000,0.02,1.30"), ("70000", "at least 2 points")),
        (("flow_kg_s", "flow"), ("row 1", "header")),
        (("80000,0.02,1.30", "inf,0.02,1.30"), ("row 5", "speed")),
    ],
)
def test_bad_table_is_one_clear_sentence(
    file: Path, change: tuple[str, str], words: tuple[str, ...]
) -> None:
    file.write_text(TABLE.replace(*change), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        CompressorMap.from_csv(file, p_ref=1e5, T_ref=293.0)
    text = str(caught.value)
    assert str(file) in text
    assert "\n" not in text
    for word in words:
        assert word in text


@pytest.mark.parametrize("content", ["", "speed,flow_kg_s,pressure_ratio\n"])
def test_table_without_points(file: Path, content: str) -> None:
    file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=r"map\.csv"):
        CompressorMap.from_csv(file, p_ref=1e5, T_ref=293.0)
