"""A clock for tests that wait in real time, but need not wait for back-off and hold-off."""

from __future__ import annotations

import asyncio
import time

__all__ = ["SkippingClock"]


class SkippingClock:
    """Real monotonic time, and whatever has been skipped on top."""

    def __init__(self) -> None:
        self._skipped_s = 0.0

    def monotonic_s(self) -> float:
        """Seconds that never step back."""
        return time.monotonic() + self._skipped_s

    async def sleep_until(self, at_s: float) -> None:
        """Wait in real time."""
        await asyncio.sleep(max(0.0, at_s - self.monotonic_s()))

    def skip(self, for_s: float) -> None:
        """Be later at once."""
        self._skipped_s += for_s
