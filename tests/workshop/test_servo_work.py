"""Servo from a file to a verdict, and how it is shown."""

from __future__ import annotations

import pytest
from rich.console import Console

from throttlewright.cli.show_servo import servo as show
from throttlewright.foundation.errors import InputError
from throttlewright.logs.servo_records import prepare, record_plan, simulate_record
from throttlewright.recording.parquet import write_parquet
from throttlewright.workshop.common import open_car
from throttlewright.workshop.servo import ServoRequest, read_record, servo


def test_a_record_leads_to_numbers_and_a_picture(tmp_path) -> None:
    _, car = open_car("trackday_16")
    path, picture = tmp_path / "ramp.parquet", tmp_path / "servo.svg"
    write_parquet(simulate_record(car, record_plan(car), seed=1), path)
    result = servo(ServoRequest(build="trackday_16", records=(str(path),), picture=str(picture)))
    found = {e.name: e for e in result.estimates}
    K = found["motor_constant"]
    assert K.low <= float(car.record["motor_constant"]) <= K.high
    assert result.status in ("pass", "fail")
    assert (result.status == "pass") == all(m.ok for m in result.moves)
    assert result.exit_code == (0 if result.status == "pass" else 1)
    assert result.landing_air_g_s > 0.0
    assert "shut on fingers" in picture.read_text("utf-8")
    console = Console(record=True, width=140)
    show(result, console)
    text = console.export_text()
    assert "shuts on fingers" in text
    assert "motor_constant" in text


def test_without_a_record_nothing_is_proven() -> None:
    result = servo(ServoRequest(build="trackday_16", closed_stop=False))
    assert result.status in ("not_proven", "fail")
    assert not result.estimates
    assert any("never learned" in note for note in result.notes)


def test_text_records(tmp_path) -> None:
    _, car = open_car("trackday_16")
    record = simulate_record(car, record_plan(car), seed=1)
    names = list(record.channels)
    t = record.channels[names[0]].t_s
    rows = ["time_s," + ",".join(names)]
    for k, at in enumerate(t):
        rows.append(f"{at:.4f}," + ",".join(f"{record.channels[n].values[k]:.6g}" for n in names))
    path = tmp_path / "ramp.csv"
    path.write_text("\n".join(rows), "utf-8")
    same = prepare(read_record(str(path)), car=car)
    direct = prepare(record, car=car)
    assert same.plate == pytest.approx(direct.plate, abs=1e-5)
    path.write_text("a,b\n1,2\n3,4\n", "utf-8")
    with pytest.raises(InputError, match="time_s"):
        read_record(str(path))
