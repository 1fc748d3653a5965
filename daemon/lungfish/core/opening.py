"""What opening the valve tells of the transmitter's damping.

Opening makes the pressure turn a corner: friction steps up and the fill begins to climb, at a moment that is known.
The damping rounds that corner and delays the climb by its time constant. With `u` the time since opening the
pressure itself is

    p0 + F (1 - exp(-u / T)) + a (u - k u2 - L (1 - exp(-u / T)))

`F` friction, `T` the time constant with which the line comes to fill the tube evenly and `L` the lag that its packing
leaves (`physics.friction.ramp_in_line`), `a` the slope of the fill and `k` how it flattens as the air space grows. A
tube that is full already and a transmitter that sees no friction turn no corner, and tell nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.fit import fit_columns, lagged_decay

__all__ = ["Opening"]

_MODEL_ERROR = 0.01
"""The climb is straight to about this share of itself over the short window that is used."""

_LAG_U = 0.3
"""Relative standard uncertainty of the lag that the line's packing leaves: flow, bore and friction are nominal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Samples about the opening, and how well a damping explains them."""

    times_s: Sequence[float]
    """Since opening, s; negative before."""
    gauge_pa: Sequence[float]
    """What was read, Pa."""
    noise_pa: float
    """Standard deviation at rest, Pa."""
    settling_s: float
    """Time constant with which the line comes to fill the tube evenly, s; 0 without a line."""
    packing_s: float
    """By how much its packing delays the climb, s."""
    flattening_s: float
    """`k`, 1/s."""
    sees_friction: bool
    """Whether opening makes a step of friction."""

    @property
    def telling(self) -> bool:
        """Whether there is a corner to be seen."""
        after = [p for t, p in zip(self.times_s, self.gauge_pa, strict=True) if t > 0]
        return len(after) >= 8 and max(after) - self.gauge_pa[0] > 20.0 * self.noise_pa

    def misfit(self, damping_s: float) -> float:
        """How badly a damping explains the opening, to be compared with another one: see `Fit.misfit`."""
        columns = [[1.0] * len(self.times_s), [self._climb(u, damping_s) for u in self.times_s]]
        priors: list[tuple[float, float] | None] = [None, None]
        if self.sees_friction or self.packing_s > 0.0:
            # a lag that is not quite the one worked out shows as a step too
            columns.append([self._step(u, damping_s) for u in self.times_s])
            priors.append(None if self.sees_friction else (0.0, _LAG_U * self.packing_s * self._slope_pa_s()))
        base = self.gauge_pa[0]
        weights = [1.0 / math.hypot(self.noise_pa, _MODEL_ERROR * (p - base)) for p in self.gauge_pa]
        try:
            return fit_columns(columns, self.gauge_pa, weights=weights, priors=priors).misfit
        except ValueError:
            return 0.0

    def _slope_pa_s(self) -> float:
        return max(1.0, self.gauge_pa[-1] - self.gauge_pa[0]) / max(0.1, self.times_s[-1])

    def _climb(self, u: float, tau: float) -> float:
        """Response to the climb of slope 1 behind the damping."""
        if u <= 0:
            return 0.0
        settled = 1.0 - math.exp(-u / tau)
        straight = u - tau * settled
        bent = u * u - 2.0 * tau * straight
        return straight - self.flattening_s * bent - self.packing_s * self._step(u, tau)

    def _step(self, u: float, tau: float) -> float:
        """Response to what builds up with the line's time constant, behind the damping."""
        if u <= 0:
            return 0.0
        if self.settling_s <= 0:
            return 1.0 - math.exp(-u / tau)
        return 1.0 - math.exp(-u / tau) - lagged_decay(u, self.settling_s, tau)
