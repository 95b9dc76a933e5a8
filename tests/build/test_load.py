from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from throttlewright.build.load import load_build, load_intent, parse_build, parse_intent
from throttlewright.foundation.errors import ContradictionError, InputError, UnitError
from throttlewright.foundation.provenance import Origin

HEAD = 'format = "throttlewright.build"\nformat_version = 1\nname = "T"\n'
ENGINE = 'displacement = "1998 cc"\ncylinders = 4\nrev_limit = "7000 rpm"\n'
RPM = math.pi / 30.0


def text(
    engine: str = "", plate: str = 'bore = "60 mm"\n', more: str = "", main: str = ENGINE
) -> str:
    return f"{HEAD}[engine]\n{main}{engine}\n[plate]\n{plate}\n{more}"


def read(source: str):
    def beside(name: str) -> str:
        raise InputError("the file does not exist", file=name)

    return parse_build(source, file="car.toml", beside=beside)


def fails(source: str, kind: type[InputError] = InputError) -> str:
    with pytest.raises(InputError) as caught:
        read(source)
    assert type(caught.value) is kind
    message = str(caught.value)
    assert message.startswith("car.toml: ")
    assert "\n" not in message
    assert message.endswith(".")
    return message


def test_least_file_is_completed_in_si() -> None:
    found = read(text())
    build = found.build
    assert build.engine.displacement == pytest.approx(1.998e-3, rel=1e-12)
    assert build.engine.rev_limit == pytest.approx(7000 * RPM, rel=1e-12)
    assert build.plate.bore == pytest.approx(0.060, rel=1e-12)
    assert build.charging == "none"
    # Circle times stroke times four must give the displacement back.
    swept = math.pi / 4 * build.engine.bore**2 * build.engine.stroke * 4
    assert swept == pytest.approx(build.engine.displacement, rel=1e-12)
    assert found.provenance["plate.bore"].origin is Origin.GIVEN
    assert found.provenance["plate.shaft"].origin is Origin.ASSUMED
    assert found.as_written.plate.shaft is None
    assert len(found.sha256) == 64


def test_units_of_the_trade() -> None:
    build = read(
        text(
            engine='friction_torque = { constant = "10 lb ft", quadratic = 1e-4 }\n',
            more='[turbo]\nboost = { rpm = [2000, 6000], gauge = "psi", value = [5, 10] }\n'
            'wastegate_spring = "7 psi"\n[site]\ntemperature = "68 degF"\n',
        )
    ).build
    assert build.engine.friction_torque is not None
    # NIST SP 811 (from memory): 1 lbf ft = 1.355818 N m, 1 psi = 6894.757 Pa.
    assert build.engine.friction_torque.constant == pytest.approx(13.55818, rel=1e-6)
    assert build.turbo is not None
    assert build.turbo.boost.gauge_pressure[1] == pytest.approx(68947.57, rel=1e-6)
    assert build.turbo.wastegate_spring == pytest.approx(7 * 6894.757, rel=1e-6)
    assert build.site.temperature == pytest.approx(293.15, rel=1e-9)  # definition of the scales


@pytest.mark.parametrize(
    ("source", "kind", "parts"),
    [
        (text(plate='bore = "-60 mm"\n'), InputError, ["plate.bore", "-60 mm", "200 mm"]),
        (text(plate='bore = "0 mm"\n'), InputError, ["plate.bore", "above 0 to 200 mm"]),
        (
            text(plate='bore = "1.4 bar"\n'),
            UnitError,
            ["plate.bore", "1.4 bar", "not a unit of length"],
        ),
        (text(plate="bore = 60\n"), UnitError, ["plate.bore", "has no unit"]),
        (text(plate='bore = "60 furl"\n'), UnitError, ["plate.bore", "unknown unit"]),
        (
            text(plate='bore = "30 mm"\nshaft = "32 mm"\n'),
            ContradictionError,
            ["plate.shaft", "32 mm", "below the bore of 30 mm"],
        ),
        (
            text(plate='bore = "60 mm"\nclosed = "40 deg"\nopen = "30 deg"\n'),
            ContradictionError,
            ["plate.closed", "40 deg", "below the open stop of 30 deg"],
        ),
        (
            # Above the open stop that is only assumed: told all the same.
            text(plate='bore = "60 mm"\nclosed = "88 deg"\n'),
            ContradictionError,
            ["plate.closed", "88 deg"],
        ),
        (
            text(plate='bore = "60 mm"\nopen = "95 deg"\n'),
            InputError,
            ["plate.open", "95 deg", "0 to 90 deg"],
        ),
        (
            text(plate='bore = "60 mm"\ngap = "40 um"\nleak_area = "5 mm^2"\n'),
            ContradictionError,
            ["plate.leak_area", "gap"],
        ),
        (
            text(plate='bore = "60 mm"\ndefault_opening = "20 deg"\nopen = "22 deg"\n'),
            ContradictionError,
            ["plate.default_opening", "20 deg"],
        ),
        (
            text(plate='bor = "60 mm"\n'),
            InputError,
            ["plate.bor:", 'nearest known key is "bore"', "1 more error"],
        ),
        (
            text(engine='bore = "86 mm"\nstroke = "90 mm"\n'),
            ContradictionError,
            ["engine.displacement", "1998 cc", "2091 cc", "2 %"],
        ),
        (
            text(main='cylinders = 4\nrev_limit = "7000 rpm"\n'),
            InputError,
            ["engine.displacement", "is required"],
        ),
        (
            text(main='displacement = "2 L"\ncylinders = 4\n'),
            InputError,
            ["engine.rev_limit", "is required"],
        ),
        (
            text(engine='idle_speed = "2900 rpm"\n', main=ENGINE.replace("7000", "2500")),
            ContradictionError,
            ["engine.idle_speed", "2900 rpm", "below 2500 rpm"],
        ),
        (text(engine="compression_ratio = nan\n"), InputError, ["compression_ratio", "finite"]),
        (text(engine="compression_ratio = inf\n"), InputError, ["compression_ratio", "finite"]),
        (text(engine='ethanol = "120 %"\n'), InputError, ["engine.ethanol", "120 %", "0 to 1"]),
        (text(engine='cam_overlap = "wild"\n'), InputError, ["cam_overlap", "wild", '"medium"']),
        (text(engine='fuel = "diesel"\n'), InputError, ["engine.fuel", "diesel"]),
        (
            text(
                more='[turbo]\nboost = { rpm = [3000, 2000], gauge = "bar", value = [0.5, 0.9] }\n'
            ),
            InputError,
            ["turbo.boost.rpm", "2000 follows 3000"],
        ),
        (
            text(more="[turbo]\nboost = { rpm = [2000, 3000], value = [0.5, 0.9, 1.0] }\n"),
            ContradictionError,
            ["turbo.boost.value", "3 values where rpm has 2"],
        ),
        (
            text(more='[turbo]\nboost = { rpm = [2000, 3000], gauge = "mm", value = [1, 2] }\n'),
            InputError,
            ["turbo.boost.gauge", "mm"],
        ),
        (text(more="[turbo]\n"), InputError, ["turbo.boost", "is required"]),
        (
            text(
                more="[turbo]\nboost = { rpm = [2000, 3000], value = [0.5, 0.9] }\n"
                "[centrifugal]\nboost = { rpm = [2000, 3000], value = [0.5, 0.9] }\n"
            ),
            ContradictionError,
            ["turbo and centrifugal"],
        ),
        (
            text(
                engine="volumetric_efficiency = { rpm = [1000, 7000], value = [0.8, 0.9] }\n"
                "dyno = { rpm = [1000, 7000], torque = [150, 180] }\n"
            ),
            ContradictionError,
            ["engine.volumetric_efficiency", "dyno"],
        ),
        (
            text(engine='dyno = { file = "lost.csv" }\n'),
            InputError,
            ["lost.csv", "does not exist"],
        ),
        (text(more="[driveline]\nratios = [2.0, 2.5]\n"), InputError, ["ratios", "descend"]),
        (text(more='[enginee]\nx = "1"\n'), InputError, ["enginee", '"engine"']),
        (
            text(main=ENGINE).replace("[engine]", "pedal = 3\n[engine]"),
            InputError,
            ["pedal: must be a section"],
        ),
        (
            text(plate='bore = "60 mm"\nupstream_of = "compressor"\n'),
            ContradictionError,
            ["plate.upstream_of", "no charging"],
        ),
    ],
)
def test_one_clear_sentence(source: str, kind: type[InputError], parts: list[str]) -> None:
    if "lost.csv" in source:
        with pytest.raises(InputError) as caught:
            read(source)
        message = str(caught.value)
    else:
        message = fails(source, kind)
    for part in parts:
        assert part in message


def test_heads() -> None:
    assert "format" in fails('format_version = 1\nname = "x"\n')
    assert "another kind" in fails(HEAD.replace(".build", ".intent"))
    newer = fails(HEAD.replace("format_version = 1", "format_version = 2"))
    assert "newer version" in newer
    assert "got 2" in newer
    assert "is not a version" in fails(HEAD.replace("format_version = 1", "format_version = true"))
    assert "line 3" in fails('format = "throttlewright.build"\nformat_version = 1\nname = \n')


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml.*does not exist"):
        load_build(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not UTF-8"):
        load_intent(tmp_path / "bytes.toml")
    with pytest.raises(InputError, match="cannot be read"):
        load_build(tmp_path)


def test_dyno_file_lies_beside_and_counts_in_the_hash(tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text(text(engine='dyno = { file = "d.csv", measured_at = "hub" }\n'))
    (tmp_path / "d.csv").write_text("rpm,torque [N m],map [kPa]\n2000,150,98\n6000,170,96\n")
    first = load_build(car)
    dyno = first.build.engine.dyno
    assert dyno is not None
    assert dyno.torque == (150.0, 170.0)
    assert dyno.map_pressure == (98e3, 96e3)
    assert dyno.speed[0] == pytest.approx(2000 * RPM)
    (tmp_path / "d.csv").write_text("rpm,torque\n2000,150\n6000,171\n")
    assert load_build(car).sha256 != first.sha256
    for bad, part in (
        ("rpm,power\n1,2\n", "other columns"),
        ("rpm,torque\n1000,x\n", "row 2"),
        ("rpm,torque\n1000\n", "row 2 has 1 cells"),
        ("", "is empty"),
        ("rpm,torque\n2000,150\n2000,151\n", "must ascend"),
        ("rpm,torque\n2000,nan\n3000,151\n", "finite"),
    ):
        (tmp_path / "d.csv").write_text(bad)
        with pytest.raises(InputError, match=part):
            load_build(car)


def test_dyno_without_pedigree_is_known_to_15_percent() -> None:
    curve = "rpm = [2000, 6000], torque = [150, 170]"
    bare = read(text(engine=f"dyno = {{ {curve} }}\n")).provenance
    known = read(
        text(engine=f'dyno = {{ {curve}, measured_at = "crank", correction = "none" }}\n')
    ).provenance
    assert bare["engine.volumetric_efficiency"].spread == 0.15  # the product's own rule
    assert "without where it was measured and which correction" in bare["engine.dyno"].source
    assert known["engine.volumetric_efficiency"].spread < 0.05
    assert known["engine.volumetric_efficiency"].origin is Origin.DERIVED


INTENT = 'format = "throttlewright.intent"\nformat_version = 1\n'


@pytest.mark.parametrize(
    ("source", "parts"),
    [
        ("", ["mode", "is required"]),
        ('[mode.dry]\nfeel = "evn"\n', ["mode.dry.feel", "evn", '"even"']),
        ('[mode.dry]\nfel = "even"\n', ["mode.dry.fel", '"feel"']),
        ('[mode.dry]\nfeel = "points"\n', ["mode.dry.points"]),
        ("[mode.dry]\npoints = { pedal = [0, 1], share = [0, 1] }\n", ["feel is even"]),
        ("[mode.dry]\nstart = 0.5\n", ["mode.dry.start", "1 to 4"]),
        ('[mode.dry]\n[traction]\nslip = "lots"\n', ["traction.slip"]),
        (
            '[mode.dry]\n[overboost]\nlimit = "2 bar"\nfuel_cut = "1.9 bar"\n',
            ["overboost.fuel_cut", "above 2 bar"],
        ),
        (
            '[mode.dry]\n[cold_engine]\ncoolant = ["20 degC", "10 degC"]\ntorque_share = [1, 1]\n',
            ["cold_engine.coolant", "must ascend"],
        ),
        ('[mode.dry]\n[launch]\nspeed = "3 bar"\n', ["launch.speed", "angular speed"]),
    ],
)
def test_intent_errors(source: str, parts: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        parse_intent(INTENT + source, file="wish.toml")
    message = str(caught.value)
    assert message.startswith("wish.toml: ")
    for part in parts:
        assert part in message


def test_intent_values() -> None:
    intent = parse_intent(
        INTENT + '[mode.b]\n[mode.a]\nmost_torque = "70 %"\n[launch]\nspeed = "4500 rpm"\n'
        '[cold_engine]\ncoolant = ["0 degC", "70 degC"]\ntorque_share = ["45 %", 1]\n',
        file="wish.toml",
    ).intent
    assert list(intent.modes) == ["b", "a"]  # order as written
    assert intent.modes["a"].most_torque == pytest.approx(0.7, rel=1e-12)
    assert intent.modes["b"].opens_to_stop_from == 0.90
    assert intent.launch is not None
    assert intent.launch.speed == pytest.approx(4500 * RPM)
    assert intent.cold_engine is not None
    assert intent.cold_engine.coolant == pytest.approx((273.15, 343.15))
    assert intent.cold_engine.torque_share == pytest.approx((0.45, 1.0))


_JUNK = st.one_of(
    st.text(max_size=12), st.integers(-10, 10), st.floats(), st.booleans(), st.lists(st.integers())
)


@settings(deadline=None, derandomize=True, max_examples=60, database=None)
@given(
    key=st.sampled_from(["bore", "shaft", "closed", "discharge", "lever", "count", "gap", "odd"]),
    value=_JUNK,
)
def test_junk_is_read_or_told(key: str, value: object) -> None:
    import json

    shown = json.dumps(value, ensure_ascii=True).replace("NaN", "nan").replace("Infinity", "inf")
    plate = {"bore": '"60 mm"', key: shown}
    source = text(plate="".join(f"{name} = {written}\n" for name, written in plate.items()))
    try:
        bore = read(source).build.plate.bore
    except InputError as error:
        told = str(error)
    else:
        told = ""
        assert 0.0 < bore <= 0.2
    assert told == "" or told.startswith("car.toml: ")


@settings(deadline=None, derandomize=True, max_examples=60, database=None)
@given(source=st.text(max_size=60))
def test_any_text_is_told(source: str) -> None:
    with pytest.raises(InputError):
        read(source)
