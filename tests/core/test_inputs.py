"""What the cycle makes of optional switches, and of a current loop that signals a failed transmitter.

NAMUR NE 43 (2003), "Standardisation of the signal level for the failure information of digital transmitters": measuring
from 3.8 to 20.5 mA; 3.6 mA and less, 21 mA and more mean that the transmitter has failed. What lies between means
neither, so nothing is concluded from it at once.
"""

from __future__ import annotations

import pytest

from lungfish.core.codes import Diagnosis
from lungfish.core.cycle import Cycle
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    Event,
    Finish,
    Input,
    InputSeen,
    PressureRead,
    SetValve,
    Start,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.reading import Phase, Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.drive import run_plant_cycle
from tests.core.samples import plant_of, setup_of

SPAN_PA = 60e3


def at_ma(current_ma: float) -> float:
    """Pressure that a current stands for, on a span of 0 to 60 kPa."""
    return SPAN_PA * (current_ma - 4.0) / 16.0


LOOP = setup_of(fail_low_pa=at_ma(3.6), fail_high_pa=at_ma(21.0))


class Site:
    """A cycle with its clock, and a pressure that stands still."""

    def __init__(self, setup: CycleSetup) -> None:
        self.cycle = Cycle(setup, Learned(damping_s=0.1, log_damping_u=0.1))
        self.t_s = 100.0
        self.step(Start(t_s=self.t_s))

    def step(self, event: Event) -> tuple[Action, ...]:
        return self.cycle.step(event)

    def read(self, gauge_pa: float) -> Reading | None:
        self.t_s += 0.05
        return reading_of(self.step(PressureRead(t_s=self.t_s, gauge_pa=gauge_pa, took_s=0.01)))

    def look(self) -> None:
        for number in range(40):
            self.read(at_ma(8.0) + number % 3)

    def open(self) -> None:
        self.look()
        self.t_s += 0.01
        self.step(AirGranted(t_s=self.t_s))
        self.t_s += 0.01
        self.step(ValveSeen(t_s=self.t_s, state=ValveState.OPEN))

    def hear(self, which: Input, active: bool, after_s: float = 0.0) -> tuple[Action, ...]:
        return self.step(InputSeen(t_s=self.t_s + after_s, which=which, active=active))

    def stop(self) -> Reading:
        reading = reading_of(self.step(Abort(t_s=self.t_s, reason="stop")))
        assert reading is not None
        return reading


def reading_of(actions: tuple[Action, ...]) -> Reading | None:
    return next((action.reading for action in actions if isinstance(action, Finish)), None)


def test_without_switches_nothing_is_known_of_supply_and_flow() -> None:
    site = Site(setup_of())
    site.open()
    features = site.stop().features
    assert (features.supply_seen, features.flow_seen, features.flow_at_rest) == (None, None, None)


@pytest.mark.parametrize(
    ("said", "kept"),
    [([True], True), ([False], False), ([True, True], True), ([True, False], False), ([False, True], False)],
)
def test_a_supply_that_was_missing_once_was_missing(said: list[bool], kept: bool) -> None:
    site = Site(setup_of())
    site.hear(Input.SUPPLY, said[0])
    site.open()
    for active in said[1:]:
        site.hear(Input.SUPPLY, active)
    assert site.stop().features.supply_seen is kept


def test_flow_before_the_opening_is_not_taken_for_flow_through_the_open_valve() -> None:
    site = Site(setup_of())
    site.hear(Input.FLOW, active=True)
    site.open()
    features = site.stop().features
    assert (features.flow_at_rest, features.flow_seen) == (True, None)


def test_a_no_of_the_flow_switch_counts_only_after_its_response_and_a_yes_at_once() -> None:
    early, late = Site(setup_of(flow_response_s=0.4)), Site(setup_of(flow_response_s=0.4))
    for site in (early, late):
        site.open()
    early.hear(Input.FLOW, active=False, after_s=0.39)
    late.hear(Input.FLOW, active=False, after_s=0.41)
    assert early.stop().features.flow_seen is None
    assert late.stop().features.flow_seen is False
    quick = Site(setup_of(flow_response_s=0.4))
    quick.open()
    quick.hear(Input.FLOW, active=True, after_s=0.01)
    assert quick.stop().features.flow_seen is True


def test_an_answer_from_before_the_opening_that_comes_after_it_is_of_no_use() -> None:
    site = Site(setup_of())
    site.open()
    site.hear(Input.FLOW, active=True, after_s=-0.2)
    assert site.stop().features.flow_seen is None


def test_what_the_flow_switch_said_last_before_closing_counts() -> None:
    site = Site(setup_of())
    site.open()
    site.hear(Input.FLOW, active=True, after_s=0.1)
    site.hear(Input.FLOW, active=False, after_s=0.6)
    assert site.stop().features.flow_seen is False


def test_a_switch_keeps_no_deadline_away() -> None:
    site = Site(setup_of(max_open_s=3.0))
    site.open()
    opened_s = site.t_s
    while site.t_s < opened_s + 2.7:
        site.t_s += 0.1
        site.step(PressureRead(t_s=site.t_s, gauge_pa=at_ma(8.0) + 2_000.0 * (site.t_s - opened_s), took_s=0.01))
        assert all(isinstance(action, Wake) for action in site.hear(Input.FLOW, active=True))
    shut = site.hear(Input.FLOW, active=True, after_s=0.4)
    assert SetValve(state=ValveState.SHUT) in shut
    assert site.hear(Input.FLOW, active=False, after_s=0.5) == ()


@pytest.mark.parametrize("current_ma", [0.0, 3.5, 3.6, 21.0, 22.5])
@pytest.mark.parametrize("opened", [False, True])
def test_a_current_that_signals_failure_ends_the_cycle_at_once(current_ma: float, opened: bool) -> None:
    site = Site(LOOP)
    site.open() if opened else site.look()
    reading = site.read(at_ma(current_ma))
    assert reading is not None
    assert reading.codes == {Diagnosis.TRANSMITTER_FAULT}
    assert f"{current_ma:.2f} mA" in reading.findings[0].sentence
    assert reading.level_m is None


@pytest.mark.parametrize("current_ma", [3.61, 3.7, 3.79])
def test_a_current_below_measuring_is_no_failure_yet(current_ma: float) -> None:
    site = Site(LOOP)
    site.look()
    assert [site.read(at_ma(current_ma)), site.read(at_ma(current_ma))] == [None, None]


@pytest.mark.parametrize("current_ma", [20.51, 20.9, 20.99])
def test_a_current_above_measuring_must_last(current_ma: float) -> None:
    site = Site(LOOP)
    site.look()
    assert site.read(at_ma(current_ma)) is None
    assert site.read(at_ma(current_ma)) is None
    assert site.read(at_ma(8.0)) is None  # over: nothing is concluded
    assert site.read(at_ma(current_ma)) is None
    assert site.read(at_ma(current_ma)) is None
    reading = site.read(at_ma(current_ma))
    assert reading is not None
    assert reading.codes == {Diagnosis.TRANSMITTER_FAULT}


@pytest.mark.parametrize("current_ma", [3.81, 3.9, 4.0, 12.0, 20.0, 20.49])
def test_every_current_of_the_measuring_range_is_a_pressure(current_ma: float) -> None:
    site = Site(LOOP)
    for _ in range(8):
        assert site.read(at_ma(current_ma)) is None
    assert site.cycle.phase is Phase.LOOK


def test_what_is_no_current_loop_has_no_failure_limits() -> None:
    site = Site(setup_of())
    site.look()
    assert site.read(at_ma(0.0)) is None


def test_a_simulated_plants_switches_reach_its_reading() -> None:
    setup = setup_of(flow_response_s=0.4)
    plant = plant_of(setup, level_m=1.5)
    inputs = {Input.SUPPLY: plant.supply_switch, Input.FLOW: plant.flow_switch}
    features = run_plant_cycle(plant, setup, Learned(), inputs=inputs).features
    assert (features.supply_seen, features.flow_seen, features.flow_at_rest) == (True, True, False)
    plant.faults.air_lost = True
    features = run_plant_cycle(plant, setup, Learned(), inputs=inputs).features
    assert (features.supply_seen, features.flow_seen, features.flow_at_rest) == (False, False, False)
