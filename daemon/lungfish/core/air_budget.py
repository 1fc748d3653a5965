"""The air budget: from when on the next purge may start, and why not now. Pure: openings and limits in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lungfish.core.clearing_tries import TryMoment

__all__ = ["DAY_S", "HOUR_S", "KeptOpening", "Limits", "Opening", "Permission", "permission", "recent"]

HOUR_S = 3600.0
DAY_S = 86400.0
_LITRES = 1000.0
_ASK_AGAIN_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What may be spent; the two spans slide, so that no clock and no midnight gives more."""

    purges_per_hour: int | None = None
    """Openings within any hour; None: as many as are asked for."""
    air_per_day_m3: float | None = None
    """Air within any 24 h, standard m3 (20 degC, 1 bar); None: no limit."""
    rest_s: float = 0.0
    """From the end of one purge to the start of the next, at least, s."""
    supply_wait_s: float = 0.0
    """While the supply is said to be low a purge waits for it, at most so long, s; 0: it does not."""

    @property
    def horizon_s(self) -> float:
        """How far back openings count, s."""
        if self.air_per_day_m3 is not None:
            return max(DAY_S, self.rest_s)
        return max(HOUR_S if self.purges_per_hour is not None else 0.0, self.rest_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A purge that counts."""

    at_s: float
    """Monotonic time at which it ended, s; of one under way, or of unknown end, when it began."""
    air_m3: float
    """Air that it took, standard m3; the most that it can have taken when that is not known."""
    under_way: bool = False
    """It may still be going on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Permission:
    """When the next purge may start."""

    from_s: float
    """Monotonic time; not after now when it may start at once."""
    why: str
    """Which limit stands against now, with its numbers; empty when none does."""


def permission(openings: Sequence[Opening], limits: Limits, now_s: float, next_air_m3: float) -> Permission:
    """From when on the next purge may start.

    What is under way counts with the most that it can take, and is over soon: where it alone stands in the way, or
    stands in the way longest, the answer is a moment at which to ask again.

    Args:
        openings: those of the limits' owner, in any order; older ones than the horizon do no harm.
        limits: what may be spent.
        now_s: monotonic time.
        next_air_m3: the most that the next purge can take, standard m3.
    """
    found = _permission(openings, limits, now_s, next_air_m3)
    over = [each for each in openings if not each.under_way]
    if not found.why or len(over) == len(openings):
        return found
    sure = _permission(over, limits, now_s, next_air_m3)
    return Permission(from_s=max(sure.from_s, now_s + _ASK_AGAIN_S), why=sure.why or found.why)


def _permission(openings: Sequence[Opening], limits: Limits, now_s: float, next_air_m3: float) -> Permission:
    found = [_rested(openings, limits, now_s), _counted(openings, limits, now_s)]
    found.append(_supplied(openings, limits, now_s, next_air_m3))
    return max(found, key=lambda each: each.from_s)


def _free(now_s: float) -> Permission:
    return Permission(from_s=now_s, why="")


def _rested(openings: Sequence[Opening], limits: Limits, now_s: float) -> Permission:
    ended_s = max((now_s if each.under_way else each.at_s for each in openings), default=None)
    if limits.rest_s <= 0.0 or ended_s is None or ended_s + limits.rest_s <= now_s:
        return _free(now_s)
    why = f"{limits.rest_s:g} s must lie between two purges, and the last ended {max(0.0, now_s - ended_s):.0f} s ago"
    return Permission(from_s=ended_s + limits.rest_s, why=why)


def _counted(openings: Sequence[Opening], limits: Limits, now_s: float) -> Permission:
    most = limits.purges_per_hour
    if most is None:
        return _free(now_s)
    ends_s = sorted(each.at_s + HOUR_S for each in openings if each.at_s + HOUR_S > now_s)
    if len(ends_s) < most:
        return _free(now_s)
    return Permission(from_s=ends_s[-most], why=f"{len(ends_s)} of {most} purges within an hour are used")


def _supplied(openings: Sequence[Opening], limits: Limits, now_s: float, next_air_m3: float) -> Permission:
    most_m3 = limits.air_per_day_m3
    if most_m3 is None:
        return _free(now_s)
    counted = sorted((each.at_s + DAY_S, each.air_m3) for each in openings if each.at_s + DAY_S > now_s)
    used_m3 = left_m3 = sum(air_m3 for _, air_m3 in counted)
    from_s = now_s
    for ends_s, air_m3 in counted:
        if left_m3 + next_air_m3 <= most_m3:
            break
        from_s, left_m3 = ends_s, left_m3 - air_m3
    if from_s <= now_s:
        return _free(now_s)
    why = (
        f"{_LITRES * used_m3:.1f} of {_LITRES * most_m3:g} standard litres within 24 h are used, and a purge may take "
        f"{_LITRES * next_air_m3:.1f}"
    )
    return Permission(from_s=from_s, why=why)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptOpening:
    """An opening as the store has it."""

    tank: str
    """Name in the site file."""
    at: TryMoment
    """When it ended; of one that nobody lived to finish, when it was announced."""
    synchronised: bool
    """Whether the wall clock was synchronised then."""
    air_m3: float | None
    """Air that it took, standard m3; None: not known."""


def recent(
    kept: Iterable[KeptOpening], now: TryMoment, *, synchronised: bool, within_s: float
) -> list[tuple[KeptOpening, float]]:
    """Openings that may lie within a time before now, each with the time that has surely passed since, s.

    Within a boot the monotonic clock alone counts. Across boots it adds up what each boot is known to have lasted; the
    wall clock counts besides only where it was synchronised then and is now: one that was stepped, or that a dead
    battery has lost, makes nothing older.

    Args:
        kept: the newest first, in the order of keeping; read no further than needed.
        now: now.
        synchronised: whether the wall clock is synchronised now.
        within_s: how far back, s.
    """
    taken: list[KeptOpening] = []
    ages: dict[str, tuple[float, float]] = {now.boot_id: (0.0, now.monotonic_s)}  # by boot: age of a moment in it
    oldest = now.boot_id
    for each in kept:
        boot, at_s = each.at.boot_id, each.at.monotonic_s
        # a row that a later run wrote for a dead one stands out of order, and says nothing of which boot came when
        if boot not in ages and each.air_m3 is not None:
            after_s, top_s = ages[oldest]
            ages[boot], oldest = (after_s + top_s, at_s), boot
        taken.append(each)
        if each.air_m3 is not None and _age_s(each, ages, now, synchronised) > within_s:
            break
    with_age = [(each, _age_s(each, ages, now, synchronised)) for each in taken]
    return [(each, age_s) for each, age_s in with_age if age_s <= within_s]


def _age_s(each: KeptOpening, ages: dict[str, tuple[float, float]], now: TryMoment, synchronised: bool) -> float:
    boot = each.at.boot_id
    after_s, top_s = ages.get(boot, (now.monotonic_s, each.at.monotonic_s))
    sure_s = after_s + max(0.0, top_s - each.at.monotonic_s)
    if boot != now.boot_id and synchronised and each.synchronised:
        return max(sure_s, now.utc_s - each.at.utc_s)
    return sure_s
