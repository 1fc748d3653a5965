"""Signs of life that rest on work done: each part promises when it will next have done something."""

from __future__ import annotations

__all__ = ["Progress"]


class Progress:
    """Promises by part. A part that is late is stuck, whatever its thread or timer may say."""

    def __init__(self) -> None:
        self._promises: dict[str, float] = {}

    def promise(self, part: str, by_s: float) -> None:
        """A part has done work and will have done more by a moment.

        Args:
            part: who.
            by_s: monotonic time.
        """
        self._promises[part] = by_s

    def ended(self, part: str) -> None:
        """A part has nothing more to do."""
        self._promises.pop(part, None)

    def late(self, now_s: float) -> tuple[str, ...]:
        """Parts that have broken their promise.

        Args:
            now_s: monotonic time.
        """
        return tuple(part for part, by_s in self._promises.items() if by_s < now_s)
