"""Asking something of a baseline from outside the daemon: at once when the store is free, else by a request in it."""

from __future__ import annotations

from lungfish.app.clock import LoopClock, system_stamps
from lungfish.app.journal import Journal, store_trouble
from lungfish.app.tank_loop import settings_hash
from lungfish.app.upkeep import Upkeep
from lungfish.config import Site, Tank, cycle_setup
from lungfish.errors import StoreBusy
from lungfish.ports import BaselineAct, BaselineRequest
from lungfish.store import Store, leave_request

__all__ = ["ask"]


async def ask(site: Site, tank: Tank, act: BaselineAct, name: str, reason: str) -> bool:
    """Ask something of a tank's baseline.

    Args:
        site: the site.
        tank: one of its tanks.
        act: what is asked.
        name: who asks.
        reason: why.

    Returns:
        True when it is done; False when another lungfish holds the store and will do it before its next cycle.

    Raises:
        StoreError: the store can't be used.
    """
    stamps = system_stamps(LoopClock())
    try:
        store = Store.open(site.store_path, now=stamps.now, on_trouble=store_trouble)
    except StoreBusy:
        leave_request(site.store_path, tank.name, act, name, reason)
        return False
    with store:
        journal = Journal(store, stamps)
        setup = cycle_setup(site, tank)
        upkeep = Upkeep(tank.name, setup, settings_hash(setup), journal)
        await upkeep.heed()  # what was asked before comes first
        upkeep.do(BaselineRequest(number=0, tank=tank.name, act=act, name=name, reason=reason))
    return True
