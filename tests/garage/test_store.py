"""Cars, revisions, conflicts, restore, branches."""

from __future__ import annotations

import pytest
from garage_things import made_up_calibration, made_up_recording

from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import recording_of, verdicts_from_json, verdicts_to_json
from throttlewright.garage.errors import ConflictError, StaleWriteError
from throttlewright.garage.store import ENVIRONMENT, Garage, default_folder
from throttlewright.prove.verdict import Verdict


def save(garage: Garage, kind: str, content, base=None, name=None, who="Ada", **more):
    return garage.save(
        "Kestrel", kind, name or kind, content, base_revision=base, who=who, **more
    ).revision


def test_default_folder_is_the_variable_else_the_users_own(monkeypatch, tmp_path) -> None:
    monkeypatch.setenv(ENVIRONMENT, str(tmp_path / "here"))
    assert default_folder() == tmp_path / "here"
    with Garage.open() as opened:
        assert opened.folder == tmp_path / "here"
    monkeypatch.delenv(ENVIRONMENT)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_folder().parts[-2:] == ("throttlewright", "garage")


def test_the_disk_is_written_ahead_and_in_full(garage) -> None:
    with garage._engine.connect() as connection:
        values = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
    assert values == ["wal", 2, 1]


def test_names_of_cars_are_taken_once_whatever_their_capitals(garage) -> None:
    with pytest.raises(ConflictError, match="of this name"):
        garage.new_car("KESTREL", who="Bo")
    other = garage.new_car("Heron", who="Bo")
    with pytest.raises(ConflictError, match="of this name"):
        garage.rename("Heron", "kestrel")
    assert garage.rename(other.id, "Egret").name == "Egret"
    assert [car.name for car in garage.cars()] == ["Egret", "Kestrel"]
    assert garage.car("egret") == garage.car(other.id) == garage.car(str(other.id))
    with pytest.raises(InputError, match="did you mean 'Egret'"):
        garage.car("Egert")


@pytest.mark.parametrize("name", ["", " x", "a\nb", "x" * 81])
def test_a_name_that_no_list_can_show_is_refused(garage, name) -> None:
    with pytest.raises(InputError, match="name of a car cannot be used"):
        garage.new_car(name, who="Bo")


@pytest.mark.parametrize("name", ["", "../x", "a/b", ".hidden", "con", "x.", "é" * 100, "a\\b"])
def test_a_name_that_is_no_file_name_is_refused(garage, name) -> None:
    with pytest.raises(InputError, match="name of this note cannot be used"):
        garage.save("Kestrel", "note", name, "x", base_revision=None, who="Ada")


def test_a_removed_car_keeps_all_it_has(garage, build) -> None:
    kept = save(garage, "build", build)
    car = garage.car("Kestrel")
    garage.remove(car.id)
    assert garage.cars() == []
    with pytest.raises(InputError, match="no such car"):
        garage.items("Kestrel")
    garage.new_car("Kestrel", who="Bo")
    with pytest.raises(ConflictError):
        garage.bring_back(car.id)
    garage.rename("Kestrel", "Second")
    garage.bring_back(car.id)
    assert [item.id for item in garage.items(car.id)] == [kept.id]


def test_history_tells_who_when_and_why(garage, intent) -> None:
    first = save(garage, "intent", intent, why="first talk")
    second = save(garage, "intent", intent + "# softer\n", first.id, who="Bo", why="too sharp")
    rows = garage.history("Kestrel", "intent", "intent")
    assert [(r.id, r.who, r.why, r.parent) for r in rows] == [
        (second.id, "Bo", "too sharp", first.id),
        (first.id, "Ada", "first talk", None),
    ]
    assert rows[0].when >= rows[1].when
    assert rows[0].when.endswith("+00:00")
    assert garage.content(first.id) == intent
    assert garage.content(second.id) == intent + "# softer\n"
    assert [r.id for r in garage.changes("Kestrel", since=first.id)] == [second.id]
    assert garage.last_number() == second.id


def test_the_same_content_makes_no_revision(garage, intent) -> None:
    first = save(garage, "intent", intent)
    again = garage.save("Kestrel", "intent", "intent", intent, base_revision=None, who="Bo")
    assert not again.changed
    assert again.revision == first


def test_a_save_needs_somebody(garage, intent) -> None:
    with pytest.raises(InputError, match="say who saves"):
        save(garage, "intent", intent, who=" ")


def test_a_stale_write_is_refused_and_both_versions_are_kept(garage, intent) -> None:
    first = save(garage, "intent", intent)
    theirs = save(garage, "intent", intent + "# theirs\n", first.id)
    with pytest.raises(StaleWriteError, match="was changed meanwhile") as caught:
        save(garage, "intent", intent + "# mine\n", first.id, who="Bo")
    error = caught.value
    assert error.newest == theirs.id
    assert garage.content(error.kept) == intent + "# mine\n"
    assert garage.head("Kestrel", "intent", "intent") == theirs
    kept = garage.revision(error.kept)
    assert (kept.stale, kept.parent, kept.who) == (True, first.id, "Bo")
    assert [r.id for r in garage.history("Kestrel", "intent", "intent")] == [
        kept.id,
        theirs.id,
        first.id,
    ]
    settled = garage.restore(kept.id, who="Ada").revision
    assert (settled.parent, settled.stale) == (theirs.id, False)
    assert garage.content(settled.id) == intent + "# mine\n"
    assert isinstance(error.in_file("x"), StaleWriteError)
    assert error.in_file("x").kept == error.kept


def test_a_second_first_save_is_stale_too(garage, intent) -> None:
    save(garage, "intent", intent)
    with pytest.raises(StaleWriteError, match="made from nothing"):
        save(garage, "intent", intent + "# other\n", None)


def test_a_base_of_another_thing_is_refused(garage, build, intent) -> None:
    other = save(garage, "build", build)
    for base in (other.id, 4711):
        with pytest.raises(InputError, match="is no revision of a intent"):
            save(garage, "intent", intent, base)


def test_bad_content_is_refused_in_the_loaders_words(garage, build, intent) -> None:
    cases = [
        ("build", build.replace('"2.0 L"', '"2.0 furlong"'), "engine.displacement"),
        ("build", build.replace("# [engine.dyno]\n# file", "[engine.dyno]\nfile"), "beside"),
        ("intent", intent.replace('"even"', '"odd"'), "odd"),
        ("calibration", "{}", "is not a calibration file"),
        ("verdicts", "{}", "must be a list of verdicts"),
        ("verdicts", '[{"criterion": "x"}]', "is no verdict"),
        ("layout", "{", "is not readable JSON"),
        ("recording", b"PAR1", "is not a readable Parquet file"),
        ("recording", "text", "must be a Parquet file"),
        ("note", b"bytes", "must be text"),
        ("note", "\ud800", "UTF-8"),
    ]
    for kind, content, words in cases:
        with pytest.raises(InputError) as caught:
            save(garage, kind, content)
        assert words in str(caught.value), kind
        assert "\n" not in str(caught.value)
    assert garage.items("Kestrel") == []
    with pytest.raises(InputError, match="did you mean 'build'"):
        save(garage, "biuld", build)


def test_a_build_is_checked_with_the_files_beside_it(garage) -> None:
    from throttlewright.build.catalogue import set_text

    text, dyno = set_text("trackday_16"), "trackday_16_dyno.csv"
    with pytest.raises(InputError, match="save that file first"):
        save(garage, "build", text)
    save(garage, "beside", set_text("trackday_16", "_dyno.csv"), name=dyno)
    save(garage, "build", text)
    assert [item.kind for item in garage.items("Kestrel")] == ["build", "beside"]


def test_a_draft_holds_half_typed_text(garage, build) -> None:
    good = save(garage, "build", build)
    half = save(garage, "build", build[:-40] + "[turb", good.id, draft=True)
    assert half.draft
    assert garage.head("Kestrel", "build", "build") == half
    assert garage.head("Kestrel", "build", "build", drafts=False) == good
    done = save(garage, "build", build + "# done\n", half.id)
    assert garage.head("Kestrel", "build", "build", drafts=False) == done
    with pytest.raises(InputError, match="cannot be a draft"):
        save(garage, "recording", b"", draft=True)


def test_a_finished_draft_of_the_same_text_is_a_revision(garage, build) -> None:
    half = save(garage, "build", build, draft=True)
    with pytest.raises(InputError, match="never saved as more than a draft"):
        garage.head("Kestrel", "build", "build", drafts=False)
    done = save(garage, "build", build, half.id)
    assert not done.draft
    assert done.id != half.id


def test_restore_adds_a_revision(garage, intent) -> None:
    first = save(garage, "intent", intent)
    second = save(garage, "intent", intent + "# b\n", first.id)
    third = garage.restore(first.id, who="Bo").revision
    assert (third.parent, third.sha256, third.why) == (
        second.id,
        first.sha256,
        f"restored from {first.id}",
    )
    assert not garage.restore(first.id, who="Bo").changed
    assert len(garage.history("Kestrel", "intent", "intent")) == 3
    with pytest.raises(InputError, match="no revision of this number"):
        garage.restore(99, who="Bo")


def test_branches_part_and_do_not_touch_each_other(garage, intent) -> None:
    first = save(garage, "intent", intent)
    garage.branch("Kestrel", "main", "wet race", who="Bo")
    wet = save(garage, "intent", intent + "# wet\n", first.id, branch="wet race")
    assert garage.head("Kestrel", "intent", "intent") == first
    assert garage.head("Kestrel", "intent", "intent", branch="Wet Race") == wet
    assert [r.id for r in garage.history("Kestrel", "intent", "intent", branch="wet race")] == [
        wet.id,
        first.id,
    ]
    assert [(b.name, b.started_from) for b in garage.branches("Kestrel")] == [
        ("main", ""),
        ("wet race", "main"),
    ]
    taken = garage.restore(wet.id, who="Ada", branch="main").revision
    assert taken.branch == "main"
    assert garage.head("Kestrel", "intent", "intent") == taken
    with pytest.raises(ConflictError, match="branch of this name"):
        garage.branch("Kestrel", "main", "WET race", who="Bo")
    with pytest.raises(InputError, match="no such branch"):
        garage.branch("Kestrel", "dry", "x", who="Bo")


def test_a_removed_thing_comes_back(garage, intent) -> None:
    first = save(garage, "intent", intent)
    gone = garage.remove_item("Kestrel", "intent", "intent", who="Bo", why="new talk")
    assert gone.removed
    assert garage.items("Kestrel") == []
    with pytest.raises(InputError, match="no such intent"):
        garage.head("Kestrel", "intent", "intent")
    with pytest.raises(InputError, match="only marks a removal"):
        garage.restore(gone.id, who="Bo")
    with pytest.raises(StaleWriteError, match="it was removed"):
        save(garage, "intent", intent + "# late\n", first.id)
    back = garage.restore(first.id, who="Bo").revision
    assert garage.items("Kestrel") == [back]
    assert garage.history("Kestrel", "intent", "intent")[0].id == back.id
    garage.remove_item("Kestrel", "intent", "intent", who="Bo")
    anew = save(garage, "intent", intent, None)
    assert garage.items("Kestrel") == [anew]


def test_a_renamed_thing_keeps_its_history(garage) -> None:
    first = save(garage, "note", "one", name="dyno day")
    save(garage, "note", "two", name="other")
    new = garage.rename_item("Kestrel", "note", "dyno day", "Hub dyno", who="Bo")
    assert [i.name for i in garage.items("Kestrel")] == ["Hub dyno", "other"]
    assert [r.id for r in garage.history("Kestrel", "note", "Hub dyno")] == [new.id, first.id]
    again = garage.rename_item("Kestrel", "note", "Hub dyno", "hub dyno", who="Bo")
    assert [i.name for i in garage.items("Kestrel")] == ["hub dyno", "other"]
    assert again.parent == new.id
    with pytest.raises(ConflictError, match="of this name"):
        garage.rename_item("Kestrel", "note", "hub dyno", "other", who="Bo")
    with pytest.raises(ConflictError, match="differs only in capitals"):
        save(garage, "note", "three", name="Other")


def test_a_recording_comes_back_bit_for_bit(garage) -> None:
    recording = made_up_recording()
    row = save(garage, "recording", recording, name="second pull")
    content = garage.content(row.id)
    assert isinstance(content, bytes)
    assert recording_of(content) == recording
    path = garage.folder / "blobs" / row.sha256[:2] / f"{row.sha256}.parquet"
    assert path.read_bytes() == content
    path.write_bytes(content[:-1] + b"x")
    with pytest.raises(InputError, match="was changed or is damaged"):
        garage.content(row.id)
    path.unlink()
    with pytest.raises(InputError, match="is gone"):
        garage.content(row.id)


def test_verdicts_come_back(garage) -> None:
    nan = float("nan")
    verdicts = [
        Verdict("closing", "pass", 0.2, 1.0, "s", "made up", "1", "closes", "release", "spring"),
        Verdict("slip", "not_proven", nan, nan, "", "made up", "1", "no data"),
    ]
    row = save(garage, "verdicts", verdicts_to_json(verdicts))
    found = verdicts_from_json(str(garage.content(row.id)))
    assert [v.to_dict() for v in found] == [v.to_dict() for v in verdicts]


def test_a_calibration_is_kept_as_its_file(garage) -> None:
    calibration = made_up_calibration()
    row = save(garage, "calibration", calibration.to_json(), name="dry")
    assert garage.content(row.id) == calibration.to_json()
