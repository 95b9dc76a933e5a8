"""Two browsers on one car, a reload, a lost server: nothing that was saved is lost."""

from __future__ import annotations

import re
import signal
from pathlib import Path

from playwright.sync_api import Browser, Locator, Page, expect
from workbench import LAPTOP, Server


def second_window(browser: Browser) -> Page:
    return browser.new_context(viewport=LAPTOP).new_page()  # type: ignore[arg-type]


def box(page: Page, key: str, label: str) -> Locator:
    return page.locator(f"[id='row-{key}']").get_by_label(label, exact=True)


def text(server: Server, car: int) -> str:
    return str(server.get(f"garage/cars/{car}/content", kind="build", name="build")["content"])


def test_two_browsers_see_each_other_and_a_conflict_loses_nothing(
    page: Page, browser: Browser, server: Server
) -> None:
    car = server.new_car("Two hands", "trackday_16", designed=False)
    other = second_window(browser)
    try:
        for window in (page, other):
            window.goto(f"{server.url}/#/build/{car}")
            ratio = box(window, "engine.compression_ratio", "Compression ratio")
            expect(ratio).to_have_value("10.8")
        # What one saves, the other sees.
        mine = box(page, "engine.compression_ratio", "Compression ratio")
        mine.fill("11.1")
        mine.press("Enter")
        theirs = box(other, "engine.compression_ratio", "Compression ratio")
        expect(theirs).to_have_value("11.1")

        # The same field, begun before the other saved: a choice, and both versions are kept.
        mine.fill("12.1")
        theirs.fill("9.9")
        theirs.press("Enter")
        expect(other.locator("header")).to_contain_text("saved")
        expect(page.locator("header")).to_contain_text(re.compile(r"revision \d+"))
        page.wait_for_timeout(700)
        mine.press("Enter")
        expect(page.get_by_text("saved this first")).to_be_visible()
        assert "compression_ratio = 9.9" in text(server, car)
        history = server.get(f"garage/cars/{car}/history", kind="build", name="build")["revisions"]
        beside = [r for r in history if r["stale"]]
        assert len(beside) == 1
        kept = server.get(
            f"garage/cars/{car}/content", kind="build", name="build", revision=beside[0]["id"]
        )["content"]
        assert "compression_ratio = 12.1" in kept
        page.get_by_role("button", name="Save mine on top").click()
        expect(theirs).to_have_value("12.1")
        assert "compression_ratio = 12.1" in text(server, car)
    finally:
        other.context.close()


def test_reload_keeps_page_car_mode_and_undo(page: Page, server: Server) -> None:
    car = server.new_car("Reloaded", "hillclimb_20t")
    page.goto(f"{server.url}/#/pedal/{car}?mode=wet")
    grid = page.locator("table[role=grid]").first
    cell = grid.locator("[data-cell='4,4']")
    cell.click()
    with page.expect_response(re.compile("/cells$")):
        page.keyboard.type("5.5")
        page.keyboard.press("Enter")
    page.reload()
    expect(cell).to_have_text("5.5")
    expect(page.get_by_role("button", name="wet")).to_have_attribute("aria-pressed", "true")
    with page.expect_response(re.compile("/undo$")) as answer:
        page.locator("aside").get_by_role("button", name="Undo").click()
    assert answer.value.ok
    expect(cell).not_to_have_text("5.5")


def test_a_server_that_dies_in_mid_edit_comes_back_with_all_that_was_saved(
    page: Page, browser: Browser, tmp_path: Path
) -> None:
    server = Server(tmp_path / "garage")
    try:
        car = server.new_car("Interrupted", "trackday_16")
        page.goto(f"{server.url}/#/pedal/{car}")
        cell = page.locator("table[role=grid]").first.locator("[data-cell='4,4']")
        cell.click()
        with page.expect_response(re.compile("/cells$")) as answer:
            page.keyboard.type("33")
            page.keyboard.press("Enter")
        assert answer.value.ok
        server.stop(signal.SIGKILL)
        page.keyboard.type("44")
        page.keyboard.press("Enter")
        expect(page.locator(".banner")).to_be_visible(timeout=15_000)
        server.start()
        # The page goes on by itself: what was saved is there, what was typed meanwhile follows.
        expect(page.locator(".banner")).to_have_count(0, timeout=20_000)
        expect(page.locator("header")).to_contain_text("· saved")
        expect(cell).to_have_text("33.0")
        values = server.plate(car)["values"]
        assert (values[4][4], values[5][4]) == (33.0, 44.0)
        cell.click()
        with page.expect_response(re.compile("/cells$")) as answer:
            page.keyboard.type("34")
            page.keyboard.press("Enter")
        assert answer.value.ok
        assert server.plate(car)["values"][4][4] == 34.0
    finally:
        server.stop()
