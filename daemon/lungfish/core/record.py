"""What a running cycle has gathered so far: samples by phase, times of the valve, mishaps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from lungfish.core.events import Input, ValveState
from lungfish.core.reading import Phase, TraceSample

__all__ = ["Record"]


@dataclass(slots=True)
class Record:
    """Mutable only while its cycle runs. Times are seconds after the cycle's start."""

    started_at_s: float = 0.0
    """Monotonic time of the start."""
    times_s: list[float] = field(default_factory=list)
    """Moments of the usable samples."""
    gauge_pa: list[float] = field(default_factory=list)
    """Usable samples."""
    phases: list[Phase] = field(default_factory=list)
    """What the cycle was doing at each."""
    look_count: int = 0
    """Samples before the valve was commanded open."""
    open_commanded_s: float | None = None
    """When the valve was commanded open."""
    opened_s: float | None = None
    """When it opened, by its read-back."""
    shut_commanded_s: float | None = None
    """When it was commanded shut after that."""
    shut_s: float | None = None
    """When it shut, by its read-back."""
    shut_in_s: float = math.inf
    """Shut-in that was planned, s: the fit of the closing ends there, a look at a bending curve may go on."""
    observed: ValveState = ValveState.UNKNOWN
    """The valve as last read back."""
    steady_from_s: float | None = None
    """From here to the closing command the pressure was steady."""
    noise_pa: float = 1.0
    """Standard deviation at rest, from the look."""
    resolution_pa: float = 0.0
    """Step in which the values move, found when the cycle has ended; 0: in none."""
    trapped_pa: float | None = None
    """Pressure before opening."""
    last_good_s: float = 0.0
    """When the last usable sample came."""
    failed_reads: int = 0
    """Reads without a usable answer, all together."""
    failed_in_a_row: int = 0
    """The same, since the last good one."""
    invalid_in_a_row: int = 0
    """Values off the span or no number, since the last good one."""
    beyond_brim: int = 0
    """Samples in a row past what a brim-full tank could give."""
    slowest_read_s: float = 0.0
    """Longest read so far."""
    supply_seen: bool | None = None
    """Supply as its switch told it until closing; False as soon as it was once missing. None: no switch heard."""
    flow_seen: bool | None = None
    """Air passing the open valve, as the flow switch told it last. None: no switch heard in time."""
    flow_at_rest: bool | None = None
    """The same before opening, when none should pass."""
    failure_pa: float | None = None
    """Value with which a current loop said that its transmitter has failed, Pa; None: it did not."""

    def add(self, t_s: float, gauge_pa: float, phase: Phase) -> None:
        """Keep a sample; one that comes out of order in time is dropped, as its time can't be trusted."""
        if self.times_s and t_s <= self.times_s[-1]:
            return
        self.times_s.append(t_s)
        self.gauge_pa.append(gauge_pa)
        self.phases.append(phase)
        self.last_good_s = t_s
        self.failed_in_a_row = self.invalid_in_a_row = 0

    def hear(self, which: Input, active: bool, t_s: float, response_s: float) -> None:
        """Keep what a switch said.

        Args:
            which: what it watches.
            active: what it said.
            t_s: when.
            response_s: a flow switch's "no" counts only this long after opening, s.
        """
        if which is Input.SUPPLY:
            self.supply_seen = active and self.supply_seen is not False
        elif self.open_commanded_s is None:
            self.flow_at_rest = active
        elif self.opened_s is not None and t_s >= self.opened_s + (0.0 if active else response_s):
            self.flow_seen = active

    def since(self, t_s: float, until_s: float = math.inf) -> tuple[list[float], list[float]]:
        """Times and pressures from `t_s` on, before `until_s`."""
        low, high = len(self.times_s), len(self.times_s)
        while low > 0 and self.times_s[low - 1] >= t_s:
            low -= 1
        while high > low and self.times_s[high - 1] >= until_s:
            high -= 1
        return self.times_s[low:high], self.gauge_pa[low:high]

    @property
    def valve_commanded_open(self) -> bool:
        """Commanded open and not yet commanded shut."""
        return self.open_commanded_s is not None and self.shut_commanded_s is None

    @property
    def period_s(self) -> float | None:
        """Median time between the latest samples; None with fewer than two."""
        latest = self.times_s[-16:]
        return median(b - a for a, b in pairwise(latest)) if len(latest) > 1 else None

    def trace(self) -> tuple[TraceSample, ...]:
        """All usable samples."""
        return tuple(map(TraceSample, self.times_s, self.gauge_pa, self.phases))
