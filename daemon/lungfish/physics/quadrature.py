"""Integration of functions with steep ends."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

__all__ = ["integrate"]


def _nodes() -> tuple[tuple[float, float], ...]:
    step, reach = 1.0 / 12.0, 3.2
    count = round(reach / step)
    nodes = []
    for k in range(-count, count + 1):
        s = math.pi / 2.0 * math.sinh(k * step)
        weight = step * math.pi / 2.0 * math.cosh(k * step) / math.cosh(s) ** 2
        nodes.append((math.tanh(s), weight))
    return tuple(nodes)


_NODES: Final = _nodes()


def integrate(function: Callable[[float], float], low: float, high: float) -> float:
    """Integral of a function that is smooth inside the interval; its slope may be infinite at the ends.

    Source: tanh-sinh rule (Takahasi and Mori, Publ. RIMS 9 (1974) 721-741) with 77 fixed nodes, good to about
    1e-12 of the integral for roots at the ends.

    Args:
        function: What to integrate; called inside the interval and, by rounding, at its ends.
        low: Lower end.
        high: Upper end.

    Returns:
        The integral, in the function's unit times that of the interval.
    """
    half, middle = (high - low) / 2.0, (high + low) / 2.0
    return half * math.fsum(weight * function(middle + half * x) for x, weight in _NODES)
