"""Out to a folder and back in."""

from __future__ import annotations

import pytest
from garage_things import made_up_calibration, made_up_recording

from throttlewright.build.catalogue import set_text
from throttlewright.build.load import load_build
from throttlewright.foundation.errors import InputError
from throttlewright.garage.contents import verdicts_to_json
from throttlewright.garage.folder import export, file_name, import_folder, thing_of
from throttlewright.garage.records import KINDS
from throttlewright.garage.store import Garage
from throttlewright.recording.parquet import read_parquet

THINGS = {
    "beside": ("trackday_16_dyno.csv", set_text("trackday_16", "_dyno.csv")),
    "build": ("build", set_text("trackday_16")),
    "intent": ("intent", set_text("trackday_16", "_intent.toml")),
    "calibration": ("dry", made_up_calibration().to_json()),
    "recording": ("second pull", made_up_recording()),
    "verdicts": ("safety", verdicts_to_json([])),
    "note": ("dyno day", "hot\n"),
    "layout": ("pedal page", '{"gear": 2}'),
}


def fill(garage) -> None:
    for kind, (name, content) in THINGS.items():
        garage.save("Kestrel", kind, name, content, base_revision=None, who="Ada")


def test_out_and_in_again_is_the_same(garage, tmp_path) -> None:
    assert set(THINGS) == set(KINDS)
    fill(garage)
    out = tmp_path / "out"
    files = export(garage, "Kestrel", out)
    assert len(files) == len(THINGS)
    assert load_build(out / "build.toml").build.name
    assert read_parquet(out / "second pull.parquet") == made_up_recording()
    garage.new_car("Twin", who="Bo")
    import_folder(garage, "Twin", out, who="Bo")
    one, other = (
        {(i.kind, i.name, i.sha256) for i in garage.items(car)} for car in ("Kestrel", "Twin")
    )
    assert one == other
    assert not any(s.changed for s in import_folder(garage, "Twin", out, who="Bo"))


def test_each_file_name_stands_for_its_thing() -> None:
    for kind, (name, _) in THINGS.items():
        assert thing_of(file_name(kind, name)) == (kind, name)
    assert thing_of(file_name("build", "intent")) == ("build", "intent")
    assert thing_of("report.html") is None
    assert thing_of("deep/dry.calibration.json") is None


def test_a_folder_in_use_is_left_alone(garage, tmp_path) -> None:
    fill(garage)
    (tmp_path / "kept.txt").write_text("mine", "utf-8")
    with pytest.raises(InputError, match="is not an empty folder"):
        export(garage, "Kestrel", tmp_path)
    garage.new_car("Bare", who="Bo")
    with pytest.raises(InputError, match="has nothing to export"):
        export(garage, "Bare", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_folder_without_anything_to_keep_is_refused(garage, tmp_path) -> None:
    (tmp_path / "bare").mkdir()
    with pytest.raises(InputError, match="holds nothing that a garage keeps"):
        import_folder(garage, "Kestrel", tmp_path / "bare", who="Bo")
    with pytest.raises(InputError, match="is no folder"):
        import_folder(garage, "Kestrel", tmp_path / "none", who="Bo")


def test_tables_that_no_build_names_stay_out(garage, tmp_path) -> None:
    fill(garage)
    out = tmp_path / "out"
    export(garage, "Kestrel", out)
    (out / "tables").mkdir()
    (out / "tables" / "plate.csv").write_text("a,b\n1,2\n", "utf-8")
    (out / "report.html").write_text("<p>", "utf-8")
    assert len(import_folder(garage, "Kestrel", out, who="Bo")) == len(THINGS)


def test_a_folder_with_odd_signs_in_its_name_holds_a_garage(tmp_path) -> None:
    place = tmp_path / "a b?c=1&d%20e#f"
    with Garage.open(place) as opened:
        opened.new_car("Kestrel", who="Ada")
    assert (place / "garage.sqlite").is_file()
