"""The clearing machine step by step: when it opens, when it shuts, and that every way out shuts first."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from lungfish.core.blow import ClearSetup, Stop, told
from lungfish.core.clearing import TRANSITIONS, Clearing, State
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Finish,
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
from lungfish.core.reading import Reading
from lungfish.core.room import Room, worst_rise_pa_s
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent
from lungfish.rig.plant import Faults
from tests.core.clearing_drive import Link, drive
from tests.core.samples import plant_of, setup_of

# 2.5 Pa m3/s into 0.29 L of line and 7.9 mL of tube: 12.6 kPa/s with half as much flow again
SETUP = setup_of(span_high_pa=100e3, damping_s=0.1, max_open_s=60.0)
KNOWN = Learned(damping_s=0.1, log_damping_u=0.05)
CLEAR = ClearSetup(limit_pa=100e3, pulses=3, pulse_s=4.0, rest_s=5.0, delay_s=0.5)
REST_PA = 30e3
EVENTS: list[type[Event]] = [
    Start, AirGranted, PressureRead, ReadFailed, ValveSeen, ValveFailed, InputSeen, Tick, Abort,
]  # fmt: skip


class Told:
    """A clearing that is told one thing after another."""

    def __init__(self, clear: ClearSetup = CLEAR, *, setup: CycleSetup = SETUP, seen_rise_pa_s: float = 0.0) -> None:
        self.clearing = Clearing(setup, KNOWN, clear, seen_rise_pa_s)
        self.now_s = 100.0
        self.last: tuple[Action, ...] = self.clearing.step(Start(t_s=self.now_s))

    def tell(self, event: Event) -> tuple[Action, ...]:
        self.now_s = max(self.now_s, event.t_s)
        self.last = self.clearing.step(event)
        return self.last

    def read(self, *gauge_pa: float, every_s: float = 0.05) -> tuple[Action, ...]:
        for value in gauge_pa:
            if self.clearing.state is State.DONE:
                break
            self.tell(PressureRead(t_s=self.now_s + every_s, gauge_pa=value))
        return self.last

    def look(self, gauge_pa: float = REST_PA) -> tuple[Action, ...]:
        """Half a second at rest, with a pascal of noise."""
        return self.read(*(gauge_pa + number % 2 for number in range(12)))

    def open(self, gauge_pa: float = REST_PA) -> tuple[Action, ...]:
        self.look(gauge_pa)
        return self.tell(AirGranted(t_s=self.now_s))

    def opened(self) -> None:
        self.open()
        self.tell(ValveSeen(t_s=self.now_s + 0.01, state=ValveState.OPEN))

    def pulse(self) -> None:
        """One whole pulse and the rest after it."""
        self.opened()
        while self.clearing.state is State.PULSE:
            self.read(REST_PA + 500.0 * self.clearing.blow.pulses + 100.0 * (self.now_s % 5.0))
        self.tell(ValveSeen(t_s=self.now_s + 0.02, state=ValveState.SHUT))
        self.read(*(REST_PA + 2.0 * number for number in range(1, 100)), every_s=0.05)
        self.tell(Tick(t_s=self.now_s + CLEAR.rest_s))


def commanded(actions: tuple[Action, ...]) -> list[ValveState]:
    return [action.state for action in actions if isinstance(action, SetValve)]


def wake_s(actions: tuple[Action, ...]) -> float:
    return next(action.at_s for action in actions if isinstance(action, Wake))


def ended(actions: tuple[Action, ...]) -> Reading:
    """The row of a clearing that has just ended, with the valve commanded shut before all else."""
    assert actions[0] == SetValve(state=ValveState.SHUT)
    assert Sample(period_s=0.0) in actions
    return next(action.reading for action in actions if isinstance(action, Finish))


# -- before a pulse ----------------------------------------------------------------------------------------------------


def test_it_looks_before_it_asks_for_air_and_opens_only_when_granted() -> None:
    told_ = Told()
    assert AskAir() in told_.look()
    assert told_.clearing.blow.pulses == 0
    assert commanded(told_.tell(AirGranted(t_s=told_.now_s))) == [ValveState.OPEN]


def test_air_that_was_not_asked_for_is_refused() -> None:
    with pytest.raises(IllegalEvent, match="not asked for"):
        Told().tell(AirGranted(t_s=100.1))


@pytest.mark.parametrize("rest_pa", [99e3, 95e3])
def test_no_pulse_is_begun_that_could_pass_the_limit_and_the_numbers_are_told(rest_pa: float) -> None:
    told_ = Told()
    reading = ended(told_.look(rest_pa))
    assert told_.clearing.blow.stop is Stop.NO_ROOM
    assert told_.clearing.blow.pulses == 0
    (finding,) = reading.findings
    assert "not blown down" in finding.sentence
    assert "must not pass 100 kPa" in finding.sentence
    assert f"{rest_pa / 1000.0:.2f} kPa stand in the tube" in finding.sentence


def test_at_the_top_of_the_span_nothing_is_begun_whatever_the_transmitter_bears() -> None:
    told_ = Told(replace(CLEAR, limit_pa=250e3))
    ended(told_.read(*([100e3] * 12)))
    assert told_.clearing.blow.stop is Stop.NO_ROOM


def test_a_steeper_rise_seen_before_leaves_less_room() -> None:
    assert AskAir() in Told().look(80e3)
    ended(Told(seen_rise_pa_s=60e3).look(80e3))


def test_a_wait_for_air_that_outlasts_the_reading_opens_nothing() -> None:
    told_ = Told()
    told_.look()
    ended(told_.tell(AirGranted(t_s=told_.now_s + 2.0)))
    assert told_.clearing.blow.stop is Stop.LOST


# -- a pulse -----------------------------------------------------------------------------------------------------------


def test_the_deadline_at_opening_is_that_of_the_worst_plug() -> None:
    """By hand: room over the worst rise, less the delay of link and valve; the margin is friction and error."""
    setup = setup_of(span_high_pa=100e3, damping_s=0.1, max_open_s=60.0, tee_at_valve=False)
    told_ = Told(replace(CLEAR, pulse_s=60.0), setup=setup)
    opened_s = told_.now_s + 12 * 0.05
    deadline_s = wake_s(told_.open())
    latest_s = opened_s + (100e3 - REST_PA - 1.0) / worst_rise_pa_s(setup) - CLEAR.delay_s
    assert latest_s - 0.2 < deadline_s < latest_s


def test_silence_lets_the_deadline_come() -> None:
    told_ = Told(replace(CLEAR, pulse_s=60.0))
    deadline_s = wake_s(told_.open())
    assert commanded(told_.tell(Tick(t_s=deadline_s - 0.01))) == []
    assert commanded(told_.tell(Tick(t_s=deadline_s))) == [ValveState.SHUT]


def test_a_reading_below_what_was_feared_gives_more_time_and_one_above_it_ends_the_pulse() -> None:
    told_ = Told(replace(CLEAR, pulse_s=60.0))
    first_s = wake_s(told_.open())
    later_s = wake_s(told_.read(*(REST_PA + 100.0 * number for number in range(1, 40))))
    assert later_s > first_s + 1.0
    assert commanded(told_.read(100e3)) == [ValveState.SHUT]


@pytest.mark.parametrize("kind", ["same", "top", "fallen"])
def test_a_reading_that_says_nothing_gives_no_time(kind: str) -> None:
    told_ = Told(replace(CLEAR, pulse_s=60.0, limit_pa=150e3))
    deadline_s = wake_s(told_.open())
    value_pa = {"same": REST_PA + 1.0, "top": 100e3, "fallen": 0.7 * REST_PA}[kind]
    assert wake_s(told_.read(*([value_pa] * 20))) == pytest.approx(deadline_s)


def test_a_pulse_is_no_longer_than_it_may_be_and_all_together_stay_within_max_open() -> None:
    told_ = Told(replace(CLEAR, pulse_s=1.5), setup=replace(SETUP, max_open_s=60.0))
    opened_s = told_.now_s + 12 * 0.05
    assert wake_s(told_.open()) == pytest.approx(opened_s + 1.5)
    short = Told(CLEAR, setup=replace(SETUP, max_open_s=5.0))
    while short.clearing.state is not State.DONE:
        short.pulse()
    assert short.clearing.blow.pulses == 2  # 4 s, and what is left of 5 s
    assert short.clearing.blow.open_s < 5.2
    assert short.clearing.blow.stop is Stop.COMPLETE


def test_all_pulses_are_given_with_their_rests_and_the_row_counts_only_the_time_open() -> None:
    told_ = Told()
    began_s = told_.now_s
    while told_.clearing.state is not State.DONE:
        told_.pulse()
    reading = ended(told_.last)
    blow = told_.clearing.blow
    assert (blow.pulses, blow.stop) == (3, Stop.COMPLETE)
    assert told_.now_s - began_s > 3 * CLEAR.rest_s
    assert reading.open_s == pytest.approx(blow.open_s)
    assert 10.0 < blow.open_s < 12.5
    # 2.5 Pa m3/s, choked: air is flow times time
    assert reading.features.air_pa_m3 == pytest.approx(2.5 * blow.open_s, rel=0.02)
    assert reading.codes == {Diagnosis.ABORTED}
    assert reading.quality is Quality.BAD
    assert (reading.level_m, reading.head_pa) == (None, None)
    assert "blown down in 3 pulses" in reading.findings[0].sentence


# -- every way out shuts first -----------------------------------------------------------------------------------------

ENDS: dict[str, tuple[Event, Stop]] = {
    "lost": (ReadFailed(t_s=200.0, reason="no answer"), Stop.LOST),
    "no number": (PressureRead(t_s=200.0, gauge_pa=math.nan), Stop.LOST),
    "below the span": (PressureRead(t_s=200.0, gauge_pa=-20e3), Stop.LOST),
    "valve silent": (ValveFailed(t_s=200.0, wanted=ValveState.OPEN, reason="no answer"), Stop.VALVE),
    "reads back shut": (ValveSeen(t_s=200.0, state=ValveState.SHUT), Stop.VALVE),
    "abort": (Abort(t_s=200.0, reason="told to stop"), Stop.ABORTED),
}


@pytest.mark.parametrize("end", ENDS)
def test_with_the_valve_open_any_trouble_ends_it_at_once(end: str) -> None:
    told_ = Told()
    told_.opened()
    event, stop = ENDS[end]
    reading = ended(told_.tell(event))
    assert told_.clearing.blow.stop is stop
    assert reading.shut_at_s is None  # not confirmed yet: how long it was open is not known
    assert reading.features.air_pa_m3 is None


def test_with_the_valve_shut_one_lost_reading_is_borne_and_three_are_not() -> None:
    told_ = Told()
    told_.read(REST_PA)
    for _ in range(2):
        told_.tell(ReadFailed(t_s=told_.now_s + 0.1, reason="no answer"))
    assert told_.clearing.state is State.LOOK
    ended(told_.tell(ReadFailed(t_s=told_.now_s + 0.1, reason="no answer")))


def test_a_valve_that_is_not_confirmed_shut_gets_no_second_pulse() -> None:
    told_ = Told()
    told_.opened()
    told_.tell(Tick(t_s=told_.now_s + 10.0))
    reading = ended(told_.tell(Tick(t_s=told_.now_s + CLEAR.rest_s)))
    assert told_.clearing.blow.stop is Stop.VALVE
    assert reading.shut_at_s is None


def test_a_reading_that_stands_still_since_the_pulse_gets_no_second_pulse() -> None:
    """A cell that froze in the pulse would show room that is not there."""
    told_ = Told()
    told_.opened()
    frozen_pa = REST_PA + 900.0
    while told_.clearing.state is State.PULSE:
        told_.read(frozen_pa)
    told_.tell(ValveSeen(t_s=told_.now_s + 0.02, state=ValveState.SHUT))
    told_.tell(Tick(t_s=told_.now_s + CLEAR.rest_s))
    reading = ended(told_.read(*([frozen_pa] * 20)))
    assert told_.clearing.blow.stop is Stop.LOST
    assert "frozen" in reading.findings[0].sentence


@pytest.mark.parametrize("state", list(State))
def test_the_table_says_for_each_event_whether_it_may_happen(state: State) -> None:
    allowed = {kind for at, kind in TRANSITIONS if at is state}
    expected = {
        State.REST: {Start, Abort},
        State.DONE: set(EVENTS),
    }.get(state, set(EVENTS) - {Start})
    assert allowed == expected


def test_what_ended_is_ended() -> None:
    told_ = Told()
    ended(told_.tell(Abort(t_s=101.0, reason="told to stop")))
    assert told_.tell(AirGranted(t_s=102.0)) == ()
    assert told_.tell(ValveSeen(t_s=102.0, state=ValveState.SHUT)) == ()


# -- on a plant --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("holds_pa", "breaks"), [(10e3, True), (40e3, True), (400e3, False)])
def test_a_plug_breaks_out_when_its_strength_lies_below_what_the_limit_allows(holds_pa: float, breaks: bool) -> None:
    faults = Faults(plug_holds_pa=holds_pa)
    plant = plant_of(SETUP, 2.0, faults=faults, damping_s=0.1)
    clearing = Clearing(SETUP, KNOWN, replace(CLEAR, pulse_s=20.0))
    plant.highest_pa = -math.inf
    drive(plant, clearing, Link(timeout_s=0.1))
    assert (faults.plug_holds_pa == 0.0) is breaks
    assert plant.highest_pa < CLEAR.limit_pa
    assert not plant.valve_open


def test_a_supply_that_can_not_pass_the_limit_may_stand_on_the_plug() -> None:
    setup = setup_of(supply_gauge_pa=80e3, span_high_pa=100e3, damping_s=0.1)
    room = Room(setup, KNOWN, CLEAR)
    assert room.harmless
    assert math.isinf(room.lasts_s(79e3))
    plant = plant_of(setup, 2.0, faults=Faults(plugged=True), damping_s=0.1)
    plant.highest_pa = -math.inf
    clearing = Clearing(setup, KNOWN, replace(CLEAR, pulse_s=30.0, pulses=1))
    drive(plant, clearing, Link(timeout_s=0.1))
    assert clearing.blow.open_s > 29.0
    assert 75e3 < plant.highest_pa < 100e3


def test_what_is_told_holds_the_numbers() -> None:
    told_ = Told()
    while told_.clearing.state is not State.DONE:
        told_.pulse()
    text = told(told_.clearing.blow)
    assert "3 pulses" in text
    assert f"{told_.clearing.blow.highest_pa / 1000.0:.2f} kPa" in text
