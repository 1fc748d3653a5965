"""The measuring cycle as one pure state machine: events in, actions out; no clock, no I/O.

    rest -> look -> fill <-> hold -> shut-in -> done,   and from every state straight to done

Every way out goes through `_finish`, which commands the valve shut before anything else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from lungfish.core.case import longest_damping_s
from lungfish.core.decay import still_falling
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
from lungfish.core.fit import fit_line
from lungfish.core.judge import Ending, judge
from lungfish.core.machine import (
    BAD_IN_A_ROW,
    DUE_S,
    EVENTS,
    OPEN,
    SHUT,
    Handler,
    answer,
    ignore,
    signals_failure,
    transitions,
)
from lungfish.core.plan import (
    BENDING_S,
    CORNER_S,
    FILL_PERIOD_S,
    LEAK_LOOK_S,
    LOOK_S,
    PERIOD_S,
    PROOF_HOLD_S,
    SILENCE_S,
    WAIT_PERIOD_S,
    Plan,
)
from lungfish.core.plateau import PlateauSearch
from lungfish.core.reading import Phase
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.errors import IllegalEvent

__all__ = ["TRANSITIONS", "Cycle"]

_OPENING_S = 5.0
"""A valve that does not confirm its opening within this is shut again."""
_STOP_NOISE_PA = 3.0
"""At its lower stop a transmitter shows no noise; it has some all the same."""


class Cycle:
    """One measuring cycle of one tube.

    Feed it events through `step` and perform the actions it returns, in their order. `phase` tells where it is.
    """

    def __init__(self, setup: CycleSetup, learned: Learned) -> None:
        self.phase = Phase.REST
        self._setup = setup
        self._learned = learned
        self._plan = Plan.of(setup, learned)
        self._record = Record()
        self._search = PlateauSearch(setup, learned, self._plan, self._record)
        self._asked = False
        self._checked_s = -math.inf
        self._shut_in_s = 0.0

    def step(self, event: Event) -> tuple[Action, ...]:
        """Take one event; returns what to do now, in order. Raises `IllegalEvent` as `answer` does."""
        return answer(TRANSITIONS, self, self.phase, event, "phase {}")

    def _since_start_s(self, event: Event) -> float:
        return event.t_s - self._record.started_at_s

    # -- rest and look ---------------------------------------------------------------------------------------------

    def _begin(self, event: Event) -> tuple[Action, ...]:
        self._record.started_at_s = event.t_s
        self.phase = Phase.LOOK
        return Sample(period_s=PERIOD_S), Wake(at_s=event.t_s + 2.0 * SILENCE_S)

    def _look(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        trouble = self._take(event)
        if trouble is not None:
            return self._finish(event, trouble)
        record = self._record
        period_s = record.period_s
        if self._asked or period_s is None or record.times_s[-1] - record.times_s[0] < LOOK_S[0] - period_s:
            return (Wake(at_s=event.t_s + 2.0 * SILENCE_S),)
        self._measure_rest()
        if record.times_s[-1] - record.times_s[0] < self._plan.look_s(record.noise_pa, period_s):
            return (Wake(at_s=event.t_s + 2.0 * SILENCE_S),)
        if (record.trapped_pa or 0.0) > self._plan.brim_pa:
            # shut in behind a plug: each opening would add to it, until the supply's whole pressure is on the cell
            return self._finish(event, Ending.BEYOND_BRIM)
        self._asked = True
        # the question last: whoever grants at once sets the deadline of the open valve, which must stand
        return Sample(period_s=WAIT_PERIOD_S), Wake(at_s=event.t_s + 2.0 * SILENCE_S), AskAir()

    def _measure_rest(self) -> None:
        """Trapped pressure and noise floor, from the latest look: while waiting for air the pressure may drift."""
        record = self._record
        times, gauges = record.since(record.times_s[-1] - 5.0)
        if len(times) < 3:
            return
        line = fit_line(times, gauges)
        record.noise_pa = max(0.3, line.residual_sd)
        record.trapped_pa = line.values[0] + line.values[1] * (times[-1] - math.fsum(times) / len(times))
        if record.trapped_pa < self._plan.low_stop_pa:
            record.noise_pa = max(record.noise_pa, self._learned.noise_pa or 0.0, _STOP_NOISE_PA)

    def _granted(self, event: Event) -> tuple[Action, ...]:
        if not self._asked:
            msg = "air granted that was not asked for"
            raise IllegalEvent(msg)
        self._measure_rest()
        record = self._record
        record.look_count = len(record.times_s)
        record.open_commanded_s = self._since_start_s(event)
        self.phase = Phase.FILL
        return OPEN, Sample(period_s=PERIOD_S), self._open_deadline()

    # -- what can go wrong with a reading, in any phase --------------------------------------------------------------

    def _take(self, event: PressureRead) -> Ending | None:
        """Keep a reading, or count it as invalid."""
        record = self._record
        record.slowest_read_s = max(record.slowest_read_s, event.took_s)
        if signals_failure(self._setup, event.gauge_pa):
            record.failure_pa = event.gauge_pa
            return Ending.FAILED
        plan = self._plan
        # An open valve can drive the pressure past the top of the span, which has its own guard, never below it.
        valid = math.isfinite(event.gauge_pa) and event.gauge_pa >= plan.invalid_low_pa
        if not record.valve_commanded_open:
            valid = valid and event.gauge_pa <= plan.invalid_high_pa
        if not valid:
            record.invalid_in_a_row += 1
            return Ending.INVALID if record.invalid_in_a_row >= BAD_IN_A_ROW else None
        record.add(self._since_start_s(event), event.gauge_pa, self.phase)
        return None

    def _input_seen(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, InputSeen)  # noqa: S101 - the table says so, mypy can't
        self._record.hear(event.which, event.active, self._since_start_s(event), self._setup.flow_response_s)
        return self._tick(event)

    def _read_failed(self, event: Event) -> tuple[Action, ...]:
        record = self._record
        record.failed_reads += 1
        record.failed_in_a_row += 1
        silent_s = self._since_start_s(event) - record.last_good_s
        if record.failed_in_a_row >= BAD_IN_A_ROW or (record.valve_commanded_open and silent_s > SILENCE_S):
            return self._finish(event, Ending.SILENT)
        return self._tick(event)

    def _tick(self, event: Event) -> tuple[Action, ...]:
        """Time has passed: the deadlines of the phase."""
        now_s = self._since_start_s(event)
        record = self._record
        if self.phase is Phase.SHUT_IN:
            return self._shut_in_over(event, now_s)
        if now_s - record.last_good_s > 2.0 * SILENCE_S:
            return self._finish(event, Ending.SILENT)
        if self.phase is Phase.LOOK:
            return (Wake(at_s=record.started_at_s + record.last_good_s + 2.0 * SILENCE_S + 1e-3),)
        return self._open_limits(event, now_s)

    # -- fill and hold: the valve is commanded open -------------------------------------------------------------------

    def _open_deadline(self) -> Wake:
        """The nearest moment at which an open valve must be shut whatever is heard."""
        record = self._record
        commanded_s = record.open_commanded_s or 0.0
        limit_s = min(self._plan.open_limit_s, self._setup.max_open_s)
        if record.opened_s is None:
            limit_s = min(limit_s, _OPENING_S)
        heard_s = max(record.last_good_s, commanded_s)
        return Wake(at_s=record.started_at_s + min(commanded_s + limit_s, heard_s + SILENCE_S))

    def _open_limits(self, event: Event, now_s: float) -> tuple[Action, ...]:
        record = self._record
        commanded_s = record.open_commanded_s or 0.0
        if record.opened_s is None and now_s - commanded_s >= _OPENING_S - DUE_S:
            return self._finish(event, Ending.NOT_OPENED)
        if now_s - commanded_s >= min(self._plan.open_limit_s, self._setup.max_open_s) - DUE_S:
            return self._close(event)
        if now_s - max(record.last_good_s, commanded_s) >= SILENCE_S - DUE_S:
            return self._finish(event, Ending.SILENT)
        return (self._open_deadline(),)

    def _opened(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        self._record.observed = event.state
        if event.state is ValveState.SHUT:
            return self._finish(event, Ending.NOT_OPENED)
        if self._record.opened_s is None:
            self._record.opened_s = max(self._since_start_s(event), self._record.open_commanded_s or 0.0)
        return self._open_limits(event, self._since_start_s(event))

    def _valve_failed(self, event: Event) -> tuple[Action, ...]:
        self._record.observed = ValveState.UNKNOWN
        return self._finish(event, Ending.VALVE_SILENT)

    def _open_read(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        record, plan = self._record, self._plan
        trouble = self._take(event)
        if trouble is None and event.gauge_pa >= plan.over_range_pa:
            trouble = Ending.OVER_RANGE
        record.beyond_brim = record.beyond_brim + 1 if event.gauge_pa > plan.brim_pa else 0
        if trouble is None and record.beyond_brim >= 2:
            trouble = Ending.BEYOND_BRIM
        if trouble is not None:
            return self._finish(event, trouble)
        now_s = self._since_start_s(event)
        limits = self._open_limits(event, now_s)
        if self.phase not in (Phase.FILL, Phase.HOLD) or record.opened_s is None:
            return limits
        return self._seek_plateau(event, now_s) + limits

    def _seek_plateau(self, event: PressureRead, now_s: float) -> tuple[Action, ...]:
        """Is the tip reached, and has it bubbled long enough?"""
        record, plan = self._record, self._plan
        if now_s - self._checked_s < 1.9 * PERIOD_S:
            return ()
        self._checked_s = now_s
        if event.gauge_pa < plan.low_stop_pa:
            return ()  # at its stop the transmitter would look steady for ever
        search = self._search
        found = None if search.plainly_climbing() else search.trend()
        was = self.phase
        steady = found is not None and found.steady_within(plan.steady_pa_s) and not search.plainly_lagging()
        if found is None or found.climbs_beyond(plan.slow_climb_pa_s if steady else plan.steady_pa_s, k=3.0):
            self.phase, steady = Phase.FILL, False
        elif steady:
            self.phase = Phase.HOLD
        if self.phase is Phase.FILL:
            slowly = now_s - (record.opened_s or 0.0) > CORNER_S or was is Phase.HOLD
            return (Sample(period_s=FILL_PERIOD_S),) if slowly else ()
        if found is not None and steady:
            if was is Phase.FILL:
                record.steady_from_s = record.times_s[-1] - found.span_s
            record.steady_from_s = max(record.steady_from_s or 0.0, search.bubbling_from_s(found.end_pa))
            scatter_pa = max(record.noise_pa, found.scatter_pa)
            wanted_s = plan.hold_s(scatter_pa, min(record.period_s or PERIOD_S, 0.2), self._learned.damping_s)
            if search.wants_proof(found.end_pa, scatter_pa):
                wanted_s = max(wanted_s, PROOF_HOLD_S)
            long_enough = record.times_s[-1] - record.steady_from_s >= wanted_s
            if long_enough and not search.lag_hides_friction(found.end_pa):
                return self._close(event)
        return (Sample(period_s=PERIOD_S),) if was is Phase.FILL else ()

    def _close(self, event: Event) -> tuple[Action, ...]:
        record = self._record
        record.shut_commanded_s = self._since_start_s(event)
        self.phase = Phase.SHUT_IN
        period_s = record.period_s or PERIOD_S
        self._shut_in_s = self._plan.shut_in_s(
            record.noise_pa, min(period_s, 0.2), min(2.0, longest_damping_s(self._learned))
        )
        if self._learned.shut_at_s is not None and self._learned.lost_pa_s is None:
            self._shut_in_s = max(self._shut_in_s, LEAK_LOOK_S)  # costs no air, and bounds a leak that nobody knows yet
        record.shut_in_s = self._shut_in_s
        return SHUT, Sample(period_s=PERIOD_S), Wake(at_s=event.t_s + self._shut_in_s)

    # -- shut-in ------------------------------------------------------------------------------------------------------

    def _closed(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, ValveSeen)  # noqa: S101 - the table says so, mypy can't
        record = self._record
        record.observed = event.state
        if event.state is ValveState.OPEN:
            return self._finish(event, Ending.NOT_SHUT)
        if record.shut_s is None:
            record.shut_s = max(self._since_start_s(event), record.shut_commanded_s or 0.0)
        return self._shut_in_over(event, self._since_start_s(event))

    def _shut_read(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, PressureRead)  # noqa: S101 - the table says so, mypy can't
        trouble = self._take(event)
        if trouble is not None:
            return self._finish(event, trouble)
        return self._shut_in_over(event, self._since_start_s(event))

    def _shut_in_over(self, event: Event, now_s: float) -> tuple[Action, ...]:
        record = self._record
        commanded_s = record.shut_commanded_s or 0.0
        if now_s >= commanded_s + self._shut_in_s - DUE_S and self._shut_in_s < BENDING_S and self._may_come_to_rest():
            self._shut_in_s = min(BENDING_S, 1.4 * self._shut_in_s)
        end_s = commanded_s + self._shut_in_s
        if now_s < end_s - DUE_S:
            return (Wake(at_s=record.started_at_s + end_s),)
        return self._finish(event, Ending.COMPLETE if record.shut_s is not None else Ending.NOT_SHUT)

    def _may_come_to_rest(self) -> bool:
        """The pressure has not come to rest on a straight line yet, and waiting costs no air."""
        record = self._record
        if record.shut_s is None:
            return False
        settled_s = record.shut_s + 3.0 * self._plan.settling_s + 3.0 * min(2.0, longest_damping_s(self._learned))
        times, gauges = record.since(min(settled_s, 0.5 * (record.shut_s + record.times_s[-1])))
        return still_falling(times, gauges, record.noise_pa, self._setup.ripple_bound_pa)

    def _abort(self, event: Event) -> tuple[Action, ...]:
        assert isinstance(event, Abort)  # noqa: S101 - the table says so, mypy can't
        return self._finish(event, Ending.ABORTED, event.reason)

    def _finish(self, event: Event, ending: Ending, reason: str = "") -> tuple[Action, ...]:
        """The one way out: the valve first."""
        self.phase = Phase.DONE
        detail = reason or (event.reason if isinstance(event, ReadFailed | ValveFailed) else "")
        reading = judge(self._setup, self._learned, self._plan, self._record, ending, event.t_s, detail)
        return SHUT, Sample(period_s=0.0), Finish(reading=reading)


_OPEN_PHASE: Mapping[type[Event], Handler[Cycle]] = {
    PressureRead: Cycle._open_read,
    ReadFailed: Cycle._read_failed,
    ValveSeen: Cycle._opened,
    ValveFailed: Cycle._valve_failed,
    InputSeen: Cycle._input_seen,
    Tick: Cycle._tick,
    Abort: Cycle._abort,
    AirGranted: Cycle._tick,
}

_ROWS: Mapping[Phase, Mapping[type[Event], Handler[Cycle]]] = {
    Phase.REST: {Start: Cycle._begin, Abort: Cycle._abort},
    Phase.LOOK: {
        PressureRead: Cycle._look,
        ReadFailed: Cycle._read_failed,
        AirGranted: Cycle._granted,
        ValveSeen: ignore,
        ValveFailed: Cycle._valve_failed,
        InputSeen: Cycle._input_seen,
        Tick: Cycle._tick,
        Abort: Cycle._abort,
    },
    Phase.FILL: _OPEN_PHASE,
    Phase.HOLD: _OPEN_PHASE,
    Phase.SHUT_IN: {
        PressureRead: Cycle._shut_read,
        ReadFailed: Cycle._read_failed,
        ValveSeen: Cycle._closed,
        ValveFailed: Cycle._valve_failed,
        InputSeen: ignore,
        Tick: Cycle._tick,
        Abort: Cycle._abort,
        AirGranted: ignore,
    },
    Phase.DONE: dict.fromkeys(EVENTS, ignore),
}

TRANSITIONS: Mapping[tuple[Phase, type[Event]], Handler[Cycle]] = transitions(_ROWS)
"""What may happen in which phase. A pair that is not here raises IllegalEvent and changes nothing."""
