"""Drives a cycle against a plant in virtual time: the shortest way from a plant to a reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lungfish.core.cycle import Cycle
from lungfish.core.events import (
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
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.plant import Plant

__all__ = ["Inputs", "LinkTiming", "run_plant_cycle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkTiming:
    """How fast and how reliable the link to a plant is."""

    read_s: float = 0.010
    """One read, from request to reply, s."""
    write_s: float = 0.020
    """One valve command with its read-back, s."""
    read_fails: Callable[[float], bool] = lambda _now_s: False
    """Whether a read at this moment gets no answer."""
    write_fails: Callable[[float], bool] = lambda _now_s: False
    """Whether a valve command at this moment gets no answer (and is not carried out)."""
    timeout_s: float = 0.5
    """How long an answer is waited for, s."""


_INPUTS_EVERY_S = 0.3

Inputs = Mapping[Input, Callable[[], bool]]
"""Switches by what they watch, each asked by a call, such as `{Input.FLOW: plant.flow_switch}`."""


def run_plant_cycle(
    plant: Plant,
    setup: CycleSetup,
    learned: Learned,
    timing: LinkTiming | None = None,
    inputs: Inputs | None = None,
) -> Reading:
    """Run one cycle at the plant's present time, as the runner would over a link of this speed.

    Args:
        plant: the tank; its time moves on by the length of the cycle.
        setup: what the cycle is told of it.
        learned: from the cycle before.
        timing: the link; None for a good one.
        inputs: the plant's switches; None: it has none.

    Returns:
        The reading. The valve is commanded shut on the plant whatever happens.
    """
    drive = _Drive(plant, timing or LinkTiming(), inputs or {})
    cycle = Cycle(setup, learned)
    try:
        drive.perform(cycle, Start(t_s=plant.now_s))
        while drive.reading is None:
            drive.advance(cycle)
    finally:
        plant.advance(drive.now_s)
        plant.command(False)
    return drive.reading


class _Drive:
    """Keeps the time; the plant is brought up to it only where something is read from it or commanded."""

    def __init__(self, plant: Plant, timing: LinkTiming, inputs: Inputs) -> None:
        self.plant = plant
        self.timing = timing
        self.reading: Reading | None = None
        self.now_s = plant.now_s
        self._period_s = 0.0
        self._next_read_s = plant.now_s
        self._wake_s: float | None = None
        self._inputs = inputs
        self._next_inputs_s = plant.now_s

    def advance(self, cycle: Cycle) -> None:
        """Go to whatever comes next: a read or a deadline."""
        if self._wake_s is not None and (self._period_s <= 0 or self._wake_s <= self._next_read_s):
            self.now_s, self._wake_s = max(self._wake_s, self.now_s), None
            self.perform(cycle, Tick(t_s=self.now_s))
            return
        if self._period_s <= 0:
            msg = "the cycle waits for nothing"
            raise RuntimeError(msg)
        begin_s = max(self.now_s, self._next_read_s)
        self._next_read_s = begin_s + self._period_s
        if self.timing.read_fails(begin_s):
            self.now_s = begin_s + self.timing.timeout_s
            self.perform(cycle, ReadFailed(t_s=self.now_s, reason="no answer"))
            return
        middle_s = begin_s + self.timing.read_s / 2.0
        self.plant.advance(middle_s)
        gauge_pa = self.plant.gauge_pa()
        if self._inputs and middle_s >= self._next_inputs_s:
            self._next_inputs_s = middle_s + _INPUTS_EVERY_S
            for which, says in self._inputs.items():
                self.perform(cycle, InputSeen(t_s=middle_s, which=which, active=says()))
        self.now_s = begin_s + self.timing.read_s
        self.perform(cycle, PressureRead(t_s=middle_s, gauge_pa=gauge_pa, took_s=self.timing.read_s))

    def perform(self, cycle: Cycle, event: Event) -> None:
        """Feed one event and do what is asked, in order."""
        for action in cycle.step(event):
            match action:
                case Sample(period_s=period_s):
                    self._period_s = period_s
                    self._next_read_s = min(self._next_read_s, self.now_s + period_s)
                case Wake(at_s=at_s):
                    self._wake_s = at_s
                case Finish(reading=reading):
                    self.reading = reading
                case AskAir():
                    self.perform(cycle, AirGranted(t_s=self.now_s))
                case SetValve(state=state):
                    self._set_valve(cycle, state)

    def _set_valve(self, cycle: Cycle, state: ValveState) -> None:
        if self.timing.write_fails(self.now_s):
            self.now_s += self.timing.timeout_s
            self.perform(cycle, ValveFailed(t_s=self.now_s, wanted=state, reason="no answer"))
            return
        moved_s = self.now_s + self.timing.write_s / 2.0
        self.plant.advance(moved_s)
        self.plant.command(state is ValveState.OPEN)
        self.now_s = moved_s + self.timing.write_s / 2.0
        self.perform(cycle, ValveSeen(t_s=moved_s, state=state))
