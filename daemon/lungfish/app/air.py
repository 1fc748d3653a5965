"""How many purge valves may be open at once: permits, given in the order of asking."""

from __future__ import annotations

import asyncio

__all__ = ["AirPermits"]


class AirPermits:
    """As many permits as the site's air can feed open valves; whoever asked first is served first.

    Args:
        simultaneous: purge valves that may be open at once, at least 1.
    """

    def __init__(self, simultaneous: int) -> None:
        self._semaphore = asyncio.Semaphore(simultaneous)
        self.out = 0
        """Permits held now."""

    async def take(self) -> None:
        """Wait for a permit. A wait that is cancelled leaves nothing behind."""
        await self._semaphore.acquire()
        self.out += 1

    def give_back(self) -> None:
        """Return a permit that was taken."""
        self.out -= 1
        self._semaphore.release()
