from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))


@pytest.fixture(scope="session")
def turbo_car():
    from throttlewright.workshop.common import open_car

    return open_car("hillclimb_20t")[1]
