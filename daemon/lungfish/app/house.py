"""Wiring: from a site file's meaning to store, devices, guard and daemon, and everything closed again in order."""

from __future__ import annotations

import asyncio
import functools
import logging
import os
import signal
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass

from lungfish.app.air import AirPermits
from lungfish.app.clock import LoopClock, system_stamps
from lungfish.app.daemon import Devices, build_tank_loop
from lungfish.app.guard import Guard
from lungfish.app.journal import Journal, store_trouble
from lungfish.app.log import event_log
from lungfish.app.progress import Progress
from lungfish.app.widow import Widow
from lungfish.config import Site
from lungfish.core.events import ValveState
from lungfish.core.reading import Reading
from lungfish.drivers.build import build_devices
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import keep, place_for
from lungfish.drivers.link import RegisterLink
from lungfish.drivers.shut import shut_valve
from lungfish.errors import StoreError
from lungfish.ports import ReadingRecord
from lungfish.store import Store

__all__ = ["House", "measure_once", "on_signals", "open_house"]

_SETTLE_S = 5.0
"""At the end the store has this long to answer for the last readings before it is closed."""
_SHUT_WITHIN_S = 10.0
_LOG = logging.getLogger("lungfish")

OnReading = Callable[[ReadingRecord, bool], None]


@dataclass(slots=True, kw_only=True)
class House:
    """Everything of a site that is open now."""

    site: Site
    """The site."""
    clock: LoopClock
    """Monotonic time."""
    store: Store
    """Its store, locked by us."""
    journal: Journal
    """Where everything is told."""
    devices: Devices
    """Transmitters and valves."""
    links: Mapping[str, RegisterLink]
    """Links by name."""
    guard: Guard
    """The thread that shuts what is open too long."""
    on_guard: Callable[[str, str], None] | None = None
    """Told, in the event loop, of each act of the guard: tank and sentence."""


@asynccontextmanager
async def open_house(site: Site, on_reading: OnReading | None = None) -> AsyncIterator[House]:
    """Open store and devices and start the guard; close all of it at the end.

    Nothing is sent to a device here.

    Args:
        site: the site.
        on_reading: given each reading, and whether it is on disk.

    Raises:
        StoreBusy: another lungfish holds the store.
        StoreError: not a store of lungfish, or a path that can never work; or, at the end, not all could be written.
    """
    loop = asyncio.get_running_loop()
    clock = LoopClock()
    stamps = system_stamps(clock)
    store = Store.open(site.store_path, now=stamps.now, on_trouble=store_trouble)
    try:
        journal = Journal(store, stamps, on_reading)
        tell_unfinished(store)
        links = build_devices(site, clock)
        devices = Devices(
            transmitters=links.transmitters,
            valves=links.valves,
            blow_valves=links.blow_valves,
            vent_valves=links.vent_valves,
            isolating=links.isolating,
            switches=links.switches,
            hold_off=links.hold_off,
        )

        def acted(tank: str, text: str) -> None:
            event_log(_LOG, logging.ERROR, "guard", tank=tank, text=text)  # at once: the loop may have stalled
            loop.call_soon_threadsafe(_guard_acted, house, tank, text)

        guard = Guard(
            {
                called: functools.partial(shut_valve, site.links[valve.link], valve)
                for called, valve in site.valves.items()
            },
            acted,
        )
        house = House(
            site=site, clock=clock, store=store, journal=journal, devices=devices, links=links.links, guard=guard
        )
        widow = keep_valves(site)
        guard.start()
        try:
            yield house
        finally:
            guard.stop()
            if widow is not None:
                widow.end()
            await links.close()
            await journal.settle(_SETTLE_S)
    finally:
        store.close()


def keep_valves(site: Site) -> Widow | None:
    """Leave the list of valves for the service manager, and for the process that is to shut them when this one dies.

    Args:
        site: the site; valves on links that the list can't hold are left to `lungfish shut` with the site file.

    Returns:
        That process, to be ended; None without a service manager that gave us a place for the list.
    """

    def tell(text: str) -> None:
        event_log(_LOG, logging.ERROR, "service", text=text)

    file = place_for(os.environ)
    if file is None:
        return None
    listed = [
        kept
        for called, valve in site.valves.items()
        if (kept := kept_valve(called, site.links[valve.link], valve)) is not None
    ]
    try:
        keep(file, listed, complete=len(listed) == len(site.valves))
    except OSError as error:
        # the service manager then shuts by the site file, which takes a second longer
        tell(f"the list of valves can't be kept: {error}")
        return None
    widow = Widow(file, tell)
    widow.start()
    return widow


def _guard_acted(house: House, tank: str, text: str) -> None:
    owner = house.site.owner(tank)
    house.journal.event("guard", text, tank=owner, level=logging.ERROR)
    if house.on_guard is not None:
        house.on_guard(owner, text)


def tell_unfinished(store: Store) -> None:
    """Give each opening that an earlier run did not live to finish its row.

    Args:
        store: the store; one that can't be read has told so itself.
    """
    try:
        intents = store.unfinished_intents()
    except StoreError as error:
        store_trouble(f"openings of an earlier run can't be looked up: {error}")
        return
    for intent in intents:
        sentence = (
            "lungfish ended while this valve was open or about to open; how long it stayed open and how much air it "
            "took is not known"
        )
        store.put_aborted(intent, sentence)
        event_log(_LOG, logging.WARNING, "aborted", tank=intent.tank, text=sentence)


async def measure_once(site: Site, tank: str) -> tuple[Reading | None, ReadingRecord | None, bool]:
    """One measuring cycle of one tank now, kept like any other.

    Args:
        site: the site.
        tank: name of one of its tanks.

    Returns:
        What was found, its row, and whether the valve is confirmed shut; no reading when stopped before it began.

    Raises:
        StoreBusy: another lungfish holds the store.
        StoreError: the store can't be used, or at the end not all could be written.
    """
    async with open_house(site) as house:
        loop = build_tank_loop(
            site,
            site.tanks[tank],
            house.devices,
            house.clock,
            house.journal,
            AirPermits(1),
            progress=Progress(),
            watch=house.guard,
        )
        house.on_guard = lambda _tank, text: loop.abort(text)
        with on_signals(lambda: loop.stop("interrupted")):
            try:
                reading = await loop.cycle()
                loop.finish()
            finally:
                within_s = _SHUT_WITHIN_S if loop.valve.opening_sent else 0.0
                await asyncio.wait({loop.valve.ensure_shut()}, timeout=within_s)
                await loop.leave(_SHUT_WITHIN_S)
        shut = loop.valve.observed is ValveState.SHUT
    return reading, loop.last_record, shut


@contextmanager
def on_signals(
    act: Callable[[], None], numbers: Sequence[signal.Signals] = (signal.SIGTERM, signal.SIGINT)
) -> Iterator[None]:
    """While inside, these signals call this instead of what they do otherwise.

    Args:
        act: called in the event loop.
        numbers: the signals; those that ask for the end by default.
    """
    loop = asyncio.get_running_loop()
    for number in numbers:
        loop.add_signal_handler(number, act)
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)
