"""The Sensors page: sweeps and servo records taken in, judged and drawn."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient
from web_bench import client, new_car

from throttlewright.foundation.errors import InputError
from throttlewright.logs.servo_records import record_plan, simulate_record
from throttlewright.recording.parquet import write_parquet
from throttlewright.workshop.common import open_car
from throttlewright.workshop.record_intake import text_recording

PAGE = "/api/sensors/Track car"
RELEASED, FULL = 0.75, 4.2


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with client(tmp_path_factory.mktemp("sensors")) as one:
        new_car(one, "Track car", "trackday_16")
        yield one


def sweep_text(unit: str = "V", scale: float = 1.0, jump_V: float = 0.0) -> str:
    """Two slow presses from stop to stop at 500 Hz, track 2 half of track 1."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 17.0, 0.002)
    place = np.interp(t, [0, 1, 4, 5, 8, 9, 12, 13, 16, 17], [0, 0, 1, 1, 0, 0, 1, 1, 0, 0])
    one = RELEASED + (FULL - RELEASED) * place + 0.002 * rng.standard_normal(t.size)
    two = 0.5 * (RELEASED + (FULL - RELEASED) * place) + 0.002 * rng.standard_normal(t.size)
    two[4000] += jump_V
    rows = [f"time [s],foot A [{unit}],foot B [{unit}],word"]
    rows += [
        f"{a:.3f},{scale * b:.5f},{scale * c:.5f},x" for a, b, c in zip(t, one, two, strict=True)
    ]
    return "\n".join(rows) + "\n"


def put(desk: TestClient, name: str, body: bytes | str, **query: Any) -> Any:
    return desk.put(f"{PAGE}/recording", params={"name": name, "who": "Ada"} | query, content=body)


def tracks(desk: TestClient, **query: Any) -> Any:
    answer = desk.get(f"{PAGE}/tracks", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_the_tracks_of_the_build(desk: TestClient) -> None:
    for of in ("pedal", "plate"):
        view = tracks(desk, of=of)
        assert view["result"]["of"] == of
        assert view["result"]["origin"] == "data sheet"
        assert len(view["result"]["tracks"]) == 2
        assert view["recorded"] == []
        assert view["difference"] is None


def test_a_sweep_is_taken_in_and_drawn(desk: TestClient) -> None:
    saved = put(desk, "sweep", sweep_text())
    assert saved.status_code == 201, saved.text
    listed = {r["name"]: r for r in desk.get(f"{PAGE}/recordings").json()}
    assert [c["name"] for c in listed["sweep"]["channels"]] == ["foot A", "foot B"]
    assert not listed["sweep"]["servo"]
    view = tracks(desk, recording="sweep", track1="foot A", track2="foot B")
    one, two = view["result"]["tracks"]
    # what the sweep was made with; the noise of 2 mV leaves the ends within 3 mV
    assert one["released_V"] == pytest.approx(RELEASED, abs=0.003)
    assert one["full_V"] == pytest.approx(FULL, abs=0.003)
    assert two["full_V"] == pytest.approx(0.5 * FULL, abs=0.003)
    assert one["noise_mV"] == pytest.approx(2.0, rel=0.15)
    assert view["result"]["topology"] == "half"
    assert view["result"]["plausibility"]["possible"]
    first = view["recorded"][0]
    middle = first["travel_pct"].index(50.0)
    assert first["mean_V"][middle] == pytest.approx(0.5 * (RELEASED + FULL), abs=0.01)
    assert first["low_V"][middle] <= first["mean_V"][middle] <= first["high_V"][middle]
    assert max(abs(x) for x in view["difference"]["mean_pct"]) < 1.0


def test_no_spike_is_lost_in_the_picture(desk: TestClient) -> None:
    assert put(desk, "spike", sweep_text(jump_V=0.4)).status_code == 201
    view = tracks(desk, recording="spike", track1="foot A", track2="foot B")
    # 0.4 V of a span of 1.725 V are 23 points, track 1 less track 2
    assert min(view["difference"]["low_pct"]) == pytest.approx(-23.2, abs=1.0)


def test_millivolts_are_volts(desk: TestClient) -> None:
    assert put(desk, "small", sweep_text("mV", 1e3)).status_code == 201
    view = tracks(desk, recording="small", track1="foot A", track2="foot B")
    assert view["result"]["tracks"][0]["full_V"] == pytest.approx(FULL, abs=0.003)


def test_a_stale_upload_is_a_conflict_and_nonsense_is_refused_by_its_name(
    desk: TestClient,
) -> None:
    first = put(desk, "twice", sweep_text())
    base = first.json()["revision"]["id"]
    assert put(desk, "twice", sweep_text(jump_V=0.1)).status_code == 409
    assert put(desk, "twice", sweep_text(jump_V=0.2), base_revision=base).status_code == 201
    for body in ("a,b\n1,2\n3,4\n", b"\x00\x01\x02", "", "time [V],a\n1,2\n3,4\n"):
        bad = put(desk, "nonsense", body)
        assert bad.status_code == 422, bad.text
        assert "nonsense" in bad.text
        assert "upload" not in bad.text
    same = tracks_error(desk, recording="sweep", track1="foot A", track2="foot A")
    assert same.status_code == 422
    assert "tmp" not in same.text
    missing = tracks_error(desk, recording="sweep", track1="foot A", track2="foot C")
    assert missing.status_code == 422
    assert "foot C" in missing.text
    assert tracks_error(desk, recording="none of it", track1="a", track2="b").status_code in (
        404,
        422,
    )


def tracks_error(desk: TestClient, **query: Any) -> Any:
    return desk.get(f"{PAGE}/tracks", params=query)


def test_text_with_decimal_commas_and_holes(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(
        "time [ms];motor [mA];body_degC\n0;1500;21,5\n10;;21,5\n20;-500,5;21,5\n", "utf-8"
    )
    found = text_recording(str(path))
    assert found.channels["motor"].unit == "A"
    assert found.channels["motor"].t_s.tolist() == pytest.approx([0.0, 0.02])
    assert found.channels["motor"].values.tolist() == pytest.approx([1.5, -0.5005])
    assert found.meta == {"body_degC": 21.5}
    path.write_text("time_s,a\n0,1\n1,two\n", "utf-8")
    with pytest.raises(InputError, match="row 3"):
        text_recording(str(path))


def test_the_servo_without_a_record(desk: TestClient) -> None:
    view = desk.get(f"{PAGE}/servo").json()
    assert view["result"]["estimates"] == []
    assert view["record"] == []
    assert any(line["nominal"] for line in view["up"])
    assert view["up"][0]["opening_deg"][-1] > view["down"][0]["opening_deg"][-1]


def test_a_servo_record_gives_numbers_whose_interval_holds_the_truth(
    desk: TestClient, tmp_path: Path
) -> None:
    _, car = open_car("trackday_16")
    path = tmp_path / "ramp.parquet"
    write_parquet(simulate_record(car, record_plan(car), seed=1), path)
    assert put(desk, "ramp", path.read_bytes()).status_code == 201
    listed = {r["name"]: r for r in desk.get(f"{PAGE}/recordings").json()}
    assert listed["ramp"]["servo"]
    view = desk.get(f"{PAGE}/servo", params={"recording": "ramp"}).json()
    found = {e["name"]: e for e in view["result"]["estimates"]}
    K = found["motor_constant"]
    # the truth is the build the record was simulated with
    assert K["low"] <= float(car.record["motor_constant"]) <= K["high"]
    read, fitted = view["record"]
    gap = np.interp(fitted["t_s"], read["t_s"], read["opening_deg"]) - fitted["opening_deg"]
    assert float(np.sqrt(np.mean(gap**2))) < 1.0
    refused = desk.get(f"{PAGE}/servo", params={"recording": "sweep"})
    assert refused.status_code == 422
    assert refused.json()["error"].startswith("sweep")


def test_reactions_need_a_calibration(desk: TestClient) -> None:
    answer = desk.get(f"{PAGE}/reactions")
    assert answer.status_code == 422
    assert "no calibration yet" in answer.json()["error"]
