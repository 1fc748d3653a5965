"""All the evidence on one cycle in one place, and what only takes a look at the samples about closing."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.closing import Closing
from lungfish.core.decay import Decay
from lungfish.core.fit import fit_line
from lungfish.core.level import Weighed
from lungfish.core.plan import Plan
from lungfish.core.proof import Movement
from lungfish.core.reading import Features
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned

__all__ = [
    "LINE_MODEL",
    "RESTLESS",
    "RESTLESS_PA",
    "RIPPLE_SHARE",
    "STRANGE_DAMPING",
    "STRANGE_LEAST",
    "Case",
    "drop_limit_pa",
    "longest_damping_s",
    "restless_limit_pa",
]

RESTLESS = 3.0
"""A shut-in that scatters this much more than the transmitter at rest is no straight line: nothing to go back along."""
RESTLESS_PA = 20.0
"""And this much besides, 2 mm of water, as no model of a line and a transmitter is exact."""
RIPPLE_SHARE = 0.35
"""Or this share of the largest ripple peak to peak: somewhat more than a saw-tooth's standard deviation."""
LINE_MODEL = 0.02
"""And this share of the friction: how a long line's dies away is known to about that."""
STRANGE_DAMPING = 2.0
"""A time constant this many standard deviations from what is known of it is not the transmitter's."""
STRANGE_LEAST = 0.4
"""Its logarithm is never known better than this, for that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All the evidence on one cycle."""

    setup: CycleSetup
    """The tank."""
    learned: Learned
    """What was known before."""
    plan: Plan
    """The cycle's limits."""
    record: Record
    """What was gathered."""
    features: Features
    """The numbers."""
    closing: Closing
    """The fit of the moment of closing."""
    weighed: Weighed
    """The pressure of the head."""
    movement: Movement | None
    """What opening and closing did to the pressure; None: too few samples."""
    decay: Decay | None
    """The curve after closing; None when it is a straight line, or too short."""
    restricted: bool
    """The curve after closing is that of a narrowed tip, and the level was read from what it came to rest on."""

    @property
    def look_in_span(self) -> bool:
        """Before opening the transmitter was not at its lower stop, where it can tell neither pressure nor noise."""
        trapped_pa = self.record.trapped_pa
        return trapped_pa is not None and trapped_pa > self.plan.low_stop_pa

    @property
    def rose(self) -> bool:
        """Opening has lifted the pressure by more than noise, and than a little of the air's friction."""
        rise_pa = self.closing.plateau_pa - (self.record.trapped_pa or 0.0)
        least_pa = 0.2 * self.weighed.friction_pa + 5.0
        if rise_pa > 5.0 * self.record.noise_pa + least_pa:
            return True
        moved = self.movement
        return moved is not None and moved.opening_pa > 8.0 * moved.opening_u_pa + least_pa

    @property
    def late_slope_pa_s(self) -> float:
        """Slope of the last half of the shut-in, Pa/s: a frozen bubble and the last ones have come to rest by then."""
        return self.late_fall()[0]

    def late_fall(self) -> tuple[float, float]:
        """That slope and its standard uncertainty, Pa/s."""
        shut_s, end_s = self.record.shut_s or 0.0, self.record.times_s[-1]
        times, gauges = self.record.since(0.5 * (shut_s + end_s))
        if len(times) < 4:
            return self.closing.shut_slope_pa_s, self.closing.shut_slope_u_pa_s
        line = fit_line(times, gauges)
        return line.values[1], max(self.record.noise_pa, line.residual_sd) * math.sqrt(line.inverse[1][1])

    @property
    def drop_pa(self) -> float:
        """What closing took away, Pa: the samples as they are, for the fit's damping may be what is wrong."""
        before_pa, after_pa, _ = self._across_closing()
        return before_pa - after_pa

    @property
    def strange_damping(self) -> bool:
        """The damping that the fit found is not the transmitter's: what followed was no closing of a sound tube."""
        strange = abs(math.log(self.closing.damping_s / self.learned.damping_s))
        return strange > STRANGE_DAMPING * max(STRANGE_LEAST, self.learned.log_damping_u)

    @property
    def friction_seen_pa(self) -> float:
        """What closing took away, Pa: by the fit, and by the samples as they are where its damping is strange."""
        return self.drop_pa if self.strange_damping else self.closing.plateau_pa - self.closing.shut_in_pa

    @property
    def first_fall_pa_s(self) -> float:
        """How fast the pressure fell from closing until damping and friction were over, friction left out, Pa/s."""
        before_pa, after_pa, settled_s = self._across_closing(back=False)
        fell_pa = before_pa - after_pa - self.drop_limit_pa
        return max(0.0, fell_pa) / settled_s if settled_s > 0 else 0.0

    def _across_closing(self, *, back: bool = True) -> tuple[float, float, float]:
        """Pressure before closing and after it, Pa (once things have settled, or gone back along it), and when, s."""
        record, closing, shut_s = self.record, self.closing, self.record.shut_s or 0.0
        lag_s = min(closing.damping_s, longest_damping_s(self.learned))
        settled_s = 2.5 * lag_s + 3.0 * self.plan.settling_s
        before = record.since(shut_s - 0.4, shut_s)[1]
        times, after = record.since(shut_s + settled_s, shut_s + settled_s + 1.5)
        if not before or len(after) < 4:
            return closing.plateau_pa, closing.shut_in_pa, settled_s
        line = fit_line(times, after)
        mean_s = math.fsum(times) / len(times) - shut_s
        to_s = 0.0 if back else settled_s
        return math.fsum(before) / len(before), line.values[0] - line.values[1] * (mean_s - to_s), settled_s

    @property
    def drop_limit_pa(self) -> float:
        """More than flowing air's friction, ripple and noise can make closing take away, Pa."""
        return drop_limit_pa(self.setup, self.record, self.weighed.friction_pa)


def longest_damping_s(learned: Learned) -> float:
    """The damping, on the safe side of what is known, s: a fit of what was no closing may find any.

    Args:
        learned: what earlier cycles found.
    """
    return learned.damping_s * math.exp(learned.log_damping_u)


def drop_limit_pa(setup: CycleSetup, record: Record, friction_pa: float) -> float:
    """More than flowing air's friction, ripple and noise can make closing take away, Pa.

    Args:
        setup: the tank.
        record: the cycle's record.
        friction_pa: expected friction, Pa.
    """
    ripple_pa = setup.ripple_bound_pa
    return 2.0 * friction_pa + 8.0 * record.noise_pa + ripple_pa + 50.0


def restless_limit_pa(setup: CycleSetup, record: Record, friction_pa: float) -> float:
    """Scatter of a shut-in that a sound tube may show, Pa: noise, bubbles that a falling level lets out, a long line.

    Args:
        setup: the tank.
        record: the cycle's record.
        friction_pa: friction that closing takes away, Pa.
    """
    model_pa = max(RESTLESS_PA, RIPPLE_SHARE * setup.ripple_bound_pa) + LINE_MODEL * max(0.0, friction_pa)
    return RESTLESS * record.noise_pa + model_pa
