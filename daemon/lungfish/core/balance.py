"""What openings owe, and how far the level may be off when nothing shows that they paid.

A rising level and a leak both let liquid into a shut tube, and opening must push it out again, if air comes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.case import Case
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.level import freeze_sd_pa
from lungfish.core.setup import CycleSetup, Learned

__all__ = [
    "FALLING_LEVEL_PA_S",
    "PAID",
    "PAID_EXACTLY",
    "UNPAID_SHARE",
    "UNPROVEN_M",
    "UNPROVEN_OVER_S",
    "Balance",
    "balance_of",
    "hidden_rise_pa",
    "keeps_air",
    "lost_pa_s",
    "unproven_m",
]

UNPROVEN_M = 0.02
"""A tube that has lost no more than this between two proven readings keeps its air."""
FALLING_LEVEL_PA_S = 12.0
"""A fall of the shut-in that is slower may be the level's, 1 mm/s or somewhat more."""
UNPROVEN_OVER_S = 3600.0
"""How long a tube must have kept its air when nobody knows how long it was shut."""
_LEAK_OWES = 0.5
"""Share of what the tube usually loses that opening must bring back: a leak slackens with the level."""

PAID, PAID_EXACTLY = (0.7, 1.5), (0.8, 1.25)
"""An opening pays when it brings so much of what is expected; in a tube that was never seen full, exactly so much."""
UNPAID_SHARE = 0.3
"""One that brings less than this of what it owes brought no air."""
_OWED_SIGMAS = 8.0
_OWED_PA = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """The rise that this opening owed, and what it brought.

    A level that rises compresses the air of a shut tube, so that the pressure shows only a part of it. Opening must
    bring the rest, if air comes; what earlier ones have left since air was last proven is still owed.
    """

    owed_pa: float
    """Rise that must have come, at least, Pa."""
    expected_pa: float
    """Rise that is expected, the leak's whole share in it, Pa."""
    brought_pa: float
    """Rise that came, Pa."""
    brought_var_pa2: float
    """Variance of what came, this time and in openings before it that left air unproven, Pa2."""

    @property
    def still_owed_pa(self) -> float:
        """What is left for the next opening, Pa."""
        return max(0.0, self.owed_pa - max(0.0, self.brought_pa))

    @property
    def still_expected_pa(self) -> float:
        """The same of what is expected, Pa."""
        return max(0.0, self.expected_pa - max(0.0, self.brought_pa))

    @property
    def telling(self) -> bool:
        """What is owed stands out of noise and frozen ripple."""
        return self.owed_pa > _OWED_SIGMAS * math.sqrt(self.brought_var_pa2) + _OWED_PA

    @property
    def paid(self) -> bool:
        """What came is what must have come: no supply that gives out stops just there."""
        return self.telling and PAID[0] < self.brought_pa / self.expected_pa < PAID[1]

    @property
    def paid_exactly(self) -> bool:
        """The same for a tube that nobody has seen full before: a supply may stop there by chance."""
        return self.telling and PAID_EXACTLY[0] < self.brought_pa / self.expected_pa < PAID_EXACTLY[1]

    @property
    def unpaid(self) -> bool:
        """No air came."""
        return self.telling and self.brought_pa < UNPAID_SHARE * self.owed_pa


def hidden_rise_pa(setup: CycleSetup, change_pa: float, gauge_pa: float) -> float:
    """How much more the head has risen than a shut tube shows, Pa.

    Args:
        setup: the tank.
        change_pa: rise of the trapped pressure, Pa.
        gauge_pa: the pressure now, Pa.
    """
    factor = setup.air_space.head_change_factor(
        setup.atmosphere_abs_pa + max(0.0, gauge_pa),
        0.0,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
    )
    return max(0.0, (factor - 1.0) * change_pa)


def balance_of(case: Case) -> Balance:
    """The balance with this cycle in it."""
    learned, trapped_pa, moved = case.learned, case.record.trapped_pa, case.movement
    owed_pa, var = learned.owed_pa, learned.brought_var_pa2
    before = Balance(owed_pa=owed_pa, expected_pa=learned.expected_pa, brought_pa=0.0, brought_var_pa2=var)
    if trapped_pa is None or moved is None or learned.shut_gauge_pa is None:
        return before
    by_level_pa = hidden_rise_pa(case.setup, max(0.0, trapped_pa - learned.shut_gauge_pa), trapped_pa)
    by_leak_pa = _leak_pa_s(learned) * (shut_for_s(case) or 0.0)
    freeze_pa = freeze_sd_pa(case.setup, learned)
    return Balance(
        owed_pa=owed_pa + by_level_pa + _LEAK_OWES * by_leak_pa,
        expected_pa=learned.expected_pa + by_level_pa + by_leak_pa,
        brought_pa=moved.opening_pa + moved.closing_pa,
        brought_var_pa2=var + moved.opening_u_pa**2 + moved.closing_u_pa**2 + 2.0 * freeze_pa**2,
    )


def _leak_pa_s(learned: Learned) -> float:
    """A leak that surely drew liquid into the shut tube, Pa/s, so that opening must push it out again.

    A falling level looks like a leak, and while it falls faster than a leak takes, the tube stays full. So only that
    counts which openings had to make good; or, before any has told, by which the last shut-in fell faster than a level
    does. One bubble that a turning level lets out in a short shut-in looks like that too.
    """
    if learned.lost_pa_s is not None:
        return learned.lost_pa_s - FALLING_LEVEL_PA_S if learned.lost_pa_s > 1.15 * FALLING_LEVEL_PA_S else 0.0
    fell_pa_s = (learned.leak_pa_s or 0.0) - 3.0 * learned.leak_u_pa_s
    return fell_pa_s - FALLING_LEVEL_PA_S if fell_pa_s > 1.5 * FALLING_LEVEL_PA_S else 0.0


def shut_for_s(case: Case) -> float | None:
    """Time since the last shut-in ended, s; None after a restart."""
    shut_at_s = case.learned.shut_at_s
    return None if shut_at_s is None else max(0.0, case.record.started_at_s - shut_at_s)


def unproven_m(case: Case) -> float | None:
    """How far the level may be off because nothing proves air at the tip this time, m (half-width).

    In a tube that keeps its air the trapped pressure follows a falling level by itself, and a rising one but for what
    the balance says is owed. In one that is not known to keep it, all of a fall may be a leak.

    Returns:
        The half-width; None when air was never proven, so that nothing is known.
    """
    proven_pa = case.learned.proven_gauge_pa
    if proven_pa is None:
        return None
    gauge_pa = case.weighed.gauge_pa
    fall_pa = 0.0 if keeps_air(case) else max(0.0, proven_pa - gauge_pa)
    blur_pa = 2.0 * math.hypot(case.weighed.noise_u_pa, case.record.noise_pa / 4.0)
    # a leak takes pressure away while a rising level gives some back: what the two may have hidden from each other
    leaked_pa = _most_leak_pa_s(case) * (shut_for_s(case) or UNPROVEN_OVER_S)
    doubt_pa = balance_of(case).owed_pa + blur_pa + max(fall_pa, leaked_pa) + _risen_since_pa(case)
    doubt_m = (doubt_pa + hidden_rise_pa(case.setup, leaked_pa, gauge_pa)) / unit_weight_pa_m(case.setup)
    return min(doubt_m, case.setup.full_head_m)


def _risen_since_pa(case: Case) -> float:
    """What a level that rises now may hide of its rise since it was lowest, whenever that was, Pa.

    The balance counts from the last shut-in; a level that has fallen on and turned since then was lower than that.
    """
    learned, trapped_pa, gap_s = case.learned, case.record.trapped_pa, shut_for_s(case)
    if trapped_pa is None or learned.shut_gauge_pa is None or gap_s is None:
        return 0.0
    ways = (case.late_fall(), (case.closing.shut_slope_pa_s, case.closing.shut_slope_u_pa_s))
    slope_pa_s, slope_u_pa_s = min(ways, key=lambda way: way[1])
    climbs_pa_s = slope_pa_s - 2.0 * slope_u_pa_s
    unseen_pa = climbs_pa_s * gap_s - max(0.0, trapped_pa - learned.shut_gauge_pa)
    return hidden_rise_pa(case.setup, max(0.0, unseen_pa), trapped_pa)


def _most_leak_pa_s(case: Case) -> float:
    """The largest leak that is compatible with what is known, Pa/s: from the openings, else from the better shut-in."""
    learned, (slope_pa_s, slope_u_pa_s) = case.learned, case.late_fall()
    if learned.lost_pa_s is not None:
        return max(0.0, learned.lost_pa_s)
    seen = [(slope_u_pa_s, -slope_pa_s)]
    if learned.leak_pa_s is not None:
        seen.append((learned.leak_u_pa_s, learned.leak_pa_s))
    u_pa_s, leak_pa_s = min(seen)
    return max(0.0, leak_pa_s) + 2.0 * u_pa_s


def keeps_air(case: Case) -> bool:
    """The tube was found to lose next to nothing from one cycle to the next."""
    lost_pa_s = case.learned.lost_pa_s
    if lost_pa_s is None:
        return False
    return lost_pa_s * (shut_for_s(case) or UNPROVEN_OVER_S) < UNPROVEN_M * unit_weight_pa_m(case.setup)


def lost_pa_s(case: Case) -> float | None:
    """What the opening told of the tube since the last cycle: pressure lost, Pa/s; None: can't tell.

    Asked of a cycle whose air is proven, or whose opening has plainly lifted the pressure.
    """
    learned, trapped_pa, gap_s = case.learned, case.record.trapped_pa, shut_for_s(case)
    if learned.shut_gauge_pa is None or trapped_pa is None or not gap_s:
        return None
    missing_pa = case.weighed.gauge_pa - trapped_pa
    by_level_pa = hidden_rise_pa(case.setup, max(0.0, trapped_pa - learned.shut_gauge_pa), case.weighed.gauge_pa)
    return (missing_pa - by_level_pa) / gap_s
