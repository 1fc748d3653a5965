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
_PHI_GROUPS, _PHI = 5.0, 3.0
"""How the variance of a group's mean compares to that of independent cycles before groups have shown it, and how many
groups that is worth: days differ, and the spread of so few cycles is not well known.
"""
_PHI_LEAST = 0.3


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
    doubted: bool = False
    """Geometry does not allow what was learned: the tube was not sound while learning."""
    phi_sum: float = _PHI_GROUPS * _PHI
    """Sum of squared deviations of groups over the variance of independent cycles."""
    phi_count: float = _PHI_GROUPS
    """Groups behind it."""

    @property
    def phi(self) -> float:
        """Variance of a group's mean over that of independent cycles."""
        return max(_PHI_LEAST, self.phi_sum / self.phi_count)


def group_sd(yard: Yardstick, normal: Normal, cycles: float) -> float:
    """Standard deviation of a group's mean about the normal, the normal's own uncertainty included.

    Args:
        yard: what geometry says.
        normal: what is normal.
        cycles: in the group.
    """
    one = normal.phi * normal.spread**2
    return math.sqrt(one / cycles + one / normal.weight + yard.group_floor**2)


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
        centre=centre, spread=spread, weight=weight, since_s=at_s, learned_centre=found, doubted=centre != found
    )


def _spread(values: Sequence[float]) -> float:
    middle = median(values)
    return _MAD_TO_SD * median(abs(value - middle) for value in values)


def _sounder_part(yard: Yardstick, values: Sequence[float]) -> Sequence[float]:
    """All values, or, when they have changed in the midst, the part that lies nearer to what geometry expects."""
    best, parts = 0.0, None
    for place in range(_SHORTEST_PART, len(values) - _SHORTEST_PART + 1):
        early, late = values[:place], values[place:]
        middles = median(early), median(late)
        rest = [value - middles[0] for value in early] + [value - middles[1] for value in late]
        sd = max(yard.spread_floor, _MAD_TO_SD * median(map(abs, rest)))
        apart = abs(middles[1] - middles[0]) / (1.25 * sd * math.sqrt(1.0 / len(early) + 1.0 / len(late)))
        if apart > best:
            best, parts = apart, (early, late)
    if parts is None or best < _CHANGE_SIGMAS:
        return values
    if yard.expected is None:
        return parts[0]  # what came first
    expected = yard.expected
    return min(parts, key=lambda part: abs(median(part) - expected))


def sharpened(normal: Normal, mean: float, count: int) -> Normal:
    """The normal after a group that agrees with it.

    Args:
        normal: before.
        mean: of the group.
        count: cycles in it.
    """
    weight = normal.weight + count
    square = (mean - normal.centre) ** 2 / (normal.spread**2 * (1.0 / count + 1.0 / normal.weight))
    return replace(
        normal,
        centre=normal.centre + (mean - normal.centre) * count / weight,
        weight=weight,
        phi_sum=normal.phi_sum + square,
        phi_count=normal.phi_count + 1.0,
    )
