"""The report page and its pictures, from invented figures."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.foundation.errors import InputError
from throttlewright.handover import pictures
from throttlewright.handover.cautions import CAUTIONS, NO_CERTIFICATE
from throttlewright.handover.pictures import shade, spread_labels
from throttlewright.handover.report import render_report
from throttlewright.handover.report_data import (
    FanData,
    FigureRow,
    KnockOnRow,
    LedgerRow,
    PlateRow,
    PlateStudyData,
    ReportAxis,
    ReportData,
    ReportTable,
    ResponseData,
    SurfaceData,
)
from throttlewright.handover.tables import BENCH_ONLY

# Every figure below is invented: a smooth engine that saturates as a large plate does.
RPM = np.array([1500.0, 2500.0, 3500.0, 4500.0, 6000.0])
FULL = np.array([155.0, 232.0, 302.0, 318.0, 296.0])
DRAG = np.array([-16.0, -27.0, -38.0, -48.0, -60.0])
PEDAL = np.linspace(0.0, 100.0, 41)
VOID = {"meta", "br", "hr", "img", "link", "input"}


def fan() -> FanData:
    span = (FULL - DRAG)[:, None]
    knee = (9.0 + RPM / 500.0)[:, None]
    rise = 1.0 - np.exp(-((PEDAL / knee) ** 1.3))
    before = DRAG[:, None] + span * rise / rise[:, -1:]
    after = DRAG[:, None] + span * (PEDAL / 100.0)
    room = 3.0 + 0.06 * np.abs(after)
    return FanData(PEDAL, RPM, before, after, after - room, after + room)


def study() -> PlateStudyData:
    rows = []
    for bore in (50.0, 60.0, 70.0, 80.0, 90.0, 100.0):
        loss = 22.0 * (50.0 / bore) ** 4
        rows.append(
            PlateRow(
                bore,
                1,
                loss,
                220.0 * (50.0 / bore) ** 2,
                1.1e5 / bore**2,
                20.0,
                3e5 / bore**2,
                0.02 * bore**1.3,
                bore / 2.0,
                bore < 95.0,
                1100.0 + 9.0 * bore,
                9.0,
                bore == 90.0,
            )
        )
    for bore in (35.0, 40.0, 45.0, 50.0):
        loss = 6.0 * (35.0 / bore) ** 4
        rows.append(
            PlateRow(bore, 4, loss, 120.0, 12.0, 25.0, None, 0.1 * bore, 70.0, False, None, None)
        )
    return PlateStudyData(tuple(rows), ("Keep 90 mm: 70 mm would cost 6 % of power.",))


def full_report() -> ReportData:
    plate = np.linspace(0.0, 100.0, 40)
    speeds = np.linspace(800.0, 6800.0, 30)
    knee = 6.0 + speeds[:, None] / 400.0
    top = 160.0 + 160.0 * np.sin((speeds[:, None] - 800.0) / 6000.0 * 2.6)
    surface = SurfaceData(
        speeds,
        plate,
        -15.0 - speeds[:, None] / 120.0 + top * (1.0 - np.exp(-((plate / knee) ** 1.4))),
        2.5 * knee[:, 0],
    )
    pedal_axis = ReportAxis(
        "pedal", "%", np.array([0.0, 5, 10, 15, 20, 30, 40, 50, 60, 70, 80, 90, 100])
    )
    rpm_axis = ReportAxis("engine speed", "rpm", RPM)
    opening = (pedal_axis.values / 100.0) ** 2.2 * 100.0 * (0.6 + RPM / 15000.0)[:, None]
    target = 101.0 + np.clip(pedal_axis.values - 40.0, 0.0, None) * (RPM / 4200.0)[:, None]
    times = np.array([0.0, 0.2, 0.5, 1.0, 2.0])
    held = np.array([20.0, 40.0, 60.0, 80.0, 100.0])
    torque = held * 2.0 + held * (1.0 - np.exp(-times[:, None] / 0.6))
    return ReportData(
        title="Pedal map and plate study",
        car_name="Hill-climb 2.0 T",
        use="competition",
        fan=fan(),
        summary=(
            "The plate stays at 90 mm; the pedal map spreads its work over the whole travel.",
            "With the plain linkage 71 % of torque came in the first fifth of the pedal.",
        ),
        ledger=(
            LedgerRow("plate.bore", "90 mm", "given", "drawing"),
            LedgerRow(
                "plate.closed_stop", "7.0 ± 0.5 deg", "assumed", "common practice",
                (19.0, 8.0, 1.0), 31.0, "feeler gauge at the closed plate",
            ),
            LedgerRow(
                "engine.ve_peak", "0.98 ± 0.05", "assumed", "textbook",
                (-2.0, 3.5, 5.0), 0.5, "one air-flow log at full load",
            ),
        ),
        plate_study=study(),
        surface=surface,
        tables=(
            ReportTable(
                "Plate opening", "The last 10 % of travel opens to the stop.",
                pedal_axis, rpm_axis, opening, "%",
            ),
            ReportTable(
                "Boost target", "Pressure before the plate, absolute.",
                pedal_axis, rpm_axis, target, "kPa", 0, "boost",
            ),
        ),
        figures=(
            FigureRow("torque by 20 % pedal", "%", {"one to one": 71.2, "this map": 21.0}, 0),
            FigureRow("peak to mean gain", "", {"one to one": 6.4, "this map": 1.3}),
            FigureRow("dead travel", "%", {"one to one": 58.0, "this map": -0.0, "pasted": None}),
        ),
        response=ResponseData(held, times, torque, 3000.0),
        knock_on=(KnockOnRow("idle", "reads plate opening", "teach the closed stop again"),),
        cautions=("This plate is large: a tenth of a degree is audible at idle.",),
        claim="Even within the model; the car has not been measured.",
        sources=("Heywood, Internal Combustion Engine Fundamentals, 1988",),
    )  # fmt: skip


@pytest.fixture(scope="module")
def page() -> str:
    return render_report(full_report())


class Balance(HTMLParser):
    """Opens and closes every element, and collects names and links."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.names: list[str] = []
        self.links: list[str] = []
        self.words: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.note(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.note(tag, attrs)

    def note(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for key, value in attrs:
            if key == "id":
                self.names.append(value or "")
            if key in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
                self.links.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"closes {tag}, nothing is open"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def parsed(text: str) -> Balance:
    reader = Balance()
    reader.feed(text)
    reader.close()
    return reader


def test_same_data_give_the_same_bytes(page: str) -> None:
    assert render_report(full_report()).encode() == page.encode()
    assert not re.search(r"\b20[2-9]\d-\d\d", page)


def test_machine_settings_do_not_change_the_bytes() -> None:
    import matplotlib

    first = pictures.fan_picture(fan())
    with matplotlib.rc_context({"axes.labelsize": 30.0, "xtick.labelsize": 30.0}):
        assert pictures.fan_picture(fan()) == first


def test_page_is_balanced_and_its_names_are_unique(page: str) -> None:
    reader = parsed(page)
    assert reader.open == []
    assert len(reader.names) == len(set(reader.names))


def test_page_fetches_nothing_and_runs_nothing(page: str) -> None:
    reader = parsed(page)
    assert all(link.startswith("#") for link in reader.links)
    assert "#hurt" in reader.links
    assert {link[1:] for link in reader.links} <= set(reader.names)
    used = set(re.findall(r"url\(([^)]*)\)", page))
    assert used
    assert {link[1:] for link in used} <= set(reader.names)
    assert "http" not in page
    assert "@import" not in page
    assert not reader.tags & {"script", "link", "iframe", "object", "embed", "img", "image"}
    assert not re.search(r"\son\w+=", page)


def test_every_caution_is_there(page: str) -> None:
    text = unescape(page)
    for item in CAUTIONS:
        assert item.topic in text
        assert item.text in text
    assert NO_CERTIFICATE in text
    assert "a tenth of a degree is audible" in text


def test_shortest_report_still_cautions() -> None:
    text = unescape(render_report(ReportData("t", "c", "road", fan())))
    assert all(item.text in text for item in CAUTIONS)
    assert "Sources" not in text
    assert "plate size" not in text


def test_topics_that_can_hurt_are_covered() -> None:
    said = " ".join(item.text.lower() for item in CAUTIONS)
    for word in (
        "finger",
        "fuel and ignition",
        "stands",
        "exhaust",
        "emissions",
        "local law",
        "rule book",
        "competent",
    ):
        assert word in said, word


def test_bench_only_shows_unless_released(page: str) -> None:
    assert page.count(BENCH_ONLY) == 2
    assert BENCH_ONLY not in render_report(replace(full_report(), bench_only=False))


def test_numbers_and_words_reach_the_page(page: str) -> None:
    text = unescape(page)
    for word in (
        "71 %",
        "6.4",
        "teach the closed stop again",
        "Keep 90 mm",
        "feeler gauge",
        "Heywood",
        "Even within the model",
        "pedal / %",
        "torque / N m",
        "6000",
    ):
        assert word in text, word
    assert "−0.0" not in text
    # the largest effect of each assumed number, largest first
    assert text.index("moves idle air by 31.0 %") < text.index("moves torque at 50 % pedal by 5.0")


def test_written_text_cannot_become_markup() -> None:
    nasty = '<b onload="x">&'
    data = replace(full_report(), title=nasty, car_name=nasty, summary=(nasty,))
    data = replace(data, fan=replace(fan(), name_before="a<b>$x_2$&"))
    text = render_report(data)
    assert "<b onload" not in text
    assert parsed(text).open == []
    assert "a<b>$x_2$&" in "".join(parsed(pictures.fan_picture(data.fan)).words)


def test_gaps_in_the_figures_do_not_stop_the_report() -> None:
    data = full_report()
    torque = data.surface.torque.copy() if data.surface else np.zeros((2, 2))
    torque[0, 0] = np.nan
    rows = tuple(replace(row, idle_step_pct=None) for row in study().rows)
    after = fan().after.copy()
    after[0, 3] = np.nan
    text = render_report(
        replace(
            data,
            surface=replace(data.surface, torque=torque) if data.surface else None,
            plate_study=PlateStudyData(rows),
            fan=replace(fan(), after=after, low=None, high=None),
        )
    )
    assert "not computed" in text
    assert ">nan<" not in text


def test_arrays_must_fit_their_axes() -> None:
    with pytest.raises(InputError, match=r"fan\.after"):
        replace(fan(), after=np.zeros((2, 2)))
    with pytest.raises(InputError, match=r"fan\.low"):
        replace(fan(), high=None)


PLACES = st.lists(st.floats(-50.0, 150.0), min_size=1, max_size=12)


@given(PLACES, st.floats(0.1, 8.0))
@settings(max_examples=80, deadline=None, derandomize=True, database=None)
def test_labels_do_not_overlap_and_stay_inside(wanted: list[float], gap: float) -> None:
    got = spread_labels(wanted, gap=gap, low=0.0, high=100.0)
    ranked = sorted(got)
    assert all(b - a >= gap * (1 - 1e-9) for a, b in pairwise(ranked))
    assert ranked[0] >= -1e-9
    assert ranked[-1] <= 100.0 + 1e-9
    order = sorted(range(len(wanted)), key=lambda k: wanted[k])
    assert all(got[a] <= got[b] for a, b in pairwise(order) if wanted[a] < wanted[b])


@given(st.lists(st.floats(0.0, 20.0), min_size=2, max_size=5))
@settings(max_examples=40, deadline=None, derandomize=True, database=None)
def test_labels_move_as_little_as_possible(wanted: list[float]) -> None:
    from scipy.optimize import LinearConstraint, minimize

    order = np.argsort(wanted, kind="stable")
    goal = np.array(wanted)[order]
    mine = np.sort(spread_labels(wanted, gap=4.0, low=0.0, high=20.0))
    count = len(goal)
    step = LinearConstraint(np.diff(np.eye(count), axis=0), lb=4.0)
    best = minimize(
        lambda y: float(np.sum((y - goal) ** 2)),
        np.linspace(0.0, 20.0, count),
        jac=lambda y: 2.0 * (y - goal),
        bounds=[(0.0, 20.0)] * count,
        constraints=[step],
        method="SLSQP",
    )
    assert np.sum((mine - goal) ** 2) <= best.fun + 1e-6 * (1.0 + best.fun)


def test_labels_that_do_not_fit_share_the_space() -> None:
    assert spread_labels([5.0, 5.0, 5.0], gap=9.0, low=0.0, high=10.0) == (0.0, 5.0, 10.0)
    assert spread_labels([], gap=1.0, low=0.0, high=1.0) == ()
    assert spread_labels([3.0], gap=1.0, low=0.0, high=10.0) == (3.0,)


def test_labels_in_the_fan_stand_apart() -> None:
    """Speeds that end at nearly the same torque, read back from the drawing."""
    close = replace(fan(), after=fan().after * 0.0 + np.linspace(100.0, 101.0, 5)[:, None])
    found = re.findall(
        r"translate\(([\d.]+) ([\d.]+)\)\"?>(\d{4})<|"
        r'x="([\d.]+)" y="([\d.]+)"[^>]*>(\d{4})<',
        pictures.fan_picture(close),
    )
    heights = sorted(
        float(a[1] or a[4]) for a in found if (a[2] or a[5]) in "1500 2500 3500 4500 6000"
    )
    assert len(heights) == 5
    assert min(np.diff(heights)) > 10.0  # points, the height of the letters


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, definition of relative luminance and contrast ratio."""
    a, b = sorted((luminance(one), luminance(other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def test_contrast() -> None:
    # WCAG 2.2: success criteria 1.4.3 (text, 4.5 to 1) and 1.4.11 (graphics, 3 to 1)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for text in (pictures.INK, pictures.MUTE, pictures.AFTER, pictures.BEFORE):
        assert contrast(text, pictures.PAPER) >= 4.5, text
    for line in (*pictures.AFTER_RAMP, *pictures.BEFORE_RAMP):
        assert contrast(line, pictures.PAPER) >= 3.0, line
    for share in np.linspace(0.0, 1.0, 11):
        assert contrast(pictures.INK, shade(float(share))) >= 4.5


def test_page_colours_have_contrast_in_both_themes(page: str) -> None:
    themes = re.findall(r":root\{[^}]*--ink[^}]*\}", page)
    assert len(themes) == 2
    for theme in themes:
        colour = dict(re.findall(r"--(\w+):(#\w{6})", theme))
        for name in ("ink", "mute", "after", "before", "warn"):
            assert contrast(colour[name], colour["paper"]) >= 4.5, (name, theme)


def test_shading_is_lightness_alone() -> None:
    steps = [luminance(shade(k / 20.0)) for k in range(21)]
    assert all(b < a for a, b in pairwise(steps))
    assert shade(-1.0) == shade(0.0)
