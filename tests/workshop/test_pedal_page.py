from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from throttlewright.build.load import parse_intent
from throttlewright.calibration.calibration import Calibration, Release
from throttlewright.car.record import BoostState
from throttlewright.design.pedal import one_to_one
from throttlewright.foundation.errors import InputError
from throttlewright.workshop.design import DesignRequest, design
from throttlewright.workshop.garage import NewCarRequest, new_car
from throttlewright.workshop.held import (
    Garage,
    HeldCar,
    StaleWriteError,
    held_calibration,
    held_car,
    held_intent,
)
from throttlewright.workshop.pedal_models import (
    CellsRequest,
    DesignAnewRequest,
    IntentRequest,
    JudgeRequest,
    ModeChange,
    PedalView,
    PointsPct,
    PreviewRequest,
    StepRequest,
)
from throttlewright.workshop.pedal_page import (
    design_anew,
    edit_cells,
    judge_table,
    pedal_step,
    pedal_view,
    preview,
    save_intent,
)
from throttlewright.workshop.pedal_parts import changed_mode, intent_with, surfaces, with_cells
from throttlewright.workshop.pedal_picture import map_cautions

Bench = tuple[Garage, HeldCar]
WHO = "Tess"
CURVE = PointsPct(pedal_pct=[0, 20, 50, 100], share_pct=[0, 12, 45, 100])


@pytest.fixture
def hill(tmp_path: Path) -> Iterator[Bench]:
    new_car(NewCarRequest(garage=str(tmp_path), name="hill", example="hillclimb_20t", who=WHO))
    with Garage.open(tmp_path) as garage:
        yield garage, held_car(garage, "hill")


def saved(bench: Bench) -> PedalView:
    view = design_anew(*bench, DesignAnewRequest(who=WHO)).view
    assert view is not None
    return view


def cells(view: PedalView, *values: tuple[int, int, float], table: str = "plate") -> CellsRequest:
    return CellsRequest(
        mode=view.mode,
        table=table,  # type: ignore[arg-type]
        cells=list(values),
        base_revision=view.calibration_revision,
        who=WHO,
    )


def test_a_look_saves_nothing_and_shows_what_the_terminal_designs(hill: Bench) -> None:
    garage, car = hill
    view = pedal_view(garage, car)
    assert [i.kind for i in garage.items("hill")] == ["build", "intent"]
    assert view.calibration_revision is None
    assert (view.mode, view.states, view.fan.boost_state) == (
        "dry",
        ["instant", "settled"],
        "instant",
    )
    folder = Path(garage.folder)
    revision, _ = held_intent(garage, "hill")
    (folder / "intent.toml").write_text(str(garage.content(revision.id)))
    own = design(
        DesignRequest(build="hillclimb_20t", intent=str(folder / "intent.toml"), mode="dry")
    ).modes[0]
    # the page's table is rounded to 0.001 %, the terminal's to five digits
    np.testing.assert_allclose(view.plate_table.values, own.plate_pct, atol=1.1e-3)
    assert view.boost_table is not None
    np.testing.assert_allclose(view.boost_table.values, own.boost_target_kPa, atol=6e-3)
    assert own.claim[1:] in view.claim
    figures = {f.key: f for f in view.figures if f.gear in (None, 2)}
    for key, after, before in (
        ("gain_ratio", *(max(own.figures[k].gain_largest_to_mean) for k in (1, 0))),
        ("free_rev_span", *(own.figures[k].free_rev_span_pct for k in (1, 0))),
        ("mm_per_tenth_g", *(own.figures[k].pedal_mm_per_tenth_g[2] for k in (1, 0))),
    ):
        assert figures[key].after == pytest.approx(after, rel=2e-3)
        assert figures[key].before == pytest.approx(before, rel=2e-3)
    band = np.array(view.fan.high_Nm) - np.array(view.fan.low_Nm)
    assert band.min() >= 0.0
    assert band.max() > 10.0


def test_a_handle_lies_on_the_drawn_curve(hill: Bench) -> None:
    for mode in ("dry", "wet", "pit"):
        view = pedal_view(*hill, mode=mode)
        row = view.fan.rpm.index(view.handles.rpm)
        for handle in view.handles.points:
            drawn = np.interp(handle.pedal_pct, view.fan.pedal_pct, view.fan.after_Nm[row])
            # the table has 17 pedal positions; between them torque may leave the wish a little.
            # The pit mode has a limit on its slope, which keeps it below its wish.
            if mode != "pit":
                assert handle.torque_Nm == pytest.approx(drawn, abs=0.02 * view.handles.span_Nm)
        assert [h.fixed for h in view.handles.points][:: len(view.handles.points) - 1] == [True] * 2


def test_a_preview_is_what_saving_gives(hill: Bench) -> None:
    garage, car = hill
    view = saved(hill)
    change = ModeChange(points=CURVE)
    tried = preview(garage, car, PreviewRequest(mode="dry", change=change, seq=7))
    assert tried.seq == 7
    result = save_intent(
        garage,
        car,
        IntentRequest(
            mode="dry",
            change=change,
            base_revision=view.intent_revision,
            calibration_revision=view.calibration_revision,
            who=WHO,
        ),
    )
    after = result.view
    assert after is not None
    assert result.asks == ""
    assert after.modes[0].feel == "points"
    assert after.calibration_revision != view.calibration_revision
    assert after.intent_revision != view.intent_revision
    assert after.behind == ""
    assert after.handles == tried.handles
    fine = np.array(after.fan.after_Nm)[:, ::2]
    span = np.ptp(fine, axis=1)[:, None]
    np.testing.assert_allclose(np.array(tried.fan.after_Nm) / span, fine / span, atol=0.035)
    # the change itself is far larger than that
    assert np.abs(np.array(view.fan.after_Nm)[:, ::2] / span - fine / span).max() > 0.05
    share = [h.point_share_pct for h in after.handles.points]
    assert share == CURVE.share_pct
    # other modes of the intent are as before, and the words around them too
    assert "# What an invented customer wants" in str(garage.content(after.intent_revision))
    assert after.modes[1:] == view.modes[1:]


def test_undo_takes_the_intent_back_with_the_map(hill: Bench) -> None:
    garage, car = hill
    view = saved(hill)
    request = IntentRequest(
        mode="wet",
        change=ModeChange(most_torque_pct=50.0),
        base_revision=view.intent_revision,
        calibration_revision=view.calibration_revision,
        who=WHO,
    )
    changed = save_intent(garage, car, request).view
    assert changed is not None
    assert changed.modes[1].most_torque_pct == 50.0
    back = pedal_step(
        *hill, StepRequest(base_revision=changed.calibration_revision or 0, who=WHO), back=True
    ).view
    assert back is not None
    assert back.modes[1].most_torque_pct == 70.0
    assert (back.behind, back.can_redo) == ("", True)
    assert back.plate_table.values == view.plate_table.values
    again = pedal_step(
        *hill, StepRequest(base_revision=back.calibration_revision or 0, who=WHO), back=False
    ).view
    assert again is not None
    assert again.modes[1].most_torque_pct == 50.0
    assert again.behind == ""


def test_a_cell_moves_torque_there_and_is_marked(hill: Bench) -> None:
    view = saved(hill)
    i, j = 5, 6
    value = view.plate_table.values[i][j] + 1.0
    result = edit_cells(*hill, cells(view, (i, j, value)))
    assert result.edited.table.values[i][j] == value
    assert result.edited.table.edited_cells == [(i, j)]
    assert result.edited.table.note.startswith("edited by hand; was designed as: even")
    moved = np.array(result.fan.after_Nm) - np.array(view.fan.after_Nm)
    rpm, pedal = view.plate_table.rpm[i], view.plate_table.pedal_pct[j]
    row = int(np.argmin(np.abs(np.array(view.fan.rpm) - rpm)))
    assert moved[row, round(pedal)] > 2.0
    far = int(np.argmax(view.fan.rpm))
    assert np.abs(moved[far]).max() < 1e-6
    before = pedal_view(*hill)
    assert before.edited
    assert before.figures == result.figures


def test_both_forms_of_the_demand_follow_an_edit(hill: Bench) -> None:
    view = saved(hill)
    row, columns = 8, range(1, 16)
    was = np.array(view.plate_table.values[row])
    asked = [(row, j, round(min(1.6 * was[j], 99.0), 2)) for j in columns]
    edit_cells(*hill, cells(view, *asked))
    _, kept = held_calibration(hill[0], "hill")
    plate = kept.table("plate_over_pedal_dry").values[row]
    first = kept.table("torque_share_over_pedal_dry").values[row]
    second = kept.table("plate_over_torque_share_dry")
    through = np.interp(first, second.axes[1].values, second.values[row])
    # 17 shares lie far apart where the plate has no more authority, so the last part is left out
    near = first < 90.0
    assert near.sum() > 8
    np.testing.assert_allclose(through[near], plate[near], atol=0.4)
    assert np.abs(plate[near] - was[near]).max() > 5.0


def test_a_bad_cell_refuses_the_whole_edit(hill: Bench) -> None:
    view = saved(hill)
    for bad in ((0, 2, 130.0), (0, 2, -1.0), (99, 0, 5.0)):
        with pytest.raises(InputError, match="nothing was changed"):
            edit_cells(*hill, cells(view, (1, 1, 5.0), bad))
    now = pedal_view(*hill)
    assert now.calibration_revision == view.calibration_revision
    assert now.plate_table.values == view.plate_table.values


def test_two_edits_of_one_state_are_a_conflict_and_both_are_kept(hill: Bench) -> None:
    garage, _ = hill
    view = saved(hill)
    mine = edit_cells(*hill, cells(view, (3, 3, 4.0)))
    with pytest.raises(StaleWriteError) as caught:
        edit_cells(*hill, cells(view, (4, 4, 6.0)))
    assert caught.value.newest == mine.edited.calibration_revision
    theirs = Calibration.from_json(str(garage.content(caught.value.kept)))
    values = theirs.table("plate_over_pedal_dry").values
    assert values[4, 4] == 6.0
    assert values[3, 3] == view.plate_table.values[3][3]


def test_designing_anew_asks_before_it_replaces_a_hand_edit(hill: Bench) -> None:
    garage, car = hill
    view = saved(hill)
    edit = edit_cells(*hill, cells(view, (3, 3, 4.0)))
    base = edit.edited.calibration_revision
    request = IntentRequest(
        mode="dry",
        change=ModeChange(points=CURVE),
        base_revision=view.intent_revision,
        calibration_revision=base,
        who=WHO,
    )
    asked = save_intent(garage, car, request)
    assert asked.view is None
    assert f"revision {base}" in asked.asks
    assert pedal_view(*hill).intent_revision == view.intent_revision
    other = request.model_copy(update={"mode": "wet", "change": ModeChange(most_torque_pct=50.0)})
    kept = save_intent(garage, car, other).view
    assert kept is not None
    dry = pedal_view(*hill, mode="dry")
    # the table of the mode that nobody touched keeps its edit
    assert dry.plate_table.values[3][3] == 4.0
    assert dry.edited
    final = save_intent(
        garage,
        car,
        request.model_copy(
            update={
                "replace_edited": True,
                "base_revision": kept.intent_revision,
                "calibration_revision": kept.calibration_revision,
            }
        ),
    ).view
    assert final is not None
    assert not final.edited
    back = pedal_step(
        *hill, StepRequest(base_revision=final.calibration_revision or 0, who=WHO), back=True
    ).view
    assert back is not None
    assert back.plate_table.values[3][3] == 4.0


def test_a_change_of_the_build_is_told(hill: Bench) -> None:
    garage, _ = hill
    saved(hill)
    head = garage.head("hill", "build", "build")
    text = str(garage.content(head.id)).replace("90 mm", "80 mm", 1)
    garage.save("hill", "build", "build", text, base_revision=head.id, who=WHO)
    view = pedal_view(garage, held_car(garage, "hill"))
    assert view.behind == "The build changed since this map was designed."


def test_a_pasted_table_is_judged_by_our_figures(hill: Bench) -> None:
    pedal = range(0, 101, 10)
    rows = ["rpm\t" + "\t".join(map(str, pedal))]
    rows += [f"{rpm}\t" + "\t".join(map(str, pedal)) for rpm in (800, 4000, 7600)]
    result = judge_table(*hill, JudgeRequest(text="\r\n".join(rows) + "\r\n"))
    view = pedal_view(*hill)
    # a pasted one-to-one table is the one-to-one map
    np.testing.assert_allclose(result.fan.after_Nm, view.fan.before_Nm, atol=2e-2)
    for pasted, plain in zip(result.figures, view.figures, strict=True):
        if plain.before is None:
            assert pasted.before is None
        else:
            assert pasted.before == pytest.approx(plain.before, rel=1e-6)
        assert pasted.after == plain.after
    assert "not even" in result.verdict[0]
    assert (result.rows, result.columns) == (3, 11)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no table"),
        ("rpm,0,50,100\n1000,0,50,130\n2000,0,50,100\n", "outside the allowed range"),
        ("rpm,0,50,100\n1000,0,x,100\n2000,0,50,100\n", "pasted table"),
    ],
)
def test_a_bad_paste_is_one_sentence_without_a_path(hill: Bench, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        judge_table(*hill, JudgeRequest(text=text))
    assert "/" not in str(caught.value)


def test_what_surprises_a_driver_is_said(hill: Bench) -> None:
    intent = held_intent(hill[0], "hill")[1].intent
    even = one_to_one(np.array([100.0, 700.0]))
    assert map_cautions(even, intent) == []
    falling = even.plate_pct.copy()
    falling[1, 5] = 35.0
    found = map_cautions(dataclasses.replace(even, plate_pct=falling), intent)
    assert len(found) == 1
    assert "6685 rpm" in found[0]
    assert "from 40.0 to 35.0 %" in found[0]
    open_ = even.plate_pct.copy()
    open_[0, 0] = 3.0
    found = map_cautions(dataclasses.replace(even, plate_pct=open_), intent)
    assert "no foot on it" in found[0]
    boost = np.full_like(even.plate_pct, 2.5e5)
    found = map_cautions(dataclasses.replace(even, boost_target=boost), intent)
    assert "above the overboost limit of 245 kPa" in found[0]


def test_a_change_is_checked_as_if_it_were_read(hill: Bench) -> None:
    mode = held_intent(hill[0], "hill")[1].intent.mode["dry"]
    falling = PointsPct(pedal_pct=[0, 50, 100], share_pct=[0, 100, 90])
    with pytest.raises(InputError, match="share"):
        changed_mode("dry", mode, ModeChange(points=falling))
    with pytest.raises(InputError, match="most_torque"):
        changed_mode("dry", mode, ModeChange(most_torque_pct=140.0))
    drawn = changed_mode("dry", mode, ModeChange(points=CURVE))
    assert changed_mode("dry", drawn, ModeChange(feel="even")) == mode


def test_the_words_around_a_changed_mode_stay(hill: Bench) -> None:
    text = (
        'format = "throttlewright.intent"\nformat_version = 1\n\n# for dry roads\n[mode.dry]\n'
        'feel = "even" # as asked\n\n# rain\n[mode."wet 2"]\nfeel = "gentle"\n'
    )
    intent = parse_intent(text, file="x").intent
    for name in intent.mode:
        new = changed_mode(name, intent.mode[name], ModeChange(most_torque_pct=60.0))
        merged = intent_with(text, intent, name, new)
        assert parse_intent(merged, file="x").intent.mode == {**intent.mode, name: new}
        assert "# for dry roads\n" in merged
        assert "\n# rain\n" in merged


def test_a_released_calibration_is_on_the_bench_again_after_an_edit(hill: Bench) -> None:
    saved(hill)
    _, made = held_calibration(hill[0], "hill")

    out = dataclasses.replace(
        made, release=Release("Tess", "shown", "2031-05-09"), bench_only=False
    )

    new = with_cells(out, "dry", "plate", [(1, 1, 2.0)], surfaces(hill[1])[BoostState.INSTANT])
    assert new.bench_only
    assert new.release is None
