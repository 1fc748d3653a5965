"""Whatever happens in whatever order: the valve is shut in the end, opened once at most, never open for too long."""

from __future__ import annotations

import copy
import dataclasses
import math
import random
from collections import Counter

import pytest

from lungfish.core.codes import Quality
from lungfish.core.cycle import TRANSITIONS, Cycle
from lungfish.core.events import Action, AirGranted, Event, Finish, SetValve, ValveState
from lungfish.core.reading import Phase, Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent
from tests.core.samples import setup_of
from tests.core.sequences import World, nonsense

LONGEST = 260
"""Events of a sequence, at most; then the cycle is left to nonsense until it ends."""
SETUPS = (
    setup_of(),
    setup_of(tee_at_valve=False, line_length_m=2.0),
    setup_of(line_length_m=0.0, max_open_s=4.0),
    setup_of(tube_bore_m=0.025, max_open_s=300.0, flow_pa_m3_s=0.5),
)


class Watch:
    """Holds one cycle to its promises, event by event."""

    def __init__(self, setup: CycleSetup, learned: Learned) -> None:
        self.setup = setup
        self.cycle = Cycle(setup, learned)
        self.opened_at_s: float | None = None
        self.is_open = False
        self.opens = 0
        self.refused = 0
        self.reading: Reading | None = None
        self.visited = {Phase.REST}

    def step(self, event: Event) -> tuple[Action, ...]:
        cycle, done_before = self.cycle, self.cycle.phase is Phase.DONE
        listed = (cycle.phase, type(event)) in TRANSITIONS
        unasked = cycle.phase is Phase.LOOK and isinstance(event, AirGranted)
        before = copy.deepcopy(cycle.__dict__) if unasked or not listed else None
        try:
            actions = cycle.step(event)
        except IllegalEvent:
            self.refused += 1
            assert before is not None, "a pair that the table lists was refused"
            assert cycle.__dict__ == before, "an illegal event has left its mark"
            return ()
        assert listed, "a pair that the table does not list was taken"
        self.visited.add(cycle.phase)
        if done_before:
            assert actions == (), "something was asked for after the end"
            return actions
        self._valve(event, actions)
        finishes = [action for action in actions if isinstance(action, Finish)]
        assert bool(finishes) == (cycle.phase is Phase.DONE)
        if finishes:
            assert actions[0] == SetValve(state=ValveState.SHUT), "the valve comes first on every way out"
            assert len(finishes) == 1
            self.reading = finishes[0].reading
            check_reading(self.reading, event)
        return actions

    def _valve(self, event: Event, actions: tuple[Action, ...]) -> None:
        was_open = self.is_open
        for action in actions:
            if isinstance(action, SetValve):
                if action.state is ValveState.OPEN:
                    self.opens += 1
                    self.opened_at_s, self.is_open = event.t_s, True
                else:
                    self.is_open = False
        assert self.opens <= 1, "the valve was opened twice"
        if was_open and self.opened_at_s is not None and event.t_s >= self.opened_at_s + self.setup.max_open_s:
            assert not self.is_open, f"still open {event.t_s - self.opened_at_s:g} s after the command"
        if self.cycle.phase in (Phase.SHUT_IN, Phase.DONE, Phase.REST, Phase.LOOK):
            assert not self.is_open


def check_reading(reading: Reading, event: Event) -> None:
    """No level when bad; numbers that are numbers; nothing learned that the next cycle would choke on."""
    assert reading.findings
    assert reading.ended_at_s == event.t_s
    assert all(finding.sentence for finding in reading.findings)
    assert reading.open_s >= 0.0
    if reading.quality is Quality.BAD:
        assert reading.level_m is None
        assert reading.head_pa is None
        assert reading.budget is None
    else:
        assert reading.level_m is not None
        assert reading.head_pa is not None
        assert reading.budget is not None
        for measured in (reading.level_m, reading.head_pa):
            assert math.isfinite(measured.value)
            assert math.isfinite(measured.u)
            assert measured.u > 0.0
    air = reading.features.air_pa_m3
    assert air is None or (math.isfinite(air) and air >= 0.0)
    for learned_field in dataclasses.fields(reading.learned):
        value = getattr(reading.learned, learned_field.name)
        assert value is None or math.isfinite(value), f"learned {learned_field.name} = {value}"
    assert reading.learned.damping_s > 0.0
    assert reading.learned.log_damping_u > 0.0
    assert reading.learned.friction_ratio_u > 0.0


def run_sequence(seed: int) -> Watch:
    """One cycle under one random sequence, from start or from the middle of nonsense, to its end and beyond."""
    rng = random.Random(seed)
    setup = rng.choice(SETUPS)
    learned = rng.choice(
        (Learned(), Learned(cycles=9, damping_s=0.1, log_damping_u=0.1, leak_pa_s=40.0, shut_at_s=0.0))
    )
    watch, world = Watch(setup, learned), World.drawn(rng)
    for _ in range(LONGEST):
        world.heed(watch.step(world.next_event(watch.cycle)))
        if watch.reading is not None:
            break
    else:
        # left alone but for its deadlines it must come to an end by itself, unless nobody ever started it
        for _ in range(40):
            world.t_s += setup.max_open_s
            world.heed(watch.step(nonsense(rng, world.t_s)))
    for _ in range(3):
        watch.step(nonsense(rng, world.t_s))
    return watch


def run_many(seeds: range) -> None:
    """Hold all of them, and show that they got everywhere."""
    endings, phases, refused, opened = Counter[str](), Counter[Phase](), 0, 0
    for seed in seeds:
        try:
            watch = run_sequence(seed)
        except Exception as error:
            error.add_note(f"sequence {seed}")
            raise
        endings[watch.reading.diagnosis if watch.reading is not None else "not ended"] += 1
        phases.update(watch.visited)
        refused += watch.refused
        opened += watch.opens
    print(f"\n{len(seeds)} sequences, valve opened in {opened}, {refused} illegal events refused")
    print("phases reached:", {phase.value: phases[phase] for phase in Phase})
    print("endings:", dict(endings.most_common()))
    assert all(phases[phase] > 0.02 * len(seeds) for phase in Phase)
    assert 0.2 * len(seeds) < opened < len(seeds)
    for code in ("link_lost", "transmitter_fault", "over_range", "tube_plugged", "aborted"):
        assert endings[code] > 0, f"{code} never came up"
    assert endings["not ended"] < 0.02 * len(seeds), "only a cycle that nobody started may stay where it is"


def test_random_sequences() -> None:
    run_many(range(800))


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_a_hundred_thousand_random_sequences() -> None:
    run_many(range(1_000_000, 1_100_000))
