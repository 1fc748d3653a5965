"""The limits of a cycle, and how long it looks, bubbles and listens."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lungfish.core.expect import bubbling_friction_pa, fill_limit_s, full_gauge_pa, slowest_fill_pa_s
from lungfish.core.plan import HOLD_S, LOOK_S, SHUT_IN_S, TARGET_PA, Plan, longest_lag_pa
from lungfish.core.setup import Learned
from tests.core.samples import SUMP, setup_of

PLAN = Plan.of(SUMP, Learned())


def test_off_span_is_where_a_current_loop_would_call_it_so() -> None:
    """NAMUR NE 43: failure at 3.6 mA, -2.5 % of a 4 to 20 mA span; lower stop at 3.8 mA, -1.25 %; 20.5 mA, 103.125 %.

    Between failure and stop is the suction of a flooded tube under a falling level, which is no failure.
    """
    plan = Plan.of(setup_of(span_low_pa=-5e3, span_high_pa=45e3), Learned())
    assert plan.invalid_low_pa == pytest.approx(-5e3 - 0.025 * 50e3)
    assert -5e3 - 0.0125 * 50e3 <= plan.low_stop_pa < -5e3
    assert plan.invalid_high_pa == pytest.approx(45e3 + 0.03125 * 50e3)


def test_over_range_is_told_before_the_transmitter_saturates() -> None:
    assert 0.99 * SUMP.span_high_pa < PLAN.over_range_pa < SUMP.span_high_pa


def test_a_brim_full_tank_bubbling_is_not_taken_for_a_plug() -> None:
    """Head, friction with everything that it may be wrong by, half of the largest ripple: all of it below the guard."""
    full = full_gauge_pa(SUMP)
    friction = bubbling_friction_pa(SUMP, full)
    ripple = 998.2 * 9.80665 * SUMP.tube_bore_m
    assert full + 1.3 * friction + ripple / 2.0 < PLAN.brim_pa
    assert PLAN.brim_pa < 1.15 * full + 2.0 * friction, "yet a plug is told well before the supply's pressure"


def test_limits_are_those_of_the_tank() -> None:
    assert PLAN.open_limit_s == fill_limit_s(SUMP)
    assert PLAN.filling_pa_s == slowest_fill_pa_s(SUMP, full_gauge_pa(SUMP))
    assert 0.0 < PLAN.steady_pa_s < PLAN.filling_pa_s, "filling is never steady"
    slow = Plan.of(setup_of(flow_pa_m3_s=0.05, tube_bore_m=0.025), Learned())
    assert slow.steady_pa_s >= 10.0, "a level moving by 1 mm/s must still count as steady"


@given(ratio=st.floats(0.5, 3.0), u=st.floats(0.005, 0.3), accuracy=st.floats(1.0, 500.0), bore=st.floats(0.004, 0.025))
@settings(max_examples=100, deadline=None)
def test_the_guard_rises_with_whatever_may_raise_the_pressure(
    ratio: float, u: float, accuracy: float, bore: float
) -> None:
    def brim(*, ratio: float = ratio, u: float = u, accuracy: float = accuracy, head: float = 4.4) -> float:
        setup = setup_of(transmitter_u_pa=accuracy, tube_bore_m=bore, full_head_m=head)
        return Plan.of(setup, Learned(friction_ratio=ratio, friction_ratio_u=u)).brim_pa

    assert brim(ratio=ratio + 0.1) >= brim()
    assert brim(u=u + 0.05) >= brim()
    assert brim(accuracy=accuracy + 10.0) > brim()
    assert brim(head=4.5) > brim() > full_gauge_pa(SUMP)


@given(
    noise=st.floats(0.3, 200.0),
    period=st.floats(0.01, 1.0),
    damping=st.floats(0.02, 3.0),
    more=st.floats(1.0, 3.0),
)
@settings(max_examples=200, deadline=None)
def test_more_noise_a_slower_link_or_more_damping_takes_longer_within_bounds(
    noise: float, period: float, damping: float, more: float
) -> None:
    look, hold, shut = (
        PLAN.look_s(noise, period),
        PLAN.hold_s(noise, period, damping),
        PLAN.shut_in_s(noise, period, damping),
    )
    assert LOOK_S[0] <= look <= LOOK_S[1]
    assert HOLD_S[0] <= hold <= HOLD_S[1]
    assert SHUT_IN_S[0] <= shut <= SHUT_IN_S[1]
    assert PLAN.look_s(more * noise, period) >= look
    assert PLAN.look_s(noise, more * period) >= look
    assert PLAN.hold_s(more * noise, period, damping) >= hold
    assert PLAN.hold_s(noise, more * period, damping) >= hold
    assert PLAN.hold_s(noise, period, more * damping) >= hold
    assert PLAN.shut_in_s(more * noise, period, damping) >= shut
    assert PLAN.shut_in_s(noise, more * period, damping) >= shut
    assert PLAN.shut_in_s(noise, period, more * damping) >= shut


def test_a_shut_in_outlasts_what_damping_and_line_hide_and_leaves_enough_to_know_the_line() -> None:
    """A straight line's value at its end is known twice as badly as its mean: 4 sd2 / n is the square of the aim."""
    for noise, period, damping in ((2.0, 0.05, 0.1), (10.0, 0.05, 0.3), (6.0, 0.2, 0.5)):
        listened = PLAN.shut_in_s(noise, period, damping)
        left = (listened - 5.0 * damping - 3.0 * PLAN.settling_s) / period
        assert left > 8
        assert 2.0 * noise / left**0.5 <= 1.3 * TARGET_PA or listened == SHUT_IN_S[1]


def test_the_lag_behind_a_filling_is_bounded_by_slope_times_damping() -> None:
    for damping in (0.05, 0.5, 1.5):
        assert longest_lag_pa(PLAN, damping) > PLAN.filling_pa_s * damping
    assert longest_lag_pa(PLAN, 1.0) > longest_lag_pa(PLAN, 0.1)


def test_a_slow_link_is_given_time_for_a_plateau() -> None:
    """Five readings a second: with fewer than four of the bubbling, the moment of closing could not be fitted."""
    assert PLAN.hold_s(1.0, 0.2, 0.1) >= 1.0
    assert PLAN.hold_s(1.0, 0.05, 0.1) < 1.0, "nor is air wasted on a fast one"
