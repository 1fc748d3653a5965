"""When a plugged tube may be blown down, how often, and what came of it. Pure: times and codes in, answers out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.reading import Reading

__all__ = ["DAY_S", "CycleState", "Outcome", "TryMoment", "elapsed_s", "outcome_of", "refusal", "state_of"]

DAY_S = 86400.0
_BETTER_SHARE = 0.7
"""Friction that fell to this share of what it was is better."""
_UNTOLD = {
    Diagnosis.LINK_LOST,
    Diagnosis.TRANSMITTER_FAULT,
    Diagnosis.TRANSMITTER_FROZEN,
    Diagnosis.ABORTED,
    Diagnosis.NO_AIR,
    Diagnosis.SUPPLY_LOW,
}
"""A cycle that ended with one of these says nothing of the plug."""


_NOT_TO_BLOW = {
    Diagnosis.VALVE_STUCK_OPEN,
    Diagnosis.TRANSMITTER_FAULT,
    Diagnosis.TRANSMITTER_FROZEN,
    Diagnosis.LINK_LOST,
}
"""A cycle with one of these calls for nothing, whatever else it says: a pulse needs a valve that shuts and a pressure
that is true."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TryMoment:
    """A moment on both clocks: when a try began, or now."""

    boot_id: str
    """Which boot of the computer the monotonic time belongs to."""
    monotonic_s: float
    """Monotonic time, s: counts from the boot."""
    utc_s: float
    """Wall time, s since 1970 UTC; may have been stepped since."""


def elapsed_s(since: TryMoment, now: TryMoment) -> float:
    """Time that has surely passed since a try, s: of two clocks the one that says less.

    Within a boot the monotonic clock alone counts. Across boots the wall clock counts, but no more than this boot has
    lasted: a clock that was stepped forward, or that a dead battery has lost, gives no try.

    Args:
        since: when the try began.
        now: now.
    """
    if since.boot_id == now.boot_id:
        return max(0.0, now.monotonic_s - since.monotonic_s)
    return max(0.0, min(now.utc_s - since.utc_s, now.monotonic_s))


def refusal(tries: Sequence[TryMoment], now: TryMoment, *, per_day: int, between_s: float) -> str | None:
    """Why no further try may begin now; None when one may.

    Args:
        tries: all that are kept of the tank, those that were not lived through included.
        now: now.
        per_day: tries allowed within 24 h.
        between_s: from the start of one to the next, s.
    """
    ages = [elapsed_s(each, now) for each in tries]
    today = sum(age < DAY_S for age in ages)
    if today >= per_day:
        return f"{today} of {per_day} tries within 24 h are used"
    if ages and min(ages) < between_s:
        return f"the last try began {min(ages) / 60.0:.0f} min ago, {between_s / 60.0:.0f} min must lie between two"
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleState:
    """What one cycle says of a plug."""

    told: bool
    """It says something at all."""
    plugged: bool = False
    """Nothing leaves at the tip."""
    restricted: bool = False
    """Friction has grown."""
    friction_ratio: float | None = None
    """Friction over what is expected; None when this cycle could not tell."""
    climb_pa_s: float | None = None
    """Fastest climb that it saw with the valve open, Pa/s; None: none."""

    def calls(self, friction_ratio: float) -> Diagnosis | None:
        """The code for which this cycle calls for clearing; None when it does not.

        Args:
            friction_ratio: from here on a restricted tube is blown down.
        """
        if self.plugged:
            return Diagnosis.TUBE_PLUGGED
        if self.restricted and self.friction_ratio is not None and self.friction_ratio >= friction_ratio:
            return Diagnosis.TUBE_RESTRICTED
        return None


def state_of(reading: Reading) -> CycleState:
    """What a cycle says of a plug.

    Args:
        reading: the cycle's.
    """
    codes, features = reading.codes, reading.features
    if codes & _NOT_TO_BLOW:
        return CycleState(told=False)
    # a span holds a brim-full tank with friction: pressure at its top is shut in behind a plug
    plugged = bool(codes & {Diagnosis.TUBE_PLUGGED, Diagnosis.OVER_RANGE})
    ratio = None
    if features.friction_pa is not None and (features.expected_friction_pa or 0.0) > 0.0:
        ratio = features.friction_pa / (features.expected_friction_pa or 1.0)
    return CycleState(
        told=plugged or not codes & _UNTOLD,
        plugged=plugged,
        restricted=Diagnosis.TUBE_RESTRICTED in codes,
        friction_ratio=ratio,
        climb_pa_s=_fastest_climb_pa_s(reading),
    )


def _fastest_climb_pa_s(reading: Reading) -> float | None:
    """Over any second with the valve open: shorter stretches show noise and the friction that opening brings."""
    if reading.opened_at_s is None:
        return None
    opened_s = reading.opened_at_s - reading.started_at_s
    trace = [sample for sample in reading.trace if sample.t_s > opened_s]
    fastest, first = 0.0, 0
    for last, sample in enumerate(trace):
        while sample.t_s - trace[first].t_s > 1.0:
            first += 1
        if first and first < last:
            before = trace[first - 1]
            fastest = max(fastest, (sample.gauge_pa - before.gauge_pa) / (sample.t_s - before.t_s))
    return fastest or None


class Outcome(Enum):
    """What the next cycle says of a try."""

    CLEARED = "cleared"
    BETTER = "better"
    NO_CHANGE = "no change"
    NOT_KNOWN = "not known"


def outcome_of(before: CycleState, after: CycleState, quality: Quality) -> Outcome:
    """Compare the cycle before a try with the one after it.

    Args:
        before: the cycle that called for it.
        after: the first cycle after it.
        quality: of that cycle's reading; a bad one can clear nothing.
    """
    if not after.told:
        return Outcome.NOT_KNOWN
    if not after.plugged and not after.restricted:
        return Outcome.CLEARED if quality is not Quality.BAD else Outcome.NOT_KNOWN
    if before.plugged and not after.plugged:
        return Outcome.BETTER
    if before.friction_ratio is None or after.friction_ratio is None:
        return Outcome.NO_CHANGE
    return Outcome.BETTER if after.friction_ratio <= _BETTER_SHARE * before.friction_ratio else Outcome.NO_CHANGE
