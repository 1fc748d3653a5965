"""What a try to clear a tube is allowed, and what it did."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

__all__ = ["Blow", "ClearSetup", "Stop", "told"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearSetup:
    """What one try may do."""

    limit_pa: float
    """Pressure at the transmitter that is never passed, Pa gauge."""
    pulses: int
    """Pulses of one try, at most."""
    pulse_s: float
    """Longest pulse, s."""
    rest_s: float
    """From the end of a pulse to the look before the next, s."""
    delay_s: float
    """Longest time from the decision to shut until the valve is shut: link and valve, s."""


class Stop(Enum):
    """Why a clearing ended."""

    COMPLETE = "all pulses were given"
    NO_ROOM = "no further pulse was begun"
    LOST = "the pressure was lost"
    VALVE = "the valve failed"
    ABORTED = "it was ended from outside"


@dataclass(slots=True, kw_only=True)
class Blow:
    """What was done; grows while the clearing runs."""

    pulses: int = 0
    """Pulses begun."""
    open_s: float = 0.0
    """Time that the valve was open in all of them, s; until it was confirmed shut."""
    air_pa_m3: float = 0.0
    """Air let in, as pV, Pa m3."""
    highest_pa: float = -math.inf
    """Highest pressure read, Pa gauge; -inf before the first reading."""
    reads_lost: int = 0
    """Readings that were lost or invalid."""
    stop: Stop | None = None
    """Why it ended; None while it runs."""
    detail: str = ""
    """More about that; may be empty."""


def told(blow: Blow) -> str:
    """What was done, in a sentence.

    Args:
        blow: a clearing that has ended.
    """
    if not blow.pulses:
        done = "the tube was not blown down"
    else:
        many = f"{blow.pulses} pulse{'s' if blow.pulses > 1 else ''}"
        done = (
            f"the tube was blown down in {many} of {blow.open_s:.1f} s together, at most "
            f"{blow.highest_pa / 1000.0:.2f} kPa were read"
        )
    if blow.stop is None or (blow.stop is Stop.COMPLETE and not blow.detail):
        return done
    return f"{done}; {blow.stop.value}" + (f": {blow.detail}" if blow.detail else "")
