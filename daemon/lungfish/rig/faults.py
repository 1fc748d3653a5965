"""What can be wrong with a simulated plant."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Faults"]


@dataclass(slots=True, kw_only=True)
class Faults:
    """What is wrong with the plant at this moment; to be changed while it runs."""

    air_lost: bool = False
    """Nothing arrives from the supply."""
    plugged: bool = False
    """Nothing leaves at the tip."""
    tip_pa_s_m3: float = 0.0
    """Resistance of a partial plug at the tip, Pa of pressure for each Pa m3/s of throughput; 0 for a clean tip."""
    valve_stuck: bool | None = None
    """The valve stays open (True) or shut (False) whatever the coil says; None: it obeys."""
    frozen: bool = False
    """The transmitter repeats its last value."""
    reads_pa: float | None = None
    """The transmitter shows this whatever the pressure: a failed cell, NaN for a value that is no number."""
    extra_leak_pa_m3_s_pa: float = 0.0
    """A leak on top of the plant's own."""
