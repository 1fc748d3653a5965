"""What opening the valve tells of the transmitter's damping.

Opening makes the pressure turn a corner: friction steps up and the fill begins to climb, at a moment that is known.
The damping rounds that corner and delays the climb by its time constant. With `u` the time since opening the
pressure itself is

    p0 + F (1 - exp(-u / T)) + a (u - k u2 - (pi2 / 8) T (1 - exp(-u / T)))

`F` friction, `T` the line's own slowest time constant (the line packs before the tube fills: R C / 2 of flow time),
`a` the slope of the fill and `k` how it flattens as the air space grows. A tube that is full already and a transmitter
that sees no friction turn no corner, and tell nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.fit import fit_columns, lagged_decay

__all__ = ["Opening"]

_PACKING = math.pi**2 / 8.0
"""R C / 2 over the slowest time constant 4 R C / pi2."""
_MODEL_ERROR = 0.01
"""The climb is straight to about this share of itself over the short window that is used."""


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
    """Slowest time constant of the line's friction, s; 0 without a line."""
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
        """Weighted sum of squares that a damping leaves, to be compared with that of another one."""
        columns = [[1.0] * len(self.times_s), [self._climb(u, damping_s) for u in self.times_s]]
        if self.sees_friction:
            columns.append([self._step(u, damping_s) for u in self.times_s])
        base = self.gauge_pa[0]
        weights = [1.0 / math.hypot(self.noise_pa, _MODEL_ERROR * (p - base)) for p in self.gauge_pa]
        try:
            return fit_columns(columns, self.gauge_pa, weights=weights).sum_squares
        except ValueError:
            return 0.0

    def _climb(self, u: float, tau: float) -> float:
        """Response to the climb of slope 1 behind the damping."""
        if u <= 0:
            return 0.0
        settled = 1.0 - math.exp(-u / tau)
        straight = u - tau * settled
        bent = u * u - 2.0 * tau * straight
        return straight - self.flattening_s * bent - _PACKING * self.settling_s * self._step(u, tau)

    def _step(self, u: float, tau: float) -> float:
        """Response to what builds up with the line's time constant, behind the damping."""
        if u <= 0:
            return 0.0
        if self.settling_s <= 0:
            return 1.0 - math.exp(-u / tau)
        return 1.0 - math.exp(-u / tau) - lagged_decay(u, self.settling_s, tau)
