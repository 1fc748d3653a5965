"""How often a tube may be blown down, and what came of it; the clocks may lie, the daemon may die."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.core.clearing_tries import CycleState, Outcome, TryMoment, elapsed_s, outcome_of, refusal, state_of
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.reading import Features, Reading
from lungfish.core.setup import Learned

DAY_S = 86400.0


def at(monotonic_s: float, *, boot: str = "a", utc_s: float | None = None) -> TryMoment:
    return TryMoment(boot_id=boot, monotonic_s=monotonic_s, utc_s=1.7e9 + monotonic_s if utc_s is None else utc_s)


def test_so_many_tries_a_day_and_so_long_between_two() -> None:
    def may(tries: list[TryMoment], now: TryMoment) -> bool:
        return refusal(tries, now, per_day=2, between_s=3600.0) is None

    assert may([], at(0.0))
    assert not may([at(0.0)], at(3599.0))
    assert may([at(0.0)], at(3600.0))
    assert not may([at(0.0), at(3600.0)], at(DAY_S - 1.0))
    assert may([at(0.0), at(3600.0)], at(DAY_S))
    assert (
        refusal([at(0.0), at(3600.0)], at(7200.0), per_day=2, between_s=3600.0) == "2 of 2 tries within 24 h are used"
    )


@pytest.mark.parametrize("step_s", [-10 * DAY_S, -3600.0, 3600.0, 10 * DAY_S])
def test_a_step_of_the_wall_clock_gives_no_try(step_s: float) -> None:
    # within a boot
    stepped = at(600.0, utc_s=1.7e9 + 600.0 + step_s)
    assert refusal([at(0.0)], stepped, per_day=1, between_s=0.0) is not None
    # across a restart of the computer that came up ten minutes ago
    assert refusal([at(5000.0)], at(600.0, boot="b", utc_s=1.7e9 + 6000.0 + step_s), per_day=1, between_s=0.0)


def test_after_a_restart_of_the_computer_a_day_by_both_clocks_frees_a_try() -> None:
    now = at(DAY_S + 1.0, boot="b", utc_s=1.7e9 + 2 * DAY_S)
    assert refusal([at(0.0)], now, per_day=1, between_s=0.0) is None


@given(
    real_s=st.lists(st.floats(0.0, 5 * DAY_S), min_size=2, max_size=12),
    boots_s=st.lists(st.floats(0.0, 5 * DAY_S), max_size=4),
    steps_s=st.lists(st.floats(-20 * DAY_S, 20 * DAY_S), min_size=12, max_size=12),
)
def test_never_more_than_so_many_begin_within_24_real_hours(
    real_s: list[float], boots_s: list[float], steps_s: list[float]
) -> None:
    """Wishes at any real times, boots and clock steps between them; each granted one is kept, as before a death."""
    granted_s: list[float] = []
    kept: list[TryMoment] = []
    boots_s.sort()
    for number, wish_s in enumerate(sorted(real_s)):
        boot = sum(boot_s <= wish_s for boot_s in boots_s)
        since_boot_s = wish_s - (boots_s[boot - 1] if boot else -1000.0)
        now = TryMoment(boot_id=str(boot), monotonic_s=since_boot_s, utc_s=1.7e9 + wish_s + steps_s[number])
        if refusal(kept, now, per_day=2, between_s=1800.0) is None:
            granted_s.append(wish_s)
            kept.append(now)
    for first, third in zip(granted_s, granted_s[2:], strict=False):
        assert third - first >= DAY_S - 1e-6
    for one, next_one in pairwise(granted_s):
        assert next_one - one >= 1800.0 - 1e-6


def test_elapsed_time_is_never_negative() -> None:
    assert elapsed_s(at(100.0), at(50.0)) == 0.0
    assert elapsed_s(at(100.0), at(50.0, boot="b", utc_s=1.0)) == 0.0


PLUGGED = CycleState(told=True, plugged=True)


@pytest.mark.parametrize(
    ("before", "after", "quality", "outcome"),
    [
        (PLUGGED, CycleState(told=True, friction_ratio=1.1), Quality.GOOD, Outcome.CLEARED),
        (PLUGGED, CycleState(told=True, friction_ratio=1.1), Quality.BAD, Outcome.NOT_KNOWN),
        (PLUGGED, CycleState(told=True, restricted=True, friction_ratio=9.0), Quality.GOOD, Outcome.BETTER),
        (PLUGGED, PLUGGED, Quality.BAD, Outcome.NO_CHANGE),
        (PLUGGED, CycleState(told=False), Quality.BAD, Outcome.NOT_KNOWN),
        (
            CycleState(told=True, restricted=True, friction_ratio=8.0),
            CycleState(told=True, restricted=True, friction_ratio=7.0),
            Quality.GOOD,
            Outcome.NO_CHANGE,
        ),
        (
            CycleState(told=True, restricted=True, friction_ratio=8.0),
            CycleState(told=True, restricted=True, friction_ratio=4.0),
            Quality.GOOD,
            Outcome.BETTER,
        ),
    ],
)
def test_what_came_of_a_try(before: CycleState, after: CycleState, quality: Quality, outcome: Outcome) -> None:
    assert outcome_of(before, after, quality) is outcome


def test_a_restriction_calls_for_clearing_only_beyond_the_stated_friction() -> None:
    assert CycleState(told=True, restricted=True, friction_ratio=2.9).calls(3.0) is None
    assert CycleState(told=True, restricted=True, friction_ratio=3.0).calls(3.0) is Diagnosis.TUBE_RESTRICTED
    assert CycleState(told=True, friction_ratio=9.0).calls(3.0) is None  # not called restricted
    assert PLUGGED.calls(3.0) is Diagnosis.TUBE_PLUGGED


@pytest.mark.parametrize(
    ("also", "calls"),
    [
        (None, True),
        (Diagnosis.LINE_LEAK, True),
        (Diagnosis.VALVE_STUCK_OPEN, False),
        (Diagnosis.TRANSMITTER_FAULT, False),
        (Diagnosis.TRANSMITTER_FROZEN, False),
        (Diagnosis.LINK_LOST, False),
    ],
)
def test_no_plug_is_blown_with_a_valve_that_does_not_shut_or_a_pressure_that_may_be_false(
    also: Diagnosis | None, calls: bool
) -> None:
    codes = [Diagnosis.TUBE_PLUGGED] + ([also] if also else [])
    reading = Reading(
        started_at_s=0.0,
        opened_at_s=None,
        shut_at_s=None,
        ended_at_s=1.0,
        head_pa=None,
        level_m=None,
        budget=None,
        findings=tuple(Finding(code=code, quality=Quality.BAD, sentence="invented") for code in codes),
        features=Features(),
        trace=(),
        learned=Learned(),
    )
    assert (state_of(reading).calls(3.0) is not None) is calls
