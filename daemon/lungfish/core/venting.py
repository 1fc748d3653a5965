"""The zero check with a vent valve, as one pure state machine: events in, actions out; no clock, no I/O.

    rest -> look -> vented -> back -> done,   and from every state straight to done

The vent valve is a three-way valve, or a block valve and a vent that one output moves together: shut, the transmitter
sees the tube; open, it sees the atmosphere and the tube is closed off, so that its air stays. The purge valve must be
confirmed shut by whoever runs this. Every way out goes through `_finish`, which commands the vent shut first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import Enum

from lungfish.core.case import longest_damping_s
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
from lungfish.core.plan import PERIOD_S, SILENCE_S
from lungfish.core.reading import Features, Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.steady import trend_of
from lungfish.core.zero import Outcome, Source, Zero, came_back, least_rest_pa, tolerance_pa
from lungfish.errors import IllegalEvent

__all__ = ["TRANSITIONS", "ZeroCheck", "ZeroState"]

_LOOK_S = 1.0
_LONGEST_DAMPING_S = 2.0
_DAMPINGS = 6.0
"""After so many time constants 0.25 % of a step are left; the slope tells whether that is over."""
_WINDOWS_S = (3.0, 6.0, 12.0)
"""Windows over which the vented reading is looked at; the noisier it is, the longer."""
_SETTLED_SHARE = 0.1
"""Of the transmitter's standard uncertainty: what may be left of the way to zero."""
_SETTLED_NOISE = 0.2
"""Or of its noise: less could not be told within the longest window."""
_SETTLED_LEAST_PA = 1.0
_LAG_S = 2.0
"""A fouled sense line lags by as much as this although the transmitter does not (common practice)."""
_STIRS = 3
"""A coarse transmitter plays between two values; one that has shown so many at rest stirs."""
_STILL = 8
"""So many equal values on end from a transmitter that stirs at rest are none."""
_CONFIRM_S = 5.0
"""The vent has so long to be confirmed shut; then whoever runs this goes on trying, and this ends."""


class ZeroState(Enum):
    """Where a zero check is."""

    REST = "rest"
    LOOK = "look"
    VENTED = "vented"
    BACK = "back"
    DONE = "done"


class ZeroCheck:
    """One look at the zero. Feed it events through `step` and perform the actions it returns, in their order.

    Args:
        setup: the tank, with the limits of what the transmitter shows itself.
        learned: what its cycles have found out.
        max_open_s: longest time that the vent may be open, s.
    """

    def __init__(self, setup: CycleSetup, learned: Learned, max_open_s: float) -> None:
        self.state = ZeroState.REST
        self.zero = Zero(source=Source.VENT, outcome=Outcome.FAILED)
        """What was seen; final when the state is DONE."""
        self.opened = False
        """The vent was told to open."""
        self._setup = setup
        self._learned = learned
        self._max_open_s = max_open_s
        self._damping_s = min(_LONGEST_DAMPING_S, longest_damping_s(learned))
        self._settled_pa = max(_SETTLED_LEAST_PA, _SETTLED_SHARE * setup.transmitter_u_pa)
        self._stirs = False
        self._started_s = 0.0
        self._since_s = 0.0
        self._opened_s = 0.0
        self._listener = Listener(setup)
        self._asked = False
        self._open_seen = False
        self._confirmed = True
        self._back_s: float | None = None
        self._times_s: list[float] = []
        self._gauge_pa: list[float] = []
        self._noise_pa = 0.3

    def step(self, event: Event) -> tuple[Action, ...]:
        """Take one event; returns what to do now, in order. Raises `IllegalEvent` as `answer` does."""
        return answer(TRANSITIONS, self, self.state, event, "state {} of a zero check")

    # -- readings ------------------------------------------------------------------------------------------------------

    def _take(self, event: Event) -> bool:
        """Keep a reading; False when it is none."""
        if not self._listener.takes(event):
            return False
        self._times_s.append(event.t_s)
        self._gauge_pa.append(event.gauge_pa)
        return True

    def _forget(self, at_s: float) -> None:
        self._times_s, self._gauge_pa, self._since_s = [], [], at_s

    def _mean_pa(self) -> float:
        return math.fsum(self._gauge_pa) / len(self._gauge_pa)

    def _heard_by_s(self) -> float:
        return self._listener.last_good_s + 2.0 * SILENCE_S

    def _lost(self, event: Event) -> tuple[Action, ...] | None:
        """The end, when the transmitter is not heard of any more."""
        if self._listener.bad_in_a_row < BAD_IN_A_ROW and event.t_s < self._heard_by_s() - DUE_S:
            return None
        reason = event.reason if isinstance(event, ReadFailed) else "the transmitter gives no usable value"
        return self._finish(event, Outcome.FAILED, reason)

    # -- rest, look: the vent is shut ----------------------------------------------------------------------------------

    def _begin(self, event: Event) -> tuple[Action, ...]:
        self.state = ZeroState.LOOK
        self._started_s = self._listener.last_good_s = event.t_s
        self._forget(event.t_s)
        return Sample(period_s=PERIOD_S), Wake(at_s=self._heard_by_s())

    def _look(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event) and (end := self._lost(event)) is not None:
            return end
        wait = Wake(at_s=self._heard_by_s())
        if self._asked or len(self._times_s) < 5 or event.t_s - self._since_s < _LOOK_S:
            return (wait,)
        self._asked = True
        return wait, AskAir()

    def _look_tick(self, event: Event) -> tuple[Action, ...]:
        return self._lost(event) or (Wake(at_s=self._heard_by_s()),)

    def _granted(self, event: Event) -> tuple[Action, ...]:
        if not self._asked:
            msg = "an opening granted that was not asked for"
            raise IllegalEvent(msg)
        mean_pa = self._mean_pa()
        variance = math.fsum((each - mean_pa) ** 2 for each in self._gauge_pa) / (len(self._gauge_pa) - 1)
        self._noise_pa = max(self._noise_pa, math.sqrt(variance))
        self._settled_pa = max(self._settled_pa, _SETTLED_NOISE * self._noise_pa)
        self._stirs = len(set(self._gauge_pa)) >= _STIRS
        self.zero = Zero(source=Source.VENT, outcome=Outcome.FAILED, rest_pa=mean_pa)
        least_pa = least_rest_pa(self._setup, self._noise_pa)
        if abs(mean_pa) < least_pa:
            detail = f"only {mean_pa:.0f} Pa stand in the tube, too little to see by whether the vent opens and shuts"
            return self._finish(event, Outcome.FAILED, detail)
        self.opened = True
        self.state, self._confirmed, self._opened_s = ZeroState.VENTED, False, event.t_s
        self._forget(event.t_s)
        return OPEN, Sample(period_s=PERIOD_S), self._vented_wake()

    # -- vented: the vent is commanded open ----------------------------------------------------------------------------

    def _vented_wake(self) -> Wake:
        return Wake(at_s=min(self._opened_s + self._max_open_s, self._heard_by_s()))

    def _vented_read(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event):
            return self._lost(event) or self._vented_tick(event)
        seen = self._settled() if self._open_seen else None
        if seen is not None:
            return self._measured(event, *seen)
        return self._vented_tick(event)

    def _vented_tick(self, event: Event) -> tuple[Action, ...]:
        if event.t_s >= self._opened_s + self._max_open_s - DUE_S:
            still = self._stirs and len(set(self._gauge_pa[-_STILL:])) == 1
            detail = f"it did not come to rest within the {self._max_open_s:g} s that the vent may be open"
            if still:
                detail = "the value stands still to the last digit: frozen, or at its lower stop with the zero below it"
            unsettled = Zero(source=Source.VENT, outcome=Outcome.UNSETTLED, rest_pa=self.zero.rest_pa, detail=detail)
            return self._close(event, unsettled)
        return self._lost(event) or (self._vented_wake(),)

    def _settled(self) -> tuple[float, float] | None:
        """Mean and standard uncertainty over the shortest window that has surely come to rest."""
        end_s = self._times_s[-1]
        rate_pa_s = self._settled_pa / max(_LAG_S, self._damping_s)
        for window_s in _WINDOWS_S:
            if end_s - window_s < self._since_s + max(0.5, _DAMPINGS * self._damping_s):
                return None
            first = next(n for n, t_s in enumerate(self._times_s) if t_s >= end_s - window_s)
            times, gauges = self._times_s[first:], self._gauge_pa[first:]
            if self._stirs and len(set(gauges[-_STILL:])) == 1:
                return None  # frozen on its way, or at its lower stop
            trend = trend_of(times, gauges, noise_pa=self._noise_pa) if len(times) >= 8 else None
            if trend is None or not trend.steady_within(rate_pa_s):
                continue
            # a straight line's slope is known by the noise of its mean over its length, times the root of 12
            noise_u = trend.slope_u_pa_s * trend.span_s / math.sqrt(12.0)
            left_pa = abs(trend.slope_pa_s) * _LAG_S
            u_pa = math.hypot(noise_u, left_pa, self._settled_pa / math.sqrt(3.0))
            return math.fsum(gauges) / len(gauges), u_pa
        return None

    def _measured(self, event: Event, zero_pa: float, u_pa: float) -> tuple[Action, ...]:
        rest_pa = self.zero.rest_pa or 0.0
        way_pa = abs(rest_pa - zero_pa)
        least_pa = least_rest_pa(self._setup, self._noise_pa)
        zero = Zero(
            source=Source.VENT,
            outcome=Outcome.MEASURED,
            zero_pa=zero_pa,
            u_pa=u_pa,
            rest_pa=rest_pa,
            proven=way_pa >= max(least_pa, 0.5 * abs(rest_pa)),
        )
        if not zero.proven and abs(zero_pa) > tolerance_pa(self._setup, zero):
            detail = (
                f"opening the vent moved the reading from {rest_pa:.0f} Pa to {zero_pa:.0f} Pa only: the valve did not "
                "open, its way out is blocked, or the transmitter is frozen"
            )
            zero = Zero(source=Source.VENT, outcome=Outcome.NOT_MOVED, rest_pa=rest_pa, detail=detail)
        return self._close(event, zero)

    def _opened(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is ValveState.SHUT:
            return self._finish(event, Outcome.FAILED, "the vent was told to open and reads back as shut")
        self._open_seen = True
        self._since_s = max(self._since_s, event.t_s)
        return self._vented_tick(event)

    # -- back: the vent is commanded shut ------------------------------------------------------------------------------

    def _close(self, event: Event, zero: Zero) -> tuple[Action, ...]:
        self.zero, self.state = zero, ZeroState.BACK
        self._forget(event.t_s)
        return SHUT, Wake(at_s=event.t_s + _CONFIRM_S)

    def _closed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        if event.state is not ValveState.SHUT:
            # an opening that was under way may still report itself
            return self._back_tick(event)
        self._confirmed = True
        settle_s = max(0.5, _DAMPINGS * self._damping_s)
        self._forget(event.t_s + settle_s)
        self._back_s = event.t_s + settle_s + _LOOK_S
        return (Wake(at_s=self._back_s),)

    def _back_read(self, event: Event) -> tuple[Action, ...]:
        if not self._take(event) and (end := self._lost(event)) is not None:
            return end
        return self._back_tick(event)

    def _back_tick(self, event: Event) -> tuple[Action, ...]:
        due_s = self._since_s + _CONFIRM_S if self._back_s is None else self._back_s
        if event.t_s < due_s - DUE_S:
            return (Wake(at_s=due_s),)
        if self._back_s is None:
            return self._finish(event, self.zero.outcome, f"{self.zero.detail}; the vent is not confirmed shut")
        return self._finish(event, self.zero.outcome, self.zero.detail)

    # -- the end -------------------------------------------------------------------------------------------------------

    def _valve_failed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveFailed)  # noqa: S101 - the table says so, mypy can't
        if self.state is ZeroState.BACK:
            return self._back_tick(event)  # it is tried again; the deadline stands
        return self._finish(event, Outcome.FAILED, event.reason)

    def _abort(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, Abort)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Outcome.FAILED, event.reason)

    def _finish(self, event: Event, outcome: Outcome, detail: str) -> tuple[Action, ...]:
        """The one way out: the vent first."""
        was = self.zero
        measured = outcome is Outcome.MEASURED
        self.zero = Zero(
            source=Source.VENT,
            outcome=outcome,
            zero_pa=was.zero_pa if measured else None,
            u_pa=was.u_pa if measured else None,
            rest_pa=was.rest_pa,
            proven=was.proven and measured,
            came_back=self._came_back() if self.opened else None,
            detail=detail.removeprefix("; "),
        )
        self.state = ZeroState.DONE
        sentence = "no level was measured: this was a zero check of the transmitter"
        reading = Reading(
            started_at_s=self._started_s or event.t_s,
            opened_at_s=None,
            shut_at_s=None,
            ended_at_s=event.t_s,
            head_pa=None,
            level_m=None,
            budget=None,
            findings=(Finding(code=Diagnosis.ABORTED, quality=Quality.BAD, sentence=sentence),),
            features=Features(),
            trace=(),
            learned=self._learned,
        )
        return SHUT, Sample(period_s=0.0), Finish(reading=reading)

    def _came_back(self) -> bool:
        late = [pa for t_s, pa in zip(self._times_s, self._gauge_pa, strict=True) if t_s >= self._since_s]
        if not self._confirmed or self._back_s is None or not late:
            return False
        return came_back(self.zero, math.fsum(late) / len(late))


_ALWAYS: Mapping[type[Event], Handler[ZeroCheck]] = {
    AirGranted: ignore,
    ValveSeen: ignore,
    ValveFailed: ZeroCheck._valve_failed,
    InputSeen: ignore,
    Abort: ZeroCheck._abort,
}
"""What is answered in every state but the first and the last, where a row says nothing else."""

_ROWS: Mapping[ZeroState, Mapping[type[Event], Handler[ZeroCheck]]] = {
    ZeroState.REST: {Start: ZeroCheck._begin, Abort: ZeroCheck._abort},
    ZeroState.LOOK: {
        **_ALWAYS,
        PressureRead: ZeroCheck._look,
        ReadFailed: ZeroCheck._look,
        AirGranted: ZeroCheck._granted,
        Tick: ZeroCheck._look_tick,
    },
    ZeroState.VENTED: {
        **_ALWAYS,
        PressureRead: ZeroCheck._vented_read,
        ReadFailed: ZeroCheck._vented_read,
        ValveSeen: ZeroCheck._opened,
        Tick: ZeroCheck._vented_tick,
    },
    ZeroState.BACK: {
        **_ALWAYS,
        PressureRead: ZeroCheck._back_read,
        ReadFailed: ZeroCheck._back_read,
        ValveSeen: ZeroCheck._closed,
        Tick: ZeroCheck._back_tick,
    },
    ZeroState.DONE: dict.fromkeys(EVENTS, ignore),
}

TRANSITIONS: Mapping[tuple[ZeroState, type[Event]], Handler[ZeroCheck]] = transitions(_ROWS)
"""What may happen in which state. A pair that is not here raises IllegalEvent and changes nothing."""
