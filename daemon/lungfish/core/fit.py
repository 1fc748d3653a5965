"""Least squares for a handful of parameters: straight lines, and curves that are linear but for one time constant."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import mul

__all__ = [
    "Fit",
    "apart",
    "fit_columns",
    "fit_line",
    "golden_minimum",
    "lag1_autocorrelation",
    "lagged_decay",
    "spread_inflation",
]

_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, slots=True)
class Fit:
    """Result of a linear least-squares fit."""

    values: tuple[float, ...]
    """Parameters, in the order of the columns."""
    triangle: tuple[tuple[float, ...], ...]
    """R of the weighted columns' QR decomposition."""
    residuals: tuple[float, ...]
    """Weighted residuals of the samples, priors left out."""
    sum_squares: float
    """Sum of squares of the weighted residuals, priors included."""

    @property
    def inverse(self) -> tuple[tuple[float, ...], ...]:
        """Inverse of the normal matrix: times the variance of one sample, the covariance of the parameters.

        Worked out when it is asked for: a search over a time constant asks for the misfit alone.
        """
        count = len(self.values)
        units = [[1.0 if i == k else 0.0 for i in range(count)] for k in range(count)]
        inverse_r = [_back_substitute(self.triangle, unit) for unit in units]
        return tuple(
            tuple(math.fsum(inverse_r[k][i] * inverse_r[k][j] for k in range(count)) for j in range(count))
            for i in range(count)
        )

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the weighted residuals, degrees of freedom allowed for."""
        dof = max(1, len(self.residuals) - len(self.values))
        return math.sqrt(math.fsum(r * r for r in self.residuals) / dof)

    @property
    def misfit(self) -> float:
        """Twice the negative logarithm of the likelihood, to be compared with that of another time constant.

        What is left beyond the noise says that the curve is not quite the right one, not that the samples are better
        than they are. Then the noise counts as unknown: the profile likelihood `n ln(sum_squares)`.
        """
        count = max(1, len(self.residuals))
        if self.sum_squares <= count:
            return self.sum_squares
        return count * (1.0 + math.log(self.sum_squares / count))


def fit_columns(
    columns: Sequence[Sequence[float]],
    observed: Sequence[float],
    *,
    weights: Sequence[float] | None = None,
    priors: Sequence[tuple[float, float] | None] | None = None,
) -> Fit:
    """Fit `observed = sum(parameter * column)` by QR (modified Gram-Schmidt, done twice).

    Args:
        columns: one sequence for each parameter, as long as `observed`.
        observed: samples, any unit.
        weights: reciprocal of each sample's standard deviation; None for all alike (1).
        priors: for each parameter None, or (expected value, standard deviation) from elsewhere.

    Raises:
        ValueError: too few samples, or columns that can't be told apart.
    """
    count = len(columns)
    w = weights if weights is not None else [1.0] * len(observed)
    rows = [[c * v for c, v in zip(column, w, strict=True)] for column in columns]
    target = [y * v for y, v in zip(observed, w, strict=True)]
    for k, prior in enumerate(priors or ()):
        if prior is not None:
            value, sd = prior
            for j, row in enumerate(rows):
                row.append(1.0 / sd if j == k else 0.0)
            target.append(value / sd)
    if len(target) < count:
        msg = f"{len(target)} samples can't fix {count} parameters"
        raise ValueError(msg)
    q, r = _gram_schmidt(rows)
    projected = []
    rest = list(target)
    for direction in q:  # one direction after the other, so that rounding does not add up
        part = _dot(direction, rest)
        projected.append(part)
        rest = [y - part * d for y, d in zip(rest, direction)]  # noqa: B905 - as long as was looked at above
    values = _back_substitute(r, projected)
    return Fit(tuple(values), tuple(map(tuple, r)), tuple(rest[: len(observed)]), math.fsum(map(mul, rest, rest)))


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    total: float = sum(map(mul, a, b))
    return total


def _gram_schmidt(rows: list[list[float]]) -> tuple[list[list[float]], list[list[float]]]:
    count = len(rows)
    q: list[list[float]] = []
    r = [[0.0] * count for _ in range(count)]
    for k, row in enumerate(rows):
        vector = row
        size = math.sqrt(_dot(row, row))
        for _ in range(2):
            for j, direction in enumerate(q):
                part = _dot(direction, vector)
                r[j][k] += part
                vector = [v - part * d for v, d in zip(vector, direction)]  # noqa: B905 - looked at by the caller
        norm = math.sqrt(_dot(vector, vector))
        if not norm > 1e-10 * size:
            msg = f"column {k} can't be told from the ones before it"
            raise ValueError(msg)
        r[k][k] = norm
        q.append([v / norm for v in vector])
    return q, r


def _back_substitute(r: Sequence[Sequence[float]], target: Sequence[float]) -> list[float]:
    count = len(r)
    values = [0.0] * count
    for i in reversed(range(count)):
        values[i] = (target[i] - sum(r[i][j] * values[j] for j in range(i + 1, count))) / r[i][i]
    return values


def fit_line(times: Sequence[float], observed: Sequence[float]) -> Fit:
    """Fit a straight line; parameters are the value at the mean time and the slope.

    Raises:
        ValueError: fewer than two samples, or all at one time.
    """
    mean = math.fsum(times) / max(1, len(times))
    return fit_columns([[1.0] * len(times), [t - mean for t in times]], observed)


def golden_minimum(function: Callable[[float], float], low: float, high: float, tolerance: float) -> float:
    """Place of the least value between `low` and `high` by golden-section search (Kiefer 1953).

    Args:
        function: unimodal between the two; otherwise some local minimum is found.
        low: lower end.
        high: upper end.
        tolerance: width at which to stop.
    """
    a, b = low, high
    c, d = b - _GOLDEN * (b - a), a + _GOLDEN * (b - a)
    at_c, at_d = function(c), function(d)
    while b - a > tolerance:
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - _GOLDEN * (b - a)
            at_c = function(c)
        else:
            a, c, at_c = c, d, at_d
            d = a + _GOLDEN * (b - a)
            at_d = function(d)
    return (a + b) / 2.0


def lag1_autocorrelation(samples: Sequence[float]) -> float:
    """Lag-1 autocorrelation as NIST StRD defines it (mean taken out); 0 when nothing varies."""
    mean = math.fsum(samples) / len(samples)
    centred = [x - mean for x in samples]
    total = math.fsum(x * x for x in centred)
    if total == 0.0:
        return 0.0
    return math.fsum(a * b for a, b in pairwise(centred)) / total


def spread_inflation(autocorrelation: float) -> float:
    """Factor on the variance of a mean or slope for samples that follow each other: (1 + r) / (1 - r).

    From n_eff = n (1 - r) / (1 + r) of a first-order autoregressive series. Anti-correlation is not credited, and
    the factor is held at 39 (r = 0.95): a window so correlated must be longer, not believed less by a formula.
    """
    r = min(max(autocorrelation, 0.0), 0.95)
    return (1.0 + r) / (1.0 - r)


def apart(input_s: float, tau: float) -> float:
    """A time constant of an input that is not that of the lag: equal ones have their own limit formula.

    A hair apart is exact enough and simpler.

    Args:
        input_s: time constant of the input, s.
        tau: time constant of the lag, s.
    """
    return input_s if abs(input_s - tau) > 1e-4 * tau else input_s * 1.0002


def lagged_decay(u: float, input_s: float, tau: float) -> float:
    """Response of a first-order lag to `exp(-u / input_s)` that sets in at u = 0.

    Args:
        u: time since then, 0 or more.
        input_s: time constant of the input.
        tau: time constant of the lag.
    """
    t = apart(input_s, tau)
    return t / (t - tau) * (math.exp(-u / t) - math.exp(-u / tau))
