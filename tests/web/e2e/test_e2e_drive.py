"""The live car: it keeps to the clock, answers at once, and a fault shuts its plate."""

from __future__ import annotations

import struct
import time

import pytest
from playwright.sync_api import Page, expect
from workbench import FULL, Server

DRIFT_S = 60.0 if FULL else 8.0
VALUE = """name => {
    const lane = [...document.querySelectorAll('.lanes .name')]
        .find(one => one.textContent.trim().startsWith(name));
    return parseFloat(lane.querySelector('b').textContent.replace('−', '-'));
}"""


def value(page: Page, lane: str) -> float:
    return float(page.evaluate(VALUE, lane))


def wait_for(page: Page, lane: str, condition: str, timeout: float = 8000.0) -> None:
    page.wait_for_function(
        f"name => {{ const v = ({VALUE})(name); return {condition}; }}", arg=lane, timeout=timeout
    )


@pytest.fixture
def driving(page: Page, server: Server, turbo: int) -> Page:
    page.goto(f"{server.url}/#/drive/{turbo}")
    expect(page.locator(".lanes")).to_be_visible(timeout=60_000)
    wait_for(page, "engine", "v > 500")
    return page


def test_a_fault_shuts_the_plate(driving: Page) -> None:
    page = driving
    page.get_by_label("Pedal", exact=True).focus()
    # End: the pedal goes down and stays there, as no key can be held while a button is pressed.
    page.keyboard.press("End")
    wait_for(page, "plate", "v > 20")
    page.get_by_label("Break something").select_option("pedal_2_low")
    page.get_by_role("button", name="Break it").click()
    expect(page.get_by_text("Broken: pedal 2 low.")).to_be_visible()
    expect(page.get_by_text("Found: 1.")).to_be_visible()
    expect(page.get_by_text("Reaction:")).to_be_visible()
    page.keyboard.press("End")
    page.get_by_role("button", name="Mend all").click()
    expect(page.get_by_text("Broken:")).to_have_count(0)


def test_with_both_tracks_lost_the_pedal_opens_nothing(driving: Page) -> None:
    page = driving
    page.get_by_label("Pedal", exact=True).focus()
    page.keyboard.press("End")
    wait_for(page, "plate", "v > 20")
    for kind in ("pedal_1_low", "pedal_2_low"):
        page.get_by_label("Break something").select_option(kind)
        page.get_by_role("button", name="Break it").click()
    wait_for(page, "plate", "v < 12")
    time.sleep(1.0)
    assert value(page, "pedal") == 100.0
    assert value(page, "plate") < 12.0


def test_gears_brake_wet_road_and_the_other_map(driving: Page) -> None:
    page = driving
    page.get_by_label("Pedal", exact=True).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("End")
    wait_for(page, "speed", "v > 20")
    page.keyboard.press("w")
    wet = page.get_by_role("group", name="Road").get_by_role("button", name="wet")
    expect(wet).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("x")
    one = page.get_by_role("button", name="one to one")
    expect(one).to_have_attribute("aria-pressed", "true")
    page.keyboard.press("Home")
    page.keyboard.down("ArrowDown")
    wait_for(page, "speed", "v < 3", timeout=20_000)
    page.keyboard.up("ArrowDown")


def test_a_drive_is_kept_as_a_recording(driving: Page, server: Server, turbo: int) -> None:
    page = driving
    page.get_by_role("button", name="Record").click()
    page.get_by_label("Pedal", exact=True).focus()
    page.keyboard.down("ArrowUp")
    page.wait_for_timeout(900)
    page.keyboard.up("ArrowUp")
    page.get_by_role("button", name="Stop").click()
    page.get_by_label("Name of this drive").fill("first drive")
    page.get_by_role("button", name="Keep").click()
    expect(page.get_by_text("Kept as first drive.")).to_be_visible()
    history = server.get(f"garage/cars/{turbo}/history")["revisions"]
    assert [r["name"] for r in history if r["kind"] == "recording"] == ["first drive"]


def test_the_car_keeps_to_the_clock(driving: Page) -> None:
    """Frames carry the car's own time; against the wall it neither gains nor falls behind."""
    page = driving
    heard: list[tuple[float, float]] = []

    def frame(data: bytes | str) -> None:
        if isinstance(data, bytes):
            heard.append((time.monotonic(), time_of(data)))

    page.on("websocket", lambda socket: socket.on("framereceived", frame))
    page.reload()
    expect(page.locator(".lanes")).to_be_visible(timeout=60_000)
    page.wait_for_timeout(1000.0)
    heard.clear()
    page.wait_for_timeout(1000.0 * DRIFT_S)
    wall = heard[-1][0] - heard[0][0]
    car = heard[-1][1] - heard[0][1]
    assert wall > 0.9 * DRIFT_S
    # A frame may be late by a picture or two; drift would grow with the time.
    assert car == pytest.approx(wall, abs=0.15)
    assert len(heard) > 40.0 * wall


def time_of(frame: bytes) -> float:
    """The car's time in the head of a frame: two numbers, for their sum has more digits."""
    _, coarse, fine = struct.unpack_from("<3f", frame)
    return float(coarse + fine)
