"""The watch alone: what it says of random tubes between purges, against the truth of the plant.

A level goes to a new place up to 1 m away, up or down, or stays, two to four times between two purges ten minutes
apart: up to 8 mm/s, far more than the 1 mm/s that a purge is meant for. 200 plants with
`pytest -m campaign -s tests/campaign/test_watch.py`, which prints the figures; a few of them without the mark.

What is asserted of a tight tube: just before a purge, within 5 % of the movement since the last one and what is stated
with it (k = 2); meanwhile, never silently further off than 5 % of the furthest movement, that, and 10 mm, which is
what a transmitter's damping and a bubble of the tip hide of a level that goes by 8 mm/s.

Of 200 tight tubes, 173,168 estimates in pressures recorded with the rig's own steps of 5 s: 14 % blind, 5 further off,
each for one look at the moment at which the level sets off. There the rig's pressure is a step late (see `advance`);
with short steps none of these plants has one. Of 1,082 said just before a purge all were within 5 % and what is
stated (median 21 mm), 99.5 % within 5 % and 10 mm.

Of 107 tubes that leak 50 Pa/s, 88,487 estimates recorded likewise: 94 % blind, none silently wrong.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest

from lungfish.core.setup import Learned
from lungfish.core.watch import Decision, Estimate, Watch
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Plant
from tests.campaign.seeded_plants import SeededPlant, draw_plant

LOOK_S = 5.0
FINE_S = 0.5
STEP_M = 0.05


@dataclass(frozen=True)
class Said:
    """What the watch said at one moment, and the truth."""

    estimate: Estimate
    moved_m: float
    """True movement since the reading."""
    furthest_m: float
    """Furthest that the level was from the reading meanwhile, either way."""
    for_s: float
    """Since the reading."""

    @property
    def error_m(self) -> float:
        assert self.estimate.moved_m is not None
        return self.estimate.moved_m.value - self.moved_m

    @property
    def within(self) -> bool:
        """Within 5 % of the movement since the last purge, and its own stated uncertainty (k = 2).

        Without the latter nothing would be within 5 % of a movement of a millimetre: the trapped pressure is known no
        better than noise and frozen ripple let the reading know it, and a long line multiplies both by up to seven.
        """
        assert self.estimate.moved_m is not None
        return abs(self.error_m) <= 0.05 * abs(self.moved_m) + 2.0 * self.estimate.moved_m.u

    def wrong(self, *, act: bool) -> bool:
        """Further off than what is stated with it; one that calls for a purge is told right at once."""
        silent = {Decision.QUIET, Decision.HELD} if act else {Decision.QUIET, Decision.HELD, Decision.PURGE}
        if self.estimate.decision not in silent or self.estimate.moved_m is None:
            return False
        return abs(self.error_m) > 0.05 * self.furthest_m + 2.0 * self.estimate.moved_m.u + 0.010


@dataclass(frozen=True)
class Run:
    last: list[Said]
    """What was said just before each purge by the timer, from the second interval on."""
    every: list[Said]
    """All that was said."""
    early: int
    """Purges that the watch asked for."""
    timed: int
    """Purges of the timer."""


def wandering(rng: random.Random, low_m: float, high_m: float, timer_s: float) -> Callable[[float], float]:
    """A level that goes to a new place up to 1 m away, or stays, a few times between two purges."""
    times, levels = [0.0], [rng.uniform(low_m, high_m)]
    while times[-1] < 40.0 * timer_s:
        times.append(times[-1] + rng.uniform(0.2, 0.7) * timer_s)
        goal_m = levels[-1] + rng.choice([0.0, rng.uniform(-1.0, 1.0), rng.uniform(-1.0, 1.0)])
        levels.append(min(max(goal_m, low_m), high_m))

    def level_m(t_s: float) -> float:
        for number in range(1, len(times)):
            if t_s < times[number]:
                share = (t_s - times[number - 1]) / (times[number] - times[number - 1])
                return levels[number - 1] + share * (levels[number] - levels[number - 1])
        return levels[-1]

    return level_m


def advance(plant: Plant, to_s: float) -> None:
    """Let time pass, in short steps while the level moves.

    The rig lets the level make its way at the end of a step, and the line's air then follows from there: with steps of
    5 s the pressure would be up to 5 s late.
    """
    while plant.now_s < to_s and plant.params.level_m(plant.now_s) != plant.params.level_m(to_s):
        plant.advance(min(to_s, plant.now_s + FINE_S))
    plant.advance(to_s)


def watched(drawn: SeededPlant, seed: int, *, timer_s: float, purges: int, act: bool, leak_pa_s: float = 0.0) -> Run:
    """Purge by the timer, and early if the watch may act; keep what it says."""
    rng, setup = random.Random(seed), drawn.setup
    full = setup.full_head_m
    level_m = wandering(rng, setup.tip_m + 0.1 * full, setup.tip_m + 0.95 * full, timer_s)
    half_pa = 0.5 * full * setup.density_kg_m3 * setup.gravity_m_s2
    space = setup.air_space
    capacity = space.volume_m3 + (setup.atmosphere_abs_pa + half_pa) * space.area_m2 / (
        setup.density_kg_m3 * setup.gravity_m_s2
    )
    params = replace(drawn.params, level_m=level_m, leak_pa_m3_s_pa=leak_pa_s * capacity / half_pa)
    plant, learned = Plant(params, seed=seed), Learned()
    watch = Watch(setup, step_m=STEP_M, timer_s=timer_s)
    last: list[Said] = []
    every: list[Said] = []
    early = timed = 0
    called = False
    due_s = 0.0
    while timed < purges:
        early, timed = early + called, timed + (not called)
        reading = run_plant_cycle(plant, setup, learned, drawn.timing)
        learned = reading.learned
        watch.taken(reading, learned, called=called)
        due_s += 0.0 if called else timer_s
        shut_s = reading.shut_at_s if reading.shut_at_s is not None else reading.ended_at_s
        was_m = furthest_m = level_m(shut_s)
        called, said = False, None
        at_s = reading.ended_at_s + rng.random() * LOOK_S
        while at_s < due_s and not called:
            advance(plant, at_s)
            estimate = watch.feed(at_s, plant.gauge_pa())
            now_m = level_m(at_s)
            furthest_m = max(furthest_m, now_m, key=lambda m: abs(m - was_m))
            called = act and estimate.decision is Decision.PURGE
            if estimate.moved_m is not None:
                said = Said(estimate, now_m - was_m, abs(furthest_m - was_m), at_s - shut_s)
                every.append(said)
            at_s += LOOK_S
        if said is not None and not called and timed > 2:
            last.append(said)
        advance(plant, max(plant.now_s, at_s if called else due_s))
    return Run(last, every, early, timed)


@dataclass(frozen=True)
class Sum:
    said: int
    blind: int
    close: float
    """Share of what was said just before a purge by the timer that is within 5 % of the movement and 10 mm."""
    within: float
    """The same, for 5 % of the movement and what is stated."""
    wrong: list[Said]
    """What was said without a call or a word of blindness, and is further off than 5 % and twice its uncertainty."""
    early: int
    timed: int
    most_early: int
    """Most early purges of a plant beyond its timed ones."""


def surveyed(seeds: range, *, act: bool, leak_pa_s: float) -> Sum:
    runs = [watched(draw_plant(n), n, timer_s=600.0, purges=8, act=act, leak_pa_s=leak_pa_s) for n in seeds]
    every = [said for run in runs for said in run.every]
    last = [said for run in runs for said in run.last if said.estimate.decision is not Decision.BLIND]
    close = [abs(said.error_m) <= 0.05 * said.furthest_m + 0.010 for said in last]
    result = Sum(
        said=len(every),
        blind=sum(said.estimate.decision is Decision.BLIND for said in every),
        close=sum(close) / max(1, len(close)),
        within=sum(said.within for said in last) / max(1, len(last)),
        wrong=[said for said in every if said.wrong(act=act)],
        early=sum(run.early for run in runs),
        timed=sum(run.timed for run in runs),
        most_early=max(run.early - run.timed for run in runs),
    )
    worst_mm = max((round(1000.0 * abs(said.error_m)) for said in result.wrong), default=0)
    print(
        f"\n{len(seeds)} plants, leak {leak_pa_s:g} Pa/s: {result.said} estimates, {result.blind} blind, "
        f"{len(result.wrong)} silently wrong (worst {worst_mm} mm); {result.close:.1%} of {len(last)} before a purge "
        f"within 5 % and 10 mm, {result.within:.1%} within 5 % and 2 u; "
        f"{result.early} early purges beside {result.timed}"
    )
    return result


SEEDS = [
    pytest.param(range(6), id="few", marks=pytest.mark.timeout(600)),
    pytest.param(range(200), id="all", marks=[pytest.mark.campaign, pytest.mark.timeout(3600)]),
]


@pytest.mark.parametrize("seeds", SEEDS)
def test_a_movement_of_a_tight_tube_s_level_is_told_within_5_percent_and_noise(seeds: range) -> None:
    result = surveyed(seeds, act=False, leak_pa_s=0.0)
    assert not result.wrong
    assert result.within >= 0.99
    assert result.close >= 0.97
    assert result.blind < 0.25 * result.said, "a watch that says nothing is never wrong"


@pytest.mark.parametrize("seeds", SEEDS)
def test_a_leak_never_makes_it_silently_wrong_nor_purge_more_than_twice_as_often(seeds: range) -> None:
    """50 Pa/s at half the full head empties a tube in minutes."""
    result = surveyed(seeds, act=True, leak_pa_s=50.0)
    assert not result.wrong
    assert result.most_early <= 0
    assert result.early > 0
