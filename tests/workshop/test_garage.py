"""What a person does with the garage, through the functions that both doors call."""

from __future__ import annotations

import pytest

from throttlewright.build.load import load_build, parse_build, parse_intent
from throttlewright.foundation.errors import ContradictionError, InputError
from throttlewright.garage.errors import ConflictError, StaleWriteError
from throttlewright.workshop.garage import (
    BranchRequest,
    CompareRequest,
    ExportRequest,
    GarageRequest,
    HistoryRequest,
    ImportRequest,
    NewCarRequest,
    RemoveRequest,
    RenameRequest,
    RestoreRequest,
    SaveRequest,
    ShowRequest,
    branch,
    compare,
    export_car,
    history,
    import_car,
    list_cars,
    new_car,
    remove_car,
    rename_car,
    restore,
    save_item,
    show_car,
)


@pytest.fixture
def place(tmp_path) -> str:
    return str(tmp_path / "garage")


def add(place: str, name: str = "Kestrel", **answers):
    return new_car(NewCarRequest(garage=place, name=name, who="Ada", **answers))


def text_of(place: str, tmp_path, name: str = "Kestrel") -> str:
    out = tmp_path / f"out-{name}"
    export_car(ExportRequest(garage=place, car=name, folder=str(out)))
    return (out / "build.toml").read_text("utf-8")


def test_answers_of_a_tuner_become_a_build(place, tmp_path) -> None:
    add(
        place,
        displacement="1.8 L",
        cylinders=5,
        revs="8200 rpm",
        bore="48 mm",
        plates=2,
        boost="0.9 bar",
        use="track",
    )
    build = parse_build(text_of(place, tmp_path), file="x", beside=lambda name: "").build
    assert build.name == "Kestrel"
    assert build.engine.displacement == pytest.approx(1.8e-3, rel=1e-12)
    assert build.engine.cylinders == 5
    assert build.engine.rev_limit == pytest.approx(8200 * 3.141592653589793 / 30, rel=1e-9)
    assert build.plate.bore == pytest.approx(0.048, rel=1e-12)
    assert (build.plate.count, build.use) == (2, "track")
    assert build.turbo is not None
    blank = add(place, "Heron").revisions
    assert [r.kind for r in blank] == ["build", "intent"]


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"displacement": "2 furlong"}, "engine.displacement"),
        ({"cylinders": 99}, "cylinders"),
        ({"boost": "lots"}, "is no boost"),
        ({"boost": "0 bar"}, "is no boost"),
        ({"use": "moon"}, "use"),
        ({"example": "nothing"}, "no shipped build"),
        ({"example": "trackday_16", "revs": "7000 rpm"}, "comes with its own numbers"),
    ],
)
def test_a_wrong_answer_leaves_no_car_behind(place, answers, words) -> None:
    with pytest.raises((InputError, ContradictionError), match=words):
        add(place, **answers)
    assert list_cars(GarageRequest(garage=place)).cars == []


def test_a_shipped_car_comes_with_its_dyno_curve(place, tmp_path) -> None:
    add(place, example="trackday_16")
    text_of(place, tmp_path)
    assert load_build(tmp_path / "out-Kestrel" / "build.toml").build.engine.dyno is not None


def test_two_pages_on_one_car_get_a_conflict_and_lose_nothing(place, tmp_path) -> None:
    base = add(place).revisions[1].id
    text = (
        "# What the customer wants.\n"
        'format = "throttlewright.intent"\nformat_version = 1\n'
        '[mode.dry]\nfeel = "even"\n'
    )

    def page(who: str, word: str):
        return save_item(
            SaveRequest(
                garage=place,
                car="Kestrel",
                kind="intent",
                text=f"{text}# {word}\n",
                base_revision=base,
                who=who,
            )
        )

    first = page("Ada", "left").revision
    with pytest.raises(StaleWriteError) as caught:
        page("Bo", "right")
    found = compare(CompareRequest(garage=place, old=first.id, new=caught.value.kept))
    assert "-# left" in found.lines
    assert "+# right" in found.lines
    taken = restore(RestoreRequest(garage=place, revision=caught.value.kept, who="Ada"))
    rows = history(HistoryRequest(garage=place, car="Kestrel", kind="intent")).revisions
    assert [row.id for row in rows] == [taken.revision.id, caught.value.kept, first.id, base]
    out = tmp_path / "out"
    export_car(ExportRequest(garage=place, car="Kestrel", folder=str(out)))
    assert parse_intent((out / "intent.toml").read_text("utf-8"), file="x")
    assert "# right" in (out / "intent.toml").read_text("utf-8")


def test_the_name_of_a_file_says_what_it_is(place, tmp_path) -> None:
    add(place)
    path = tmp_path / "safety.verdicts.json"
    row = (
        '{"criterion": "closing", "status": "fail", "value": 2.0, "limit": 1.0, "unit": "s", '
        '"source": "made up", "edition": "1", "text": "slow", "scenario": "", "fault": ""}'
    )
    path.write_text(f"[{row}]\n", "utf-8")
    saved = save_item(SaveRequest(garage=place, car="Kestrel", file=str(path), who="Ada"))
    assert (saved.revision.kind, saved.revision.name) == ("verdicts", "safety")
    shown = show_car(ShowRequest(garage=place, car="kestrel"))
    assert shown.verdicts == {"safety": {"fail": 1}}
    odd = tmp_path / "words.md"
    odd.write_text("hot", "utf-8")
    with pytest.raises(InputError, match="give --kind"):
        save_item(SaveRequest(garage=place, car="Kestrel", file=str(odd)))
    note = save_item(SaveRequest(garage=place, car="Kestrel", file=str(odd), kind="note"))
    assert note.revision.name == "words"
    with pytest.raises(InputError, match="either a file or a text"):
        save_item(SaveRequest(garage=place, car="Kestrel", kind="note"))


def test_in_from_a_folder_on_a_branch(place, tmp_path) -> None:
    add(place, example="trackday_16")
    text_of(place, tmp_path)
    out = tmp_path / "out-Kestrel"
    made = import_car(ImportRequest(garage=place, car="Twin", folder=str(out), who="Bo"))
    assert [s.changed for s in made.saved] == [True, True, True]
    branch(BranchRequest(garage=place, car="Twin", name="wet", who="Bo"))
    path = out / "build.toml"
    path.write_text(path.read_text("utf-8") + "# wet\n", "utf-8")
    again = import_car(
        ImportRequest(garage=place, car="twin", folder=str(out), branch="wet", who="Bo")
    )
    assert sum(s.changed for s in again.saved) == 1
    shown = show_car(ShowRequest(garage=place, car="Twin"))
    assert shown.branches == ["main", "wet"]
    assert {r.branch for r in shown.items} == {"main"}
    with pytest.raises(InputError, match="is no folder"):
        import_car(ImportRequest(garage=place, car="Third", folder=str(tmp_path / "none")))
    assert [c.name for c in list_cars(GarageRequest(garage=place)).cars] == ["Kestrel", "Twin"]


def test_renamed_removed_and_back(place) -> None:
    car = add(place).car
    assert rename_car(RenameRequest(garage=place, car="Kestrel", name="Egret")).id == car.id
    assert remove_car(RemoveRequest(garage=place, car="Egret")).removed
    assert list_cars(GarageRequest(garage=place)).cars == []
    assert not remove_car(RemoveRequest(garage=place, car="egret", undo=True)).removed
    with pytest.raises(InputError, match="no removed car"):
        remove_car(RemoveRequest(garage=place, car="Egret", undo=True))
    with pytest.raises(ConflictError):
        add(place, "Egret")
