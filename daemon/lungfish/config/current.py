"""A transmitter that is read as a current: 4 to 20 mA are its span, and some currents mean that it has failed.

NAMUR NE 43 (2003): it measures from 3.8 to 20.5 mA; 3.6 mA and less, 21 mA and more are its word that it has failed.
What lies between says neither.
"""

from __future__ import annotations

from typing import Final

from lungfish.config.model import TransmitterSpec

__all__ = ["FAILED_MA", "LIVE_ZERO_A", "SPAN_A", "current_ma", "failure_limits_pa"]

LIVE_ZERO_A: Final = 0.004
"""Current at the bottom of the span (IEC 60381-1)."""
SPAN_A: Final = 0.016
"""From there to its top."""
FAILED_MA: Final = (3.6, 21.0)
"""A current as low as the first or as high as the second means a failure (NAMUR NE 43)."""

_ROUNDING = 1e-6
"""Share of the span: the limits themselves are failures, however the number was rounded on its way."""


def current_ma(transmitter: TransmitterSpec, gauge_pa: float) -> float:
    """The current that a pressure stands for, mA.

    Args:
        transmitter: one that is read as a current.
        gauge_pa: pressure, Pa.
    """
    low_pa, high_pa = transmitter.span_low_gauge_pa, transmitter.span_high_gauge_pa
    return 1000.0 * (LIVE_ZERO_A + SPAN_A * (gauge_pa - low_pa) / (high_pa - low_pa))


def failure_limits_pa(transmitter: TransmitterSpec) -> tuple[float | None, float | None]:
    """Pressures that the currents of a failed transmitter come out as.

    Args:
        transmitter: any.

    Returns:
        As low as the first or as high as the second means a failure, Pa; None when it is no current loop.
    """
    if not transmitter.current_loop:
        return None, None
    low_pa = transmitter.span_low_gauge_pa
    width_pa = transmitter.span_high_gauge_pa - low_pa
    low, high = (low_pa + width_pa * (limit / 1000.0 - LIVE_ZERO_A) / SPAN_A for limit in FAILED_MA)
    return low + _ROUNDING * width_pa, high - _ROUNDING * width_pa
