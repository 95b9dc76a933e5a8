from __future__ import annotations

from pathlib import Path

import pytest

from throttlewright.foundation import errors
from throttlewright.foundation.errors import (
    CancelledError,
    ContradictionError,
    InputError,
    NoSolutionError,
    ThrottlewrightError,
    UnitError,
    nearest,
)


def test_sentence_carries_file_key_value_range_and_advice_in_this_order() -> None:
    error = InputError(
        "is too wide",
        file=Path("car.toml"),
        key="plate.shaft",
        value="90 mm",
        allowed="below the bore",
        advice="measure it again",
    )
    assert str(error) == (
        "car.toml: plate.shaft: is too wide, got '90 mm'; allowed: below the bore; "
        "measure it again."
    )


def test_parts_that_are_missing_leave_no_trace() -> None:
    assert str(InputError("is empty")) == "is empty."
    assert str(InputError("is empty", key="k")) == "k: is empty."


def test_a_zero_is_shown_as_a_value() -> None:
    assert str(InputError("is too small", key="k", value=0)) == "k: is too small, got 0."


@pytest.mark.parametrize("text", ["two\nlines", "tab\there", "  padded   text "])
def test_the_sentence_is_one_line(text) -> None:
    sentence = str(InputError(text, value=text, advice=text))
    assert "\n" not in sentence
    assert "  " not in sentence
    assert "\t" not in sentence


@pytest.mark.parametrize("kind", [InputError, UnitError, ContradictionError])
def test_file_is_filled_in_later_and_the_kind_stays(kind) -> None:
    error = kind("m", key="k", value=1, allowed="a", advice="b")
    placed = error.in_file("f.toml")
    assert type(placed) is kind
    assert str(placed) == "f.toml: " + str(error)


def test_every_error_has_the_one_base_and_bad_input_is_told_apart() -> None:
    kinds = [getattr(errors, name) for name in errors.__all__ if name.endswith("Error")]
    assert len(kinds) == 6
    assert all(issubclass(kind, ThrottlewrightError) for kind in kinds)
    assert {kind for kind in kinds if issubclass(kind, InputError)} == {
        InputError,
        UnitError,
        ContradictionError,
    }
    assert not issubclass(NoSolutionError, InputError)
    assert not issubclass(CancelledError, InputError)


def test_nearest_finds_a_slip_and_keeps_quiet_otherwise() -> None:
    known = ["bore", "shaft", "closed", "open"]
    assert nearest("bor", known) == "bore"
    assert nearest("shfat", known) == "shaft"
    assert nearest("zzz", known) is None
    assert nearest("bore", []) is None
