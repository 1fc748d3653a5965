"""The transition table, pair by pair, and the deadlines of an open valve."""

from __future__ import annotations

import copy
import itertools
import random
from collections.abc import Callable

import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.cycle import TRANSITIONS, Cycle
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Finish,
    Input,
    InputSeen,
    PressureRead,
    ReadFailed,
    Sample,
    SetValve,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.plan import SILENCE_S
from lungfish.core.reading import Phase, Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent
from tests.core.samples import SUMP, setup_of
from tests.core.sequences import World

OPEN, SHUT = SetValve(state=ValveState.OPEN), SetValve(state=ValveState.SHUT)

EVENTS: dict[type[Event], Callable[[float], Event]] = {
    Start: lambda t: Start(t_s=t),
    AirGranted: lambda t: AirGranted(t_s=t),
    PressureRead: lambda t: PressureRead(t_s=t, gauge_pa=5_000.0, took_s=0.01),
    ReadFailed: lambda t: ReadFailed(t_s=t, reason="no answer"),
    ValveSeen: lambda t: ValveSeen(t_s=t, state=ValveState.SHUT),
    ValveFailed: lambda t: ValveFailed(t_s=t, wanted=ValveState.SHUT, reason="no answer"),
    InputSeen: lambda t: InputSeen(t_s=t, which=Input.SUPPLY, active=True),
    Tick: lambda t: Tick(t_s=t),
    Abort: lambda t: Abort(t_s=t, reason="stop"),
}


class Bench:
    """A cycle brought to a phase by a tube that behaves."""

    def __init__(self, phase: Phase, *, setup: CycleSetup = SUMP, period_s: float = 0.05) -> None:
        self.cycle = Cycle(setup, Learned(damping_s=0.1, log_damping_u=0.1))
        self.world = World(rng=random.Random(5), period_s=period_s, trapped_pa=15_000.0)
        self.last: tuple[Action, ...] = ()
        for _ in range(2_000):
            if self.cycle.phase is phase:
                return
            self.last = self.cycle.step(self.world.next_event(self.cycle))
            self.world.heed(self.last)
        pytest.fail(f"never came to {phase.value}")

    def step(self, event: Event) -> tuple[Action, ...]:
        self.last = self.cycle.step(event)
        return self.last

    def read(self, gauge_pa: float, after_s: float = 0.05) -> tuple[Action, ...]:
        self.world.t_s += after_s
        return self.step(PressureRead(t_s=self.world.t_s, gauge_pa=gauge_pa, took_s=0.01))

    def to_ask(self) -> None:
        """From the look to the moment that air is asked for."""
        for _ in range(2_000):
            if any(isinstance(action, AskAir) for action in self.read(15_000.0 + self.world.rng.gauss(0, 2))):
                return
        pytest.fail("air was never asked for")

    @property
    def t_s(self) -> float:
        return self.world.t_s


def reading_of(actions: tuple[Action, ...]) -> Reading:
    """The reading, if the actions are those of a proper end: shut, stop sampling, finish."""
    assert [type(action) for action in actions] == [SetValve, Sample, Finish]
    assert actions[0] == SHUT
    assert actions[1] == Sample(period_s=0.0)
    finish = actions[2]
    assert isinstance(finish, Finish)
    return finish.reading


def ended(actions: tuple[Action, ...], code: Diagnosis) -> Reading:
    """The reading of a cycle that was broken off: bad, without a level, in so many words."""
    reading = reading_of(actions)
    assert reading.codes == {code}
    assert reading.quality is Quality.BAD
    assert reading.level_m is None
    assert reading.head_pa is None
    return reading


# -- the table -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("phase", "kind"), list(itertools.product(Phase, EVENTS)), ids=lambda value: str(value))
def test_every_pair_is_listed_or_refused_without_a_trace(phase: Phase, kind: type[Event]) -> None:
    bench = Bench(phase)
    event = EVENTS[kind](bench.t_s + 0.05)
    before = copy.deepcopy(bench.cycle.__dict__)
    if (phase, kind) not in TRANSITIONS or (phase, kind) == (Phase.LOOK, AirGranted):
        with pytest.raises(IllegalEvent, match=r"\w"):
            bench.step(event)
        assert bench.cycle.__dict__ == before
        return
    actions = bench.step(event)
    opened = phase in (Phase.FILL, Phase.HOLD)
    assert OPEN not in actions
    if bench.cycle.phase is Phase.DONE and phase is not Phase.DONE:
        reading_of(actions)
    if opened and bench.cycle.phase not in (Phase.FILL, Phase.HOLD):
        assert SHUT in actions


def test_the_table_knows_every_phase_and_every_event() -> None:
    assert {phase for phase, _ in TRANSITIONS} == set(Phase)
    assert {kind for _, kind in TRANSITIONS} == set(EVENTS) == set(Event.__args__)
    for phase in Phase:
        assert (phase, Abort) in TRANSITIONS, "whatever it does, it can be told to stop"
    refused = {(phase.value, kind.__name__) for phase in Phase for kind in EVENTS if (phase, kind) not in TRANSITIONS}
    assert ("rest", "AirGranted") in refused, "no valve opens before the look"
    assert ("hold", "Start") in refused


@pytest.mark.parametrize("kind", EVENTS)
def test_after_the_end_nothing_changes_and_nothing_is_asked_for(kind: type[Event]) -> None:
    bench = Bench(Phase.DONE)
    before = copy.deepcopy(bench.cycle.__dict__)
    assert bench.step(EVENTS[kind](bench.t_s + 1.0)) == ()
    assert bench.cycle.__dict__ == before


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.DONE])
def test_an_abort_ends_it_from_anywhere_with_the_valve_first(phase: Phase) -> None:
    bench = Bench(phase)
    reading = ended(bench.step(Abort(t_s=bench.t_s + 0.01, reason="told to stop by a person")), Diagnosis.ABORTED)
    assert "told to stop by a person" in reading.findings[0].sentence


# -- the look --------------------------------------------------------------------------------------------------------


def test_air_is_asked_for_once_and_the_valve_waits_for_it() -> None:
    bench = Bench(Phase.LOOK)
    bench.to_ask()
    asked = [bench.read(15_000.0 + bench.world.rng.gauss(0, 2)) for _ in range(40)]
    assert not any(isinstance(action, AskAir | SetValve) for actions in asked for action in actions)
    assert bench.step(AirGranted(t_s=bench.t_s))[0] == OPEN
    assert bench.cycle.phase is Phase.FILL


def test_a_drift_while_waiting_for_air_is_not_taken_for_a_rise() -> None:
    """Half a minute of waiting while the level climbs: what counts as trapped is the pressure at the opening."""
    bench = Bench(Phase.LOOK)
    bench.to_ask()
    for _ in range(600):
        bench.read(15_000.0 + 50.0 * bench.t_s)
    before = 15_000.0 + 50.0 * bench.t_s
    bench.step(AirGranted(t_s=bench.t_s))
    reading = reading_of(bench.step(Abort(t_s=bench.t_s, reason="enough")))
    assert reading.features.trapped_pa == pytest.approx(before, abs=10.0)


def test_a_grant_that_nobody_asked_for_is_refused() -> None:
    with pytest.raises(IllegalEvent, match="not asked for"):
        Bench(Phase.LOOK).step(AirGranted(t_s=1.0))


def test_a_late_echo_of_an_earlier_shut_is_ignored_before_the_opening() -> None:
    bench = Bench(Phase.LOOK)
    for state in ValveState:
        assert bench.step(ValveSeen(t_s=bench.t_s, state=state)) == ()
    assert bench.cycle.phase is Phase.LOOK


def test_a_valve_without_an_answer_ends_it_before_it_is_opened() -> None:
    bench = Bench(Phase.LOOK)
    reading = ended(bench.step(EVENTS[ValveFailed](bench.t_s)), Diagnosis.LINK_LOST)
    assert "no answer" in reading.findings[0].sentence


def test_three_failed_reads_on_end_are_a_lost_link_and_two_are_not() -> None:
    bench = Bench(Phase.LOOK)
    bench.read(15_000.0)
    for _ in range(2):
        assert not any(isinstance(action, Finish) for action in bench.step(EVENTS[ReadFailed](bench.t_s + 0.01)))
    bench.read(15_000.0)
    for _ in range(2):
        bench.step(EVENTS[ReadFailed](bench.t_s + 0.01))
    reading = ended(bench.step(EVENTS[ReadFailed](bench.t_s + 0.01)), Diagnosis.LINK_LOST)
    assert reading.features.reads_failed == 5
    assert "3 times on end" in reading.findings[0].sentence
    assert "15000 Pa" in reading.findings[0].sentence


def test_a_transmitter_that_never_says_anything_is_told() -> None:
    bench = Bench(Phase.LOOK)
    wake = next(action for action in bench.last if isinstance(action, Wake))
    actions = bench.step(Tick(t_s=wake.at_s + 1e-3))
    reading = ended(actions, Diagnosis.LINK_LOST)
    assert "nothing" in reading.findings[0].sentence
    assert reading.features.samples == 0


def test_an_early_tick_asks_to_be_woken_again() -> None:
    bench = Bench(Phase.LOOK)
    bench.read(15_000.0)
    (wake,) = bench.step(Tick(t_s=bench.t_s + 0.1))
    assert isinstance(wake, Wake)
    assert wake.at_s > bench.t_s + 0.1


# -- the valve is open -----------------------------------------------------------------------------------------------


def opened(setup: CycleSetup = SUMP, *, confirmed: bool = True) -> tuple[Bench, float]:
    """A bench whose valve has just been commanded open; and when."""
    bench = Bench(Phase.LOOK, setup=setup)
    bench.to_ask()
    at_s = bench.t_s
    assert bench.step(AirGranted(t_s=at_s))[0] == OPEN
    if confirmed:
        bench.step(ValveSeen(t_s=at_s + 0.02, state=ValveState.OPEN))
    return bench, at_s


@pytest.mark.parametrize("kind", ["tick", "pressure", "echo", "grant", "failed read"])
@pytest.mark.parametrize("max_open_s", [3.0, 20.0, 90.0])
def test_the_first_event_at_the_deadline_shuts_the_valve(kind: str, max_open_s: float) -> None:
    """Whatever it is: the pressure climbs for ever, slowly, and everything answers."""
    bench, at_s = opened(setup_of(max_open_s=max_open_s))
    while bench.t_s + 0.1 < at_s + max_open_s:
        assert bench.cycle.phase in (Phase.FILL, Phase.HOLD), "shut before its time"
        actions = bench.read(15_000.0 + 250.0 * (bench.t_s - at_s), after_s=0.1)
        if SHUT in actions:
            break
    else:
        due = at_s + max_open_s
        events: dict[str, Event] = {
            "tick": Tick(t_s=due),
            "pressure": PressureRead(t_s=due, gauge_pa=20_000.0),
            "echo": ValveSeen(t_s=due, state=ValveState.OPEN),
            "grant": AirGranted(t_s=due),
            "failed read": ReadFailed(t_s=due, reason="no answer"),
        }
        assert SHUT in bench.step(events[kind])
    assert bench.t_s <= at_s + max_open_s
    assert bench.cycle.phase is Phase.SHUT_IN


def test_it_asks_to_be_woken_before_the_deadline_of_the_valve() -> None:
    bench, at_s = opened(setup_of(max_open_s=4.0))
    for _ in range(200):
        wakes = [action.at_s for action in bench.last if isinstance(action, Wake)]
        assert wakes
        assert wakes[-1] <= at_s + 4.0 + 1e-9
        if SHUT in bench.read(15_000.0 + 900.0 * (bench.t_s - at_s)):
            return
    pytest.fail("never shut")


def test_silence_while_open_shuts_the_valve() -> None:
    bench, _ = opened()
    bench.read(15_500.0)
    wake = bench.last[-1]
    assert isinstance(wake, Wake)
    assert wake.at_s == pytest.approx(bench.t_s + SILENCE_S)
    reading = ended(bench.step(Tick(t_s=wake.at_s)), Diagnosis.LINK_LOST)
    assert reading.opened_at_s is not None
    assert reading.shut_at_s is None


def test_a_slow_failing_link_is_silent_sooner_than_three_time_outs() -> None:
    bench, _ = opened()
    bench.read(15_500.0)
    bench.step(ReadFailed(t_s=bench.t_s + 1.0, reason="no answer"))
    ended(bench.step(ReadFailed(t_s=bench.t_s + 2.0, reason="no answer")), Diagnosis.LINK_LOST)


def test_a_valve_that_does_not_confirm_its_opening_is_shut_again() -> None:
    bench, at_s = opened(confirmed=False)
    actions: tuple[Action, ...] = ()
    while not any(isinstance(action, Finish) for action in actions):
        assert bench.t_s < at_s + 10.0
        actions = bench.read(15_000.0)
    reading = ended(actions, Diagnosis.LINK_LOST)
    assert "did not confirm" in reading.findings[0].sentence
    assert reading.opened_at_s == at_s, "it may have been open since it was told to"


def test_a_valve_seen_shut_when_it_was_told_to_open_ends_the_cycle() -> None:
    bench, at_s = opened(confirmed=False)
    reading = ended(bench.step(ValveSeen(t_s=at_s + 0.1, state=ValveState.SHUT)), Diagnosis.LINK_LOST)
    assert "told to open" in reading.findings[0].sentence


def test_a_valve_command_without_an_answer_ends_the_cycle() -> None:
    bench, at_s = opened(confirmed=False)
    event = ValveFailed(t_s=at_s + 0.5, wanted=ValveState.OPEN, reason="unit 1, coil 0: no answer")
    assert "unit 1, coil 0: no answer" in ended(bench.step(event), Diagnosis.LINK_LOST).findings[0].sentence


def test_repeated_and_uncertain_echoes_change_nothing() -> None:
    bench, at_s = opened(confirmed=False)
    for state in (ValveState.UNKNOWN, ValveState.OPEN, ValveState.OPEN):
        (wake,) = bench.step(ValveSeen(t_s=at_s + 0.3, state=state))
        assert isinstance(wake, Wake)
    bench.step(ValveSeen(t_s=at_s + 1.0, state=ValveState.OPEN))
    reading = reading_of(bench.step(Abort(t_s=at_s + 1.0, reason="enough")))
    assert reading.opened_at_s == pytest.approx(at_s + 0.3), "the first one counts"


def test_an_echo_stamped_before_its_command_is_not_believed() -> None:
    bench, at_s = opened(confirmed=False)
    bench.step(ValveSeen(t_s=at_s - 5.0, state=ValveState.OPEN))
    assert reading_of(bench.step(Abort(t_s=at_s, reason="enough"))).opened_at_s == at_s


# -- after closing ---------------------------------------------------------------------------------------------------


def test_a_valve_seen_open_after_closing_is_told_and_shut_again() -> None:
    bench = Bench(Phase.SHUT_IN)
    reading = ended(bench.step(ValveSeen(t_s=bench.t_s + 0.1, state=ValveState.OPEN)), Diagnosis.LINK_LOST)
    assert "told to shut" in reading.findings[0].sentence
    assert reading.shut_at_s is None


def test_a_valve_that_never_confirms_its_closing_gives_no_level() -> None:
    bench = Bench(Phase.SHUT_IN)
    bench.world.owed.clear()
    for _ in range(2_000):
        actions = bench.read(19_000.0)
        if any(isinstance(action, Finish) for action in actions):
            ended(actions, Diagnosis.LINK_LOST)
            return
    pytest.fail("never ended")


def test_a_valve_command_without_an_answer_after_closing_gives_no_level() -> None:
    bench = Bench(Phase.SHUT_IN)
    ended(bench.step(EVENTS[ValveFailed](bench.t_s + 0.1)), Diagnosis.LINK_LOST)


def test_silence_after_closing_is_waited_out_and_then_told() -> None:
    """The valve is shut: there is no hurry, but too few samples make no level."""
    bench = Bench(Phase.SHUT_IN)
    bench.step(ValveSeen(t_s=bench.t_s + 0.02, state=ValveState.SHUT))
    wake = bench.last[-1]
    assert isinstance(wake, Wake)
    (again,) = bench.step(Tick(t_s=bench.t_s + 0.5))
    assert again == wake
    reading = ended(bench.step(Tick(t_s=wake.at_s)), Diagnosis.LINK_LOST)
    assert "too few" in reading.findings[0].sentence
    assert str(reading.features.samples) in reading.findings[0].sentence


def test_a_good_cycle_goes_through_every_phase_in_order() -> None:
    bench = Bench(Phase.DONE)
    reading = reading_of(bench.last)
    phases = [phase for phase, _ in itertools.groupby(sample.phase for sample in reading.trace)]
    first_hold = phases.index(Phase.HOLD)
    assert phases[0] is Phase.LOOK
    assert set(phases[1:first_hold]) == {Phase.FILL}
    assert phases[-1] is Phase.SHUT_IN
    assert reading.quality is Quality.GOOD
    assert reading.level_m is not None
    # here friction is gone at once, the line of the setup would take a moment: 2 % of 900 Pa for that
    assert reading.features.shut_in_pa == pytest.approx(19_000.0, abs=18.0)
    times = [sample.t_s for sample in reading.trace]
    assert times == sorted(times)
