"""The sampling plan: how often, how long, how sure, from what tube, noise and link really are."""

from __future__ import annotations

from dataclasses import dataclass

from lungfish.core.expect import (
    bubbling_friction_pa,
    fill_limit_s,
    full_gauge_pa,
    slowest_fill_pa_s,
    tube_settling_s,
)
from lungfish.core.setup import CycleSetup, Learned

__all__ = [
    "BENDING_S",
    "CORNER_S",
    "FALL_PA_S",
    "FILL_PERIOD_S",
    "LEAK_LOOK_S",
    "PERIOD_S",
    "PROOF_HOLD_S",
    "SILENCE_S",
    "WAIT_PERIOD_S",
    "WINDOWS_S",
    "Plan",
    "longest_lag_pa",
]

PERIOD_S = 0.05
"""20 readings a second while it matters: fast enough for the knee, slow enough for any panel."""
FILL_PERIOD_S = 0.1
"""Enough while the pressure only climbs."""
WAIT_PERIOD_S = 0.5
"""While the turn at the air is waited for: enough to keep noise and trapped pressure up to date."""
CORNER_S = 2.5
"""So long after opening the corner that the pressure turns is sampled as fast as the plateau."""
LOOK_S = (1.0, 4.0)
"""Shortest and longest look at the trapped pressure."""
SHUT_IN_S = (2.5, 15.0)
"""Shortest and longest shut-in; it costs no air."""
LEAK_LOOK_S = 15.0
"""Shut-in as long as it is not known from two readings whether the tube keeps its air."""
BENDING_S = 30.0
"""Longest shut-in of a curve that still bends: what a narrowed tip holds back takes its time to leave."""
HOLD_S = (0.6, 1.2)
"""Shortest and longest stretch of bubbling wanted for the plateau."""
HOLD_SAMPLES = 6.0
"""And so many samples of it, of which a fifth may still belong to the knee: a slow link has few to fit."""
PROOF_HOLD_S = 4.0
"""Bubbling as long as nothing has ever shown that air leaves at the tip: what closing moves must leave the noise."""
TARGET_PA = 3.0
"""Noise of the shut-in to aim at: 0.3 mm of water."""
WINDOWS_S = (0.4, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0)
"""Windows over which steadiness is tried; the shortest that is sure enough decides."""
FALSE_STEADY = 0.25
"""Share of the slowest filling slope below which a slope is that of a plateau."""
LEVEL_RATE_PA_S = 25.0
"""A level moving by 2.5 mm/s is still steady."""
FALL_PA_S = 14.0
"""A shut-in that falls faster than this is taken for a leak, as the line's packed air hides its first second."""
SILENCE_S = 1.5
"""With the valve open and nothing heard for this long, it is shut."""


@dataclass(frozen=True, slots=True)
class Plan:
    """Limits of one cycle, worked out once at its start."""

    open_limit_s: float
    """Longest time open before the cycle calls it unsteady."""
    brim_pa: float
    """Pressure at the transmitter past which a brim-full tank can't be the cause."""
    over_range_pa: float
    """Pressure at which the transmitter's limit is reached."""
    invalid_low_pa: float
    """Below this a value is off the span."""
    invalid_high_pa: float
    """Above this a value is off the span."""
    low_stop_pa: float
    """Below this the transmitter may be at its lower stop, where it can tell neither pressure nor noise."""
    filling_pa_s: float
    """Slope of the slowest filling."""
    settling_s: float
    """Slowest time constant of the line's friction, at half the full head."""

    @classmethod
    def of(cls, setup: CycleSetup, learned: Learned) -> Plan:
        """Work out the limits for a tank.

        Args:
            setup: the tank.
            learned: what earlier cycles found.
        """
        full = full_gauge_pa(setup)
        ratio = learned.friction_ratio + 3.0 * learned.friction_ratio_u
        ripple = setup.ripple_bound_pa
        margin = 0.02 * full + 0.5 * ripple + 3.0 * setup.transmitter_u_pa + 50.0
        span = setup.span_high_pa - setup.span_low_pa
        return cls(
            open_limit_s=fill_limit_s(setup),
            brim_pa=full + max(1.5, ratio) * bubbling_friction_pa(setup, full) + margin,
            over_range_pa=setup.span_high_pa - 1e-3 * span,
            # the edges of NAMUR NE 43 for a 4 to 20 mA span: failure at 3.6 mA, measuring to 20.5 mA. Below 3.8 mA it
            # is at its lower stop, as a flooded tight tube under a falling level makes it: suction, and no failure.
            invalid_low_pa=setup.span_low_pa - 0.025 * span,
            invalid_high_pa=setup.span_high_pa + 0.03125 * span,
            low_stop_pa=setup.span_low_pa - 0.01 * span,
            filling_pa_s=slowest_fill_pa_s(setup, full),
            settling_s=tube_settling_s(setup, full / 2.0),
        )

    @property
    def steady_pa_s(self) -> float:
        """Largest slope, with its interval, that counts as a plateau."""
        return max(FALSE_STEADY * self.filling_pa_s, LEVEL_RATE_PA_S)

    @property
    def slow_climb_pa_s(self) -> float:
        """A slope that is surely above this is not a plateau, however far below filling it is: air may be short."""
        return max(0.025 * self.filling_pa_s, LEVEL_RATE_PA_S)

    def look_s(self, noise_pa: float, period_s: float) -> float:
        """How long to look: until the trapped pressure is known to a few pascals and the noise to a fifth."""
        samples = max(16.0, (noise_pa / TARGET_PA) ** 2)
        return min(LOOK_S[1], max(LOOK_S[0], samples * period_s))

    def hold_s(self, noise_pa: float, period_s: float, damping_s: float) -> float:
        """How long to bubble: until the plateau's mean is good enough, within bounds that spare air."""
        samples = (2.0 * noise_pa / (1.5 * TARGET_PA)) ** 2
        return min(HOLD_S[1], max(HOLD_S[0], max(HOLD_SAMPLES, samples) * period_s, 0.9 * damping_s))

    def shut_in_s(self, noise_pa: float, period_s: float, damping_s: float) -> float:
        """How long to listen after closing: damping and friction gone, and the line well enough known.

        A straight line's value at its end has twice the standard uncertainty of its mean.
        """
        samples = (2.0 * noise_pa / TARGET_PA) ** 2
        settle = 6.0 * damping_s + 8.0 * self.settling_s
        return min(SHUT_IN_S[1], max(SHUT_IN_S[0], settle + samples * period_s, 1.5 * settle))


def longest_lag_pa(plan: Plan, damping_s: float) -> float:
    """How far the transmitter may lag behind the filling, Pa; a flooded tube of small bore climbs faster."""
    return 3.0 * plan.filling_pa_s * damping_s + 100.0
