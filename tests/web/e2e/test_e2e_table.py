"""The table of the Pedal page under keyboard, mouse and clipboard."""

from __future__ import annotations

import re
from itertools import count

import pytest
from playwright.sync_api import Locator, Page, expect
from workbench import Server

NUMBERS = count()
SAVED = re.compile(r"/cells$")


@pytest.fixture
def car(server: Server, page: Page) -> int:
    number = server.new_car(f"Table {next(NUMBERS)}", "trackday_16")
    page.goto(f"{server.url}/#/pedal/{number}")
    expect(cell(page, 0, 0)).to_be_visible()
    return number


def cell(page: Page, row: int, col: int) -> Locator:
    return page.locator("table[role=grid]").first.locator(f"[data-cell='{row},{col}']")


def chosen(page: Page) -> list[str]:
    found = page.locator("table[role=grid]").first.locator("[aria-selected=true]")
    return [str(one.get_attribute("data-cell")) for one in found.all()]


def paste(page: Page, text: str) -> None:
    """What a spreadsheet puts on the clipboard, given to the table as the browser would."""
    page.evaluate(
        """text => {
            const clipboardData = new DataTransfer();
            clipboardData.setData('text/plain', text);
            document.activeElement.dispatchEvent(
                new ClipboardEvent('paste', {clipboardData, bubbles: true, cancelable: true}));
        }""",
        text,
    )


def copied(page: Page) -> str:
    return str(
        page.evaluate(
            """() => {
                const clipboardData = new DataTransfer();
                document.activeElement.dispatchEvent(
                    new ClipboardEvent('copy', {clipboardData, bubbles: true, cancelable: true}));
                return clipboardData.getData('text/plain');
            }"""
        )
    )


def test_keys_move_select_type_and_leave(page: Page, server: Server, car: int) -> None:
    before = server.plate(car)["values"]
    cell(page, 2, 3).click()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowRight")
    assert chosen(page) == ["3,4"]
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Shift+ArrowRight")
    assert chosen(page) == ["3,4", "3,5", "4,4", "4,5"]
    page.keyboard.press("Home")
    assert chosen(page) == ["4,0"]
    page.keyboard.press("Control+End")
    assert chosen(page) == ["16,16"]
    cell(page, 3, 4).click()
    # A letter is no number and starts nothing; Escape gives a started one up.
    page.keyboard.press("q")
    page.keyboard.type("9")
    page.keyboard.press("Escape")
    assert server.plate(car)["values"] == before
    with page.expect_response(SAVED) as answer:
        page.keyboard.type("7.5")
        page.keyboard.press("Enter")
    assert answer.value.ok
    assert chosen(page) == ["4,4"]
    with page.expect_response(SAVED):
        page.keyboard.press("F2")
        page.keyboard.press("Control+A")
        page.keyboard.type("8,25")
        page.keyboard.press("Tab")
    assert chosen(page) == ["4,5"]
    after = server.plate(car)["values"]
    assert (after[3][4], after[4][4]) == (7.5, 8.25)
    expect(cell(page, 3, 4)).to_have_class(re.compile("edited"))
    after[3][4], after[4][4] = before[3][4], before[4][4]
    assert after == before


def test_no_number_outside_the_stops_is_taken(page: Page, server: Server, car: int) -> None:
    before = server.plate(car)["values"]
    cell(page, 5, 5).click()
    page.keyboard.type("140")
    page.keyboard.press("Enter")
    expect(page.get_by_text("140 is outside 0 to 100")).to_be_visible()
    page.keyboard.press("Escape")
    assert server.plate(car)["values"] == before


def test_range_by_mouse_copies_as_a_spreadsheet_reads_it(page: Page, car: int) -> None:
    cell(page, 1, 1).hover()
    page.mouse.down()
    cell(page, 2, 3).hover()
    page.mouse.up()
    assert chosen(page) == ["1,1", "1,2", "1,3", "2,1", "2,2", "2,3"]
    rows = copied(page).splitlines()
    assert [len(row.split("\t")) for row in rows] == [3, 3]
    shown = [[cell(page, r, c).inner_text() for c in (1, 2, 3)] for r in (1, 2)]
    for line, seen in zip(rows, shown, strict=True):
        assert [f"{float(v):.1f}" for v in line.split("\t")] == [f"{float(v):.1f}" for v in seen]


def test_paste_with_crlf_and_final_newline_leaves_the_row_below(
    page: Page, server: Server, car: int
) -> None:
    before = server.plate(car)["values"]
    cell(page, 6, 2).click()
    with page.expect_response(SAVED) as answer:
        paste(page, "11\t12\r\n13\t14\r\n")
    assert answer.value.ok
    wanted = [list(row) for row in before]
    wanted[6][2:4], wanted[7][2:4] = [11.0, 12.0], [13.0, 14.0]
    assert server.plate(car)["values"] == wanted
    expect(cell(page, 7, 3)).to_have_text("14.0")
    expect(cell(page, 8, 2)).to_have_text(f"{before[8][2]:.1f}")


@pytest.mark.parametrize(
    "text", ["11\t12\r\n13\r\n", "11\tmore\r\n", "11\t140\r\n", "\t".join(["1"] * 30)]
)
def test_a_bad_paste_is_refused_whole(page: Page, server: Server, car: int, text: str) -> None:
    before = server.plate(car)
    cell(page, 6, 2).click()
    paste(page, text)
    say = page.locator("p.say").first
    expect(say).not_to_contain_text("Type to replace")
    expect(say).not_to_contain_text("changed by the paste")
    assert server.plate(car) == before


def test_undo_and_redo_walk_the_saved_steps(page: Page, server: Server, car: int) -> None:
    states = [server.plate(car)["values"]]
    for row, value in ((4, "21"), (5, "22")):
        cell(page, row, 6).click()
        with page.expect_response(SAVED):
            page.keyboard.type(value)
            page.keyboard.press("Enter")
        states.append(server.plate(car)["values"])
    cell(page, 0, 0).click()
    for key, word, want in (
        ("Control+z", "undo", 1),
        ("Control+z", "undo", 0),
        ("Control+y", "redo", 1),
        ("Control+Shift+z", "redo", 2),
    ):
        with page.expect_response(re.compile(rf"/{word}$")) as answer:
            page.keyboard.press(key)
        assert answer.value.ok
        assert server.plate(car)["values"] == states[want]
    expect(cell(page, 5, 6)).to_have_text("22.0")


def test_operations_on_a_range(page: Page, server: Server, car: int) -> None:
    before = server.plate(car)["values"]
    cell(page, 3, 2).click()
    cell(page, 3, 8).click(modifiers=["Shift"])
    tools = page.get_by_role("toolbar").first
    with page.expect_response(SAVED):
        tools.get_by_role("button", name="Straighten across").click()
    axis = server.plate(car)["pedal_pct"]
    row = server.plate(car)["values"][3]
    a, b = before[3][2], before[3][8]
    for c in range(2, 9):
        share = (axis[c] - axis[2]) / (axis[8] - axis[2])
        assert row[c] == pytest.approx(a + share * (b - a), abs=0.01)
    tools.get_by_label("Times").fill("0.5")
    with page.expect_response(SAVED):
        tools.get_by_role("button", name="Scale").click()
    half = server.plate(car)["values"][3]
    assert half[2:9] == pytest.approx([0.5 * v for v in row[2:9]], abs=0.01)
    assert half[9:] == before[3][9:]


def test_a_hand_edit_moves_the_fan_at_once(page: Page, server: Server, car: int) -> None:
    fan = page.locator("figure.fan").first
    fan.get_by_text("Numbers of this picture").click()
    numbers = fan.locator("table")
    before = numbers.inner_text()
    cell(page, 8, 8).click()
    with page.expect_response(SAVED):
        page.keyboard.type("60")
        page.keyboard.press("Enter")
    expect(numbers).not_to_have_text(before)
    assert "Edited by hand" in page.locator("section.table").first.inner_text()
