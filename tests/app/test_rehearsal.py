"""A rehearsal is the real daemon: what it sums up is what happened to the plant."""

from __future__ import annotations

import logging
import math
from array import array
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from lungfish.app.rehearsal import Plot, Rehearsal, rehearse
from lungfish.app.rehearsal_notes import AlarmSeen, ErrorMeter, Shown
from lungfish.app.rehearsal_plot import filling_of, plot_of
from lungfish.config import load_site, load_site_text
from lungfish.rig.filling import LevelTrack, Stay, pattern
from lungfish.rig.jumping_loop import JumpingLoop
from tests.app.virtual_site import HEAD, TANK, site_of
from tests.repo.house import ROOT

HOUR_S = 3600.0
SCHEDULE = """
    schedule: [{from: "00:00", to: "02:00", every: 5 min}]
    hold_off: {mixer: {link: panel, unit: 9, input: 0}}
"""


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    logging.disable(logging.INFO)
    yield
    logging.disable(logging.NOTSET)


def plot(hours: float, *, tanks: int = 1, seed: int = 1, kind: str = "daily") -> Plot:
    site = site_of(tanks)
    fillings = {
        name: filling_of(tank, kind, hours * HOUR_S, seed + n) for n, (name, tank) in enumerate(site.tanks.items())
    }
    return plot_of(site, fillings, hours * HOUR_S, seed, 0.005, None)


@pytest.fixture(scope="module")
def four_hours() -> Rehearsal:
    return rehearse(plot(4.0, tanks=2))


def test_every_slot_has_its_reading(four_hours: Rehearsal) -> None:
    for tank in four_hours.tanks.values():
        assert tank.readings == len(tank.purges)
        assert tank.readings >= 24
        assert max(b - a for a, b in zip(tank.purges, tank.purges[1:], strict=False)) < 600.0 + 60.0


def test_readings_are_good_and_right(four_hours: Rehearsal) -> None:
    for tank in four_hours.tanks.values():
        assert tank.good == tank.readings
        assert tank.worst_reading_m is not None
        assert 0.0 < tank.worst_reading_m < 0.01


def test_the_air_that_is_counted_is_what_the_plant_took(four_hours: Rehearsal) -> None:
    for tank in four_hours.tanks.values():
        assert tank.ways[-1].air_sl == pytest.approx(tank.plant_air_sl, rel=0.01)


def test_nothing_is_left_open_and_every_opening_is_counted(four_hours: Rehearsal) -> None:
    assert four_hours.all_shut
    for tank in four_hours.tanks.values():
        assert not tank.valve_open
        assert tank.ways[-1].openings == tank.readings


def test_the_three_ways_stand_in_the_order_of_their_air(four_hours: Rehearsal) -> None:
    for tank in four_hours.tanks.values():
        continuous, timer, ours = tank.ways
        assert (continuous.name, timer.name, ours.name) == ("continuous", "fixed timer", "lungfish")
        # 2 SL/min for four hours, by hand
        assert continuous.air_sl == pytest.approx(480.0, rel=1e-6)
        assert timer.openings == 24
        assert timer.air_sl == pytest.approx(2.0 * 24 * tank.timer_open_s / 60.0, rel=0.01)
        assert ours.air_sl < 0.2 * timer.air_sl < 0.02 * continuous.air_sl


def test_the_same_seed_gives_the_same_rehearsal_and_another_another() -> None:
    first, again, other = (rehearse(plot(1.0, seed=seed)) for seed in (3, 3, 4))
    assert first == again
    assert first.tanks != other.tanks


def test_jumping_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Moving the clock in place of waiting is a saving of time alone: no cycle is left out, none differs."""
    jumped = rehearse(plot(2.0, tanks=2))
    monkeypatch.setattr(JumpingLoop, "jump", lambda _self, _at_s: False)
    assert rehearse(plot(2.0, tanks=2)) == jumped


def test_a_slow_bus_makes_tanks_wait_for_their_turn() -> None:
    quick, slow = plot(0.5, tanks=4), replace(plot(0.5, tanks=4), transaction_s=0.0275)
    (quick_s,), (slow_s,) = (rehearse(each).longest_wait_s.values() for each in (quick, slow))
    assert slow_s > 2.0 * quick_s


def test_a_storm_is_seen_and_its_delay_told() -> None:
    storm = plot(24.0, kind="storm")
    (tank,) = rehearse(storm).tanks.values()
    passed = storm.tracks["t0"].stays_above(storm.alarms_m["t0"])
    assert passed
    for way in tank.ways:
        assert len(way.delays_s) + way.missed == len(passed)
        assert all(0.0 <= delay_s < 601.0 + 60.0 for delay_s in way.delays_s)


def storm_day(seed: int, hours: float = 24.0) -> Plot:
    """The daily pattern of the smallest example, and one storm that fills the sump at 5 mm/s for ten minutes."""
    site = load_site(ROOT / "config" / "one-sump.yaml")
    (tank,) = site.tanks.values()
    duration_s = hours * HOUR_S
    usual = filling_of(tank, "daily", duration_s, seed)
    daily = pattern("daily", usual.mean_m3_s, duration_s, seed)
    burst_m3_s = 0.005 * tank.vessel.volume_m3(1.0)  # upright: a metre's volume is its area
    begin_s = (0.35 + 0.3 * (0.618034 * seed % 1.0)) * duration_s
    points = [
        (t_s, daily(t_s) + (burst_m3_s if begin_s <= t_s < begin_s + 600.0 else 0.0))
        for t_s in (10.0 * number for number in range(int(duration_s / 10.0) + 1))
    ]
    filling = filling_of(tank, "daily", duration_s, seed, points)
    return plot_of(site, {tank.name: filling}, duration_s, seed, 0.005, None)


@pytest.mark.parametrize(("seed", "hours"), [(1, 24.0), *((seed, 2.0) for seed in range(10, 18))])
def test_a_day_with_a_storm_costs_next_to_no_air_and_its_alarm_comes_within_15_s(seed: int, hours: float) -> None:
    plot = storm_day(seed, hours)
    (tank,) = rehearse(plot).tanks.values()
    continuous, timer, ours = tank.ways
    for way in tank.ways:
        delays = ", ".join(f"{delay_s:.1f}" for delay_s in way.delays_s) or "-"
        waiting = f"waiting 95 % {way.p95_m or 0.0:.3f} m, worst {way.worst_m or 0.0:.3f} m"
        print(f"{way.name:<12} {way.air_sl:8.1f} SL, {waiting}, alarm after {delays} s, {way.missed} missed")
    passed = plot.tracks[tank.name].stays_above(tank.alarm_m)
    assert len(ours.delays_s) == len(passed)
    assert all(delay_s <= 15.0 for delay_s in ours.delays_s)
    assert ours.p95_m is not None
    assert timer.p95_m is not None
    assert ours.p95_m < 0.2 * timer.p95_m
    if hours == 24.0:  # two hours are mostly storm
        assert passed
        assert ours.air_sl <= 0.005 * continuous.air_sl
        assert ours.air_sl <= 0.1 * timer.air_sl


def test_the_high_alarm_of_the_site_file_is_the_one_that_is_looked_for() -> None:
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    site = load_site_text(text + "    alarms: {high: 2.2 m, high-high: 2.6 m}\n", Path())
    filling = filling_of(site.tanks["t0"], "daily", HOUR_S, 1)
    assert plot_of(site, {"t0": filling}, HOUR_S, 1, 0.005, None).alarms_m == {"t0": 2.2}
    assert plot_of(site, {"t0": filling}, HOUR_S, 1, 0.005, 2.5).site.tanks["t0"].alarms.high_m == 2.5


def test_what_is_shown_is_compared_until_something_else_is() -> None:
    ramp = LevelTrack(array("d", [0.0, 1000.0]), array("d", [0.0, 1.0]))
    meter = ErrorMeter(ramp)
    meter.show(100.0, 0.1)
    meter.show(500.0, 0.5)
    meter.up_to(600.0)
    assert meter.unknown_s == 110.0  # 0, 10, ... 100 s
    assert meter.worst_m == pytest.approx(0.4)
    assert meter.quantile_m(0.5) == pytest.approx(0.16, abs=0.02)  # 0 to 0.4 for 400 s, 0 to 0.1 for 100 s


def test_no_level_shown_has_no_error() -> None:
    meter = ErrorMeter(LevelTrack(array("d", [0.0, 1000.0]), array("d", [0.0, 1.0])))
    meter.up_to(1000.0)
    assert meter.worst_m is None
    assert meter.quantile_m(0.95) is None


def test_a_passing_is_seen_by_the_first_level_that_is_true_for_a_later_moment() -> None:
    seen = AlarmSeen(2.0, [Stay(100.0, 400.0), Stay(500.0, 510.0), Stay(900.0, math.inf)])
    seen.take(Shown(101.0, 99.0, 2.1))  # true for a moment before it passed
    seen.take(Shown(130.0, 120.0, 1.99))
    seen.take(Shown(190.0, 180.0, 2.3))
    seen.take(Shown(600.0, 590.0, 1.0))  # the second came and went unseen
    seen.end(1000.0)
    assert seen.delays_s == [90.0]
    assert seen.missed == 2


def test_a_schedule_and_a_contact_are_rehearsed_too() -> None:
    """Purges come by the site's schedule, here every 5 minutes at night, and every 20 minutes by day."""
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="20 min", max_open="60 s") + SCHEDULE
    site = load_site_text(text, Path())
    filling = filling_of(site.tanks["t0"], "daily", 4.0 * HOUR_S, 1)
    (tank,) = rehearse(plot_of(site, {"t0": filling}, 4.0 * HOUR_S, 1, 0.005, None)).tanks.values()
    by_night = sum(at_s < 2.0 * HOUR_S for at_s in tank.purges)
    assert 23 <= by_night <= 26
    assert 5 <= tank.readings - by_night <= 8


def test_the_watch_shows_between_readings_what_the_timer_can_not(four_hours: Rehearsal) -> None:
    """The estimate is what stands before people's eyes while they wait, so its error is the one that is summed up."""
    for tank in four_hours.tanks.values():
        _, timer, ours = tank.ways
        assert ours.p95_m is not None
        assert timer.p95_m is not None
        assert ours.p95_m < 0.3 * timer.p95_m


def test_without_a_watch_the_last_reading_stands() -> None:
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    site = load_site_text(text + '    watch: "off"\n', Path())
    rising = LevelTrack(array("d", [0.0, 7200.0]), array("d", [0.5, 2.66]))  # 0.3 mm/s: 180 mm between two readings
    (tank,) = rehearse(
        Plot(site=site, duration_s=3600.0, tracks={"t0": rising}, alarms_m={"t0": 1.0}, seed=1)
    ).tanks.values()
    ours = tank.ways[-1]
    assert ours.worst_m == pytest.approx(0.180, abs=0.015)
    assert ours.p95_m == pytest.approx(0.95 * 0.180, abs=0.015)
    # passed at 1666.7 s; the next slot is at 1800 s, its reading a few seconds later
    assert ours.delays_s == tank.estimate_delays_s
    assert ours.delays_s[0] == pytest.approx(1800.0 - 1666.7, abs=15.0)


def test_the_estimate_shows_a_passing_within_two_looks() -> None:
    rising = LevelTrack(array("d", [0.0, 7200.0]), array("d", [0.5, 2.66]))
    (tank,) = rehearse(
        Plot(site=site_of(1), duration_s=3600.0, tracks={"t0": rising}, alarms_m={"t0": 1.0}, seed=1)
    ).tanks.values()
    (shown_s,) = tank.estimate_delays_s
    assert 0.0 < shown_s < 30.0  # two looks are 10 s; the estimate may be some millimetres low
