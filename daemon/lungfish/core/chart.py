"""The control chart: a one-sided tabular CUSUM of standardised values, and how long it runs before it calls.

`S = max(0, S + z - k)`, and it calls when `S` passes the decision interval `h` (Page 1954; NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2.3). Two of them, one fed with `-z`, watch both ways.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

from lungfish.core.fit import fit_columns

__all__ = ["REFERENCE", "Cusum", "average_run_length", "decision_interval", "two_sided_run_length"]

REFERENCE = 0.5
"""Reference value k: half the shift that is to be found soonest, here one standard deviation (common practice)."""

_LEAST_NODES = 24
"""Nodes of the integral equation, as many as in the first published computation."""
_NODES_PER_SD = 3
"""And so many for each standard deviation of a wide interval, or they would miss the density between them."""
_LOG_CLOSE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """One side of the chart."""

    value: float = 0.0
    """The sum, in standard deviations."""
    since_s: float | None = None
    """Time of the value that began the present climb; None while the sum is zero. The usual estimate of a change."""
    steps: int = 0
    """Values in the present climb."""

    def after(self, z: float, at_s: float, k: float = REFERENCE) -> Cusum:
        """The chart after one more value.

        Args:
            z: the value, less its normal, in standard deviations; positive is the way that this side watches.
            at_s: its time, s.
            k: reference value.
        """
        value = self.value + z - k
        if value <= 0.0:
            return Cusum()
        return Cusum(value=value, since_s=at_s if self.since_s is None else self.since_s, steps=self.steps + 1)


def average_run_length(k: float, h: float, shift: float = 0.0, start: float = 0.0) -> float:
    """Mean number of values until a one-sided chart calls, for independent normal values.

    Solves `L(z) = 1 + L(0) P(k - z - m) + integral over 0..h of L(x) p(x + k - z - m) dx`, with the normal density p
    and distribution P, at the nodes of Gauss and Legendre. Source: Goel and Wu, Technometrics 13 (1971) 221-230; Lucas
    and Crosier, Technometrics 24 (1982) 199-205.

    Args:
        k: reference value, standard deviations.
        h: decision interval, standard deviations; above zero.
        shift: mean of the values, standard deviations.
        start: where the sum starts.

    Returns:
        Values; infinite when the run is so long (1e10 or more) that arithmetic can't tell it from that.

    Raises:
        ValueError: `h` not above zero.
    """
    if not h > 0.0:
        msg = f"a chart needs a decision interval above zero, not {h:g}"
        raise ValueError(msg)
    nodes = [
        (0.5 * h * (1.0 + x), 0.5 * h * w) for x, w in _gauss_legendre(max(_LEAST_NODES, math.ceil(_NODES_PER_SD * h)))
    ]
    places = [0.0, *(x for x, _ in nodes)]
    # one column for each unknown: L(0), then L at the nodes; one row for each place
    columns = [[(1.0 if row == 0 else 0.0) - _distribution(k - z - shift) for row, z in enumerate(places)]]
    for number, (x, weight) in enumerate(nodes, start=1):
        columns.append([(row == number) - weight * _density(x + k - z - shift) for row, z in enumerate(places)])
    try:
        lengths = fit_columns(columns, [1.0] * len(places)).values
    except ValueError:  # singular to rounding
        return math.inf
    if start == 0.0:
        return lengths[0]
    inner = sum(w * length * _density(x + k - start - shift) for (x, w), length in zip(nodes, lengths[1:], strict=True))
    return 1.0 + lengths[0] * _distribution(k - start - shift) + inner


def two_sided_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """The same for two charts that watch both ways: their rates of calling add up (Lucas and Crosier 1982)."""
    return 1.0 / (1.0 / average_run_length(k, h, shift) + 1.0 / average_run_length(k, h, -shift))


@functools.lru_cache(maxsize=256)
def decision_interval(run_length: float, k: float = REFERENCE) -> float:
    """The decision interval with which a one-sided chart runs so long on average when nothing is wrong.

    Args:
        run_length: values; above 1.
        k: reference value; above zero.

    Raises:
        ValueError: a run length of 1 or less, or k not above zero.
    """
    if not run_length > 1.0 or not k > 0.0:
        msg = f"a chart needs a run length above 1 and a reference value above 0, not {run_length:g} and {k:g}"
        raise ValueError(msg)
    h = _siegmund_interval(run_length, k)
    goal = math.log(run_length)
    for _ in range(20):
        # the logarithm of the run length grows by 2 k for each standard deviation
        short = goal - math.log(average_run_length(k, h))
        if abs(short) < _LOG_CLOSE:
            break
        h = max(1e-3, h + short / (2.0 * k))
    return h


def _siegmund_interval(run_length: float, k: float) -> float:
    """First guess from `L = (exp(2 k b) - 2 k b - 1) / (2 k^2)`, b = h + 1.166 (Siegmund 1985)."""
    b = math.log(2.0 * k * k * run_length + 1.0) / (2.0 * k)
    for _ in range(20):
        b = math.log(2.0 * k * k * run_length + 2.0 * k * b + 1.0) / (2.0 * k)
    return max(0.05, b - 1.166)


def _density(x: float) -> float:
    return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)


def _distribution(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


@functools.lru_cache(maxsize=16)
def _gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Nodes and weights on -1 to 1, by Newton's method on the Legendre polynomial (textbook)."""
    pairs = []
    for number in range(count):
        x = math.cos(math.pi * (number + 0.75) / (count + 0.5))
        slope = 1.0
        for _ in range(50):
            before, value = 1.0, x
            for n in range(2, count + 1):
                before, value = value, ((2 * n - 1) * x * value - (n - 1) * before) / n
            slope = count * (x * value - before) / (x * x - 1.0)
            step = value / slope
            x -= step
            if abs(step) < 1e-15:
                break
        pairs.append((x, 2.0 / ((1.0 - x * x) * slope * slope)))
    return tuple(pairs)
