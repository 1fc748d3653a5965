"""Solids over the tip: the pressure climbs until air breaks through them, and then falls back to its plateau.

What the solids go on holding back stays in plateau and shut-in alike and reads as liquid; nothing shows how much it is.
That they are there shows in the peak: no bubble at a clean tip stands higher above the plateau than its ripple.
"""

from __future__ import annotations

from itertools import pairwise

from lungfish.core.case import Case
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.expect import unit_weight_pa_m

__all__ = ["PEAK_NOISES", "PEAK_PA", "PEAK_SHARE", "held_back", "peak_pa"]

PEAK_SHARE = 0.6
"""A ripple stands half of itself above its mean; more than this share of the largest is no ripple,"""
SURE_DAMPING = 0.2
"""Through a damping with more doubt of its logarithm no plateau is known well enough to stand above it."""
PEAK_NOISES = 4.0
"""two neighbouring samples this many standard deviations of noise beyond that no noise,"""
PEAK_PA = 20.0
"""and this much beyond both a peak: 2 mm of water, as no plateau is known exactly."""


def peak_pa(case: Case) -> float:
    """How far the pressure stood above its plateau before air broke through, Pa; 0 for a clean tip.

    Args:
        case: the evidence; where the plateau was read from a narrowed tip's curve, that is the verdict already.
    """
    record, closing = case.record, case.closing
    if record.opened_s is None or record.shut_s is None or case.restricted or closing.log_damping_u > SURE_DAMPING:
        return 0.0
    gauges = record.since(record.opened_s, record.shut_s)[1]
    highest_pa = max((min(a, b) for a, b in pairwise(gauges)), default=closing.plateau_pa)
    over_pa = highest_pa - max(closing.plateau_pa, closing.shut_in_pa)  # what solids hold back stays after closing
    return over_pa if over_pa > _limit_pa(case) else 0.0


def _limit_pa(case: Case) -> float:
    noise_pa = max(case.record.noise_pa, case.closing.hold_jitter_pa)
    return PEAK_SHARE * case.setup.ripple_bound_pa + PEAK_NOISES * noise_pa + PEAK_PA


def held_back(case: Case) -> Finding | None:
    """Air had to break through at the tip, and what still holds it back may read as liquid."""
    over_pa = peak_pa(case)
    if over_pa <= 0.0:
        return None
    return Finding(
        code=Diagnosis.TUBE_RESTRICTED,
        quality=Quality.UNCERTAIN,
        sentence=f"the pressure stood {over_pa:.0f} Pa above its plateau before air broke through, where ripple and "
        f"noise make {_limit_pa(case):.0f} Pa at most: solids over the tip; what they still hold back reads as liquid, "
        f"as much again would be {1000 * over_pa / unit_weight_pa_m(case.setup):.0f} mm",
    )
