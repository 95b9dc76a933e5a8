"""A role is looked at, asked for and taken back; the order of command is drawn."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect
from workbench import Server

from throttlewright.design.roles import ROLES

SLOW = 120_000


def test_roles_in_order_and_the_band_of_command(page: Page, server: Server, turbo: int) -> None:
    page.goto(f"{server.url}/#/roles/{turbo}?scenario=pedal_release")
    jumps = page.get_by_role("navigation", name="Roles in order of rank").get_by_role("button")
    expect(jumps).to_have_count(len(ROLES), timeout=SLOW)
    for jump, role in zip(jumps.all(), ROLES, strict=True):
        expect(jump).to_contain_text(role.title)
    expect(page.locator(".strips canvas").first).to_be_visible(timeout=SLOW)
    # the band in words, for those who do not see it: the pedal, then what keeps the engine turning
    words = page.get_by_role("list", name="Who was in charge, in words")
    expect(words).to_contain_text("in charge of plate: ")
    expect(words).to_contain_text(re.compile(r"pedal \d+\.\d\d s"))
    # a row that is ticked gets a strip of its own
    ticks = page.get_by_role("checkbox", name=re.compile("^Draw "))
    expect(ticks.first).to_be_checked()
    before = page.locator(".strips canvas").count()
    ticks.first.uncheck()
    expect(page.locator(".strips canvas")).to_have_count(before - 1)
    # by keyboard: the list leads to the card
    jumps.first.focus()
    page.keyboard.press("Enter")
    expect(page.locator(f"#role-{ROLES[0].name}")).to_be_focused()


def test_ask_for_a_role_change_it_and_take_it_back(page: Page, server: Server) -> None:
    car = server.new_car("With roles", "trackday_16")
    views = server.get(f"roles/{car}")["roles"]
    # any role that can be asked for with what its fields hold at first
    found = next(
        r
        for r in views
        if r["card"]["state"] == "not asked"
        and all(k["value"] is not None for k in r["keys"] if k["required"])
        and any(k["kind"] == "number" for k in r["keys"])
    )
    name, title, section = (found["card"][k] for k in ("name", "title", "section"))
    key = next(k for k in found["keys"] if k["kind"] == "number")
    page.goto(f"{server.url}/#/roles/{car}?role={name}")
    card = page.locator("article", has=page.locator(f"#role-{name}"))
    expect(card).to_contain_text("not asked for", timeout=SLOW)
    card.get_by_role("button", name="Ask for it with these values").click()
    expect(page.get_by_text("Saved, and the calibration is designed anew.")).to_be_visible(
        timeout=SLOW
    )
    expect(card).not_to_contain_text("not asked for")

    def text() -> str:
        of = {"kind": "intent", "name": "intent"}
        return str(server.get(f"garage/cars/{car}/content", **of)["content"])

    assert f"[{section}]" in text()
    # a value outside its range is refused in the field, and nothing is saved
    field = card.get_by_label(key["label"], exact=True)
    kept = text()
    field.fill("99999")
    expect(card.get_by_text(re.compile("^At most "))).to_be_visible()
    field.press("Escape")
    assert text() == kept

    page.get_by_role("button", name="Undo").click()
    expect(card).to_contain_text("not asked for", timeout=SLOW)
    assert f"[{section}]" not in text()
    page.get_by_role("button", name="Redo").click()
    expect(card).not_to_contain_text("not asked for", timeout=SLOW)
    card.get_by_role("button", name="No longer ask for it").click()
    card.get_by_role("button", name="Take it out").click()
    expect(card).to_contain_text("not asked for", timeout=SLOW)
    assert f"[{section}]" not in text()
    # its name stands at the place it has by rank
    assert title in page.get_by_role("navigation", name="Roles in order of rank").inner_text()


def test_with_and_without_is_found_again_after_a_reload(
    page: Page, server: Server, turbo: int
) -> None:
    views = server.get(f"roles/{turbo}")["roles"]
    name = next(r["card"]["name"] for r in views if r["shown"] and r["card"]["state"] == "gives")
    page.goto(f"{server.url}/#/roles/{turbo}?role={name}")
    card = page.locator("article", has=page.locator(f"#role-{name}"))
    card.get_by_role("button", name="Drive it with and without").click(timeout=SLOW)
    again = card.get_by_role("button", name="Drive it again")
    expect(again).to_be_visible(timeout=SLOW)
    expect(card.get_by_text("with the role", exact=True).first).to_be_visible()
    expect(card.get_by_text("without it", exact=True).first).to_be_visible()
    expect(card.locator(".strips canvas").first).to_be_visible()
    page.reload()
    expect(again).to_be_visible(timeout=SLOW)


def test_a_narrow_screen_needs_no_sideways_scroll(page: Page, server: Server, turbo: int) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{server.url}/#/roles/{turbo}")
    page.get_by_role("button", name="Open all").click(timeout=SLOW)
    expect(page.get_by_role("button", name="Fold all")).to_be_visible()
    wide = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) <= 0
