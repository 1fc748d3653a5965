"""Steadiness as a statistical statement: the slope of a window, how well it is known, and whether that is enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

from lungfish.core.fit import fit_columns, lag1_autocorrelation, spread_inflation

__all__ = ["Trend", "deepest_valley_pa", "trend_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A straight line through a window of pressures, the transmitter's damping taken out."""

    end_pa: float
    """Pressure at the end of the window, Pa."""
    slope_pa_s: float
    """Slope of the pressure itself, Pa/s."""
    slope_u_pa_s: float
    """Its standard uncertainty, the samples' autocorrelation allowed for, Pa/s."""
    scatter_pa: float
    """Standard deviation of the samples about the line, Pa."""
    span_s: float
    """Length of the window, s."""
    samples: int
    """Samples in it."""

    def steady_within(self, tolerance_pa_s: float, k: float = 2.0) -> bool:
        """Whether the slope lies inside the tolerance with its whole interval.

        Args:
            tolerance_pa_s: largest slope that still counts as steady, Pa/s.
            k: coverage factor of the interval.
        """
        return abs(self.slope_pa_s) + k * self.slope_u_pa_s <= tolerance_pa_s

    def climbs_beyond(self, tolerance_pa_s: float, k: float = 2.0) -> bool:
        """Whether the slope lies above the tolerance with its whole interval."""
        return self.slope_pa_s - k * self.slope_u_pa_s > tolerance_pa_s


def deepest_valley_pa(gauge_pa: Sequence[float]) -> float:
    """How far pressures have at most fallen and risen again, Pa; of two neighbours the one that says less counts.

    Args:
        gauge_pa: what was read, in order, Pa.
    """
    lower = [min(pair) for pair in pairwise(gauge_pa)]
    before = list(accumulate(lower, max))
    after = list(accumulate(reversed(lower), max))[::-1]
    floors = (min(a, b) - max(pair) for a, b, pair in zip(before, after, pairwise(gauge_pa), strict=True))
    return max(0.0, *floors) if lower else 0.0


def trend_of(
    times_s: Sequence[float],
    gauge_pa: Sequence[float],
    *,
    damping_s: float = 0.0,
    noise_pa: float = 0.0,
    lag_bound_pa: float = 1e5,
) -> Trend | None:
    """Slope of a window of pressures behind a first-order lag.

    A lag `tau` turns a straight line into `X + s (t - tau) + D exp(-t / tau)`; `D` is what is left of the
    past and is fitted with the line, so that a plateau is known as one before the lag has died out.

    Args:
        times_s: when, s, rising.
        gauge_pa: what was read, Pa.
        damping_s: time constant of the lag, s; 0 for none.
        noise_pa: standard deviation known from elsewhere, used when the window shows less.
        lag_bound_pa: how large `D` can be, Pa (one standard deviation).

    Returns:
        The trend; None when the window holds too little to tell.
    """
    count = len(times_s)
    start = times_s[0] if count else 0.0
    span = times_s[-1] - start if count else 0.0
    lagged = damping_s > 0 and count > 1 and damping_s > 0.5 * span / (count - 1)
    if count < (5 if lagged else 4) or span <= 0:
        return None
    mean = math.fsum(times_s) / count
    columns = [[1.0] * count, [t - mean for t in times_s]]
    priors: list[tuple[float, float] | None] = [None, None]
    if lagged:
        columns.append([math.exp(-(t - start) / damping_s) for t in times_s])
        priors.append((0.0, lag_bound_pa))
    sd = max(noise_pa, 1e-6)
    try:
        fit = fit_columns(columns, gauge_pa, weights=[1.0 / sd] * count, priors=priors)
    except ValueError:
        return None
    # A few samples may look quieter than the transmitter is: never believe less noise than was seen at rest.
    scatter = fit.residual_sd * sd
    inflation = spread_inflation(lag1_autocorrelation(fit.residuals) if count >= 12 else 0.0)
    factor = max(1.0, fit.residual_sd) * math.sqrt(inflation)
    lag = damping_s if lagged else 0.0
    return Trend(
        end_pa=fit.values[0] + fit.values[1] * (times_s[-1] - mean + lag),
        slope_pa_s=fit.values[1],
        slope_u_pa_s=math.sqrt(fit.inverse[1][1]) * factor,
        scatter_pa=scatter,
        span_s=span,
        samples=count,
    )
