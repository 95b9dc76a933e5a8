"""Slip targets against the published tyre curves."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.build.intent_roles import Traction
from throttlewright.car.pack import pack
from throttlewright.design.slip_target import FORCE_SHARE, slip_for_share, slip_target
from throttlewright.physics.tyre import (
    magic_formula,
    magic_formula_1987,
    magic_formula_a31,
    peak_slip,
)

# Peak slips: table A3.1 (Pacejka, Tire and Vehicle Dynamics), the 1987 set (SAE 870421) and generic
# sets, computed from their published coefficients.
PUBLISHED = [
    (magic_formula_a31, 2000.0, 0.1653),
    (magic_formula_a31, 4000.0, 0.1473),
    (magic_formula_a31, 6000.0, 0.1307),
    (magic_formula_1987, 4000.0, 0.1035),
    (lambda s, z: magic_formula(s, z, 10.0, 1.9, 1.0, 0.97), 4000.0, 0.180),
    (lambda s, z: magic_formula(s, z, 12.0, 2.3, 0.82, 1.0), 4000.0, 0.088),
]


@pytest.mark.parametrize(("force", "load", "peak"), PUBLISHED)
def test_the_target_lies_under_the_published_peak(force, load: float, peak: float) -> None:
    at, top = peak_slip(force, load)
    assert at == pytest.approx(peak, abs=6e-4)
    slip = slip_for_share(force, load, FORCE_SHARE)
    assert 0.5 * peak < slip < 0.85 * peak
    assert force(slip, load) == pytest.approx(FORCE_SHARE * top, rel=1e-6)


def test_a_tenth_of_slip_gives_96_per_cent_on_the_published_tyre() -> None:
    # 4642.1 of 4840.0 N, table A3.1 at 4000 N
    assert slip_for_share(magic_formula_a31, 4000.0, 4642.1 / 4840.0) == pytest.approx(
        0.10, abs=1e-3
    )


def test_the_target_grows_at_walking_pace_and_the_intent_fixes_it() -> None:
    car = pack(load_example("trackday_16").build)
    intent = load_example_intent("trackday_16").intent
    auto = slip_target(car, intent.model_copy(update={"traction": Traction()}))
    assert auto.share == pytest.approx(FORCE_SHARE, abs=1e-3)
    assert auto.slip < auto.peak
    over = auto.at(np.array([0.0, 2.0, 4.0, 6.0, 40.0]))
    assert over[0] == over[1] > over[2] > over[3] == pytest.approx(auto.slip)
    fixed = slip_target(car, intent.model_copy(update={"traction": Traction(slip="6 %")}))
    assert fixed.slip == pytest.approx(0.06)
