"""What is followed of a tube from cycle to cycle: four numbers, each made such that the level does not move it.

All are taken back to the same head, half of a brim-full vessel's, because the head changes from cycle to cycle and
friction and leak change with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from lungfish.core.air import first_bubble_after_s
from lungfish.core.closing_verdict import LEAK_PA_S
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.evidence import LATE_SHARE
from lungfish.core.expect import bubbling_friction_pa, full_gauge_pa, unit_weight_pa_m
from lungfish.core.plan import Plan
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["Filled", "Trait", "Yardstick", "filled_by", "traits_of", "yardsticks"]

_USABLE = frozenset({Diagnosis.OK, Diagnosis.TUBE_RESTRICTED, Diagnosis.LINE_LEAK})
_LEAST_HEAD_SHARE = 0.1
"""Below this share of the full head a leak is too small a number to be taken to another head."""
_BOUND_AFTER_S, _BOUND_LEFT = 30.0, 0.6
"""What a tube has lost since the last cycle bounds its leak, after so long and while this share of the head is left."""
_SLACK_PA = 30.0
"""So far two heads may be wrong against each other."""
_RIPPLE_REPEATS = 0.02
"""Bubbles leave otherwise from day to day with dirt, warmth and flow: so much of the largest ripple, peak to peak."""
_LIQUID_CAME_PA = 10.0
"""So much liquid in the tube is more than two pressures may be wrong against each other."""
_BUBBLE_STAYS_PA = 100.0
"""A tube that has lost less since the last closing neither leaked much nor saw the level fall after it by 1 to 2 cm."""
_TIMED_FILL_S = 1.0
"""A shorter filling can't be timed against damping and opening."""


class Trait(Enum):
    """One followed number."""

    FRICTION = "friction"
    """Plateau less shut-in, at half the full head, Pa."""
    LEAK = "leak"
    """Fall of the shut-in, at half the full head, Pa/s."""
    FILLING = "filling"
    """Time from opening to the first bubble, over the time that the set flow needs, 1."""
    RIPPLE = "ripple"
    """How far closing froze the last bubble from its mean, up or down, Pa: a quarter of the ripple, peak to peak."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """What geometry and data sheets say of a trait before anything is learned."""

    expected: float | None
    """Value of a sound tube; None: geometry does not tell."""
    tolerance: float
    """How far from it a sound tube may be."""
    spread_floor: float
    """Least standard deviation that single cycles are believed to have."""
    group_floor: float
    """Least standard deviation that the means of long groups are believed to have: what repeats no better."""
    limit: float | None
    """Where the reading is lost or doubted; None: it is not."""
    watches_down: bool
    """A fall is news as well as a rise."""


@dataclass(frozen=True, slots=True)
class Filled:
    """A tube that was full of air down to the tip."""

    head_pa: float
    """Head above the tip then, Pa."""
    at_s: float
    """Monotonic time of that, s."""
    liquid_came: bool = False
    """Liquid had come into the tube before, by a rising level or a leak."""
    froze_pa: float | None = None
    """How far closing froze the bubble from its mean, up or down, Pa; None: not known."""


def filled_by(reading: Reading) -> Filled | None:
    """How a cycle has left the tube; None when that is not sure.

    Args:
        reading: of the cycle.
    """
    f = reading.features
    if reading.head_pa is None or reading.shut_at_s is None or not reading.codes <= _USABLE:
        return None
    froze_pa = None
    if f.friction_pa is not None and f.expected_friction_pa is not None:
        froze_pa = abs(f.friction_pa - f.expected_friction_pa)
    return Filled(reading.head_pa.value, reading.shut_at_s, _liquid_came(reading), froze_pa)


def _liquid_came(reading: Reading) -> bool:
    """Liquid stood in the tube before this opening, so that it came in since the last closing."""
    f = reading.features
    if f.trapped_pa is None or f.plateau_pa is None or f.expected_friction_pa is None:
        return False
    return f.plateau_pa - f.expected_friction_pa - f.trapped_pa > _LIQUID_CAME_PA


def _half_head_pa(setup: CycleSetup) -> float:
    return 0.5 * full_gauge_pa(setup)


def yardsticks(setup: CycleSetup) -> Mapping[Trait, Yardstick]:
    """The yardsticks of a tank.

    Args:
        setup: the tank.
    """
    friction_pa = bubbling_friction_pa(setup, _half_head_pa(setup))
    full_pa = full_gauge_pa(setup)
    plug_pa = Plan.of(setup, Learned()).brim_pa - full_pa - bubbling_friction_pa(setup, full_pa)
    bound_pa = setup.ripple_bound_pa
    return {
        # bores and flows of catalogue parts scatter by 15 % in friction, three of that; fittings add a few millimetres
        # of water. From day to day a line's friction repeats to 0.2 %: supply and restrictor (common practice).
        Trait.FRICTION: Yardstick(
            expected=friction_pa,
            tolerance=0.45 * friction_pa + 30.0,
            spread_floor=1.0,
            group_floor=math.hypot(0.5, 0.002 * friction_pa),
            limit=friction_pa + plug_pa,
            watches_down=True,
        ),
        Trait.LEAK: Yardstick(
            expected=0.0,
            tolerance=0.1 * LEAK_PA_S,
            spread_floor=0.005 * LEAK_PA_S,
            group_floor=0.005 * LEAK_PA_S,
            limit=LEAK_PA_S,
            watches_down=False,
        ),
        Trait.FILLING: Yardstick(
            expected=1.0, tolerance=0.45, spread_floor=0.02, group_floor=0.02, limit=LATE_SHARE, watches_down=False
        ),
        Trait.RIPPLE: Yardstick(
            expected=None,
            tolerance=bound_pa,
            spread_floor=1.0,
            group_floor=max(1.0, _RIPPLE_REPEATS * bound_pa),
            limit=None,
            watches_down=True,
        ),
    }


def traits_of(setup: CycleSetup, reading: Reading, before: Filled | None = None) -> dict[Trait, float]:
    """What a cycle tells of the tube; nothing when a verdict doubts it for another reason than friction or leak.

    Args:
        setup: the tank.
        reading: of the cycle.
        before: how the cycle before has left the tube; None: not known.
    """
    f = reading.features
    if reading.quality is Quality.BAD or not reading.codes <= _USABLE or f.shut_in_pa is None:
        return {}
    traits: dict[Trait, float] = {}
    head_pa, half_pa = max(0.0, f.shut_in_pa), _half_head_pa(setup)
    if f.friction_pa is not None:
        here = bubbling_friction_pa(setup, head_pa)
        traits[Trait.FRICTION] = f.friction_pa * bubbling_friction_pa(setup, half_pa) / here
    if f.shut_in_slope_pa_s is not None and head_pa > _LEAST_HEAD_SHARE * full_gauge_pa(setup):
        share = half_pa / head_pa * _capacity_m3(setup, head_pa) / _capacity_m3(setup, half_pa)
        traits[Trait.LEAK] = _leak_pa_s(setup, reading, before, -f.shut_in_slope_pa_s * share)
    if f.fill_s is not None and f.trapped_pa is not None:
        needed_s = first_bubble_after_s(setup, f.trapped_pa, head_pa)
        if needed_s > _TIMED_FILL_S and f.fill_s > 0.0:
            traits[Trait.FILLING] = f.fill_s / needed_s
    froze_pa = _froze_pa(setup, reading, before)
    if froze_pa is not None:
        traits[Trait.RIPPLE] = froze_pa
    return {trait: value for trait, value in traits.items() if math.isfinite(value)}


def _capacity_m3(setup: CycleSetup, gauge_pa: float) -> float:
    """Air that the pressure in the shut tube stands for, Pa m3 for each Pa: the liquid's way into the tube included."""
    space = setup.air_space
    return space.volume_m3 + (setup.atmosphere_abs_pa + gauge_pa) * space.area_m2 / unit_weight_pa_m(setup)


def _leak_pa_s(setup: CycleSetup, reading: Reading, before: Filled | None, fall_pa_s: float) -> float:
    """Leak at half the full head, Pa/s: the fall of the shut-in, as far as the tube can have lost that much.

    The frozen bubble leaves the tip of its own pace and tilts a short shut-in by some pascals a second either way, and
    a level that falls looks like a leak. A tube that is still full has lost nothing but to such a level.
    """
    if before is not None and not _liquid_came(reading):
        return 0.0
    bound = _leak_bound_pa_s(setup, reading, before)
    return fall_pa_s if bound is None else min(max(0.0, fall_pa_s), bound)


def _froze_pa(setup: CycleSetup, reading: Reading, before: Filled | None) -> float | None:
    """What the closing before froze, Pa, where the level rose before it and after it and no leak drew the bubble in.

    A falling level makes bubbles of its own, and a leak takes the frozen one from the tip at once. Of a level that went
    both ways since then it is not known which way it went at closing: such a tube has lost air at the tip.
    """
    if before is None or not before.liquid_came or not _liquid_came(reading):
        return None
    lost = _lost_pa(setup, reading, before)
    return before.froze_pa if lost is not None and lost[0] < _BUBBLE_STAYS_PA else None


def _leak_bound_pa_s(setup: CycleSetup, reading: Reading, before: Filled | None) -> float | None:
    """Most that the tube can leak, at half the full head, Pa/s: a level that falls at closing looks like a leak too."""
    lost, trapped_pa = _lost_pa(setup, reading, before), reading.features.trapped_pa
    if lost is None or before is None or reading.head_pa is None or trapped_pa is None:
        return None
    lost_pa, took_s = lost
    middle_pa = 0.5 * (before.head_pa + trapped_pa)
    if middle_pa <= 0.0 or trapped_pa < _BOUND_LEFT * before.head_pa:
        return None
    half_pa = _half_head_pa(setup)
    share = half_pa / middle_pa * _capacity_m3(setup, reading.head_pa.value) / _capacity_m3(setup, half_pa)
    return max(0.0, lost_pa + _SLACK_PA) / took_s * share


def _lost_pa(setup: CycleSetup, reading: Reading, before: Filled | None) -> tuple[float, float] | None:
    """What has left the tube since it was last full, by a leak or pushed out by a falling level; as pressure, Pa.

    It is what the tube held then and does not hold before this opening.

    Returns:
        Pa, and the time that it took, s; None when it is not known.
    """
    f = reading.features
    if before is None or reading.head_pa is None or reading.opened_at_s is None or f.least_air_pa_m3 is None:
        return None
    took_s, head_pa = reading.opened_at_s - before.at_s, reading.head_pa.value
    if took_s < _BOUND_AFTER_S:
        return None
    gone_pa_m3 = f.least_air_pa_m3 - setup.air_space.volume_m3 * (head_pa - before.head_pa)
    return gone_pa_m3 / _capacity_m3(setup, head_pa), took_s
