"""What the watch knows of its tube: how much air it hides and loses, corrected from purge to purge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from lungfish.core.balance import hidden_rise_pa
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["TubeTraits", "first_traits"]

_FACTOR_U = 0.03
"""What bores within 1 % do to the ratio of volume and area (two of 1 % each, squared)."""
_FACTOR_RANGE = (0.7, 1.4)
_LEAST_FACTOR_U = 0.003
_SLOW = 3.0
"""One purge corrects by no more than this many standard deviations of what is plausible."""
_SURPRISE = 4.0
"""Beyond this the leak has changed and is learned anew."""
_SPREAD = 3.0
"""Leaks are followed up to this many standard uncertainties either way."""
_EITHER_WAY = 6
_FINER = 12
_LIKELY = math.exp(-2.0)
"""Of the likeliest, as at two standard deviations of a normal distribution."""
_BENT = 0.1
"""Share of the distance between two leaks that a straight line between them may be off by."""
_LEAK_WANDERS = 0.12
"""A leak is as large as last time within this share."""
_UNSEEN_LEAK_PA_S = 5.0
"""Standard uncertainty of a leak that no opening has told of: a rising level hides one in the shut-in."""
_PURGE_PA = 30.0
"""What two readings may differ by with nothing moved (noise, frozen ripple), Pa."""
_LEAST_LEAK_PA = 3.0
"""A leak may grow by that much over the timer's interval without being noticed, Pa."""
_MOST_LEAK_PER_S = 0.5
"""More, and the tube has lost its air before the first look."""
_LEAST_GAUGE_PA = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeTraits:
    """What is known of one tube."""

    leak_per_s: float
    """Share of its gauge pressure by which the air that fills the tube decreases each second, 1/s."""
    leak_u_per_s: float
    """Its standard uncertainty, 1/s."""
    least_u_per_s: float = 0.0
    """It is never known better than that, 1/s."""
    told: bool = True
    """An opening has told of the leak."""
    factor: float = 1.0
    """What the trapped air hides of a rise, over what the geometry says."""
    factor_u: float = _FACTOR_U
    """Its standard uncertainty."""

    def leaks_per_s(self) -> tuple[float, ...]:
        """Leaks that may be, 1/s, in order; the one in the middle is the likeliest."""
        high = [self.leak_per_s + self.leak_u_per_s * _SPREAD * n / _EITHER_WAY for n in range(_EITHER_WAY + 1)]
        low = max(0.0, self.leak_per_s - self.leak_u_per_s * _SPREAD)
        below = [low + (self.leak_per_s - low) * n / _EITHER_WAY for n in range(_EITHER_WAY)]
        return (*below, *high)

    def doubted(self, setup: CycleSetup, learned: Learned, gauge_pa: float) -> TubeTraits:
        """The same after a shut-in that fell less than the leak says: the level rose, or the leak is less.

        Args:
            setup: the tank.
            learned: by the cycles.
            gauge_pa: pressure of the full tube now, Pa.
        """
        if learned.leak_pa_s is None:
            return self
        per_pa = _per_pa(setup, gauge_pa)
        short_per_s = self.leak_per_s - max(0.0, learned.leak_pa_s) * per_pa
        if short_per_s < _SURPRISE * math.hypot(learned.leak_u_pa_s * per_pa, self.leak_u_per_s):
            return self
        return replace(self, leak_u_per_s=max(self.leak_u_per_s, 0.5 * short_per_s))

    def weight(self, leak_per_s: float) -> float:
        """How likely a leak is against the likeliest.

        Args:
            leak_per_s: the leak, 1/s.
        """
        return math.exp(-0.5 * ((leak_per_s - self.leak_per_s) / self.leak_u_per_s) ** 2)

    def likely(self, leak_per_s: float) -> bool:
        """Whether a leak is within two standard uncertainties of the likeliest.

        Args:
            leak_per_s: the leak, 1/s.
        """
        return self.weight(leak_per_s) > 0.99 * _LIKELY

    def weights(self) -> tuple[float, ...]:
        """What each leak that may be stands for: how likely it is, and for how wide a part of the scale."""
        leaks = self.leaks_per_s()
        padded = (leaks[0], *leaks, leaks[-1])
        return tuple(
            self.weight(leak) * 0.5 * (above - below)
            for below, leak, above in zip(padded, leaks, padded[2:], strict=False)
        )

    def corrected(self, missed_pa: Sequence[float], blur_pa: float, *, hidden_pa: float) -> TubeTraits:
        """What a purge teaches: Bayes' rule on the leaks that may be, then a Kalman step for the factor, bounded.

        The estimate bends with the leak too much for a linear filter: a tube that is full or flooded shows none.

        Args:
            missed_pa: rise of the head that the purge found, less what the watch had said for each of these leaks, Pa.
            blur_pa: standard uncertainty of that but for leak and factor, Pa.
            hidden_pa: what the air hid by geometry, Pa.
        """
        leak, leak_u, left_pa = self._leak_after(missed_pa, math.hypot(blur_pa, hidden_pa * self.factor_u))
        # what the leak may have done tells nothing of the factor
        likely = self.weights()
        middle_pa = missed_pa[len(missed_pa) // 2]
        apart = math.fsum(w * (pa - middle_pa) ** 2 for w, pa in zip(likely, missed_pa, strict=True))
        leak_pa = math.sqrt(apart / math.fsum(likely))
        by_factor = hidden_pa * self.factor_u
        total_pa = math.hypot(blur_pa, leak_pa, by_factor)
        bounded_pa = math.copysign(min(abs(left_pa), _SLOW * total_pa), left_pa)
        gain = by_factor / total_pa
        factor = self.factor + gain * self.factor_u * bounded_pa / total_pa
        return replace(
            self,
            told=True,
            leak_per_s=leak,
            leak_u_per_s=math.hypot(leak_u, _LEAK_WANDERS * leak, self.least_u_per_s),
            factor=min(max(factor, _FACTOR_RANGE[0]), _FACTOR_RANGE[1]),
            factor_u=max(_LEAST_FACTOR_U, self.factor_u * math.sqrt(max(0.0, 1.0 - gain**2))),
        )

    def _leak_after(self, missed_pa: Sequence[float], blur_pa: float) -> tuple[float, float, float]:
        """Leak and its standard uncertainty, 1/s; what is missed with it, Pa."""
        leaks = self.leaks_per_s()
        best_pa = min(missed_pa, key=abs)
        by_leak = (missed_pa[0] - missed_pa[-1]) / (leaks[-1] - leaks[0])
        if min(missed_pa) > _SURPRISE * blur_pa + _PURGE_PA and by_leak > 0.0:
            # more leak than any of them: as much as a straight line says, and next time is better known
            more = min(min(missed_pa) / by_leak, _MOST_LEAK_PER_S)
            return min(leaks[-1] + more, _MOST_LEAK_PER_S), more, 0.0
        if abs(best_pa) > _SURPRISE * blur_pa + _PURGE_PA and max(missed_pa) < 0.0 < leaks[0]:
            return 0.5 * leaks[0], 0.5 * leaks[0], 0.0  # less than any
        fine = [
            (a + (b - a) * n / _FINER, x + (y - x) * n / _FINER)
            for (a, x), (b, y) in pairwise(zip(leaks, missed_pa, strict=True))
            for n in range(_FINER)
            if b > a
        ]
        weights = [self.weight(leak) * math.exp(-min(300.0, 0.5 * (missed / blur_pa) ** 2)) for leak, missed in fine]
        likely = [leak for weight, (leak, _) in zip(weights, fine, strict=True) if weight > _LIKELY * max(weights)]
        # the wings reach further than the middle: each stands for as much as its own part of the scale
        weights = [weight * (b - a) for weight, ((a, _), (b, _)) in zip(weights, pairwise(fine), strict=False)]
        total = math.fsum(weights)
        if total <= 0.0:
            return self.leak_per_s, 2.0 * self.leak_u_per_s, 0.0
        mean = math.fsum(w * leak for w, (leak, _) in zip(weights, fine, strict=False)) / total
        left = math.fsum(w * missed for w, (_, missed) in zip(weights, fine, strict=False)) / total
        var = math.fsum(w * (leak - mean) ** 2 for w, (leak, _) in zip(weights, fine, strict=False)) / total
        if leaks[0] <= 0.0 and likely[0] <= fine[0][0]:
            # no leak explains it as well; the mean of what may be is never nothing, so in a tight tube it is wrong
            mean, var, left = 0.0, var + mean**2, fine[0][1]
        # a posterior that is flat, or cut off at nothing, reaches further than its standard deviation says
        reach = 0.5 * max(likely[-1] - mean, mean - likely[0])
        return mean, math.hypot(max(math.sqrt(var), reach), _BENT * (leaks[-1] - leaks[-2])), left


def first_traits(setup: CycleSetup, learned: Learned, gauge_pa: float, timer_s: float) -> TubeTraits:
    """What is known before the watch was ever compared with a purge.

    Args:
        setup: the tank.
        learned: by the cycles.
        gauge_pa: pressure of the full tube now, Pa.
        timer_s: the timer's interval, s.
    """
    seen_pa_s = max(0.0, learned.leak_pa_s or 0.0)
    if learned.lost_pa_s is None:
        low_pa_s, high_pa_s, u_pa_s = 0.0, seen_pa_s, math.hypot(learned.leak_u_pa_s, _UNSEEN_LEAK_PA_S)
    else:
        # a falling level hides a leak from the openings, a rising one from the shut-in; what floods a tube is no leak
        low_pa_s, high_pa_s = sorted((seen_pa_s, max(0.0, learned.lost_pa_s)))
        u_pa_s = math.hypot(_PURGE_PA / timer_s, 0.1 * high_pa_s, 0.5 * learned.leak_u_pa_s)
    leak_pa_s, u_pa_s = 0.5 * (low_pa_s + high_pa_s), math.hypot(0.6 * (high_pa_s - low_pa_s), u_pa_s)
    # one opening alone can't tell a leak from a level that fell and rose again meanwhile: all of it may be that
    u_pa_s = max(u_pa_s, 0.5 * leak_pa_s)
    per_pa = _per_pa(setup, gauge_pa)
    return TubeTraits(
        leak_per_s=leak_pa_s * per_pa,
        leak_u_per_s=u_pa_s * per_pa,
        least_u_per_s=_LEAST_LEAK_PA / timer_s * per_pa,
        told=learned.lost_pa_s is not None,
    )


def _per_pa(setup: CycleSetup, gauge_pa: float) -> float:
    """Leak for each Pa/s that the pressure falls at a level that stands still, 1/Pa: liquid comes in as well."""
    return (1.0 + 1.0 / hidden_rise_pa(setup, 1.0, gauge_pa)) / max(_LEAST_GAUGE_PA, gauge_pa)
