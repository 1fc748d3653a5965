"""Least squares, autocorrelation and the one-dimensional search, against certified data and library integrators.

NIST StRD: Statistical Reference Datasets of the National Institute of Standards and Technology, certified to the
digits shown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar

from lungfish.core.fit import (
    Fit,
    fit_columns,
    fit_line,
    golden_minimum,
    lag1_autocorrelation,
    lagged_decay,
    spread_inflation,
)
from tests.core.published import columns_of


def ones(samples: Sequence[float]) -> list[list[float]]:
    return [[1.0] * len(samples)]


# -- straight lines --------------------------------------------------------------------------------------------------


def test_norris_slope_intercept_and_their_standard_deviations() -> None:
    y, x = columns_of("norris")
    fit = fit_columns([[1.0] * len(x), x], y)
    sd = fit.residual_sd
    assert len(x) == 36
    assert fit.values[0] == pytest.approx(-0.262323073774029, rel=1e-11)  # NIST StRD, Norris
    assert fit.values[1] == pytest.approx(1.00211681802045, rel=1e-13)
    assert math.sqrt(fit.inverse[0][0]) * sd == pytest.approx(0.232818234301152, rel=1e-11)
    assert math.sqrt(fit.inverse[1][1]) * sd == pytest.approx(0.429796848199937e-3, rel=1e-11)
    assert sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert fit.sum_squares == pytest.approx(26.6173985294224, rel=1e-12)


def test_norris_by_the_line_about_the_mean() -> None:
    y, x = columns_of("norris")
    fit = fit_line(x, y)
    mean = math.fsum(x) / len(x)
    assert fit.values[1] == pytest.approx(1.00211681802045, rel=1e-13)  # NIST StRD, Norris
    assert fit.values[0] - fit.values[1] * mean == pytest.approx(-0.262323073774029, rel=1e-11)
    # about the mean time the two are not correlated, which is what lets a value there be quoted without its slope
    assert abs(fit.inverse[0][1]) < 1e-15


def test_a_line_far_from_zero_keeps_its_digits() -> None:
    """A pressure of 100 kPa seen through a slope of a millipascal: nothing may cancel."""
    times = [0.05 * k for k in range(60)]
    fit = fit_line(times, [1e5 + 1e-3 * t for t in times])
    assert fit.values[1] == pytest.approx(1e-3, rel=1e-6)


# -- a curve that is linear but for one time constant ----------------------------------------------------------------


def test_misra1a_by_golden_section_over_its_rate() -> None:
    """y = b1 (1 - exp(-b2 x)): the shape of a purge's rise. From both of the starts that NIST gives, as ends."""
    y, x = columns_of("misra1a")

    def at(rate: float) -> Fit:
        return fit_columns([[-math.expm1(-rate * u) for u in x]], y)

    rate = golden_minimum(lambda b2: at(b2).sum_squares, 1e-4, 1e-3, 1e-12)
    best = at(rate)
    assert rate == pytest.approx(5.5015643181e-4, rel=1e-6)  # NIST StRD, Misra1a: b2
    assert best.values[0] == pytest.approx(2.3894212918e2, rel=1e-6)  # b1
    assert best.sum_squares == pytest.approx(1.2455138894e-1, rel=1e-9)  # residual sum of squares


@given(
    place=st.floats(-5.0, 5.0),
    power=st.sampled_from([1.0, 1.5, 2.0, 4.0]),
    below=st.floats(0.1, 8.0),
    above=st.floats(0.1, 8.0),
)
@settings(max_examples=100, deadline=None)
def test_golden_section_finds_the_place_of_the_least_value(
    place: float, power: float, below: float, above: float
) -> None:
    found = golden_minimum(lambda x: abs(x - place) ** power, place - below, place + above, 1e-4)
    assert abs(found - place) <= 1e-4


def test_golden_section_agrees_with_a_library_and_spares_calls() -> None:
    calls = []

    def valley(x: float) -> float:
        calls.append(x)
        return math.cosh(x - 0.3) + 0.2 * x

    found = golden_minimum(valley, -3.0, 4.0, 1e-6)
    library = minimize_scalar(lambda x: math.cosh(x - 0.3) + 0.2 * x, bounds=(-3.0, 4.0), method="bounded")
    assert found == pytest.approx(library.x, abs=1e-5)
    # each step after the first two needs one call only: log(7 / 1e-6) / log(1.618) of them
    assert len(calls) <= 2 + math.ceil(math.log(7e6) / math.log(1.618)) + 1


def test_golden_section_goes_to_the_end_where_the_function_only_falls() -> None:
    assert golden_minimum(lambda x: -x, 0.0, 1.0, 1e-6) == pytest.approx(1.0, abs=1e-6)
    assert golden_minimum(lambda x: x, 0.0, 1.0, 1e-6) == pytest.approx(0.0, abs=1e-6)


# -- weights, priors, what can't be fitted ---------------------------------------------------------------------------


def test_weights_and_priors_are_those_of_the_normal_equations() -> None:
    """Against numpy: a prior is one more observation of the parameter itself."""
    random = np.random.default_rng(20)
    columns = random.normal(size=(3, 25))
    observed = random.normal(size=25)
    sd = random.uniform(0.5, 3.0, size=25)
    fit = fit_columns(
        columns.tolist(), observed.tolist(), weights=(1.0 / sd).tolist(), priors=[None, (2.0, 0.3), (-1.0, 5.0)]
    )
    design = np.vstack([(columns / sd).T, [0.0, 1.0 / 0.3, 0.0], [0.0, 0.0, 1.0 / 5.0]])
    target = np.concatenate([observed / sd, [2.0 / 0.3, -1.0 / 5.0]])
    values, squares, _, _ = np.linalg.lstsq(design, target, rcond=None)
    assert fit.values == pytest.approx(values, rel=1e-12)
    assert fit.sum_squares == pytest.approx(squares[0], rel=1e-12)
    assert np.array(fit.inverse) == pytest.approx(np.linalg.inv(design.T @ design), rel=1e-10)
    residuals = (observed - columns.T @ values) / sd
    assert len(fit.residuals) == 25, "priors leave no residual of a sample"
    assert fit.residuals == pytest.approx(residuals, rel=1e-9, abs=1e-12)


def test_a_prior_stands_in_for_what_the_samples_can_not_tell() -> None:
    fit = fit_columns([[1.0, 1.0], [0.0, 0.0]], [4.0, 6.0], priors=[None, (7.0, 2.0)])
    assert fit.values == pytest.approx((5.0, 7.0))
    assert fit.inverse[1][1] == pytest.approx(4.0)


def test_the_stated_scatter_is_the_scatter_of_repeated_fits() -> None:
    """Covariance by formula against 4,000 noisy repetitions (numpy)."""
    random = np.random.default_rng(5)
    times = np.arange(30) * 0.05
    columns = [np.ones(30).tolist(), np.exp(-times / 0.4).tolist(), (times - 0.75).tolist()]
    noise = random.normal(scale=2.0, size=(4000, 30))
    inverse = fit_columns(columns, [0.0] * 30).inverse
    found = np.array([fit_columns(columns, row.tolist()).values for row in noise])
    assert np.cov(found.T) == pytest.approx(4.0 * np.array(inverse), rel=0.12)


def test_what_no_curve_fits_does_not_outweigh_what_one_does() -> None:
    """Within the noise the misfit is chi squared; ten times beyond it a tenth more of it counts a tenth."""
    times = [0.1 * k for k in range(200)]
    random = np.random.default_rng(3)
    noise = [float(e) for e in random.normal(scale=0.9, size=200)]
    good = fit_columns(ones(times), noise)
    assert good.misfit == good.sum_squares < 200.0
    rough = fit_columns(ones(times), [10.0 * e for e in noise])
    rougher = fit_columns(ones(times), [10.0 * e * math.sqrt(1.1) for e in noise])
    assert rougher.misfit - rough.misfit == pytest.approx(200.0 * math.log(1.1))
    assert rougher.sum_squares - rough.sum_squares > 50.0 * (rougher.misfit - rough.misfit)


def test_too_few_samples_and_equal_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="1 samples can't fix 2 parameters"):
        fit_columns([[1.0], [2.0]], [3.0])
    with pytest.raises(ValueError, match="column 1 can't be told"):
        fit_columns([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0]], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="column 0"):
        fit_columns([[0.0, 0.0]], [1.0, 2.0])
    with pytest.raises(ValueError, match="column 1"):
        fit_line([2.0, 2.0, 2.0], [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="0 samples"):
        fit_line([], [])
    with pytest.raises(ValueError, match="zip"):
        fit_columns([[1.0, 1.0]], [1.0, 2.0, 3.0])


def test_no_number_among_the_samples_gives_no_number_or_is_refused() -> None:
    with pytest.raises(ValueError, match="column"):
        fit_columns([[1.0, math.nan, 1.0]], [1.0, 2.0, 3.0])
    assert math.isnan(fit_columns([[1.0, 1.0]], [1.0, math.nan]).values[0])


def test_one_sample_for_each_parameter_has_no_scatter_left() -> None:
    fit = fit_columns([[1.0, 1.0], [0.0, 1.0]], [3.0, 5.0])
    assert fit.values == pytest.approx((3.0, 2.0))
    assert fit.residual_sd == pytest.approx(0.0, abs=1e-12)


# -- autocorrelation -------------------------------------------------------------------------------------------------

CERTIFIED = {  # NIST StRD, univariate: mean, standard deviation (n - 1), lag-1 autocorrelation
    "lew": (-177.435, 277.332168044316, -0.307304800605679),
    "michelso": (299.8524, 0.0790105478190518, 0.535199668621283),
    "mavro": (2.001856, 0.000429123454003053, 0.937989183438248),
}


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_scatter_and_autocorrelation_of_certified_series(name: str) -> None:
    (samples,) = columns_of(name)
    mean, sd, correlation = CERTIFIED[name]
    fit = fit_columns(ones(samples), samples)
    assert fit.values[0] == pytest.approx(mean, rel=1e-14)
    assert fit.residual_sd == pytest.approx(sd, rel=1e-11)
    assert lag1_autocorrelation(samples) == pytest.approx(correlation, rel=1e-11)


def test_numacc4_needs_two_passes() -> None:
    """NIST StRD, NumAcc4: 10000000.2, then .1 and .3 in turn, 1001 in all; a one-pass variance loses every digit."""
    samples = [10000000.2] + [10000000.1, 10000000.3] * 500
    fit = fit_columns(ones(samples), samples)
    assert fit.values[0] == pytest.approx(10000000.2, rel=2e-14)
    assert fit.residual_sd == pytest.approx(0.1, rel=6e-8)  # the data themselves can't be held closer in binary
    assert lag1_autocorrelation(samples) == pytest.approx(-0.999, abs=1e-9)


def test_nothing_varies_and_nothing_is_correlated() -> None:
    assert lag1_autocorrelation([4.0] * 9) == 0.0


@pytest.mark.parametrize(
    ("samples", "correlation", "effective"),
    # n_eff = n (1 - r) / (1 + r) of a first-order autoregressive series, by hand
    [(100, 0.5, 33.333), (60, 0.8, 6.667), (120, 0.9, 6.316), (50, 0.937989183438248, 1.600)],
)
def test_effective_number_of_samples(samples: int, correlation: float, effective: float) -> None:
    assert samples / spread_inflation(correlation) == pytest.approx(effective, abs=6e-4)


def test_michelso_standard_deviation_of_the_mean() -> None:
    """NIST StRD data; n_eff 30.28, so 0.01436 where the naive formula says 0.00790 (by hand)."""
    (samples,) = columns_of("michelso")
    inflation = spread_inflation(lag1_autocorrelation(samples))
    assert len(samples) / inflation == pytest.approx(30.28, abs=0.01)
    assert 0.0790105478190518 * math.sqrt(inflation / len(samples)) == pytest.approx(0.014359, abs=1e-6)


def test_inflation_is_never_below_one_nor_without_bound() -> None:
    assert spread_inflation(-0.307304800605679) == 1.0, "anti-correlation earns no credit"
    assert spread_inflation(0.0) == 1.0
    assert spread_inflation(0.999) == spread_inflation(0.95) == pytest.approx(39.0)


def test_inflation_is_what_an_autoregressive_series_does_to_a_mean() -> None:
    """Monte Carlo (numpy): variance of the mean of 200 samples with r = 0.6, over that of white noise."""
    random = np.random.default_rng(7)
    steps = random.normal(size=(3000, 260))
    series = np.zeros_like(steps)
    for k in range(1, 260):
        series[:, k] = 0.6 * series[:, k - 1] + math.sqrt(1 - 0.36) * steps[:, k]
    ratio = float(np.var(series[:, 60:].mean(axis=1)) * 200)
    assert ratio == pytest.approx(spread_inflation(0.6), rel=0.1)


# -- lag -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("input_s", "tau"), [(0.5, 0.2), (0.2, 0.5), (0.3, 0.3), (2.0, 0.01), (0.01, 2.0)])
def test_lagged_decay_against_an_integrator(input_s: float, tau: float) -> None:
    times = np.linspace(0.0, 3.0, 13)
    solved = solve_ivp(
        lambda t, y: (np.exp(-t / input_s) - y) / tau,
        (0.0, 3.0),
        [0.0],
        t_eval=times,
        method="Radau",
        rtol=1e-9,
        atol=1e-12,
    )
    ours = [lagged_decay(float(t), input_s, tau) for t in times]
    # equal time constants are taken a hair apart, which is exact to some 1e-4 of the peak
    assert ours == pytest.approx(solved.y[0], abs=1e-4 if input_s == tau else 1e-6)


@given(input_s=st.floats(0.01, 10.0), apart=st.floats(-1e-3, 1e-3), u=st.floats(0.0, 20.0))
@settings(max_examples=200, deadline=None)
def test_lagged_decay_does_not_jump_where_the_time_constants_meet(input_s: float, apart: float, u: float) -> None:
    near, equal = lagged_decay(u, input_s, input_s * (1.0 + apart)), u / input_s * math.exp(-u / input_s)
    assert 0.0 <= near <= 1.0
    assert near == pytest.approx(equal, abs=2e-3)
