"""Drives a clearing against a plant in virtual time over a link that loses answers, with a valve that insists."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from lungfish.core.clearing import Clearing, ClearPhase
from lungfish.core.clearing_plan import ClearSetup
from lungfish.core.events import (
    Abort,
    AirGranted,
    AskAir,
    Event,
    Finish,
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
from lungfish.core.setup import CycleSetup
from lungfish.rig.plant import Plant

__all__ = ["Drive", "clear_of"]

RETRY_S = 0.1


def clear_of(setup: CycleSetup, **changes: float) -> ClearSetup:
    """What a site file might allow for a tank: a transmitter that bears 200 kPa on a line for 160 kPa."""
    told = {
        "pressure_pa": 160e3,
        "bears_pa": 200e3,
        "pulses": 3,
        "pulse_s": 60.0,
        "rest_s": 20.0,
        "tries": 2,
        "between_s": 3600.0,
        "delay_s": 2.5,
        "friction_ratio": 3.0,
        "supply_gauge_pa": setup.supply_gauge_pa,
        "flow_pa_m3_s": setup.flow_pa_m3_s,
        "max_open_s": setup.max_open_s,
    }
    return ClearSetup(**{**told, **changes})  # type: ignore[arg-type] # a test's own misspelling fails at once


@dataclass
class Drive:
    """One transaction at a time: what is asked while one is under way waits, but a command to shut goes next."""

    plant: Plant
    dice: random.Random = field(default_factory=lambda: random.Random(1))
    takes_s: float = 0.02
    timeout_s: float = 0.5
    valve_s: float = 0.0
    lost_share: float = 0.0
    """Share of reads that get no answer."""
    lost_writes: int = 0
    """At most so many commands in a row are lost ..."""
    lost_write_share: float = 0.0
    """... each with this chance."""
    die_at_event: int | None = None
    """The process dies before this event; None: it lives."""
    seconds_left: float = 20000.0

    reading: Reading | None = None
    openings: int = 0
    events: int = 0
    dead: bool = False

    def run(self, clearing: Clearing, abort_at_s: float | None = None) -> Reading | None:
        """To the end, or to its death: then whoever comes next shuts the valve within the delay that is allowed."""
        self._period_s = 0.0
        self._wake_s: float | None = None
        self._next_read_s = self.plant.now_s
        self._wants: list[ValveState] = []
        end_s = self.plant.now_s + self.seconds_left
        self._feed(clearing, Start(t_s=self.plant.now_s))
        while self.reading is None and not self.dead:
            assert self.plant.now_s < end_s, f"it hangs in {clearing.phase}"
            if abort_at_s is not None and self.plant.now_s >= abort_at_s:
                self._feed(clearing, Abort(t_s=self.plant.now_s, reason="the test says so"))
                abort_at_s = None
            elif self._wants:
                self._command(clearing, self._wants.pop(0))
            else:
                self._wait(clearing)
        self._shut()
        return self.reading

    def _shut(self) -> None:
        """The valve's keeper, or the next life of the daemon, insists."""
        self.plant.advance(self.plant.now_s + self.takes_s)
        self.plant.command(False)
        self.plant.advance(self.plant.now_s + 5.0)

    def _wait(self, clearing: Clearing) -> None:
        plant = self.plant
        if self._wake_s is not None and (self._period_s <= 0 or self._wake_s <= self._next_read_s):
            at_s, self._wake_s = max(self._wake_s, plant.now_s), None
            plant.advance(at_s)
            self._feed(clearing, Tick(t_s=plant.now_s))
            return
        assert self._period_s > 0, f"it waits for nothing in {clearing.phase}"
        plant.advance(max(plant.now_s, self._next_read_s))
        self._next_read_s = plant.now_s + self._period_s
        if self.dice.random() < self.lost_share:
            self._pass(clearing, self.timeout_s)
            self._feed(clearing, ReadFailed(t_s=plant.now_s, reason="no answer"))
            return
        plant.advance(plant.now_s + self.takes_s / 2)
        at_s, gauge_pa = plant.now_s, plant.gauge_pa()
        self._pass(clearing, self.takes_s / 2)
        self._feed(clearing, PressureRead(t_s=at_s, gauge_pa=gauge_pa, took_s=self.takes_s))

    def _pass(self, clearing: Clearing, duration_s: float) -> None:
        """A transaction is under way; a deadline does not wait for it, but what it asks for must."""
        end_s = self.plant.now_s + duration_s
        while self._wake_s is not None and self._wake_s < end_s and not self.dead and self.reading is None:
            at_s, self._wake_s = max(self._wake_s, self.plant.now_s), None
            self.plant.advance(at_s)
            self._feed(clearing, Tick(t_s=at_s))
        self.plant.advance(end_s)

    def _command(self, clearing: Clearing, state: ValveState) -> None:
        plant = self.plant
        lost = 0
        while lost < self.lost_writes and self.dice.random() < self.lost_write_share:
            lost += 1
            if state is ValveState.OPEN and self.dice.random() < 0.5:
                plant.command(True)  # carried out, only its answer is lost
                self.openings += 1
            self._pass(clearing, self.timeout_s)
            self._feed(clearing, ValveFailed(t_s=plant.now_s, wanted=state, reason="no answer"))
            if state is ValveState.OPEN or self.dead:
                return
            self._pass(clearing, RETRY_S)
        plant.advance(plant.now_s + self.takes_s / 2)
        moved_s = plant.now_s
        plant.advance(moved_s + self.valve_s)
        self.openings += state is ValveState.OPEN
        plant.command(state is ValveState.OPEN)
        self._pass(clearing, self.takes_s / 2)
        self._feed(clearing, ValveSeen(t_s=moved_s, state=state))

    def _feed(self, clearing: Clearing, event: Event) -> None:
        if self.dead or self.reading is not None:
            return
        if self.events == self.die_at_event:
            self.dead = True
            return
        self.events += 1
        actions = clearing.step(event)
        for action in actions:
            match action:
                case Sample(period_s=period_s):
                    self._period_s = period_s
                    self._next_read_s = min(self._next_read_s, self.plant.now_s + period_s)
                case Wake(at_s=at_s):
                    self._wake_s = at_s
                case AskAir():
                    self._feed(clearing, AirGranted(t_s=self.plant.now_s))
                case SetValve(state=state):
                    self._wants = [state] if state is ValveState.SHUT else [*self._wants, state]
                case Finish(reading=reading):
                    assert clearing.phase is ClearPhase.DONE
                    self.reading = reading
