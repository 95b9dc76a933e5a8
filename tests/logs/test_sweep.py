"""What a recorded sweep tells of two tracks, on sweeps whose truth is known."""

from __future__ import annotations

import csv
import math
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from throttlewright.design.track_pair import Line
from throttlewright.foundation.errors import InputError
from throttlewright.logs.sweep import Sweep, analyse_sweep
from throttlewright.logs.tracks import plateaus
from throttlewright.recording.recording import Channel, Recording

sys.path.insert(0, str(Path(__file__).parent))
from sweep_bench import HALF, MIRROR, sweep

ROOT = Path(__file__).resolve().parent.parent.parent
SHEET = (Line(*HALF[0]), Line(*HALF[1]))


def analysed(**given: object) -> Sweep:
    return analyse_sweep(sweep(**given), "one", "two")  # type: ignore[arg-type]


def test_ends_direction_noise_and_relation_come_back() -> None:
    found = analysed()
    assert found.full_recorded
    assert found.presses == 2
    for track, (released, full) in zip(found.tracks, HALF, strict=True):
        assert track.released == pytest.approx(released, abs=0.002)
        assert track.full == pytest.approx(full, abs=0.002)
        assert track.rising
        # 3 mV and the 1.22 mV steps of 12 bits: root of 3^2 + 1.22^2 / 12
        assert track.noise_V == pytest.approx(math.hypot(3e-3, 1.22e-3 / math.sqrt(12.0)), rel=0.15)
        assert track.step_V == pytest.approx(5.0 / 4096.0, rel=0.01)
    assert found.pair.topology == "half"
    # 3 mV on 3.45 V and on 1.725 V, in points
    assert found.noise_pct == pytest.approx(0.197, rel=0.15)
    assert found.hysteresis_pct < 0.2
    assert found.error_pct < 0.2
    assert found.dead_spots == found.jumps == ()


def test_a_mirrored_pair_falls_on_its_second_track() -> None:
    found = analysed(lines=MIRROR)
    assert [t.rising for t in found.tracks] == [True, False]
    assert found.pair.topology == "mirror"


def test_hysteresis_and_bow_are_told_from_each_other() -> None:
    # a gap of 1.5 points between the ways, read against the mean of the tracks
    found = analysed(hysteresis_pct=1.5)
    assert found.hysteresis_pct == pytest.approx(1.5, abs=0.2)
    assert found.error_pct == pytest.approx(0.75, abs=0.15)
    found = analysed(bow_pct=3.0)
    assert found.hysteresis_pct < 0.25
    assert found.bend_pct == pytest.approx(3.0, abs=0.2)


def test_a_dead_spot_is_found_where_it_is() -> None:
    found = analysed(dead_pct=(40.0, 46.0))
    assert found.dead_spots
    assert {spot.track for spot in found.dead_spots} == {2}
    assert min(s.start_pct for s in found.dead_spots) == pytest.approx(40.0, abs=2.5)
    assert max(s.end_pct for s in found.dead_spots) == pytest.approx(46.0, abs=2.5)


def test_a_jump_is_found_and_does_not_pass_for_track_error() -> None:
    found = analysed(spike=(2.5, -1.0))
    assert [j.track for j in found.jumps] == [2, 2]
    assert found.jumps[0].t_s == pytest.approx(2.5, abs=0.003)
    # 1 V of 1.725 V
    assert abs(found.jumps[0].step_pct) == pytest.approx(58.0, abs=2.0)
    assert found.error_pct < 0.3


def test_skew_shows_in_quick_presses_only() -> None:
    quick = analysed(skew_s=0.004, press_s=0.25, presses=6)
    assert quick.skew_s == pytest.approx(-0.004, rel=0.1)
    assert math.isnan(analysed(skew_s=0.004).skew_s)
    assert "moved too fast" in quick.too_slow(0.1)


@pytest.mark.parametrize("top", [55.0, 80.0])
def test_full_pedal_is_not_guessed_from_one_press(top: float) -> None:
    found = analysed(presses=1, top_pct=top)
    assert not found.full_recorded
    assert "not recorded" in found.full_text
    assert all(math.isnan(t.full) for t in found.tracks)
    # nor when the data sheet says that it ends short of the stop, however often
    again = analyse_sweep(sweep(top_pct=top), "one", "two", sheet=SHEET)
    assert not again.full_recorded
    assert "short" in again.full_text


def test_one_press_to_the_stop_of_the_data_sheet_counts() -> None:
    assert not analysed(presses=1).full_recorded
    assert analyse_sweep(sweep(presses=1), "one", "two", sheet=SHEET).full_recorded


def test_slow_sampling_is_refused_with_its_reason() -> None:
    assert analysed(rate_hz=100.0).too_slow(0.1) == ""
    slow = analysed(rate_hz=50.0)
    assert "sampling too slow for this check" in slow.too_slow(0.1)
    assert "0.02 s" in slow.too_slow(0.1)
    assert math.isfinite(slow.jump_limit_pct)
    assert math.isnan(analysed(rate_hz=20.0).jump_limit_pct)


def test_repeated_old_values_count_as_slow_sampling() -> None:
    full = sweep(noise_V=0.0)
    held = Recording.of(
        Channel(c.name, "V", c.t_s, np.repeat(c.values[::25], 25)[: len(c)])
        for c in full.channels.values()
    )
    found = analyse_sweep(held, "one", "two")
    assert found.dt_s == pytest.approx(0.002)
    assert found.refresh_s == pytest.approx(0.05, rel=0.05)
    assert "held for" in found.too_slow(0.1)


def test_what_cannot_be_used_is_said() -> None:
    record = sweep()
    with pytest.raises(InputError, match="same name"):
        analyse_sweep(record, "one", "one")
    late = Recording.of(
        Channel(c.name, "V", c.t_s[c.t_s > 2.5], c.values[c.t_s > 2.5])
        for c in record.channels.values()
    )
    with pytest.raises(InputError, match="begin the recording with the pedal released"):
        analyse_sweep(late, "one", "two")
    percent = Recording.of(Channel(c.name, "%", c.t_s, c.values) for c in record.channels.values())
    with pytest.raises(InputError, match="must be recorded in volts"):
        analyse_sweep(percent, "one", "two")
    still = Recording.of(
        Channel(c.name, "V", c.t_s, np.full(len(c), 1.0)) for c in record.channels.values()
    )
    with pytest.raises(InputError, match=r"moves by 0\.000 V only"):
        analyse_sweep(still, "one", "two")
    with pytest.raises(InputError, match="no such channel"):
        analyse_sweep(record, "one", "tow")


def test_plateaus_are_as_long_as_they_can_be() -> None:
    t = np.arange(0.0, 3.0, 0.01)
    values = np.where(t < 1.0, 0.0, np.where(t < 2.0, t - 1.0, 1.0))
    found = plateaus(t, values, band=0.05, least_s=0.5)
    assert len(found) == 2
    assert (found[0].start, found[0].level) == (0, 0.0)
    assert found[0].end == pytest.approx(106, abs=1)
    assert found[1].start == pytest.approx(195, abs=1)
    assert found[1].end == len(t)


@pytest.mark.real_data
def test_a_log_of_a_road_car_is_too_slow() -> None:
    """Track figures and refresh times: README and SOURCE.txt beside the recordings."""
    folder = (
        Path(os.environ.get("THROTTLEWRIGHT_REAL_DATA", ROOT.parent / "shared" / "data"))
        / "na_petrol_obd"
    )
    if not folder.is_dir():
        pytest.skip(f"no recordings at {folder.name}")
    rows = []
    with (folder / "drive1.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            rows.append([float(row["PEDAL_D ()"]), float(row["PEDAL_E ()"])])
    percent = np.array(rows)
    t = np.arange(len(percent)) / 2.035
    record = Recording.of(
        Channel(name, "V", t, 0.05 * percent[:, k]) for k, name in enumerate(("D", "E"))
    )
    found = analyse_sweep(record, "D", "E")
    assert "sampling too slow for this check" in found.too_slow(0.1)
    assert math.isnan(found.jump_limit_pct)
    assert not found.full_recorded
    # rests at 16.08 % of its supply; the other is 15.69 points above it
    assert found.tracks[0].released == pytest.approx(0.05 * 16.08, rel=0.01)
    assert found.tracks[1].released == pytest.approx(0.05 * (16.08 + 15.69), rel=0.01)
    assert found.refresh_s > found.dt_s
