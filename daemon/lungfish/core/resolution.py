"""The transmitter's steps: what its converter or its register can show, found from the values themselves.

A value that moves in steps says nothing of what lies between two of them. Averaging does not help where the noise is
smaller than a step, and a pressure that crosses from one to the next looks like a jump.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from itertools import pairwise

from lungfish.core.record import Record
from lungfish.core.setup import Learned

__all__ = ["in_steps", "resolution_pa", "step_u_pa"]

_LEAST_RECURRING = 15
"""So many values must have been there before: while a tube fills each is new, but it bubbles and rests besides."""
_ROUNDING = 2e-6
"""A register of 24 bits shows a value to about a tenth of this, relative: finer steps are none that matter."""
_LEAST_PA = 2e-3
"""Nor do steps of a few thousandths of a pascal, whatever the pressure."""


def resolution_pa(values_pa: Sequence[float]) -> float:
    """Step in which values move, Pa; 0 where they move in none, or do not move.

    Values recur, and what any two differ by is a whole number of steps: the largest step for which that holds
    (Euclid's algorithm on the differences, to the rounding of the values).

    Args:
        values_pa: what a transmitter showed, in any order, Pa.
    """
    distinct = sorted(set(values_pa))
    if len(distinct) < 2 or len(values_pa) - len(distinct) < _LEAST_RECURRING:
        return 0.0
    rounding_pa = max(_LEAST_PA, _ROUNDING * max(abs(distinct[0]), abs(distinct[-1])))
    step_pa = 0.0
    for low, high in pairwise(distinct):
        step_pa = _common(high - low, step_pa, rounding_pa)
        if step_pa <= 2.0 * rounding_pa:
            return 0.0
    return step_pa


def _common(a: float, b: float, rounding: float) -> float:
    """Greatest common measure of two lengths that are known to a rounding; what is left below it counts as nothing."""
    while b > rounding:
        a, b = b, abs(a - b * round(a / b))
    return a


def step_u_pa(step_pa: float) -> float:
    """Standard uncertainty of a value that is only known to a step: a rectangle (JCGM 100:2008, F.2.2.1).

    Args:
        step_pa: the step, Pa.
    """
    return step_pa / math.sqrt(12.0)


def in_steps(record: Record, learned: Learned) -> tuple[Record, Learned]:
    """A record whose values move in steps, with no less noise than steps make; one without steps as it is.

    Args:
        record: a cycle that has ended.
        learned: what was known before it.

    Returns:
        Both, with the steps in them: a transmitter that was quieter before is no measure for this one.
    """
    step_pa = resolution_pa(record.gauge_pa)
    if step_pa <= 0.0:
        return record, learned
    u_pa = step_u_pa(step_pa)
    if learned.noise_pa is not None:
        learned = dataclasses.replace(learned, noise_pa=max(learned.noise_pa, u_pa))
    return dataclasses.replace(record, resolution_pa=step_pa, noise_pa=max(record.noise_pa, u_pa)), learned
