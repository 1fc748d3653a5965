"""Did air come, and did it reach the tip? Evidence that a plateau is one, and not merely a pressure at rest.

With the transmitter at the tube's end a full tight tube, lost air and a valve stuck shut look alike at first sight:
nothing moves. But air that leaves at the tip never leaves the pressure quite alone. Opening takes it from where the
last closing froze the bubble to its mean, closing freezes it somewhere else, friction comes and goes, ripple shows.
A pressure that runs on in one straight line through both is a pressure that nothing has touched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.fit import fit_columns
from lungfish.core.plan import Plan
from lungfish.core.record import Record
from lungfish.core.steady import trend_of

__all__ = ["Movement", "movement_of"]

_SIGMAS = 5.0
"""A step this far beyond its own uncertainty is no play of the noise."""
_LEAST_PA = 2.0
"""And this far in any case, 0.2 mm of water."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """What opening and closing did to a straight line through the whole cycle."""

    opening_pa: float
    """Step at opening, Pa."""
    opening_u_pa: float
    """Its standard uncertainty, Pa."""
    closing_pa: float
    """Step at closing, Pa."""
    closing_u_pa: float
    """Its standard uncertainty, Pa."""
    open_slope_pa_s: float
    """Slope while open, onset left out, less the slope of the line, Pa/s."""
    open_slope_u_pa_s: float
    """Its standard uncertainty, Pa/s."""

    @property
    def dropped(self) -> bool:
        """Closing took pressure away, beyond the play of the noise: friction of a flow that went somewhere."""
        return -self.closing_pa > max(_SIGMAS * self.closing_u_pa, _LEAST_PA)

    @property
    def froze(self) -> bool:
        """Opening lifted nothing, and closing froze a bubble. After a lift, a climb that ends could look like it."""
        lifted = self.opening_pa > max(_SIGMAS * self.opening_u_pa, _LEAST_PA)
        return not lifted and self.closing_pa > max(_SIGMAS * self.closing_u_pa, _LEAST_PA)

    @property
    def lowered(self) -> bool:
        """Opening took pressure away, beyond the play of the noise."""
        return -self.opening_pa > max(_SIGMAS * self.opening_u_pa, _LEAST_PA)

    @property
    def sank(self) -> bool:
        """Opening took pressure away, far beyond a bubble's play: no straight line, so no step in it is one."""
        return -self.opening_pa > max(4.0 * _SIGMAS * self.opening_u_pa, _LEAST_PA)

    def settled_within(self, slope_pa_s: float) -> bool:
        """The pressure is surely not climbing faster than this while open."""
        return self.open_slope_pa_s + 2.0 * self.open_slope_u_pa_s < slope_pa_s


def movement_of(record: Record, plan: Plan, damping_s: float) -> Movement | None:
    """Fit one straight line with two steps through look, bubbling and shut-in.

    Args:
        record: a complete cycle.
        plan: its limits.
        damping_s: time constant of the transmitter.

    Returns:
        The steps; None when a phase holds too few samples.
    """
    if record.opened_s is None or record.shut_s is None:
        return None
    onset_s = 2.0 * damping_s + 2.0 * plan.settling_s
    steady_s = record.steady_from_s if record.steady_from_s is not None else record.shut_s - 1.0
    from_s = min(max(record.opened_s + onset_s, steady_s + 2.0 * damping_s), record.shut_s - 0.4)
    before, p_before = record.since(record.opened_s - 5.0, record.opened_s)
    during, p_during = record.since(max(from_s, record.opened_s), record.shut_s)
    after, p_after = record.since(record.shut_s + 3.0 * damping_s + 3.0 * plan.settling_s)
    if len(before) < 6 or len(during) < 4 or len(after) < 6:
        return None
    times = before + during + after
    columns = [
        [1.0] * len(times),
        [t - record.shut_s for t in times],
        [0.0] * len(before) + [1.0] * (len(during) + len(after)),
        [0.0] * (len(before) + len(during)) + [1.0] * len(after),
    ]
    noise_pa = record.noise_pa
    try:
        fit = fit_columns(columns, p_before + p_during + p_after, weights=[1.0 / noise_pa] * len(times))
    except ValueError:
        return None
    spread = max(1.0, fit.residual_sd)
    trend = trend_of(during, p_during, damping_s=damping_s, noise_pa=noise_pa)
    return Movement(
        opening_pa=fit.values[2],
        opening_u_pa=math.sqrt(fit.inverse[2][2]) * spread,
        closing_pa=fit.values[3],
        closing_u_pa=math.sqrt(fit.inverse[3][3]) * spread,
        open_slope_pa_s=trend.slope_pa_s - fit.values[1] if trend is not None else 0.0,
        open_slope_u_pa_s=trend.slope_u_pa_s if trend is not None else math.inf,
    )
