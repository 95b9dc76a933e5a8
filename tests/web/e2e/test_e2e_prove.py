"""A proof runs with progress, can be stopped, and a mark opens the run behind it."""

from __future__ import annotations

from playwright.sync_api import Page, expect
from workbench import Server


def test_progress_stop_and_then_a_mark_opens_its_run(page: Page, server: Server) -> None:
    car = server.new_car("To be proved", "trackday_16")
    page.goto(f"{server.url}/#/prove/{car}")
    expect(page.get_by_text("This car was not proved yet.")).to_be_visible()
    # Twenty drives of each run last long enough to be stopped.
    many = page.get_by_label("Drives of each run, with other noise")
    many.fill("20")
    page.get_by_role("button", name="Prove it").click()
    bar = page.get_by_role("progressbar")
    expect(bar).to_be_visible()
    page.wait_for_function("() => document.querySelector('aside progress')?.value > 0")
    page.locator("aside").get_by_role("button", name="Stop").click()
    expect(page.get_by_text("Stopped. The proof before it is kept.")).to_be_visible()
    assert server.get(f"prove/{car}/last")["proof"] is None

    many.fill("1")
    page.get_by_role("button", name="Prove it").click()
    expect(page.get_by_text("The proof is done and kept.")).to_be_visible(timeout=60_000)
    assert server.get(f"prove/{car}/last")["proof"]["result"]["runs"] > 40
    marks = page.locator("a.mark")
    assert marks.count() > 40
    mark = page.locator("table a.mark").first
    name = str(mark.get_attribute("aria-label"))
    mark.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(":")
    expect(page.locator(".strips canvas").first).to_be_visible(timeout=30_000)
    judged = page.locator("h2.judged + table tbody tr")
    assert judged.count() > 0
    # Each limit names its source.
    for text in judged.locator("td:nth-child(5)").all_inner_texts():
        assert text.strip()
    # The run that is driven anew ends as the proof says.
    verdict = page.locator("aside .verdict").inner_text().strip()
    assert name.endswith(f": {verdict}")
    page.go_back()
    expect(marks.first).to_be_visible()
    page.reload()
    expect(marks.first).to_be_visible()


def test_a_run_is_looked_at_without_a_proof(page: Page, server: Server, turbo: int) -> None:
    page.goto(f"{server.url}/#/prove/{turbo}?run=tip_in&fault=pedal_1_low")
    expect(page.locator(".strips canvas").first).to_be_visible(timeout=30_000)
    expect(page.get_by_role("heading", level=1)).to_contain_text("pedal")
    zoom = page.locator(".strips")
    zoom.focus()
    page.keyboard.press("+")
    expect(page.get_by_role("button", name="Show all")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Show all")).to_have_count(0)
