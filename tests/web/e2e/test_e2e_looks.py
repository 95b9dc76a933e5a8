"""Every page in light and dark on a small laptop: for screen readers, keyboard, paper, offline."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect
from workbench import LAPTOP, ROOT, Server, missing

AXE = ROOT / "front" / "node_modules" / "axe-core" / "axe.min.js"
PAGES = {
    "garage": ".detail table",
    "build": ".field",
    "plate": "canvas",
    "pedal": "[role=grid]",
    "drive": ".lanes canvas",
    "prove": "aside fieldset",
}


def open_page(page: Page, server: Server, car: int, name: str) -> None:
    page.goto(f"{server.url}/#/{name}/{car}")
    expect(page.locator("h1")).to_be_visible()
    expect(page.locator(PAGES[name]).first).to_be_visible(timeout=60_000)


def findings(page: Page) -> list[str]:
    """What a screen reader or a weak eye would stumble over, serious or worse."""
    if not AXE.is_file():
        missing("no axe-core here; install the packages of the pages with: npm ci --prefix front")
    # Handed over by the debugger: the policy of the pages admits no script from elsewhere.
    page.evaluate(AXE.read_text("utf-8"))
    found: list[dict[str, Any]] = page.evaluate(
        "axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)"
    )
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:200]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_page_fits_and_has_no_serious_finding(
    page: Page, server: Server, turbo: int, name: str, theme: str, tmp_path: Path
) -> None:
    page.goto(server.url)
    page.get_by_label("Light or dark").select_option(theme)
    open_page(page, server, turbo, name)
    assert findings(page) == []
    # Nothing is cut off or scrolls sideways on a laptop of 1366 x 768.
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    low = page.evaluate("document.querySelector('h1').getBoundingClientRect().bottom")
    assert low < 768
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    lightness = sum(float(v) for v in re.findall(r"[\d.]+", paper)[:3]) / 765.0
    assert (lightness > 0.8) if theme == "light" else (lightness < 0.25)
    picture = page.screenshot(path=tmp_path / f"{name}-{theme}.png")
    assert len(picture) > 15_000


@pytest.mark.parametrize("name", ["plate", "pedal"])
def test_the_fan_is_drawn_in_the_theme_ink(
    page: Page, server: Server, turbo: int, name: str
) -> None:
    """A canvas does not follow a style sheet by itself: its pixels are looked at."""
    page.goto(server.url)
    seen = {}
    for theme in ("light", "dark"):
        page.get_by_label("Light or dark").select_option(theme)
        open_page(page, server, turbo, name)
        page.wait_for_timeout(300)
        seen[theme] = page.evaluate(
            """() => {
                const ink = getComputedStyle(document.documentElement).getPropertyValue('--after');
                const mark = document.createElement('canvas').getContext('2d');
                mark.fillStyle = ink.trim();
                mark.fillRect(0, 0, 1, 1);
                const want = mark.getImageData(0, 0, 1, 1).data;
                const fan = document.querySelector('figure.fan canvas');
                const all = fan.getContext('2d').getImageData(0, 0, fan.width, fan.height).data;
                let count = 0;
                for (let i = 0; i < all.length; i += 4)
                    if (all[i + 3] > 240 && Math.abs(all[i] - want[0]) < 6
                        && Math.abs(all[i + 1] - want[1]) < 6
                        && Math.abs(all[i + 2] - want[2]) < 6) count += 1;
                return [ink.trim(), count];
            }"""
        )
    assert seen["light"][0] != seen["dark"][0]
    assert min(seen["light"][1], seen["dark"][1]) > 300


def test_no_request_leaves_this_computer(page: Page, server: Server, turbo: int) -> None:
    """Whatever would go elsewhere is stopped and counted, on a walk through all pages."""
    strays: list[str] = []

    def judge(route: Any) -> None:
        if urlsplit(route.request.url).netloc == urlsplit(server.url).netloc:
            route.continue_()
        else:
            strays.append(route.request.url)
            route.abort()

    page.context.route("**/*", judge)
    sockets: list[str] = []
    page.on("websocket", lambda socket: sockets.append(socket.url))
    for name in PAGES:
        open_page(page, server, turbo, name)
    assert strays == []
    assert sockets
    assert {urlsplit(url).netloc for url in sockets} == {urlsplit(server.url).netloc}


def test_a_foreign_request_is_refused_by_the_policy(browser: Browser, server: Server) -> None:
    context = browser.new_context(viewport=LAPTOP)  # type: ignore[arg-type]
    try:
        page = context.new_page()
        page.goto(server.url)
        expect(page.locator("h1")).to_be_visible()
        refused = page.evaluate(
            """() => {
                const said = [];
                document.addEventListener('securitypolicyviolation',
                    e => said.push(e.effectiveDirective));
                new Image().src = 'http://127.0.0.3:9/mark.png';
                const script = document.createElement('script');
                script.textContent = 'window.stray = 1';
                document.head.append(script);
                return fetch('http://127.0.0.2:9/').catch(() => 0)
                    .then(() => new Promise(r => setTimeout(r, 300))).then(() => said);
            }"""
        )
        assert {"img-src", "script-src-elem", "connect-src"} <= set(refused)
        assert page.evaluate("window.stray") is None
    finally:
        context.close()


def tab_to(page: Page, selector: str, most: int = 60) -> None:
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("s => document.activeElement?.matches(s) ?? false", selector):
            return
    pytest.fail(f"{selector} is not reached with the Tab key")


def test_the_job_is_walked_by_keyboard(page: Page, server: Server) -> None:
    car = server.new_car("By keyboard", "trackday_16")
    open_page(page, server, car, "pedal")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent").startswith("Skip to the page")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    tab_to(page, "[role=slider].handle")
    before = server.plate(car)["values"]
    with page.expect_response(re.compile("/intent$")) as answer:
        page.keyboard.press("ArrowUp")
    assert answer.value.ok
    assert server.plate(car)["values"] != before
    tab_to(page, "[role=gridcell]")
    page.keyboard.press("ArrowRight")
    with page.expect_response(re.compile("/cells$")) as answer:
        page.keyboard.type("12")
        page.keyboard.press("Enter")
    assert answer.value.ok
    for name, goal in (
        ("drive", "[role=slider][aria-label=Pedal]"),
        ("plate", "input#bore"),
        ("build", ".field input"),
        ("prove", "aside button.primary"),
        ("garage", "a.button"),
    ):
        page.goto(f"{server.url}/#/{name}/{car}")
        expect(page.locator(PAGES[name]).first).to_be_visible(timeout=60_000)
        tab_to(page, goal)
        # The eye sees where the keyboard is.
        style = page.evaluate(
            "(() => { const s = getComputedStyle(document.activeElement);"
            " return [s.outlineStyle, parseFloat(s.outlineWidth)]; })()"
        )
        assert style[0] != "none"
        assert style[1] >= 1


def test_metric_and_imperial(page: Page, server: Server, turbo: int) -> None:
    open_page(page, server, turbo, "plate")
    bore = page.locator(".sliders b").first
    assert bore.inner_text() == "90.0 mm"
    page.locator("header").get_by_label("Units").select_option("imperial")
    expect(bore).to_have_text("3.54 in")
    page.reload()
    expect(bore).to_have_text("3.54 in")


def test_paper_is_white_and_without_buttons(page: Page, server: Server, turbo: int) -> None:
    page.goto(server.url)
    page.get_by_label("Light or dark").select_option("dark")
    open_page(page, server, turbo, "pedal")
    page.wait_for_timeout(300)
    printed = page.pdf(format="A4")
    assert printed.startswith(b"%PDF")
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert sum(float(v) for v in re.findall(r"[\d.]+", paper)[:3]) / 765.0 > 0.9
    expect(page.get_by_role("toolbar").first).to_be_hidden()
    expect(page.get_by_role("grid").first).to_be_visible()
    expect(page.get_by_text("thresholds are in the")).to_be_visible()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    expect(page.get_by_role("toolbar").first).to_be_visible()
