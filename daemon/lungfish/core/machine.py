"""What the state machines of the core share: a transition table, who answers by it, and what is no reading.

A machine is a class with a state, methods that answer one event each, and a table that says which of them answers
which event in which state. It hears events and gives actions; it has no clock and no I/O.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from typing import TypeAlias, TypeGuard, TypeVar

from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    Event,
    InputSeen,
    PressureRead,
    ReadFailed,
    SetValve,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
)
from lungfish.core.setup import CycleSetup
from lungfish.errors import IllegalEvent

__all__ = [
    "BAD_IN_A_ROW",
    "DUE_S",
    "EVENTS",
    "OPEN",
    "SHUT",
    "Handler",
    "Listener",
    "answer",
    "ignore",
    "signals_failure",
    "transitions",
]

BAD_IN_A_ROW = 3
"""So many lost or invalid readings on end are a fault; fewer are a mishap."""
DUE_S = 1e-6
"""A deadline this near has come: sums of floats must not send the runner round for a picosecond."""
SHUT, OPEN = SetValve(state=ValveState.SHUT), SetValve(state=ValveState.OPEN)
EVENTS: Iterable[type[Event]] = (
    Start, AirGranted, PressureRead, ReadFailed, ValveSeen, ValveFailed, InputSeen, Tick, Abort,
)  # fmt: skip
"""Every kind of event."""

_Machine = TypeVar("_Machine")
_State = TypeVar("_State", bound=Enum)
_Answer = TypeVar("_Answer")

Handler: TypeAlias = Callable[[_Machine, Event], tuple[Action, ...]]
"""A method that answers an event."""


def transitions(
    rows: Mapping[_State, Mapping[type[Event], _Answer]],
) -> Mapping[tuple[_State, type[Event]], _Answer]:
    """A table with a row for each state as one that is asked by state and kind of event."""
    return {(state, kind): handler for state, row in rows.items() for kind, handler in row.items()}


def answer(
    table: Mapping[tuple[_State, type[Event]], Handler[_Machine]],
    machine: _Machine,
    state: _State,
    event: Event,
    place: str,
) -> tuple[Action, ...]:
    """Let the machine answer one event.

    Args:
        table: what may happen in which state, and who answers.
        machine: whose methods these are.
        state: where it is.
        event: what happened, stamped with monotonic seconds.
        place: how a state is named to a reader, with `{}` for its value.

    Returns:
        What to do now, in order.

    Raises:
        IllegalEvent: the table lists no answer for this event in this state; nothing has changed.
    """
    handler = table.get((state, type(event)))
    if handler is None:
        msg = f"{type(event).__name__} can't happen in {place.format(state.value)}"
        raise IllegalEvent(msg)
    return handler(machine, event)


def ignore(_machine: object, _event: Event) -> tuple[Action, ...]:
    """Answer for an event that is listed on purpose: it may come late or early and changes nothing."""
    return ()


def signals_failure(setup: CycleSetup, gauge_pa: float) -> bool:
    """A current loop beyond the limits that NAMUR NE 43 keeps for a failed transmitter."""
    low_pa, high_pa = setup.fail_low_pa, setup.fail_high_pa
    return (low_pa is not None and gauge_pa <= low_pa) or (high_pa is not None and gauge_pa >= high_pa)


class Listener:
    """Tells a reading from none, and remembers how long there was none.

    Args:
        setup: the tank, with the limits of a transmitter's failure signal.
        low_pa: a value below this is none, Pa.
    """

    def __init__(self, setup: CycleSetup, low_pa: float = -math.inf) -> None:
        self.bad_in_a_row = 0
        """Readings lost or invalid since the last good one."""
        self.last_good_s = 0.0
        """Monotonic time of the last good reading, s; whoever has none yet sets what it counts from."""
        self._setup = setup
        self._low_pa = low_pa

    def takes(self, event: Event) -> TypeGuard[PressureRead]:
        """Whether an event is a reading: neither lost, nor no number, nor too low, nor a failure signal."""
        if not isinstance(event, PressureRead) or not self._valid(event.gauge_pa):
            self.bad_in_a_row += 1
            return False
        self.bad_in_a_row = 0
        self.last_good_s = max(self.last_good_s, event.t_s)
        return True

    def _valid(self, gauge_pa: float) -> bool:
        return math.isfinite(gauge_pa) and gauge_pa >= self._low_pa and not signals_failure(self._setup, gauge_pa)
