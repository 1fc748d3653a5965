"""The moment of closing, on curves that were integrated cell by cell and not made from the fit's own formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lungfish.core.closing import Closing, Line, closing_of
from lungfish.core.fit import fit_line
from tests.core.curves import Purge, Shown, shown_by

PA_PER_MM = 9.79
NOISE_PA = 2.0


def line_of(purge: Purge) -> Line:
    """What one knows of the line beforehand; a leak's onset from the share of the flow that it takes."""
    leaks = purge.leak_share > 0 and purge.settling_s > 0
    onset_s = purge.settling_s * math.log(1.0 / purge.leak_share) if leaks else 0.0
    return Line(settling_s=purge.settling_s, seen=purge.seen, onset_s=onset_s)


def closed(
    purge: Purge,
    *,
    noise_pa: float = NOISE_PA,
    seed: int = 1,
    line: Line | None = None,
    shown: Shown | None = None,
    damping_s: float = 0.4,
    log_damping_u: float = 1.0,
) -> Closing:
    shown = shown or shown_by(purge)
    found = closing_of(
        shown.times_s,
        shown.noisy(noise_pa, seed),
        line=line or line_of(purge),
        noise_pa=noise_pa,
        damping_s=damping_s,
        log_damping_u=log_damping_u,
        memory_pa=max(100.0, 2.0 * abs(purge.memory_pa)),
        freeze_pa=5.0,
    )
    assert found is not None
    return found


def purge_of(tau: float, settling: float = 0.0, *, seen: bool = True, **changes: float) -> Purge:
    """A purge long enough for its damping, as the plan would make it."""
    return replace(
        Purge(
            seen=seen,
            damping_s=tau,
            settling_s=settling,
            hold_s=max(1.0, 0.9 * tau),
            shut_in_s=max(3.0, 8.0 * tau + 6.0 * settling),
        ),
        **changes,  # type: ignore[arg-type] # all but `seen` are floats
    )


@pytest.mark.parametrize("tau", [0.05, 0.1, 0.2, 0.5, 1.0, 1.5])
def test_plateau_shut_in_and_damping_without_a_line(tau: float) -> None:
    """Known beforehand: a damping of 0.4 s, give or take a factor of e."""
    purge = purge_of(tau)
    found = closed(purge)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=0.6 * PA_PER_MM)
    assert found.plateau_pa == pytest.approx(purge.head_pa + purge.friction_pa, abs=1.5 * PA_PER_MM)
    assert found.damping_s == pytest.approx(tau, rel=0.04)
    assert found.shut_slope_pa_s == pytest.approx(0.0, abs=3.0)
    assert found.shut_scatter_pa == pytest.approx(NOISE_PA, rel=0.6)


@pytest.mark.parametrize("tau", [0.05, 0.2, 0.5, 1.5])
@pytest.mark.parametrize("settling", [0.05, 0.15, 0.4])
def test_friction_that_dies_away_in_the_line_is_not_taken_for_head(tau: float, settling: float) -> None:
    purge = purge_of(tau, settling)
    found = closed(purge)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=1.0 * PA_PER_MM)
    assert found.plateau_pa - found.shut_in_pa == pytest.approx(purge.friction_pa, rel=0.06)
    # a line that is not known of would be taken for more damping, or for head
    blind = closed(purge, line=Line(settling_s=0.0, seen=False))
    assert blind.damping_s >= found.damping_s
    assert blind.hold_scatter_pa + blind.shut_scatter_pa > found.hold_scatter_pa + found.shut_scatter_pa


def test_a_line_that_the_transmitter_does_not_see_leaves_no_drop() -> None:
    found = closed(purge_of(0.2, 0.2, seen=False))
    assert found.plateau_pa - found.shut_in_pa == pytest.approx(0.0, abs=1.0 * PA_PER_MM)
    assert found.shut_in_pa == pytest.approx(19_000.0, abs=0.6 * PA_PER_MM)


@pytest.mark.parametrize("tau", [0.2, 1.0])
@pytest.mark.parametrize("rate", [-10.0, 10.0])
def test_a_moving_level_is_read_at_the_moment_of_closing(tau: float, rate: float) -> None:
    """1 mm/s either way, before closing and after."""
    purge = purge_of(tau, drift_pa_s=rate)
    found = closed(purge)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=0.6 * PA_PER_MM)
    assert found.shut_slope_pa_s == pytest.approx(rate, abs=2.0)


@pytest.mark.parametrize("tau", [0.5, 1.0])
def test_slope_times_lag_is_taken_out(tau: float) -> None:
    """A lag shifts a falling line by slope times lag: 20 Pa/s behind 0.5 s is 1 mm of water."""
    purge = purge_of(tau, friction_pa=0.0, leak_pa_s=20.0, shut_in_s=10.0)
    shown = shown_by(purge)
    settled = [(t, p) for t, p in zip(shown.times_s, shown.gauge_pa, strict=True) if t > 5.0 * tau]
    straight = fit_line([t for t, _ in settled], [p for _, p in settled])
    mean = sum(t for t, _ in settled) / len(settled)
    naive_pa = straight.values[0] - straight.values[1] * mean
    assert naive_pa - purge.head_pa == pytest.approx(20.0 * tau, rel=0.05), "what a plain line would read too high"
    found = closed(purge, noise_pa=0.5, shown=shown, damping_s=tau, log_damping_u=0.05)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=0.3 * PA_PER_MM)
    assert found.shut_slope_pa_s == pytest.approx(-20.0, abs=0.5)


@pytest.mark.parametrize("tau", [0.1, 0.5])
@pytest.mark.parametrize("settling", [0.15, 0.4])
@pytest.mark.parametrize("share", [0.05, 0.2])
@pytest.mark.parametrize("seen", [True, False])
def test_a_leak_that_shows_late_is_gone_back_over(tau: float, settling: float, share: float, seen: bool) -> None:
    """Air packed in the line feeds the leak first; ignored, its delay would read as slope times delay too high."""
    purge = purge_of(tau, settling, leak_pa_s=60.0, leak_share=share, seen=seen)
    shown = shown_by(purge)
    found = closed(purge, shown=shown)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=1.3 * PA_PER_MM)
    assert found.shut_slope_pa_s == pytest.approx(-60.0, abs=6.0)
    at_once = closed(purge, shown=shown, line=replace(line_of(purge), onset_s=0.0))
    assert abs(at_once.shut_in_pa - purge.head_pa) > abs(found.shut_in_pa - purge.head_pa)
    assert at_once.shut_in_pa > purge.head_pa + 0.3 * 60.0 * settling
    assert found.fall_delay_u_s > 0


def test_a_leak_without_a_line_shows_at_once() -> None:
    purge = purge_of(0.2, leak_pa_s=100.0)
    found = closed(purge)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=0.6 * PA_PER_MM)
    assert found.shut_slope_pa_s == pytest.approx(-100.0, abs=2.0)
    assert found.fall_delay_u_s == 0.0


def test_what_the_damping_remembers_of_the_filling_is_no_slope() -> None:
    purge = purge_of(0.5, memory_pa=150.0)
    found = closed(purge, damping_s=0.5, log_damping_u=0.1)
    assert found.plateau_pa == pytest.approx(purge.head_pa + purge.friction_pa, abs=2.0 * PA_PER_MM)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=0.6 * PA_PER_MM)


def test_stated_uncertainty_is_that_of_repeated_closings() -> None:
    """Sixty noises on one curve: scatter of the results against what each says of itself."""
    purge = purge_of(0.2, friction_pa=300.0)
    shown = shown_by(purge)
    found = [
        closed(purge, noise_pa=6.0, seed=seed, shown=shown, damping_s=0.2, log_damping_u=0.05) for seed in range(60)
    ]
    for values, stated in (
        ([c.shut_in_pa for c in found], [math.sqrt(c.shut_in_var_pa2) for c in found]),
        ([c.plateau_pa for c in found], [math.sqrt(c.plateau_var_pa2) for c in found]),
    ):
        assert 0.6 < float(np.std(values)) / float(np.median(stated)) < 1.5
    # a mis-stated damping moves the pressures as they say it does
    moved = [closed(purge, noise_pa=0.5, shown=shown, damping_s=0.2 * f, log_damping_u=1e-3) for f in (0.97, 1.03)]
    per_log = (moved[1].plateau_pa - moved[0].plateau_pa) / (math.log(1.03) - math.log(0.97))
    assert per_log == pytest.approx(moved[0].plateau_by_damping_pa, rel=0.25, abs=2.0)


def test_more_noise_or_a_restless_bubble_is_told() -> None:
    purge = purge_of(0.2)
    calm, noisy = closed(purge, noise_pa=1.0), closed(purge, noise_pa=15.0)
    assert noisy.shut_in_var_pa2 > 20.0 * calm.shut_in_var_pa2
    shown = shown_by(purge)
    random = np.random.default_rng(2)
    ripple = [
        p + (40.0 * float(random.uniform(-1, 1)) if t < 0 else 0.0)
        for t, p in zip(shown.times_s, shown.gauge_pa, strict=True)
    ]
    restless = closed(purge, shown=Shown(shown.times_s, ripple), noise_pa=1.0)
    assert restless.hold_scatter_pa == pytest.approx(40.0 / math.sqrt(3.0), rel=0.4)
    assert restless.plateau_var_pa2 > 10.0 * calm.plateau_var_pa2
    assert restless.shut_in_pa == pytest.approx(purge.head_pa, abs=0.8 * PA_PER_MM)


@pytest.mark.parametrize(("before", "after"), [(2, 40), (0, 40), (20, 5), (20, 0), (0, 0)])
def test_too_few_samples_on_either_side_tell_nothing(before: int, after: int) -> None:
    times = [-0.05 * (k + 1) for k in reversed(range(before))] + [0.05 * k for k in range(after)]
    assert (
        closing_of(
            times,
            [19_000.0] * len(times),
            line=Line(settling_s=0.1, seen=True),
            noise_pa=2.0,
            damping_s=0.2,
            log_damping_u=0.1,
            memory_pa=50.0,
            freeze_pa=5.0,
        )
        is None
    )


def test_few_samples_are_enough_if_barely() -> None:
    purge = purge_of(0.2, period_s=0.3, friction_pa=0.0)
    shown = shown_by(purge)
    assert sum(t < 0 for t in shown.times_s) in (3, 4)
    found = closed(purge, shown=shown, damping_s=0.2, log_damping_u=0.1)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=1.0 * PA_PER_MM)


def test_samples_that_can_not_tell_the_parameters_apart_tell_nothing() -> None:
    """All that followed the closing came in the very moment of it."""
    times = [-0.2, -0.15, -0.1, -0.05] + [0.0] * 8
    assert (
        closing_of(
            times,
            [19_000.0] * len(times),
            line=Line(settling_s=0.0, seen=False),
            noise_pa=2.0,
            damping_s=0.2,
            log_damping_u=0.1,
            memory_pa=50.0,
            freeze_pa=5.0,
        )
        is None
    )


@pytest.mark.parametrize("tau", [0.3, 1.0])
@pytest.mark.parametrize("settling", [0.2, 0.4])
def test_the_friction_of_a_thin_tube_dies_with_the_flow_out_of_its_line(tau: float, settling: float) -> None:
    """Taken for a drop at once it would pass for damping that is not the transmitter's."""
    purge = purge_of(tau, settling, seen=False, tube_friction_pa=120.0)
    found = closed(purge, noise_pa=0.5)
    assert found.damping_s == pytest.approx(tau, rel=0.05)
    assert found.shut_in_pa == pytest.approx(purge.head_pa, abs=2.0)
    assert found.plateau_pa - found.shut_in_pa == pytest.approx(120.0, abs=4.0)
