"""When a followed number will reach its limit, with the uncertainty of that date.

A straight line through what grows as a straight line, and the two moments at which the confidence band of the line
crosses the limit (Fieller, J. Royal Stat. Soc. B 16 (1954) 175-185). A slope that could be nothing gives no date.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.fit import fit_columns

__all__ = ["Forecast", "Point", "forecast_line", "forecast_restriction", "student_quantile"]

_LEAST_POINTS = 4
_CLEAR = 2.0
"""A rise of fewer standard deviations says too little of how it grows."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of the past."""

    at_s: float
    """Its time, s."""
    value: float
    """In the trait's unit."""
    u: float
    """Its standard uncertainty, same unit; above zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """The limit is reached between two moments, with 95 % confidence if it grows on as it did."""

    early_s: float
    """The earlier, s."""
    best_s: float
    """The likeliest, s."""
    late_s: float
    """The later, s."""


def student_quantile(dof: int) -> float:
    """Two-sided 95 % quantile of Student's t.

    Source: exact for 1 and 2; else the expansion 26.7.5 of Abramowitz and Stegun, Handbook of Mathematical Functions,
    within 0.2 % from 3 on.

    Args:
        dof: degrees of freedom, 1 or more.
    """
    if dof == 1:
        return math.tan(0.475 * math.pi)
    if dof == 2:
        return 0.95 * math.sqrt(2.0 / (1.0 - 0.95**2))
    x = 1.959964
    terms = (
        (x**3 + x) / 4.0,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96.0,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384.0,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160.0,
    )
    return x + math.fsum(term / dof ** (n + 1) for n, term in enumerate(terms))


def forecast_line(points: Sequence[Point], limit: float) -> Forecast | None:
    """When a number that grows in a straight line reaches its limit.

    Args:
        points: the past, since the change began.
        limit: where it must not get.

    Returns:
        The date with its interval; None when there are too few points, or the trend could be none or away from it.
    """
    if len(points) < _LEAST_POINTS:
        return None
    weights = [1.0 / point.u for point in points]
    total = math.fsum(w * w for w in weights)
    middle_s = math.fsum(w * w * point.at_s for w, point in zip(weights, points, strict=True)) / total
    times = [point.at_s - middle_s for point in points]
    try:
        fit = fit_columns([[1.0] * len(times), times], [point.value for point in points], weights=weights)
    except ValueError:
        return None  # all at one time
    # the points' own uncertainty, or their scatter about the line where that is more
    scale = max(1.0, fit.sum_squares / (len(points) - 2)) * student_quantile(len(points) - 2) ** 2
    short, slope = fit.values[0] - limit, fit.values[1]
    short_var, slope_var = scale * fit.inverse[0][0], scale * fit.inverse[1][1]
    steep = slope * slope - slope_var
    if steep <= 0.0 or (short * slope > 0.0 and short * short > short_var):
        return None
    root = math.sqrt(max(0.0, short_var * steep + short * short * slope_var))
    early, late = sorted(((-short * slope - root) / steep, (-short * slope + root) / steep))
    return Forecast(early_s=middle_s + early, best_s=middle_s - short / slope, late_s=middle_s + late)


def forecast_restriction(points: Sequence[Point], normal: float, limit: float) -> Forecast | None:
    """When the friction of a closing hole reaches its limit.

    The drop across an orifice goes by one over the square of its area, so one over the root of the drop goes with the
    area, and an area that closes steadily gives a straight line.

    Args:
        points: friction, since the change began.
        normal: the tube's own friction.
        limit: where it must not get.

    Returns:
        As `forecast_line`.
    """
    if limit <= normal:
        return None
    opened = []
    for point in points:
        grown = point.value - normal
        if grown > _CLEAR * point.u:
            root = grown**-0.5
            opened.append(Point(point.at_s, root, 0.5 * root * point.u / grown))
    return forecast_line(opened, (limit - normal) ** -0.5)
