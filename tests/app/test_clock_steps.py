"""A stepped wall clock neither bunches purges nor starves a tank of them."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from lungfish.rig.virtual_loop import run_virtual
from tests.app.stepped import BEGIN, CYCLE_S, NOTICED_S, Step, Walk, random_steps, walk

HOUR = 3600.0
LATE_S = CYCLE_S + NOTICED_S
"""A step may bring a slot into the cycle under way, or be noticed this late."""
STEPS = 500
WINDOW = '    schedule: [{from: "06:00", to: "22:00", every: 5 min}]\n'
ZONES = ("Europe/London", "America/New_York")


def stepped(keys: str, every: str, zone: str, usual_s: float, *, seed: int, after_s: float) -> Walk:
    return run_virtual(walk(keys, every, zone, random_steps(seed, STEPS, usual_s), after_s=after_s, seed=seed))


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("seed", [1, 2])
def test_hours_under_500_steps(zone: str, seed: int) -> None:
    came = stepped(WINDOW, "1 h", zone, 900.0, seed=seed, after_s=2 * 86400.0)

    assert min(came.gaps_s) >= 300.0 - 1e-6, "two purges within the shortest interval"
    assert max(came.gaps_s) <= HOUR + LATE_S, "longer than `every` without one"
    assert came.missed == 0
    # while the wall clock stood in the hours, no five minutes were left without one, whatever was before
    local = ZoneInfo(zone)
    for (begin_s, _), (end_s, _) in pairwise(came.purges):
        inside_s = 0.0
        for from_s, to_s, ahead_s in came.stretches:
            low_s, high_s = max(begin_s, from_s), min(end_s, to_s)
            if high_s - low_s <= inside_s or high_s - low_s > 16 * HOUR:
                continue
            ends = [datetime.fromtimestamp(at_s + ahead_s, local) for at_s in (low_s, high_s)]
            if all(6 <= each.hour < 22 for each in ends):
                inside_s = max(inside_s, high_s - low_s)
        assert inside_s <= 300.0 + LATE_S


@pytest.mark.parametrize(
    ("cron", "interval_s"), [("0 */2 * * *", 2 * HOUR), ("30 6 * * *", 24 * HOUR), ("*/15 * * * *", 900.0)]
)
@pytest.mark.parametrize("seed", [1, 2])
def test_cron_forms_under_500_steps(cron: str, interval_s: float, seed: int) -> None:
    keys = f'    schedule: [{{cron: "{cron}"}}]\n'
    came = stepped(keys, "7 day", "UTC", interval_s, seed=seed, after_s=5 * interval_s)

    assert min(came.gaps_s) >= interval_s / 2 - LATE_S, "two purges within half an interval"
    assert max(came.gaps_s) <= interval_s + LATE_S, "longer than the interval without one"
    # and when the clock has come to rest, they come at the moments of the form again
    ahead_s = came.stretches[-1][2]
    for at_s, why in came.purges[-2:]:
        at = datetime.fromtimestamp(at_s + ahead_s + 0.001, UTC)
        assert why == f"cron {cron}"
        assert at.second == 0
        assert at.minute in {0, 15, 30, 45}


@pytest.mark.parametrize("zone", ZONES)
def test_a_cron_form_under_500_steps_over_daylight_changes(zone: str) -> None:
    came = stepped('    schedule: [{cron: "0 */2 * * *"}]\n', "7 day", zone, 2 * HOUR, seed=3, after_s=86400.0)
    # by the wall, two hours are 1 h of real time on the short night and 3 h on the long one
    assert min(came.gaps_s) >= HOUR / 2 - LATE_S
    assert max(came.gaps_s) <= 3 * HOUR + LATE_S


def test_every_alone_does_not_know_the_wall_clock() -> None:
    keys = "    hold_off: {mixer: {link: panel, unit: 1, input: 4}}\n"
    came = stepped(keys, "10 min", "Europe/London", 600.0, seed=1, after_s=HOUR)
    assert {round(gap_s, 6) for gap_s in came.gaps_s} == {600.0}


def test_no_moment_is_taken_twice_when_a_small_step_back_comes_right_after_it() -> None:
    ten = datetime(2026, 2, 10, 10, 0, tzinfo=UTC).timestamp() - BEGIN
    keys = '    schedule: [{cron: "0 */2 * * *"}]\n'
    came = run_virtual(walk(keys, "7 day", "UTC", [Step(ten + 3.0, -20.0)], after_s=3 * HOUR))
    assert [at_s for at_s, _ in came.purges[:2]] == [0.0, ten]
    assert came.purges[2][0] - ten == pytest.approx(HOUR * (2 * HOUR + 20.0) / (2 * HOUR), rel=0.01)
