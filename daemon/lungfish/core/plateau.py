"""The search for the plateau while the valve is open: does the pressure still climb, and from when on did it bubble?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.air import first_bubble_after_s
from lungfish.core.evidence import RIPPLE_SHOWS, TIMELY_LEAST_S
from lungfish.core.expect import bubbling_friction_pa
from lungfish.core.friction_shown import FRICTION_SEEN
from lungfish.core.level import DAMPING_MODEL, freeze_sd_pa
from lungfish.core.plan import FALSE_STEADY, LEVEL_RATE_PA_S, PERIOD_S, WINDOWS_S, Plan, longest_lag_pa
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.steady import Trend, trend_of

__all__ = ["PlateauSearch"]

_UNKNOWN_DAMPING = 0.5
"""Standard uncertainty of the logarithm of the damping above which it is a guess."""
LAG_HIDES = 0.15
"""What is not known of the lag may be this share of the friction that closing must show."""


@dataclass(frozen=True, slots=True)
class PlateauSearch:
    """Looks at the record of a running cycle; changes nothing."""

    setup: CycleSetup
    """The tank."""
    learned: Learned
    """What earlier cycles found."""
    plan: Plan
    """The cycle's limits."""
    record: Record
    """What has been gathered so far; it grows while the cycle runs."""

    def wants_proof(self, plateau_pa: float, scatter_pa: float) -> bool:
        """Air was never yet proven at the tip, and neither ripple, friction nor a timed rise will: look longer.

        Args:
            plateau_pa: pressure of the plateau, Pa.
            scatter_pa: standard deviation of the samples about it, Pa.
        """
        record, setup = self.record, self.setup
        if self.learned.proven_gauge_pa is not None or scatter_pa > RIPPLE_SHOWS * record.noise_pa:
            return False
        friction_pa = self.learned.friction_ratio * bubbling_friction_pa(setup, max(0.0, plateau_pa))
        timed_s = first_bubble_after_s(setup, record.trapped_pa or 0.0, max(0.0, plateau_pa))
        return friction_pa < 6.0 * record.noise_pa + 10.0 and timed_s < 2.0 * TIMELY_LEAST_S

    def lag_hides_friction(self, plateau_pa: float) -> bool:
        """So much of the filling is still behind the damping that friction can't be told from it.

        Closed now, a valve that stays open would look like one that shuts: its friction would be lost in what is not
        known of the damping.

        Args:
            plateau_pa: pressure of the plateau, Pa.
        """
        record, learned = self.record, self.learned
        friction_pa = learned.friction_ratio * bubbling_friction_pa(self.setup, max(0.0, plateau_pa))
        blur_pa = math.hypot(0.5 * record.noise_pa, freeze_sd_pa(self.setup, learned))
        if friction_pa * (1.0 - FRICTION_SEEN) < 3.0 * blur_pa + 5.0:
            return False  # it can't be told anyhow
        last_pa = record.gauge_pa[-4:]
        left_pa = plateau_pa - math.fsum(last_pa) / len(last_pa)
        return math.hypot(DAMPING_MODEL, learned.log_damping_u) * left_pa > LAG_HIDES * friction_pa

    def trend(self) -> Trend | None:
        """The shortest window that says surely whether the pressure climbs; the longest one if none does."""
        record, plan = self.record, self.plan
        opened_s = record.opened_s or 0.0
        tau_s = self.learned.damping_s
        trend: Trend | None = None
        for window_s in WINDOWS_S:
            from_s = record.times_s[-1] - window_s
            if from_s < opened_s + PERIOD_S:
                break
            times, gauges = record.since(from_s)
            trend = trend_of(
                times,
                gauges,
                damping_s=tau_s,
                noise_pa=record.noise_pa,
                lag_bound_pa=longest_lag_pa(plan, tau_s),
            )
            if trend is not None and (trend.steady_within(plan.steady_pa_s) or trend.climbs_beyond(plan.steady_pa_s)):
                break
        return trend

    def bubbling_from_s(self, plateau_pa: float) -> float:
        """Before this the tip can't have been reached, or the line's friction is still building up.

        Args:
            plateau_pa: pressure of the plateau, Pa.

        Returns:
            Seconds after the cycle's start.
        """
        record, setup, learned = self.record, self.setup, self.learned
        head_pa = plateau_pa - learned.friction_ratio * bubbling_friction_pa(setup, max(0.0, plateau_pa))
        filled_s = first_bubble_after_s(setup, record.trapped_pa or 0.0, max(0.0, head_pa))
        return (record.opened_s or 0.0) + filled_s + (2.0 * self.plan.settling_s if setup.tee_at_valve else 0.0)

    def plainly_climbing(self) -> bool:
        """The last samples climb so steeply that no closer look is needed."""
        record = self.record
        times, gauges = record.times_s[-4:], record.gauge_pa[-4:]
        if len(times) < 4:
            return True
        slope = (gauges[-1] - gauges[0]) / (times[-1] - times[0])
        slope_u = 1.5 * record.noise_pa / (times[-1] - times[0])
        lag = 1.0 + self.learned.damping_s / (times[-1] - times[0])
        quick = self.learned.damping_s < 4.0 * PERIOD_S
        limit = 0.5 if quick else 1.0 + FALSE_STEADY * lag
        return slope - 4.0 * slope_u > limit * self.plan.filling_pa_s + LEVEL_RATE_PA_S

    def plainly_lagging(self) -> bool:
        """The samples themselves still climb, and how much of that is the transmitter's damping is not known yet.

        A supply that gives out looks like a damped plateau: as long as the damping is a guess, wait until it is over.
        """
        record, plan = self.record, self.plan
        if self.learned.log_damping_u < _UNKNOWN_DAMPING:
            return False
        times, gauges = record.since(record.times_s[-1] - WINDOWS_S[1])
        raw = trend_of(times, gauges, noise_pa=record.noise_pa)
        return raw is not None and raw.climbs_beyond(plan.slow_climb_pa_s)
