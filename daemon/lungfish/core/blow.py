"""What a clearing is allowed, what it did, and what came of it, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from lungfish.core.codes import Diagnosis
from lungfish.core.reading import Reading

__all__ = ["Blow", "ClearSetup", "Outcome", "Stop", "compared", "told", "wants_clearing"]

_BETTER_SHARE = 0.7
"""Friction down to this share of what it was counts as better."""
_TELLS_NOTHING = frozenset(
    {
        Diagnosis.VALVE_STUCK_OPEN,
        Diagnosis.OVER_RANGE,
        Diagnosis.LINK_LOST,
        Diagnosis.TRANSMITTER_FAULT,
        Diagnosis.TRANSMITTER_FROZEN,
        Diagnosis.NO_AIR,
        Diagnosis.ABORTED,
    }
)
"""Codes that leave open how the tube is."""
_WORSE = {Diagnosis.TUBE_RESTRICTED: 1, Diagnosis.TUBE_PLUGGED: 2}


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


class Outcome(Enum):
    """What the cycle after a clearing says of it."""

    CLEARED = "cleared"
    BETTER = "better"
    NO_CHANGE = "no change"
    UNKNOWN = "not known"


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


def wants_clearing(last: Reading, before: Reading | None) -> bool:
    """Whether a tube is to be blown down: plugged once, or restricted in two cycles running.

    Args:
        last: the latest cycle.
        before: the one before it; None: there was none.
    """
    if Diagnosis.TUBE_PLUGGED in last.codes:
        return True
    narrow = Diagnosis.TUBE_RESTRICTED
    return before is not None and narrow in last.codes and narrow in before.codes


def compared(before: Reading, after: Reading) -> tuple[Outcome, str]:
    """What a clearing has changed, by the cycles before and after it.

    Args:
        before: the cycle that asked for it.
        after: the next one.

    Returns:
        The outcome, and a sentence with the numbers.
    """
    was, now = (_state_of(reading) for reading in (before, after))
    frictions = before.features.friction_pa, after.features.friction_pa
    text = f"before it `{before.diagnosis}`, after it `{after.diagnosis}`"
    if frictions[1] is not None:
        first = "not known" if frictions[0] is None else f"{frictions[0]:.0f} Pa"
        expected = after.features.expected_friction_pa
        text += f"; friction {first} before, {frictions[1]:.0f} Pa after"
        text += "" if expected is None else f", {expected:.0f} Pa expected of a clean tube"
    if after.codes & _TELLS_NOTHING:
        return Outcome.UNKNOWN, text
    if now == 0:
        return Outcome.CLEARED, text
    fell = frictions[0] is not None and frictions[1] is not None and frictions[1] < _BETTER_SHARE * frictions[0]
    return (Outcome.BETTER if now < was or (now == was and fell) else Outcome.NO_CHANGE), text


def _state_of(reading: Reading) -> int:
    return max(_WORSE.get(code, 0) for code in reading.codes)
