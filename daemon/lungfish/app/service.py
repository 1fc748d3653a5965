"""The daemon as a service: from start to stop, and over to another site file in between."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Callable
from contextlib import nullcontext

from lungfish.app.calendar_jobs import CalendarJobs
from lungfish.app.daemon import Daemon
from lungfish.app.house import House, OnReading, on_signals, open_house
from lungfish.app.log import event_log
from lungfish.app.notify import ServiceManager
from lungfish.app.proofs import proven_utc_s
from lungfish.config import Site
from lungfish.errors import ConfigError, StoreError

__all__ = ["run_site"]

_LOG = logging.getLogger("lungfish")


async def run_site(
    site: Site,
    on_reading: OnReading | None = None,
    stop: asyncio.Event | None = None,
    *,
    read_again: Callable[[], Site] | None = None,
) -> bool:
    """The daemon: runs until SIGTERM, SIGINT, or `stop`.

    Args:
        site: the site.
        on_reading: given each reading, and whether it is on disk.
        stop: ends it too; None: signals only.
        read_again: reads the site file once more, at each SIGHUP, in a thread; None: SIGHUP is left as it is. What it
            gives takes the old site's place when every cycle has come to its end and every valve of the old one is
            confirmed shut.

    Returns:
        Whether every valve is confirmed shut at the end.

    Raises:
        StoreBusy: another lungfish holds the store.
        StoreError: the store can't be used, or at the end not all could be written.
    """
    stop = stop or asyncio.Event()
    before: Site | None = None
    with on_signals(stop.set):
        while True:
            opened = False
            try:
                async with open_house(site, on_reading) as house:
                    opened = True
                    _tell_unproven(house)
                    all_shut, fresh = await _Stay(house, stop, read_again).live()
            except StoreError as error:
                if opened or before is None:
                    raise
                _tell_kept(f"its store can't be used: {error}")
                site, before = before, None
                continue
            if fresh is None or stop.is_set():
                return all_shut
            if all_shut:
                before, site = site, fresh
            else:
                _tell_kept("a valve of the old one is not confirmed shut")


def _tell_unproven(house: House) -> None:
    proven = proven_utc_s(house.site)
    valves = house.site.valves.items()
    stated = [called for called, valve in valves if valve.outside_bound_s is not None and called not in proven]
    if stated:
        text = (
            f"the site file states what shuts {', '.join(stated)} when this computer dies, and that was never tried "
            "here: `lungfish commission` tries it"
        )
        house.journal.event("outside-layer", text, level=logging.WARNING)


def _tell_kept(why: str) -> None:
    event_log(_LOG, logging.ERROR, "reload", text=f"the new site file is not taken, the old one goes on: {why}")


class _Stay:
    """The time in one house, with one site."""

    def __init__(self, house: House, stop: asyncio.Event, read_again: Callable[[], Site] | None) -> None:
        self._house = house
        self._stop = stop
        self._read_again = read_again
        self._leave_off = asyncio.Event()
        self._fresh: Site | None = None
        self._reading: asyncio.Task[None] | None = None
        self._manager = ServiceManager()
        self._daemon = Daemon(
            house.site, house.devices, house.clock, house.journal, watch=house.guard, manager=self._manager
        )

    async def live(self) -> tuple[bool, Site | None]:
        """Run the daemon to its end; returns whether every valve is confirmed shut, and the site to go over to."""
        house, daemon = self._house, self._daemon
        house.on_guard = daemon.abort
        jobs = CalendarJobs(house.store, house.site.timezone, house.journal, house.clock, on_step=daemon.clock_stepped)
        jobs.start()
        watching = asyncio.create_task(jobs.watch_clock(), name="wall clock")
        asked = on_signals(self._asked, (signal.SIGHUP,)) if self._read_again is not None else nullcontext()
        try:
            with asked:
                all_shut = await daemon.run(self._stop, self._leave_off)
        finally:
            watching.cancel()
            jobs.stop()
            if self._reading is not None:
                self._reading.cancel()
        return all_shut, self._fresh

    def _asked(self) -> None:
        if self._reading is None or self._reading.done():
            self._reading = asyncio.create_task(self._read(), name="reload")

    async def _read(self) -> None:
        """Check the whole file; only a sound one that says something else ends this stay."""
        journal = self._house.journal
        if self._read_again is None or self._leave_off.is_set():
            return
        try:
            fresh = await asyncio.to_thread(self._read_again)
        except ConfigError as error:
            text = f"the site file is wrong, the old one goes on: {error}"
            journal.event("reload", text, level=logging.ERROR)
            self._daemon.tell(f"the site file is wrong, the old one goes on ({len(error.problems)} problems)")
            return
        if fresh == self._house.site:
            journal.event("reload", "the site file says nothing new")
            return
        journal.event("reload", "the site file has changed: taken when every cycle has ended and every valve is shut")
        self._fresh = fresh
        self._leave_off.set()
