"""What fills and empties a simulated tank: the liquid adds up, the pump keeps to its levels, times are exact."""

from __future__ import annotations

import math
from array import array

import pytest

from lungfish.physics.vessel import HorizontalCylinder, UprightCylinder, Vessel
from lungfish.rig.filling import LevelTrack, Pump, level_track, pattern, points_inflow

DAY_S = 86400.0
UPRIGHT = UprightCylinder(diameter_m=2.0, height_m=4.0)
LYING = HorizontalCylinder(diameter_m=2.0, length_m=3.0)
PUMP = Pump(on_m=1.5, off_m=0.5, flow_m3_s=3e-3)


@pytest.mark.parametrize("vessel", [UPRIGHT, LYING], ids=["upright", "lying"])
def test_the_liquid_adds_up(vessel: Vessel) -> None:
    """Without a pump that runs, all that came in is in the tank."""
    idle = Pump(on_m=1.9, off_m=0.5, flow_m3_s=1.0)
    track = level_track(vessel, lambda t_s: 1e-5 * t_s / 3600.0, idle, begin_m=0.6, duration_s=7200.0)
    came_in_m3 = 1e-5 / 3600.0 * 7200.0**2 / 2.0
    assert vessel.volume_m3(track(7200.0)) == pytest.approx(vessel.volume_m3(0.6) + came_in_m3, rel=1e-5)


def test_the_pump_keeps_the_level_between_its_two_levels() -> None:
    track = level_track(UPRIGHT, lambda _t_s: 1e-3, PUMP, begin_m=1.0, duration_s=DAY_S)
    assert max(track.levels_m) == pytest.approx(1.5, abs=1e-6)
    assert min(track.levels_m) == pytest.approx(0.5, abs=1e-6)


def test_a_round_of_filling_and_pumping_takes_the_time_that_the_volumes_say() -> None:
    track = level_track(UPRIGHT, lambda _t_s: 1e-3, PUMP, begin_m=0.5, duration_s=DAY_S)
    band_m3 = math.pi * 1.0
    stays = track.stays_above(1.0)
    round_s = band_m3 / 1e-3 + band_m3 / 2e-3
    assert stays[0].from_s == pytest.approx(0.5 * band_m3 / 1e-3, abs=0.1)
    assert stays[1].from_s - stays[0].from_s == pytest.approx(round_s, abs=0.1)
    assert stays[0].to_s - stays[0].from_s == pytest.approx(0.5 * round_s, abs=0.1)


def test_too_much_runs_over_the_brim_and_an_empty_tank_gives_nothing() -> None:
    flood = level_track(UPRIGHT, lambda _t_s: 1.0, PUMP, begin_m=1.0, duration_s=3600.0)
    assert max(flood.levels_m) == 4.0
    dry = level_track(UPRIGHT, lambda _t_s: 0.0, PUMP, begin_m=0.0, duration_s=3600.0)
    assert set(dry.levels_m) == {0.0}


def test_a_level_that_has_passed_before_the_start_has_not_passed() -> None:
    track = LevelTrack(array("d", [0.0, 10.0, 20.0, 30.0]), array("d", [2.0, 0.0, 2.0, 2.0]))
    (stay,) = track.stays_above(1.0)
    assert stay.from_s == pytest.approx(15.0)
    assert stay.to_s == math.inf


def test_a_track_can_be_asked_in_any_order() -> None:
    track = LevelTrack(array("d", [0.0, 10.0, 30.0]), array("d", [0.0, 1.0, 0.0]))
    asked = {t_s: track(t_s) for t_s in (25.0, 5.0, 40.0, -1.0, 10.0, 30.0, 20.0)}
    assert asked == pytest.approx({25.0: 0.25, 5.0: 0.5, 40.0: 0.0, -1.0: 0.0, 10.0: 1.0, 30.0: 0.0, 20.0: 0.5})


@pytest.mark.parametrize("name", ["constant", "daily"])
def test_a_pattern_has_the_mean_that_was_asked_for(name: str) -> None:
    inflow = pattern(name, 2e-3, DAY_S, seed=1)
    assert sum(inflow(60.0 * k) for k in range(1440)) / 1440 == pytest.approx(2e-3, rel=1e-3)


def test_a_day_has_two_humps_and_a_quiet_night() -> None:
    inflow = pattern("daily", 1.0, DAY_S, seed=1)
    by_hour = [inflow(3600.0 * hour) for hour in range(24)]
    humps = [h for h in range(1, 23) if by_hour[h - 1] < by_hour[h] > by_hour[h + 1]]
    assert len(humps) == 2
    assert min(by_hour) == min(by_hour[hour] for hour in (0, 1, 2, 3, 4))


@pytest.mark.parametrize("seed", range(20))
def test_a_storm_lies_within_the_time_and_lasts_some_hours(seed: int) -> None:
    storm, daily = pattern("storm", 1.0, DAY_S, seed), pattern("daily", 1.0, DAY_S, seed)
    more = [t_s for t_s in range(0, 86400, 60) if storm(t_s) > daily(t_s)]
    assert 0 < more[0] < more[-1] < 86340
    assert 1.9 * 3600 < more[-1] - more[0] < 4.1 * 3600
    assert max(storm(t_s) - daily(t_s) for t_s in more) == pytest.approx(5.0, rel=1e-2)


def test_points_are_joined_by_straight_lines_and_held_at_both_ends() -> None:
    inflow = points_inflow([(10.0, 1.0), (20.0, 3.0)])
    assert [inflow(t_s) for t_s in (0.0, 10.0, 15.0, 20.0, 99.0)] == [1.0, 1.0, 2.0, 3.0, 3.0]


def test_an_unknown_pattern_is_refused() -> None:
    with pytest.raises(ValueError, match="no such pattern"):
        pattern("tidal", 1.0, DAY_S, seed=1)
