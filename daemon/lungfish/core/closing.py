"""What closing the valve tells: plateau and shut-in from one fit, both gone back to the moment of closing.

One curve is fitted through the end of the bubbling and the time after closing. Before closing the pressure is a
straight line, after closing it is another one, to which the friction of the line dies away; all of it is seen
through the transmitter's first-order damping. With `u` the time since closing and `tau` the damping:

    u < 0    y = P + s_h (u - tau) + D exp(-(u - u_0) / tau)
    u >= 0   y = S + s_l (u - tau) + (P - S) G(u) + C exp(-u / tau),   C from continuity at u = 0

`P` plateau and `S` shut-in at closing, `s_h` and `s_l` their slopes, `D` what the damping still remembers of the
filling, `G` the line's friction dying away behind the same damping. Linear but for `tau`, which is searched.

A leak does not show at once: friction has packed some air into the line, which feeds the leak first. The line
delivers `Q exp(-u / T)`; what exceeds the leak still bubbles out, so the fall sets in at `T ln(Q / leak)` and
reaches its slope only after another `T`. Left out, this reads as much too high as slope times delay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.fit import (
    Fit,
    apart,
    fit_columns,
    golden_minimum,
    lag1_autocorrelation,
    lagged_decay,
    spread_inflation,
)
from lungfish.core.opening import Opening

__all__ = ["Closing", "Line", "closing_of"]

_PLATEAU, _HOLD_SLOPE, _MEMORY, _SHUT_IN, _SHUT_SLOPE = range(5)
_ONSET_MODEL = 0.15
"""How well the onset of a leak's fall is known, relative to itself, when it is taken out; half of it when not."""
_AT_VALVE = tuple(1.0 / (2 * k + 1) ** 2 / (1.0 + 1.0 / 9.0 + 1.0 / 25.0) for k in range(3))
"""Amplitudes of a line's slowest diffusion modes at its shut end, as 1, 1/9, 1/25."""
_AT_TUBE = (4.0 / math.pi, -4.0 / (3.0 * math.pi), 1.0 - 8.0 / (3.0 * math.pi))
"""The same in the flow out of its other end, which makes the tube's own friction; the third stands for all later."""

STRAYS = 3.0
"""Samples after closing that are worth so many times fewer than they are (autocorrelation 0.5) fit no such curve."""
RIPPLED = 2.0
"""The damping is known no better than so many frozen bubbles over what moves the pressure after closing."""
HOLD_SLOPE_PRIOR_PA_S = 15.0
"""A level that moves by 1.5 mm/s is fast for a sump; the short hold alone could not bound its slope so well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """Both pressures of the moment at which the valve shut, at the transmitter, gauge."""

    plateau_pa: float
    """While bubbling, friction and mean ripple in it."""
    shut_in_pa: float
    """After closing, friction and leak out of it."""
    plateau_var_pa2: float
    """Variance of the plateau from noise."""
    shut_in_var_pa2: float
    """Variance of the shut-in from noise."""
    covariance_pa2: float
    """Covariance of the two."""
    hold_slope_pa_s: float
    """Slope while bubbling."""
    hold_slope_u_pa_s: float
    """Its standard uncertainty."""
    shut_slope_pa_s: float
    """Slope after closing."""
    shut_slope_u_pa_s: float
    """Its standard uncertainty."""
    damping_s: float
    """Time constant found."""
    log_damping_u: float
    """Standard uncertainty of its logarithm."""
    plateau_by_damping_pa: float
    """Change of the plateau for a change of the logarithm of the damping, Pa."""
    shut_in_by_damping_pa: float
    """Change of the shut-in likewise, Pa."""
    hold_scatter_pa: float
    """Standard deviation of the samples while bubbling."""
    hold_jitter_pa: float
    """The same from neighbour to neighbour: ripple, but no climb."""
    shut_scatter_pa: float
    """Standard deviation of the samples after closing."""
    shut_jitter_pa: float
    """The same from neighbour to neighbour, all through the later half: ripple that goes on."""
    autocorrelation: float
    """Lag 1, of the residuals after closing."""
    fall_delay_u_s: float
    """Standard uncertainty of when the fall after closing set in, s."""


@dataclass(frozen=True, slots=True)
class Line:
    """What the line does after closing."""

    settling_s: float
    """Slowest time constant of its friction; 0 without a line."""
    seen: bool
    """The transmitter sees its friction, and not only that of the tube."""
    onset_s: float = 0.0
    """When the fall by a leak sets in."""


class _Model:
    """The columns of the fit, for one set of samples and any damping."""

    def __init__(self, times_s: Sequence[float], gauge_pa: Sequence[float], line: Line) -> None:
        self.before = [t for t in times_s if t < 0]
        self.after = [t for t in times_s if t >= 0]
        self.gauge_pa = gauge_pa
        self.line = line
        self.modes = [
            (line.settling_s / (2 * k + 1) ** 2, amplitude)
            for k, amplitude in enumerate(_AT_VALVE if line.seen else _AT_TUBE)
            if line.settling_s > 0
        ]
        self._lags: dict[float, list[float]] = {}

    def _lag(self, time_s: float) -> list[float]:
        """`exp(-u / time_s)` of the samples after the closing; a mode's are the same for every damping."""
        found = self._lags.get(time_s)
        if found is None:
            found = self._lags[time_s] = [math.exp(-u / time_s) for u in self.after]
        return found

    def columns(self, damping_s: float) -> list[list[float]]:
        tau = damping_s
        first = self.before[0]
        at_closing = math.exp(first / tau)
        e = [math.exp(-u / tau) for u in self.after]
        g = [0.0] * len(e)
        for mode_s, amplitude in self.modes:
            t = apart(mode_s, tau)
            share = t / (t - tau)
            g = [v + amplitude * (share * (a - b)) for v, a, b in zip(g, self._lag(t), e, strict=True)]
        none = [0.0] * len(self.before)
        return [
            [1.0] * len(self.before) + [a + b for a, b in zip(g, e, strict=True)],
            [u - tau for u in self.before] + [-tau * x for x in e],
            [math.exp((first - u) / tau) for u in self.before] + [at_closing * x for x in e],
            none + [1.0 - a - b for a, b in zip(g, e, strict=True)],
            none + [self._fall(u, tau) for u in self.after],
        ]

    def _fall(self, u: float, tau: float) -> float:
        """Response to a fall of slope 1 that sets in late and softly."""
        v = u - self.line.onset_s
        if v <= 0:
            return 0.0
        settled = 1.0 - math.exp(-v / tau)
        if self.line.onset_s <= 0:
            return v - tau * settled
        soft_s = self.line.settling_s
        return v - tau * settled - soft_s * (settled - lagged_decay(v, soft_s, tau))


def closing_of(
    times_s: Sequence[float],
    gauge_pa: Sequence[float],
    *,
    line: Line,
    noise_pa: float,
    damping_s: float,
    log_damping_u: float,
    memory_pa: float,
    freeze_pa: float,
    opening: Opening | None = None,
) -> Closing | None:
    """Fit the moment of closing.

    Args:
        times_s: sample times relative to closing, s, rising: negative while bubbling steadily, then after closing.
        gauge_pa: samples, Pa.
        line: what the line does after closing.
        noise_pa: standard deviation of the transmitter at rest.
        damping_s: what is known of the damping beforehand.
        log_damping_u: standard uncertainty of its logarithm.
        memory_pa: how much of the filling the damping may still remember at the first sample, Pa.
        freeze_pa: standard deviation of what closing freezes of the ripple, Pa: the last bubbles leave ever more
            slowly while the line empties itself, and the damping no longer hides them.
        opening: what the opening tells of the damping, if it tells anything.

    Returns:
        Both pressures, or None when there are too few samples on either side.
    """
    model = _Model(times_s, gauge_pa, line)
    if len(model.before) < 3 or len(model.after) < 6:
        return None
    sd_hold = max(noise_pa, _jitter(gauge_pa[: len(model.before)]))
    restless_s = 2.0 * line.settling_s + damping_s + 0.05
    weights = [1.0 / sd_hold] * len(model.before)
    weights += [1.0 / math.hypot(noise_pa, freeze_pa * math.exp(-u / restless_s)) for u in model.after]
    priors = [None, (0.0, HOLD_SLOPE_PRIOR_PA_S), (0.0, max(memory_pa, noise_pa)), None, None]

    def fit_at(log_damping: float) -> Fit:
        return fit_columns(model.columns(math.exp(log_damping)), gauge_pa, weights=weights, priors=priors)

    def told(log_damping: float) -> float:
        strain = (log_damping - math.log(damping_s)) / log_damping_u
        return strain * strain + (opening.misfit(math.exp(log_damping)) if opening is not None else 0.0)

    def misfit(log_damping: float) -> float:
        return share * fit_at(log_damping).misfit + told(log_damping)

    centre = math.log(damping_s)
    reach = min(3.0 * log_damping_u, 3.0)
    share, step = 1.0, 0.05
    try:
        best = golden_minimum(misfit, centre - reach, centre + reach, max(0.004, reach / 20.0))
        inflation = _inflation(fit_at(best), len(model.before))
        if inflation > STRAYS:
            # samples that stray together say no more than a few of them: a bubble let go in mid shut-in, say
            share = 1.0 / math.sqrt(inflation)
            best = golden_minimum(misfit, centre - reach, centre + reach, max(0.004, reach / 20.0))
        above, at, below = misfit(best + step), misfit(best), misfit(best - step)
        curvature = (above - 2.0 * at + below) / step**2
        if curvature > 0:  # the search stops early; the parabola through three points finds the rest of the way
            best += min(0.15, max(-0.15, (below - above) / (2.0 * step * curvature)))
        fit, high, low = fit_at(best), fit_at(best + step), fit_at(best - step)
        known = (told(best + step) - 2.0 * told(best) + told(best - step)) / step**2
    except ValueError:
        return None
    known += _believed(model, best, (low, fit, high, step), share, freeze_pa)
    return _closing(model, fit, best, known, (high, low, step), sd_hold, noise_pa)


def _inflation(fit: Fit, before: int) -> float:
    """By how much the samples of the worse side of closing count for fewer than they are."""
    sides = (fit.residuals[:before], fit.residuals[before:])
    return max(spread_inflation(lag1_autocorrelation(side)) for side in sides)


def _believed(
    model: _Model, log_damping: float, fits: tuple[Fit, Fit, Fit, float], share: float, freeze_pa: float
) -> float:
    """Curvature over the logarithm of the damping that the samples about closing give, as far as it is to be believed.

    The last bubbles leave ever more slowly, which looks like a longer damping where closing moves little else.
    """
    below, fit, above, step = fits
    curvature = share * (above.misfit - 2.0 * fit.misfit + below.misfit) / step**2
    if curvature <= 0.0:
        return 0.0
    left_pa = fit.values[_MEMORY] * math.exp(model.before[0] / math.exp(log_damping))
    moved_pa = max(abs(fit.values[_PLATEAU] + left_pa - fit.values[_SHUT_IN]), 1e-9)
    return 2.0 / (2.0 / curvature + (RIPPLED * freeze_pa / moved_pa) ** 2)


def _jitter(gauge_pa: Sequence[float]) -> float:
    """Standard deviation of neighbouring samples about a straight line, from second differences (sum = 6 sd2)."""
    if len(gauge_pa) < 5:
        return 0.0
    squares = [(a - 2.0 * b + c) ** 2 for a, b, c in zip(gauge_pa, gauge_pa[1:], gauge_pa[2:], strict=False)]
    return math.sqrt(math.fsum(squares) / len(squares) / 6.0)


def _lasting_jitter(gauge_pa: Sequence[float]) -> float:
    """The least of three parts: one bubble that comes off the tip shakes one or two of them, ripple all."""
    third = len(gauge_pa) // 3
    if third < 5:
        return _jitter(gauge_pa)
    return min(_jitter(gauge_pa[start : start + third]) for start in (0, third, 2 * third))


def _closing(
    model: _Model,
    fit: Fit,
    log_damping: float,
    curvature: float,
    sides: tuple[Fit, Fit, float],
    sd_hold: float,
    sd_shut: float,
) -> Closing:
    count = len(model.before)
    hold, shut = fit.residuals[:count], fit.residuals[count:]
    correlation = lag1_autocorrelation(shut)
    spread = max(1.0, _rms(shut)) ** 2 * spread_inflation(correlation)
    high, low, step = sides
    inverse = fit.inverse
    return Closing(
        plateau_pa=fit.values[_PLATEAU],
        shut_in_pa=fit.values[_SHUT_IN],
        plateau_var_pa2=inverse[_PLATEAU][_PLATEAU] * max(1.0, _rms(hold)) ** 2,
        shut_in_var_pa2=inverse[_SHUT_IN][_SHUT_IN] * spread,
        covariance_pa2=inverse[_PLATEAU][_SHUT_IN],
        hold_slope_pa_s=fit.values[_HOLD_SLOPE],
        hold_slope_u_pa_s=math.sqrt(inverse[_HOLD_SLOPE][_HOLD_SLOPE]),
        shut_slope_pa_s=fit.values[_SHUT_SLOPE],
        shut_slope_u_pa_s=math.sqrt(inverse[_SHUT_SLOPE][_SHUT_SLOPE] * spread),
        damping_s=math.exp(log_damping),
        log_damping_u=min(1.0, math.sqrt(2.0 / curvature)) if curvature > 0 else 1.0,
        plateau_by_damping_pa=(high.values[_PLATEAU] - low.values[_PLATEAU]) / (2.0 * step),
        shut_in_by_damping_pa=(high.values[_SHUT_IN] - low.values[_SHUT_IN]) / (2.0 * step),
        hold_scatter_pa=_rms(hold) * sd_hold,
        hold_jitter_pa=_jitter(model.gauge_pa[:count]),
        shut_scatter_pa=_rms(shut) * sd_shut,
        shut_jitter_pa=_lasting_jitter(model.gauge_pa[count + len(shut) // 2 :]),
        autocorrelation=correlation,
        fall_delay_u_s=_ONSET_MODEL * (model.line.onset_s + model.line.settling_s)
        if model.line.onset_s > 0
        else 0.5 * model.line.settling_s,
    )


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(math.fsum(v * v for v in values) / max(1, len(values)))
