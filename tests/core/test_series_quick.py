"""The quick ways of the series' sums give what numpy's own give, to the last bit: no verdict changes by them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.core.series import autocorrelation, deviation, effective_size, median


def series(seed: int) -> np.ndarray:
    """Noise, ripple, drift or a display's steps, of 2 to 600 readings."""
    chance = np.random.default_rng(seed)
    n = int(chance.integers(2, 600 if seed % 3 else 40))
    t = np.arange(n)
    kinds = (
        chance.normal(13.2, 0.05, n),
        13.2 + 0.1 * np.sin(t / chance.uniform(1, 20)) + chance.normal(0, 0.01, n),
        13.0 + 0.001 * t + chance.normal(0, 0.02, n),
        np.round(14.0 + np.cumsum(chance.normal(0, 0.01, n)), 2),
        np.full(n, 12.6),
    )
    return kinds[seed % len(kinds)]


def by_numpy(x: np.ndarray, fitted: int) -> float:
    """effective_size as array operations: all pairs at once, then those up to the first that is not above 0."""
    n = x.size
    if n < 4:
        return float(n)
    lags = max(2, n // 2 - n // 2 % 2)
    rho = autocorrelation(x)[:lags] * n / (n - np.arange(lags))
    inefficiency = 1.0
    for _ in range(6):
        hidden = min(0.8, fitted * inefficiency / n) if inefficiency > 1 else 0.0
        pairs = (rho * (1 - hidden) + hidden).reshape(-1, 2).sum(axis=1)
        ends = np.flatnonzero(pairs <= 0)
        kept = np.minimum.accumulate(pairs[: ends[0]] if ends.size else pairs)
        before, inefficiency = inefficiency, max(1.0, 2 * float(kept.sum()) - 1)
        if abs(inefficiency - before) < 0.01:
            break
    return n / min(float(n), inefficiency)


def correlation_by_numpy(x: np.ndarray) -> np.ndarray:
    centred = x - float(x.mean())
    size = 1 << (2 * x.size - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size)[: x.size]
    if covariance[0] <= 1e-18 * float(x @ x):
        return np.asarray(np.arange(x.size) == 0, dtype=np.float64)
    return covariance / covariance[0]


@pytest.mark.parametrize("first", range(0, 1000, 250))
def test_the_same_to_the_last_bit(first: int) -> None:
    for seed in range(first, first + 250):
        x = series(seed)
        assert median(x) == float(np.median(x))
        assert deviation(x) == float(np.std(x, ddof=1))
        assert np.array_equal(autocorrelation(x), correlation_by_numpy(x))
        for fitted in (1, 2):
            assert effective_size(x, fitted) == by_numpy(x, fitted)


def test_no_readings_and_readings_that_are_none() -> None:
    assert math.isnan(median([]))
    assert math.isnan(median([1.0, math.nan, 3.0]))
    assert median([2.0]) == 2.0
