"""What the cycle hears and what it asks for. Every event is stamped with monotonic seconds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lungfish.core.reading import Reading

__all__ = [
    "Abort",
    "Action",
    "AirGranted",
    "AskAir",
    "Event",
    "Finish",
    "Input",
    "InputSeen",
    "PressureRead",
    "ReadFailed",
    "Sample",
    "SetValve",
    "Start",
    "Tick",
    "ValveFailed",
    "ValveSeen",
    "ValveState",
    "Wake",
]


class ValveState(Enum):
    """State of a valve, commanded or observed; unknown is a value."""

    OPEN = "open"
    SHUT = "shut"
    UNKNOWN = "unknown"


class Input(Enum):
    """What an optional switch watches."""

    SUPPLY = "supply"
    """Pressure upstream of the restrictor is there."""
    FLOW = "flow"
    """Air passes the purge valve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """The cycle may begin: the look at the trapped pressure."""

    t_s: float
    """Monotonic time, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirGranted:
    """The air that `AskAir` asked for may be taken now: no more valves are open than the compressor bears."""

    t_s: float
    """Monotonic time, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureRead:
    """One transmitter reading."""

    t_s: float
    """Best estimate of the moment that the value was true for, monotonic, s: midway of request and reply."""
    gauge_pa: float
    """Gauge pressure, Pa; may be slightly negative at rest; NaN or infinite when the device says so."""
    took_s: float = 0.0
    """From request to reply, s; 0 when not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFailed:
    """The transmitter gave no usable answer."""

    t_s: float
    """Monotonic time of giving up, s."""
    reason: str
    """What the driver said of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSeen:
    """A valve command was carried out and the state read back."""

    t_s: float
    """Best estimate of the moment that the valve moved, monotonic, s: midway of command and its echo."""
    state: ValveState
    """What was read back; UNKNOWN when the device can't tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveFailed:
    """A valve command was not confirmed. The runner goes on trying to shut; the cycle only learns of it."""

    t_s: float
    """Monotonic time of giving up this try, s."""
    wanted: ValveState
    """What was commanded."""
    reason: str
    """What the driver said of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSeen:
    """An optional switch was read; one that can't be read makes no event, and nothing is concluded from it."""

    t_s: float
    """Best estimate of the moment that it was true for, monotonic, s: midway of request and reply."""
    which: Input
    """What it watches."""
    active: bool
    """Supply there, or air flowing, as the switch says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time has passed: a deadline asked for by `Wake`, or any moment later."""

    t_s: float
    """Monotonic time, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Abort:
    """End now: stop, `shut`, or a guard outside the cycle."""

    t_s: float
    """Monotonic time, s."""
    reason: str
    """Who asked and why, for the reading's sentence."""


Event = Start | AirGranted | PressureRead | ReadFailed | ValveSeen | ValveFailed | InputSeen | Tick | Abort


@dataclass(frozen=True, slots=True)
class AskAir:
    """The look is done: send `AirGranted` when this valve may open. Sampling goes on meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetValve:
    """Command the purge valve."""

    state: ValveState
    """OPEN or SHUT, never UNKNOWN."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """From now on read the transmitter this often, or as fast as the link allows if that is slower."""

    period_s: float
    """From request to request, s; 0 stops the sampling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wake:
    """Send a `Tick` at this moment even if nothing else happens; replaces the last wish."""

    at_s: float
    """Monotonic time, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """The cycle is over; nothing more will be asked for."""

    reading: Reading
    """What was found."""


Action = SetValve | AskAir | Sample | Wake | Finish
