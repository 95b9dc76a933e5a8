"""Noise: spread, independence, and that it is a function of its place and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from throttlewright.drive.noise import noise

N = 40_000


def series(key: float, channel: float, count: int = N) -> np.ndarray:
    return np.array([noise(key, float(tick), channel=channel) for tick in range(count)])


@pytest.fixture(scope="module")
def one() -> np.ndarray:
    return series(7.0, 0.0)


def test_mean_and_spread(one: np.ndarray) -> None:
    # four standard errors
    assert abs(one.mean()) < 4.0 / np.sqrt(N)
    assert one.std() == pytest.approx(1.0, abs=4.0 / np.sqrt(2.0 * N))
    assert np.abs(one).max() < 3.5
    # excess kurtosis of the sum of n even numbers is -1.2 / n
    kurtosis = np.mean((one - one.mean()) ** 4) / one.var() ** 2 - 3.0
    assert kurtosis == pytest.approx(-0.3, abs=4.0 * np.sqrt(24.0 / N))


def test_scale_is_the_exact_spread_of_four_even_numbers() -> None:
    # variance of an even whole number from 0 to 2^16 - 1 is (2^32 - 1) / 12
    assert np.sqrt(4.0 * (2.0**32 - 1.0) / 12.0) == pytest.approx(37837.2, rel=1e-6)


@pytest.mark.parametrize(("key", "channel"), [(7.0, 1.0), (8.0, 0.0), (7.0 + 2.0**24, 0.0)])
def test_channels_seeds_and_variations_do_not_follow_each_other(
    one: np.ndarray, key: float, channel: float
) -> None:
    other = series(key, channel)
    for shift in (0, 1, 2, 10):
        r = np.corrcoef(one[: N - shift], other[shift:])[0, 1]
        assert abs(r) < 4.5 / np.sqrt(N)


def test_ticks_do_not_follow_each_other(one: np.ndarray) -> None:
    for shift in (1, 2, 5, 100):
        assert abs(np.corrcoef(one[:-shift], one[shift:])[0, 1]) < 4.5 / np.sqrt(N)


def test_order_of_calls_does_not_matter(one: np.ndarray) -> None:
    order = np.random.default_rng(0).permutation(N)[:500]
    assert all(noise(7.0, float(k), channel=0.0) == one[k] for k in order)


def test_no_two_places_share_a_number() -> None:
    seen = {
        noise(float(key), float(tick), channel=float(channel))
        for key in (0, 1, 2, 1 << 24, (1 << 24) + 1)
        for tick in range(200)
        for channel in range(6)
    }
    # 6000 of about 2e5 possible sums may meet by chance, whole rows of them may not
    assert len(seen) > 5800
