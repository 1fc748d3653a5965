"""Steadiness as a statement with its interval: what is steady, what climbs, and what can't be told yet."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.stats import linregress

from lungfish.core.fit import lag1_autocorrelation, spread_inflation
from lungfish.core.steady import Trend, deepest_valley_pa, trend_of
from tests.core.published import columns_of

PERIOD_S = 0.05


def trend(times: list[float], gauge: list[float], damping_s: float = 0.0, noise_pa: float = 0.0) -> Trend:
    found = trend_of(times, gauge, damping_s=damping_s, noise_pa=noise_pa)
    assert found is not None
    return found


def test_mavro_is_not_steady() -> None:
    """NIST StRD, Mavro: ten transmittances a second that drift; lag-1 autocorrelation 0.938."""
    (samples,) = columns_of("mavro")
    times = [0.1 * k for k in range(len(samples))]
    naive = linregress(times, samples)
    assert naive.slope / naive.stderr == pytest.approx(5.582, abs=1e-3)  # numpy and scipy, by hand
    found = trend(times, samples)
    assert found.slope_pa_s == pytest.approx(naive.slope, rel=1e-9)
    assert not found.steady_within(0.5 * naive.slope), "half of the drift that it shows can't be called steady"
    assert not found.steady_within(naive.slope), "nor the drift itself: its interval reaches beyond"
    # The standard error of the textbook is far too small for samples that follow each other so closely.
    residuals = [y - naive.intercept - naive.slope * t for t, y in zip(times, samples, strict=True)]
    inflation = spread_inflation(lag1_autocorrelation(residuals))
    assert inflation > 10.0
    assert found.slope_u_pa_s == pytest.approx(naive.stderr * math.sqrt(inflation), rel=0.05)


def test_a_slope_and_its_uncertainty_are_those_of_a_library() -> None:
    random = np.random.default_rng(3)
    times = (np.arange(11) * PERIOD_S).tolist()  # too few for their autocorrelation to say anything
    gauge = (19000.0 + 12.0 * np.array(times) + random.normal(scale=3.0, size=11)).tolist()
    found, library = trend(times, gauge), linregress(times, gauge)
    assert found.slope_pa_s == pytest.approx(library.slope, rel=1e-9)
    assert found.slope_u_pa_s == pytest.approx(library.stderr, rel=1e-9)
    assert found.end_pa == pytest.approx(library.intercept + library.slope * times[-1], rel=1e-12)
    assert found.samples == 11
    assert found.span_s == pytest.approx(0.5)


def test_few_samples_are_not_believed_quieter_than_the_transmitter_is() -> None:
    times = [0.0, 0.05, 0.1, 0.15]
    assert trend(times, [5.0, 5.0, 5.0, 5.0]).slope_u_pa_s == pytest.approx(0.0, abs=1e-4)
    known = trend(times, [5.0, 5.0, 5.0, 5.0], noise_pa=4.0)
    assert known.slope_u_pa_s == pytest.approx(4.0 / math.sqrt(sum((t - 0.075) ** 2 for t in times)))
    assert not known.steady_within(50.0)


def test_what_is_steady_and_what_climbs_exclude_each_other() -> None:
    found = Trend(end_pa=0.0, slope_pa_s=10.0, slope_u_pa_s=2.0, scatter_pa=1.0, span_s=1.0, samples=20)
    assert found.steady_within(14.0)
    assert not found.steady_within(13.9)
    assert found.climbs_beyond(5.9)
    assert not found.climbs_beyond(6.1)
    assert found.steady_within(12.0, k=1.0)
    assert found.climbs_beyond(7.9, k=1.0)


@given(slope=st.floats(-200, 200), u=st.floats(0, 100), tolerance=st.floats(0, 200), k=st.floats(0, 4))
@settings(max_examples=200, deadline=None)
def test_never_both_steady_and_climbing(slope: float, u: float, tolerance: float, k: float) -> None:
    found = Trend(end_pa=0.0, slope_pa_s=slope, slope_u_pa_s=u, scatter_pa=1.0, span_s=1.0, samples=20)
    assert not (found.steady_within(tolerance, k) and found.climbs_beyond(tolerance, k))
    if found.steady_within(tolerance, k):
        assert abs(slope) <= tolerance


def lagged(samples: NDArray[np.float64], step_s: float, tau: float) -> NDArray[np.float64]:
    """First-order lag of a finely sampled curve, by a recursive filter (scipy), started at its first value."""
    a = math.exp(-step_s / tau)
    started, _ = lfilter([1 - a], [1, -a], samples, zi=[a * samples[0]])
    return np.asarray(started)


@pytest.mark.parametrize("tau", [0.1, 0.4, 1.0])
def test_a_plateau_behind_a_lag_is_known_before_the_lag_has_died_out(tau: float) -> None:
    """After the knee the transmitter still climbs for some lags, and a straight line through that is no slope."""
    fine = np.arange(0.0, 6.0, 0.001)
    truth = np.minimum(fine * 800.0, 2400.0)  # knee at 3 s
    shown = lagged(truth, 0.001, tau)
    window = slice(3100, 3100 + int(1000 * 2.0 * tau + 500), 50)
    times, gauge = fine[window].tolist(), shown[window].tolist()
    blind, seeing = trend(times, gauge, noise_pa=1.0), trend(times, gauge, damping_s=tau, noise_pa=1.0)
    assert not blind.steady_within(30.0)
    assert seeing.steady_within(30.0)
    assert seeing.end_pa == pytest.approx(2400.0, abs=12.0)
    assert gauge[0] < 2400.0 - 15.0, "the first sample is still well below the plateau"


@pytest.mark.parametrize("tau", [0.1, 0.4, 1.0])
def test_a_climb_behind_a_lag_is_carried_forward_by_slope_times_lag(tau: float) -> None:
    fine = np.arange(0.0, 12.0, 0.001)
    shown = lagged(100.0 + fine * 50.0, 0.001, tau)
    times, gauge = fine[9000:11000:50].tolist(), shown[9000:11000:50].tolist()
    found = trend(times, gauge, damping_s=tau, noise_pa=0.5)
    assert found.slope_pa_s == pytest.approx(50.0, abs=0.5)
    assert found.end_pa == pytest.approx(100.0 + 50.0 * times[-1], abs=1.0)
    assert gauge[-1] == pytest.approx(found.end_pa - 50.0 * tau, abs=1.0)


@pytest.mark.parametrize(("correlation", "at_most", "naive"), [(0.0, 0.10, 0.0), (0.5, 0.12, 0.2), (0.8, 0.18, 0.4)])
def test_the_interval_holds_for_noise_that_follows_itself(correlation: float, at_most: float, naive: float) -> None:
    """Of 1,500 steady windows with autocorrelated noise (numpy) few show a slope beyond 2 u.

    Twice the true u would leave 5 %; the autocorrelation of 60 samples comes out too low on average, which costs some.
    """
    random = np.random.default_rng(11)
    times = (np.arange(60) * PERIOD_S).tolist()
    outside = fooled = 0
    for _ in range(1500):
        steps = random.normal(scale=math.sqrt(1 - correlation**2), size=120)
        noise = lfilter([1.0], [1.0, -correlation], steps)[60:]
        found = trend(times, noise.tolist())
        outside += abs(found.slope_pa_s) > 2.0 * found.slope_u_pa_s
        fooled += abs(found.slope_pa_s) > 2.0 * float(linregress(times, noise).stderr)
    assert outside / 1500 < at_most
    assert fooled / 1500 > naive, "the textbook's standard error would have been wrong far more often"
    assert outside > 0, "an interval that never fails is no interval"


def test_too_little_tells_nothing() -> None:
    assert trend_of([], []) is None
    assert trend_of([0.0, 0.05, 0.1], [1.0, 2.0, 3.0]) is None
    assert trend_of([1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0]) is None, "no time has passed"
    assert trend_of([0.0, 0.1, 0.2, 0.3], [1.0, 2.0, 3.0, 4.0], damping_s=0.4) is None, "one parameter more"
    assert trend_of([0.0, 0.1, 0.2, 0.3], [1.0, 2.0, 3.0, 4.0], damping_s=1e-3) is not None, "a lag not to be seen"


def test_a_lag_that_can_not_be_told_from_a_level_tells_nothing() -> None:
    """Over 0.2 s a lag of some days is a straight line like the others."""
    times = [PERIOD_S * k for k in range(5)]
    assert trend_of(times, [1.0] * 5, damping_s=1e7, noise_pa=1.0, lag_bound_pa=1e30) is None


def test_a_valley_is_a_fall_that_is_made_good() -> None:
    """One sample alone, up or down, is none: noise must not look like a swing."""
    assert deepest_valley_pa([0.0, 0.0, 90.0, 90.0, 20.0, 20.0, 70.0, 70.0]) == 50.0
    assert deepest_valley_pa([0.0, 0.0, 90.0, 90.0, 20.0, 20.0, 21.0, 20.0]) == 0.0
    assert deepest_valley_pa([0.0, 10.0, 20.0, 30.0, 40.0]) == 0.0
    assert deepest_valley_pa([0.0, 0.0, 500.0, 0.0, 0.0, -500.0, 0.0]) == 0.0
    assert deepest_valley_pa([0.0]) == deepest_valley_pa([]) == 0.0
