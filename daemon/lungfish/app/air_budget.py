"""The air budget at work: counts what every tank opens, and makes a purge wait until its limits allow it."""

from __future__ import annotations

import asyncio
import logging
import math
from collections import defaultdict, deque
from collections.abc import Callable, Mapping

from lungfish.app.clock import pause_until
from lungfish.app.journal import Journal
from lungfish.app.supply_wait import SupplyWait
from lungfish.config import Site
from lungfish.config.budget import largest_purge_m3
from lungfish.core.air_budget import Limits, Opening, Permission, permission
from lungfish.core.events import Input
from lungfish.ports import Clock, ReadingRecord, Switch

__all__ = ["AirBudget"]

KIND = "air-budget"
"""Kind of the events that tell of it."""
_M3 = 1e-3
_LOOK_AGAIN_S = 1.0
"""Who stands behind another in the line looks again this much later, at least."""
_LEAST_WAIT_S = 0.1
_NEWS_S = 10.0
"""A purge that waits less than this is no news."""


class AirBudget:
    """One for a site; used from the event loop only.

    It starts from what the store has, so that neither a restart nor a crash gives more: an opening without a known end
    counts with all the air that it can have taken. A store that can't be read gives nothing to count, and that is told.

    Args:
        site: the site.
        clock: monotonic time.
        journal: where it is told, and whose store has earlier openings.
        switches: of the tanks, for what says whether the supply is there.
    """

    def __init__(
        self,
        site: Site,
        clock: Clock,
        journal: Journal,
        switches: Mapping[str, Mapping[Input, Switch]] | None = None,
    ) -> None:
        self._clock = clock
        self._journal = journal
        self._limits = {name: tank.budget for name, tank in site.tanks.items()}
        self._shared = site.air.budget
        self._largest_m3 = {name: largest_purge_m3(tank, site.air) for name, tank in site.tanks.items()}
        self._horizon_s = max(each.horizon_s for each in (self._shared, *self._limits.values()))
        self._spent: dict[str, deque[Opening]] = defaultdict(deque)
        self._begun: dict[str, Opening] = {}
        self._line: list[str] = []
        self._told: set[str] = set()
        self._supply = {
            name: SupplyWait(name, of_tank[Input.SUPPLY], wait_s, clock, journal)
            for name, of_tank in (switches or {}).items()
            if Input.SUPPLY in of_tank
            and (wait_s := max(self._shared.supply_wait_s, self._limits[name].supply_wait_s)) > 0.0
        }
        self._count_kept()

    def may_purge(self, tank: str, now_s: float, *, urgent: bool = False) -> Permission:
        """When a tank may purge, by its own limits and those of the compressor.

        Args:
            tank: its name in the site file.
            now_s: monotonic time.
            urgent: it may, whatever is spent, after its rest; its air counts all the same.
        """
        if urgent:
            return self._rested(tank, now_s)
        return max(self._own(tank, now_s), self._all(tank, now_s), key=lambda each: each.from_s)

    async def wait(
        self, tank: str, stop: asyncio.Event, promise: Callable[[float], None], *, urgent: bool = False
    ) -> bool:
        """Wait until a tank may purge, and put the purge down as begun. Who asks first is served first.

        Args:
            tank: its name in the site file.
            stop: ends the wait.
            promise: told until when the wait lasts, monotonic s.
            urgent: wait for its rest alone.

        Returns:
            Whether the purge was postponed.
        """
        due_s = self._clock.monotonic_s()
        if not urgent:
            if tank in self._supply:
                await self._supply[tank].wait(stop, promise)
            await self._pause(tank, lambda: self._own(tank, self._clock.monotonic_s()), stop, promise)
            self._line.append(tank)
            try:
                await self._pause(tank, lambda: self._turn(tank), stop, promise)
            finally:
                self._line.remove(tank)
        else:
            await self._pause(tank, lambda: self._rested(tank, self._clock.monotonic_s()), stop, promise)
        now_s = self._clock.monotonic_s()
        self._begun[tank] = Opening(at_s=now_s, air_m3=self._largest_m3[tank], under_way=True)
        if now_s - due_s < _NEWS_S:
            self._told.discard(tank)
        return now_s > due_s

    def took(self, record: ReadingRecord) -> None:
        """Count an opening.

        Args:
            record: its row; one that opened nothing counts for nothing.
        """
        tank = record.tank
        self._begun.pop(tank, None)
        if record.purge_s == 0.0:
            return
        known = math.isfinite(record.purge_s) and math.isfinite(record.air_sl)
        air_m3 = _M3 * record.air_sl if known else self._largest_m3[tank]
        self._spent[tank].append(Opening(at_s=record.at.monotonic_s, air_m3=air_m3))

    def ended(self, tank: str) -> None:
        """A purge that was put down as begun is over; if it opened anything it has its row.

        Args:
            tank: its name in the site file.
        """
        self._begun.pop(tank, None)

    async def _pause(
        self, tank: str, ask: Callable[[], Permission], stop: asyncio.Event, promise: Callable[[float], None]
    ) -> None:
        while not stop.is_set():
            found = ask()
            if found.from_s <= self._clock.monotonic_s():
                return
            self._tell(tank, found)
            until_s = max(found.from_s, self._clock.monotonic_s() + _LEAST_WAIT_S)
            promise(until_s)
            await pause_until(self._clock, until_s, stop)

    def _turn(self, tank: str) -> Permission:
        now_s = self._clock.monotonic_s()
        found, ahead = self._all(tank, now_s), self._line.index(tank)
        if ahead == 0 or found.from_s > now_s + _LOOK_AGAIN_S:
            return found
        return Permission(from_s=now_s + max(_LOOK_AGAIN_S, ahead * self._shared.rest_s), why=found.why)

    def _own(self, tank: str, now_s: float) -> Permission:
        return permission(self._openings(tank, now_s), self._limits[tank], now_s, self._largest_m3[tank])

    def _rested(self, tank: str, now_s: float) -> Permission:
        rest_s, openings = self._limits[tank].rest_s, self._openings(tank, now_s)
        return permission(openings, Limits(rest_s=rest_s), now_s, self._largest_m3[tank])

    def _all(self, tank: str, now_s: float) -> Permission:
        if self._shared.horizon_s == 0.0:
            return Permission(from_s=now_s, why="")
        openings = [opening for name in self._limits for opening in self._openings(name, now_s)]
        found = permission(openings, self._shared, now_s, self._largest_m3[tank])
        return Permission(from_s=found.from_s, why=f"of all tanks together, {found.why}") if found.why else found

    def _openings(self, tank: str, now_s: float) -> list[Opening]:
        spent = self._spent[tank]
        while spent and spent[0].at_s + self._horizon_s < now_s:
            spent.popleft()
        return [*spent, self._begun[tank]] if tank in self._begun else [*spent]

    def _count_kept(self) -> None:
        now = self._journal.stamps.now()
        kept = self._journal.keeper.recent_openings(now, self._horizon_s)
        if kept is None:
            text = "the store can't say what air was spent before this start, so the budget begins anew"
            self._journal.event(KIND, text, level=logging.WARNING)
            return
        for opening, age_s in sorted(kept, key=lambda each: -each[1]):
            if opening.tank in self._limits:
                air_m3 = self._largest_m3[opening.tank] if opening.air_m3 is None else opening.air_m3
                self._spent[opening.tank].append(Opening(at_s=now.monotonic_s - age_s, air_m3=air_m3))

    def _tell(self, tank: str, found: Permission) -> None:
        wait_s = found.from_s - self._clock.monotonic_s()
        if wait_s < _NEWS_S or tank in self._told:
            return
        self._told.add(tank)
        text = f"the purge of {tank} is postponed by {wait_s / 60.0:.1f} min, for its air budget is spent: {found.why}"
        self._journal.event(KIND, f"{text}; until then its reading grows old", tank=tank, level=logging.WARNING)
