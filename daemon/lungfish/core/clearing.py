"""Blowing a plugged tube down, as one pure state machine: events in, actions out; no clock, no I/O.

    rest -> look -> pulse -> closing -> pause -> look ...   and from every state straight to done

It speaks the cycle's language, so that the same runner performs it, and like the cycle it has one way out, which
commands the valve shut first. While the valve is open a deadline stands: the moment at which it must be told to shut so
that the pressure can't pass its limit even if nothing more is heard. Each reading moves it, silence does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from enum import Enum

from lungfish.core.clearing_plan import LEAST_PULSE_S, ClearBounds, ClearSetup
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.events import (
    Abort,
    Action,
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
from lungfish.core.expect import throughput_pa_m3_s
from lungfish.core.plan import PERIOD_S, SILENCE_S, WAIT_PERIOD_S
from lungfish.core.reading import Features, Phase, Reading, TraceSample
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent

__all__ = ["CLEARING_TRANSITIONS", "ClearPhase", "Clearing"]

_LOOK_S = 0.5
_FRESH_S = 0.3
"""A pulse begins on a reading no older than this."""
_SETTLE_S = 5.0
"""So long after the last pulse the pressure is still listened to: it tells whether the plug gave way."""
_CLOSING_S = 10.0
_GAVE_WAY_PA = 1000.0
_GAVE_WAY_SHARE = 0.15
"""A pressure that falls this far below its peak with the valve open: the plug has let go."""
_DUE_S = 1e-6
_SHUT, _OPEN = SetValve(state=ValveState.SHUT), SetValve(state=ValveState.OPEN)


class ClearPhase(Enum):
    """States of one try."""

    REST = "rest"
    LOOK = "look"
    PULSE = "pulse"
    CLOSING = "closing"
    PAUSE = "pause"
    DONE = "done"


_SHOWN_AS = {ClearPhase.LOOK: Phase.LOOK, ClearPhase.PULSE: Phase.FILL}


class Clearing:
    """One try to blow a tube free, in pulses.

    Feed it events through `step` and perform the actions it returns, in their order. Its reading has no level: it is
    the row that every opening of a valve leaves. Its pulses count in it as one opening that ended with the last.

    Args:
        setup: the tank.
        clear: what its site file allows.
        bounds: what is sure of the pressure while it is blown.
        learned: handed through.
        cause: the code that called for the try.
    """

    def __init__(
        self, setup: CycleSetup, clear: ClearSetup, bounds: ClearBounds, learned: Learned, cause: Diagnosis
    ) -> None:
        self.phase = ClearPhase.REST
        self.pulses = 0
        """Pulses that were begun."""
        self.highest_pa = -math.inf
        """Highest pressure that was read; minus infinity before the first."""
        self.gave_way = False
        """The pressure fell while the valve was open."""
        self._setup, self._clear, self._bounds, self._learned = setup, clear, bounds, learned
        self._cause = cause
        self._started_s = 0.0
        self._last: PressureRead | None = None
        self._heard_s = -math.inf
        self._trace: list[TraceSample] = []
        self._phase_s = 0.0
        self._asked = self._granted = False
        self._commanded_s: float | None = None
        self._opened_s: float | None = None
        self._shut_s: float | None = None
        self._open_s = 0.0
        self._peak_pa = -math.inf
        self._low_reads = 0
        self._air_pa_m3 = 0.0
        self._trouble = ""
        self._trouble_code: Diagnosis | None = None

    def step(self, event: Event) -> tuple[Action, ...]:
        """Take one event.

        Args:
            event: what happened, stamped with monotonic seconds.

        Returns:
            What to do now, in order.

        Raises:
            IllegalEvent: the table lists no answer for this event in this phase; nothing has changed.
        """
        handler = CLEARING_TRANSITIONS.get((self.phase, type(event)))
        if handler is None:
            msg = f"{type(event).__name__} can't happen in phase {self.phase.value} of a clearing"
            raise IllegalEvent(msg)
        return handler(self, event)

    # -- the look before each pulse -----------------------------------------------------------------------------------

    def _begin(self, event: Event) -> tuple[Action, ...]:
        self._started_s = event.t_s
        return self._look_again(event)

    def _look_again(self, event: Event) -> tuple[Action, ...]:
        self.phase, self._phase_s = ClearPhase.LOOK, event.t_s
        self._asked = self._granted = False
        self._last = None
        return Sample(period_s=PERIOD_S), Wake(at_s=event.t_s + 2.0 * SILENCE_S)

    def _look(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        if not self._take(event):
            return self._finish(event, Diagnosis.TRANSMITTER_FAULT, f"the transmitter shows {event.gauge_pa:g} Pa")
        if self._granted:
            return self._open(event)
        if self._asked or event.t_s - self._phase_s < _LOOK_S:
            return (self._watchdog(event),)
        refused = self._refused(event)
        if refused:
            return self._finish(event, None, refused)
        self._asked = True
        return Sample(period_s=WAIT_PERIOD_S), AskAir(), self._watchdog(event)

    def _refused(self, event: PressureRead) -> str:
        """Why no pulse may begin at this pressure; empty when one may."""
        bounds = self._bounds
        if bounds.rate_pa_s > 0.0 and event.gauge_pa >= self._top_pa:
            return f"the pressure stands at the top of the transmitter's span ({event.gauge_pa:.0f} Pa) already"
        if bounds.shut_by_s(event.t_s, event.gauge_pa) - event.t_s >= LEAST_PULSE_S:
            return ""
        return (
            f"the pressure stands at {event.gauge_pa:.0f} Pa, and at worst a pulse may overshoot by "
            f"{bounds.overshoot_pa:.0f} Pa (up to {bounds.rate_pa_s:.0f} Pa/s for {bounds.delay_s:.1f} s), past the "
            f"limit of {bounds.limit_pa:.0f} Pa"
        )

    @property
    def _top_pa(self) -> float:
        """From here on a reading says no more than that the span has ended."""
        return self._setup.span_high_pa - 1e-3 * (self._setup.span_high_pa - self._setup.span_low_pa)

    def _granted_air(self, event: Event) -> tuple[Action, ...]:
        if not self._asked:
            msg = "air granted that was not asked for"
            raise IllegalEvent(msg)
        self._granted = True
        if self._last is not None and event.t_s - self._last.t_s <= _FRESH_S:
            return self._open(event)
        return Sample(period_s=PERIOD_S), Wake(at_s=event.t_s + SILENCE_S)

    def _open(self, event: Event) -> tuple[Action, ...]:
        last = self._last
        if last is None or event.t_s - last.t_s > _FRESH_S:
            return (Wake(at_s=event.t_s + SILENCE_S),)
        refused = self._refused(replace(last, t_s=event.t_s))
        if refused:
            return self._finish(event, None, refused)
        self.phase, self._phase_s = ClearPhase.PULSE, event.t_s
        self.pulses += 1
        self._commanded_s, self._opened_s, self._shut_s = event.t_s, None, None
        self._peak_pa, self._low_reads = last.gauge_pa, 0
        return _OPEN, Sample(period_s=PERIOD_S), self._deadline()

    def _watchdog(self, event: Event) -> Wake:
        return Wake(at_s=event.t_s + 2.0 * SILENCE_S)

    def _look_tick(self, event: Event) -> tuple[Action, ...]:
        return self._finish(event, Diagnosis.LINK_LOST, "the transmitter was not heard of")

    # -- the pulse ----------------------------------------------------------------------------------------------------

    @property
    def _shut_by_s(self) -> float:
        """The moment that stands, whatever is heard."""
        commanded_s = self._commanded_s if self._commanded_s is not None else self._phase_s
        longest_s = min(self._clear.pulse_s, self._clear.max_open_s)
        limits = [commanded_s + longest_s]
        if self._last is not None:
            limits.append(self._bounds.shut_by_s(self._last.t_s, self._last.gauge_pa))
        limits.append(max(self._heard_s, commanded_s) + SILENCE_S)
        return min(limits)

    def _deadline(self) -> Wake:
        return Wake(at_s=self._shut_by_s)

    def _pulse_read(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        self._peak_pa = max(self._peak_pa, event.gauge_pa)
        low = self._peak_pa - event.gauge_pa > max(_GAVE_WAY_PA, _GAVE_WAY_SHARE * self._peak_pa)
        # the end of the span, a value that stands still and one that falls all at once say nothing of how high it is
        same = self._last is not None and event.gauge_pa == self._last.gauge_pa
        if not self._take(event, moves_deadline=not (low or same or event.gauge_pa >= self._top_pa)):
            why = f"the transmitter shows {event.gauge_pa:g} Pa"
            return self._close(event, Diagnosis.TRANSMITTER_FAULT, why)
        self._low_reads = self._low_reads + 1 if low else 0
        if self._low_reads >= 2:
            self.gave_way = True
            return self._close(event)
        return self._pulse_tick(event)

    def _pulse_tick(self, event: Event) -> tuple[Action, ...]:
        if event.t_s >= self._shut_by_s - _DUE_S:
            return self._close(event)
        return (self._deadline(),)

    def _pulse_read_failed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ReadFailed)  # noqa: S101 - the table says so, mypy can't
        return self._close(event, Diagnosis.LINK_LOST, f"the transmitter did not answer ({event.reason})")

    def _pulse_valve(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is not ValveState.OPEN:
            return self._close(event, Diagnosis.LINK_LOST, "the valve was told to open and reads back otherwise")
        if self._opened_s is None:
            self._opened_s = max(event.t_s, self._commanded_s or event.t_s)
        return self._pulse_tick(event)

    def _close(self, event: Event, code: Diagnosis | None = None, trouble: str = "") -> tuple[Action, ...]:
        """Shut; the try goes on only without trouble."""
        self.phase, self._phase_s = ClearPhase.CLOSING, event.t_s
        if trouble:
            self._trouble_code, self._trouble = code, trouble
        return _SHUT, Sample(period_s=PERIOD_S), Wake(at_s=event.t_s + _CLOSING_S)

    # -- shut again ---------------------------------------------------------------------------------------------------

    def _closed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is not ValveState.SHUT:
            return ()  # the echo of the opening, late; what is told of the shutting comes yet
        self._shut_s = max(event.t_s, self._commanded_s or event.t_s)
        self._count_open()
        if self._trouble:
            return self._finish(event, self._trouble_code, self._trouble)
        self.phase, self._phase_s = ClearPhase.PAUSE, event.t_s
        return Sample(period_s=WAIT_PERIOD_S), Wake(at_s=event.t_s + self._pause_s)

    @property
    def _pause_s(self) -> float:
        more = self.pulses < self._clear.pulses and not self.gave_way
        return self._clear.rest_s if more else _SETTLE_S

    def _count_open(self) -> None:
        opened_s = self._opened_s if self._opened_s is not None else self._commanded_s
        if opened_s is None or self._shut_s is None:
            return
        open_s = max(0.0, self._shut_s - opened_s)
        self._open_s += open_s
        valve_pa = self._last.gauge_pa if self._last is not None else 0.0
        share = throughput_pa_m3_s(self._setup, valve_pa) / self._setup.flow_pa_m3_s
        self._air_pa_m3 += self._clear.flow_pa_m3_s * share * open_s
        self._commanded_s = None

    def _closing_read(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        self._take(event)
        return ()

    def _not_shut(self, event: Event) -> tuple[Action, ...]:
        reason = f" ({event.reason})" if isinstance(event, ValveFailed) else ""
        return self._finish(event, Diagnosis.LINK_LOST, f"the valve was told to shut and has not confirmed it{reason}")

    # -- the pause ----------------------------------------------------------------------------------------------------

    def _pause_read(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        self._take(event)
        return self._pause_tick(event)

    def _pause_tick(self, event: Event) -> tuple[Action, ...]:
        due_s = self._phase_s + self._pause_s
        if event.t_s < due_s - _DUE_S:
            return (Wake(at_s=due_s),)
        if self.pulses < self._clear.pulses and not self.gave_way:
            return self._look_again(event)
        return self._finish(event, None, "")

    # -- the end ------------------------------------------------------------------------------------------------------

    def _take(self, event: PressureRead, *, moves_deadline: bool = True) -> bool:
        """Keep a reading; False for one that can't be."""
        low_pa = self._setup.span_low_pa - 0.0125 * (self._setup.span_high_pa - self._setup.span_low_pa)
        if not math.isfinite(event.gauge_pa) or event.gauge_pa < low_pa:
            return False
        if event.t_s <= self._heard_s:
            return True  # out of order: it says nothing new
        self._heard_s = event.t_s
        if moves_deadline:
            self._last = event
        self.highest_pa = max(self.highest_pa, event.gauge_pa)
        shown = _SHOWN_AS.get(self.phase, Phase.SHUT_IN)
        self._trace.append(TraceSample(event.t_s - self._started_s, event.gauge_pa, shown))
        return True

    def _read_failed(self, event: Event) -> tuple[Action, ...]:
        """With the valve shut a lost reading costs nothing; the watchdog counts the silence."""
        return ()

    def _valve_failed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveFailed)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Diagnosis.LINK_LOST, f"the valve did not answer as it must ({event.reason})")

    def _abort(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, Abort)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Diagnosis.ABORTED, f"ended before its time: {event.reason}")

    def _finish(self, event: Event, code: Diagnosis | None, why: str) -> tuple[Action, ...]:
        """The one way out: the valve first."""
        self.phase = ClearPhase.DONE
        findings = [Finding(code=self._cause, quality=Quality.BAD, sentence=self._told(why))]
        if code is not None and code is not self._cause:
            findings.append(Finding(code=code, quality=Quality.BAD, sentence=why))
        return _SHUT, Sample(period_s=0.0), Finish(reading=self._reading(event, tuple(findings)))

    def _told(self, why: str) -> str:
        pulses = f"{self.pulses} pulse{'' if self.pulses == 1 else 's'} of {self._clear.pulses}"
        if not self.pulses:
            return f"blowing down: not begun, for {why}"
        high = f", highest pressure read {self.highest_pa:.0f} Pa (limit {self._bounds.limit_pa:.0f} Pa)"
        end = "; the pressure gave way with the valve open" if self.gave_way else ""
        return f"blowing down: {pulses}{high}{end}" + (f"; {why}" if why else "")

    def _reading(self, event: Event, findings: tuple[Finding, ...]) -> Reading:
        unconfirmed = self._commanded_s is not None
        opened_s: float | None = None
        if unconfirmed:
            opened_s = self._opened_s if self._opened_s is not None else self._commanded_s
            opened_s = None if opened_s is None else opened_s - self._open_s
        elif self._shut_s is not None:
            opened_s = self._shut_s - self._open_s
        return Reading(
            started_at_s=self._started_s,
            opened_at_s=opened_s,
            shut_at_s=None if unconfirmed else self._shut_s,
            ended_at_s=event.t_s,
            head_pa=None,
            level_m=None,
            budget=None,
            findings=findings,
            features=Features(samples=len(self._trace), air_pa_m3=None if unconfirmed else self._air_pa_m3),
            trace=tuple(self._trace),
            # the tube was shaken: what its shut pressure was says nothing of its leak any more
            learned=replace(self._learned, shut_at_s=None, shut_gauge_pa=None),
        )

    def _ignore(self, event: Event) -> tuple[Action, ...]:
        """Listed on purpose: it may come late or early and changes nothing."""
        return ()


Handler = Callable[[Clearing, Event], tuple[Action, ...]]

_TABLE: dict[ClearPhase, dict[type[Event], Handler]] = {
    ClearPhase.REST: {Start: Clearing._begin, Abort: Clearing._abort},
    ClearPhase.LOOK: {
        PressureRead: Clearing._look,
        ReadFailed: Clearing._read_failed,
        AirGranted: Clearing._granted_air,
        ValveSeen: Clearing._ignore,
        ValveFailed: Clearing._valve_failed,
        Tick: Clearing._look_tick,
        Abort: Clearing._abort,
    },
    ClearPhase.PULSE: {
        PressureRead: Clearing._pulse_read,
        ReadFailed: Clearing._pulse_read_failed,
        AirGranted: Clearing._pulse_tick,
        ValveSeen: Clearing._pulse_valve,
        ValveFailed: Clearing._valve_failed,
        Tick: Clearing._pulse_tick,
        Abort: Clearing._abort,
    },
    ClearPhase.CLOSING: {
        PressureRead: Clearing._closing_read,
        ReadFailed: Clearing._read_failed,
        AirGranted: Clearing._ignore,
        ValveSeen: Clearing._closed,
        ValveFailed: Clearing._not_shut,
        Tick: Clearing._not_shut,
        Abort: Clearing._abort,
    },
    ClearPhase.PAUSE: {
        PressureRead: Clearing._pause_read,
        ReadFailed: Clearing._read_failed,
        AirGranted: Clearing._ignore,
        ValveSeen: Clearing._ignore,
        ValveFailed: Clearing._valve_failed,
        Tick: Clearing._pause_tick,
        Abort: Clearing._abort,
    },
    ClearPhase.DONE: dict.fromkeys(
        (Start, AirGranted, PressureRead, ReadFailed, ValveSeen, ValveFailed, Tick, Abort), Clearing._ignore
    ),
}

CLEARING_TRANSITIONS: Mapping[tuple[ClearPhase, type[Event]], Handler] = {
    (phase, kind): handler for phase, row in _TABLE.items() for kind, handler in row.items()
}
"""What may happen in which phase. A pair that is not here raises IllegalEvent and changes nothing."""
