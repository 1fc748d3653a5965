"""What can be wrong with the computer's wall clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from lungfish.ports import ClockState

__all__ = ["ClockFaults", "MuteScheduler", "WallClock"]


@dataclass(slots=True, kw_only=True)
class ClockFaults:
    """What is wrong with the wall clock; to be changed while it runs."""

    step_s: float = 0.0
    """It is stepped by this when the fault begins, s, and back when it ends."""
    drift_s_per_s: float = 0.0
    """It gains so much, s each second."""
    unsynchronised: bool = False
    """Nothing keeps it right."""
    begins_utc: str = ""
    """What it shows when the fault begins, such as 2026-03-29T00:30:00; steps it there."""


class WallClock:
    """A wall clock beside the virtual monotonic one."""

    def __init__(self, now_s: Callable[[], float], begins_utc: str = "2026-05-06T07:00:00") -> None:
        self.faults = ClockFaults()
        self._now_s = now_s
        self._offset_s = _unix_s(begins_utc) - now_s()
        self._since_s = now_s()

    def utc_s(self) -> float:
        """What it shows."""
        now_s = self._now_s()
        return now_s + self._offset_s + self.faults.drift_s_per_s * (now_s - self._since_s)

    def state(self) -> ClockState:
        """What the kernel says of it."""
        return ClockState.UNSYNCHRONISED if self.faults.unsynchronised else ClockState.SYNCHRONISED

    def begin(self, faults: ClockFaults) -> None:
        """Let a fault begin."""
        self.faults, self._since_s = faults, self._now_s()
        self._offset_s += faults.step_s
        if faults.begins_utc:
            self._offset_s = _unix_s(faults.begins_utc) - self._now_s()

    def end(self) -> None:
        """Step it back to where it would be without."""
        self._offset_s -= self.faults.step_s
        self.faults = ClockFaults()


def _unix_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


class MuteScheduler:
    """Holds calendar jobs and never runs them: they go by the real wall clock, which is not this one."""

    def add_job(self, *_what: object, **_how: object) -> None:
        """Hold a job."""

    def start(self) -> None:
        """Begin."""

    def shutdown(self, *, wait: bool) -> None:
        """End."""

    def wakeup(self) -> None:
        """A clock was stepped."""
