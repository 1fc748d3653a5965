"""Blowing a plugged tube down in pulses, as one pure state machine: events in, actions out; no clock, no I/O.

    rest -> look -> pulse -> pause -> look -> ... -> done,   and from every state straight to done

What guards the transmitter is a deadline. From each reading on, the pressure can rise no faster than the whole flow
into a tube that is shut at the tip and full of liquid, so it is known how long it stays below the limit whatever
happens. By then the valve has been told to shut early enough for the slowest answer of its link. A pulse for which no
time is left is not begun. Every way out goes through `_finish`, which commands the valve shut before anything else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import Enum
from typing import TypeGuard

from lungfish.core.blow import Blow, ClearSetup, Stop, told
from lungfish.core.codes import Diagnosis, Finding, Quality
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
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.expect import throughput_pa_m3_s
from lungfish.core.machine import (
    BAD_IN_A_ROW,
    DUE_S,
    EVENTS,
    OPEN,
    SHUT,
    Handler,
    Listener,
    answer,
    ignore,
    transitions,
)
from lungfish.core.plan import PERIOD_S, SILENCE_S, WAIT_PERIOD_S, Plan
from lungfish.core.reading import Features, Phase, Reading, TraceSample
from lungfish.core.room import Room
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent

__all__ = ["TRANSITIONS", "Clearing", "State"]

_LOOK_S = 0.5
"""Pressure at rest is looked at so long before each pulse."""


class State(Enum):
    """Where a clearing is."""

    REST = "rest"
    LOOK = "look"
    PULSE = "pulse"
    PAUSE = "pause"
    DONE = "done"


_TRACE_PHASE = {State.LOOK: Phase.LOOK, State.PULSE: Phase.FILL, State.PAUSE: Phase.SHUT_IN}


class Clearing:
    """One try at one tube. Feed it events through `step` and perform the actions it returns, in their order.

    Args:
        setup: the tank.
        learned: what its cycles have found out.
        clear: what the site allows.
        seen_rise_pa_s: steepest rise that the cycle before has seen, Pa/s; 0 when unknown.
    """

    def __init__(self, setup: CycleSetup, learned: Learned, clear: ClearSetup, seen_rise_pa_s: float = 0.0) -> None:
        self.state = State.REST
        self.blow = Blow()
        """What was done so far."""
        self._setup = setup
        self._learned = learned
        self._clear = clear
        # no upper end: pulses may go beyond the span as far as the transmitter bears, and `Room` trusts no value there
        self._listener = Listener(setup, low_pa=Plan.of(setup, learned).invalid_low_pa)
        self._room = Room(setup, learned, clear, seen_rise_pa_s)
        self._started_s = 0.0
        self._trace: list[TraceSample] = []
        self._look: list[tuple[float, float]] = []
        self._asked = False
        self._pulse_pa = math.nan
        self._stands_still = False
        self._opened_s = 0.0
        self._pulse_end_s = 0.0
        self._next_s = 0.0
        self._confirmed = True
        self._last_shut_s: float | None = None
        self._shown: tuple[float, float] | None = None
        self._lag_pa = 0.0

    def step(self, event: Event) -> tuple[Action, ...]:
        """Take one event; returns what to do now, in order. Raises `IllegalEvent` as `answer` does."""
        return answer(TRANSITIONS, self, self.state, event, "state {} of a clearing")

    # -- readings ------------------------------------------------------------------------------------------------------

    def _take(self, event: Event) -> TypeGuard[PressureRead]:
        """Keep a reading; False when it is none."""
        if not self._listener.takes(event):
            self.blow.reads_lost += 1
            return False
        self._stands_still = self._stands_still and event.gauge_pa == self._pulse_pa
        self._follow_lag(event)
        self.blow.highest_pa = max(self.blow.highest_pa, event.gauge_pa)
        self._trace.append(TraceSample(event.t_s - self._started_s, event.gauge_pa, _TRACE_PHASE[self.state]))
        return True

    def _lost(self, event: Event) -> tuple[Action, ...]:
        reason = event.reason if isinstance(event, ReadFailed) else "the transmitter's value is off its span"
        return self._finish(event, Stop.LOST, reason)

    # -- rest, look: the valve is shut ---------------------------------------------------------------------------------

    def _begin(self, event: Event) -> tuple[Action, ...]:
        self._started_s = self._listener.last_good_s = event.t_s
        return self._start_look(event)

    def _start_look(self, event: Event) -> tuple[Action, ...]:
        self.state, self._asked, self._look = State.LOOK, False, []
        self._listener.last_good_s = max(self._listener.last_good_s, event.t_s)
        return Sample(period_s=PERIOD_S), self._watchdog()

    def _watchdog(self) -> Wake:
        return Wake(at_s=self._listener.last_good_s + 2.0 * SILENCE_S)

    def _look_read(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event):
            return self._lost(event) if self._listener.bad_in_a_row >= BAD_IN_A_ROW else self._shut_tick(event)
        self._look = [seen for seen in self._look if seen[0] > event.t_s - 2.0 * _LOOK_S]
        self._look.append((event.t_s, event.gauge_pa))
        if self._asked or event.t_s - self._look[0][0] < _LOOK_S:
            return (self._watchdog(),)
        if self._stands_still:
            return self._finish(event, Stop.LOST, "the reading has not moved since the valve was open: it is frozen")
        why = self._room.refusal(self._rest_pa())
        if why is not None:
            return self._finish(event, Stop.NO_ROOM, why)
        self._asked = True
        return Sample(period_s=WAIT_PERIOD_S), self._watchdog(), AskAir()

    def _rest_pa(self) -> float:
        return max(gauge_pa for _, gauge_pa in self._look) + self._lag_pa

    def _follow_lag(self, event: PressureRead) -> None:
        """How much the pressure may yet rise behind the damping: one that freezes on its way there shows too little."""
        before, self._shown = self._shown, (event.t_s, event.gauge_pa)
        if before is None or event.t_s <= before[0] or event.gauge_pa == before[1]:
            return
        climbs_pa_s = (event.gauge_pa - before[1]) / (event.t_s - before[0])
        self._lag_pa = max(0.0, climbs_pa_s) * self._room.damping_s

    def _shut_tick(self, event: Event) -> tuple[Action, ...]:
        if event.t_s - self._listener.last_good_s >= 2.0 * SILENCE_S - DUE_S:
            return self._finish(event, Stop.LOST, "the transmitter does not answer")
        return (self._watchdog(),)

    def _granted(self, event: Event) -> tuple[Action, ...]:
        if not self._asked:
            msg = "air granted that was not asked for"
            raise IllegalEvent(msg)
        if event.t_s - self._listener.last_good_s > SILENCE_S:
            return self._finish(event, Stop.LOST, "the latest pressure is too old to open on")
        why = self._room.refusal(self._rest_pa())
        if why is not None:
            return self._finish(event, Stop.NO_ROOM, why)
        self.state, self._confirmed = State.PULSE, False
        self._opened_s = event.t_s
        left_s = self._setup.max_open_s - self.blow.open_s
        self._pulse_end_s = event.t_s + min(self._clear.pulse_s, left_s)
        self._room.open_at(event.t_s, self._rest_pa())
        self.blow.pulses += 1
        return OPEN, Sample(period_s=PERIOD_S), Wake(at_s=self._deadline_s())

    # -- pulse: the valve is commanded open ----------------------------------------------------------------------------

    def _deadline_s(self) -> float:
        """By when the valve must have been told to shut."""
        return min(self._pulse_end_s, self._room.deadline_s)

    def _pulse_read(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event):
            return self._lost(event)  # with the valve open a single one is enough
        # the value may be as old as the request
        self._room.read(event.t_s - 0.5 * event.took_s, event.gauge_pa)
        now_s = event.t_s + 0.5 * event.took_s
        if event.gauge_pa >= self._clear.limit_pa or now_s >= self._deadline_s() - DUE_S:
            return self._close(event)
        return (Wake(at_s=self._deadline_s()),)

    def _pulse_tick(self, event: Event) -> tuple[Action, ...]:
        return self._close(event) if event.t_s >= self._deadline_s() - DUE_S else (Wake(at_s=self._deadline_s()),)

    def _opened(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is ValveState.SHUT:
            return self._finish(event, Stop.VALVE, "it was told to open and reads back as shut")
        return self._pulse_tick(event)

    def _close(self, event: Event) -> tuple[Action, ...]:
        self.state = State.PAUSE
        self._pulse_pa, self._stands_still = (self._trace[-1].gauge_pa, True) if self._trace else (math.nan, False)
        self._next_s = event.t_s + self._clear.rest_s
        return SHUT, Sample(period_s=WAIT_PERIOD_S), Wake(at_s=self._next_s)

    def _count_open(self, until_s: float) -> None:
        """Add the pulse under way to the time open and to the air."""
        if self._confirmed:
            return
        open_s = max(0.0, until_s - self._opened_s)
        self._confirmed, self._last_shut_s = True, until_s
        self.blow.open_s += open_s
        self.blow.air_pa_m3 += open_s * throughput_pa_m3_s(self._setup, self._rest_pa())

    # -- pause: the valve is commanded shut ----------------------------------------------------------------------------

    def _closed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is not ValveState.SHUT:
            # an opening that was under way may still report itself; nothing else may
            return self._pause_tick(event) if not self._confirmed else self._finish(event, Stop.VALVE, "it reads open")
        self._count_open(max(event.t_s, self._opened_s))
        return self._pause_tick(event)

    def _pause_read(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event) and self._listener.bad_in_a_row >= BAD_IN_A_ROW:
            return self._lost(event)
        return self._pause_tick(event)

    def _pause_tick(self, event: Event) -> tuple[Action, ...]:
        if event.t_s < self._next_s - DUE_S:
            return (Wake(at_s=self._next_s),)
        if not self._confirmed:
            return self._finish(event, Stop.VALVE, "it is not confirmed shut")
        spent = self.blow.open_s + self._room.least_pulse_s >= self._setup.max_open_s
        if self.blow.pulses >= self._clear.pulses or spent:
            return self._finish(event, Stop.COMPLETE)
        return self._start_look(event)

    # -- the end -------------------------------------------------------------------------------------------------------

    def _valve_failed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveFailed)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Stop.VALVE, event.reason)

    def _abort(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, Abort)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Stop.ABORTED, event.reason)

    def _finish(self, event: Event, stop: Stop, detail: str = "") -> tuple[Action, ...]:
        """The one way out: the valve first."""
        known = self._confirmed
        self._count_open(event.t_s)
        self.state = State.DONE
        self.blow.stop, self.blow.detail = stop, detail
        sentence = f"no level was measured: {told(self.blow)}"
        reading = Reading(
            started_at_s=self._started_s or event.t_s,
            # the pulses together count as one opening that ended with the last: the rests between them let no air in
            opened_at_s=None if self._last_shut_s is None else self._last_shut_s - self.blow.open_s,
            shut_at_s=self._last_shut_s if known else None,
            ended_at_s=event.t_s,
            head_pa=None,
            level_m=None,
            budget=None,
            findings=(Finding(code=Diagnosis.ABORTED, quality=Quality.BAD, sentence=sentence),),
            features=Features(air_pa_m3=self.blow.air_pa_m3 if known else None, reads_failed=self.blow.reads_lost),
            trace=tuple(self._trace),
            learned=self._learned,
        )
        return SHUT, Sample(period_s=0.0), Finish(reading=reading)


_ALWAYS: Mapping[type[Event], Handler[Clearing]] = {
    AirGranted: ignore,
    ValveSeen: ignore,
    ValveFailed: Clearing._valve_failed,
    InputSeen: ignore,
    Abort: Clearing._abort,
}
"""What is answered in every state but the first and the last, where a row says nothing else."""

_ROWS: Mapping[State, Mapping[type[Event], Handler[Clearing]]] = {
    State.REST: {Start: Clearing._begin, Abort: Clearing._abort},
    State.LOOK: {
        **_ALWAYS,
        PressureRead: Clearing._look_read,
        ReadFailed: Clearing._look_read,
        AirGranted: Clearing._granted,
        Tick: Clearing._shut_tick,
    },
    State.PULSE: {
        **_ALWAYS,
        PressureRead: Clearing._pulse_read,
        ReadFailed: Clearing._pulse_read,
        ValveSeen: Clearing._opened,
        Tick: Clearing._pulse_tick,
    },
    State.PAUSE: {
        **_ALWAYS,
        PressureRead: Clearing._pause_read,
        ReadFailed: Clearing._pause_read,
        ValveSeen: Clearing._closed,
        Tick: Clearing._pause_tick,
    },
    State.DONE: dict.fromkeys(EVENTS, ignore),
}

TRANSITIONS: Mapping[tuple[State, type[Event]], Handler[Clearing]] = transitions(_ROWS)
"""What may happen in which state. A pair that is not here raises IllegalEvent and changes nothing."""
