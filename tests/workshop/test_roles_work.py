"""The roles of a car as a person calls them: cards, one pair driven, and the files."""

from __future__ import annotations

import json

import pytest

from throttlewright.design.roles import ROLES
from throttlewright.foundation.errors import CancelledError, InputError
from throttlewright.foundation.events import ignore
from throttlewright.handover.tables import BENCH_ONLY
from throttlewright.workshop.roles import roles
from throttlewright.workshop.roles_models import JudgedLine, PairCard, RolesRequest, RolesResult

CAR = "hillclimb_20t"


@pytest.fixture(scope="module")
def cards() -> RolesResult:
    return roles(RolesRequest(build=CAR, intent=CAR, drive=False))


@pytest.fixture(scope="module")
def driven(tmp_path_factory) -> tuple[RolesResult, object]:
    out = tmp_path_factory.mktemp("roles") / "out"
    return roles(RolesRequest(build=CAR, intent=CAR, role="overboost", out=str(out))), out


def test_every_role_has_a_card_in_order_of_rank(cards) -> None:
    assert [card.name for card in cards.roles] == [role.name for role in ROLES]
    for card in cards.roles:
        assert card.pairs == ()
        assert (card.state == "gives") == (card.reason == "")
        gives = card.rows or card.tables or card.numbers or card.reactions
        assert bool(gives) == (card.state == "gives")
        if card.state == "not asked":
            assert f"[{card.section}]" in card.reason


def test_rows_and_their_tables_stand_on_their_card(cards) -> None:
    card = next(card for card in cards.roles if card.name == "overboost")
    names = {table.name for table in card.tables}
    for row in card.rows:
        assert row.reason
        assert row.source
        assert not row.table or row.table in names
        assert row.side in row.text
    hold = next(row for row in card.rows if row.name == "overboost_hold")
    assert {n.name for n in hold.numbers} >= {"kp", "ki"}
    table = card.tables[0]
    assert len(table.values) == len(table.axes[0].values)
    assert all(len(line) == len(table.axes[1].values) for line in table.values)


def test_a_role_is_driven_with_and_without(driven) -> None:
    result, out = driven
    (card,) = result.roles
    pair = card.pairs[0]
    assert pair.scenario == "overboost_stuck_wastegate"
    assert pair.with_role.value < pair.without_role.value
    assert pair.without_role.good is False
    assert 0.0 < pair.in_charge_s < pair.duration_s
    assert pair.curves[0].channel == "plate_pct"
    assert "map_kPa" in {curve.channel for curve in pair.curves}
    written = {path.name for path in out.iterdir() if path.name[0] != "."}
    assert {"roles.html", "roles.json", "overboost-1.svg"} <= written
    page = (out / "roles.html").read_text(encoding="utf-8")
    for part in (BENCH_ONLY, card.title, card.caution[:30], "without it", "<svg"):
        assert part in page
    assert "<script" not in page
    held = json.loads((out / "roles.json").read_text(encoding="utf-8"))
    assert held["roles"][0]["name"] == "overboost"


def test_a_missed_figure_decides_the_exit_code() -> None:
    def result(good: bool | None, value: float | None) -> RolesResult:
        line = JudgedLine(value=value, unit="", limit=None, good=good, text="t")
        pair = PairCard(scenario="s", title="t", caution="", figure="f", with_role=line,
                        without_role=line.model_copy(update={"good": False}))  # fmt: skip
        card = roles(RolesRequest(build=CAR, intent=CAR, role="servo", drive=False)).roles[0]
        card = card.model_copy(update={"pairs": (pair,)})
        return RolesResult(name="n", use="track", bench_only=True, roles=(card,))

    assert result(True, 1.0).exit_code == 0
    assert result(None, 1.0).exit_code == 0
    assert result(False, 1.0).exit_code == 1
    assert result(None, None).exit_code == 1


def test_what_cannot_be_used_is_one_line() -> None:
    with pytest.raises(InputError, match="overboost"):
        roles(RolesRequest(build=CAR, intent=CAR, role="overbost"))
    with pytest.raises(CancelledError):
        roles(RolesRequest(build=CAR, intent=CAR, drive=False), on_event=ignore,
              cancelled=lambda: True)  # fmt: skip
