"""What is normal for one trait of one tube: learned robustly, bounded by geometry, sharpened by groups that agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from lungfish.core.traits import Yardstick

__all__ = ["Normal", "group_sd", "learned_normal", "sharpened"]

_MAD_TO_SD = 1.4826
"""Standard deviation over median deviation of a normal variable."""
_CHANGE_SIGMAS = 5.5
_SHORTEST_PART = 3
_INNER_SHARE, _INNER_TO_SD = 0.8, 1.512
"""Standard deviation of a normal variable over that of the inner part of its values."""
_PRIOR_GROUPS, _PRIOR_FACTOR = 5.0, 3.0
"""Before groups have shown how their means vary, they are taken to vary by three times the variance that independent
cycles would give, and that is worth so many groups: days differ, and the spread of so few cycles is not well known.
"""
_LEAST_FACTOR = 0.3
_LEAST_CYCLES = 4
"""A group of fewer cycles says nothing of their spread."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Normal:
    """What is normal for one trait of one tube."""

    centre: float
    """In the trait's unit."""
    spread: float
    """Standard deviation of single cycles."""
    weight: float
    """Cycles that the centre stands on."""
    since_s: float
    """When it had been learned, s."""
    learned_centre: float
    """The median as it was learned; differs from the centre where geometry does not allow it, or after sharpening."""
    doubted: bool
    """Geometry does not allow what was learned: the tube was not sound while learning."""
    varies: float
    """Variance of a group's mean, times its cycles: mean over the groups so far."""
    groups: float = _PRIOR_GROUPS
    """Groups behind that."""

    @property
    def variance(self) -> float:
        """Variance of a group's mean, times its cycles."""
        return max(self.varies, _LEAST_FACTOR * self.spread**2)


def group_sd(yard: Yardstick, normal: Normal, cycles: float) -> float:
    """Standard deviation of a group's mean about the normal, the normal's own uncertainty included.

    Args:
        yard: what geometry says.
        normal: what is normal.
        cycles: in the group.
    """
    return math.sqrt(normal.variance * (1.0 / cycles + 1.0 / normal.weight) + yard.group_floor**2)


def learned_normal(yard: Yardstick, values: Sequence[float], at_s: float) -> Normal:
    """The normal from the first cycles.

    Args:
        yard: what geometry says.
        values: of the cycles, in their order.
        at_s: now, s.
    """
    sound = _sounder_part(yard, values)
    found = median(sound)
    spread = max(yard.spread_floor, _spread(sound))
    centre = found
    if yard.expected is not None:
        # three standard deviations of a median of so few are as good as nothing learned
        slack = yard.tolerance + 3.0 * 1.25 * spread / math.sqrt(len(sound))
        centre = min(max(found, yard.expected - slack), yard.expected + slack)
    # a median knows pi/2 times less than a mean of as many
    weight = len(sound) * 2.0 / math.pi
    return Normal(
        centre=centre,
        spread=spread,
        weight=weight,
        since_s=at_s,
        learned_centre=found,
        doubted=centre != found,
        varies=_PRIOR_FACTOR * spread**2,
    )


def _spread(values: Sequence[float]) -> float:
    """Standard deviation, robustly: from the median deviation, or from the inner values where that is more.

    Cycles can be quiet for hours and scatter widely for others, as the level rises or falls.
    """
    middle = median(values)
    off = sorted(abs(value - middle) for value in values)
    inner = off[: max(1, math.ceil(_INNER_SHARE * len(off)))]
    return max(_MAD_TO_SD * median(off), _INNER_TO_SD * math.sqrt(math.fsum(d * d for d in inner) / len(inner)))


def _sounder_part(yard: Yardstick, values: Sequence[float]) -> Sequence[float]:
    """All values, or, when they have changed in the midst, the part that lies nearer to what geometry expects."""
    best, parts = 0.0, None
    for place in range(_SHORTEST_PART, len(values) - _SHORTEST_PART + 1):
        early, late = values[:place], values[place:]
        middles = median(early), median(late)
        offs = [[abs(value - middle) for value in part] for part, middle in zip((early, late), middles, strict=True)]
        pooled = max(yard.spread_floor, _MAD_TO_SD * median([*offs[0], *offs[1]]))
        # a part that is at odds with itself has not changed to anything
        variance = math.fsum(max(pooled, _MAD_TO_SD * median(off)) ** 2 / len(off) for off in offs)
        apart = abs(middles[1] - middles[0]) / (1.25 * math.sqrt(variance))
        if apart > best:
            best, parts = apart, (early, late)
    if parts is None or best < _CHANGE_SIGMAS:
        return values
    if yard.expected is None:
        return parts[0]  # what came first
    expected = yard.expected
    return min(parts, key=lambda part: abs(median(part) - expected))


def sharpened(normal: Normal, mean: float, count: int, spread: float) -> Normal:
    """The normal after a group that agrees with it.

    Args:
        normal: before.
        mean: of the group.
        count: cycles in it.
        spread: their standard deviation.
    """
    weight, groups = normal.weight + count, normal.groups + 1.0
    square = (mean - normal.centre) ** 2 / (1.0 / count + 1.0 / normal.weight)
    seen = count if count >= _LEAST_CYCLES else 0
    return replace(
        normal,
        centre=normal.centre + (mean - normal.centre) * count / weight,
        spread=math.sqrt((normal.spread**2 * normal.weight + spread**2 * seen) / (normal.weight + seen)),
        weight=weight,
        varies=normal.varies + (square - normal.varies) / groups,
        groups=groups,
    )
