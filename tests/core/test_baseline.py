"""What is learned as normal, what is never taken for it, and when the charts call."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from statistics import fmean

import pytest

from lungfish.core.baseline import (
    DAY_S,
    FALSE_CALL_CYCLES,
    LEARNING_CYCLES,
    Baseline,
    Notice,
    Said,
    Way,
    follow,
    forecast_of,
    interval_of,
    locked,
)
from lungfish.core.chart import average_run_length
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.expect import bubbling_friction_pa, full_gauge_pa
from lungfish.core.normal import learned_normal
from lungfish.core.setup import Learned
from lungfish.core.traits import Filled, Trait, filled_by, traits_of, yardsticks
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Faults
from tests.core.samples import SUMP, plant_of, setup_of

YARDS = yardsticks(SUMP)
FRICTION = YARDS[Trait.FRICTION]
EXPECTED_PA = bubbling_friction_pa(SUMP, 0.5 * full_gauge_pa(SUMP))
SOUND = {Trait.FRICTION: EXPECTED_PA, Trait.LEAK: 0.2, Trait.FILLING: 1.02, Trait.RIPPLE: 12.0}
SPREAD = {Trait.FRICTION: 20.0, Trait.LEAK: 1.5, Trait.FILLING: 0.05, Trait.RIPPLE: 2.0}


def cycles(
    days: float,
    per_day: int,
    seed: int,
    grown: Callable[[float], dict[Trait, float]] = lambda _day: {},
    start_day: float = 0.0,
) -> Iterator[tuple[float, dict[Trait, float]]]:
    """Times in s and traits of a tube, with what has grown by each day; one cycle in fifty is an outlier."""
    rng = random.Random(seed)
    for number in range(round(days * per_day)):
        day = start_day + number / per_day
        more = grown(day)
        wild = 10.0 if rng.random() < 0.02 else 1.0
        yield (
            day * DAY_S,
            {t: SOUND[t] + more.get(t, 0.0) + SPREAD[t] * wild * rng.gauss(0.0, 1.0) for t in Trait},
        )


def followed(
    stream: Iterator[tuple[float, dict[Trait, float]]], baseline: Baseline | None = None
) -> tuple[Baseline, list[tuple[float, Notice]]]:
    """The baseline after all of it, and what was told on which day, what was learned left out."""
    baseline, told = baseline or Baseline(), []
    for at_s, traits in stream:
        baseline, notices = follow(SUMP, baseline, traits, at_s)
        told += [(at_s / DAY_S, notice) for notice in notices if notice.said is not Said.LEARNED]
    return baseline, told


def centre(baseline: Baseline, trait: Trait = Trait.FRICTION) -> float:
    normal = baseline.tracks[trait].normal
    assert normal is not None
    return normal.centre


# -- learning


def test_outliers_while_learning_do_not_count() -> None:
    rng = random.Random(1)
    values = [EXPECTED_PA + rng.gauss(0.0, 10.0) for _ in range(LEARNING_CYCLES)]
    for place in (2, 6, 11, 17):
        values[place] += 400.0
    normal = learned_normal(FRICTION, values, 0.0)
    assert normal.centre == pytest.approx(EXPECTED_PA, abs=8.0)
    assert 5.0 < normal.spread < 20.0
    assert not normal.doubted


@pytest.mark.parametrize("begins", [4, 8, 16])
@pytest.mark.parametrize(("trait", "fault"), [(Trait.FRICTION, 200.0), (Trait.LEAK, 12.0), (Trait.FILLING, 0.5)])
def test_a_fault_that_begins_while_learning_does_not_become_normal(trait: Trait, fault: float, begins: int) -> None:
    def grown(day: float) -> dict[Trait, float]:
        return {trait: fault} if day * 24 >= begins else {}

    baseline, told = followed(cycles(8.0, 24, 1, grown))
    assert abs(centre(baseline, trait) - SOUND[trait]) < 0.25 * fault
    (day, call), *more = told
    assert not more
    assert (call.trait, call.said, call.way) == (trait, Said.CALLED, Way.UP)
    assert day < 6.0


def test_a_part_that_is_at_odds_with_itself_is_no_change() -> None:
    values = [EXPECTED_PA + 600.0 + k % 4 for k in range(17)] + [EXPECTED_PA + more for more in (460.0, 1700.0, 530.0)]
    normal = learned_normal(FRICTION, values, 0.0)
    assert normal.learned_centre == pytest.approx(EXPECTED_PA + 601.0, abs=2.0)
    assert normal.doubted


def test_a_fault_that_ends_while_learning_does_not_become_normal() -> None:
    values = [EXPECTED_PA + 300.0 + k % 3 for k in range(14)] + [EXPECTED_PA + k % 3 for k in range(6)]
    assert learned_normal(FRICTION, values, 0.0).centre == pytest.approx(EXPECTED_PA + 1.0, abs=1.0)


@pytest.mark.parametrize(("trait", "fault"), [(Trait.FRICTION, 900.0), (Trait.LEAK, 12.0), (Trait.FILLING, 1.0)])
def test_what_geometry_does_not_allow_is_told_and_never_normal(trait: Trait, fault: float) -> None:
    baseline, told = followed(cycles(40.0, 24, 2, lambda _day: {trait: fault}))
    (day, doubt), *more = told
    assert not more, "told once"
    assert day < 1.0
    assert (doubt.trait, doubt.said) == (trait, Said.DOUBTED)
    assert doubt.value == pytest.approx(SOUND[trait] + fault, rel=0.1)
    assert centre(baseline, trait) < SOUND[trait] + 0.7 * fault
    assert baseline.tracks[trait].called is Way.UP


def test_a_tip_narrowed_before_the_first_cycle_is_told_in_the_rig() -> None:
    setup = setup_of(tee_at_valve=False)
    plant = plant_of(setup, 2.0, faults=Faults(tip_area_share=0.025))
    baseline, learned, said = Baseline(), Learned(), []
    for number in range(LEARNING_CYCLES):
        plant.advance(number * 600.0)
        reading = run_plant_cycle(plant, setup, learned)
        learned = reading.learned
        baseline, notices = follow(setup, baseline, traits_of(setup, reading), plant.now_s)
        said += [notice.said for notice in notices if notice.trait is Trait.FRICTION]
    assert said == [Said.DOUBTED]


# -- following


def test_a_sound_tube_is_left_in_peace() -> None:
    _, told = followed(cycles(2500.0, 40, 3))
    assert told == [], f"in {FALSE_CALL_CYCLES:.0f} cycles"


def test_a_daily_rhythm_and_days_that_differ_are_left_in_peace() -> None:
    rng = random.Random(4)
    days = [rng.gauss(0.0, 0.5) for _ in range(1001)]

    def grown(day: float) -> dict[Trait, float]:
        night = 1.0 if day % 1.0 < 0.5 else -1.0
        return {t: SPREAD[t] * (0.5 * days[int(day)] + night) for t in Trait}

    _, told = followed(cycles(1000.0, 24, 4, grown))
    assert told == []


@pytest.mark.parametrize("per_day", [1, 24, 144])
def test_all_charts_together_run_as_long_as_promised(per_day: int) -> None:
    baseline, _ = followed(cycles(max(30.0, 30.0 / per_day), per_day, 5))
    rate = 0.0
    for trait, track in baseline.tracks.items():
        sides = 2 if YARDS[trait].watches_down else 1
        rate += sides / (average_run_length(0.5, interval_of(track)) * per_day)
    assert rate < 1.0 / FALSE_CALL_CYCLES


@pytest.mark.parametrize(
    ("trait", "a_day", "way"),
    [
        (Trait.FRICTION, 1.0, Way.UP),
        (Trait.FRICTION, -1.0, Way.DOWN),
        (Trait.LEAK, 0.1, Way.UP),
        (Trait.FILLING, 0.01, Way.UP),
        (Trait.RIPPLE, -0.3, Way.DOWN),
    ],
)
def test_what_grows_is_called_once(trait: Trait, a_day: float, way: Way) -> None:
    def grown(day: float) -> dict[Trait, float]:
        return {trait: a_day * max(0.0, day - 30.0)}

    baseline, told = followed(cycles(70.0, 24, 6, grown))
    (day, call), *more = told
    assert not more
    assert (call.trait, call.said, call.way) == (trait, Said.CALLED, way)
    assert 30.0 < day < 60.0
    assert baseline.tracks[trait].called is way
    assert centre(baseline, trait) == pytest.approx(SOUND[trait], abs=SPREAD[trait])


def test_what_was_mended_is_told_and_can_be_called_again() -> None:
    def grown(day: float) -> dict[Trait, float]:
        return {Trait.LEAK: 5.0 if 40.0 <= day < 60.0 or day >= 100.0 else 0.0}

    _, told = followed(cycles(120.0, 24, 7, grown))
    assert [(notice.trait, notice.said) for _, notice in told] == [
        (Trait.LEAK, Said.CALLED),
        (Trait.LEAK, Said.BACK),
        (Trait.LEAK, Said.CALLED),
    ]
    assert 60.0 < told[1][0] < 100.0


def test_one_odd_day_is_no_call() -> None:
    def grown(day: float) -> dict[Trait, float]:
        return {Trait.FRICTION: 300.0} if 40.0 <= day < 41.0 else {}

    assert followed(cycles(80.0, 24, 8, grown))[1] == []


def test_the_first_weeks_sharpen_the_normal_unless_it_is_locked() -> None:
    first, _ = followed(cycles(2.0, 24, 9))
    later = list(cycles(28.0, 24, 10, start_day=2.0))
    free, _ = followed(iter(later), first)
    fixed, _ = followed(iter(later), locked(first, True))
    assert centre(fixed) == centre(first)
    assert abs(centre(free) - EXPECTED_PA) < 2.0
    weights = [baseline.tracks[Trait.FRICTION].normal for baseline in (first, free)]
    assert weights[0] is not None
    assert weights[1] is not None
    assert weights[1].weight > 5.0 * weights[0].weight


def test_a_clock_that_steps_back_ends_a_day_and_nothing_else() -> None:
    baseline, _ = followed(cycles(5.0, 24, 11, start_day=100.0))
    count = baseline.tracks[Trait.LEAK].group_count
    baseline, told = followed(cycles(5.0, 24, 12, start_day=0.0), baseline)
    assert told == []
    assert count + 4 <= baseline.tracks[Trait.LEAK].group_count <= count + 6


def test_the_memory_of_the_past_stays_small() -> None:
    baseline, _ = followed(cycles(400.0, 2, 13))
    groups = baseline.tracks[Trait.FRICTION].groups
    assert len(groups) <= 64
    assert [group.at_s for group in groups] == sorted(group.at_s for group in groups)
    assert groups[0].at_s < 200.0 * DAY_S
    assert sum(group.cycles for group in groups) == pytest.approx(800, abs=25)


def test_a_growing_leak_has_a_date() -> None:
    def grown(day: float) -> dict[Trait, float]:
        return {Trait.LEAK: 0.3 * max(0.0, day - 20.0)}

    baseline, _ = followed(cycles(50.0, 24, 14, grown))
    forecast = forecast_of(SUMP, Trait.LEAK, baseline.tracks[Trait.LEAK])
    assert forecast is not None
    truth_day = 20.0 + (30.0 - SOUND[Trait.LEAK]) / 0.3
    assert forecast.early_s < truth_day * DAY_S < forecast.late_s
    assert forecast.late_s - forecast.early_s < 40.0 * DAY_S


def test_a_steady_tube_has_none() -> None:
    baseline, _ = followed(cycles(50.0, 24, 15))
    assert [forecast_of(SUMP, trait, baseline.tracks[trait]) for trait in Trait] == [None] * 4


# -- what a cycle tells


def test_friction_and_leak_are_the_same_at_any_level() -> None:
    setup = setup_of(tee_at_valve=True)
    found: dict[Trait, list[float]] = {Trait.FRICTION: [], Trait.LEAK: []}
    for level_m in (1.0, 2.5, 4.2):
        faults = Faults(extra_leak_pa_m3_s_pa=1.5e-6)
        plant, learned = plant_of(setup, level_m, faults=faults, ripple_pa=0.0, noise_pa=1.0), Learned()
        traits: dict[Trait, float] = {}
        for _ in range(3):
            plant.advance(plant.now_s + 300.0)
            reading = run_plant_cycle(plant, setup, learned)
            learned, traits = reading.learned, traits_of(setup, reading)
        for trait, values in found.items():
            values.append(traits[trait])
    assert max(found[Trait.FRICTION]) / min(found[Trait.FRICTION]) < 1.04
    assert max(found[Trait.LEAK]) / min(found[Trait.LEAK]) < 1.15


def test_a_cycle_that_a_verdict_doubts_tells_nothing() -> None:
    plant = plant_of(SUMP, 2.0)
    reading = run_plant_cycle(plant, SUMP, Learned())
    assert set(traits_of(SUMP, reading)) >= {Trait.FRICTION, Trait.LEAK, Trait.FILLING}
    for code, quality in ((Diagnosis.UNSTEADY, Quality.UNCERTAIN), (Diagnosis.NO_AIR, Quality.UNCERTAIN)):
        finding = Finding(code=code, quality=quality, sentence="invented")
        assert traits_of(SUMP, replace(reading, findings=(finding,))) == {}
    bad = Finding(code=Diagnosis.LINE_LEAK, quality=Quality.BAD, sentence="invented")
    assert traits_of(SUMP, replace(reading, findings=(bad,))) == {}
    baseline = Baseline()
    assert follow(SUMP, baseline, {}, 0.0) == (baseline, ())


def leaks_under(rate_m_s: float, leak: float, ripple_pa: float = 60.0, count: int = 8) -> list[float]:
    """Leak by cycles whenever the level, swinging by 0.6 m, passes its middle at this rate; the first two left out."""
    period_s = 1.2 / abs(rate_m_s) * math.pi / 2.0

    def level_m(t_s: float) -> float:
        return 2.0 + math.copysign(0.3, rate_m_s) * math.sin(2.0 * math.pi * t_s / period_s)

    faults = Faults(extra_leak_pa_m3_s_pa=leak)
    plant, learned = plant_of(SUMP, level_m, faults=faults, ripple_pa=ripple_pa), Learned()
    filled: Filled | None = None
    found = []
    for number in range(count):
        plant.advance(number * period_s - 8.0 if number else 0.0)
        reading = run_plant_cycle(plant, SUMP, learned)
        traits = traits_of(SUMP, reading, filled)
        learned, filled = reading.learned, filled_by(reading)
        if number > 1 and Trait.LEAK in traits:
            found.append(traits[Trait.LEAK])
    return found


def test_a_falling_level_is_no_leak() -> None:
    falling = leaks_under(-0.0008, 0.0)
    assert len(falling) >= 5
    assert max(falling) < 3.0, "the shut-in falls by 8 Pa/s with the level"


@pytest.mark.parametrize("rate_m_s", [-0.0001, 0.0001])
def test_a_leak_is_one_under_any_level(rate_m_s: float) -> None:
    # 1e-6 Pa m3/s for each Pa, at half the full head of 43 kPa, from about 1.6e-3 Pa m3 for each Pa: 13.4 Pa/s
    smooth = leaks_under(rate_m_s, 1e-6, ripple_pa=0.0)
    assert len(smooth) >= 5
    assert smooth == pytest.approx([13.4] * len(smooth), abs=4.0)
    assert fmean(smooth) == pytest.approx(13.4, rel=0.1)
    # A bubble that closing froze up to 30 Pa high or low leaves as soon as the leak draws liquid in: 0.1 s and then
    # with 0.3 s. A straight line through 2.5 s takes that for 12 / (2.5 s)^3 x 30 Pa x 0.4 s x 1.0 s = 9 Pa/s of slope,
    # 10.5 at half the full head: so far may one cycle be off, and their mean by a quarter.
    rippled = leaks_under(rate_m_s, 1e-6, count=40)
    assert len(rippled) >= 35
    assert max(abs(value - 13.4) for value in rippled) < 10.5
    assert fmean(rippled) == pytest.approx(13.4, rel=0.25)


def test_a_tight_tube_leaks_nothing_whatever_the_frozen_bubbles_do() -> None:
    for traits in seen_under(0.00002, Faults(), tee_at_valve=True):
        assert 0.0 <= traits[Trait.LEAK] < 0.25, "30 Pa in ten minutes can't be seen: 0.05 Pa/s, more at a low level"


# -- what closing freezes


def seen_under(rate_m_s: float, faults: Faults, *, tee_at_valve: bool, count: int = 40) -> list[dict[Trait, float]]:
    """What cycles ten minutes apart tell of a level that rises or falls all the time."""
    setup = setup_of(tee_at_valve=tee_at_valve)
    start_m = 1.0 if rate_m_s > 0.0 else 3.5
    plant, learned = plant_of(setup, lambda t_s: start_m + rate_m_s * t_s, faults=faults), Learned()
    filled: Filled | None = None
    found = []
    for number in range(count):
        plant.advance(number * 600.0)
        reading = run_plant_cycle(plant, setup, learned)
        if filled is not None:
            found.append(traits_of(setup, reading, filled))
        learned, filled = reading.learned, filled_by(reading)
    return found


@pytest.mark.parametrize("tee_at_valve", [True, False])
def test_closing_freezes_a_quarter_of_the_ripple_and_less_at_a_narrowed_tip(tee_at_valve: bool) -> None:
    def froze_pa(faults: Faults) -> float:
        seen = seen_under(0.00002, faults, tee_at_valve=tee_at_valve, count=60)
        values = [traits[Trait.RIPPLE] for traits in seen[20:] if Trait.RIPPLE in traits]
        assert len(values) > 30
        return fmean(values)

    sound_pa = froze_pa(Faults())
    # between 0 and 30 Pa, each as likely as the other: 15 +- 8.7 / sqrt(39), and what noise and friction add
    assert 11.0 < sound_pa < 19.0
    # a quarter of the area is half the width; to the 7.5 Pa come 2 to 3 of noise in the shut-in
    assert 0.35 < froze_pa(Faults(tip_area_share=0.25)) / sound_pa < 0.8


def test_a_falling_level_says_nothing_of_what_closing_freezes() -> None:
    seen = seen_under(-0.00002, Faults(), tee_at_valve=True)
    assert all(Trait.RIPPLE not in traits for traits in seen)
    assert sum(Trait.FRICTION in traits for traits in seen) > 30


def test_of_a_level_that_goes_both_ways_only_a_closing_at_its_lowest_tells_what_it_freezes() -> None:
    def level_m(t_s: float) -> float:
        return 2.0 + 0.6 * math.sin(2.0 * math.pi * t_s / 2500.0)

    plant, learned = plant_of(SUMP, level_m), Learned()
    filled: Filled | None = None
    for number in range(30):
        plant.advance(number * 3600.0)
        reading = run_plant_cycle(plant, SUMP, learned)
        if Trait.RIPPLE in traits_of(SUMP, reading, filled):
            assert filled is not None
            assert level_m(filled.at_s) < 1.4 + 0.05, "higher up it may just as well have been falling"
        learned, filled = reading.learned, filled_by(reading)


def test_a_leak_takes_the_bubble_away_and_is_not_told_as_a_change_of_the_ripple() -> None:
    seen = seen_under(0.00002, Faults(extra_leak_pa_m3_s_pa=1e-6), tee_at_valve=True)
    assert all(Trait.RIPPLE not in traits for traits in seen)
    assert fmean(traits[Trait.LEAK] for traits in seen[5:]) > 5.0
