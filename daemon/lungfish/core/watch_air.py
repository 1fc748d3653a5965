"""The air in a shut tube, followed from value to value, and what the watch counts from one reading on."""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass, field

from lungfish.core.budget import Measured
from lungfish.core.reading import Reading

__all__ = ["STILL", "VARYING", "Air", "Seen", "Since", "budget_u_pa"]

STILL = 3.0
"""Standard deviations of the median within which a tube counts as still full."""
_SLOPE = 6.0
"""Standard deviations of the median beyond which the way from one value to the next is no noise."""
VARYING = (
    "noise",
    "damping",
    "resolution",
    "ripple frozen at closing",
    "friction left over",
    "onset of the leak",
    "air at the tip not proven",
    "held back at the tip",
)
"""Lines of a level's budget that differ from one reading to the next; the others cancel in a difference."""
_MOVED_M = 0.01
"""Two readings that differ by less than this are not said to show a movement."""
_RECENT_S = 60.0
"""Readings further apart than this say nothing of how fast the level moves now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The last reading, and how fast the level moved up to it."""

    at_s: float
    """The moment that it is true for, s."""
    level_m: float
    """Level above the floor, m."""
    rate_m_s: float
    """Up positive, m/s; 0 when that is not known."""

    @staticmethod
    def after(before: Seen | None, at_s: float | None, level_m: float, going_m_s: float) -> Seen | None:
        """What is seen with one reading more; None when it is not known for which moment it is true.

        Args:
            before: what was seen before; None: nothing.
            at_s: the moment that the reading is true for, s.
            level_m: its level, m.
            going_m_s: how fast the estimate moved before it, m/s, where the readings are too far apart; 0: unknown.
        """
        if at_s is None:
            return None
        rate_m_s = going_m_s
        if before is not None and 0.0 < at_s - before.at_s < _RECENT_S and abs(level_m - before.level_m) > _MOVED_M:
            rate_m_s = (level_m - before.level_m) / (at_s - before.at_s)
        return Seen(at_s=at_s, level_m=level_m, rate_m_s=rate_m_s)


@dataclass(slots=True, kw_only=True)
class Air:
    """The air in the tube, if the leak is what is said."""

    leak_per_s: float
    """Share of its gauge pressure that the tube loses each second while no liquid can come in, 1/s."""
    full_gauge_pa: float
    """Pressure at which this air would just fill the tube, Pa."""
    seen: float = 10.0
    """How many values stand behind that."""
    below: int = 0
    """Values in a row that were below."""

    def step(self, dt_s: float, mean_pa: float, gauge_pa: float, sd_pa: float) -> None:
        """Let time pass up to a value: the leak takes air (or, below nothing, brings some), and a fall lets air out."""
        self.full_gauge_pa -= self.leak_per_s * mean_pa * dt_s
        above_pa = gauge_pa - self.full_gauge_pa
        self.below = self.below + 1 if above_pa < -STILL * sd_pa else 0
        if self.below > 1:
            self.full_gauge_pa, self.seen = gauge_pa, 1.0
        elif abs(above_pa) < STILL * sd_pa:
            # the lowest of many noisy values would be too low: while nothing moves their mean counts
            self.seen += 1.0
            self.full_gauge_pa += above_pa / self.seen


@dataclass(slots=True, kw_only=True)
class Since:
    """What is counted from one reading on."""

    level_m: Measured
    """The reading."""
    head_pa: float
    """Its head, Pa."""
    varying_u_pa: float
    """Its standard uncertainty against the next one, Pa."""
    start_pa: float
    """Trapped pressure at the moment that the reading is true for, Pa."""
    start_s: float
    """When the tube was shut."""
    start_u_pa: float
    """Standard uncertainty of that pressure for it is gone back to, Pa."""
    sd_pa: float
    """Standard deviation of the median, Pa."""
    freeze_pa: float
    """Standard deviation of what closing froze of the ripple, Pa."""
    airs: tuple[Air, ...]
    """With each leak that may be, in order; the likeliest in the middle."""
    weights: tuple[float, ...]
    """What each stands for: how likely it is, and for how wide a part of the scale."""
    likely: tuple[bool, ...]
    """Whether it is within two standard uncertainties."""
    values: deque[tuple[float, float]]
    """The last values: monotonic time in s, gauge pressure in Pa."""
    last_s: float
    """Time of the last one."""
    gauge_pa: float
    """The last value with noise taken out, Pa."""
    rise_pa: float = 0.0
    """Rise of the head as last estimated, Pa."""
    u_pa: float = 0.0
    """Its standard uncertainty, Pa."""
    hidden_pa: float = 0.0
    """What of that the trapped air hides, by geometry, Pa."""
    rises_pa: tuple[float, ...] = ()
    """The same for each leak, Pa."""
    leak_u_pa: float = 0.0
    """Part of the uncertainty that comes from the leak, Pa."""
    unlike_pa: float = 0.0
    """By how much the last value would put the rise higher, Pa."""
    amplified: float = 1.0
    """By how much a change of pressure counts, 1."""
    recent: deque[tuple[float, float]] = field(default_factory=deque)
    """The estimates of late: monotonic time in s, rise in Pa."""
    slope_pa_s: float = 0.0
    """How fast the estimate moved of late, Pa/s."""

    @property
    def air(self) -> Air:
        """With the likeliest leak."""
        return self.airs[len(self.airs) // 2]

    def steadied_pa(self) -> float:
        """The median of the last values, which one wild value does not move; on a clear slope the last, not to lag."""
        first_pa, middle_pa, last_pa = (value for _, value in self.values)
        before_pa, now_pa = middle_pa - first_pa, last_pa - middle_pa
        if abs(before_pa) > _SLOPE * self.sd_pa and before_pa * now_pa > 0.0:
            return middle_pa + math.copysign(min(abs(now_pa), 2.0 * abs(before_pa)), now_pa)
        return statistics.median((first_pa, middle_pa, last_pa))


def budget_u_pa(reading: Reading, names: tuple[str, ...], weight_pa_m: float) -> float:
    """Part of a level's uncertainty that comes from some lines of its budget, as Pa.

    Args:
        reading: that has the level.
        names: the lines.
        weight_pa_m: what a metre of the liquid weighs, Pa/m.
    """
    if reading.budget is None:
        return 0.0
    return math.hypot(
        0.0, *(line.u for line in reading.budget.contributions if line.name in names and line.unit == "Pa")
    )
