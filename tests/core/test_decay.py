"""The curve after closing, made by formula with a known level in it: is it found, and when to go on listening."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from lungfish.core.decay import Decay, decay_of, still_falling

NOISE_PA = 3.0
FIRST_S = 0.5
"""Damping and the line's own friction are over by then."""
Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def held(left_pa: float, died_pa: float, time_s: float, slope_pa_s: float = 0.0) -> Curve:
    """Air held back leaves until the head is left."""
    return lambda t: left_pa + slope_pa_s * t + died_pa * np.exp(-t / time_s)


def jet(left_pa: float, died_pa: float, over_s: float) -> Curve:
    """Air leaves through a sharp hole, with the root of the pressure (dp/dt = -k p^0.5); that comes to an end."""
    return lambda t: left_pa + died_pa * np.maximum(0.0, 1.0 - t / over_s) ** 2


def samples(curve: Curve, seed: int, *, span_s: float, noise_pa: float = NOISE_PA) -> tuple[list[float], list[float]]:
    times = FIRST_S + np.arange(0.0, span_s, 0.05)
    shown = curve(times) + np.random.default_rng(seed).normal(scale=noise_pa, size=len(times))
    return times.tolist(), shown.tolist()


def found(curve: Curve, seed: int = 1, *, span_s: float, noise_pa: float = NOISE_PA) -> Decay:
    decay = decay_of(*samples(curve, seed, span_s=span_s, noise_pa=noise_pa), noise_pa)
    assert decay is not None
    return decay


# -- the level that is left ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("left_pa", "died_pa", "time_s", "slope_pa_s", "span_s"),
    [
        (19_000.0, 800.0, 0.5, 0.0, 6.0),
        (19_000.0, 800.0, 2.0, 0.0, 10.0),
        (19_000.0, 3_000.0, 3.0, -5.0, 15.0),
        (3_000.0, 5_000.0, 5.0, 0.0, 30.0),
        (25_000.0, 15_000.0, 6.0, 10.0, 30.0),
    ],
)
def test_a_narrowed_tip_leaves_the_head(
    left_pa: float, died_pa: float, time_s: float, slope_pa_s: float, span_s: float, seed: int
) -> None:
    """The level is read from it: 1 % of what died away is a third of what the reading allows for such a curve."""
    decay = found(held(left_pa, died_pa, time_s, slope_pa_s), seed, span_s=span_s)
    assert decay.left_pa == pytest.approx(left_pa, abs=0.01 * died_pa + 5.0)
    assert decay.slope_pa_s == pytest.approx(slope_pa_s, abs=5.0), "a falling level must not pass for a leak"
    assert decay.died_pa == pytest.approx(died_pa, rel=0.06), "gone back to closing, half a second before"
    assert decay.time_s == pytest.approx(time_s, rel=0.06)
    assert decay.remains_pa < 0.02 * died_pa
    assert decay.scatter_pa < 1.5 * NOISE_PA


def test_the_same_curve_by_a_library() -> None:
    """scipy's least squares over all four unknowns at once (Levenberg and Marquardt) on the same samples."""
    times, shown = samples(held(19_000.0, 2_000.0, 2.0, -8.0), 4, span_s=12.0)
    (left, slope, died, time_s), _ = curve_fit(
        lambda t, s, v, a, tau: s + v * t + a * np.exp(-t / tau), np.array(times), shown, p0=(18_000.0, 0.0, 1e3, 1.0)
    )
    decay = decay_of(times, shown, NOISE_PA)
    assert decay is not None
    assert decay.left_pa == pytest.approx(left, abs=8.0)
    assert decay.slope_pa_s == pytest.approx(slope, abs=1.0)
    assert decay.died_pa == pytest.approx(died, rel=0.01)
    assert decay.time_s == pytest.approx(time_s, rel=0.03)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("time_s", "span_s"), [(1.0, 10.0), (2.0, 15.0), (5.0, 30.0)])
def test_a_tube_that_can_t_hold_its_air_leaves_nothing(time_s: float, span_s: float, seed: int) -> None:
    """Else a tube that has fallen off its head would be given one: 1 % of 1.9 m is 20 mm."""
    decay = found(held(0.0, 19_000.0, time_s), seed, span_s=span_s)
    assert abs(decay.left_pa) < 0.01 * 19_000.0
    assert decay.died_pa == pytest.approx(19_000.0, rel=0.01)


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("fall_pa_s", [0.0, 20.0, 60.0, 300.0])
def test_a_straight_leak_is_a_slope_with_the_head_at_its_beginning(fall_pa_s: float, seed: int) -> None:
    """No part of it may be taken for something that dies away: the leak would look smaller, the level lower."""
    decay = found(lambda t: 19_000.0 - fall_pa_s * t, seed, span_s=8.0)
    assert decay.slope_pa_s == pytest.approx(-fall_pa_s, abs=2.0)
    assert decay.left_pa == pytest.approx(19_000.0, abs=15.0)
    assert decay.remains_pa < NOISE_PA


def test_a_curve_that_is_no_exponential_shows_in_the_scatter() -> None:
    """The reading is called sure only where the samples lie about the curve as the noise does."""
    decay = found(jet(19_000.0, 2_000.0, 4.0), span_s=12.0)
    assert decay.scatter_pa > 3.0 * NOISE_PA
    assert decay.left_pa == pytest.approx(19_000.0, abs=0.1 * 2_000.0)
    assert decay.left_u_pa > 5.0 * found(held(19_000.0, 2_000.0, 1.0), span_s=12.0).left_u_pa


def test_a_curve_that_is_not_over_says_what_remains() -> None:
    """Cut off after one time constant: the level is not known, and the numbers must not claim it is."""
    whole, cut = (found(held(19_000.0, 2_000.0, 4.0), span_s=span_s) for span_s in (30.0, 4.0))
    assert whole.remains_pa < NOISE_PA
    assert cut.slope_pa_s < -100.0, "it still goes down, so nothing is sure"
    assert cut.end_pa == pytest.approx(19_000.0 + 2_000.0 * np.exp(-4.45 / 4.0), abs=30.0)


def test_noise_goes_into_the_uncertainty_of_the_level() -> None:
    curve = held(19_000.0, 1_000.0, 1.0)
    quiet, wild = (found(curve, span_s=10.0, noise_pa=noise) for noise in (3.0, 30.0))
    assert wild.left_u_pa == pytest.approx(10.0 * quiet.left_u_pa, rel=0.5)
    # a transmitter that was quieter in the look than it is now is not believed
    told = decay_of(*samples(curve, 2, span_s=10.0, noise_pa=30.0), 3.0)
    assert told is not None
    assert told.left_u_pa > 5.0 * quiet.left_u_pa


def test_too_few_samples_are_no_curve() -> None:
    times, shown = samples(held(19_000.0, 1_000.0, 1.0), 1, span_s=10.0)
    assert decay_of(times[:11], shown[:11], NOISE_PA) is None
    assert decay_of([1.0] * 20, [19_000.0] * 20, NOISE_PA) is None, "all at one moment"


# -- whether to go on listening --------------------------------------------------------------------------------------


def share_falling(curve: Curve, *, span_s: float = 4.0, noise_pa: float = NOISE_PA) -> float:
    told = [still_falling(*samples(curve, seed, span_s=span_s, noise_pa=noise_pa), noise_pa, 0.0) for seed in range(40)]
    return sum(told) / len(told)


@pytest.mark.parametrize(
    "curve",
    [
        pytest.param(lambda t: 19_000.0 + 0.0 * t, id="at rest"),
        pytest.param(lambda t: 19_000.0 - 10.0 * t, id="a level that falls by 1 mm/s"),
        pytest.param(lambda t: 19_000.0 + 20.0 * t, id="a level that rises by 2 mm/s"),
        pytest.param(held(19_000.0, 800.0, 0.4), id="held back, and long at rest"),
        pytest.param(lambda t: 19_000.0 - 10.0 * t + 30.0 * np.mod(0.7 * t, 1.0), id="bubbles of a falling level"),
    ],
)
def test_what_has_come_to_rest_is_not_listened_to_any_longer(curve: Curve) -> None:
    """A sound tank would be blind for half a minute in each cycle."""
    assert share_falling(curve) == 0.0


@pytest.mark.parametrize(
    "curve",
    [
        pytest.param(held(19_000.0, 800.0, 3.0), id="bends"),
        pytest.param(held(3_000.0, 5_000.0, 5.0), id="bends slowly"),
        pytest.param(held(19_000.0, 20_000.0, 40.0), id="falls fast, too slow a bend to see"),
        pytest.param(lambda t: 19_000.0 - 300.0 * t, id="falls fast and straight"),
        pytest.param(jet(19_000.0, 2_000.0, 6.0), id="leaves through a hole"),
    ],
)
def test_what_may_yet_come_to_rest_is_listened_to(curve: Curve) -> None:
    """Cut off, the head would be read as much too high as what has not left yet."""
    assert share_falling(curve) == 1.0


@pytest.mark.parametrize("time_s", [0.5, 1.0, 2.0, 4.0])
def test_listening_as_long_as_told_leaves_next_to_nothing_behind(time_s: float) -> None:
    """The rule by which the cycle goes on: 1.4 times as long while it is still falling, half a minute at most."""
    curve, span_s = held(19_000.0, 3_000.0, time_s), 2.5
    while span_s < 30.0 and still_falling(*samples(curve, 3, span_s=span_s), NOISE_PA, 0.0):
        span_s = min(30.0, 1.4 * span_s)
    assert found(curve, 3, span_s=span_s).left_pa == pytest.approx(19_000.0, abs=60.0), "6 mm of 300"


def test_few_samples_are_not_waited_for() -> None:
    times, shown = samples(held(19_000.0, 5_000.0, 3.0), 1, span_s=10.0)
    assert not still_falling(times[:15], shown[:15], NOISE_PA, 0.0)
