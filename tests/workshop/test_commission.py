"""Commission as a person does it: sheet, filled file, verdict, page."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from rich.console import Console

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.calibration.calibration import Calibration
from throttlewright.car.pack import pack
from throttlewright.cli import show_commission
from throttlewright.design.reactions import typical_reactions
from throttlewright.design.roles import all_rows
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.commission import (
    CommissionRequest,
    CommissionResult,
    commission,
    read_filled,
)


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> str:
    car = pack(load_example("hillclimb_20t").build)
    intent = load_example_intent("hillclimb_20t").intent
    rows = all_rows(car, intent)
    calibration = Calibration(
        {t.name: t for t in rows.tables}, rows.numbers, rows.limits, typical_reactions(car, intent)
    )
    path = tmp_path_factory.mktemp("held") / "car.calibration.json"
    path.write_text(calibration.to_json(), encoding="utf-8")
    return str(path)


def ask(held: str, **more: str) -> CommissionResult:
    return commission(CommissionRequest(build="hillclimb_20t", calibration=held, **more))


def test_sheet_gate_and_page(held: str, tmp_path: Path) -> None:
    out = tmp_path / "sheet.html"
    result = ask(held, out=str(out))
    assert result.written == (str(out),)
    uses = {u.use: u for u in result.uses}
    assert not uses["road"].is_open
    assert uses["competition"].is_open
    assert result.exit_code == 0
    assert {s.status for s in result.steps} == {"open", "locked"}
    assert any("nobody gave" in note for note in result.notes)
    page = out.read_text(encoding="utf-8")
    for text in (
        "Plates shut on fingers", "BENCH ONLY", "What does the controller do about a fault?",
        "motor_ohm", "fuel-cut speed cap of 2500 rpm", "no fuel above limp_rpm",
    ):  # fmt: skip
        assert text in page, text
    assert "<script" not in page
    assert "http" not in page
    again = tmp_path / "again.html"
    ask(held, out=str(again))
    assert again.read_bytes() == out.read_bytes()
    json.loads(result.model_dump_json())


def test_filled_values_come_back_as_given_and_change_what_is_expected(
    held: str, tmp_path: Path
) -> None:
    blank = ask(held)
    before = {s.key: s for s in blank.steps}
    filled = tmp_path / "filled.toml"
    text = blank.blank.replace("# battery_off = ", "battery_off = true ").replace(
        "# motor_ohm = ", "motor_ohm = 1.7 "
    )
    filled.write_text(text, encoding="utf-8")
    found = {s.key: s for s in ask(held, filled=str(filled)).steps}
    assert found["motor_ohm"].status == "pass"
    assert found["motor_ohm"].origin == "given"
    assert found["motor_ohm"].expected == before["motor_ohm"].expected == 1.5
    ratio = found["hold_rest_pct"].expected / before["hold_rest_pct"].expected  # type: ignore[operator]
    assert ratio == pytest.approx((1.7 + 0.15) / (1.5 + 0.15), rel=1e-3)
    bad = tmp_path / "bad.json"
    bad.write_text(
        json.dumps({"format": "throttlewright.commission", "format_version": 1,
                    "measured": {"battery_off": True, "motor_ohm": 3.0}}),
        encoding="utf-8",
    )  # fmt: skip
    failed = ask(held, filled=str(bad))
    assert failed.exit_code == 1
    console = Console(record=True, width=140)
    show_commission.commission(failed, console)
    shown = console.export_text()
    assert "step 2 failed" in shown
    assert "REFUSED" in shown


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "another kind"),
        ('format = "throttlewright.commission"\nformat_version = 2\n', "version"),
        ('format = "throttlewright.commission"\nformat_version = 1\nmeasurd = {}\n', "measurd"),
        ("format = ", "cannot be read"),
    ],
)
def test_a_file_that_cannot_be_used(text: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "filled.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_filled(str(path))


def test_a_wrong_key_names_file_and_key(held: str, tmp_path: Path) -> None:
    path = tmp_path / "filled.toml"
    path.write_text(
        'format = "throttlewright.commission"\nformat_version = 1\n[measured]\nmotor_om = 1.5\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError, match=r"filled\.toml.*motor_om.*motor_ohm"):
        ask(held, filled=str(path))
