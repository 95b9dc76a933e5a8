"""A garage in an empty folder, and contents to put into it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from throttlewright.build.templates import build_template, intent_template
from throttlewright.garage.store import Garage


@pytest.fixture
def garage(tmp_path: Path) -> Iterator[Garage]:
    with Garage.open(tmp_path / "garage") as opened:
        opened.new_car("Kestrel", who="Ada")
        yield opened


@pytest.fixture
def build() -> str:
    return build_template("Kestrel")


@pytest.fixture
def intent() -> str:
    return intent_template()
