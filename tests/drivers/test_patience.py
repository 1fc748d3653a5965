"""When the next attempt is due."""

from __future__ import annotations

import itertools

from lungfish.drivers.patience import Backoff, UnitPatience


def test_the_first_attempt_and_the_first_retry_are_at_once_then_ever_rarer() -> None:
    backoff = Backoff()
    now_s, attempts = 1000.0, []
    for _ in range(10):
        now_s = max(now_s, backoff.next_at_s)
        attempts.append(now_s)
        backoff.failed(now_s)
    waits = [later - earlier for earlier, later in itertools.pairwise(attempts)]
    assert waits == [0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 5.0, 5.0]
    backoff.succeeded()
    assert backoff.next_at_s < now_s
    backoff.failed(now_s)
    assert backoff.next_at_s == now_s


def test_a_unit_is_left_quiet_then_held_off_and_forgiven() -> None:
    unit = UnitPatience(0.3)
    for strike in (1, 2):
        unit.timed_out(10.0)
        assert (unit.strikes, unit.quiet_until_s) == (strike, 10.15)
        assert unit.held_until_s < 10.0
    unit.timed_out(20.0)
    assert unit.held_until_s == 23.0
    unit.answered()
    assert unit.strikes == 0
    assert max(unit.quiet_until_s, unit.held_until_s) < 0.0
    unit.timed_out(30.0)
    assert unit.held_until_s < 30.0


def test_quiet_time_has_an_upper_bound() -> None:
    unit = UnitPatience(3.0)
    unit.timed_out(10.0)
    assert unit.quiet_until_s == 10.25


def test_a_dead_unit_takes_at_most_a_tenth_of_the_links_time() -> None:
    for timeout_s in (0.05, 0.5, 3.0):
        unit = UnitPatience(timeout_s)
        now_s, spent_s = 0.0, 0.0
        for request in range(200):
            now_s = max(now_s, unit.held_until_s)
            now_s += timeout_s
            spent_s += timeout_s if request >= 3 else 0.0
            unit.timed_out(now_s)
        assert spent_s / now_s < 0.1
