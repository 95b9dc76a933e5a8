"""From a name and a few answers to a map in a file, with mouse and keyboard only."""

from __future__ import annotations

import json
import re
import zipfile

from playwright.sync_api import Page, expect
from workbench import Server


def test_from_a_new_car_to_a_map_in_a_file(page: Page, server: Server) -> None:
    page.goto(server.url)
    page.get_by_label("Name", exact=True).fill("Weekend car")
    page.get_by_label("Displacement", exact=True).fill("1.8")
    page.get_by_label("Cylinders").fill("4")
    page.get_by_label("Rev limit").fill("7200")
    page.get_by_label("Plate bore", exact=True).fill("64")
    page.get_by_role("button", name="Make the car").click()

    expect(page.get_by_role("heading", level=1)).to_have_text(
        "What is the car, and how sure are its numbers?"
    )
    car = re.search(r"#/build/(\d+)", page.url)
    assert car is not None
    number = int(car[1])
    row = page.locator("[id='row-engine.compression_ratio']")
    expect(row).to_contain_text("assumed")
    box = row.get_by_label("Compression ratio")
    box.fill("400")
    expect(row).to_contain_text("Compression ratio")
    expect(box).to_have_attribute("aria-invalid", "true")
    box.fill("11.2")
    expect(box).to_have_attribute("aria-invalid", "false")
    box.press("Enter")
    expect(row).to_contain_text("given")
    assert "compression_ratio = 11.2" in build_text(server, number)

    page.get_by_role("link", name="Plate", exact=True).click()
    bore = page.get_by_label("Bore of one plate")
    expect(bore).to_have_value("64")
    bore.fill("56")
    put = page.get_by_role("button", name="Put 56.0 mm in the build")
    with page.expect_response(re.compile("/field$")) as answer:
        put.click()
    assert answer.value.ok
    # One plate of a new size leaves the old body's other figures behind; the page says so.
    expect(page.get_by_text("The build has the new bore.")).to_be_visible()
    assert 'bore = "56 mm"' in build_text(server, number)

    page.get_by_role("link", name="Pedal", exact=True).click()
    page.get_by_role("button", name="Save this map").click()
    expect(page.get_by_role("link", name="Drive it")).to_be_visible()
    first = server.plate(number)["values"]
    drag(page, 2, -40)
    expect(page.get_by_role("button", name="Undo").first).to_be_enabled()
    second = server.plate(number)["values"]
    assert second != first
    # A handle that is pulled up gives more plate in the middle of the pedal, at the middle speed.
    middle = len(second) // 2
    assert max(b - a for a, b in zip(first[middle], second[middle], strict=True)) > 0.5

    page.get_by_role("link", name="Garage", exact=True).click()
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Hand out as files").click()
    with zipfile.ZipFile(waiting.value.path()) as files:
        kept = json.loads(files.read("calibration.calibration.json"))
        assert 'bore = "56 mm"' in files.read("build.toml").decode()
    written = next(t for name, t in kept["tables"].items() if name.startswith("plate"))
    assert str(second[3][5]).rstrip("0") in json.dumps(written)


def build_text(server: Server, car: int) -> str:
    return str(server.get(f"garage/cars/{car}/content", kind="build", name="build")["content"])


def drag(page: Page, which: int, up: float) -> None:
    """Pull a handle of the fan by so many pixels, in steps as a hand does, and let go."""
    handle = page.locator("[role=slider].handle").nth(which)
    box = handle.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(1, 9):
        page.mouse.move(x, y + up * step / 8)
    with page.expect_response(re.compile(r"/intent$")) as answer:
        page.mouse.up()
    assert answer.value.ok
