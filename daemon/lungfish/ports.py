"""What the runner needs from the world, as small protocols, and what the store is given to keep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from lungfish.core.events import ValveState
from lungfish.core.reading import Phase
from lungfish.core.zero import Zero

__all__ = [
    "BaselineAct",
    "BaselineRequest",
    "Clock",
    "ClockState",
    "EventRecord",
    "Isolating",
    "PressureSample",
    "ReadingRecord",
    "ReadingSink",
    "Stamp",
    "Switch",
    "SwitchSeen",
    "TracePoint",
    "Transmitter",
    "Valve",
    "ValveEcho",
    "ZeroRecord",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureSample:
    """One value from a transmitter, in SI."""

    at_s: float
    """Monotonic time midway of request and reply, s."""
    gauge_pa: float
    """Gauge pressure, Pa; NaN or infinite if that is what the device sent."""
    took_s: float
    """From request to reply, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveEcho:
    """A valve's state as read back from the device."""

    at_s: float
    """Monotonic time midway of the command (or the look) and its answer, s."""
    state: ValveState
    """OPEN or SHUT as read back; UNKNOWN if the device can't tell."""


class Transmitter(Protocol):
    """Something that tells a pressure."""

    async def read(self) -> PressureSample:
        """Take one reading.

        Raises:
            DeviceError: no usable answer; never a stale value.
        """
        ...


class Valve(Protocol):
    """Something that lets air in."""

    async def command(self, state: ValveState) -> ValveEcho:
        """Set the valve and read it back.

        Raises:
            DeviceError: not carried out or not confirmed; the state must be taken as unknown.
        """
        ...

    async def observe(self) -> ValveEcho:
        """Read the valve's state without changing it.

        Raises:
            DeviceError: no usable answer.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchSeen:
    """What a switch says: of the supply, that pressure is there; of the flow, that air passes."""

    at_s: float
    """Monotonic time midway of request and reply, s."""
    active: bool
    """It says yes; its polarity is settled."""


class Switch(Protocol):
    """Something that says yes or no. It informs, and nothing waits for it."""

    async def read(self) -> SwitchSeen:
        """Ask it.

        Raises:
            DeviceError: no usable answer: then nothing is known, and neither yes nor no may be concluded.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolating:
    """The valve that cuts a transmitter off, and what tells of it."""

    valve: Valve
    """Open, the transmitter is on the tube."""
    shut: Switch
    """Says that the valve itself is shut."""
    safe: Switch
    """Says that the pressure on the tube's side is below what the transmitter bears."""


class Clock(Protocol):
    """Monotonic time and waiting; the simulator's clock jumps."""

    def monotonic_s(self) -> float:
        """Seconds that never step."""
        ...

    async def sleep_until(self, at_s: float) -> None:
        """Return at or just after this monotonic moment."""
        ...


class ClockState(Enum):
    """What is known of the wall clock at a moment."""

    SYNCHRONISED = "synchronised"
    UNSYNCHRONISED = "unsynchronised"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """One moment on both clocks."""

    boot_id: str
    """Which boot of the computer the monotonic time belongs to."""
    monotonic_s: float
    """Monotonic time, s."""
    utc_s: float
    """Wall time as seconds since 1970-01-01 UTC, as the clock stood; never corrected later."""
    clock: ClockState
    """Whether the wall clock was synchronised."""


@dataclass(frozen=True, slots=True)
class TracePoint:
    """One sample of a stored trace."""

    t_s: float
    """Seconds after the cycle's start."""
    gauge_pa: float
    """Gauge pressure, Pa."""
    phase: Phase
    """Phase of the cycle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRecord:
    """One reading as the store keeps it. `seq` and the row id are given by the store."""

    tank: str
    """Name in the site file."""
    at: Stamp
    """The moment that the level is true for: the valve shut; else the end of the cycle."""
    level_m: float | None
    """Level above the floor, m; None when not known."""
    level_u_m: float | None
    """Expanded uncertainty (k = 2), m."""
    head_pa: float | None
    """Head above the tip, Pa."""
    volume_m3: float | None
    """Volume in the vessel, m3."""
    quality: str
    """`good`, `uncertain` or `bad`."""
    diagnosis: str
    """Codes joined by `+`, the gravest first."""
    purge_s: float
    """Time the valve was open, s."""
    air_sl: float
    """Standard litres used (20 degC, 1 bar)."""
    evidence: Mapping[str, object]
    """JSON-able: features, budget, sentences, learned state."""
    trace: tuple[TracePoint, ...]
    """Pressure trace; may be empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRecord:
    """Something worth keeping that is no reading: start, stop, valve trouble, clock step, a gap's reason."""

    at: Stamp
    """When."""
    kind: str
    """Short name, such as `start`, `stop`, `valve`, `clock-step`, `store`."""
    tank: str | None
    """The tank concerned; None for the site."""
    text: str
    """One sentence for a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRecord:
    """A look at a transmitter's zero as the store keeps it."""

    tank: str
    """Name in the site file."""
    at: Stamp
    """When it was over."""
    config: str | None
    """Hash of the settings in force; None: not known."""
    zero: Zero
    """What was seen."""


class BaselineAct(Enum):
    """What people may ask of a baseline."""

    RESET = "reset"
    """Forget what is normal and learn it anew."""
    LOCK = "lock"
    """Let nothing sharpen it any more."""
    UNLOCK = "unlock"
    """Let the first weeks sharpen it again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineRequest:
    """A request that waits for the process that holds the store."""

    number: int
    """Row."""
    tank: str
    """Name in the site file."""
    act: BaselineAct
    """What is asked."""
    name: str
    """Who asks."""
    reason: str
    """Why."""


class ReadingSink(Protocol):
    """Where finished readings and events go. Must not block the cycle; trouble is told, not raised."""

    def put_reading(self, record: ReadingRecord) -> None:
        """Keep a reading."""
        ...

    def put_event(self, record: EventRecord) -> None:
        """Keep an event."""
        ...
